//! What a call is opened with: the codes to try in their order; after a line that dropped, what the station holds by then.

use super::shown::Tells;
use crate::inventory::Station;
use crate::keybook::SettingId;
use crate::script::delta::{Call, Script, Step};
use crate::script::pressed::Pressed;
use crate::setting::Value;

/// One way to open a call.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Opening {
    pub(super) keys: Pressed,
    /// Which of the call's codes, from 1, where a report can name it.
    pub(super) code: Option<usize>,
    /// What a report's note calls the code, where its openings cannot name it: they all come before the steps of their call.
    pub(super) told: Option<String>,
}

impl Opening {
    /// What a report says of it; calls count from 0.
    pub(super) fn tells(&self, call: usize, heard: &'static str) -> Option<Tells> {
        match (&self.told, self.code) {
            (Some(told), _) => {
                let heard = if heard == "nothing" { "not answered" } else { heard };
                Some(Tells::Note(format!("After the line dropped, {told} was {heard}.")))
            }
            (None, Some(code)) => Some(Tells::Opening { call: call + 1, code, heard }),
            (None, None) => None,
        }
    }
}

impl Default for Opening {
    fn default() -> Opening {
        Opening { keys: Pressed(Vec::new()), code: None, told: None }
    }
}

/// With each of the codes that a call may be opened with, in the order to try them.
pub(super) fn openings(script: &Script, call: usize, station: &Station) -> Vec<Opening> {
    let call = &script.calls[call];
    if call.codes.is_empty() {
        return vec![Opening { keys: call.open.clone(), code: None, told: None }];
    }
    let id = tried(call, station);
    let with = |code: &Value| {
        let open = &station.keybook.call.open;
        call.open.instead(&station.keybook, open, |of| (Some(of) == id).then(|| code.clone()))
    };
    let first = Opening { keys: call.open.clone(), code: Some(1), told: None };
    let others = call.codes.iter().enumerate().skip(1);
    let others = others.filter_map(|(nth, code)| Some(Opening { keys: with(code)?, code: Some(nth + 1), told: None }));
    [first].into_iter().chain(others).collect()
}

/// The setting of which the codes are values: the one that the call's own keys hold the first of.
fn tried(call: &Call, station: &Station) -> Option<SettingId> {
    let open = &station.keybook.call.open;
    let code = call.codes.first()?;
    let is_it = |id: &SettingId| {
        let with = call.open.instead(&station.keybook, open, |of| (of == *id).then(|| code.clone()));
        with.is_some_and(|with| with == call.open)
    };
    let held = open.held();
    held.iter().find(|id| is_it(id)).or(held.first()).copied()
}

/// After the line dropped: with what the accepted steps of the call (`sure`) have left, or, where one that nobody knows of
/// (`doubt`) changes it, with that first.
pub(super) fn reopenings(
    script: &Script,
    nth: usize,
    station: &Station,
    sure: &[(usize, &Step)],
    doubt: Option<(usize, &Step)>,
) -> Vec<Opening> {
    let call = &script.calls[nth];
    let held = station.keybook.call.open.held();
    let name = |id: SettingId| &station.keybook.setting(id).name;
    let recodes =
        |step: &Step| held.iter().any(|id| step.sets.contains_key(name(*id)) || step.also.contains_key(name(*id)));
    let of_call = |of: &&(usize, &Step)| of.0 == nth;
    let sure: Vec<&Step> = sure.iter().filter(of_call).map(|(_, step)| *step).collect();
    let left = |steps: &[&Step]| {
        let left = |id: SettingId| {
            let stored = |step: &&Step| step.sets.get(name(id)).or_else(|| step.also.get(name(id))?.as_ref()).cloned();
            steps.iter().rev().find_map(stored)
        };
        let is_changed = held.iter().any(|id| left(*id).is_some());
        is_changed.then(|| call.open.instead(&station.keybook, &station.keybook.call.open, left)).flatten()
    };
    let stored = |step: &Step| Some(format!("the code that step {} stores", step.number));
    let mut all: Vec<Opening> = Vec::new();
    let doubt = doubt.filter(|(of, _)| *of == nth).map(|(_, step)| step);
    if let Some(doubt) = doubt {
        let with: Vec<&Step> = sure.iter().copied().chain([doubt]).collect();
        all.extend(left(&with).map(|keys| Opening { keys, code: None, told: stored(doubt) }));
    }
    let last = sure.iter().rev().find(|step| recodes(step));
    let is_recoded = last.is_some() || doubt.is_some_and(recodes);
    match (left(&sure), last) {
        (Some(keys), Some(step)) => all.push(Opening { keys, code: None, told: stored(step) }),
        (_, _) => {
            let count = openings(script, nth, station).len();
            let told = |code: Option<usize>| match (code, count) {
                (Some(code), 2..) => format!("code {code} of the card"),
                (Some(_) | None, _) => "the code of the card".to_owned(),
            };
            let as_before = openings(script, nth, station).into_iter();
            all.extend(as_before.map(|one| Opening { told: is_recoded.then(|| told(one.code)), ..one }));
        }
    }
    let mut told: Vec<Opening> = Vec::new();
    for opening in all {
        if !told.iter().any(|known| known.keys == opening.keys) {
            told.push(opening);
        }
    }
    told
}
