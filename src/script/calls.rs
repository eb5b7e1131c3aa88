//! Cutting a script's steps into calls that the station does not end before they are done.
//!
//! Steps keep their order. The cut is exact: fewest cuts where a tracked lifeline is uncovered, then
//! fewest calls, then the most steps in the first call, in the second, and so on.

use std::ops::Range;

/// What the cut needs to know of a step.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Length {
    /// The time it takes, in milliseconds.
    pub step_ms: u64,
    /// What opening and closing a call takes that begins with this step: greeting, opening, answer, closing.
    pub around_ms: u64,
    /// What closing alone takes; not keyed after a step that ends the call.
    pub close_ms: u64,
    pub ends_call: bool,
    /// Whether a tracked lifeline is uncovered just before this step.
    pub uncovered: bool,
}

/// The calls, as ranges of steps; `None` where a step fits into no call.
pub fn cut(steps: &[Length], limit_ms: u64) -> Option<Vec<Range<usize>>> {
    let count = steps.len();
    // The best way to cut what begins at each step: cuts while uncovered, calls, end of the first call.
    let mut best: Vec<Option<(usize, usize, usize)>> = vec![None; count + 1];
    best[count] = Some((0, 0, count));
    for from in (0..count).rev() {
        let mut length = steps[from].around_ms;
        for end in from + 1..=count {
            let last = &steps[end - 1];
            length += last.step_ms;
            let closed = if last.ends_call { length - steps[from].close_ms } else { length };
            if length - steps[from].close_ms > limit_ms {
                break;
            }
            if let Some((uncovered, calls, _)) = best[end].filter(|_| closed <= limit_ms) {
                let bare = end < count && steps[end].uncovered;
                let way = (uncovered + usize::from(bare), calls + 1, end);
                let better =
                    best[from].is_none_or(|(u, c, e)| (way.0, way.1, usize::MAX - way.2) < (u, c, usize::MAX - e));
                if better {
                    best[from] = Some(way);
                }
            }
            if last.ends_call {
                break;
            }
        }
    }
    let mut calls = Vec::new();
    let mut from = 0;
    while from < count {
        let (_, _, end) = best[from]?;
        calls.push(from..end);
        from = end;
    }
    Some(calls)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Every way to cut, tried one by one.
    fn exhaustive(steps: &[Length], limit_ms: u64) -> Option<Vec<Range<usize>>> {
        let count = steps.len();
        let ways = (0..1usize << count.saturating_sub(1)).filter_map(|mask| {
            let mut calls = Vec::new();
            let mut from = 0;
            for end in 1..=count {
                if end == count || mask >> (end - 1) & 1 == 1 {
                    calls.push(from..end);
                    from = end;
                }
            }
            let fits = calls.iter().all(|call: &Range<usize>| {
                let inside = &steps[call.clone()];
                let close = if inside.last().is_some_and(|s| s.ends_call) { 0 } else { inside[0].close_ms };
                let length: u64 = inside.iter().map(|s| s.step_ms).sum();
                let ends_inside = inside[..inside.len() - 1].iter().any(|s| s.ends_call);
                !ends_inside && inside[0].around_ms - inside[0].close_ms + length + close <= limit_ms
            });
            let bare = calls.iter().skip(1).filter(|call| steps[call.start].uncovered).count();
            let sizes: Vec<_> = calls.iter().map(|call| usize::MAX - call.len()).collect();
            fits.then_some(((bare, calls.len(), sizes), calls))
        });
        ways.min_by(|a, b| a.0.cmp(&b.0)).map(|(_, calls)| calls)
    }

    proptest! {
        #[test]
        fn no_other_cut_is_better(
            steps in proptest::collection::vec((1u64..40, 10u64..30, 0u64..10, any::<bool>(), 0u8..6), 0..9),
            limit in 30u64..120,
        ) {
            let steps: Vec<Length> = steps
                .into_iter()
                .map(|(step_ms, around_ms, close_ms, uncovered, ends)| Length { step_ms, around_ms, close_ms, ends_call: ends == 0, uncovered })
                .collect();
            let expected = if steps.is_empty() { Some(Vec::new()) } else { exhaustive(&steps, limit) };
            prop_assert_eq!(cut(&steps, limit), expected);
        }
    }
}
