//! A lower bound on the exposure still to come (`mod.rs` §5). It never overestimates.

use super::cover_order::{CoverOrder, MOST_WEIGHED, Turn};
use super::landmark_set::LandmarkSet;
use super::landmarks::Landmarks;
use super::model::{Class, GOAL, Model, ModelChoice, ModelCommand, ModelLifeline, Set, members};
use super::packed::time_of;
use std::collections::BTreeMap;

pub(super) struct ExposureBound {
    lifelines: Vec<LifelineBound>,
    /// Those that can only be covered by their goals, and the order in which they are.
    turns: Vec<Turn>,
    cover_order: CoverOrder,
    /// Slots each command can bring to the goal, and all it writes.
    achieves: Vec<Set>,
    writes: Vec<Set>,
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

pub(super) fn set_of(slots: &[usize]) -> Set {
    slots.iter().fold(0, |set, slot| set | 1 << slot)
}

/// Slots of the lifeline that must be at their goal where it is covered, be it as it was or as it will be.
pub(super) fn telling(model: &Model, lifeline: &ModelLifeline) -> Set {
    let tells = lifeline.slots.iter().filter(|slot| lifeline.tells(model, **slot));
    tells.fold(0, |set, slot| set | 1 << slot)
}

impl ExposureBound {
    pub fn new(model: &Model, landmarks: &Landmarks) -> Self {
        let least_ms: Vec<u64> = model.commands.iter().map(|command| time_of(command.least(model.press))).collect();
        let lifelines: Vec<LifelineBound> =
            model.lifelines.iter().map(|lifeline| line(model, lifeline, &least_ms, landmarks)).collect();
        Self {
            lifelines,
            turns: Vec::new(),
            cover_order: CoverOrder::default(),
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
            sum += self.cover_order.least(some, landmarks)?;
        }
        self.turns = turns;
        Some(sum)
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
    LifelineBound {
        slots: set_of(&lifeline.slots),
        goals: landmarks.goals_of(set_of(&lifeline.slots)),
        dark: landmarks.dark(telling(model, lifeline)),
        restorable,
        restore_ms,
        leaving: BTreeMap::new(),
    }
}
