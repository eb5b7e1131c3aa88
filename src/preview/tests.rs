//! What a change says of itself, on fleets made for it.

use super::*;
use crate::inventory;
use crate::keybook::sample::{TERN, keybook};
use crate::script::{Rule, Stuck};

/// A fleet of so many stations with one contact and some settings of the fleet.
fn fleet(stations: usize, number: &str, settings: &str) -> Inventory {
    let mut text = format!(
        "inventory: 1\ncontacts: {{help: {{calls: \"{number}\"}}}}\nsettings: {{emergency.primary: {{to: help}}, \
         line.kind: {{from: line}}{settings}}}\nsites:\n  quay:\n    line: {{kind: pbx, outside: \"9,\", country: GB}}\n    \
         stations:\n"
    );
    for nth in 0..stations {
        // 020 7946 0000 to 0999 are kept for fiction.
        text.push_str(&format!("      S-{nth:03}: {{number: \"+4420794600{nth:02}\", model: tern-2}}\n"));
    }
    let (raw, findings) = inventory::read(&"i.yaml".into(), text.as_bytes());
    assert!(findings.is_empty(), "{findings:#?}");
    let books = [(Name::from("tern-2"), keybook(TERN))].into();
    let (inventory, findings) = inventory::resolve(&[Arc::new(raw)], &books, &codes());
    assert!(!findings.iter().any(crate::finding::Finding::is_error), "{findings:#?}");
    inventory
}

fn codes() -> Codes {
    Codes::new(b"a key")
}

const HELP: &str = "+441632960101";
const OTHER: &str = "+441632960109";

#[test]
fn the_same_inventory_changes_nothing() {
    let change = Preview::between(&fleet(3, HELP, ""), &fleet(3, HELP, ""), &codes());
    assert!(change.is_empty() && change.work == Work::default());
    assert_eq!(text(&change, "main", "here"), "Against main: nothing changes at any station.\n");
}

#[test]
fn a_contact_that_moves_fifty_stations_is_one_line_and_one_hunk() {
    let change = Preview::between(&fleet(50, HELP, ""), &fleet(50, OTHER, ""), &codes());
    assert_eq!(change.counts(), [(Weight::Lifeline, (50, 50))].into());
    // B, the code that nobody wants (8 at most), #; 21, 9C01632960109, #; D.
    assert_eq!((change.work.calls, change.work.presses), (50, 50 * (10 + 16 + 1)));
    let said = text(&change, "main", "here");
    assert!(said.contains("- lifeline: 50 settings at 50 stations\n"), "{said}");
    assert!(
        said.contains("emergency.primary: help (9,01632960101) becomes help (9,01632960109), at 50 stations: S-000,"),
        "{said}"
    );
    assert!(said.contains("S-011 and 38 more @@\n-emergency.primary: help (9,01632960101)\n+"), "{said}");
    assert_eq!(said.matches("\n@@").count(), 1);
    assert!(said.lines().count() < 20, "{said}");
}

#[test]
fn stations_come_and_go_and_a_new_name_on_an_old_number_is_pointed_out() {
    let (before, mut after) = (fleet(3, HELP, ""), fleet(4, HELP, ""));
    let renamed = Arc::make_mut(&mut after.stations).remove("S-001").expect("a station");
    let renamed = Station { name: "T-001".into(), ..(*renamed).clone() };
    Arc::make_mut(&mut after.stations).insert(renamed.name.clone(), Arc::new(renamed));
    let change = Preview::between(&before, &after, &codes());
    assert_eq!(change.gone, ["S-001".into()].into());
    assert_eq!(change.renamed, [("S-001".into(), "T-001".into())]);
    let new: Vec<&str> =
        change.stations.iter().filter(|station| station.was.is_none()).map(|new| &*new.station.name).collect();
    assert_eq!(new, ["S-003", "T-001"]);
    let said = text(&change, "main", "here");
    for part in ["2 stations would be new, 1 station would be gone", "T-001 rings on the number that S-001 had"] {
        assert!(said.contains(part), "`{part}` is not in:\n{said}");
    }
}

#[test]
fn a_setting_left_alone_from_now_on_needs_no_keying_and_one_nobody_can_key_is_told() {
    let (with, without) = (fleet(2, HELP, ", gate.seconds: 7"), fleet(2, HELP, ""));
    let change = Preview::between(&with, &without, &codes());
    assert!(!change.is_empty() && change.work == Work::default() && change.counts().is_empty());
    assert!(text(&change, "main", "here").contains("-gate.seconds: 7\n```"));
    // To key the backup the line's kind has to be known: without it nothing may touch it.
    let no_writer = TERN.lines().filter(|line| !line.contains("gate-time")).collect::<Vec<_>>().join("\n");
    let mut after = with.clone();
    for station in Arc::make_mut(&mut after.stations).values_mut() {
        let book = keybook(&no_writer);
        *station = Arc::new(Station { keybook: book, ..(**station).clone() });
    }
    let change = Preview::between(&without, &after, &codes());
    assert_eq!(change.stuck.len(), 2);
    assert!(change.is_impossible());
    let (_, NoScript::Unreachable(stuck)) = &change.stuck[0] else { panic!("{:?}", change.stuck) };
    let rule = Rule::NothingStores { setting: "gate.seconds".into() };
    assert_eq!(*stuck, [Stuck { setting: "gate.seconds".into(), wanted: Value::Number(7), rules: vec![rule] }]);
}

#[test]
fn the_json_names_every_station_however_many_there_are() {
    let change = Preview::between(&fleet(90, HELP, ""), &fleet(90, OTHER, ""), &codes());
    let json = json(&change);
    assert_eq!(json["stations"].as_array().map(Vec::len), Some(90));
    assert_eq!(json["by_weight"]["lifeline"]["stations"], 90);
    assert_eq!(json["stations"][0]["settings"][0]["to"]["value"], "9,01632960109");
    assert_eq!(json["keying"]["stations"], 90);
}
