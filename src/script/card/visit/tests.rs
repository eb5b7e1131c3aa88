//! Whole visits, walked from screen to screen against a simulated station that is not always heard: the report that the
//! screens tell is true of what the station holds, and where they say no button is in danger none is.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::Timestamp;
use proptest::prelude::*;
use uuid::Uuid;

use super::{Shows, Tells, Visit, VisitStep, Word};
use crate::inventory::Station;
use crate::keybook::sample::TERN;
use crate::keybook::{Ability, Held, SettingId, SimulatedStation};
use crate::ledger::{Heard, Opened, Opening, Outcome, Record, Report, State as HeldState, Test, fold};
use crate::script::Script;
use crate::script::card::Card;
use crate::script::card::{Group, KeyGroup};
use crate::script::recovery::visits::{
    COMMIT, COMMIT_HELD, COMMIT_WANTED, EIDER, any_eider, folded, holds, is_covered, next, simulated, target,
};
use crate::script::tests::{any_settings, codes, flow, report, station, there};
use crate::setting::{Keys, Reference, Value};

/// What becomes of one keying.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Turn {
    /// The station answers and is heard.
    Heard,
    /// It obeys, or refuses, and is not heard.
    Unheard,
    /// No key reaches it.
    Lost,
    /// The line drops before it has heard anything, and it is not clear whether it has.
    Dropped,
    /// It obeys, or refuses, and the line drops before it is heard.
    ObeyedAndDropped,
    /// The line drops before a key is pressed.
    DroppedBefore,
    /// A key is heard wrongly, and it refuses.
    Garbled,
}

const TURNS: [Turn; 7] =
    [Turn::Heard, Turn::Unheard, Turn::Lost, Turn::Dropped, Turn::ObeyedAndDropped, Turn::DroppedBefore, Turn::Garbled];

/// Someone with the page.
struct Walk<'a> {
    visit: &'a Visit,
    station: SimulatedStation,
    turns: Box<dyn Iterator<Item = Turn> + 'a>,
    report: Report,
    notes: Vec<String>,
    /// Whether the screen on which keying ended warned of a button.
    warned: bool,
    stopped: bool,
    seen: BTreeSet<usize>,
    dropped: Option<bool>,
}

impl Walk<'_> {
    /// From the first screen to the report.
    fn walk(&mut self) {
        let mut at = 0;
        for _ in 0..1_000 {
            self.seen.insert(at);
            let screen = &self.visit.screens[at];
            // Whoever is to ring again hangs up first.
            let rings = |text: &String| text.contains("Ring again");
            if matches!(screen.shows, Shows::Open { .. }) && screen.says.iter().any(rings) {
                self.station.hang_up();
            }
            let Some(word) = self.word(&screen.shows) else { return };
            if screen.shows == Shows::Stop {
                self.stopped = true;
                self.warned |= screen.says.iter().any(|text| text.starts_with("WARNING"));
            }
            let answer =
                screen.answers.iter().find(|answer| answer.word == word).expect("an answer to all that happens");
            answer.tells.iter().for_each(|tells| self.tell(tells));
            at = answer.to;
        }
        panic!("it does not end");
    }

    /// What is tapped; nothing at the end.
    fn word(&mut self, shows: &Shows) -> Option<Word> {
        Some(match shows {
            Shows::Which => Word::Yes,
            Shows::Says => Word::Later,
            Shows::Open { opening, .. } => self.open(self.visit.openings[*opening].pressed.as_deref()?),
            Shows::Step { step } => self.key(self.visit.steps[*step as usize - 1].keys.pressed.as_deref()?),
            Shows::Dropped { .. } => match self.dropped.take().expect("it was said before") {
                true => Word::Yes,
                false => Word::No,
            },
            Shows::End { call } => {
                if let Some(close) = &self.visit.calls[*call].close {
                    self.press(close.pressed.as_deref().expect("known keys"));
                }
                self.station.hang_up();
                Word::Done
            }
            Shows::Stop => Word::Done,
            Shows::Test { .. } => Word::Later,
            Shows::Who { .. } => Word::Failed,
            Shows::Finish => return None,
        })
    }

    fn press(&mut self, keys: &str) -> bool {
        let keys: Keys = keys.parse().expect("keys");
        let answers = self.station.press_all(&keys);
        answers.len() == 1 && answers[0].is_accepted()
    }

    fn open(&mut self, keys: &str) -> Word {
        if !self.station.in_call() {
            self.station.ring();
        }
        if self.press(keys) { Word::Accepted } else { Word::Refused }
    }

    fn key(&mut self, keys: &str) -> Word {
        let turn = self.turns.next().unwrap_or(Turn::Heard);
        let accepted = match turn {
            Turn::Heard | Turn::Unheard | Turn::ObeyedAndDropped => self.press(keys),
            Turn::Lost | Turn::Dropped | Turn::DroppedBefore | Turn::Garbled => false,
        };
        match turn {
            Turn::Heard if accepted => Word::Accepted,
            Turn::Heard | Turn::Garbled => Word::Refused,
            Turn::Unheard | Turn::Lost => Word::Nothing,
            Turn::Dropped | Turn::ObeyedAndDropped | Turn::DroppedBefore => {
                self.station.hang_up();
                self.dropped = Some(turn != Turn::DroppedBefore);
                Word::Dropped
            }
        }
    }

    fn tell(&mut self, tells: &Tells) {
        match tells {
            Tells::Opening { call, code, heard } => {
                let heard = Opened::WORDS.iter().find(|(word, _)| word == heard).expect("a word of reports").1;
                let (call, code) = (*call as u32, *code as u32);
                self.report.openings.push(Opening { call, heard, code });
            }
            Tells::Step { step, heard } => {
                let heard = Heard::WORDS.iter().find(|(word, _)| word == heard).expect("a word of reports").1;
                self.report.steps.retain(|(known, _)| known != step);
                self.report.steps.push((*step, heard));
            }
            Tells::Test { test, outcome } => {
                let outcome = Outcome::WORDS.iter().find(|(word, _)| word == outcome).expect("a word of reports").1;
                let lifeline = self.visit.tests[*test].lifeline.as_str().into();
                self.report.tests.push(Test { lifeline, outcome, contact: None, dialled: None });
            }
            Tells::Found(_) | Tells::Heard(_) => panic!("nothing is asked about which station it is"),
            Tells::Note(text) => self.notes.push(text.clone()),
        }
    }
}

fn visit_of(script: &Script, station: &Station) -> Visit {
    let codes = codes();
    let card = Card::of(script, station, &codes, None, Uuid::nil());
    Visit::of(script, station, &codes, &card, &BTreeMap::new())
}

/// Every screen leads somewhere, all are named, and none twice.
fn is_sound(visit: &Visit) -> Result<(), TestCaseError> {
    let names: BTreeSet<&str> = visit.screens.iter().map(|screen| &*screen.id).collect();
    prop_assert_eq!(names.len(), visit.screens.len());
    for screen in &visit.screens {
        prop_assert_eq!(screen.answers.is_empty(), screen.shows == Shows::Finish);
        prop_assert!(screen.answers.iter().all(|answer| answer.to < visit.screens.len()));
    }
    Ok(())
}

/// One visit from beginning to end, by what the screens say.
fn walked(station: &Arc<Station>, held: &str, turns: &[Turn]) -> Result<(), TestCaseError> {
    let first = report(held);
    let record = fold(&station.keybook, [&first], |_| None);
    let Ok(Some(script)) = there(station, &record) else { return Ok(()) };
    let visit = visit_of(&script, station);
    is_sound(&visit)?;
    // A code that cannot be read here cannot be keyed here.
    if visit.steps.iter().any(|step| step.keys.pressed.is_none())
        || visit.openings.iter().any(|open| open.pressed.is_none())
    {
        return Ok(());
    }
    let blank = Report { id: Uuid::from_u128(7), script: Some(script.digest.clone()), ..report("") };
    let at: Timestamp = "2026-11-21T09:00:00Z".parse().expect("a time");
    let mut walk = Walk {
        visit: &visit,
        station: as_recorded(station, &record),
        turns: Box::new(turns.iter().copied()),
        report: Report { at, ..blank },
        notes: Vec::new(),
        warned: false,
        stopped: false,
        seen: BTreeSet::new(),
        dropped: None,
    };
    walk.walk();
    let after = folded(station, &[first, walk.report.clone()], &script);
    is_true(station, &after, &walk)?;
    if !walk.warned {
        is_safe(station, &record, &walk.station, &script)?;
    }
    if !walk.stopped {
        for id in station.keybook.ids() {
            if let Some(wanted) = station.wanted(id) {
                prop_assert!(holds(&walk.station, id, &wanted.value), "{}", station.keybook.setting(id).name);
            }
        }
    }
    next(station, &after, walk.station)
}

/// A station as the record has it. A code that nobody knows and no factory sets is the wanted one.
fn as_recorded(station: &Station, record: &Record) -> SimulatedStation {
    let known = simulated(station, record);
    let codes = codes();
    let wanted = codes.code(&Reference::File("new".into())).expect("a code").clone();
    let open = station.keybook.call.open.held();
    let held = |id: SettingId| match known.held(id) {
        Held::Unknown if open.contains(&id) => Held::Code(wanted.clone()),
        held @ (Held::Unknown | Held::Code(_) | Held::Known(_)) => held.clone(),
    };
    SimulatedStation::new(station.keybook.clone(), station.keybook.ids().map(held).collect(), &codes)
}

/// The factory's code is in the keybook.
fn is_held(simulated: &SimulatedStation, id: SettingId, value: &Value) -> bool {
    let printed = simulated.keybook().setting(id).factory_code.as_ref();
    match (value, simulated.held(id)) {
        (Value::Secret(secret), Held::Code(code)) if secret.reference == Reference::Factory => printed == Some(code),
        (_, Held::Unknown | Held::Code(_) | Held::Known(_)) => holds(simulated, id, value),
    }
}

/// What the station holds is among what the record allows for.
fn is_true(station: &Station, after: &Record, walk: &Walk) -> Result<(), TestCaseError> {
    for id in station.keybook.ids() {
        let told = (&walk.report.openings, &walk.report.steps);
        match &after.holding(id).state {
            HeldState::Known(value) => prop_assert!(is_held(&walk.station, id, value), "{:?}", told),
            HeldState::InDoubt(all) => {
                prop_assert!(all.iter().any(|value| is_held(&walk.station, id, value)), "{:?}", told)
            }
            HeldState::Unknown => {}
        }
    }
    Ok(())
}

/// Every button that was known to work, or is to, is as it was or as it will be.
fn is_safe(
    station: &Station,
    record: &Record,
    simulated: &SimulatedStation,
    script: &Script,
) -> Result<(), TestCaseError> {
    for (nth, lifeline) in station.keybook.lifelines.iter().enumerate().filter(|(_, one)| one.is_required()) {
        let dead = |ability| ability == Ability::Dead;
        let dead_then = dead(lifeline.ability(|id| target(station, record, id)));
        let was = lifeline.settings.iter().all(|id| record.known(*id).is_some())
            && !dead(lifeline.ability(|id| record.known(id)));
        let aimed = lifeline.settings.iter().all(|id| target(station, record, *id).is_some());
        if aimed && !dead_then && was {
            prop_assert!(is_covered(station, record, simulated, nth), "{:?}", script.digest);
        }
    }
    Ok(())
}

fn any_turns() -> impl Strategy<Value = Vec<Turn>> {
    let turn = prop_oneof![3 => Just(Turn::Heard), 1 => (0..TURNS.len()).prop_map(|at| TURNS[at])];
    prop::collection::vec(turn, 0..12)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 128, ..ProptestConfig::default() })]

    #[test]
    fn whatever_is_heard_the_report_of_the_screens_is_true_and_the_next_script_lands(
        wanted in any_settings(), held in any_settings(), turns in any_turns(),
    ) {
        walked(&station(TERN, &flow(&wanted)), &flow(&held), &turns)?;
    }

    #[test]
    fn the_same_where_a_mode_puts_the_button_out_of_service(
        wanted in any_eider(), held in any_eider(), turns in any_turns(),
    ) {
        let wanted = flow(&wanted).replace("unit.mode: survey", "unit.mode: service");
        walked(&station(EIDER, &wanted), &flow(&held), &turns)?;
    }
}

/// Found by chance: the factory's code opens, and the step that stores another one is keyed twice and reaches nobody.
#[test]
fn a_code_in_doubt_between_the_factory_s_and_the_new_one_is_true_where_the_station_kept_the_factory_s() {
    let wanted = "identity: \"7777\", unit.mode: service, line.kind: direct, emergency.primary: \"5\", \
                  emergency.backup: \"\", lamp.mode: dark, speech.level: 45, call.minutes: 10, \
                  access: {secret: \"file:new\"}";
    let held = "identity: \"205\", unit.mode: service, line.kind: direct, emergency.primary: \"5\", \
                emergency.backup: \"999\", lamp.mode: dark, speech.level: 45, call.minutes: 10";
    let turns = [[Turn::Heard; 3].as_slice(), &[Turn::Lost; 2]].concat();
    walked(&station(EIDER, wanted), held, &turns).unwrap();
}

/// Found by chance: the next script keys the factory's code, which opened the call.
#[test]
fn after_a_step_that_nothing_was_heard_of_the_next_script_may_key_the_code_that_opened_the_call() {
    let wanted = "identity: \"205\", unit.mode: service, line.kind: pbx, emergency.primary: \"5\", emergency.backup: \"\", \
                  lamp.mode: dark, speech.level: 30, call.minutes: 10, access: {secret: \"file:new\"}";
    let held = "unit.mode: service, line.kind: direct, emergency.primary: \"5\", emergency.backup: \"\", lamp.mode: dark, \
                speech.level: 45, call.minutes: 10";
    walked(&station(EIDER, wanted), held, &[Turn::Unheard; 2]).unwrap();
}

#[test]
fn any_two_mishaps_in_a_row_at_steps_that_may_not_be_keyed_again_end_in_a_true_report() {
    let station = station(COMMIT, COMMIT_WANTED);
    for before in 0..3 {
        for first in TURNS {
            for second in TURNS {
                let turns = [vec![Turn::Heard; before], vec![first, second]].concat();
                walked(&station, COMMIT_HELD, &turns).unwrap();
            }
        }
    }
}

fn text_of(groups: &[KeyGroup]) -> Vec<(&str, Group)> {
    groups.iter().map(|group| (&*group.text, group.is)).collect()
}

#[test]
fn keys_are_read_as_people_read_them() {
    let station = station(TERN, "access: {secret: \"file:new\"}, emergency.primary: {to: help}, line.kind: pbx");
    let held = "access: {secret: \"file:new\"}, emergency.primary: \"5\", line.kind: pbx";
    let record = fold(&station.keybook, [&report(held)], |_| None);
    let script = there(&station, &record).unwrap().unwrap();
    let visit = visit_of(&script, &station);
    assert_eq!(visit.number_read, "+44 1632 960121");
    assert_eq!(visit.who, ["Help, +44 1632 960101"]);
    assert_eq!(
        text_of(&visit.steps[0].keys.groups),
        [
            ("21", Group::Keys),
            ("9", Group::Outside),
            ("C", Group::Letter),
            ("01632 960101", Group::Number),
            ("#", Group::Keys)
        ]
    );
    assert_eq!(visit.steps[0].keys.pressed.as_deref(), Some("219C01632960101#"));
    assert_eq!(
        text_of(&visit.openings[0].groups),
        [("B", Group::Letter), ("4711", Group::Code), ("00", Group::Code), ("#", Group::Keys)]
    );
}

#[test]
fn every_code_is_keyed_twice_before_its_refusal_is_told_and_the_next_is_tried() {
    let wanted = "access: {secret: \"file:new\"}, identity: \"121\", unit.mode: service";
    let heard = |held: &str| {
        let station = station(EIDER, wanted);
        let record = fold(&station.keybook, [&report(held)], |_| None);
        let script = there(&station, &record).unwrap().unwrap();
        let visit = visit_of(&script, &station);
        let (mut at, mut told) = (0, Vec::new());
        while let Shows::Open { .. } = visit.screens[at].shows {
            let refused = visit.screens[at].answers.iter().find(|answer| answer.word == Word::Refused).unwrap();
            told.push(refused.tells.clone());
            at = refused.to;
        }
        assert!(visit.screens[at].says[0].starts_with("The station refused every code on record."));
        told
    };
    let refused = |code| Some(Tells::Opening { call: 1, code, heard: "refused" });
    assert_eq!(heard("access: {secret: \"file:new\"}, identity: \"120\", unit.mode: service"), [None, refused(1)]);
    assert_eq!(heard("identity: \"120\", unit.mode: service"), [None, refused(1), None, refused(2)]);
}

#[test]
fn taps_are_kept_by_names_that_an_unlike_script_does_not_share_by_chance() {
    let station = station(COMMIT, COMMIT_WANTED);
    let record = fold(&station.keybook, [&report(COMMIT_HELD)], |_| None);
    let visit = visit_of(&there(&station, &record).unwrap().unwrap(), &station);
    let places: BTreeMap<&str, usize> = visit.screens.iter().enumerate().map(|(nth, one)| (&*one.id, nth)).collect();
    for name in ["open1-step1", "step1", "step1-after1.0", "step2-after1.0", "dropped-step2", "end1", "finish"] {
        assert_eq!(places.contains_key(name), name != "step1-after1.0", "{name}: {places:?}");
    }
}

/// The screens that the same word leads to, one after the other, from the first.
fn leads(visit: &Visit, words: &[Word]) -> usize {
    words.iter().fold(0, |at, word| {
        let answers = &visit.screens[at].answers;
        answers.iter().find(|answer| answer.word == *word).expect("an answer").to
    })
}

#[test]
fn where_nothing_answers_twice_the_screens_end_in_a_stop_that_names_the_number_and_can_be_tried_again() {
    let station = station(EIDER, "access: {secret: \"file:new\"}, identity: \"121\", unit.mode: service");
    let held = "access: {secret: \"file:new\"}, identity: \"120\", unit.mode: service";
    let record = fold(&station.keybook, [&report(held)], |_| None);
    let visit = visit_of(&there(&station, &record).unwrap().unwrap(), &station);
    for words in [
        vec![Word::Nothing, Word::Nothing],
        vec![Word::Nothing, Word::Refused, Word::Nothing],
        vec![Word::Refused, Word::Nothing, Word::Nothing],
    ] {
        let stop = &visit.screens[leads(&visit, &words)];
        assert_eq!(stop.shows, Shows::Stop, "{words:?}");
        assert!(stop.says[0].starts_with("No one answers at +44 1632 960121. Key no more."), "{:?}", stop.says);
        let again = stop.answers.iter().find(|answer| answer.word == Word::Again).expect("it can be tried again");
        assert_eq!(again.to, 0);
    }
}

/// After a step that stores another code has dropped: what a report cannot place after the step stands in its note.
#[test]
fn what_is_tapped_after_a_dropped_line_is_told_in_the_note_where_a_step_changes_the_code() {
    let station = station(EIDER, "access: {secret: \"file:new\"}, unit.mode: service");
    let record = fold(&station.keybook, [&report("access: factory, unit.mode: service")], |_| None);
    let script = there(&station, &record).unwrap().unwrap();
    let visit = visit_of(&script, &station);
    let stores = |step: &VisitStep| step.what.contains("access");
    let at = visit.steps.iter().position(stores).expect("a step that stores the code");
    let words = [&[Word::Accepted].repeat(1 + at)[..], &[Word::Dropped, Word::Yes]].concat();
    let mut at = leads(&visit, &words);
    let mut told = Vec::new();
    for word in [Word::Refused, Word::Refused, Word::Nothing] {
        let answer = visit.screens[at].answers.iter().find(|answer| answer.word == word).expect("an answer");
        told.push(answer.tells.clone());
        at = answer.to;
    }
    let [None, Some(Tells::Note(new)), Some(Tells::Note(old))] = &told[..] else { panic!("{told:?}") };
    assert!(new.contains("the code that step") && new.ends_with("was refused."), "{new}");
    assert_eq!(old, "After the line dropped, code 2 of the card was not answered.");
}

#[test]
fn a_button_that_is_out_of_service_before_the_first_key_calls_nobody_on_every_stop_before_it() {
    let station =
        station(EIDER, "access: {secret: \"file:new\"}, unit.mode: service, line.kind: pbx, emergency.primary: \"5\"");
    let held = "access: {secret: \"file:new\"}, unit.mode: survey, line.kind: pbx, emergency.primary: \"5\", emergency.backup: \"\"";
    let record = fold(&station.keybook, [&report(held)], |_| None);
    let visit = visit_of(&there(&station, &record).unwrap().unwrap(), &station);
    for words in [vec![Word::Nothing, Word::Nothing], vec![Word::Refused, Word::Refused], vec![Word::Leave]] {
        let says = &visit.screens[leads(&visit, &words)].says;
        assert!(
            says.iter().any(|text| text.contains("he red button calls nobody now. Keep a stand-in here")),
            "{says:?}"
        );
    }
}
