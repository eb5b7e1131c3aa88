//! The work list of the sample fleet, beside what the commands for single stations say.

use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::PermissionsExt;

use serde_json::Value;

use super::sample::sample;

fn text<'v>(value: &'v Value, key: &str) -> &'v str {
    value[key].as_str().unwrap_or_default()
}

/// Heaviest first, then those with most lifelines that may summon nobody, then by site: from the drift alone.
fn expected_order(drift: &Value) -> Vec<String> {
    let stations = drift["stations"].as_array().expect("stations");
    let mut ranked: Vec<_> = stations
        .iter()
        .map(|station| {
            let weight = ["lifeline", "locating", "routine"].iter().position(|w| *w == text(station, "weight"));
            let dark = |lifeline: &Value| {
                // The sample's lifelines all take the button's number; where that is unsure, so is the lifeline.
                let name = text(lifeline, "lifeline");
                let unsure = station["settings"].as_array().expect("settings").iter().any(|setting| {
                    text(setting, "setting") == format!("{name}.primary")
                        && ["in-doubt", "unproven"].contains(&text(setting, "drift"))
                });
                ["failed", "dead"].contains(&text(lifeline, "service")) || unsure
            };
            let dark_all = station["lifelines"].as_array().expect("lifelines").iter();
            let dark = dark_all.filter(|l| !text(l, "lifeline").ends_with("second") && dark(l)).count();
            let serves = text(station, "standing") != "out-of-service";
            (weight, serves, usize::MAX - dark, text(station, "site").to_owned(), text(station, "station").to_owned())
        })
        .collect();
    ranked.sort();
    ranked.into_iter().map(|(_, _, _, _, station)| station).collect()
}

#[test]
fn the_work_list_has_each_station_once_in_order_with_its_own_script_and_adds_up() {
    let fleet = sample();
    let drift = fleet.run(&["drift", "--format", "json"]).ended(3).json();
    let all = fleet.run(&["script", "--all", "--format", "json"]).ended(0).json();
    let mut presses = 0;
    for script in all["scripts"].as_array().expect("scripts") {
        // Someone has begun a visit at one of the sample's.
        let beside = ["--beside", "01a20c7d-9ec0-7e61-b5a8-3d71c04f2e44"];
        let ask = [&["script", text(script, "station"), "--format", "json"][..], &beside].concat();
        let alone = fleet.run(&ask).ended(0).json();
        assert_eq!(*script, alone);
        let calls = alone["calls"].as_array().expect("calls");
        let around = calls.iter().map(|call| (text(call, "open").len() + text(call, "close").len()) as u64);
        presses += alone["presses"].as_u64().expect("presses") + around.sum::<u64>();
    }
    assert_eq!(all["totals"]["presses"], presses);
    assert_eq!(all["totals"]["stations"], all["scripts"].as_array().map_or(0, Vec::len));
    assert_eq!(all["no_script"], serde_json::json!([]));
    let listed = fleet.run(&["script", "--all"]).ended(0).out;
    let lines = listed.lines().filter(|line| line.starts_with("  ") && line[..6].trim().parse::<u32>().is_ok());
    let order: Vec<String> =
        lines.map_while(|line| Some(line[6..].split_whitespace().next()?.to_owned())).take(15).collect();
    assert_eq!(order, expected_order(&drift), "{listed}");
}

#[test]
fn a_folder_of_cards_is_private_in_order_never_mixed_with_older_ones_and_every_card_is_on_record() {
    let fleet = sample();
    let folder = fleet.path("round").display().to_string();
    let listed = fleet.run(&["script", "--all", "--out", &folder]).ended(0).out;
    let files: BTreeMap<String, String> = fs::read_dir(&folder)
        .expect("a folder")
        .map(|item| {
            let item = item.expect("an entry");
            assert_eq!(item.metadata().expect("metadata").permissions().mode() & 0o777, 0o600);
            (item.file_name().into_string().expect("a name"), fs::read_to_string(item.path()).expect("a card"))
        })
        .collect();
    assert_eq!(files["work-list.txt"], listed);
    let exported = fleet.run(&["ledger", "export"]).ended(0).out;
    for (name, card) in files.iter().filter(|(name, _)| *name != "work-list.txt") {
        assert!(listed.contains(name.as_str()), "{name}");
        let digest = card.lines().find_map(|line| line.strip_prefix("script ")?.split(',').next());
        assert!(digest.is_some_and(|digest| exported.contains(digest)), "{name}: {digest:?}");
    }
    // Every errand has its card, test calls too.
    let errands = listed.lines().filter(|line| line.contains(".txt")).count();
    assert_eq!((errands, files.len()), (15, 16));
    let tests = listed.lines().filter(|line| line.contains("  test the ") || line.contains(", then test the "));
    let tests = tests.collect::<Vec<_>>();
    assert_eq!(tests.len(), 6, "{listed}");
    assert!(listed.contains("1 station to repair; 5 stations to test only."), "{listed}");
    // Whoever goes to a station where someone began is told so, in the list and on the card.
    let begun = "tech-05 began here on 2026-11-24 08:24 UTC, and no report came in 24 hours: check with tech-05 that no one is keying there";
    assert!(listed.contains(&format!("      ! {begun}\n")), "{listed}");
    let card = files.iter().find(|(name, _)| name.contains("BI-03")).map(|(_, card)| card).expect("its card");
    let lead = card.split("BEFORE YOU RING").next().unwrap_or_default();
    assert!(lead.contains("WARNING: tech-05 began to key another card"), "{card}");
    for line in tests {
        let file = line.rsplit(": ").next().expect("a card");
        assert!(
            files[file].contains("Only a test call is asked for.") && files[file].contains("REPORT BACK"),
            "{line}"
        );
    }
    let again = fleet.run(&["script", "--all", "--out", &folder]).ended(2);
    assert!(again.err.contains("is not empty"), "{}", again.err);
}

#[test]
fn a_card_written_over_a_file_that_others_could_read_is_private() {
    let fleet = sample();
    let file = fleet.path("card.txt");
    fs::write(&file, "an earlier card").expect("a file");
    fs::set_permissions(&file, fs::Permissions::from_mode(0o644)).expect("its mode");
    fleet.run(&["script", "EQ-02", "--out", &file.display().to_string()]).ended(0);
    assert_eq!(fs::metadata(&file).expect("metadata").permissions().mode() & 0o777, 0o600);
    assert!(fs::read_to_string(&file).expect("a card").contains("\nEQ-02"));
}

#[test]
fn a_site_of_its_own_has_its_own_list_and_an_unknown_one_is_asked_back() {
    let fleet = sample();
    let here = fleet.run(&["script", "--all", "--site", "north-mole", "--format", "json"]).ended(0).json();
    let stations: Vec<&str> = here["scripts"].as_array().expect("scripts").iter().map(|s| text(s, "station")).collect();
    assert_eq!(stations, ["NM-05"]);
    let unknown = fleet.run(&["script", "--all", "--site", "north-mol"]).ended(2);
    assert!(unknown.err.contains("If you mean \"north-mole\", write that."), "{}", unknown.err);
}

#[test]
fn a_station_asked_for_by_its_old_name_is_named_by_its_new_one() {
    let fleet = sample();
    let path = fleet.path("config/inventory/sites/east-quay.yaml");
    let text = fs::read_to_string(&path).expect("a file");
    let renamed = text.replacen("      EQ-09: {", "      EQ-39: {formerly: EQ-09, ", 1);
    assert_ne!(renamed, text);
    fleet.rename_into("config/inventory/sites/east-quay.yaml", &renamed);
    for verb in ["drift", "script", "explain"] {
        let old = fleet.run(&[verb, "EQ-09"]).ended(2);
        assert!(old.err.contains("is called \"EQ-39\" now"), "{verb}: {old:?}");
    }
}
