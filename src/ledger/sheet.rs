//! A sheet: a CSV file with a header, each further row a report of what a station was left at.
//!
//! A bad header rejects the sheet, a bad row itself alone. Spreadsheets drop leading zeros and shorten long numbers: what looks
//! so is never taken for a value.

mod cells;

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

use uuid::Uuid;

use self::cells::{Cell, Cells, Flaw, Rows};
use super::report::{Places, Report, Unit, time};
use super::wire::report_json;
use crate::finding::{Code, Finding, Place, did_you_mean, in_quotes, plural};
use crate::inventory::{Inventory, Keybooks, Station};
use crate::setting::{Kind, Name, Reference, Value, Written};

/// The largest sheet that is read, in bytes.
pub const SHEET_LIMIT_BYTES: u64 = 8 << 20;

/// Ids of rows are made within it, from what a row says (RFC 9562, version 5). Chosen at random, and never changed: the same row
/// recorded again is the same report.
const ROWS: Uuid = Uuid::from_u128(0x6b1f_0c5e_93d4_4a77_8e25_c1a7_f04b_d6e9);

/// The columns that are no settings.
const COLUMNS: [(&str, Column); 5] = [
    ("station", Column::Station),
    ("at", Column::At),
    ("by", Column::By),
    ("unit", Column::Unit),
    ("note", Column::Note),
];
/// Those that no sheet is without.
const REQUIRED: [&str; 3] = ["station", "at", "by"];

#[derive(Debug, Clone, PartialEq, Eq)]
enum Column {
    Station,
    At,
    By,
    Unit,
    Note,
    Setting(Name),
}

/// A sheet whose header is right.
#[derive(Debug)]
pub struct Sheet<'t> {
    file: Arc<str>,
    text: &'t str,
    columns: Vec<Column>,
    header: Range<usize>,
}

/// A row of a sheet.
#[derive(Debug)]
pub struct SheetRow {
    /// The line in which it begins, from 1.
    pub line: u32,
    /// Header and row as they are kept where the row is rejected: no code is written out in it.
    pub text: String,
    /// The station that it names.
    pub station: Option<String>,
    /// The report that it is, or what is wrong with the row.
    pub report: Result<(Report, Places), Vec<Finding>>,
}

impl<'t> Sheet<'t> {
    /// Reads the header. Settings are those of any model.
    ///
    /// # Errors
    /// Everything that is wrong with the sheet as a whole.
    pub fn read(file: &Arc<str>, bytes: &'t [u8], keybooks: &Keybooks) -> Result<Sheet<'t>, Vec<Finding>> {
        if bytes.len() as u64 > SHEET_LIMIT_BYTES {
            return Err(vec![too_long(file)]);
        }
        let text = std::str::from_utf8(bytes).map_err(|error| vec![not_text(file, bytes, error.valid_up_to())])?;
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let mut rows = Rows::of(text);
        let Some(header) = rows.next() else {
            let fix = "Begin with a header: station,at,by, then the settings.";
            return Err(vec![Finding::new(Code::WrongShape, Place::start_of(file), "The sheet is empty.", fix)]);
        };
        let columns = Header { file, keybooks, findings: Vec::new() }.columns(&header)?;
        if !rows.any(|row| !says_nothing(&row)) {
            let fix = "Write a row for each station below the header.";
            let message = "The sheet has a header and no rows.";
            return Err(vec![Finding::new(Code::WrongShape, Place::start_of(file), message, fix)]);
        }
        Ok(Sheet { file: file.clone(), text, columns, header: header.range })
    }

    /// Its rows, in their order; those of empty cells alone are passed over.
    pub fn rows<'s>(&'s self, inventory: &'s Inventory) -> impl Iterator<Item = SheetRow> + 's {
        let rows = Rows::of(self.text).skip(1).filter(|row| !says_nothing(row));
        rows.map(|row| RowReader { sheet: self, inventory, row: &row, findings: Vec::new() }.read())
    }
}

fn says_nothing(row: &Cells) -> bool {
    row.flaw.is_none() && row.cells.iter().all(|cell| cell.text.trim().is_empty())
}

/// The finding for a sheet of more bytes than are read.
pub fn too_long(file: &Arc<str>) -> Finding {
    let message = format!("The sheet has more than {SHEET_LIMIT_BYTES} bytes.");
    Finding::new(Code::FileTooLarge, Place::start_of(file), message, "Divide it into several, each with the header.")
}

fn not_text(file: &Arc<str>, bytes: &[u8], valid: usize) -> Finding {
    let line = bytes.iter().take(valid).filter(|byte| **byte == b'\n').count();
    let line = u32::try_from(line).unwrap_or(u32::MAX).saturating_add(1);
    let place = Place { file: file.clone(), line, column: 1, length: 0 };
    Finding::new(Code::NotText, place, "This line is not UTF-8 text.", "Save the sheet as CSV in UTF-8.")
}

/// What breaks the rules of the format.
fn flawed(file: &Arc<str>, row: &Cells) -> Option<Finding> {
    let (flaw, column) = row.flaw?;
    let place = Place { file: file.clone(), line: row.line, column, length: 1 };
    let (message, fix) = match flaw {
        Flaw::QuoteWithin => (
            "Here is a quote in a cell that does not begin with one.",
            "Put the whole cell in quotes, and double each quote within it.",
        ),
        Flaw::AfterQuote => ("A cell goes on after its closing quote.", "Double each quote within a cell in quotes."),
        Flaw::Unclosed => ("A quote opens here and never closes.", "Close it, or remove it."),
    };
    Some(Finding::new(Code::WrongShape, place, message, fix))
}

struct Header<'h> {
    file: &'h Arc<str>,
    keybooks: &'h Keybooks,
    findings: Vec<Finding>,
}

impl Header<'_> {
    fn columns(mut self, header: &Cells) -> Result<Vec<Column>, Vec<Finding>> {
        if let Some(finding) = flawed(self.file, header) {
            return Err(vec![finding]);
        }
        let mut columns: Vec<Column> = Vec::new();
        for cell in &header.cells {
            let Some(column) = self.column(cell) else { continue };
            if columns.contains(&column) {
                self.note(
                    Code::NameRepeated,
                    cell,
                    format!("A second column is called \"{}\".", cell.text),
                    "Remove one.",
                );
            }
            columns.push(column);
        }
        for (name, column) in COLUMNS.iter().filter(|(name, _)| REQUIRED.contains(name)) {
            if !columns.contains(column) {
                let is_other = header.cells.len() == 1 && header.cells[0].text.contains([';', '\t']);
                let fix = match is_other {
                    true => "Save the sheet with commas between its cells.".to_owned(),
                    false => format!("Add a column \"{name}\"."),
                };
                let message = format!("The sheet has no column \"{name}\".");
                self.findings.push(Finding::new(Code::KeyMissing, Place::start_of(self.file), message, fix));
            }
        }
        if self.findings.is_empty() { Ok(columns) } else { Err(self.findings) }
    }

    fn column(&mut self, cell: &Cell) -> Option<Column> {
        let name = cell.text.trim();
        let own = COLUMNS.iter().find(|(own, _)| *own == name).map(|(_, column)| column.clone());
        let is_setting = |name: &str| self.keybooks.values().any(|keybook| keybook.id(name).is_some());
        let column = own.or_else(|| is_setting(name).then(|| Column::Setting(name.into())));
        if column.is_none() && name.is_empty() {
            self.note(Code::NameUnknown, cell, "This column has no name.".into(), "Name it, or delete the column.");
        } else if column.is_none() {
            let settings = self.keybooks.values().flat_map(|keybook| &keybook.settings).map(|setting| &*setting.name);
            let known: Vec<&str> = COLUMNS.iter().map(|(name, _)| *name).chain(settings).collect();
            let fix = did_you_mean(name, known);
            self.note(Code::NameUnknown, cell, format!("\"{name}\" is not a setting of any model."), &fix);
        }
        column
    }

    fn note(&mut self, code: Code, cell: &Cell, message: String, fix: &str) {
        self.findings.push(Finding::new(code, place_of(self.file, cell), message, fix));
    }
}

fn place_of(file: &Arc<str>, cell: &Cell) -> Place {
    Place { file: file.clone(), line: cell.line, column: cell.column, length: cell.length }
}

/// One row being read.
struct RowReader<'r> {
    sheet: &'r Sheet<'r>,
    inventory: &'r Inventory,
    row: &'r Cells,
    findings: Vec<Finding>,
}

impl RowReader<'_> {
    fn read(mut self) -> SheetRow {
        let (file, row) = (self.sheet.file.clone(), self.row);
        let root = Place { file: file.clone(), line: row.line, column: 1, length: 0 };
        self.findings.extend(flawed(&file, row));
        let (cells, columns) = (row.cells.len(), self.sheet.columns.len());
        if self.findings.is_empty() && cells != columns {
            let message = format!("The row has {}, and the header {columns}.", plural(cells as u64, "cell"));
            let fix = "Give the row as many cells as the header. A comma within a cell needs quotes around the cell.";
            self.findings.push(Finding::new(Code::WrongShape, root.clone(), message, fix));
        }
        let report = if self.findings.is_empty() { self.report() } else { None };
        let mut places = BTreeMap::new();
        for (column, cell) in self.cells() {
            places.insert(column.path(), place_of(&file, cell));
            // Its name stands in the header, which is right: nothing in the row takes its place.
            places.insert(Places::name_of(&column.path()), Place { length: 0, ..place_of(&file, cell) });
        }
        let station = self.cell(&Column::Station).map(|cell| cell.text.clone());
        let text = self.kept();
        let report = match report {
            Some(report) if self.findings.is_empty() => Ok((report, Places::with(root, places))),
            Some(_) | None => Err(self.findings),
        };
        SheetRow { line: row.line, text, station, report }
    }

    /// The cells that say something, with their columns.
    fn cells(&self) -> impl Iterator<Item = (&Column, &Cell)> {
        self.sheet.columns.iter().zip(&self.row.cells).filter(|(_, cell)| !cell.text.trim().is_empty())
    }

    fn cell(&self, column: &Column) -> Option<&Cell> {
        self.cells().find(|(one, _)| *one == column).map(|(_, cell)| cell)
    }

    /// Header and row, with asterisks over codes that are written out.
    fn kept(&self) -> String {
        let text = self.sheet.text;
        let mut row = text[self.row.range.clone()].to_owned();
        let is_literal = |cell: &&Cell| {
            let place = place_of(&self.sheet.file, cell);
            self.findings.iter().any(|finding| finding.code == Code::SecretLiteral && finding.place == place)
        };
        let literals: Vec<Range<usize>> =
            self.row.cells.iter().filter(is_literal).map(|cell| cell.range.clone()).collect();
        for range in literals.into_iter().rev() {
            let covered = "*".repeat(text[range.clone()].chars().count());
            let start = self.row.range.start;
            row.replace_range(range.start - start..range.end - start, &covered);
        }
        format!("{}\n{row}\n", &text[self.sheet.header.clone()])
    }

    fn note(&mut self, code: Code, column: &Column, message: impl Into<String>, fix: impl Into<String>) {
        let root = Place { file: self.sheet.file.clone(), line: self.row.line, column: 1, length: 0 };
        let place = self.cell(column).map_or(root, |cell| place_of(&self.sheet.file, cell));
        self.findings.push(Finding::new(code, place, message, fix));
    }

    fn required(&mut self, column: &Column, name: &str) -> Option<String> {
        let text = self.printable(column, name, &[])?;
        if text.is_empty() {
            self.note(Code::KeyMissing, column, format!("The row has no \"{name}\"."), "Fill the cell in.");
            return None;
        }
        Some(text)
    }

    /// A cell's text, empty where it says nothing.
    fn printable(&mut self, column: &Column, name: &str, allowed: &[char]) -> Option<String> {
        let text = self.cell(column).map(|cell| cell.text.trim().to_owned()).unwrap_or_default();
        let odd = text.chars().find(|sign| sign.is_control() && !allowed.contains(sign));
        let Some(odd) = odd else { return Some(text) };
        let message = format!("\"{name}\" holds a control character ({}).", odd.escape_default());
        self.note(Code::WrongShape, column, message, "Remove it.");
        None
    }

    fn report(&mut self) -> Option<Report> {
        let station = self.required(&Column::Station, "station");
        let at = self.required(&Column::At, "at").and_then(|text| match time(&text) {
            Some(at) => Some(at),
            None => {
                let fix = "Write it with its offset (RFC 3339), such as 2026-11-20T10:14:00Z.";
                self.note(Code::ReportTime, &Column::At, format!("\"{text}\" is not a time."), fix);
                None
            }
        });
        let by = self.required(&Column::By, "by");
        let unit = self.printable(&Column::Unit, "unit", &[]).and_then(|text| self.unit(&text));
        let note = self.printable(&Column::Note, "note", &['\n', '\r', '\t']);
        let called = station.as_ref().and_then(|name| self.inventory.called(name));
        let left = self.left(called.map(|station| &**station));
        let mut report = Report {
            id: Uuid::nil(),
            station: station?.into(),
            at: at?,
            by: by?.into(),
            unit,
            found: BTreeMap::new(),
            script: None,
            openings: Vec::new(),
            steps: Vec::new(),
            left,
            tests: Vec::new(),
            corrects: None,
            note: note.filter(|note| !note.is_empty()).map(Name::from),
            fingerprints: BTreeMap::new(),
            number: None,
            elsewhere: BTreeMap::new(),
        };
        report.id = Uuid::new_v5(&ROWS, report_json(&report).to_string().as_bytes());
        Some(report)
    }

    fn unit(&mut self, text: &str) -> Option<Unit> {
        let found = Unit::WORDS.iter().find(|(word, _)| *word == text).map(|(_, unit)| *unit);
        if found.is_none() && !text.is_empty() {
            let fix = did_you_mean(text, Unit::WORDS.iter().map(|(word, _)| *word));
            self.note(Code::WrongShape, &Column::Unit, format!("\"unit\" cannot be \"{text}\"."), fix);
        }
        found
    }

    /// What the station was left at, as far as cells say something.
    fn left(&mut self, station: Option<&Station>) -> BTreeMap<Name, Written> {
        let filled: Vec<(Column, Name)> = self
            .cells()
            .filter_map(|(column, _)| match column {
                Column::Setting(name) => Some((column.clone(), name.clone())),
                Column::Station | Column::At | Column::By | Column::Unit | Column::Note => None,
            })
            .collect();
        let mut left = BTreeMap::new();
        for (column, name) in filled {
            let Some(text) = self.printable(&column, &name, &[]) else { continue };
            let kind = station.and_then(|one| Some(&one.keybook.setting(one.keybook.id(&name)?).kind));
            if let Some(written) = self.value(&column, &name, &text, kind, station) {
                left.insert(name, written);
            }
        }
        left
    }

    /// A cell as a value of its kind; of a station or setting that nobody knows, which is said elsewhere, as it stands.
    fn value(
        &mut self,
        column: &Column,
        name: &Name,
        text: &str,
        kind: Option<&Kind>,
        station: Option<&Station>,
    ) -> Option<Written> {
        match kind {
            Some(Kind::Secret { .. }) => {
                let reference = text.parse().ok();
                let reference = reference.filter(|one| matches!(one, Reference::Env(_) | Reference::File(_)));
                if reference.is_none() {
                    let message = format!("\"{name}\" is not a reference to a code.");
                    self.note(Code::SecretLiteral, column, message, "Write file:PATH or env:NAME.");
                }
                reference.map(Written::Secret)
            }
            Some(Kind::Flags { .. }) => {
                let mut names: Vec<Name> = text.split_whitespace().map(Name::from).collect();
                names.sort();
                Some(Written::List(names))
            }
            Some(Kind::Choice(_)) | None => Some(Written::Quoted(text.into())),
            Some(Kind::Digits { .. } | Kind::Dial { .. } | Kind::Number { .. }) if is_shortened(text) => {
                let message = format!("\"{name}\" is {text}, a number that a spreadsheet has shortened.");
                let fix = "Format the column as text, then write the value in full.";
                self.note(Code::ValueOutside, column, message, fix);
                None
            }
            Some(Kind::Number { .. }) => Some(Written::Plain(text.into())),
            Some(Kind::Digits { .. } | Kind::Dial { .. }) => {
                let wanted = station.and_then(|station| wanted(station, name));
                if let Some(wanted) = wanted.filter(|wanted| has_lost(text, wanted)) {
                    let message = format!(
                        "\"{name}\" is {text}, and wanted is {}: spreadsheets drop what stands in front.",
                        in_quotes(&wanted)
                    );
                    let fix = format!(
                        "Format the column as text and write {wanted}. If the station was left at {text}, send that as a report file."
                    );
                    self.note(Code::ValueOutside, column, message, fix);
                    return None;
                }
                Some(Written::Quoted(text.into()))
            }
        }
    }
}

impl Column {
    /// The part of a report that it fills.
    fn path(&self) -> String {
        match self {
            Column::Station => "station".into(),
            Column::At => "at".into(),
            Column::By => "by".into(),
            Column::Unit => "unit".into(),
            Column::Note => "note".into(),
            Column::Setting(name) => format!("left.{name}"),
        }
    }
}

/// Scientific notation, which spreadsheets turn long numbers into: digits are lost.
fn is_shortened(text: &str) -> bool {
    let Some((number, exponent)) = text.split_once(['e', 'E']) else { return false };
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    let (whole, rest) = number.split_once(['.', ',']).unwrap_or((number, "0"));
    digits(whole) && digits(rest) && digits(exponent.strip_prefix(['+', '-']).unwrap_or(exponent))
}

/// What is wanted of a setting, as it would be written.
fn wanted(station: &Station, name: &str) -> Option<Name> {
    let id = station.keybook.id(name)?;
    match &station.wanted.get(id.index())?.as_ref()?.value {
        Value::Digits(text) | Value::Dial(text) => Some(text.clone()),
        Value::Choice(_) | Value::Flags(_) | Value::Number(_) | Value::Secret(_) => None,
    }
}

/// Whether a cell is a value without its leading zeros or its `+`: the number that a spreadsheet makes of it.
fn has_lost(cell: &str, value: &str) -> bool {
    let number = value.strip_prefix('+').unwrap_or(value).trim_start_matches('0');
    let number = if number.is_empty() && !value.is_empty() { "0" } else { number };
    cell == number && cell != value
}

#[cfg(test)]
mod tests;
