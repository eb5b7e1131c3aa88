//! What a report is answered, beside what is on record already.

use std::sync::Arc;

use super::*;
use crate::inventory::{self, Inventory};
use crate::keybook::sample::{TERN, keybook};
use crate::ledger::{self, Digest, IssuedStep, LedgerLine, Visit, effect, line_of};
use crate::setting::Codes;
use crate::store::{Entry, EntryKind};

const DIGEST: &str = "3f9a1c0b7d24e615";

/// A station whose red button calls someone only from a line that is not a ring-down line. `more`: what else is said of it.
pub(in crate::fleet) fn station(more: &str) -> Arc<Station> {
    station_wanting("", more)
}

/// The same of which more is wanted.
fn station_wanting(wanted: &str, more: &str) -> Arc<Station> {
    let book = TERN.replace(
        "emergency: [line.kind, emergency.primary]",
        "emergency: {title: the red button, settings: [line.kind, emergency.primary], works: {line.kind: [direct, pbx], emergency.primary: filled}}",
    );
    let text = format!(
        "inventory: 1\ncontacts: {{help: {{calls: \"+441632960101\"}}}}\nsites:\n  quay:\n    line: {{kind: pbx, outside: \"9,\", country: GB}}\n    \
         stations:\n      EQ-01: {{number: \"+441632960121\", model: tern-2, settings: {{emergency.primary: {{to: help}}{wanted}}}{more}}}\n"
    );
    let (raw, findings) = inventory::read(&"i.yaml".into(), text.as_bytes());
    assert!(findings.is_empty(), "{findings:#?}");
    let books = [(Name::from("tern-2"), keybook(&book))].into();
    let (all, findings): (Inventory, _) = inventory::resolve(&[Arc::new(raw)], &books, &Codes::default());
    assert!(!findings.iter().any(crate::finding::Finding::is_error), "{findings:#?}");
    all.stations["EQ-01"].clone()
}

pub(in crate::fleet) fn report(nth: u32, rest: &str) -> Report {
    let text = format!(
        "report: 1\nid: 019a6c1e-8f00-7000-8000-{nth:012}\nstation: EQ-01\nat: 2026-11-20T10:{nth:02}:00Z\nby: tech-07\n{rest}\n"
    );
    let mut report = ledger::read(&"r.yaml".into(), text.as_bytes()).expect("a report").0;
    report.number = Some("+441632960121".into());
    for test in &mut report.tests {
        test.dialled = test.contact.as_ref().map(|_| "9,01632960101".into());
    }
    report
}

pub(in crate::fleet) fn entries(lines: Vec<LedgerLine>) -> StationEntries {
    let mut entries = StationEntries::default();
    for (seq, line) in (1..).zip(&lines) {
        let (kind, id) = (EntryKind::Report, seq.to_string());
        let (station, body) = ("EQ-01".to_owned(), line_of(line));
        let entry = Entry { seq, kind, id, station, at_ms: 0, recorded_ms: 0, body, hash: String::new() };
        entries.add(&entry, None, "k").expect("a line");
    }
    entries
}

/// The answer to the last of some reports, beside other lines of the ledger.
fn answer(station: &Station, reports: &[Report], others: Vec<LedgerLine>) -> Answer {
    let lines = reports.iter().map(|report| LedgerLine::Report(Box::new(report.clone())));
    let entries = entries(lines.chain(others).collect());
    let last = reports.last().expect("a report");
    let rules = Rules { reconfirm_days: 365, require_tests: true };
    let now = "2026-11-20T12:00:00Z".parse().expect("a time");
    let known = entries.reports.iter().find(|known| known.id == last.id).expect("it is on record");
    came(known, station, &entries, (rules, now), Vec::new()).answer()
}

fn said(station: &Station, reports: &[Report]) -> String {
    answer(station, reports, Vec::new()).consequences.join("\n")
}

const HELD: &str = "left: {line.kind: pbx, emergency.primary: \"9,01632960101\", emergency.backup: \"\"}";
const REACHED: &str = "tests: [{lifeline: emergency, outcome: reached, contact: help}]";

#[test]
fn a_call_that_reached_help_by_a_button_that_calls_nobody_is_pointed_out() {
    let station = station("");
    let ringdown = "left: {line.kind: ringdown, emergency.primary: \"9,01632960101\"}";
    let odd = "The test call of \"the red button\" reached help. But by the record a press calls nobody: the record must be \
               wrong. Find out what line kind is and report it as found, or key the card.";
    let told = said(&station, &[report(1, ringdown), report(2, REACHED)]);
    assert!(told.contains(odd) && !told.contains("is confirmed"), "{told}");
    let told = said(&station, &[report(1, ringdown), report(2, &format!("found: {{line.kind: ringdown}}\n{REACHED}"))]);
    assert!(told.contains(odd) && !told.contains("is confirmed"), "{told}");
    let dead = said(&station, &[report(1, HELD), report(2, "found: {line.kind: ringdown}")]);
    assert!(dead.starts_with("The red button calls nobody now. Keep a stand-in until a test call"), "{dead}");
    // What the same report set right before its test call counts.
    let said = said(&station, &[report(1, ringdown), report(2, &format!("left: {{line.kind: pbx}}\n{REACHED}"))]);
    assert!(said.contains("reached help.") && !said.contains("But"), "{said}");
}

#[test]
fn a_call_by_a_button_that_the_inventory_says_is_not_there_is_pointed_out() {
    let station = station(", lifelines: {second: none}");
    let said = said(&station, &[report(1, HELD), report(2, "tests: [{lifeline: second, outcome: reached}]")]);
    assert!(said.contains("But by the inventory the station has no such button"), "{said}");
}

#[test]
fn a_contact_to_which_no_number_of_the_button_leads_is_pointed_out_and_the_number_is_no_longer_known() {
    let station = station("");
    let held = HELD.replace("9,01632960101", "9,01632960177");
    let said = said(&station, &[report(1, &held), report(2, REACHED)]);
    assert!(said.contains("Emergency primary is no longer known: it was shown not to be as recorded."), "{said}");
    assert!(said.contains("But help is dialled as 9,01632960101, and the number on record is 9,01632960177"), "{said}");
}

#[test]
fn a_correction_says_what_it_does_and_what_it_cannot_do_yet() {
    let station = station("");
    let wrong = report(2, "tests: [{lifeline: emergency, outcome: failed}]");
    let id = wrong.id;
    let mut right = report(3, REACHED);
    right.corrects = Some(id);
    let there = said(&station, &[report(1, HELD), wrong.clone(), right.clone()]);
    assert!(there.contains(&format!("Report {id} no longer counts, because this report corrects it.")), "{there}");
    assert!(there.contains("EQ-01 was out-of-service and is now"), "{there}");
    let counts = |reports: &[Report]| !answer(&station, reports, Vec::new()).no_effect;
    assert!(counts(&[report(1, HELD), wrong.clone(), right.clone()]));
    assert!(!counts(&[report(1, HELD), right.clone(), wrong.clone()]), "the correction came first");
    let alone = said(&station, &[report(1, HELD), right.clone()]);
    assert!(alone.contains(&format!("This corrects report {id}, which is not on record yet.")), "{alone}");
    let late = said(&station, &[report(1, HELD), right.clone(), wrong]);
    assert!(
        late.contains(&format!("This report no longer counts, because report {} corrects it.", right.id)),
        "{late}"
    );
}

#[test]
fn of_many_reports_each_is_answered_for_itself_and_the_same_whenever_it_is_asked() {
    let station = station("");
    let first = report(1, "left: {gate.seconds: 7}");
    let second = report(2, "left: {gate.seconds: 9}");
    assert_eq!(said(&station, std::slice::from_ref(&first)), "Gate seconds is now known: 7.");
    assert_eq!(said(&station, &[first.clone(), second.clone()]), "Gate seconds is now 9. It was 7.");
    // The earlier one, told after the later: it changes nothing any more.
    assert_eq!(said(&station, &[second, first]), "It changes nothing that is known about the station.");
}

#[test]
fn a_code_that_cannot_be_read_here_is_told_of_and_missed() {
    let station = station("");
    let reports = [report(1, "left: {access: {secret: \"file:gone\"}}")];
    let entries = entries(vec![LedgerLine::Report(Box::new(reports[0].clone()))]);
    let rules = Rules { reconfirm_days: 365, require_tests: true };
    let now = "2026-11-20T12:00:00Z".parse().expect("a time");
    let unread = vec![("file:gone".to_owned(), "no such file".to_owned())];
    let answer = came(&entries.reports[0], &station, &entries, (rules, now), unread).answer();
    let told = |list: &[String]| list.iter().any(|one| one.starts_with("The code behind file:gone"));
    assert!(told(&answer.consequences) && told(&answer.missing), "{answer:?}");
}

#[test]
fn a_failed_test_call_is_said_first_and_first_among_what_is_missing() {
    let station = station("");
    let failed = "left: {gate.seconds: 7}\ntests: [{lifeline: emergency, outcome: failed}]";
    let answer = answer(&station, &[report(1, HELD), report(2, failed)], Vec::new());
    assert!(
        answer.consequences[0].starts_with("The test call of \"the red button\" did not reach help."),
        "{answer:?}"
    );
    assert_eq!(answer.missing[0], "A test call of \"the red button\" that reaches help.");
}

#[test]
fn a_code_that_the_station_refused_is_named_by_where_it_is_kept_with_what_to_do() {
    let station = station_wanting(", access: {secret: \"file:wanted\"}", "");
    let document =
        serde_json::json!({"calls": [{"codes": [{"secret": "file:wanted", "fingerprint": "k:"}], "steps": []}]});
    let at = "2026-11-20T09:00:00Z".parse().expect("a time");
    let script =
        Issued { digest: DIGEST.parse().expect("a digest"), station: "EQ-01".into(), at, steps: Vec::new(), document };
    let refused = report(2, &format!("script: {DIGEST}\nopenings: [{{call: 1, heard: refused}}]"));
    let answer = answer(&station, &[report(1, HELD), refused], vec![LedgerLine::Script(Box::new(script))]);
    let first = "The station refused the code behind file:wanted as access.";
    assert_eq!(answer.consequences, [first], "{answer:?}");
    let missing = "No report says what access is. The station refused file:wanted on 2026-11-20 10:02 UTC \
                   (tech-07). No other code is on record. Ops must find out which one the station holds, and report it as \
                   \"found\".";
    assert!(answer.missing.iter().any(|one| one == missing), "{answer:?}");
}

#[test]
fn the_report_of_a_visit_says_that_it_is_over_and_which_steps_are_missing() {
    let station = station("");
    let value = |text: &str| effect(&Value::Digits(text.into()));
    let step =
        |number: u32, text: &str| IssuedStep { step: number, effects: [("identity".into(), value(text))].into() };
    let digest: Digest = DIGEST.parse().expect("a digest");
    let script = Issued {
        digest: digest.clone(),
        station: "EQ-01".into(),
        at: "2026-11-20T09:00:00Z".parse().expect("a time"),
        steps: vec![step(1, "120"), step(2, "121")],
        document: serde_json::json!({}),
    };
    let visit = Visit {
        id: report(7, "").id,
        script: digest,
        station: "EQ-01".into(),
        at: "2026-11-20T10:00:00Z".parse().expect("a time"),
        by: "tech-07".into(),
        number: None,
    };
    let others = || vec![LedgerLine::Script(Box::new(script.clone())), LedgerLine::Begun(Box::new(visit.clone()))];
    let own = report(7, &format!("script: {DIGEST}\nsteps: [{{step: 1, heard: accepted}}]"));
    let answer = answer(&station, &[own], others());
    assert!(
        answer.consequences.contains(&"The visit that tech-07 began at 2026-11-20 10:00 UTC is over.".to_owned()),
        "{answer:?}"
    );
    assert!(answer.missing.contains(&"Step 2 is not in the report. It counts as not keyed.".to_owned()), "{answer:?}");
    let is_known = |one: &String| one.starts_with("Identity is now known: 120.");
    assert!(answer.consequences.iter().any(is_known), "{answer:?}");
}

#[test]
fn a_failed_test_call_after_which_another_reached_help_asks_for_no_stand_in() {
    let station = station("");
    let failed = "tests: [{lifeline: emergency, outcome: failed}]";
    let late = said(&station, &[report(1, HELD), report(3, REACHED), report(2, failed)]);
    assert!(late.starts_with("The test call of \"the red button\" did not reach help. A later one did."), "{late}");
    assert!(!late.contains("stand-in"), "{late}");
    let both = "tests: [{lifeline: emergency, outcome: failed}, {lifeline: emergency, outcome: reached}]";
    let said = said(&station, &[report(1, HELD), report(2, both)]);
    assert!(!said.contains("stand-in"), "{said}");
}

#[test]
fn of_several_corrections_each_is_answered_by_whether_it_is_the_last() {
    let station = station("");
    let first = report(1, HELD);
    let correction = |nth: u32, seconds: u32| Report {
        corrects: Some(first.id),
        ..report(nth, &format!("left: {{gate.seconds: {seconds}}}"))
    };
    let (early, late) = (correction(2, 7), correction(3, 9));
    let told = said(&station, &[first.clone(), early.clone(), late.clone()]);
    for expected in [
        format!("Report {} no longer counts, because this report corrects it.", first.id),
        format!("Report {} corrected it before, and no longer counts either.", early.id),
        "Gate seconds is now 9. It was 7.".into(),
    ] {
        assert!(told.contains(&expected), "{told}");
    }
    let told = said(&station, &[first.clone(), late.clone(), early]);
    let beaten =
        format!("Report {} corrects report {} too and counts instead, so this one has no effect.", late.id, first.id);
    assert!(told.starts_with(&beaten) && !told.contains("Gate seconds"), "{told}");
}

#[test]
fn a_refused_step_is_said_with_what_the_station_holds_still() {
    let station = station("");
    let effects = [("line.kind".into(), effect(&Value::Choice("direct".into())))].into();
    let at = "2026-11-20T09:00:00Z".parse().expect("a time");
    let script = Issued {
        digest: DIGEST.parse().expect("a digest"),
        station: "EQ-01".into(),
        at,
        steps: vec![IssuedStep { step: 1, effects }],
        document: serde_json::json!({}),
    };
    let refused = report(2, &format!("script: {DIGEST}\nsteps: [{{step: 1, heard: refused}}]"));
    let answer = answer(&station, &[report(1, HELD), refused], vec![LedgerLine::Script(Box::new(script))]);
    let expected = "The station refused step 1 (line kind): it still holds pbx.";
    assert!(answer.consequences.iter().any(|one| one == expected), "{answer:?}");
}

#[test]
fn what_was_found_at_another_station_is_asked_about_and_what_was_keyed_there_is_in_doubt() {
    let station = station("");
    let mut other = report(2, "found: {identity: \"103\"}\nleft: {gate.seconds: 9}");
    other.elsewhere = [("identity".into(), "EQ-03".into())].into();
    let held = HELD.replace("left: {", "left: {identity: \"102\", gate.seconds: 7, ");
    let told = said(&station, &[report(1, &held), other]);
    let asked = "103 is the identity of EQ-03: did EQ-03 answer? What was found and keyed counts as in doubt. Ring EQ-01 \
                 again and listen which station answers.";
    for expected in [asked, "Identity is in doubt: 102 or 103.", "Gate seconds is in doubt: 7 or 9."] {
        assert!(told.contains(expected), "{told}");
    }
}

/// Titles of all settings, which no one could mistake for a name.
fn titled() -> Arc<Station> {
    let station = station("");
    let mut keybook = (*station.keybook).clone();
    for setting in &mut keybook.settings {
        setting.title = Some(format!("the title {}", setting.name.replace('.', " ")).into());
    }
    Arc::new(Station { keybook: Arc::new(keybook), ..(*station).clone() })
}

#[test]
fn no_answer_says_the_name_of_a_setting_that_has_a_title() {
    let station = titled();
    let ringdown = "left: {line.kind: ringdown, emergency.primary: \"9,01632960101\"}";
    let reports = [
        "unit: new",
        HELD,
        "found: {line.kind: ringdown, gate.seconds: 9}",
        ringdown,
        REACHED,
        "left: {emergency.primary: \"9,01632960177\", access: {secret: \"file:a\"}}",
        REACHED,
        "left: {identity: \"102\", gate.seconds: 7, lamp.follows: [emergency]}",
        "tests: [{lifeline: second, outcome: reached, contact: help}]",
    ];
    let all: Vec<Report> = (1..).zip(reports).map(|(nth, rest)| report(nth, rest)).collect();
    for end in 1..=all.len() {
        let Answer { consequences, missing, .. } = answer(&station, &all[..end], Vec::new());
        let text = consequences.iter().chain(&missing).cloned().collect::<Vec<_>>().join("\n");
        for setting in &station.keybook.settings {
            let bare = text.replace(&*setting.title().to_lowercase(), "").replace(&*sentence(&setting.title()), "");
            assert!(!bare.contains(&*setting.name), "{} in {text}", setting.name);
        }
    }
}
