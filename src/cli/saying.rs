//! What `aside`, `take` and `release` share: who says it, until when, and how it enters the ledger.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use uuid::Uuid;

use super::context::Context;
use super::error::CliError;
use crate::finding::minute;
use crate::fleet::say;
use crate::ledger::{Decision, Said};
use crate::setting::Name;

/// A moment from now on: a time, or a day, which counts to its end (UTC).
#[derive(Debug, Clone, Copy)]
pub struct Until(pub Timestamp);

/// Reads RFC 3339 or a date.
pub fn until(text: &str) -> Result<Until, String> {
    let day = || {
        let day = text.parse::<Date>().ok().filter(|_| text.len() == 10)?;
        TimeZone::UTC.to_timestamp(day.tomorrow().ok()?.at(0, 0, 0, 0)).ok()
    };
    let time = || text.parse::<Timestamp>().ok();
    let fix = "write a time with its offset, like 2026-12-01T17:00:00Z, or a day, like 2026-12-01 (to its end, UTC)";
    day().or_else(time).map(Until).ok_or_else(|| fix.into())
}

/// Who says something now.
pub fn said(context: &Context, by: &str, why: Option<&str>) -> Said {
    // Milliseconds, as the ledger has them.
    let at = context.view.at.round(jiff::Unit::Millisecond).unwrap_or(context.view.at);
    Said { id: Uuid::now_v7(), at, by: by.into(), why: why.map(Name::from) }
}

/// Writes it down, if it keeps to the rules.
pub async fn write_down(context: &Context, decision: &Decision) -> Result<(), CliError> {
    decision.check().map_err(|error| CliError::usage(format!("this cannot be written down: {error}.")))?;
    say(context.store(), decision, context.view.at).await?;
    Ok(())
}

/// "2026-12-01 17:00 UTC, in 5 days"; a day that someone wrote is shown as they wrote it.
pub fn in_time(until: Timestamp, now: Timestamp) -> String {
    // The clock has moved on a little since the time was written.
    let left = until.duration_since(now).max(SignedDuration::ZERO) + SignedDuration::from_secs(30);
    let (days, hours) = (left.as_hours() / 24, left.as_hours());
    let left = match (days, hours) {
        (0, 0) => format!("{} min", left.as_mins()),
        (0..=1, hours) => format!("{hours} h"),
        (days, _) => format!("{days} days"),
    };
    format!("{}, in {left}", end_of(until))
}

/// "2026-12-01 17:00 UTC", or "the end of 2026-12-01 (UTC)" where a day ends.
pub fn end_of(until: Timestamp) -> String {
    let before = until.checked_sub(SignedDuration::from_secs(1)).unwrap_or(until);
    match until.as_second().rem_euclid(86_400) {
        0 => before.strftime("the end of %Y-%m-%d (UTC)").to_string(),
        _ => minute(until),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_end_of_a_day_is_named_by_the_day() {
        let time = |text: &str| text.parse::<Timestamp>().expect("a time");
        let now = time("2026-11-25T12:00:01Z");
        assert_eq!(in_time(time("2026-12-02T00:00:00Z"), now), "the end of 2026-12-01 (UTC), in 6 days");
        assert_eq!(in_time(time("2026-11-27T00:00:00Z"), now), "the end of 2026-11-26 (UTC), in 36 h");
        assert_eq!(in_time(time("2026-11-25T17:00:00Z"), now), "2026-11-25 17:00 UTC, in 5 h");
    }

    #[test]
    fn a_day_counts_to_its_end_and_a_time_as_it_is() {
        let read = |text| until(text).map(|until| until.0.to_string());
        assert_eq!(read("2026-12-01"), Ok("2026-12-02T00:00:00Z".into()));
        assert_eq!(read("2026-12-31"), Ok("2027-01-01T00:00:00Z".into()));
        assert_eq!(read("2026-12-01T17:00:00+01:00"), Ok("2026-12-01T16:00:00Z".into()));
        for odd in ["", "tomorrow", "2026-12", "2026-13-01", "2026-12-01 17:00", "9999-12-31", "17:00"] {
            assert!(read(odd).is_err(), "{odd}");
        }
    }
}
