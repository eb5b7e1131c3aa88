//! The rows of a sheet of stations: which column is what, and what is wrong with a row before anything is made of it.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::frame::quoted;
use crate::finding::{Code, Finding, Place, did_you_mean, in_quotes};
use crate::inventory::{Country, E164, Keybooks, read_number};
use crate::keybook::{Keybook, SettingId};
use crate::setting::{Kind, Name, Reference};
use crate::table::{Cell, CellKind, Cells, Table, is_set_apart};
use crate::yaml::is_shortened;

/// What a column of a sheet of stations says.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Column {
    Station,
    Site,
    Number,
    Where,
    Model,
    Line,
    Outside,
    Country,
    Setting(Name),
    /// One that a report reads, and no inventory; or one that is for others.
    Report,
    /// One that nobody reads.
    Other,
}

const COLUMNS: [(&str, Column); 12] = [
    ("station", Column::Station),
    ("site", Column::Site),
    ("number", Column::Number),
    ("where", Column::Where),
    ("model", Column::Model),
    ("line", Column::Line),
    ("outside", Column::Outside),
    ("country", Column::Country),
    ("at", Column::Report),
    ("by", Column::Report),
    ("unit", Column::Report),
    ("note", Column::Report),
];
const REQUIRED: [(&str, Column); 3] =
    [("station", Column::Station), ("site", Column::Site), ("number", Column::Number)];

/// The columns of a sheet.
#[derive(Debug)]
pub(super) struct Header {
    pub columns: Vec<Column>,
    /// The names of those that nobody reads.
    pub unread: Vec<String>,
}

/// A row that can be written into an inventory.
#[derive(Debug)]
pub(super) struct StationRow<'t> {
    pub cells: BTreeMap<Column, &'t Cell>,
    pub name: String,
    pub site: String,
    pub number: E164,
    /// The country that its line is in.
    pub country: Country,
    /// Whether the number was written as it is dialled inside its country.
    pub was_national: bool,
    pub keybook: Arc<Keybook>,
    /// What it holds, as YAML.
    pub values: BTreeMap<SettingId, String>,
}

impl Header {
    /// Reads the header.
    pub fn of(table: &Table, keybooks: &Keybooks) -> Result<Header, Vec<Finding>> {
        let start = || Place::start_of(table.file());
        let Some(row) = table.header() else {
            let fix = "Begin with a header: station,site,number,where, then the settings.";
            return Err(vec![Finding::new(Code::WrongShape, start(), "The sheet is empty.", fix)]);
        };
        if let Some(finding) = table.is_parted_otherwise().or_else(|| table.flaw(row)) {
            return Err(vec![finding]);
        }
        let (mut columns, mut unread, mut findings) = (Vec::new(), Vec::new(), Vec::new());
        for cell in &row.cells {
            let column = Column::of(&cell.text, keybooks);
            if !matches!(column, Column::Report | Column::Other) && columns.contains(&column) {
                let message = format!("A second column is called \"{}\".", cell.text.trim());
                findings.push(Finding::new(Code::NameRepeated, table.place(cell), message, "Remove one."));
            }
            if column == Column::Other {
                unread.push(cell.text.trim().to_owned());
            }
            columns.push(column);
        }
        for (name, _) in REQUIRED.iter().filter(|(_, column)| !columns.contains(column)) {
            let fix = format!("Name the column that holds it \"{name}\", or add one.");
            let message = format!("The sheet has no column \"{name}\".");
            findings.push(Finding::new(Code::KeyMissing, start(), message, fix));
        }
        if table.rows().next().is_none() {
            let fix = "Write a row for each station below the header.";
            findings.push(Finding::new(Code::WrongShape, start(), "The sheet has a header and no rows.", fix));
        }
        if findings.is_empty() { Ok(Header { columns, unread }) } else { Err(findings) }
    }
}

impl Column {
    fn of(name: &str, keybooks: &Keybooks) -> Column {
        let name = name.trim();
        let is_setting = keybooks.values().any(|keybook| keybook.id(name).is_some());
        let own = || COLUMNS.iter().find(|(own, _)| name.eq_ignore_ascii_case(own)).map(|(_, column)| column.clone());
        match (is_set_apart(name), is_setting) {
            (true, _) => Column::Report,
            (false, true) => Column::Setting(name.into()),
            (false, false) => own().unwrap_or(Column::Other),
        }
    }
}

/// Reads the rows of a sheet, one after the other.
pub(super) struct RowsReader<'t> {
    pub table: &'t Table,
    pub header: &'t Header,
    pub keybooks: &'t Keybooks,
    pub country: &'t Country,
    /// All that is wrong so far.
    pub findings: Vec<Finding>,
    /// Where each name was read first, and the site of the last row that has one.
    names: BTreeMap<String, u32>,
    last_site: Option<String>,
}

impl<'t> RowsReader<'t> {
    pub fn new(table: &'t Table, header: &'t Header, keybooks: &'t Keybooks, country: &'t Country) -> RowsReader<'t> {
        RowsReader { table, header, keybooks, country, findings: Vec::new(), names: BTreeMap::new(), last_site: None }
    }

    /// The rows without fault; those of `without`, by their lines, are passed over.
    pub fn rows(&mut self, without: &BTreeSet<u32>) -> Vec<StationRow<'t>> {
        let table = self.table;
        table.rows().filter(|row| !without.contains(&row.line)).filter_map(|row| self.row(row)).collect()
    }

    fn note(&mut self, code: Code, place: Place, message: impl Into<String>, fix: impl Into<String>) {
        self.findings.push(Finding::new(code, place, message, fix));
    }

    /// Where a row has an empty cell, or begins, if it has no such column.
    fn blank(&self, row: &Cells, column: &Column) -> Place {
        let cell = self.header.columns.iter().position(|one| one == column).and_then(|at| row.cells.get(at));
        cell.map_or(self.table.start(row), |cell| self.table.place(cell))
    }

    fn row(&mut self, row: &'t Cells) -> Option<StationRow<'t>> {
        let before = self.findings.len();
        if let Some(finding) = self.table.flaw(row) {
            self.findings.push(finding);
            return None;
        }
        let filled = self.header.columns.iter().zip(&row.cells).filter(|(_, cell)| !cell.text.trim().is_empty());
        let cells: BTreeMap<Column, &Cell> = filled.map(|(column, cell)| (column.clone(), cell)).collect();
        self.faults(&cells);
        let name = self.name(row, &cells);
        let site = self.site(row, &cells);
        let country = self.country(&cells);
        let number = self.number(row, &cells, &country);
        let keybook = self.keybook(row, &cells)?;
        let values = self.values(&cells, &keybook);
        let (number, was_national) = number?;
        let row = StationRow { name: name?, site: site?, number, country, was_national, keybook, values, cells };
        (self.findings.len() == before).then_some(row)
    }

    /// Cells of a workbook that hold no text or number.
    fn faults(&mut self, cells: &BTreeMap<Column, &'t Cell>) {
        for (column, cell) in cells {
            let (what, fix) = match cell.kind {
                CellKind::Fault => ("an error of the spreadsheet", "Write the value, or leave the cell empty."),
                CellKind::Day(_) | CellKind::Moment if *column != Column::Report => {
                    ("a date that a spreadsheet made of it", "Format the column as text and write the value again.")
                }
                CellKind::Day(_) | CellKind::Moment | CellKind::Text | CellKind::Number => continue,
            };
            if *column != Column::Other {
                self.note(
                    Code::ValueOutside,
                    self.table.place(cell),
                    format!("\"{}\" is {what}.", cell.text.trim()),
                    fix,
                );
            }
        }
    }

    fn name(&mut self, row: &Cells, cells: &BTreeMap<Column, &'t Cell>) -> Option<String> {
        let Some(cell) = cells.get(&Column::Station) else {
            let fix = "Fill the cell in, or delete the row if it is not a station.";
            let place = self.blank(row, &Column::Station);
            self.note(Code::KeyMissing, place, "The row has no \"station\".", fix);
            return None;
        };
        let name = cell.text.trim().to_owned();
        if is_merged(&name) {
            let fix = "Give each station a row of its own, with its own number.";
            let message = format!("The cell names several stations: {}.", in_quotes(&name.replace(['\n', '\r'], " ")));
            self.note(Code::NameUnfit, self.table.place(cell), message, fix);
            return None;
        }
        if let Some(line) = self.names.get(&name) {
            let message = format!("The station \"{name}\" is in line {line} already.");
            let fix = "Delete one of the two rows, or give the station its own name.";
            self.note(Code::NameRepeated, self.table.place(cell), message, fix);
            return None;
        }
        self.names.insert(name.clone(), row.line);
        Some(name)
    }

    fn site(&mut self, row: &Cells, cells: &BTreeMap<Column, &'t Cell>) -> Option<String> {
        if let Some(cell) = cells.get(&Column::Site) {
            self.last_site = Some(cell.text.trim().to_owned());
            return self.last_site.clone();
        }
        let fix = match &self.last_site {
            Some(site) => format!("If it belongs to the site of the row above, write \"{site}\"."),
            None => "Fill the cell in.".into(),
        };
        let place = self.blank(row, &Column::Site);
        self.note(Code::KeyMissing, place, "The row has no \"site\".", fix);
        None
    }

    /// The row's own, where it names one; else the fleet's. What names none the rules of every inventory tell.
    fn country(&self, cells: &BTreeMap<Column, &'t Cell>) -> Country {
        let own = cells.get(&Column::Country).and_then(|cell| Country::find(&cell.text.trim().to_ascii_uppercase()));
        own.unwrap_or_else(|| self.country.clone())
    }

    fn number(&mut self, row: &Cells, cells: &BTreeMap<Column, &'t Cell>, country: &Country) -> Option<(E164, bool)> {
        let Some(cell) = cells.get(&Column::Number) else {
            let fix = "Fill the cell in, or delete the row if it is not a station.";
            let place = self.blank(row, &Column::Number);
            self.note(Code::KeyMissing, place, "The row has no \"number\".", fix);
            return None;
        };
        let text = cell.text.trim();
        match read_number(text, country) {
            Ok((number, was_national)) => Some((number, was_national)),
            Err(fix) => {
                let message = format!("\"{text}\" is not a whole public number.");
                self.note(Code::NotE164, self.table.place(cell), message, fix);
                None
            }
        }
    }

    fn keybook(&mut self, row: &Cells, cells: &BTreeMap<Column, &'t Cell>) -> Option<Arc<Keybook>> {
        let models = || self.keybooks.keys().map(|model| &**model);
        let Some(cell) = cells.get(&Column::Model) else {
            let mut all = self.keybooks.values();
            let (only, more) = (all.next(), all.next());
            if more.is_some() {
                let fix = format!("Fill it in. {}", did_you_mean("", models()));
                let place = self.blank(row, &Column::Model);
                self.note(Code::KeyMissing, place, "The row has no \"model\".", fix);
            }
            return only.filter(|_| more.is_none()).cloned();
        };
        let name = cell.text.trim();
        let found = self.keybooks.get(name).cloned();
        if found.is_none() {
            let (message, fix) = (format!("No keybook describes the model \"{name}\"."), did_you_mean(name, models()));
            self.note(
                Code::NameUnknown,
                self.table.place(cell),
                message,
                format!("{fix} Or name its keybook with --keybook."),
            );
        }
        found
    }

    fn values(&mut self, cells: &BTreeMap<Column, &'t Cell>, keybook: &Keybook) -> BTreeMap<SettingId, String> {
        let mut values = BTreeMap::new();
        for (column, cell) in cells {
            let Column::Setting(name) = column else { continue };
            let Some(id) = keybook.id(name) else {
                let message = format!("The model \"{}\" has no setting \"{name}\".", keybook.model);
                self.note(Code::NameUnknown, self.table.place(cell), message, "Leave the cell empty.");
                continue;
            };
            match value(cell, name, &keybook.setting(id).kind) {
                Ok(value) => drop(values.insert(id, value)),
                Err((code, message, fix)) => self.note(code, self.table.place(cell), message, fix),
            }
        }
        values
    }
}

/// A cell as YAML, or what is wrong with it. Whether the model can hold it the inventory's own rules say.
fn value(cell: &Cell, name: &str, kind: &Kind) -> Result<String, (Code, String, &'static str)> {
    let text = cell.text.trim();
    let is_digits = matches!(kind, Kind::Digits { .. } | Kind::Dial { .. });
    if is_shortened(text) && (is_digits || matches!(kind, Kind::Number { .. })) {
        let message = format!("\"{name}\" is {text}, a number that a spreadsheet has shortened.");
        return Err((Code::ValueOutside, message, "Format the column as text, then write the value in full."));
    }
    if is_digits && cell.kind == CellKind::Number {
        let message = format!("\"{name}\" is the number {text}, and zeros in front of it may be lost.");
        return Err((
            Code::ValueOutside,
            message,
            "Format the column as text and write the value again, with its zeros.",
        ));
    }
    match kind {
        Kind::Secret { .. } => match text.parse() {
            Ok(Reference::Env(_) | Reference::File(_)) => Ok(format!("{{secret: {}}}", quoted(text))),
            Ok(Reference::Factory) | Err(_) => {
                let message = format!("\"{name}\" is not a reference to a code.");
                Err((Code::SecretLiteral, message, "Write file:PATH or env:NAME."))
            }
        },
        Kind::Flags { .. } => {
            let names: Vec<String> = text.split_whitespace().map(quoted).collect();
            Ok(format!("[{}]", names.join(", ")))
        }
        Kind::Number { .. } if text.bytes().all(|byte| byte.is_ascii_digit()) => Ok(text.to_owned()),
        Kind::Number { .. } | Kind::Choice(_) | Kind::Digits { .. } | Kind::Dial { .. } => Ok(quoted(text)),
    }
}

/// Whether a cell names several stations: two parts or more that both have a digit, such as "EQ-01 / EQ-02".
fn is_merged(name: &str) -> bool {
    let parts = name.split([',', ';', '/', '&', '+', '\n', '\r']).map(str::trim);
    let parts: Vec<&str> = parts.filter(|part| !part.is_empty()).collect();
    parts.len() > 1 && parts.iter().all(|part| part.chars().any(|sign| sign.is_ascii_digit()))
}
