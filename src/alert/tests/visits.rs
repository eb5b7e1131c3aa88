//! Visits of which no report came: who began and when is said with the station, and after 24 hours that nothing was heard.

use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};

use super::fixture::*;
use super::*;
use crate::drift::{Begun, Drift, StationDrift};

/// EQ-01 with a setting in doubt since someone began to key it.
fn begun(at: Timestamp, is_silent: bool) -> Arc<StationDrift> {
    let doubt = setting("emergency.primary", Drift::InDoubt, "1", "2");
    let visit =
        Begun { visit: uuid::Uuid::nil(), by: "tech-07".into(), at, script: DIGEST.parse().unwrap(), is_silent };
    Arc::new(StationDrift { begun: vec![visit], ..(*station("EQ-01", vec![doubt], vec![])).clone() })
}

#[test]
fn who_began_and_when_is_said_and_after_24_hours_that_nothing_was_heard_once() {
    let mut watch = Watch::new();
    let at = watch.clock - SignedDuration::from_mins(10);
    watch.put(begun(at, false));
    let opened = data(&watch.pass().messages[0].body);
    let summary = opened["summary"].as_str().unwrap();
    let first = "New drift at EQ-01 (East quay, EQ-01): in-doubt, lifeline; emergency primary in-doubt. tech-07 began to key \
                 it on 2026-11-20 09:50 UTC and has not reported yet. To do";
    assert!(summary.starts_with(first), "{summary}");
    let visit = |silent: bool| serde_json::json!([{"by": "tech-07", "at": "2026-11-20T09:50:00Z", "script": DIGEST, "silent": silent}]);
    assert_eq!(opened["opened"][0]["begun"], visit(false));
    // Reminded of all the same, and then told as news.
    watch.minutes(24 * 60 - 11);
    assert_eq!(watch.heard(), ["on-call still_open EQ-01"]);
    watch.minutes(1);
    watch.put(begun(at, true));
    let grown = data(&watch.pass().messages[0].body);
    let summary = grown["summary"].as_str().unwrap();
    let first = "EQ-01 (East quay, EQ-01): tech-07 began to key it on 2026-11-20 09:50 UTC, and no report came in 24 hours. Ask \
                 tech-07 for the report. To do";
    assert!(summary.starts_with(first), "{summary}");
    assert_eq!(grown["grown"][0]["begun"], visit(true));
    watch.minutes(1);
    assert_eq!(watch.heard(), [""; 0], "once");
    watch.restart();
    assert_eq!(watch.heard(), [""; 0], "after a restart, too");
    // A report of it that says that nothing was keyed.
    watch.put(differs("EQ-01", "emergency.primary", "1"));
    watch.report("EQ-01");
    assert_eq!(watch.heard(), ["on-call grown EQ-01"]);
}

#[test]
fn the_end_of_a_visit_of_which_nothing_was_heard_is_told_to_whoever_heard_of_it() {
    let mut watch = Watch::new();
    let at = watch.clock - SignedDuration::from_hours(25);
    watch.put(begun(at, true));
    assert_eq!(watch.heard(), ["on-call opened EQ-01"]);
    let doubt = setting("emergency.primary", Drift::InDoubt, "1", "2");
    watch.put(station("EQ-01", vec![doubt], vec![]));
    watch.report("EQ-01");
    assert_eq!(watch.heard(), ["on-call eased EQ-01"]);
}

#[test]
fn nobody_is_told_to_key_a_station_while_someone_is_keying_it() {
    let mut watch = Watch::new();
    watch.terms.address = Some("https://keep.example".into());
    watch.put(begun(watch.clock, false));
    watch.next.insert("EQ-01".into(), Next::Await("tech-07".into()));
    let opened = data(&watch.pass().messages[0].body);
    let entry = &opened["opened"][0];
    assert_eq!((&entry["next"]["do"], entry.get("card")), (&"wait for the report of tech-07".into(), None));
    assert_eq!((&opened["to_do"]["to_key"], &opened["to_do"]["to_await"]), (&0.into(), &1.into()));
    assert!(opened["summary"].as_str().unwrap().contains("To do: wait for 1 report under way."), "{opened}");
}

#[test]
fn a_visit_that_only_puts_what_is_known_in_doubt_is_told_as_a_visit() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "emergency.primary", "1"));
    watch.pass();
    watch.put(begun(watch.clock, false));
    let gist = watch.pass().messages.remove(0).gists.remove(0);
    let first = "EQ-01 (East quay, EQ-01): tech-07 began to key it on 2026-11-20 10:00 UTC and has not reported yet. Emergency \
                 primary is uncertain until the report comes.";
    assert_eq!(gist.title, first);
    assert!(gist.text.starts_with(first), "{}", gist.text);
}
