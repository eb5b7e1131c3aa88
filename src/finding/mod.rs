//! What is wrong in a file, told to the person who wrote it: place, code, message, fix.
//!
//! Findings are data; [`render()`] lays them out for a terminal. Nothing here reads a file.

mod code;
mod cover;
mod render;
mod safe;
pub mod signs;

pub use code::{Code, Severity};
pub use cover::cover_literals;
pub use render::{Paint, render};

use std::fmt;
use std::sync::Arc;

use jiff::Timestamp;

/// A place in a text file: line and column count characters from 1; `length` is in characters.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Place {
    /// Path as the user knows it, relative to the configuration's folder.
    pub file: Arc<str>,
    /// From 1.
    pub line: u32,
    /// In characters, from 1.
    pub column: u32,
    /// In characters; 0 where it is a point, not a span.
    pub length: u32,
}

impl Place {
    /// The very beginning of a file, for what concerns it as a whole.
    pub fn start_of(file: &Arc<str>) -> Place {
        Place { file: file.clone(), line: 1, column: 1, length: 0 }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}:{}", self.file, self.line, self.column)
    }
}

/// One thing that is wrong, with everything its author needs to fix it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Finding {
    /// Where it is wrong.
    pub place: Place,
    /// Whether it keeps the file from being used.
    pub severity: Severity,
    /// The name of what is wrong, for `explain` and for programs.
    pub code: Code,
    /// One message in the users' words, without the fix.
    pub message: String,
    /// What to write instead, as an instruction.
    pub fix: String,
    /// The exact text that fixes it, to stand at `place` in place of what stands there; where that can be told.
    pub replacement: Option<Box<str>>,
    /// Other places that matter, each with what stands there.
    pub related: Box<[(Place, String)]>,
}

impl Finding {
    /// A finding of the code's own severity.
    pub fn new(code: Code, place: Place, message: impl Into<String>, fix: impl Into<String>) -> Finding {
        Finding {
            place,
            severity: code.severity(),
            code,
            message: clipped(message.into()),
            fix: clipped(fix.into()),
            replacement: None,
            related: Box::default(),
        }
    }

    /// A name that nobody knows at the place where it stands: the fix names the nearest of the known ones.
    pub fn unknown<'a>(
        code: Code,
        place: Place,
        message: impl Into<String>,
        word: &str,
        known: impl IntoIterator<Item = &'a str> + Clone,
    ) -> Finding {
        let near = nearest(word, known.clone()).map(as_name);
        Finding::new(code, place, message, did_you_mean(word, known)).replacing(near)
    }

    /// The same finding with the exact text that fixes it, if its place is a span that can be replaced.
    pub fn replacing(mut self, text: Option<String>) -> Finding {
        self.replacement = text.filter(|_| self.place.length > 0).map(Into::into);
        self
    }

    /// Adds another place that matters.
    pub fn beside(mut self, place: Place, what: impl Into<String>) -> Finding {
        let mut related = self.related.into_vec();
        related.push((place, what.into()));
        self.related = related.into();
        self
    }

    /// True for what keeps the files from being used.
    pub fn is_error(&self) -> bool {
        self.severity == Severity::Error
    }
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}: {} ({}) Fix: {}", self.place, self.severity, self.message, self.code, self.fix)
    }
}

/// The most errors told of one file, so that a file of nothing but errors takes bounded memory.
pub const LIMIT_ERRORS: usize = 1_000;

impl Finding {
    /// The last word on a file with too many errors, at the first that is not told.
    pub fn and_more(place: Place) -> Finding {
        let message = format!("More than {LIMIT_ERRORS} things are wrong with this file; the rest is not shown.");
        Finding::new(Code::FindingsMany, place, message, "Fix these, then check again.")
    }
}

/// The most characters of a message or fix: they may repeat what stands in a file, however long that is.
const LIMIT_SENTENCE: usize = 600;

/// The text up to the limit; what is left out shows as dots in the middle, since the end says what is wrong.
///
/// Signs that do not show are spelt out: they may come from a file, and could make a terminal show something else.
fn clipped(text: String) -> String {
    let odd = |sign: char| signs::is_unseen(sign) || (sign.is_control() && sign != '\n');
    let text = match text.contains(odd) {
        true => text.chars().map(|c| if odd(c) { c.escape_unicode().to_string() } else { c.into() }).collect(),
        false => text,
    };
    let count = text.chars().count();
    if count <= LIMIT_SENTENCE {
        return text;
    }
    let half = LIMIT_SENTENCE / 2;
    let head = text.chars().take(half);
    head.chain(" … ".chars()).chain(text.chars().skip(count - half)).collect()
}

/// Sorts by place and drops what is told twice; of two that say the same, the one that knows the exact fix stays.
pub fn settle(findings: &mut Vec<Finding>) {
    findings.sort_by(|a, b| {
        // The one that knows more stands first: the exact fix, then places beside.
        let lacks = |f: &Finding| (f.replacement.is_none(), f.related.is_empty());
        (&a.place, a.severity, a.code, &a.message)
            .cmp(&(&b.place, b.severity, b.code, &b.message))
            .then_with(|| lacks(a).cmp(&lacks(b)))
            .then_with(|| a.cmp(b))
    });
    findings.dedup_by(|b, a| (&a.place, a.code, &a.message) == (&b.place, b.code, &b.message));
}

/// The nearest known word, for "did you mean"; none where nothing is near.
pub fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    // Comparing takes time by both lengths, and what is so long is no slip of the finger.
    const LONGEST: usize = 200;
    if word.len() > LONGEST {
        return None;
    }
    let digits = numbers(word);
    let word = signs::straight(word).to_lowercase();
    let known: Vec<&str> = known.into_iter().collect();
    // FB-19 is no slip of HS-19: where other names begin with FB, it is one of those that is missing.
    let prefix = letters(&word);
    let is_own = !digits.is_empty() && !prefix.is_empty() && known.iter().any(|k| letters(k) == prefix);
    let is_slip = |k: &&str| match (digits.is_empty(), is_own) {
        (true, _) => true,
        (false, true) => letters(k) == prefix,
        (false, false) => strsim::osa_distance(&prefix, &letters(k)) <= 1,
    };
    known
        .into_iter()
        .filter(is_slip)
        // EQ-12 is as near to EQ-02 as to EQ-10, and each is a station of its own.
        .filter(|k| digits.is_empty() || [Vec::new(), digits.clone()].contains(&numbers(k)))
        .map(|k| (strsim::osa_distance(&word, &signs::straight(k).to_lowercase()), k))
        .filter(|(distance, k)| *distance <= 1 + k.chars().count().min(word.chars().count()) / 4)
        .min()
        .map(|(_, k)| k)
}

/// The letters in a name.
fn letters(name: &str) -> String {
    signs::straight(name).to_lowercase().chars().filter(|sign| sign.is_alphabetic()).collect()
}

/// The numbers in a name, without the zeros that they begin with.
fn numbers(name: &str) -> Vec<&str> {
    let runs = name.split(|sign: char| !sign.is_ascii_digit()).filter(|run| !run.is_empty());
    runs.map(|run| run.trim_start_matches('0')).collect()
}

/// A time as people read it, to the minute: "2026-12-10 14:05 UTC".
pub fn minute(at: Timestamp) -> String {
    at.strftime("%Y-%m-%d %H:%M UTC").to_string()
}

/// "a tern-2", "an eider-1": by how it is written.
pub fn with_article(noun: &str) -> String {
    let is_vowel = noun.starts_with(['a', 'e', 'i', 'o', 'u', 'A', 'E', 'I', 'O', 'U']);
    format!("{} {noun}", if is_vowel { "an" } else { "a" })
}

/// "the line kind"; a noun that has its article keeps it.
pub fn the(noun: &str) -> String {
    if noun.starts_with("the ") { noun.to_owned() } else { format!("the {noun}") }
}

/// A text with its first letter in upper case.
pub fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// "1, 2 or 3", with the word between the last two.
pub fn listed(all: &[impl std::fmt::Display], word: &str) -> String {
    match all {
        [] => String::new(),
        [one] => one.to_string(),
        [first @ .., last] => {
            let first: Vec<String> = first.iter().map(ToString::to_string).collect();
            format!("{} {word} {last}", first.join(", "))
        }
    }
}

/// "1 file", "2 files".
pub fn plural(n: u64, what: &str) -> String {
    if n == 1 { format!("1 {what}") } else { format!("{n} {what}s") }
}

/// "Did you mean `x`?" or else the list of what is allowed, as the fix of an unknown word.
pub fn did_you_mean<'a>(word: &str, known: impl IntoIterator<Item = &'a str> + Clone) -> String {
    const SHOWN: usize = 12;
    if let Some(near) = nearest(word, known.clone()) {
        // Where both look the same, the question alone would puzzle.
        let odd = signs::deceptive(word).or_else(|| signs::deceptive(near));
        let odd = odd.filter(|_| signs::straight(word) == signs::straight(near));
        let why = odd.map(|sign| format!(" They differ in {}.", signs::named(sign))).unwrap_or_default();
        return format!("If you mean \"{near}\", write that.{why}");
    }
    let all: Vec<_> = known.into_iter().collect();
    // Those that differ from it by digits alone are named together, and none of them is singled out.
    let alike: Vec<&str> = all.iter().copied().filter(|name| letters(name) == letters(word)).collect();
    if !numbers(word).is_empty() && !alike.is_empty() {
        let names = if alike.len() <= SHOWN { listed(&alike, "and") } else { ends(&alike) };
        return format!("Look the name up. Defined are {names}.");
    }
    match all.len() {
        0 => "There is none to choose from here.".into(),
        n if n <= SHOWN => format!("Use one of: {}.", all.join(", ")),
        n => format!("Use one of the {n} defined, such as {}.", all[..SHOWN].join(", ")),
    }
}

/// "EQ-01 to EQ-40 (35 in all)".
fn ends(names: &[&str]) -> String {
    let (first, last) = (names.iter().min(), names.iter().max());
    let [first, last] = [first, last].map(|name| name.copied().unwrap_or_default());
    format!("{first} to {last} ({} in all)", names.len())
}

/// A text in double quotes, as YAML reads it back.
pub fn in_quotes(text: &str) -> String {
    format!("\"{}\"", text.replace('\\', "\\\\").replace('"', "\\\""))
}

/// A name as it may stand in a file: in quotes where a reader might take it for something else.
pub fn as_name(name: &str) -> String {
    let is_plain = |sign: char| sign.is_alphanumeric() || "-_.".contains(sign);
    let plain = name.chars().all(is_plain) && !name.starts_with(['-', '.']) && !name.is_empty();
    if plain { name.into() } else { in_quotes(name) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_of_a_letter_is_recognised_and_a_stranger_is_not() {
        assert_eq!(nearest("contorl-room", ["control-room", "gatehouse"]), Some("control-room"));
        assert_eq!(nearest("lighthouse-keeper", ["control-room", "gatehouse"]), None);
    }

    #[test]
    fn names_that_differ_by_digits_are_never_taken_for_each_other() {
        let stations: Vec<String> = (1..=11).map(|nth| format!("EQ-{nth:02}")).collect();
        let known = || stations.iter().map(String::as_str);
        assert_eq!(nearest("EQ-12", known()), None);
        assert_eq!(
            did_you_mean("EQ-12", known()),
            "Look the name up. Defined are EQ-01, EQ-02, EQ-03, EQ-04, EQ-05, EQ-06, EQ-07, EQ-08, EQ-09, EQ-10 and EQ-11."
        );
        // Letter case, hyphens and zeros are slips; what follows a letter slip is the same number.
        for (word, meant) in
            [("eq-07", "EQ-07"), ("EQ07", "EQ-07"), ("EQ-7", "EQ-07"), ("EQ-010", "EQ-10"), ("QE-03", "EQ-03")]
        {
            assert_eq!(nearest(word, known()), Some(meant), "{word}");
        }
        // Another site's stations are no slips of this one's.
        let other: Vec<String> = (1..=40).map(|nth| format!("HS-{nth:02}")).collect();
        let both = || stations.iter().chain(&other).map(String::as_str);
        assert_eq!((nearest("EQ-19", both()), nearest("XX-11", both())), (None, None));
        assert!(did_you_mean("EQ-19", both()).starts_with("Look the name up. Defined are EQ-01, "));
        let many: Vec<String> = (1..=40).map(|nth| format!("EQ-{nth:02}")).collect();
        let fix = did_you_mean("EQ-99", many.iter().map(String::as_str));
        assert_eq!(fix, "Look the name up. Defined are EQ-01 to EQ-40 (40 in all).");
    }

    #[test]
    fn a_letter_of_another_script_is_named() {
        assert_eq!(
            did_you_mean("ЕQ-01", ["EQ-01"]),
            "If you mean \"EQ-01\", write that. They differ in \"Е\" (U+0415, Cyrillic)."
        );
        assert_eq!(did_you_mean("ЕQ-1", ["EQ-01"]), "If you mean \"EQ-01\", write that.");
    }

    #[test]
    fn a_sentence_that_repeats_a_file_has_an_end() {
        let place = Place::start_of(&"a.yaml".into());
        let finding = Finding::new(Code::KeyUnknown, place, format!("{} ends here", "ä".repeat(1 << 20)), "x");
        assert!(finding.message.chars().count() < 700 && finding.message.ends_with(" ends here"));
    }

    #[test]
    fn findings_are_sorted_and_told_once() {
        let file: Arc<str> = "a.yaml".into();
        let at = |line| Place { file: file.clone(), line, column: 1, length: 1 };
        let mut all = vec![
            Finding::new(Code::KeyUnknown, at(3), "c", ""),
            Finding::new(Code::KeyUnknown, at(1), "a", ""),
            Finding::new(Code::KeyUnknown, at(3), "c", ""),
        ];
        settle(&mut all);
        assert_eq!(all.iter().map(|f| f.place.line).collect::<Vec<_>>(), [1, 3]);
    }
}
