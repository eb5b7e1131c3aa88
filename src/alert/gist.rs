//! What every body says of a case, whatever its form: the few things that a receiver shows and goes by.

use jiff::Timestamp;

use super::case::Severity;
use super::clip::{NAME, Room, clip};
use crate::setting::Name;

/// What every body says of a case.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Gist {
    /// The event's type.
    pub kind: &'static str,
    /// What it means for a person pressing the button; `info` where nothing is wrong.
    pub severity: Severity,
    /// The same from the first message of a case to its last.
    pub key: String,
    /// The most urgent, in one line.
    pub title: String,
    /// The sentences.
    pub text: String,
    /// Whether nothing is wrong any more.
    pub is_over: bool,
    /// Where to look, or nothing.
    pub url: Option<String>,
    pub time: Timestamp,
    /// Since when.
    pub since: Timestamp,
    pub fleet: String,
    pub station: Option<String>,
    /// The name under which the case of the station was opened: another where it was renamed since.
    pub known_as: Option<String>,
    pub site: Option<String>,
}

impl Gist {
    /// Of one station, by its name and the one under which its case was opened.
    pub fn of(self, since: Timestamp, station: &str, known_as: &str, site: Option<&Name>) -> Gist {
        let short = |name: &str| Some(clip(name, NAME));
        Gist {
            since,
            station: short(station),
            known_as: short(known_as),
            site: site.and_then(|site| short(site)),
            ..self
        }
    }
}

/// The longest title.
pub const TITLE: Room = Room(160);

/// The first sentence of a text.
pub fn title(text: &str) -> String {
    clip(sentences(text, 1), TITLE)
}

/// So many sentences of a text, or all of it.
pub fn sentences(text: &str, count: usize) -> &str {
    let ends = text
        .match_indices(['.', '!'])
        .filter(|(at, _)| text.get(at + 1..).is_some_and(|rest| rest.is_empty() || rest.starts_with(' ')));
    ends.take(count).last().and_then(|(at, _)| text.get(..=at)).unwrap_or(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_title_is_the_first_sentence() {
        assert_eq!(title("EQ-01: no help (tested by x). Put a stand-in there."), "EQ-01: no help (tested by x).");
        assert_eq!(title("fleet.yaml:7.5 is wrong"), "fleet.yaml:7.5 is wrong");
        assert_eq!(title(""), "");
        assert_eq!(title(&"a".repeat(500)).len(), 160);
        assert_eq!(sentences("One. Two. Three", 2), "One. Two.");
        assert_eq!(sentences("One.", 2), "One.");
    }
}
