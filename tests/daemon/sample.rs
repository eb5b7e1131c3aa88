//! The repository's own sample configuration, run as a newcomer runs it.

use std::fs;
use std::path::Path;

use super::fleet::{Fleet, SIGNING};
use super::receiver::Receiver;
use super::told::{LISTS, names};

/// Copies a folder with all that is in it.
pub fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).expect("a folder");
    for item in fs::read_dir(from).expect("a folder").map(|item| item.expect("an entry")) {
        let (from, to) = (item.path(), to.join(item.file_name()));
        if from.is_dir() {
            copy(&from, &to);
        } else {
            fs::copy(from, to).expect("a file");
        }
    }
}

/// A copy of the sample, on the day it tells of.
pub fn sample() -> Fleet {
    let mut fleet = Fleet::bare();
    copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("config"), &fleet.path("config"));
    // Its own port may be taken on the machine that runs the tests.
    let text = fs::read_to_string(fleet.path("config/stationkeep.yaml")).expect("the configuration");
    fleet.write("config/stationkeep.yaml", &text.replace("127.0.0.1:8470", "127.0.0.1:0"));
    fleet.environment.push(("STATIONKEEP_CLOCK".into(), "2026-11-25T12:00:00Z".into()));
    fleet
}

#[test]
fn the_sample_fleet_starts_tells_what_drift_shows_and_an_edit_of_it_is_one_alert() {
    let receiver = Receiver::start(SIGNING);
    let mut fleet = sample();
    for (name, value) in [("STATIONKEEP_WEBHOOK", &*receiver.url()), ("STATIONKEEP_SIGNING", SIGNING)] {
        fleet.environment.push((name.into(), value.into()));
    }
    let daemon = fleet.start();
    for part in ["Skerry Coast Harbours", "config/inventory", "2 out-of-service", "drift ", "script "] {
        assert!(daemon.said().contains(part), "\"{part}\" is not in:\n{}", daemon.said());
    }
    let first = receiver.wait_for(1).remove(0);
    let list = fleet.run(&["script", "--all", "--format", "json"]).ended(0).json();
    let to_do = &first.data()["to_do"];
    for (told, listed) in [("to_key", "stations"), ("calls", "calls"), ("presses", "presses"), ("minutes", "minutes")] {
        assert_eq!(to_do[told], list["totals"][listed], "{told}");
    }
    // A button whose test failed is to be repaired before it is tested again.
    let (tests, repairs) = (to_do["to_test"].as_u64(), to_do["to_repair"].as_u64());
    assert_eq!(
        tests.zip(repairs).map(|(tests, repairs)| tests + repairs),
        list["tests"].as_array().map(|all| all.len() as u64)
    );
    let drift = fleet.drift();
    assert_eq!(first.data()["totals"], drift["totals"]);
    let drifting = drift["stations"].as_array().map_or(0, Vec::len);
    assert_eq!(first.data()["counts"]["opened"]["stations"], drifting);
    let shown: Vec<String> = LISTS.iter().flat_map(|list| names(&first, list)).collect();
    let left_out = first.data()["left_out"]["opened"].as_u64().unwrap_or_default();
    assert_eq!(shown.len() as u64 + left_out, drifting as u64);
    let heaviest: Vec<&str> =
        drift["stations"].as_array().into_iter().flatten().filter_map(|s| s["station"].as_str()).collect();
    assert_eq!(shown, heaviest[..shown.len()], "the heaviest first, in both");
    let path = "config/inventory/fleet.yaml";
    let text = fs::read_to_string(fleet.path(path)).expect("a file");
    fleet.rename_into(path, &text.replace("+441134960115", "+441134960116"));
    let edit = receiver.still(&daemon, 2).remove(1);
    assert_eq!(edit.data()["cause"]["inventory"][0]["contact"], "night-desk");
    assert_eq!(edit.data()["totals"], fleet.drift()["totals"]);
}
