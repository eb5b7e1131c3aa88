//! The core of a part: best-first search over what must be done before the tail (`mod.rs` §2, §5–§7).
//! It works on classes, not values, and never looks at a clock: its budget is a count of states.

use super::Budget;
use super::bound::{Asked, Bound};
use super::cone::{Cone, FIRST_EXPANSIONS, MOST_EXPANSIONS};
use super::exposure::Exposure;
use super::forced::Forced;
use super::keying::{Begun, Chains, MOST_WAYS, accepted, choices, open_fields, successors, ways};
use super::model::{Class, EXPOSURE_SHIFT, GOAL, MOST_COMMANDS, Model, ModelCommand, Packed, Set, time_of};
use super::script::Move;
use super::states::{OVERHEAD, States};
use super::tail::{Tail, members};
use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::rc::Rc;

/// States looked at before a projection is asked, which is not worth it for an easy problem. Tests ask early.
const PATIENCE: u32 = if cfg!(test) { 2 } else { 50 };

/// The share of the budget that may be spent past it, over all parts, to have some script.
const HURRIED_SHARE: u64 = 4;

/// Successors that cost as much as the state that they come after.
pub(super) const SUCCESSORS: u64 = 64;

/// What is left of the budget.
#[derive(Clone, Copy, Debug)]
pub(super) struct Purse {
    pub expansions: u64,
    /// Bytes of states that may be kept at one time.
    pub bytes: usize,
    /// States that may be looked at past the budget.
    pub spare: u64,
    /// All that was paid.
    pub paid: u64,
}

impl Purse {
    pub fn new(budget: &Budget) -> Self {
        let Budget { expansions, bytes } = *budget;
        Self { expansions, bytes, spare: expansions / HURRIED_SHARE, paid: 0 }
    }

    pub fn pay(&mut self, states: u64) {
        self.expansions = self.expansions.saturating_sub(states);
        self.paid += states;
    }

    pub fn is_empty(&self) -> bool {
        self.expansions == 0
    }

    /// Pays for a state past the budget; whether there was as much to spare.
    pub fn spares(&mut self, states: u64) -> bool {
        self.paid += states;
        let left = self.spare.checked_sub(states);
        self.spare = left.unwrap_or(0);
        left.is_some()
    }
}

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
}

/// An entry of the open list; the greatest is taken first.
#[derive(PartialEq, Eq, PartialOrd, Ord)]
struct Entry {
    total: Reverse<Packed>,
    /// Nearer to the end first.
    rest: Reverse<Packed>,
    /// Younger first.
    serial: u64,
    stage: Stage,
    /// The node, or the [`Begun`] command.
    node: u32,
    cost: Packed,
}

/// What an entry of the open list stands for.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Stage {
    Open,
    /// A command is keyed in part.
    Begun,
    /// Only the tail is left; what it costs is known.
    Finished,
    /// Only the tail is left; there was no budget to know more than a bound on it.
    Bounded,
}

pub(super) struct Core {
    model: Rc<Model>,
    /// Tail parts that core commands touch, and the others, which cost the same whatever the core does.
    tail: Tail,
    fixed: Tail,
    bound: Bound,
    exposure: Exposure,
    forced: Forced,
    /// Commands of the core.
    commands: Set,
    /// Slots that must be at their goal before the tail.
    must: Set,
    counted: Set,
    /// Those brought to their goal.
    goals: Asked,
    /// Milliseconds of exposure that every script has.
    floor: u64,
    /// Cost of the fixed tail parts, or a bound on it.
    settled: Packed,
    bounded: bool,
    states: States,
    nodes: Vec<Node>,
    begun: Chains,
    open: BinaryHeap<Entry>,
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

impl Core {
    pub fn new(model: Rc<Model>) -> Self {
        let mut tail = Tail::of(&model);
        let commands = all(model.commands.len()) & !tail.commands;
        let written = members(commands).fold(0, |set, id| set | model.commands[id].writes);
        let (fixed, open): (Vec<_>, Vec<_>) = tail.parts.drain(..).partition(|part| part.slots & written == 0);
        let counted = fixed.iter().fold(all(model.slots.len()), |set, part| set & !part.slots);
        let able = open.iter().fold(0, |set, part| set | part.able);
        let fixed = Tail { leaves: tail.leaves, commands: tail.commands, parts: fixed };
        tail.parts = open;
        let bound = Bound::new(&model);
        Self {
            must: counted & !(tail.leaves & able),
            exposure: Exposure::new(&model, &bound),
            forced: Forced::new(&model, tail.commands),
            tail,
            fixed,
            commands,
            goals: bound.goals_of(counted),
            bound,
            counted,
            settled: 0,
            bounded: false,
            floor: 0,
            states: States::new(model.slots.len()),
            nodes: Vec::new(),
            begun: Chains::default(),
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
        self.reach(start, 0, u32::MAX, 0);
        let mut looked_at = 0;
        let mut cone = None;
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
            if entry.stage == Stage::Begun {
                purse.pay(1);
                self.go_on(entry.node);
                continue;
            }
            if let Some(cone) = &mut cone
                && self.raise(&entry, cone, purse)
            {
                continue;
            }
            looked_at += 1;
            purse.pay(1);
            self.expand(entry.node, purse);
            if looked_at == PATIENCE {
                let asked = self.counted & !at_goal(start.iter().copied());
                cone = Cone::of(&self.model, asked);
                self.raise_floor(start, &mut cone, purse);
            }
        }
        if self.cut { PartAnswer::Spent { found: None, bound: 0 } } else { PartAnswer::None }
    }

    /// Whether a cheaper way to the state was found since.
    fn is_stale(&self, entry: &Entry) -> bool {
        let node = if entry.stage == Stage::Begun { self.begun.get(entry.node).node } else { entry.node };
        self.nodes[node as usize].cost < entry.cost
    }

    fn landed(&mut self, entry: &Entry, purse: &mut Purse) -> PartAnswer {
        let (moves, cost) = (self.moves(entry.node, purse), entry.total.0);
        match moves {
            Some(moves) if entry.stage == Stage::Finished && !self.bounded => PartAnswer::Best { moves, cost },
            found => PartAnswer::Spent { found, bound: cost },
        }
    }

    fn full(&self, bytes: usize) -> bool {
        let entries = (self.open.len() + self.begun.len()).saturating_sub(self.states.len());
        let states = self.states.len() * (self.model.slots.len() + OVERHEAD);
        states + entries * size_of::<Entry>() + self.tail.bytes() > bytes
    }

    /// Past the budget: goes on with whatever looks nearest to the end, for any script at all.
    fn hurry(&mut self, purse: &mut Purse) -> Option<Vec<Move>> {
        self.hurried = true;
        let entries: Vec<Entry> = self.open.drain().collect();
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
                Stage::Begun => self.go_on(entry.node),
                Stage::Open | Stage::Finished | Stage::Bounded => self.expand(entry.node, purse),
            }
        }
        None
    }

    /// Counts no script as having less exposure than the projection's best.
    fn raise_floor(&mut self, start: &[Class], cone: &mut Option<Cone>, purse: &mut Purse) {
        let Some(exposure) = cone.as_mut().map(|cone| cone.exposure(start, u64::MAX, FIRST_EXPANSIONS, purse)) else {
            return;
        };
        if exposure == u64::MAX {
            self.open.clear();
            return;
        }
        self.floor = exposure;
        let entries: Vec<Entry> = self.open.drain().collect();
        for mut entry in entries {
            entry.total = Reverse(self.raised(entry.total.0));
            self.open.push(entry);
        }
    }

    /// Asks the projection for the exposure still to come; whether the node has become dearer.
    fn raise(&mut self, entry: &Entry, cone: &mut Cone, purse: &mut Purse) -> bool {
        let limit = ((entry.total.0 - entry.cost) >> EXPOSURE_SHIFT) as u64;
        let exposure = cone.exposure(self.states.get(entry.node), limit, MOST_EXPANSIONS, purse);
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

    fn rest(&mut self, state: &[Class]) -> Option<Packed> {
        let rest = self.bound.of(state, &self.goals)? + self.settled;
        // Who hurries looks at the work left alone.
        let exposure = if self.hurried { 0 } else { self.exposure.of(&self.model, state, 0, &mut self.bound)? };
        Some(rest + (Packed::from(exposure) << EXPOSURE_SHIFT))
    }

    /// Takes note of a way to a state.
    fn reach(&mut self, state: &[Class], cost: Packed, parent: u32, command: usize) {
        let (id, fresh) = self.states.insert(state);
        let (steps, least) = match self.nodes.get(parent as usize) {
            Some(node) => (node.steps + 1, less(node.rest, cost - node.cost)),
            None => (0, 0),
        };
        if fresh {
            let rest = self.rest(state).map_or(Packed::MAX, |rest| both(rest, least));
            self.nodes.push(Node { cost, rest, parent, command: command as u16, steps });
        } else {
            let node = &mut self.nodes[id as usize];
            if node.cost <= cost {
                return;
            }
            (node.cost, node.parent, node.command, node.steps) = (cost, parent, command as u16, steps);
            if node.rest != Packed::MAX {
                node.rest = both(node.rest, least);
            }
        }
        let rest = self.nodes[id as usize].rest;
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
        self.open.push(Entry { total: Reverse(total), rest, serial: self.serial, stage, node, cost });
    }

    fn expand(&mut self, id: u32, purse: &mut Purse) {
        let (cost, steps) = (self.nodes[id as usize].cost, self.nodes[id as usize].steps);
        let state = self.states.get(id).to_vec();
        let reached = at_goal(state.iter().copied());
        if self.must & !reached == 0
            && let Some(tail) = self.tail.cost(reached, purse)
        {
            let rest = tail.least + self.settled;
            self.enter(cost + rest, rest, if tail.exact { Stage::Finished } else { Stage::Bounded }, id, cost);
        }
        if u64::from(steps) >= MOST_COMMANDS {
            self.cut = true;
            return;
        }
        let uncovered = uncovered(&self.model, &state);
        let relevant = self.forced.relevant(&self.model, &state);
        let forced = self.forced.at(&self.model, &state, relevant);
        let clean = forced.is_some();
        let some = || self.forced.some(&self.model, &state, relevant).unwrap_or(relevant);
        let commands = forced.unwrap_or_else(some) & self.commands;
        let (mut steps, mut states, mut after) = std::mem::take(&mut self.next);
        let mut count = 0;
        for command in members(commands) {
            let record = &self.model.commands[command];
            if ways(record, &state, clean) > MOST_WAYS {
                self.begin(id, command, &state);
                continue;
            }
            steps.clear();
            states.clear();
            successors(&self.model, &state, record, clean, &mut after, &mut |step, after| {
                steps.push(step);
                states.extend_from_slice(after);
            });
            count += steps.len() as u64;
            for (step, after) in steps.iter().zip(states.chunks_exact(state.len().max(1))) {
                let exposed = Packed::from(uncovered * time_of(*step)) << EXPOSURE_SHIFT;
                self.reach(after, cost + step + exposed, id, command);
            }
        }
        self.next = (steps, states, after);
        purse.pay(count / SUCCESSORS);
    }

    /// Begins to key a command that can be keyed in many ways.
    fn begin(&mut self, id: u32, command: usize, state: &[Class]) {
        if let Some(presses) = accepted(&self.model.commands[command], state) {
            self.note(Begun::new(id, command, presses), state);
        }
    }

    /// Keys one field more in all ways.
    fn go_on(&mut self, id: u32) {
        let (begun, model) = (self.begun.get(id), Rc::clone(&self.model));
        let command = &model.commands[usize::from(begun.command)];
        let state = self.states.get(begun.node).to_vec();
        let Some(field) = command.fields.get(usize::from(begun.place)) else { return };
        for choice in choices(field, &state, false) {
            let next = begun.with(id, choice);
            if usize::from(next.place) < command.fields.len() {
                self.note(next, &state);
                continue;
            }
            let mut after = self.begun.after(begun, command, &state);
            after[field.slot] = choice.class;
            let step = command.base + model.press * Packed::from(next.presses);
            let exposed = Packed::from(uncovered(&model, &state) * time_of(step)) << EXPOSURE_SHIFT;
            let cost = self.nodes[begun.node as usize].cost + step + exposed;
            self.reach(&after, cost, begun.node, usize::from(begun.command));
        }
    }

    /// Takes note of a command keyed in part, with a bound on every script that goes on so (`mod.rs` §9).
    fn note(&mut self, begun: Begun, state: &[Class]) {
        let model = Rc::clone(&self.model);
        let command = &model.commands[usize::from(begun.command)];
        let Some((presses, fields)) = open_fields(command, usize::from(begun.place), state) else { return };
        let (cost, least) = (self.nodes[begun.node as usize].cost, self.nodes[begun.node as usize].rest);
        let step = command.base + model.press * Packed::from(begun.presses + presses);
        let exposed = Packed::from(uncovered(&model, state) * time_of(step)) << EXPOSURE_SHIFT;
        let after = self.begun.after(begun, command, state);
        let Some(rest) = self.bound.begun(&after, &self.goals, &fields, model.press) else { return };
        let open = fields.iter().fold(0, |set: Set, (slot, _)| set | 1 << slot);
        let exposure = if self.hurried { Some(0) } else { self.exposure.of(&model, &after, open, &mut self.bound) };
        let Some(exposure) = exposure else { return };
        let rest = step + exposed + rest + self.settled + (Packed::from(exposure) << EXPOSURE_SHIFT);
        let rest = both(rest, least);
        let id = self.begun.add(begun);
        self.enter(cost + rest, rest, Stage::Begun, id, cost);
    }

    /// The way to a node, and the tail; `None`: no tail is known.
    fn moves(&mut self, mut id: u32, purse: &mut Purse) -> Option<Vec<Move>> {
        let last = at_goal(self.states.get(id).iter().copied());
        let mut moves = Vec::new();
        while self.nodes[id as usize].parent != u32::MAX {
            let node = &self.nodes[id as usize];
            let after = self.states.get(id).to_vec();
            moves.push(Move { command: usize::from(node.command), after });
            id = node.parent;
        }
        moves.reverse();
        let mut state = moves.last().map_or_else(|| self.states.get(id).to_vec(), |step| step.after.clone());
        let mut tail = self.fixed.steps(last, purse)?;
        tail.append(&mut self.tail.steps(last, purse)?);
        for step in tail {
            let command = &self.model.commands[step.command];
            settle(command, step.wanted, &mut state);
            moves.push(Move { command: step.command, after: state.clone() });
        }
        Some(moves)
    }
}

/// The greater exposure with the greater remainder: a bound, if both are bounds part by part.
pub(super) fn both(one: Packed, other: Packed) -> Packed {
    let low = (1 << EXPOSURE_SHIFT) - 1;
    (one & !low).max(other & !low) | (one & low).max(other & low)
}

/// The less exposure with the less remainder: a bound, part by part, wherever one of both is.
pub(super) fn either(one: Packed, other: Packed) -> Packed {
    let low = (1 << EXPOSURE_SHIFT) - 1;
    (one & !low).min(other & !low) | (one & low).min(other & low)
}

/// One bound less a cost, part by part.
fn less(bound: Packed, cost: Packed) -> Packed {
    let low: Packed = (1 << EXPOSURE_SHIFT) - 1;
    ((bound >> EXPOSURE_SHIFT).saturating_sub(cost >> EXPOSURE_SHIFT) << EXPOSURE_SHIFT)
        | (bound & low).saturating_sub(cost & low)
}

/// The set of the first so many.
fn all(count: usize) -> Set {
    if count >= 128 { !0 } else { (1 << count) - 1 }
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
    model.lifelines.iter().filter(|lifeline| !lifeline.covered(model, state)).count() as u64
}
