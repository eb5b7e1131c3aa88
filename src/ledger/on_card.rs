//! The report in a text that someone sends: the text itself, or what is filled in at the end of a whole card. The keys and
//! codes of a card are never part of it.

use std::borrow::Cow;

/// The heading of a printed card's report: a text with such a line is a card.
pub const CARD_END: &str = "REPORT BACK";

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
        /// What may be kept of it.
        kept: String,
    },
}

/// Looks for the report in a text.
pub(super) fn sent(text: &str) -> Sent {
    if is_page(text) {
        let fix =
            "Copy the report at its end, from \"report: 1\" on, into a file of its own. Fill it in, and send that.";
        return Sent::Otherwise { message: "This is a page, not a report.".into(), fix, kept: String::new() };
    }
    let lines: Vec<&str> = text.lines().collect();
    let cards = lines.iter().filter(|line| line.starts_with(CARD_END)).count();
    let firsts: Vec<usize> = (0..lines.len()).filter(|at| lines[*at].trim_end() == FIRST).collect();
    match (cards, &firsts[..]) {
        (0, _) => Sent::Alone,
        (1, [first]) => Sent::OnCard("\n".repeat(*first) + &lines[*first..].join("\n") + "\n"),
        (_, []) => {
            let fix = "Send the report at its end, from \"report: 1\" on, filled in.";
            Sent::Otherwise { message: "This is a card without its report.".into(), fix, kept: String::new() }
        }
        (_, all) => {
            let is_within = |line: &&&str| !line.trim().is_empty() && !line.starts_with(CARD_END);
            let part = |first: &usize| lines[*first..].iter().take_while(is_within).copied().collect::<Vec<_>>();
            let kept: Vec<&str> = all.iter().flat_map(part).collect();
            let message = match all.len() {
                1 => format!("This text holds {cards} cards."),
                many => format!("This text holds {many} reports."),
            };
            let fix = "Send the report of each card in a file of its own.";
            Sent::Otherwise { message, fix, kept: kept.join("\n") }
        }
    }
}

fn is_page(text: &str) -> bool {
    let start: String = text.trim_start_matches('\u{feff}').trim_start().chars().take(9).collect();
    let start = start.to_ascii_lowercase();
    start.starts_with("<!doctype") || start.starts_with("<html")
}

/// What may be kept of a text that someone sent as a report: nothing of a card but its report.
pub fn keepable(text: Cow<'_, str>) -> Cow<'_, str> {
    match sent(&text) {
        Sent::Alone => text,
        Sent::OnCard(report) | Sent::Otherwise { kept: report, .. } => Cow::Owned(report),
    }
}

/// The report in a text that nobody said is one, where it looks as if it held one.
pub fn report_in(text: &str) -> Option<Cow<'_, str>> {
    let is_report = |line: &str| line.starts_with("report:") || line.starts_with('{') && line.contains("\"report\"");
    let kept = keepable(Cow::Borrowed(text));
    kept.lines().any(is_report).then_some(kept)
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
            assert!(!keepable(text.into()).contains("7309"));
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
            let Sent::Otherwise { message, kept, .. } = sent(&text) else { panic!("{text}") };
            assert_eq!(message, expected);
            assert!(!kept.contains("7309"), "{kept}");
            assert_eq!(kept.matches(REPORT.trim_end()).count(), text.matches(REPORT).count(), "{kept}");
        }
    }

    #[test]
    fn what_looks_like_no_report_holds_none() {
        for text in ["", "BEFORE YOU RING", "# report: 1", "hello\n report: 1", "<html>report: 1", &card("")] {
            assert_eq!(report_in(text), None, "{text}");
        }
        assert_eq!(report_in(REPORT).as_deref(), Some(REPORT));
        assert!(report_in("{\"report\": 1}").is_some() && report_in(&card(REPORT)).is_some());
    }
}
