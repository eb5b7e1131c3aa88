//! A script as the ledger keeps it, and as it is laid out again from there: a card that was begun keeps its keys, whatever
//! is known or wanted by now. Why its steps are in their order is not kept.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use serde_json::Value as Json;

use super::aim::Back;
use super::dead::calls_nobody;
use super::delta::{Begun, Call, Script, Step};
use super::presence::{beside, refused_again, renumbered};
use super::pressed::Pressed;
use super::problem::Cost;
use super::rationale::Rationale;
use super::recovery::{Fallback, Recovery};
use super::request::Request;
use super::test_call::TestCall;
use super::warning::{FirstCode, OtherOpenings, Warning};
use crate::drift::{Elsewhere, refused};
use crate::keybook::Keybook;
use crate::ledger::{Effect, Issued, IssuedStep, Visit, calls as issued_calls, leads_to};
use crate::setting::{Codes, Fingerprint, Name, Reference, Secret, Value, Written};

/// What a card says beside its keys and their effects; the part `card` of a recorded document.
#[derive(Serialize, Deserialize)]
struct Kept {
    back: Option<KeptBack>,
    renewed: Vec<String>,
    untried: Vec<String>,
    undecided: Vec<(String, Vec<String>)>,
    unsure: Vec<(String, Vec<String>)>,
    calls: Vec<KeptCall>,
    steps: Vec<KeptStep>,
    tests: Vec<KeptTest>,
    warnings: Vec<KeptWarning>,
}

#[derive(Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum KeptBack {
    AfterScript,
    AfterReport,
}

#[derive(Serialize, Deserialize)]
struct KeptCall {
    is_guessed: bool,
    length_ms: u64,
    room_ms: u64,
    has_room: bool,
    ends_itself: bool,
}

#[derive(Serialize, Deserialize)]
struct KeptStep {
    sets: Vec<String>,
    uncovered: Vec<String>,
    unsure: Vec<String>,
    takes_ms: u64,
    again: bool,
    fallback: Option<KeptFallback>,
    note: Option<String>,
}

#[derive(Serialize, Deserialize)]
struct KeptFallback {
    steps: Vec<u32>,
    restores: bool,
}

#[derive(Serialize, Deserialize)]
struct KeptTest {
    lifeline: String,
    contact: Option<String>,
    number: Option<String>,
    test: Option<String>,
    has_failed: bool,
    #[serde(default)]
    is_dead: bool,
    #[serde(default)]
    is_unsure: bool,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    elsewhere: Option<[String; 2]>,
    #[serde(default)]
    failed_so: bool,
    is_touched: bool,
}

/// What cannot be read here is found out anew.
#[derive(Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum KeptWarning {
    CodeLost {
        setting: String,
        step: u32,
        until: Option<u32>,
        calls: Vec<usize>,
        factory: Option<Json>,
    },
    CodeGuessed {
        setting: String,
        open: Json,
        #[serde(default)]
        first: Option<KeptCode>,
        is_wanted: bool,
        candidates: Vec<Json>,
        factory: Option<Json>,
        #[serde(default)]
        earlier: Vec<Json>,
        #[serde(default)]
        refused: Vec<Json>,
    },
    PassedOver {
        commands: Vec<String>,
    },
}

#[derive(Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum KeptCode {
    Wanted,
    Recorded,
    Factory,
    Earlier,
    Refused,
    Unheard,
}

impl KeptCode {
    fn of(first: FirstCode) -> KeptCode {
        match first {
            FirstCode::Wanted => KeptCode::Wanted,
            FirstCode::Recorded => KeptCode::Recorded,
            FirstCode::Factory => KeptCode::Factory,
            FirstCode::Earlier => KeptCode::Earlier,
            FirstCode::Refused => KeptCode::Refused,
            FirstCode::Unheard => KeptCode::Unheard,
        }
    }

    fn first(self) -> FirstCode {
        match self {
            KeptCode::Wanted => FirstCode::Wanted,
            KeptCode::Recorded => FirstCode::Recorded,
            KeptCode::Factory => FirstCode::Factory,
            KeptCode::Earlier => FirstCode::Earlier,
            KeptCode::Refused => FirstCode::Refused,
            KeptCode::Unheard => FirstCode::Unheard,
        }
    }
}

/// Which code comes first where a line does not say so: what is wanted, what is on record, the factory's.
fn first_of(is_wanted: bool, next: &OtherOpenings) -> FirstCode {
    match (is_wanted, next.candidates.is_empty(), &next.factory) {
        (true, _, _) => FirstCode::Wanted,
        (false, false, _) => FirstCode::Recorded,
        (false, true, Some(_)) => FirstCode::Factory,
        (false, true, None) => FirstCode::Unheard,
    }
}

fn texts(names: &[Name]) -> Vec<String> {
    names.iter().map(|name| name.to_string()).collect()
}

fn names(texts: Vec<String>) -> Vec<Name> {
    texts.into_iter().map(Name::from).collect()
}

fn grouped(all: &[(Name, Vec<Name>)]) -> Vec<(String, Vec<String>)> {
    all.iter().map(|(name, of)| (name.to_string(), texts(of))).collect()
}

fn ungrouped(all: Vec<(String, Vec<String>)>) -> Vec<(Name, Vec<Name>)> {
    all.into_iter().map(|(name, of)| (name.into(), names(of))).collect()
}

/// What is kept of a script beside its keys and their effects.
pub(super) fn kept(script: &Script) -> Json {
    let steps = script.calls.iter().flat_map(|call| &call.steps);
    let kept = Kept {
        back: script.back.map(|back| match back {
            Back::AfterScript => KeptBack::AfterScript,
            Back::AfterReport => KeptBack::AfterReport,
        }),
        renewed: texts(&script.renewed),
        untried: texts(&script.untried),
        undecided: grouped(&script.undecided),
        unsure: grouped(&script.unsure),
        calls: script.calls.iter().map(KeptCall::of).collect(),
        steps: steps.map(KeptStep::of).collect(),
        tests: script.tests.iter().map(KeptTest::of).collect(),
        warnings: script.warnings.iter().filter_map(KeptWarning::of).collect(),
    };
    // Texts, numbers and lists always have a JSON form.
    serde_json::to_value(kept).unwrap_or_default()
}

impl KeptCall {
    fn of(call: &Call) -> KeptCall {
        let Call { open: _, codes: _, is_guessed, close: _, steps: _, length_ms, room_ms, has_room, ends_itself } =
            call;
        KeptCall {
            is_guessed: *is_guessed,
            length_ms: *length_ms,
            room_ms: *room_ms,
            has_room: *has_room,
            ends_itself: *ends_itself,
        }
    }
}

impl KeptStep {
    fn of(step: &Step) -> KeptStep {
        let Recovery { again, fallback } = &step.recovery;
        let fallback = fallback.as_ref();
        KeptStep {
            sets: step.sets.keys().map(|name| name.to_string()).collect(),
            uncovered: texts(&step.uncovered),
            unsure: texts(&step.unsure),
            takes_ms: step.takes_ms,
            again: *again,
            fallback: fallback.map(|one| KeptFallback { steps: one.steps.clone(), restores: one.restores }),
            note: step.note.as_ref().map(ToString::to_string),
        }
    }
}

impl KeptTest {
    fn of(test: &TestCall) -> KeptTest {
        let text = |name: &Option<Name>| name.as_ref().map(ToString::to_string);
        let TestCall {
            lifeline,
            contact,
            number,
            test,
            has_failed,
            is_dead,
            is_unsure,
            elsewhere,
            failed_so,
            is_touched,
        } = test;
        KeptTest {
            lifeline: lifeline.to_string(),
            contact: text(contact),
            number: text(number),
            test: text(test),
            has_failed: *has_failed,
            is_dead: *is_dead,
            is_unsure: *is_unsure,
            elsewhere: elsewhere.as_ref().map(|one| [&one.called, &one.until].map(ToString::to_string)),
            failed_so: *failed_so,
            is_touched: *is_touched,
        }
    }

    fn test(self) -> TestCall {
        TestCall {
            lifeline: self.lifeline.into(),
            contact: self.contact.map(Name::from),
            number: self.number.map(Name::from),
            test: self.test.map(Name::from),
            has_failed: self.has_failed,
            is_dead: self.is_dead,
            is_unsure: self.is_unsure,
            elsewhere: self.elsewhere.map(|[called, until]| Elsewhere { called: called.into(), until: until.into() }),
            failed_so: self.failed_so,
            is_touched: self.is_touched,
        }
    }
}

impl KeptWarning {
    fn of(warning: &Warning) -> Option<KeptWarning> {
        let keys = |next: &OtherOpenings| next.factory.as_ref().map(|(pressed, _)| pressed.json());
        Some(match warning {
            Warning::CodeLost { setting, step, until, calls, next } => KeptWarning::CodeLost {
                setting: setting.to_string(),
                step: *step,
                until: *until,
                calls: calls.clone(),
                factory: keys(next),
            },
            Warning::CodeGuessed { setting, open, first, is_wanted, next } => KeptWarning::CodeGuessed {
                setting: setting.to_string(),
                open: open.json(),
                first: Some(KeptCode::of(*first)),
                is_wanted: *is_wanted,
                earlier: next.earlier.iter().map(Pressed::json).collect(),
                refused: next.refused.iter().map(Pressed::json).collect(),
                candidates: next.candidates.iter().map(Pressed::json).collect(),
                factory: keys(next),
            },
            Warning::PassedOver { commands } => KeptWarning::PassedOver { commands: texts(commands) },
            Warning::Unread { .. } => return None,
        })
    }

    fn warning(self, keybook: &Keybook) -> Option<Warning> {
        let next = |setting: &str, factory: Option<Json>, [candidates, earlier, refused]: [Vec<Json>; 3]| {
            let code = || keybook.setting(keybook.id(setting)?).factory_code.clone();
            let pressed = |json: &Json| Pressed::of_json(json, keybook);
            let factory = factory.as_ref().and_then(pressed).zip(code());
            let all = |keys: Vec<Json>| keys.iter().map(pressed).collect::<Option<_>>();
            let [candidates, earlier, refused] = [all(candidates)?, all(earlier)?, all(refused)?];
            Some(OtherOpenings { candidates, factory, earlier, refused })
        };
        Some(match self {
            KeptWarning::CodeLost { setting, step, until, calls, factory } => {
                let next = next(&setting, factory, [const { Vec::new() }; 3])?;
                Warning::CodeLost { setting: setting.into(), step, until, calls, next }
            }
            KeptWarning::CodeGuessed { setting, open, first, is_wanted, candidates, factory, earlier, refused } => {
                let open = Pressed::of_json(&open, keybook)?;
                let next = next(&setting, factory, [candidates, earlier, refused])?;
                let first = first.map_or_else(|| first_of(is_wanted, &next), KeptCode::first);
                Warning::CodeGuessed { setting: setting.into(), open, first, is_wanted, next }
            }
            KeptWarning::PassedOver { commands } => Warning::PassedOver { commands: names(commands) },
        })
    }
}

/// The tests of a recorded script as its digest has them; nothing where they are not kept.
pub(super) fn kept_tests(issued: &Issued) -> Option<Json> {
    let tests = issued.document.pointer("/card/tests")?.as_array()?.iter();
    let part = |test: &Json, key: &str| Some((key.to_owned(), test.get(key)?.clone()));
    let parts =
        |test: &Json| ["lifeline", "contact", "number", "test"].into_iter().map(|key| part(test, key)).collect();
    tests.map(parts).collect::<Option<Vec<serde_json::Map<String, Json>>>>().map(Json::from)
}

/// The settings that a recorded script keys again because they were confirmed too long ago.
pub fn renewed(issued: &Issued) -> Vec<String> {
    let renewed = issued.document.pointer("/card/renewed").and_then(Json::as_array);
    renewed.into_iter().flatten().filter_map(Json::as_str).map(str::to_owned).collect()
}

/// The script that a visit was begun with, as it was issued; nothing where the ledger does not keep all of it, or the
/// keybook has no longer what it needs.
pub fn begun(request: &Request, issued: &Issued, visit: &Visit) -> Option<Script> {
    let (keybook, document) = (&*request.station.keybook, &issued.document);
    let kept: Kept = serde_json::from_value(document.get("card")?.clone()).ok()?;
    let text = |key: &str| document.get(key).and_then(Json::as_str);
    let calls = calls(keybook, issued, kept.calls, kept.steps)?;
    let back = kept.back.map(|back| match back {
        KeptBack::AfterScript => Back::AfterScript,
        KeptBack::AfterReport => Back::AfterReport,
    });
    // The same keys may have been asked for either way: the last showing says which.
    let back = match request.record.handed_out.iter().find(|out| out.script == issued.digest) {
        Some(out) if out.is_back => back.or(Some(Back::AfterReport)),
        Some(_) => None,
        None => back,
    };
    let mut warnings: Vec<Warning> =
        kept.warnings.into_iter().map(|one| one.warning(keybook)).collect::<Option<_>>()?;
    warnings.extend(unread(&calls, request.codes));
    Some(Script {
        back,
        digest: issued.digest.clone(),
        basis: None,
        station: issued.station.clone(),
        model: text("model")?.into(),
        number: text("number")?.into(),
        proven: document.get("proven").and_then(Json::as_bool)?,
        bound: None,
        cost: cost(document.get("cost")?)?,
        full_presses: None,
        untried: names(kept.untried),
        letters: calls.iter().any(Call::has_letters),
        tests: kept.tests.into_iter().map(KeptTest::test).collect(),
        way_back: None,
        renumbered: renumbered(request),
        refused: refused(request.station, request.record),
        // Of what is wanted, to which it may lead no longer; its own tests say what failed with what it leaves.
        setbacks: Vec::new(),
        refused_again: refused_again(request, &calls),
        renewed: names(kept.renewed),
        begun: Some(Begun {
            by: visit.by.clone(),
            at: visit.at,
            is_outdated: back.is_none() && is_outdated(request, issued),
        }),
        beside: beside(request, Some(&issued.digest)),
        dead: calls_nobody(request.station, request.record),
        undecided: ungrouped(kept.undecided),
        obvious: None,
        unsure: ungrouped(kept.unsure),
        warnings,
        calls,
    })
}

/// The calls of a script on record; nothing where its line does not hold what a card is made from.
pub fn kept_calls(keybook: &Keybook, issued: &Issued) -> Option<Vec<Call>> {
    let kept: Kept = serde_json::from_value(issued.document.get("card")?.clone()).ok()?;
    calls(keybook, issued, kept.calls, kept.steps)
}

/// Whether it leads to something else than is wanted now.
fn is_outdated(request: &Request, issued: &Issued) -> bool {
    let ends = leads_to(&request.station.keybook, issued);
    ends.iter().any(|(id, to)| {
        let wanted = request.station.wanted(*id).map(|wanted| &wanted.value);
        wanted.is_some_and(|wanted| !to.as_ref().is_some_and(|to| to.agrees(wanted)))
    })
}

fn cost(json: &Json) -> Option<Cost> {
    let number = |key: &str| json.get(key).and_then(Json::as_u64);
    Some(Cost {
        exposure_ms: number("exposure_ms")?,
        time_ms: number("keying_ms")?,
        presses: number("presses")?,
        commands: number("commands")?,
    })
}

fn calls(keybook: &Keybook, issued: &Issued, kept: Vec<KeptCall>, steps: Vec<KeptStep>) -> Option<Vec<Call>> {
    let all = issued.document.get("calls")?.as_array()?;
    let codes = issued_calls(issued);
    if (all.len(), codes.len()) != (kept.len(), kept.len()) {
        return None;
    }
    let mut steps = steps.into_iter();
    let mut made = Vec::new();
    for ((call, kept), issued_call) in all.iter().zip(kept).zip(codes) {
        let keyed = call.get("steps")?.as_array()?.iter();
        let close = match call.get("close").filter(|close| !close.is_null()) {
            None => None,
            Some(close) => Some(Pressed::of_json(close, keybook)?),
        };
        made.push(Call {
            open: Pressed::of_json(call.get("open")?, keybook)?,
            codes: issued_call.codes.iter().filter_map(code).collect(),
            is_guessed: kept.is_guessed,
            close,
            steps: keyed.map(|keyed| step(keybook, issued, keyed, steps.next()?)).collect::<Option<_>>()?,
            length_ms: kept.length_ms,
            room_ms: kept.room_ms,
            has_room: kept.has_room,
            ends_itself: kept.ends_itself,
        });
    }
    Some(made)
}

/// A code that may open a call, by its reference.
fn code(effect: &Effect) -> Option<Value> {
    let (written, print) = effect.as_ref()?;
    match written {
        Written::Secret(reference) => {
            let fingerprint = print.as_ref().and_then(Fingerprint::read);
            Some(Value::Secret(Secret { reference: reference.clone(), fingerprint }))
        }
        Written::Quoted(_) | Written::Plain(_) | Written::List(_) => None,
    }
}

fn step(keybook: &Keybook, issued: &Issued, keyed: &Json, kept: KeptStep) -> Option<Step> {
    let number = u32::try_from(keyed.get("step")?.as_u64()?).ok()?;
    let IssuedStep { effects, .. } = issued.step(number)?;
    let (mut sets, mut also) = (BTreeMap::new(), BTreeMap::new());
    for (name, effect) in effects {
        let value = value(keybook, name, effect);
        match kept.sets.iter().any(|set| **set == **name) {
            true => sets.extend(value.map(|value| (name.clone(), value))),
            false => also.extend([(name.clone(), value)]),
        }
    }
    Some(Step {
        number,
        command: keyed.get("command")?.as_str()?.into(),
        keys: Pressed::of_json(keyed.get("keys")?, keybook)?,
        sets,
        also,
        uncovered: names(kept.uncovered),
        unsure: names(kept.unsure),
        takes_ms: kept.takes_ms,
        rationale: Rationale::default(),
        recovery: Recovery {
            again: kept.again,
            fallback: kept.fallback.map(|one| Fallback { steps: one.steps, restores: one.restores }),
        },
        note: kept.note.map(Name::from),
    })
}

/// What a step leaves in a setting; a code by its reference, whichever key its fingerprint was made with.
fn value(keybook: &Keybook, name: &Name, effect: &Effect) -> Option<Value> {
    let (written, print) = effect.as_ref()?;
    let print = || print.as_ref().and_then(Fingerprint::read);
    let seal = |reference: &Reference| Secret { reference: reference.clone(), fingerprint: print() };
    keybook.setting(keybook.id(name)?).kind.value(written, seal).ok()
}

/// The codes that cannot be read here, each once.
fn unread(calls: &[Call], codes: &Codes) -> Vec<Warning> {
    let pressed = calls.iter().flat_map(|call| [&call.open].into_iter().chain(call.steps.iter().map(|one| &one.keys)));
    let mut told: Vec<Warning> = Vec::new();
    for (setting, secret) in pressed.flat_map(|keys| keys.unread(codes)) {
        let warning = Warning::Unread { setting, secret };
        if !told.contains(&warning) {
            told.push(warning);
        }
    }
    told
}
