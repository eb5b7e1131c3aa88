//! How files change under the daemon: renames, links swapped, checkouts, folders gone and back, stations gone and back.

use std::fs;
use std::os::unix::fs::symlink;
use std::process::Command;
use std::time::Duration;

use super::fleet::{Fleet, NEW_OFFICER, OFFICER, SIGNING, commissioning, fleet_yaml, north_yaml};
use super::process::until;
use super::receiver::{Got, Receiver};
use super::told::{DRIFT, INVENTORY, all_names, drifting, entry, names, open_cases};

const FLEET: &str = "config/inventory/fleet.yaml";
const NORTH: &str = "config/inventory/north.yaml";

#[test]
fn a_file_replaced_the_way_editors_do_is_one_alert_each_time() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    receiver.wait_for(2);
    // The old file moved out of the way first, as some editors do, with what they leave lying about.
    fs::rename(fleet.path(FLEET), fleet.path("config/inventory/fleet.yaml~")).expect("a backup");
    fleet.write("config/inventory/.fleet.yaml.swp", "not: [yaml");
    fleet.write(FLEET, &fleet_yaml(OFFICER));
    let heard = receiver.still(&daemon, 3);
    assert_eq!(heard[2].data()["counts"]["closed"]["stations"], 5);
    assert_eq!(open_cases(&heard), drifting(&fleet.drift()));
}

#[test]
fn a_folder_swapped_by_its_link_is_one_alert() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    fs::create_dir_all(fleet.path("releases/1")).expect("a folder");
    fs::rename(fleet.path("config/inventory"), fleet.path("releases/1/inventory")).expect("it moves");
    symlink("releases/1", fleet.path("current")).expect("a link");
    symlink("../current/inventory", fleet.path("config/inventory")).expect("a link");
    let daemon = fleet.start();
    receiver.wait_for(1);
    for name in ["north.yaml", "south.yaml"] {
        let text = fs::read_to_string(fleet.path("releases/1/inventory").join(name)).expect("a file");
        fleet.write(&format!("releases/2/inventory/{name}"), &text);
    }
    fleet.write("releases/2/inventory/fleet.yaml", &fleet_yaml(NEW_OFFICER));
    symlink("releases/2", fleet.path("next")).expect("a link");
    fs::rename(fleet.path("next"), fleet.path("current")).expect("the swap");
    let heard = receiver.wait_for(2);
    assert_eq!(heard[1].data()["counts"]["opened"]["stations"], 5);
    // And what lies behind the new link is watched.
    fleet.rename_into("releases/2/inventory/fleet.yaml", &fleet_yaml(OFFICER));
    assert_eq!(receiver.still(&daemon, 3)[2].data()["counts"]["closed"]["stations"], 5);
}

fn git(fleet: &Fleet, arguments: &[&str]) {
    let mut git = Command::new("git");
    git.arg("-C").arg(fleet.home()).args(["-c", "user.name=ops", "-c", "user.email=ops@example.org"]);
    git.env("GIT_CONFIG_GLOBAL", "/dev/null").env("GIT_CONFIG_NOSYSTEM", "1");
    let done = git.args(arguments).output().expect("git");
    assert!(done.status.success(), "{arguments:?}: {done:?}");
}

#[test]
fn a_checkout_of_many_files_is_one_alert() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    git(&fleet, &["init", "--quiet", "--initial-branch=main"]);
    git(&fleet, &["add", "config"]);
    git(&fleet, &["commit", "--quiet", "--message=as it was"]);
    git(&fleet, &["checkout", "--quiet", "-b", "edit"]);
    fleet.write(FLEET, &fleet_yaml(NEW_OFFICER));
    for number in 0..300 {
        let contact = format!("inventory: 1\ncontacts:\n  intake-{number}: {{extension: \"{number:04}\"}}\n");
        fleet.write(&format!("config/inventory/desks/{number}.yaml"), &contact);
    }
    git(&fleet, &["add", "config"]);
    git(&fleet, &["commit", "--quiet", "--message=as it is to be"]);
    git(&fleet, &["checkout", "--quiet", "main"]);
    let daemon = fleet.start();
    receiver.wait_for(1);
    git(&fleet, &["checkout", "--quiet", "edit"]);
    let heard = receiver.wait_for(2);
    assert_eq!(heard[1].data()["counts"]["opened"]["stations"], 5);
    assert_eq!(heard[1].data()["cause"]["inventory"][0]["contact"], "duty-officer");
    git(&fleet, &["checkout", "--quiet", "main"]);
    let heard = receiver.still(&daemon, 3);
    assert_eq!(heard[2].data()["counts"]["closed"]["stations"], 5);
}

#[test]
fn an_inventory_folder_that_goes_withdraws_no_station_and_its_return_is_seen() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    fs::rename(fleet.path("config/inventory"), fleet.path("config/elsewhere")).expect("it goes");
    assert_eq!(receiver.wait_for(2)[1].data()["state"], "refused");
    // Neither an empty folder nor a restart makes it a withdrawal of all.
    fs::create_dir(fleet.path("config/inventory")).expect("an empty folder");
    super::process::signal(daemon.pid(), "HUP");
    daemon.passes(1);
    assert_eq!(daemon.stop("TERM"), Some(0));
    let daemon = fleet.start();
    daemon.comes_to_rest();
    let heard = receiver.heard();
    assert!(heard.iter().skip(1).all(|got| got.kind() == INVENTORY), "{heard:#?}");
    let before = heard.len();
    fs::remove_dir(fleet.path("config/inventory")).expect("it goes");
    fs::rename(fleet.path("config/elsewhere"), fleet.path("config/inventory")).expect("it comes back");
    fleet.write(FLEET, &fleet_yaml(NEW_OFFICER));
    super::process::until("the edit", || receiver.heard().into_iter().skip(before).find(|got| got.kind() == DRIFT));
    let heard = receiver.heard();
    assert_eq!(heard.last().map(|got| got.data()["counts"]["opened"]["stations"].clone()), Some(5.into()));
    assert!(heard.iter().all(|got| names(got, "withdrawn").is_empty()), "{heard:#?}");
    let recovered = heard.iter().rfind(|got| got.kind() == INVENTORY);
    assert_eq!(recovered.map(|got| got.data()["state"].clone()), Some("recovered".into()));
}

#[test]
fn a_station_that_goes_is_withdrawn_once_and_comes_back_with_its_record() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let south = fs::read_to_string(fleet.path("config/inventory/south.yaml")).expect("a file");
    let daemon = fleet.start();
    receiver.wait_for(1);
    fleet.rename_into(NORTH, &north_yaml(&["NP-01", "NP-02", "NP-04"]));
    let withdrawn = receiver.wait_for(2).remove(1);
    assert_eq!(all_names(&withdrawn), ["withdrawn: NP-03"]);
    let gone = &withdrawn.data()["withdrawn"][0];
    assert_eq!((&gone["site"], &gone["where"]), (&"north-pier".into(), &"Berth 13".into()));
    assert_eq!((&gone["file"], &gone["weight"]), (&"inventory/north.yaml".into(), &"lifeline".into()));
    // One with an open case.
    let without: String =
        south.lines().filter(|line| !line.contains("SP-01")).map(|line| format!("{line}\n")).collect();
    fleet.rename_into("config/inventory/south.yaml", &without);
    assert_eq!(all_names(&receiver.wait_for(3)[2]), ["withdrawn: SP-01"]);
    assert_eq!(daemon.stop("INT"), Some(0));
    let daemon = fleet.start();
    receiver.wait_for(3);
    // NP-03 is as its reports left it. Both are there again, and the case of SP-01 goes on.
    fleet.rename_into(NORTH, &north_yaml(&["NP-01", "NP-02", "NP-03", "NP-04"]));
    fleet.rename_into("config/inventory/south.yaml", &south);
    let back = until("both told", || Some(receiver.heard()).filter(|heard| told(heard).len() == 2));
    assert_eq!(told(&back), ["returned: NP-03", "returned: SP-01"]);
    let heard = receiver.still(&daemon, back.len());
    let case = entry(&heard[0], "opened", "SP-01");
    let again = heard[3..].iter().map(|got| entry(got, "returned", "SP-01")).find(|entry| !entry.is_null());
    assert_eq!(again.map(|again| &again["since"]), Some(&case["since"]));
    assert_eq!(heard[heard.len() - 1].data()["totals"]["aligned"], 5);
    assert_eq!(open_cases(&heard), drifting(&fleet.drift()));
}

/// The stations that are told after the third message.
fn told(heard: &[Got]) -> Vec<String> {
    let mut all: Vec<String> = heard.iter().skip(3).flat_map(all_names).collect();
    all.sort();
    all
}

#[test]
fn what_is_taken_out_of_management_is_told_by_its_line_and_never_as_aligned_across_a_restart_too() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    let nobody = fleet_yaml(OFFICER).replace("emergency.primary: {to: control-room}", "emergency.primary: null");
    fleet.rename_into(FLEET, &nobody);
    // SP-02 has a line of its own; the case of SP-01 had this setting in it.
    let told = receiver.still(&daemon, 2).remove(1);
    let names = ["NP-01", "NP-02", "NP-03", "NP-04", "SP-01"].map(|name| format!("unwatched: {name}"));
    let mut all = all_names(&told);
    all.sort();
    assert_eq!(all, names);
    let at =
        format!("inventory/fleet.yaml:{}:", 1 + nobody.lines().position(|line| line.contains("null")).expect("it"));
    let lost = &entry(&told, "unwatched", "SP-01")["unwatched"][0];
    assert!(lost["at"].as_str().is_some_and(|place| place.starts_with(&at)), "{lost} is not {at}");
    assert_eq!(entry(&told, "unwatched", "NP-01")["standing"], serde_json::Value::Null);
    assert_eq!(open_cases(&receiver.heard()), drifting(&fleet.drift()));
    assert_eq!(daemon.stop("INT"), Some(0));
    let daemon = fleet.start();
    assert_eq!(receiver.still(&daemon, 2).len(), 2, "told once");
    assert_eq!(daemon.stop("INT"), Some(0));
    // Managed again while nobody looks.
    fleet.rename_into(FLEET, &fleet_yaml(OFFICER));
    let daemon = fleet.start();
    let again = receiver.still(&daemon, 3).remove(2);
    let told = ["NP-01", "NP-02", "NP-03", "NP-04"].map(|name| format!("watched: {name}"));
    let mut all = all_names(&again);
    all.retain(|name| !name.ends_with("SP-01"));
    all.sort();
    assert_eq!(all, told);
    assert_eq!(open_cases(&receiver.heard()), drifting(&fleet.drift()));
}

#[test]
fn an_edit_taken_back_within_the_settle_time_is_silent_whatever_else_comes() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    fleet.configure(2_500, &super::fleet::webhook("on-call"));
    daemon.logs("the configuration changed");
    // The files of the start have settled by then.
    daemon.passes(1);
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    // Well within the settle time, and long enough to be two events.
    std::thread::sleep(Duration::from_millis(200));
    fleet.rename_into(FLEET, &fleet_yaml(OFFICER));
    daemon.passes(1);
    daemon.delivers_all();
    assert_eq!(receiver.heard().len(), 1, "{:#?}", receiver.heard());
    fleet.write("SP-01.yaml", &commissioning(fleet.number(), "SP-01", "2020-03-03T09:00:00Z", OFFICER));
    // The ledger grows; before that makes a pass, files change that have yet to settle.
    fleet.run(&["report", "SP-01.yaml"]).ended(0);
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    receiver.wait_for(2);
    fleet.rename_into(FLEET, &fleet_yaml(OFFICER));
    daemon.passes(1);
    daemon.delivers_all();
    assert_eq!(receiver.heard().len(), 2, "{:#?}", receiver.heard());
    assert_eq!(all_names(&receiver.heard()[1]), ["closed: SP-01"]);
}
