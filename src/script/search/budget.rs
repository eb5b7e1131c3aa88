//! What a search may spend, and what is left of it. It counts states, never time, so that an answer does not depend on
//! the machine.

/// What a search may spend.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Budget {
    /// States whose successors are looked at, over all parts, and what takes as long. About as much again is spent where it
    /// runs out, to have some script. Spending all takes 0.1 to 2 seconds on a machine of 2026.
    pub expansions: u64,
    /// Bytes of states kept at one time. With tables that grow by doubling, and as much again while the search hurries
    /// past its budget, the whole stays under four times that: under 130 MB by default.
    pub bytes: usize,
}

impl Default for Budget {
    fn default() -> Self {
        Self { expansions: 12_000, bytes: 32 << 20 }
    }
}

/// The share of the budget that may be spent past it, over all parts, to have some script.
const HURRIED_SHARE: u64 = 4;

/// Successors that cost as much as the state that they come after.
pub(super) const SUCCESSORS: u64 = 64;

/// What is left of the budget.
#[derive(Clone, Copy, Debug)]
pub(super) struct Purse {
    pub expansions: u64,
    /// Bytes of states that may be kept at one time.
    pub bytes: usize,
    /// States that may be looked at past the budget.
    pub spare: u64,
    /// All that was paid.
    pub paid: u64,
}

impl Purse {
    pub fn new(budget: &Budget) -> Self {
        let Budget { expansions, bytes } = *budget;
        Self { expansions, bytes, spare: expansions / HURRIED_SHARE, paid: 0 }
    }

    pub fn pay(&mut self, states: u64) {
        self.expansions = self.expansions.saturating_sub(states);
        self.paid += states;
    }

    pub fn is_empty(&self) -> bool {
        self.expansions == 0
    }

    /// Pays for a state past the budget; whether there was as much to spare.
    pub fn spares(&mut self, states: u64) -> bool {
        self.paid += states;
        let left = self.spare.checked_sub(states);
        self.spare = left.unwrap_or(0);
        left.is_some()
    }
}
