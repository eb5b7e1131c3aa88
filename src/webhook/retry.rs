//! When a message that was not delivered is tried again. Pure: chance and time are arguments.
//! It never gives up: an alert is tried until it is delivered.

use jiff::civil::DateTime;
use jiff::tz::TimeZone;

/// The middle of the first wait.
pub const FIRST_WAIT_MS: i64 = 5_000;

/// No wait of our own is longer: an hour.
pub const LONGEST_WAIT_MS: i64 = 3_600_000;

/// A receiver's `Retry-After` is believed up to a day.
pub const MOST_ASKED_MS: i64 = 86_400_000;

/// No receiver can make us try more often than this.
const LEAST_ASKED_MS: i64 = 1_000;

/// Jitter takes or adds up to a fifth. Waits double, so each is still longer than the one before.
const JITTER: f64 = 0.2;

/// Milliseconds to wait after the `tries`-th try failed (1 is the first). `unit` is chance from 0 to 1; `asked_ms` the
/// receiver's `Retry-After`, which is honoured from 1 s to 24 h, never sooner than asked, plus up to a tenth.
///
/// Our own waits: 4–6 s, 8–12 s, 16–24 s and so on, doubling up to 40–60 min.
pub fn wait_ms(tries: i64, unit: f64, asked_ms: Option<i64>) -> i64 {
    let unit = if unit.is_nan() { 0.5 } else { unit.clamp(0.0, 1.0) };
    if let Some(asked) = asked_ms {
        let asked = asked.clamp(LEAST_ASKED_MS, MOST_ASKED_MS);
        return asked + scaled(asked / 10, unit);
    }
    let doublings = tries.saturating_sub(1).clamp(0, 20) as u32;
    let highest_middle = scaled(LONGEST_WAIT_MS, 1.0 / (1.0 + JITTER));
    let middle = (FIRST_WAIT_MS << doublings).min(highest_middle);
    scaled(middle, 1.0 - JITTER + 2.0 * JITTER * unit)
}

/// Milliseconds to wait after the `tries`-th try was refused: short, since what waits behind must go on, and a receiver that
/// refuses a message will most likely refuse it again. A `Retry-After` is honoured up to 5 s.
pub fn refused_wait_ms(tries: i64, asked_ms: Option<i64>) -> i64 {
    const STEP_MS: i64 = 150;
    const MOST_MS: i64 = 5_000;
    let own = STEP_MS * tries.clamp(1, 10);
    asked_ms.map_or(own, |asked| asked.clamp(own, MOST_MS))
}

fn scaled(ms: i64, factor: f64) -> i64 {
    (ms as f64 * factor) as i64
}

/// The wait that a `Retry-After` header asks for, in milliseconds from `now_ms`: seconds, or an HTTP date (a date gone
/// by is 0). `None` for anything else.
pub fn retry_after_ms(header: &str, now_ms: i64) -> Option<i64> {
    let text = header.trim();
    if !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit()) {
        // More digits than a number holds is longer than anything we honour.
        let seconds = text.parse::<i64>().unwrap_or(i64::MAX);
        return Some(seconds.saturating_mul(1000));
    }
    Some(http_date_ms(text)?.saturating_sub(now_ms).max(0))
}

/// An HTTP date in any of the three forms of RFC 9110 §5.6.7, in milliseconds since 1970.
pub fn http_date_ms(header: &str) -> Option<i64> {
    const FORMS: [&str; 3] = ["%a, %d %b %Y %H:%M:%S GMT", "%A, %d-%b-%y %H:%M:%S GMT", "%a %b %e %H:%M:%S %Y"];
    let at = FORMS.iter().find_map(|form| DateTime::strptime(form, header.trim()).ok())?;
    Some(TimeZone::UTC.to_timestamp(at).ok()?.as_millisecond())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The instant of RFC 9110 §5.6.7's three examples, 1994-11-06T08:49:37Z.
    const EXAMPLE_MS: i64 = 784_111_777_000;

    #[test]
    fn the_three_dates_of_rfc_9110_are_read() {
        for text in ["Sun, 06 Nov 1994 08:49:37 GMT", "Sunday, 06-Nov-94 08:49:37 GMT", "Sun Nov  6 08:49:37 1994"] {
            assert_eq!(retry_after_ms(text, EXAMPLE_MS - 90_000), Some(90_000), "{text}");
            assert_eq!(retry_after_ms(text, EXAMPLE_MS + 1), Some(0), "{text}");
        }
    }

    #[test]
    fn seconds_are_read_and_anything_else_is_not() {
        // RFC 9110 §10.2.3 gives 120.
        assert_eq!(retry_after_ms("120", 0), Some(120_000));
        assert_eq!(retry_after_ms(" 0 ", 0), Some(0));
        assert_eq!(retry_after_ms(&"9".repeat(40), 0), Some(i64::MAX));
        for text in ["", "-1", "1.5", "soon", "2026-11-20T10:14:00Z", "Sun, 06 Nov 1994"] {
            assert_eq!(retry_after_ms(text, 0), None, "{text:?}");
        }
    }

    #[test]
    fn the_first_wait_is_about_five_seconds_and_the_longest_an_hour() {
        assert_eq!(wait_ms(1, 0.5, None), FIRST_WAIT_MS);
        assert_eq!(wait_ms(1, 0.0, None), 4_000);
        assert_eq!(wait_ms(30, 1.0, None), LONGEST_WAIT_MS);
    }

    #[test]
    fn a_receiver_that_asks_is_heard_within_bounds() {
        assert_eq!(wait_ms(9, 0.0, Some(30_000)), 30_000);
        assert_eq!(wait_ms(1, 0.0, Some(i64::MAX)), MOST_ASKED_MS);
        assert_eq!(wait_ms(1, 0.0, Some(-5)), 1_000);
    }

    proptest! {
        #[test]
        fn waits_grow_until_the_longest(tries in 1i64..9, one in 0.0f64..1.0, other in 0.0f64..1.0) {
            prop_assert!(wait_ms(tries, one, None) < wait_ms(tries + 1, other, None));
        }

        #[test]
        fn no_input_makes_a_wait_out_of_bounds(
            tries in any::<i64>(), unit in any::<f64>(), asked in any::<Option<i64>>(),
        ) {
            let wait = wait_ms(tries, unit, asked);
            match asked {
                None => prop_assert!((4_000..=LONGEST_WAIT_MS).contains(&wait)),
                Some(asked) => {
                    prop_assert!(wait >= asked.clamp(1_000, MOST_ASKED_MS));
                    prop_assert!(wait <= MOST_ASKED_MS + MOST_ASKED_MS / 10);
                }
            }
        }

        #[test]
        fn no_header_makes_the_reader_panic(text in ".{0,60}", now in any::<i64>()) {
            let _ = retry_after_ms(&text, now);
        }
    }
}
