//! `check --fix`: what it writes, what it leaves, and that nothing else in a file moves.

use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::Path;
use std::process::Command;

use serde_json::Value as Json;

use super::program::{Done, Fleet};

/// Every YAML file of a fleet.
fn all(fleet: &Fleet) -> BTreeMap<&'static str, Vec<u8>> {
    let names = ["stationkeep.yaml", "inventory/fleet.yaml", "inventory/piers.yaml", "keybooks/wren.yaml"];
    names.map(|name| (name, fs::read(fleet.path(name)).expect("a file"))).into()
}

fn fix(fleet: &Fleet) -> Done {
    fleet.run(&["check", "--fix", "--write"])
}

/// Findings by what they are and in which line.
fn known(findings: &[Json]) -> Vec<(String, String, u64)> {
    let text = |value: &Json| value.as_str().expect("a text").to_owned();
    let one = |f: &Json| (text(&f["code"]), text(&f["place"]["file"]), f["place"]["line"].as_u64().expect("a line"));
    findings.iter().map(one).collect()
}

/// Mistakes that are fixed: what stands there, the mistake, and whether the keybook has it.
const FIXED: [(&str, &str, &str); 10] = [
    ("inventory/fleet.yaml", "\"+441632960101\"", "+441632960101"),
    ("inventory/fleet.yaml", "\"+441632960101\"", "\"+44 (0)1632 960101\""),
    ("inventory/fleet.yaml", "\"+441632960101\"", "\"+4401632960101\""),
    ("inventory/fleet.yaml", "\"4410\"", "4410"),
    ("inventory/fleet.yaml", "gate.seconds: 7", "gate.seconds: \"07\""),
    ("inventory/piers.yaml", "identity: \"11\"", "identity: 11"),
    ("inventory/piers.yaml", "identity: \"21\"", "identity: “21”"),
    ("inventory/piers.yaml", "\"+441632960112\"", "\"+44 1632 960112\""),
    ("keybooks/wren.yaml", "factory: \"0000\"", "factory: 0000"),
    ("keybooks/wren.yaml", "model: wren-1", "model:wren-1"),
];

/// Mistakes that only a person can settle.
const LEFT: [(&str, &str, &str); 6] = [
    ("inventory/fleet.yaml", "{to: control-room}", "{to: contorl-room}"),
    ("inventory/piers.yaml", "where: \"Berth 1\"", "whree: \"Berth 1\""),
    ("inventory/piers.yaml", "\"+441632960111\"", "\"01632 960111\""),
    ("inventory/piers.yaml", "identity: \"12\"", "identity: \"1l\""),
    ("inventory/piers.yaml", "country: GB}\n    stations:\n      SP", "country: UK}\n    stations:\n      SP"),
    // In quotes it would be the identity of NP-01 too.
    ("inventory/piers.yaml", "identity: \"12\"", "identity: 11"),
];

#[test]
fn what_is_fixed_is_gone_nothing_new_has_come_and_a_second_time_changes_nothing() {
    for (file, right, wrong) in FIXED {
        let fleet = Fleet::new();
        fleet.edit(file, right, wrong);
        let untouched = fleet.run(&["check", "--fix"]);
        assert_eq!(fleet.read(file).matches(wrong).count(), 1, "nothing is written unasked: {untouched:?}");
        assert!(untouched.out.contains("not written. To write without being asked, add --write."), "{untouched:?}");
        assert_eq!(untouched.code, Some(2), "{untouched:?}");
        let done = fix(&fleet);
        assert_eq!(done.code, Some(0), "{done:?}");
        assert!(done.out.contains(&format!("--- {file}\n+++ {file}, fixed\n")), "{done:?}");
        assert!(done.out.ends_with("1 fix in 1 file: written.\n\nNothing is left.\n"), "{done:?}");
        assert_eq!(fleet.findings(&[]), Vec::<Json>::new(), "{wrong}");
        let after = all(&fleet);
        let again = fix(&fleet);
        assert!(again.out.starts_with("No fix can be written without your decision."), "{again:?}");
        assert_eq!(all(&fleet), after);
    }
}

/// The same on a terminal, whose question is answered.
fn fix_on_a_terminal(fleet: &Fleet, answer: &str) -> Done {
    let python = std::env::var("STATIONKEEP_TEST_PYTHON").expect("tests/run sets STATIONKEEP_TEST_PYTHON");
    let asked = fleet.command(&["check", "--fix"]);
    let mut terminal = Command::new(python);
    terminal.arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/check/terminal.py")).arg(answer);
    terminal.arg(asked.get_program()).args(asked.get_args()).current_dir(fleet.path(""));
    for (name, value) in asked.get_envs() {
        match value {
            Some(value) => terminal.env(name, value),
            None => terminal.env_remove(name),
        };
    }
    let output = terminal.output().expect("Python");
    let text = |bytes: Vec<u8>| String::from_utf8_lossy(&bytes).into_owned();
    Done { code: output.status.code(), out: text(output.stdout), err: text(output.stderr) }
}

#[test]
fn on_a_terminal_it_shows_what_it_would_write_asks_and_writes_only_after_a_yes() {
    let (file, right, wrong) = FIXED[0];
    let fleet = Fleet::new();
    fleet.edit(file, right, wrong);
    let before = all(&fleet);
    for answer in ["n", "", "yes please"] {
        let done = fix_on_a_terminal(&fleet, answer);
        let (shown, asked) = (done.out.find("+++ "), done.out.find("Write 1 fix in 1 file? [y/N] "));
        assert!(shown.is_some() && shown < asked, "{answer:?}: {done:?}");
        assert_eq!((done.code, all(&fleet) == before), (Some(2), true), "{answer:?}: {done:?}");
    }
    let done = fix_on_a_terminal(&fleet, "y");
    assert!(done.code == Some(0) && done.out.contains("Nothing is left."), "{done:?}");
    assert_eq!(fleet.findings(&[]), Vec::<Json>::new());
}

#[test]
fn what_someone_may_have_meant_otherwise_is_left_and_said() {
    for (file, right, wrong) in LEFT {
        let fleet = Fleet::new();
        fleet.edit(file, right, wrong);
        let (before, findings) = (all(&fleet), fleet.findings(&[]));
        let done = fix(&fleet);
        assert_eq!(all(&fleet), before, "{wrong}: {done:?}");
        assert_eq!(done.code, Some(2), "{done:?}");
        let message = findings[0]["message"].as_str().expect("a message");
        assert!(done.out.contains(message) && done.out.contains("left for you to decide."), "{done:?}");
    }
}

#[test]
fn many_mistakes_at_once_are_fixed_but_for_those_that_are_left() {
    // Every pair of a mistake that is fixed and one that is not; where both are in one place there is only one.
    for (nth, (file, right, wrong)) in FIXED.into_iter().enumerate().take(8) {
        let (left_file, left_right, left_wrong) = LEFT[nth % LEFT.len()];
        let fleet = Fleet::new();
        fleet.edit(left_file, left_right, left_wrong);
        let left = known(&fleet.findings(&[]));
        if !fleet.read(file).contains(right) {
            continue;
        }
        fleet.edit(file, right, wrong);
        let done = fix(&fleet);
        assert_eq!(known(&fleet.findings(&[])), left, "{wrong} beside {left_wrong}: {done:?}");
        let after = all(&fleet);
        fix(&fleet);
        assert_eq!(all(&fleet), after);
    }
    let fleet = Fleet::new();
    for (file, right, wrong) in [FIXED[0], FIXED[3], FIXED[4], FIXED[5], FIXED[6], FIXED[7]] {
        fleet.edit(file, right, wrong);
    }
    let done = fix(&fleet);
    assert!(done.out.contains("6 fixes in 2 files: written."), "{done:?}");
    assert_eq!(fleet.findings(&[]), Vec::<Json>::new());
}

#[test]
fn comments_line_ends_byte_order_mark_and_permissions_stay_as_they_are() {
    let fleet = Fleet::new();
    let odd = "\u{feff}inventory: 1 # é\r\n\r\n# calls: 0121\r\ncontacts:\r\n  desk:   {calls: +441632960109}   # 0121  \r\n  \
               # end\r\nsites: {}";
    fleet.write("inventory/odd.yaml", odd);
    fs::set_permissions(fleet.path("inventory/odd.yaml"), fs::Permissions::from_mode(0o640)).expect("a mode");
    let done = fix(&fleet);
    assert!(done.out.contains("1 fix in 1 file: written."), "{done:?}");
    assert_eq!(fleet.read("inventory/odd.yaml"), odd.replace("+441632960109", "\"+441632960109\""));
    let mode = fs::metadata(fleet.path("inventory/odd.yaml")).expect("a file").permissions().mode();
    assert_eq!(mode & 0o7777, 0o640);
    assert_eq!(fs::read_dir(fleet.path("inventory")).expect("a folder").count(), 3, "no draft stays behind");
}

#[test]
fn a_file_behind_a_link_is_left_and_a_path_limits_what_is_written() {
    let fleet = Fleet::new();
    fleet.edit("inventory/fleet.yaml", "\"4410\"", "4410");
    fleet.edit("inventory/piers.yaml", "identity: \"11\"", "identity: 11");
    fs::rename(fleet.path("inventory/fleet.yaml"), fleet.path("elsewhere.yaml")).expect("it moves");
    symlink("../elsewhere.yaml", fleet.path("inventory/fleet.yaml")).expect("a link");
    let done = fleet.run(&["check", "--fix", "--write", "inventory/piers.yaml"]);
    assert!(done.out.contains("1 fix in 1 file: written."), "{done:?}");
    let before = fleet.read("elsewhere.yaml");
    let done = fix(&fleet);
    assert_eq!(done.code, Some(1), "{done:?}");
    assert!(
        done.err
            .contains("inventory/fleet.yaml is left as it is: it is reached through a symbolic link. Fix it by hand."),
        "{done:?}"
    );
    assert_eq!(fleet.read("elsewhere.yaml"), before);
    // A file by itself, with no configuration that leads to it.
    let done = fleet.run(&["check", "--fix", "--write", "elsewhere.yaml"]);
    assert!(done.out.contains("1 fix in 1 file: written."), "{done:?}");
    assert_eq!(fleet.findings(&[]), Vec::<Json>::new());
}

#[test]
fn a_code_that_someone_wrote_out_is_in_no_diff() {
    let fleet = Fleet::new();
    fleet.edit("inventory/piers.yaml", "settings: {identity: \"11\"}", "settings: {access: \"830417\", identity: 11}");
    let done = fleet.run(&["check", "--fix"]);
    assert!(done.out.contains("+      NP-01:") && !format!("{done:?}").contains("830417"), "{done:?}");
    let written = fix(&fleet);
    assert!(!format!("{written:?}").contains("830417"), "{written:?}");
    assert!(fleet.read("inventory/piers.yaml").contains("{access: \"830417\", identity: \"11\"}"));
}

#[test]
fn two_mistakes_that_each_end_the_reading_of_a_file_are_both_fixed() {
    let fleet = Fleet::new();
    let station = |name: &str, nth: u32| {
        format!(
            "  {name}:\n    site: north-pier\n    number: \"+44163296011{nth}\"\n    where: Quay {nth}: ladder\n    \
             profiles: [pier]\n    settings: {{identity: \"1{nth}\"}}\n"
        )
    };
    let text = format!("inventory: 1\nstations:\n{}{}", station("NP-03", 3), station("NP-04", 4));
    fleet.write("inventory/more.yaml", &text);
    let done = fix(&fleet);
    assert_eq!(done.code, Some(0), "{done:?}");
    let fixed = text.replace("Quay 3: ladder", "\"Quay 3: ladder\"").replace("Quay 4: ladder", "\"Quay 4: ladder\"");
    assert_eq!(fleet.read("inventory/more.yaml"), fixed);
}
