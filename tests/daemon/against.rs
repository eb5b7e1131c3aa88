//! `check --against` beside `drift`: what it foretells of an edit is what drift shows once the edit is there.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::process::Command;

use serde_json::Value;

use super::fleet::Fleet;
use super::sample::sample;

fn text(value: &Value, key: &str) -> String {
    value[key].as_str().unwrap_or_default().to_owned()
}

fn text_of(station: &Value) -> String {
    text(station, "station")
}

/// What is wanted and not known to be held: station, setting, wanted value.
fn open(drift: &Value) -> BTreeSet<(String, String, String)> {
    let stations = drift["stations"].as_array().expect("stations").iter();
    stations
        .flat_map(|station| {
            let settings = station["settings"].as_array().expect("settings").iter();
            settings.map(|s| (text(station, "station"), text(s, "setting"), s["wanted"].to_string()))
        })
        .collect()
}

#[test]
fn what_is_foretold_of_an_edit_is_what_drift_shows_afterwards() {
    let fleet = sample();
    let before = open(&fleet.run(&["drift", "--format", "json"]).ended(3).json());
    let old = fleet.path("old");
    super::sample::copy(&fleet.path("config"), &old);
    let path = "config/inventory/fleet.yaml";
    let edited = fs::read_to_string(fleet.path(path)).expect("a file").replace("+441632960101", "+441632960109");
    fleet.write(path, &edited);
    let old = old.display().to_string();
    let change = fleet.run(&["check", "--against", &old, "--format", "json"]).ended(0).json()["change"].clone();
    let foretold: BTreeSet<(String, String, String)> = change["stations"]
        .as_array()
        .expect("stations")
        .iter()
        .flat_map(|station| {
            let settings = station["settings"].as_array().expect("settings").iter();
            settings.map(|s| (text(station, "station"), text(s, "setting"), s["to"]["value"].to_string()))
        })
        .collect();
    let after = open(&fleet.run(&["drift", "--format", "json"]).ended(3).json());
    assert!(after.difference(&before).count() > 20);
    // A station that already holds the new number by accident would be the only difference; there is none.
    assert_eq!(foretold, after.difference(&before).cloned().collect());
    // What becomes of each standing is what drift shows of it.
    let standings = |args: &[&str]| -> BTreeMap<String, String> {
        let drift = fleet.run(args).ended(3).json();
        let stations = drift["stations"].as_array().expect("stations").iter();
        stations.map(|station| (text_of(station), text(station, "standing"))).collect()
    };
    let (now, told) = (standings(&["drift", "--all", "--format", "json"]), change["standings"].as_array());
    let told = told.expect("standings");
    assert!(!told.is_empty());
    for station in told {
        assert_eq!(text(station, "to"), now[&text_of(station)], "{station}");
        assert_ne!(station["from"], station["to"], "{station}");
    }
    let said = fleet.run(&["check", "--against", &old]).ended(0).out;
    assert!(said.contains("Standings that change at once, by the ledger:\n- "), "{said}");
    assert!(
        said.contains("control-room (9,01632960101) becomes control-room (9,01632960109), at 10 stations"),
        "{said}"
    );
}

/// An edit of every file in a folder of the sample.
fn edit_all(fleet: &Fleet, folder: &str, edit: impl Fn(&str) -> String) {
    for entry in fs::read_dir(fleet.path(folder)).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            continue;
        }
        fs::write(&path, edit(&fs::read_to_string(&path).expect("a file"))).expect("a file");
    }
}

/// Whom the button calls becomes an ordinary setting.
fn weighs_nothing(book: &str) -> String {
    let lines = book.lines().map(|line| match line.trim_start() {
        rest if rest.starts_with("emergency.primary:") => line.replace(", weight: lifeline", "") + "\n",
        rest if rest.starts_with("emergency:") => {
            line.replace("emergency.primary, ", "").replace(", emergency.primary", "") + "\n"
        }
        _ => format!("{line}\n"),
    });
    lines.collect()
}

/// A script of a station that is out: it was to call the coast intake, and then is not.
pub fn hand_out(fleet: &Fleet, (site, station): (&str, &str)) {
    let site = &format!("config/inventory/sites/{site}.yaml");
    let text = fs::read_to_string(fleet.path(site)).expect("a file");
    let line = text.lines().find(|line| line.trim_start().starts_with(&format!("{station}:"))).expect("a station");
    let called = line.replace("settings: {", "settings: {emergency.backup: {to: control-room}, ");
    fleet.write(site, &text.replace(line, &called));
    fleet.run(&["script", station]).ended(0);
    fleet.write(site, &text);
}

/// The texts of a list.
fn texts(list: &Value) -> BTreeSet<String> {
    list.as_array().expect("a list").iter().map(|text| text.as_str().unwrap_or_default().to_owned()).collect()
}

/// Every one of the named stations that is to be keyed is refused, and no other.
fn refused_are(fleet: &Fleet, names: &BTreeSet<String>, what: &str) {
    let list = fleet.run(&["script", "--all", "--format", "json"]).json();
    let mut held = list["held"].as_array().expect("held").iter().map(text_of);
    assert!(held.all(|name| names.contains(&name)), "{what}: {list}");
    let mut keyed = list["scripts"].as_array().expect("scripts").iter().map(text_of);
    assert!(keyed.all(|name| !names.contains(&name)), "{what}: {list}");
}

/// The release of a change names all that it lets go.
fn released_are(fleet: &Fleet, change: &str, foretold: &Value, what: &str) {
    fleet.run(&["release", change, "--by", "ops-2", "--why", "a try"]).ended(0);
    let exported = fleet.run(&["ledger", "export"]).ended(0).out;
    let release = exported.lines().find(|line| line.contains(change)).expect("the release");
    let release: Value = serde_json::from_str(release).expect("a line of the ledger");
    let names = texts(&foretold["names"]);
    let released = release["released"].as_array().expect("stations by what is released");
    let released: BTreeSet<String> = released.iter().flat_map(|some| texts(&some["stations"])).collect();
    let handed_out = foretold["handed_out"].as_u64().unwrap_or_default();
    assert_eq!(released.difference(&names).count() as u64, handed_out, "{what}");
    assert_eq!(released.len() as u64, foretold["altered"].as_u64().unwrap_or_default(), "{what}");
    assert!(names.is_subset(&released), "{what}");
}

#[test]
fn what_is_foretold_to_be_held_is_what_the_brake_then_holds() {
    type Edit = (&'static str, fn(&Fleet));
    let edits: [Edit; 5] = [
        ("another number", |fleet| {
            edit_all(fleet, "config/inventory", |text| text.replace("+441632960101", "+441632960109"))
        }),
        ("nobody looks", |fleet| {
            edit_all(fleet, "config/inventory", |text| {
                text.replace("emergency.primary: {to: control-room}", "emergency.primary: null")
            });
        }),
        ("it weighs nothing", |fleet| edit_all(fleet, "config/keybooks", weighs_nothing)),
        ("it weighs nothing and is another number", |fleet| {
            edit_all(fleet, "config/keybooks", weighs_nothing);
            edit_all(fleet, "config/inventory", |text| text.replace("+441632960101", "+441632960109"));
        }),
        ("a comment", |fleet| edit_all(fleet, "config/keybooks", |text| format!("{text}# A word.\n"))),
    ];
    for (what, edit) in edits {
        let fleet = sample();
        let old = fleet.path("old");
        super::sample::copy(&fleet.path("config"), &old);
        let old = old.display().to_string();
        // What a script that is out alters counts as well.
        hand_out(&fleet, ("east-quay", "EQ-02"));
        fleet.run(&["drift"]).ended(3);
        edit(&fleet);
        let check =
            || fleet.run(&["check", "--against", &old, "--format", "json"]).ended(0).json()["change"]["held"].clone();
        let foretold = check();
        let none = fleet.run(&["release", "0123456789abcdef", "--by", "ops-2", "--why", "a try"]).ended(1).err;
        // What is not looked at any more, or weighs less and is wanted still, is not altered.
        if !what.contains("another number") {
            assert!(foretold.is_null() && none.contains("nothing to release"), "{foretold} {none}");
            continue;
        }
        let (_, rest) = none.split_once("stationkeep release ").expect(&none);
        let change = rest.split_whitespace().next().expect("a digest");
        assert_eq!(check(), foretold, "{what}: held or not yet, it is the same");
        let said = fleet.run(&["check", "--against", &old]).ended(0).out;
        let sentence = format!(
            "Scripts would be held until \"stationkeep release\". Lifeline-critical settings would change at {} of the {} stations",
            foretold["altered"], foretold["on_record"]
        );
        assert!(said.contains(&sentence) && said.contains("That is by the ledger"), "{what}: {said}");
        refused_are(&fleet, &texts(&foretold["names"]), what);
        released_are(&fleet, change, &foretold, what);
        assert!(check().is_null(), "{what}");
    }
}

#[test]
fn without_a_ledger_all_stations_count_as_if_on_record_and_nothing_is_left_behind() {
    let fleet = sample();
    let old = fleet.path("old");
    super::sample::copy(&fleet.path("config"), &old);
    let old = old.display().to_string();
    edit_all(&fleet, "config/inventory", |text| text.replace("+441632960101", "+441632960109"));
    let said = fleet.run(&["check", "--against", &old]).ended(0).out;
    assert!(said.contains("of the 35 stations on record, more than"), "{said}");
    assert!(said.contains("more than 30 % (brake.share, stationkeep.yaml:"), "{said}");
    assert!(said.contains("There is no ledger of this version here, so all stations of"), "{said}");
    assert!(!fleet.path("var").exists(), "nothing is left behind");
}

#[test]
fn broken_files_on_either_side_are_told_and_nothing_is_compared() {
    let fleet = sample();
    let old = fleet.path("old");
    super::sample::copy(&fleet.path("config"), &old);
    let broken =
        fs::read_to_string(old.join("inventory/fleet.yaml")).expect("a file").replace("\"+441632960101\"", "12");
    fs::write(old.join("inventory/fleet.yaml"), broken).expect("a file");
    let old = old.display().to_string();
    let done = fleet.run(&["check", "--against", &old]).ended(2);
    assert!(done.err.contains("nothing can be compared with"), "{}", done.err);
    let nowhere = fleet.run(&["check", "--against", "no-such-folder"]).ended(1);
    assert!(nowhere.err.contains("no-such-folder"), "{}", nowhere.err);
    fleet.write("config/inventory/fleet.yaml", "inventory: 1\nfleet: [\n");
    let here = fleet.run(&["check", "--against", &old]).ended(2);
    assert!(here.out.contains("error") && !here.out.contains("Against"), "{}", here.out);
}

#[test]
fn a_folder_without_an_inventory_is_said_to_be_one_whatever_else_is_wrong_in_it() {
    let fleet = sample();
    fleet.write("other/notes.yaml", "a: [\n");
    std::os::unix::fs::symlink("/nowhere", fleet.path("other/a-link.yaml")).expect("a link");
    let other = fleet.path("other").display().to_string();
    let done = fleet.run(&["check", "--against", &other]).ended(2);
    let said = format!("stationkeep: {other} holds no inventory: no .yaml file there says \"inventory: 1\".");
    assert!(done.err.starts_with(&said) && done.err.lines().count() == 1, "{}", done.err);
}

#[test]
fn what_ends_the_watch_of_a_broken_button_and_what_a_rule_changes_is_said() {
    let fleet = sample();
    let old = fleet.path("old");
    super::sample::copy(&fleet.path("config"), &old);
    let old = old.display().to_string();
    fleet.run(&["drift"]).ended(3);
    let says = |file: &str, from: &str, to: &str, expected: &str| {
        let path = format!("config/{file}");
        let text = fs::read_to_string(fleet.path(&path)).expect("a file");
        assert!(text.contains(from), "{from}");
        fleet.write(&path, &text.replace(from, to));
        let said = fleet.run(&["check", "--against", &old]).ended(0).out;
        assert!(said.contains(expected), "{expected}: {said}");
        fleet.write(&path, &text);
    };
    let gone = "Nobody is alerted about it once it is gone.";
    says(
        "inventory/sites/hobskerry-causeway.yaml",
        "      HC-04:",
        "      # HC-04:",
        &format!("HC-04 is out-of-service: the red button calls nobody. {gone}"),
    );
    says(
        "inventory/sites/ferry-terminal.yaml",
        "      FT-03:",
        "      # FT-03:",
        &format!("FT-03 is out-of-service: the last test of the alarm button failed. {gone}"),
    );
    let aligned = "untested becomes aligned, at 2 stations: HC-05, NM-02";
    says("stationkeep.yaml", "require_tests: true", "require_tests: false", aligned);
    says("stationkeep.yaml", "reconfirm_days: 1825", "reconfirm_days: 30", "aligned becomes overdue, at 20 stations: ");
}

/// Runs git in the sample's folder; the git program is the reference here.
fn git(folder: &std::path::Path, args: &[&str]) -> String {
    let out = Command::new("git")
        .args(["-c", "user.name=Morag Sinclair", "-c", "user.email=morag@example.org"])
        .args(["-c", "commit.gpgsign=false", "-c", "core.hooksPath=/dev/null"])
        .args(args)
        .current_dir(folder)
        .output()
        .expect("the git program, which tests/run installs");
    assert!(out.status.success(), "git {args:?}: {}", String::from_utf8_lossy(&out.stderr));
    String::from_utf8_lossy(&out.stdout).trim().to_owned()
}

#[test]
fn a_revision_is_compared_as_its_checkout_would_be_keybooks_too_and_named_with_its_commit() {
    let fleet = sample();
    let config = fleet.path("config");
    git(&config, &["init", "--quiet"]);
    git(&config, &["add", "."]);
    git(&config, &["commit", "--quiet", "-m", "The fleet as it was"]);
    let id = git(&config, &["rev-parse", "HEAD"]);
    // One edit of the inventory and one of a keybook, neither committed.
    for (path, old, new) in [
        ("config/inventory/fleet.yaml", "+441632960101", "+441632960109"),
        ("config/keybooks/tern-2.yaml", "press_ms: 600", "press_ms: 900"),
    ] {
        let text = fs::read_to_string(fleet.path(path)).expect("a file");
        assert!(text.contains(old), "{path}");
        fleet.write(path, &text.replace(old, new));
    }
    let then = fleet.path("then");
    git(&config, &["worktree", "add", "--quiet", "--detach", &then.display().to_string(), "HEAD"]);
    let change = |what: &str| {
        let mut change = fleet.run(&["check", "--against", what, "--format", "json"]).ended(0).json()["change"].take();
        let against = change["against"].take();
        (against, change)
    };
    let (against, by_revision) = change("HEAD");
    let (_, by_checkout) = change(&then.display().to_string());
    assert_eq!(by_revision, by_checkout);
    assert!(by_revision["keying"]["stations"].as_u64() > Some(20), "{by_revision}");
    assert_eq!((&against["what"], &against["commit"]["id"]), (&"HEAD".into(), &id.clone().into()));
    assert_eq!(against["commit"]["subject"], "The fleet as it was");
    let said = fleet.run(&["check", "--against", "HEAD"]).ended(0).out;
    let line = format!("HEAD is {} (Morag Sinclair, ", &id[..10]);
    assert!(
        said.contains(&line)
            && said.contains(
                "Against HEAD: 25 stations would change, 6 stations would change in their description alone."
            ),
        "{said}"
    );
    let unknown = fleet.run(&["check", "--against", "no-such-branch"]).ended(1).err;
    assert!(unknown.contains("nothing can be compared with no-such-branch"), "{unknown}");
}
