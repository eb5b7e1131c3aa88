//! Keying a script into a simulated station before anybody keys it into a real one.
//!
//! The station understands keys and nothing else. It is started from every state the record allows: each
//! combination of candidates where settings are in doubt, and symbols for what is unknown. Nothing a
//! station does depends on a value except needs and codes, which a symbol never satisfies; so where the
//! combinations are too many to try, the run with symbols in their place covers them. What opens a call always
//! stays a symbol where it is in doubt: a call that is opened with one candidate is taken to open, as the card
//! says which to key if it does not.

use crate::inventory::Station;
use crate::keybook::{Answer, Held, Refusal, SettingId, SimulatedStation, Verdict};
use crate::ledger::Record;
use crate::setting::{Code, Codes, Keys, Secret, Value};

use super::aim::Aim;
use super::delta::Call;
use super::pressed::{Pressed, stand_in, unheard_of};

/// So many combinations of candidates are tried one by one.
const MOST_STARTS: usize = 256;

/// How a script failed on the simulated station.
#[allow(missing_docs, reason = "their messages say it")]
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ProofError {
    #[error("call {call} did not open")]
    NotOpened { call: usize },
    #[error("step {step} (0 is the closing) was not accepted: {why}")]
    NotAccepted { step: u32, why: String },
    #[error("\"{setting}\" did not end as wanted")]
    Missed { setting: String },
    #[error("call {call} ran past the station's limit")]
    TooLong { call: usize },
    #[error("it holds something that is no key")]
    NoKey,
}

/// Keys the calls into the simulated station from every start the record allows.
pub(super) fn prove(
    station: &Station,
    record: &Record,
    aim: &Aim,
    calls: &[Call],
    codes: &Codes,
) -> Result<(), ProofError> {
    let book = CodeBook::new(station, record, aim, codes);
    starts(station, record, aim).iter().try_for_each(|start| run(station, start, aim, calls, &book))
}

/// The code behind each secret of this script, or a stand-in of its own where it cannot be read here.
struct CodeBook {
    known: Vec<(Secret, Code)>,
}

impl CodeBook {
    fn new(station: &Station, record: &Record, aim: &Aim, codes: &Codes) -> CodeBook {
        let mut book = CodeBook { known: Vec::new() };
        for id in station.keybook.ids() {
            let setting = station.keybook.setting(id);
            let unheard_of = unheard_of(setting);
            let values = [&aim.start[id.index()], &aim.goal[id.index()], &setting.factory, &unheard_of];
            let refused = record.holding(id).refused.iter().map(|refusal| &refusal.code);
            let once = record.candidates(id).chain(record.earlier.codes(id)).chain(refused);
            for value in values.into_iter().flatten().chain(once) {
                let Value::Secret(secret) = value else { continue };
                if book.known.iter().any(|(known, _)| known.agrees(secret)) {
                    continue;
                }
                let factory = setting.factory_code.as_ref().filter(|_| Some(value) == setting.factory.as_ref());
                let code = codes.code_of(secret).or(factory).cloned();
                let nth = book.known.len() + 1;
                book.known.push((secret.clone(), code.unwrap_or_else(|| stand_in(&setting.kind, nth))));
            }
        }
        book
    }

    fn code(&self, secret: &Secret) -> Code {
        let known = self.known.iter().find(|(known, _)| known.agrees(secret));
        known.map_or_else(|| Code::new(""), |(_, code)| code.clone())
    }

    fn held(&self, value: &Value) -> Held {
        match value {
            Value::Secret(secret) => Held::Code(self.code(secret)),
            Value::Digits(_) | Value::Dial(_) | Value::Choice(_) | Value::Flags(_) | Value::Number(_) => {
                Held::Known(value.clone())
            }
        }
    }
}

type Start = Vec<Option<Value>>;

/// The start with symbols, and every combination of candidates if they are few enough.
fn starts(station: &Station, record: &Record, aim: &Aim) -> Vec<Start> {
    let mut starts = vec![aim.start.clone()];
    if !aim.renewed.is_empty() {
        let mut held = aim.start.clone();
        aim.renewed.iter().for_each(|id| held[id.index()] = record.known(*id).cloned());
        starts.push(held);
    }
    let mut combinations: Vec<Start> = vec![aim.start.clone()];
    let opening = station.keybook.call.open.held();
    for id in station.keybook.ids().filter(|id| aim.start[id.index()].is_none() && !opening.contains(id)) {
        let candidates: Vec<&Value> = record.candidates(id).collect();
        if combinations.len() * candidates.len() > MOST_STARTS {
            return starts;
        }
        if !candidates.is_empty() {
            combinations = combinations.iter().flat_map(|start| with_each(start, id, &candidates)).collect();
        }
    }
    if combinations.len() > 1 {
        starts.extend(combinations);
    }
    starts
}

fn with_each(start: &Start, id: SettingId, candidates: &[&Value]) -> Vec<Start> {
    let with = |candidate: &&Value| {
        let mut start = start.clone();
        start[id.index()] = Some((*candidate).clone());
        start
    };
    candidates.iter().map(with).collect()
}

fn run(station: &Station, start: &Start, aim: &Aim, calls: &[Call], book: &CodeBook) -> Result<(), ProofError> {
    let held = start.iter().map(|value| value.as_ref().map_or(Held::Unknown, |value| book.held(value))).collect();
    let mut simulated = SimulatedStation::new(station.keybook.clone(), held, &Codes::default()).keeping_time();
    for (nth, call) in calls.iter().enumerate() {
        simulated.ring();
        let opened = key(&mut simulated, &call.open, book)?;
        if !opened.is_some_and(|answer| answer.is_accepted()) {
            return Err(ProofError::NotOpened { call: nth + 1 });
        }
        for step in &call.steps {
            accepted(station, nth + 1, step.number, key(&mut simulated, &step.keys, book)?)?;
        }
        if let Some(close) = &call.close {
            accepted(station, nth + 1, 0, key(&mut simulated, close, book)?)?;
        }
    }
    landed(station, start, aim, &simulated, book)
}

fn accepted(station: &Station, call: usize, step: u32, answer: Option<Answer>) -> Result<(), ProofError> {
    let why = match answer.map(|answer| answer.verdict) {
        Some(Verdict::Accepted { .. }) => return Ok(()),
        Some(Verdict::Refused(Refusal::CallTooLong)) => return Err(ProofError::TooLong { call }),
        Some(Verdict::Refused(refusal)) => refusal.message(&station.keybook),
        None => "It waits for more keys.".into(),
    };
    Err(ProofError::NotAccepted { step, why })
}

/// Presses everything; the answer is that to the last key, and no key before it may be answered.
fn key(simulated: &mut SimulatedStation, pressed: &Pressed, book: &CodeBook) -> Result<Option<Answer>, ProofError> {
    let keys: Keys = pressed.with_stand_ins(|secret| book.code(secret)).parse().map_err(|_| ProofError::NoKey)?;
    let mut last = None;
    for key in keys.0 {
        if last.is_some() {
            return Ok(None);
        }
        last = simulated.press(key);
    }
    Ok(last)
}

fn landed(
    station: &Station,
    start: &Start,
    aim: &Aim,
    simulated: &SimulatedStation,
    book: &CodeBook,
) -> Result<(), ProofError> {
    for id in station.keybook.ids() {
        // What is neither wanted nor known must be as it was.
        let due = aim.goal[id.index()].as_ref().or(start[id.index()].as_ref());
        let due = due.map_or(Held::Unknown, |value| book.held(value));
        if *simulated.held(id) != due {
            return Err(ProofError::Missed { setting: station.keybook.setting(id).name.to_string() });
        }
    }
    Ok(())
}
