//! A sheet of an `.xlsx` workbook as rows of text cells. What a cell says it holds is kept: a number is no text, and has no zeros in
//! front. Formulas count by the value that was saved with them.

use std::collections::BTreeMap;
use std::io::{self, Cursor, Read as _};
use std::sync::Arc;

use calamine::{DataRef, ExcelDateTime, Reader, SheetType, SheetVisible, Xlsx, XlsxError, XlsxFormulaMetadata};
use jiff::civil::Date;

use super::bounds::{CELLS, Extent, UNPACKED_BYTES, too_large_unpacked};
use super::cells::{Cell, CellKind, Cells};
use super::hidden::{Archive, hidden_rows};
use crate::finding::{Code, Finding, Place, did_you_mean, in_quotes};

/// So many hidden rows are named.
const NAMED: usize = 12;

/// Cells by line and column, both from 0.
type Grid = BTreeMap<u32, BTreeMap<u32, (String, CellKind)>>;

/// A sheet that was read.
pub(super) struct Read {
    /// As CSV, a line a row.
    pub text: String,
    pub rows: Vec<Cells>,
    /// The first column that holds anything, from 0.
    pub first: u32,
    /// What nobody sees who looks at the workbook, and what became of it.
    pub notes: Vec<String>,
}

/// Reads a sheet: the one of this name, or the only one that is not hidden.
pub(super) fn read(file: &Arc<str>, bytes: &[u8], sheet: Option<&str>) -> Result<Read, Finding> {
    let bad = |error: XlsxError| unreadable(file, &error);
    let mut archive = Archive::new(Cursor::new(bytes)).map_err(|error| bad(error.into()))?;
    unpacks(file, &mut archive)?;
    let mut book: Xlsx<_> = Xlsx::new(Cursor::new(bytes)).map_err(bad)?;
    let (name, mut notes) = chosen(file, &book, sheet)?;
    let mut reader = book.worksheet_cells_reader(&name).map_err(bad)?;
    let (mut grid, mut filled) = (Grid::new(), 0);
    while let Some(cell) = reader.next_cell_with_formula_metadata().map_err(bad)? {
        let Some(held) = held(&cell.value, cell.formula.as_ref()) else { continue };
        filled += 1;
        // Before it takes more memory: blanks are counted once all is there.
        if filled > CELLS {
            Extent { columns: 0, header_bytes: 0, rows: 0, cells: filled }.is_read(file)?;
        }
        grid.entry(cell.pos.0).or_default().insert(cell.pos.1, held);
    }
    let (extent, first) = extent(&grid);
    extent.is_read(file)?;
    let hidden = hidden_rows(&mut archive, &name).into_iter().filter(|line| grid.contains_key(&(line - 1)));
    notes.extend(hidden_note(&hidden.collect::<Vec<_>>()));
    let (text, rows) = laid_out(&grid, first);
    let header_bytes = rows.first().map_or(0, |header| header.range.len());
    Extent { header_bytes, ..extent }.is_read(file)?;
    Ok(Read { text, rows, first, notes })
}

fn unreadable(file: &Arc<str>, error: &XlsxError) -> Finding {
    let fix = "Save it again as an .xlsx workbook without a password, or as CSV in UTF-8.";
    Finding::new(Code::WrongShape, Place::start_of(file), format!("The workbook cannot be read: {error}."), fix)
}

/// Whether all of it is small enough once it is unpacked. What its directory says of that is its author's word: it is counted.
/// What cannot be unpacked is said by who reads it.
fn unpacks(file: &Arc<str>, archive: &mut Archive<'_>) -> Result<(), Finding> {
    let mut left = UNPACKED_BYTES;
    for nth in 0..archive.len() {
        let Ok(entry) = archive.by_index(nth) else { continue };
        let mut counted = entry.take(left + 1);
        // An entry that breaks off was unpacked up to there.
        let _ = io::copy(&mut counted, &mut io::sink());
        let unpacked = left + 1 - counted.limit();
        left = left.checked_sub(unpacked).ok_or_else(|| too_large_unpacked(file))?;
    }
    Ok(())
}

/// The name of the sheet to read, and what is to be said of others.
fn chosen<R: io::Read + io::Seek>(
    file: &Arc<str>,
    book: &Xlsx<R>,
    sheet: Option<&str>,
) -> Result<(String, Vec<String>), Finding> {
    let tables = book.sheets_metadata().iter().filter(|sheet| sheet.typ == SheetType::WorkSheet);
    let (seen, hidden): (Vec<_>, Vec<_>) = tables.partition(|sheet| sheet.visible == SheetVisible::Visible);
    if let Some(name) = sheet {
        let mut all = seen.iter().chain(&hidden).map(|sheet| &*sheet.name);
        if all.clone().any(|one| one == name) {
            return Ok((name.to_owned(), Vec::new()));
        }
        let fix = did_you_mean(name, all.by_ref().collect::<Vec<_>>());
        let message = format!("The workbook has no sheet \"{name}\".");
        return Err(Finding::new(Code::NameUnknown, Place::start_of(file), message, fix));
    }
    let quoted = |sheets: &[&calamine::Sheet]| {
        sheets.iter().take(NAMED).map(|sheet| in_quotes(&sheet.name)).collect::<Vec<_>>().join(", ")
    };
    match &seen[..] {
        [one] => {
            let notes = match &hidden[..] {
                [] => Vec::new(),
                [_] => vec![format!("the hidden sheet {} is not read", quoted(&hidden))],
                _ => vec![format!("hidden sheets are not read: {}", quoted(&hidden))],
            };
            Ok((one.name.clone(), notes))
        }
        [] => {
            let fix = "Show the sheet that holds the table, or name it with --sheet.";
            Err(Finding::new(Code::WrongShape, Place::start_of(file), "The workbook shows no sheet.", fix))
        }
        [first, ..] => {
            let message = format!("The workbook has {} sheets: {}.", seen.len(), quoted(&seen));
            let fix = format!("Name the one to read, such as --sheet {}.", in_quotes(&first.name));
            Err(Finding::new(Code::WrongShape, Place::start_of(file), message, fix))
        }
    }
}

/// "hidden rows are read too: lines 4, 7"
fn hidden_note(lines: &[u32]) -> Option<String> {
    let named: Vec<String> = lines.iter().take(NAMED).map(u32::to_string).collect();
    match lines.len() {
        0 => None,
        1 => Some(format!("a hidden row is read too: line {}", named.join(", "))),
        count if count > NAMED => {
            Some(format!("{count} hidden rows are read too, the first of them lines {}", named.join(", ")))
        }
        count => Some(format!("{count} hidden rows are read too: lines {}", named.join(", "))),
    }
}

/// The text of a cell and what it holds; nothing of an empty one.
fn held(value: &DataRef<'_>, formula: Option<&XlsxFormulaMetadata>) -> Option<(String, CellKind)> {
    Some(match value {
        DataRef::Empty => (shown_formula(formula?), CellKind::Unsaved),
        DataRef::String(text) => (text.clone(), CellKind::Text),
        DataRef::SharedString(text) => ((*text).to_owned(), CellKind::Text),
        DataRef::Int(number) => (number.to_string(), CellKind::Number),
        DataRef::Float(number) => (digits(*number), CellKind::Number),
        DataRef::Bool(truth) => (if *truth { "TRUE" } else { "FALSE" }.into(), CellKind::Text),
        DataRef::DateTime(time) => moment(time),
        DataRef::DateTimeIso(text) | DataRef::DurationIso(text) => match text.parse::<Date>() {
            Ok(day) if text.len() == 10 => (text.clone(), CellKind::Day(day)),
            Ok(_) | Err(_) => (text.clone(), CellKind::Moment),
        },
        DataRef::Error(error) => (error.to_string(), CellKind::Fault),
    })
    .filter(|(text, _)| !text.is_empty())
}

fn shown_formula(formula: &XlsxFormulaMetadata) -> String {
    match formula {
        XlsxFormulaMetadata::Normal { formula } | XlsxFormulaMetadata::Shared { formula, .. } => format!("={formula}"),
        // The library lets more kinds come.
        _ => "=…".into(),
    }
}

/// A number in full; past 15 digits a spreadsheet has lost some, and the number is shown shortened.
fn digits(number: f64) -> String {
    if number.abs() < 1e15 { number.to_string() } else { format!("{number:E}") }
}

fn moment(time: &ExcelDateTime) -> (String, CellKind) {
    let (year, month, day, hour, minute, second, _) = time.to_ymd_hms_milli();
    let date = || Date::new(i16::try_from(year).ok()?, i8::try_from(month).ok()?, i8::try_from(day).ok()?).ok();
    match date().filter(|_| time.is_datetime()) {
        Some(day) if (hour, minute, second) == (0, 0, 0) => (day.to_string(), CellKind::Day(day)),
        Some(day) => (format!("{day}T{hour:02}:{minute:02}:{second:02}"), CellKind::Moment),
        None => (digits(time.as_f64()), CellKind::Number),
    }
}

/// How large a sheet is once its rows are laid out, and its first column, from 0.
fn extent(grid: &Grid) -> (Extent, u32) {
    let first = grid.values().filter_map(|row| row.keys().next()).min().copied().unwrap_or(0);
    let width = |row: &BTreeMap<u32, _>| (end(row).max(first) - first) as usize;
    let columns = grid.values().next().map_or(0, width);
    let cells = grid.values().map(|row| width(row).max(columns)).fold(0, usize::saturating_add);
    (Extent { columns, header_bytes: 0, rows: grid.len(), cells }, first)
}

/// The column after the last that holds anything.
fn end<T>(row: &BTreeMap<u32, T>) -> u32 {
    row.keys().next_back().map_or(0, |last| last.saturating_add(1))
}

/// Rows from the first column that holds anything; each as long as the header, or longer where it has cells beyond.
fn laid_out(grid: &Grid, first: u32) -> (String, Vec<Cells>) {
    let header = grid.values().next().map_or(0, end);
    let (mut text, mut rows, mut line) = (String::new(), Vec::new(), 1);
    for (at, row) in grid {
        while line <= *at {
            text.push('\n');
            line += 1;
        }
        let begin = text.len();
        let (mut cells, mut column) = (Vec::new(), 1);
        for nth in first..end(row).max(header) {
            if nth > first {
                text.push(',');
                column += 1;
            }
            let (held, kind) = row.get(&nth).cloned().unwrap_or((String::new(), CellKind::Text));
            let (shown, from) = (shown(&held), text.len());
            text.push_str(&shown);
            let length = u32::try_from(shown.chars().count()).unwrap_or(u32::MAX);
            cells.push(Cell { text: held, column, length, range: from..text.len(), line, kind });
            column = column.saturating_add(length);
        }
        rows.push(Cells { line, cells, range: begin..text.len(), flaw: None });
    }
    (text, rows)
}

/// A cell as CSV in one line.
fn shown(text: &str) -> String {
    let one: String = text.chars().map(|sign| if matches!(sign, '\n' | '\r') { ' ' } else { sign }).collect();
    if one.contains([',', '"']) { format!("\"{}\"", one.replace('"', "\"\"")) } else { one }
}

/// What a spreadsheet calls a cell, such as C7; the column from 0, the line from 1.
pub(super) fn name(column: u32, line: u32) -> String {
    format!("{}{line}", letters(column))
}

/// The letters that spreadsheets call a column by: A, B, …, Z, AA.
fn letters(nth: u32) -> String {
    let letter = char::from(b'A' + u8::try_from(nth % 26).unwrap_or(0));
    match nth / 26 {
        0 => letter.to_string(),
        before => format!("{}{letter}", letters(before - 1)),
    }
}

#[cfg(test)]
mod tests;
