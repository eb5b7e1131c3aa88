//! Who takes a station is shown wherever the station is, and on record.

use super::fleet::{Fleet, SIGNING, uuid};
use super::receiver::Receiver;
use super::sample::sample;
use super::told::entry;

#[test]
fn a_station_that_someone_is_on_says_so_in_drift_and_alert_and_history_until_it_is_free_again() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    let until = (jiff::Timestamp::now() + jiff::SignedDuration::from_hours(5)).to_string();
    let take = ["take", "SP-01", "--until", &until, "--by", "tech-07"];
    fleet.run(&take).ended(0);
    let drift = fleet.run(&["drift", "SP-01", "--format", "json"]).ended(3).json();
    assert_eq!(drift["stations"][0]["taken_by"], "tech-07");
    receiver.still(&daemon, 1);
    let found = format!(
        "report: 1\nid: {}\nstation: SP-01\nat: 2020-06-01T10:00:00Z\nby: tech-03\nfound: {{identity: \"99\"}}\n",
        uuid(fleet.number())
    );
    fleet.write("found.yaml", &found);
    fleet.run(&["report", "found.yaml"]).ended(0);
    let grown = receiver.wait_for(2).remove(1);
    assert_eq!(entry(&grown, "grown", "SP-01")["taken_by"], "tech-07", "{}", grown.body);
    assert!(fleet.run(&["history", "SP-01"]).ended(0).out.contains("taken until"));
    let end = ["take", "SP-01", "--end", "--by", "tech-07"];
    fleet.run(&end).ended(0);
    fleet.run(&end).ended(1);
    assert_eq!(
        fleet.run(&["drift", "SP-01", "--format", "json"]).json()["stations"][0]["taken_by"],
        serde_json::Value::Null
    );
    daemon.stop("TERM");
}

#[test]
fn what_is_aligned_unknown_or_taken_for_too_long_is_refused() {
    let fleet = sample();
    let take = |station: &str, until: &str| fleet.run(&["take", station, "--until", until, "--by", "tech-07"]);
    assert!(take("EQ-01", "2026-11-26").ended(1).err.contains("aligned"));
    assert!(take("EQ-20", "2026-11-26").ended(2).err.contains("Look the name up. Defined are EQ-01"));
    assert!(take("EQ-02", "2026-12-03").ended(2).err.contains("at most 7 days"));
    take("EQ-02", "2026-12-01").ended(0);
}
