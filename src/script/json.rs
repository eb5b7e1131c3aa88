//! A script as stable JSON, as a ledger entry, and as the digest that names it.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde_json::{Value as Json, json as object};
use sha2::{Digest as _, Sha256};

use super::aim::Aim;
use super::card::cautions;
use super::delta::{Basis, Call, Script, Step};
use super::kept::{kept, kept_tests};
use super::obvious::Obvious;
use super::pressed::Pressed;
use super::problem::Cost;
use super::test_call::TestCall;

use crate::inventory::Station;
use crate::keybook::Keybook;
use crate::ledger::{Digest, Issued, IssuedStep, code_json, value_json};
use crate::setting::{Codes, Fingerprint, Name, Value, Written};

/// The script as `script --format json` prints it, with every code that can be read here.
pub fn json(script: &Script, station: &Station, codes: &Codes) -> Json {
    let Script {
        back: _,
        digest,
        basis: _,
        station: name,
        model,
        number,
        proven,
        bound,
        cost,
        full_presses,
        untried: _,
        calls,
        tests,
        way_back: _,
        renumbered: _,
        refused: _,
        setbacks: _,
        refused_again: _,
        renewed: _,
        begun: _,
        beside: _,
        dead: _,
        undecided: _,
        letters,
        obvious,
        unsure: _,
        warnings,
    } = script;
    let calls: Vec<Json> = calls.iter().map(|call| call_json(call, codes, &station.keybook)).collect();
    object!({
        "script": digest.to_string(),
        "station": &**name,
        "model": &**model,
        "number": &**number,
        "proven": proven,
        "bound": bound.map(cost_json),
        "exposure_ms": cost.exposure_ms,
        "keying_ms": cost.time_ms,
        "commands": cost.commands,
        "presses": cost.presses,
        "full_presses": full_presses,
        "obvious": obvious.as_ref().map(obvious_json),
        "calls": calls,
        "tests": tests_json(tests),
        "letters": letters,
        "cautions": cautions(script, station, codes),
        "warnings": warnings.iter().map(|warning| warning.text(codes)).collect::<Vec<_>>(),
    })
}

/// The same for a station at which nothing needs keying and no test call is asked for.
pub fn nothing_to_key(station: &Station, full_presses: Option<u64>) -> Json {
    object!({
        "script": Json::Null,
        "station": &*station.name,
        "model": &*station.keybook.model,
        "number": station.number.to_string(),
        "proven": true,
        "bound": Json::Null,
        "exposure_ms": 0,
        "keying_ms": 0,
        "commands": 0,
        "presses": 0,
        "full_presses": full_presses,
        "obvious": Json::Null,
        "calls": [],
        "tests": [],
        "letters": false,
        "cautions": [],
        "warnings": [],
    })
}

/// Figures are null where it would not have done what was asked.
fn obvious_json(Obvious { cost, refused, wrong }: &Obvious) -> Json {
    let names = |names: &[Name]| names.iter().map(|name| name.to_string()).collect::<Vec<_>>();
    object!({
        "exposure_ms": cost.map(|cost| cost.exposure_ms),
        "keying_ms": cost.map(|cost| cost.time_ms),
        "presses": cost.map(|cost| cost.presses),
        "commands": cost.map(|cost| cost.commands),
        "refused": names(refused),
        "wrong": names(wrong),
    })
}

fn cost_json(cost: Cost) -> Json {
    object!({
        "exposure_ms": cost.exposure_ms,
        "keying_ms": cost.time_ms,
        "presses": cost.presses,
        "commands": cost.commands,
    })
}

fn call_json(call: &Call, codes: &Codes, keybook: &Keybook) -> Json {
    let steps: Vec<Json> = call.steps.iter().map(|step| step_json(step, codes, keybook)).collect();
    object!({
        "open": call.open.reveal(codes),
        "codes": call.codes.iter().map(code_text).collect::<Vec<_>>(),
        "close": call.close.as_ref().map_or(String::new(), |close| close.reveal(codes)),
        "room_ms": call.room_ms,
        "steps": steps,
    })
}

fn tests_json(tests: &[TestCall]) -> Json {
    let test = |TestCall { lifeline, contact, number, test, .. }: &TestCall| {
        object!({
            "lifeline": &**lifeline,
            "contact": contact.as_deref(),
            "number": number.as_deref(),
            "test": test.as_deref(),
        })
    };
    tests.iter().map(test).collect()
}

/// Where a code is kept; what opens a call and is no code is told as it is.
fn code_text(code: &Value) -> String {
    match code {
        Value::Secret(secret) => secret.reference.to_string(),
        Value::Digits(_) | Value::Dial(_) | Value::Choice(_) | Value::Flags(_) | Value::Number(_) => code.to_string(),
    }
}

fn step_json(step: &Step, codes: &Codes, keybook: &Keybook) -> Json {
    object!({
        "step": step.number,
        "command": &*step.command,
        "keys": step.keys.reveal(codes),
        "sets": step.sets.iter().map(|(name, value)| (name.to_string(), value_json(value))).collect::<BTreeMap<_, _>>(),
        "also": step.also.iter().map(|(name, value)| (name.to_string(), effect_json(value))).collect::<BTreeMap<_, _>>(),
        "expect": "accepted",
        "uncovered": step.uncovered.iter().map(|name| &**name).collect::<Vec<_>>(),
        "takes_ms": step.takes_ms,
        "why": step.rationale.sentences(step.number, keybook),
    })
}

fn effect_json(value: &Option<Value>) -> Json {
    value.as_ref().map_or(Json::Null, value_json)
}

/// The steps in their calls, codes by reference: what the digest stands for, and what is kept.
fn document(calls: &[Call]) -> Json {
    let step = |step: &Step| object!({ "step": step.number, "command": &*step.command, "keys": step.keys.json() });
    let call = |call: &Call| {
        object!({
            "open": call.open.json(),
            "codes": call.codes.iter().map(code_json).collect::<Vec<_>>(),
            "close": call.close.as_ref().map(Pressed::json),
            "steps": call.steps.iter().map(step).collect::<Vec<_>>(),
        })
    };
    calls.iter().map(call).collect()
}

/// 16 hexadecimal digits over station, number, keybook, start, and the steps in their calls.
pub(super) fn digest(station: &Station, aim: &Aim, calls: &[Call]) -> Digest {
    let Basis { keybook, start } = basis(station, aim);
    let number = station.number.to_string();
    hashed(&object!([&*station.name, number, &*station.keybook.model, keybook, start, document(calls)]))
}

/// What a script is written from, as its digest has it.
pub(super) fn basis(station: &Station, aim: &Aim) -> Basis {
    let start = aim.start.iter().map(|value| value.as_ref().map_or(Json::Null, held_json)).collect();
    Basis { keybook: station.keybook.digest.clone(), start }
}

/// The digest that a recorded script should have, by what is kept of it; nothing where too little is. What its steps set is no
/// part of it: that follows from its keys and the keybook.
pub fn digest_of(issued: &Issued) -> Option<Digest> {
    let document = &issued.document;
    let (station, number) = (&*issued.station, issued.number()?);
    let mut calls = document.get("calls")?.clone();
    if calls.as_array()?.is_empty() {
        return Some(hashed(&object!([station, number, kept_tests(issued)?])));
    }
    // What was noted of codes that could not be read is no part of it.
    let codes = calls.as_array_mut()?.iter_mut().filter_map(|call| call.get_mut("codes")?.as_array_mut()).flatten();
    for code in codes.filter_map(Json::as_object_mut) {
        let is_unread = |print: &Json| print.as_str().is_some_and(|print| print.ends_with(':'));
        if code.get("fingerprint").is_some_and(is_unread) {
            code.remove("fingerprint");
        }
    }
    let (keybook, start) = (document.pointer("/basis/keybook")?, document.pointer("/basis/start")?);
    Some(hashed(&object!([station, number, issued.model()?, keybook, start, calls])))
}

/// The same over station, number and tests, where nothing is keyed.
pub(super) fn digest_of_tests(station: &Station, tests: &[TestCall]) -> Digest {
    hashed(&object!([&*station.name, station.number.to_string(), tests_json(tests)]))
}

fn hashed(whole: &Json) -> Digest {
    Digest::of_hash(&Sha256::digest(whole.to_string()))
}

/// A value as it is written, a code by reference and fingerprint.
fn held_json(value: &Value) -> Json {
    let (written, print) = effect(value);
    object!([written.to_string(), print.map(|print| print.to_string())])
}

fn effect(value: &Value) -> (Written, Option<Fingerprint>) {
    let print = match value {
        Value::Secret(secret) => secret.fingerprint.clone(),
        Value::Digits(_) | Value::Dial(_) | Value::Choice(_) | Value::Flags(_) | Value::Number(_) => None,
    };
    (value.written(), print)
}

/// The script as the ledger keeps it, so that reports can name it.
pub fn issued(script: &Script, at: Timestamp) -> Issued {
    let steps = script.calls.iter().flat_map(|call| &call.steps).map(|step| {
        let sets = step.sets.iter().map(|(name, value)| (name.clone(), Some(effect(value))));
        let also = step.also.iter().map(|(name, value)| (name.clone(), value.as_ref().map(effect)));
        let effects: BTreeMap<Name, Option<(Written, Option<Fingerprint>)>> = sets.chain(also).collect();
        IssuedStep { step: step.number, effects }
    });
    Issued {
        digest: script.digest.clone(),
        station: script.station.clone(),
        at,
        steps: steps.collect(),
        document: object!({
            "model": &*script.model,
            "number": &*script.number,
            "basis": script.basis.as_ref().map(|Basis { keybook, start }| object!({ "keybook": keybook, "start": start })),
            "back": script.back.is_some(),
            "proven": script.proven,
            "cost": cost_json(script.cost),
            "calls": document(&script.calls),
            "card": kept(script),
        }),
    }
}
