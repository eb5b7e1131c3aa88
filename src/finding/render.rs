//! Findings laid out for people: the line, a caret under the place, the mend.

use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};

use super::{Finding, Place, Severity};

/// Whether the output may carry colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Paint {
    Plain,
    Colour,
}

/// Lays out each finding with its source line. `source` gives the text of a file, if it is at hand.
pub fn render<'t>(findings: &[Finding], source: impl Fn(&str) -> Option<&'t str>, paint: Paint) -> String {
    let renderer = match paint {
        Paint::Plain => Renderer::plain(),
        Paint::Colour => Renderer::styled(),
    };
    let mut out = String::new();
    for finding in findings {
        out.push_str(&one(finding, &source, &renderer));
        out.push_str("\n\n");
    }
    out
}

fn one<'t>(finding: &Finding, source: &impl Fn(&str) -> Option<&'t str>, renderer: &Renderer) -> String {
    let level = match finding.severity {
        Severity::Error => Level::ERROR,
        Severity::Warning => Level::WARNING,
    };
    let mut excerpts = Vec::new();
    excerpts.push(Excerpt::of(&finding.place, "", AnnotationKind::Primary, source));
    excerpts.extend(finding.related.iter().map(|(p, what)| Excerpt::of(p, what, AnnotationKind::Context, source)));
    let head = level.primary_title(finding.sentence.as_str()).id(finding.code.as_str());
    let mut group: Group<'_> = head.elements(excerpts.iter().map(Excerpt::snippet));
    if !finding.mend.is_empty() {
        group = group.element(Level::HELP.message(finding.mend.as_str()));
    }
    renderer.render(&[group]).to_string()
}

/// One source line with a marked span; the layout never sees more of the file than that.
struct Excerpt<'a> {
    place: &'a Place,
    label: &'a str,
    kind: AnnotationKind,
    line: &'a str,
}

impl<'a> Excerpt<'a> {
    fn of<'t: 'a>(
        place: &'a Place,
        label: &'a str,
        kind: AnnotationKind,
        source: &impl Fn(&str) -> Option<&'t str>,
    ) -> Excerpt<'a> {
        let nth = (place.line.max(1) - 1) as usize;
        let line = source(&place.file).and_then(|text| text.lines().nth(nth)).unwrap_or("");
        Excerpt { place, label, kind, line }
    }

    fn snippet(&self) -> Snippet<'a, annotate_snippets::Annotation<'a>> {
        let byte = |chars: usize| self.line.char_indices().nth(chars).map_or(self.line.len(), |(at, _)| at);
        let from = (self.place.column.max(1) - 1) as usize;
        let (start, end) = (byte(from), byte(from + self.place.length.max(1) as usize));
        let mut mark = self.kind.span(start..end.max(start));
        if !self.label.is_empty() {
            mark = mark.label(self.label);
        }
        Snippet::source(self.line).line_start(self.place.line as usize).path(self.place.file.as_ref()).annotation(mark)
    }
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
    fn a_place_beyond_the_text_does_no_harm() {
        let place = Place { file: "gone.yaml".into(), line: 900, column: 70, length: 4 };
        let finding = Finding::new(Code::KeyMissing, place, "Something is missing.", "");
        assert!(render(std::slice::from_ref(&finding), |_| None, Paint::Plain).contains("gone.yaml:900"));
        assert!(render(&[finding], |_| Some("é"), Paint::Plain).contains("Something is missing."));
    }
}
