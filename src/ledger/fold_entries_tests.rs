//! The fold of openings, test calls, numbers, corrections and visits: tables and properties.

use std::collections::BTreeSet;

use super::*;

/// A script of two calls: step 1 in the first, step 2 in the second. Both may be opened by code `a`, then by code `b`.
fn two_calls() -> Issued {
    let code = |name: &str| serde_json::json!({"secret": format!("file:{name}"), "fingerprint": format!("k:{name}")});
    let call = |step: u32| serde_json::json!({"codes": [code("a"), code("b"), "factory"], "steps": [{"step": step}]});
    Issued { document: serde_json::json!({"calls": [call(1), call(2)]}), ..script() }
}

fn secret(name: &str) -> Value {
    let reference = format!("file:{name}").parse().unwrap();
    Value::Secret(Secret { reference, fingerprint: Some(crate::setting::Fingerprint::stored(&format!("k:{name}"))) })
}

fn opened(minute: i64, tries: &[(u32, Opened, u32)]) -> Report {
    let openings =
        tries.iter().map(|(call, heard, code)| Opening { call: *call, heard: *heard, code: *code }).collect();
    Report { script: Some(script().digest), openings, ..report(minute) }
}

/// A report that leaves a code, as it is when it was recorded.
fn code_left(minute: i64, name: &str) -> Report {
    let Value::Secret(Secret { reference, fingerprint }) = secret(name) else { panic!("a code") };
    let fingerprints = fingerprint.map(|print| (reference.clone(), print)).into_iter().collect();
    Report { fingerprints, ..left(minute, "access", Written::Secret(reference)) }
}

fn folded_all(reports: &[Report], visits: &[Visit], script: &Issued) -> Record {
    fold_with_visits(&tern(), reports, visits, |digest| (*digest == script.digest).then_some(script))
}

fn visits_of(record: &Record) -> Vec<Visit> {
    record.begun.iter().map(|open| open.visit.clone()).collect()
}

fn access(reports: &[Report]) -> (State, bool) {
    let record = folded_all(reports, &[], &two_calls());
    (state(&record, "access"), strayed(&record, "access"))
}

#[test]
fn a_code_that_opened_a_call_is_known_and_against_another_that_was_known_it_strayed() {
    let accepted = opened(2, &[(1, Opened::Accepted, 2)]);
    assert_eq!(access(std::slice::from_ref(&accepted)), (State::Known(secret("b")), false));
    assert_eq!(access(&[code_left(1, "b"), accepted.clone()]), (State::Known(secret("b")), false));
    assert_eq!(access(&[code_left(1, "a"), accepted]), (State::Known(secret("b")), true));
}

#[test]
fn a_code_that_was_refused_is_no_candidate_any_more_and_where_it_was_known_nobody_knows_the_code() {
    let refused = |code| opened(2, &[(1, Opened::Refused, code)]);
    assert_eq!(access(&[code_left(1, "a"), refused(1)]), (State::Unknown, true));
    assert_eq!(access(&[code_left(1, "a"), refused(2)]), (State::Known(secret("a")), false));
    assert_eq!(access(&[refused(1)]), (State::Unknown, false));
    let nothing = opened(2, &[(1, Opened::Nothing, 1), (2, Opened::Nothing, 2)]);
    assert_eq!(access(&[code_left(1, "a"), nothing]), (State::Known(secret("a")), false));
}

#[test]
fn a_code_that_was_refused_stays_so_until_one_is_shown_to_be_right_or_may_have_been_stored() {
    let refused = |reports: &[Report]| -> Vec<(Value, String)> {
        let record = folded_all(reports, &[], &two_calls());
        let id = tern().id("access").unwrap();
        record.holding(id).refused.iter().map(|one| (one.code.clone(), one.by.to_string())).collect()
    };
    let no = |minute, code| Report { by: format!("t{minute}").into(), ..opened(minute, &[(1, Opened::Refused, code)]) };
    let is = |all: &[(&str, &str)]| all.iter().map(|(code, by)| (secret(code), (*by).to_owned())).collect::<Vec<_>>();
    assert_eq!(refused(&[no(1, 1)]), is(&[("a", "t1")]));
    assert_eq!(refused(&[no(1, 1), no(2, 2)]), is(&[("a", "t1"), ("b", "t2")]));
    assert_eq!(refused(&[no(1, 1), no(2, 2), no(3, 1)]), is(&[("b", "t2"), ("a", "t3")]), "the last time counts");
    assert_eq!(refused(&[code_left(1, "a"), no(2, 1)]), is(&[("a", "t2")]));
    assert_eq!(refused(&[no(1, 1), code_left(2, "a")]), is(&[]));
    assert_eq!(refused(&[no(1, 1), opened(2, &[(1, Opened::Accepted, 2)])]), is(&[]));
    let unit = Report { unit: Some(crate::ledger::Unit::Cleared), ..report(2) };
    assert_eq!(refused(&[no(1, 1), unit]), is(&[]));
    // A step that nothing answered may have stored what was refused before.
    let mut script = two_calls();
    let Value::Secret(a) = secret("a") else { panic!("a code") };
    script.steps[0].effects.insert("access".into(), Some((Written::Secret(a.reference), a.fingerprint)));
    let silent = Report { script: Some(script.digest.clone()), ..keyed(3, &[(1, Heard::Nothing)]) };
    let record = folded_all(&[no(1, 1), no(2, 2), silent], &[], &script);
    let left: Vec<_> =
        record.holding(tern().id("access").unwrap()).refused.iter().map(|one| one.code.clone()).collect();
    assert_eq!(left, [secret("b")]);
}

#[test]
fn of_two_candidates_the_one_that_was_not_refused_is_known() {
    let mut script = two_calls();
    let Value::Secret(b) = secret("b") else { panic!("a code") };
    script.steps[0].effects.insert("access".into(), Some((Written::Secret(b.reference), b.fingerprint)));
    let doubted =
        [code_left(1, "a"), Report { script: Some(script.digest.clone()), ..keyed(2, &[(1, Heard::Nothing)]) }];
    let after = |later: &[Report]| state(&folded_all(&[&doubted, later].concat(), &[], &script), "access");
    assert_eq!(after(&[]), State::InDoubt([secret("a"), secret("b")].into()));
    assert_eq!(after(&[opened(3, &[(1, Opened::Refused, 1)])]), State::Known(secret("b")));
    assert_eq!(after(&[opened(3, &[(1, Opened::Refused, 1), (1, Opened::Accepted, 2)])]), State::Known(secret("b")));
}

#[test]
fn candidates_stay_in_the_order_in_which_they_came_in_doubt() {
    let keys_code = |name: &str, digest: &str| {
        let Value::Secret(Secret { reference, fingerprint }) = secret(name) else { panic!("a code") };
        let mut script = Issued { digest: digest.parse().unwrap(), ..two_calls() };
        script.steps[0].effects = [("access".into(), Some((Written::Secret(reference), fingerprint)))].into();
        script
    };
    let scripts = [("m", "1"), ("b", "2"), ("z", "3"), ("m", "4")].map(|(name, n)| keys_code(name, &n.repeat(16)));
    let nothing = |(minute, script): (i64, &Issued)| Report {
        script: Some(script.digest.clone()),
        ..keyed(minute, &[(1, Heard::Nothing)])
    };
    let mut reports: Vec<Report> = (2..).zip(&scripts).map(nothing).collect();
    reports.push(code_left(1, "y"));
    let access = |reports: &[Report]| {
        let record = fold(&tern(), reports, |digest| scripts.iter().find(|script| script.digest == *digest));
        state(&record, "access")
    };
    let in_doubt = |names: &[&str]| State::InDoubt(names.iter().map(|name| secret(name)).collect());
    assert_eq!(access(&reports), in_doubt(&["y", "m", "b", "z"]));
    let refused = Report { script: Some(scripts[0].digest.clone()), ..opened(9, &[(1, Opened::Refused, 1)]) };
    reports.insert(0, refused);
    assert_eq!(access(&reports), in_doubt(&["y", "m", "b", "z"]), "\"a\" was tried, which is none of them");
    reports[0] = Report { steps: vec![(1, Heard::Accepted)], ..reports[0].clone() };
    assert_eq!(access(&reports), State::Known(secret("m")));
}

#[test]
fn openings_come_just_before_the_first_listed_step_of_their_call_and_those_of_other_calls_last() {
    let mut script = two_calls();
    let Value::Secret(b) = secret("b") else { panic!("a code") };
    script.steps[0].effects.insert("access".into(), Some((Written::Secret(b.reference), b.fingerprint)));
    let at_end = |steps: &[(u32, Heard)], tries: &[(u32, Opened, u32)]| {
        let report = Report { steps: steps.to_vec(), ..opened(2, tries) };
        state(&folded_all(&[report], &[], &script), "access")
    };
    let both = [(1, Heard::Accepted), (2, Heard::Skipped)];
    assert_eq!(
        at_end(&both, &[(1, Opened::Accepted, 1)]),
        State::Known(secret("b")),
        "step 1 stores another code after it"
    );
    assert_eq!(
        at_end(&both, &[(2, Opened::Accepted, 1)]),
        State::Known(secret("a")),
        "the second call comes after step 1"
    );
    assert_eq!(
        at_end(&both[..1], &[(2, Opened::Accepted, 1)]),
        State::Known(secret("a")),
        "without a listed step: last"
    );
    let swapped = [(2, Heard::Skipped), (1, Heard::Accepted)];
    assert_eq!(at_end(&swapped, &[(2, Opened::Accepted, 1)]), State::Known(secret("b")));
}

fn answered(minute: i64, lifeline: &str, dialled: Option<&str>) -> Report {
    let test = Test {
        lifeline: lifeline.into(),
        outcome: Outcome::Reached,
        contact: dialled.map(|_| "control-room".into()),
        dialled: dialled.map(Name::from),
    };
    Report { tests: vec![test], ..report(minute) }
}

/// The line, the first number, the second number; the last is unknown where it is not given.
fn programmed(primary: &str, backup: Option<&str>) -> Vec<Report> {
    let first = [left(1, "line.kind", plain("pbx")), left(2, "emergency.primary", quoted(primary))];
    first.into_iter().chain(backup.map(|backup| left(3, "emergency.backup", quoted(backup)))).collect()
}

#[test]
fn a_test_confirms_the_known_settings_of_its_lifeline_by_their_date_alone() {
    let mut reports = programmed("5", None);
    reports.push(found(4, "line.kind", plain("direct")));
    reports.push(answered(5, "emergency", Some("5")));
    let record = folded(&reports);
    let holding = |name: &str| record.holding(tern().id(name).unwrap()).clone();
    let mark = Some(Mark { at: report(5).at, report: report(5).id });
    assert_eq!((holding("emergency.primary").mark, holding("line.kind").mark), (mark, mark));
    assert!(strayed(&record, "line.kind"), "a strayed value stays so");
    assert_eq!((holding("emergency.backup").mark, holding("emergency.backup").state), (None, State::Unknown));
    assert_eq!(record.lifelines[0].reached, mark);
}

#[test]
fn where_someone_answers_whom_no_number_leads_to_the_numbers_are_unknown_and_the_lifeline_is_untested() {
    let mut reports = programmed("5", Some("6"));
    reports.push(tested(4, Outcome::Failed));
    reports.push(answered(5, "emergency", Some("7")));
    let record = folded(&reports);
    assert_eq!((state(&record, "emergency.primary"), strayed(&record, "emergency.primary")), (State::Unknown, true));
    assert_eq!(known(&record, "emergency.backup").as_deref(), Some("\"6\""), "a fallback's own number stays");
    assert_eq!(known(&record, "line.kind").as_deref(), Some("pbx"));
    assert_eq!(record.lifelines[0].last.map(|(outcome, _)| outcome), Some(Outcome::Reached), "it calls someone");
    assert!(!reached(&record));
    reports.push(left(6, "emergency.primary", quoted("7")));
    let record = folded(&reports);
    assert!(!strayed(&record, "emergency.primary") && !reached(&record));
    reports.push(answered(7, "emergency", Some("7")));
    assert!(reached(&folded(&reports)));
}

#[test]
fn a_fallback_that_leads_there_explains_who_answered() {
    let reports = [programmed("5", Some("6")), vec![answered(4, "emergency", Some("6"))]].concat();
    let record = folded(&reports);
    assert!(reached(&record) && !strayed(&record, "emergency.primary"));
}

#[test]
fn where_a_number_is_unknown_or_in_doubt_and_none_leads_there_a_test_changes_nothing() {
    let unknown = programmed("5", None);
    let doubted = [programmed("5", Some("6")), vec![keyed(4, &[(1, Heard::Nothing)])]].concat();
    for reports in [unknown, doubted] {
        let after = [reports.clone(), vec![answered(5, "emergency", Some("7"))]].concat();
        assert_eq!(folded(&after), folded(&reports));
    }
}

#[test]
fn what_was_proved_at_another_number_proves_nothing() {
    let rung = |report: Report, number: &str| Report { number: Some(number.into()), ..report };
    let mut reports = vec![rung(tested(1, Outcome::Reached), "+441632960121")];
    assert!(reached(&folded(&reports)));
    reports.push(rung(left(2, "identity", quoted("9")), "+441632960122"));
    assert!(!reached(&folded(&reports)));
    reports.push(rung(left(3, "identity", quoted("9")), "+441632960121"));
    assert!(!reached(&folded(&reports)), "it changed, and changed back: another unit may have been put there");
    reports.push(rung(tested(4, Outcome::Reached), "+441632960121"));
    assert!(reached(&folded(&reports)));
    assert_eq!(folded(&reports).other_number(&"+441632960121".into()), None);
    assert!(folded(&reports).other_number(&"+441632960122".into()).is_some());
}

#[test]
fn a_corrected_report_counts_for_nothing_whenever_the_correction_comes() {
    let (wrong, other) = (left(1, "identity", quoted("1")), left(2, "gate.seconds", plain("7")));
    let correction = Report { corrects: Some(wrong.id), ..report(3) };
    assert_eq!(state(&folded(&[wrong.clone(), other.clone(), correction.clone()]), "identity"), State::Unknown);
    assert_eq!(folded(&[correction.clone(), wrong, other.clone()]), folded(&[correction.clone(), other.clone()]));
    let early = Report { corrects: Some(Uuid::from_u128(99)), ..report(3) };
    assert_eq!(
        known(&folded(&[other, early]), "gate.seconds").as_deref(),
        Some("7"),
        "nothing of that id is on record"
    );
}

#[test]
fn of_several_corrections_of_one_report_the_last_counts_whatever_order_they_arrive_in() {
    let wrong = left(1, "gate.seconds", plain("7"));
    let correction =
        |minute, seconds| Report { corrects: Some(wrong.id), ..left(minute, "gate.seconds", plain(seconds)) };
    let (first, last) = (correction(3, "8"), Report { left: [].into(), ..correction(4, "9") });
    let alone = folded(std::slice::from_ref(&last));
    for order in [[0, 1, 2], [2, 1, 0], [1, 2, 0], [0, 2, 1]] {
        let all = [&wrong, &first, &last];
        let reports: Vec<Report> = order.iter().map(|at| all[*at].clone()).collect();
        assert_eq!(folded(&reports), alone, "{order:?}");
    }
    // Until what they correct is on record, nothing is corrected.
    assert_eq!(known(&folded(&[first, last]), "gate.seconds").as_deref(), Some("8"));
}

#[test]
fn what_another_station_said_and_what_was_keyed_there_is_in_doubt_until_the_station_is_recognised() {
    let held = left(1, "identity", quoted("102"));
    let elsewhere = |report: Report| Report { elsewhere: [("identity".into(), "EQ-03".into())].into(), ..report };
    let other =
        elsewhere(Report { left: [("gate.seconds".into(), plain("9"))].into(), ..found(2, "identity", quoted("103")) });
    let before = [held, left(1, "gate.seconds", plain("7"))];
    let before = [before[0].clone(), Report { id: Uuid::from_u128(77), ..before[1].clone() }];
    let doubted = folded(&[&before[..], std::slice::from_ref(&other)].concat());
    let texts = |record: &Record, name: &str| match state(record, name) {
        State::InDoubt(all) => all.iter().map(|one| one.to_string().replace('"', "")).collect::<Vec<_>>(),
        State::Known(_) | State::Unknown => Vec::new(),
    };
    assert_eq!(texts(&doubted, "identity"), ["102", "103"]);
    assert_eq!(texts(&doubted, "gate.seconds"), ["7", "9"]);
    assert_eq!(doubted.elsewhere.len(), 1);
    // Nothing that was accepted there counts as accepted here.
    let keyed_there = elsewhere(Report { script: Some(script().digest), steps: vec![(1, Heard::Accepted)], ..other });
    let heard_nothing = Report { steps: vec![(1, Heard::Nothing)], ..keyed_there.clone() };
    let all = |one: Report| folded_all(&[&before[..], &[one]].concat(), &[], &script());
    assert_eq!(all(keyed_there).settings, all(heard_nothing).settings);
    for settles in [found(5, "identity", quoted("102")), left(5, "identity", quoted("104"))] {
        let record = folded(&[&before[..], &[elsewhere(found(2, "identity", quoted("103"))), settles]].concat());
        assert_eq!(record.elsewhere.len(), 0);
    }
}

#[test]
fn a_station_that_says_what_it_is_known_to_say_is_the_one_that_answers_at_its_new_number() {
    let at = |number: &str, report: Report| Report { number: Some(number.into()), ..report };
    let before = at("+441632960121", left(1, "identity", quoted("102")));
    let number = |said: &str| {
        let heard = at("+441632960122", found(2, "identity", quoted(said)));
        folded(&[before.clone(), heard]).number.unwrap().to_string()
    };
    assert_eq!(number("102"), "+441632960122");
    assert_eq!(number("120"), "+441632960121", "it may be another station");
}

#[test]
fn what_is_on_record_of_the_station_is_its_own_whoever_else_is_wanted_to_say_it() {
    let before = left(1, "identity", quoted("102"));
    let keyed = Report { found: found(2, "identity", quoted("102")).found, ..keyed(2, &[(1, Heard::Accepted)]) };
    let elsewhere = Report { elsewhere: [("identity".into(), "EQ-03".into())].into(), ..keyed.clone() };
    assert_eq!(folded(&[before.clone(), elsewhere]), folded(&[before, keyed]));
}

#[test]
fn nothing_that_another_station_refused_nor_a_test_call_of_its_visit_settles_which_station_answers() {
    let at = |number: &str, report: Report| Report { number: Some(number.into()), ..report };
    let before = at("+441632960121", left(1, "identity", quoted("102")));
    let refused = opened(2, &[(1, Opened::Refused, 1)]);
    let other = Report {
        steps: vec![(1, Heard::Refused)],
        found: found(2, "identity", quoted("103")).found,
        tests: answered(2, "emergency", None).tests,
        elsewhere: [("identity".into(), "EQ-03".into())].into(),
        ..refused
    };
    let record = folded_all(&[before, at("+441632960122", other)], &[], &two_calls());
    assert_eq!(record.number.as_deref(), Some("+441632960121"));
    assert_eq!(record.earlier.refused(), []);
    assert!(record.settings.iter().all(|holding| holding.refused.is_empty()));
    let heard: Vec<_> = record.elsewhere.iter().map(|heard| (heard.value.to_string(), &*heard.station)).collect();
    assert_eq!(heard, [(quoted("103"), "EQ-03")].map(|(_, station)| ("\"103\"".to_owned(), station)));
}

#[test]
fn what_every_new_unit_says_recognises_nobody() {
    let at = |number: &str, report: Report| Report { number: Some(number.into()), ..report };
    let factory = tern().setting(tern().id("identity").unwrap()).factory.clone().unwrap().to_string().replace('"', "");
    let before = at("+441632960121", Report { unit: Some(Unit::New), ..report(1) });
    let record = folded(&[before, at("+441632960122", found(2, "identity", quoted(&factory)))]);
    assert_eq!(record.number.as_deref(), Some("+441632960121"));
}

fn begun(minute: i64) -> Visit {
    Visit {
        id: Uuid::from_u128(500 + minute as u128),
        script: script().digest,
        station: "EQ-01".into(),
        at: report(minute).at,
        by: "tech-07".into(),
        number: None,
    }
}

#[test]
fn the_steps_of_a_visit_count_as_not_answered_until_a_report_says_how_they_went() {
    let known = [left(1, "line.kind", plain("direct")), left(2, "emergency.backup", quoted("5"))];
    let all = |reports: &[Report]| folded_all(&[&known, reports].concat(), &[begun(3)], &script());
    let open = all(&[]);
    let nothing = folded(&[known.to_vec(), vec![keyed(3, &[(1, Heard::Nothing), (2, Heard::Nothing)])]].concat());
    for name in ["line.kind", "emergency.backup", "emergency.primary", "identity"] {
        assert_eq!(state(&open, name), state(&nothing, name), "{name}");
    }
    assert_eq!(visits_of(&open), [begun(3)]);
    assert_eq!(open.begun[0].leads_to, leads_to(&tern(), &script()));
    assert!(!open.begun[0].leads_to.is_empty());
    let its_own = Report { id: begun(3).id, ..keyed(3, &[(1, Heard::Skipped)]) };
    let without = |report: &Report| folded(&[&known, std::slice::from_ref(report)].concat());
    assert_eq!(all(std::slice::from_ref(&its_own)), without(&its_own));
    let later = keyed(4, &[(1, Heard::Accepted)]);
    assert_eq!(all(std::slice::from_ref(&later)), without(&later));
    let same_second = Report { at: later.at - jiff::SignedDuration::from_millis(59_999), ..later };
    assert_eq!(
        visits_of(&all(&[same_second])),
        [begun(3)],
        "a report of the same second tells of what was keyed before"
    );
    assert_eq!(visits_of(&all(&[left(4, "identity", quoted("3"))])), [begun(3)], "it names no script");
}

#[test]
fn a_corrected_report_ends_a_visit_by_its_id_alone() {
    let own = Report { id: begun(3).id, ..keyed(4, &[(1, Heard::Accepted)]) };
    let other = keyed(4, &[(1, Heard::Accepted)]);
    for (wrong, is_open) in [(own, false), (other, true)] {
        let correction = Report { corrects: Some(wrong.id), ..report(5) };
        assert_eq!(folded_all(&[wrong, correction], &[begun(3)], &script()).begun.is_empty(), !is_open);
    }
}

#[test]
fn a_lifeline_is_dead_since_the_report_that_made_it_so() {
    let record = folded(&[programmed("5", Some("")), vec![left(4, "emergency.backup", quoted(""))]].concat());
    let second = tern().lifelines.iter().position(|lifeline| &*lifeline.name == "second").unwrap();
    assert_eq!(record.lifelines[second].dead, Some(Mark { at: report(3).at, report: report(3).id }));
    let filled = folded(&[programmed("5", Some("")), vec![left(4, "emergency.backup", quoted("6"))]].concat());
    assert_eq!(filled.lifelines[second].dead, None);
}

/// Everything that a ledger may hold of a station.
fn any_entry() -> impl Strategy<Value = (Option<Report>, Option<Visit>)> {
    let heard = prop::sample::select(vec![Opened::Accepted, Opened::Refused, Opened::Nothing]);
    let tries = prop::collection::vec((1..3u32, heard, 1..4u32), 1..4);
    let opening = (any_report(), tries).prop_map(|(report, tries)| {
        let Report { openings, script, .. } = opened(0, &tries);
        Report { openings, script, ..report }
    });
    let test = (any_report(), 0..4u8, prop::sample::select(vec!["emergency", "second"])).prop_map(
        |(report, number, lifeline)| Report { tests: answered(0, lifeline, Some(&number.to_string())).tests, ..report },
    );
    let numbered = (any_report(), 0..3u8)
        .prop_map(|(report, number)| Report { number: Some(number.to_string().into()), ..report });
    let corrected = (any_report(), 0..40u128).prop_map(|(report, other)| {
        let corrects = Some(Uuid::from_u128(other)).filter(|other| *other != report.id);
        Report { corrects, ..report }
    });
    let elsewhere =
        any_report().prop_map(|report| Report { elsewhere: [("identity".into(), "EQ-03".into())].into(), ..report });
    let report = prop_oneof![any_report(), opening, test, numbered, corrected, elsewhere]
        .prop_map(|report| (Some(report), None));
    let visit = (0..40i64, prop::option::of(0..40u128)).prop_map(|(minute, own)| {
        let visit = begun(minute);
        (None, Some(Visit { id: own.map_or(visit.id, Uuid::from_u128), ..visit }))
    });
    prop_oneof![4 => report, 1 => visit]
}

proptest! {
    #[test]
    fn the_order_in_which_openings_corrections_numbers_and_visits_arrive_makes_no_difference(
        entries in prop::collection::vec(any_entry(), 0..24),
        turn in any::<prop::sample::Index>(),
    ) {
        // One entry an id and kind: the ledger refuses another content under the same one.
        let reports: BTreeMap<Uuid, Report> = entries.iter().filter_map(|(one, _)| one.clone()).map(|one| (one.id, one)).collect();
        let visits: BTreeMap<Uuid, Visit> = entries.iter().filter_map(|(_, one)| one.clone()).map(|one| (one.id, one)).collect();
        let (mut reports, mut visits): (Vec<Report>, Vec<Visit>) =
            (reports.into_values().collect(), visits.into_values().collect());
        let straight = folded_all(&reports, &visits, &two_calls());
        if !reports.is_empty() {
            let at = turn.index(reports.len());
            reports.rotate_left(at);
            reports.push(reports[at].clone());
        }
        reports.reverse();
        visits.reverse();
        prop_assert_eq!(folded_all(&reports, &visits, &two_calls()), straight);
    }

    /// The contract once more, from the other end: an open visit is one that no report answers, and only those are told.
    #[test]
    fn a_visit_is_told_of_exactly_as_long_as_no_report_that_counts_answers_it(
        entries in prop::collection::vec(any_entry(), 0..24),
    ) {
        let reports: Vec<Report> = entries.iter().filter_map(|(one, _)| one.clone()).collect();
        let visits: BTreeMap<Uuid, Visit> = entries.iter().filter_map(|(_, one)| one.clone()).map(|one| (one.id, one)).collect();
        let visits: Vec<Visit> = visits.into_values().collect();
        let told: BTreeSet<Uuid> = folded_all(&reports, &visits, &two_calls()).begun.iter().map(|open| open.visit.id).collect();
        for visit in &visits {
            let by_id = reports.iter().any(|report| report.id == visit.id);
            let by_script = reports.iter().any(|report| {
                let is_corrected = reports.iter().any(|other| other.corrects == Some(report.id));
                let later = reports.iter().any(|other| {
                    let is_of_it = other.corrects.is_some() && other.corrects == report.corrects;
                    is_of_it && (other.at, other.id) > (report.at, report.id)
                });
                let has_effect = reports.iter().any(|other| Some(other.id) == report.corrects);
                let is_own = visits.iter().any(|visit| visit.id == report.id);
                let counts = !(is_corrected || is_own || later && has_effect);
                counts && report.script == Some(visit.script.clone()) && visit.at.as_second() < report.at.as_second()
            });
            prop_assert_eq!(told.contains(&visit.id), !by_id && !by_script);
        }
    }
}

#[test]
fn before_a_visit_is_what_nobody_has_known_since() {
    let before = |reports: &[Report]| {
        let record = folded_all(reports, &[begun(3)], &script());
        record.earlier.before_visit(tern().id("line.kind").unwrap()).map(ToString::to_string)
    };
    let known = left(1, "line.kind", plain("direct"));
    assert_eq!(before(std::slice::from_ref(&known)).as_deref(), Some("direct"), "in doubt now");
    assert_eq!(before(&[known.clone(), left(4, "line.kind", plain("ringdown"))]), None, "it is known now");
    assert_eq!(before(&[known, Report { unit: Some(Unit::New), ..report(4) }]), None, "it is another unit");
    // Of two visits the later counts, where it was known before that.
    let visits = [begun(3), begun(6)];
    let reports = [left(1, "line.kind", plain("direct")), left(4, "line.kind", plain("ringdown"))];
    let record = folded_all(&reports, &visits, &script());
    let before = record.earlier.before_visit(tern().id("line.kind").unwrap());
    assert_eq!(before.map(ToString::to_string).as_deref(), Some("ringdown"));
}
