//! Findings laid out for people, by the GNU convention that editors follow: place, sentence, code; below it the source
//! line with a mark under the span, and the fix.

use std::collections::HashMap;
use std::fmt::Write as _;

use super::{Finding, Place, Severity};

/// Whether the output may carry colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Paint {
    /// Text alone.
    Plain,
    /// With the escape sequences of a terminal.
    Colour,
}

/// How many characters of a line are shown before a mark, and how many from its beginning on; a line may be as long as a
/// file.
const BEFORE: usize = 120;
const AFTER: usize = 240;

/// The most related places shown with a finding.
const MOST_RELATED: usize = 8;

/// Stands for the part of a long line that is not shown.
const CUT: char = '…';

/// Lays out each finding with its source line. `source` gives the text of a file, if it is at hand.
pub fn render<'t>(findings: &[Finding], source: impl Fn(&str) -> Option<&'t str>, paint: Paint) -> String {
    let mut lines: HashMap<&str, Vec<&'t str>> = HashMap::new();
    let places =
        findings.iter().flat_map(|f| std::iter::once(&f.place).chain(f.related.iter().map(|(place, _)| place)));
    for place in places {
        let found = || source(&place.file).map(|text| text.lines().collect()).unwrap_or_default();
        lines.entry(&place.file).or_insert_with(found);
    }
    let line = |place: &Place| {
        let nth = (place.line.max(1) - 1) as usize;
        lines.get(&*place.file).and_then(|lines| lines.get(nth)).copied()
    };
    findings.iter().map(|finding| one(finding, line, paint) + "\n").collect()
}

fn one<'t>(finding: &Finding, line: impl Fn(&Place) -> Option<&'t str>, paint: Paint) -> String {
    let style = match finding.severity {
        Severity::Error => Style { word: "error", colour: "1;35" },
        Severity::Warning => Style { word: "warning", colour: "1;36" },
    };
    let mut text = format!(
        "{}: {}: {} ({})\n",
        finding.place,
        style.dress(style.word, paint),
        finding.message,
        finding.code.as_str()
    );
    text += &excerpt(&finding.place, line(&finding.place), &style, paint);
    if !finding.fix.is_empty() {
        let _ = writeln!(text, "Fix: {}", finding.fix);
    }
    for (place, what) in finding.related.iter().take(MOST_RELATED) {
        let style = Style { word: "note", colour: "1" };
        let _ = writeln!(text, "{place}: {}: {what}", style.dress(style.word, paint));
        text += &excerpt(place, line(place), &style, paint);
    }
    text
}

struct Style {
    word: &'static str,
    /// Parameters of the terminal's SGR sequence (ECMA-48).
    colour: &'static str,
}

impl Style {
    fn dress(&self, text: &str, paint: Paint) -> String {
        match paint {
            Paint::Plain => text.to_string(),
            Paint::Colour => format!("\x1b[{}m{text}\x1b[0m", self.colour),
        }
    }
}

/// The source line, indented, and a mark under each character of the span; nothing where the line is not at hand.
fn excerpt(place: &Place, line: Option<&str>, style: &Style, paint: Paint) -> String {
    let Some(line) = line.filter(|line| !line.is_empty()) else { return String::new() };
    let from = (place.column.max(1) - 1) as usize;
    let first = Some(from.saturating_sub(BEFORE)).filter(|first| *first >= AFTER).unwrap_or(0);
    let mut rest = line.chars().skip(first);
    let mut shown: String = if first > 0 { CUT.into() } else { String::new() };
    shown.extend(rest.by_ref().take(from - first).map(printable));
    let padding: String = shown.chars().map(|c| if c == '\t' { '\t' } else { ' ' }).collect();
    let span: String = rest.by_ref().take(AFTER.min(place.length.max(1) as usize)).map(printable).collect();
    let marks = "=".repeat(span.chars().count().max(1));
    shown += &span;
    shown.extend(rest.by_ref().take(AFTER - marks.len()).map(printable));
    if rest.next().is_some() {
        shown.push(CUT);
    }
    format!("    {shown}\n    {padding}{}\n", style.dress(&marks, paint))
}

/// A terminal obeys control characters; shown, they keep their place.
fn printable(c: char) -> char {
    if c != '\t' && c.is_control() { char::REPLACEMENT_CHARACTER } else { c }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::finding::Code;

    fn place(line: u32, column: u32, length: u32) -> Place {
        Place { file: "fleet.yaml".into(), line, column, length }
    }

    #[test]
    fn the_author_sees_place_sentence_code_line_mark_and_fix() {
        let finding =
            Finding::new(Code::Unquoted, place(2, 9, 4), "The number is not quoted: 0121.", "write \"0121\".")
                .beside(place(1, 1, 3), "the contact");
        let text = render(std::slice::from_ref(&finding), |_| Some("ops:\n\tcalls: 0121\n"), Paint::Plain);
        assert_eq!(
            text,
            "fleet.yaml:2:9: error: The number is not quoted: 0121. (unquoted)\n    \
                 \tcalls: 0121\n    \
                 \t       ====\n\
             Fix: write \"0121\".\n\
             fleet.yaml:1:1: note: the contact\n    \
                 ops:\n    \
                 ===\n\n"
        );
        let painted = render(&[finding], |_| Some("ops:\n\tcalls: 0121\n"), Paint::Colour);
        assert!(painted.starts_with("fleet.yaml:2:9: \x1b[1;35merror\x1b[0m: The number"), "{painted}");
    }

    #[test]
    fn of_a_line_as_long_as_a_file_only_what_matters_is_shown() {
        let text = format!("a: [{} ü{}]\n", "x".repeat(1 << 20), "y".repeat(1 << 20));
        let column = 4 + (1 << 20) + 2;
        let place = Place { file: "long.yaml".into(), line: 1, column: column as u32, length: 1 << 20 };
        let shown =
            render(&[Finding::new(Code::KeyUnknown, place, "Too long.", "Cut it.")], |_| Some(&text), Paint::Plain);
        assert!(shown.len() < 3_000, "{}", shown.len());
        assert!(shown.starts_with(&format!("long.yaml:1:{column}: error: ")), "{shown}");
        assert!(shown.contains("    …xxx") && shown.contains("x üyyy") && shown.contains("y…\n"), "{shown}");
        let lines: Vec<&str> = shown.lines().collect();
        let at = lines[1].chars().position(|c| c == 'ü');
        assert_eq!(lines[2].chars().position(|c| c == '='), at, "{shown}");
    }

    #[test]
    fn a_place_beyond_the_text_does_no_harm_and_no_source_line_steers_the_terminal() {
        let finding = Finding::new(Code::KeyMissing, place(900, 70, 4), "Something is missing.", "");
        let text = render(std::slice::from_ref(&finding), |_| None, Paint::Plain);
        assert_eq!(text, "fleet.yaml:900:70: error: Something is missing. (key-missing)\n\n");
        let beyond = Finding { place: place(1, 70, 4), ..finding };
        assert!(render(std::slice::from_ref(&beyond), |_| Some("é"), Paint::Plain).contains("    é\n    "));
        let steered = render(&[Finding { place: place(1, 2, 1), ..beyond }], |_| Some("a\x1b[2J"), Paint::Plain);
        assert!(!steered.contains('\x1b') && steered.contains("a\u{fffd}[2J"), "{steered}");
    }
}
