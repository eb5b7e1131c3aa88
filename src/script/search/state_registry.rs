//! A store of visited states: each state once, in one growing block, found by its content.
//! Its order and its answers depend on nothing but the order of insertion.

use std::collections::HashMap;
use std::hash::{BuildHasherDefault, Hasher};

/// A map from states; it is never iterated.
pub(super) type StateMap<T> = HashMap<Vec<u8>, T, BuildHasherDefault<StateHasher>>;

/// The hash of [`StateRegistry`] for a map.
#[derive(Default)]
pub(super) struct StateHasher(u64);

impl Hasher for StateHasher {
    fn write(&mut self, bytes: &[u8]) {
        self.0 ^= hash(bytes);
    }

    fn write_usize(&mut self, _length: usize) {}

    fn finish(&self) -> u64 {
        // The map takes its buckets from both ends of the number.
        self.0 ^ self.0 << 32
    }
}

/// Bytes of bookkeeping a state costs beside its own, for the memory ceiling.
pub(super) const OVERHEAD: usize = 288;

/// The states met, all of one length.
pub(super) struct StateRegistry {
    length: usize,
    bytes: Vec<u8>,
    count: u32,
    /// Open addressing: states' numbers and hashes; [`EMPTY`] is an empty place.
    table: Vec<(u32, u32)>,
}

const EMPTY: (u32, u32) = (u32::MAX, 0);

impl StateRegistry {
    pub fn new(length: usize) -> Self {
        Self { length, bytes: Vec::new(), count: 0, table: vec![EMPTY; 64] }
    }

    pub fn len(&self) -> usize {
        self.count as usize
    }

    pub fn get(&self, id: u32) -> &[u8] {
        let start = id as usize * self.length;
        &self.bytes[start..start + self.length]
    }

    /// The number of a state met before.
    pub fn find(&self, state: &[u8]) -> Option<u32> {
        let (id, _) = self.table[self.place(state, hash(state) as u32)];
        (id != EMPTY.0).then_some(id)
    }

    /// The number of the state, and whether it is new.
    pub fn insert(&mut self, state: &[u8]) -> (u32, bool) {
        if (self.len() + 1) * 2 > self.table.len() {
            self.grow();
        }
        let own = hash(state) as u32;
        let place = self.place(state, own);
        if self.table[place] != EMPTY {
            return (self.table[place].0, false);
        }
        let id = self.count;
        self.table[place] = (id, own);
        self.bytes.extend_from_slice(state);
        self.count += 1;
        (id, true)
    }

    /// Where the state of this hash stands in the table, or the empty place where it belongs.
    fn place(&self, state: &[u8], own: u32) -> usize {
        let mask = self.table.len() - 1;
        let mut place = own as usize & mask;
        while self.table[place] != EMPTY && (self.table[place].1 != own || self.get(self.table[place].0) != state) {
            place = (place + 1) & mask;
        }
        place
    }

    fn grow(&mut self) {
        let mask = self.table.len() * 2 - 1;
        let known = std::mem::replace(&mut self.table, vec![EMPTY; mask + 1]);
        for entry in known.into_iter().filter(|entry| *entry != EMPTY) {
            let mut place = entry.1 as usize & mask;
            while self.table[place] != EMPTY {
                place = (place + 1) & mask;
            }
            self.table[place] = entry;
        }
    }
}

fn hash(state: &[u8]) -> u64 {
    let mut sum = 0xcbf2_9ce4_8422_2325u64;
    let (words, rest) = state.as_chunks::<8>();
    let rest = rest.iter().fold(0u64, |word, byte| word << 8 | u64::from(*byte));
    for word in words.iter().map(|word| u64::from_le_bytes(*word)).chain([rest]) {
        sum = (sum ^ word).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        sum ^= sum >> 29;
    }
    sum
}
