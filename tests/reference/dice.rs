//! Chance that is the same everywhere. It knows nothing of what is drawn.

/// splitmix64, so that the problems are the same everywhere.
pub struct Dice(pub u64);

impl Dice {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    pub fn below(&mut self, bound: u64) -> u64 {
        self.next() % bound
    }

    pub fn percent(&mut self, chance: u64) -> bool {
        self.below(100) < chance
    }

    /// One of several.
    pub fn of<'a, T>(&mut self, several: &'a [T]) -> &'a T {
        &several[self.below(several.len() as u64) as usize]
    }
}
