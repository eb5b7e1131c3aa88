//! What a sheet's rows come to, and what is wrong with them.

use super::*;
use crate::inventory;
use crate::keybook::sample::{TERN, keybook};
use crate::setting::Codes;

fn keybooks() -> Keybooks {
    let plain = TERN.replace("model: tern-2", "model: tern-1").replace("  gate.seconds:", "  gate.time:");
    let plain = plain.replace("{gate.seconds}", "{gate.time}");
    [(Name::from("tern-2"), keybook(TERN)), (Name::from("tern-1"), keybook(&plain))].into()
}

fn fleet() -> Inventory {
    let text = "inventory: 1\nsites:\n  quay:\n    line: {kind: direct, country: GB}\n    stations:\n      \
                EQ-01: {number: \"+441632960121\", model: tern-2, settings: {identity: \"0121\", emergency.primary: \"01632960101\"}}\n      \
                EQ-02: {number: \"+441632960122\", model: tern-1}\n";
    let (raw, findings) = inventory::read(&"i.yaml".into(), text.as_bytes());
    assert!(findings.is_empty(), "{findings:#?}");
    let (all, findings) = inventory::resolve(&[Arc::new(raw)], &keybooks(), &Codes::default());
    assert!(!findings.iter().any(Finding::is_error), "{findings:#?}");
    all
}

fn rows(text: &str) -> Vec<SheetRow> {
    let sheet = Sheet::read(&"s.csv".into(), text.as_bytes(), &keybooks()).expect("a header");
    sheet.rows(&fleet()).collect()
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

#[test]
fn a_bad_header_rejects_the_sheet_and_says_all_that_is_wrong() {
    let header = |text: &str| -> Vec<String> {
        let read = Sheet::read(&"s.csv".into(), text.as_bytes(), &keybooks());
        read.expect_err("a bad header").iter().map(|one| format!("{} {}", one.place, one.message)).collect()
    };
    assert_eq!(
        header("station,gate.secs,,identity,identity\nx\n"),
        [
            "s.csv:1:9 \"gate.secs\" is not a setting of any model.",
            "s.csv:1:19 This column has no name.",
            "s.csv:1:29 A second column is called \"identity\".",
            "s.csv:1:1 The sheet has no column \"at\".",
            "s.csv:1:1 The sheet has no column \"by\".",
        ]
    );
    assert_eq!(header(""), ["s.csv:1:1 The sheet is empty."]);
    assert_eq!(header("station,at,by\n,,\n\n"), ["s.csv:1:1 The sheet has a header and no rows."]);
    assert_eq!(header("station,\"at,by\nx,y\n"), ["s.csv:1:9 A quote opens here and never closes."]);
    let semicolons = Sheet::read(&"s.csv".into(), b"station;at;by\nx;y;z\n", &keybooks()).unwrap_err();
    assert!(semicolons.iter().any(|one| one.fix == "Save the sheet with commas between its cells."), "{semicolons:#?}");
    let latin = Sheet::read(&"s.csv".into(), b"station,at,by\nx,y,\xe9\n", &keybooks()).unwrap_err();
    assert_eq!((latin[0].code, latin[0].place.line), (Code::NotText, 2));
    let long = vec![b'x'; SHEET_LIMIT_BYTES as usize + 1];
    assert_eq!(Sheet::read(&"s.csv".into(), &long, &keybooks()).unwrap_err()[0].code, Code::FileTooLarge);
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
    assert!(has_lost("0", "000") && has_lost("441632", "+441632") && !has_lost("0", "0") && !has_lost("", ""));
}
