//! What a card says after a wrong key, followed on the simulated station; and a script laid out again from the ledger.

use super::*;
use crate::keybook::{Answer, SimulatedStation};
use crate::ledger::{LedgerLine, Visit, line_of, parse_line};
use crate::script::card::cautions;
use crate::setting::{Key, Keys};

fn parsed(keys: &str) -> Vec<Key> {
    keys.parse::<Keys>().unwrap().0
}

/// Keys everything; the answer to the last key.
fn key(station: &mut SimulatedStation, keys: &[Key]) -> Option<Answer> {
    keys.iter().map(|key| station.press(*key)).last().flatten()
}

/// A station that is opened by the script's first call and holds nothing that anybody knows.
fn opened(station: &Station, script: &Script) -> SimulatedStation {
    let mut simulated = SimulatedStation::new(station.keybook.clone(), Vec::new(), &codes());
    simulated.ring();
    assert!(key(&mut simulated, &parsed(&script.calls[0].open.reveal(&codes()))).unwrap().is_accepted());
    simulated
}

/// After each wrong key at each place of each step: whoever does as the card says has the step accepted in the end, unless
/// the station took the wrong keys for something else.
fn follow(station: &Station, script: &Script) -> (usize, usize) {
    let all = cautions(script, station, &codes());
    let told = all.iter().find(|text| text.starts_with("If you press a wrong key")).expect("it is said");
    let breaker = told.split_once("If you hear nothing, press ").map(|(_, rest)| parsed(&rest[..1])[0]);
    let (mut refused, mut waited) = (0, 0);
    for step in script.calls.iter().flat_map(|call| &call.steps) {
        let keys = parsed(&step.keys.reveal(&codes()));
        for at in 0..keys.len() {
            for wrong in parsed("0123456789*#ABCD").into_iter().filter(|wrong| *wrong != keys[at]) {
                let mut simulated = opened(station, script);
                key(&mut simulated, &keys[..at]);
                match simulated.press(wrong) {
                    Some(answer) if answer.is_accepted() => {
                        assert!(told.contains("If you hear the accepted signal"), "{told}");
                        continue;
                    }
                    Some(_) => refused += 1,
                    None => {
                        waited += 1;
                        match breaker {
                            Some(breaker) => assert!(!simulated.press(breaker).unwrap().is_accepted(), "{told}"),
                            None => {
                                assert!(told.contains("ring again, open the call"), "{told}");
                                simulated = opened(station, script);
                            }
                        }
                    }
                }
                assert!(simulated.pending().is_empty(), "it starts afresh");
                let answer = key(&mut simulated, &keys).expect("an answer");
                // A need that nobody knows to be met is no fault of the advice.
                assert_eq!(parsed(&answer.keys.to_string()), keys);
            }
        }
    }
    (refused, waited)
}

#[test]
fn after_any_wrong_key_the_advice_of_the_card_has_the_step_keyed_whole() {
    let held = ALL_HELD.replace("gate.seconds: 7", "gate.seconds: 9").replace("\"9,01632960101\"", "\"5\"");
    let station = station(TERN, ALL_WANTED);
    let script = there(&station, &record(&station, &held)).unwrap().expect("a script");
    let (refused, waited) = follow(&station, &script);
    assert!(refused > 50 && waited > 50, "{refused} {waited}");
    // Where the star may stand within a number, another key is named.
    let starred = TERN.replace("dial_keys: {\",\": \"C\"}", "dial_keys: {\",\": \"C\", \"*\": \"*\"}");
    assert_ne!(starred, TERN);
    let station = super::station(&starred, ALL_WANTED);
    let script = there(&station, &record(&station, &held)).unwrap().expect("a script");
    follow(&station, &script);
}

/// A key wrong, the rest of the step keyed on, and all of it accepted: what that stored beside the step is what the card warns of.
#[test]
fn a_card_asks_for_the_test_of_a_button_that_a_wrong_key_may_have_changed() {
    // Its step begins with 22, and with 21 for 22 the same keys are the button's first number.
    let station = station(TERN, &ALL_WANTED.replace("emergency.backup: \"\"", "emergency.backup: \"5\""));
    let script = there(&station, &record(&station, ALL_HELD)).unwrap().expect("a script");
    let all = cautions(&script, &station, &codes());
    let told = all.iter().find(|text| text.starts_with("If you press a wrong key")).expect("it is said");
    let mut changed = 0;
    for step in script.calls.iter().flat_map(|call| &call.steps) {
        let keys = parsed(&step.keys.reveal(&codes()));
        for at in 0..keys.len() {
            for wrong in parsed("0123456789*#ABCD").into_iter().filter(|wrong| *wrong != keys[at]) {
                let (before, mut simulated) = (opened(&station, &script), opened(&station, &script));
                key(&mut simulated, &keys[..at]);
                simulated.press(wrong);
                key(&mut simulated, &keys[at + 1..]);
                let is_other = |id| {
                    let name = &station.keybook.setting(id).name;
                    simulated.held(id) != before.held(id)
                        && !step.sets.contains_key(name)
                        && !step.also.contains_key(name)
                };
                let required = station.keybook.lifelines.iter().filter(|lifeline| lifeline.is_required());
                for lifeline in required.filter(|lifeline| lifeline.settings.iter().any(|id| is_other(*id))) {
                    changed += 1;
                    let asked = told.split_once("make a test call with ").expect("it is asked").1;
                    assert!(asked.contains(&*lifeline.button), "{told}");
                }
            }
        }
    }
    assert!(changed > 0, "no wrong key changes a button: {told}");
}

#[test]
fn where_nothing_is_keyed_nothing_is_said_of_wrong_keys() {
    let station = station(TERN, ALL_WANTED);
    let script = there(&station, &record(&station, ALL_HELD)).unwrap().expect("a test call");
    assert!(script.calls.is_empty());
    assert!(cautions(&script, &station, &codes()).iter().all(|text| !text.contains("wrong key")));
}

/// The script as it comes back out of the ledger, for a visit that was begun.
fn again(station: &Station, record: &Record, script: &Script) -> Script {
    let line = line_of(&LedgerLine::Script(Box::new(issued(script, "2026-11-21T11:00:00Z".parse().unwrap()))));
    let LedgerLine::Script(mut kept) = parse_line(&line).unwrap() else { panic!("{line}") };
    crate::ledger::seal(&mut kept, codes().check());
    assert_eq!(digest_of(&kept).as_ref(), Some(&script.digest), "what its digest stands for is kept: {line}");
    kept.station = "EQ-02".into();
    assert_ne!(digest_of(&kept).as_ref(), Some(&script.digest));
    kept.station = script.station.clone();
    if script.basis.is_some() {
        assert_eq!(follows(&kept, &station.keybook), Some(true), "{line}");
        for (nth, step) in kept.steps.iter().enumerate() {
            let mut forged = kept.clone();
            let other = ("lamp.follows".into(), Some((crate::setting::Written::List(["fire".into()].into()), None)));
            forged.steps[nth].effects = match step.effects.contains_key("lamp.follows") {
                true => [].into(),
                false => step.effects.clone().into_iter().chain([other]).collect(),
            };
            assert_eq!(follows(&forged, &station.keybook), Some(false), "{forged:?}");
        }
    }
    let visit = Visit {
        id: Uuid::nil(),
        script: script.digest.clone(),
        station: station.name.clone(),
        at: "2026-11-21T11:30:00Z".parse().unwrap(),
        by: "tech-07".into(),
        number: None,
    };
    asking(station, record, &codes(), |request| begun(request, &kept, &visit)).expect("all of it is kept")
}

#[test]
fn a_card_that_an_earlier_program_recorded_keeps_its_keys_once_it_was_begun() {
    let station = station(TERN, ALL_WANTED);
    let record =
        record(&station, &ALL_HELD.replace("access: {secret: \"file:new\"}, ", "").replace("\"121\"", "\"120\""));
    let script = there(&station, &record).unwrap().unwrap();
    let mut kept = issued(&script, "2026-11-21T11:00:00Z".parse().unwrap());
    let warnings = kept.document.pointer_mut("/card/warnings").and_then(serde_json::Value::as_array_mut).unwrap();
    let guessed = warnings.iter_mut().find_map(|one| one.get_mut("code_guessed")?.as_object_mut()).expect("a guess");
    for key in ["first", "earlier", "refused"] {
        guessed.remove(key).unwrap_or_else(|| panic!("{key}"));
    }
    let visit = Visit {
        id: Uuid::nil(),
        script: script.digest.clone(),
        station: station.name.clone(),
        at: "2026-11-21T11:30:00Z".parse().unwrap(),
        by: "tech-07".into(),
        number: None,
    };
    let again = asking(&station, &record, &codes(), |request| begun(request, &kept, &visit)).expect("its keys");
    assert_eq!((again.calls.len(), &again.warnings), (script.calls.len(), &script.warnings));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, ..ProptestConfig::default() })]

    #[test]
    fn a_script_comes_back_out_of_the_ledger_as_it_was_issued(
        wanted in any_settings(), held in any_settings(), is_back in any::<bool>(),
    ) {
        let station = station(TERN, &flow(&wanted));
        let record = record(&station, &flow(&held));
        let way = if is_back { Way::Back } else { Way::There };
        let Ok(Some(script)) = written(&station, &record, &codes(), way, &mut Memory::default()) else { return Ok(()) };
        let mut kept = again(&station, &record, &script);
        let began = kept.begun.take().expect("who began it");
        prop_assert_eq!(&*began.by, "tech-07");
        // What the ledger keeps nothing of: why its steps are as they are, and what other scripts would have cost.
        let mut script = script;
        (script.obvious, script.full_presses, script.bound, script.way_back) = (None, None, None, None);
        script.basis = None;
        script.dead.clear();
        kept.dead.clear();
        for step in script.calls.iter_mut().flat_map(|call| &mut call.steps) {
            step.rationale = Rationale::default();
        }
        prop_assert_eq!(kept, script);
    }
}
