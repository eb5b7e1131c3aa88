//! A lower bound on the exposure still to come (`mod.rs` §5). It never overestimates.

use super::cover_order::{CoverOrder, MOST_WEIGHED, Turn};
use super::landmark_set::LandmarkSet;
use super::landmarks::Landmarks;
use super::model::{Class, GOAL, Model, ModelChoice, ModelCommand, ModelLifeline, Set};
use super::packed::time_of;
use super::stubborn_sets::Firsts;
use std::collections::BTreeMap;

pub(super) struct ExposureBound {
    lifelines: Vec<LifelineBound>,
    weighed: Weighed,
    cover_order: CoverOrder,
    /// The uncovered lifelines of the state looked at last.
    waiting: Vec<Waiting>,
    /// Slots each command can bring to the goal, and all it writes.
    achieves: Vec<Set>,
    writes: Vec<Set>,
}

/// The uncovered lifelines of a state.
#[derive(Default)]
struct Weighed {
    /// Those that can only be covered by their goals, whose order is weighed.
    turns: Vec<Turn>,
    /// What each of the others is exposed for.
    alone: Vec<u64>,
    /// Least time until the first of all is covered; [`u64::MAX`]: none that may be first can be.
    first_ms: u64,
    /// Which of `turns` may be the first of all, as bits; `None`: one of the others may be.
    firsts: Option<usize>,
}

impl Weighed {
    fn clear(&mut self) {
        self.turns.clear();
        self.alone.clear();
        (self.first_ms, self.firsts) = (u64::MAX, Some(0));
    }

    /// Takes note of a lifeline before it is put in, by its two bits of [`Firsts`] and its least times.
    fn may_be_first(&mut self, bits: Firsts, goals_ms: u64, restore_ms: Option<u64>) {
        if bits & 1 == 1 {
            self.first_ms = self.first_ms.min(goals_ms);
            self.firsts = self.firsts.map(|firsts| firsts | 1 << self.turns.len());
        }
        if bits & 2 == 2
            && let Some(restore_ms) = restore_ms
        {
            self.first_ms = self.first_ms.min(restore_ms);
        }
        self.firsts = self.firsts.filter(|_| restore_ms.is_none() || bits & 3 == 0);
    }
}

/// An uncovered lifeline.
struct Waiting {
    place: usize,
    /// What is to be keyed while it is uncovered.
    asked: LandmarkSet,
    /// Whether it may be as it was again, so that it is weighed alone.
    alone: bool,
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
    /// Slots that are away from their goal while it is as it was.
    changing: Set,
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
            weighed: Weighed::default(),
            waiting: Vec::new(),
            cover_order: CoverOrder::default(),
            achieves: model.commands.iter().map(ModelCommand::achieves).collect(),
            writes: model.commands.iter().map(|command| command.writes).collect(),
        }
    }

    /// Milliseconds × lifelines, after [`Landmarks::cost`], [`Landmarks::cost_in_part`] or [`Landmarks::count`] for the whole
    /// of this state, in which one of `firsts` is covered first and the slots `open` may hold anything; `None`: no script leads
    /// on.
    pub fn of(
        &mut self,
        model: &Model,
        state: &[Class],
        firsts: Firsts,
        open: Set,
        landmarks: &mut Landmarks,
    ) -> Option<u64> {
        let mut weighed = std::mem::take(&mut self.weighed);
        weighed.clear();
        let covered = self.covered(model, state, firsts, open, landmarks, &mut weighed);
        let sum = covered.and_then(|covered| Some(covered + self.uncovered(&mut weighed, landmarks)?));
        self.weighed = weighed;
        sum
    }

    /// What the covered lifelines are exposed for; fills in the others.
    fn covered(
        &mut self,
        model: &Model,
        state: &[Class],
        firsts: Firsts,
        open: Set,
        landmarks: &mut Landmarks,
        weighed: &mut Weighed,
    ) -> Option<u64> {
        let (mut sum, missing) = (0, landmarks.gaps());
        for (place, lifeline) in model.lifelines.iter().enumerate() {
            let dark = landmarks.last().within(&self.lifelines[place].dark);
            let unsure = self.lifelines[place].slots & open != 0;
            if if unsure { lifeline.may_be_covered(model, state, open) } else { lifeline.covered(model, state) } {
                let away = lifeline.slots.iter().filter(|slot| state[**slot] != GOAL);
                let away = away.fold(0, |set, slot| set | 1 << slot);
                let own = if away == 0 || unsure { 0 } else { self.leaving(place, away, landmarks) };
                sum += own.max(landmarks.least_ms(&dark)?);
                continue;
            }
            let goals = landmarks.closure(&missing, &self.lifelines[place].goals, &self.lifelines[place].goals);
            let goals_ms = landmarks.least_ms(&goals)?;
            let restore_ms = self.restoring(model, lifeline, place, state, open);
            weighed.may_be_first(firsts >> (2 * place), goals_ms, restore_ms);
            if let Some(restore_ms) = restore_ms {
                let leave_ms = self.leaving(place, self.lifelines[place].changing, landmarks);
                let own = goals_ms.min(restore_ms.saturating_add(leave_ms));
                weighed.alone.push(own.max(landmarks.least_ms(&dark)?));
            } else {
                weighed.turns.push(Turn { goals, dark });
            }
        }
        Some(sum)
    }

    fn uncovered(&mut self, weighed: &mut Weighed, landmarks: &Landmarks) -> Option<u64> {
        let Weighed { turns, alone, first_ms, firsts } = weighed;
        if *first_ms == u64::MAX && turns.len() + alone.len() > 0 {
            return None;
        }
        let mut sum = alone.iter().map(|own| own.max(first_ms)).sum::<u64>();
        let mut firsts = firsts.filter(|_| turns.len() <= MOST_WEIGHED).unwrap_or(usize::MAX);
        // The only one that may be first is put first.
        if firsts.is_power_of_two() {
            turns.swap(0, firsts.trailing_zeros() as usize);
            firsts = 1;
        }
        for some in turns.chunks(MOST_WEIGHED) {
            sum += self.cover_order.least(some, firsts, landmarks)?.max(*first_ms * some.len() as u64);
        }
        Some(sum)
    }

    /// Takes note of what the uncovered lifelines of a state ask for, after [`Landmarks::count`] for it.
    pub fn look_at(&mut self, model: &Model, state: &[Class], landmarks: &Landmarks) {
        self.waiting.clear();
        let missing = landmarks.gaps();
        for (place, lifeline) in model.lifelines.iter().enumerate().filter(|(_, line)| !line.covered(model, state)) {
            let own = &self.lifelines[place];
            let mut asked = landmarks.closure(&missing, &own.goals, &own.goals);
            asked.add(&landmarks.last().within(&own.dark));
            let alone = self.restoring(model, lifeline, place, state, 0).is_some();
            self.waiting.push(Waiting { place, asked, alone });
        }
    }

    /// For how many lifelines of the state looked at last a command's time adds to the bound, where one of `firsts` is covered
    /// first: it brings about nothing that they ask for.
    pub fn idle(&self, model: &Model, firsts: Firsts, command: usize, landmarks: &Landmarks) -> u64 {
        let (helped, writes) = (landmarks.helped(command), self.writes[command]);
        let idle =
            |line: &&Waiting| line.asked.within(helped).count() == 0 && model.lifelines[line.place].set & writes == 0;
        let first = |line: &&Waiting| firsts >> (2 * line.place) & 3 != 0;
        if !self.waiting.iter().filter(first).all(|line| idle(&line)) {
            return 0;
        }
        let alone = self.waiting.iter().filter(|line| line.alone).filter(idle).count();
        let turns = || self.waiting.iter().filter(|line| !line.alone);
        // Those that are weighed together wait for what the first ask for; so one of them at least is idle, if it is first.
        let together = if turns().all(|line| idle(&line)) {
            turns().count()
        } else {
            let one = self.waiting.iter().filter(first).all(|line| !line.alone) && turns().count() <= MOST_WEIGHED;
            usize::from(one)
        };
        (alone + together) as u64
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

    /// Least exposure of a lifeline that is as it was and will be otherwise, by the slots that are away from their goal then:
    /// what must still be keyed once the first command has touched it.
    fn leaving(&mut self, place: usize, away: Set, landmarks: &mut Landmarks) -> u64 {
        if let Some(known) = self.lifelines[place].leaving.get(&away) {
            return *known;
        }
        let slots = self.lifelines[place].slots;
        let firsts = (0..self.writes.len()).filter(|id| self.writes[*id] & slots != 0);
        let settling = firsts.map(|id| landmarks.settling(away & !self.achieves[id]).map_or(u64::MAX, time_of));
        let least = settling.min().unwrap_or(0);
        self.lifelines[place].leaving.insert(away, least);
        least
    }
}

/// Slots of the lifeline that are at their goal while it is as it was.
fn goals_as_was(model: &Model, lifeline: &ModelLifeline) -> Set {
    let slots = lifeline.slots.iter().filter(|slot| model.slots[**slot].as_was == Some(GOAL));
    slots.fold(0, |set, slot| set | 1 << slot)
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
        changing: set_of(&lifeline.slots) & !goals_as_was(model, lifeline),
        leaving: BTreeMap::new(),
    }
}
