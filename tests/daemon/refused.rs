//! An inventory that cannot be used: refused once with its place, the last good one in force, the recovery told.

use super::fleet::{Fleet, NEW_OFFICER, OFFICER, SIGNING, commissioning, fleet_yaml, webhook};
use super::probe::{address, ask};
use super::process::{signal, until};
use super::receiver::Receiver;
use super::told::{DRIFT, INVENTORY, all_names, drifting, open_cases};

const NORTH: &str = "config/inventory/north.yaml";

/// The north pier with a slip in line 7.
fn broken() -> String {
    super::fleet::north_yaml(&["NP-01", "NP-02"]).replacen("where:", "wher:", 1)
}

#[test]
fn a_broken_inventory_is_told_once_and_the_last_good_one_stays_in_force_until_it_is_fixed() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let good = std::fs::read_to_string(fleet.path(NORTH)).expect("the file");
    let daemon = fleet.start();
    receiver.wait_for(1);
    fleet.write(NORTH, &broken());
    let refused = receiver.wait_for(2).remove(1);
    assert_eq!((refused.kind(), &refused.data()["state"]), (INVENTORY, &"refused".into()));
    let at = refused.data()["findings"][0]["at"].as_str().unwrap_or_default();
    assert!(at.starts_with("inventory/north.yaml:7:"), "{}", refused.body);
    for part in ["code", "message", "fix"] {
        assert!(refused.data()["findings"][0][part].as_str().is_some_and(|text| !text.is_empty()), "{}", refused.body);
    }
    // Looking again, and an event that changes nothing, tell nothing.
    signal(daemon.pid(), "HUP");
    receiver.still(&daemon, 2);
    fleet.write(NORTH, &broken());
    receiver.wait_for(2);
    // A report still counts, for the last good inventory.
    let report = commissioning(fleet.number(), "SP-01", "2020-03-03T09:00:00Z", OFFICER);
    fleet.rename_into("config/reports/SP-01.yaml", &report);
    let closed = receiver.wait_for(3).remove(2);
    assert_eq!(all_names(&closed), ["closed: SP-01"]);
    assert_eq!(closed.data()["totals"]["aligned"], 6, "NP-03 and NP-04 were not withdrawn");
    // An edit elsewhere waits until all is sound again.
    fleet.write("config/inventory/fleet.yaml", &fleet_yaml(NEW_OFFICER));
    daemon.comes_to_rest();
    assert!(receiver.heard().iter().skip(3).all(|got| got.kind() == INVENTORY), "drift by an unsound inventory");
    let before = receiver.heard().len();
    fleet.write(NORTH, &good);
    let after = receiver.wait_for(before + 2).split_off(before);
    let kinds: Vec<&str> = after.iter().map(|got| got.kind()).collect();
    assert_eq!(kinds, [INVENTORY, DRIFT], "{after:#?}");
    assert_eq!(after[0].data()["state"], "recovered");
    assert_eq!(after[1].data()["counts"]["opened"]["stations"], 5);
    assert_eq!(open_cases(&receiver.still(&daemon, before + 2)), drifting(&fleet.drift()));
}

#[test]
fn a_slip_that_is_fixed_before_it_has_stayed_is_not_told_and_one_that_stays_is() {
    const STAYS_S: u64 = 3;
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let config = std::fs::read_to_string(fleet.path("config/stationkeep.yaml")).expect("the configuration");
    fleet.write(
        "config/stationkeep.yaml",
        &config.replace("settle_broken_s: 0", &format!("settle_broken_s: {STAYS_S}")),
    );
    let good = std::fs::read_to_string(fleet.path(NORTH)).expect("the file");
    let daemon = fleet.start();
    receiver.wait_for(1);
    fleet.write(NORTH, &broken());
    daemon.comes_to_rest();
    fleet.write(NORTH, &good);
    daemon.comes_to_rest();
    std::thread::sleep(std::time::Duration::from_secs(STAYS_S + 1));
    assert_eq!(receiver.still(&daemon, 1).len(), 1, "neither the slip nor that it was fixed");
    // By itself, without a further event.
    let began = std::time::Instant::now();
    fleet.write(NORTH, &broken());
    let refused = receiver.wait_for(2).remove(1);
    assert_eq!((refused.kind(), &refused.data()["state"]), (INVENTORY, &"refused".into()));
    assert!(began.elapsed() >= std::time::Duration::from_secs(STAYS_S), "{:?}", began.elapsed());
    fleet.write(NORTH, &good);
    assert_eq!(receiver.wait_for(3)[2].data()["state"], "recovered");
}

#[test]
fn a_restart_beside_a_broken_inventory_keeps_the_last_good_one_and_tells_nothing_again() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let good = std::fs::read_to_string(fleet.path(NORTH)).expect("the file");
    let daemon = fleet.start();
    receiver.wait_for(1);
    fleet.write(NORTH, &broken());
    receiver.wait_for(2);
    assert_eq!(daemon.stop("TERM"), Some(0));
    let daemon = fleet.start();
    assert!(daemon.said().contains("6 stations"), "{}", daemon.said());
    receiver.wait_for(2);
    let report = commissioning(fleet.number(), "SP-01", "2020-03-03T09:00:00Z", OFFICER);
    fleet.rename_into("config/reports/SP-01.yaml", &report);
    assert_eq!(all_names(&receiver.wait_for(3)[2]), ["closed: SP-01"]);
    fleet.write(NORTH, &good);
    let recovered = receiver.still(&daemon, 4).remove(3);
    assert_eq!((recovered.kind(), &recovered.data()["state"]), (INVENTORY, &"recovered".into()));
}

#[test]
fn a_start_on_a_first_inventory_that_is_broken_says_so_and_takes_up_the_fixed_one() {
    let receiver = Receiver::start(SIGNING);
    let beats = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    fleet.write("config/secrets/pulse", &beats.url());
    let pulse = webhook("pulse").replace("name: pulse,", "name: pulse, kind: heartbeat, every_seconds: 5,");
    fleet.configure(100, &(webhook("on-call") + &pulse));
    let good = std::fs::read_to_string(fleet.path(NORTH)).expect("the file");
    fleet.write(NORTH, &broken());
    let daemon = fleet.start();
    assert!(
        daemon.said().contains("stationkeep check\"") && !daemon.said().contains("6 stations"),
        "{}",
        daemon.said()
    );
    let refused = receiver.wait_for(1).remove(0);
    assert_eq!(refused.kind(), INVENTORY);
    assert_eq!(refused.data()["in_force_since"], serde_json::Value::Null);
    // Whoever watches the watcher is not told that all is well while no station is watched.
    let at = address(&daemon);
    let problem = until("unready", || ask(at, "GET", "/readyz").filter(|answer| answer.status == 503)).problem();
    assert!(problem["detail"].as_str().is_some_and(|why| why.contains("no station is watched")), "{problem}");
    daemon.logs("no heartbeat");
    assert_eq!(beats.requests().len(), 0);
    fleet.write(NORTH, &good);
    beats.wait_for(1);
    assert_eq!(ask(at, "GET", "/readyz").map(|answer| answer.status), Some(200));
    let all = receiver.still(&daemon, 3);
    assert_eq!(all[1].data()["state"], "recovered");
    assert_eq!(all_names(&all[2]), ["opened: SP-01"]);
}

#[test]
fn a_broken_keybook_is_refused_as_a_broken_inventory_is() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    fleet.write(
        "config/keybooks/wren-1.yaml",
        &super::fleet::KEYBOOK.replace("keys: \"30{line.kind}\"", "keys: \"21\""),
    );
    let refused = receiver.wait_for(2).remove(1);
    assert_eq!(refused.kind(), INVENTORY);
    let at = refused.data()["findings"][0]["at"].as_str().unwrap_or_default();
    assert!(at.starts_with("keybooks/wren-1.yaml:"), "{}", refused.body);
    fleet.write("config/keybooks/wren-1.yaml", super::fleet::KEYBOOK);
    assert_eq!(receiver.still(&daemon, 3)[2].data()["state"], "recovered");
}

#[test]
fn an_edit_made_beside_a_file_that_cannot_be_read_comes_into_force_when_that_file_goes() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    // A link that leads nowhere is not text: the texts of the tree are the same with and without it.
    std::os::unix::fs::symlink("nowhere.yaml", fleet.path("config/inventory/extra.yaml")).expect("a link");
    assert_eq!(receiver.wait_for(2)[1].data()["state"], "refused");
    fleet.write("config/inventory/fleet.yaml", &fleet_yaml(NEW_OFFICER));
    daemon.passes(1);
    std::fs::remove_file(fleet.path("config/inventory/extra.yaml")).expect("it goes");
    let all = receiver.wait_for(4);
    assert_eq!(all[2].data()["state"], "recovered");
    assert_eq!(all[3].data()["counts"]["opened"]["stations"], 5);
}

#[test]
fn without_an_inventory_in_force_no_reminder_is_due_and_passes_are_as_rare_as_ever() {
    let receiver = Receiver::start(SIGNING);
    let mut fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    assert_eq!(daemon.stop("TERM"), Some(0));
    // As a newer version would find them that is stricter than the one that kept them.
    assert!(fleet.in_ledger("UPDATE good_files SET text = 'inventory: 2'") > 0);
    fleet.write(NORTH, &broken());
    fleet.environment.push(("STATIONKEEP_CLOCK".into(), "2100-01-01T00:00:00Z".into()));
    let daemon = fleet.start();
    assert_eq!(receiver.wait_for(2)[1].kind(), INVENTORY);
    let at = address(&daemon);
    let finished = || ask(at, "GET", "/healthz").and_then(|answer| answer.json()["passes"]["finished"].as_u64());
    let before = until("health", finished);
    // A second of nothing but time.
    std::thread::sleep(std::time::Duration::from_secs(1));
    let after = until("health", finished);
    assert!(after - before <= 2, "{} passes in a second", after - before);
    receiver.still(&daemon, 2);
}
