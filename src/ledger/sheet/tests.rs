//! What a sheet's rows come to, and what is wrong with them.

use super::*;
use std::sync::Arc;

use crate::inventory;
use crate::keybook::sample::{TERN, keybook};
use crate::setting::{Codes, Reference};
use crate::table::SHEET_LIMIT_BYTES;

fn keybooks() -> Keybooks {
    let plain = TERN.replace("model: tern-2", "model: tern-1").replace("  gate.seconds:", "  gate.time:");
    let plain = plain.replace("{gate.seconds}", "{gate.time}");
    [(Name::from("tern-2"), keybook(TERN)), (Name::from("tern-1"), keybook(&plain))].into()
}

fn fleet() -> Inventory {
    fleet_with(&keybooks())
}

fn fleet_with(keybooks: &Keybooks) -> Inventory {
    let text = "inventory: 1\nsites:\n  quay:\n    line: {kind: direct, country: GB}\n    stations:\n      \
                EQ-01: {number: \"+441632960121\", model: tern-2, settings: {identity: \"0121\", emergency.primary: \"01632960101\"}}\n      \
                EQ-02: {number: \"+441632960122\", model: tern-1}\n";
    let (raw, findings) = inventory::read(&"i.yaml".into(), text.as_bytes());
    assert!(findings.is_empty(), "{findings:#?}");
    let (all, findings) = inventory::resolve(&[Arc::new(raw)], keybooks, &Codes::default());
    assert!(!findings.iter().any(Finding::is_error), "{findings:#?}");
    all
}

fn rows(text: &str) -> Vec<SheetRow> {
    let table = Table::csv(&"s.csv".into(), text.as_bytes()).expect("a text");
    let (keybooks, fleet) = (keybooks(), fleet());
    let sheet = Sheet::read(&table, &keybooks, None).expect("a header");
    sheet.rows(&fleet).collect()
}

fn one(header: &str, row: &str) -> Result<Report, Vec<Finding>> {
    let mut rows = rows(&format!("{header}\n{row}\n"));
    assert_eq!(rows.len(), 1);
    rows.remove(0).report.map(|(report, _)| report)
}

fn said(header: &str, row: &str) -> Vec<String> {
    let findings = one(header, row).expect_err("something is wrong");
    findings.iter().map(|one| format!("{} {}", one.place, one.message)).collect()
}

const HEAD: &str = "station,at,by";
const ROW: &str = "EQ-01,2026-11-20T10:14:00Z,tech-07";

#[test]
fn a_row_is_a_report_of_what_the_station_was_left_at() {
    let text = "\u{feff}note,station,at,by,unit,identity,gate.seconds,lamp.follows,access,line.kind,gate.time\r\n\
                \"lens, cracked\",EQ-01,2026-11-20T10:14:00+01:00,tech-07,new,0121,7,emergency  assistance,file:secrets/a,pbx,\r\n\
                ,,,,,,,,,,\r\n\
                ,EQ-02,2026-11-20T10:15:00Z,tech-07,,,,,,,9\r\n";
    let rows = rows(text);
    assert_eq!(rows.iter().map(|row| row.line).collect::<Vec<_>>(), [2, 4]);
    let (report, places) = rows[0].report.as_ref().expect("a report");
    assert_eq!((&*report.station, &*report.by, report.unit), ("EQ-01", "tech-07", Some(Unit::New)));
    assert_eq!(report.at, "2026-11-20T09:14:00Z".parse().unwrap());
    assert_eq!(report.note.as_deref(), Some("lens, cracked"));
    let quoted = |text: &str| Written::Quoted(text.into());
    let left: BTreeMap<Name, Written> = [
        ("identity".into(), quoted("0121")),
        ("gate.seconds".into(), Written::Plain("7".into())),
        ("lamp.follows".into(), Written::List(vec!["assistance".into(), "emergency".into()])),
        ("access".into(), Written::Secret(Reference::File("secrets/a".into()))),
        ("line.kind".into(), quoted("pbx")),
    ]
    .into();
    assert_eq!(report.left, left);
    assert_eq!(places.of("left.gate.seconds").to_string(), "s.csv:2:66");
    let (other, _) = rows[1].report.as_ref().expect("a report");
    assert_eq!(other.left.keys().map(|name| &**name).collect::<Vec<_>>(), ["gate.time"], "an empty cell says nothing");
}

#[test]
fn an_id_is_made_from_what_a_row_says_whatever_sheet_and_line_it_stands_in() {
    let report = one(HEAD, ROW).unwrap();
    assert_eq!(report.id.get_version_num(), 5);
    // Worked out once by `python3 -c "import uuid; …uuid5(…)"` over the same text; it never changes.
    let text = r#"{"at":"2026-11-20T10:14:00Z","by":"tech-07","id":"00000000-0000-0000-0000-000000000000","report":1,"station":"EQ-01"}"#;
    assert_eq!(report_json(&Report { id: Uuid::nil(), ..report.clone() }).to_string(), text);
    assert_eq!(report.id.to_string(), "9109b45f-8d4e-57be-b850-ee62b89df7fe");
    let other = rows("by,station,at,gate.seconds,identity\n\ntech-07,EQ-01,\"2026-11-20T11:14:00+01:00\",,\n");
    assert_eq!(other[0].report.as_ref().unwrap().0.id, report.id);
    assert_ne!(one("station,at,by,identity", &format!("{ROW},0121")).unwrap().id, report.id);
}

/// What is wrong with a sheet as a whole.
fn header_of(bytes: &[u8]) -> Vec<Finding> {
    match Table::csv(&"s.csv".into(), bytes) {
        Ok(table) => Sheet::read(&table, &keybooks(), None).expect_err("a bad header"),
        Err(finding) => vec![finding],
    }
}

#[test]
fn a_bad_header_rejects_the_sheet_and_says_all_that_is_wrong() {
    let header = |text: &str| -> Vec<String> {
        header_of(text.as_bytes()).iter().map(|one| format!("{} {}", one.place, one.message)).collect()
    };
    assert_eq!(
        header("station,gate.secs,,identity,identity\nx,,y,,\n"),
        [
            "s.csv:1:9 \"gate.secs\" is not a setting of any model.",
            "s.csv:1:29 A second column is called \"identity\".",
            "s.csv:1:19 This column has no name.",
            "s.csv:1:1 The sheet has no column \"at\".",
            "s.csv:1:1 The sheet has no column \"by\".",
        ]
    );
    assert_eq!(header(""), ["s.csv:1:1 The sheet is empty."]);
    assert_eq!(header("station,at,by\n,,\n\n"), ["s.csv:1:1 The sheet has a header and no rows."]);
    assert_eq!(header("station,\"at,by\nx,y\n"), ["s.csv:1:9 A quote opens here and never closes."]);
    assert_eq!(header("station;at;by\nx;y;z\n"), ["s.csv:1:1 The columns are separated by semicolons."]);
    assert_eq!(header("\"station\";\"at\";\"by\"\n"), ["s.csv:1:1 The columns are separated by semicolons."]);
    assert_eq!(header("station\tat\tby\nx\ty\tz\n"), ["s.csv:1:1 The columns are separated by tabs."]);
    let latin = header_of(b"station,at,by\nx,y,\xe9\n");
    assert_eq!((latin[0].code, latin[0].place.to_string().as_str()), (Code::NotText, "s.csv:2:5"));
    let long = vec![b'x'; SHEET_LIMIT_BYTES as usize + 1];
    assert_eq!(header_of(&long)[0].code, Code::FileTooLarge);
}

#[test]
fn columns_without_a_name_are_one_mistake_and_none_where_they_hold_nothing() {
    let commas = ",".repeat(900);
    let row = |cell: &str| format!("{HEAD}{commas}\n{ROW}{}{cell}\n", &commas[1..]);
    let said: Vec<String> = header_of(row(",y").replace(",,,y", ",z,,y").as_bytes())
        .iter()
        .map(|one| format!("{} {}", one.place, one.message))
        .collect();
    assert_eq!(said, ["s.csv:1:912 This column and another have no name."]);
    assert!(rows(&row(","))[0].report.is_ok(), "spreadsheets leave columns of nothing at the end");
    let many = header_of(format!("{HEAD}{}\n", ",".repeat(1 << 20)).as_bytes());
    assert_eq!((many.len(), many[0].code), (1, Code::FileTooLarge));
    assert_eq!(many[0].message, "The sheet has 1048579 columns, and at most 1024 are read.");
}

/// What the rows of a sheet say against each other.
fn apart(text: &str) -> Vec<String> {
    let table = Table::csv(&"s.csv".into(), text.as_bytes()).expect("a text");
    let (keybooks, fleet) = (keybooks(), fleet());
    let sheet = Sheet::read(&table, &keybooks, None).expect("a header");
    sheet.rows_apart(&fleet).iter().map(|one| format!("{} {}", one.place, one.message)).collect()
}

#[test]
fn rows_of_one_station_and_time_that_differ_are_named_at_both_cells() {
    let head = "station,at,by,unit,gate.seconds,emergency.primary";
    let rows = |one: &str, other: &str| {
        apart(&format!("{head}\nEQ-01,2026-11-24,t,{one}\nEQ-01,2026-11-24T00:00:00Z,u,{other}\n"))
    };
    let expected = [
        "s.csv:2:22 Line 3 says \"9,01632960101\" for \"emergency.primary\", of the same station and time.",
        "s.csv:3:32 Line 2 says \"9,01632960102\" for \"emergency.primary\", of the same station and time.",
    ];
    assert_eq!(rows(",,\"9,01632960102\"", ",,\"9,01632960101\""), expected);
    assert_eq!(rows(",7,", ",10,").len(), 2);
    let reset = rows("new,,", ",10,");
    assert_eq!(reset.len(), 2, "{reset:?}");
    assert!(reset[0].starts_with("s.csv:2:20 ") && reset[1].starts_with("s.csv:3:1 "), "{reset:?}");
    for fine in [rows(",7,", ",7,"), rows(",7,", ",,01632960101"), rows("new,7,", "new,7,")] {
        assert!(fine.is_empty(), "{fine:?}");
    }
    assert!(rows(",700,", ",7,").is_empty(), "what no station holds is said of its row");
    let other_day = format!("{head}\nEQ-01,2026-11-24,t,,7,\nEQ-01,2026-11-25,t,,8,\nEQ-02,2026-11-24,t,,,1\n");
    assert!(apart(&other_day).is_empty());
    let many: String = (0..500).map(|n| format!("EQ-01,2026-11-24,t,,{},\n", n % 90 + 1)).collect();
    let said = apart(&format!("{head}\n{many}"));
    assert_eq!(said.len(), 41);
    assert_eq!(said[0], "s.csv:1:1 455 further cells of this sheet say otherwise than another row.");
}

#[test]
fn a_bad_row_says_what_is_wrong_at_its_cell_and_keeps_no_other_back() {
    let text = format!("{HEAD},unit,access\n{ROW},,\n,20 Nov,,used,48151623\n{ROW}\n{ROW},\"new,\n{ROW},new,\n");
    let rows = rows(&text);
    let places: Vec<Vec<String>> = rows
        .iter()
        .map(|row| match &row.report {
            Ok(_) => Vec::new(),
            Err(findings) => findings.iter().map(|one| format!("{} {}", one.place, one.message)).collect(),
        })
        .collect();
    let none: &[&str] = &[];
    let expected = [
        none,
        &[
            "s.csv:3:1 The row has no \"station\".",
            "s.csv:3:2 \"20 Nov\" is not a time.",
            "s.csv:3:1 The row has no \"by\".",
            "s.csv:3:10 \"unit\" cannot be \"used\".",
        ],
        &["s.csv:4:1 The row has 3 cells, and the header 5."],
        &["s.csv:5:36 A quote opens here and never closes."],
        none,
    ];
    assert_eq!(places, expected);
    assert_eq!(rows[2].text, format!("{HEAD},unit,access\n{ROW}\n"));
}

#[test]
fn a_code_written_out_is_neither_said_nor_kept() {
    let mut rows = rows(&format!("{HEAD},access,note\n{ROW},48151623,lamp works\n"));
    let findings = rows[0].report.as_ref().expect_err("a code").clone();
    assert_eq!(findings[0].code, Code::SecretLiteral);
    assert!(!format!("{findings:?}").contains("4815"), "{findings:?}");
    assert_eq!(rows.remove(0).text, format!("{HEAD},access,note\n{ROW},********,lamp works\n"));
}

#[test]
fn of_a_row_full_of_mistakes_the_first_are_named_and_no_code_is_kept() {
    let names: Vec<String> = (0..30).map(|nth| format!("x{nth}")).collect();
    let settings: String = names.iter().map(|name| format!("  {name}: {{kind: number, min: 1, max: 9}}\n")).collect();
    let book = keybook(&TERN.replace("  gate.seconds:", &format!("{settings}  gate.seconds:")));
    let keybooks: Keybooks =
        [(Name::from("tern-2"), book), (Name::from("tern-1"), keybooks()["tern-1"].clone())].into();
    let wrong = "1E9,".repeat(30);
    let text = format!("{HEAD},{},access\n{ROW},{wrong}48151623\n", names.join(","));
    let table = Table::csv(&"s.csv".into(), text.as_bytes()).unwrap();
    let sheet = Sheet::read(&table, &keybooks, None).unwrap();
    let fleet = fleet_with(&keybooks);
    let row = sheet.rows(&fleet).next().unwrap();
    let findings = row.report.unwrap_err();
    assert_eq!((findings.len(), &*findings[20].message), (21, "The row has 11 mistakes besides."));
    assert!(row.text.ends_with(",********\n"), "{}", row.text);
}

#[test]
fn what_a_spreadsheet_makes_of_a_number_is_not_taken_for_it() {
    let (head, dial) = ("station,at,by,identity", "station,at,by,emergency.primary");
    assert_eq!(
        said(head, &format!("{ROW},121")),
        ["s.csv:2:36 \"identity\" is 121, and wanted is \"0121\": spreadsheets drop what stands in front."]
    );
    assert!(said(dial, &format!("{ROW},1632960101"))[0].contains("wanted is \"01632960101\""));
    for shortened in ["1.63296E+09", "1,63E9", "4E-3", "1e10"] {
        let said = said(dial, &format!("{ROW},\"{shortened}\""));
        assert!(said[0].ends_with(&format!("is {shortened}, a number that a spreadsheet has shortened.")), "{said:?}");
    }
    // As wanted, and another value than wanted.
    for fine in ["0121", "0122", "122"] {
        assert!(one(head, &format!("{ROW},{fine}")).is_ok(), "{fine}");
    }
}

fn with_days(row: &str, days: Option<&str>) -> Result<Report, Vec<Finding>> {
    let days = days.map(|form| form.parse::<DayForm>().unwrap());
    let table = Table::csv(&"s.csv".into(), format!("{HEAD}\n{row}\n").as_bytes()).unwrap();
    let (keybooks, fleet) = (keybooks(), fleet());
    let sheet = Sheet::read(&table, &keybooks, days.as_ref()).unwrap();
    sheet.rows(&fleet).next().unwrap().report.map(|(report, _)| report)
}

#[test]
fn a_day_counts_from_its_beginning_and_only_in_iso_or_in_the_form_that_was_said() {
    let at = |row: &str, days| with_days(row, days).map(|report| report.at.to_string());
    let day = Ok("2026-11-03T00:00:00Z".to_owned());
    assert_eq!(at("EQ-01,2026-11-03,tech-07", None), day);
    assert_eq!(at("EQ-01,3.11.2026,tech-07", Some("DD.MM.YYYY")), day);
    assert_eq!(at("EQ-01,2026-11-03,tech-07", Some("DD.MM.YYYY")), day);
    assert_eq!(at("EQ-01,2026-11-03T04:00:00Z,tech-07", Some("DD.MM.YYYY")), Ok("2026-11-03T04:00:00Z".into()));
    let finding = &with_days("EQ-01,03/11/2026,tech-07", None).unwrap_err()[0];
    assert_eq!((finding.code, finding.place.to_string().as_str()), (Code::ReportTime, "s.csv:2:7"));
    assert_eq!(finding.message, "\"03/11/2026\" can be read as two days.");
    assert!(with_days("EQ-01,11/03/2026,tech-07", Some("DD.MM.YYYY")).is_err(), "another form than was said");
}

#[test]
fn the_columns_of_an_inventory_say_nothing_of_what_a_station_holds() {
    let head = "station,site,number,where,model,at,by";
    let row =
        |number: &str| one(head, &format!("EQ-01,quay,{number},\"East quay, ladder 1\",tern-2,2026-11-20,tech-07"));
    assert!(row("+441632960121").unwrap().left.is_empty());
    for fine in ["01632 960121", "+44 (0)1632 960-121"] {
        assert!(row(fine).is_ok(), "{fine}: as an inventory is made from it");
    }
    for other in ["+441632960122", "+44 1632 960122", "01632960122"] {
        let findings = row(other).unwrap_err();
        assert_eq!(findings[0].place.to_string(), "s.csv:2:12");
        let said = "\"number\" is +441632960122, and the inventory says +441632960121 for EQ-01.";
        assert_eq!(findings[0].message, said, "{other}");
    }
    for odd in ["garbage", "4.41633E+11", "441632960121", "1632960121"] {
        let findings = row(odd).unwrap_err();
        assert_eq!((findings.len(), findings[0].code), (1, Code::NotE164), "{odd}: {findings:?}");
    }
}

#[test]
fn a_row_whose_model_site_or_line_is_not_the_stations_may_be_about_another() {
    let head = "station,at,by,model,site,line";
    assert!(one(head, &format!("{ROW},tern-2,quay,direct")).is_ok());
    let line = said(head, &format!("{ROW},tern-1,pier,nonsense"));
    let expected = [
        "s.csv:2:36 \"model\" is tern-1, and the inventory says tern-2 for EQ-01.",
        "s.csv:2:43 \"site\" is pier, and the inventory says quay for EQ-01.",
        "s.csv:2:48 \"line\" is nonsense, and the inventory says direct for EQ-01.",
    ];
    assert_eq!(line, expected);
}

#[test]
fn a_stray_quote_loses_no_row_and_a_note_may_have_several_lines() {
    let head = "station,at,by,note";
    assert!(one(head, &format!("{ROW},\"lens cracked,\n12 inch\"")).is_ok());
    let text = format!("{head}\n{ROW},\"open note\n{ROW},ok\n{ROW},12 inch\"\n");
    let rows = rows(&text);
    let findings = rows[0].report.as_ref().expect_err("rows would be lost");
    assert_eq!(findings[0].place.to_string(), "s.csv:2:36");
    assert_eq!(findings[0].message, "A quote opens here, and line 3 within it looks like a row.");
}

/// Written by a library that is not the one that reads.
#[test]
fn a_number_or_a_date_in_a_workbook_is_not_taken_for_digits() {
    let mut book = rust_xlsxwriter::Workbook::new();
    let sheet = book.add_worksheet();
    let day = rust_xlsxwriter::Format::new().set_num_format("dd/mm/yyyy");
    for (at, name) in ["station", "at", "by", "identity", "gate.seconds"].iter().enumerate() {
        sheet.write(0, at as u16, *name).unwrap();
    }
    for line in 1..=5 {
        sheet.write(line, 0, "EQ-01").unwrap().write(line, 2, "tech-07").unwrap();
        let date = rust_xlsxwriter::ExcelDateTime::from_ymd(2026, 11, 20).unwrap();
        sheet.write_with_format(line, 1, date, &day).unwrap();
    }
    sheet.write(1, 3, 121).unwrap();
    sheet.write(2, 3, 4410).unwrap();
    sheet.write_with_format(3, 3, rust_xlsxwriter::ExcelDateTime::from_ymd(2026, 2, 1).unwrap(), &day).unwrap();
    sheet.write(4, 3, "0121").unwrap().write(4, 4, 7).unwrap();
    sheet.write(5, 4, 7.5).unwrap();
    let table = Table::workbook(&"b.xlsx".into(), &book.save_to_buffer().unwrap(), None).unwrap();
    let (keybooks, fleet) = (keybooks(), fleet());
    let sheet = Sheet::read(&table, &keybooks, None).unwrap();
    let said = |row: SheetRow| match row.report {
        Ok((report, _)) => format!("{} {:?}", report.at, report.left),
        Err(findings) => table.named(findings[0].clone()).message,
    };
    let said: Vec<String> = sheet.rows(&fleet).map(said).collect();
    assert_eq!(said[0], "D2: \"identity\" is 121, and wanted is \"0121\": spreadsheets drop what stands in front.");
    assert_eq!(said[1], "D3: \"identity\" is the number 4410, and zeros in front of it may be lost.");
    assert_eq!(said[2], "D4: \"identity\" is 2026-02-01, a date that a spreadsheet made of it.");
    let left = "{\"gate.seconds\": Plain(\"7\"), \"identity\": Quoted(\"0121\")}";
    assert_eq!(said[3], format!("2026-11-20T00:00:00Z {left}"));
    assert!(
        said[4].ends_with("{\"gate.seconds\": Plain(\"7.5\")}"),
        "its kind says what is wrong with it: {}",
        said[4]
    );
}
