//! Exact fixes as edits of a file's bytes: nothing outside their spans moves.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

use crate::files::FileText;
use crate::finding::{Finding, Place};
use crate::fleet::Texts;

/// One exact fix, as an edit of the file that it stands in.
#[derive(Debug, Clone)]
pub struct Patch {
    pub finding: Finding,
    range: Range<usize>,
    text: Box<str>,
}

impl Patch {
    /// The fix of a finding, where it is safe to write and its place is found in the file.
    pub fn of(finding: &Finding, text: &FileText) -> Option<Patch> {
        let replacement = finding.replacement.clone()?;
        let whole = text.text()?;
        let range = range(whole, &finding.place)?;
        let safe = finding.is_safe_to_write(&whole[range.clone()]);
        safe.then(|| Patch { finding: finding.clone(), range, text: replacement })
    }

    /// By how many characters it makes its line longer or shorter.
    pub fn growth(&self) -> i64 {
        self.length() - i64::from(self.finding.place.length)
    }

    /// How many characters it writes.
    pub fn length(&self) -> i64 {
        i64::try_from(self.text.chars().count()).unwrap_or(i64::MAX)
    }

    /// What tells it from others.
    pub fn key(&self) -> (Place, Box<str>) {
        (self.finding.place.clone(), self.text.clone())
    }
}

/// The bytes that a place spans. A byte order mark stands before the first column; a place that is no span within its line is none.
fn range(text: &str, place: &Place) -> Option<Range<usize>> {
    let mark = text.len() - text.strip_prefix('\u{feff}').unwrap_or(text).len();
    let mut start = mark;
    for _ in 1..place.line {
        start += text[start..].find('\n')? + 1;
    }
    let line = &text[start..][..text[start..].find('\n').unwrap_or(text.len() - start)];
    let mut ends = line.char_indices().map(|(at, _)| at).chain([line.len()]);
    let from = ends.nth((place.column.max(1) - 1) as usize)?;
    let to = ends.nth((place.length as usize).checked_sub(1)?)?;
    Some(start + from..start + to)
}

/// The texts with patches in them; of two that overlap the first.
pub fn patched(texts: &BTreeMap<Arc<str>, Arc<FileText>>, patches: &[Patch]) -> (Texts, Vec<Patch>) {
    let mut by_file: BTreeMap<Arc<str>, Vec<&Patch>> = BTreeMap::new();
    for patch in patches {
        by_file.entry(patch.finding.place.file.clone()).or_default().push(patch);
    }
    let (mut new, mut used) = (Texts::new(), Vec::new());
    for (file, mut patches) in by_file {
        let Some(text) = texts.get(&file) else { continue };
        patches.sort_by_key(|patch| (patch.range.start, patch.range.end));
        let (mut bytes, mut at) = (Vec::with_capacity(text.bytes.len()), 0);
        for patch in patches {
            if patch.range.start < at {
                continue;
            }
            bytes.extend_from_slice(&text.bytes[at..patch.range.start]);
            bytes.extend_from_slice(patch.text.as_bytes());
            at = patch.range.end;
            used.push(patch.clone());
        }
        bytes.extend_from_slice(&text.bytes[at..]);
        new.insert(file, Arc::new(FileText::new(bytes)));
    }
    (new, used)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::finding::Code;
    use proptest::prelude::*;

    fn finding(line: u32, column: u32, length: u32, instead: &str) -> Finding {
        let place = Place { file: "a.yaml".into(), line, column, length };
        Finding::new(Code::Unquoted, place, "It is wrong.", "Fix it.").replacing(Some(instead.into()))
    }

    fn fixed(text: &str, findings: &[Finding]) -> String {
        let texts: Texts = [("a.yaml".into(), Arc::new(FileText::new(text.as_bytes().to_vec())))].into();
        let patches: Vec<Patch> = findings.iter().filter_map(|f| Patch::of(f, &texts["a.yaml"])).collect();
        let (new, _) = patched(&texts, &patches);
        new.get("a.yaml").map_or(text, |new| new.text().unwrap()).to_owned()
    }

    #[test]
    fn only_the_span_changes_after_a_byte_order_mark_with_other_line_ends_and_wide_letters() {
        let text = "\u{feff}ü: 1\r\n# é 12\r\nx: {é: 12, b: 12}   \r\nlast: 12";
        let all = [finding(3, 8, 2, "\"12\""), finding(4, 7, 2, "\"12\""), finding(1, 4, 1, "\"1\"")];
        assert_eq!(fixed(text, &all), "\u{feff}ü: \"1\"\r\n# é 12\r\nx: {é: \"12\", b: 12}   \r\nlast: \"12\"");
    }

    #[test]
    fn a_place_that_is_no_span_within_its_line_changes_nothing() {
        let text = "a: 1\nb: 2\n";
        for odd in [finding(9, 1, 1, "\"1\""), finding(1, 9, 1, "\"1\""), finding(1, 4, 3, "\"1\"")] {
            assert_eq!(fixed(text, &[odd]), text);
        }
        let twice = [finding(1, 4, 1, "\"1\""), finding(1, 4, 1, "\"1\"")];
        assert_eq!(fixed(text, &twice), "a: \"1\"\nb: 2\n");
    }

    proptest! {
        #[test]
        fn bytes_outside_the_span_stay(before in "[a-zé#: ]{0,9}", number in "[0-9]{1,6}", after in "[,} #é]{0,9}",
            lines in "[a-zé\n]{0,20}", end in prop::sample::select(vec!["", "\n", "\r\n"])) {
            let text = format!("{lines}\n{before}{number}{after}{end}");
            let line = lines.matches('\n').count() as u32 + 2;
            let column = before.chars().count() as u32 + 1;
            let exact = format!("\"{number}\"");
            let at = finding(line, column, number.len() as u32, &exact);
            prop_assert_eq!(fixed(&text, &[at]), format!("{lines}\n{before}{exact}{after}{end}"));
        }
    }
}
