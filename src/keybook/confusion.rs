//! How two key sequences compare, and what comparing them may cost. It compares nothing itself.

use super::field::Language;
use crate::setting::Keys;

/// The languages of a keybook's settings, by id; none for a setting that could not be read.
pub(super) type Languages = [Option<Language>];

/// How two sequences compare.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Verdict {
    Apart,
    Confused(Confusion),
    /// The budget ran out; the careful reading is that they can be confused.
    Unsure,
}

/// Keys that are a whole sequence and begin, or are, another.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Confusion {
    pub(super) keys: Keys,
    pub(super) whole: Whole,
}

/// Which of two sequences ends with the keys in question.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Whole {
    First,
    Second,
    Both,
}

impl Whole {
    /// From whether each of the two ends.
    pub(super) fn of(first: bool, second: bool) -> Option<Whole> {
        match (first, second) {
            (true, true) => Some(Whole::Both),
            (true, false) => Some(Whole::First),
            (false, true) => Some(Whole::Second),
            (false, false) => None,
        }
    }
}

/// Steps left for comparing all sequences of a keybook. An ordinary keybook takes a few thousand.
#[derive(Debug)]
pub(super) struct Budget {
    whole: u64,
    pair: u64,
}

impl Budget {
    /// Steps for all pairs together: some seconds at the most.
    pub(super) const WHOLE: u64 = 10_000_000;
    /// Steps for one pair: bounds the memory.
    const PAIR: u64 = 1_000_000;

    /// The whole of it.
    pub(super) fn new() -> Budget {
        Budget::of(Budget::WHOLE)
    }

    /// So many steps for all pairs together.
    pub(super) fn of(whole: u64) -> Budget {
        Budget { whole, pair: 0 }
    }

    /// Steps for the next pair.
    pub(super) fn begin_pair(&mut self) {
        self.pair = Budget::PAIR.min(self.whole);
    }

    /// Whether nothing is left for any pair.
    pub(super) fn is_spent(&self) -> bool {
        self.whole == 0
    }

    /// Takes `steps` off; false when there are not so many left.
    pub(super) fn spend(&mut self, steps: u64) -> bool {
        let enough = steps <= self.pair;
        let steps = steps.min(self.pair);
        self.pair -= steps;
        self.whole -= steps;
        enough
    }
}
