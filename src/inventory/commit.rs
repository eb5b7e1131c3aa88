//! The commit that an inventory was read from: which one, by whom, when, and what its author says of it.
//!
//! Names and subjects are other people's text: they are cut to a length, and what would move or hide text on a screen is
//! written out, once, here. It knows no repository and runs nothing.

use std::fmt;
use std::sync::Arc;

use jiff::Timestamp;
use serde_json::{Value as Json, json};

use crate::finding::minute;

/// The most characters of an author's name, and of a subject.
const AUTHOR: usize = 80;
const SUBJECT: usize = 120;
/// And of a subject where there is little room.
const BRIEF: usize = 60;
/// How many digits of an id people are shown.
const SHORT: usize = 10;

/// One commit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Commit {
    id: Arc<str>,
    author: Arc<str>,
    at: Option<Timestamp>,
    subject: Arc<str>,
}

impl Commit {
    /// A commit by its whole id in hexadecimal digits. `at` is the author's time, where it can be told.
    pub fn new(id: &str, author: &str, at: Option<Timestamp>, subject: &str) -> Commit {
        Commit {
            id: plain(id, 64).into(),
            author: plain(author, AUTHOR).into(),
            at,
            subject: plain(subject, SUBJECT).into(),
        }
    }

    /// The whole id: 40 or 64 hexadecimal digits.
    pub fn id(&self) -> &str {
        &self.id
    }

    /// As much of the id as people are shown.
    pub fn short(&self) -> &str {
        self.id.get(..SHORT).unwrap_or(&self.id)
    }

    /// Who wrote it, at most 80 characters.
    pub fn author(&self) -> &str {
        &self.author
    }

    /// When its author made it.
    pub fn at(&self) -> Option<Timestamp> {
        self.at
    }

    /// The first line of its message, at most 120 characters.
    pub fn subject(&self) -> &str {
        &self.subject
    }

    /// As [`fmt::Display`] has it, with less of the subject: for a text that has little room.
    pub fn briefly(&self) -> String {
        Commit { subject: plain(&self.subject, BRIEF).into(), ..self.clone() }.to_string()
    }

    /// As a field of the stable JSON.
    pub fn json(&self) -> Json {
        let Commit { id, author, at, subject } = self;
        json!({ "id": &**id, "author": &**author, "at": at.map(|at| at.to_string()), "subject": &**subject })
    }

    /// From [`Commit::json`]; nothing where it is none.
    pub fn from_json(json: &Json) -> Option<Commit> {
        let text = |key: &str| json.get(key).and_then(Json::as_str);
        let at = text("at").and_then(|at| at.parse().ok());
        Some(Commit::new(text("id")?, text("author")?, at, text("subject")?))
    }
}

impl fmt::Display for Commit {
    /// `3f9a1c0b7d (Morag Sinclair, 2026-11-24 09:12 UTC: The harbour office has a new number)`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ({}", self.short(), self.author)?;
        if let Some(at) = self.at {
            write!(f, ", {}", minute(at))?;
        }
        write!(f, ": {})", self.subject)
    }
}

/// One line of at most `most` characters, in which every sign shows.
fn plain(text: &str, most: usize) -> String {
    let mut out = String::new();
    let mut count = 0;
    for sign in text.chars() {
        let shown = if hides(sign) { sign.escape_unicode().to_string() } else { sign.to_string() };
        count += shown.chars().count();
        if count > most {
            while out.chars().count() >= most {
                out.pop();
            }
            out.push('…');
            break;
        }
        out.push_str(&shown);
    }
    out
}

/// Control characters, and those that turn the direction of text round or show as nothing (Unicode 16, general category
/// Cf without the joiners that scripts need; from memory).
fn hides(sign: char) -> bool {
    sign.is_control()
        || matches!(sign, '\u{ad}' | '\u{61c}' | '\u{180e}' | '\u{200b}' | '\u{200e}' | '\u{200f}' | '\u{feff}')
        || matches!(sign, '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{fff9}'..='\u{fffb}')
        || matches!(sign, '\u{e0000}'..='\u{e007f}')
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn what_an_author_writes_cannot_move_the_cursor_turn_the_text_round_or_break_the_line() {
        let commit = Commit::new("ab12", "\u{1b}[2JEve\u{202e}", None, "one\ntwo\u{7}");
        assert_eq!(commit.to_string(), "ab12 (\\u{1b}[2JEve\\u{202e}: one\\u{a}two\\u{7})");
    }

    #[test]
    fn a_name_in_any_script_is_left_as_it_is() {
        for name in ["Mòrag Nic a’ Ghobhainn", "佐藤 花子", "علی\u{200c}رضا", "👩\u{200d}🚒"] {
            assert_eq!(Commit::new("0", name, None, "").author(), name);
        }
    }

    proptest! {
        #[test]
        fn a_commit_is_bounded_shows_every_sign_and_reads_back_from_its_json(
            id in "[0-9a-f]{40}|[0-9a-f]{64}", author in any::<String>(), subject in "\\PC{0,300}|.{0,300}", at in any::<i32>(),
        ) {
            let commit = Commit::new(&id, &author, Timestamp::from_second(at.into()).ok(), &subject);
            prop_assert!(commit.author().chars().count() <= AUTHOR && commit.subject().chars().count() <= SUBJECT);
            prop_assert!(!commit.to_string().chars().any(hides));
            prop_assert!(commit.id().starts_with(commit.short()));
            prop_assert_eq!(Commit::from_json(&commit.json()), Some(commit));
        }
    }
}
