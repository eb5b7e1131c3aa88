//! Sets of landmarks. It knows nothing of what they are.

/// Most landmarks kept track of; further needs are left out (which only weakens the bound).
pub(super) const MOST_LANDMARKS: usize = 256;

/// Which landmarks a state still asks for.
#[derive(Default, Clone, Copy)]
pub(super) struct LandmarkSet([u64; MOST_LANDMARKS / 64]);

impl LandmarkSet {
    /// Every landmark that there may be.
    pub fn all() -> Self {
        Self([!0; MOST_LANDMARKS / 64])
    }

    pub fn insert(&mut self, landmark: usize) {
        self.0[landmark / 64] |= 1 << (landmark % 64);
    }

    pub fn has(&self, landmark: usize) -> bool {
        self.0[landmark / 64] >> (landmark % 64) & 1 == 1
    }

    /// Appends the part of the set that holds the first `count` landmarks as bytes; all such parts take as many.
    pub fn write(&self, count: usize, bytes: &mut Vec<u8>) {
        self.0.iter().take(count.div_ceil(64)).for_each(|word| bytes.extend_from_slice(&word.to_le_bytes()));
    }

    pub fn count(&self) -> u32 {
        self.0.iter().map(|word| word.count_ones()).sum()
    }

    pub fn pop(&mut self) -> Option<usize> {
        let place = self.0.iter().position(|word| *word != 0)?;
        let bit = self.0[place].trailing_zeros() as usize;
        self.0[place] &= self.0[place] - 1;
        Some(place * 64 + bit)
    }

    pub fn add(&mut self, other: &Self) {
        self.0.iter_mut().zip(other.0).for_each(|(own, other)| *own |= other);
    }

    pub fn within(mut self, other: &Self) -> Self {
        self.0.iter_mut().zip(other.0).for_each(|(own, other)| *own &= other);
        self
    }

    pub fn without(mut self, other: &Self) -> Self {
        self.0.iter_mut().zip(other.0).for_each(|(own, other)| *own &= !other);
        self
    }

    pub fn iter(&self) -> impl Iterator<Item = usize> + '_ {
        let words = self.0.iter().enumerate();
        words.flat_map(|(place, word)| {
            let mut word = *word;
            std::iter::from_fn(move || {
                let bit = (word != 0).then(|| word.trailing_zeros() as usize)?;
                word &= word - 1;
                Some(place * 64 + bit)
            })
        })
    }
}
