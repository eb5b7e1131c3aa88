//! Lists, tones, effects and values in the words of a card.

use crate::drift::value_text;
use crate::finding::plural;
use crate::inventory::Station;
use crate::keybook::{Lifeline, Tone};
use crate::script::delta::Step;
use crate::setting::{Name, Value};

/// What people call the button of a lifeline.
pub(super) fn button(station: &Station, lifeline: &Name) -> String {
    let known = station.keybook.lifelines.iter().find(|known| known.name == *lifeline);
    known.map_or_else(|| lifeline.to_string(), Lifeline::title)
}

/// What people call some settings: "unit mode and line kind".
pub(super) fn settings_of(station: &Station, names: &[Name]) -> String {
    let keybook = &station.keybook;
    let title = |name: &Name| keybook.id(name).map_or_else(|| name.to_string(), |id| keybook.setting(id).title());
    listed(&names.iter().map(title).collect::<Vec<_>>(), "and")
}

/// A sentence with its first letter in upper case.
pub(super) fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// "1, 2 or 3".
pub(super) fn listed(all: &[impl std::fmt::Display], word: &str) -> String {
    match all {
        [] => String::new(),
        [one] => one.to_string(),
        [first @ .., last] => {
            let first: Vec<String> = first.iter().map(ToString::to_string).collect();
            format!("{} {word} {last}", first.join(", "))
        }
    }
}

pub(super) fn tone(tone: &Tone) -> String {
    let pitch = match tone.hz {
        0..600 => "low",
        600..1200 => "middle",
        1200.. => "high",
    };
    format!("{} at a {pitch} pitch ({} Hz)", plural(tone.beeps.into(), "beep"), tone.hz)
}

pub(super) fn effect_text(step: &Step) -> String {
    let mut parts: Vec<String> =
        step.sets.iter().map(|(name, value)| format!("{name} becomes {}", spoken(value))).collect();
    let also = step.also.iter().map(|(name, value)| match value {
        Some(value) => format!("{name} goes to {}", spoken(value)),
        None => format!("{name} is no longer known"),
    });
    parts.extend(also);
    format!("{}: {}", step.command, parts.join(", "))
}

/// A value in words; a code is not spelt out where its name does.
fn spoken(value: &Value) -> String {
    match value {
        Value::Dial(text) | Value::Digits(text) if text.is_empty() => "nothing".into(),
        Value::Secret(secret) => format!("the code of {}", secret.reference),
        Value::Flags(names) if names.is_empty() => "none".into(),
        Value::Digits(_) | Value::Dial(_) | Value::Choice(_) | Value::Flags(_) | Value::Number(_) => value_text(value),
    }
}
