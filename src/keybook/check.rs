//! What can only be told of a keybook as a whole: ends of fields, confusions, lengths of calls, unwritten settings.

use super::ambiguity;
use super::call::CallDraft;
use super::commands::Draft;
use super::confusion::{Budget, Confusion, Languages, Verdict, Whole};
use super::keyed::Sequence;
use super::settings::Drafts;
use super::{COMMAND_MS_MAX, PRESSES_MAX, SettingId, Template, TemplatePart, Timing, Use, VALUES_MAX};
use crate::finding::{Code, Finding};
use crate::setting::Value;
use crate::yaml::Sheet;

/// A field of variable length must be followed by a key that none of its values contains.
pub(super) fn fields_end(
    sheet: &mut Sheet<'_>,
    drafts: &Drafts,
    languages: &Languages,
    sequences: &[Sequence<'_, '_>],
) {
    for sequence in sequences {
        let parts = &sequence.keyed.template.0;
        for (at, part) in parts.iter().enumerate() {
            let TemplatePart::Field(how, id) = part else { continue };
            let Some(language) = &languages[id.index()] else { continue };
            let (least, most) = (language.shortest(), language.longest());
            let ended = match parts.get(at + 1) {
                Some(TemplatePart::Key(key)) if !language.contains(*key) => continue,
                Some(TemplatePart::Key(key)) => format!("{key} after it can be a part of it"),
                Some(TemplatePart::Field(..)) => "another field follows at once".to_string(),
                None => "nothing follows it".to_string(),
            };
            if least == most {
                continue;
            }
            let held = match how {
                Use::Store => "",
                Use::Held => "=",
            };
            let name = drafts.name(*id);
            let message =
                format!("In \"{}\", {{{held}{name}}} takes {least} to {most} keys, and {ended}.", sequence.title);
            let free = ['#', '*', 'D', 'C', 'B', 'A']
                .into_iter()
                .find(|sign| crate::setting::Key::new(*sign).is_some_and(|key| !language.contains(key)));
            let such = free.map_or(String::new(), |sign| format!(", such as {sign}"));
            let fix = format!("End it with a key that its values cannot contain{such}, as the manual says.");
            sheet.note(Code::FieldOpen, sequence.keyed.part_spot(at), message, fix);
        }
    }
}

/// No sequence may equal or begin another. Where the budget runs out, that is told once and no pair after it.
pub(super) fn none_confused(sheet: &mut Sheet<'_>, languages: &Languages, sequences: &[Sequence<'_, '_>]) {
    let whole: Vec<&Sequence<'_, '_>> = sequences.iter().filter(|s| s.has_languages(languages)).collect();
    let mut budget = Budget::new();
    for (at, second) in whole.iter().enumerate() {
        for first in &whole[..at] {
            let (a, b) = (&first.keyed.template, &second.keyed.template);
            let message = match ambiguity::compare(a, b, languages, &mut budget) {
                Verdict::Apart => continue,
                Verdict::Confused(confusion) => confused(&confusion, &first.title, &second.title),
                Verdict::Unsure => {
                    format!("\"{}\" and \"{}\" are too entangled to be told apart for sure.", first.title, second.title)
                }
            };
            let fix = "Compare both with the manual. If it says just this, see \"What cannot be modelled\" in \"stationkeep guide keybook\".";
            let place = sheet.place(second.keyed.spot);
            let finding = Finding::new(Code::CommandsConfused, place, message, fix);
            let finding = finding.beside(sheet.place(first.keyed.spot), format!("the keys of \"{}\"", first.title));
            sheet.findings.push(finding);
            if budget.is_spent() {
                return;
            }
        }
    }
}

fn confused(Confusion { keys, whole }: &Confusion, first: &str, second: &str) -> String {
    if keys.0.is_empty() {
        return format!("\"{first}\" or \"{second}\" can be keyed with no key at all, which begins everything.");
    }
    match whole {
        Whole::First => format!("The keys {keys} are a complete \"{first}\" and also begin \"{second}\"."),
        Whole::Second => format!("The keys {keys} are a complete \"{second}\" and also begin \"{first}\"."),
        Whole::Both => format!("The keys {keys} are a complete \"{first}\" and also a complete \"{second}\"."),
    }
}

/// The keys of a template's longest form; fields without a language count as nothing.
fn longest(template: &Template, languages: &Languages) -> u64 {
    let (literal, fields) = template.counts();
    let field = |((_, id), times): ((Use, SettingId), usize)| {
        let language = languages.get(id.index()).and_then(Option::as_ref);
        language.map_or(0, |l| u64::from(l.longest())) * times as u64
    };
    literal as u64 + fields.into_iter().map(field).sum::<u64>()
}

/// A station must not hang up between two keys of one command.
pub(super) fn keys_in_time(sheet: &mut Sheet<'_>, call: &CallDraft<'_>, timing: &Timing) {
    let (Some(idle), Some(spot)) = (call.idle_ms, call.idle_spot) else { return };
    if idle < timing.press_ms {
        let press = timing.press_ms;
        let message = format!("The station would hang up after {idle} ms, and the next key comes after {press} ms.");
        let fix = "Compare \"idle_ms\" with the manual, and \"press_ms\" with how fast people key.";
        sheet.note(Code::IdleShort, spot, message, fix);
    }
}

/// The longest form of every command, with opening and closing, must fit into a call.
pub(super) fn fits_a_call(
    sheet: &mut Sheet<'_>,
    languages: &Languages,
    call: &CallDraft<'_>,
    timing: &Timing,
    sequences: &[Sequence<'_, '_>],
) {
    let (Some(open), Some(greeting), Some(limit)) = (&call.open, call.greeting_ms, call.limit_ms) else { return };
    let press = u64::from(timing.press_ms);
    let before = u64::from(greeting) + longest(&open.template, languages) * press + u64::from(timing.answer_ms);
    let close = call.close.as_ref().map_or(0, |close| longest(&close.template, languages) * press);
    for sequence in sequences {
        let Some(command) = sequence.command.filter(|_| sequence.has_languages(languages)) else { continue };
        let own = longest(&command.keys, languages) * press + u64::from(timing.answer_ms + command.takes_ms);
        let whole = before + own + if command.ends_call { 0 } else { close };
        if whole > u64::from(limit) {
            let message = format!(
                "The longest form of \"{}\" makes a call of {whole} ms with opening and closing; \"limit_ms\" is {limit}.",
                sequence.title
            );
            let fix = "Compare \"limit_ms\", the times in \"timing\" and the lengths of the fields with the manual.";
            sheet.note(Code::CallTooShort, sequence.keyed.spot, message, fix);
        }
    }
}

/// A command longer than the search for the best script counts with is refused.
pub(super) fn fits_the_search(
    sheet: &mut Sheet<'_>,
    languages: &Languages,
    timing: &Timing,
    sequences: &[Sequence<'_, '_>],
) {
    for sequence in sequences {
        let Some(command) = sequence.command.filter(|_| sequence.has_languages(languages)) else { continue };
        let presses = longest(&command.keys, languages);
        let own = presses * u64::from(timing.press_ms) + u64::from(timing.answer_ms + command.takes_ms);
        if presses > PRESSES_MAX || own > COMMAND_MS_MAX {
            let message = format!(
                "The longest form of \"{}\" has {presses} keys and takes {own} ms; {PRESSES_MAX} keys and {COMMAND_MS_MAX} ms \
                 are the most.",
                sequence.title
            );
            let fix = "Compare \"timing\" and the lengths of the fields with the manual.";
            sheet.note(Code::KeybookTooLarge, sequence.keyed.spot, message, fix);
        }
    }
}

/// The values that a keybook itself names of one setting are bounded: with what a station holds and what is wanted of it,
/// they are all that a script can tell apart.
pub(super) fn values_fit_the_search(sheet: &mut Sheet<'_>, drafts: &Drafts, commands: &[Draft<'_>]) {
    for id in drafts.ids() {
        let factory = drafts.factory(id);
        let mut named: Vec<&Value> = factory.iter().collect();
        for value in commands.iter().flat_map(|command| command.named(id)) {
            if !named.iter().any(|known| known.agrees(value)) {
                named.push(value);
            }
        }
        if named.len() > VALUES_MAX {
            let message = format!(
                "\"factory\", \"needs\" and \"also\" name {} values of \"{}\"; {VALUES_MAX} are the most.",
                named.len(),
                drafts.name(id)
            );
            let fix = "Name fewer of them: compare \"needs\" and \"also\" with the manual.";
            sheet.note(Code::KeybookTooLarge, drafts.spot(id), message, fix);
        }
    }
}

/// Warns of settings that no command writes, if it is known what each command writes.
pub(super) fn all_written(sheet: &mut Sheet<'_>, drafts: &Drafts, commands: &[Draft<'_>]) {
    if commands.is_empty() || !commands.iter().all(Draft::is_readable) {
        return;
    }
    for id in drafts.ids().filter(|id| !commands.iter().any(|command| command.writes(*id))) {
        let message = format!("No command writes \"{}\".", drafts.name(id));
        let fix = "Add the command that stores it, or leave the setting out.";
        sheet.note(Code::SettingUnwritten, drafts.spot(id), message, fix);
    }
}
