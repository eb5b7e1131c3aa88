//! A lower bound on the exposure still to come (`mod.rs` §5). It never overestimates.

use super::landmark_set::LandmarkSet;
use super::landmarks::Landmarks;
use super::model::{Class, GOAL, Model, ModelChoice, ModelCommand, ModelLifeline, Set, members};
use super::packed::time_of;
use super::state_registry::StateMap;
use std::collections::BTreeMap;

/// Most uncovered lifelines whose order is weighed together; further ones are weighed apart from them.
const MOST_WEIGHED: usize = 8;

/// From so many on, what their order came to is kept, for nine times in ten it was asked before: of so many questions at
/// most, some 400 bytes each.
const LEAST_KEPT: usize = 4;
const MOST_KEPT: usize = 8_192;

pub(super) struct ExposureBound {
    lifelines: Vec<LifelineBound>,
    /// Room for [`in_order`].
    lefts: Vec<u32>,
    turns: Vec<Turn>,
    /// What [`in_order`] told, by what it was asked, and room for that.
    told: StateMap<Option<u64>>,
    asked: Vec<u8>,
    /// Slots each command can bring to the goal, and all it writes.
    achieves: Vec<Set>,
    writes: Vec<Set>,
}

/// A reset still to come.
pub(super) struct ResetAhead {
    /// Slots that it writes.
    pub late: Set,
    /// Other slots that other resets write.
    pub free: Set,
    /// Least time of any reset, milliseconds.
    pub least_ms: u64,
}

/// One lifeline as the bound needs it.
struct LifelineBound {
    slots: Set,
    /// Those brought to their goal.
    goals: LandmarkSet,
    /// What is keyed while a slot is away that leaves the lifeline uncovered then.
    dark: LandmarkSet,
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

impl ExposureBound {
    pub fn new(model: &Model, landmarks: &Landmarks) -> Self {
        let least = |command: &ModelCommand| {
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
        let lifelines: Vec<LifelineBound> =
            model.lifelines.iter().map(|lifeline| line(model, lifeline, &least_ms, landmarks)).collect();
        Self {
            lifelines,
            lefts: Vec::new(),
            turns: Vec::new(),
            told: StateMap::default(),
            asked: Vec::new(),
            achieves: model.commands.iter().map(ModelCommand::achieves).collect(),
            writes: model.commands.iter().map(|command| command.writes).collect(),
        }
    }

    /// Milliseconds × lifelines, after [`Landmarks::cost`], [`Landmarks::cost_in_part`] or [`Landmarks::count`] for the whole
    /// of this state, in which the slots `open` may hold anything; `None`: no script leads on.
    pub fn of(&mut self, model: &Model, state: &[Class], open: Set, landmarks: &mut Landmarks) -> Option<u64> {
        let (mut sum, missing) = (0, landmarks.gaps());
        let mut turns = std::mem::take(&mut self.turns);
        turns.clear();
        for (place, lifeline) in model.lifelines.iter().enumerate() {
            let dark = landmarks.last().within(&self.lifelines[place].dark);
            let unsure = self.lifelines[place].slots & open != 0;
            if if unsure { lifeline.may_be_covered(model, state, open) } else { lifeline.covered(model, state) } {
                let goal = lifeline.slots.iter().all(|slot| state[*slot] == GOAL);
                let own = if goal || unsure { 0 } else { self.leaving(place, state, landmarks) };
                sum += own.max(landmarks.least_ms(&dark)?);
                continue;
            }
            let goals = landmarks.closure(&missing, &self.lifelines[place].goals, &self.lifelines[place].goals);
            match self.restoring(model, lifeline, place, state, open) {
                Some(restore_ms) => {
                    let own = landmarks.least_ms(&goals)?.min(restore_ms);
                    sum += own.max(landmarks.least_ms(&dark)?);
                }
                None => turns.push(Turn { goals, dark }),
            }
        }
        for some in turns.chunks(MOST_WEIGHED) {
            sum += self.weigh(some, landmarks)?;
        }
        self.turns = turns;
        Some(sum)
    }

    /// Least exposure of these lifelines together, from what is kept where it was asked before.
    fn weigh(&mut self, turns: &[Turn], landmarks: &Landmarks) -> Option<u64> {
        if turns.len() < LEAST_KEPT {
            return in_order(turns, landmarks, &mut self.lefts);
        }
        self.asked.clear();
        for turn in turns {
            landmarks.write(&turn.goals, &mut self.asked);
            landmarks.write(&turn.dark.without(&turn.goals), &mut self.asked);
        }
        if let Some(told) = self.told.get(&self.asked) {
            return *told;
        }
        let sum = in_order(turns, landmarks, &mut self.lefts);
        if self.told.len() >= MOST_KEPT {
            self.told.clear();
        }
        self.told.insert(self.asked.clone(), sum);
        sum
    }

    /// Least exposure of a script from `state` that is still to key a reset (of at least `reset.least_ms`) which leads to
    /// `after`, writes the slots `late`, and about the slots `free` nothing is known. What the landmarks asked for last
    /// must be that of `after`.
    pub fn through(
        &self,
        model: &Model,
        state: &[Class],
        after: &[Class],
        reset: &ResetAhead,
        landmarks: &mut Landmarks,
    ) -> Option<u64> {
        let mut dark = |line: &LifelineBound| landmarks.least_ms(&landmarks.last().within(&line.dark));
        let dark: Vec<u64> = self.lifelines.iter().map(&mut dark).collect::<Option<_>>()?;
        let mut later = Vec::new();
        let mut sums = vec![0; dark.len()];
        for (place, lifeline) in model.lifelines.iter().enumerate() {
            let slots = self.lifelines[place].slots;
            if !lifeline.start_counts && !lifeline.covered(model, state) {
                let scope = landmarks.scope(slots, 0, 0, reset.free);
                sums[place] =
                    landmarks.within(state, &scope).map_or(reset.least_ms, |cost| time_of(cost).min(reset.least_ms));
            }
            let lost =
                |slot: &usize| reset.late >> slot & 1 == 1 && after[*slot] != GOAL && lifeline.tells(model, *slot);
            if lifeline.slots.iter().any(lost) {
                // Covered again, it may be as it was; so only the slots are asked for that are the same either way.
                let tells = lifeline.slots.iter().filter(|slot| lifeline.tells(model, **slot));
                let tells = tells.fold(0, |set: Set, slot| set | 1 << slot);
                let ms = time_of(landmarks.within(after, &landmarks.scope(tells & reset.late, 0, !0, !reset.late))?);
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
            landmarks.within(after, &landmarks.scope(slots & reset.late, 0, !0, !reset.late)).map(time_of)
        });
        Some(apart.max(before + in_turn?))
    }

    /// Least time in which an uncovered lifeline may be as it was again; `None`: it never can.
    fn restoring(
        &self,
        model: &Model,
        lifeline: &ModelLifeline,
        place: usize,
        state: &[Class],
        open: Set,
    ) -> Option<u64> {
        let line = &self.lifelines[place];
        let changed = lifeline.slots.iter().filter(|slot| model.slots[**slot].as_was != Some(state[**slot]));
        let changed = changed.fold(0, |set: Set, slot| set | 1 << slot) & !open;
        let able = lifeline.start_counts && changed & !line.restorable == 0;
        able.then_some(line.restore_ms)
    }

    /// Least exposure of a lifeline that is as it was and will be otherwise: what must still be keyed once the first
    /// command has touched it.
    fn leaving(&mut self, place: usize, state: &[Class], landmarks: &mut Landmarks) -> u64 {
        let slots = self.lifelines[place].slots;
        let away = members(slots).filter(|slot| state[*slot] != GOAL).fold(0, |set: Set, slot| set | 1 << slot);
        if let Some(known) = self.lifelines[place].leaving.get(&away) {
            return *known;
        }
        let firsts = (0..self.writes.len()).filter(|id| self.writes[*id] & slots != 0);
        let settling = firsts.map(|id| landmarks.settling(away & !self.achieves[id]).map_or(u64::MAX, time_of));
        let least = settling.min().unwrap_or(0);
        self.lifelines[place].leaving.insert(away, least);
        least
    }
}

/// Whatever the order, the k-th lifeline to be covered is covered no sooner than the easiest k of them can be. (What is
/// lost again on the way may not be counted: it may be brought back after the k-th.)
fn in_turn(count: usize, mut least_of: impl FnMut(&mut dyn Iterator<Item = usize>) -> Option<u64>) -> Option<u64> {
    let mut least = vec![u64::MAX; count + 1];
    for chosen in 1u32..1 << count {
        let size = chosen.count_ones() as usize;
        least[size] = least[size].min(least_of(&mut (0..count).filter(|place| chosen >> place & 1 == 1))?);
    }
    Some(least[1..].iter().sum())
}

fn line(model: &Model, lifeline: &ModelLifeline, least_ms: &[u64], landmarks: &Landmarks) -> LifelineBound {
    let mut restorable = 0;
    let mut restore_ms = u64::MAX;
    for slot in lifeline.slots.iter().filter(|_| lifeline.start_counts) {
        for (id, command) in model.commands.iter().enumerate() {
            let set = command.sets.iter().any(|set| set.0 == *slot && model.slots[*slot].as_was == Some(set.1));
            let keyed = command.fields.iter().any(|field| {
                let as_was = |choice: &ModelChoice| !choice.held && model.slots[*slot].as_was == Some(choice.class);
                field.slot == *slot && field.choices.iter().any(as_was)
            });
            if set || keyed {
                restorable |= 1 << slot;
                restore_ms = restore_ms.min(least_ms[id]);
            }
        }
    }
    let tells = lifeline.slots.iter().filter(|slot| lifeline.tells(model, **slot));
    let tells = tells.fold(0, |set: Set, slot| set | 1 << slot);
    LifelineBound {
        slots: set_of(&lifeline.slots),
        goals: landmarks.goals_of(set_of(&lifeline.slots)),
        dark: landmarks.dark(tells),
        restorable,
        restore_ms,
        leaving: BTreeMap::new(),
    }
}

/// An uncovered lifeline that can only be covered by coming to its goals.
struct Turn {
    /// What must be keyed before it is covered.
    goals: LandmarkSet,
    /// What is keyed while it is uncovered, sooner or later.
    dark: LandmarkSet,
}

/// Least exposure of these lifelines together, over all orders in which they may be covered for the first time: while one
/// is uncovered, everything is keyed that it and those before it ask for, and its own dark landmarks.
fn in_order(turns: &[Turn], landmarks: &Landmarks, lefts: &mut Vec<u32>) -> Option<u64> {
    let ops = landmarks.whole_ms().len();
    // For each set of lifelines: what is left of the ops, what they ask for and take, least exposure; one more for trying.
    lefts.resize(lefts.len().max((ops << turns.len()) + ops), 0);
    lefts[..ops].copy_from_slice(landmarks.whole_ms());
    let mut sets = [(LandmarkSet::default(), 0, 0); 1 << MOST_WEIGHED];
    for chosen in 1usize..1 << turns.len() {
        let last = chosen.ilog2() as usize;
        let fewer = chosen & !(1 << last);
        let (mut asked, before, _) = sets[fewer];
        lefts.copy_within(fewer * ops..(fewer + 1) * ops, chosen * ops);
        let (known, trial) = lefts.split_at_mut(ops << turns.len());
        let trial = &mut trial[..ops];
        let left = &mut known[chosen * ops..(chosen + 1) * ops];
        let spent = before + landmarks.charge_ms(left, &turns[last].goals.without(&asked))?;
        asked.add(&turns[last].goals);
        let mut least = u64::MAX;
        for (place, turn) in turns.iter().enumerate().filter(|(place, _)| chosen >> place & 1 == 1) {
            let others = sets[chosen & !(1 << place)].2;
            if others + spent >= least {
                continue;
            }
            trial.copy_from_slice(left);
            let own = spent + landmarks.charge_ms(trial, &turn.dark.without(&asked))?;
            least = least.min(others + own);
        }
        sets[chosen] = (asked, spent, least);
    }
    Some(sets[(1 << turns.len()) - 1].2)
}
