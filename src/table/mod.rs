//! A table of cells, from a CSV file or from a sheet of a workbook: a header, and a row a line. Every cell knows its place.
//!
//! It does not know what its cells are for. What breaks the format of a row is kept with the row.

mod cells;
mod day;
mod other_days;
mod workbook;

pub use cells::{Cell, CellKind, Cells};
pub use day::{DayForm, day};
pub use other_days::other_days;

use std::sync::Arc;

use self::cells::{Flaw, Rows};
use crate::finding::{Code, Finding, Place, plural};

/// The largest file that is read, in bytes.
pub const SHEET_LIMIT_BYTES: u64 = 8 << 20;

/// A table whose text could be read.
#[derive(Debug)]
pub struct Table {
    file: Arc<str>,
    /// A row a line; of a workbook as CSV, so that a row can be shown and kept.
    text: String,
    rows: Vec<Cells>,
    is_workbook: bool,
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
        let rows = Rows::of(&text).collect();
        Ok(Table { file: file.clone(), text, rows, is_workbook: false })
    }

    /// Reads a sheet of an `.xlsx` workbook: the one of this name, or the first.
    ///
    /// # Errors
    /// What keeps the sheet from being read.
    pub fn workbook(file: &Arc<str>, bytes: &[u8], sheet: Option<&str>) -> Result<Table, Finding> {
        if bytes.len() as u64 > SHEET_LIMIT_BYTES {
            return Err(too_long(file));
        }
        let (text, rows) = workbook::read(file, bytes, sheet)?;
        Ok(Table { file: file.clone(), text, rows, is_workbook: true })
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
        let header = self.header().filter(|_| !self.is_workbook)?;
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
        (cells != columns).then(|| {
            let message = format!("The row has {}, and the header {columns}.", plural(cells as u64, "cell"));
            let fix = "Give the row as many cells as the header. A comma within a cell needs quotes around the cell.";
            Finding::new(Code::WrongShape, self.start(row), message, fix)
        })
    }

    /// A finding in a workbook with the name of its cell in front, such as C7; one in a CSV file as it is.
    pub fn named(&self, mut finding: Finding) -> Finding {
        if !self.is_workbook || finding.place.file != self.file {
            return finding;
        }
        let row = self.rows.iter().find(|row| row.line == finding.place.line);
        let at = row.and_then(|row| {
            row.cells.iter().find(|cell| cell.column == finding.place.column && finding.place.length > 0)
        });
        if let Some(name) = at.and_then(|cell| cell.name.as_deref()) {
            finding.message = format!("{name}: {}", finding.message);
        }
        finding
    }
}

impl Cells {
    fn says_nothing(&self) -> bool {
        self.flaw.is_none() && self.cells.iter().all(|cell| cell.text.trim().is_empty())
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

/// The finding for a file of more bytes than are read.
pub fn too_long(file: &Arc<str>) -> Finding {
    let message = format!("The sheet has more than {SHEET_LIMIT_BYTES} bytes.");
    Finding::new(Code::FileTooLarge, Place::start_of(file), message, "Divide it into several, each with the header.")
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
