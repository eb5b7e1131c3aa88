//! What is particular about a script, found out: above all what nobody knows of the codes that open its calls.

use super::delta::{Call, Step};
use super::pressed::Pressed;
use super::problem::State;
use super::warning::{FirstCode, OtherOpenings, Warning};
use super::writer::Writer;
use crate::keybook::SettingId;
use crate::setting::{Code, Value};

/// The warnings of a script, each once; `states` are those before each step and after the last.
pub(super) fn warnings(writer: &Writer, calls: &[Call], states: &[State]) -> Vec<Warning> {
    let mut all = Vec::new();
    for id in writer.keybook().call.open.held() {
        let name = &writer.keybook().setting(id).name;
        let steps = calls.iter().flat_map(|call| &call.steps);
        let lost: Vec<&Step> = steps.filter(|step| step.also.get(name) == Some(&None)).collect();
        all.extend(lost.iter().map(|step| code_lost(writer, calls, id, step, states)));
        // From then on nobody knows the code because of that step.
        let known_better = lost.first().map_or(u32::MAX, |step| step.number);
        let first_steps = calls.iter().filter_map(|call| call.steps.first());
        let before = first_steps.filter(|first| first.number <= known_better);
        all.extend(before.filter_map(|first| code_guessed(writer, &states[first.number as usize - 1], id)));
    }
    if !writer.passed_over.is_empty() {
        all.push(Warning::PassedOver { commands: writer.passed_over.to_vec() });
    }
    let pressed = calls.iter().flat_map(|call| [&call.open].into_iter().chain(call.steps.iter().map(|s| &s.keys)));
    let unread = pressed.flat_map(|keys| keys.unread(writer.codes));
    all.extend(unread.map(|(setting, secret)| Warning::Unread { setting, secret }));
    let mut told: Vec<Warning> = Vec::new();
    for warning in all {
        if !told.contains(&warning) {
            told.push(warning);
        }
    }
    told
}

fn code_lost(writer: &Writer, calls: &[Call], id: SettingId, step: &Step, states: &[State]) -> Warning {
    let setting = writer.keybook().setting(id).name.clone();
    let known = |step: &&Step| step.sets.contains_key(&setting) || matches!(step.also.get(&setting), Some(Some(_)));
    let later = calls.iter().flat_map(|call| &call.steps).filter(|later| later.number > step.number);
    let until = later.clone().find(known).map(|step| step.number);
    let is_meanwhile = |first: &Step| first.number > step.number && until.is_none_or(|until| first.number <= until);
    let numbered = (1..).zip(calls.iter().filter_map(|call| call.steps.first()));
    let calls = numbered.filter(|(_, first)| is_meanwhile(first)).map(|(nth, _)| nth).collect();
    let factory = factory(writer, &states[step.number as usize], id);
    let next = OtherOpenings { candidates: Vec::new(), factory, earlier: Vec::new(), refused: Vec::new() };
    Warning::CodeLost { setting, step: step.number, until, calls, next }
}

/// Nothing where the code is known.
fn code_guessed(writer: &Writer, state: &State, id: SettingId) -> Option<Warning> {
    if writer.is_sure(state, id) {
        return None;
    }
    let holding = writer.record.holding(id);
    let to_try = writer.to_try_in(state, id);
    let is = |code: Option<&Value>, value: &Value| code.is_some_and(|code| code.agrees(value));
    let is_factory = |value: &Value| is(writer.keybook().setting(id).factory.as_ref(), value);
    let is_recorded = |value: &Value| {
        let mut recorded = writer.record.candidates(id).chain(holding.known());
        recorded.any(|candidate| candidate.agrees(value))
    };
    let is_wanted = |value: &Value| is(writer.wanted(id), value) && writer.held(state, id).is_none();
    let first = match to_try.first() {
        None => FirstCode::Unheard,
        Some(first) if holding.refusal_of(first).is_some() => FirstCode::Refused,
        Some(first) if is_wanted(first) => FirstCode::Wanted,
        Some(first) if is_recorded(first) => FirstCode::Recorded,
        Some(first) if is_factory(first) => FirstCode::Factory,
        Some(_) => FirstCode::Earlier,
    };
    let (refused, others): (Vec<&Value>, Vec<&Value>) =
        to_try.iter().skip(1).partition(|value| holding.refusal_of(value).is_some());
    let open = |value: &&Value| writer.open(state, Some((id, value)));
    let is_left = |value: &&&Value| is_recorded(value) || is(writer.wanted(id), value);
    let candidates = others.iter().filter(is_left);
    let earlier = others.iter().filter(|value| !is_left(value) && !is_factory(value));
    let factory = factory(writer, state, id);
    Some(Warning::CodeGuessed {
        setting: writer.keybook().setting(id).name.clone(),
        open: writer.open(state, None)?,
        first,
        is_wanted: writer.wanted(id).is_some(),
        next: OtherOpenings {
            candidates: candidates.filter_map(open).collect(),
            factory,
            earlier: earlier.filter_map(open).collect(),
            refused: refused.iter().filter_map(open).collect(),
        },
    })
}

fn factory(writer: &Writer, state: &State, id: SettingId) -> Option<(Pressed, Code)> {
    let setting = writer.keybook().setting(id);
    let pressed = writer.open(state, Some((id, setting.factory.as_ref()?)))?;
    Some((pressed, setting.factory_code.clone()?))
}
