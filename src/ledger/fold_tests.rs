//! The fold: tables and properties.

use super::*;
use crate::keybook::sample::tern;
use crate::ledger::{IssuedStep, Unit};
use proptest::prelude::*;

#[path = "fold_entries_tests.rs"]
mod entries;

fn quoted(text: &str) -> Written {
    Written::Quoted(text.into())
}

fn plain(text: &str) -> Written {
    Written::Plain(text.into())
}

/// A report of the given minute; the minute is in its id too.
fn report(minute: i64) -> Report {
    Report {
        id: Uuid::from_u128(minute as u128),
        station: "EQ-01".into(),
        at: Timestamp::from_second(1_800_000_000 + minute * 60).unwrap(),
        by: "tech-07".into(),
        unit: None,
        found: BTreeMap::new(),
        script: None,
        openings: Vec::new(),
        steps: Vec::new(),
        left: BTreeMap::new(),
        tests: Vec::new(),
        corrects: None,
        note: None,
        fingerprints: BTreeMap::new(),
        number: None,
        elsewhere: BTreeMap::new(),
    }
}

fn left(minute: i64, name: &str, value: Written) -> Report {
    Report { left: [(name.into(), value)].into(), ..report(minute) }
}

fn found(minute: i64, name: &str, value: Written) -> Report {
    Report { found: [(name.into(), value)].into(), ..report(minute) }
}

fn tested(minute: i64, outcome: Outcome) -> Report {
    let test = Test { lifeline: "emergency".into(), outcome, contact: None, dialled: None };
    Report { tests: vec![test], ..report(minute) }
}

/// A script of two steps: the line's kind (which clears the backup), and the identity.
fn script() -> Issued {
    let step = |step, effects: [(&str, Option<Written>); 2]| IssuedStep {
        step,
        effects: effects.into_iter().map(|(name, value)| (name.into(), value.map(|v| (v, None)))).collect(),
    };
    Issued {
        digest: "3f9a1c0b7d24e615".parse().unwrap(),
        station: "EQ-01".into(),
        at: Timestamp::UNIX_EPOCH,
        steps: vec![
            step(1, [("line.kind", Some(plain("pbx"))), ("emergency.backup", Some(quoted("")))]),
            step(2, [("identity", Some(quoted("7"))), ("emergency.primary", None)]),
        ],
        document: serde_json::Value::Null,
    }
}

fn keyed(minute: i64, steps: &[(u32, Heard)]) -> Report {
    Report { script: Some(script().digest), steps: steps.to_vec(), ..report(minute) }
}

fn folded(reports: &[Report]) -> Record {
    let script = script();
    fold(&tern(), reports, |digest| (*digest == script.digest).then_some(&script))
}

fn state(record: &Record, name: &str) -> State {
    record.holding(tern().id(name).unwrap()).state.clone()
}

fn known(record: &Record, name: &str) -> Option<String> {
    record.known(tern().id(name).unwrap()).map(ToString::to_string)
}

fn strayed(record: &Record, name: &str) -> bool {
    record.holding(tern().id(name).unwrap()).strayed.is_some()
}

fn reached(record: &Record) -> bool {
    record.lifelines[0].reached.is_some()
}

#[test]
fn a_new_unit_is_at_factory_and_what_has_no_factory_is_unknown() {
    let record = folded(&[Report { unit: Some(Unit::New), ..report(1) }]);
    assert_eq!(known(&record, "line.kind").as_deref(), Some("direct"));
    assert_eq!(state(&record, "emergency.primary"), State::Unknown);
}

#[test]
fn each_outcome_of_a_step_does_what_it_proves_and_no_more() {
    let base = [left(1, "line.kind", plain("direct")), left(2, "emergency.backup", quoted("5"))];
    let with = |heard| folded(&[base[0].clone(), base[1].clone(), keyed(3, &[(1, heard)])]);
    assert_eq!(known(&with(Heard::Accepted), "line.kind").as_deref(), Some("pbx"));
    assert_eq!(known(&with(Heard::Accepted), "emergency.backup").as_deref(), Some("\"\""));
    for heard in [Heard::Refused, Heard::Skipped] {
        assert_eq!(with(heard).settings, folded(&base).settings);
    }
    let doubt = with(Heard::Nothing);
    let both = ["direct", "pbx"].map(|n| Value::Choice(n.into())).into();
    assert_eq!(state(&doubt, "line.kind"), State::InDoubt(both));
    assert!(matches!(state(&doubt, "emergency.backup"), State::InDoubt(_)));
}

#[test]
fn nothing_leaves_what_is_known_so_already_and_what_is_unknown() {
    let record = folded(&[left(1, "line.kind", plain("pbx")), keyed(2, &[(1, Heard::Nothing), (2, Heard::Nothing)])]);
    assert_eq!(known(&record, "line.kind").as_deref(), Some("pbx"));
    assert_eq!(state(&record, "identity"), State::Unknown);
    assert_eq!(state(&record, "emergency.primary"), State::Unknown);
}

#[test]
fn a_step_that_nobody_listed_changes_nothing() {
    let record = folded(&[left(1, "identity", quoted("1")), keyed(2, &[(1, Heard::Accepted)])]);
    assert_eq!(known(&record, "identity").as_deref(), Some("\"1\""));
}

#[test]
fn what_is_found_against_the_record_strays_until_a_later_entry_agrees() {
    let base = vec![left(1, "identity", quoted("1")), found(2, "identity", quoted("2"))];
    assert!(strayed(&folded(&base), "identity"));
    let later = |last: Report| folded(&[base.clone(), vec![last]].concat());
    assert!(!strayed(&later(left(3, "identity", quoted("2"))), "identity"));
    assert!(!strayed(&later(found(3, "identity", quoted("2"))), "identity"));
    assert!(strayed(&later(found(3, "identity", quoted("3"))), "identity"));
    assert!(strayed(&later(tested(3, Outcome::Reached)), "identity"));
    let unit = Report { unit: Some(Unit::Replaced), ..found(2, "identity", quoted("2")) };
    assert!(!strayed(&folded(&[base[0].clone(), unit]), "identity"));
}

#[test]
fn every_change_of_a_lifeline_asks_for_a_new_test() {
    let base = vec![
        left(1, "line.kind", plain("direct")),
        left(2, "emergency.primary", quoted("5")),
        tested(3, Outcome::Reached),
    ];
    let after = |last: Report| folded(&[base.clone(), vec![last]].concat());
    assert!(reached(&folded(&base)));
    for change in [
        left(4, "emergency.primary", quoted("6")),
        found(4, "emergency.primary", quoted("6")),
        keyed(4, &[(1, Heard::Accepted)]),
        keyed(4, &[(1, Heard::Nothing)]),
        Report { unit: Some(Unit::Cleared), ..report(4) },
    ] {
        assert!(!reached(&after(change.clone())), "{change:?}");
    }
    for same in [
        left(4, "emergency.primary", quoted("5")),
        found(4, "emergency.primary", quoted("5")),
        left(4, "identity", quoted("9")),
        keyed(4, &[(1, Heard::Refused), (2, Heard::Skipped)]),
    ] {
        assert!(reached(&after(same.clone())), "{same:?}");
    }
}

#[test]
fn a_failed_test_stands_until_a_later_one_reaches_help() {
    let failed = folded(&[tested(1, Outcome::Reached), tested(2, Outcome::Failed), left(3, "line.kind", plain("pbx"))]);
    assert_eq!(failed.lifelines[0].last.map(|(outcome, _)| outcome), Some(Outcome::Failed));
    let fixed = folded(&[tested(2, Outcome::Failed), tested(3, Outcome::Reached)]);
    assert_eq!(fixed.lifelines[0].last.map(|(outcome, _)| outcome), Some(Outcome::Reached));
}

#[test]
fn of_several_tests_in_one_report_the_last_counts() {
    let both = |first, second| {
        let tests = [tested(0, first).tests, tested(0, second).tests].concat();
        folded(&[Report { tests, ..report(1) }]).lifelines[0].last.map(|(outcome, _)| outcome)
    };
    assert_eq!(both(Outcome::Failed, Outcome::Reached), Some(Outcome::Reached));
    assert_eq!(both(Outcome::Reached, Outcome::Failed), Some(Outcome::Failed));
}

#[test]
fn what_was_held_before_a_script_is_what_was_held_before_its_first_report() {
    let before = |reports: &[Report]| {
        let record = folded(reports);
        record.earlier.before_scripts().next().and_then(|held| held[tern().id("line.kind").unwrap().index()].clone())
    };
    let direct = left(1, "line.kind", plain("direct"));
    let accepted = [(1, Heard::Accepted)];
    assert_eq!(before(&[direct.clone(), keyed(2, &[(1, Heard::Refused)])]), None, "no step of it was accepted");
    let held = Some(Value::Choice("direct".into()));
    assert_eq!(before(&[direct.clone(), keyed(2, &accepted)]), held);
    // Nobody knows whether the first keying changed it; it was known before that.
    let again = [direct.clone(), keyed(2, &[(1, Heard::Nothing)]), keyed(3, &accepted), keyed(4, &accepted)];
    assert_eq!(before(&again), held);
}

#[test]
fn what_others_change_between_two_keyings_of_a_script_was_held_before_the_second() {
    let before = |reports: &[Report], name: &str| {
        let record = folded(reports);
        let held = record.earlier.before_scripts().next()?;
        held[tern().id(name).unwrap().index()].as_ref().map(ToString::to_string)
    };
    let known = Report { left: left(1, "line.kind", plain("direct")).left, ..left(1, "identity", quoted("3")) };
    let known = Report { left: known.left.into_iter().chain([("identity".into(), quoted("3"))]).collect(), ..known };
    let (other, again) = (left(3, "identity", quoted("5")), keyed(4, &[(1, Heard::Accepted), (2, Heard::Accepted)]));
    // All was refused, something was in doubt, or a step was accepted.
    for first in [Heard::Refused, Heard::Nothing, Heard::Accepted] {
        let reports = [known.clone(), keyed(2, &[(1, first)]), other.clone(), again.clone()];
        assert_eq!(before(&reports, "identity").as_deref(), Some("\"5\""), "{first:?}");
        assert_eq!(before(&reports, "line.kind").as_deref(), Some("direct"), "{first:?}: it is the same keying");
        // It is the last script until it is keyed again.
        let after = before(&reports[..3], "identity");
        assert_eq!(after.as_deref(), (first == Heard::Accepted).then_some("\"3\""), "{first:?}");
    }
}

#[test]
fn a_test_call_that_reached_help_through_what_is_dead_by_the_record_is_not_what_last_worked() {
    let second = |minute, outcome| {
        let mut report = tested(minute, outcome);
        report.tests[0].lifeline = "second".into();
        report
    };
    let backup = tern().id("emergency.backup").unwrap();
    let at = tern().lifelines.iter().position(|lifeline| &*lifeline.name == "second").unwrap();
    let filled = [left(1, "emergency.backup", quoted("5")), second(2, Outcome::Reached)];
    let dead = [&filled[..], &[left(3, "emergency.backup", quoted("")), second(4, Outcome::Reached)]].concat();
    let record = folded(&dead);
    let worked = record.earlier.worked(at).unwrap();
    assert!(worked.held.contains(&(backup, Some(Value::Dial("5".into())))), "{worked:?}");
    assert_eq!(proven(&record, "emergency.backup").as_deref(), Some("\"5\""));
    assert!(
        record.lifelines[at].last.is_some_and(|(outcome, mark)| outcome == Outcome::Reached && mark.at == dead[3].at)
    );
}

#[test]
fn within_a_report_the_unit_comes_first_and_the_tests_last() {
    let all = Report {
        unit: Some(Unit::New),
        found: [("line.kind".into(), plain("ringdown"))].into(),
        left: [("identity".into(), quoted("8"))].into(),
        tests: tested(0, Outcome::Reached).tests,
        ..keyed(5, &[(1, Heard::Accepted), (2, Heard::Accepted)])
    };
    let record = folded(&[all]);
    assert_eq!(known(&record, "line.kind").as_deref(), Some("pbx"));
    assert_eq!(known(&record, "identity").as_deref(), Some("\"8\""));
    assert!(reached(&record));
}

#[test]
fn what_a_changed_keybook_no_longer_has_or_holds_is_passed_over() {
    let record = folded(&[left(1, "siren.volume", quoted("1")), left(2, "identity", quoted("123456789"))]);
    assert_eq!(state(&record, "identity"), State::Unknown);
}

fn proven(record: &Record, name: &str) -> Option<String> {
    record.proven(name).and_then(|proven| proven.value.as_ref()).map(ToString::to_string)
}

#[test]
fn without_a_test_what_was_made_known_last_is_proven_and_doubt_units_and_contradictions_prove_nothing() {
    let base = vec![left(1, "line.kind", plain("direct"))];
    let after = |later: Report| proven(&folded(&[base.clone(), vec![later]].concat()), "line.kind");
    let direct = Some("direct".to_owned());
    assert_eq!(after(left(2, "line.kind", plain("pbx"))).as_deref(), Some("pbx"));
    assert_eq!(after(keyed(2, &[(1, Heard::Accepted)])).as_deref(), Some("pbx"));
    for nothing in [
        found(2, "line.kind", plain("ringdown")),
        keyed(2, &[(1, Heard::Nothing)]),
        keyed(2, &[(1, Heard::Refused)]),
        Report { unit: Some(Unit::Replaced), ..report(2) },
        left(2, "identity", quoted("7")),
    ] {
        assert_eq!(after(nothing.clone()), direct, "{nothing:?}");
    }
    assert_eq!(folded(&[Report { unit: Some(Unit::New), ..report(1) }]).proven, []);
    let unit = Report { unit: Some(Unit::New), ..found(1, "line.kind", plain("ringdown")) };
    assert_eq!(proven(&folded(&[unit]), "line.kind").as_deref(), Some("ringdown"));
}

#[test]
fn after_a_test_that_reached_help_only_another_one_proves_something_else() {
    let mut reports = vec![
        left(1, "line.kind", plain("direct")),
        left(1, "emergency.backup", quoted("5")),
        tested(2, Outcome::Reached),
        left(3, "line.kind", plain("pbx")),
        left(3, "emergency.backup", quoted("6")),
        tested(4, Outcome::Failed),
    ];
    (1..).zip(&mut reports).for_each(|(id, report)| report.id = Uuid::from_u128(id));
    let record = folded(&reports);
    assert_eq!(proven(&record, "line.kind").as_deref(), Some("direct"));
    assert_eq!(proven(&record, "emergency.backup").as_deref(), Some("\"6\""), "no lifeline of it was tested");
    reports.push(tested(5, Outcome::Reached));
    assert_eq!(proven(&folded(&reports), "line.kind").as_deref(), Some("pbx"));
}

#[test]
fn a_report_of_a_time_after_shows_something_else_only_where_it_ends_otherwise() {
    let is_pbx = |value: Option<&Value>| value.is_some_and(|value| *value == Value::Choice("pbx".into()));
    let at = |minute: i64| report(minute).at;
    let shows = |reports: &[Report], after| {
        let record = folded(&[vec![left(1, "line.kind", plain("direct"))], reports.to_vec()].concat());
        record.proven("line.kind").unwrap().shows_other(is_pbx, after)
    };
    assert!(shows(&[], at(0)) && !shows(&[], at(1)));
    let visit = Report { found: [("line.kind".into(), plain("direct"))].into(), ..left(3, "line.kind", plain("pbx")) };
    assert!(!shows(&[visit], at(2)), "what was found there was keyed in the same visit");
    let back = [left(3, "line.kind", plain("ringdown")), left(4, "line.kind", plain("pbx"))];
    assert!(shows(&back, at(2)) && !shows(&back, at(3)));
}

#[test]
fn a_station_is_known_by_its_first_number_until_it_answers_at_another() {
    let rung = |minute, number: Option<&str>| Report { number: number.map(Name::from), ..report(minute) };
    let mut reports = vec![rung(3, None), rung(2, Some("+441632960121")), rung(1, Some("+441632960122"))];
    assert_eq!(folded(&reports).number.as_deref(), Some("+441632960122"));
    let failed = Report { tests: tested(4, Outcome::Failed).tests, ..rung(4, Some("+441632960121")) };
    let refused = Report { steps: vec![(1, Heard::Refused)], ..failed };
    assert_eq!(folded(&[reports.clone(), vec![refused.clone()]].concat()).number.as_deref(), Some("+441632960122"));
    let opened = Opening { call: 1, heard: Opened::Accepted, code: 1 };
    for answered in [
        Report { openings: vec![opened], ..refused.clone() },
        Report { steps: vec![(1, Heard::Refused), (2, Heard::Accepted)], ..refused.clone() },
        Report { tests: tested(4, Outcome::Reached).tests, ..refused.clone() },
        Report { left: left(4, "identity", quoted("7")).left, ..refused.clone() },
    ] {
        let all = [reports.clone(), vec![answered]].concat();
        assert_eq!(folded(&all).number.as_deref(), Some("+441632960121"));
    }
    // A test call that proves nothing does not say which station answered.
    let mut perhaps = tested(4, Outcome::Reached);
    perhaps.tests[0].dialled = Some("01632960101".into());
    let perhaps = Report { tests: perhaps.tests, ..refused };
    assert_eq!(folded(&[reports.clone(), vec![perhaps]].concat()).number.as_deref(), Some("+441632960122"));
    reports.reverse();
    assert_eq!(folded(&reports).number.as_deref(), Some("+441632960122"));
}

fn any_report() -> impl Strategy<Value = Report> {
    let heard = prop_oneof![Just(Heard::Accepted), Just(Heard::Refused), Just(Heard::Nothing), Just(Heard::Skipped)];
    let value = prop_oneof![
        (0..4u8).prop_map(|n| ("identity", quoted(&n.to_string()))),
        (0..3usize).prop_map(|n| ("line.kind", plain(["direct", "pbx", "ringdown"][n]))),
        (0..3u8).prop_map(|n| ("emergency.primary", quoted(&n.to_string()))),
    ];
    (
        0..40i64,
        prop_oneof![
            value.clone().prop_map(|(name, v)| left(0, name, v)),
            value.prop_map(|(name, v)| found(0, name, v)),
            proptest::collection::vec((1..3u32, heard), 0..3).prop_map(|steps| keyed(0, &steps)),
            any::<bool>().prop_map(|ok| tested(0, if ok { Outcome::Reached } else { Outcome::Failed })),
            Just(Report { unit: Some(Unit::New), ..report(0) }),
            Just(Report { unit: Some(Unit::Cleared), ..keyed(0, &[(1, Heard::Accepted)]) }),
            Just(keyed(0, &[(2, Heard::Accepted), (1, Heard::Accepted)])),
        ],
    )
        .prop_map(|(minute, body)| Report { id: report(minute).id, at: report(minute).at, ..body })
}

proptest! {
    #[test]
    fn the_record_does_not_depend_on_when_or_how_often_reports_arrive(
        reports in proptest::collection::vec(any_report(), 0..20),
        seed in proptest::collection::vec(any::<prop::sample::Index>(), 0..20),
    ) {
        // One report an id: the ledger refuses another content under the same one.
        let unique: BTreeMap<Uuid, Report> = reports.into_iter().map(|r| (r.id, r)).collect();
        let straight: Vec<Report> = unique.into_values().collect();
        let mut shuffled = straight.clone();
        shuffled.reverse();
        if !straight.is_empty() {
            shuffled.extend(seed.iter().map(|index| index.get(&straight).clone()));
            let middle = shuffled.len() / 2;
            shuffled.rotate_left(middle);
        }
        prop_assert_eq!(folded(&straight), folded(&shuffled));
    }

    #[test]
    fn doubt_always_has_at_least_two_candidates(reports in proptest::collection::vec(any_report(), 0..20)) {
        for holding in folded(&reports).settings {
            if let State::InDoubt(candidates) = holding.state {
                prop_assert!(candidates.len() >= 2);
            }
        }
    }
}
