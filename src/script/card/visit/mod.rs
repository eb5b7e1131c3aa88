//! A visit, ready for a page that knows no rule: what is said before the first key, the keys as a person reads them, every
//! screen, and where every answer leads. [`screens`] follows the card's rules; the page follows the screens.
//!
//! It holds access codes, like the card.

mod at;
mod opening;
mod screens;
mod shown;
mod stop;
#[cfg(test)]
mod tests;

pub use shown::{Answer, Screen, Shows, Tells, Word};

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use super::as_read::{KeyGroup, number_read, pressed, read};
use super::contents::{Card, CardLine, Label};
use super::slip::may_change;
use super::words::{button, contact_title, sentence};
use crate::inventory::{Contact, LineKind, Station};
use crate::keybook::Lifeline;
use crate::script::delta::{Call, Script, Step};
use crate::script::pressed::Pressed;
use crate::script::test_call::{TestCall, number};
use crate::setting::{Codes, Name};

/// All that the page of a visit shows. Times in milliseconds. Its keys are spelt out, so it has no `Debug`.
#[derive(Serialize)]
pub struct Visit {
    /// What is said before everything else where it is made for a rehearsal.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rehearsal: Option<&'static str>,
    /// What a report names the script by.
    pub script: String,
    /// The station's name in the inventory.
    pub station: String,
    /// Where it is.
    pub place: String,
    /// What rings it, in E.164, and as people read it.
    pub number: String,
    #[allow(missing_docs, reason = "said above")]
    pub number_read: String,
    /// What it means that it is the way back.
    pub back: Option<&'static str>,
    /// What is said before all else.
    pub lead: Vec<String>,
    /// What to mind before, during and after keying.
    pub cautions: Vec<String>,
    /// What is particular about this script.
    pub notes: Vec<String>,
    /// Who must answer the test calls: a name and a number each.
    pub who: Vec<String>,
    /// Whether keys A to D are needed.
    pub letters: bool,
    /// What an accepted and a refused command sound like.
    pub accepted: String,
    #[allow(missing_docs, reason = "said above")]
    pub refused: String,
    /// How the station answers.
    pub answers: String,
    /// It hangs up after this silence.
    pub idle_ms: u32,
    /// It hangs up this long after it answered.
    pub limit_ms: u32,
    /// A tone sent by a machine, and the gap after it.
    pub tone_ms: u32,
    #[allow(missing_docs, reason = "said above")]
    pub gap_ms: u32,
    /// In the order to make them.
    pub calls: Vec<VisitCall>,
    /// What opens calls; screens count them from 0.
    pub openings: Vec<VisitKeys>,
    /// In the order of the card; step 1 first.
    pub steps: Vec<VisitStep>,
    /// In the order to make them.
    pub tests: Vec<VisitTest>,
    /// Who else may answer a test call, by title.
    pub contacts: Vec<VisitContact>,
    /// Who began to key it and has not reported yet.
    pub begun: Option<String>,
    /// The first one first.
    pub screens: Vec<Screen>,
}

/// One programming call.
#[derive(Serialize)]
pub struct VisitCall {
    /// "Call 1 of 2".
    pub title: String,
    /// What to do where there is no time to key a refused step once more.
    pub tight: Option<String>,
    /// What ends it, where keys do.
    pub close: Option<VisitKeys>,
    /// From the answer to the end of the opening.
    pub opens_ms: u64,
}

/// Keys, in the groups in which they are read.
#[derive(Serialize)]
pub struct VisitKeys {
    /// In the order to key them.
    pub groups: Vec<KeyGroup>,
    /// The keys alone; nothing where one of them is not known here.
    pub pressed: Option<String>,
}

/// One step.
#[derive(Serialize)]
pub struct VisitStep {
    /// Its call, from 0.
    pub call: usize,
    /// What to key.
    #[serde(flatten)]
    pub keys: VisitKeys,
    /// What it does, in a few words.
    pub what: String,
    /// Which button does not work while it is keyed.
    pub bare: Option<String>,
    /// Since which step it does not.
    pub since: Option<u32>,
    /// What must not be done meanwhile.
    pub stay: Option<String>,
    /// What the keybook says of the command: to mind before it, and beside it.
    pub warns: Option<String>,
    #[allow(missing_docs, reason = "said above")]
    pub note: Option<String>,
}

/// One test call.
#[derive(Serialize)]
pub struct VisitTest {
    /// What a report calls it.
    pub lifeline: String,
    /// Who a report says answered.
    pub contact: Option<String>,
    /// What people call the button.
    pub title: String,
    /// How to make the call.
    pub how: String,
    /// Who must answer: a name and a number.
    pub who: Option<String>,
    /// The steps without which it is not to be made: they change what it tests.
    pub steps: Vec<u32>,
    /// Whether it is made only after a wrong key that was accepted.
    pub after_slip: bool,
}

/// Someone who may answer a test call.
#[derive(Serialize)]
pub struct VisitContact {
    /// The name in the inventory.
    pub contact: String,
    /// What people call it.
    pub title: String,
}

/// More names would not be read through at a station.
const MOST_CONTACTS: usize = 200;

impl Visit {
    /// The visit of a script. `card` is its card, `contacts` are the fleet's.
    pub fn of(
        script: &Script,
        station: &Station,
        codes: &Codes,
        card: &Card,
        contacts: &BTreeMap<Name, Contact>,
    ) -> Visit {
        let keybook = &station.keybook;
        let slipped = after_slip(script, station, contacts);
        let (screens, openings) = screens::screens(script, station, script.tests.len() + slipped.len());
        let open = |keys: &Pressed| VisitKeys::of(read(keys, Some(&keybook.call.open), station, codes, true));
        let first = card.calls.first();
        let who = script.tests.iter().filter_map(|test| who(test, station));
        let mut told: Vec<String> = Vec::new();
        who.for_each(|who| {
            if !told.contains(&who) {
                told.push(who)
            }
        });
        Visit {
            rehearsal: card.rehearsal,
            script: script.digest.to_string(),
            station: script.station.to_string(),
            place: station.location.to_string(),
            number: script.number.to_string(),
            number_read: number_read(&script.number),
            back: card.back,
            lead: card.lead.clone(),
            cautions: card.cautions.clone(),
            notes: card.notes.clone(),
            who: told,
            letters: script.letters,
            accepted: first.map_or_else(String::new, |call| call.accepted.clone()),
            refused: first.map_or_else(String::new, |call| call.refused.clone()),
            answers: first.map_or_else(String::new, |call| call.answers.clone()),
            idle_ms: keybook.call.idle_ms,
            limit_ms: keybook.call.limit_ms,
            tone_ms: keybook.timing.tone_ms,
            gap_ms: keybook.timing.gap_ms,
            calls: (0..script.calls.len()).map(|nth| call_of(script, station, codes, card, nth)).collect(),
            openings: openings.iter().map(|opening| open(&opening.keys)).collect(),
            steps: steps(script, station, codes, card),
            tests: script
                .tests
                .iter()
                .map(|test| VisitTest::of(test, script, station))
                .chain(
                    slipped.iter().map(|test| VisitTest { after_slip: true, ..VisitTest::of(test, script, station) }),
                )
                .collect(),
            contacts: others(station, contacts),
            begun: script.begun.as_ref().map(|begun| begun.by.to_string()),
            screens,
        }
    }
}

/// The test calls that a wrong key may make necessary, beside those of the script.
fn after_slip(script: &Script, station: &Station, contacts: &BTreeMap<Name, Contact>) -> Vec<TestCall> {
    let is_asked = |lifeline: &Lifeline| script.tests.iter().any(|test| test.lifeline == lifeline.name);
    let others = may_change(&script.calls, station).into_iter().filter(|lifeline| !is_asked(lifeline));
    let test = |lifeline: &Lifeline| {
        let contact = lifeline.settings.iter().find_map(|id| station.wanted(*id)?.contact.clone());
        TestCall {
            elsewhere: None,
            lifeline: lifeline.name.clone(),
            number: contact.as_ref().and_then(|name| contacts.get(name)).map(number),
            contact,
            test: lifeline.test.clone(),
            has_failed: false,
            is_dead: false,
            is_unsure: false,
            failed_so: false,
            is_touched: false,
        }
    };
    others.map(test).collect()
}

/// Whom the station calls first, then everyone else, by title.
fn others(station: &Station, contacts: &BTreeMap<Name, Contact>) -> Vec<VisitContact> {
    let wanted = station.keybook.ids().filter_map(|id| station.wanted(id)?.contact.clone());
    let near: BTreeSet<Name> = wanted.collect();
    let mut all: Vec<(bool, String, &Name)> =
        contacts.iter().map(|(name, contact)| (!near.contains(name), sentence(&contact.title(name)), name)).collect();
    all.sort();
    let one = |(_, title, name): (bool, String, &Name)| VisitContact { contact: name.to_string(), title };
    all.into_iter().take(MOST_CONTACTS).map(one).collect()
}

impl VisitKeys {
    fn of(groups: Vec<KeyGroup>) -> VisitKeys {
        VisitKeys { pressed: pressed(&groups), groups }
    }
}

fn call_of(script: &Script, station: &Station, codes: &Codes, card: &Card, nth: usize) -> VisitCall {
    let (call, shown): (&Call, _) = (&script.calls[nth], &card.calls[nth]);
    let keybook = &station.keybook;
    let close = call.close.as_ref();
    let opening = call.open.presses(codes) as u64 * u64::from(keybook.timing.press_ms);
    VisitCall {
        title: card.call_title(nth),
        tight: shown.tight.clone(),
        close: close.map(|close| VisitKeys::of(read(close, keybook.call.close.as_ref(), station, codes, true))),
        opens_ms: u64::from(keybook.call.greeting_ms) + opening + u64::from(keybook.timing.answer_ms),
    }
}

fn steps(script: &Script, station: &Station, codes: &Codes, card: &Card) -> Vec<VisitStep> {
    let lines = card.calls.iter().flat_map(|call| &call.lines);
    let lines = lines.filter(|line| matches!(line.label, Label::Step(_)));
    let calls = script.calls.iter().enumerate();
    let steps = calls.flat_map(|(nth, call)| call.steps.iter().map(move |step| (nth, step)));
    let mut since: Option<u32> = None;
    let step = |((call, step), line): ((usize, &Step), &CardLine)| {
        let command = station.keybook.commands.iter().find(|command| command.name == step.command);
        // The step before the first that finds a button uncovered leaves it so.
        since = match (&line.bare, since) {
            (None, _) => None,
            (Some(_), None) => Some(step.number - 1),
            (Some(_), since) => since,
        };
        VisitStep {
            call,
            keys: VisitKeys::of(read(&step.keys, command.map(|command| &command.keys), station, codes, true)),
            what: line.what.clone(),
            bare: line.bare.clone(),
            since: since.filter(|since| *since > 0),
            stay: line.stay.clone(),
            warns: line.warns.clone(),
            note: line.note.as_ref().map(|note| note.to_string()),
        }
    };
    steps.zip(lines).map(step).collect()
}

impl VisitTest {
    fn of(test: &TestCall, script: &Script, station: &Station) -> VisitTest {
        let lifeline = station.keybook.lifelines.iter().find(|lifeline| lifeline.name == test.lifeline);
        let settings = lifeline.iter().flat_map(|lifeline| &lifeline.settings);
        let names: BTreeSet<&Name> = settings.map(|id| &station.keybook.setting(*id).name).collect();
        let steps = script.calls.iter().flat_map(|call| &call.steps);
        let changes = |step: &&Step| step.sets.keys().chain(step.also.keys()).any(|name| names.contains(name));
        let how = test.test.as_deref().unwrap_or("Make a call with it from the station itself.");
        VisitTest {
            lifeline: test.lifeline.to_string(),
            contact: test.contact.as_ref().map(|contact| contact.to_string()),
            title: sentence(&button(station, &test.lifeline)),
            how: how.to_owned(),
            who: who(test, station),
            after_slip: false,
            steps: steps.filter(changes).map(|step| step.number).collect(),
        }
    }
}

/// "Control room, +44 1632 960101".
fn who(test: &TestCall, station: &Station) -> Option<String> {
    let name = sentence(&contact_title(station, test.contact.as_ref()?));
    let number = test.number.as_ref().filter(|_| station.line.kind != Some(LineKind::RingDown));
    Some(number.map_or_else(|| name.clone(), |number| format!("{name}, {}", number_read(number))))
}

/// What is said of a card that was begun, where something else is wanted by now.
pub const OUTDATED: &str = "WARNING: something else is wanted at this station now. If no step was keyed, key none. If one was, \
                            key this card to its end: that leaves the buttons working. Then report, and ask for the new card.";
