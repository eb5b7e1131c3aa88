//! What is said of a button that calls nobody: why, in a few words that never hold a code.

use super::lost::lost;
use super::values::value_text;
use crate::finding::minute;
use crate::inventory::Station;
use crate::keybook::{Ability, Keybook, Lifeline};
use crate::ledger::{Mark, Outcome, Proof, Record};
use crate::setting::{Kind, Name, Value};

/// What makes a lifeline dead by the record: `"unit mode" is setup`; and that the record must be wrong, where a test call
/// reached help since.
pub(super) fn dead_because(station: &Station, record: &Record, lifeline: &Lifeline, proof: &Proof) -> Option<Name> {
    let keybook = &station.keybook;
    let ids = lifeline.contradicting(|id| record.known(id)).into_iter();
    let each = ids.filter_map(|id| Some((keybook.setting(id).title(), record.known(id)?)));
    let each: Vec<String> = each.map(|(title, value)| format!("\"{title}\" is {}", spoken(value))).collect();
    let wrong = reached_though_dead(proof)
        .map(|mark| format!("a test call reached help at {}, so the record must be wrong", minute(mark.at)));
    let all: Vec<String> = Some(each.join(" and ")).filter(|all| !all.is_empty()).into_iter().chain(wrong).collect();
    (!all.is_empty()).then(|| all.join("; ").into())
}

/// The test call that reached help since a press calls nobody by the record, where nothing of the lifeline changed since.
pub(super) fn reached_though_dead(proof: &Proof) -> Option<Mark> {
    let (outcome, mark) = proof.last?;
    let is_still = outcome == Outcome::Reached && proof.reached == Some(mark);
    (is_still && is_since(mark, proof.dead?)).then_some(mark)
}

/// The test call that someone answered, though no number on record leads there, where nothing of the lifeline was keyed or
/// found since: its button calls someone.
pub(super) fn answered_elsewhere(record: &Record, lifeline: &Lifeline, proof: &Proof) -> Option<Mark> {
    let (outcome, last) = proof.last?;
    let is_it = outcome == Outcome::Reached && proof.reached.is_none() && !proof.is_renumbered;
    let mut marks = lifeline.settings.iter().filter_map(|id| record.holding(*id).mark);
    (is_it && marks.all(|mark| is_since(last, mark))).then_some(last)
}

/// Who answered the last test call of a button, where it was not who would answer by the record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Elsewhere {
    /// "the red button called the harbour master, not the control room".
    pub called: Name,
    /// Until when a stand-in is needed: "it calls the control room".
    pub until: Name,
}

impl Elsewhere {
    /// Of a lifeline whose last test call someone else answered; nothing where none was, or something changed since.
    pub(super) fn of(station: &Station, record: &Record, lifeline: &Lifeline, proof: &Proof) -> Option<Elsewhere> {
        answered_elsewhere(record, lifeline, proof)?;
        let wanted = || lifeline.settings.iter().filter_map(|id| station.wanted(*id));
        let called = |contact: &Name| {
            let all = station.keybook.ids().filter_map(|id| station.wanted(id));
            let known = all.filter(|wanted| wanted.contact.as_ref() == Some(contact));
            whom(&crate::setting::spoken(contact, known.filter_map(|one| one.contact_title.as_ref()).next()))
        };
        let who = proof.answered_by.as_ref().map_or_else(|| "someone else".into(), called);
        let (not, until) = match wanted().find_map(|wanted| wanted.contact.as_ref()) {
            Some(contact) => (format!(", not {}", called(contact)), format!("it calls {}", called(contact))),
            None => (String::new(), "a test call reaches who should answer".into()),
        };
        let called = format!("{} called {who}{not}", lifeline.button);
        Some(Elsewhere { called: called.into(), until: until.into() })
    }

    /// "Keep a stand-in until it calls the control room."
    pub fn stand_in(&self) -> String {
        format!("Keep a stand-in until {}.", self.until)
    }
}

/// "the control room"; a name of someone, or one with digits, has no article.
fn whom(title: &str) -> String {
    let is_plain = title.starts_with(|c: char| c.is_lowercase()) && !title.contains(|c: char| c.is_numeric());
    let article = if is_plain && !title.starts_with("the ") { "the " } else { "" };
    format!("{article}{title}")
}

fn is_since(mark: Mark, before: Mark) -> bool {
    (mark.at, mark.report) >= (before.at, before.report)
}

/// What nobody knows any longer of a required lifeline that may call nobody for it: `nobody knows "first number"`.
pub(super) fn unknown_because(station: &Station, record: &Record, lifeline: &Lifeline, proof: &Proof) -> Option<Name> {
    if answered_elsewhere(record, lifeline, proof).is_some()
        || !lifeline.is_required()
        || lifeline.ability(|id| record.known(id)) != Ability::Undecided
    {
        return None;
    }
    let lost = lost(station, record, lifeline).into_iter();
    let lost: Vec<String> = lost.map(|id| format!("\"{}\"", station.keybook.setting(id).title())).collect();
    (!lost.is_empty()).then(|| format!("nobody knows {}", lost.join(" or ")).into())
}

/// A value as it is said in a sentence.
fn spoken(value: &Value) -> String {
    let text = value_text(value);
    if matches!(&*text, "\"\"" | "[]") { "empty".into() } else { text }
}

/// So many digits in a row, with or without something between them, may be a code, whatever a keybook says.
const CODE: usize = 4;

/// A digit after so few other characters belongs to the same run.
const BETWEEN: usize = 4;

/// What someone noted, in one line, without any digits that could be a code of the model.
pub(super) fn noted(keybook: &Keybook, note: &str) -> Option<Name> {
    let shortest = keybook.settings.iter().filter_map(|setting| match setting.kind {
        Kind::Secret { min, .. } => usize::try_from(min).ok(),
        Kind::Digits { .. } | Kind::Dial { .. } | Kind::Choice(_) | Kind::Flags { .. } | Kind::Number { .. } => None,
    });
    one_line(note, shortest.min().unwrap_or(CODE).min(CODE))
}

/// The same where nobody knows the model: any digit may be of a code of one or two.
pub fn noted_anywhere(note: &str) -> Option<Name> {
    one_line(note, 1)
}

fn one_line(note: &str, shortest: usize) -> Option<Name> {
    let plain: String = note.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    let line = without_digits(&plain.split_whitespace().collect::<Vec<_>>().join(" "), shortest);
    (!line.is_empty()).then(|| line.into())
}

/// The text with `…` for each run of so many digits or more. Digits with a few characters between them that are no letters
/// are one run.
fn without_digits(text: &str, shortest: usize) -> String {
    let all: Vec<char> = text.chars().collect();
    let is_digit = |at: usize| all.get(at).is_some_and(|c| c.is_numeric());
    let is_letter = |at: usize| all.get(at).is_none_or(|c| c.is_alphabetic());
    let next_digit = |at: usize| (at..at + BETWEEN).take_while(|at| !is_letter(*at)).find(|at| is_digit(*at));
    let (mut out, mut at) = (String::new(), 0);
    while at < all.len() {
        let (mut end, mut digits) = (at, 0);
        while let Some(digit) = if digits == 0 { Some(at).filter(|at| is_digit(*at)) } else { next_digit(end) } {
            digits += 1;
            end = digit + 1;
        }
        match digits {
            0 => out.push(all[at]),
            n if n >= shortest => out.push('…'),
            _ => out.extend(&all[at..end]),
        }
        at = end.max(at + 1);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::keybook::sample::{TERN, keybook, tern};
    use proptest::prelude::*;

    #[test]
    fn a_note_is_told_in_one_line_without_what_could_be_a_code() {
        let noted = |note: &str| noted(&tern(), note).map(|note| note.to_string());
        for (note, told) in [
            ("caller could not hear", "caller could not hear"),
            ("two\nlines\tand\u{7} more ", "two lines and more"),
            ("tried 3 times, 120 s", "tried 3 times, 120 s"),
            ("code 4711 works, 12345678 too", "code … works, … too"),
            ("code 47-11 or 4 7 1 1 or 4.7.1.1# or 47 - 11", "code … or … or …# or …"),
            ("at 10:45 a Müller came", "at … a Müller came"),
            ("code ٤٧١١", "code …"),
        ] {
            assert_eq!(noted(note).as_deref(), Some(told));
        }
        assert_eq!(noted(" \n "), None);
        let short = keybook(&TERN.replace("{kind: secret, digits: [4, 8]}", "{kind: secret, digits: [2, 8]}"));
        assert_eq!(super::noted(&short, "door 7, code 47").as_deref(), Some("door 7, code …"));
    }

    proptest! {
        #[test]
        fn no_code_is_told_with_a_note(before in "\\PC{0,12}", code in "[0-9]{4,8}", after in "\\PC{0,12}") {
            let told = noted(&tern(), &format!("{before}{code}{after}")).unwrap();
            prop_assert!(!told.contains(&code), "{told}");
        }
    }
}
