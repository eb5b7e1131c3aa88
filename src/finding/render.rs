//! Findings laid out for people: the line, a caret under the place, the fix.

use std::collections::HashMap;

use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};

use super::{Finding, Place, Severity};

/// Whether the output may carry colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Paint {
    /// Text alone.
    Plain,
    /// With the escape sequences of a terminal.
    Colour,
}

/// How many characters of a line are shown before a mark and from its beginning on; a line may be as long as a file.
const BEFORE: usize = 120;
const BEHIND: usize = 240;

/// The most related places shown with a finding.
const MOST_RELATED: usize = 8;

/// Lays out each finding with its source line. `source` gives the text of a file, if it is at hand.
pub fn render<'t>(findings: &[Finding], source: impl Fn(&str) -> Option<&'t str>, paint: Paint) -> String {
    let renderer = match paint {
        Paint::Plain => Renderer::plain(),
        Paint::Colour => Renderer::styled(),
    };
    let mut lines: HashMap<&str, Vec<&'t str>> = HashMap::new();
    let places =
        findings.iter().flat_map(|f| std::iter::once(&f.place).chain(f.related.iter().map(|(place, _)| place)));
    for place in places {
        let found = || source(&place.file).map(|text| text.lines().collect()).unwrap_or_default();
        lines.entry(&place.file).or_insert_with(found);
    }
    let line = |place: &Place| {
        let nth = (place.line.max(1) - 1) as usize;
        lines.get(&*place.file).and_then(|lines| lines.get(nth)).copied().unwrap_or("")
    };
    findings.iter().map(|finding| one(finding, line, &renderer) + "\n\n").collect()
}

fn one<'t>(finding: &Finding, line: impl Fn(&Place) -> &'t str, renderer: &Renderer) -> String {
    let level = match finding.severity {
        Severity::Error => Level::ERROR,
        Severity::Warning => Level::WARNING,
    };
    let related = finding.related.iter().take(MOST_RELATED);
    let mut excerpts = vec![Excerpt::of(&finding.place, "", AnnotationKind::Primary, line(&finding.place))];
    excerpts.extend(related.map(|(p, what)| Excerpt::of(p, what, AnnotationKind::Context, line(p))));
    let head = level.primary_title(finding.message.as_str()).id(finding.code.as_str());
    let mut group: Group<'_> = head.elements(excerpts.iter().map(Excerpt::snippet));
    if !finding.fix.is_empty() {
        group = group.element(Level::HELP.message(finding.fix.as_str()));
    }
    let laid_out = renderer.render(&[group]).to_string();
    excerpts.iter().fold(laid_out, |text, excerpt| excerpt.counted_from_the_line(text))
}

/// The part of one source line around a marked span; the layout never sees more of the file than that.
struct Excerpt<'a> {
    place: &'a Place,
    label: &'a str,
    kind: AnnotationKind,
    part: &'a str,
    /// In bytes of the part.
    mark: std::ops::Range<usize>,
    /// How many characters of the line stand before the part.
    left_out: usize,
}

impl<'a> Excerpt<'a> {
    fn of(place: &'a Place, label: &'a str, kind: AnnotationKind, line: &'a str) -> Excerpt<'a> {
        let from = (place.column.max(1) - 1) as usize;
        let first = Some(from.saturating_sub(BEFORE)).filter(|first| *first >= BEHIND).unwrap_or(0);
        let kept = from - first;
        let part = &line[byte(line, first)..];
        let part = &part[..byte(part, kept + BEHIND)];
        let start = byte(part, kept);
        let end = byte(part, kept.saturating_add(place.length.max(1) as usize));
        Excerpt { place, label, kind, part, mark: start..end.max(start), left_out: first }
    }

    /// The layout counts columns from where the part begins; where that is not the line's beginning, they are put right.
    fn counted_from_the_line(&self, text: String) -> String {
        let Place { file, line, column, length: _ } = self.place;
        match self.left_out {
            0 => text,
            left_out => {
                let (counted, right) = (*column as usize - left_out, self.place.to_string());
                text.replacen(&format!("{file}:{line}:{counted}\n"), &format!("{right}\n"), 1)
            }
        }
    }

    fn snippet(&self) -> Snippet<'a, annotate_snippets::Annotation<'a>> {
        let mut mark = self.kind.span(self.mark.clone());
        if !self.label.is_empty() {
            mark = mark.label(self.label);
        }
        Snippet::source(self.part).line_start(self.place.line as usize).path(self.place.file.as_ref()).annotation(mark)
    }
}

/// Where the nth character begins, or the end.
fn byte(text: &str, chars: usize) -> usize {
    text.char_indices().nth(chars).map_or(text.len(), |(at, _)| at)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::finding::Code;

    #[test]
    fn the_author_sees_place_line_caret_and_mend() {
        let place = Place { file: "fleet.yaml".into(), line: 2, column: 8, length: 4 };
        let first = Place { file: "fleet.yaml".into(), line: 1, column: 1, length: 3 };
        let finding = Finding::new(Code::Unquoted, place, "The number 0121 is not quoted.", "Write \"0121\".")
            .beside(first, "the contact");
        let text = render(&[finding], |_| Some("ops:\n calls: 0121\n"), Paint::Plain);
        assert_eq!(
            text.trim_end(),
            "error[unquoted]: The number 0121 is not quoted.\n \
             --> fleet.yaml:2:8\n  |\n2 |  calls: 0121\n  |        ^^^^\n  |\n \
             ::: fleet.yaml:1:1\n  |\n1 | ops:\n  | --- the contact\n  |\n  = help: Write \"0121\"."
        );
    }

    #[test]
    fn of_a_line_as_long_as_a_file_only_what_matters_is_shown() {
        let text = format!("a: [{} ü{}]\n", "x".repeat(1 << 20), "y".repeat(1 << 20));
        let column = 4 + (1 << 20) + 2;
        let place = Place { file: "long.yaml".into(), line: 1, column: column as u32, length: 1 << 20 };
        let shown =
            render(&[Finding::new(Code::KeyUnknown, place, "Too long.", "Cut it.")], |_| Some(&text), Paint::Plain);
        assert!(shown.len() < 3_000, "{}", shown.len());
        assert!(shown.contains(&format!("long.yaml:1:{column}")), "{shown}");
        assert!(shown.contains("x üyyy"), "{shown}");
    }

    #[test]
    fn a_place_beyond_the_text_does_no_harm() {
        let place = Place { file: "gone.yaml".into(), line: 900, column: 70, length: 4 };
        let finding = Finding::new(Code::KeyMissing, place, "Something is missing.", "");
        assert!(render(std::slice::from_ref(&finding), |_| None, Paint::Plain).contains("gone.yaml:900"));
        assert!(render(&[finding], |_| Some("é"), Paint::Plain).contains("Something is missing."));
    }
}
