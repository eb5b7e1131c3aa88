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
    asked: Vec<LandmarkSet>,
    spent: Vec<u64>,
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
    /// ask for, and its own dark landmarks. One of `firsts`, as bits, comes first. `None`: one can never be covered.
    pub fn least(&mut self, turns: &[Turn], firsts: usize, landmarks: &Landmarks) -> Option<u64> {
        let firsts = firsts & ((1 << turns.len()) - 1);
        if turns.len() < LEAST_KEPT {
            return self.sets.in_order(turns, firsts, landmarks);
        }
        self.ask(turns, landmarks);
        self.asked.push(firsts as u8);
        if let Some(told) = self.told.get(&self.asked) {
            return *told;
        }
        let sum = self.sets.in_order(turns, firsts, landmarks);
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
        self.charge(turns, false, landmarks)?;
        let mut table = vec![0; count << count];
        for chosen in 1..1 << count {
            for place in places(chosen) {
                table[chosen * count + place] = self.spent[chosen] + self.dark_ms(&turns[place], chosen, landmarks)?;
            }
        }
        Some(table.into())
    }

    /// The least sum over all orders that begin with one of `firsts`, where what each takes is what is asked for by then, and
    /// its own dark landmarks. These are only weighed in orders that may be the best, by what they take without them.
    fn in_order(&mut self, turns: &[Turn], firsts: usize, landmarks: &Landmarks) -> Option<u64> {
        // Where it can only be the one at place 0, sets without it tell nothing.
        let with_first = firsts == 1;
        self.charge(turns, with_first, landmarks)?;
        let mut best = self.look_ahead(turns, firsts, landmarks)?;
        let all = (1 << turns.len()) - 1;
        self.sums.clear();
        self.sums.resize(all + 1, u64::MAX);
        self.sums[0] = 0;
        for chosen in sets(all + 1, with_first) {
            let (spent, after) = (self.spent[chosen], self.after[chosen]);
            if chosen & (chosen - 1) == 0 && chosen & firsts == 0 {
                continue;
            }
            for place in places(chosen) {
                let sum = self.sums[chosen & !(1 << place)].saturating_add(spent);
                if sum < self.sums[chosen] && sum.saturating_add(after) < best {
                    let sum = sum + self.dark_ms(&turns[place], chosen, landmarks)?;
                    self.sums[chosen] = self.sums[chosen].min(sum);
                }
            }
        }
        best = best.min(self.sums[all]);
        Some(best)
    }

    /// Fills in `after`; what the best order by that takes in all.
    fn look_ahead(&mut self, turns: &[Turn], firsts: usize, landmarks: &Landmarks) -> Option<u64> {
        let all = (1usize << turns.len()) - 1;
        self.after.clear();
        self.after.resize(all + 1, 0);
        let total = |sets: &Self, next: usize| sets.spent[next] + sets.after[next];
        for chosen in sets(all, firsts == 1).rev() {
            let next = places(all & !chosen).map(|place| total(self, chosen | 1 << place));
            self.after[chosen] = next.min().unwrap_or(0);
        }
        let (mut chosen, mut sum, mut next) = (0, 0, firsts);
        while let Some(place) = places(next).min_by_key(|place| total(self, chosen | 1 << place)) {
            chosen |= 1 << place;
            sum += self.spent[chosen] + self.dark_ms(&turns[place], chosen, landmarks)?;
            next = all & !chosen;
        }
        Some(sum)
    }

    /// The least sum over all orders of so many, where `own` tells what one takes as the last of a set.
    fn order(&mut self, count: usize, own: impl Fn(usize, usize) -> u64) -> u64 {
        self.sums.clear();
        self.sums.push(0);
        for chosen in 1usize..1 << count {
            let sums = places(chosen).map(|place| self.sums[chosen & !(1 << place)].saturating_add(own(chosen, place)));
            let least = sums.min().unwrap_or(0);
            self.sums.push(least);
        }
        self.sums[(1 << count) - 1]
    }

    /// Fills in `asked`, `spent` and `lefts` for all sets or those with the place 0; `None`: one can never be covered.
    fn charge(&mut self, turns: &[Turn], with_first: bool, landmarks: &Landmarks) -> Option<()> {
        let ops = landmarks.whole_ms().len();
        let count = 1usize << turns.len();
        self.lefts.resize(self.lefts.len().max(ops * (count + 1)), 0);
        self.lefts[ops..2 * ops].copy_from_slice(landmarks.whole_ms());
        self.asked.resize(self.asked.len().max(count), LandmarkSet::default());
        self.spent.resize(self.spent.len().max(count), 0);
        (self.asked[0], self.spent[0]) = (LandmarkSet::default(), 0);
        for chosen in sets(count, with_first) {
            let last = chosen.ilog2() as usize;
            let fewer = chosen & !(1 << last);
            let mut asked = self.asked[fewer];
            self.lefts.copy_within((fewer + 1) * ops..(fewer + 2) * ops, (chosen + 1) * ops);
            let left = &mut self.lefts[(chosen + 1) * ops..(chosen + 2) * ops];
            self.spent[chosen] = self.spent[fewer] + landmarks.charge_ms(left, &turns[last].goals.without(&asked))?;
            asked.add(&turns[last].goals);
            self.asked[chosen] = asked;
        }
        Some(())
    }

    /// Time of a lifeline's own dark landmarks, of what the landmarks asked for by a set leave.
    fn dark_ms(&mut self, turn: &Turn, set: usize, landmarks: &Landmarks) -> Option<u64> {
        let dark = turn.dark.without(&self.asked[set]);
        if dark.count() == 0 {
            return Some(0);
        }
        let ops = landmarks.whole_ms().len();
        let (trial, known) = self.lefts.split_at_mut(ops);
        trial.copy_from_slice(&known[set * ops..(set + 1) * ops]);
        landmarks.charge_ms(trial, &dark)
    }
}

/// The sets below this one, all or those with the place 0, but the empty one.
fn sets(end: usize, with_first: bool) -> std::iter::StepBy<std::ops::Range<usize>> {
    (1..end).step_by(1 + usize::from(with_first))
}

/// The places of a set, rising.
fn places(mut set: usize) -> impl Iterator<Item = usize> {
    std::iter::from_fn(move || {
        let place = (set != 0).then(|| set.trailing_zeros() as usize)?;
        set &= set - 1;
        Some(place)
    })
}
