//! A topic for a terminal: Markdown laid out as text of a given width.

use pulldown_cmark::{CodeBlockKind, Event, Options, Parser, Tag, TagEnd};
use textwrap::core::display_width;

/// Lays Markdown out as plain text, `width` columns wide. Code stays as it is. Tables become columns where they fit, and a
/// heading with its lines a row where they do not.
pub fn plain(markdown: &str, width: usize) -> String {
    let mut sheet = Sheet { width, ..Sheet::default() };
    for event in Parser::new_ext(markdown, Options::ENABLE_TABLES) {
        sheet.take(event);
    }
    let mut text = sheet.text.trim_end().to_owned();
    text.push('\n');
    text
}

/// The file that a block of code is, where its author named one after the language.
pub(super) fn file_of<'k>(kind: &'k CodeBlockKind<'_>) -> Option<&'k str> {
    match kind {
        CodeBlockKind::Fenced(info) => {
            info.split_once(' ').map(|(_, file)| file.trim()).filter(|file| !file.is_empty())
        }
        CodeBlockKind::Indented => None,
    }
}

/// Lines of so many columns that break between words alone: half of a command or a time cannot be copied.
fn unbroken(width: usize) -> textwrap::Options<'static> {
    textwrap::Options::new(width).word_splitter(textwrap::WordSplitter::NoHyphenation)
}

#[derive(Debug, Default)]
struct Sheet {
    width: usize,
    text: String,
    /// The words of the paragraph, heading, item or cell that is being read.
    words: String,
    is_code: bool,
    /// For each open list its next number, or none for bullets.
    lists: Vec<Option<u64>>,
    /// The mark of an item whose first words are still to come.
    mark: Option<String>,
    row: Vec<String>,
    rows: Vec<Vec<String>>,
}

impl Sheet {
    fn take(&mut self, event: Event<'_>) {
        match event {
            Event::Start(tag) => self.start(&tag),
            Event::End(tag) => self.end(tag),
            Event::Text(text) if self.is_code => self.code(&text),
            Event::Text(text) => self.words.push_str(&text),
            Event::Code(text) => self.words.push_str(&text),
            Event::SoftBreak | Event::HardBreak => self.words.push(' '),
            Event::Rule => self.blank(),
            // The guide has none of these.
            Event::Html(_)
            | Event::InlineHtml(_)
            | Event::InlineMath(_)
            | Event::DisplayMath(_)
            | Event::FootnoteReference(_)
            | Event::TaskListMarker(_) => {}
        }
    }

    fn start(&mut self, tag: &Tag<'_>) {
        match tag {
            Tag::CodeBlock(kind) => {
                self.paragraph();
                self.blank();
                if let Some(file) = file_of(kind) {
                    self.text.push_str(&format!("File {file}:\n\n"));
                }
                self.is_code = true;
            }
            Tag::List(first) => {
                self.paragraph();
                if self.lists.is_empty() {
                    self.blank();
                }
                self.lists.push(*first);
            }
            Tag::Item => {
                let mark = match self.lists.last_mut() {
                    Some(Some(number)) => {
                        *number += 1;
                        format!("{}. ", *number - 1)
                    }
                    Some(None) | None => "- ".to_owned(),
                };
                self.mark = Some(mark);
            }
            Tag::Paragraph if self.lists.is_empty() => self.blank(),
            Tag::Heading { .. } | Tag::Table(_) | Tag::BlockQuote(_) => self.blank(),
            _ => {}
        }
    }

    fn end(&mut self, tag: TagEnd) {
        match tag {
            TagEnd::Paragraph | TagEnd::Item => self.paragraph(),
            TagEnd::Heading(_) => {
                let words = std::mem::take(&mut self.words).to_uppercase();
                self.text.push_str(&words);
                self.text.push('\n');
            }
            TagEnd::CodeBlock => self.is_code = false,
            TagEnd::List(_) => {
                self.lists.pop();
            }
            TagEnd::TableCell => self.row.push(std::mem::take(&mut self.words)),
            TagEnd::TableHead | TagEnd::TableRow => self.rows.push(std::mem::take(&mut self.row)),
            TagEnd::Table => self.table(),
            _ => {}
        }
    }

    fn code(&mut self, text: &str) {
        for line in text.lines() {
            self.text.push_str("    ");
            self.text.push_str(line);
            self.text.push('\n');
        }
    }

    fn blank(&mut self) {
        if !self.text.is_empty() && !self.text.ends_with("\n\n") {
            self.text.push('\n');
        }
    }

    /// Writes the words gathered so far, indented as the lists say.
    fn paragraph(&mut self) {
        let words = std::mem::take(&mut self.words);
        if words.trim().is_empty() {
            return;
        }
        let indent = "  ".repeat(self.lists.len().saturating_sub(1));
        let mark = self.mark.take().unwrap_or_else(|| if self.lists.is_empty() { String::new() } else { "  ".into() });
        let hang = format!("{indent}{}", " ".repeat(mark.len()));
        let first = format!("{indent}{mark}");
        let options = unbroken(self.width).initial_indent(&first).subsequent_indent(&hang);
        self.text.push_str(&textwrap::fill(words.trim(), options));
        self.text.push('\n');
    }

    fn table(&mut self) {
        let rows = std::mem::take(&mut self.rows);
        let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
        if columns == 0 {
            return;
        }
        let widest = |column: usize| {
            rows.iter().filter_map(|row| row.get(column)).map(|cell| display_width(cell)).max().unwrap_or(0)
        };
        let widths: Vec<usize> = (0..columns - 1).map(widest).collect();
        let before: usize = widths.iter().map(|width| width + 2).sum();
        // The last column, the longest text, gets what is left; under half of the width it is unreadable.
        if before <= self.width / 2 {
            self.columns(&rows, &widths, self.width - before);
        } else {
            self.stacked(&rows);
        }
    }

    fn columns(&mut self, rows: &[Vec<String>], widths: &[usize], rest: usize) {
        for row in rows {
            let last = row.get(widths.len()).map(String::as_str).unwrap_or_default();
            let mut lines = textwrap::wrap(last, unbroken(rest)).into_iter();
            let mut line = String::new();
            for (cell, width) in row.iter().zip(widths) {
                line.push_str(cell);
                line.push_str(&" ".repeat(width + 2 - display_width(cell)));
            }
            line.push_str(&lines.next().unwrap_or_default());
            self.text.push_str(line.trim_end());
            self.text.push('\n');
            let hang = " ".repeat(widths.iter().map(|width| width + 2).sum());
            for more in lines {
                self.text.push_str(&hang);
                self.text.push_str(&more);
                self.text.push('\n');
            }
        }
    }

    /// Rows of two columns are a heading and its text; of more, each cell needs the head of its column.
    fn stacked(&mut self, rows: &[Vec<String>]) {
        if let Some((heads, rows)) = rows.split_first().filter(|(heads, _)| heads.len() > 2) {
            return self.headed(heads, rows);
        }
        for row in rows.iter().skip(1) {
            let Some((last, first)) = row.split_last() else { continue };
            let named: Vec<&str> = first.iter().map(String::as_str).filter(|cell| !cell.is_empty()).collect();
            self.text.push_str(&textwrap::fill(&named.join("  "), unbroken(self.width).subsequent_indent("    ")));
            self.text.push('\n');
            let options = unbroken(self.width).initial_indent("    ").subsequent_indent("    ");
            self.text.push_str(&textwrap::fill(last, options));
            self.text.push('\n');
        }
    }

    fn headed(&mut self, heads: &[String], rows: &[Vec<String>]) {
        for row in rows {
            let filled = heads.iter().zip(row).filter(|(_, cell)| !cell.is_empty());
            for (nth, (head, cell)) in filled.enumerate() {
                let indent = if nth == 0 { "" } else { "  " };
                let options = unbroken(self.width).initial_indent(indent).subsequent_indent("    ");
                self.text.push_str(&textwrap::fill(&format!("{head}: {cell}"), options));
                self.text.push('\n');
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_and_a_command_are_never_broken_at_a_hyphen() {
        assert_eq!(plain("It is `2026-11-20T10:14:00Z`.\n", 22), "It is\n2026-11-20T10:14:00Z.\n");
    }

    #[test]
    fn a_wide_table_keeps_the_heads_of_its_columns() {
        let table = "| contact | direct | pbx |\n|---|---|---|\n| `a-long-one-it-is` | one two three four | |\n";
        assert_eq!(plain(table, 26), "contact: a-long-one-it-is\n  direct: one two three\n    four\n");
    }

    #[test]
    fn a_block_that_is_a_file_is_shown_under_its_name() {
        assert_eq!(plain("```yaml a/b.yaml\nx: 1\n```\n", 40), "File a/b.yaml:\n\n    x: 1\n");
        assert_eq!(plain("```yaml\nx: 1\n```\n", 40), "    x: 1\n");
    }

    #[test]
    fn lists_code_and_paragraphs_are_laid_out_as_text() {
        let text =
            plain("# Words\n\nOne two three four five six.\n\n- a `b` c\n- d\n\n```yaml\nx: 1\n  y: 2\n```\n", 20);
        assert_eq!(text, "WORDS\n\nOne two three four\nfive six.\n\n- a b c\n- d\n\n    x: 1\n      y: 2\n");
    }

    #[test]
    fn a_table_is_columns_where_it_fits_and_stacked_where_it_does_not() {
        let table = "| key | meaning |\n|---|---|\n| `a` | one two three four |\n";
        assert_eq!(plain(table, 20), "key  meaning\na    one two three\n     four\n");
        assert_eq!(
            plain(&table.replace("`a`", "`a-long-key-it-is`"), 20),
            "a-long-key-it-is\n    one two three\n    four\n"
        );
    }
}
