//! `check` before a commit: the work tree as edited, what is staged, and the commit in use; and the hook of `deploy/`, run by git.

use std::fs;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::Path;
use std::process::{Command, Output};

use super::program::Fleet;

/// The small fleet in a repository, with one commit on `main`. `source` is where the configuration takes the inventory from.
pub struct Clone {
    pub fleet: Fleet,
}

pub const FOLLOWED: &str = "inventory: {git: ., ref: main, folder: inventory}\n";
const IN_A_FOLDER: &str = "inventory: inventory\n";

impl Clone {
    pub fn new(source: &str) -> Clone {
        let clone = Clone { fleet: Fleet::below("clone") };
        clone.fleet.edit("stationkeep.yaml", "stationkeep: 1\n", &format!("stationkeep: 1\n{source}"));
        clone.fleet.write(".gitignore", "*.draft.yaml\n/secrets\n");
        clone.git(&["init", "--quiet", "--initial-branch=main"]);
        clone.git(&["add", "--all"]);
        clone.git(&["commit", "--quiet", "-m", "The fleet as it is"]);
        clone
    }

    fn try_git(&self, arguments: &[&str]) -> Output {
        let mut git = Command::new("git");
        git.arg("-C").arg(self.fleet.path("")).args(["-c", "user.name=Ops", "-c", "user.email=ops@gull.example"]);
        git.env("GIT_CONFIG_GLOBAL", "/dev/null").env("GIT_CONFIG_NOSYSTEM", "1");
        git.env("STATIONKEEP_CONFIG", "stationkeep.yaml").env("PATH", path_with_the_program());
        git.args(arguments).output().expect("git, which tests/run installs")
    }

    /// Runs git, which must succeed; what it printed.
    pub fn git(&self, arguments: &[&str]) -> String {
        let done = self.try_git(arguments);
        assert!(done.status.success(), "git {arguments:?}: {}", said(&done));
        String::from_utf8_lossy(&done.stdout).trim_end().to_owned()
    }

    /// The codes that a check ends in.
    fn codes(&self, more: &[&str]) -> Vec<String> {
        let findings = self.fleet.findings(more);
        findings.iter().map(|finding| finding["code"].as_str().expect("a code").to_owned()).collect()
    }

    pub fn break_it(&self) {
        self.fleet.edit("inventory/fleet.yaml", "{to: control-room}", "{to: contorl-room}");
    }

    pub fn fix_it(&self) {
        self.fleet.edit("inventory/fleet.yaml", "{to: contorl-room}", "{to: control-room}");
    }

    fn install_the_hook(&self) {
        let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy/commit/pre-commit");
        for name in ["pre-commit", "pre-merge-commit"] {
            let hook = self.fleet.path(".git/hooks").join(name);
            fs::copy(&from, &hook).expect("the hook");
            fs::set_permissions(hook, fs::Permissions::from_mode(0o755)).expect("it may run");
        }
    }

    fn commits(&self) -> usize {
        self.git(&["rev-list", "--count", "HEAD"]).parse().expect("a number")
    }
}

pub fn path_with_the_program() -> String {
    let program = Path::new(env!("CARGO_BIN_EXE_stationkeep")).parent().expect("a folder");
    format!("{}:{}", program.display(), std::env::var("PATH").expect("a PATH"))
}

fn said(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

#[test]
fn an_edit_in_the_work_tree_is_checked_before_anyone_commits_it_and_the_commit_in_use_on_demand() {
    let clone = Clone::new(FOLLOWED);
    assert_eq!(clone.codes(&[]), Vec::<String>::new());
    clone.break_it();
    assert_eq!(clone.codes(&[]), ["name-unknown"]);
    assert_eq!(clone.codes(&["--committed"]), Vec::<String>::new());
    assert_eq!(clone.codes(&["--staged"]), Vec::<String>::new());
    let edited = clone.fleet.run(&["check"]);
    assert_eq!(edited.err, "stationkeep: checked as edited; \"check --committed\" checks main, which is in use\n");
    let committed = clone.fleet.run(&["check", "--committed"]);
    assert!(committed.err.starts_with("stationkeep: the inventory is of commit "), "{committed:?}");
    clone.git(&["add", "--all"]);
    assert_eq!(clone.codes(&["--staged"]), ["name-unknown"]);
    // Fixed, but the fix is not staged: the commit would still hold the mistake.
    clone.fix_it();
    assert_eq!(clone.codes(&[]), Vec::<String>::new());
    assert_eq!(clone.codes(&["--staged"]), ["name-unknown"]);
}

#[test]
fn what_counts_as_edited_is_what_a_commit_of_everything_would_hold() {
    let clone = Clone::new(FOLLOWED);
    clone.fleet.write("inventory/north.draft.yaml", "nonsense: [\n");
    assert_eq!(clone.codes(&[]), Vec::<String>::new(), "ignored");
    clone
        .fleet
        .write("inventory/new/more.yaml", "inventory: 1\ncontacts: {harbour-office: {calls: \"+441632960109\"}}\n");
    assert_eq!(clone.codes(&[]), ["contact-unused"], "new, and not ignored");
    fs::remove_file(clone.fleet.path("inventory/new/more.yaml")).expect("it goes");
    fs::rename(clone.fleet.path("inventory/piers.yaml"), clone.fleet.path("inventory/quays.yaml")).expect("a new name");
    assert_eq!(clone.codes(&[]), Vec::<String>::new(), "renamed");
    symlink("../secrets/access", clone.fleet.path("inventory/link.yaml")).expect("a link");
    assert_eq!(clone.codes(&[]), ["file-unreadable"], "a commit holds the link, and no link of one is followed");
    fs::remove_file(clone.fleet.path("inventory/link.yaml")).expect("it goes");
    fs::remove_file(clone.fleet.path("inventory/quays.yaml")).expect("it goes");
    assert_eq!(clone.codes(&[]), ["inventory-empty"]);
    fs::remove_dir_all(clone.fleet.path("inventory")).expect("it goes");
    let findings = clone.fleet.findings(&[]);
    assert_eq!(findings[0]["code"], "repository-unread");
    assert!(findings[0]["message"].as_str().is_some_and(|text| text.contains("has no folder \"inventory\"")));
}

#[test]
fn paths_lead_to_findings_and_change_is_compared_with_a_revision() {
    let clone = Clone::new(FOLLOWED);
    clone.fleet.edit("inventory/fleet.yaml", "+441632960101", "+441632960109");
    clone.fleet.edit("inventory/piers.yaml", ", where: \"Berth 1\"", "");
    let change = clone.fleet.run(&["check", "--against", "HEAD", "--format", "json"]).json()["change"].clone();
    let names: Vec<&str> = change["stations"]
        .as_array()
        .expect("stations")
        .iter()
        .map(|s| s["station"].as_str().expect("a name"))
        .collect();
    assert_eq!(names, ["NP-01", "SP-01"]);
    assert_eq!(clone.codes(&["inventory/piers.yaml"]), ["where-missing"]);
    assert_eq!(clone.codes(&["inventory/fleet.yaml"]), Vec::<String>::new());
    let sarif = clone.fleet.run(&["check", "--format", "sarif"]).json();
    let uri = &sarif["runs"][0]["results"][0]["locations"][0]["physicalLocation"]["artifactLocation"]["uri"];
    assert_eq!(uri, "inventory/piers.yaml");
}

#[test]
fn a_plain_folder_has_no_commit_in_use_and_needs_a_repository_for_what_is_staged() {
    let fleet = Fleet::new();
    let done = fleet.run(&["check", "--committed"]);
    assert_eq!(done.code, Some(2), "{done:?}");
    assert!(done.err.contains("read from the folder \"inventory\", so no commit is in use. Leave out --committed."));
    let done = fleet.run(&["check", "--staged"]);
    assert_eq!(done.code, Some(2), "{done:?}");
    assert!(
        done.err.contains("what is staged cannot be read") && done.err.contains("is not a git repository"),
        "{done:?}"
    );
    // In a repository what is staged is known, though the daemon goes by the folder.
    let clone = Clone::new(IN_A_FOLDER);
    clone.fleet.edit("keybooks/wren.yaml", "title: Wren", "tilte: Wren");
    assert_eq!((clone.codes(&[]), clone.codes(&["--staged"])), (vec!["key-unknown".to_owned()], vec![]));
    clone.git(&["add", "--all"]);
    assert_eq!(clone.codes(&["--staged"]), ["key-unknown"]);
}

#[test]
fn a_file_in_the_middle_of_a_merge_is_told_once_and_not_read() {
    let clone = Clone::new(FOLLOWED);
    clone.git(&["checkout", "--quiet", "-b", "other"]);
    clone.fleet.edit("inventory/fleet.yaml", "Gull Rock", "Gull Isle");
    clone.git(&["commit", "--quiet", "-am", "Isle"]);
    clone.git(&["checkout", "--quiet", "main"]);
    clone.fleet.edit("inventory/fleet.yaml", "Gull Rock", "Gull Stone");
    clone.git(&["commit", "--quiet", "-am", "Stone"]);
    assert!(!clone.try_git(&["merge", "--quiet", "other"]).status.success());
    let findings = clone.fleet.findings(&["--staged"]);
    let merging = findings.iter().filter(|finding| finding["code"] == "file-unreadable").count();
    assert_eq!(merging, 1, "{findings:#?}");
    assert!(clone.codes(&[]).contains(&"yaml-syntax".to_owned()), "the marks of a merge are no YAML");
}

#[test]
fn the_hook_stops_a_commit_with_a_mistake_and_lets_the_fixed_one_through() {
    for source in [FOLLOWED, IN_A_FOLDER] {
        let clone = Clone::new(source);
        clone.install_the_hook();
        clone.break_it();
        clone.git(&["add", "--all"]);
        let stopped = clone.try_git(&["commit", "-m", "A slip"]);
        assert!(!stopped.status.success(), "{}", said(&stopped));
        assert!(said(&stopped).contains("inventory/fleet.yaml:10:60: error: "), "{}", said(&stopped));
        assert_eq!(clone.commits(), 1);
        // The fix lies in the work tree alone; then as the one file of a commit, which git makes from an index of its own.
        clone.fix_it();
        assert!(!clone.try_git(&["commit", "-m", "Not staged"]).status.success());
        clone.fleet.edit("inventory/fleet.yaml", "gate.seconds: 7", "gate.seconds: 8");
        clone.fleet.edit("inventory/piers.yaml", "{kind: pbx", "{knid: pbx");
        clone.git(&["add", "inventory/piers.yaml"]);
        clone.git(&["commit", "--quiet", "-m", "Eight seconds", "inventory/fleet.yaml"]);
        assert_eq!(clone.commits(), 2);
        assert!(!clone.try_git(&["commit", "-m", "The other file"]).status.success());
        // "commit --all" stages as it goes.
        clone.fleet.edit("inventory/piers.yaml", "{knid: pbx", "{kind: pbx");
        clone.fleet.edit("inventory/piers.yaml", "Berth 21", "Berth 22");
        clone.git(&["commit", "--quiet", "--all", "-m", "Moved"]);
        assert_eq!(clone.commits(), 3);
        // From a folder below, and in a second work tree of the same repository.
        clone.fleet.edit("inventory/piers.yaml", "Berth 22", "Berth 23");
        clone.git(&["-C", "inventory", "commit", "--quiet", "--all", "-m", "Moved on"]);
        assert_eq!(clone.commits(), 4);
        clone.git(&["worktree", "add", "--quiet", "-b", "side", "../side"]);
        let piers = clone.fleet.top().join("side/inventory/piers.yaml");
        let text = fs::read_to_string(&piers).expect("a file");
        fs::write(&piers, text.replace("{kind: pbx", "{knid: pbx")).expect("an edit");
        let stopped = clone.try_git(&["-C", "../side", "commit", "--all", "-m", "A slip"]);
        assert!(!stopped.status.success() && said(&stopped).contains("(key-unknown)"), "{}", said(&stopped));
        fs::write(&piers, text.replace("Berth 23", "Berth 24")).expect("an edit");
        clone.git(&["-C", "../side", "commit", "--quiet", "--all", "-m", "Moved again"]);
    }
}

#[test]
fn a_merge_of_two_branches_that_are_right_alone_and_wrong_together_is_stopped() {
    let clone = Clone::new(IN_A_FOLDER);
    clone.install_the_hook();
    clone.git(&["checkout", "--quiet", "-b", "other"]);
    let station = |name: &str| {
        let where_ = "where: \"Slip\", profiles: [pier], settings: {identity: \"77\"}";
        format!("inventory: 1\nstations: {{{name}: {{site: north-pier, number: \"+441632960177\", {where_}}}}}\n")
    };
    clone.fleet.write("inventory/other.yaml", station("NP-77"));
    clone.git(&["add", "--all"]);
    clone.git(&["commit", "--quiet", "-m", "One"]);
    clone.git(&["checkout", "--quiet", "main"]);
    clone.fleet.write("inventory/own.yaml", station("NP-78"));
    clone.git(&["add", "--all"]);
    clone.git(&["commit", "--quiet", "-m", "The other"]);
    let merged = clone.try_git(&["merge", "--no-edit", "other"]);
    assert!(!merged.status.success() && said(&merged).contains("(number-shared)"), "{}", said(&merged));
    assert_eq!(clone.commits(), 2);
}

#[test]
fn a_code_that_git_tracks_is_an_error_before_it_is_committed() {
    let clone = Clone::new(IN_A_FOLDER);
    clone.install_the_hook();
    clone.git(&["add", "--force", "secrets/access"]);
    assert_eq!(clone.codes(&[]), Vec::<String>::new());
    assert_eq!(clone.codes(&["--staged"]), ["code-tracked"]);
    let stopped = clone.try_git(&["commit", "-m", "A slip"]);
    let text = said(&stopped);
    assert!(
        !stopped.status.success() && text.contains("Git tracks \"secrets/access\", which holds a secret."),
        "{text}"
    );
    assert!(text.contains("Take it out (git rm --cached '") && !text.contains("410522"), "{text}");
    clone.git(&["rm", "--quiet", "--cached", "secrets/access"]);
    assert_eq!(clone.codes(&["--staged"]), Vec::<String>::new());
}

#[test]
fn a_warning_that_ends_a_watch_stops_a_commit_unless_it_is_there_already() {
    let clone = Clone::new(IN_A_FOLDER);
    clone.install_the_hook();
    clone.fleet.edit("inventory/fleet.yaml", "emergency.primary: {to: control-room}", "emergency.primary: null");
    let stopped = clone.try_git(&["commit", "--all", "-m", "A slip"]);
    assert!(!stopped.status.success(), "{}", said(&stopped));
    assert!(said(&stopped).contains("Nobody would notice if"), "{}", said(&stopped));
    clone.git(&["commit", "--quiet", "--no-verify", "--all", "-m", "So it is wanted"]);
    clone.fleet.edit("inventory/piers.yaml", "Berth 21", "Berth 22");
    clone.git(&["commit", "--quiet", "--all", "-m", "Moved"]);
    assert_eq!(clone.commits(), 3);
}

#[test]
fn what_is_staged_is_checked_with_the_configuration_that_is_staged_and_without_what_is_only_announced() {
    let clone = Clone::new(IN_A_FOLDER);
    let text = clone.fleet.read("stationkeep.yaml");
    clone.fleet.write("stationkeep.yaml", format!("{text}nonsense: 1\n"));
    clone.git(&["add", "stationkeep.yaml"]);
    clone.fleet.write("stationkeep.yaml", &text);
    assert_eq!((clone.codes(&[]), clone.codes(&["--staged"])), (vec![], vec!["key-unknown".to_owned()]));
    clone.git(&["add", "stationkeep.yaml"]);
    // Git knows the name, and the next commit does not hold it; an empty file that is staged it does hold.
    clone.fleet.write("inventory/later.yaml", "nonsense: [\n");
    clone.git(&["add", "--intent-to-add", "inventory/later.yaml"]);
    assert_eq!(clone.codes(&["--staged"]), Vec::<String>::new());
    clone.fleet.write("inventory/empty.yaml", "");
    clone.git(&["add", "inventory/empty.yaml"]);
    let findings = clone.fleet.findings(&["--staged"]);
    let places: Vec<&str> = findings.iter().filter_map(|one| one["place"]["file"].as_str()).collect();
    assert_eq!(places, ["inventory/empty.yaml"], "{findings:#?}");
}

#[test]
fn a_file_left_out_of_a_sparse_checkout_counts_as_it_is_committed() {
    let clone = Clone::new(FOLLOWED);
    let stations = || clone.fleet.run(&["check"]).out;
    let all = stations();
    assert!(all.starts_with("3 stations"), "{all}");
    clone.git(&["update-index", "--skip-worktree", "inventory/piers.yaml"]);
    fs::remove_file(clone.fleet.path("inventory/piers.yaml")).expect("it goes");
    assert_eq!(stations(), all);
}
