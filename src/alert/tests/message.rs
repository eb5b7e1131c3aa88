//! What a message says: its envelope, its entries, its cause, its sentence.

use serde_json::json;

use super::fixture::*;
use super::*;
use crate::brake::{Change, Held};
use crate::drift::{Drift, LifelineService, Service, Standing, StationDrift};
use crate::inventory::{Commit, Extent};
use crate::setting::{Name, Weight};

/// One call of so many keys and so long.
fn key(presses: u64, ms: u64) -> Next {
    let work = crate::script::Work { stations: 1, calls: 1, commands: 1, presses, ms };
    Next::Key(work)
}

#[test]
fn a_station_to_key_carries_the_link_to_its_card_where_browsers_reach_one() {
    let mut watch = Watch::new();
    watch.terms.address = Some("https://ops.example/harbour".into());
    watch.put(differs("Quay é & 1", "identity", "121"));
    watch.put(station("T-001", vec![], vec![lifeline("emergency", Service::Untested)]));
    watch.next.insert("Quay é & 1".into(), key(25, 90_000));
    let message = watch.pass().messages.remove(0);
    let one = data(&message.body);
    let link = "https://ops.example/harbour/card/3f9a1c0b7d24e615?station=Quay%20%C3%A9%20%26%201";
    let entry = |station: &str| one["opened"].as_array().unwrap().iter().find(|e| e["station"] == station).unwrap();
    assert_eq!(entry("Quay é & 1")["card"], link);
    assert_eq!(entry("T-001").get("card"), None, "a test call needs no card");
    assert_eq!(one["to_do"]["cards"], link);
    let summary = one["summary"].as_str().unwrap();
    assert!(summary.contains(&format!("about 2 min), test 1 station. Card: {link} Caused by")), "{summary}");
    // Of several each says its own.
    let mut watch = Watch::new();
    watch.terms.address = Some("https://ops.example".into());
    for name in ["EQ-01", "EQ-02"] {
        watch.put(differs(name, "identity", "121"));
        watch.next.insert(name.into(), key(25, 90_000));
    }
    // Half a link would lead nowhere.
    let long = "é".repeat(70);
    watch.put(differs(&long, "identity", "121"));
    watch.next.insert(long.as_str().into(), key(25, 90_000));
    let several = data(&watch.pass().messages[0].body);
    let cards: Vec<&serde_json::Value> = several["opened"].as_array().unwrap().iter().map(|e| &e["card"]).collect();
    let link = |name: &str| json!(format!("https://ops.example/card/3f9a1c0b7d24e615?station={name}"));
    assert_eq!(cards, [&link("EQ-01"), &link("EQ-02"), &json!(null)]);
    assert_eq!(several["to_do"]["cards"], "the link at \"card\" of each station listed");
}

#[test]
fn what_is_to_do_adds_up_over_all_stations_shown_or_not_and_says_what_kind_of_work_it_is() {
    let mut watch = Watch::new();
    for nth in 0..900 {
        let name = format!("S-{nth:03}");
        watch.put(differs(&name, "identity", "121"));
        watch.next.insert(Name::from(&*name), if nth < 600 { key(20, 50_000) } else { Next::NoScript });
    }
    watch.put(station(
        "T-001",
        vec![],
        vec![lifeline("emergency", Service::Untested), lifeline("side", Service::Overdue)],
    ));
    watch.put(station("T-002", vec![setting("identity", Drift::Overdue, "1", "1")], vec![]));
    let verdict = watch.pass();
    let data = data(&verdict.messages[0].body);
    assert_eq!(
        data["to_do"],
        json!({"to_key": 600, "calls": 600, "presses": 12_000, "minutes": 500, "to_test": 2, "to_repair": 0, "to_decide": 0, "without_script": 300, "held": 0, "to_await": 0,
            "to_put_back": 0, "to_watch": 0, "work_list": "stationkeep script --all"})
    );
    let summary = data["summary"].as_str().unwrap();
    let told = "To do: key 600 stations (600 calls, 12000 keys, about 500 min), test 2 stations, see why 300 stations cannot be keyed.";
    assert!(summary.contains(told), "{summary}");
    let next = |name: &str| {
        let entries = data["opened"].as_array().unwrap();
        entries.iter().find(|entry| entry["station"] == name).map(|entry| entry["next"]["do"].clone())
    };
    // The heaviest come first, so these are shown.
    assert_eq!(next("T-001"), Some("make a test call of the emergency button and of the side button".into()));
    let mut watch = Watch::new();
    watch.put(station("T-002", vec![setting("identity", Drift::Overdue, "1", "1")], vec![]));
    let opened = watch.pass();
    assert_eq!(
        super::fixture::data(&opened.messages[0].body)["opened"][0]["next"],
        json!({"do": "key the overdue settings again", "command": "stationkeep script T-002 --renew"})
    );
    watch.put(aligned("T-002"));
    let closed = watch.pass();
    assert_eq!(super::fixture::data(&closed.messages[0].body)["closed"][0]["next"], json!(null));
}

#[test]
#[allow(clippy::too_many_lines, reason = "it is being redrawn")]
fn a_message_has_this_shape() {
    let mut watch = Watch::new();
    let mut primary = setting("emergency.primary", Drift::Differs, "9,01632960101", "9,01632960177");
    primary.contact = Some("control-room".into());
    watch.put(station("EQ-01", vec![primary], vec![lifeline("emergency", Service::Failed)]));
    watch.cause.files = vec!["inventory/fleet.yaml".into()];
    watch.next.insert("EQ-01".into(), key(25, 90_000));
    let verdict = watch.pass();
    let [message] = &verdict.messages[..] else { panic!("{verdict:?}") };
    let mut event = event(&message.body);
    assert_eq!(event["id"].take(), json!(message.id));
    let count = |stations, lifeline| json!({"stations": stations, "lifeline": lifeline, "locating": 0, "routine": 0});
    let none = count(0, 0);
    let expected = json!({
        "specversion": "1.0",
        "id": null,
        "source": "/stationkeep/skerry-coast-harbours",
        "type": "stationkeep.drift.v1",
        "subject": "EQ-01",
        "time": "2026-11-20T10:00:00Z",
        "datacontenttype": "application/json",
        "data": {
            "summary": "EQ-01: pressing the emergency button did not reach help (tested by tech-07). Put a stand-in there. \
                New drift at EQ-01 (East quay, EQ-01): emergency primary differs. To do: key 1 station (1 call, 25 keys, about 2 min). Caused by \
                inventory/fleet.yaml:12:5 (emergency primary, contact control-room, inventory/contacts.yaml:3:5). Fleet: 1 out-of-service, 9 aligned.",
            "severity": "critical",
            "buttons": {"failed": 1, "dead": 0, "stations": 1, "unsure": 0},
            "many": false,
            "counts": {"opened": count(1, 1), "grown": none, "unwatched": none, "withdrawn": none, "still_open": none,
                "eased": none, "returned": none, "watched": none, "closed": none},
            "cause": {
                "started": false,
                "inventory": [{"at": "inventory/fleet.yaml:12:5", "setting": "emergency.primary",
                    "contact": "control-room", "contact_at": "inventory/contacts.yaml:3:5", "stations": 1}],
                "inventory_left_out": 0, "unwatched": [], "unwatched_left_out": 0, "reports": [], "reports_left_out": 0,
                "files": ["inventory/fleet.yaml"], "files_left_out": 0,
                "overdue": 0, "withdrawn": 0, "heard_late": 0
            },
            "to_do": {"to_key": 1, "calls": 1, "presses": 25, "minutes": 2, "to_test": 0, "to_repair": 0, "to_decide": 0, "without_script": 0, "held": 0, "to_await": 0,
                "to_put_back": 0, "to_watch": 0, "work_list": "stationkeep script --all"},
            "set_aside": {"stations": 0, "whole": 0, "begun": [], "over": [], "left_out": 0},
            "sites": [{"site": "east-quay", "stations": 1}],
            "sites_left_out": 0,
            "on_record": 34, "totals": {"out-of-service": 1, "adrift": 0, "in-doubt": 0, "unproven": 0, "untested": 0, "overdue": 0,
                "aligned": 9},
            "weights": count(10, 1),
            "opened": [{
                "station": "EQ-01", "site": "east-quay", "where": "East quay, EQ-01",
                "standing": "out-of-service", "weight": "lifeline", "severity": "critical",
                "settings": [{"setting": "emergency.primary", "drift": "differs", "weight": "lifeline",
                    "wanted": "9,01632960101", "confirmed": "9,01632960177",
                    "wanted_at": "inventory/fleet.yaml:12:5", "contact": "control-room"}],
                "lifelines": [{"lifeline": "emergency", "title": "the emergency button", "service": "failed",
                    "meaning": "pressing the emergency button did not reach help (tested by tech-07)", "by": "tech-07"}],
                "key": "Skerry Coast Harbours/EQ-01",
                "stand_in": "Put a stand-in there until a test call reaches help.",
                "next": {"do": "key its script", "command": "stationkeep script EQ-01", "calls": 1, "presses": 25, "minutes": 2},
                "since": "2026-11-20T10:00:00Z"
            }],
            "grown": [], "unwatched": [], "withdrawn": [], "still_open": [], "eased": [], "returned": [], "watched": [],
            "closed": [],
            "left_out": {"opened": 0, "grown": 0, "unwatched": 0, "withdrawn": 0, "still_open": 0, "eased": 0,
                "returned": 0, "watched": 0, "closed": 0},
            "rest": "stationkeep drift",
            "key": "Skerry Coast Harbours/EQ-01"
        }
    });
    assert_eq!(event, expected);
    let order =
        ["\"specversion\"", "\"id\"", "\"data\"", "\"summary\"", "\"opened\""].map(|key| message.body.find(key));
    assert!(order.is_sorted(), "a person reading along meets the sentence early");
}

#[test]
fn a_closing_says_what_it_was_and_since_when() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "identity", "121"));
    watch.pass();
    watch.minutes(45);
    watch.report("EQ-01");
    watch.report("EQ-02");
    watch.put(aligned("EQ-01"));
    let data = data(&watch.pass().messages[0].body);
    assert_eq!(
        data["closed"],
        json!([{"station": "EQ-01", "key": "Skerry Coast Harbours/EQ-01", "site": "east-quay",
            "where": "East quay, EQ-01", "standing": "aligned",
            "weight": null, "severity": null, "settings": [], "lifelines": [], "since": "2026-11-20T10:00:00Z",
            "was": {"standing": "adrift", "weight": "locating", "settings": ["identity"]}}])
    );
    assert_eq!(data["counts"]["closed"]["locating"], 1);
    assert_eq!(data["summary"], "Aligned again: EQ-01 (East quay, EQ-01). Fleet: 10 aligned.");
    let reports = json!([{"report": "00000000-0000-0000-0000-000000000007", "station": "EQ-01", "by": "tech-07"}]);
    assert_eq!(data["cause"]["reports"], reports, "only of the stations it tells of");
}

#[test]
fn a_withdrawal_says_where_it_was_in_which_file_what_is_lost_and_what_to_do() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "identity", "121"));
    watch.pass();
    watch.take("EQ-01");
    watch.take("EQ-02");
    let both = data(&watch.pass().messages[0].body);
    for (entry, since, was) in [
        (&both["withdrawn"][0], json!("2026-11-20T10:00:00Z"), json!("adrift")),
        (&both["withdrawn"][1], json!(null), json!(null)),
    ] {
        let name = entry["station"].as_str().unwrap();
        assert_eq!((&entry["site"], &entry["where"]), (&json!("east-quay"), &json!(format!("East quay, {name}"))));
        assert_eq!((&entry["standing"], &entry["weight"]), (&json!(null), &json!("lifeline")));
        assert_eq!(entry["file"], "inventory/sites/east-quay.yaml");
        assert!(entry["next"]["do"].as_str().unwrap().starts_with("put it back into the inventory, or take the unit"));
        assert_eq!((&entry["since"], &entry["was"]["standing"]), (&since, &was));
    }
    assert_eq!((&both["cause"]["withdrawn"], &both["counts"]["withdrawn"]["lifeline"]), (&json!(2), &json!(2)));
    watch.take("EQ-03");
    let one = data(&watch.pass().messages[0].body);
    assert_eq!(
        one["summary"],
        "No longer in the inventory: EQ-03 (East quay, EQ-03), lifeline, last in inventory/sites/east-quay.yaml. \
         To do: put it back into the inventory, or take the unit down and say so to whoever answers its calls. \
         Fleet: 7 aligned."
    );
}

#[test]
fn a_station_that_is_set_aside_as_out_of_service_is_aligned_in_nothing_that_a_program_reads() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "identity", "121"));
    watch.pass();
    let out = StationDrift { set_aside: Extent::Whole, ..(*aligned("EQ-01")).clone() };
    watch.put(out.into());
    let data = data(&watch.pass().messages[0].body);
    let closed = &data["closed"][0];
    assert_eq!((&closed["standing"], &closed["set_aside"]), (&json!(null), &json!("whole")));
    assert_eq!((&data["set_aside"]["stations"], &data["set_aside"]["whole"]), (&json!(1), &json!(1)));
    assert!(
        data["totals"].as_object().unwrap().values().filter_map(|n| n.as_u64()).sum::<u64>()
            < watch.stations.len() as u64
    );
}

#[test]
fn what_is_set_aside_in_part_never_reads_as_aligned() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "identity", "121"));
    watch.pass();
    watch.put(StationDrift { set_aside: Extent::Settings, ..(*aligned("EQ-01")).clone() }.into());
    let data = data(&watch.pass().messages[0].body);
    assert_eq!((&data["closed"][0]["standing"], &data["closed"][0]["set_aside"]), (&json!(null), &json!("settings")));
    let first = "Right but for what is set aside: EQ-01 (East quay, EQ-01).";
    assert!(data["summary"].as_str().unwrap().starts_with(first), "{data}");
}

/// A pass with as much to say as there can be: many reasons, a held change, things set aside, a commit.
#[test]
fn what_to_do_stands_before_the_cause_and_no_command_or_link_is_cut_however_much_there_is_to_say() {
    let long = |text: &str, times| text.repeat(times);
    for (subject, place, times) in
        [("short", "inventory/fleet.yaml", 1), (&*long("subject ", 20), &*long("p/", 90), 30)]
    {
        let mut watch = Watch::new();
        watch.terms.address = Some("https://ops.example".into());
        watch.pass();
        for nth in 0..9 {
            let name = format!("EQ-{nth:02}");
            let mut drift = (*differs(&name, "emergency.primary", "1")).clone();
            drift.location = long("quay ", times).into();
            drift.settings[0].wanted_at.file = place.into();
            drift.settings[0].contact = Some(long("contact", times).into());
            drift.standing = Standing::OutOfService;
            drift.lifelines = vec![LifelineService {
                by: Some(long("tech-07 ", times).into()),
                because: Some(long("caller could not hear ", times).into()),
                ..lifeline("emergency", Service::Failed)
            }];
            watch.put(if nth < 3 { let_go(drift.into(), "line.kind", Some(4)) } else { drift.into() });
        }
        watch.take("EQ-09");
        watch.next.insert("EQ-04".into(), key(25, 90_000));
        let one = held("0123456789abcdef");
        let change = Change { limit: format!("{} ({place})", one.change.limit), ..(*one.change).clone() };
        watch.held = Some(Held { change: change.into(), ..one });
        let commit = Commit::new(&long("ab", 20), &long("author ", times), Some(watch.clock), subject);
        let new = NewCommit { commit: commit.into(), before: None, is_rewritten: false };
        watch.cause.commit = Some(new);
        let summary = data(&watch.pass().messages[0].body)["summary"].as_str().unwrap().to_owned();
        assert!(summary.len() <= 1_800, "{summary}");
        let first = "EQ-03: pressing the emergency button did not reach help (tested by tech-07";
        let all = "9 buttons at 9 stations did not reach help. Put a stand-in at each. ";
        assert!(summary.starts_with(first) && summary.contains(all), "{summary}");
        let to_do = summary.find("To do: key 1 station (1 call, 25 keys, about 2 min), test 8 stations, put it back");
        let end = summary.find("say in the inventory what is wanted of what is no longer managed (3 stations).");
        assert!(to_do.is_some() && end > to_do, "{summary}");
        for after in ["Caused by", "Commit abab", "Fleet:"] {
            assert!(summary.find(after).is_none_or(|at| Some(at) > end), "{after}: {summary}");
        }
        let link = "https://ops.example/card/3f9a1c0b7d24e615?station=EQ-04";
        assert!(!summary.contains("https") || summary.contains(link), "{summary}");
        let release = "stationkeep release 0123456789abcdef --by NAME --why TEXT.";
        assert!(!summary.contains("stationkeep release") || summary.contains(release), "{summary}");
        if times == 1 {
            let whole = [link, release, "Commit abab", "Caused by", "Fleet: 9 out-of-service."];
            assert!(whole.iter().all(|part| summary.contains(part)), "{summary}");
        }
    }
    let commit = Commit::new("ab12", "Morag", None, &"s".repeat(200));
    assert!(commit.briefly().chars().filter(|sign| *sign == 's').count() < 60, "{}", commit.briefly());
}

#[test]
fn one_line_behind_many_stations_is_named_once_with_their_number() {
    let mut watch = Watch::new();
    for nth in 0..6 {
        let mut drift = (*differs(&format!("EQ-{nth:02}"), "emergency.primary", "1")).clone();
        drift.settings[0].wanted_at = place("inventory/fleet.yaml", if nth < 4 { 20 } else { 8 });
        watch.put(drift.into());
    }
    // Their causes are a report and the clock, not a line.
    watch.report("EQ-06");
    watch.put(differs("EQ-06", "lamp.follows", "1"));
    watch.put(station("EQ-07", vec![setting("lamp.follows", Drift::Overdue, "1", "1")], vec![]));
    watch.put(station("EQ-08", vec![], vec![lifeline("emergency", Service::Overdue)]));
    watch.put(station("EQ-09", vec![setting("lamp.follows", Drift::Strayed, "1", "0")], vec![]));
    let verdict = watch.pass();
    let data = data(&verdict.messages[0].body);
    let lines: Vec<_> =
        data["cause"]["inventory"].as_array().unwrap().iter().map(|l| (&l["at"], &l["stations"])).collect();
    let (first, second) = (json!("inventory/fleet.yaml:20:5"), json!("inventory/fleet.yaml:8:5"));
    assert_eq!(lines, [(&first, &json!(4)), (&second, &json!(2))]);
    assert_eq!((&data["cause"]["overdue"], &data["many"]), (&json!(2), &json!(true)));
    assert_eq!(
        data["summary"],
        "Many at once. New drift at 10 stations (7 lifeline, 3 routine), first EQ-00 (East quay, EQ-00). \
         To do: test 10 stations. Caused by inventory/fleet.yaml:20:5 (emergency primary) and 1 other line. Fleet: 8 adrift, 2 overdue."
    );
    assert_eq!(event(&verdict.messages[0].body)["subject"], json!(null), "there is no one station it is about");
}

#[test]
fn only_what_is_new_at_a_station_has_a_cause() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "identity", "121"));
    watch.pass();
    let mut lamp = setting("lamp.follows", Drift::Differs, "1", "0");
    lamp.wanted_at = place("inventory/lamps.yaml", 4);
    watch.put(station("EQ-01", vec![setting("identity", Drift::Differs, "121", "1"), lamp], vec![]));
    let data = data(&watch.pass().messages[0].body);
    assert_eq!(data["cause"]["inventory"].as_array().unwrap().len(), 1);
    assert_eq!(data["cause"]["inventory"][0]["at"], "inventory/lamps.yaml:4:5");
}

#[test]
fn a_wanted_value_that_changed_names_its_line_whatever_else_happened() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "identity", "121"));
    watch.pass();
    watch.report("EQ-01");
    watch.put(differs("EQ-01", "identity", "122"));
    let data = data(&watch.pass().messages[0].body);
    assert_eq!(data["cause"]["inventory"][0]["setting"], "identity");
}

#[test]
fn the_heaviest_come_first_then_the_worst_then_by_site_and_name() {
    let mut watch = Watch::new();
    let overdue = |name| station(name, vec![setting("emergency.primary", Drift::Overdue, "1", "1")], vec![]);
    let mut elsewhere = (*differs("EQ-00", "emergency.primary", "1")).clone();
    elsewhere.site = "west-quay".into();
    for drift in [
        differs("EQ-01", "lamp.follows", "1"),
        overdue("EQ-02"),
        differs("EQ-05", "emergency.primary", "1"),
        differs("EQ-04", "emergency.primary", "1"),
        elsewhere.into(),
        differs("EQ-03", "identity", "1"),
    ] {
        watch.put(drift);
    }
    let order = ["EQ-04", "EQ-05", "EQ-00", "EQ-02", "EQ-03", "EQ-01"].map(|name| format!("on-call opened {name}"));
    assert_eq!(watch.heard(), order);
}

#[test]
fn what_an_entry_shows_of_doubt_and_ignorance_is_text() {
    let mut watch = Watch::new();
    let parts =
        vec![setting("identity", Drift::InDoubt, "121", "120"), setting("lamp.follows", Drift::Unproven, "", "")];
    watch.put(station("EQ-01", parts, vec![]));
    let data = data(&watch.pass().messages[0].body);
    let settings = &data["opened"][0]["settings"];
    assert_eq!(settings[0]["confirmed"], "(in doubt: 120 or 121)");
    assert_eq!((&settings[1]["wanted"], &settings[1]["confirmed"]), (&json!("\"\""), &json!("(unknown)")));
}

#[test]
fn the_list_of_reasons_is_that_of_the_message() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "identity", "121"));
    let data = data(&watch.pass().messages[0].body);
    for reason in Reason::ALL {
        assert!(data[reason.as_str()].is_array() && data["counts"][reason.as_str()].is_object());
    }
    assert_eq!(Weight::ALL.map(|weight| data["weights"][weight.as_str()].as_u64()), [Some(0), Some(1), Some(0)]);
}

#[test]
fn a_change_that_is_held_is_in_every_message_with_its_numbers_and_the_command() {
    let mut watch = Watch::new();
    let held = held("0123456789abcdef");
    let release = "stationkeep release 0123456789abcdef --by NAME --why TEXT";
    watch.next.insert("EQ-01".into(), Next::Held { release: held.change.release(), to_repair: false });
    watch.held = Some(held);
    watch.put(differs("EQ-01", "emergency.primary", "1"));
    let opened = data(&watch.pass().messages[0].body);
    watch.minutes(60);
    let reminded = data(&watch.pass().messages[0].body);
    for (data, list) in [(opened, "opened"), (reminded, "still_open")] {
        let expected = json!({"change": "0123456789abcdef", "altered": 12, "held": 10, "handed_out": 0, "on_record": 34,
            "limit": "30 % (brake.share, stationkeep.yaml:12)", "list": "stationkeep release 0123456789abcdef",
            "release": release});
        assert_eq!(data["held"], expected);
        assert_eq!(data["to_do"]["held"], 10);
        assert_eq!(data[list][0]["next"]["command"], release);
        assert!(
            data["summary"].as_str().unwrap().contains("To do: release the change that holds 10 scripts"),
            "{data}"
        );
    }
}

#[test]
fn a_station_of_which_only_something_else_is_wanted_is_not_said_to_be_worse() {
    let mut watch = Watch::new();
    watch.put(differs("EQ-01", "emergency.primary", "5"));
    watch.pass();
    for (wanted, said) in [("6", "Another value is wanted at EQ-01"), ("5", "Another value is wanted at EQ-01")] {
        watch.put(differs("EQ-01", "emergency.primary", wanted));
        let told = data(&watch.pass().messages[0].body);
        assert!(told["summary"].as_str().unwrap().starts_with(said) && told["grown"].is_array(), "{told}");
    }
    watch.put(differs("EQ-02", "identity", "5"));
    watch.pass();
    let both =
        vec![setting("identity", Drift::Differs, "6", "1"), setting("emergency.primary", Drift::Differs, "6", "1")];
    watch.put(station("EQ-02", both, Vec::new()));
    let told = data(&watch.pass().messages[0].body);
    assert!(told["summary"].as_str().unwrap().starts_with("Worse at EQ-02"), "{told}");
}
