//! A cost as one number that adds up and compares as the cost does, and bounds in the same form. It decides nothing.

use crate::script::problem::{Cost, MAX_PRESSES};

/// A cost as one number that compares and adds like [`Cost`].
pub(super) type Packed = u128;
/// Longest script looked at, in commands; keeps packed costs within their bits.
pub(super) const MOST_COMMANDS: u64 = 4096;

const PRESS_SHIFT: u32 = 20;
const TIME_SHIFT: u32 = 46;
pub(super) const EXPOSURE_SHIFT: u32 = 84;

/// Packs milliseconds, presses and commands; [`crate::script::problem`]'s limits and the search's limit on the length
/// of a script keep every field within its bits.
pub(super) fn pack(cost: Cost) -> Packed {
    Packed::from(cost.exposure_ms) << EXPOSURE_SHIFT
        | Packed::from(cost.time_ms) << TIME_SHIFT
        | Packed::from(cost.presses) << PRESS_SHIFT
        | Packed::from(cost.commands)
}

pub(super) fn unpack(packed: Packed) -> Cost {
    let field = |shift: u32, bits: u32| (packed >> shift & ((1 << bits) - 1)) as u64;
    Cost {
        exposure_ms: field(EXPOSURE_SHIFT, 128 - EXPOSURE_SHIFT),
        time_ms: field(TIME_SHIFT, EXPOSURE_SHIFT - TIME_SHIFT),
        presses: field(PRESS_SHIFT, TIME_SHIFT - PRESS_SHIFT),
        commands: field(0, PRESS_SHIFT),
    }
}

/// A bound as a cost. Costs are shared out as whole numbers, so that a share may borrow presses or commands of what is
/// before them: such a part tells nothing, and neither does what comes after it.
pub(super) fn unpack_bound(packed: Packed) -> Cost {
    let cost = unpack(packed);
    let commands = if cost.commands > MOST_COMMANDS { 0 } else { cost.commands };
    if cost.presses > MOST_COMMANDS * MAX_PRESSES {
        return Cost { presses: 0, commands: 0, ..cost };
    }
    Cost { commands, ..cost }
}

/// Time, in milliseconds, of a packed cost.
pub(super) fn time_of(packed: Packed) -> u64 {
    (packed >> TIME_SHIFT & ((1 << (EXPOSURE_SHIFT - TIME_SHIFT)) - 1)) as u64
}

/// The greater exposure with the greater remainder: a bound, if both are bounds part by part.
pub(super) fn both(one: Packed, other: Packed) -> Packed {
    let low = (1 << EXPOSURE_SHIFT) - 1;
    (one & !low).max(other & !low) | (one & low).max(other & low)
}

/// The less exposure with the less remainder: a bound, part by part, wherever one of both is.
pub(super) fn either(one: Packed, other: Packed) -> Packed {
    let low = (1 << EXPOSURE_SHIFT) - 1;
    (one & !low).min(other & !low) | (one & low).min(other & low)
}

/// One bound less a cost, part by part.
pub(super) fn less(bound: Packed, cost: Packed) -> Packed {
    let low: Packed = (1 << EXPOSURE_SHIFT) - 1;
    ((bound >> EXPOSURE_SHIFT).saturating_sub(cost >> EXPOSURE_SHIFT) << EXPOSURE_SHIFT)
        | (bound & low).saturating_sub(cost & low)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_borrowed_part_of_a_bound_and_what_comes_after_it_is_told_as_nothing() {
        let cost = |time_ms, presses, commands| Cost { exposure_ms: 7, time_ms, presses, commands };
        let bound = pack(cost(20, 3, 1)) - pack(Cost { exposure_ms: 0, time_ms: 2, presses: 3, commands: 2 });
        assert_eq!(unpack_bound(bound), cost(17, 0, 0), "{:?}", unpack(bound));
        let bound = pack(cost(20, 5, 1)) - pack(Cost { exposure_ms: 0, time_ms: 2, presses: 3, commands: 2 });
        assert_eq!(unpack_bound(bound), cost(18, 1, 0), "{:?}", unpack(bound));
        assert_eq!(unpack_bound(pack(cost(20, 5, 1))), cost(20, 5, 1));
    }

    #[test]
    fn a_packed_cost_unpacks_to_itself_and_compares_alike() {
        let costs = [(0, 0, 0, 1), (0, 0, 1, 0), (0, 1, 0, 0), (1, 0, 0, 0), (5, 70_000, 300, 60)];
        let costs =
            costs.map(|(exposure_ms, time_ms, presses, commands)| Cost { exposure_ms, time_ms, presses, commands });
        for pair in costs.windows(2) {
            assert_eq!(unpack(pack(pair[0])), pair[0]);
            assert!(pack(pair[0]) < pack(pair[1]));
        }
    }
}
