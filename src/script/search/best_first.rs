//! The best-first search of a part, over all that must be keyed before the suffix (`mod.rs` §2, §5–§7).
//! It works on classes, not values, and never looks at a clock: its budget is a count of states.

use super::budget::{Purse, SUCCESSORS};
use super::exposure_bound::ExposureBound;
use super::extract::Move;
use super::landmark_set::LandmarkSet;
use super::landmarks::Landmarks;
use super::model::{Class, GOAL, Model, ModelCommand, Set, members};
use super::packed::{EXPOSURE_SHIFT, MOST_COMMANDS, Packed, both, either, less, time_of};
use super::partial_steps::{PartialStep, PartialSteps, open_fields};
use super::projection::{FIRST_EXPANSIONS, MOST_EXPANSIONS, Projection};
use super::state_registry::{OVERHEAD, StateRegistry};
use super::stubborn_sets::{ANY, Firsts, StubbornSets};
use super::successors::{MOST_WAYS, accepted, choices, successors, ways};
use super::suffix::Suffix;
use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::rc::Rc;

/// States looked at before a projection is asked, which is not worth it for an easy problem. Tests ask early.
const PATIENCE: u32 = if cfg!(test) { 2 } else { 50 };

/// Outcome of one part, costs packed.
pub(super) enum PartAnswer {
    Best {
        moves: Vec<Move>,
        cost: Packed,
    },
    /// Budget spent: the best found, if any, and a lower bound on the best.
    Spent {
        found: Option<Vec<Move>>,
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
    /// What may be covered first, and for what of it the state was looked at.
    firsts: Firsts,
    done: Firsts,
}

/// A way to a state.
struct Way {
    cost: Packed,
    parent: u32,
    command: usize,
    /// What may be covered first now.
    firsts: Firsts,
    /// Whether some lifeline is uncovered now that was not before, or it is not known.
    more: bool,
}

/// An entry of the open list; the greatest is taken first.
#[derive(PartialEq, Eq, PartialOrd, Ord)]
struct OpenEntry {
    total: Reverse<Packed>,
    /// Nearer to the end first.
    rest: Reverse<Packed>,
    /// Younger first.
    serial: u64,
    stage: Stage,
    /// The node, or the [`PartialStep`].
    node: u32,
    cost: Packed,
}

/// What an entry of the open list stands for.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Stage {
    Open,
    /// A command is keyed in part.
    Partial,
    /// Only the suffix is left; what it costs is known.
    Finished,
    /// Only the suffix is left; there was no budget to know more than a bound on it.
    Bounded,
}

pub(super) struct BestFirst {
    model: Rc<Model>,
    /// Parts of the suffix that the other commands touch, and the rest, which cost the same whatever these do.
    suffix: Suffix,
    fixed: Suffix,
    landmarks: Landmarks,
    exposure_bound: ExposureBound,
    stubborn_sets: StubbornSets,
    /// Commands outside the suffix.
    commands: Set,
    /// Slots that must be at their goal before the suffix.
    must: Set,
    counted: Set,
    /// Those brought to their goal.
    goals: LandmarkSet,
    /// Milliseconds of exposure that every script has.
    floor: u64,
    /// Cost of the fixed parts of the suffix, or a bound on it.
    settled: Packed,
    bounded: bool,
    registry: StateRegistry,
    nodes: Vec<Node>,
    partial_steps: PartialSteps,
    open: BinaryHeap<OpenEntry>,
    serial: u64,
    /// Whether the budget is spent and any script will do.
    hurried: bool,
    next: Next,
    /// Whether some state was left for being too many steps away.
    cut: bool,
}

/// Room for the states that a command leads to: the costs of its keyings, these states one after the other, and one of
/// them.
type Next = (Vec<Packed>, Vec<Class>, Vec<Class>);

impl BestFirst {
    pub fn new(model: Rc<Model>) -> Self {
        let mut suffix = Suffix::of(&model);
        let commands = all(model.commands.len()) & !suffix.commands;
        let written = members(commands).fold(0, |set, id| set | model.commands[id].writes);
        let (fixed, open): (Vec<_>, Vec<_>) = suffix.parts.drain(..).partition(|part| part.slots & written == 0);
        let counted = fixed.iter().fold(all(model.slots.len()), |set, part| set & !part.slots);
        let achieved = open.iter().fold(0, |set, part| set | part.achieves);
        let fixed = Suffix { leaves: suffix.leaves, commands: suffix.commands, parts: fixed };
        suffix.parts = open;
        let landmarks = Landmarks::new(&model);
        Self {
            must: counted & !(suffix.leaves & achieved),
            exposure_bound: ExposureBound::new(&model, &landmarks),
            stubborn_sets: StubbornSets::new(&model, suffix.commands),
            suffix,
            fixed,
            commands,
            goals: landmarks.goals_of(counted),
            landmarks,
            counted,
            settled: 0,
            bounded: false,
            floor: 0,
            registry: StateRegistry::new(model.slots.len()),
            nodes: Vec::new(),
            partial_steps: PartialSteps::default(),
            open: BinaryHeap::new(),
            serial: 0,
            hurried: false,
            next: Next::default(),
            cut: false,
            model,
        }
    }

    /// Finds the best moves from the model's start.
    pub fn run(&mut self, purse: &mut Purse) -> PartAnswer {
        let start: Vec<Class> = self.model.slots.iter().map(|slot| slot.from).collect();
        self.search(&start, purse)
    }

    fn search(&mut self, start: &[Class], purse: &mut Purse) -> PartAnswer {
        let Some(settled) = self.fixed.cost(at_goal(start.iter().copied()), purse) else { return PartAnswer::None };
        (self.settled, self.bounded) = (settled.least, !settled.exact);
        self.reach(start, Way { cost: 0, parent: u32::MAX, command: 0, firsts: ANY, more: false });
        let mut looked_at = 0;
        let mut projection = None;
        while let Some(entry) = self.open.pop() {
            if self.is_stale(&entry) {
                continue;
            }
            if matches!(entry.stage, Stage::Finished | Stage::Bounded) {
                return self.landed(&entry, purse);
            }
            if purse.is_empty() || self.full(purse.bytes) {
                let bound = entry.total.0;
                self.open.push(entry);
                let found = self.hurry(purse);
                return PartAnswer::Spent { found, bound };
            }
            if entry.stage == Stage::Partial {
                purse.pay(1);
                self.go_on(entry.node);
                continue;
            }
            if let Some(projection) = &mut projection
                && self.raise(&entry, projection, purse)
            {
                continue;
            }
            looked_at += 1;
            purse.pay(1);
            self.expand(entry.node, purse);
            if looked_at == PATIENCE {
                let asked = self.counted & !at_goal(start.iter().copied());
                projection = Projection::of(&self.model, asked);
                self.raise_floor(start, &mut projection, purse);
            }
        }
        if self.cut { PartAnswer::Spent { found: None, bound: 0 } } else { PartAnswer::None }
    }

    /// Whether a cheaper way to the state was found since.
    fn is_stale(&self, entry: &OpenEntry) -> bool {
        let node = if entry.stage == Stage::Partial { self.partial_steps.get(entry.node).node } else { entry.node };
        let node = &self.nodes[node as usize];
        node.cost < entry.cost || entry.stage == Stage::Open && node.firsts & !node.done == 0
    }

    fn landed(&mut self, entry: &OpenEntry, purse: &mut Purse) -> PartAnswer {
        let (moves, cost) = (self.moves(entry.node, purse), entry.total.0);
        match moves {
            Some(moves) if entry.stage == Stage::Finished && !self.bounded => PartAnswer::Best { moves, cost },
            found => PartAnswer::Spent { found, bound: cost },
        }
    }

    fn full(&self, bytes: usize) -> bool {
        let entries = (self.open.len() + self.partial_steps.len()).saturating_sub(self.registry.len());
        let states = self.registry.len() * (self.model.slots.len() + OVERHEAD);
        states + entries * size_of::<OpenEntry>() + self.suffix.bytes() > bytes
    }

    /// Past the budget: goes on with whatever looks nearest to the end, for any script at all.
    fn hurry(&mut self, purse: &mut Purse) -> Option<Vec<Move>> {
        self.hurried = true;
        let entries: Vec<OpenEntry> = self.open.drain().collect();
        entries
            .into_iter()
            .for_each(|entry| self.enter(entry.total.0, entry.rest.0, entry.stage, entry.node, entry.cost));
        while let Some(entry) = self.open.pop() {
            if self.is_stale(&entry) {
                continue;
            }
            if matches!(entry.stage, Stage::Finished | Stage::Bounded) {
                return self.moves(entry.node, purse);
            }
            if !purse.spares(1) || self.full(purse.bytes.saturating_mul(2)) {
                return None;
            }
            match entry.stage {
                Stage::Partial => self.go_on(entry.node),
                Stage::Open | Stage::Finished | Stage::Bounded => self.expand(entry.node, purse),
            }
        }
        None
    }

    /// Counts no script as having less exposure than the projection's best.
    fn raise_floor(&mut self, start: &[Class], projection: &mut Option<Projection>, purse: &mut Purse) {
        let Some(exposure) =
            projection.as_mut().map(|projection| projection.exposure(start, u64::MAX, FIRST_EXPANSIONS, purse))
        else {
            return;
        };
        if exposure == u64::MAX {
            self.open.clear();
            return;
        }
        self.floor = exposure;
        let entries: Vec<OpenEntry> = self.open.drain().collect();
        for mut entry in entries {
            entry.total = Reverse(self.raised(entry.total.0));
            self.open.push(entry);
        }
    }

    /// Asks the projection for the exposure still to come; whether the node has become dearer.
    fn raise(&mut self, entry: &OpenEntry, projection: &mut Projection, purse: &mut Purse) -> bool {
        let limit = ((entry.total.0 - entry.cost) >> EXPOSURE_SHIFT) as u64;
        let exposure = projection.exposure(self.registry.get(entry.node), limit, MOST_EXPANSIONS, purse);
        let node = &mut self.nodes[entry.node as usize];
        if exposure == u64::MAX {
            node.rest = Packed::MAX;
            return true;
        }
        node.rest = both(node.rest, Packed::from(exposure) << EXPOSURE_SHIFT);
        let rest = node.rest;
        let dearer = self.raised(entry.cost + rest) > entry.total.0;
        if dearer {
            self.push(entry.node, rest);
        }
        dearer
    }

    /// The bound with no less exposure than every script has.
    fn raised(&self, total: Packed) -> Packed {
        both(total, Packed::from(self.floor) << EXPOSURE_SHIFT)
    }

    fn rest(&mut self, state: &[Class], firsts: Firsts) -> Option<Packed> {
        let rest = self.landmarks.cost(state, &self.goals)? + self.settled;
        // Who hurries looks at the work left alone.
        let exposure = if self.hurried {
            0
        } else {
            self.exposure_bound.of(&self.model, state, firsts, 0, &mut self.landmarks)?
        };
        Some(rest + (Packed::from(exposure) << EXPOSURE_SHIFT))
    }

    /// Takes note of a way to a state.
    fn reach(&mut self, state: &[Class], way: Way) {
        let Way { cost, parent, command, firsts, more } = way;
        let (id, fresh) = self.registry.insert(state);
        let (steps, least) = match self.nodes.get(parent as usize) {
            // What bounds the scripts that cover some lifeline first does not bound those that cover another one before.
            Some(node) if more && node.firsts != ANY => (node.steps + 1, 0),
            Some(node) => (node.steps + 1, less(node.rest, cost - node.cost)),
            None => (0, 0),
        };
        let known =
            if fresh { None } else { self.nodes.get(id as usize).map(|node| (node.cost, node.firsts, node.rest)) };
        if known.is_some_and(|(known, of, _)| known < cost || known == cost && firsts & !of == 0) {
            return;
        }
        let rest = match known {
            Some((_, of, rest)) if firsts & !of == 0 => Some(rest),
            _ => self.rest(state, firsts),
        };
        let rest = rest.map_or(Packed::MAX, |rest| both(rest, least));
        let node = Node { cost, rest, parent, command: command as u16, steps, firsts, done: 0 };
        match known {
            None => self.nodes.push(node),
            Some((known, of, own)) if known == cost => {
                let node = &mut self.nodes[id as usize];
                (node.firsts, node.rest) = (of | firsts, either(own, rest));
            }
            Some(_) => self.nodes[id as usize] = node,
        }
        if rest != Packed::MAX {
            self.push(id, rest);
        }
    }

    fn push(&mut self, node: u32, rest: Packed) {
        let cost = self.nodes[node as usize].cost;
        self.enter(cost + rest, rest, Stage::Open, node, cost);
    }

    /// Puts an entry into the open list: with a bound on every script through it, and on what is still to come.
    fn enter(&mut self, total: Packed, rest: Packed, stage: Stage, node: u32, cost: Packed) {
        self.serial += 1;
        let finished = matches!(stage, Stage::Finished | Stage::Bounded);
        let total = match (self.hurried, finished) {
            (false, _) => self.raised(total),
            // By the work left alone: least exposure first would try every detour that costs none.
            (true, false) => rest & ((1 << EXPOSURE_SHIFT) - 1),
            (true, true) => 0,
        };
        let rest = Reverse(if finished { 0 } else { rest });
        self.open.push(OpenEntry { total: Reverse(total), rest, serial: self.serial, stage, node, cost });
    }

    fn expand(&mut self, id: u32, purse: &mut Purse) {
        let node = &mut self.nodes[id as usize];
        let (cost, steps, firsts) = (node.cost, node.steps, node.firsts & !node.done);
        node.done = node.firsts;
        let state = self.registry.get(id).to_vec();
        self.end_here(id, &state, cost, purse);
        if u64::from(steps) >= MOST_COMMANDS {
            self.cut = true;
            return;
        }
        let uncovered = self.model.uncovered(&state);
        let tries = self.stubborn_sets.tries(&self.model, &state, firsts);
        let (mut steps, mut states, mut after) = std::mem::take(&mut self.next);
        let mut count = 0;
        for command in members(tries.commands & self.commands) {
            let record = &self.model.commands[command];
            if ways(record, &state, tries.goals_only) > MOST_WAYS {
                self.begin(id, command, &state);
                continue;
            }
            let (firsts, writes) = (tries.firsts(command), record.writes);
            steps.clear();
            states.clear();
            successors(&self.model, &state, record, tries.goals_only, &mut after, &mut |step, after| {
                steps.push(step);
                states.extend_from_slice(after);
            });
            count += steps.len() as u64;
            for (step, after) in steps.iter().zip(states.chunks_exact(state.len().max(1))) {
                let exposed = Packed::from(u64::from(uncovered.count_ones()) * time_of(*step)) << EXPOSURE_SHIFT;
                let now = self.model.uncovered_after(uncovered, writes, after);
                let firsts = self.stubborn_sets.after(firsts, uncovered, now);
                if firsts != 0 {
                    let (cost, more) = (cost + step + exposed, now & !uncovered != 0);
                    self.reach(after, Way { cost, parent: id, command, firsts, more });
                }
            }
        }
        self.next = (steps, states, after);
        purse.pay(count / SUCCESSORS);
    }

    /// Ends the script by the suffix, where nothing else is left to do.
    fn end_here(&mut self, id: u32, state: &[Class], cost: Packed, purse: &mut Purse) {
        let reached = at_goal(state.iter().copied());
        if self.must & !reached == 0
            && let Some(suffix) = self.suffix.cost(reached, purse)
        {
            let rest = suffix.least + self.settled;
            self.enter(cost + rest, rest, if suffix.exact { Stage::Finished } else { Stage::Bounded }, id, cost);
        }
    }

    /// Begins to key a command that can be keyed in many ways.
    fn begin(&mut self, id: u32, command: usize, state: &[Class]) {
        if let Some(presses) = accepted(&self.model.commands[command], state) {
            self.note(PartialStep::new(id, command, presses), state);
        }
    }

    /// Keys one field more in all ways.
    fn go_on(&mut self, id: u32) {
        let (partial, model) = (self.partial_steps.get(id), Rc::clone(&self.model));
        let command = &model.commands[usize::from(partial.command)];
        let state = self.registry.get(partial.node).to_vec();
        let Some(field) = command.fields.get(usize::from(partial.place)) else { return };
        for choice in choices(field, &state, false) {
            let next = partial.with(id, choice);
            if usize::from(next.place) < command.fields.len() {
                self.note(next, &state);
                continue;
            }
            let mut after = self.partial_steps.after(partial, command, &state);
            after[field.slot] = choice.class;
            let step = command.base + model.press * Packed::from(next.presses);
            let exposed = exposed(&model, &state, step);
            let cost = self.nodes[partial.node as usize].cost + step + exposed;
            let (parent, command) = (partial.node, usize::from(partial.command));
            self.reach(&after, Way { cost, parent, command, firsts: ANY, more: true });
        }
    }

    /// Takes note of a command keyed in part, with a bound on every script that goes on so (`mod.rs` §9).
    fn note(&mut self, partial: PartialStep, state: &[Class]) {
        let model = Rc::clone(&self.model);
        let command = &model.commands[usize::from(partial.command)];
        let Some((presses, fields)) = open_fields(command, usize::from(partial.place), state) else { return };
        let (cost, least) = (self.nodes[partial.node as usize].cost, self.nodes[partial.node as usize].rest);
        let step = command.base + model.press * Packed::from(partial.presses + presses);
        let exposed = exposed(&model, state, step);
        let after = self.partial_steps.after(partial, command, state);
        let Some(rest) = self.landmarks.cost_in_part(&after, &self.goals, &fields, model.press) else { return };
        let open = fields.iter().fold(0, |set: Set, (slot, _)| set | 1 << slot);
        let exposure =
            if self.hurried { Some(0) } else { self.exposure_bound.of(&model, &after, ANY, open, &mut self.landmarks) };
        let Some(exposure) = exposure else { return };
        let rest = step + exposed + rest + self.settled + (Packed::from(exposure) << EXPOSURE_SHIFT);
        let rest = both(rest, least);
        let id = self.partial_steps.add(partial);
        self.enter(cost + rest, rest, Stage::Partial, id, cost);
    }

    /// The way to a node, and the suffix; `None`: none is known.
    fn moves(&mut self, mut id: u32, purse: &mut Purse) -> Option<Vec<Move>> {
        let last = at_goal(self.registry.get(id).iter().copied());
        let mut moves = Vec::new();
        while self.nodes[id as usize].parent != u32::MAX {
            let node = &self.nodes[id as usize];
            let after = self.registry.get(id).to_vec();
            moves.push(Move { command: usize::from(node.command), after });
            id = node.parent;
        }
        moves.reverse();
        let mut state = moves.last().map_or_else(|| self.registry.get(id).to_vec(), |step| step.after.clone());
        let mut suffix = self.fixed.steps(last, purse)?;
        suffix.append(&mut self.suffix.steps(last, purse)?);
        for step in suffix {
            let command = &self.model.commands[step.command];
            settle(command, step.wanted, &mut state);
            moves.push(Move { command: step.command, after: state.clone() });
        }
        Some(moves)
    }
}

/// The exposure of a step of this cost in a state.
fn exposed(model: &Model, state: &[Class], step: Packed) -> Packed {
    Packed::from(u64::from(model.uncovered(state).count_ones()) * time_of(step)) << EXPOSURE_SHIFT
}

/// What a command of the suffix leaves: the wanted slots at their goal, the others at the cheapest.
fn settle(command: &ModelCommand, wanted: Set, state: &mut [Class]) {
    command.sets.iter().for_each(|(slot, class)| state[*slot] = *class);
    for field in &command.fields {
        let goal = wanted >> field.slot & 1 == 1;
        let choices = field.choices.iter().filter(|choice| !goal || choice.class == GOAL);
        state[field.slot] = choices.min_by_key(|choice| choice.presses).map_or(GOAL, |choice| choice.class);
    }
}

/// The set of the first so many.
fn all(count: usize) -> Set {
    if count >= 128 { !0 } else { (1 << count) - 1 }
}

fn at_goal(state: impl Iterator<Item = Class>) -> Set {
    state.enumerate().filter(|(_, class)| *class == GOAL).fold(0, |set, (slot, _)| set | 1 << slot)
}
