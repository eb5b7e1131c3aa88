//! The order in which lifelines are covered: what they are exposed for together at least, over all orders (`mod.rs` §5,
//! §8). It never overestimates; it knows no state.

use super::landmark_set::LandmarkSet;
use super::landmarks::Landmarks;
use super::state_registry::StateMap;
use std::rc::Rc;

/// Most uncovered lifelines whose order is weighed together; further ones are weighed apart from them.
pub(super) const MOST_WEIGHED: usize = 8;
const MOST_SETS: usize = 1 << MOST_WEIGHED;

/// From so many on, what their order came to is kept, for nine times in ten it was asked before: of so many questions at
/// most, some 400 bytes each; and so many tables, of 16 KiB at most.
const LEAST_KEPT: usize = 4;
const MOST_KEPT: usize = 8_192;
const MOST_TABLES: usize = 64;

/// An uncovered lifeline that can only be covered by coming to its goals.
pub(super) struct Turn {
    /// What must be keyed before it is covered.
    pub goals: LandmarkSet,
    /// What is keyed while it is uncovered, sooner or later.
    pub dark: LandmarkSet,
}

/// Lifelines that must be covered after a reset still to come, place by place.
#[derive(Default)]
pub(super) struct TurnsThrough {
    /// What is keyed until then, before or after the reset.
    pub whole: Vec<Turn>,
    /// What is keyed after it alone.
    pub late: Vec<Turn>,
    pub before: Vec<Option<Before>>,
}

/// What a lifeline uncovered now, for good, is exposed for before the last reset is done.
#[derive(Clone, Copy)]
pub(super) struct Before {
    /// Least time of what else there is to key until then, where it stays uncovered, milliseconds.
    pub reset_ms: u64,
    /// Least time to cover it before that.
    pub cover_ms: u64,
}

impl TurnsThrough {
    pub fn clear(&mut self) {
        self.whole.clear();
        self.late.clear();
        self.before.clear();
    }
}

/// The time of the `k`-th lifeline where the members of set `s` are covered first, it last of these, at `s * count + k`.
type Table = Option<Rc<[u64]>>;

#[derive(Default)]
pub(super) struct CoverOrder {
    /// Room for what is left of the ops, set by set; one more for trying.
    lefts: Vec<u32>,
    /// What orders came to and the tables of some, by what was asked; and room for that.
    told: StateMap<Option<u64>>,
    tables: StateMap<Table>,
    asked: Vec<u8>,
}

impl CoverOrder {
    /// Least exposure of these lifelines together: while one is uncovered, everything is keyed that it and those before it
    /// ask for, and its own dark landmarks. `None`: one can never be covered.
    pub fn least(&mut self, turns: &[Turn], landmarks: &Landmarks) -> Option<u64> {
        if turns.len() < LEAST_KEPT {
            return in_order(turns, landmarks, &mut self.lefts);
        }
        self.ask(turns, landmarks);
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

    /// The same with a last reset still to come. The k-th to be covered after it was uncovered all the time, while all was
    /// keyed that the first k ask for, and the reset; or it was covered before, and then all that these ask for after it.
    pub fn least_through(&mut self, turns: &TurnsThrough, landmarks: &Landmarks) -> Option<u64> {
        let whole = turns.whole.chunks(MOST_WEIGHED).zip(turns.late.chunks(MOST_WEIGHED));
        let mut sum = 0;
        for ((whole, late), before) in whole.zip(turns.before.chunks(MOST_WEIGHED)) {
            let (whole, late) = (self.table(whole, landmarks)?, self.table(late, landmarks)?);
            sum += order_by(before.len(), |chosen, place, _| {
                let at = chosen * before.len() + place;
                Some(match before[place] {
                    Some(before) => (before.reset_ms + whole[at]).min(before.cover_ms.saturating_add(late[at])),
                    None => late[at],
                })
            })?;
        }
        Some(sum)
    }

    fn ask(&mut self, turns: &[Turn], landmarks: &Landmarks) {
        self.asked.clear();
        for turn in turns {
            landmarks.write(&turn.goals, &mut self.asked);
            landmarks.write(&turn.dark.without(&turn.goals), &mut self.asked);
        }
    }

    fn table(&mut self, turns: &[Turn], landmarks: &Landmarks) -> Table {
        self.ask(turns, landmarks);
        if let Some(known) = self.tables.get(&self.asked) {
            return known.clone();
        }
        let table = table_of(turns, landmarks, &mut self.lefts);
        if self.tables.len() >= MOST_TABLES {
            self.tables.clear();
        }
        self.tables.insert(self.asked.clone(), table.clone());
        table
    }
}

fn table_of(turns: &[Turn], landmarks: &Landmarks, lefts: &mut Vec<u32>) -> Table {
    let count = turns.len();
    let sets = charged(turns, landmarks, lefts)?;
    let mut table = vec![0; count << count];
    for chosen in 1..1 << count {
        for (place, turn) in turns.iter().enumerate().filter(|(place, _)| chosen >> place & 1 == 1) {
            table[chosen * count + place] = sets[chosen].1 + dark_ms(turn, &sets[chosen].0, chosen, landmarks, lefts)?;
        }
    }
    Some(table.into())
}

fn in_order(turns: &[Turn], landmarks: &Landmarks, lefts: &mut Vec<u32>) -> Option<u64> {
    let sets = charged(turns, landmarks, lefts)?;
    order_by(turns.len(), |chosen, place, least| {
        let (asked, spent) = &sets[chosen];
        if *spent >= least {
            return Some(*spent);
        }
        Some(spent + dark_ms(&turns[place], asked, chosen, landmarks, lefts)?)
    })
}

/// The least sum over all orders of so many, where `own` tells what one takes as the last of a set; it may tell less where
/// that is no less than what it is given.
fn order_by(count: usize, mut own: impl FnMut(usize, usize, u64) -> Option<u64>) -> Option<u64> {
    let mut sums = [0u64; MOST_SETS];
    for chosen in 1usize..1 << count {
        let mut least = u64::MAX;
        for place in (0..count).filter(|place| chosen >> place & 1 == 1) {
            let others = sums[chosen & !(1 << place)];
            let own = own(chosen, place, least.saturating_sub(others))?;
            least = least.min(others.saturating_add(own));
        }
        sums[chosen] = least;
    }
    Some(sums[(1 << count) - 1])
}

/// For each set of lifelines, what they ask for together, and its time; what is left of the ops then goes to `lefts`.
fn charged(turns: &[Turn], landmarks: &Landmarks, lefts: &mut Vec<u32>) -> Option<[(LandmarkSet, u64); MOST_SETS]> {
    let ops = landmarks.whole_ms().len();
    lefts.resize(lefts.len().max((ops << turns.len()) + ops), 0);
    lefts[ops..2 * ops].copy_from_slice(landmarks.whole_ms());
    let mut sets = [(LandmarkSet::default(), 0); MOST_SETS];
    for chosen in 1usize..1 << turns.len() {
        let last = chosen.ilog2() as usize;
        let fewer = chosen & !(1 << last);
        let (mut asked, before) = sets[fewer];
        lefts.copy_within((fewer + 1) * ops..(fewer + 2) * ops, (chosen + 1) * ops);
        let left = &mut lefts[(chosen + 1) * ops..(chosen + 2) * ops];
        let spent = before + landmarks.charge_ms(left, &turns[last].goals.without(&asked))?;
        asked.add(&turns[last].goals);
        sets[chosen] = (asked, spent);
    }
    Some(sets)
}

/// Time of a lifeline's own dark landmarks, of what the landmarks asked for by a set leave.
fn dark_ms(turn: &Turn, asked: &LandmarkSet, set: usize, landmarks: &Landmarks, lefts: &mut [u32]) -> Option<u64> {
    let dark = turn.dark.without(asked);
    if dark.count() == 0 {
        return Some(0);
    }
    let ops = landmarks.whole_ms().len();
    let (trial, known) = lefts.split_at_mut(ops);
    trial.copy_from_slice(&known[set * ops..(set + 1) * ops]);
    landmarks.charge_ms(trial, &dark)
}
