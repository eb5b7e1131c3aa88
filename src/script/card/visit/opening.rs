//! What a call is opened with: the codes to try in their order; after a line that dropped, what the station holds by then.

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
}

impl Default for Opening {
    fn default() -> Opening {
        Opening { keys: Pressed(Vec::new()), code: None }
    }
}

/// With each of the codes that a call may be opened with, in the order to try them.
pub(super) fn openings(script: &Script, call: usize, station: &Station) -> Vec<Opening> {
    let call = &script.calls[call];
    if call.codes.is_empty() {
        return vec![Opening { keys: call.open.clone(), code: None }];
    }
    let id = tried(call, station);
    let with = |code: &Value| {
        let open = &station.keybook.call.open;
        call.open.instead(&station.keybook, open, |of| (Some(of) == id).then(|| code.clone()))
    };
    let first = Opening { keys: call.open.clone(), code: Some(1) };
    let others = call.codes.iter().enumerate().skip(1);
    let others = others.filter_map(|(nth, code)| Some(Opening { keys: with(code)?, code: Some(nth + 1) }));
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
    let of_call = |of: &&(usize, &Step)| of.0 == nth;
    let sure: Vec<&Step> = sure.iter().filter(of_call).map(|(_, step)| *step).collect();
    let left = |steps: &[&Step]| {
        let left = |id: SettingId| {
            let name = &station.keybook.setting(id).name;
            let stored = |step: &&Step| step.sets.get(name).or_else(|| step.also.get(name)?.as_ref()).cloned();
            steps.iter().rev().find_map(stored)
        };
        let ids = station.keybook.call.open.held();
        let is_changed = ids.into_iter().any(|id| left(id).is_some());
        is_changed.then(|| call.open.instead(&station.keybook, &station.keybook.call.open, left)).flatten()
    };
    let mut all: Vec<Pressed> = Vec::new();
    if let Some((_, doubt)) = doubt.filter(|(of, _)| *of == nth) {
        let with: Vec<&Step> = sure.iter().copied().chain([doubt]).collect();
        all.extend(left(&with));
    }
    match left(&sure) {
        Some(open) => all.push(open),
        None => all.extend(openings(script, nth, station).into_iter().map(|opening| opening.keys)),
    }
    let mut told: Vec<Opening> = Vec::new();
    for keys in all {
        if !told.iter().any(|known| known.keys == keys) {
            told.push(Opening { keys, code: None });
        }
    }
    told
}
