//! `explain`: every layer that spoke, who won, who wrote the line, what is dialled and why, and which report proved it.
//! Who wrote a line is asked of the git program as well.

use std::process::Command;

use super::fleet::{Fleet, NEW_OFFICER, SIGNING, fleet_yaml, uuid};
use super::receiver::Receiver;

fn git(fleet: &Fleet, author: &str, arguments: &[&str]) -> String {
    let mut git = Command::new("git");
    git.arg("-C").arg(fleet.home()).args(["-c", &format!("user.name={author}"), "-c", "user.email=ops@ops.example"]);
    git.env("GIT_CONFIG_GLOBAL", "/dev/null").env("GIT_CONFIG_NOSYSTEM", "1");
    let done = git.args(arguments).output().expect("git, which tests/run installs");
    assert!(done.status.success(), "git {arguments:?}: {}", String::from_utf8_lossy(&done.stderr));
    String::from_utf8_lossy(&done.stdout).trim_end().to_owned()
}

fn explained(fleet: &Fleet, arguments: &[&str]) -> String {
    let done = fleet.run(&[&["explain"], arguments].concat()).ended(0);
    assert_eq!(done.err, "");
    done.out
}

/// Four layers that speak of one setting, a line whose site and station disagree, and a setting given up.
fn layered(fleet: &Fleet) {
    let profiles = "profiles:\n  pier: {model: wren-1, settings: {gate.seconds: 8}}\n  \
                    late: {settings: {gate.seconds: 9, assistance.primary: null}}\n";
    fleet.write(
        "config/inventory/fleet.yaml",
        &fleet_yaml(NEW_OFFICER).replace("profiles:\n  pier: {model: wren-1}\n", profiles),
    );
    let north = "inventory: 1\nsites:\n  north-pier:\n    line: {kind: pbx, outside: \"9,\", country: GB}\n    \
                 settings: {gate.seconds: 5, assistance.primary: {to: duty-officer}}\n    stations:\n      \
                 NP-01: {number: \"+441632960111\", where: \"Berth 11\", profiles: [pier, late],\n        \
                 line: {outside: \"8,\"}, settings: {identity: \"11\"}}\n";
    fleet.write("config/inventory/north.yaml", north);
}

#[test]
fn every_layer_is_shown_in_its_order_with_the_line_that_won() {
    let fleet = Fleet::new(&Receiver::refusing(SIGNING));
    // While every station of theirs is there, the reports are taken up.
    fleet.drift();
    layered(&fleet);
    let all = explained(&fleet, &["NP-01"]);
    assert!(
        all.contains("layers, the later wins: fleet, site north-pier, profile pier, profile late, station\n"),
        "{all}"
    );
    let gate = "  wanted     9\n  \
                overruled  fleet at inventory/fleet.yaml:10:17: 7\n  \
                overruled  site north-pier at inventory/north.yaml:5:30: 5\n  \
                overruled  profile pier at inventory/fleet.yaml:12:50: 8\n  \
                said by    profile late at inventory/fleet.yaml:13:35: 9\n  held       7, confirmed ";
    assert!(all.contains(gate), "{all}");
    let given_up = "  wanted     not managed\n  \
                    overruled  site north-pier at inventory/north.yaml:5:53: to duty-officer\n  \
                    said by    profile late at inventory/fleet.yaml:13:58: null, left alone\n";
    assert!(all.contains(given_up), "{all}");
    let dialled = "  contact    control-room at inventory/fleet.yaml:4:3: +441632960101\n  \
                   dialled    8, (to get an outside line) then 0 (the national prefix of GB) then 1632960101 (the national number)\n";
    assert!(all.contains(dialled), "{all}");
    let line = "line\n  said by    site north-pier at inventory/north.yaml:4:18: kind pbx\n  \
                overruled  site north-pier at inventory/north.yaml:4:32: outside 9,\n  \
                said by    site north-pier at inventory/north.yaml:4:47: country GB\n  \
                said by    station at inventory/north.yaml:8:25: outside 8,\n";
    assert!(all.contains(line), "{all}");
    let report = uuid(2);
    let service = format!("  service    tested, last test call 2020-03-02 09:00 UTC by report {report}\n");
    assert!(all.contains("lifeline emergency  (line.kind, emergency.primary)\n") && all.contains(&service), "{all}");
    assert!(!all.contains("  written "), "it is in no repository: {all}");
    let one = explained(&fleet, &["NP-01", "gate.seconds"]);
    assert!(one.contains(gate) && !one.contains("identity") && !one.contains("lifeline"), "{one}");
}

#[test]
fn in_a_work_tree_the_winning_line_has_an_author_or_is_not_committed() {
    let fleet = Fleet::new(&Receiver::refusing(SIGNING));
    git(&fleet, "Mòrag", &["init", "--quiet", "--initial-branch=main"]);
    git(&fleet, "Mòrag", &["add", "config/inventory", "config/keybooks"]);
    git(&fleet, "Mòrag", &["commit", "--quiet", "-m", "The fleet as it is"]);
    let first = git(&fleet, "", &["rev-parse", "HEAD"]);
    fleet.write("config/inventory/fleet.yaml", &fleet_yaml(NEW_OFFICER));
    git(&fleet, "Angus", &["commit", "--quiet", "-a", "-m", "A new number"]);
    let second = git(&fleet, "", &["rev-parse", "HEAD"]);
    let written = explained(&fleet, &["NP-01", "assistance.primary"]);
    let [of_line, of_contact] = [(&first, "north.yaml", 5), (&second, "fleet.yaml", 5)].map(|(commit, file, line)| {
        let path = format!("config/inventory/{file}");
        let blamed = git(&fleet, "", &["blame", "--porcelain", &format!("-L{line},{line}"), "--", &path]);
        assert!(blamed.starts_with(&**commit), "git's own word on {path}:{line}: {blamed}");
        let facts = git(&fleet, "", &["log", "-1", "--format=%an%x00%at%x00%s", commit]);
        let facts: Vec<&str> = facts.split('\0').collect();
        let at = jiff::Timestamp::from_second(facts[1].parse().expect("seconds")).expect("a time");
        let at = at.strftime("%Y-%m-%d %H:%M UTC");
        format!("  written    commit {} ({}, {at}: {})\n", &commit[..10], facts[0], facts[2])
    });
    let expected = format!(
        "  said by    site north-pier at inventory/north.yaml:5:36: to duty-officer\n{of_line}  \
         contact    duty-officer at inventory/fleet.yaml:5:3: {NEW_OFFICER}\n{of_contact}"
    );
    assert!(written.contains(&expected), "{written}\nexpected:\n{expected}");
    let edited = std::fs::read_to_string(fleet.path("config/inventory/fleet.yaml")).expect("the file");
    fleet.write("config/inventory/fleet.yaml", &edited.replace("gate.seconds: 7", "gate.seconds: 8"));
    let gate = explained(&fleet, &["NP-01", "gate.seconds"]);
    assert!(
        gate.contains("  said by    fleet at inventory/fleet.yaml:10:17: 8\n  written    not committed\n"),
        "{gate}"
    );
}

#[test]
fn where_git_cannot_tell_the_rest_is_told_all_the_same() {
    let mut fleet = Fleet::new(&Receiver::refusing(SIGNING));
    git(&fleet, "Mòrag", &["init", "--quiet"]);
    let fresh = explained(&fleet, &["NP-01", "gate.seconds"]);
    assert!(fresh.contains("  written    not committed\n"), "no commit yet: {fresh}");
    fleet.environment.push(("PATH".into(), "/no/such/folder".into()));
    let done = fleet.run(&["explain", "NP-01", "gate.seconds"]).ended(0);
    assert!(done.out.contains("said by") && !done.out.contains("written"), "{done:?}");
    assert!(done.err.contains("who wrote the lines cannot be told: the git program is not installed"), "{done:?}");
}
