//! Cutting a script's steps into calls that the station does not end before they are done.
//!
//! Steps keep their order. The cut is exact: fewest cuts where a required tracked lifeline is uncovered, then fewest calls
//! without room, then fewest calls, then the most steps in the first call, in the second, and so on.
//!
//! A call has *room* where what is left to the station's limit is its longest step's time or more: a step that is refused is
//! keyed once more.

use std::cmp::Reverse;
use std::ops::Range;

/// What the cut needs to know of a step.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Length {
    /// The time it takes, in milliseconds.
    pub step_ms: u64,
    /// What opening a call takes that begins with this step: greeting, opening, answer.
    pub open_ms: u64,
    /// What closing a call takes that ends with this step; 0 where the step ends the call.
    pub close_ms: u64,
    /// Whether the station hangs up by itself after it.
    pub ends_call: bool,
    /// Whether a required tracked lifeline is uncovered just before this step.
    pub uncovered: bool,
}

/// One call of a cut.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Span {
    /// Its steps.
    pub steps: Range<usize>,
    /// From answer to hang-up, in milliseconds.
    pub length_ms: u64,
    /// What is left to the station's limit, in milliseconds.
    pub room_ms: u64,
    /// Whether its longest step can be keyed once more.
    pub has_room: bool,
}

/// What the rest of a cut costs, compared in the order of its fields; smaller is better. The steps of the later calls need not
/// be compared: what begins at one step is cut in one best way.
type Cost = (usize, usize, usize, Reverse<usize>);

/// The calls; `None` where a step fits into no call.
pub fn cut(steps: &[Length], limit_ms: u64) -> Option<Vec<Span>> {
    let count = steps.len();
    // The best way to cut what begins at each step, and its first call.
    let mut best: Vec<Option<(Cost, Span)>> = vec![None; count];
    for from in (0..count).rev() {
        for span in calls_from(steps, from, limit_ms) {
            let end = span.steps.end;
            let rest = match best.get(end) {
                Some(Some(((bare, tight, calls, _), _))) => (*bare + usize::from(steps[end].uncovered), *tight, *calls),
                Some(None) => continue,
                None => (0, 0, 0),
            };
            let cost = (rest.0, rest.1 + usize::from(!span.has_room), rest.2 + 1, Reverse(end));
            if best[from].as_ref().is_none_or(|(least, _)| cost < *least) {
                best[from] = Some((cost, span));
            }
        }
    }
    let mut calls: Vec<Span> = Vec::new();
    while let Some(from) = Some(calls.last().map_or(0, |call| call.steps.end)).filter(|from| *from < count) {
        calls.push(best[from].take()?.1);
    }
    Some(calls)
}

/// Every call that may begin with a step, the shortest first.
fn calls_from(steps: &[Length], from: usize, limit_ms: u64) -> Vec<Span> {
    let mut spans = Vec::new();
    let (mut open_ms, mut longest_ms) = (steps[from].open_ms, 0);
    for (at, step) in steps.iter().enumerate().skip(from) {
        open_ms += step.step_ms;
        longest_ms = step.step_ms.max(longest_ms);
        if let Some(room_ms) = limit_ms.checked_sub(open_ms + step.close_ms) {
            let (length_ms, has_room) = (open_ms + step.close_ms, room_ms >= longest_ms);
            spans.push(Span { steps: from..at + 1, length_ms, room_ms, has_room });
        }
        if step.ends_call || open_ms > limit_ms {
            break;
        }
    }
    spans
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Every way to cut, tried one by one.
    fn exhaustive(steps: &[Length], limit_ms: u64) -> Option<Vec<Span>> {
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
            let length = |call: &Range<usize>| {
                let inside = &steps[call.clone()];
                inside[0].open_ms + inside.iter().map(|s| s.step_ms).sum::<u64>() + inside[inside.len() - 1].close_ms
            };
            let fits = calls.iter().all(|call: &Range<usize>| {
                let before_last = &steps[call.start..call.end - 1];
                length(call) <= limit_ms && !before_last.iter().any(|s| s.ends_call)
            });
            if !fits {
                return None;
            }
            let has_room =
                |call: &Range<usize>| steps[call.clone()].iter().all(|s| length(call) + s.step_ms <= limit_ms);
            let bare = calls.iter().skip(1).filter(|call| steps[call.start].uncovered).count();
            let tight = calls.iter().filter(|call| !has_room(call)).count();
            let sizes: Vec<_> = calls.iter().map(|call| Reverse(call.len())).collect();
            let span = |call: &Range<usize>| Span {
                steps: call.clone(),
                length_ms: length(call),
                room_ms: limit_ms - length(call),
                has_room: has_room(call),
            };
            Some(((bare, tight, calls.len(), sizes), calls.iter().map(span).collect()))
        });
        ways.min_by(|a, b| a.0.cmp(&b.0)).map(|(_, calls)| calls)
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(2_000))]

        #[test]
        fn no_other_cut_is_better(
            steps in proptest::collection::vec((1u64..40, 5u64..30, 0u64..10, any::<bool>(), 0u8..6), 1..10),
            limit in 30u64..160,
        ) {
            let length = |(step_ms, open_ms, close_ms, uncovered, ends): (u64, u64, u64, bool, u8)| {
                let ends_call = ends == 0;
                Length { step_ms, open_ms, close_ms: if ends_call { 0 } else { close_ms }, ends_call, uncovered }
            };
            let steps: Vec<Length> = steps.into_iter().map(length).collect();
            prop_assert_eq!(cut(&steps, limit), exhaustive(&steps, limit));
        }
    }

    fn plain(step_ms: u64, uncovered: bool) -> Length {
        Length { step_ms, open_ms: 10, close_ms: 2, ends_call: false, uncovered }
    }

    fn ends(steps: &[Length], limit_ms: u64) -> Vec<usize> {
        cut(steps, limit_ms).unwrap().iter().map(|call| call.steps.end).collect()
    }

    #[test]
    fn a_second_call_is_made_before_one_has_no_room() {
        // 10 + 20 + 20 + 2 = 52: it would just fit, and a refused step could not be keyed once more.
        assert_eq!(ends(&[plain(20, false), plain(20, false)], 52), [1, 2]);
        assert_eq!(ends(&[plain(20, false), plain(20, false)], 72), [2]);
    }

    #[test]
    fn nobody_hangs_up_on_an_uncovered_lifeline_for_room() {
        assert_eq!(ends(&[plain(20, false), plain(20, true)], 52), [2]);
        let call = &cut(&[plain(20, false), plain(20, true)], 52).unwrap()[0];
        assert_eq!((call.room_ms, call.has_room), (0, false));
    }

    #[test]
    fn nothing_is_cut_into_no_calls_and_what_fits_nowhere_into_none() {
        assert_eq!(cut(&[], 10), Some(Vec::new()));
        assert_eq!(cut(&[plain(20, false)], 31), None);
        assert_eq!(ends(&[plain(20, false)], 32), [1]);
    }
}
