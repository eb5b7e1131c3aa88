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

#[test]
fn rows_of_one_station_and_time_that_contradict_each_other_or_the_record_are_not_recorded() {
    let fleet = Fleet::new(&Receiver::start(SIGNING));
    fleet.drift();
    let before = entries(&fleet);
    let head = "station,at,by,emergency.primary,gate.seconds\n";
    let row = |at: &str, number: &str| format!("NP-01,{at},tech-03,\"{number}\",\n");
    // Whichever stands first.
    for (one, other) in [("9,01632960102", "9,01632960101"), ("9,01632960101", "9,01632960102")] {
        fleet.write("two.csv", &format!("{head}{}{}", row("2020-04-01", one), row("2020-04-01", other)));
        for args in [&["report", "two.csv", "--try"][..], &["report", "two.csv"]] {
            let done = fleet.run(args).ended(2);
            for (line, said) in [(2, format!("Line 3 says \"{other}\"")), (3, format!("Line 2 says \"{one}\""))] {
                assert!(done.err.contains(&format!("two.csv:{line}:26: error: {said}")), "{}", done.err);
            }
            assert!(!done.out.contains("recorded, for"), "{}", done.out);
        }
    }
    assert_eq!(entries(&fleet), before);
    fleet.write("one.csv", &format!("{head}{}", row("2020-04-01", "9,01632960102")));
    fleet.run(&["report", "one.csv"]).ended(0);
    fleet.write("two.csv", &format!("{head}{}NP-02,2020-04-01,tech-03,,7\n", row("2020-04-01", "9,01632960101")));
    for args in [&["report", "two.csv", "--try"][..], &["report", "two.csv"]] {
        let done = fleet.run(args).ended(2);
        let said = "two.csv:2:26: error: \"emergency.primary\" is \"9,01632960101\" here, and \"9,01632960102\" in a report on record of \
                    the same time. (report-conflict)";
        assert!(done.err.contains(said), "{}", done.err);
        assert!(done.out.contains("two.csv:3: "), "the other row stands for itself: {}", done.out);
    }
    // Sent again, at a time of its own, of the same value, and once the report on record is corrected.
    fleet.run(&["report", "one.csv"]).ended(0);
    fleet.write("later.csv", &format!("{head}{}", row("2020-04-01T10:00:00Z", "9,01632960101")));
    fleet.run(&["report", "later.csv"]).ended(0);
    fleet.write("same.csv", &format!("{head}{}", row("2020-04-01", "9,01632960102").replace("tech-03", "tech-04")));
    fleet.run(&["report", "same.csv"]).ended(0);
    let ids: Vec<String> = fleet
        .run(&["ledger", "export"])
        .ended(0)
        .out
        .lines()
        .filter(|line| line.contains("2020-04-01T00:00:00Z") && line.contains("NP-01"))
        .filter_map(|line| Some(serde_json::from_str::<Value>(line).ok()?["id"].as_str()?.to_owned()))
        .collect();
    assert_eq!(ids.len(), 2);
    for (nth, id) in ids.iter().enumerate() {
        let text = format!(
            "report: 1\nid: 019a6c1e-8f00-7000-8000-00000000000{nth}\nstation: NP-01\nat: 2020-04-02T09:00:00Z\nby: tech-03\ncorrects: {id}\n"
        );
        fleet.write("corrects.yaml", &text);
        fleet.run(&["report", "corrects.yaml"]).ended(0);
    }
    fleet.run(&["report", "two.csv"]).ended(0);
}

#[test]
fn a_row_whose_number_is_spelt_otherwise_is_held_against_its_station_all_the_same() {
    let fleet = Fleet::new(&Receiver::start(SIGNING));
    fleet.drift();
    fleet.write(
        "s.csv",
        "station,at,by,number,site,gate.seconds\nNP-01,2020-04-01,t,01632 960111,north-pier,9\n\
         NP-02,2020-04-01,t,+44 1632 960111,,9\nNP-03,2020-04-01,t,garbage,,9\nNP-04,2020-04-01,t,,south-pier,9\n",
    );
    let done = fleet.run(&["report", "s.csv", "--try"]).ended(2);
    assert!(
        done.out.contains("s.csv:2: would be recorded")
            && done.err.contains("1 would be recorded, 3 would be rejected"),
        "{done:?}"
    );
    for said in [
        "s.csv:3:20: error: \"number\" is +441632960111, and the inventory says +441632960112 for NP-02.",
        "s.csv:4:20: error: \"garbage\" is not a whole public number.",
        "s.csv:5:21: error: \"site\" is south-pier, and the inventory says north-pier for NP-04.",
    ] {
        assert!(done.err.contains(said), "{said}: {}", done.err);
    }
}
