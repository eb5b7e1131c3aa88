//! A sheet: a table with a header, each further row a report of what a station was left at.
//!
//! A bad header rejects the sheet, a bad row itself alone. Spreadsheets drop leading zeros, shorten long numbers and make days
//! of what looks like one: what looks so is never taken for a value. Rows of one station and time have no order: where they
//! say different things the sheet is rejected, for one of them would count and nobody could tell which.

use std::collections::BTreeMap;
use std::ops::Range;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use uuid::Uuid;

use super::apart::RowsApart;
use super::report::{Places, Report, Unit, time};
use super::wire::report_json;
use crate::finding::{Code, Finding, Place, did_you_mean, plural};
use crate::inventory::{Column, Columns, Inventory, Keybooks, Station, Strangers, WrongCell, number_in, value_in};
use crate::setting::{Name, Value, Written};
use crate::table::{Cell, Cells, DayForm, Table, day};

/// Ids of rows are made within it, from what a row says (RFC 9562, version 5). Chosen at random, and never changed: the same row
/// recorded again is the same report.
const ROWS: Uuid = Uuid::from_u128(0x6b1f_0c5e_93d4_4a77_8e25_c1a7_f04b_d6e9);

/// The columns that no sheet is without.
const REQUIRED: [Column; 3] = [Column::Station, Column::At, Column::By];

/// So many mistakes of one row are named.
const MOST_OF_A_ROW: usize = 20;

/// A sheet whose header is right.
#[derive(Debug)]
pub struct Sheet<'t> {
    table: &'t Table,
    /// How days are written in it, beside ISO 8601.
    days: Option<&'t DayForm>,
    columns: Columns,
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
        let columns = Columns::read(table, keybooks, &REQUIRED, Strangers::Rejected)?;
        let header = table.header().map_or(0..0, |header| header.range.clone());
        Ok(Sheet { table, days, columns, header })
    }

    /// Its rows, in their order; those of empty cells alone are passed over.
    pub fn rows<'s>(&'s self, inventory: &'s Inventory) -> impl Iterator<Item = SheetRow> + 's {
        self.table.rows().map(|row| RowReader { sheet: self, inventory, row, findings: Vec::new() }.read())
    }

    /// What its rows say against each other, at both cells; then the sheet as a whole is wrong.
    pub fn rows_apart(&self, inventory: &Inventory) -> Vec<Finding> {
        let mut apart = RowsApart::default();
        for row in self.rows(inventory) {
            if let Ok((report, places)) = row.report {
                apart.add(row.line, &report, &places, inventory);
            }
        }
        apart.findings()
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
            let Some(path) = path(column) else { continue };
            // Its name stands in the header, which is right: nothing in the row takes its place.
            places.insert(Places::name_of(&path), Place { length: 0, ..table.place(cell) });
            places.insert(path, table.place(cell));
        }
        let station = self.cell(&Column::Station).map(|cell| cell.text.clone());
        let text = self.kept();
        self.shorten();
        let report = match report {
            Some(report) if self.findings.is_empty() => Ok((report, Places::with(table.start(row), places))),
            Some(_) | None => Err(self.findings),
        };
        SheetRow { line: row.line, text, station, report }
    }

    /// Leaves out the mistakes past the first few, once what is kept of the row was made by all of them.
    fn shorten(&mut self) {
        let Some(more) = self.findings.len().checked_sub(MOST_OF_A_ROW).filter(|more| *more > 0) else { return };
        self.findings.truncate(MOST_OF_A_ROW);
        let message = format!("The row has {} besides.", plural(more as u64, "mistake"));
        let fix = "Correct those that are named, then try again.";
        self.findings.push(Finding::new(Code::WrongShape, self.sheet.table.start(self.row), message, fix));
    }

    /// The cells that say something, with their columns.
    fn cells(&self) -> impl Iterator<Item = (&Column, &Cell)> {
        self.sheet.columns.filled(self.row)
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

    fn required(&mut self, column: &Column) -> Option<String> {
        let text = self.printable(column, &[])?;
        if text.is_empty() {
            self.note(Code::KeyMissing, column, format!("The row has no \"{}\".", column.name()), "Fill the cell in.");
            return None;
        }
        Some(text)
    }

    /// A cell's text, empty where it says nothing.
    fn printable(&mut self, column: &Column, allowed: &[char]) -> Option<String> {
        let Some(cell) = self.cell(column) else { return Some(String::new()) };
        let text = cell.text.trim().to_owned();
        if let Err(wrong) = column.readable(cell) {
            self.wrong(column, wrong);
            return None;
        }
        let odd = text.chars().find(|sign| sign.is_control() && !allowed.contains(sign));
        let Some(odd) = odd else { return Some(text) };
        let message = format!("\"{}\" holds a control character ({}).", column.name(), odd.escape_default());
        self.note(Code::WrongShape, column, message, "Remove it.");
        None
    }

    fn report(&mut self) -> Option<Report> {
        let station = self.required(&Column::Station);
        let at = self.required(&Column::At).and_then(|text| self.at(&text));
        let by = self.required(&Column::By);
        let unit = self.printable(&Column::Unit, &[]).and_then(|text| self.unit(&text));
        let note = self.printable(&Column::Note, &['\n', '\r', '\t']);
        let called = station.as_ref().and_then(|name| self.inventory.called(name));
        let called = called.map(|station| &**station);
        if let Some(station) = called {
            self.held_against(station);
        }
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

    /// A row whose number, model, site or line is another one than the station's may be about another station.
    fn held_against(&mut self, station: &Station) {
        let line = station.line.kind.map(|kind| kind.as_str());
        let known: [(Column, Option<&str>); 3] = [
            (Column::Model, Some(&*station.keybook.model)),
            (Column::Site, Some(&*station.site)),
            (Column::Line, line),
        ];
        let mut differing = Vec::new();
        match self.cell(&Column::Number).map(|cell| number_in(cell, station.line.country.as_ref())) {
            Some(Ok((number, _))) if number != station.number => {
                differing.push((Column::Number, number.to_string(), station.number.to_string()));
            }
            Some(Err(wrong)) => self.wrong(&Column::Number, wrong),
            Some(Ok(_)) | None => {}
        }
        for (column, known) in known {
            let Some(text) = self.printable(&column, &[]).filter(|text| !text.is_empty()) else { continue };
            if let Some(known) = known.filter(|known| *known != text) {
                differing.push((column, text, known.to_owned()));
            }
        }
        for (column, text, known) in differing {
            let message =
                format!("\"{}\" is {text}, and the inventory says {known} for {}.", column.name(), station.name);
            let fix = "Correct the one that is wrong, or the station of the row.";
            self.note(Code::ValueOutside, &column, message, fix);
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
        let settings = self.cells().filter(|(column, _)| matches!(column, Column::Setting(_)));
        let settings: Vec<Column> = settings.map(|(column, _)| column.clone()).collect();
        let mut left = BTreeMap::new();
        for column in settings {
            if self.printable(&column, &[]).is_none() {
                continue;
            }
            let (Column::Setting(name), Some(cell)) = (&column, self.cell(&column)) else { continue };
            // Of a station or setting that nobody knows, which is said elsewhere, a value counts as it stands.
            let kind = station.and_then(|one| Some(&one.keybook.setting(one.keybook.id(name)?).kind));
            let wanted = station.and_then(|station| wanted(station, name));
            match value_in(cell, name, kind, wanted.as_deref()) {
                Ok(written) => drop(left.insert(name.clone(), written)),
                Err(wrong) => self.wrong(&column, wrong),
            }
        }
        left
    }

    fn wrong(&mut self, column: &Column, (code, message, fix): WrongCell) {
        self.note(code, column, message, fix);
    }
}

/// The part of a report that a column fills.
fn path(column: &Column) -> Option<String> {
    match column {
        Column::Station | Column::At | Column::By | Column::Unit | Column::Note => Some(column.name().to_owned()),
        Column::Setting(name) => Some(format!("left.{name}")),
        Column::Site | Column::Number | Column::Where | Column::Model | Column::Profile => None,
        Column::Line | Column::Outside | Column::Country | Column::Apart | Column::Unknown => None,
    }
}

/// What is wanted of a setting, as it would be written.
fn wanted(station: &Station, name: &str) -> Option<Name> {
    let id = station.keybook.id(name)?;
    match &station.wanted.get(id.index())?.as_ref()?.value {
        Value::Digits(text) | Value::Dial(text) => Some(text.clone()),
        Value::Choice(_) | Value::Flags(_) | Value::Number(_) | Value::Secret(_) => None,
    }
}

#[cfg(test)]
mod tests;
