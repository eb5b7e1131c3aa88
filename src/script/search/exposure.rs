//! A lower bound on the exposure still to come (`mod.rs` §5). It never overestimates.

use super::bound::{Bound, Scope};
use super::model::{Class, GOAL, Model, ModelLifeline, Set, time_of};
use super::states::States;
use super::tail::{able, members};
use std::collections::BTreeMap;

/// Most uncovered lifelines whose order is weighed; more are counted one by one.
const MOST_WEIGHED: usize = 5;

pub(super) struct Exposure {
    /// The slots that [`Plain`] depends on, what they held, and what it was then.
    support: Vec<usize>,
    keys: States,
    known: Vec<Option<Plain>>,
    lifelines: Vec<Line>,
    /// Slots each command can bring to the goal, and all it writes.
    able: Vec<Set>,
    writes: Vec<Set>,
}

/// A wide command still to come.
pub(super) struct Wide {
    /// Slots that it writes.
    pub late: Set,
    /// Other slots that other wide commands write.
    pub free: Set,
    /// Least time of any wide command, milliseconds.
    pub least_ms: u64,
}

impl Wide {
    /// Asks for these slots after the command, and only for what cannot be done before it.
    fn scope(&self, slots: Set) -> Scope {
        Scope { counted: slots & self.late, again: 0, late: !0, free: !self.late }
    }
}

/// Bounds that depend on the lifelines' settings, and what these need, alone.
struct Plain {
    /// Least exposure of each lifeline by itself, milliseconds.
    own: Vec<u64>,
    /// Uncovered lifelines that can only be covered by coming to their goals.
    weighed: Vec<usize>,
    /// Least exposure of those together; 0 where it was not worked out.
    in_turn: u64,
}

/// One lifeline as the bound needs it.
struct Line {
    slots: Set,
    /// Slots that some command can bring back to what they were.
    restorable: Set,
    /// Least time of a command that can bring one of the slots back.
    restore_ms: u64,
    /// Bounds on leaving the start for good, by the slots then away from the goal.
    leaving: BTreeMap<Set, u64>,
}

fn set_of(slots: &[usize]) -> Set {
    slots.iter().fold(0, |set, slot| set | 1 << slot)
}

impl Exposure {
    pub fn new(model: &Model, bound: &Bound) -> Self {
        let least = |command: &super::model::ModelCommand| {
            let reads: u32 =
                command.reads.iter().map(|read| read.presses.iter().flatten().min().copied().unwrap_or(0)).sum();
            let fields: u32 = command
                .fields
                .iter()
                .map(|field| field.choices.iter().map(|choice| choice.presses).min().unwrap_or(0))
                .sum();
            time_of(command.base + model.press * u128::from(reads + fields))
        };
        let least_ms: Vec<u64> = model.commands.iter().map(least).collect();
        let lifelines: Vec<Line> = model.lifelines.iter().map(|lifeline| line(model, lifeline, &least_ms)).collect();
        let able = model.commands.iter().map(able).collect();
        let support: Vec<usize> =
            members(bound.support(lifelines.iter().fold(0, |set, line| set | line.slots))).collect();
        let keys = States::new(support.len());
        Self {
            support,
            keys,
            known: Vec::new(),
            lifelines,
            able,
            writes: model.commands.iter().map(|command| command.writes).collect(),
        }
    }

    /// Milliseconds × lifelines. `bound.dark_ms` must be that of this state.
    pub fn of(&mut self, model: &Model, state: &[Class], bound: &mut Bound) -> Option<u64> {
        if self.lifelines.is_empty() {
            return Some(0);
        }
        let dark: Vec<u64> = model.lifelines.iter().map(|lifeline| dark_ms(model, lifeline, bound)).collect();
        let key: Vec<Class> = self.support.iter().map(|slot| state[*slot]).collect();
        let (place, fresh) = self.keys.insert(&key);
        if fresh {
            let plain = self.plain(model, state, bound);
            self.known.push(plain);
        }
        let plain = self.known[place as usize].as_ref()?;
        let each = |place: &usize| plain.own[*place].max(dark[*place]);
        let apart: u64 = (0..dark.len()).map(|place| each(&place)).sum();
        let others: u64 = (0..dark.len())
            .filter(|place| plain.in_turn == 0 || !plain.weighed.contains(place))
            .map(|place| each(&place))
            .sum();
        Some(apart.max(others + plain.in_turn))
    }

    /// What the lifelines' own settings tell.
    fn plain(&mut self, model: &Model, state: &[Class], bound: &mut Bound) -> Option<Plain> {
        let mut own = Vec::with_capacity(model.lifelines.len());
        let mut weighed = Vec::new();
        for (place, lifeline) in model.lifelines.iter().enumerate() {
            if lifeline.covered(model, state) {
                let goal = lifeline.slots.iter().all(|slot| state[*slot] == GOAL);
                own.push(if goal { 0 } else { self.leaving(place, state, bound) });
                continue;
            }
            let slots = self.lifelines[place].slots;
            let goal_ms = time_of(bound.of(state, slots, slots)?);
            match self.restoring(model, lifeline, place, state) {
                Some(restore_ms) => own.push(goal_ms.min(restore_ms)),
                None => {
                    weighed.push(place);
                    own.push(goal_ms);
                }
            }
        }
        let worth_it = weighed.len() > 1 && weighed.len() <= MOST_WEIGHED;
        let turns = |chosen: &mut dyn Iterator<Item = usize>| {
            let slots = chosen.fold(0, |set, place| set | self.lifelines[weighed[place]].slots);
            bound.of(state, slots, 0).map(time_of)
        };
        let in_turn = if worth_it { in_turn(weighed.len(), turns)? } else { 0 };
        Some(Plain { own, weighed, in_turn })
    }

    /// Least exposure of a script from `state` that is still to key a wide command (of at least `wide_ms`) which leads to
    /// `after`, writes the slots `late`, and about the slots `free` nothing is known. `bound.dark_ms` must be that of `after`.
    pub fn through(
        &self,
        model: &Model,
        state: &[Class],
        after: &[Class],
        wide: &Wide,
        bound: &mut Bound,
    ) -> Option<u64> {
        let dark: Vec<u64> = model.lifelines.iter().map(|lifeline| dark_ms(model, lifeline, bound)).collect();
        let mut later = Vec::new();
        let mut sums = vec![0; dark.len()];
        for (place, lifeline) in model.lifelines.iter().enumerate() {
            let slots = self.lifelines[place].slots;
            if !lifeline.start_counts && !lifeline.covered(model, state) {
                let scope = Scope { counted: slots, again: 0, late: 0, free: wide.free };
                sums[place] =
                    bound.within(state, &scope).map_or(wide.least_ms, |cost| time_of(cost).min(wide.least_ms));
            }
            let lost =
                |slot: &usize| wide.late >> slot & 1 == 1 && after[*slot] != GOAL && lifeline.tells(model, *slot);
            if lifeline.slots.iter().any(lost) {
                // Covered again, it may be as it was; so only the slots are asked for that are the same either way.
                let tells = lifeline.slots.iter().filter(|slot| lifeline.tells(model, **slot));
                let tells = tells.fold(0, |set: Set, slot| set | 1 << slot);
                let ms = time_of(bound.within(after, &wide.scope(tells))?);
                later.push((place, tells, ms));
            }
        }
        let before: u64 = sums.iter().sum();
        later.iter().for_each(|(place, _, ms)| sums[*place] += ms);
        let apart = (0..dark.len()).map(|place| sums[place].max(dark[place])).sum();
        if later.len() < 2 || later.len() > MOST_WEIGHED {
            return Some(apart);
        }
        let in_turn = in_turn(later.len(), |chosen| {
            let slots = chosen.fold(0, |set, place| set | later[place].1);
            bound.within(after, &wide.scope(slots)).map(time_of)
        });
        Some(apart.max(before + in_turn?))
    }

    /// Least time in which an uncovered lifeline may be as it was again; `None`: it never can.
    fn restoring(&self, model: &Model, lifeline: &ModelLifeline, place: usize, state: &[Class]) -> Option<u64> {
        let line = &self.lifelines[place];
        let changed = lifeline.slots.iter().filter(|slot| model.slots[**slot].as_was != Some(state[**slot]));
        let able = lifeline.start_counts && changed.fold(0, |set: Set, slot| set | 1 << slot) & !line.restorable == 0;
        able.then_some(line.restore_ms)
    }

    /// Least exposure of a lifeline that is as it was and will be otherwise: what must still be keyed once the first
    /// command has touched it.
    fn leaving(&mut self, place: usize, state: &[Class], bound: &mut Bound) -> u64 {
        let slots = self.lifelines[place].slots;
        let away = members(slots).filter(|slot| state[*slot] != GOAL).fold(0, |set: Set, slot| set | 1 << slot);
        if let Some(known) = self.lifelines[place].leaving.get(&away) {
            return *known;
        }
        let firsts = (0..self.writes.len()).filter(|id| self.writes[*id] & slots != 0);
        let settling = firsts.map(|id| bound.settling(away & !self.able[id]).map_or(u64::MAX, time_of));
        let least = settling.min().unwrap_or(0);
        self.lifelines[place].leaving.insert(away, least);
        least
    }
}

/// Whatever the order, the k-th lifeline to be covered is covered no sooner than the easiest k of them can be. (What is
/// lost again on the way may not be counted: it may be mended after the k-th.)
fn in_turn(count: usize, mut least_of: impl FnMut(&mut dyn Iterator<Item = usize>) -> Option<u64>) -> Option<u64> {
    let mut least = vec![u64::MAX; count + 1];
    for chosen in 1u32..1 << count {
        let size = chosen.count_ones() as usize;
        least[size] = least[size].min(least_of(&mut (0..count).filter(|place| chosen >> place & 1 == 1))?);
    }
    Some(least[1..].iter().sum())
}

fn line(model: &Model, lifeline: &ModelLifeline, least_ms: &[u64]) -> Line {
    let mut restorable = 0;
    let mut restore_ms = u64::MAX;
    for slot in lifeline.slots.iter().filter(|_| lifeline.start_counts) {
        for (id, command) in model.commands.iter().enumerate() {
            let set = command.sets.iter().any(|set| set.0 == *slot && model.slots[*slot].as_was == Some(set.1));
            let keyed = command.fields.iter().any(|field| {
                let as_was = |choice: &super::model::ModelChoice| {
                    !choice.held && model.slots[*slot].as_was == Some(choice.class)
                };
                field.slot == *slot && field.choices.iter().any(as_was)
            });
            if set || keyed {
                restorable |= 1 << slot;
                restore_ms = restore_ms.min(least_ms[id]);
            }
        }
    }
    Line { slots: set_of(&lifeline.slots), restorable, restore_ms, leaving: BTreeMap::new() }
}

/// Time that must pass while the lifeline is uncovered because one of its slots has to be away.
fn dark_ms(model: &Model, lifeline: &ModelLifeline, bound: &Bound) -> u64 {
    let tells = lifeline.slots.iter().filter(|slot| lifeline.tells(model, **slot));
    tells.map(|slot| bound.dark_ms[*slot]).max().unwrap_or(0)
}
