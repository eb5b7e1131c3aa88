//! Workbooks written by a library that is not the one that reads, and by hand where no library writes such a thing.

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
        ("#DIV/0!", CellKind::Fault),
    ];
    assert_eq!(cells, expected);
    assert_eq!(rows[1].cells[0].text, "TRUE");
    assert_eq!(rows[1].cells.len(), 7, "cells that are empty at the end are there");
    let named = |cell: &Cell| table.named(Finding::new(Code::WrongShape, table.place(cell), "x", "y")).message;
    let names: Vec<_> = rows[0].cells.iter().map(named).collect();
    assert_eq!(names, ["B4: x", "C4: x", "D4: x", "E4: x", "F4: x", "G4: x", "H4: x"]);
    let line = table.text().lines().nth(3).unwrap();
    assert!(line.starts_with("\"EQ-01, \"\"quay\"\" north\",0121,121,"), "{line}");
    for cell in &rows[0].cells {
        let place = table.place(cell);
        let shown: String = line.chars().skip(place.column as usize - 1).take(place.length as usize).collect();
        assert_eq!(shown, table.text()[cell.range.clone()], "{cell:?}");
    }
}

#[test]
fn the_sheet_that_is_not_hidden_is_read_or_the_one_that_is_named() {
    let with = |hidden: &'static [&'static str]| {
        book(|book| {
            for name in ["Old", "North", "South"] {
                let sheet = book.add_worksheet().set_name(name).unwrap();
                sheet.write(0, 0, name).unwrap().set_hidden(hidden.contains(&name));
            }
            book.worksheet_from_name("South").unwrap().set_active(true).set_first_tab(true);
        })
    };
    let head = |bytes: &[u8], sheet| table(bytes, sheet).map(|table| table.header().unwrap().cells[0].text.clone());
    let one = with(&["Old", "North"]);
    assert_eq!(head(&one, None).unwrap(), "South");
    assert_eq!(table(&one, None).unwrap().notes(), ["hidden sheets are not read: \"Old\", \"North\""]);
    assert_eq!(head(&one, Some("Old")).unwrap(), "Old", "whoever names it means it");
    let several = head(&with(&["Old"]), None).unwrap_err();
    assert_eq!(several.message, "The workbook has 2 sheets: \"North\", \"South\".");
    assert_eq!(several.fix, "Name the one to read, such as --sheet \"North\".");
    let finding = head(&one, Some("Soth")).unwrap_err();
    assert_eq!(finding.message, "The workbook has no sheet \"Soth\".");
    assert!(finding.fix.contains("South"), "{}", finding.fix);
}

#[test]
fn hidden_rows_are_read_and_said_and_a_formula_counts_by_its_saved_value_alone() {
    let bytes = book(|book| {
        let sheet = book.add_worksheet().set_name("A & B").unwrap();
        for line in [0, 1, 2, 4] {
            sheet.write(line, 0, "x").unwrap();
        }
        sheet.set_row_hidden(2).unwrap().set_row_hidden(3).unwrap().set_row_hidden(4).unwrap();
    });
    assert_eq!(table(&bytes, None).unwrap().notes(), ["2 hidden rows are read too: lines 3, 5"]);
    let rows = "<row r=\"1\"><c r=\"A1\"><f>1+6</f></c><c r=\"B1\"><f>1+6</f><v>7</v></c>\
                <c r=\"C1\" t=\"str\"><f>D1</f><v></v></c><c r=\"D1\" t=\"inlineStr\"><is><t>x</t></is></c></row>";
    let table = table(&zipped(&[("xl/worksheets/sheet1.xml", &worksheet(rows))]), None).unwrap();
    let cells: Vec<_> = table.header().unwrap().cells.iter().map(|cell| (&*cell.text, cell.kind)).collect();
    let kinds = [CellKind::Unsaved, CellKind::Number, CellKind::Text, CellKind::Text];
    assert_eq!(cells, [("=1+6", kinds[0]), ("7", kinds[1]), ("", kinds[2]), ("x", kinds[3])]);
}

fn worksheet(rows: &str) -> Vec<u8> {
    format!("<worksheet xmlns=\"http://schemas.openxmlformats.org/spreadsheetml/2006/main\"><sheetData>{rows}</sheetData></worksheet>")
        .into_bytes()
}

/// An archive with what every workbook of one sheet has, and these entries; their sizes follow them, so that its directory does
/// not say them before.
fn zipped(entries: &[(&str, &[u8])]) -> Vec<u8> {
    let rels = "http://schemas.openxmlformats.org/officeDocument/2006/relationships";
    let packages = "http://schemas.openxmlformats.org/package/2006";
    let relations = |list: &str| format!("<Relationships xmlns=\"{packages}/relationships\">{list}</Relationships>");
    let fixed = [
        ("[Content_Types].xml", format!("<Types xmlns=\"{packages}/content-types\"/>")),
        (
            "_rels/.rels",
            relations(&format!("<Relationship Id=\"a\" Type=\"{rels}/officeDocument\" Target=\"xl/workbook.xml\"/>")),
        ),
        (
            "xl/_rels/workbook.xml.rels",
            relations(&format!(
                "<Relationship Id=\"b\" Type=\"{rels}/worksheet\" Target=\"worksheets/sheet1.xml\"/>\
                 <Relationship Id=\"c\" Type=\"{rels}/sharedStrings\" Target=\"sharedStrings.xml\"/>"
            )),
        ),
        (
            "xl/workbook.xml",
            format!(
                "<workbook xmlns=\"http://schemas.openxmlformats.org/spreadsheetml/2006/main\" xmlns:r=\"{rels}\">\
                 <sheets><sheet name=\"S\" sheetId=\"1\" r:id=\"b\"/></sheets></workbook>"
            ),
        ),
    ];
    let mut archive = zip::ZipWriter::new_stream(Vec::new());
    let fixed = fixed.iter().map(|(name, text)| (*name, text.as_bytes()));
    for (name, bytes) in fixed.chain(entries.iter().copied()) {
        archive.start_file(name, zip::write::SimpleFileOptions::default()).unwrap();
        std::io::Write::write_all(&mut archive, bytes).unwrap();
    }
    archive.finish().unwrap().into_inner()
}

#[test]
fn a_small_workbook_that_holds_too_much_is_a_finding_before_it_is_laid_out() {
    let said = |bytes: &[u8]| {
        assert!(bytes.len() < 2 << 20, "{} bytes", bytes.len());
        let finding = table(bytes, None).unwrap_err();
        assert_eq!(finding.code, Code::FileTooLarge, "{finding:?}");
        finding.message
    };
    let sheet = |rows: &str| said(&zipped(&[("xl/worksheets/sheet1.xml", &worksheet(rows))]));
    let row = |line: u32, column: &str| {
        format!("<row r=\"{line}\"><c r=\"A{line}\"><v>1</v></c><c r=\"{column}{line}\"><v>1</v></c></row>")
    };
    assert_eq!(sheet(&row(1, "XFD")), "The sheet has 16384 columns, and at most 1024 are read.");
    let far: String = row(1, "B") + &(2..100).map(|line| row(line, "XFD")).collect::<String>();
    assert_eq!(sheet(&far), "The sheet has 1605634 cells, and at most 1048576 are read.");
    let long: String = (1..=65_537).map(|line| format!("<row><c r=\"A{line}\"><v>1</v></c></row>")).collect();
    assert_eq!(sheet(&long), "The sheet has 65537 rows, and at most 65536 are read.");
    let wide: String = (0..=CELLS).map(|_| "<c><v>1</v></c>").collect();
    let wide = sheet(&format!("<row r=\"1\">{wide}</row>"));
    assert!(wide == "The sheet has 1048577 cells, and at most 1048576 are read.", "{wide}");
    let mut bomb = b"<sst><si><t>".to_vec();
    bomb.resize(65 << 20, b'a');
    let bomb = zipped(&[("xl/worksheets/sheet1.xml", &worksheet(&row(1, "B"))), ("xl/sharedStrings.xml", &bomb)]);
    assert_eq!(said(&bomb), "The workbook has more than 64 MiB once it is unpacked.");
    let name = "x".repeat(40_000);
    let cell = |at: &str| format!("<c r=\"{at}\" t=\"inlineStr\"><is><t>{name}</t></is></c>");
    let header = sheet(&format!("<row r=\"1\">{}{}</row>", cell("A1"), cell("B1")));
    assert_eq!(header, "The header has 80001 bytes, and at most 65536 are read.");
}

#[test]
fn what_is_no_workbook_or_too_much_of_one_is_a_finding() {
    for bytes in [&b""[..], b"station,at,by\n", b"PK\x03\x04"] {
        assert!(table(bytes, None).unwrap_err().message.starts_with("The workbook cannot be read"), "{bytes:?}");
    }
    let whole = book(|book| {
        book.add_worksheet().write(0, 0, "station").unwrap();
    });
    assert!(table(&whole, None).is_ok());
    for cut in (0..whole.len()).step_by(97) {
        let finding = table(&whole[..cut], None).expect_err("its directory is at its end");
        assert!(finding.message.starts_with("The workbook cannot be read"), "{cut}: {finding:?}");
    }
    let far = book(|book| {
        book.add_worksheet().write(1_048_575, 0, "x").unwrap();
    });
    assert!(table(&far, None).is_ok(), "the last line that a spreadsheet has");
    assert_eq!(letters(0) + &letters(25) + &letters(26) + &letters(16_383), "AZAAXFD");
}
