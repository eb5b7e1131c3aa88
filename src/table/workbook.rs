//! A sheet of an `.xlsx` workbook as rows of text cells. What a cell says it holds is kept: a number is no text, and has no zeros in
//! front. Formulas count by the value that was saved with them.

use std::collections::BTreeMap;
use std::io::Cursor;
use std::sync::Arc;

use calamine::{DataRef, ExcelDateTime, Reader, Xlsx, XlsxError};
use jiff::civil::Date;

use super::cells::{Cell, CellKind, Cells};
use crate::finding::{Code, Finding, Place, did_you_mean};

/// The most bytes of a workbook once it is unpacked, and the most cells and lines of a sheet.
const UNPACKED_BYTES: u128 = 256 << 20;
const CELLS: usize = 1 << 20;
const LINES: u32 = 1 << 20;

/// Cells by line and column, both from 0.
type Grid = BTreeMap<u32, BTreeMap<u32, (String, CellKind)>>;

/// The text of a sheet as CSV, a line a row, and its rows.
pub(super) fn read(file: &Arc<str>, bytes: &[u8], sheet: Option<&str>) -> Result<(String, Vec<Cells>), Finding> {
    let start = || Place::start_of(file);
    let bad = |error: XlsxError| {
        let fix = "Save it again as an .xlsx workbook without a password, or as CSV in UTF-8.";
        Finding::new(Code::WrongShape, start(), format!("The workbook cannot be read: {error}."), fix)
    };
    let unpacked = zip::ZipArchive::new(Cursor::new(bytes)).ok().and_then(|archive| archive.decompressed_size());
    if unpacked.is_some_and(|unpacked| unpacked > UNPACKED_BYTES) {
        return Err(too_large(file));
    }
    let mut book: Xlsx<_> = Xlsx::new(Cursor::new(bytes)).map_err(bad)?;
    let names = book.sheet_names();
    let name = match sheet {
        Some(sheet) => names.iter().find(|name| *name == sheet).ok_or_else(|| {
            let message = format!("The workbook has no sheet \"{sheet}\".");
            Finding::new(Code::NameUnknown, start(), message, did_you_mean(sheet, names.iter().map(String::as_str)))
        })?,
        None => names.first().ok_or_else(|| bad(XlsxError::WorksheetNotFound("the first sheet".into())))?,
    };
    let mut reader = book.worksheet_cells_reader(name).map_err(bad)?;
    let (mut grid, mut count) = (Grid::new(), 0);
    while let Some(cell) = reader.next_cell().map_err(bad)? {
        let (line, column) = cell.get_position();
        let Some(held) = held(cell.get_value()) else { continue };
        count += 1;
        if count > CELLS || line >= LINES {
            return Err(too_large(file));
        }
        grid.entry(line).or_default().insert(column, held);
    }
    Ok(laid_out(&grid))
}

fn too_large(file: &Arc<str>) -> Finding {
    let fix = "Delete what is not part of the table, or divide it into several, each with the header.";
    Finding::new(Code::FileTooLarge, Place::start_of(file), "The sheet has more cells than are read.", fix)
}

/// The text of a cell and what it holds; nothing of an empty one.
fn held(value: &DataRef<'_>) -> Option<(String, CellKind)> {
    Some(match value {
        DataRef::Empty => return None,
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

/// Rows from the first column that holds anything; each as long as the header, or longer where it has cells beyond.
fn laid_out(grid: &Grid) -> (String, Vec<Cells>) {
    let first = grid.values().filter_map(|row| row.keys().next()).min().copied().unwrap_or(0);
    let end = |row: &BTreeMap<u32, (String, CellKind)>| row.keys().next_back().map_or(0, |last| last + 1);
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
            let name = Some(format!("{}{line}", letters(nth)));
            cells.push(Cell { text: held, column, length, range: from..text.len(), line, kind, name });
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

/// The letters that spreadsheets call a column by: A, B, …, Z, AA.
fn letters(nth: u32) -> String {
    let letter = char::from(b'A' + u8::try_from(nth % 26).unwrap_or(0));
    match nth / 26 {
        0 => letter.to_string(),
        before => format!("{}{letter}", letters(before - 1)),
    }
}

#[cfg(test)]
mod tests {
    use rust_xlsxwriter::{ExcelDateTime as Written, Format, Formula, Workbook};

    use super::super::Table;
    use super::*;

    /// Written by a library that is not the one that reads.
    fn book(fill: impl FnOnce(&mut Workbook)) -> Vec<u8> {
        let mut book = Workbook::new();
        fill(&mut book);
        book.save_to_buffer().unwrap()
    }

    fn table(bytes: &[u8], sheet: Option<&str>) -> Result<Table, Finding> {
        Table::workbook(&"b.xlsx".into(), bytes, sheet)
    }

    #[test]
    fn cells_are_text_numbers_and_days_as_the_workbook_says() {
        let bytes = book(|book| {
            let sheet = book.add_worksheet();
            let day = Format::new().set_num_format("yyyy-mm-dd");
            let time = Format::new().set_num_format("yyyy-mm-dd hh:mm");
            for (at, name) in ["station", "a", "b", "c", "d", "e", "f"].iter().enumerate() {
                sheet.write(1, 1 + at as u16, *name).unwrap();
            }
            sheet.write(3, 1, "EQ-01, \"quay\"\nnorth").unwrap();
            sheet.write(3, 2, "0121").unwrap();
            sheet.write(3, 3, 121).unwrap();
            sheet.write(3, 4, 441_632_960_121_000_000.0).unwrap();
            sheet.write_with_format(3, 5, Written::from_ymd(2026, 11, 20).unwrap(), &day).unwrap();
            let moment = Written::from_ymd(2026, 11, 20).unwrap().and_hms(10, 14, 0).unwrap();
            sheet.write_with_format(3, 6, moment, &time).unwrap();
            sheet.write_formula(3, 7, Formula::new("=1/0").set_result("#DIV/0!")).unwrap();
            sheet.write(4, 1, true).unwrap();
        });
        let table = table(&bytes, None).unwrap();
        let rows: Vec<_> = table.rows().collect();
        assert_eq!(rows.iter().map(|row| row.line).collect::<Vec<_>>(), [4, 5]);
        let cells: Vec<_> = rows[0].cells.iter().map(|cell| (&*cell.text, cell.kind)).collect();
        let expected = [
            ("EQ-01, \"quay\"\nnorth", CellKind::Text),
            ("0121", CellKind::Text),
            ("121", CellKind::Number),
            ("4.41632960121E17", CellKind::Number),
            ("2026-11-20", CellKind::Day("2026-11-20".parse().unwrap())),
            ("2026-11-20T10:14:00", CellKind::Moment),
        ];
        assert_eq!(cells[..6], expected);
        assert_eq!(rows[1].cells[0].text, "TRUE");
        assert_eq!(rows[1].cells.len(), 7, "cells that are empty at the end are there");
        let names: Vec<_> = rows[0].cells.iter().filter_map(|cell| cell.name.as_deref()).collect();
        assert_eq!(names, ["B4", "C4", "D4", "E4", "F4", "G4", "H4"]);
        let line = table.text().lines().nth(3).unwrap();
        assert!(line.starts_with("\"EQ-01, \"\"quay\"\" north\",0121,121,"), "{line}");
        for cell in &rows[0].cells {
            let place = table.place(cell);
            let shown: String = line.chars().skip(place.column as usize - 1).take(place.length as usize).collect();
            assert_eq!(shown, table.text()[cell.range.clone()], "{cell:?}");
        }
    }

    #[test]
    fn the_first_sheet_is_read_or_the_one_that_is_named() {
        let bytes = book(|book| {
            book.add_worksheet().set_name("North").unwrap().write(0, 0, "n").unwrap();
            book.add_worksheet().set_name("South").unwrap().write(0, 0, "s").unwrap();
        });
        let head = |sheet| table(&bytes, sheet).map(|table| table.header().unwrap().cells[0].text.clone());
        assert_eq!((head(None).unwrap(), head(Some("South")).unwrap()), ("n".into(), "s".into()));
        let finding = head(Some("Soth")).unwrap_err();
        assert_eq!(finding.message, "The workbook has no sheet \"Soth\".");
        assert!(finding.fix.contains("South"), "{}", finding.fix);
    }

    #[test]
    fn what_is_no_workbook_or_too_much_of_one_is_a_finding() {
        for bytes in [&b""[..], b"station,at,by\n", b"PK\x03\x04"] {
            assert!(table(bytes, None).unwrap_err().message.starts_with("The workbook cannot be read"), "{bytes:?}");
        }
        let whole = book(|book| {
            book.add_worksheet().write(0, 0, "station").unwrap();
        });
        for cut in (0..whole.len()).step_by(97) {
            let _ = table(&whole[..cut], None);
        }
        let far = book(|book| {
            book.add_worksheet().write(1_048_575, 0, "x").unwrap();
        });
        assert!(table(&far, None).is_ok(), "the last line that a spreadsheet has");
        assert_eq!(letters(0) + &letters(25) + &letters(26) + &letters(16_383), "AZAAXFD");
    }
}
