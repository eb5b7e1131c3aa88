//! The key of fingerprints belongs to its ledger: another one is noticed, and codes of another ledger are never believed.

use std::fs;

use super::fleet::{Fleet, SIGNING, uuid};
use super::receiver::Receiver;

const KEY: &str = "var/ledger.key";

/// How many stations have the access code in this kind of drift.
fn with_access(fleet: &Fleet, drift: &str) -> usize {
    let stations = fleet.drift()["stations"].as_array().cloned().unwrap_or_default();
    let is_so = |station: &&serde_json::Value| {
        let settings = station["settings"].as_array().cloned().unwrap_or_default();
        settings.iter().any(|one| one["setting"] == "access" && one["drift"] == drift)
    };
    stations.iter().filter(is_so).count()
}

#[test]
fn a_process_with_another_key_or_none_refuses_to_start_on_the_ledger_and_says_what_to_do() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    fleet.run(&["drift"]).ended(3);
    let key = fs::read_to_string(fleet.path(KEY)).expect("a key beside the ledger");
    fleet.write(KEY, &format!("{}\n", "5e".repeat(32)));
    for command in ["drift", "serve"] {
        let said = fleet.run(&[command]).ended(1);
        assert!(said.err.contains("was begun with another key than") && said.err.contains("ledger export"), "{said:?}");
    }
    fs::remove_file(fleet.path(KEY)).expect("it goes");
    for command in ["drift", "serve"] {
        let said = fleet.run(&[command]).ended(1);
        assert!(said.err.contains("Put it back from a backup"), "{said:?}");
    }
    assert!(!fleet.path(KEY).exists(), "no new key for codes that an old one stands for");
    // What needs no codes works without it, so that the record can be carried over.
    fleet.run(&["ledger", "verify"]).ended(0);
    fleet.run(&["ledger", "export", "--out", "export.jsonl"]).ended(0);
    fleet.write(KEY, &key);
    fleet.run(&["drift"]).ended(3);
}

#[test]
fn what_is_imported_from_a_ledger_with_another_key_leaves_every_code_unknown_and_with_its_key_it_does_not() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    // A code that cannot be read here is the one wanted, by its reference: as long as the ledger is this one.
    fleet.write("config/secrets/other", "1234");
    let south = fs::read_to_string(fleet.path("config/inventory/south.yaml")).expect("the south");
    fleet.write(
        "config/inventory/south.yaml",
        &south.replace("identity: \"22\"", "identity: \"22\", access: {secret: \"file:secrets/other\"}"),
    );
    fs::remove_file(fleet.path("config/secrets/other")).expect("it goes");
    let left = format!(
        "report: 1\nid: {}\nstation: SP-02\nat: 2020-04-02T09:00:00Z\nby: tech-03\nleft: {{access: {{secret: \"file:secrets/other\"}}}}\n",
        uuid(fleet.number())
    );
    fleet.write("config/reports/SP-02-access.yaml", &left);
    assert_eq!((with_access(&fleet, "unproven"), with_access(&fleet, "differs")), (1, 0), "of SP-01 nothing is known");
    let export = fleet.run(&["ledger", "export"]).ended(0).out;
    assert!(export.starts_with("{\"check\":\""), "{export}");
    for (with_its_key, unproven) in [(true, 1), (false, 6)] {
        let other = Fleet::new(&Receiver::start(SIGNING));
        fs::remove_dir_all(other.path("config/reports")).expect("no reports");
        fs::create_dir(other.path("config/reports")).expect("an empty folder");
        other.write(
            "config/inventory/south.yaml",
            &fs::read_to_string(fleet.path("config/inventory/south.yaml")).expect("it"),
        );
        other.write("export.jsonl", &export);
        if with_its_key {
            fs::create_dir_all(other.path("var")).expect("a folder");
            fs::copy(fleet.path(KEY), other.path(KEY)).expect("its key");
        }
        let said = other.run(&["ledger", "import", "export.jsonl"]).ended(0);
        assert_eq!(said.err.contains("another key"), !with_its_key, "{said:?}");
        assert_eq!(said.out, "6 recorded, 0 on record already, 0 rejected.\n");
        assert_eq!(with_access(&other, "unproven"), unproven, "{}", other.drift());
        // And so in what is exported from there, and dropped.
        let again = other.run(&["ledger", "export"]).ended(0).out;
        fs::remove_file(other.path("var/ledger.db")).expect("it goes");
        other.write("config/reports/all.jsonl", &again);
        assert_eq!(with_access(&other, "unproven"), unproven, "{}", other.drift());
    }
}
