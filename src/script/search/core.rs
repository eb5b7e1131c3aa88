//! The core of a part: best-first search over what must be done before the tail (`mod.rs` §2, §5, §6).
//! It works on classes, not values, and never looks at a clock: its budget is a count of states.

use super::bound::Bound;
use super::exposure::Exposure;
use super::model::{Class, EXPOSURE_SHIFT, GOAL, Model, ModelCommand, Packed, Set, time_of};
use super::script::Move;
use super::states::{OVERHEAD, States};
use super::tail::{Tail, members};
use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// Longest script looked at, in commands; keeps packed costs within their bits.
const MOST_STEPS: u32 = 4096;

/// What is left of the budget.
#[derive(Clone, Copy, Debug)]
pub(super) struct Purse {
    pub expansions: u64,
    /// Bytes of states that may be kept at one time.
    pub bytes: usize,
}

/// Outcome of one part, costs packed.
pub(super) enum PartAnswer {
    Best {
        moves: Vec<Move>,
        cost: Packed,
    },
    /// Budget spent: the best found, if any, and a lower bound on the best.
    Spent {
        found: Option<(Vec<Move>, Packed)>,
        bound: Packed,
    },
    None,
}

struct Node {
    cost: Packed,
    /// Least cost from here on.
    rest: Packed,
    parent: u32,
    command: u16,
    steps: u16,
}

/// An entry of the open list; the greatest is taken first.
#[derive(PartialEq, Eq, PartialOrd, Ord)]
struct Entry {
    total: Reverse<Packed>,
    /// Nearer to the end first.
    rest: Reverse<Packed>,
    /// Younger first.
    serial: u64,
    node: u32,
    /// Whether only the tail is left.
    finished: bool,
    cost: Packed,
}

pub(super) struct Core<'a> {
    model: &'a Model,
    tail: Tail,
    bound: Bound,
    exposure: Exposure,
    /// Commands of the core, in keybook order.
    commands: Vec<usize>,
    /// Slots that must be at their goal before the tail.
    must: Set,
    counted: Set,
    /// Cost of the tail parts that no core command touches, and the same whatever the core does.
    settled: Packed,
    states: States,
    nodes: Vec<Node>,
    open: BinaryHeap<Entry>,
    serial: u64,
}

/// What a command may lead to, as the cost of the step, the state after.
type Next = (Packed, Vec<Class>);

impl<'a> Core<'a> {
    /// `None`: some part of the tail can never land.
    pub fn new(model: &'a Model) -> Option<Self> {
        let mut tail = Tail::of(model);
        let commands: Vec<usize> = (0..model.commands.len()).filter(|id| tail.commands >> id & 1 == 0).collect();
        let written = commands.iter().fold(0, |set, id| set | model.commands[*id].writes);
        let at_goal = at_goal(model.slots.iter().map(|slot| slot.from));
        let (fixed, open): (Vec<_>, Vec<_>) = tail.parts.drain(..).partition(|part| part.slots & written == 0);
        let all: Set = if model.slots.len() == 128 { !0 } else { (1 << model.slots.len()) - 1 };
        let counted = fixed.iter().fold(all, |set, part| set & !part.slots);
        let able = open.iter().fold(0, |set, part| set | part.able);
        let mut settled_tail = Tail { leaves: tail.leaves, commands: tail.commands, parts: fixed };
        let settled = settled_tail.cost(at_goal)?;
        tail.parts = open;
        tail.parts.append(&mut settled_tail.parts);
        Some(Self {
            must: counted & !(tail.leaves & able),
            bound: Bound::new(model),
            exposure: Exposure::new(model),
            tail,
            commands,
            counted,
            settled,
            states: States::new(model.slots.len()),
            nodes: Vec::new(),
            open: BinaryHeap::new(),
            serial: 0,
            model,
        })
    }

    /// Finds the best moves from the model's start.
    pub fn run(mut self, purse: &mut Purse) -> PartAnswer {
        let start: Vec<Class> = self.model.slots.iter().map(|slot| slot.from).collect();
        self.reach(&start, 0, u32::MAX, 0);
        while let Some(entry) = self.open.pop() {
            let node = &self.nodes[entry.node as usize];
            if node.cost < entry.cost {
                continue;
            }
            if entry.finished {
                return PartAnswer::Best { moves: self.moves(entry.node), cost: entry.total.0 };
            }
            if purse.expansions == 0 || self.states.len() * (self.model.slots.len() + OVERHEAD) > purse.bytes {
                return PartAnswer::Spent { found: None, bound: entry.total.0 };
            }
            purse.expansions -= 1;
            self.expand(entry.node);
        }
        PartAnswer::None
    }

    fn rest(&mut self, state: &[Class]) -> Option<Packed> {
        let rest = self.bound.of(state, self.counted)? + self.settled;
        Some(rest + (Packed::from(self.exposure.of(self.model, state)?) << EXPOSURE_SHIFT))
    }

    /// Takes note of a way to a state.
    fn reach(&mut self, state: &[Class], cost: Packed, parent: u32, command: usize) {
        let (id, fresh) = self.states.insert(state);
        let steps = if parent == u32::MAX { 0 } else { self.nodes[parent as usize].steps + 1 };
        if fresh {
            let rest = self.rest(state).unwrap_or(Packed::MAX);
            self.nodes.push(Node { cost, rest, parent, command: command as u16, steps });
        } else {
            let node = &mut self.nodes[id as usize];
            if node.cost <= cost {
                return;
            }
            (node.cost, node.parent, node.command, node.steps) = (cost, parent, command as u16, steps);
        }
        let rest = self.nodes[id as usize].rest;
        if rest != Packed::MAX {
            self.push(id, rest, false);
        }
    }

    fn push(&mut self, node: u32, rest: Packed, finished: bool) {
        self.serial += 1;
        let cost = self.nodes[node as usize].cost;
        let total = Reverse(cost + rest);
        self.open.push(Entry {
            total,
            rest: Reverse(if finished { 0 } else { rest }),
            serial: self.serial,
            node,
            finished,
            cost,
        });
    }

    fn expand(&mut self, id: u32) {
        let (cost, steps) = (self.nodes[id as usize].cost, self.nodes[id as usize].steps);
        let state = self.states.get(id).to_vec();
        let reached = at_goal(state.iter().copied());
        if self.must & !reached == 0
            && let Some(tail) = self.tail.cost(reached)
        {
            self.push(id, tail, true);
        }
        if u32::from(steps) >= MOST_STEPS {
            return;
        }
        let uncovered = uncovered(self.model, &state);
        for place in 0..self.commands.len() {
            let command = self.commands[place];
            let mut next: Vec<Next> = Vec::new();
            successors(self.model, &state, &self.model.commands[command], &mut |step, after| {
                next.push((step, after.to_vec()))
            });
            for (step, after) in next {
                let exposed = Packed::from(uncovered * time_of(step)) << EXPOSURE_SHIFT;
                self.reach(&after, cost + step + exposed, id, command);
            }
        }
    }

    fn moves(&mut self, mut id: u32) -> Vec<Move> {
        let last = at_goal(self.states.get(id).iter().copied());
        let mut moves = Vec::new();
        while self.nodes[id as usize].parent != u32::MAX {
            let node = &self.nodes[id as usize];
            let after = self.states.get(id).to_vec();
            moves.push(Move {
                command: usize::from(node.command),
                before: self.states.get(node.parent).to_vec(),
                after,
            });
            id = node.parent;
        }
        moves.reverse();
        let mut state = moves.last().map_or_else(|| self.states.get(id).to_vec(), |step| step.after.clone());
        for step in self.tail.steps(last) {
            let before = state.clone();
            let command = &self.model.commands[step.command];
            settle(command, step.wanted, &mut state);
            moves.push(Move { command: step.command, before, after: state.clone() });
        }
        moves
    }
}

/// What a tail command leaves: the wanted slots at their goal, the others at the cheapest.
fn settle(command: &ModelCommand, wanted: Set, state: &mut [Class]) {
    command.sets.iter().for_each(|(slot, class)| state[*slot] = *class);
    for field in &command.fields {
        let goal = wanted >> field.slot & 1 == 1;
        let choices = field.choices.iter().filter(|choice| !goal || choice.class == GOAL);
        state[field.slot] = choices.min_by_key(|choice| choice.presses).map_or(GOAL, |choice| choice.class);
    }
}

fn at_goal(state: impl Iterator<Item = Class>) -> Set {
    state.enumerate().filter(|(_, class)| *class == GOAL).fold(0, |set, (slot, _)| set | 1 << slot)
}

/// How many lifelines are not covered in this state.
pub(super) fn uncovered(model: &Model, state: &[Class]) -> u64 {
    model.lifelines.iter().filter(|lifeline| !covered(model, lifeline, state)).count() as u64
}

pub(super) fn covered(model: &Model, lifeline: &super::model::ModelLifeline, state: &[Class]) -> bool {
    let as_was =
        lifeline.start_counts && lifeline.slots.iter().all(|slot| model.slots[*slot].as_was == Some(state[*slot]));
    as_was || lifeline.slots.iter().all(|slot| state[*slot] == GOAL)
}

/// Every way to key a command in a state: its cost without exposure, and the state after.
fn successors(model: &Model, state: &[Class], command: &ModelCommand, found: &mut dyn FnMut(Packed, &[Class])) {
    if command.needs.iter().any(|(slot, classes)| classes >> state[*slot] & 1 == 0) {
        return;
    }
    let mut presses = 0;
    for read in &command.reads {
        let Some(own) = read.presses[usize::from(state[read.slot])] else { return };
        presses += own;
    }
    let mut after = state.to_vec();
    command.sets.iter().for_each(|(slot, class)| after[*slot] = *class);
    key_fields(model, state, command, 0, presses, &mut after, found);
}

fn key_fields(
    model: &Model,
    state: &[Class],
    command: &ModelCommand,
    place: usize,
    presses: u32,
    after: &mut Vec<Class>,
    found: &mut dyn FnMut(Packed, &[Class]),
) {
    let Some(field) = command.fields.get(place) else {
        found(command.base + model.press * Packed::from(presses), after);
        return;
    };
    for choice in &field.choices {
        if !choice.held || state[field.slot] == choice.class {
            after[field.slot] = choice.class;
            key_fields(model, state, command, place + 1, presses + choice.presses, after, found);
        }
    }
}

/// The members of a set, for readers of this file.
pub(super) fn list(set: Set) -> Vec<usize> {
    members(set).collect()
}
