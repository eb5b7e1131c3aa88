//! The order in which lifelines are covered: what they are exposed for together at least, over all orders (`mod.rs` §5,
//! §8). It never overestimates; it knows no state.

use super::landmark_set::LandmarkSet;
use super::landmarks::Landmarks;
use super::state_registry::StateMap;
use std::rc::Rc;

/// Most uncovered lifelines whose order is weighed together; further ones are weighed apart from them.
pub(super) const MOST_WEIGHED: usize = 8;

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

/// What is known of each set of lifelines, set by set.
#[derive(Default)]
struct Sets {
    /// What they ask for together, and its time, milliseconds.
    asked: Vec<(LandmarkSet, u64)>,
    /// What is left of the ops then; the first is room for trying.
    lefts: Vec<u32>,
    /// Least sum of these times over the orders of the lifelines that are not in the set.
    after: Vec<u64>,
    /// Least sum of what the members take over their orders.
    sums: Vec<u64>,
}

#[derive(Default)]
pub(super) struct CoverOrder {
    sets: Sets,
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
            return self.sets.in_order(turns, landmarks);
        }
        self.ask(turns, landmarks);
        if let Some(told) = self.told.get(&self.asked) {
            return *told;
        }
        let sum = self.sets.in_order(turns, landmarks);
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
            sum += self.sets.order(before.len(), |chosen, place| {
                let at = chosen * before.len() + place;
                match before[place] {
                    Some(before) => (before.reset_ms + whole[at]).min(before.cover_ms.saturating_add(late[at])),
                    None => late[at],
                }
            });
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
        let table = self.sets.table(turns, landmarks);
        if self.tables.len() >= MOST_TABLES {
            self.tables.clear();
        }
        self.tables.insert(self.asked.clone(), table.clone());
        table
    }
}

impl Sets {
    fn table(&mut self, turns: &[Turn], landmarks: &Landmarks) -> Table {
        let count = turns.len();
        self.charge(turns, landmarks)?;
        let mut table = vec![0; count << count];
        for chosen in 1..1 << count {
            for (place, turn) in turns.iter().enumerate().filter(|(place, _)| chosen >> place & 1 == 1) {
                table[chosen * count + place] = self.asked[chosen].1 + self.dark_ms(turn, chosen, landmarks)?;
            }
        }
        Some(table.into())
    }

    /// The least sum over all orders, where what each takes is what is asked for by then, and its own dark landmarks. These
    /// are only weighed in orders that may be the best, by what they take without them.
    fn in_order(&mut self, turns: &[Turn], landmarks: &Landmarks) -> Option<u64> {
        self.charge(turns, landmarks)?;
        let mut best = self.look_ahead(turns, landmarks)?;
        let all = (1 << turns.len()) - 1;
        self.sums.clear();
        self.sums.resize(all + 1, u64::MAX);
        self.sums[0] = 0;
        for chosen in 1..=all {
            let spent = self.asked[chosen].1;
            for place in (0..turns.len()).filter(|place| chosen >> place & 1 == 1) {
                let sum = self.sums[chosen & !(1 << place)].saturating_add(spent);
                if sum < self.sums[chosen] && sum.saturating_add(self.after[chosen]) < best {
                    let sum = sum + self.dark_ms(&turns[place], chosen, landmarks)?;
                    self.sums[chosen] = self.sums[chosen].min(sum);
                }
            }
        }
        best = best.min(self.sums[all]);
        Some(best)
    }

    /// Fills in `after`; what the best order by that takes in all.
    fn look_ahead(&mut self, turns: &[Turn], landmarks: &Landmarks) -> Option<u64> {
        let all = (1usize << turns.len()) - 1;
        self.after.clear();
        self.after.resize(all + 1, 0);
        let with = |chosen: usize| (0..turns.len()).filter(move |place| chosen >> place & 1 == 0);
        let total = |sets: &Self, next: usize| sets.asked[next].1 + sets.after[next];
        for chosen in (0..all).rev() {
            self.after[chosen] = with(chosen).map(|place| total(self, chosen | 1 << place)).min().unwrap_or(0);
        }
        let (mut chosen, mut sum) = (0, 0);
        while let Some(place) = with(chosen).min_by_key(|place| total(self, chosen | 1 << place)) {
            chosen |= 1 << place;
            sum += self.asked[chosen].1 + self.dark_ms(&turns[place], chosen, landmarks)?;
        }
        Some(sum)
    }

    /// The least sum over all orders of so many, where `own` tells what one takes as the last of a set.
    fn order(&mut self, count: usize, own: impl Fn(usize, usize) -> u64) -> u64 {
        self.sums.clear();
        self.sums.push(0);
        for chosen in 1usize..1 << count {
            let members = (0..count).filter(|place| chosen >> place & 1 == 1);
            let sums = members.map(|place| self.sums[chosen & !(1 << place)].saturating_add(own(chosen, place)));
            let least = sums.min().unwrap_or(0);
            self.sums.push(least);
        }
        self.sums[(1 << count) - 1]
    }

    /// Fills in `asked` and `lefts`; `None`: one can never be covered.
    fn charge(&mut self, turns: &[Turn], landmarks: &Landmarks) -> Option<()> {
        let ops = landmarks.whole_ms().len();
        self.lefts.resize(self.lefts.len().max((ops << turns.len()) + ops), 0);
        self.lefts[ops..2 * ops].copy_from_slice(landmarks.whole_ms());
        self.asked.clear();
        self.asked.push(Default::default());
        for chosen in 1usize..1 << turns.len() {
            let last = chosen.ilog2() as usize;
            let fewer = chosen & !(1 << last);
            let (mut asked, before) = self.asked[fewer];
            self.lefts.copy_within((fewer + 1) * ops..(fewer + 2) * ops, (chosen + 1) * ops);
            let left = &mut self.lefts[(chosen + 1) * ops..(chosen + 2) * ops];
            let spent = before + landmarks.charge_ms(left, &turns[last].goals.without(&asked))?;
            asked.add(&turns[last].goals);
            self.asked.push((asked, spent));
        }
        Some(())
    }

    /// Time of a lifeline's own dark landmarks, of what the landmarks asked for by a set leave.
    fn dark_ms(&mut self, turn: &Turn, set: usize, landmarks: &Landmarks) -> Option<u64> {
        let dark = turn.dark.without(&self.asked[set].0);
        if dark.count() == 0 {
            return Some(0);
        }
        let ops = landmarks.whole_ms().len();
        let (trial, known) = self.lefts.split_at_mut(ops);
        trial.copy_from_slice(&known[set * ops..(set + 1) * ops]);
        landmarks.charge_ms(trial, &dark)
    }
}
