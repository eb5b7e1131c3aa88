//! Lines that many stations take their values from: one finding, at the line that wrote the value, with how many.

use super::program::{Fleet, place};

/// A fleet of so many more stations at the north pier.
fn large(stations: usize) -> Fleet {
    let fleet = Fleet::new();
    let mut more = String::from("inventory: 1\nstations:\n");
    for nth in 0..stations {
        // Ofcom's numbers for drama: Leeds.
        more += &format!(
            "  X-{nth:03}: {{site: north-pier, number: \"+441134960{nth:03}\", where: pier, profiles: [pier], settings: {{identity: \"9{nth:03}\"}}}}\n"
        );
    }
    fleet.write("inventory/more.yaml", more);
    assert_eq!(fleet.findings(&[]), Vec::<serde_json::Value>::new());
    fleet
}

/// The only error after an edit: its place, sentence and related places.
fn only(file: &str, from: &str, to: &str) -> (String, String, Vec<String>) {
    let fleet = large(500);
    fleet.edit(file, from, to);
    let mut findings = fleet.findings(&[]);
    findings.retain(|finding| finding["severity"] == "error");
    assert_eq!(findings.len(), 1, "{} findings, the first {:#?}", findings.len(), findings.first());
    let related = findings[0]["related"].as_array().expect("related places").iter();
    let related = related.map(|one| format!("{} {}", place(&one["place"]), one["what"].as_str().expect("words")));
    (place(&findings[0]["place"]), findings[0]["message"].as_str().expect("a sentence").into(), related.collect())
}

#[test]
fn a_value_too_long_for_the_keybook_of_many_stations_is_told_once_at_the_line_that_wrote_it() {
    let (at, says, beside) = only(
        "inventory/fleet.yaml",
        "emergency.primary: {to: control-room}",
        "emergency.primary: \"123456789012345678\"",
    );
    assert_eq!(at, "inventory/fleet.yaml:10:55");
    assert_eq!(
        says,
        "\"emergency.primary\" on a wren-1 is \"123456789012345678\", which has 18 symbols; this model stores 1 to 16 symbols. \
         NP-01 and 501 more stations take it from the profile pier."
    );
    assert_eq!(beside, ["inventory/piers.yaml:6:7 the first of these stations"]);
}

#[test]
fn a_contact_that_becomes_too_long_on_one_line_names_contact_layer_and_stations() {
    let (at, says, beside) = only("inventory/piers.yaml", "outside: \"9,\"", "outside: \"9,0,0,0\"");
    assert_eq!(at, "inventory/fleet.yaml:10:55");
    assert!(says.ends_with(" NP-01 and 500 more stations take it from the profile pier."), "{says}");
    assert_eq!(
        beside,
        [
            "inventory/fleet.yaml:4:3 from the contact \"control-room\"",
            "inventory/piers.yaml:6:7 the first of these stations"
        ]
    );
}

#[test]
fn an_identity_in_a_layer_is_one_finding_for_all_who_take_it() {
    let fleet = large(500);
    let more = fleet.read("inventory/more.yaml");
    let without: Vec<&str> =
        more.split(", settings: {identity").map(|part| part.split_once('}').map_or(part, |(_, rest)| rest)).collect();
    fleet.write(
        "inventory/more.yaml",
        format!("{}{}", more.split(", settings").next().expect("a head"), without[1..].concat()),
    );
    fleet.edit("inventory/fleet.yaml", "  line.kind: {from: line}", "  line.kind: {from: line}\n  identity: \"5\"");
    let findings = fleet.findings(&[]);
    assert_eq!(findings.len(), 1, "{findings:#?}");
    assert_eq!(findings[0]["message"], "X-000 and 499 more stations take the same \"identity\" \"5\" from this line.");
    assert_eq!(place(&findings[0]["place"]), "inventory/fleet.yaml:9:13");
}

#[test]
fn a_contact_that_is_a_station_is_told_once_for_all_who_would_call_it() {
    let (at, says, _) = only("inventory/fleet.yaml", "+441632960101", "+441632960121");
    assert_eq!(at, "inventory/fleet.yaml:10:55");
    assert_eq!(
        says,
        "\"emergency.primary\" of NP-01 and 501 more stations would call SP-01, which is a station itself."
    );
}

#[test]
fn a_code_that_is_no_code_is_told_once_and_not_shown() {
    let (_, says, _) = only("secrets/access", "410522", "41-0522");
    assert_eq!(
        says,
        "\"file:secrets/access\" leads to something that is not digits only. NP-01 and 502 more stations take it from the fleet."
    );
}
