//! What is set aside is in no drift, script, alert or exit code, is counted, and comes back by itself.

use jiff::{SignedDuration, Timestamp};

use super::fleet::{Fleet, NEW_OFFICER, SIGNING, fleet_yaml};
use super::receiver::Receiver;
use super::sample::sample;
use super::told::{all_names, names};

fn in_seconds(seconds: i64) -> String {
    (Timestamp::now() + SignedDuration::from_secs(seconds)).round(jiff::Unit::Millisecond).expect("a time").to_string()
}

fn aside(fleet: &Fleet, what: &[&str], until: &str) -> super::process::Done {
    let said = ["--until", until, "--by", "ops-2", "--why", "awaits a part"];
    fleet.run(&[&["aside"], what, &said[..]].concat())
}

#[test]
fn drift_script_alert_and_exit_code_agree_on_what_is_set_aside() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    // SP-01 was never commissioned.
    let daemon = fleet.start();
    receiver.wait_for(1);
    aside(&fleet, &["SP-01", "--out-of-service"], &in_seconds(3600)).ended(0);
    let told = receiver.wait_for(2).remove(1);
    assert_eq!(all_names(&told), ["closed: SP-01"]);
    assert_eq!(told.data()["set_aside"]["begun"][0]["station"], "SP-01");
    assert_eq!(told.data()["set_aside"]["stations"], 1);
    let drift = fleet.run(&["drift", "--format", "json"]).ended(0).json();
    assert_eq!((&drift["set_aside"]["stations"], &drift["stations"]), (&1.into(), &serde_json::json!([])));
    let script = fleet.run(&["script", "SP-01"]).ended(0);
    assert!(script.out.contains("set aside"), "{}", script.out);
    let list = fleet.run(&["script", "--all"]).ended(0).out;
    assert!(list.contains("1 station set aside"), "{list}");
    fleet.run(&["aside", "SP-01", "--end", "--by", "ops-3"]).ended(0);
    let back = receiver.wait_for(3).remove(2);
    assert_eq!(all_names(&back), ["opened: SP-01"]);
    assert_eq!(back.data()["set_aside"]["over"][0]["ended_by"], "ops-3");
    fleet.run(&["drift"]).ended(3);
    daemon.stop("TERM");
    fleet.run(&["ledger", "verify"]).ended(0);
}

#[test]
fn what_was_set_aside_comes_back_by_itself_when_its_time_is_over() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    aside(&fleet, &["SP-01", "--out-of-service"], &in_seconds(12)).ended(0);
    let gone = receiver.wait_for(2).remove(1);
    assert_eq!(all_names(&gone), ["closed: SP-01"]);
    let summary = gone.data()["summary"].as_str().unwrap_or_default();
    let out = [
        "Out of service and set aside: SP-01",
        "Set aside: SP-01, out of service, until",
        "1 set aside, out of service",
    ];
    assert!(!summary.contains("Aligned again") && out.iter().all(|part| summary.contains(part)), "{summary}");
    let back = receiver.wait_for(3).remove(2);
    assert_eq!(all_names(&back), ["opened: SP-01"]);
    assert_eq!(back.data()["set_aside"]["over"][0]["over"], "expired");
    assert_eq!(back.data()["set_aside"]["stations"], 0);
    let summary = back.data()["summary"].as_str().unwrap_or_default();
    assert!(summary.contains("SP-01 is no longer set aside (until "), "{summary}");
    daemon.stop("TERM");
}

#[test]
fn the_end_of_what_was_set_aside_is_told_even_where_nothing_drifts_and_after_a_restart() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let until = in_seconds(15);
    aside(&fleet, &["north-pier", "gate.seconds"], &until).ended(0);
    let daemon = fleet.start();
    let first = receiver.wait_for(1).remove(0);
    assert!(daemon.said().contains("4 set aside"), "{}", daemon.said());
    assert_eq!(first.data()["set_aside"]["begun"][0]["site"], "north-pier");
    daemon.kill();
    let over = until.parse::<Timestamp>().expect("a time");
    super::process::until("the end of what is set aside", || (Timestamp::now() > over).then_some(()));
    let daemon = fleet.start();
    let over = receiver.wait_for(2).remove(1);
    assert_eq!(all_names(&over), [""; 0]);
    assert_eq!(over.data()["set_aside"]["over"][0]["setting"], "gate.seconds");
    receiver.still(&daemon, 2);
    daemon.stop("TERM");
}

#[test]
fn a_setting_set_aside_leaves_the_rest_managed_and_its_end_is_on_record() {
    let fleet = sample();
    let before = fleet.run(&["drift", "EQ-02", "--format", "json"]).ended(3).json();
    assert_eq!(before["stations"][0]["settings"][0]["setting"], "emergency.backup");
    let refused = aside(&fleet, &["EQ-02", "emergency.backup"], "2026-12-01").ended(2);
    assert!(refused.err.contains("--out-of-service") && refused.err.contains("sign"), "{}", refused.err);
    let done = aside(&fleet, &["EQ-02", "emergency.backup", "--out-of-service"], "2026-12-01").ended(0);
    assert!(
        done.err.contains("stand-in") && done.out.contains("until the end of 2026-12-01 (UTC), in 6 days"),
        "{done:?}"
    );
    fleet.run(&["drift", "EQ-02"]).ended(0);
    let listed = fleet.run(&["aside", "--format", "json"]).ended(0).json();
    assert_eq!(listed["set_aside"][0]["stations"], serde_json::json!(["EQ-02"]));
    let end = ["aside", "EQ-02", "emergency.backup", "--end", "--by", "ops-2"];
    fleet.run(&end).ended(0);
    fleet.run(&end).ended(1);
    assert_eq!(fleet.run(&["drift", "EQ-02", "--format", "json"]).ended(3).json(), before);
    let history = fleet.run(&["history", "EQ-02"]).ended(0).out;
    assert!(history.contains("emergency.backup at EQ-02 set aside until") && history.contains("is over"), "{history}");
    assert_eq!(fleet.run(&["aside"]).ended(0).out, "Nothing is set aside.\n");
}

#[test]
fn what_cannot_be_said_is_refused_with_the_way_out() {
    let fleet = sample();
    let far = aside(&fleet, &["EQ-01", "--out-of-service"], "2027-03-01").ended(2);
    assert!(far.err.contains("at most 90 days"), "{}", far.err);
    let past = aside(&fleet, &["EQ-01", "--out-of-service"], "2026-11-24").ended(2);
    assert!(past.err.contains("not ahead"), "{}", past.err);
    let unknown = aside(&fleet, &["EQ-0l", "--out-of-service"], "2026-12-01").ended(2);
    // Stations are told apart by a digit: none is singled out.
    assert!(unknown.err.contains("Use one of the 40 defined, such as BI-01"), "{}", unknown.err);
    let setting = aside(&fleet, &["EQ-01", "gate.second"], "2026-12-01").ended(2);
    assert!(setting.err.contains("If you mean"), "{}", setting.err);
    let whole = aside(&fleet, &["east-quay"], "2026-12-01").ended(2);
    assert!(whole.err.contains("only as out of service"), "{}", whole.err);
    let odd =
        fleet.run(&["aside", "EQ-01", "--until", "2026-12-01", "--by", "a\u{1b}[2J", "--why", "x", "--out-of-service"]);
    assert!(odd.ended(2).err.contains("control character"));
    for missing in [
        &["aside", "EQ-01", "--out-of-service", "--until", "2026-12-01", "--by", "ops-2"][..],
        &["aside", "EQ-01", "--out-of-service", "--until", "2026-12-01", "--why", "x"],
        &["aside", "EQ-01", "--by", "ops-2", "--why", "x"],
        &["aside", "EQ-01", "--until", "soon", "--by", "ops-2", "--why", "x"],
    ] {
        fleet.run(missing).ended(2);
    }
    let left = fleet.run(&["ledger", "export"]).ended(0).out;
    assert!(!left.contains("\"aside\""), "{left}");
}

#[test]
fn notices_go_from_ledger_to_ledger_and_count_there_too() {
    let (here, there) = (sample(), sample());
    aside(&here, &["EQ-01", "--out-of-service"], "2026-12-01").ended(0);
    aside(&here, &["east-quay", "gate.seconds"], "2026-12-01").ended(0);
    here.run(&["aside", "east-quay", "gate.seconds", "--end", "--by", "ops-2"]).ended(0);
    let exported = here.run(&["ledger", "export"]).ended(0).out;
    there.write("from.jsonl", &exported);
    let first = there.run(&["ledger", "import", "from.jsonl"]).ended(0).out;
    assert!(first.starts_with("3 recorded, ") || first.contains(" 0 rejected"), "{first}");
    let again = there.run(&["ledger", "import", "from.jsonl"]).ended(0).out;
    assert!(again.starts_with("0 recorded, ") && again.ends_with(" 0 rejected.\n"), "{again}");
    let list = |fleet: &Fleet| fleet.run(&["aside", "--format", "json"]).ended(0).json();
    assert_eq!(list(&here), list(&there));
    assert_eq!(names_of(&list(&there)), ["EQ-01"]);
    there.run(&["ledger", "verify"]).ended(0);
}

fn names_of(list: &serde_json::Value) -> Vec<String> {
    let all = list["set_aside"].as_array().cloned().unwrap_or_default();
    all.iter().map(|aside| aside["station"].as_str().unwrap_or_default().to_owned()).collect()
}

#[test]
fn a_station_that_joins_a_closed_site_is_set_aside_with_it() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    fleet.rename_into("config/inventory/north.yaml", &super::fleet::north_yaml(&["NP-01", "NP-02"]));
    aside(&fleet, &["north-pier", "--out-of-service"], &in_seconds(3600)).ended(0);
    let daemon = fleet.start();
    receiver.wait_for(1);
    fleet.rename_into("config/inventory/north.yaml", &super::fleet::north_yaml(&["NP-01", "NP-02", "NP-03"]));
    fleet.rename_into("config/inventory/fleet.yaml", &fleet_yaml(NEW_OFFICER));
    let told = receiver.wait_for(2).remove(1);
    assert!(names(&told, "opened").iter().all(|name| name.starts_with("SP")), "{}", told.body);
    let drift = fleet.run(&["drift", "NP-03", "--format", "json"]).ended(0).json();
    assert_eq!(drift["set_aside"]["stations"], 1);
    daemon.stop("TERM");
}
