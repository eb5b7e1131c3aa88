//! The rows of a sheet of stations: which column is what, and what is wrong with a row before anything is made of it.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::frame::quoted;
use crate::finding::{Code, Finding, Place, did_you_mean, in_quotes};
use crate::inventory::{Column, Columns, Country, E164, Keybooks, WrongCell, number_in, value_in};
use crate::keybook::{Keybook, SettingId};
use crate::setting::Written;
use crate::table::{Cell, Cells, Table};

/// The columns that no sheet of stations is without.
pub(super) const REQUIRED: [Column; 3] = [Column::Station, Column::Site, Column::Number];

/// A row that can be written into an inventory.
#[derive(Debug)]
pub(super) struct StationRow<'t> {
    pub cells: BTreeMap<Column, &'t Cell>,
    pub name: String,
    pub site: String,
    pub number: E164,
    /// Whether the number was written as it is dialled inside its country.
    pub was_national: bool,
    pub keybook: Arc<Keybook>,
    /// What it holds, as YAML.
    pub values: BTreeMap<SettingId, String>,
}

/// Reads the rows of a sheet, one after the other.
pub(super) struct RowsReader<'t> {
    pub table: &'t Table,
    pub columns: &'t Columns,
    pub keybooks: &'t Keybooks,
    pub country: &'t Country,
    /// All that is wrong so far.
    pub findings: Vec<Finding>,
    /// Where each name was read first, and the site of the last row that has one.
    names: BTreeMap<String, u32>,
    last_site: Option<String>,
}

impl<'t> RowsReader<'t> {
    pub fn new(table: &'t Table, columns: &'t Columns, keybooks: &'t Keybooks, country: &'t Country) -> RowsReader<'t> {
        RowsReader { table, columns, keybooks, country, findings: Vec::new(), names: BTreeMap::new(), last_site: None }
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
        let cell = self.columns.all.iter().position(|one| one == column).and_then(|at| row.cells.get(at));
        cell.map_or(self.table.start(row), |cell| self.table.place(cell))
    }

    fn row(&mut self, row: &'t Cells) -> Option<StationRow<'t>> {
        let before = self.findings.len();
        if let Some(finding) = self.table.flaw(row) {
            self.findings.push(finding);
            return None;
        }
        let read = self.columns.filled(row).filter(|(column, _)| **column != Column::Unknown);
        let cells: BTreeMap<Column, &Cell> = read.map(|(column, cell)| (column.clone(), cell)).collect();
        self.faults(&cells);
        let name = self.name(row, &cells);
        let site = self.site(row, &cells);
        let number = self.number(row, &cells);
        let keybook = self.keybook(row, &cells)?;
        let values = self.values(&cells, &keybook);
        let (number, was_national) = number?;
        let row = StationRow { name: name?, site: site?, number, was_national, keybook, values, cells };
        (self.findings.len() == before).then_some(row)
    }

    /// Cells of a workbook that hold no text or number.
    fn faults(&mut self, cells: &BTreeMap<Column, &'t Cell>) {
        for (column, cell) in cells {
            if let Err(wrong) = column.readable(cell) {
                self.wrong(cell, wrong);
            }
        }
    }

    fn wrong(&mut self, cell: &Cell, (code, message, fix): WrongCell) {
        self.note(code, self.table.place(cell), message, fix);
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

    fn number(&mut self, row: &Cells, cells: &BTreeMap<Column, &'t Cell>) -> Option<(E164, bool)> {
        let Some(cell) = cells.get(&Column::Number) else {
            let fix = "Fill the cell in, or delete the row if it is not a station.";
            let place = self.blank(row, &Column::Number);
            self.note(Code::KeyMissing, place, "The row has no \"number\".", fix);
            return None;
        };
        number_in(cell, Some(self.country)).map_err(|wrong| self.wrong(cell, wrong)).ok()
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
            match value_in(cell, name, Some(&keybook.setting(id).kind), None) {
                Ok(value) => drop(values.insert(id, as_yaml(&value))),
                Err(wrong) => self.wrong(cell, wrong),
            }
        }
        values
    }
}

/// A value as an inventory has it. Whether the model can hold it the inventory's own rules say.
fn as_yaml(value: &Written) -> String {
    match value {
        Written::Quoted(text) => quoted(text),
        Written::Plain(text) if text.bytes().all(|byte| byte.is_ascii_digit()) => text.to_string(),
        Written::Plain(text) => quoted(text),
        Written::List(names) => {
            let names: Vec<String> = names.iter().map(|name| quoted(name)).collect();
            format!("[{}]", names.join(", "))
        }
        Written::Secret(reference) => format!("{{secret: {}}}", quoted(&reference.to_string())),
    }
}

/// Whether a cell names several stations: two parts or more that both have a digit, such as "EQ-01 / EQ-02".
fn is_merged(name: &str) -> bool {
    let parts = name.split([',', ';', '/', '&', '+', '\n', '\r']).map(str::trim);
    let parts: Vec<&str> = parts.filter(|part| !part.is_empty()).collect();
    parts.len() > 1 && parts.iter().all(|part| part.chars().any(|sign| sign.is_ascii_digit()))
}
