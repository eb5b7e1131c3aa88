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
    pub site: Option<String>,
}

impl Gist {
    /// Of one station.
    pub fn of(self, since: Timestamp, station: &str, site: Option<&Name>) -> Gist {
        let (station, site) = (clip(station, NAME), site.map(|site| clip(site, NAME)));
        Gist { since, station: Some(station), site, ..self }
    }
}

/// The longest title.
const TITLE: Room = Room(160);

/// The first sentence of a text.
pub fn title(text: &str) -> String {
    let end = text
        .match_indices(['.', '!'])
        .find(|(at, _)| text.get(at + 1..).is_some_and(|rest| rest.is_empty() || rest.starts_with(' ')));
    let first = end.and_then(|(at, _)| text.get(..=at)).unwrap_or(text);
    clip(first, TITLE)
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
    }
}
