//! Visits that go wrong, from the card to the next script: a step is missed, the card's rule is followed, what was heard is
//! reported, and the next script lands, whatever the station did.

use std::sync::Arc;

use jiff::Timestamp;
use proptest::prelude::*;
use uuid::Uuid;

use crate::inventory::Station;
use crate::keybook::Ability;
use crate::keybook::sample::TERN;
use crate::keybook::{Held, SimulatedStation};
use crate::ledger::{Heard, Issued, Record, Report, State as HeldState, fold};
use crate::script::card::{Card, Label, cautions};
use crate::script::tests::{any_settings, codes, flow, report, station, there};
use crate::script::{Call, NoScript, Pressed, Script, Step, issued};
use crate::setting::Value;

pub(in crate::script) const EIDER: &str = include_str!("../../../config/keybooks/eider-1.yaml");

/// A model that is programmed between two commands; keyed again unheard, either would be refused.
pub(in crate::script) const COMMIT: &str = r##"keybook: 1
model: tern-2
title: Commit (invented)
call: {rings: 1, greeting_ms: 2000, open: "B{=access}#", close: "D", idle_ms: 15000, limit_ms: 240000}
tones:
  accepted: {beeps: 1, hz: 1000, on_ms: 200}
  refused:  {beeps: 3, hz: 400, on_ms: 120, off_ms: 120}
timing: {press_ms: 500, answer_ms: 1500, tone_ms: 100, gap_ms: 100}
dial_keys: {",": "C"}
settings:
  access: {kind: secret, digits: [4, 8]}
  mode:   {kind: choice, values: {run: "1", prog: "2"}, factory: run, weight: lifeline}
  p:      {kind: dial, digits: [1, 20], weight: lifeline}
  shadow: {kind: choice, values: {clean: "1", dirty: "2"}, factory: clean}
lifelines:
  emergency: [mode, p]
commands:
  - {command: enter,  keys: "70*", needs: {mode: run}, also: {mode: prog}}
  - {command: p,      keys: "21{p}#", needs: {mode: prog}, also: {shadow: dirty}}
  - {command: commit, keys: "71*", needs: {mode: prog, shadow: dirty}, also: {mode: run, shadow: clean}}
  - {command: leave,  keys: "72*", also: {mode: run, shadow: clean}, takes_ms: 9000}
"##;
pub(in crate::script) const COMMIT_WANTED: &str =
    "access: {secret: \"file:new\"}, mode: run, p: {to: help}, shadow: clean";
pub(in crate::script) const COMMIT_HELD: &str =
    "access: {secret: \"file:new\"}, mode: run, p: \"9,01632960177\", shadow: clean";

/// What becomes of one keying.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Turn {
    /// The station answers and is heard.
    Heard,
    /// It obeys, or refuses, and is not heard.
    Unheard,
    /// No key reaches it.
    Lost,
    /// Its line drops: it hangs up and has heard nothing.
    Dropped,
    /// A key is heard wrongly, and it refuses.
    Garbled,
}

/// Someone at a station, with a card.
struct Visit<'a> {
    script: &'a Script,
    station: SimulatedStation,
    /// The steps as they are reported.
    told: Vec<(u32, Heard)>,
}

impl Visit<'_> {
    /// Keys a whole sequence; whether it was accepted.
    fn press(&mut self, keys: &str) -> bool {
        let answers = self.station.press_all(&keys.parse().expect("keys"));
        answers.len() == 1 && answers[0].is_accepted()
    }

    /// Rings and opens: as the card says or, where that is refused, with another code that it may have.
    fn open(&mut self, open: &Pressed) -> bool {
        let codes = ["471100", "1234", "860531", "581203"];
        let keyed = open.reveal(&crate::script::tests::codes()).replace("{access}", codes[0]);
        let own = codes.iter().find(|code| keyed.contains(**code)).expect("a code of ours");
        codes.iter().any(|other| self.open_by(&keyed.replace(own, other)))
    }

    fn open_by(&mut self, keys: &str) -> bool {
        self.station.ring();
        self.press(keys)
    }

    /// The keys with every code spelt out: the factory's is in the keybook.
    fn revealed(&self, keys: &Pressed) -> String {
        let keybook = self.station.keybook();
        let mut held = keybook.call.open.held().into_iter();
        let printed = held.find_map(|id| keybook.setting(id).factory_code.as_ref());
        let keyed = keys.reveal(&codes());
        printed.map_or_else(|| keyed.clone(), |code| keyed.replace("{access}", code.reveal()))
    }

    /// Keys one step as this turn goes.
    fn key(&mut self, call: &Call, step: &Step, turn: Turn) -> Heard {
        if !self.station.in_call() {
            assert!(self.open(&call.open), "it is rung again");
        }
        let keys = self.revealed(&step.keys);
        match turn {
            Turn::Heard if self.press(&keys) => Heard::Accepted,
            Turn::Heard | Turn::Garbled => Heard::Refused,
            Turn::Unheard => {
                self.press(&keys);
                Heard::Nothing
            }
            Turn::Lost => Heard::Nothing,
            Turn::Dropped => {
                self.station.hang_up();
                Heard::Nothing
            }
        }
    }

    /// By the rule of every card: once more, but not where the step says not to; what is reported.
    fn twice(&mut self, call: &Call, step: &Step, [first, second]: [Turn; 2]) -> Heard {
        match self.key(call, step, first) {
            Heard::Nothing if !step.recovery.again => Heard::Nothing,
            before @ (Heard::Nothing | Heard::Refused) => match (before, self.key(call, step, second)) {
                (_, Heard::Accepted) => Heard::Accepted,
                (Heard::Nothing, _) | (_, Heard::Nothing) => Heard::Nothing,
                (_, after) => after,
            },
            heard @ (Heard::Accepted | Heard::Skipped) => heard,
        }
    }

    /// Keys the card; the step of that number goes as the turns say. Whether it came to the end, or every step was
    /// accepted that is keyed where one fails.
    fn keyed(&mut self, number: u32, turns: [Turn; 2]) -> bool {
        let script = self.script;
        for call in &script.calls {
            assert!(self.open(&call.open));
            for step in &call.steps {
                let turns = if step.number == number { turns } else { [Turn::Heard; 2] };
                let heard = self.twice(call, step, turns);
                self.told.push((step.number, heard));
                if heard != Heard::Accepted {
                    return self.failed(call, step);
                }
            }
            if let Some(close) = &call.close {
                assert!(self.press(&close.reveal(&codes())));
            }
        }
        true
    }

    fn failed(&mut self, at: &Call, failed: &Step) -> bool {
        let script = self.script;
        let later = failed.recovery.fallback.as_ref().map_or(&[][..], |fallback| &fallback.steps);
        let mut from = at;
        for number in later {
            let all = script.calls.iter().flat_map(|call| call.steps.iter().map(move |step| (call, step)));
            let (call, step) = all.into_iter().find(|(_, step)| step.number == *number).expect("a step of the card");
            if !std::ptr::eq(call, from) {
                self.station.hang_up();
                from = call;
            }
            let heard = self.twice(call, step, [Turn::Heard; 2]);
            self.told.push((*number, heard));
            if heard != Heard::Accepted {
                return false;
            }
        }
        true
    }

    fn report(&self) -> Report {
        let at: Timestamp = "2026-11-21T09:00:00Z".parse().expect("a time");
        Report {
            id: Uuid::from_u128(7),
            at,
            script: Some(self.script.digest.clone()),
            steps: self.told.clone(),
            ..report("")
        }
    }
}

/// A station as the record has it; what nobody knows is as from the factory, or a symbol.
pub(in crate::script) fn simulated(station: &Station, record: &Record) -> SimulatedStation {
    let fresh = SimulatedStation::from_factory(station.keybook.clone());
    let held = |id| record.known(id).map_or_else(|| fresh.held(id).clone(), |value| Held::Known(value.clone()));
    SimulatedStation::new(station.keybook.clone(), station.keybook.ids().map(held).collect(), &codes())
}

pub(in crate::script) fn holds(station: &SimulatedStation, id: crate::keybook::SettingId, value: &Value) -> bool {
    match (value, station.held(id)) {
        (Value::Secret(secret), Held::Code(code)) => codes().code_of(secret).is_some_and(|wanted| wanted == code),
        (value, Held::Known(held)) => held == value,
        (_, Held::Unknown | Held::Code(_)) => false,
    }
}

/// Whether a lifeline is as it was, all of it known, or as it will be; unwanted settings may be as they were.
pub(in crate::script) fn is_covered(
    station: &Station,
    record: &Record,
    simulated: &SimulatedStation,
    lifeline: usize,
) -> bool {
    let settings = &station.keybook.lifelines[lifeline].settings;
    let as_was = settings.iter().all(|id| record.known(*id).is_some_and(|value| holds(simulated, *id, value)));
    let target = |id| target(station, record, id);
    as_was || settings.iter().all(|id| target(*id).is_some_and(|value| holds(simulated, *id, value)))
}

/// What a setting is to hold.
pub(in crate::script) fn target<'v>(
    station: &'v Station,
    record: &'v Record,
    id: crate::keybook::SettingId,
) -> Option<&'v Value> {
    station.wanted(id).map(|wanted| &wanted.value).or(record.known(id))
}

pub(in crate::script) fn folded(station: &Station, reports: &[Report], script: &Script) -> Record {
    let on_record: Issued = issued(script, Timestamp::UNIX_EPOCH);
    fold(&station.keybook, reports, |digest| (*digest == script.digest).then_some(&on_record))
}

/// One visit from beginning to end; what was reported.
fn visit(
    station: &Arc<Station>,
    held: &str,
    number: u32,
    turns: [Turn; 2],
) -> Result<Vec<(u32, Heard)>, TestCaseError> {
    let first = report(held);
    let record = fold(&station.keybook, [&first], |_| None);
    let Ok(Some(script)) = there(station, &record) else { return Ok(Vec::new()) };
    if script.calls.is_empty() {
        return Ok(Vec::new());
    }
    let number = 1 + number % u32::try_from(script.cost.commands).expect("few steps");
    let mut visit = Visit { script: &script, station: simulated(station, &record), told: Vec::new() };
    let went_well = visit.keyed(number, turns);
    let failing = script.calls.iter().flat_map(|call| &call.steps).find(|step| step.number == number);
    let failing = failing.expect("a step");
    let all_well = visit.told.iter().all(|(_, heard)| *heard == Heard::Accepted);
    let promised = all_well || failing.recovery.fallback.as_ref().is_none_or(|fallback| fallback.restores);
    if promised {
        prop_assert!(went_well, "a step of the promise was refused: {:?}", visit.told);
        for (lifeline, record_of) in
            station.keybook.lifelines.iter().zip(0..).filter(|(lifeline, _)| lifeline.is_required())
        {
            let dead_then = lifeline.ability(|id| target(station, &record, id)) == Ability::Dead;
            let dead_now = lifeline.ability(|id| record.known(id)) == Ability::Dead;
            let aimed = lifeline.settings.iter().all(|id| target(station, &record, *id).is_some());
            let tracked = aimed && !dead_then;
            let was_covered = lifeline.settings.iter().all(|id| record.known(*id).is_some()) && !dead_now;
            // Where nothing failed, and where the step hangs on no lifeline, it is as it was or will be.
            if tracked && (was_covered || all_well || failing.recovery.fallback.is_some()) {
                prop_assert!(is_covered(station, &record, &visit.station, record_of), "{:?} {:?}", visit.told, script);
            }
        }
    }
    // What the station holds is among what the record allows for.
    let after = folded(station, &[first, visit.report()], &script);
    for id in station.keybook.ids() {
        match &after.holding(id).state {
            HeldState::Known(value) => prop_assert!(holds(&visit.station, id, value), "{:?}", visit.told),
            HeldState::InDoubt(all) => {
                prop_assert!(all.iter().any(|value| holds(&visit.station, id, value)), "{:?}", visit.told)
            }
            HeldState::Unknown => {}
        }
    }
    next(station, &after, visit.station)?;
    Ok(visit.told)
}

/// The next script lands.
pub(in crate::script) fn next(
    station: &Arc<Station>,
    record: &Record,
    simulated: SimulatedStation,
) -> Result<(), TestCaseError> {
    let all_managed = station.keybook.ids().all(|id| station.wanted(id).is_some());
    let script = match there(station, record) {
        Err(NoScript::Unreachable(_) | NoScript::Dead(_)) if !all_managed => return Ok(()),
        script => script.map_err(|error| TestCaseError::fail(error.to_string()))?,
    };
    let simulated = match &script {
        None => simulated,
        Some(script) => {
            let mut visit = Visit { script, station: simulated, told: Vec::new() };
            prop_assert!(visit.keyed(0, [Turn::Heard; 2]));
            prop_assert!(visit.told.iter().all(|(_, heard)| *heard == Heard::Accepted), "{:?}", visit.told);
            visit.station
        }
    };
    for id in station.keybook.ids() {
        if let Some(wanted) = station.wanted(id) {
            prop_assert!(holds(&simulated, id, &wanted.value), "{}", station.keybook.setting(id).name);
        }
    }
    Ok(())
}

const TURNS: [Turn; 5] = [Turn::Heard, Turn::Unheard, Turn::Lost, Turn::Dropped, Turn::Garbled];

#[test]
fn a_beep_that_was_missed_at_a_step_not_to_be_keyed_again_leads_to_a_script_that_lands() {
    let station = station(COMMIT, COMMIT_WANTED);
    for first in TURNS {
        for second in TURNS {
            for number in 0..3 {
                let told = visit(&station, COMMIT_HELD, number, [first, second]).unwrap();
                let heard = told.iter().find(|(step, _)| *step == number + 1).unwrap().1;
                if first == Turn::Unheard && number != 1 {
                    assert_eq!(heard, Heard::Nothing, "{told:?}");
                }
            }
        }
    }
    // The review's case: the first step is obeyed unheard. What it is keyed into next tells that it was.
    let told = visit(&station, COMMIT_HELD, 0, [Turn::Unheard, Turn::Heard]).unwrap();
    assert_eq!(told, [(1, Heard::Nothing), (2, Heard::Accepted), (3, Heard::Accepted)]);
    let told = visit(&station, COMMIT_HELD, 0, [Turn::Lost, Turn::Heard]).unwrap();
    assert_eq!(told, [(1, Heard::Nothing), (2, Heard::Refused)]);
}

#[test]
fn silence_and_a_refusal_are_reported_as_silence() {
    let station = station(TERN, "access: {secret: \"file:new\"}, identity: \"121\"");
    let held = "access: {secret: \"file:new\"}, identity: \"120\"";
    for (turns, heard) in [
        ([Turn::Unheard, Turn::Garbled], Heard::Nothing),
        ([Turn::Garbled, Turn::Unheard], Heard::Nothing),
        ([Turn::Unheard, Turn::Heard], Heard::Accepted),
        ([Turn::Dropped, Turn::Heard], Heard::Accepted),
        ([Turn::Garbled, Turn::Garbled], Heard::Refused),
    ] {
        assert_eq!(visit(&station, held, 0, turns).unwrap(), [(1, heard)], "{turns:?}");
    }
}

fn any_turns() -> impl Strategy<Value = [Turn; 2]> {
    let turn = || (0..TURNS.len()).prop_map(|at| TURNS[at]);
    [turn(), turn()]
}

/// Settings of the Eider, in one mode or another.
pub(in crate::script) fn any_eider() -> impl Strategy<Value = Vec<Option<String>>> {
    let settings: &[(&str, &[&str])] = &[
        ("identity", &["\"205\"", "\"7777\""]),
        ("unit.mode", &["service", "survey"]),
        ("line.kind", &["direct", "pbx"]),
        ("emergency.primary", &["\"5\"", "\"9,01632960101\""]),
        ("emergency.backup", &["\"\"", "\"999\""]),
        ("lamp.mode", &["dark", "on-call"]),
        ("speech.level", &["30", "45"]),
        ("call.minutes", &["10", "15"]),
        ("access", &["{secret: \"file:new\"}", "{secret: \"file:other\"}"]),
    ];
    let one = |(name, values): &(&'static str, &'static [&'static str])| {
        let (name, values) = (*name, *values);
        let value = (0..values.len()).prop_map(move |at| format!("{name}: {}", values[at]));
        prop_oneof![9 => value.prop_map(Some), 1 => Just(None)]
    };
    settings.iter().map(one).collect::<Vec<_>>()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 128, ..ProptestConfig::default() })]

    #[test]
    fn after_a_visit_that_goes_wrong_the_record_is_true_and_the_next_script_lands(
        wanted in any_settings(), held in any_settings(), number in 0..9u32, turns in any_turns(),
    ) {
        visit(&station(TERN, &flow(&wanted)), &flow(&held), number, turns)?;
    }

    #[test]
    fn the_same_where_a_mode_puts_the_button_out_of_service(
        wanted in any_eider(), held in any_eider(), number in 0..9u32, turns in any_turns(),
    ) {
        // Nobody may order a button that calls nobody.
        let wanted = flow(&wanted).replace("unit.mode: survey", "unit.mode: service");
        visit(&station(EIDER, &wanted), &flow(&held), number, turns)?;
    }
}

fn card_of(station: &Arc<Station>, held: &str) -> (Script, Card) {
    let record = fold(&station.keybook, [&report(held)], |_| None);
    let script = there(station, &record).unwrap().unwrap();
    let card = Card::of(&script, station, &codes(), None, Uuid::nil());
    (script, card)
}

/// What each step says of itself where it fails.
fn told_at_steps(card: &Card) -> Vec<Option<&str>> {
    let lines = card.calls.iter().flat_map(|call| &call.lines);
    lines.filter(|line| matches!(line.label, Label::Step(_))).map(|line| line.fails.as_deref()).collect()
}

#[test]
fn a_step_that_may_not_be_keyed_again_says_so_and_the_rule_is_told_where_it_is_reported() {
    let station = station(COMMIT, COMMIT_WANTED);
    let (script, card) = card_of(&station, COMMIT_HELD);
    let again: Vec<bool> = script.calls[0].steps.iter().map(|step| step.recovery.again).collect();
    assert_eq!(again, [false, true, false]);
    let stand_in = "keep the stand-in until a new script is keyed.";
    let silent = "If you hear nothing, do not key it again: it has failed.";
    assert_eq!(
        told_at_steps(&card),
        [
            Some(format!("{silent} If it fails, key steps 2 and 3 all the same, then close; {stand_in}").as_str()),
            Some(format!("If it fails, key step 3 all the same, then close; {stand_in}").as_str()),
            Some(format!("{silent} If it fails, stop there; {stand_in}").as_str()),
        ]
    );
    let rule = card.cautions.iter().find(|caution| caution.contains("once more")).unwrap();
    assert!(rule.starts_with("If a step is not accepted, key it once more, unless the step says not to."), "{rule}");
    assert!(rule.ends_with("If you heard nothing once and a refusal once, report \"nothing\"."), "{rule}");
    assert!(
        card.how_to_report.contains("If you heard nothing once and a refusal once, write the word \"nothing\"."),
        "{}",
        card.how_to_report
    );
}

#[test]
fn where_a_step_fails_while_the_button_is_out_of_service_the_card_names_the_step_that_brings_it_back() {
    let held = "access: {secret: \"file:new\"}, identity: \"204\", unit.mode: service, line.kind: direct, \
        emergency.primary: \"5\", speech.level: 30";
    let wanted = held.replace("204", "205").replace("30", "45");
    let station = station(EIDER, &wanted);
    let (script, card) = card_of(&station, held);
    let back = Some("If it fails, key step 4 all the same, then close.");
    let stop = Some("If it fails, stop there; keep the stand-in until a new script is keyed.");
    assert_eq!(told_at_steps(&card), [back, back, back, stop]);
    let whole = cautions(&script, &station, &codes());
    assert!(
        whole.iter().any(|caution| caution.contains(
            "it has failed. If step 1, 2 or 3 fails, key step 4 all the same, then close. If step 4 fails, stop there; \
             keep the stand-in until a new script is keyed. If any other step fails, stop there."
        )),
        "{whole:#?}"
    );
    let from = "From step 1 to step 4 the red button calls nobody, for about 16 s in all: keep a stand-in at the \
        station, and do not hang up before step 4 is accepted. If the line drops, ring again at once.";
    assert!(whole.iter().any(|caution| caution == from), "{whole:#?}");
    assert!(card.facts[0].ends_with("No safer or shorter way exists."), "{:?}", card.facts);
}

#[test]
fn a_lifeline_of_which_nobody_knows_all_is_told_of_and_no_more_is_proved_than_is_on_record() {
    let held = "access: {secret: \"file:other\"}, identity: \"204\", unit.mode: service, line.kind: direct";
    let station = station(EIDER, &held.replace("204", "205").replace("other", "new"));
    let (script, card) = card_of(&station, held);
    assert_eq!(script.cost.exposure_ms, 0, "the objective is the contract's");
    let back = Some("If it fails, key step 4 all the same, then close.");
    let stop = Some("If it fails, stop there; keep the stand-in until a new script is keyed.");
    assert_eq!(told_at_steps(&card), [back, back, back, stop]);
    for told in [cautions(&script, &station, &codes()), card.cautions.clone()] {
        let all = told.join("\n");
        for part in [
            "Nobody knows the first number of the red button. Assume that it is in use.",
            "From step 1 to step 4 the red button may call nobody, for about",
            "If the line drops, ring again at once. After step 3, open with the code that it leaves. If that is refused, open as before.",
        ] {
            assert!(all.contains(part), "\"{part}\": {all}");
        }
    }
    assert!(card.facts[0].ends_with("No way is safer for the buttons on record, or shorter."));
    let bare: Vec<Option<&str>> = card.calls[0].lines.iter().map(|line| line.bare.as_deref()).collect();
    assert_eq!(bare[..2], [None, None], "until step 1 is accepted it is as it was");
    assert!(bare[2..5].iter().all(|bare| bare.unwrap().starts_with("The red button may call nobody while")));
}
