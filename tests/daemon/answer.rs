//! The answer to a report says what came of it, to people and to programs.

use serde_json::Value;

use super::fleet::{CODE, Fleet, NEW_OFFICER, OFFICER, SIGNING, fleet_yaml, uuid};
use super::receiver::Receiver;
use super::sample::sample;

fn report(fleet: &Fleet, rest: &str) -> (String, String) {
    let id = uuid(fleet.number());
    let text = format!("report: 1\nid: {id}\nstation: SP-01\nat: 2020-03-03T09:00:00Z\nby: tech-03\n{rest}");
    fleet.write(&format!("{id}.yaml"), &text);
    (id.clone(), format!("{id}.yaml"))
}

fn texts(list: &Value) -> Vec<&str> {
    list.as_array().into_iter().flatten().filter_map(Value::as_str).collect()
}

#[test]
fn a_report_is_answered_with_what_it_changed_what_it_could_not_use_and_what_is_missing() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let left =
        "left: {emergency.primary: \"01632960101\", line.kind: direct, access: {secret: \"file:secrets/gone\"}}\n";
    let (id, file) = report(&fleet, left);
    let said = fleet.run(&["report", &file, "--format", "json"]).ended(0);
    let json: Value = serde_json::from_str(&said.out).expect("one object");
    assert_eq!((&json["id"], &json["outcome"]), (&id.as_str().into(), &"recorded".into()));
    let consequences = texts(&json["consequences"]);
    for expected in ["Emergency primary is now known: 01632960101.", "Line kind is now known: direct."] {
        assert!(consequences.contains(&expected), "{consequences:?}");
    }
    let unread = "The code behind file:secrets/gone cannot be read here";
    assert!(consequences.iter().any(|one| one.starts_with(unread)), "{consequences:?}");
    let missing = texts(&json["missing"]);
    assert!(missing.contains(&"A test call of \"the emergency button\"."), "{missing:?}");
    assert!(missing.contains(&"Unknown: identity, gate seconds."), "{missing:?}");
    // Again: nothing new, and what is missing still is.
    let said = fleet.run(&["report", &file, "--format", "json"]).ended(0);
    let again: Value = serde_json::from_str(&said.out).expect("one object");
    assert_eq!((&again["id"], &again["outcome"]), (&id.as_str().into(), &"duplicate".into()));
    assert_eq!(again["missing"], json["missing"]);
    // For people, and never a code.
    let test = "left: {identity: \"21\", gate.seconds: 7, access: {secret: \"file:secrets/access\"}}\n\
                tests: [{lifeline: emergency, outcome: reached, contact: control-room}]\n";
    let (_, file) = report(&fleet, test);
    let said = fleet.run(&["report", &file]).ended(0);
    assert!(
        said.out
            .contains("Access is now the code behind file:secrets/access. It was the code behind file:secrets/gone."),
        "{said:?}"
    );
    assert!(said.out.contains("The test call of \"the emergency button\" reached help."), "{said:?}");
    assert!(said.out.contains("SP-01 was adrift and is now aligned."), "{said:?}");
    assert!(!said.out.contains("Still missing") && !said.out.contains(CODE), "{said:?}");
}

#[test]
fn each_file_has_its_answer_and_a_rejected_one_its_reasons() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let (_, good) = report(&fleet, "left: {gate.seconds: 7}\n");
    let (_, bad) = report(&fleet, "left: {no.such: 7}\n");
    let said = fleet.run(&["report", "--format", "json", &bad, "not-there.yaml", &good]).ended(2);
    let lines: Vec<Value> = said.out.lines().map(|line| serde_json::from_str(line).expect("an object")).collect();
    let outcomes: Vec<&str> = lines.iter().filter_map(|line| line["outcome"].as_str()).collect();
    assert_eq!(outcomes, ["refused", "refused", "recorded"]);
    assert!(texts(&lines[0]["reasons"])[0].contains("no.such"), "{said:?}");
    assert!(texts(&lines[1]["reasons"])[0].contains("not-there.yaml"), "{said:?}");
}

#[test]
fn a_failed_test_is_answered_with_what_it_means() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let (_, file) = report(&fleet, "tests: [{lifeline: emergency, outcome: failed}]\n");
    let said = fleet.run(&["report", &file]).ended(0);
    assert!(said.out.contains("did not reach help. Keep a stand-in until a test call does."), "{said:?}");
    assert!(said.out.contains("is now out-of-service."), "{said:?}");
}

#[test]
fn many_files_are_answered_each_for_itself() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let files: Vec<String> =
        [7, 9].map(|seconds| report(&fleet, &format!("left: {{gate.seconds: {seconds}}}\n")).1).into();
    let said = fleet.run(&["report", "--format", "json", &files[0], &files[1]]).ended(0);
    let lines: Vec<Value> = said.out.lines().map(|line| serde_json::from_str(line).expect("an object")).collect();
    assert!(texts(&lines[0]["consequences"]).contains(&"Gate seconds is now known: 7."), "{said:?}");
    let second = "Gate seconds is now 9. It was 7.";
    assert!(texts(&lines[1]["consequences"]).contains(&second), "{said:?}");
}

#[test]
fn what_a_correction_corrects_and_what_is_odd_about_a_call_is_said_by_report_and_by_history_alike() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let (_, held) = report(&fleet, "left: {emergency.primary: \"01632960109\", line.kind: direct}\n");
    fleet.run(&["report", &held]).ended(0);
    let test = "tests: [{lifeline: emergency, outcome: reached, contact: control-room}]\n";
    let missing = "corrects: 019a6c1e-8f00-7000-8000-00000000beef\n";
    let (_, file) = report(&fleet, &format!("{test}{missing}"));
    let said = fleet.run(&["report", &file]).ended(0).out;
    let odd = "control-room is dialled as 01632960101, and the number on record is 01632960109";
    assert!(said.contains(odd), "{said}");
    assert!(
        said.contains("This corrects report 019a6c1e-8f00-7000-8000-00000000beef, which is not on record yet."),
        "{said}"
    );
    let history = fleet.run(&["history", "SP-01"]).ended(0).out;
    assert!(history.contains(odd) && history.contains("which is not on record here yet"), "{history}");
}

/// SP-02 calls the duty officer. Its test of before an edit reached the number that the officer had then.
#[test]
fn a_report_that_comes_after_an_edit_of_its_contact_strays_nothing_and_says_why() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    fleet.drift();
    fleet.write("config/inventory/fleet.yaml", &fleet_yaml(NEW_OFFICER));
    fleet.drift();
    let test = |id: u32, at: &str| {
        let text = format!(
            "report: 1\nid: {}\nstation: SP-02\nat: {at}\nby: t\n\
             tests: [{{lifeline: emergency, outcome: reached, contact: duty-officer}}]\n",
            uuid(id)
        );
        fleet.write("late.yaml", &text);
        fleet.run(&["report", "late.yaml"]).ended(0).out
    };
    let held = || fleet.run(&["drift", "SP-02", "--format", "json"]).json()["stations"][0]["settings"][0].clone();
    let said = test(901, "2020-03-03T09:00:00Z");
    assert!(said.contains("The contact was edited after the test, so nothing is taken for changed."), "{said}");
    assert_eq!((&held()["drift"], &held()["confirmed"]), (&"differs".into(), &"07700900177".into()), "{OFFICER}");
    // A test of after the edit does tell.
    let now = jiff::Timestamp::now().to_string();
    assert!(test(902, &now).contains("dialled as 07700900142"));
    assert_eq!(held()["drift"], "strayed");
}

/// EQ-03's own identity, heard by who meant to ring EQ-02: what is keyed there is keyed into EQ-03.
#[test]
fn where_another_station_answered_nothing_is_believed_and_the_card_asks_until_the_station_is_recognised() {
    let fleet = sample();
    let send = |rest: &str, at: &str| {
        let id = uuid(fleet.number());
        let text = format!("report: 1\nid: {id}\nstation: EQ-02\nat: 2026-11-{at}Z\nby: tech-07\n{rest}");
        fleet.write("report.yaml", &text);
        fleet.run(&["report", "report.yaml"]).ended(0).out
    };
    let asks = || {
        let card = fleet.run(&["script", "EQ-02"]).ended(0).out;
        let plain = card.split_whitespace().collect::<Vec<_>>().join(" ");
        (plain.contains("WARNING: is it this station that answers? When it was last rung, 103 was heard"), card)
    };
    assert!(!asks().0);
    let said = send("found: {identity: \"103\"}\nleft: {gate.seconds: 9}\n", "25T09:00:00");
    assert!(said.contains("103 is the identity of EQ-03: did EQ-03 answer?"), "{said}");
    assert!(said.contains("Identity is in doubt: 102 or 103."), "{said}");
    let (is_asked, card) = asks();
    assert!(is_asked && card.contains("found:\n  identity: null\n"), "{card}");
    // A note alone settles nothing, an unfilled gap neither; what it says of itself does.
    for (rest, at, is_asked) in [
        ("note: I think it was the right one\n", "25T09:10:00", true),
        ("found: {identity: null}\n", "25T09:20:00", true),
        ("found: {identity: \"102\"}\n", "25T09:30:00", false),
    ] {
        send(rest, at);
        assert_eq!(asks().0, is_asked, "{rest}");
    }
}

/// A correction of a correction is not possible; the way that is offered instead leads to what is true.
#[test]
fn the_way_that_a_correction_of_a_correction_is_offered_leads_to_what_is_true() {
    let fleet = Fleet::new(&Receiver::start(SIGNING));
    let send = |nth: u32, seconds: u32, corrects: Option<u32>| {
        let corrects = corrects.map(|id| format!("corrects: {}\n", uuid(id))).unwrap_or_default();
        let text = format!(
            "report: 1\nid: {}\nstation: SP-01\nat: 2020-03-03T09:{:02}:00Z\nby: tech-03\nleft: {{gate.seconds: {seconds}}}\n{corrects}",
            uuid(nth),
            nth % 60
        );
        fleet.write("report.yaml", &text);
        fleet.run(&["report", "report.yaml"])
    };
    send(901, 8, None).ended(0);
    send(902, 9, Some(901)).ended(0);
    let refused = send(903, 7, Some(902)).ended(2).err;
    let way = format!("Send what is true with a new id and the line: corrects: {}.", uuid(901));
    assert!(refused.contains(&way), "{refused}");
    let said = send(904, 7, Some(901)).ended(0).out;
    assert!(
        said.contains(&format!("Report {} corrected it before, and no longer counts either.", uuid(902))),
        "{said}"
    );
    let drift = fleet.run(&["drift", "SP-01", "--format", "json"]).json();
    let settings = drift["stations"][0]["settings"].as_array().expect("a list");
    assert!(!settings.iter().any(|one| one["setting"] == "gate.seconds"), "{drift}");
    let history = fleet.run(&["history", "SP-01"]).ended(0).out;
    let beaten = format!("no longer counts: report {} corrects the same report and counts instead", uuid(904));
    assert!(history.contains(&beaten), "{history}");
}
