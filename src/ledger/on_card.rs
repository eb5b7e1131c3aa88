//! The report in a text that someone sends: the text itself, or what is filled in at the end of a whole card. And what of such a
//! text may be kept: it is chosen by what a report is made of, since whatever else was sent may hold the keys and codes of a card.

use serde_json::Value as Json;

use crate::finding::Finding;
use crate::yaml::{self, Data, Node};

/// The heading of a printed card's report: a text with such a line is a card.
pub const CARD_END: &str = "REPORT BACK";

/// What a report says, in the order in which it is written.
pub(super) const KEYS: [&str; 14] = [
    "report", "id", "station", "at", "by", "unit", "found", "script", "openings", "steps", "left", "tests", "corrects",
    "note",
];

/// With this line a report on a card begins.
const FIRST: &str = "report: 1";

/// Where the report of a text is.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Sent {
    /// The text is the report, or is meant to be.
    Alone,
    /// The text is a card, and this is its report, in the lines in which it is there.
    OnCard(String),
    /// The text is not one report.
    Otherwise {
        /// What it is instead.
        message: String,
        /// What its sender can do.
        fix: &'static str,
    },
}

/// Looks for the report in a text.
pub(super) fn sent(text: &str) -> Sent {
    if is_page(text) {
        let fix =
            "Copy the report at its end, from \"report: 1\" on, into a file of its own. Fill it in, and send that.";
        return Sent::Otherwise { message: "This is a page, not a report.".into(), fix };
    }
    let lines: Vec<&str> = text.lines().collect();
    let cards = lines.iter().filter(|line| line.starts_with(CARD_END)).count();
    let firsts: Vec<usize> = (0..lines.len()).filter(|at| lines[*at].trim_end() == FIRST).collect();
    match (cards, &firsts[..]) {
        (0, _) => Sent::Alone,
        (1, [first]) => Sent::OnCard("\n".repeat(*first) + &lines[*first..].join("\n") + "\n"),
        (_, []) => {
            let fix = "Send the report at its end, from \"report: 1\" on, filled in.";
            Sent::Otherwise { message: "This is a card without its report.".into(), fix }
        }
        (_, all) => {
            let message = match all.len() {
                1 => format!("This text holds {cards} cards."),
                many => format!("This text holds {many} reports."),
            };
            let fix = "Send the report of each card in a file of its own.";
            Sent::Otherwise { message, fix }
        }
    }
}

fn is_page(text: &str) -> bool {
    let start: String = text.trim_start_matches('\u{feff}').trim_start().chars().take(9).collect();
    let start = start.to_ascii_lowercase();
    start.starts_with("<!doctype") || start.starts_with("<html")
}

/// What may be kept of a text that someone sent as a report: the lines of its reports, each at its place, so that a finding still
/// points at it. Of an object all, where it is a report or another line of a ledger. Nothing else: it may be a card.
pub fn keepable(text: &str) -> String {
    let start = text.trim_start_matches('\u{feff}').trim_start();
    match (is_page(text), start.starts_with(['{', '['])) {
        (true, _) => String::new(),
        (false, true) => {
            if is_line_of_ledger(start) {
                text.to_owned()
            } else {
                String::new()
            }
        }
        (false, false) => report_lines(text),
    }
}

/// The report in a text that nobody said is one, where it looks as if it held one.
pub fn report_in(text: &str) -> Option<String> {
    Some(keepable(text)).filter(|kept| !kept.is_empty())
}

/// The first key of each kind of line, with the number of its form.
const LINES: [&str; 8] = ["report", "script", "shown", "begun", "aside", "release", "take", "end"];

/// What a script as JSON has and no report: with these it says what to key.
const OF_SCRIPT: [&str; 3] = ["calls", "open", "keys"];

/// Whether an object says first of all what line of a ledger it is. A script as JSON has its digest under the same key; a
/// report in which someone put a whole script is none.
fn is_line_of_ledger(text: &str) -> bool {
    match serde_json::from_str::<Json>(text) {
        Ok(json) => {
            let is_form = |key: &&str| json.get(key).is_some_and(Json::is_number);
            LINES.iter().any(is_form) && !(json.get("report").is_some() && says_what_to_key(&json))
        }
        Err(_) => flow(text).is_ok_and(|root| {
            let is_form = |key: &&str| root.get(key).is_some_and(is_number);
            LINES.iter().any(is_form) && !(root.get("report").is_some() && node_says_what_to_key(&root))
        }),
    }
}

fn says_what_to_key(json: &Json) -> bool {
    match json {
        Json::Object(map) => map.iter().any(|(key, value)| OF_SCRIPT.contains(&&**key) || says_what_to_key(value)),
        Json::Array(all) => all.iter().any(says_what_to_key),
        Json::Null | Json::Bool(_) | Json::Number(_) | Json::String(_) => false,
    }
}

fn node_says_what_to_key(node: &Node) -> bool {
    match &node.data {
        Data::Map(entries) => {
            entries.iter().any(|(key, value)| OF_SCRIPT.contains(&&*key.text) || node_says_what_to_key(value))
        }
        Data::List(all) => all.iter().any(node_says_what_to_key),
        Data::Scalar { .. } => false,
    }
}

/// An object that is no JSON may be one of YAML.
fn flow(text: &str) -> Result<Node, Vec<Finding>> {
    yaml::read(&"report".into(), text.as_bytes())
}

fn is_number(node: &Node) -> bool {
    match &node.data {
        Data::Scalar { text, .. } => text.parse::<u8>().is_ok(),
        Data::List(_) | Data::Map(_) => false,
    }
}

/// What may stand before each line of a text that was sent on: a quotation, an indentation, emphasis.
const MARKS: [char; 5] = ['\u{feff}', ' ', '\t', '>', '*'];

/// A line that begins where those of the report begin.
enum Part {
    /// It is kept.
    Kept,
    /// It may be part of a report, and may be anything.
    Blank,
    /// The report is over.
    Other,
}

fn report_lines(text: &str) -> String {
    let mut kept: Vec<&str> = Vec::new();
    // What stands before the first line of the report at hand.
    let mut before: Option<&str> = None;
    let mut last = 0;
    for line in text.lines() {
        let rest = line.trim_start_matches(MARKS);
        if is_first(rest) {
            before = Some(&line[..line.len() - rest.len()]);
        }
        let part = match before {
            Some(before) => line.strip_prefix(before).map_or_else(|| blank_or_other(rest), part),
            None => Part::Blank,
        };
        kept.push(match part {
            Part::Kept => line,
            Part::Blank => "",
            Part::Other => {
                before = None;
                ""
            }
        });
        last = if matches!(part, Part::Kept) { kept.len() } else { last };
    }
    kept[..last].iter().flat_map(|line| [*line, "\n"]).collect()
}

/// `report: 1`, or whatever number of a form.
fn is_first(line: &str) -> bool {
    let form = line.strip_prefix("report:").map(|rest| rest.trim_matches(['*', ' ', '\t']));
    form.is_some_and(|form| form.is_empty() || form.parse::<u8>().is_ok())
}

fn blank_or_other(rest: &str) -> Part {
    if rest.trim().is_empty() || rest.starts_with('#') { Part::Blank } else { Part::Other }
}

/// What a line of a text is, from where its report begins on.
fn part(line: &str) -> Part {
    let inner = line.trim_start();
    let item = inner.strip_prefix('-').map(str::trim_start);
    let is_within = inner.len() < line.len() || item.is_some();
    let key =
        item.unwrap_or(inner).split_once(':').filter(|(_, rest)| rest.is_empty() || rest.starts_with([' ', '\t']));
    let is_name = |key: &str| !key.is_empty() && key.chars().all(|c| c.is_ascii_alphanumeric() || "._-".contains(c));
    match key {
        Some((key, _)) if KEYS.contains(&key) || is_within && is_name(key.trim_start_matches(['{', '[', ' '])) => {
            Part::Kept
        }
        Some(_) | None if is_within || inner.starts_with([']', '}']) => Part::Blank,
        Some(_) | None => blank_or_other(inner),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const REPORT: &str = "report: 1\nid: x\nby: me\n";

    fn card(report: &str) -> String {
        format!("EQ-01  East quay\n\n open   B 7309 14#\n\n{CARD_END} ------\nReplace each \"null\": when.\n\n{report}")
    }

    #[test]
    fn the_report_of_a_card_is_taken_in_its_lines_and_nothing_else_of_the_card() {
        assert_eq!(sent(REPORT), Sent::Alone);
        for text in [card(REPORT), card(REPORT).replace('\n', "\r\n")] {
            let Sent::OnCard(report) = sent(&text) else { panic!("{text}") };
            assert_eq!(report, format!("{}{REPORT}", "\n".repeat(7)));
            assert_eq!(keepable(&text).trim_start(), REPORT);
        }
    }

    #[test]
    fn two_cards_or_reports_none_and_a_page_say_what_they_are_and_no_code_of_them_is_kept() {
        let two = card(REPORT) + "\n" + &card(REPORT);
        let cases = [
            (two, "This text holds 2 reports."),
            (card(REPORT) + &card(""), "This text holds 2 cards."),
            (card(""), "This is a card without its report."),
            ("\u{feff} <!DOCTYPE html>\n<p>7309\nreport: 1".into(), "This is a page, not a report."),
        ];
        for (text, expected) in cases {
            let Sent::Otherwise { message, .. } = sent(&text) else { panic!("{text}") };
            assert_eq!(message, expected);
            let kept = keepable(&text);
            assert!(!kept.contains("7309"), "{kept}");
            assert_eq!(kept.matches(REPORT).count(), text.matches(REPORT).count(), "{kept}");
        }
    }

    #[test]
    fn what_looks_like_no_report_holds_none() {
        for text in ["", "BEFORE YOU RING", "# report: 1", "hello\n  reports: 1", "<html>report: 1", &card("")] {
            assert_eq!(report_in(text), None, "{text}");
        }
        assert_eq!(report_in(REPORT).as_deref(), Some(REPORT));
        assert!(report_in("{\"report\": 1}").is_some() && report_in(&card(REPORT)).is_some());
    }

    #[test]
    fn of_whatever_is_sent_only_the_lines_of_a_report_are_kept_and_no_code_of_a_card() {
        let filled = "report: 1\nid: x\nsteps:\n- step: 1\n  heard: refused\n\ntests:\n  - {lifeline: a, outcome: failed}\nnote: n\n";
        let bare = card("");
        let each_line = |mark: &str, text: &str| text.lines().map(|line| format!("{mark}{line}\n")).collect::<String>();
        let whole = card(filled);
        for text in [
            whole.replace(CARD_END, &format!("*{CARD_END}*")),
            whole.replace(CARD_END, ""),
            format!("{filled}{bare}"),
            format!("{filled} open   B 7309 14#\n"),
            format!("{filled}{whole}").replacen(filled, "", 1),
            format!("{whole}\n{}", &bare[..bare.find(CARD_END).unwrap()]),
            format!("{whole}  open: the call\n   open   B 7309 14#\nEQ-02\n  code: 7309\n"),
            each_line("> ", &whole),
            each_line("    ", &whole),
        ] {
            let kept = keepable(&text);
            assert!(!kept.contains("7309"), "{text}\n{kept}");
            for (line, kept) in text.lines().zip(kept.lines()) {
                assert!(kept == line || kept.is_empty(), "each at its place: {kept}");
            }
            for part in ["id: x", "heard: refused", "outcome: failed", "note: n"] {
                assert!(kept.contains(part), "{part}: {kept}");
            }
        }
        let utf16: String = "report: 1\nopen B 7309".chars().flat_map(|c| [c, '\0']).collect();
        let object = |script: &str| format!("{{\"script\": {script}, \"calls\": [{{\"open\": \"B730914#\"}}]}}");
        for text in [
            utf16,
            object("\"9f9c\""),
            object("null"),
            bare,
            format!("[{}]", object("\"9f9c\"")),
            "{ 7309".into(),
            format!("{{\"report\": 1, \"note\": {}}}", object("\"9f9c\"")),
            "{report: 1, note: {calls: [{open: B730914}]}}".into(),
        ] {
            assert_eq!(keepable(&text), "", "{text}");
        }
        for text in ["{\"report\": 1, \"id\": \"x\"}", "{report: 1, id: x}", "{\"script\":1}", "\u{feff}{\"begun\": 1}"]
        {
            assert_eq!(keepable(text), text);
        }
    }
}
