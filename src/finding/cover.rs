//! Codes that someone wrote out where a reference belongs: never shown or kept again.

use super::{Code, Finding, Place};

/// Puts asterisks over every code written out in a file's text, as far as findings tell of it.
pub fn cover_literals(text: &mut String, file: &str, findings: &[Finding]) {
    let literals = findings.iter().filter(|finding| finding.code == Code::SecretLiteral);
    for literal in literals.filter(|finding| &*finding.place.file == file) {
        cover(text, &literal.place);
    }
}

fn cover(text: &mut String, place: &Place) {
    let start: usize = text.split_inclusive('\n').take(place.line.max(1) as usize - 1).map(str::len).sum();
    let line = text[start..].lines().next().unwrap_or("");
    let at = |chars: usize| start + line.char_indices().nth(chars).map_or(line.len(), |(at, _)| at);
    let from = place.column.max(1) as usize - 1;
    // A list or mapping is marked by its first sign only, and a block by none: then the rest goes too.
    let rest = text[start..].len();
    let range = match place.length {
        1 => at(from)..start + line.len(),
        0 => at(from)..start + rest,
        length => at(from)..at(from.saturating_add(length as usize)).max(at(from)),
    };
    let covered: String = text[range.clone()].chars().map(|sign| if sign == '\n' { sign } else { '*' }).collect();
    text.replace_range(range, &covered);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn covered(text: &str, line: u32, column: u32, length: u32) -> String {
        let place = Place { file: "a.yaml".into(), line, column, length };
        let findings = [Finding::new(Code::SecretLiteral, place, "It is a code.", "Write a reference.")];
        let mut text = text.to_owned();
        cover_literals(&mut text, "a.yaml", &findings);
        text
    }

    #[test]
    fn a_code_written_out_is_covered_and_the_rest_stays() {
        assert_eq!(covered("é: 1\nü: \"4711\" # x\n", 2, 4, 6), "é: 1\nü: ****** # x\n");
        assert_eq!(covered("a: {b: \"4711\"}\nc: 1\n", 1, 4, 1), "a: ***********\nc: 1\n");
        assert_eq!(covered("a: |\n  4711\n", 2, 3, 0), "a: |\n  ****\n");
        assert_eq!(covered("a: 1\n", 9, 9, 4), "a: 1\n");
        assert_eq!(covered("", 1, 1, 4), "");
    }
}
