//! A sheet: a table with a header, each further row a report of what a station was left at.
//!
//! A bad header rejects the sheet, a bad row itself alone. Spreadsheets drop leading zeros, shorten long numbers and make days
//! of what looks like one: what looks so is never taken for a value.

use std::collections::BTreeMap;
use std::ops::Range;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use uuid::Uuid;

use super::report::{Places, Report, Unit, time};
use super::wire::report_json;
use crate::finding::{Code, Finding, Place, did_you_mean, in_quotes};
use crate::inventory::{E164, Inventory, Keybooks, Station};
use crate::setting::{Kind, Name, Reference, Value, Written};
use crate::table::{Cell, CellKind, Cells, DayForm, Table, day, is_set_apart, other_days};

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
/// Those of an inventory: they say where a station is, and nothing of what it holds.
const INVENTORY: [&str; 8] = ["site", "number", "where", "model", "profile", "line", "outside", "country"];
/// Those that no sheet is without.
const REQUIRED: [&str; 3] = ["station", "at", "by"];

#[derive(Debug, Clone, PartialEq, Eq)]
enum Column {
    Station,
    At,
    By,
    Unit,
    Note,
    /// One of an inventory.
    Inventory(&'static str),
    /// One whose name is in brackets: it is for others.
    Apart,
    Setting(Name),
}

/// A sheet whose header is right.
#[derive(Debug)]
pub struct Sheet<'t> {
    table: &'t Table,
    /// How days are written in it, beside ISO 8601.
    days: Option<&'t DayForm>,
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
    pub fn read(table: &'t Table, keybooks: &Keybooks, days: Option<&'t DayForm>) -> Result<Sheet<'t>, Vec<Finding>> {
        let start = || Place::start_of(table.file());
        let Some(header) = table.header() else {
            let fix = "Begin with a header: station,at,by, then the settings.";
            return Err(vec![Finding::new(Code::WrongShape, start(), "The sheet is empty.", fix)]);
        };
        let columns = Header { table, keybooks, findings: Vec::new() }.columns(header)?;
        if table.rows().next().is_none() {
            let fix = "Write a row for each station below the header.";
            return Err(vec![Finding::new(Code::WrongShape, start(), "The sheet has a header and no rows.", fix)]);
        }
        let at = columns.iter().position(|column| *column == Column::At);
        if let Some(finding) = at.zip(days).and_then(|(at, form)| other_days(table, at, form)) {
            return Err(vec![finding]);
        }
        Ok(Sheet { table, days, columns, header: header.range.clone() })
    }

    /// Its rows, in their order; those of empty cells alone are passed over.
    pub fn rows<'s>(&'s self, inventory: &'s Inventory) -> impl Iterator<Item = SheetRow> + 's {
        self.table.rows().map(|row| RowReader { sheet: self, inventory, row, findings: Vec::new() }.read())
    }
}

struct Header<'h> {
    table: &'h Table,
    keybooks: &'h Keybooks,
    findings: Vec<Finding>,
}

impl Header<'_> {
    fn columns(mut self, header: &Cells) -> Result<Vec<Column>, Vec<Finding>> {
        if let Some(finding) = self.table.is_parted_otherwise().or_else(|| self.table.flaw(header)) {
            return Err(vec![finding]);
        }
        let mut columns: Vec<Column> = Vec::new();
        for cell in &header.cells {
            let Some(column) = self.column(cell) else { continue };
            if column != Column::Apart && columns.contains(&column) {
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
                let fix = format!("Add a column \"{name}\".");
                let message = format!("The sheet has no column \"{name}\".");
                self.findings.push(Finding::new(Code::KeyMissing, Place::start_of(self.table.file()), message, fix));
            }
        }
        if self.findings.is_empty() { Ok(columns) } else { Err(self.findings) }
    }

    fn column(&mut self, cell: &Cell) -> Option<Column> {
        let name = cell.text.trim();
        if is_set_apart(name) {
            return Some(Column::Apart);
        }
        let own = COLUMNS.iter().find(|(own, _)| name.eq_ignore_ascii_case(own)).map(|(_, column)| column.clone());
        let is_setting = |name: &str| self.keybooks.values().any(|keybook| keybook.id(name).is_some());
        let inventory =
            || INVENTORY.iter().find(|own| name.eq_ignore_ascii_case(own)).map(|own| Column::Inventory(own));
        let column = own.or_else(|| is_setting(name).then(|| Column::Setting(name.into()))).or_else(inventory);
        if column.is_none() && name.is_empty() {
            self.note(Code::NameUnknown, cell, "This column has no name.".into(), "Name it, or delete the column.");
        } else if column.is_none() {
            let settings = self.keybooks.values().flat_map(|keybook| &keybook.settings).map(|setting| &*setting.name);
            let known: Vec<&str> = COLUMNS.iter().map(|(name, _)| *name).chain(settings).collect();
            let fix = format!("{} If it is for others, put the name in brackets: ({name}).", did_you_mean(name, known));
            self.note(Code::NameUnknown, cell, format!("\"{name}\" is not a setting of any model."), &fix);
        }
        column
    }

    fn note(&mut self, code: Code, cell: &Cell, message: String, fix: &str) {
        self.findings.push(Finding::new(code, self.table.place(cell), message, fix));
    }
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
        let (table, row) = (self.sheet.table, self.row);
        self.findings.extend(table.flaw(row));
        let report = if self.findings.is_empty() { self.report() } else { None };
        let mut places = BTreeMap::new();
        for (column, cell) in self.cells() {
            let Some(path) = column.path() else { continue };
            // Its name stands in the header, which is right: nothing in the row takes its place.
            places.insert(Places::name_of(&path), Place { length: 0, ..table.place(cell) });
            places.insert(path, table.place(cell));
        }
        let station = self.cell(&Column::Station).map(|cell| cell.text.clone());
        let text = self.kept();
        let report = match report {
            Some(report) if self.findings.is_empty() => Ok((report, Places::with(table.start(row), places))),
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
        let text = self.sheet.table.text();
        let mut row = text[self.row.range.clone()].to_owned();
        let is_literal = |cell: &&Cell| {
            let place = self.sheet.table.place(cell);
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
        let table = self.sheet.table;
        let place = self.cell(column).map_or(table.start(self.row), |cell| table.place(cell));
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
        let at = self.required(&Column::At, "at").and_then(|text| self.at(&text));
        let by = self.required(&Column::By, "by");
        let unit = self.printable(&Column::Unit, "unit", &[]).and_then(|text| self.unit(&text));
        let note = self.printable(&Column::Note, "note", &['\n', '\r', '\t']);
        let called = station.as_ref().and_then(|name| self.inventory.called(name));
        let called = called.map(|station| &**station);
        self.is_rung_at(called);
        let left = self.left(called);
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

    /// When: a time with its offset, or a day, which counts from its beginning (UTC).
    fn at(&mut self, text: &str) -> Option<Timestamp> {
        if let Some(at) = time(text) {
            return Some(at);
        }
        let read = day(text, self.sheet.days).map(|day| TimeZone::UTC.to_timestamp(day.at(0, 0, 0, 0)));
        match read {
            Ok(at) => at.ok(),
            Err((message, fix)) => {
                self.note(Code::ReportTime, &Column::At, message, fix);
                None
            }
        }
    }

    /// A row whose number is another one than the station's may be about another station.
    fn is_rung_at(&mut self, station: Option<&Station>) {
        let column = Column::Inventory("number");
        let number = self.cell(&column).and_then(|cell| cell.text.trim().parse::<E164>().ok());
        let (Some(number), Some(station)) = (number, station) else { return };
        if number != station.number {
            let message =
                format!("\"number\" is {number}, and the inventory says {} for {}.", station.number, station.name);
            self.note(
                Code::ValueOutside,
                &column,
                message,
                "Correct the one that is wrong, or the station of the row.",
            );
        }
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
                Column::Inventory(_) | Column::Apart => None,
            })
            .collect();
        let mut left = BTreeMap::new();
        for (column, name) in filled {
            let Some(text) = self.printable(&column, &name, &[]) else { continue };
            if self.is_no_value(&column, &name, &text) {
                continue;
            }
            let kind = station.and_then(|one| Some(&one.keybook.setting(one.keybook.id(&name)?).kind));
            if let Some(written) = self.value(&column, &name, &text, kind, station) {
                left.insert(name, written);
            }
        }
        left
    }

    /// Whether a cell of a workbook holds what no setting does.
    fn is_no_value(&mut self, column: &Column, name: &Name, text: &str) -> bool {
        let (what, fix) = match self.cell(column).map(|cell| cell.kind) {
            Some(CellKind::Day(_) | CellKind::Moment) => {
                ("a date that a spreadsheet made of it", "Format the column as text and write the value again.")
            }
            Some(CellKind::Fault) => ("an error of the spreadsheet", "Write the value, or leave the cell empty."),
            Some(CellKind::Text | CellKind::Number) | None => return false,
        };
        self.note(Code::ValueOutside, column, format!("\"{name}\" is {text}, {what}."), fix);
        true
    }

    /// Whether a cell may have lost what stood in front of it: a number in a workbook has no zeros there. One that is wanted has
    /// lost nothing.
    fn has_no_head(&self, column: &Column, text: &str, wanted: Option<&str>) -> bool {
        self.cell(column).is_some_and(|cell| cell.kind == CellKind::Number) && wanted != Some(text)
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
                if let Some(wanted) = wanted.as_ref().filter(|wanted| has_lost(text, wanted)) {
                    let message = format!(
                        "\"{name}\" is {text}, and wanted is {}: spreadsheets drop what stands in front.",
                        in_quotes(wanted)
                    );
                    let fix = format!(
                        "Format the column as text and write {wanted}. If the station was left at {text}, send that as a report file."
                    );
                    self.note(Code::ValueOutside, column, message, fix);
                    return None;
                }
                if self.has_no_head(column, text, wanted.as_deref()) {
                    let message = format!("\"{name}\" is the number {text}, and zeros in front of it may be lost.");
                    let fix = "Format the column as text and write the value again, with its zeros.";
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
    fn path(&self) -> Option<String> {
        match self {
            Column::Station => Some("station".into()),
            Column::At => Some("at".into()),
            Column::By => Some("by".into()),
            Column::Unit => Some("unit".into()),
            Column::Note => Some("note".into()),
            Column::Inventory(_) | Column::Apart => None,
            Column::Setting(name) => Some(format!("left.{name}")),
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
