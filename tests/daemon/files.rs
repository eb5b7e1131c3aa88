//! How files change under the daemon: renames, links swapped, checkouts, folders gone and back, stations gone and back.

use std::fs;
use std::os::unix::fs::symlink;
use std::process::Command;
use std::time::Duration;

use super::fleet::{Fleet, NEW_OFFICER, OFFICER, SIGNING, commissioning, fleet_yaml, north_yaml};
use super::receiver::Receiver;
use super::told::{DRIFT, INVENTORY, all_names, drifting, names, open_cases};

const FLEET: &str = "config/inventory/fleet.yaml";
const NORTH: &str = "config/inventory/north.yaml";

#[test]
fn a_file_replaced_the_way_editors_do_is_one_alert_each_time() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let _daemon = fleet.start();
    receiver.wait_for(1);
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    receiver.wait_for(2);
    // The old file moved out of the way first, as some editors do, with what they leave lying about.
    fs::rename(fleet.path(FLEET), fleet.path("config/inventory/fleet.yaml~")).expect("a backup");
    fleet.write("config/inventory/.fleet.yaml.swp", "not: [yaml");
    fleet.write(FLEET, &fleet_yaml(OFFICER));
    let heard = receiver.still(3);
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
    let _daemon = fleet.start();
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
    assert_eq!(receiver.still(3)[2].data()["counts"]["closed"]["stations"], 5);
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
        let contact = format!("inventory: 1\ncontacts:\n  desk-{number}: {{extension: \"{number:04}\"}}\n");
        fleet.write(&format!("config/inventory/desks/{number}.yaml"), &contact);
    }
    git(&fleet, &["add", "config"]);
    git(&fleet, &["commit", "--quiet", "--message=as it is to be"]);
    git(&fleet, &["checkout", "--quiet", "main"]);
    let _daemon = fleet.start();
    receiver.wait_for(1);
    git(&fleet, &["checkout", "--quiet", "edit"]);
    let heard = receiver.wait_for(2);
    assert_eq!(heard[1].data()["counts"]["opened"]["stations"], 5);
    assert_eq!(heard[1].data()["cause"]["inventory"][0]["contact"], "duty-officer");
    git(&fleet, &["checkout", "--quiet", "main"]);
    let heard = receiver.still(3);
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
    std::thread::sleep(super::process::QUIET);
    assert_eq!(daemon.stop("TERM"), Some(0));
    let _daemon = fleet.start();
    std::thread::sleep(super::process::QUIET);
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
    // One with an open case.
    let without: String =
        south.lines().filter(|line| !line.contains("SP-01")).map(|line| format!("{line}\n")).collect();
    fleet.rename_into("config/inventory/south.yaml", &without);
    assert_eq!(all_names(&receiver.wait_for(3)[2]), ["withdrawn: SP-01"]);
    assert_eq!(daemon.stop("INT"), Some(0));
    let _daemon = fleet.start();
    receiver.wait_for(3);
    // NP-03 is as its reports left it: nothing to tell. The case of SP-01 is a new one.
    fleet.rename_into(NORTH, &north_yaml(&["NP-01", "NP-02", "NP-03", "NP-04"]));
    fleet.rename_into("config/inventory/south.yaml", &south);
    let heard = receiver.still(4);
    assert_eq!(all_names(&heard[3]), ["opened: SP-01"]);
    assert_eq!(heard[3].data()["totals"]["aligned"], 5);
    assert_eq!(open_cases(&heard), drifting(&fleet.drift()));
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
    std::thread::sleep(Duration::from_millis(3_000));
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    std::thread::sleep(Duration::from_millis(200));
    fleet.rename_into(FLEET, &fleet_yaml(OFFICER));
    std::thread::sleep(Duration::from_millis(3_000));
    assert_eq!(receiver.heard().len(), 1, "{:#?}", receiver.heard());
    fleet.write("SP-01.yaml", &commissioning(fleet.number(), "SP-01", "2020-03-03T09:00:00Z", OFFICER));
    // The ledger grows; before that makes a pass, files change that have yet to settle.
    fleet.run(&["report", "SP-01.yaml"]).ended(0);
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    std::thread::sleep(Duration::from_millis(1_300));
    fleet.rename_into(FLEET, &fleet_yaml(OFFICER));
    std::thread::sleep(Duration::from_millis(2_000));
    assert_eq!(all_names(&receiver.still(2)[1]), ["closed: SP-01"]);
}
