//! Scripts through a reset, a command that writes most slots at once (`mod.rs` §8): a prefix up to the last reset, then the
//! best script without any. It never searches where a bound will do.

use super::budget::Purse;
use super::effects::{Context, UNKNOWN};
use super::missing_goals::{achievers, charge, least_of};
use super::packed::{Packed, both, either, pack, time_of};
use super::parts::{Known, solve};
use super::projection::{FIRST_EXPANSIONS, MOST_EXPANSIONS};
use super::relevance::{Question, Relevance, Target};
use super::reset_bounds::CloserBounds;
use crate::script::problem::{Choice, CommandId, Cost, Problem, SlotId, State, Step};
use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap, HashMap};
use std::ops::ControlFlow;

/// The resets of a problem: commands that key nothing for a slot and write at least three, and more than half of all.
pub(super) fn reset_commands(context: &Context) -> Vec<CommandId> {
    let reset = |id: &CommandId| {
        let writes = context.writes[*id].len();
        context.problem.commands[*id].fields.is_empty() && writes >= 3 && writes * 2 > context.problem.slots.len()
    };
    (0..context.problem.commands.len()).filter(reset).collect()
}

/// What a state of the prefix costs of the budget, and what solving the rest costs beside its own states: about the time
/// they take, in states of a best-first search.
const STATE_COSTS: u64 = 10;
const SOLVING_COSTS: u64 = 50;

/// So many ways to key a state's commands are paid for with it; each further one costs as such a state.
const STATE_KEYINGS: u64 = 64;

/// About the bytes that a state takes beside its own.
const NODE_BYTES: usize = 256;

/// A state of the prefix.
struct Node {
    state: State,
    cost: Packed,
    parent: Option<(usize, Step)>,
}

/// What an entry of the open list stands for.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Stage {
    /// A state to go on from.
    Open,
    /// The last reset has been keyed; the rest is only bounded yet.
    Cleared(Step),
    /// The rest is known.
    Whole(Step),
    /// The rest is bounded, and there was no budget to know more.
    Spent,
}

#[derive(PartialEq, Eq, PartialOrd, Ord)]
struct OpenEntry {
    total: Reverse<Packed>,
    stage: Stage,
    serial: Reverse<u64>,
    node: usize,
    cost: Packed,
}

/// Search for a script that uses a reset and costs less than the best without.
pub(super) struct ResetSearch<'a> {
    context: &'a Context<'a>,
    resets: Vec<CommandId>,
    others: &'a [bool],
    /// Closer bounds, once the cheap ones do not settle it.
    closer: Option<CloserBounds>,
    relevant: Vec<bool>,
    /// Slots that nothing in the prefix looks at and that every reset writes.
    ignored: Vec<bool>,
    least: Vec<Packed>,
    nodes: Vec<Node>,
    known: HashMap<State, usize>,
    open: BinaryHeap<OpenEntry>,
    /// Best scripts without a reset, by what they start from.
    rests: HashMap<State, Known>,
    /// What a script must cost less than.
    beat: Option<Packed>,
    /// The best script found so far whose rest is not known to be the best.
    found: Option<(Vec<Step>, Packed)>,
    serial: u64,
}

impl<'a> ResetSearch<'a> {
    /// `None`: no reset can ever be accepted and followed by a script without any.
    pub fn new(context: &'a Context<'a>, resets: &[CommandId], others: &'a [bool]) -> Option<Self> {
        let problem = context.problem;
        let writes = |id: CommandId, slot: SlotId| context.writes[id].iter().any(|write| write.slot == slot);
        let kept: Vec<bool> = (0..problem.slots.len()).map(|slot| !resets.iter().all(|id| writes(*id, slot))).collect();
        let all = vec![true; problem.commands.len()];
        let from = problem.start();
        let question = Question {
            problem,
            writes: &context.writes,
            from: &from,
            loose: &[],
            allowed: &all,
            target: Target::Reset(&kept),
            seeds: resets,
        };
        let Relevance { relevant, usable, .. } = Relevance::of(&question);
        let resets: Vec<CommandId> = resets.iter().copied().filter(|id| usable[*id]).collect();
        if !resets.iter().any(|id| ends_well(context, *id, others)) {
            return None;
        }
        let ignored = ignored(problem, &relevant, &kept);
        let least = (0..problem.commands.len()).map(|id| least_of(problem, id)).collect();
        Some(Self {
            context,
            resets,
            others,
            closer: None,
            relevant,
            ignored,
            least,
            nodes: Vec::new(),
            known: HashMap::new(),
            open: BinaryHeap::new(),
            rests: HashMap::new(),
            beat: None,
            found: None,
            serial: 0,
        })
    }

    /// The best script through a reset that costs less than `beat`, and a bound on all of them.
    pub fn run(mut self, beat: Option<Packed>, purse: &mut Purse) -> Known {
        self.beat = beat;
        let start = self.context.problem.start();
        let cheap = self.resets.iter().filter_map(|id| Some(self.least[*id] + self.at_a_glance(&start, *id)?)).min();
        let Some(cheap) = cheap.filter(|cheap| beat.is_none_or(|beat| *cheap < beat)) else {
            return (Packed::MAX, None);
        };
        if purse.is_empty() {
            return (cheap, None);
        }
        self.closer = CloserBounds::new(self.context, &self.resets, self.others);
        self.reach(start, 0, None);
        while let Some(entry) = self.open.pop() {
            let total = entry.total.0;
            if self.nodes[entry.node].cost < entry.cost {
                continue;
            }
            let found = self.found.as_ref().map(|found| found.1);
            if found.into_iter().chain(beat).any(|least| total >= least) {
                break;
            }
            match entry.stage {
                Stage::Whole(step) => return (total, self.steps(entry.node, step).map(|steps| (steps, total))),
                Stage::Spent => return (total, self.found),
                Stage::Open | Stage::Cleared(_) if purse.is_empty() || self.full(purse.bytes) => {
                    return (total, self.found);
                }
                Stage::Cleared(step) => self.finish(entry.node, step, total, purse),
                Stage::Open if self.raised(&entry, purse) => {}
                Stage::Open => {
                    purse.pay(STATE_COSTS);
                    if self.expand(entry.node, purse).is_break() {
                        return (total, self.found);
                    }
                }
            }
        }
        (Packed::MAX, self.found)
    }

    fn push(&mut self, total: Packed, stage: Stage, node: usize) {
        self.serial += 1;
        let cost = self.nodes[node].cost;
        self.open.push(OpenEntry { total: Reverse(total), stage, serial: Reverse(self.serial), node, cost });
    }

    fn reach(&mut self, mut state: State, cost: Packed, parent: Option<(usize, Step)>) {
        state.iter_mut().zip(&self.ignored).filter(|(_, ignored)| **ignored).for_each(|(value, _)| *value = None);
        let node = match self.known.get(&state) {
            Some(node) if self.nodes[*node].cost <= cost => return,
            Some(node) => {
                (self.nodes[*node].cost, self.nodes[*node].parent) = (cost, parent);
                *node
            }
            None => {
                self.known.insert(state.clone(), self.nodes.len());
                self.nodes.push(Node { state: state.clone(), cost, parent });
                self.nodes.len() - 1
            }
        };
        let ways: Vec<Packed> = (0..self.resets.len())
            .filter_map(|place| Some(self.least[self.resets[place]] + self.rest(&state, place, true)?))
            .collect();
        // Part by part, for the exposure may yet be raised apart from the rest.
        if let Some(rest) = ways.into_iter().reduce(either) {
            self.push(cost + rest, Stage::Open, node);
        }
    }

    /// Whether a state has become dearer than its bound said, or leads nowhere.
    fn raised(&mut self, entry: &OpenEntry, purse: &mut Purse) -> bool {
        let (total, state) = (entry.total.0, &self.nodes[entry.node].state);
        let closer = self.closer.as_mut();
        // The first may settle it all.
        let (limit, most) = match self.beat {
            _ if entry.serial.0 > 1 => (total - entry.cost, MOST_EXPANSIONS),
            Some(beat) => (beat, FIRST_EXPANSIONS),
            None => (Packed::MAX, FIRST_EXPANSIONS),
        };
        let Some(exposure) = closer.and_then(|closer| closer.exposure(state, true, limit, most, purse)) else {
            return false;
        };
        if exposure == Packed::MAX {
            return true;
        }
        let raised = both(total, entry.cost + exposure);
        if raised > total {
            self.push(raised, Stage::Open, entry.node);
        }
        raised > total
    }

    fn full(&self, bytes: usize) -> bool {
        let state = 2 * size_of::<Option<u8>>() * self.ignored.len() + NODE_BYTES;
        self.nodes.len() * state + self.open.len() * size_of::<OpenEntry>() > bytes
    }

    /// Goes on from a state; breaks off where the budget runs out.
    fn expand(&mut self, node: usize, purse: &mut Purse) -> ControlFlow<()> {
        let problem = self.context.problem;
        let (state, cost) = (self.nodes[node].state.clone(), self.nodes[node].cost);
        let ignored = self.ignored.clone();
        let mut count: u64 = 0;
        for id in (0..problem.commands.len()).filter(|id| self.relevant[*id]).collect::<Vec<_>>() {
            if !problem.accepts(&state, id) {
                continue;
            }
            keyings(problem, &state, id, &ignored, &mut Vec::new(), &mut |choices| {
                count += 1;
                purse.pay(u64::from(count > STATE_KEYINGS));
                if purse.is_empty() || self.full(purse.bytes) {
                    return ControlFlow::Break(());
                }
                let step = Step { command: id, choices: choices.to_vec() };
                let mut after = state.clone();
                let Ok(own) = problem.key(&mut after, &step) else { return ControlFlow::Continue(()) };
                let sum = cost + pack(own);
                if let Some(place) = self.resets.iter().position(|reset| *reset == id)
                    && let Some(rest) = self.rest(&state, place, false)
                {
                    self.push(sum + rest, Stage::Cleared(step.clone()), node);
                }
                self.reach(after, sum, Some((node, step)));
                ControlFlow::Continue(())
            })?;
        }
        ControlFlow::Continue(())
    }

    /// Bounds what follows the last reset more closely or, where that is done, solves it.
    fn finish(&mut self, node: usize, step: Step, total: Packed, purse: &mut Purse) {
        let mut after = self.nodes[node].state.clone();
        let Ok(own) = self.context.problem.key(&mut after, &step) else { return };
        let sum = self.nodes[node].cost + pack(own);
        if !self.rests.contains_key(&after) {
            let closer = self.closer.as_mut();
            let exposure =
                closer.and_then(|closer| closer.exposure(&after, false, total - sum, MOST_EXPANSIONS, purse));
            if exposure == Some(Packed::MAX) {
                return;
            }
            let raised = both(total, sum + exposure.unwrap_or(0));
            if raised > total {
                self.push(raised, Stage::Cleared(step), node);
                return;
            }
            purse.pay(SOLVING_COSTS);
            let rest = solve(self.context, &after, self.others, purse).split();
            self.rests.insert(after.clone(), rest);
        }
        let Some((bound, found)) = self.rests.get(&after) else { return };
        match found {
            Some((_, cost)) if cost == bound => self.push(sum + bound, Stage::Whole(step), node),
            None if *bound == Packed::MAX => {}
            Some((_, cost)) => {
                let (bound, cost) = (sum + bound, sum + cost);
                self.push(bound, Stage::Spent, node);
                let found = self.found.as_ref().map(|found| found.1);
                if found.into_iter().chain(self.beat).all(|least| cost < least) {
                    self.found = self.steps(node, step).map(|steps| (steps, cost));
                }
            }
            None => self.push(sum + bound, Stage::Spent, node),
        }
    }

    /// The way to a node, its last reset, and what is known to follow.
    fn steps(&self, mut node: usize, last: Step) -> Option<Vec<Step>> {
        let mut after = self.nodes[node].state.clone();
        let mut steps = Vec::new();
        while let Some((parent, step)) = &self.nodes[node].parent {
            steps.push(step.clone());
            node = *parent;
        }
        steps.reverse();
        self.context.problem.key(&mut after, &last).ok()?;
        let (_, rest) = self.rests.get(&after)?;
        steps.push(last);
        steps.extend(rest.as_ref()?.0.iter().cloned());
        Some(steps)
    }

    /// Least cost of what follows this reset, keyed here or (`later`) further on, and of what exposure comes before
    /// it then; `None`: some goal is lost.
    fn rest(&mut self, state: &State, place: usize, later: bool) -> Option<Packed> {
        let cheap = self.at_a_glance(state, self.resets[place])?;
        match &mut self.closer {
            Some(closer) => closer.rest(state, place, later).map(|rest| both(rest, cheap)),
            None => Some(cheap),
        }
    }

    /// Least cost of what follows this reset, keyed here or later in the prefix, by the goals missing; `None`: some goal is lost.
    fn at_a_glance(&self, state: &State, reset: CommandId) -> Option<Packed> {
        let problem = self.context.problem;
        let mut missing = Vec::new();
        let mut exposed = BTreeMap::new();
        for (slot, record) in problem.slots.iter().enumerate() {
            let write = self.context.writes[reset].iter().find(|write| write.slot == slot);
            let goal = 1u128 << record.goal;
            let (away, cleared) = match write {
                Some(write) => (write.may & goal == 0, true),
                None => (state[slot] != Some(record.goal), false),
            };
            if away {
                missing.push((slot, cleared));
            }
            if away && cleared {
                let as_was = record.start.is_some_and(|start| write.is_some_and(|write| write.may >> start & 1 == 1));
                exposed.insert(slot, as_was);
            }
        }
        let (mut left, mut total) = (self.least.clone(), 0);
        for (slot, cleared) in missing {
            total += charge(&mut left, &achievers(self.context, slot, |id| self.others[id] || !cleared))?;
        }
        let exposure: u64 = (0..problem.lifelines.len()).map(|place| self.exposure(place, &exposed)).sum();
        Some(total + pack(Cost { exposure_ms: exposure, ..Cost::default() }))
    }

    /// Least exposure of one lifeline after a reset that leaves these slots away from the goal.
    fn exposure(&self, place: usize, exposed: &BTreeMap<SlotId, bool>) -> u64 {
        let lifeline = &self.context.problem.lifelines[place];
        let dark = |slot: &&SlotId| exposed.get(*slot).is_some_and(|as_was| !(lifeline.start_counts && *as_was));
        let quickest = |slot: &SlotId| {
            let writers =
                (0..self.least.len()).filter(|id| self.context.writes[*id].iter().any(|write| write.slot == *slot));
            writers.filter(|id| self.others[*id]).map(|id| time_of(self.least[id])).min().unwrap_or(0)
        };
        lifeline.slots.iter().filter(dark).map(quickest).max().unwrap_or(0)
    }
}

/// Whether, for all that is known without a search, some script without a reset can follow this one.
fn ends_well(context: &Context, reset: CommandId, others: &[bool]) -> bool {
    let Context { problem, writes } = context;
    let mut after = problem.start();
    writes[reset].iter().for_each(|write| {
        let value = write.may.trailing_zeros() as u8;
        after[write.slot] = (value != UNKNOWN).then_some(value);
    });
    let kept = |slot: &SlotId| writes[reset].iter().all(|write| write.slot != *slot);
    let loose: Vec<SlotId> = (0..problem.slots.len()).filter(kept).collect();
    let question =
        Question { problem, writes, from: &after, loose: &loose, allowed: others, target: Target::Goals, seeds: &[] };
    !Relevance::of(&question).is_hopeless(problem)
}

/// The slots that may be forgotten: not `kept` by any reset, and looked at by nothing relevant.
fn ignored(problem: &Problem, relevant: &[bool], kept: &[bool]) -> Vec<bool> {
    let mut ignored: Vec<bool> = kept.iter().map(|kept| !kept).collect();
    problem.lifelines.iter().flat_map(|lifeline| &lifeline.slots).for_each(|slot| ignored[*slot] = false);
    for (_, command) in problem.commands.iter().enumerate().filter(|(id, _)| relevant[*id]) {
        command.needs.iter().for_each(|need| ignored[need.slot] = false);
        command.reads.iter().for_each(|read| ignored[read.slot] = false);
        for field in &command.fields {
            let free = field.choices.iter().filter(|choice| !choice.only_if_held).map(|choice| choice.presses).min();
            let held = field.choices.iter().filter(|choice| choice.only_if_held).map(|choice| choice.presses).min();
            if held.is_some_and(|held| free.is_none_or(|free| held < free)) {
                ignored[field.slot] = false;
            }
        }
    }
    ignored
}

/// Every way to key a command's fields in a state, one after the other, until told to break off; an ignored slot takes the
/// cheapest.
fn keyings(
    problem: &Problem,
    state: &State,
    id: CommandId,
    ignored: &[bool],
    chosen: &mut Vec<usize>,
    found: &mut dyn FnMut(&[usize]) -> ControlFlow<()>,
) -> ControlFlow<()> {
    let Some(field) = problem.commands[id].fields.get(chosen.len()) else { return found(chosen) };
    let open = |(_, choice): &(usize, &Choice)| !choice.only_if_held || state[field.slot] == Some(choice.value);
    let mut choices: Vec<(usize, u32)> =
        field.choices.iter().enumerate().filter(open).map(|(place, choice)| (place, choice.presses)).collect();
    if ignored[field.slot] {
        choices.sort_by_key(|(place, presses)| (*presses, *place));
        choices.truncate(1);
    }
    for (place, _) in choices {
        chosen.push(place);
        keyings(problem, state, id, ignored, chosen, found)?;
        chosen.pop();
    }
    ControlFlow::Continue(())
}
