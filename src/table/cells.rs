//! The cells of a sheet, by RFC 4180 to the letter: each with its place, so that what is wrong can be shown there.
//!
//! A row that breaks the rules ends with its line, and the next line is a row again: an open quote swallows no row.

use std::ops::Range;

use jiff::civil::Date;

/// What a cell of a workbook says it holds; a cell of a CSV file is always text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CellKind {
    /// Text as it was typed.
    Text,
    /// A number: nobody knows whether zeros were typed in front of it.
    Number,
    /// A day.
    Day(Date),
    /// A day with a time, and no offset.
    Moment,
    /// A formula that came to nothing, such as `#N/A`.
    Fault,
    /// A formula whose value was not saved with it: nobody knows what it comes to.
    Unsaved,
}

/// A cell.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cell {
    /// What it says, without quotes.
    pub text: String,
    /// In the line in which it begins: its first character, from 1.
    pub column: u32,
    /// In characters, quotes included; 0 where it goes on in a further line.
    pub length: u32,
    /// Where it stands in the whole text, quotes included.
    pub range: Range<usize>,
    /// The line in which it begins, from 1.
    pub line: u32,
    /// What it holds.
    pub kind: CellKind,
}

impl Cell {
    /// Whether it says nothing.
    pub fn is_blank(&self) -> bool {
        self.text.trim().is_empty()
    }
}

/// A row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cells {
    /// The line in which it begins, from 1.
    pub line: u32,
    /// In their order; of a row that breaks the rules those before the one that does.
    pub cells: Vec<Cell>,
    /// Where it stands in the whole text, without its line end.
    pub range: Range<usize>,
    /// What breaks the rules, and where: the line's column, from 1.
    pub flaw: Option<(Flaw, u32)>,
}

/// What RFC 4180 does not allow.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Flaw {
    /// A quote in a cell that does not begin with one.
    QuoteWithin,
    /// Text after the quote that ends a cell.
    AfterQuote,
    /// A quote that no other one answers.
    Unclosed,
}

/// The rows of a text, one after the other; lines without a character are passed over.
pub struct Rows<'t> {
    text: &'t str,
    at: usize,
    line: u32,
}

impl<'t> Rows<'t> {
    pub fn of(text: &'t str) -> Rows<'t> {
        Rows { text, at: 0, line: 1 }
    }

    fn row(&self) -> (Cells, usize) {
        let (start, line) = (self.at, self.line);
        let mut row = Cells { line, cells: Vec::new(), range: start..start, flaw: None };
        let mut at = Position { at: start, line, column: 1 };
        loop {
            let begin = at;
            let (text, end, flaw) = match self.text[at.at..].starts_with('"') {
                true => self.quoted(at),
                false => self.bare(at),
            };
            if let Some((flaw, column)) = flaw {
                let end = self.text[start..].find('\n').map_or(self.text.len(), |length| start + length);
                row.flaw = Some((flaw, column));
                row.range = start..end;
                return (row, end);
            }
            let length = if end.line == begin.line { end.column - begin.column } else { 0 };
            let range = begin.at..end.at;
            row.cells.push(Cell { text, column: begin.column, length, range, line: begin.line, kind: CellKind::Text });
            at = end;
            match self.text[at.at..].chars().next() {
                Some(',') => at = Position { at: at.at + 1, column: at.column + 1, ..at },
                Some(_) | None => break,
            }
        }
        row.range = start..at.at;
        (row, at.at)
    }

    /// A cell without quotes, up to a comma or the line's end.
    fn bare(&self, from: Position) -> (String, Position, Option<(Flaw, u32)>) {
        let rest = &self.text[from.at..];
        let end = rest.find([',', '\n']).unwrap_or(rest.len());
        let end = if rest[..end].ends_with('\r') && rest[end..].starts_with('\n') { end - 1 } else { end };
        let cell = &rest[..end];
        let column = |at: usize| from.column.saturating_add(count(&cell[..at]));
        let flaw = cell.find('"').map(|at| (Flaw::QuoteWithin, column(at)));
        (cell.to_owned(), Position { at: from.at + end, column: column(end), ..from }, flaw)
    }

    /// A cell in quotes; two quotes within stand for one.
    fn quoted(&self, from: Position) -> (String, Position, Option<(Flaw, u32)>) {
        let (mut text, mut at) = (String::new(), Position { at: from.at + 1, column: from.column + 1, ..from });
        let mut signs = self.text[at.at..].chars().peekable();
        while let Some(sign) = signs.next() {
            at = at.after(sign);
            match sign {
                '"' if signs.peek() == Some(&'"') => {
                    signs.next();
                    at = at.after('"');
                    text.push('"');
                }
                '"' => {
                    let rest = &self.text[at.at..];
                    let is_end = rest.is_empty() || [",", "\n", "\r\n"].iter().any(|end| rest.starts_with(end));
                    // Where it began in another line, the place that can be shown is its beginning.
                    let column = if at.line == from.line { at.column } else { from.column };
                    return (text, at, (!is_end).then_some((Flaw::AfterQuote, column)));
                }
                _ => text.push(sign),
            }
        }
        (text, at, Some((Flaw::Unclosed, from.column)))
    }
}

impl Iterator for Rows<'_> {
    type Item = Cells;

    fn next(&mut self) -> Option<Cells> {
        loop {
            let rest = &self.text[self.at..];
            let ended = ["\r\n", "\n"].into_iter().find(|end| rest.starts_with(end));
            match ended {
                Some(end) => (self.at, self.line) = (self.at + end.len(), self.line.saturating_add(1)),
                None if rest.is_empty() => return None,
                None => break,
            }
        }
        let (row, end) = self.row();
        self.line = self.line.saturating_add(u32::try_from(self.text[self.at..end].matches('\n').count()).unwrap_or(0));
        self.at = end;
        Some(row)
    }
}

/// A place in the text: bytes from 0; line and column from 1.
#[derive(Debug, Clone, Copy)]
struct Position {
    at: usize,
    line: u32,
    column: u32,
}

impl Position {
    fn after(self, sign: char) -> Position {
        let at = self.at + sign.len_utf8();
        match sign {
            '\n' => Position { at, line: self.line.saturating_add(1), column: 1 },
            _ => Position { at, column: self.column.saturating_add(1), ..self },
        }
    }
}

fn count(text: &str) -> u32 {
    u32::try_from(text.chars().count()).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn texts(text: &str) -> Vec<Vec<String>> {
        Rows::of(text)
            .map(|row| {
                assert_eq!(row.flaw, None, "{text:?}");
                row.cells.into_iter().map(|cell| cell.text).collect()
            })
            .collect()
    }

    /// RFC 4180, section 2, its own examples.
    #[test]
    fn the_examples_of_the_rfc_read_as_it_says() {
        assert_eq!(texts("aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n"), [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]);
        assert_eq!(texts("aaa,bbb,ccc\r\nzzz,yyy,xxx"), [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]);
        assert_eq!(
            texts("\"aaa\",\"b\r\nbb\",\"ccc\"\r\nzzz,yyy,xxx"),
            [["aaa", "b\r\nbb", "ccc"], ["zzz", "yyy", "xxx"]]
        );
        assert_eq!(texts("\"aaa\",\"b\"\"bb\",\"ccc\""), [["aaa", "b\"bb", "ccc"]]);
    }

    #[test]
    fn what_breaks_the_rules_costs_its_own_line_alone() {
        let text = "a,b\nx,le\"ns\n\"q\" x,y\nc,\"open\nd,e\n\"two\nlines\" x,f\ng,h\n";
        let rows: Vec<_> = Rows::of(text).map(|row| (row.line, row.flaw, text[row.range].to_owned())).collect();
        let expected = [
            (1, None, "a,b"),
            (2, Some((Flaw::QuoteWithin, 5)), "x,le\"ns"),
            (3, Some((Flaw::AfterQuote, 4)), "\"q\" x,y"),
            (4, Some((Flaw::AfterQuote, 3)), "c,\"open"),
            (5, None, "d,e"),
            (6, Some((Flaw::AfterQuote, 1)), "\"two"),
            (7, Some((Flaw::QuoteWithin, 6)), "lines\" x,f"),
            (8, None, "g,h"),
        ];
        assert_eq!(rows, expected.map(|(line, flaw, text)| (line, flaw, text.to_owned())));
        assert_eq!(Rows::of("a,\"b\nc\n").next().unwrap().flaw, Some((Flaw::Unclosed, 3)));
    }

    #[test]
    fn a_cell_has_its_place_in_characters() {
        let text = "é,\"ü,\",x\n\n,\"a\nb\",\n";
        let cells: Vec<_> = Rows::of(text)
            .flat_map(|row| row.cells)
            .map(|cell| (cell.line, cell.column, cell.length, text[cell.range].to_owned()))
            .collect();
        let expected =
            [(1, 1, 1, "é"), (1, 3, 4, "\"ü,\""), (1, 8, 1, "x"), (3, 1, 0, ""), (3, 2, 0, "\"a\nb\""), (4, 4, 0, "")];
        assert_eq!(cells, expected.map(|(line, column, length, text)| (line, column, length, text.to_owned())));
    }

    proptest! {
        /// Against the csv crate, which writes by the RFC.
        #[test]
        fn what_the_csv_crate_writes_is_read_as_it_was(
            rows in prop::collection::vec(prop::collection::vec("[ a,\"\r\n\u{e9}]{0,4}", 2..5), 1..5)
        ) {
            let mut writer = csv::WriterBuilder::new().flexible(true).from_writer(Vec::new());
            rows.iter().for_each(|row| writer.write_record(row).unwrap());
            let text = String::from_utf8(writer.into_inner().unwrap()).unwrap();
            prop_assert_eq!(texts(&text), rows);
        }

        /// However broken a text is, every character of it but line ends stands in some row.
        #[test]
        fn nothing_of_a_text_is_passed_over(text in "[a,\"\n]{0,30}") {
            let mut at = 0;
            for row in Rows::of(&text) {
                prop_assert!(text[at..row.range.start].chars().all(|sign| sign == '\n'), "{:?}", row);
                prop_assert!(row.range.end > row.range.start);
                prop_assert_eq!(text[..row.range.start].matches('\n').count() + 1, row.line as usize);
                at = row.range.end;
            }
            prop_assert!(text[at..].chars().all(|sign| sign == '\n'));
        }
    }
}
