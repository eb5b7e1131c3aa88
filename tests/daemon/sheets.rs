//! Sheets as people fill them: tried, recorded, dropped; a bad row keeps no other back.

use serde_json::Value;

use super::fleet::{CODE, Fleet, SIGNING};
use super::receiver::Receiver;
use super::told::{REPORT, refused_sources};

const SHEET: &str = "station,at,by,gate.seconds,identity,access\n\
                     NP-01,2020-04-01T09:00:00Z,tech-03,9,,\n\
                     NP-02,2020-04-01T09:05:00Z,tech-03,4E+01,,\n\
                     NP-03,2020-04-01T09:10:00Z,tech-03,8,13,file:secrets/access\n\
                     XX-99,2020-04-01T09:15:00Z,tech-03,8,,\n\
                     NP-04,2020-04-01T09:20:00Z,tech-03,,,48151623\n";

fn entries(fleet: &Fleet) -> usize {
    fleet.run(&["ledger", "export"]).ended(0).out.lines().filter(|line| line.contains("\"report\":1")).count()
}

#[test]
fn a_sheet_is_tried_row_by_row_and_recorded_once() {
    let fleet = Fleet::new(&Receiver::start(SIGNING));
    fleet.drift();
    // Where it lies among the reports a try leaves it alone, too.
    fleet.write("config/reports/sheet.csv", SHEET);
    let tried = fleet.run(&["report", "config/reports/sheet.csv", "--try"]).ended(2);
    let lines: Vec<&str> = tried.out.lines().filter(|line| line.starts_with("config/")).collect();
    assert_eq!(
        lines,
        [
            "config/reports/sheet.csv:2: would be recorded, for NP-01",
            "config/reports/sheet.csv:3: would be rejected",
            "config/reports/sheet.csv:4: would be recorded, for NP-03",
            "config/reports/sheet.csv:5: would be rejected",
            "config/reports/sheet.csv:6: would be rejected",
        ]
    );
    assert!(tried.out.contains("  Gate seconds is now 9. It was 7.\n"), "{}", tried.out);
    for place in ["sheet.csv:3:36: error: ", "sheet.csv:5:1: error: ", "sheet.csv:6:38: error: "] {
        assert!(tried.err.contains(place), "{place}: {}", tried.err);
    }
    assert!(!tried.err.contains(CODE) && !tried.out.contains(CODE), "{tried:?}");
    assert!(tried.err.ends_with("stationkeep: nothing was recorded\n"), "{}", tried.err);
    std::fs::rename(fleet.path("config/reports/sheet.csv"), fleet.path("sheet.csv")).expect("a sheet elsewhere");
    assert_eq!(entries(&fleet), 5, "nothing is");
    let recorded = fleet.run(&["report", "sheet.csv", "--format", "json"]).ended(2);
    let outcomes: Vec<(Value, Value)> = recorded
        .out
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).expect("JSON"))
        .map(|line| (line["line"].clone(), line["outcome"].clone()))
        .collect();
    let expected = [(2, "recorded"), (3, "refused"), (4, "recorded"), (5, "refused"), (6, "refused")];
    assert_eq!(outcomes, expected.map(|(line, outcome)| (line.into(), outcome.into())));
    assert_eq!(entries(&fleet), 7);
    // The same again, and tried again: it is on record.
    let again = fleet.run(&["report", "sheet.csv"]).ended(2);
    assert_eq!(again.out.matches("on record already").count(), 2, "{}", again.out);
    assert!(fleet.run(&["report", "sheet.csv", "--try"]).out.contains("sheet.csv:2: on record already, for NP-01"));
    assert_eq!(entries(&fleet), 7);
    assert!(
        !std::fs::read(fleet.path("var/ledger.db")).expect("a ledger").windows(8).any(|part| part == CODE.as_bytes())
    );
}

#[test]
fn a_dropped_sheet_is_recorded_and_each_bad_row_told_of_once() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    fleet.rename_into("config/reports/sheet.csv", SHEET);
    fleet.rename_into("config/reports/bad.csv", "station;at;by\nNP-01;x;y\n");
    super::process::until("all to be told of", || (refused_sources(&receiver.heard()).len() == 4).then_some(()));
    assert_eq!(entries(&fleet), 7);
    // One row is put right: it alone is new, and nothing else is told of again.
    fleet.rename_into("config/reports/sheet.csv", &SHEET.replace("4E+01", "40"));
    super::process::until("the row on record", || (entries(&fleet) == 8).then_some(()));
    daemon.comes_to_rest();
    let heard = receiver.heard();
    let sources = ["reports/bad.csv", "reports/sheet.csv", "reports/sheet.csv", "reports/sheet.csv"];
    let mut refused = refused_sources(&heard);
    refused.sort();
    assert_eq!(refused, sources);
    let told: Vec<&Value> = heard.iter().filter(|got| got.kind() == REPORT).map(|got| got.data()).collect();
    let text = told.iter().map(|data| data.to_string()).collect::<String>();
    for place in ["reports/sheet.csv:3:36", "reports/sheet.csv:5:1", "reports/sheet.csv:6:38", "reports/bad.csv:1:1"] {
        assert!(text.contains(place), "{place}: {text}");
    }
    assert!(!text.contains(CODE), "{text}");
}
