//! The way in, which no script takes where another is left, and the way back, which leads nowhere unsafe unsaid.

use super::*;
use crate::keybook::{Held, SimulatedStation, Verdict};
use crate::ledger::{HandedOut, Visit, fold_with_visits, leads_to};
use crate::script::aim::Aim;

/// The sample with a quick reset that clears the code too, but not the lifeline, and hangs up.
fn wiping() -> String {
    let reset = "clears: all, keeps: [line.kind, emergency.primary], ends_call: true";
    TERN.replace("clears: all, keeps: [access], takes_ms: 8000", reset)
}

fn without(book: &str, command: &str) -> String {
    let lines = book.lines().filter(|line| !line.contains(&format!("command: {command},")));
    lines.collect::<Vec<_>>().join("\n")
}

/// A report of this minute on a script.
fn keyed(minute: u32, script: &Script, heard: &[Heard]) -> Report {
    Report {
        id: Uuid::from_u128(minute.into()),
        at: format!("2026-11-21T00:{minute:02}:00Z").parse().unwrap(),
        script: Some(script.digest.clone()),
        steps: (1..).zip(heard.iter().copied()).collect(),
        ..report("")
    }
}

fn folded(station: &Station, reports: &[Report], script: &Script) -> Record {
    let issued = issued(script, Timestamp::UNIX_EPOCH);
    fold(&station.keybook, reports, |digest| (*digest == issued.digest).then_some(&issued))
}

fn back(station: &Station, record: &Record) -> Result<Option<Script>, NoScript> {
    written(station, record, &codes(), Way::Back, &mut Memory::default())
}

fn texts(script: &Script) -> Vec<String> {
    script.warnings.iter().map(|warning| warning.text(&codes())).collect()
}

fn card_text(script: &Script, station: &Station) -> String {
    let card = card::Card::of(script, station, &codes(), None, Uuid::nil());
    card::text(&card).split_whitespace().collect::<Vec<_>>().join(" ")
}

fn doubted(station: &Station, held: &str, candidates: &[Reference]) -> Record {
    let mut record = record(station, held);
    let seal = |reference: &Reference| Value::Secret(codes().seal(reference));
    let access = station.keybook.id("access").unwrap();
    record.settings[access.index()].state = HeldState::InDoubt(candidates.iter().map(seal).collect());
    record
}

fn file(name: &str) -> Reference {
    Reference::File(name.into())
}

#[test]
fn a_code_in_doubt_names_the_other_one_before_anything_is_cleared() {
    let station = station(TERN, ALL_WANTED);
    let record = doubted(&station, ALL_HELD, &[file("new"), file("old")]);
    let script = there(&station, &record).unwrap().unwrap();
    assert_eq!(script.calls[0].open.reveal(&codes()), "B471100#");
    assert!(script.calls[0].is_guessed);
    let said = texts(&script);
    assert_eq!(said.len(), 1, "{said:?}");
    assert!(said[0].contains("open with B 1234 #."), "{said:?}");
    assert!(said[0].find("B 1234 #").unwrap() < said[0].find("cleared").unwrap(), "{said:?}");
    assert!(!said[0].contains("B 4711 00 #"), "what is keyed first is no other one: {said:?}");
    assert!(card_text(&script, &station).contains("NOTE: It is in doubt which access code"));
    assert_eq!(json(&script, &station, &codes())["warnings"], serde_json::json!(said));
    // Where it cannot be read, whoever has it is to look it up.
    let mut few = Codes::new(b"a key");
    few.learn(file("new"), Code::new("471100"));
    let script = written(&station, &record, &few, Way::There, &mut Memory::default()).unwrap().unwrap();
    assert!(script.warnings[0].text(&few).contains("open with B (the code of file:old) #."), "{script:?}");
}

#[test]
fn what_the_keybook_prints_is_tried_after_what_is_on_record() {
    let printed = TERN.replace("{kind: secret, digits: [4, 8]}", "{kind: secret, digits: [4, 8], factory: \"0000\"}");
    let station = station(&printed, ALL_WANTED);
    let place = |text: &str, keys: &str| text.find(keys).unwrap_or_else(|| panic!("{keys} is not in: {text}"));
    let record = doubted(&station, ALL_HELD, &[file("new"), file("old")]);
    let said = texts(&there(&station, &record).unwrap().unwrap());
    assert!(place(&said[0], "B 1234 #") < place(&said[0], "B 0000 #"), "{said:?}");
    assert!(place(&said[0], "B 0000 #") < place(&said[0], "cleared"), "{said:?}");
    let unknown = record_without_access(&station);
    let said = texts(&there(&station, &unknown).unwrap().unwrap());
    assert!(place(&said[0], "try the factory code next: B 0000 #") < place(&said[0], "cleared"), "{said:?}");
    // A new unit whose first code change met no answer: it holds either, and both openings are proved.
    let record = doubted(&station, ALL_HELD, &[file("new"), Reference::Factory]);
    let said = texts(&there(&station, &record).unwrap().unwrap());
    assert_eq!(said[0].matches("B 0000 #").count(), 1, "{said:?}");
}

fn record_without_access(station: &Station) -> Record {
    record(station, &ALL_HELD.replace("access: {secret: \"file:new\"}, ", ""))
}

#[test]
fn where_nothing_is_wanted_a_candidate_opens_the_call() {
    let station = station(TERN, &ALL_WANTED.replace("access: {secret: \"file:new\"}, ", ""));
    let held = ALL_HELD.replace("\"121\"", "\"120\"");
    let record = doubted(&station, &held, &[file("new"), file("old")]);
    let script = there(&station, &record).unwrap().unwrap();
    let (open, said) = (script.calls[0].open.reveal(&codes()), texts(&script));
    let other = if open == "B471100#" { "B 1234 #" } else { "B 4711 00 #" };
    assert!(open != "B{access}#" && said[0].contains(other), "{open}: {said:?}");
}

#[test]
fn a_step_that_takes_the_way_in_is_warned_of_and_not_blamed_on_the_record() {
    // Only the reset brings the gate's time to the factory's.
    let book = without(&wiping(), "gate-time");
    let station = station(&book, &ALL_WANTED.replace("gate.seconds: 7", "gate.seconds: 5"));
    let record = record(&station, ALL_HELD);
    let script = there(&station, &record).unwrap().unwrap();
    assert!(script.proven && script.bound.is_none(), "that none keeps the way in is proved");
    assert_eq!(script.calls.len(), 2);
    assert!(!script.calls[0].is_guessed && script.calls[1].is_guessed);
    let Warning::CodeLost { step: 1, calls, .. } = &script.warnings[0] else { panic!("{:?}", script.warnings) };
    assert_eq!(*calls, [2]);
    let said = texts(&script);
    assert!(said[0].starts_with("After step 1 nobody knows which access code"), "{said:?}");
    assert!(!said.iter().any(|text| text.contains("on record knows")), "{said:?}");
    let text = card_text(&script, &station);
    assert!(text.contains("NOTE: After step 1 nobody knows which access code"), "{text}");
    assert_eq!(text.matches("unless it holds another code: see the NOTE above").count(), 1, "{text}");
}

/// A station, and what it holds, for which the reset and the code would be fewer keys than what keeps the way in.
fn tempting() -> (Arc<Station>, Record) {
    let wanted = ALL_WANTED.replace("file:new", "file:old").replace("\"121\"", "\"0\"");
    let wanted = wanted.replace("[emergency]", "[]").replace("gate.seconds: 7", "gate.seconds: 5");
    let held = ALL_HELD.replace("file:new", "file:old").replace("emergency.backup: \"\"", "emergency.backup: \"5\"");
    let station = station(&wiping(), &wanted);
    let record = record(&station, &held);
    (station, record)
}

#[test]
fn where_the_search_for_a_script_that_keeps_the_way_in_gives_up_nothing_is_proven() {
    let (station, record) = tempting();
    let script = written(&station, &record, &codes(), Way::There, &mut Memory::almost_spent()).unwrap().unwrap();
    assert_eq!((script.proven, script.bound), (false, Some(script.cost)));
    assert!(matches!(script.warnings[..], [Warning::CodeLost { step: 1, .. }]), "{:?}", script.warnings);
    let text = card_text(&script, &station);
    assert!(text.contains("A better way may exist: the search ran out of its budget."), "{text}");
    let kept = there(&station, &record).unwrap().unwrap();
    assert!(kept.proven && kept.cost > script.cost, "there is one, and it costs more");
}

#[test]
fn what_is_passed_over_is_told_and_the_proof_claims_no_more_than_it_proves() {
    let (station, record) = tempting();
    let script = there(&station, &record).unwrap().unwrap();
    assert!(script.proven);
    assert_eq!(script.warnings, [Warning::PassedOver { commands: vec!["factory-reset".into()] }]);
    assert!(card_text(&script, &station).contains("No safer or shorter way exists that keeps the way in."));
}

#[test]
fn a_code_in_doubt_can_be_tried_and_is_not_thrown_away_one_that_nobody_knows_is() {
    let wanted = ALL_WANTED.replace("\"121\"", "\"0\"").replace("[emergency]", "[]");
    let station = station(&wiping(), &wanted.replace("gate.seconds: 7", "gate.seconds: 5"));
    let resets = |record: &Record| {
        let script = there(&station, record).unwrap().unwrap();
        let is_lost = script.warnings.iter().any(|warning| matches!(warning, Warning::CodeLost { step: 1, .. }));
        assert_eq!(steps(&script)[0] == "9999#", is_lost, "{script:?}");
        is_lost
    };
    assert!(!resets(&doubted(&station, ALL_HELD, &[file("new"), file("old")])));
    assert!(resets(&record_without_access(&station)));
}

proptest! {
    /// The best script is the best of a keybook without what takes the way in, wherever that keybook has any.
    #[test]
    fn no_script_takes_the_way_in_where_another_is_left(
        wanted in any_settings(), held in any_settings(), gate_time in any::<bool>(),
    ) {
        let book = if gate_time { wiping() } else { without(&wiping(), "gate-time") };
        let (mut wanted, mut held) = (wanted, held);
        if !gate_time {
            wanted[6] = Some("gate.seconds: 5".into());
        }
        held[0] = Some("access: {secret: \"file:old\"}".into());
        let (station, bare) = (station(&book, &flow(&wanted)), self::station(&without(&book, "factory-reset"), &flow(&wanted)));
        let record = record(&station, &flow(&held));
        let lost = |script: &Script| script.warnings.iter().any(|warning| matches!(warning, Warning::CodeLost { .. }));
        match (there(&station, &record), there(&bare, &record)) {
            (Ok(script), Ok(spared)) => {
                prop_assert!(!script.as_ref().is_some_and(lost));
                prop_assert_eq!(script.map(|script| script.cost), spared.map(|script| script.cost));
            }
            (Ok(Some(script)), Err(_)) => {
                prop_assert!(lost(&script), "only by the reset");
                prop_assert!(script.calls.iter().any(|call| call.is_guessed));
            }
            (Err(_), Err(_)) => {}
            (script, spared) => prop_assert!(false, "{script:?} but {spared:?}"),
        }
    }

    /// What is told of codes and what the simulated station takes on trust is the same: a call whose code it knows is no guess.
    #[test]
    fn a_call_is_guessed_exactly_where_the_simulated_station_does_not_know_what_opens_it(
        wanted in any_settings(), held in any_settings(),
    ) {
        let station = station(&wiping(), &flow(&wanted));
        let record = record(&station, &flow(&held));
        let Ok(Some(script)) = there(&station, &record) else { return Ok(()) };
        let holds = station.keybook.ids().map(|id| record.known(id).cloned().map_or(Held::Unknown, Held::Known)).collect();
        let mut simulated = SimulatedStation::new(station.keybook.clone(), holds, &codes());
        for call in &script.calls {
            simulated.ring();
            let steps = call.steps.iter().map(|step| &step.keys);
            for (nth, keys) in [&call.open].into_iter().chain(steps).enumerate() {
                let text = keys.reveal(&codes()).replace("{access}", "0000");
                let answer = simulated.press_all(&text.parse().unwrap()).pop();
                let Some(Verdict::Accepted { on_trust, .. }) = answer.map(|answer| answer.verdict) else {
                    return Err(TestCaseError::fail(text));
                };
                prop_assert_eq!(nth == 0 && call.is_guessed, !on_trust.is_empty());
            }
        }
    }

    /// After any report of a keying, the way back leads to what was held before it, as far as that was known.
    #[test]
    fn after_a_report_the_way_back_leads_to_what_was_held_before(
        wanted in any_settings(), held in any_settings(), heard in proptest::collection::vec(any_heard(), 8),
    ) {
        let station = station(TERN, &flow(&wanted));
        let first = report(&flow(&held));
        let before = fold(&station.keybook, [&first], |_| None);
        let Ok(Some(script)) = super::keyed(&station, &before) else { return Ok(()) };
        let heard = &heard[..heard.len().min(script.cost.commands as usize)];
        let after = folded(&station, &[first, keyed(1, &script, heard)], &script);
        let aim = Aim::of(&station, &after, Way::Back);
        let is_keyed = heard.contains(&Heard::Accepted);
        for id in station.keybook.ids() {
            let known = before.known(id).filter(|_| is_keyed).or(after.known(id));
            prop_assert!(aim.goal[id.index()].as_ref() == known, "{}", station.keybook.setting(id).name);
        }
        // It is proved as it is written, or there is none.
        let back = back(&station, &after);
        prop_assert!(!matches!(back, Err(NoScript::Unproved(_) | NoScript::Unsound(_))), "{back:?}");
    }

    /// Before any report of a script, the way back leads from its end to its start.
    #[test]
    fn before_a_report_the_way_back_undoes_the_script(wanted in any_settings(), held in any_settings()) {
        let station = station(TERN, &flow(&wanted));
        let mut record = record(&station, &flow(&held));
        let Ok(Some(script)) = super::keyed(&station, &record) else { return Ok(()) };
        prop_assert_eq!(Aim::of(&station, &record, Way::Back).back, Some(Back::AfterReport), "it was shown to nobody");
        record.handed_out.push(out(&station, &script, "2026-11-20T11:00:00Z"));
        let (there, back) = (Aim::of(&station, &record, Way::There), Aim::of(&station, &record, Way::Back));
        prop_assert_eq!(back.back, Some(Back::AfterScript));
        for id in station.keybook.ids() {
            let (start, goal) = (&there.start[id.index()], &there.goal[id.index()]);
            let ends_so = back.start[id.index()].as_ref().zip(goal.as_ref()).is_none_or(|(one, other)| one.agrees(other));
            prop_assert!(ends_so && back.start[id.index()].is_some() == goal.is_some());
            prop_assert_eq!(&back.goal[id.index()], if start.is_some() { start } else { &back.start[id.index()] });
        }
    }
}

fn any_heard() -> impl Strategy<Value = Heard> {
    prop_oneof![4 => Just(Heard::Accepted), 1 => Just(Heard::Refused), 1 => Just(Heard::Nothing), 1 => Just(Heard::Skipped)]
}

/// A script that was shown at this time.
pub(super) fn out(station: &Station, script: &Script, at: &str) -> HandedOut {
    let at = at.parse().unwrap();
    let issued = issued(script, at);
    let leads_to = leads_to(&station.keybook, &issued);
    HandedOut { script: script.digest.clone(), at, leads_to, is_back: issued.is_back() }
}

/// A report of this minute with one test call.
fn tested(minute: u32, outcome: Outcome) -> Report {
    let test = Test { lifeline: "emergency".into(), outcome, contact: None, dialled: None };
    Report {
        id: Uuid::from_u128(minute.into()),
        at: format!("2026-11-21T01:{minute:02}:00Z").parse().unwrap(),
        tests: vec![test],
        ..report("")
    }
}

const OTHER_NUMBER: &str = "access: {secret: \"file:new\"}, identity: \"120\", line.kind: pbx, \
    emergency.primary: \"9,01632960177\", emergency.backup: \"\", lamp.follows: [emergency], gate.seconds: 7";

#[test]
fn a_failed_test_after_a_change_is_answered_by_the_number_that_last_worked() {
    let station = station(TERN, ALL_WANTED);
    let first = [report(OTHER_NUMBER), tested(1, Outcome::Reached)];
    let script = there(&station, &fold(&station.keybook, &first, |_| None)).unwrap().unwrap();
    let visit = |minute| Report {
        at: format!("2026-11-21T01:{minute:02}:00Z").parse().unwrap(),
        ..keyed(minute, &script, &vec![Heard::Accepted; script.cost.commands as usize])
    };
    let mut reports = first.to_vec();
    reports.extend([visit(2), tested(3, Outcome::Failed)]);
    let record = folded(&station, &reports, &script);
    // Nothing needs keying, and all the same there is a card: it says what happened, asks for the test, offers the way back.
    let card = there(&station, &record).unwrap().expect("a card");
    assert!(card.calls.is_empty() && card.way_back.is_some() && card.tests[0].has_failed);
    let text = card_text(&card, &station);
    for part in ["did not reach help", "Nothing needs keying", "+44 1632 960121", "stationkeep script EQ-01 --back"] {
        assert!(text.contains(part), "{part} in {text}");
    }
    let way = back(&station, &record).unwrap().expect("a way back");
    assert_eq!((way.back, &way.untried[..]), (Some(Back::AfterReport), &[][..]));
    assert!(steps(&way).contains(&"219C01632960177#".to_owned()), "{:?}", steps(&way));
    // Settings in no lifeline go to what was held before the script.
    assert!(steps(&way).contains(&"10120#".to_owned()), "{:?}", steps(&way));
    // Once the test reached help all the same, no card is left; and what is held is what last worked.
    reports.push(tested(4, Outcome::Reached));
    let record = folded(&station, &reports, &script);
    assert_eq!(there(&station, &record).unwrap(), None);
    assert!(!steps(&back(&station, &record).unwrap().expect("a way back")).contains(&"219C01632960177#".to_owned()));
}

#[test]
fn a_failed_test_of_what_last_worked_offers_no_way_back() {
    let station = station(TERN, ALL_WANTED);
    let reports = [report(ALL_HELD), tested(1, Outcome::Reached), tested(2, Outcome::Failed)];
    let record = fold(&station.keybook, &reports, |_| None);
    let card = there(&station, &record).unwrap().expect("a card");
    assert!(card.way_back.is_none() && card.tests[0].has_failed);
    assert_eq!(back(&station, &record).unwrap(), None);
    assert_eq!(no_way_back(&station, &record), NoWayBack::HoldsWhatWorked);
    // It says what is left to do, instead of sending the technician in a circle.
    let text = card_text(&card, &station);
    assert!(text.contains("Check the line and the unit.") && text.contains("report \"unit: cleared\""), "{text}");
    assert!(!text.contains("ask for the way back"), "{text}");
    // Nothing was ever keyed or tested with success.
    let record = fold(&station.keybook, [&reports[0], &reports[2]], |_| None);
    assert_eq!((back(&station, &record).unwrap(), no_way_back(&station, &record)), (None, NoWayBack::NobodyKnows));
}

const EIDER: &str = include_str!("../../../config/keybooks/eider-1.yaml");

const EIDER_HELD: &str = "access: {secret: \"file:new\"}, identity: \"204\", unit.mode: service, line.kind: pbx, \
    emergency.primary: \"9,01632960101\", emergency.backup: \"\", lamp.mode: dark, speech.level: 30, call.minutes: 15";

/// A report of this minute of what was left.
fn left(minute: u32, left: &str) -> Report {
    Report { id: Uuid::from_u128(minute.into()), at: tested(minute, Outcome::Failed).at, ..report(left) }
}

fn goal(station: &Station, record: &Record, name: &str) -> Option<String> {
    let aim = Aim::of(station, record, Way::Back);
    aim.goal[station.keybook.id(name).unwrap().index()].as_ref().map(ToString::to_string)
}

#[test]
fn from_a_mode_in_which_the_button_calls_nobody_the_way_back_stays_once_a_card_is_shown() {
    let station = station(EIDER, EIDER_HELD);
    let reports = [report(EIDER_HELD), tested(1, Outcome::Reached), left(2, "unit.mode: survey")];
    let mut record = fold(&station.keybook, &reports, |_| None);
    let before = back(&station, &record).unwrap().expect("a way back");
    let script = there(&station, &record).unwrap().expect("a script");
    record.handed_out.push(out(&station, &script, "2026-11-21T02:00:00Z"));
    assert_eq!(back(&station, &record).unwrap().expect("a way back").digest, before.digest);
    assert_eq!(goal(&station, &record, "unit.mode").as_deref(), Some("service"));
    // A test call that reached help against the record is not what it goes back to.
    let reached = fold(&station.keybook, [&reports[..], &[tested(3, Outcome::Reached)]].concat().iter(), |_| None);
    assert_eq!(goal(&station, &reached, "unit.mode").as_deref(), Some("service"));
}

#[test]
fn where_what_worked_of_one_leaves_another_button_dead_the_way_back_leads_to_what_was_held_before_the_script() {
    let lamp = "lifelines:\n  lamp:\n    settings: [unit.mode]\n    works: {unit.mode: [service, survey]}\n";
    let station = station(&EIDER.replace("lifelines:\n", lamp), &EIDER_HELD.replace("204", "205"));
    let held = report(EIDER_HELD);
    let script = there(&station, &fold(&station.keybook, [&held], |_| None)).unwrap().expect("a script");
    let all = vec![Heard::Accepted; script.cost.commands as usize];
    let mut lit = tested(3, Outcome::Reached);
    lit.tests[0].lifeline = "lamp".into();
    let reports = [held, keyed(1, &script, &all), left(2, "unit.mode: survey"), lit];
    assert_eq!(goal(&station, &folded(&station, &reports, &script), "unit.mode").as_deref(), Some("service"));
}

#[test]
fn the_way_back_of_a_card_leads_to_what_is_known_now_whatever_visit_was_left_open() {
    let station = station(TERN, ALL_WANTED);
    let held = report(&ALL_HELD.replace("\"121\"", "\"120\""));
    let script = there(&station, &fold(&station.keybook, [&held], |_| None)).unwrap().unwrap();
    let issued = issued(&script, Timestamp::UNIX_EPOCH);
    let visit = Visit {
        id: Uuid::from_u128(9),
        script: script.digest.clone(),
        station: "EQ-01".into(),
        at: "2026-11-21T00:30:00Z".parse().unwrap(),
        by: "tech-07".into(),
        number: None,
    };
    let folded = |reports: &[Report]| {
        let mut record = fold_with_visits(&station.keybook, reports, [&visit], |digest| {
            (*digest == issued.digest).then_some(&issued)
        });
        record.handed_out.push(out(&station, &script, "2026-11-21T02:00:00Z"));
        record
    };
    assert_eq!(
        goal(&station, &folded(std::slice::from_ref(&held)), "identity").as_deref(),
        Some("\"120\""),
        "in doubt"
    );
    let later = left(1, "identity: \"119\", gate.seconds: 9");
    let record = folded(&[held, later]);
    assert_eq!(goal(&station, &record, "identity").as_deref(), Some("\"119\""));
    assert_eq!(goal(&station, &record, "gate.seconds").as_deref(), Some("9"));
}

#[test]
fn a_button_of_which_nobody_knows_the_number_any_more_is_tested_and_offered_the_way_back() {
    let wanted = ALL_WANTED.replace("emergency.primary: {to: help}, ", "");
    let station = station(TERN, &wanted);
    let renewed = Report {
        unit: Some(crate::ledger::Unit::New),
        ..left(2, &ALL_HELD.replace("emergency.primary: \"9,01632960101\", ", ""))
    };
    let reports = [report(ALL_HELD), tested(1, Outcome::Reached), renewed];
    let record = fold(&station.keybook, &reports, |_| None);
    let card = there(&station, &record).unwrap().expect("a card");
    assert!(card.calls.is_empty() && card.way_back.is_some(), "{card:?}");
    assert_eq!(card.undecided, [("emergency".into(), vec!["emergency.primary".into()])]);
    let text = card_text(&card, &station);
    for part in ["so it may call nobody", "stationkeep script EQ-01 --back", "go back to what last worked"] {
        assert!(text.contains(part), "{part} in {text}");
    }
    let way = back(&station, &record).unwrap().expect("a way back");
    assert_eq!(steps(&way), ["219C01632960101#"]);
}

#[test]
fn what_a_way_back_makes_known_is_named_where_it_bars_a_script() {
    let compound = TERN.replace("keys: \"10{identity}#\"", "keys: \"10{identity}*{gate.seconds}\"");
    let managed = station(&compound, ALL_WANTED);
    let first = report(&ALL_HELD.replace("\"121\"", "\"120\"").replace("gate.seconds: 7", "gate.seconds: 9"));
    let script = there(&managed, &fold(&managed.keybook, [&first], |_| None)).unwrap().unwrap();
    let all = vec![Heard::Accepted; script.cost.commands as usize];
    let station = station(&compound, &ALL_WANTED.replace(", gate.seconds: 7", ""));
    let mut record = folded(&station, &[first, keyed(1, &script, &all), left(2, "identity: \"119\"")], &script);
    let fix = |record: &Record| match there(&station, record) {
        Err(NoScript::Unreachable(stuck)) => stuck[0].to_string(),
        other => panic!("{other:?}"),
    };
    record.settings[station.keybook.id("gate.seconds").unwrap().index()].state = HeldState::Unknown;
    let said = fix(&record);
    assert!(said.ends_with("or go back to what last worked: stationkeep script EQ-01 --back."), "{said}");
    record.earlier = Default::default();
    assert!(fix(&record).ends_with("or report what it is."), "there is no way back");
}

#[test]
fn where_the_way_back_failed_too_none_leads_forth_again_to_what_failed_before() {
    let station = station(TERN, ALL_WANTED);
    let held = Report { at: "2026-11-20T00:00:00Z".parse().unwrap(), ..report(&ALL_HELD.replace("960101", "960177")) };
    let failed = |minute: u32, script: &Script| {
        let steps = script.calls.iter().flat_map(|call| &call.steps).count();
        let test = Test { lifeline: "emergency".into(), outcome: Outcome::Failed, contact: None, dialled: None };
        Report { tests: vec![test], ..keyed(minute, script, &vec![Heard::Accepted; steps]) }
    };
    let before = fold(&station.keybook, std::slice::from_ref(&held), |_| None);
    let first = there(&station, &before).unwrap().expect("a script");
    let mut reports = vec![held, failed(10, &first)];
    let way_back = back(&station, &folded(&station, &reports, &first)).unwrap().expect("a way back");
    reports.push(failed(20, &way_back));
    let all = [issued(&first, Timestamp::UNIX_EPOCH), issued(&way_back, Timestamp::UNIX_EPOCH)];
    let record = fold(&station.keybook, &reports, |digest| all.iter().find(|one| one.digest == *digest));
    assert!(matches!(back(&station, &record), Ok(None)), "it would lead to what failed first");
    assert_eq!(no_way_back(&station, &record), NoWayBack::AllFailed);
    // The card to what is wanted says that this failed, and does not send to a way back.
    let again = there(&station, &record).unwrap().expect("a card");
    let text = card_text(&again, &station);
    let warning = "WARNING: with what this card stores, a test call of the emergency button failed on 2026-11-21 00:10 UTC (tech-07). \
                   Find out why before you key it.";
    assert!(text.contains(warning), "{text}");
    assert!(!text.contains("then ask for the way back"), "{text}");
}

#[test]
fn the_same_keys_lead_there_or_back_by_how_they_were_last_shown() {
    let held = report(&ALL_HELD.replace("960101", "960177"));
    let (station, reverted) =
        (station(TERN, ALL_WANTED), station(TERN, &ALL_WANTED.replace("{to: help}", "\"9,01632960177\"")));
    let forth = there(&station, &fold(&station.keybook, [&held], |_| None)).unwrap().expect("a script");
    let steps = forth.calls.iter().flat_map(|call| &call.steps).count();
    let reports = [held, keyed(10, &forth, &vec![Heard::Accepted; steps])];
    let mut record = folded(&station, &reports, &forth);
    let way_back = back(&station, &record).unwrap().expect("a way back");
    let card = there(&reverted, &record).unwrap().expect("a card");
    assert_eq!(way_back.digest, card.digest, "the same keys");
    record.handed_out.push(out(&station, &way_back, "2026-11-21T02:00:00Z"));
    assert_eq!(back(&station, &record).unwrap().expect("a way back").digest, way_back.digest, "asked for again");
    // Shown as the card of a station that wants it so, it is what the way back leads back from.
    record.handed_out[0].is_back = false;
    let aim = Aim::of(&reverted, &record, Way::Back);
    assert_eq!(aim.back, Some(Back::AfterScript));
    let number = reverted.keybook.id("emergency.primary").unwrap();
    assert_eq!(aim.goal[number.index()].as_ref().map(ToString::to_string).as_deref(), Some("\"9,01632960101\""));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, ..ProptestConfig::default() })]

    /// After any edits, cards and ways back, tested or not: none leads to a number with which a test call failed since one last
    /// reached help, and where one failed, none is denied while another number that the station held is left.
    #[test]
    fn a_way_back_never_leads_to_what_failed_and_is_there_while_anything_else_is_left(
        turns in proptest::collection::vec((0..4u8, any::<bool>(), 0..3u8), 1..9),
    ) {
        let number = |nth: u8| format!("\"70{nth}\"");
        let wanted = |nth: u8| ALL_WANTED.replace("{to: help}", &number(nth));
        let mut reports = vec![report(&ALL_HELD.replace("\"9,01632960101\"", &number(0)))];
        let mut scripts: Vec<crate::ledger::Issued> = Vec::new();
        let (mut holds, mut failed, mut held): (String, Vec<String>, Vec<String>) = (number(0), Vec::new(), vec![number(0)]);
        for (nth, (number, is_back, heard)) in (1..).zip(turns) {
            let station = station(TERN, &wanted(number));
            let record = fold(&station.keybook, &reports, |digest| scripts.iter().find(|one| one.digest == *digest));
            let way = if is_back { Way::Back } else { Way::There };
            let script = written(&station, &record, &codes(), way, &mut Memory::default()).unwrap();
            let keyed_number = |script: &Script| {
                let steps = script.calls.iter().flat_map(|call| &call.steps);
                steps.filter_map(|step| step.sets.get("emergency.primary").map(ToString::to_string)).next_back()
            };
            let to = script.as_ref().and_then(keyed_number);
            if is_back {
                prop_assert!(to.as_ref().is_none_or(|to| !failed.contains(to)), "{:?} failed, and it leads to {:?}", failed, to);
                let is_left = held.iter().any(|one| !failed.contains(one) && *one != holds);
                let is_asked = failed.contains(&holds);
                prop_assert!(!is_asked || to.is_some() == is_left, "{:?} of {:?} failed: {:?}", failed, held, to);
            }
            let mut after = match &script {
                Some(script) if !script.calls.is_empty() => {
                    scripts.push(issued(script, Timestamp::UNIX_EPOCH));
                    let steps = script.calls.iter().flat_map(|call| &call.steps).count();
                    keyed(nth, script, &vec![Heard::Accepted; steps])
                }
                Some(_) | None => left(nth, ""),
            };
            after.at = tested(nth, Outcome::Failed).at;
            if let Some(to) = to {
                holds = to;
                held.retain(|one| *one != holds);
                held.push(holds.clone());
            }
            let outcome = [None, Some(Outcome::Failed), Some(Outcome::Reached)][usize::from(heard)];
            failed.retain(|one| *one != holds || outcome != Some(Outcome::Reached));
            if outcome == Some(Outcome::Failed) && !failed.contains(&holds) {
                failed.push(holds.clone());
            }
            after.tests = outcome.into_iter().flat_map(|outcome| tested(nth, outcome).tests).collect();
            reports.push(after);
        }
    }
}
