//! What went wrong before: cards, drift and the work list say it until it is known to be right.

use super::*;
use crate::drift;
use crate::script::worklist::{Due, Errand, Laid, WorkList};

const RULES: Rules = Rules { reconfirm_days: 365, require_tests: true };

/// A report of this minute on a script.
fn of(minute: u32, script: &Script, heard: Heard, outcome: Option<Outcome>) -> Report {
    let steps = script.calls.iter().flat_map(|call| &call.steps).count();
    let test = |outcome| Test { lifeline: "emergency".into(), outcome, contact: None, dialled: None };
    Report {
        id: Uuid::from_u128(minute.into()),
        at: format!("2026-11-21T00:{minute:02}:00Z").parse().unwrap(),
        script: Some(script.digest.clone()),
        steps: (1..).zip(vec![heard; steps]).collect(),
        tests: outcome.map(test).into_iter().collect(),
        ..report("")
    }
}

/// The card, what drift says, and the work list.
fn said(station: &Arc<Station>, record: &Record) -> [String; 3] {
    let script = there(station, record).unwrap().expect("a card");
    let card = card::Card::of(&script, station, &codes(), None, Uuid::nil());
    let drift = look(station, record, RULES, "2026-11-22T00:00:00Z".parse().unwrap());
    let text = drift::text(&drift, station, record);
    let due = Due::Keying(Laid { script: Box::new(script), codes: codes() });
    let list = WorkList::new(vec![Errand { station: station.clone(), drift, due }], 0, None);
    let list = list.text(|_, _| String::new());
    [card::text(&card), text, list].map(|text| text.split_whitespace().collect::<Vec<_>>().join(" "))
}

#[test]
fn after_a_way_back_that_worked_all_say_that_a_test_call_failed_with_what_is_wanted() {
    let station = station(TERN, ALL_WANTED);
    let held = report(&ALL_HELD.replace("960101", "960177"));
    let first = there(&station, &fold(&station.keybook, [&held], |_| None)).unwrap().expect("a script");
    let mut reports = vec![held, of(10, &first, Heard::Accepted, Some(Outcome::Failed))];
    let mut all = vec![issued(&first, Timestamp::UNIX_EPOCH)];
    let record = |reports: &[Report], all: &[crate::ledger::Issued]| {
        fold(&station.keybook, reports, |digest| all.iter().find(|one| one.digest == *digest))
    };
    let known = record(&reports, &all);
    let back = written(&station, &known, &codes(), Way::Back, &mut Memory::default()).unwrap().expect("a way back");
    reports.push(of(20, &back, Heard::Accepted, Some(Outcome::Reached)));
    all.push(issued(&back, Timestamp::UNIX_EPOCH));
    let [card, drift, list] = said(&station, &record(&reports, &all));
    let failed =
        "a test call of the emergency button failed on 2026-11-21 00:10 UTC (tech-07). Find out why before you key it";
    assert!(card.contains(&format!("WARNING: with what this card stores, {failed}.")), "{card}");
    assert!(drift.contains(&format!("With what is wanted now, {failed}.")), "{drift}");
    assert!(list.contains(&format!("! With what is wanted now, {failed}")), "{list}");
    // Once a test call reaches help with it, nobody speaks of it.
    let again = there(&station, &record(&reports, &all)).unwrap().expect("a card");
    all.push(issued(&again, Timestamp::UNIX_EPOCH));
    reports.push(of(30, &again, Heard::Accepted, Some(Outcome::Reached)));
    let drift = look(&station, &record(&reports, &all), RULES, "2026-11-22T00:00:00Z".parse().unwrap());
    assert_eq!(drift.setbacks, []);
}

#[test]
fn a_step_that_was_refused_is_said_until_something_is_made_known_of_what_it_stores() {
    let station = station(TERN, ALL_WANTED);
    let held = report(&ALL_HELD.replace("\"121\"", "\"120\""));
    let script = there(&station, &fold(&station.keybook, [&held], |_| None)).unwrap().expect("a script");
    let issued = issued(&script, Timestamp::UNIX_EPOCH);
    let record =
        |reports: &[Report]| fold(&station.keybook, reports, |digest| (*digest == issued.digest).then_some(&issued));
    let mut reports = vec![held, of(10, &script, Heard::Refused, None)];
    let [card, drift, list] = said(&station, &record(&reports));
    let refused =
        "on 2026-11-21 00:10 UTC (tech-07). If it refuses it again, the record or the keybook is wrong: tell ops";
    let lead = format!("EQ-01 WARNING: the station refused step 1 (identity) of this card {refused}.");
    assert!(card.starts_with(&lead), "it stands first: {card}");
    for text in [drift, list] {
        assert!(text.contains(&format!("The station refused a step that changes the identity {refused}")), "{text}");
    }
    // Nothing heard makes nothing known, and what was found does.
    reports.push(of(20, &script, Heard::Nothing, None));
    assert!(said(&station, &record(&reports)).iter().all(|text| text.contains("refused")));
    let found = Report {
        id: Uuid::from_u128(30),
        at: "2026-11-21T00:30:00Z".parse().unwrap(),
        found: report("identity: \"119\"").left,
        ..report("")
    };
    reports.push(found);
    assert!(said(&station, &record(&reports)).iter().all(|text| !text.contains("station refused")));
}

#[test]
fn a_refused_step_is_no_setback_where_what_it_stores_is_not_wanted_or_is_held() {
    let wanted = station(TERN, ALL_WANTED);
    let held = report(&ALL_HELD.replace("\"121\"", "\"120\""));
    let script = there(&wanted, &fold(&wanted.keybook, [&held], |_| None)).unwrap().expect("a script");
    let issued = issued(&script, Timestamp::UNIX_EPOCH);
    let reports = [held, of(10, &script, Heard::Refused, None)];
    let record = fold(&wanted.keybook, &reports, |digest| (*digest == issued.digest).then_some(&issued));
    let setbacks = |wanted: &str| {
        let drift = look(&station(TERN, wanted), &record, RULES, "2026-11-22T00:00:00Z".parse().unwrap());
        drift.setbacks.len()
    };
    // Something else is to be keyed.
    let all = ALL_WANTED.replace("gate.seconds: 7", "gate.seconds: 9");
    assert_eq!(setbacks(&all), 1);
    for wanted in [all.replace("\"121\"", "\"120\""), all.replace("identity: \"121\", ", "")] {
        assert_ne!(wanted, all);
        assert_eq!(setbacks(&wanted), 0, "{wanted}");
    }
}

#[test]
fn a_button_that_nobody_knows_to_call_anyone_may_call_nobody_until_its_step_and_no_time_is_told() {
    let station = station(TERN, ALL_WANTED);
    let script = there(&station, &Record::blank(&station.keybook)).unwrap().expect("a script");
    let card = card::Card::of(&script, &station, &codes(), None, Uuid::nil());
    let first = "WARNING: the emergency button may call nobody now. Keep a stand-in at the station until a test call reaches help.";
    assert_eq!(card.lead[0], first);
    let caution = card.cautions.iter().find(|caution| caution.contains("call nobody")).expect("it is said");
    let is_until =
        caution.starts_with("Until step ") && caution.contains("is accepted the emergency button may call nobody");
    assert!(is_until && !caution.contains("for about"), "{caution}");
    let bare = card.calls[0].lines.iter().find_map(|line| line.bare.as_deref()).expect("it is said at the step");
    assert!(bare.starts_with("The emergency button may call nobody while"), "{bare}");
}

#[test]
fn only_the_first_stretch_began_before_the_card() {
    // The button is unknown at first, works after step 1, and is left uncovered again.
    let station = station(TERN, ALL_WANTED);
    let script = there(&station, &Record::blank(&station.keybook)).unwrap().expect("a script");
    let mut two = script.clone();
    let steps = two.calls[0].steps.len();
    assert!(steps > 3, "{steps}");
    for (at, step) in two.calls[0].steps.iter_mut().enumerate() {
        step.uncovered = if at == 1 { Vec::new() } else { vec!["emergency".into()] };
    }
    let card = card::Card::of(&two, &station, &codes(), None, Uuid::nil());
    let said: Vec<&String> = card.cautions.iter().filter(|caution| caution.contains("the emergency button")).collect();
    assert!(said[0].starts_with("Until step 1 is accepted"), "{said:?}");
    assert!(said[1].starts_with("From step 2 to step "), "{said:?}");
}
