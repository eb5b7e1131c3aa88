//! What is said of a station: by lifelines that are dead, failed, fallbacks or at another number, and by open visits.

use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use uuid::Uuid;

use super::*;
use crate::finding::minute;
use crate::inventory::Inventory;
use crate::keybook::sample::{TERN, keybook};
use crate::ledger::{Heard, Report, Test, fold, fold_with_visits};
use crate::setting::{Codes, Written};

const RULES: Rules = Rules { reconfirm_days: 365, require_tests: true };

/// A button that calls in one mode alone.
fn book() -> String {
    let mode =
        "  unit.mode: {kind: choice, values: {service: \"0\", setup: \"1\"}, factory: service, weight: lifeline}\n";
    TERN.replace("  line.kind:  ", &format!("{mode}  line.kind:  "))
        .replace(
            "emergency: [line.kind, emergency.primary]",
            "emergency: {settings: [line.kind, emergency.primary], works: {unit.mode: service, emergency.primary: filled}}",
        )
        .replace("commands:\n", "commands:\n  - {command: mode, keys: \"50{unit.mode}\"}\n")
}

fn inventory(stations: &[(&str, &str, &str)]) -> Inventory {
    let lines = stations.iter().map(|(name, number, rest)| {
        format!(
            "      {name}: {{number: \"+4416329601{number}\", model: tern-2, settings: {{line.kind: direct, \
             emergency.primary: \"01632960101\"{rest}}}}}\n"
        )
    });
    let text = format!("inventory: 1\nsites:\n  quay:\n    line: {{kind: direct, country: GB}}\n    stations:\n{}", {
        lines.collect::<String>()
    });
    let (raw, findings) = crate::inventory::read(&"i.yaml".into(), text.as_bytes());
    assert!(findings.is_empty(), "{findings:#?}");
    let books = [(Name::from("tern-2"), keybook(&book()))].into();
    let (inventory, findings) = crate::inventory::resolve(&[Arc::new(raw)], &books, &Codes::new(b"a key"));
    assert!(!findings.iter().any(crate::finding::Finding::is_error), "{findings:#?}");
    inventory
}

/// EQ-01, of which more may be wanted.
fn station(more: &str) -> Arc<Station> {
    inventory(&[("EQ-01", "21", more)]).stations["EQ-01"].clone()
}

fn at(minute: i64) -> Timestamp {
    Timestamp::from_second(1_800_000_000 + minute * 60).unwrap()
}

fn now() -> Timestamp {
    at(60)
}

/// A report of the given minute, kept with a number, of what was left: settings with texts, `|` before what is no number.
fn report(minute: i64, number: &str, left: &[(&str, &str)]) -> Report {
    let written = |value: &str| match value.strip_prefix('|') {
        Some(plain) => Written::Plain(plain.into()),
        None => Written::Quoted(value.into()),
    };
    let left = left.iter().map(|(name, value)| (Name::from(*name), written(value))).collect();
    Report {
        id: Uuid::from_u128(minute.unsigned_abs().into()),
        station: "EQ-01".into(),
        at: at(minute),
        by: "tech-07".into(),
        unit: None,
        found: Default::default(),
        script: None,
        openings: Vec::new(),
        steps: Vec::new(),
        left,
        tests: Vec::new(),
        elsewhere: [].into(),
        corrects: None,
        note: None,
        fingerprints: Default::default(),
        number: Some(format!("+4416329601{number}").into()),
    }
}

fn as_wanted(minute: i64) -> Report {
    let left = [("line.kind", "|direct"), ("emergency.primary", "01632960101"), ("unit.mode", "|service")];
    report(minute, "21", &left)
}

fn test(lifeline: &str, outcome: Outcome) -> Test {
    Test { lifeline: lifeline.into(), outcome, contact: None, dialled: None }
}

fn tested(minute: i64, lifeline: &str, outcome: Outcome) -> Report {
    Report { tests: vec![test(lifeline, outcome)], ..report(minute, "21", &[]) }
}

fn drift(station: &Station, reports: &[Report]) -> StationDrift {
    look(station, &fold(&station.keybook, reports, |_| None), RULES, now())
}

/// How it stands, its weight, and each lifeline with its service.
fn summed(drift: &StationDrift) -> (Standing, Option<Weight>, Vec<(String, Service)>) {
    let services = drift.lifelines.iter().map(|one| (one.name.to_string(), one.service));
    (drift.standing, drift.weight, services.collect())
}

fn is(standing: Standing, services: &[(&str, Service)]) -> (Standing, Option<Weight>, Vec<(String, Service)>) {
    let weight = (standing != Standing::Aligned).then_some(Weight::Lifeline);
    (standing, weight, services.iter().map(|(name, service)| ((*name).to_owned(), *service)).collect())
}

#[test]
fn a_button_that_the_record_calls_dead_is_out_of_service_since_that_report_whatever_was_tested() {
    let station = station("");
    let reports = [
        as_wanted(1),
        tested(2, "emergency", Outcome::Reached),
        report(3, "21", &[("unit.mode", "|setup")]),
        tested(4, "emergency", Outcome::Failed),
    ];
    assert_eq!(summed(&drift(&station, &reports[..2])), is(Standing::Aligned, &[("emergency", Service::Tested)]));
    for reports in [&reports[..3], &reports] {
        let drift = drift(&station, reports);
        assert_eq!(summed(&drift), is(Standing::OutOfService, &[("emergency", Service::Dead)]));
        let LifelineService { title, mark, by, because, .. } = &drift.lifelines[0];
        assert_eq!((&**title, mark.map(|mark| mark.at)), ("the emergency button", Some(at(3))));
        assert_eq!((by.as_deref(), because.as_deref()), (None, Some("\"unit mode\" is setup")));
    }
    // Nobody manages the mode: nothing drifts, and it is out of service all the same.
    assert!(drift(&station, &reports[..3]).settings.is_empty());
    // Nobody knows the number any more: the mode still calls nobody.
    let renewed = Report { unit: Some(crate::ledger::Unit::New), ..report(5, "21", &[("unit.mode", "|setup")]) };
    assert_eq!(drift(&station, &[as_wanted(1), renewed]).standing, Standing::OutOfService);
    // In service, with an unknown number, it is undecided.
    let undecided = Report { unit: Some(crate::ledger::Unit::New), ..report(5, "21", &[]) };
    let undecided = drift(&station, &[as_wanted(1), undecided]);
    assert_eq!(summed(&undecided), is(Standing::Unproven, &[("emergency", Service::Untested)]));
}

#[test]
fn a_button_that_reached_help_though_it_is_dead_by_the_record_says_that_the_record_must_be_wrong() {
    let station = station("");
    let setup = Report { id: Uuid::from_u128(70), ..report(2, "21", &[("unit.mode", "|setup")]) };
    let said = |reports: &[Report]| {
        let record = fold(&station.keybook, reports, |_| None);
        let drift = look(&station, &record, RULES, now());
        (drift.lifelines[0].because.as_ref().map(ToString::to_string), text(&drift, &station, &record))
    };
    let dead = [as_wanted(1), setup.clone()];
    assert!(!said(&dead).1.contains("must be wrong"));
    let before = [as_wanted(1), Report { at: at(0), ..tested(9, "emergency", Outcome::Reached) }, setup.clone()];
    assert!(!said(&before).1.contains("must be wrong"), "it worked before");
    let (because, text) = said(&[as_wanted(1), setup, tested(3, "emergency", Outcome::Reached)]);
    let at = minute(at(3));
    assert_eq!(
        because.as_deref(),
        Some(&*format!("\"unit mode\" is setup; a test call reached help at {at}, so the record must be wrong"))
    );
    assert!(text.contains("a press calls nobody since") && text.contains("the record must be wrong"), "{text}");
}

#[test]
fn a_failed_test_is_out_of_service_until_one_reaches_help_and_says_who_noted_what() {
    let station = station("");
    let mut failed = tested(3, "emergency", Outcome::Failed);
    failed.note = Some("caller could not\nhear; code 4711".into());
    let reports = [as_wanted(1), tested(2, "emergency", Outcome::Reached), failed.clone()];
    let out = drift(&station, &reports);
    assert_eq!(summed(&out), is(Standing::OutOfService, &[("emergency", Service::Failed)]));
    let LifelineService { mark, by, because, .. } = &out.lifelines[0];
    assert_eq!((mark.map(|mark| mark.at), by.as_deref()), (Some(at(3)), Some("tech-07")));
    assert_eq!(because.as_deref(), Some("caller could not hear; code …"));
    // Keyed again it is out of service still.
    let keyed = [&reports[..], &[as_wanted(4)]].concat();
    assert_eq!(drift(&station, &keyed).standing, Standing::OutOfService);
    let mended = drift(&station, &[&reports[..], &[tested(5, "emergency", Outcome::Reached)]].concat());
    assert_eq!(summed(&mended), is(Standing::Aligned, &[("emergency", Service::Tested)]));
    assert_eq!((&mended.lifelines[0].by, &mended.lifelines[0].because), (&None, &None));
    // Within one report in the order listed.
    failed.tests.push(test("emergency", Outcome::Reached));
    assert_eq!(drift(&station, &[as_wanted(1), failed]).standing, Standing::Aligned);
}

#[test]
fn a_fallback_that_is_dead_or_failed_is_adrift_and_never_out_of_service() {
    let wanted = station(", emergency.backup: \"5550\"");
    let all = |backup: &str| Report { left: report(1, "21", &[("emergency.backup", backup)]).left, ..as_wanted(1) };
    let both = |backup: &str| {
        let mut left = as_wanted(1);
        left.left.extend(all(backup).left);
        Report { tests: vec![test("emergency", Outcome::Reached)], ..left }
    };
    let services = |service| [("emergency", Service::Tested), ("second", service)];
    let dead = drift(&wanted, &[both("")]);
    assert_eq!(summed(&dead), is(Standing::Adrift, &services(Service::Dead)));
    assert!(!dead.lifelines[1].is_required);
    assert_eq!(dead.lifelines[1].because.as_deref(), Some("\"emergency backup\" is empty"));
    let untested = drift(&wanted, &[both("5550")]);
    assert_eq!(summed(&untested), is(Standing::Untested, &services(Service::Untested)));
    let failed = drift(&wanted, &[both("5550"), tested(2, "second", Outcome::Failed)]);
    assert_eq!(summed(&failed), is(Standing::Adrift, &services(Service::Failed)));
    let reached = drift(&wanted, &[both("5550"), tested(2, "second", Outcome::Reached)]);
    assert_eq!(summed(&reached), is(Standing::Aligned, &services(Service::Tested)));
}

#[test]
fn a_fallback_that_what_is_wanted_leaves_empty_is_out_of_use_and_neither_tracked_dead_nor_failed() {
    let only_button = is(Standing::Aligned, &[("emergency", Service::Tested)]);
    let mut known = as_wanted(1);
    known.tests = vec![test("emergency", Outcome::Reached)];
    let held = |backup: &str| {
        let left = report(2, "21", &[("emergency.backup", backup)]);
        Report { tests: vec![test("second", Outcome::Failed)], ..left }
    };
    // Wanted empty, and held so.
    assert_eq!(summed(&drift(&station(", emergency.backup: \"\""), &[known.clone(), held("")])), only_button);
    // Unmanaged, and known to be empty.
    assert_eq!(summed(&drift(&station(""), &[known.clone(), held("")])), only_button);
    // Unmanaged, and filled: in use.
    let in_use = drift(&station(""), &[known.clone(), held("5550")]);
    assert_eq!(summed(&in_use), is(Standing::Adrift, &[("emergency", Service::Tested), ("second", Service::Failed)]));
    // Wanted empty and held filled: what is wanted counts. The number drifts, the lifeline is out of use.
    let emptied = drift(&station(", emergency.backup: \"\""), &[known, held("5550")]);
    assert_eq!(summed(&emptied), is(Standing::Adrift, &[("emergency", Service::Tested)]));
    assert_eq!(emptied.settings.len(), 1);
}

#[test]
fn a_test_of_a_button_that_the_inventory_says_is_not_there_is_taken_and_pointed_out() {
    let without = station("}, lifelines: {emergency: none");
    let reports = [as_wanted(1), tested(2, "emergency", Outcome::Failed)];
    let record = fold(&without.keybook, &reports, |_| None);
    assert!(record.lifelines[0].failure.is_some());
    for outcome in [Outcome::Reached, Outcome::Failed] {
        for lifeline in ["emergency", "second"] {
            let odd = surprise(&without, &record, &test(lifeline, outcome)).unwrap();
            assert!(odd.starts_with("by the inventory the station has no such button"), "{odd}");
            assert_eq!(surprise(&station(""), &record, &test(lifeline, Outcome::Failed)), None);
        }
    }
    assert_eq!(summed(&drift(&without, &reports)), is(Standing::Aligned, &[]));
}

#[test]
fn stations_whose_numbers_were_swapped_are_untested_and_say_at_which_number_they_were_reported_on() {
    let of = |name: &str, number: &str, minute: i64| {
        let mut report = Report { station: name.into(), number: None, ..as_wanted(minute) };
        report.number = Some(format!("+4416329601{number}").into());
        report.tests = vec![test("emergency", Outcome::Reached)];
        report
    };
    let was = inventory(&[("EQ-01", "21", ""), ("EQ-02", "22", "")]);
    let swapped = inventory(&[("EQ-01", "22", ""), ("EQ-02", "21", "")]);
    for (name, own, other) in [("EQ-01", "21", "22"), ("EQ-02", "22", "21")] {
        let known = of(name, own, 1);
        let before = drift(&was.stations[name], std::slice::from_ref(&known));
        assert_eq!(summed(&before), is(Standing::Aligned, &[("emergency", Service::Tested)]));
        let station = &swapped.stations[name];
        let after = drift(station, std::slice::from_ref(&known));
        assert_eq!(summed(&after), is(Standing::Untested, &[("emergency", Service::Untested)]));
        assert_eq!(after.other_number.as_deref(), Some(&*format!("+4416329601{own}")));
        let record = fold(&station.keybook, std::slice::from_ref(&known), |_| None);
        let said = text(&after, station, &record);
        assert!(
            said.contains(&format!("it last answered at +4416329601{own}, and its number is +4416329601{other} now")),
            "{said}"
        );
        assert!(said.contains("was at another number: make a test call"), "{said}");
        assert_eq!(json(&after)["other_number"], format!("+4416329601{own}"));
        // A test call at the number of now settles it.
        let settled = drift(station, &[known.clone(), of(name, other, 2)]);
        assert_eq!((settled.standing, settled.other_number), (Standing::Aligned, None));
        // A report in which the station gave no answer does not.
        let noted = Report { tests: Vec::new(), left: Default::default(), ..of(name, other, 2) };
        let asked = drift(station, &[known.clone(), noted.clone()]);
        assert_eq!((asked.standing, asked.other_number.is_some()), (Standing::Untested, true));
        // Where it took its code, it is that station; what it was tested for at the other number is still to be tested.
        let opened = Report { steps: vec![(1, Heard::Accepted)], ..noted };
        let record = fold(&station.keybook, &[known, opened], |_| None);
        let untested = look(station, &record, RULES, now());
        assert_eq!((untested.standing, &untested.other_number), (Standing::Untested, &None));
        let said = text(&untested, station, &record);
        assert!(said.contains("was at another number: make a test call") && !said.contains("changed since"), "{said}");
    }
}

#[test]
fn a_visit_is_silent_from_24_hours_on_and_that_moment_changes_what_is_said() {
    let station = station("");
    let visit = Visit {
        id: Uuid::from_u128(9),
        script: "3f9a1c0b7d24e615".parse().unwrap(),
        station: "EQ-01".into(),
        at: at(5),
        by: "tech-07".into(),
        number: None,
    };
    let mut known = as_wanted(1);
    known.tests = vec![test("emergency", Outcome::Reached)];
    let record = fold_with_visits(&station.keybook, [&known], [&visit], |_| None);
    let moment = at(5) + SignedDuration::from_hours(24);
    let just_before = moment - SignedDuration::from_millis(1);
    for (time, is_silent) in [(at(5), false), (just_before, false), (moment, true)] {
        let drift = look(&station, &record, RULES, time);
        let (script, by) = (visit.script.clone(), visit.by.clone());
        assert_eq!(drift.begun, [Begun { visit: Uuid::from_u128(9), by, at: at(5), script, is_silent }], "{time}");
        let said = text(&drift, &station, &record);
        let yet = if is_silent { "no report in 24 hours" } else { "no report yet" };
        assert!(said.contains(&format!("tech-07 began to key script 3f9a1c0b7d24e615 on 2027-01-15 08:05 UTC: {yet}")));
        let next = next_change(&station, &record, RULES, time);
        assert_eq!(next == Some(moment), !is_silent, "{time}: {next:?}");
    }
}

/// The station without any wish for a setting.
fn unmanaged(station: &Station, name: &str) -> Station {
    let mut station = station.clone();
    let id = station.keybook.id(name).unwrap();
    station.wanted[id.index()] = None;
    station
}

#[test]
fn a_button_that_was_relied_on_never_vanishes_where_nobody_knows_its_number_any_more() {
    let station = unmanaged(&station(""), "emergency.primary");
    let untested = is(Standing::Untested, &[("emergency", Service::Untested)]);
    let known = [as_wanted(1), tested(2, "emergency", Outcome::Reached)];
    assert_eq!(summed(&drift(&station, &known)), is(Standing::Aligned, &[("emergency", Service::Tested)]));
    let mut elsewhere = tested(3, "emergency", Outcome::Reached);
    elsewhere.tests[0].contact = Some("island-warden".into());
    elsewhere.tests[0].dialled = Some("5550".into());
    let backup = report(3, "21", &[("emergency.backup", "")]);
    let elsewhere = Report { left: backup.left, ..elsewhere };
    let renewed = Report { unit: Some(crate::ledger::Unit::New), ..report(3, "21", &[("unit.mode", "|service")]) };
    for (lost, is_answered) in [(elsewhere, true), (renewed, false)] {
        let reports = [&known[..], &[lost]].concat();
        let lost = drift(&station, &reports);
        assert_eq!((summed(&lost), lost.weight), (untested.clone(), Some(Weight::Lifeline)));
        let record = fold(&station.keybook, &reports, |_| None);
        let said = text(&lost, &station, &record);
        // A call that someone has just answered called someone.
        let may = "lifeline emergency: a press may call nobody (nobody knows \"emergency primary\"); ";
        let answered = "lifeline emergency: someone else than on record answered its last test call on 2027-01-15: ";
        let called = lost.lifelines[0].elsewhere.as_ref().map(|one| &*one.called);
        assert_eq!(called, is_answered.then_some("the emergency button called the island warden"));
        assert_eq!([said.contains(may), said.contains(answered)], [!is_answered, is_answered], "{said}");
        assert!(!is_answered || !said.contains("changed since"), "{said}");
        // Someone said that it is out of service.
        let mut aside = station.clone();
        Arc::make_mut(&mut aside.for_now).aside = [station.keybook.id("emergency.primary").unwrap()].into();
        assert_eq!(summed(&drift(&aside, &reports)), is(Standing::Aligned, &[]));
    }
    // Of which nothing was ever known or tested, nobody asks.
    let never = Report { unit: Some(crate::ledger::Unit::New), ..report(3, "21", &[("unit.mode", "|service")]) };
    assert_eq!(summed(&drift(&station, &[never])), is(Standing::Aligned, &[]));
}

#[test]
fn a_test_call_that_someone_else_answered_is_old_news_once_something_of_the_button_changed() {
    let station = unmanaged(&station(""), "emergency.primary");
    let mut elsewhere = tested(3, "emergency", Outcome::Reached);
    elsewhere.tests[0].dialled = Some("5550".into());
    elsewhere.left = report(3, "21", &[("emergency.backup", "")]).left;
    let later = report(4, "21", &[("emergency.backup", "6")]);
    let reports = [as_wanted(1), elsewhere, later];
    let record = fold(&station.keybook, &reports[..2], |_| None);
    assert!(look(&station, &record, RULES, now()).lifelines[0].elsewhere.is_some());
    let record = fold(&station.keybook, &reports, |_| None);
    let drift = look(&station, &record, RULES, now());
    let said = text(&drift, &station, &record);
    let of_second = station.keybook.lifelines[0].settings.contains(&station.keybook.id("emergency.backup").unwrap());
    assert_eq!(drift.lifelines[0].elsewhere.is_some(), !of_second, "{said}");
    let moded = [&reports[..2], &[report(4, "21", &[("unit.mode", "|service"), ("line.kind", "|direct")])]].concat();
    let record = fold(&station.keybook, &moded, |_| None);
    assert!(look(&station, &record, RULES, now()).lifelines[0].elsewhere.is_none());
}

#[test]
fn a_test_of_a_dead_button_speaks_against_the_record_until_something_of_it_changes() {
    let station = station("");
    let setup = report(2, "21", &[("unit.mode", "|setup")]);
    let reached = tested(3, "emergency", Outcome::Reached);
    let said = |reports: &[Report]| {
        let record = fold(&station.keybook, reports, |_| None);
        let drift = look(&station, &record, RULES, now());
        assert_eq!(drift.lifelines[0].service, Service::Dead);
        text(&drift, &station, &record) + drift.lifelines[0].because.as_deref().unwrap_or_default()
    };
    let mut reports = vec![as_wanted(1), setup, reached];
    assert_eq!(said(&reports).matches("record must be wrong").count(), 2);
    // The wrong value is not confirmed by it.
    let record = fold(&station.keybook, &reports, |_| None);
    let mode = station.keybook.id("unit.mode").unwrap();
    assert_eq!(record.holding(mode).mark.map(|mark| mark.at), Some(at(2)));
    // Something else of it changed since: it is dead, and rightly so.
    let other = report(4, "21", &[("emergency.primary", "77")]);
    reports.push(other);
    assert!(!said(&reports).contains("record must be wrong"), "{}", said(&reports));
}

#[test]
fn a_mode_in_doubt_that_nobody_manages_leaves_the_button_untested() {
    let station = station("");
    let mut record = fold(&station.keybook, &[as_wanted(1)], |_| None);
    let mode = station.keybook.id("unit.mode").unwrap();
    let number = station.keybook.id("emergency.primary").unwrap();
    let station = unmanaged(&unmanaged(&station, "unit.mode"), "emergency.primary");
    record.settings[number.index()].state = State::Unknown;
    record.settings[mode.index()].state =
        State::InDoubt(["service", "setup"].map(|mode| Value::Choice(mode.into())).to_vec());
    assert_eq!(
        summed(&look(&station, &record, RULES, now())),
        is(Standing::Untested, &[("emergency", Service::Untested)])
    );
}

#[test]
fn what_is_set_aside_is_never_said_to_be_aligned() {
    let mut station = (*station("")).clone();
    station.wanted.fill(None);
    Arc::make_mut(&mut station.for_now).set_aside = Extent::Whole;
    let setup = report(2, "21", &[("unit.mode", "|setup")]);
    let reports = [as_wanted(1), setup];
    let dead = drift(&station, &reports);
    assert_eq!(json(&dead)["standing"], serde_json::Value::Null);
    let said = text(&dead, &station, &fold(&station.keybook, &reports, |_| None));
    assert!(said.starts_with("EQ-01  set aside  (") && said.contains("set aside, out of service"), "{said}");
    assert!(!said.contains("aligned"), "{said}");
    Arc::make_mut(&mut station.for_now).set_aside = Extent::Nothing;
    assert_eq!(json(&drift(&station, &reports[..1]))["standing"], "untested");
}

#[test]
fn a_test_call_that_proves_nothing_names_every_number_that_nobody_knows() {
    let station = station("");
    let record = fold(&station.keybook, &[as_wanted(1)], |_| None);
    let contact = (Some("island-warden".into()), Some("5550".into()));
    let test = Test { contact: contact.0, dialled: contact.1, ..test("emergency", Outcome::Reached) };
    let odd = surprise(&station, &record, &test).unwrap();
    assert!(odd.contains("(unknown: emergency backup): the call proves nothing"), "{odd}");
}
