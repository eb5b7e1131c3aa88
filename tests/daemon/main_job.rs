//! The main job from end to end: an edit, its one alert, the script, the report, the all-clear.

use std::collections::BTreeSet;

use serde_json::Value;

use super::fleet::{Fleet, NEW_OFFICER, OFFICER, SIGNING, dialled, fleet_yaml, uuid};
use super::receiver::{Got, Receiver};
use super::told::{DRIFT, all_names, drifting, entry, in_order, names, open_cases, settled};

#[test]
fn the_start_says_what_is_watched_how_it_stands_and_what_to_try_and_opens_the_cases() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    let said = daemon.said();
    for part in [
        "Gull Rock Ferries: 6 stations at 2 sites",
        "config/inventory",
        "config/keybooks",
        "config/reports",
        "var/ledger.db",
        "on-call at http://127.0.0.1:",
        "5 aligned",
        "1 unproven",
        "SP-01 is unproven, lifeline (south-pier: Berth 21)",
        "drift SP-01",
        "script SP-01",
    ] {
        assert!(said.contains(part), "\"{part}\" is not in:\n{said}");
    }
    assert!(!said.contains("hush"), "an address may hold a token:\n{said}");
    assert!((5..=15).contains(&said.lines().count()), "{said}");
    let first = &receiver.still(&daemon, 1)[0];
    assert_eq!(first.kind(), DRIFT);
    assert_eq!(all_names(first), ["opened: SP-01"]);
    assert_eq!(first.data()["cause"]["started"], true);
    assert_eq!(first.data()["totals"]["aligned"], 5);
}

#[test]
fn an_edited_contact_is_one_alert_then_a_script_then_a_report_then_the_all_clear() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    fleet.write("config/inventory/fleet.yaml", &fleet_yaml(NEW_OFFICER));
    let alert = receiver.still(&daemon, 2).remove(1);
    names_stations_by_weight_and_the_line(&alert);
    agrees_with_drift(&alert, &fleet.drift());
    let mut heard = 2;
    for (nth, station) in ["SP-02", "NP-01", "NP-02"].into_iter().enumerate() {
        let script = fleet.run(&["script", station, "--format", "json"]).ended(0).json();
        has_the_least_keys(&script, station);
        let report = accepted(fleet.number(), station, &script);
        if nth % 2 == 0 {
            let path = fleet.path("as-heard.yaml");
            fleet.write("as-heard.yaml", &report);
            fleet.run(&["report", &path.display().to_string()]).ended(0);
        } else {
            fleet.rename_into(&format!("config/reports/{station}-done.yaml"), &report);
        }
        heard += 1;
        let closed = receiver.wait_for(heard).remove(heard - 1);
        assert_eq!(all_names(&closed), [format!("closed: {station}")]);
        assert_eq!(closed.data()["cause"]["reports"][0]["station"], station);
    }
    let all = receiver.still(&daemon, heard);
    assert_eq!(open_cases(&all), drifting(&fleet.drift()));
    assert_eq!(open_cases(&all).keys().collect::<Vec<_>>(), ["NP-03", "NP-04", "SP-01"]);
    in_order(&receiver);
    fleet.run(&["ledger", "verify"]).ended(0);
}

fn names_stations_by_weight_and_the_line(alert: &Got) {
    assert_eq!(names(alert, "opened"), ["SP-02", "NP-01", "NP-02", "NP-03", "NP-04"]);
    assert_eq!(entry(alert, "opened", "SP-02")["weight"], "lifeline");
    assert_eq!(entry(alert, "opened", "NP-01")["weight"], "routine");
    assert_eq!(alert.data()["counts"]["opened"]["lifeline"], 1);
    assert_eq!(alert.data()["counts"]["opened"]["routine"], 4);
    assert_eq!(alert.data()["many"], true, "five of six are more than any sensible share");
    let text = fleet_yaml(OFFICER);
    let line = text.lines().position(|line| line.contains("duty-officer")).expect("the line") + 1;
    let causes = alert.data()["cause"]["inventory"].as_array().cloned().unwrap_or_default();
    assert_eq!(causes.len(), 2, "{causes:#?}");
    for cause in &causes {
        assert_eq!(cause["contact"], "duty-officer");
        let at = cause["contact_at"].as_str().unwrap_or_default();
        assert!(at.starts_with(&format!("inventory/fleet.yaml:{line}:")), "{at}");
    }
    let stations = |setting: &str| causes.iter().find(|cause| cause["setting"] == setting).map(|it| &it["stations"]);
    assert_eq!(stations("emergency.primary"), Some(&1.into()));
    assert_eq!(stations("assistance.primary"), Some(&4.into()));
    assert_eq!(alert.data()["cause"]["files"], serde_json::json!(["inventory/fleet.yaml"]));
}

/// Stations, settings, values and places of what the alert opened are those of `drift`.
fn agrees_with_drift(alert: &Got, drift: &Value) {
    let rows = |stations: &Value| -> BTreeSet<String> {
        let stations = stations.as_array().cloned().unwrap_or_default();
        let rows = stations.iter().flat_map(|station| {
            let settings = station["settings"].as_array().cloned().unwrap_or_default();
            settings.into_iter().map(|s| {
                let parts = ["setting", "drift", "weight", "wanted", "confirmed", "wanted_at"].map(|key| &s[key]);
                format!("{} {} {parts:?}", station["station"], station["standing"])
            })
        });
        rows.collect()
    };
    let mut shown = drift.clone();
    if let Some(stations) = shown["stations"].as_array_mut() {
        stations.retain(|station| station["station"] != "SP-01");
    }
    assert_eq!(rows(&alert.data()["opened"]), rows(&shown["stations"]));
    assert_eq!(rows(&shown["stations"]).len(), 5);
    assert_eq!(alert.data()["totals"], drift["totals"]);
}

/// One command: its two digits, the number as it is dialled there, and `#`.
fn has_the_least_keys(script: &Value, station: &str) {
    let command = if station == "SP-02" { "21" } else { "23" };
    let keys = format!("{command}{}#", dialled(station, NEW_OFFICER).replace(',', "C"));
    let step = &script["calls"][0]["steps"][0];
    assert_eq!(step["keys"], keys.as_str(), "{script:#}");
    assert_eq!((&script["presses"], &script["commands"]), (&keys.len().into(), &1.into()));
    assert_eq!(script["proven"], true);
    assert_eq!(script["calls"].as_array().map(Vec::len), Some(1));
    assert!(script["full_presses"].as_u64() > script["presses"].as_u64(), "{script:#}");
}

/// The report of a script of which every step was accepted, and the test reached.
fn accepted(id: u32, station: &str, script: &Value) -> String {
    format!(
        "report: 1\nid: {}\nstation: {station}\nat: {:.0}\nby: tech-07\nscript: {}\n\
         steps: [{{step: 1, heard: accepted}}]\ntests: [{{lifeline: emergency, outcome: reached, contact: {}}}]\n",
        uuid(id),
        jiff::Timestamp::now(),
        script["script"].as_str().unwrap_or_default(),
        // Whom the emergency button calls there.
        if station == "SP-02" { "duty-officer" } else { "control-room" }
    )
}

#[test]
fn a_lifeline_keyed_but_not_tested_stays_open_until_the_test_is_reached() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let _daemon = fleet.start();
    receiver.wait_for(1);
    fleet.write("config/inventory/fleet.yaml", &fleet_yaml(NEW_OFFICER));
    receiver.wait_for(2);
    let keyed = format!("left: {{emergency.primary: \"{}\"}}", dialled("SP-02", NEW_OFFICER));
    for (what, at, list) in [
        (keyed.as_str(), "2020-04-01T10:00:00Z", "eased"),
        ("tests: [{lifeline: emergency, outcome: failed}]", "2020-04-01T10:05:00Z", "grown"),
        ("tests: [{lifeline: emergency, outcome: reached}]", "2020-04-01T10:09:00Z", "closed"),
    ] {
        let id = fleet.number();
        let report = format!("report: 1\nid: {}\nstation: SP-02\nat: {at}\nby: tech-07\n{what}\n", uuid(id));
        let before = receiver.heard().len();
        fleet.rename_into(&format!("config/reports/{list}.yaml"), &report);
        let told = receiver.wait_for(before + 1).remove(before);
        assert_eq!(all_names(&told), [format!("{list}: SP-02")], "{}", told.body);
    }
    settled(&receiver, &fleet);
}
