//! What to do where a step is not accepted: one order a step, and the whole of it in one paragraph.

use crate::finding::listed;
use crate::script::delta::{Call, Script, Step};
use crate::script::recovery::{Fallback, Recovery};

/// What to do where a call cannot be opened; `codes`: how many there are to try.
pub(super) fn opening(codes: usize) -> String {
    let again = match codes {
        0 | 1 => "If it is refused, key it once more, slowly. If it is refused again, or you hear nothing twice,",
        _ => {
            "If it is refused, key it once more, slowly. If it is refused again, try the next code of the NOTE. If no code is \
             accepted, or you hear nothing twice,"
        }
    };
    format!("{again} hang up and report it; keep any stand-in.")
}

/// The rule of a script, for a card that says at each step what to do where it fails.
pub(super) fn rule(script: &Script) -> String {
    match steps(script).any(|step| step.recovery.fallback.is_some()) {
        true => told(
            script,
            ". If a step fails, do what stands under it. If nothing stands there, or a second step fails, stop, and keep the stand-in \
                 until a new script is keyed.",
        ),
        false => told(script, ": stop there."),
    }
}

/// The same with what to do at each step.
pub(super) fn whole_rule(script: &Script) -> String {
    let fallbacks = fallbacks(script);
    match fallbacks.is_empty() {
        true => rule(script),
        false => told(script, &format!(". {}. If any other step fails, stop there. {SECOND}", fallbacks.join(". "))),
    }
}

fn told(script: &Script, failed: &str) -> String {
    let unless = match steps(script).all(|step| step.recovery.again) {
        true => "",
        false => ", unless the step says not to",
    };
    format!(
        "If a step is not accepted, key it once more{unless}. If it still is not, it has failed{failed} Then report what \
         you heard, and ask for a new script. {BOTH}"
    )
}

/// What holds whatever the steps say, for they speak of the first that fails.
const SECOND: &str = "If a second step fails, stop, and keep the stand-in until a new script is keyed.";

/// Which of two answers to a step counts, where it was not accepted.
const BOTH: &str = "If you heard nothing once and a refusal once, report \"nothing\".";

fn steps(script: &Script) -> impl Iterator<Item = &Step> {
    script.calls.iter().flat_map(|call| &call.steps)
}

/// "If step 3, 4 or 5 fails, key step 6 all the same, then close": a sentence for each run of steps with one fallback.
fn fallbacks(script: &Script) -> Vec<String> {
    let mut runs: Vec<(Vec<u32>, String)> = Vec::new();
    for step in steps(script) {
        let Some(fallback) = &step.recovery.fallback else { continue };
        let what = what(script, step, fallback);
        match runs.last_mut() {
            Some((numbers, same)) if *same == what => numbers.push(step.number),
            Some(_) | None => runs.push((vec![step.number], what)),
        }
    }
    runs.into_iter().map(|(numbers, what)| format!("If step {} fails, {what}", listed(&numbers, "or"))).collect()
}

/// What a step says of itself.
pub(super) fn of(script: &Script, step: &Step) -> Option<String> {
    let Recovery { again, fallback } = &step.recovery;
    let silent = match (again, fallback) {
        (true, _) => None,
        (false, None) => {
            Some("If you hear nothing, do not key it again: stop there, and report \"nothing\".".to_owned())
        }
        (false, Some(_)) => Some("If you hear nothing, do not key it again: it has failed.".to_owned()),
    };
    let fallback = fallback.as_ref().map(|fallback| format!("If it fails, {}.", what(script, step, fallback)));
    let told: Vec<String> = silent.into_iter().chain(fallback).collect();
    (!told.is_empty()).then(|| told.join(" "))
}

/// "key step 6 all the same, then close", "stop there".
fn what(script: &Script, failed: &Step, fallback: &Fallback) -> String {
    let stand_in = match fallback.restores {
        true => "",
        false => "; keep the stand-in until a new script is keyed",
    };
    let (Some(first), Some(last)) = (fallback.steps.first(), fallback.steps.last()) else {
        return format!("stop there{stand_in}");
    };
    let call = |number: u32| script.calls.iter().position(|call| call.steps.iter().any(|step| step.number == number));
    let keyed = match &fallback.steps[..] {
        [one] => format!("step {one}"),
        [_, _, _, ..] if last - first == fallback.steps.len() as u32 - 1 => format!("steps {first} to {last}"),
        all => format!("steps {}", listed(all, "and")),
    };
    let keyed = match (call(*first), call(*last)) {
        (Some(nth), _) if Some(nth) == call(failed.number) => format!("key {keyed}"),
        (Some(nth), until) if Some(nth) == until => format!("end this call and key {keyed} (call {})", nth + 1),
        (nth, _) => format!("end this call and key {keyed} (from call {})", nth.map_or(1, |nth| nth + 1)),
    };
    let then = match call(*last).map(|nth| &script.calls[nth]) {
        Some(Call { close: Some(_), .. }) => ", then close",
        Some(Call { ends_itself: true, .. }) | None => "",
        Some(Call { close: None, .. }) => ", then hang up",
    };
    format!("{keyed} all the same{then}{stand_in}")
}
