//! Lists, tones, effects and values in the words of a card.

use crate::drift::value_text;
pub(super) use crate::finding::sentence;
use crate::finding::{listed, plural};
use crate::inventory::Station;
use crate::keybook::Tone;
use crate::script::delta::Step;
use crate::setting::{Name, Value, spoken as call_it};

/// What people call the button of a lifeline.
pub(super) fn button(station: &Station, lifeline: &Name) -> String {
    let known = station.keybook.lifelines.iter().find(|known| known.name == *lifeline);
    known.map_or_else(|| lifeline.to_string(), |known| known.button.to_string())
}

/// What people call some settings: "unit mode and line kind".
pub(super) fn settings_of(station: &Station, names: &[Name]) -> String {
    let keybook = &station.keybook;
    let title = |name: &Name| keybook.id(name).map_or_else(|| name.to_string(), |id| keybook.setting(id).title());
    listed(&names.iter().map(title).collect::<Vec<_>>(), "and")
}

pub(super) fn tone(tone: &Tone) -> String {
    let pitch = match tone.hz {
        0..600 => "low",
        600..1200 => "medium",
        1200.. => "high",
    };
    format!("{} ({} Hz)", plural(tone.beeps.into(), &format!("{pitch} beep")), tone.hz)
}

/// What a step does, a sentence each: "Stores 9,01632960101 (control room) as the first number of the red button."
pub(super) fn effect_text(step: &Step, station: &Station) -> String {
    let title = |name: &Name| {
        let id = station.keybook.id(name);
        id.map_or_else(|| name.to_string(), |id| station.keybook.setting(id).title())
    };
    let sets = step.sets.iter().map(|(name, value)| {
        let title = title(name);
        match value {
            Value::Dial(text) | Value::Digits(text) if text.is_empty() => format!("Empties {title}."),
            Value::Dial(_) | Value::Digits(_) => {
                format!("Stores {}{} as {title}.", value_text(value), whose(station, name, value))
            }
            Value::Secret(_) => format!("Stores the new code ({title})."),
            Value::Choice(_) | Value::Flags(_) | Value::Number(_) => format!("Sets {title} to {}.", spoken(value)),
        }
    });
    let also = step.also.iter().map(|(name, value)| match (title(name), value) {
        (title, Some(Value::Dial(text) | Value::Digits(text))) if text.is_empty() => format!("Also empties {title}."),
        (title, Some(value)) => format!("Also sets {title} to {}.", spoken(value)),
        (title, None) => format!("Nobody knows {title} after it."),
    });
    sets.chain(also).collect::<Vec<_>>().join(" ")
}

/// The contact that a number is wanted for: " (control room)".
fn whose(station: &Station, setting: &Name, value: &Value) -> String {
    let wanted = station.keybook.id(setting).and_then(|id| station.wanted(id));
    let contact = wanted.filter(|wanted| wanted.value.agrees(value)).and_then(|wanted| wanted.contact.as_ref());
    contact.map_or_else(String::new, |contact| format!(" ({})", contact_title(station, contact)))
}

/// What people call a contact.
pub(super) fn contact_title(station: &Station, contact: &Name) -> String {
    let wanted = station.keybook.ids().filter_map(|id| station.wanted(id));
    let known = wanted.filter(|wanted| wanted.contact.as_ref() == Some(contact));
    call_it(contact, known.filter_map(|wanted| wanted.contact_title.as_ref()).next())
}

/// A value in words; no code is spelt out.
fn spoken(value: &Value) -> String {
    match value {
        Value::Dial(text) | Value::Digits(text) if text.is_empty() => "nothing".into(),
        Value::Secret(_) => "the factory code".into(),
        Value::Flags(names) if names.is_empty() => "nothing".into(),
        Value::Flags(names) => listed(&names.iter().collect::<Vec<_>>(), "and"),
        Value::Choice(name) => call_it(name, None),
        Value::Digits(_) | Value::Dial(_) | Value::Number(_) => value_text(value),
    }
}
