//! The columns of a sheet of stations, and what its cells say. Reports are made from such a sheet and inventories drafted from
//! it: both read header and cells here, so that what one of them finds wrong the other does not pass over.

use super::numbering::{Country, E164};
use super::shared::Keybooks;
use super::spelling::read_number;
use crate::finding::{Code, Finding, Place, did_you_mean, in_quotes, plural};
use crate::setting::{Kind, Name, Reference, Written};
use crate::table::{Cell, CellKind, Cells, Table, is_set_apart};
use crate::yaml::is_shortened;

/// What a column says.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Column {
    /// The name of the row's station.
    Station,
    /// When it was left so.
    At,
    /// Who left it so.
    By,
    /// Whether its unit was new.
    Unit,
    /// Whatever there is to say.
    Note,
    /// The site of the station.
    Site,
    /// The number that rings it.
    Number,
    /// Where it hangs.
    Where,
    /// Its model.
    Model,
    /// What else it is like, in somebody's words.
    Profile,
    /// How its line is fed.
    Line,
    /// What is dialled on the line to get outside.
    Outside,
    /// Where the line is.
    Country,
    /// A setting of some model.
    Setting(Name),
    /// One that is for others, by the brackets around its name; or one without a name that holds nothing.
    Apart,
    /// One that is not known.
    Unknown,
}

const COLUMNS: [(&str, Column); 13] = [
    ("station", Column::Station),
    ("at", Column::At),
    ("by", Column::By),
    ("unit", Column::Unit),
    ("note", Column::Note),
    ("site", Column::Site),
    ("number", Column::Number),
    ("where", Column::Where),
    ("model", Column::Model),
    ("profile", Column::Profile),
    ("line", Column::Line),
    ("outside", Column::Outside),
    ("country", Column::Country),
];

/// What becomes of a column that is not known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Strangers {
    /// It may be a setting that is misspelt, so the sheet is rejected.
    Rejected,
    /// It is named among those that are not read.
    Named,
}

/// What is wrong with a cell: the code, the message, the fix.
pub type WrongCell = (Code, String, String);

/// The columns of a sheet whose header is right.
#[derive(Debug)]
pub struct Columns {
    /// In their order.
    pub all: Vec<Column>,
    /// The names of those that are not known.
    pub unknown: Vec<String>,
}

impl Columns {
    /// Reads the header. Settings are those of any model; `required` are the columns that the sheet must have.
    ///
    /// # Errors
    /// Everything that is wrong with the sheet as a whole.
    pub fn read(
        table: &Table,
        keybooks: &Keybooks,
        required: &[Column],
        strangers: Strangers,
    ) -> Result<Columns, Vec<Finding>> {
        let start = || Place::start_of(table.file());
        let Some(header) = table.header() else {
            let names: Vec<&str> = required.iter().map(Column::name).collect();
            let fix = format!("Begin with a header: {}, then the settings.", names.join(","));
            return Err(vec![Finding::new(Code::WrongShape, start(), "The sheet is empty.", fix)]);
        };
        if let Some(finding) = table.is_parted_otherwise().or_else(|| table.flaw(header)) {
            return Err(vec![finding]);
        }
        let mut reader =
            Reader { table, keybooks, strangers, all: Vec::new(), unknown: Vec::new(), findings: Vec::new() };
        reader.columns(header);
        reader.required(required);
        if table.rows().next().is_none() {
            let fix = "Write a row for each station below the header.";
            reader.findings.push(Finding::new(Code::WrongShape, start(), "The sheet has a header and no rows.", fix));
        }
        let Reader { all, unknown, findings, .. } = reader;
        if findings.is_empty() { Ok(Columns { all, unknown }) } else { Err(findings) }
    }

    /// The cells of a row that say something, with their columns; those that are for others are not among them.
    pub fn filled<'c>(&'c self, row: &'c Cells) -> impl Iterator<Item = (&'c Column, &'c Cell)> {
        let is_read = |(column, cell): &(&Column, &Cell)| **column != Column::Apart && !cell.is_blank();
        self.all.iter().zip(&row.cells).filter(is_read)
    }
}

struct Reader<'h> {
    table: &'h Table,
    keybooks: &'h Keybooks,
    strangers: Strangers,
    all: Vec<Column>,
    unknown: Vec<String>,
    findings: Vec<Finding>,
}

impl Reader<'_> {
    fn columns(&mut self, header: &Cells) {
        let mut nameless = Vec::new();
        for (nth, cell) in header.cells.iter().enumerate() {
            let column = Column::of(cell.text.trim(), self.keybooks);
            if column == Column::Unknown && cell.is_blank() {
                let says_something = |row: &Cells| row.cells.get(nth).is_some_and(|cell| !cell.is_blank());
                nameless.extend(Some(cell).filter(|_| self.table.rows().any(says_something)));
                self.all.push(Column::Apart);
                continue;
            }
            if column == Column::Unknown {
                self.stranger(cell);
            } else if column != Column::Apart && self.all.contains(&column) {
                let message = format!("A second column is called \"{}\".", cell.text.trim());
                self.note(Code::NameRepeated, cell, message, "Remove one.".into());
            }
            self.all.push(column);
        }
        self.nameless(&nameless);
    }

    fn stranger(&mut self, cell: &Cell) {
        let name = cell.text.trim();
        match self.strangers {
            Strangers::Named => self.unknown.push(name.to_owned()),
            Strangers::Rejected => {
                let settings = self.keybooks.values().flat_map(|book| &book.settings).map(|setting| &*setting.name);
                let known: Vec<&str> = COLUMNS.iter().map(|(name, _)| *name).chain(settings).collect();
                let fix =
                    format!("{} If it is for others, put the name in brackets: ({name}).", did_you_mean(name, known));
                self.note(Code::NameUnknown, cell, format!("\"{name}\" is not a setting of any model."), fix);
            }
        }
    }

    /// However many there are, they are one mistake: spreadsheets leave thousands of them.
    fn nameless(&mut self, cells: &[&Cell]) {
        let [first, others @ ..] = cells else { return };
        let (message, fix) = match others.len() as u64 {
            0 => ("This column has no name.".to_owned(), "Name it, or delete the column."),
            1 => ("This column and another have no name.".to_owned(), "Name them, or delete the columns."),
            more => (
                format!("This column and {} have no name.", plural(more, "other")),
                "Name them, or delete the columns.",
            ),
        };
        self.note(Code::NameUnknown, first, message, fix.into());
    }

    fn required(&mut self, required: &[Column]) {
        for column in required.iter().filter(|column| !self.all.contains(column)) {
            let name = column.name();
            let fix = format!("Name the column that holds it \"{name}\", or add one.");
            let message = format!("The sheet has no column \"{name}\".");
            self.findings.push(Finding::new(Code::KeyMissing, Place::start_of(self.table.file()), message, fix));
        }
    }

    fn note(&mut self, code: Code, cell: &Cell, message: String, fix: String) {
        self.findings.push(Finding::new(code, self.table.place(cell), message, fix));
    }
}

impl Column {
    fn of(name: &str, keybooks: &Keybooks) -> Column {
        let own = || COLUMNS.iter().find(|(own, _)| name.eq_ignore_ascii_case(own)).map(|(_, column)| column.clone());
        let is_setting = || keybooks.values().any(|keybook| keybook.id(name).is_some());
        // What a report is made of comes first, then the settings, and what says where a station is last: a model may have
        // a setting of that name.
        let of_report = own().filter(Column::is_of_report);
        match is_set_apart(name) {
            true => Column::Apart,
            false => of_report
                .or_else(|| is_setting().then(|| Column::Setting(name.into())))
                .or_else(own)
                .unwrap_or(Column::Unknown),
        }
    }

    /// As a header has it; nothing of what has no name of its own.
    pub fn name(&self) -> &str {
        match self {
            Column::Setting(name) => name,
            Column::Apart | Column::Unknown => "",
            own => COLUMNS.iter().find(|(_, column)| column == own).map_or("", |(name, _)| name),
        }
    }

    /// Whether it says which report a row is, and of which station.
    fn is_of_report(&self) -> bool {
        matches!(self, Column::Station | Column::At | Column::By | Column::Unit | Column::Note)
    }

    /// What keeps a cell of a workbook from being read as what its column says.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn readable(&self, cell: &Cell) -> Result<(), WrongCell> {
        let (what, fix) = match cell.kind {
            CellKind::Fault => ("an error of the spreadsheet", "Write the value, or leave the cell empty."),
            CellKind::Unsaved => (
                "a formula whose value was not saved",
                "Open the workbook in a spreadsheet program and save it, or write the value.",
            ),
            CellKind::Day(_) | CellKind::Moment if !self.is_of_report() || *self == Column::Station => {
                ("a date that a spreadsheet made of it", "Format the column as text and write the value again.")
            }
            CellKind::Day(_) | CellKind::Moment | CellKind::Text | CellKind::Number => return Ok(()),
        };
        let message = format!("\"{}\" is {}, {what}.", self.name(), cell.text.trim());
        Err((Code::ValueOutside, message, fix.into()))
    }
}

/// The public number in a cell, and whether it is written as it is dialled inside the country.
///
/// # Errors
/// What is wrong with it.
pub fn number_in(cell: &Cell, country: Option<&Country>) -> Result<(E164, bool), WrongCell> {
    let text = cell.text.trim();
    read_number(text, country).map_err(|fix| (Code::NotE164, format!("\"{text}\" is not a whole public number."), fix))
}

/// A cell as a value of its kind; where that is not known, as it stands. `wanted` is what is wanted of digits: a number that a
/// spreadsheet made of them is seen by it. Whether the model can hold the value is for others to say.
///
/// # Errors
/// What is wrong with it.
pub fn value_in(cell: &Cell, name: &Name, kind: Option<&Kind>, wanted: Option<&str>) -> Result<Written, WrongCell> {
    let text = cell.text.trim();
    match kind {
        Some(Kind::Secret { .. }) => match text.parse() {
            Ok(reference @ (Reference::Env(_) | Reference::File(_))) => Ok(Written::Secret(reference)),
            Ok(Reference::Factory) | Err(_) => {
                let message = format!("\"{name}\" is not a reference to a code.");
                Err((Code::SecretLiteral, message, "Write file:PATH or env:NAME.".into()))
            }
        },
        Some(Kind::Flags { .. }) => {
            let mut names: Vec<Name> = text.split_whitespace().map(Name::from).collect();
            names.sort();
            Ok(Written::List(names))
        }
        Some(Kind::Choice(_)) | None => Ok(Written::Quoted(text.into())),
        Some(Kind::Digits { .. } | Kind::Dial { .. } | Kind::Number { .. }) if is_shortened(text) => {
            let message = format!("\"{name}\" is {text}, a number that a spreadsheet has shortened.");
            Err((Code::ValueOutside, message, "Format the column as text, then write the value in full.".into()))
        }
        Some(Kind::Number { .. }) => Ok(Written::Plain(text.into())),
        Some(Kind::Digits { .. } | Kind::Dial { .. }) => digits_in(cell, name, wanted),
    }
}

fn digits_in(cell: &Cell, name: &Name, wanted: Option<&str>) -> Result<Written, WrongCell> {
    let text = cell.text.trim();
    if let Some(wanted) = wanted.filter(|wanted| has_lost(text, wanted)) {
        let wants = in_quotes(wanted);
        let message = format!("\"{name}\" is {text}, and wanted is {wants}: spreadsheets drop what stands in front.");
        let fix = format!(
            "Format the column as text and write {wanted}. If the station was left at {text}, send that as a report file."
        );
        return Err((Code::ValueOutside, message, fix));
    }
    // A number in a workbook has no zeros in front. One that is wanted has lost nothing.
    if cell.kind == CellKind::Number && wanted != Some(text) {
        let message = format!("\"{name}\" is the number {text}, and zeros in front of it may be lost.");
        let fix = "Format the column as text and write the value again, with its zeros.";
        return Err((Code::ValueOutside, message, fix.into()));
    }
    Ok(Written::Quoted(text.into()))
}

/// Whether a cell is a value without its leading zeros or its `+`: the number that a spreadsheet makes of it.
fn has_lost(cell: &str, value: &str) -> bool {
    let number = value.strip_prefix('+').unwrap_or(value).trim_start_matches('0');
    let number = if number.is_empty() && !value.is_empty() { "0" } else { number };
    cell == number && cell != value
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_without_what_stood_in_front_is_seen() {
        assert!(has_lost("0", "000") && has_lost("441632", "+441632") && !has_lost("0", "0") && !has_lost("", ""));
    }

    #[test]
    fn every_column_has_a_name_and_is_found_by_it() {
        for (name, column) in COLUMNS {
            assert_eq!(column.name(), name);
            assert_eq!(Column::of(&name.to_uppercase(), &Keybooks::new()), column);
        }
    }
}
