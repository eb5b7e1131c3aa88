//! Scripts that use a wide command, one that writes most slots at once, such as a factory reset (`mod.rs` §7): a first
//! stretch up to the last wide command, then the best script without any. It never searches where a bound will do.

use super::bound::{Bound, Scope};
use super::core::{Purse, both};
use super::exposure::{Exposure, Wide};
use super::model::{Class, EXPOSURE_SHIFT, Model, Packed, Set, Source, pack, time_of};
use super::relevance::{Aim, Part, Question, Relevance, UNKNOWN};
use super::{Context, Solved};
use crate::script::problem::{Command, CommandId, Cost, Problem, SlotId, State, Step};
use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap, HashMap};

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

/// The budget ran out. (Nothing is known then of the other ways still open, so the bound is that of all of them.)
struct Spent;

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
    rests: HashMap<State, Solved>,
    serial: u64,
}

impl<'a> Stretch<'a> {
    /// `None`: no wide command can ever be accepted.
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
            allowed: &all,
            aim: Aim::Stretch(&kept),
            seeds: wides,
        };
        let Relevance { relevant, usable, .. } = Relevance::of(&question);
        let wides: Vec<CommandId> = wides.iter().copied().filter(|id| usable[*id]).collect();
        if wides.is_empty() {
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
            serial: 0,
        })
    }

    /// The best script through a wide command, unless none costs less than `beat`. `Err`: the budget ran out, and no such
    /// script costs less than the number.
    pub fn run(mut self, beat: Option<Packed>, purse: &mut Purse) -> Result<Option<(Vec<Step>, Packed)>, Packed> {
        let start = self.context.problem.start();
        let cheap = self.wides.iter().filter_map(|id| Some(self.least[*id] + self.bound(&start, *id)?)).min();
        match (cheap, beat) {
            (None, _) => return Ok(None),
            (Some(cheap), Some(beat)) if cheap >= beat => return Ok(None),
            (Some(_), _) => self.closely = Closely::new(self.context, &self.wides, self.narrow),
        }
        self.reach(start, 0, None);
        while let Some(entry) = self.open.pop() {
            if beat.is_some_and(|beat| entry.total.0 >= beat) {
                return Ok(None);
            }
            if self.nodes[entry.node].cost < entry.cost {
                continue;
            }
            match entry.stage {
                Stage::Whole(step) => return Ok(Some((self.steps(entry.node, step), entry.total.0))),
                Stage::Cleared(step) => self.finish(entry.node, step, purse).map_err(|Spent| entry.total.0)?,
                Stage::Open => {
                    if purse.expansions == 0 {
                        return Err(entry.total.0);
                    }
                    purse.expansions = purse.expansions.saturating_sub(STATE_COSTS);
                    self.expand(entry.node);
                }
            }
        }
        Ok(None)
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
        if let Some(rest) = ways.into_iter().min() {
            self.push(cost + rest, Stage::Open, node);
        }
    }

    fn expand(&mut self, node: usize) {
        let (state, cost) = (self.nodes[node].state.clone(), self.nodes[node].cost);
        for id in 0..self.relevant.len() {
            if !self.relevant[id] {
                continue;
            }
            let mut ways = Vec::new();
            keyings(self.context.problem, &state, id, &self.ghosts, &mut Vec::new(), &mut ways);
            for choices in ways {
                let step = Step { command: id, choices };
                let mut after = state.clone();
                let Ok(own) = self.context.problem.key(&mut after, &step) else { continue };
                let sum = cost + pack(own);
                if let Some(place) = self.wides.iter().position(|wide| *wide == id)
                    && let Some(rest) = self.rest(&state, place, false)
                {
                    self.push(sum + rest, Stage::Cleared(step.clone()), node);
                }
                self.reach(after, sum, Some((node, step)));
            }
        }
    }

    /// Solves what follows the last wide command. `Err`: the budget ran out.
    fn finish(&mut self, node: usize, step: Step, purse: &mut Purse) -> Result<(), Spent> {
        let mut after = self.nodes[node].state.clone();
        let Ok(own) = self.context.problem.key(&mut after, &step) else { return Ok(()) };
        let sum = self.nodes[node].cost + pack(own);
        let context = self.context;
        if !self.rests.contains_key(&after) {
            if purse.expansions == 0 {
                return Err(Spent);
            }
            purse.expansions = purse.expansions.saturating_sub(SOLVING_COSTS);
        }
        let rest =
            self.rests.entry(after.clone()).or_insert_with(|| super::narrow(context, &after, self.narrow, purse));
        match rest {
            Solved::Best { cost, .. } => {
                let total = sum + *cost;
                self.push(total, Stage::Whole(step), node);
                Ok(())
            }
            Solved::None(_) => Ok(()),
            Solved::Spent { .. } => Err(Spent),
        }
    }

    fn steps(&self, mut node: usize, last: Step) -> Vec<Step> {
        let mut after = self.nodes[node].state.clone();
        let mut steps = Vec::new();
        while let Some((parent, step)) = &self.nodes[node].parent {
            steps.push(step.clone());
            node = *parent;
        }
        steps.reverse();
        if self.context.problem.key(&mut after, &last).is_ok()
            && let Some(Solved::Best { steps: rest, .. }) = self.rests.get(&after)
        {
            steps.push(last);
            steps.extend(rest.iter().cloned());
        }
        steps
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
    wides: Vec<(Wide, Vec<(usize, Class)>)>,
}

impl Closely {
    /// `None`: the problem is too large for one part.
    fn new(context: &Context, wides: &[CommandId], narrow: &[bool]) -> Option<Self> {
        let problem = context.problem;
        let from = problem.start();
        let moving: Vec<bool> = (0..problem.slots.len())
            .map(|slot| context.writes.iter().flatten().any(|write| write.slot == slot))
            .collect();
        let all = problem.slots.iter().map(|slot| ((1 << slot.values) - 1) | 1 << UNKNOWN).collect();
        let relevance = Relevance { reach: all, usable: narrow.to_vec(), relevant: narrow.to_vec(), moving };
        let part = Part {
            slots: (0..problem.slots.len()).filter(|slot| relevance.moving[*slot]).collect(),
            commands: (0..problem.commands.len()).filter(|id| narrow[*id]).collect(),
            watched: true,
        };
        let source = Source { problem, writes: &context.writes, relevance: &relevance, from: &from };
        let model = Model::of(&source, &part)?;
        let local = |slot: SlotId| part.slots.iter().position(|other| *other == slot);
        let lates: Vec<Set> =
            wides.iter().map(|id| set(context.writes[*id].iter().filter_map(|write| local(write.slot)))).collect();
        let every = lates.iter().fold(0, |all, late| all | late);
        let least_ms = wides.iter().map(|id| time_of(least(problem, *id))).min().unwrap_or(0);
        let wides = wides.iter().zip(lates).map(|(id, late)| {
            let effects = context.writes[*id].iter().filter_map(|write| {
                let value = write.may.trailing_zeros() as u8;
                let slot = local(write.slot)?;
                Some((slot, model.slots[slot].class((value != UNKNOWN).then_some(value))))
            });
            (Wide { late, free: every & !late, least_ms }, effects.collect())
        });
        let wides = wides.collect();
        let bound = Bound::new(&model);
        Some(Self { exposure: Exposure::new(&model, &bound), bound, model, wides })
    }

    fn rest(&mut self, state: &State, place: usize, later: bool) -> Option<Packed> {
        let (wide, effects) = &self.wides[place];
        let now: Vec<Class> = self.model.slots.iter().map(|slot| slot.class(state[slot.origin])).collect();
        let mut after = now.clone();
        effects.iter().for_each(|(slot, class)| after[*slot] = *class);
        let everything = set(0..after.len());
        let scope =
            Scope { counted: everything, again: everything, late: wide.late, free: if later { wide.free } else { 0 } };
        let rest = self.bound.within(&after, &scope)?;
        let wide = Wide { least_ms: if later { wide.least_ms } else { 0 }, ..*wide };
        let exposure = self.exposure.through(&self.model, &now, &after, &wide, &mut self.bound)?;
        Some(rest + (Packed::from(exposure) << EXPOSURE_SHIFT))
    }
}

fn set(members: impl Iterator<Item = usize>) -> Set {
    members.fold(0, |set, member| set | 1 << member)
}

/// Least cost of a command, without exposure.
fn least(problem: &Problem, id: CommandId) -> Packed {
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

/// Every way to key a command's fields in a state; a ghost takes the cheapest.
fn keyings(
    problem: &Problem,
    state: &State,
    id: CommandId,
    ghosts: &[bool],
    begun: &mut Vec<usize>,
    ways: &mut Vec<Vec<usize>>,
) {
    let Some(field) = problem.commands[id].fields.get(begun.len()) else {
        ways.push(begun.clone());
        return;
    };
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
        keyings(problem, state, id, ghosts, begun, ways);
        begun.pop();
    }
}
