//! A visit broken off at any step, reported late, twice, out of order, corrected, or never: the record never claims more than
//! the simulated station holds.

use super::*;
use crate::keybook::{Held, SettingId, SimulatedStation};
use crate::ledger::{Issued, Opened, Opening, Visit, fold_with_visits};
use crate::setting::{Keys, Written};

/// How word of a visit comes.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Word {
    Never,
    Report,
    Twice,
    Corrected,
    CorrectedTwice,
}

/// A station that holds this. What is unknown on record is something else there.
fn simulated(station: &Station, held: &Record) -> SimulatedStation {
    let value = |id: SettingId| held.known(id).cloned().map_or(Held::Unknown, Held::Known);
    SimulatedStation::new(station.keybook.clone(), station.keybook.ids().map(value).collect(), &codes())
}

/// Keys the first steps of a script, each in its call; how many were obeyed.
fn key_first(station: &mut SimulatedStation, script: &Script, steps: usize) -> usize {
    let mut keyed = 0;
    for call in &script.calls {
        station.ring();
        // Where nobody knows the code, any opens a call here.
        let open = call.open.reveal(&codes()).replace("{access}", "1234");
        station.press_all(&open.parse::<Keys>().unwrap());
        for step in &call.steps {
            if keyed == steps {
                station.hang_up();
                return keyed;
            }
            let answers = station.press_all(&step.keys.reveal(&codes()).parse::<Keys>().unwrap());
            assert!(answers.last().is_some_and(crate::keybook::Answer::is_accepted), "{answers:?}");
            keyed += 1;
        }
        station.hang_up();
    }
    keyed
}

/// Whether a value on record is what the station holds. What it holds of itself it tells in keys.
fn holds(station: &SimulatedStation, id: SettingId, value: &Value) -> bool {
    match (station.held(id), value) {
        (Held::Code(code), Value::Secret(secret)) => {
            codes().code_of(secret).is_some_and(|known| known.reveal() == code.reveal())
        }
        (Held::Known(held), value) => held == value,
        (Held::Unknown | Held::Code(_), _) => false,
    }
}

fn at(minute: usize) -> Timestamp {
    format!("2026-11-21T01:{minute:02}:00Z").parse().unwrap()
}

/// What was heard of a visit in which so many steps were obeyed, the last of them perhaps unheard.
fn heard(count: usize, obeyed: usize, is_last_heard: bool) -> Vec<Heard> {
    let one = |step: usize| match step {
        _ if step < obeyed && (is_last_heard || step + 1 < obeyed) => Heard::Accepted,
        _ if step < obeyed => Heard::Nothing,
        _ => Heard::Skipped,
    };
    (0..count).map(one).collect()
}

fn of_visit(nth: u32, script: &Script, heard: &[Heard]) -> Report {
    Report { at: at(20), ..keyed_report(nth, script, heard) }
}

fn keyed_report(nth: u32, script: &Script, heard: &[Heard]) -> Report {
    let mut one = report("");
    one.id = format!("019a6c1e-8f00-7000-8000-{nth:012}").parse().unwrap();
    one.script = Some(script.digest.clone());
    one.steps = (1..).zip(heard.iter().copied()).collect();
    one
}

fn word() -> impl Strategy<Value = Word> {
    prop_oneof![
        Just(Word::Never),
        Just(Word::Report),
        Just(Word::Twice),
        Just(Word::Corrected),
        Just(Word::CorrectedTwice)
    ]
}

/// What was heard when the calls were opened that were rung before the visit broke off, where the code is known.
fn openings(script: &Script, station: &Station, start: &Record, obeyed: usize) -> Vec<Opening> {
    let is_known = station.keybook.call.open.held().iter().all(|id| start.known(*id).is_some());
    let mut before = 0;
    let rung = script.calls.iter().take_while(|call| {
        let is_rung = before <= obeyed;
        before += call.steps.len();
        is_rung
    });
    let accepted = |call| Opening { call, heard: Opened::Accepted, code: 1 };
    (1..).zip(rung.filter(|_| is_known)).map(|(call, _)| accepted(call)).collect()
}

/// What someone found later, as it is.
fn found_later(station: &Station, there: &SimulatedStation) -> Option<Report> {
    let id = station.keybook.id("gate.seconds")?;
    let Held::Known(Value::Number(seconds)) = there.held(id) else { return None };
    let found = [("gate.seconds".into(), Written::Plain(seconds.to_string().into()))].into();
    Some(Report { id: "019a6c1e-8f00-7000-8000-000000000030".parse().unwrap(), at: at(30), found, ..report("") })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn a_visit_broken_off_anywhere_and_told_of_in_any_way_never_claims_more_than_the_station_holds(
        wanted in any_settings(), held in any_settings(), word in word(), is_last_heard in any::<bool>(),
        turned in any::<bool>(), is_late in any::<bool>(),
    ) {
        let station = station(TERN, &flow(&wanted));
        let before = report(&flow(&held));
        let start = fold(&station.keybook, [&before], |_| None);
        let Ok(Some(script)) = keyed(&station, &start) else { return Ok(()) };
        let issued: Issued = issued(&script, at(0));
        let count = script.calls.iter().map(|call| call.steps.len()).sum::<usize>();
        // At every boundary, the start and the end too.
        for obeyed in 0..=count {
            let mut there = simulated(&station, &start);
            prop_assert_eq!(key_first(&mut there, &script, obeyed), obeyed);
            let visit = Visit {
                id: of_visit(9, &script, &[]).id,
                script: script.digest.clone(),
                station: station.name.clone(),
                at: at(10),
                by: "tech-07".into(),
                number: None,
            };
            let heard = heard(count, obeyed, is_last_heard);
            let openings = openings(&script, &station, &start, obeyed);
            let right = |nth| Report { openings: openings.clone(), ..of_visit(nth, &script, &heard) };
            let mut reports = vec![before.clone()];
            // Word of the visit comes after that of a later one.
            reports.extend(found_later(&station, &there).filter(|_| is_late));
            match word {
                Word::Never => {}
                Word::Report => reports.push(right(9)),
                Word::Twice => reports.extend([right(9), right(9)]),
                Word::Corrected | Word::CorrectedTwice => {
                    // The wrong ones claim that all was accepted; the first has the id of the visit.
                    let all = |nth| of_visit(nth, &script, &vec![Heard::Accepted; count]);
                    let wrong = all(9);
                    let corrects = Some(wrong.id);
                    let again = (word == Word::CorrectedTwice).then(|| Report { corrects, ..all(7) });
                    reports.push(wrong);
                    reports.extend(again);
                    reports.push(Report { corrects, ..right(8) });
                }
            }
            if turned {
                reports.reverse();
            }
            // The ledger takes a report once.
            reports.dedup_by_key(|report| report.id);
            let record = fold_with_visits(&station.keybook, &reports, [&visit], |digest| Some(&issued).filter(|one| one.digest == *digest));
            prop_assert_eq!(record.begun.is_empty(), word != Word::Never);
            for id in station.keybook.ids() {
                let name = &station.keybook.setting(id).name;
                match &record.holding(id).state {
                    HeldState::Unknown => {}
                    HeldState::Known(value) => prop_assert!(holds(&there, id, value), "{name} is not {value:?} after {obeyed} steps"),
                    HeldState::InDoubt(candidates) => prop_assert!(
                        candidates.iter().any(|candidate| holds(&there, id, candidate)),
                        "{name} is none of {candidates:?} after {obeyed} steps"
                    ),
                }
            }
        }
    }
}
