//! A table of cells, from a CSV file or from a sheet of a workbook: a header, and a row a line. Every cell knows its place.
//!
//! It does not know what its cells are for. What breaks the format of a row is kept with the row.

mod bounds;
mod cells;
mod day;
mod hidden;
mod workbook;

pub use bounds::SHEET_LIMIT_BYTES;
pub use cells::{Cell, CellKind, Cells};
pub use day::{DayForm, day};

use std::sync::Arc;

use self::bounds::{Extent, too_long};
use self::cells::{Flaw, Rows};
use crate::finding::{Code, Finding, Place, plural};

/// A table whose text could be read.
#[derive(Debug)]
pub struct Table {
    file: Arc<str>,
    /// A row a line; of a workbook as CSV, so that a row can be shown and kept.
    text: String,
    rows: Vec<Cells>,
    /// What of a workbook only it can say; nothing of a CSV file.
    book: Option<Book>,
}

/// What a workbook says of itself besides its cells.
#[derive(Debug)]
struct Book {
    /// The first column that holds anything, from 0.
    first: u32,
    /// What its reader could not see on the screen.
    notes: Vec<String>,
}

impl Table {
    /// Reads CSV by RFC 4180, in UTF-8.
    ///
    /// # Errors
    /// What keeps the whole file from being read.
    pub fn csv(file: &Arc<str>, bytes: &[u8]) -> Result<Table, Finding> {
        if bytes.len() as u64 > SHEET_LIMIT_BYTES {
            return Err(too_long(file));
        }
        let text = std::str::from_utf8(bytes).map_err(|error| not_text(file, bytes, error.valid_up_to()))?;
        let text = text.strip_prefix('\u{feff}').unwrap_or(text).to_owned();
        let header = Rows::of(&text).next();
        let count = |sign: u8| text.bytes().filter(|byte| *byte == sign).count();
        let extent = Extent {
            columns: header.as_ref().map_or(0, |header| header.cells.len()),
            header_bytes: header.as_ref().map_or(0, |header| header.range.len()),
            rows: text.lines().filter(|line| !line.is_empty()).count(),
            cells: count(b',') + count(b'\n') + 1,
        };
        extent.is_read(file)?;
        let rows = Rows::of(&text).collect();
        Ok(Table { file: file.clone(), text, rows, book: None })
    }

    /// Reads a sheet of an `.xlsx` workbook: the one of this name, or the only one that is not hidden.
    ///
    /// # Errors
    /// What keeps the sheet from being read.
    pub fn workbook(file: &Arc<str>, bytes: &[u8], sheet: Option<&str>) -> Result<Table, Finding> {
        if bytes.len() as u64 > SHEET_LIMIT_BYTES {
            return Err(too_long(file));
        }
        let workbook::Read { text, rows, first, notes } = workbook::read(file, bytes, sheet)?;
        Ok(Table { file: file.clone(), text, rows, book: Some(Book { first, notes }) })
    }

    /// What nobody who looks at the workbook sees, and what became of it.
    pub fn notes(&self) -> &[String] {
        self.book.as_ref().map_or(&[], |book| &book.notes)
    }

    /// The file, as findings name it.
    pub fn file(&self) -> &Arc<str> {
        &self.file
    }

    /// The text that places of findings lead into.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// The first row.
    pub fn header(&self) -> Option<&Cells> {
        self.rows.first()
    }

    /// The rows below the header; those of empty cells alone are passed over.
    pub fn rows(&self) -> impl Iterator<Item = &Cells> {
        self.rows.iter().skip(1).filter(|row| !row.says_nothing())
    }

    /// The line in which the row begins that has this line: a cell may go on over several.
    pub fn row_at(&self, line: u32) -> u32 {
        let after = self.rows.partition_point(|row| row.line <= line);
        after.checked_sub(1).and_then(|at| self.rows.get(at)).map_or(line, |row| row.line)
    }

    /// Where a cell is.
    pub fn place(&self, cell: &Cell) -> Place {
        Place { file: self.file.clone(), line: cell.line, column: cell.column, length: cell.length }
    }

    /// Where a row begins.
    pub fn start(&self, row: &Cells) -> Place {
        Place { file: self.file.clone(), line: row.line, column: 1, length: 0 }
    }

    /// That the header's cells are parted by something else than commas, as many spreadsheet programs write them.
    pub fn is_parted_otherwise(&self) -> Option<Finding> {
        let header = self.header().filter(|_| self.book.is_none())?;
        let text = self.text.get(header.range.clone()).filter(|text| !text.contains(','))?;
        let (_, signs) = [(';', "semicolons"), ('\t', "tabs")].into_iter().find(|(sign, _)| text.contains(*sign))?;
        let message = format!("The columns are separated by {signs}.");
        let fix = "Save the sheet with commas between its cells.";
        Some(Finding::new(Code::WrongShape, self.start(header), message, fix))
    }

    /// What breaks the rules of the format in a row, or that it has more or fewer cells than the header.
    pub fn flaw(&self, row: &Cells) -> Option<Finding> {
        if let Some((flaw, column)) = row.flaw {
            let place = Place { column, length: 1, ..self.start(row) };
            let (message, fix) = flaw.said();
            return Some(Finding::new(Code::WrongShape, place, message, fix));
        }
        let (cells, columns) = (row.cells.len(), self.header().map_or(0, |header| header.cells.len()));
        if cells != columns {
            let message = format!("The row has {}, and the header {columns}.", plural(cells as u64, "cell"));
            let fix = "Give the row as many cells as the header. A comma within a cell needs quotes around the cell.";
            return Some(Finding::new(Code::WrongShape, self.start(row), message, fix));
        }
        row.cells.iter().find_map(|cell| self.swallowed(cell, columns))
    }

    /// A line within a cell that has as many commas as a row: a stray quote has paired with one further down, and the rows between
    /// them would be lost.
    fn swallowed(&self, cell: &Cell, columns: usize) -> Option<Finding> {
        if self.book.is_some() || columns < 2 {
            return None;
        }
        let is_row = |line: &&str| line.matches(',').count() + 1 >= columns;
        let line = (cell.line + 1..).zip(cell.text.lines().skip(1)).find(|(_, line)| is_row(line))?.0;
        let message = format!("A quote opens here, and line {line} within it looks like a row.");
        let fix = "Remove the quote, or put one behind the text that it belongs to.";
        Some(Finding::new(Code::WrongShape, self.place(cell), message, fix))
    }

    /// A finding in a workbook with the name of its cell in front, such as C7; one in a CSV file as it is.
    pub fn named(&self, mut finding: Finding) -> Finding {
        let Some(book) = self.book.as_ref().filter(|_| finding.place.file == self.file) else { return finding };
        let row = self.rows.iter().find(|row| row.line == finding.place.line);
        let at = row.and_then(|row| {
            row.cells.iter().position(|cell| cell.column == finding.place.column && finding.place.length > 0)
        });
        if let Some(nth) = at.and_then(|nth| u32::try_from(nth).ok()) {
            let name = workbook::name(book.first.saturating_add(nth), finding.place.line);
            finding.message = format!("{name}: {}", finding.message);
        }
        finding
    }
}

impl Cells {
    fn says_nothing(&self) -> bool {
        self.flaw.is_none() && self.cells.iter().all(Cell::is_blank)
    }
}

impl Flaw {
    /// What is wrong, and the fix.
    fn said(self) -> (&'static str, &'static str) {
        match self {
            Flaw::QuoteWithin => (
                "A cell that does not begin with a quote has one here.",
                "Put the whole cell in quotes, and double each quote within it.",
            ),
            Flaw::AfterQuote => {
                ("A cell goes on after its closing quote.", "Double each quote within a cell in quotes.")
            }
            Flaw::Unclosed => ("A quote opens here and never closes.", "Close it, or remove it."),
        }
    }
}

/// Whether the name of a column is in brackets: what it holds is for others, and passed over.
pub fn is_set_apart(name: &str) -> bool {
    name.starts_with('(') && name.ends_with(')')
}

fn not_text(file: &Arc<str>, bytes: &[u8], valid: usize) -> Finding {
    let before = bytes.get(..valid).unwrap_or_default();
    let start = before.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
    let count = |number: usize| u32::try_from(number).unwrap_or(u32::MAX).saturating_add(1);
    let line = count(before.iter().filter(|byte| **byte == b'\n').count());
    let column = count(String::from_utf8_lossy(&before[start..]).chars().count());
    let place = Place { file: file.clone(), line, column, length: 1 };
    let fix = "Save the sheet as CSV in UTF-8. Spreadsheet programs call it \"CSV UTF-8\".";
    Finding::new(Code::NotText, place, "This line is not UTF-8 text.", fix)
}

#[cfg(test)]
mod tests {
    use super::bounds::{CELLS, COLUMNS, HEADER_BYTES, ROWS};
    use super::*;

    fn csv(text: &str) -> Result<Table, Finding> {
        Table::csv(&"s.csv".into(), text.as_bytes())
    }

    #[test]
    fn more_than_a_sheet_may_hold_is_a_finding_and_just_as_much_is_read() {
        let said = |text: &str| csv(text).map(|table| table.rows().count()).map_err(|finding| finding.message);
        let commas = |count: usize| ",".repeat(count);
        assert_eq!(said(&format!("a{}\nb\n", commas(COLUMNS - 1))), Ok(1));
        let columns = said(&format!("a{}\nb\n", commas(COLUMNS)));
        assert_eq!(columns, Err("The sheet has 1025 columns, and at most 1024 are read.".into()));
        assert_eq!(said(&"a\n".repeat(ROWS)), Ok(ROWS - 1));
        assert!(said(&"a\n".repeat(ROWS + 1)).is_err_and(|said| said.contains("65537 rows")));
        let cells = said(&format!("{}\n", commas(1000)).repeat(CELLS / 1000));
        assert!(cells.as_ref().is_err_and(|said| said.contains("1049049 cells")), "{cells:?}");
        assert!(said(&"x".repeat(HEADER_BYTES + 1)).is_err_and(|said| said.starts_with("The header has 65537 bytes")));
        assert!(said(&"x".repeat(SHEET_LIMIT_BYTES as usize + 1)).is_err_and(|said| said.contains("8388608 bytes")));
    }

    #[test]
    fn a_line_within_a_cell_belongs_to_the_line_in_which_its_row_begins() {
        let table = csv("a,b\n\nc,\"d\ne\nf\"\ng,h\n").unwrap();
        assert_eq!((1..=7).map(|line| table.row_at(line)).collect::<Vec<_>>(), [1, 1, 3, 3, 3, 6, 6]);
    }
}
