//! Scripts that use a wide command, one that writes most slots at once, such as a factory reset (`mod.rs` §8): a first
//! stretch up to the last wide command, then the best script without any. It never searches where a bound will do.

use super::bound::{Bound, Scope};
use super::cone::{Cone, FIRST_EXPANSIONS, MOST_EXPANSIONS};
use super::core::{Purse, both, either};
use super::exposure::{Exposure, Wide};
use super::model::{Class, EXPOSURE_SHIFT, Model, ModelSlot, Packed, Set, Source, pack, time_of};
use super::relevance::{Aim, Part, Question, Relevance, UNKNOWN};
use super::{Context, Known};
use crate::script::problem::{Command, CommandId, Cost, Problem, SlotId, State, Step};
use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap, HashMap};
use std::ops::ControlFlow;

/// The wide commands of a problem: those that key nothing for a slot and write at least three, and more than half of all.
pub(super) fn wide_commands(context: &Context) -> Vec<CommandId> {
    let wide = |id: &CommandId| {
        let writes = context.writes[*id].len();
        context.problem.commands[*id].fields.is_empty() && writes >= 3 && writes * 2 > context.problem.slots.len()
    };
    (0..context.problem.commands.len()).filter(wide).collect()
}

/// What a state of the first stretch costs of the budget, and what solving the rest costs beside its own states: about
/// the time they take, in states of a core.
const STATE_COSTS: u64 = 10;
const SOLVING_COSTS: u64 = 50;

/// So many ways to key a state's commands are paid for with it; each further one costs as a state of a core.
const STATE_KEYINGS: u64 = 64;

/// About the bytes that a state takes beside its own.
const NODE_BYTES: usize = 256;

/// A state of the first stretch.
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
    /// The last wide command has been keyed; the rest is only bounded yet.
    Cleared(Step),
    /// The rest is known.
    Whole(Step),
    /// The rest is bounded, and there was no budget to know more.
    Spent,
}

#[derive(PartialEq, Eq, PartialOrd, Ord)]
struct Entry {
    total: Reverse<Packed>,
    stage: Stage,
    serial: Reverse<u64>,
    node: usize,
    cost: Packed,
}

/// Search for a script that uses a wide command and costs less than the best without.
pub(super) struct Stretch<'a> {
    context: &'a Context<'a>,
    wides: Vec<CommandId>,
    narrow: &'a [bool],
    /// Closer bounds, once the cheap ones do not settle it.
    closely: Option<Closely>,
    relevant: Vec<bool>,
    /// Slots that nothing in the first stretch looks at and that every wide command writes.
    ghosts: Vec<bool>,
    least: Vec<Packed>,
    nodes: Vec<Node>,
    known: HashMap<State, usize>,
    open: BinaryHeap<Entry>,
    /// Best scripts without a wide command, by what they start from.
    rests: HashMap<State, Known>,
    /// What a script must cost less than.
    beat: Option<Packed>,
    /// The best script found so far whose rest is not known to be the best.
    found: Option<(Vec<Step>, Packed)>,
    serial: u64,
}

impl<'a> Stretch<'a> {
    /// `None`: no wide command can ever be accepted and followed by a script without any.
    pub fn new(context: &'a Context<'a>, wides: &[CommandId], narrow: &'a [bool]) -> Option<Self> {
        let problem = context.problem;
        let writes = |id: CommandId, slot: SlotId| context.writes[id].iter().any(|write| write.slot == slot);
        let kept: Vec<bool> = (0..problem.slots.len()).map(|slot| !wides.iter().all(|id| writes(*id, slot))).collect();
        let all = vec![true; problem.commands.len()];
        let from = problem.start();
        let question = Question {
            problem,
            writes: &context.writes,
            from: &from,
            loose: &[],
            allowed: &all,
            aim: Aim::Stretch(&kept),
            seeds: wides,
        };
        let Relevance { relevant, usable, .. } = Relevance::of(&question);
        let wides: Vec<CommandId> = wides.iter().copied().filter(|id| usable[*id]).collect();
        if !wides.iter().any(|id| ends_well(context, *id, narrow)) {
            return None;
        }
        let ghosts = ghosts(problem, &relevant, &kept);
        let least = (0..problem.commands.len()).map(|id| least(problem, id)).collect();
        Some(Self {
            context,
            wides,
            narrow,
            closely: None,
            relevant,
            ghosts,
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

    /// The best script through a wide command that costs less than `beat`, and a bound on all of them.
    pub fn run(mut self, beat: Option<Packed>, purse: &mut Purse) -> Known {
        self.beat = beat;
        let start = self.context.problem.start();
        let cheap = self.wides.iter().filter_map(|id| Some(self.least[*id] + self.bound(&start, *id)?)).min();
        let Some(cheap) = cheap.filter(|cheap| beat.is_none_or(|beat| *cheap < beat)) else {
            return (Packed::MAX, None);
        };
        if purse.is_empty() {
            return (cheap, None);
        }
        self.closely = Closely::new(self.context, &self.wides, self.narrow);
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
        self.open.push(Entry { total: Reverse(total), stage, serial: Reverse(self.serial), node, cost });
    }

    fn reach(&mut self, mut state: State, cost: Packed, parent: Option<(usize, Step)>) {
        state.iter_mut().zip(&self.ghosts).filter(|(_, ghost)| **ghost).for_each(|(value, _)| *value = None);
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
        let ways: Vec<Packed> = (0..self.wides.len())
            .filter_map(|place| Some(self.least[self.wides[place]] + self.rest(&state, place, true)?))
            .collect();
        // Part by part, for the exposure may yet be raised apart from the rest.
        if let Some(rest) = ways.into_iter().reduce(either) {
            self.push(cost + rest, Stage::Open, node);
        }
    }

    /// Whether a state has become dearer than its bound said, or leads nowhere.
    fn raised(&mut self, entry: &Entry, purse: &mut Purse) -> bool {
        let (total, state) = (entry.total.0, &self.nodes[entry.node].state);
        let closely = self.closely.as_mut();
        // The first may settle it all.
        let (limit, most) = match self.beat {
            _ if entry.serial.0 > 1 => (total - entry.cost, MOST_EXPANSIONS),
            Some(beat) => (beat, FIRST_EXPANSIONS),
            None => (Packed::MAX, FIRST_EXPANSIONS),
        };
        let Some(exposure) = closely.and_then(|closely| closely.exposure(state, true, limit, most, purse)) else {
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
        let state = 2 * size_of::<Option<u8>>() * self.ghosts.len() + NODE_BYTES;
        self.nodes.len() * state + self.open.len() * size_of::<Entry>() > bytes
    }

    /// Goes on from a state; breaks off where the budget runs out.
    fn expand(&mut self, node: usize, purse: &mut Purse) -> ControlFlow<()> {
        let problem = self.context.problem;
        let (state, cost) = (self.nodes[node].state.clone(), self.nodes[node].cost);
        let ghosts = self.ghosts.clone();
        let mut count: u64 = 0;
        for id in (0..problem.commands.len()).filter(|id| self.relevant[*id]).collect::<Vec<_>>() {
            if !problem.accepts(&state, id) {
                continue;
            }
            keyings(problem, &state, id, &ghosts, &mut Vec::new(), &mut |choices| {
                count += 1;
                purse.pay(u64::from(count > STATE_KEYINGS));
                if purse.is_empty() || self.full(purse.bytes) {
                    return ControlFlow::Break(());
                }
                let step = Step { command: id, choices: choices.to_vec() };
                let mut after = state.clone();
                let Ok(own) = problem.key(&mut after, &step) else { return ControlFlow::Continue(()) };
                let sum = cost + pack(own);
                if let Some(place) = self.wides.iter().position(|wide| *wide == id)
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

    /// Bounds what follows the last wide command more closely or, where that is done, solves it.
    fn finish(&mut self, node: usize, step: Step, total: Packed, purse: &mut Purse) {
        let mut after = self.nodes[node].state.clone();
        let Ok(own) = self.context.problem.key(&mut after, &step) else { return };
        let sum = self.nodes[node].cost + pack(own);
        if !self.rests.contains_key(&after) {
            let closely = self.closely.as_mut();
            let exposure =
                closely.and_then(|closely| closely.exposure(&after, false, total - sum, MOST_EXPANSIONS, purse));
            if exposure == Some(Packed::MAX) {
                return;
            }
            let raised = both(total, sum + exposure.unwrap_or(0));
            if raised > total {
                self.push(raised, Stage::Cleared(step), node);
                return;
            }
            purse.pay(SOLVING_COSTS);
            let rest = super::narrow(self.context, &after, self.narrow, purse).split();
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

    /// The way to a node, its last wide command, and what is known to follow.
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

    /// Least cost of what follows this wide command, keyed here or (`later`) further on, and of what exposure comes before
    /// it then; `None`: some goal is lost.
    fn rest(&mut self, state: &State, place: usize, later: bool) -> Option<Packed> {
        let cheap = self.bound(state, self.wides[place])?;
        match &mut self.closely {
            Some(closely) => closely.rest(state, place, later).map(|rest| both(rest, cheap)),
            None => Some(cheap),
        }
    }

    /// Least cost of what follows this wide command, keyed here or later in the first stretch; `None`: some goal is lost.
    fn bound(&self, state: &State, wide: CommandId) -> Option<Packed> {
        let problem = self.context.problem;
        let mut missing = Vec::new();
        let mut exposed = BTreeMap::new();
        for (slot, record) in problem.slots.iter().enumerate() {
            let write = self.context.writes[wide].iter().find(|write| write.slot == slot);
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
        let mut rest = self.least.clone();
        let mut total = 0;
        for (slot, cleared) in missing {
            let goal = 1u128 << problem.slots[slot].goal;
            let ways = |id: &CommandId| {
                (self.narrow[*id] || !cleared)
                    && self.context.writes[*id].iter().any(|write| write.slot == slot && write.may & goal != 0)
            };
            let ids: Vec<CommandId> = (0..self.least.len()).filter(ways).collect();
            let share = ids.iter().map(|id| rest[*id]).min()?;
            total += share;
            ids.iter().for_each(|id| rest[*id] -= share);
        }
        let exposure: u64 = (0..problem.lifelines.len()).map(|place| self.exposure(place, &exposed)).sum();
        Some(total + pack(Cost { exposure_ms: exposure, ..Cost::default() }))
    }

    /// Least exposure of one lifeline after a wide command that leaves these slots away from the goal.
    fn exposure(&self, place: usize, exposed: &BTreeMap<SlotId, bool>) -> u64 {
        let lifeline = &self.context.problem.lifelines[place];
        let dark = |slot: &&SlotId| exposed.get(*slot).is_some_and(|as_was| !(lifeline.start_counts && *as_was));
        let quickest = |slot: &SlotId| {
            let writers =
                (0..self.least.len()).filter(|id| self.context.writes[*id].iter().any(|write| write.slot == *slot));
            writers.filter(|id| self.narrow[*id]).map(|id| time_of(self.least[id])).min().unwrap_or(0)
        };
        lifeline.slots.iter().filter(dark).map(quickest).max().unwrap_or(0)
    }
}

/// The bounds of `bound.rs` and `exposure.rs` over all slots and all commands that are not wide.
struct Closely {
    model: Model,
    bound: Bound,
    exposure: Exposure,
    /// Projections for what follows the last wide command, and for what comes before it too; the latter's model.
    after: Option<Cone>,
    through: Option<(Model, Cone)>,
    wides: Vec<Ahead>,
}

/// A wide command as the closer bounds see it.
struct Ahead {
    wide: Wide,
    /// What it leaves.
    effects: Vec<(usize, Class)>,
    /// What is asked for after it, keyed now or later.
    now: Scope,
    later: Scope,
}

impl Closely {
    /// `None`: the problem is too large for one part.
    fn new(context: &Context, wides: &[CommandId], narrow: &[bool]) -> Option<Self> {
        let problem = context.problem;
        let from = problem.start();
        let moving: Vec<bool> = (0..problem.slots.len())
            .map(|slot| context.writes.iter().flatten().any(|write| write.slot == slot))
            .collect();
        let model_of = |allowed: &[bool]| {
            let reach = problem.slots.iter().map(|slot| ((1 << slot.values) - 1) | 1 << UNKNOWN).collect();
            let relevance =
                Relevance { reach, usable: allowed.to_vec(), relevant: allowed.to_vec(), moving: moving.clone() };
            let part = Part {
                slots: (0..problem.slots.len()).filter(|slot| moving[*slot]).collect(),
                commands: (0..problem.commands.len()).filter(|id| allowed[*id]).collect(),
                watched: true,
            };
            let source = Source { problem, writes: &context.writes, relevance: &relevance, from: &from };
            Model::of(&source, &part)
        };
        let model = model_of(narrow)?;
        let mut both = narrow.to_vec();
        wides.iter().for_each(|id| both[*id] = true);
        let through = model_of(&both).and_then(|model| model.through(wides));
        let through = through.and_then(|model| Cone::of(&model, set(0..model.slots.len())).map(|cone| (model, cone)));
        let local = |slot: SlotId| model.slots.iter().position(|other| other.origin == slot);
        let lates: Vec<Set> =
            wides.iter().map(|id| set(context.writes[*id].iter().filter_map(|write| local(write.slot)))).collect();
        let every = lates.iter().fold(0, |all, late| all | late);
        let least_ms = wides.iter().map(|id| time_of(least(problem, *id))).min().unwrap_or(0);
        let bound = Bound::new(&model);
        let wides = wides.iter().zip(lates).map(|(id, late)| {
            let effects = context.writes[*id].iter().filter_map(|write| {
                let value = write.may.trailing_zeros() as u8;
                let slot = local(write.slot)?;
                Some((slot, model.slots[slot].class((value != UNKNOWN).then_some(value))))
            });
            let (all, free) = (set(0..model.slots.len()), every & !late);
            let (now, later) = (bound.scope(all, all, late, 0), bound.scope(all, all, late, free));
            Ahead { wide: Wide { late, free, least_ms }, effects: effects.collect(), now, later }
        });
        let wides = wides.collect();
        let after = Cone::of(&model, set(0..model.slots.len()));
        Some(Self { exposure: Exposure::new(&model, &bound), bound, after, through, model, wides })
    }

    /// A bound on the exposure from a state, with no further wide command or (`later`) with one, weighed until it is more
    /// than in `limit`; [`Packed::MAX`]: no script leads on.
    fn exposure(&mut self, state: &State, later: bool, limit: Packed, most: u64, purse: &mut Purse) -> Option<Packed> {
        let (model, cone) = match (&mut self.through, later) {
            (Some((model, cone)), true) => (&*model, cone),
            (None, true) => return None,
            (_, false) => (&self.model, self.after.as_mut()?),
        };
        let class = |slot: &ModelSlot| state.get(slot.origin).map_or(1, |value| slot.class(*value));
        let classes: Vec<Class> = model.slots.iter().map(class).collect();
        let ms = cone.exposure(&classes, (limit >> EXPOSURE_SHIFT) as u64, most, purse);
        Some(if ms == u64::MAX { Packed::MAX } else { Packed::from(ms) << EXPOSURE_SHIFT })
    }

    fn rest(&mut self, state: &State, place: usize, later: bool) -> Option<Packed> {
        let ahead = &self.wides[place];
        let now: Vec<Class> = self.model.slots.iter().map(|slot| slot.class(state[slot.origin])).collect();
        let mut after = now.clone();
        ahead.effects.iter().for_each(|(slot, class)| after[*slot] = *class);
        let rest = self.bound.within(&after, if later { &ahead.later } else { &ahead.now })?;
        let wide = Wide { least_ms: if later { ahead.wide.least_ms } else { 0 }, ..ahead.wide };
        let exposure = self.exposure.through(&self.model, &now, &after, &wide, &mut self.bound)?;
        Some(rest + (Packed::from(exposure) << EXPOSURE_SHIFT))
    }
}

/// Whether, for all that is known without a search, some script without a wide command can follow this one.
fn ends_well(context: &Context, wide: CommandId, narrow: &[bool]) -> bool {
    let Context { problem, writes } = context;
    let mut after = problem.start();
    writes[wide].iter().for_each(|write| {
        let value = write.may.trailing_zeros() as u8;
        after[write.slot] = (value != UNKNOWN).then_some(value);
    });
    let kept = |slot: &SlotId| writes[wide].iter().all(|write| write.slot != *slot);
    let loose: Vec<SlotId> = (0..problem.slots.len()).filter(kept).collect();
    let question =
        Question { problem, writes, from: &after, loose: &loose, allowed: narrow, aim: Aim::Goals, seeds: &[] };
    !Relevance::of(&question).is_hopeless(problem)
}

fn set(members: impl Iterator<Item = usize>) -> Set {
    members.fold(0, |set, member| set | 1 << member)
}

/// Least cost of a command, without exposure.
pub(super) fn least(problem: &Problem, id: CommandId) -> Packed {
    let command: &Command = &problem.commands[id];
    let reads: u32 = command.reads.iter().map(|read| read.presses.iter().min().copied().unwrap_or(0)).sum();
    let fields =
        command.fields.iter().map(|field| field.choices.iter().map(|choice| choice.presses).min().unwrap_or(0));
    let presses = u64::from(command.base_presses + reads + fields.sum::<u32>());
    pack(Cost { exposure_ms: 0, time_ms: problem.time_ms(id, presses), presses, commands: 1 })
}

fn ghosts(problem: &Problem, relevant: &[bool], kept: &[bool]) -> Vec<bool> {
    let mut ghosts: Vec<bool> = kept.iter().map(|kept| !kept).collect();
    problem.lifelines.iter().flat_map(|lifeline| &lifeline.slots).for_each(|slot| ghosts[*slot] = false);
    for (_, command) in problem.commands.iter().enumerate().filter(|(id, _)| relevant[*id]) {
        command.needs.iter().for_each(|need| ghosts[need.slot] = false);
        command.reads.iter().for_each(|read| ghosts[read.slot] = false);
        for field in &command.fields {
            let free = field.choices.iter().filter(|choice| !choice.only_if_held).map(|choice| choice.presses).min();
            let held = field.choices.iter().filter(|choice| choice.only_if_held).map(|choice| choice.presses).min();
            if held.is_some_and(|held| free.is_none_or(|free| held < free)) {
                ghosts[field.slot] = false;
            }
        }
    }
    ghosts
}

/// Every way to key a command's fields in a state, one after the other, until told to break off; a ghost takes the
/// cheapest.
fn keyings(
    problem: &Problem,
    state: &State,
    id: CommandId,
    ghosts: &[bool],
    begun: &mut Vec<usize>,
    found: &mut dyn FnMut(&[usize]) -> ControlFlow<()>,
) -> ControlFlow<()> {
    let Some(field) = problem.commands[id].fields.get(begun.len()) else { return found(begun) };
    let open = |(_, choice): &(usize, &crate::script::problem::Choice)| {
        !choice.only_if_held || state[field.slot] == Some(choice.value)
    };
    let mut choices: Vec<(usize, u32)> =
        field.choices.iter().enumerate().filter(open).map(|(place, choice)| (place, choice.presses)).collect();
    if ghosts[field.slot] {
        choices.sort_by_key(|(place, presses)| (*presses, *place));
        choices.truncate(1);
    }
    for (place, _) in choices {
        begun.push(place);
        keyings(problem, state, id, ghosts, begun, found)?;
        begun.pop();
    }
    ControlFlow::Continue(())
}
