//! The least exposure alone: a search in which time, presses and commands count for nothing (`mod.rs` §6). What comes of
//! it is a bound for the search of the whole cost. It never looks at a clock.

use super::budget::SUCCESSORS;
use super::dominance::Dominance;
use super::exposure_bound::ExposureBound;
use super::landmark_set::LandmarkSet;
use super::landmarks::Landmarks;
use super::last_reset::{LastReset, ResetEffects};
use super::model::{Class, GOAL, Model, ModelCommand, members};
use super::packed::{Packed, time_of};
use super::state_registry::{OVERHEAD, StateMap, StateRegistry};
use super::stubborn_sets::StubbornSets;
use super::successors::{MOST_WAYS, successors, ways};
use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// From a state on: at least so much exposure, milliseconds × lifelines, and so many things to bring about, which only says
/// which of two equals is looked at first.
#[derive(Clone, Copy)]
struct Rest {
    least: u64,
    near: u32,
}

struct Node {
    /// Exposure on the way here.
    cost: u64,
    /// `None`: not asked yet.
    rest: Option<Rest>,
    parent: u32,
}

/// An entry of the open list; the greatest is taken first.
#[derive(PartialEq, Eq, PartialOrd, Ord)]
struct OpenEntry {
    total: Reverse<u64>,
    near: Reverse<u32>,
    serial: u64,
    node: u32,
    cost: u64,
}

/// Most states whose exposure is kept, some 100 bytes each.
const MOST_LEARNED: usize = 100_000;

/// How often one state is searched from: each time the limit may have risen a little.
const MOST_ASKED: u8 = 8;

/// Such a share of the limit is looked further each time.
const FURTHER: u64 = 256;

/// What is known of the exposure still to come from a state, in milliseconds × lifelines; `u64::MAX`: no way on.
#[derive(Clone, Copy, Default)]
struct Known {
    least: u64,
    /// Whether some script of the projection has just this.
    exact: bool,
    /// How often a search from here ended without telling.
    asked: u8,
}

pub(super) struct ExposureSearch {
    model: Model,
    landmarks: Landmarks,
    exposure_bound: ExposureBound,
    /// In a model through a reset: bounds without it.
    last_reset: Option<LastReset>,
    stubborn_sets: StubbornSets,
    dominance: Dominance,
    goals: LandmarkSet,
    /// What earlier searches found.
    learned: StateMap<Known>,
    registry: StateRegistry,
    nodes: Vec<Node>,
    open: BinaryHeap<OpenEntry>,
    serial: u64,
    /// Room for the states after one: what each costs, and one after the other; and for one of them.
    next: (Vec<u64>, Vec<Class>),
    after: Vec<Class>,
}

impl ExposureSearch {
    pub fn new(model: Model) -> Self {
        let landmarks = Landmarks::new(&model);
        Self {
            goals: landmarks.goals_of((0..model.slots.len()).fold(0, |set, slot| set | 1 << slot)),
            exposure_bound: ExposureBound::new(&model, &landmarks),
            landmarks,
            last_reset: last_reset(&model),
            stubborn_sets: StubbornSets::new(&model, 0),
            dominance: Dominance::new(&model),
            learned: StateMap::default(),
            registry: StateRegistry::new(model.slots.len()),
            nodes: Vec::new(),
            open: BinaryHeap::new(),
            serial: 0,
            next: Default::default(),
            after: Vec::new(),
            model,
        }
    }

    /// A bound on the exposure from a state (`u64::MAX`: no script leads on). It is the least, unless that is more than
    /// `limit` (or somewhat more), or so many states did not tell, or it was asked too often.
    pub fn least(&mut self, start: &[Class], limit: u64, most: u64, bytes: usize) -> (u64, u64) {
        if let Some(known) = self.learned.get(start)
            && (known.exact || known.asked >= MOST_ASKED || known.least > limit)
        {
            return (known.least, 0);
        }
        // Asked again, it looks further, lest it be asked at each little step.
        let asked = self.learned.get(start).map_or(0, |known| u64::from(known.asked));
        let limit = limit.saturating_add(limit / FURTHER * asked);
        self.registry = StateRegistry::new(self.model.slots.len());
        self.nodes.clear();
        self.open.clear();
        self.dominance.clear();
        let mut left = most;
        let bound = self.search(start, limit, &mut left, bytes);
        for (id, node) in self.nodes.iter().enumerate() {
            let least = if bound == u64::MAX { bound } else { bound.saturating_sub(node.cost) };
            let worth_it = node.rest.is_none_or(|rest| least > rest.least) && self.learned.len() < MOST_LEARNED;
            if worth_it || id == 0 {
                let known = self.learned.entry(self.registry.get(id as u32).to_vec()).or_default();
                known.least = known.least.max(least);
                known.asked += u8::from(id == 0);
            }
        }
        (bound, most - left)
    }

    fn search(&mut self, start: &[Class], limit: u64, left: &mut u64, bytes: usize) -> u64 {
        self.reach(start, 0, u32::MAX);
        while let Some(entry) = self.open.pop() {
            if self.nodes[entry.node as usize].cost < entry.cost {
                continue;
            }
            let kept = self.registry.len() * (2 * self.model.slots.len() + OVERHEAD);
            if *left == 0 || entry.total.0 > limit || kept > bytes {
                return entry.total.0;
            }
            let state = self.registry.get(entry.node).to_vec();
            if state.iter().all(|class| *class == GOAL) || self.learned.get(&state).is_some_and(|known| known.exact) {
                self.settle(entry.node, entry.total.0);
                return entry.total.0;
            }
            let Some(successors) = self.expand(entry.node, &state, entry.cost) else { return entry.total.0 };
            *left = left.saturating_sub(1 + successors / SUCCESSORS);
        }
        u64::MAX
    }

    /// Keeps what a script of least exposure leaves to come at each of its states.
    fn settle(&mut self, mut id: u32, total: u64) {
        while let Some(node) = self.nodes.get(id as usize) {
            let known = Known { least: total - node.cost, exact: true, asked: 0 };
            self.learned.insert(self.registry.get(id).to_vec(), known);
            id = node.parent;
        }
    }

    /// How many states come after; `None`: some command can be keyed in too many ways.
    fn expand(&mut self, id: u32, state: &[Class], cost: u64) -> Option<u64> {
        let uncovered = self.model.uncovered(state);
        let relevant = self.stubborn_sets.relevant(&self.model, state);
        let achievers = self.stubborn_sets.achievers_first(&self.model, state, relevant);
        let goals_only = achievers.is_some();
        let commands = achievers
            .unwrap_or_else(|| self.stubborn_sets.stubborn_set(&self.model, state, relevant).unwrap_or(relevant));
        let many = |command: usize| ways(&self.model.commands[command], state, goals_only) > MOST_WAYS;
        if members(commands).any(many) {
            return None;
        }
        let (mut sums, mut states) = std::mem::take(&mut self.next);
        sums.clear();
        states.clear();
        for command in members(commands) {
            let record = &self.model.commands[command];
            successors(
                &self.model,
                state,
                record,
                goals_only,
                &mut self.after,
                &mut |step: Packed, after: &[Class]| {
                    sums.push(cost + uncovered * time_of(step));
                    states.extend_from_slice(after);
                },
            );
        }
        let next = || sums.iter().zip(states.chunks_exact(state.len().max(1)));
        // What costs nothing and is nowhere worse need not be weighed against anything else.
        let free =
            next().find(|(sum, after)| **sum == cost && *after != state && self.dominance.is_no_worse(after, state));
        match free {
            Some((_, after)) => self.reach(after, cost, id),
            None => next().for_each(|(sum, after)| self.reach(after, *sum, id)),
        }
        let count = sums.len() as u64;
        self.next = (sums, states);
        Some(count)
    }

    fn reach(&mut self, state: &[Class], cost: u64, parent: u32) {
        let (id, fresh) = self.registry.insert(state);
        if fresh {
            self.nodes.push(Node { cost, parent, rest: None });
        } else if self.nodes[id as usize].cost <= cost {
            return;
        }
        (self.nodes[id as usize].cost, self.nodes[id as usize].parent) = (cost, parent);
        let nodes = &self.nodes;
        let cheaper = |other: u32| nodes[other as usize].cost <= cost;
        if self.dominance.is_dominated(&self.registry, id, cheaper) {
            return;
        }
        let rest =
            self.nodes[id as usize].rest.or_else(|| self.rest(state)).unwrap_or(Rest { least: u64::MAX, near: 0 });
        self.nodes[id as usize].rest = Some(rest);
        if rest.least != u64::MAX {
            self.serial += 1;
            let (total, near) = (Reverse(cost + rest.least), Reverse(rest.near));
            self.open.push(OpenEntry { total, near, serial: self.serial, node: id, cost });
        }
    }

    fn rest(&mut self, state: &[Class]) -> Option<Rest> {
        let near = self.landmarks.count(state, &self.goals)?;
        let exposure = match &mut self.last_reset {
            Some(bounds) if state.last() == Some(&GOAL) => bounds.exposure_after(&self.model, state)?,
            Some(bounds) => bounds.exposure_through(&self.model, state)?,
            None => self.exposure_bound.of(&self.model, state, 0, &mut self.landmarks)?,
        };
        let learned = self.learned.get(state).map_or(0, |known| known.least);
        (learned != u64::MAX).then(|| Rest { least: exposure.max(learned), near })
    }
}

/// The bounds that look beyond the last reset, where the model has one.
fn last_reset(model: &Model) -> Option<LastReset> {
    let last = model.last_reset()?;
    let effects = |reset: &ModelCommand| ResetEffects {
        needs: reset.needs.iter().copied().filter(|need| need.0 != last).collect(),
        sets: reset.sets.clone(),
        least_ms: time_of(reset.least(model.press)),
    };
    let resets = model.commands.iter().filter(|command| command.writes >> last & 1 == 1).map(effects).collect();
    Some(LastReset::new(&model.before_reset(last), resets))
}
