//! A keybook in plain English, to be held against the maker's manual page by page.

use std::fmt::Write as _;

use super::{
    Call, Command, Condition, Is, Keybook, Lifeline, Setting, SettingId, Template, TemplatePart, Timing, Tone, Use,
};
use crate::finding::plural;
use crate::setting::{Keys, Kind, Value, Weight};

/// The whole of it as text. The codes of new units are shown, as the keybook has them, or not.
pub fn read_back(keybook: &Keybook, with_codes: bool) -> String {
    let mut out = format!("{}\n\"{}\" in the inventory.\n\nCALLING IT\n", keybook.title, keybook.model);
    call(&mut out, keybook);
    out += "\nWHAT IT STORES\n";
    keybook.settings.iter().for_each(|setting| stored(&mut out, setting, with_codes));
    out += "\nWHAT IS KEYED\n";
    keybook.commands.iter().for_each(|command| keyed(&mut out, keybook, command));
    if !keybook.lifelines.is_empty() {
        out += "\nITS BUTTONS\n";
    }
    keybook.lifelines.iter().for_each(|lifeline| button(&mut out, keybook, lifeline));
    out
}

/// "6 s", "1.5 s", "4 min".
fn time(ms: u32) -> String {
    match ms {
        ms if ms >= 60_000 && ms % 60_000 == 0 => format!("{} min", ms / 60_000),
        ms if ms % 1_000 == 0 => format!("{} s", ms / 1_000),
        ms => format!("{}.{} s", ms / 1_000, format!("{:03}", ms % 1_000).trim_end_matches('0')),
    }
}

fn call(out: &mut String, keybook: &Keybook) {
    let Call { rings, greeting_ms, open, close, idle_ms, limit_ms } = &keybook.call;
    let _ = writeln!(
        out,
        "  It answers after {} and speaks for {}. It listens after that.",
        plural((*rings).into(), "ring"),
        time(*greeting_ms)
    );
    let _ = writeln!(out, "  To open the call, press {}.", pressed(keybook, open));
    match close {
        Some(close) => {
            let _ = writeln!(out, "  To end it, press {}.", pressed(keybook, close));
        }
        None => out.push_str("  To end it, hang up.\n"),
    }
    let _ = writeln!(
        out,
        "  It hangs up after {} without a key, and {} after it answered.",
        time(*idle_ms),
        time(*limit_ms)
    );
    let _ = writeln!(out, "  Accepted: {}. Refused: {}.", tone(&keybook.accepted), tone(&keybook.refused));
    let Timing { press_ms, answer_ms, tone_ms, gap_ms } = &keybook.timing;
    let _ =
        writeln!(out, "  Estimated with: {} a key, {} until an answer has ended.", time(*press_ms), time(*answer_ms));
    let _ = writeln!(out, "  Keyed by a machine: each tone {} long, {} apart.", time(*tone_ms), time(*gap_ms));
    for (symbol, keys) in keybook.symbols.iter() {
        let what = if *symbol == ',' { "A pause".to_owned() } else { format!("The symbol {symbol}") };
        let _ = writeln!(out, "  {what} in a stored number is keyed {}.", spaced(keys));
    }
}

fn tone(tone: &Tone) -> String {
    let Tone { beeps, hz, on_ms, off_ms } = tone;
    let gap = if *beeps > 1 { format!(", {} apart", time(*off_ms)) } else { String::new() };
    format!("{} of {hz} Hz, {} long{gap}", plural((*beeps).into(), "beep"), time(*on_ms))
}

fn spaced(keys: &Keys) -> String {
    keys.0.iter().map(|key| key.sign().to_string()).collect::<Vec<_>>().join(" ")
}

/// "B, then the access held now, then #": each run of keys and each field.
fn pressed(keybook: &Keybook, template: &Template) -> String {
    let mut parts: Vec<String> = Vec::new();
    let mut keys: Vec<String> = Vec::new();
    let mut stored: Vec<SettingId> = Vec::new();
    for part in &template.0 {
        match part {
            TemplatePart::Key(key) => keys.push(key.sign().to_string()),
            TemplatePart::Field(how, id) => {
                parts.extend((!keys.is_empty()).then(|| std::mem::take(&mut keys).join(" ")));
                let Setting { name, kind, .. } = keybook.setting(*id);
                let is_code = matches!(kind, Kind::Secret { .. }) && !name.ends_with("code");
                let name = if is_code { format!("{name} code") } else { name.to_string() };
                parts.push(match how {
                    Use::Held => format!("the {name} that it holds"),
                    Use::Store if stored.contains(id) => format!("the same {name} again"),
                    Use::Store => format!("the new {name}"),
                });
                stored.push(*id);
            }
        }
    }
    parts.extend((!keys.is_empty()).then(|| keys.join(" ")));
    parts.join(", then ")
}

/// "4 to 8", "4".
fn span(min: u32, max: u32) -> String {
    if min == max { min.to_string() } else { format!("{min} to {max}") }
}

fn list(all: impl IntoIterator<Item = String>, word: &str) -> String {
    let all: Vec<String> = all.into_iter().collect();
    match all.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} {word} {last}", rest.join(", ")),
        Some((last, _)) => last.clone(),
        None => "nothing".into(),
    }
}

fn kind(kind: &Kind) -> String {
    let width = |width: &Option<u32>| {
        width.map(|width| format!(", always with {}", plural(width.into(), "digit"))).unwrap_or_default()
    };
    match kind {
        Kind::Digits { min, max } => format!("digits, {} of them, keyed as they are", span(*min, *max)),
        Kind::Dial { min, max, symbols } if symbols.is_empty() => {
            format!("a number to dial, {} digits", span(*min, *max))
        }
        Kind::Dial { min, max, .. } => format!("a number to dial, {} digits and symbols", span(*min, *max)),
        Kind::Choice(codes) => list(codes.iter().map(|(name, keys)| format!("{name} (keyed {})", spaced(keys))), "or"),
        Kind::Flags { names, width: digits } => format!(
            "any of {}; the sum of their numbers is keyed{}",
            list(names.iter().map(|(name, number)| format!("{name} ({number})")), "and"),
            width(digits)
        ),
        Kind::Number { min, max, step, width: digits, unit } => {
            let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
            let steps = if *step == 1 { String::new() } else { format!(" in steps of {step}") };
            format!("a number from {min} to {max}{unit}{steps}{}", width(digits))
        }
        Kind::Secret { min, max } => format!("a code of {} digits", span(*min, *max)),
    }
}

fn shown(value: &Value) -> String {
    match value {
        Value::Digits(text) | Value::Dial(text) if text.is_empty() => "empty".into(),
        Value::Flags(names) if names.is_empty() => "none".into(),
        Value::Digits(text) | Value::Dial(text) => text.to_string(),
        Value::Choice(_) | Value::Flags(_) | Value::Number(_) => value.to_string(),
        Value::Secret(_) => "a code".into(),
    }
}

fn stored(out: &mut String, setting: &Setting, with_codes: bool) {
    let Setting { name, title, kind: of, factory, factory_code, weight, place: _ } = setting;
    let title = title.as_ref().map(|title| format!(" ({title})")).unwrap_or_default();
    let _ = writeln!(out, "  {name}{title}: {}.", kind(of));
    let new = match (factory_code, factory) {
        (Some(code), _) if with_codes => format!("New: {}.", code.reveal()),
        (Some(_), _) => "New: the code of the factory.".into(),
        (None, Some(value)) => format!("New: {}.", shown(value)),
        (None, None) => "New: not known.".into(),
    };
    let weight = match weight {
        Weight::Lifeline => " A wrong one can leave a caller without help.",
        Weight::Locating => " It tells responders where to go.",
        Weight::Routine => "",
    };
    let _ = writeln!(out, "    {new}{weight}");
}

fn keyed(out: &mut String, keybook: &Keybook, command: &Command) {
    let Command { name, keys, needs, clears, also, takes_ms, ends_call, note, place: _ } = command;
    let names = |ids: &[SettingId]| list(ids.iter().map(|id| keybook.setting(*id).name.to_string()), "and");
    let _ = writeln!(out, "  {name}: press {}.", pressed(keybook, keys));
    for (id, values) in needs {
        let _ = writeln!(
            out,
            "    Refused unless {} is {}.",
            keybook.setting(*id).name,
            list(values.iter().map(shown), "or")
        );
    }
    if !clears.is_empty() {
        let kept: Vec<SettingId> = keybook.ids().filter(|id| !clears.contains(id)).collect();
        let what = match kept.len() {
            0 => "everything".into(),
            few if few < clears.len() => format!("everything but {}", names(&kept)),
            _ => names(clears),
        };
        let _ = writeln!(out, "    Puts back as new: {what}.");
    }
    for (id, value) in also {
        let name = &keybook.setting(*id).name;
        let _ = match value.as_ref().map_or("something unknown".into(), shown) {
            empty if empty == "empty" => writeln!(out, "    Also empties {name}."),
            becomes => writeln!(out, "    Also makes {name} {becomes}."),
        };
    }
    let stored = keys.stored();
    if !stored.is_empty() {
        let _ = writeln!(out, "    Stores {}.", names(&stored));
    }
    if *takes_ms > 0 {
        let _ = writeln!(out, "    Takes {} longer than others.", time(*takes_ms));
    }
    if *ends_call {
        out.push_str("    Then it hangs up.\n");
    }
    if let Some(note) = note {
        let _ = writeln!(out, "    The card says: {note}.");
    }
}

fn condition(keybook: &Keybook, condition: &Condition) -> String {
    let name = &keybook.setting(condition.setting).name;
    match &condition.is {
        Is::OneOf(values) => format!("{name} is {}", list(values.iter().map(shown), "or")),
        Is::Filled => format!("{name} is filled in"),
        Is::Within { min, max } => format!("{name} is from {min} to {max}"),
    }
}

fn button(out: &mut String, keybook: &Keybook, lifeline: &Lifeline) {
    let _ = writeln!(out, "  {} ({})", lifeline.button, lifeline.name);
    if let Some(first) = lifeline.backs.and_then(|at| keybook.lifelines.get(at)) {
        let _ = writeln!(out, "    Tried only where {} reaches nobody.", first.button);
    }
    let names = lifeline.settings.iter().map(|id| keybook.setting(*id).name.to_string());
    let _ = writeln!(out, "    It depends on {}.", list(names, "and"));
    let ways: Vec<String> =
        lifeline.works.iter().map(|way| list(way.iter().map(|one| condition(keybook, one)), "and")).collect();
    let works = match &ways[..] {
        _ if lifeline.works.iter().any(Vec::is_empty) => "No value of these keeps it from calling.".into(),
        [one] => format!("A press calls nobody unless {one}."),
        several => format!("A press calls nobody unless one of these holds: {}.", several.join("; ")),
    };
    let _ = writeln!(out, "    {works}");
    if let Some(test) = &lifeline.test {
        let _ = writeln!(out, "    The card says how to test it: {test}");
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::keybook::sample::{TERN, keybook, tern};

    #[test]
    fn a_keybook_is_read_back_in_sentences() {
        let text = read_back(&tern(), true);
        for line in [
            "  It answers after 1 ring and speaks for 6 s. It listens after that.",
            "  To open the call, press B, then the access code that it holds, then #.",
            "  It hangs up after 15 s without a key, and 4 min after it answered.",
            "  Accepted: 1 beep of 1000 Hz, 0.2 s long. Refused: 3 beeps of 400 Hz, 0.12 s long, 0.12 s apart.",
            "  A pause in a stored number is keyed C.",
            "  line.kind: direct (keyed 1), pbx (keyed 2) or ringdown (keyed 3).",
            "  lamp.follows: any of emergency (1) and assistance (2); the sum of their numbers is keyed.",
            "  gate.seconds: a number from 1 to 99 s, always with 2 digits.",
            "  emergency-backup: press 2 2, then the new emergency.backup, then #.",
            "    Refused unless line.kind is direct or pbx.",
            "    Also empties emergency.backup.",
            "  access-code: press 9 0, then the new access code, then #, then the same access code again, then #.",
            "    Puts back as new: everything but access.",
            "    Takes 8 s longer than others.",
            "    A press calls nobody unless emergency.primary is filled in.",
            "    Tried only where the emergency button reaches nobody.",
        ] {
            assert!(text.lines().any(|other| other == line), "{line}\n{text}");
        }
    }

    #[test]
    fn every_fact_of_a_keybook_changes_what_is_read_back() {
        let before = read_back(&tern(), true);
        for (from, to) in [
            ("rings: 1", "rings: 2"),
            ("greeting_ms: 6000", "greeting_ms: 6500"),
            ("\"B{=access}#\"", "\"A{=access}#\""),
            ("close: \"D\"", "close: \"*#\""),
            ("idle_ms: 15000", "idle_ms: 16000"),
            ("limit_ms: 240000", "limit_ms: 250000"),
            ("hz: 1000", "hz: 1010"),
            ("off_ms: 120", "off_ms: 130"),
            ("press_ms: 600", "press_ms: 610"),
            ("answer_ms: 1500", "answer_ms: 1510"),
            ("tone_ms: 100", "tone_ms: 900"),
            ("gap_ms: 100", "gap_ms: 110"),
            ("\",\": \"C\"", "\",\": \"A\""),
            ("digits: [4, 8]", "digits: [4, 9]"),
            ("factory: \"0\"", "factory: \"1\""),
            ("weight: locating", "weight: routine"),
            ("ringdown: \"3\"", "ringdown: \"4\""),
            ("assistance: 2", "assistance: 4"),
            ("max: 99", "max: 98"),
            ("width: 2, unit", "width: 3, unit"),
            ("also: {emergency.backup: factory}", "also: {gate.seconds: 7}"),
            ("needs: {line.kind: [direct, pbx]}", "needs: {line.kind: pbx}"),
            ("keeps: [access]", "keeps: [access, identity]"),
            ("takes_ms: 8000", "takes_ms: 9000"),
            ("takes_ms: 8000", "takes_ms: 8000, ends_call: true"),
            ("{backs: emergency, settings", "{backs: emergency, title: spare, settings"),
            ("[line.kind, emergency.primary]", "{settings: [line.kind, emergency.primary], works: {line.kind: pbx}}"),
        ] {
            assert_eq!(TERN.matches(from).count(), 1, "{from}");
            assert_ne!(read_back(&keybook(&TERN.replace(from, to)), true), before, "{to}");
        }
    }
}
