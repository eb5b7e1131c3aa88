//! What keying scripts asks of people: calls, presses and minutes, added up over stations.

use std::iter::Sum;
use std::ops::Add;

use crate::inventory::Station;
use crate::setting::Codes;

use super::delta::{Call, Script};

/// One ring and the pause after it; common practice, no source: 2 s on, 4 s off in North America, less elsewhere.
pub(super) const RING_MS: u64 = 6_000;

/// The work of keying some scripts.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Work {
    /// Stations that need keying.
    pub stations: u64,
    /// Each is a ring, an opening and a hang-up.
    pub calls: u64,
    /// Steps keyed in them.
    pub commands: u64,
    /// Every key pressed, opening and closing included.
    pub presses: u64,
    /// From the first ring to hanging up, over all calls, in milliseconds.
    pub ms: u64,
}

impl Work {
    /// The work of one script. A code that cannot be read here counts as the longest it could be.
    pub fn of(script: &Script, station: &Station, codes: &Codes) -> Work {
        Work::of_calls(&script.calls, station, codes)
    }

    pub(super) fn of_calls(calls: &[Call], station: &Station, codes: &Codes) -> Work {
        let presses = |call: &Call| {
            let steps = call.steps.iter().map(|step| &step.keys);
            let pressed = [&call.open].into_iter().chain(steps).chain(&call.close);
            pressed.map(|keys| keys.presses(codes) as u64).sum::<u64>()
        };
        let rings = u64::from(station.keybook.call.rings) * RING_MS;
        Work {
            stations: 1,
            calls: calls.len() as u64,
            commands: calls.iter().map(|call| call.steps.len() as u64).sum(),
            presses: calls.iter().map(presses).sum(),
            ms: calls.iter().map(|call| call.length_ms + rings).sum(),
        }
    }

    /// Full minutes, rounded up.
    pub fn minutes(&self) -> u64 {
        self.ms.div_ceil(60_000)
    }
}

impl Add for Work {
    type Output = Work;
    fn add(self, other: Work) -> Work {
        Work {
            stations: self.stations + other.stations,
            calls: self.calls + other.calls,
            commands: self.commands + other.commands,
            presses: self.presses + other.presses,
            ms: self.ms + other.ms,
        }
    }
}

impl Sum for Work {
    fn sum<I: Iterator<Item = Work>>(all: I) -> Work {
        all.fold(Work::default(), Work::add)
    }
}
