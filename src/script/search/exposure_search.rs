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
use super::state_registry::{OVERHEAD, StateRegistry};
use super::stubborn_sets::{ANY, Firsts, StubbornSets};
use super::successors::{MOST_WAYS, successors, ways};
use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// From a state on: at least so much exposure, milliseconds × lifelines, and so many things to bring about, which only says
/// which of two equals is looked at first.
#[derive(Clone, Copy)]
struct Rest {
    least: u64,
    /// The same by the landmarks alone.
    asked: u64,
    near: u32,
}

struct Node {
    /// Exposure on the way here.
    cost: u64,
    /// What is still to come, where one of these is covered first; `None`: not asked yet.
    rest: Option<(Firsts, Rest)>,
    parent: u32,
    /// What may be covered first, and for what of it the state was looked at.
    firsts: Firsts,
    done: Firsts,
}

/// A way to a state.
#[derive(Clone, Copy)]
struct Way {
    cost: u64,
    /// What every script that goes on so costs at least, by the state before; 0: that tells nothing.
    total: u64,
    parent: u32,
    firsts: Firsts,
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

/// What earlier searches found.
struct Learned {
    states: StateRegistry,
    known: Vec<Known>,
}

impl Learned {
    fn new(length: usize) -> Self {
        Self { states: StateRegistry::new(length), known: Vec::new() }
    }

    fn len(&self) -> usize {
        self.known.len()
    }

    fn get(&self, state: &[Class]) -> Known {
        self.states.find(state).map_or_else(Known::default, |id| self.known[id as usize])
    }

    fn known(&mut self, state: &[Class]) -> &mut Known {
        let (id, fresh) = self.states.insert(state);
        if fresh {
            self.known.push(Known::default());
        }
        &mut self.known[id as usize]
    }
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
    learned: Learned,
    registry: StateRegistry,
    nodes: Vec<Node>,
    open: BinaryHeap<OpenEntry>,
    serial: u64,
    /// Room for the states after one: what each costs, and one after the other; and for one of them.
    next: (Vec<Way>, Vec<Class>),
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
            learned: Learned::new(model.slots.len()),
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
        let known = self.learned.get(start);
        if known.exact || known.asked >= MOST_ASKED || known.least > limit {
            return (known.least, 0);
        }
        // Asked again, it looks further, lest it be asked at each little step.
        let limit = limit.saturating_add(limit / FURTHER * u64::from(known.asked));
        self.registry = StateRegistry::new(self.model.slots.len());
        self.nodes.clear();
        self.open.clear();
        self.dominance.clear();
        let mut left = most;
        let bound = self.search(start, limit, &mut left, bytes);
        for (id, node) in self.nodes.iter().enumerate() {
            let least = if bound == u64::MAX { bound } else { bound.saturating_sub(node.cost) };
            let worth_it = node.rest.is_none_or(|(of, rest)| of != ANY || least > rest.least);
            if worth_it && self.learned.len() < MOST_LEARNED || id == 0 {
                let known = self.learned.known(self.registry.get(id as u32));
                known.least = known.least.max(least);
                known.asked += u8::from(id == 0);
            }
        }
        (bound, most - left)
    }

    fn search(&mut self, start: &[Class], limit: u64, left: &mut u64, bytes: usize) -> u64 {
        self.reach(start, Way { cost: 0, total: 0, parent: u32::MAX, firsts: ANY });
        while let Some(entry) = self.open.pop() {
            let node = &self.nodes[entry.node as usize];
            if node.cost < entry.cost || node.firsts & !node.done == 0 {
                continue;
            }
            let kept = self.registry.len() * (2 * self.model.slots.len() + OVERHEAD);
            if *left == 0 || entry.total.0 > limit || kept > bytes {
                return entry.total.0;
            }
            let state = self.registry.get(entry.node).to_vec();
            if self.raised(&entry, &state) {
                continue;
            }
            if state.iter().all(|class| *class == GOAL) || self.learned.get(&state).exact {
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
            *self.learned.known(self.registry.get(id)) = known;
            id = node.parent;
        }
    }

    /// How many states come after; `None`: some command can be keyed in too many ways.
    fn expand(&mut self, id: u32, state: &[Class], cost: u64) -> Option<u64> {
        let uncovered = self.model.uncovered(state);
        let node = &mut self.nodes[id as usize];
        let firsts = node.firsts & !node.done;
        node.done = node.firsts;
        let tries = self.stubborn_sets.tries(&self.model, state, firsts);
        let many = |command: usize| ways(&self.model.commands[command], state, tries.goals_only) > MOST_WAYS;
        if members(tries.commands).any(many) {
            return None;
        }
        let (mut sums, mut states) = std::mem::take(&mut self.next);
        sums.clear();
        states.clear();
        let rest = self.nodes[id as usize].rest.map_or(0, |(_, rest)| rest.asked);
        // What is keyed for none of those that wait adds its time to the bound at least.
        let weighed = self.last_reset.is_none() && self.landmarks.count(state, &self.goals).is_some();
        if weighed {
            self.exposure_bound.look_at(&self.model, state, &self.landmarks);
        }
        for command in members(tries.commands) {
            let record = &self.model.commands[command];
            let firsts = tries.firsts(command);
            let idle =
                if weighed { self.exposure_bound.idle(&self.model, firsts, command, &self.landmarks) } else { 0 };
            successors(
                &self.model,
                state,
                record,
                tries.goals_only,
                &mut self.after,
                &mut |step: Packed, after: &[Class]| {
                    let now = self.model.uncovered_after(uncovered, record.writes, after);
                    let firsts = self.stubborn_sets.after(firsts, uncovered, now);
                    if firsts != 0 {
                        let tells = idle > 0 && now & !uncovered == 0;
                        let total = if tells { cost + rest + idle * time_of(step) } else { 0 };
                        let cost = cost + u64::from(uncovered.count_ones()) * time_of(step);
                        sums.push(Way { cost, total, parent: id, firsts });
                        states.extend_from_slice(after);
                    }
                },
            );
        }
        let next = || sums.iter().zip(states.chunks_exact(state.len().max(1)));
        // What costs nothing and is nowhere worse need not be weighed against anything else.
        let is_free =
            |way: &Way, after: &[Class]| way.cost == cost && after != state && self.dominance.is_no_worse(after, state);
        let free = next().find(|(way, after)| is_free(way, after));
        match free {
            Some((way, after)) => self.reach(after, *way),
            None => next().for_each(|(way, after)| self.reach(after, *way)),
        }
        let count = sums.len() as u64;
        self.next = (sums, states);
        Some(count)
    }

    fn reach(&mut self, state: &[Class], way: Way) {
        let Way { cost, total, parent, firsts } = way;
        let (id, fresh) = self.registry.insert(state);
        if fresh {
            self.nodes.push(Node { cost, parent, rest: None, firsts, done: 0 });
        }
        let node = &mut self.nodes[id as usize];
        if cost < node.cost {
            (node.cost, node.parent, node.firsts, node.done) = (cost, parent, firsts, 0);
        } else if !fresh {
            if cost > node.cost || firsts & !node.firsts == 0 {
                return;
            }
            node.firsts |= firsts;
        }
        let nodes = &self.nodes;
        let cheaper = |other: u32| {
            let other = &nodes[other as usize];
            other.cost < cost || other.cost == cost && firsts & !other.firsts == 0
        };
        if self.dominance.is_dominated(&self.registry, id, fresh, cheaper) {
            return;
        }
        if total > 0 && self.nodes[id as usize].rest.is_none() {
            self.push(id, cost, total, 0);
            return;
        }
        if let Some(rest) = self.weigh(id, firsts, state) {
            self.push(id, cost, cost + rest.least, rest.near);
        }
    }

    fn push(&mut self, node: u32, cost: u64, total: u64, near: u32) {
        self.serial += 1;
        self.open.push(OpenEntry { total: Reverse(total), near: Reverse(near), serial: self.serial, node, cost });
    }

    /// Whether a state that was only bounded by the one before it is dearer than that said.
    fn raised(&mut self, entry: &OpenEntry, state: &[Class]) -> bool {
        let node = &self.nodes[entry.node as usize];
        let firsts = node.firsts & !node.done;
        let Some(rest) = self.weigh(entry.node, firsts, state) else { return true };
        let total = entry.cost + rest.least;
        if total > entry.total.0 {
            self.push(entry.node, entry.cost, total, rest.near);
        }
        total > entry.total.0
    }

    /// What is still to come from a state, where one of these is covered first; `None`: no script leads on.
    fn weigh(&mut self, id: u32, firsts: Firsts, state: &[Class]) -> Option<Rest> {
        let known = self.nodes[id as usize].rest.filter(|(of, _)| firsts & !of == 0);
        let (of, rest) = known.unwrap_or_else(|| {
            (firsts, self.rest(state, firsts).unwrap_or(Rest { least: u64::MAX, asked: u64::MAX, near: 0 }))
        });
        self.nodes[id as usize].rest = Some((of, rest));
        (rest.least != u64::MAX).then_some(rest)
    }

    fn rest(&mut self, state: &[Class], firsts: Firsts) -> Option<Rest> {
        let near = self.landmarks.count(state, &self.goals)?;
        let exposure = match &mut self.last_reset {
            Some(bounds) if state.last() == Some(&GOAL) => bounds.exposure_after(&self.model, state, firsts)?,
            Some(bounds) => bounds.exposure_through(&self.model, state)?,
            None => self.exposure_bound.of(&self.model, state, firsts, 0, &mut self.landmarks)?,
        };
        let learned = self.learned.get(state).least;
        (learned != u64::MAX).then(|| Rest { least: exposure.max(learned), asked: exposure, near })
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
