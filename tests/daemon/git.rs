//! The inventory in a git repository: followed from commit to commit, refused when it cannot be read, named in everything
//! that is told. The git program itself makes the repositories and says what is in them.

use std::fs;
use std::process::Command;

use serde_json::Value;

use super::fleet::{CODE, Fleet, NEW_OFFICER, OFFICER, SIGNING, configuration, fleet_yaml, north_yaml, webhook};
use super::process::{signal, until};
use super::receiver::{Got, Receiver};
use super::told::{DRIFT, INVENTORY, all_names, drifting, open_cases};

const NORTH: [&str; 4] = ["NP-01", "NP-02", "NP-03", "NP-04"];

/// A fleet whose inventory the ops team commits in `ops/` and pushes to the bare repository `fleet.git`.
struct Ops {
    fleet: Fleet,
}

impl Ops {
    fn new(receiver: &Receiver) -> Ops {
        let fleet = Fleet::new(receiver);
        fs::create_dir(fleet.path("ops")).expect("a folder");
        fs::rename(fleet.path("config/inventory"), fleet.path("ops/inventory")).expect("it moves");
        let ops = Ops { fleet };
        ops.git(&["init", "--quiet", "--initial-branch=main"]);
        ops.git(&["init", "--quiet", "--bare", "--initial-branch=main", "../fleet.git"]);
        ops.follow("../fleet.git");
        ops.push("First");
        ops
    }

    fn follow(&self, repository: &str) {
        let source = format!("inventory: {{git: {repository}, ref: main, folder: inventory}}");
        let text = configuration(100, &webhook("on-call")).replace("inventory: inventory", &source);
        self.fleet.rename_into("config/stationkeep.yaml", &text);
    }

    /// Runs git in the work tree, which must succeed.
    fn git(&self, arguments: &[&str]) -> String {
        let mut git = Command::new("git");
        git.arg("-C").arg(self.fleet.path("ops")).args(["-c", "user.name=Mòrag", "-c", "user.email=m@ops.example"]);
        git.env("GIT_CONFIG_GLOBAL", "/dev/null").env("GIT_CONFIG_NOSYSTEM", "1");
        let done = git.args(arguments).output().expect("git, which tests/run installs");
        assert!(done.status.success(), "git {arguments:?}: {}", String::from_utf8_lossy(&done.stderr));
        String::from_utf8_lossy(&done.stdout).trim_end().to_owned()
    }

    /// Commits all as it lies there; its id.
    fn commit(&self, message: &str) -> String {
        self.git(&["add", "--all"]);
        self.git(&["commit", "--quiet", "--allow-empty", "-m", message]);
        self.git(&["rev-parse", "HEAD"])
    }

    fn push(&self, message: &str) -> String {
        let id = self.commit(message);
        self.git(&["push", "--quiet", "../fleet.git", "main"]);
        id
    }

    fn officer(&self, number: &str) {
        self.fleet.write("ops/inventory/fleet.yaml", &fleet_yaml(number));
    }

    /// What git says of a commit, in the form of our JSON.
    fn told_by_git(&self, id: &str) -> Value {
        let fields = self.git(&["log", "-1", "--format=%H%x00%an%x00%at%x00%s", id]);
        let fields: Vec<&str> = fields.split('\0').collect();
        let at: i64 = fields[2].parse().expect("seconds");
        let at = jiff::Timestamp::from_second(at).expect("a time").to_string();
        serde_json::json!({ "id": fields[0], "author": fields[1], "at": at, "subject": fields[3] })
    }
}

fn refused(got: &Got, state: &str) {
    assert_eq!((got.kind(), &got.data()["state"]), (INVENTORY, &Value::from(state)), "{}", got.body);
}

#[test]
fn every_commit_is_followed_and_alert_drift_and_script_name_it() {
    let receiver = Receiver::start(SIGNING);
    let ops = Ops::new(&receiver);
    let daemon = ops.fleet.start();
    assert!(daemon.said().contains("inventory in main of "), "{}", daemon.said());
    receiver.wait_for(1);
    let first = ops.git(&["rev-parse", "HEAD"]);
    ops.officer(NEW_OFFICER);
    let second = ops.push("The duty officer has a new number");
    let told = receiver.wait_for(2).remove(1);
    assert_eq!(told.data()["counts"]["opened"]["stations"], 5);
    let mut expected = ops.told_by_git(&second);
    assert_eq!(told.data()["commit"], expected);
    expected["before"] = first.as_str().into();
    expected["rewritten"] = false.into();
    assert_eq!(told.data()["cause"]["commit"], expected);
    let summary = told.data()["summary"].as_str().expect("a summary");
    let named = format!("Commit {} (Mòrag, ", &second[..10]);
    assert!(
        summary.contains(&named) && summary.contains(": The duty officer has a new number) is in use."),
        "{summary}"
    );
    let drift = ops.fleet.run(&["drift", "--format", "json"]).ended(3).json();
    assert_eq!(drift["commit"], ops.told_by_git(&second));
    let at = drift["stations"][0]["settings"][0]["wanted_at"].as_str().expect("a place");
    assert!(at.starts_with("inventory/"), "{at}");
    let text = ops.fleet.run(&["drift", "NP-01"]).ended(3);
    assert!(text.err.contains(&format!("wanted as of commit {} (Mòrag, ", &second[..10])), "{text:?}");
    let card = ops.fleet.run(&["script", "NP-01"]).ended(0);
    assert!(card.out.contains(&format!("Wanted as of commit {} (Mòrag, ", &second[..10])), "{card:?}");
    let script = ops.fleet.run(&["script", "NP-01", "--format", "json"]).ended(0).json();
    assert_eq!(script["commit"], ops.told_by_git(&second));
    let explained = ops.fleet.run(&["explain", "NP-01", "assistance.primary"]).ended(0);
    let written = format!("{NEW_OFFICER}\n  written    commit {} (Mòrag, ", &second[..10]);
    assert!(explained.out.contains(&written), "{explained:?}");
    // The old number again, by force: the commit in between is gone from the branch.
    ops.git(&["reset", "--quiet", "--hard", &first]);
    let third = ops.commit("Another way");
    ops.git(&["push", "--quiet", "--force", "../fleet.git", "main"]);
    let closed = receiver.wait_for(3).remove(2);
    let cause = &closed.data()["cause"]["commit"];
    assert_eq!((&cause["id"], &cause["before"], &cause["rewritten"]), (&third.into(), &second.into(), &true.into()));
    daemon.logs("not in the history");
    assert_eq!(open_cases(&receiver.still(&daemon, 3)), drifting(&ops.fleet.drift()));
}

#[test]
fn a_commit_that_does_not_check_is_refused_by_its_name_and_the_next_one_recovers() {
    let receiver = Receiver::start(SIGNING);
    let ops = Ops::new(&receiver);
    let daemon = ops.fleet.start();
    receiver.wait_for(1);
    let good = ops.git(&["rev-parse", "HEAD"]);
    ops.fleet.write("ops/inventory/north.yaml", &north_yaml(&NORTH[..2]).replacen("where:", "wher:", 1));
    let bad = ops.push("A slip");
    let told = receiver.wait_for(2).remove(1);
    refused(&told, "refused");
    assert_eq!(told.data()["commit"], ops.told_by_git(&bad));
    assert_eq!(told.data()["in_force_commit"]["id"], good.as_str());
    let at = told.data()["findings"][0]["at"].as_str().expect("a place");
    assert!(at.starts_with("inventory/north.yaml:7:"), "{at}");
    let check = ops.fleet.run(&["check"]).ended(2);
    assert!(
        check.out.contains("inventory/north.yaml:7:") && check.out.contains("{number:"),
        "with its line: {check:?}"
    );
    assert!(check.err.contains(&bad[..10]), "{check:?}");
    assert_eq!(ops.fleet.drift()["commit"]["id"], good.as_str(), "drift goes by the last good one");
    ops.fleet.write("ops/inventory/north.yaml", &north_yaml(&NORTH));
    let fixed = ops.push("Fixed");
    let told = receiver.wait_for(3).remove(2);
    refused(&told, "recovered");
    assert_eq!(told.data()["commit"]["id"], fixed.as_str());
    receiver.still(&daemon, 3);
}

#[test]
fn a_deleted_branch_withdraws_nothing_not_even_across_a_restart_and_its_return_is_told() {
    let receiver = Receiver::start(SIGNING);
    let ops = Ops::new(&receiver);
    let daemon = ops.fleet.start();
    receiver.wait_for(1);
    let good = ops.git(&["rev-parse", "HEAD"]);
    ops.git(&["push", "--quiet", "../fleet.git", "main:release"]);
    ops.git(&["--git-dir=../fleet.git", "update-ref", "-d", "refs/heads/main"]);
    let told = receiver.wait_for(2).remove(1);
    refused(&told, "refused");
    assert_eq!(told.data()["findings"][0]["code"], "repository-unread", "{}", told.body);
    assert!(told.data()["findings"][0]["fix"].as_str().is_some_and(|fix| fix.contains("release")), "{}", told.body);
    assert_eq!(daemon.stop("TERM"), Some(0));
    let daemon = ops.fleet.start();
    assert!(daemon.said().contains("6 stations"), "{}", daemon.said());
    receiver.still(&daemon, 2);
    let drift = ops.fleet.run(&["drift"]).ended(2);
    assert!(drift.err.contains(&good[..10]) && drift.err.contains("no branch, tag or commit \"main\""), "{drift:?}");
    ops.officer(NEW_OFFICER);
    ops.push("Back");
    let told = receiver.wait_for(4);
    refused(&told[2], "recovered");
    assert_eq!((told[3].kind(), &told[3].data()["counts"]["opened"]["stations"]), (DRIFT, &5.into()));
    assert_eq!(told[3].data()["cause"]["commit"]["before"], good.as_str(), "known across the restart");
}

#[test]
fn a_repository_moved_away_is_refused_and_heard_when_it_is_back() {
    let receiver = Receiver::start(SIGNING);
    let ops = Ops::new(&receiver);
    let daemon = ops.fleet.start();
    receiver.wait_for(1);
    for round in 0..2 {
        fs::rename(ops.fleet.path("fleet.git"), ops.fleet.path("elsewhere")).expect("it moves");
        refused(&receiver.wait_for(2 + 2 * round)[1 + 2 * round], "refused");
        fs::rename(ops.fleet.path("elsewhere"), ops.fleet.path("fleet.git")).expect("it moves back");
        refused(&receiver.wait_for(3 + 2 * round)[2 + 2 * round], "recovered");
    }
    ops.officer(NEW_OFFICER);
    ops.push("Still followed");
    assert_eq!(receiver.still(&daemon, 6)[5].data()["counts"]["opened"]["stations"], 5);
}

#[test]
fn packing_and_collecting_tell_nothing_and_the_next_commit_is_heard() {
    let receiver = Receiver::start(SIGNING);
    let ops = Ops::new(&receiver);
    let daemon = ops.fleet.start();
    receiver.wait_for(1);
    ops.git(&["--git-dir=../fleet.git", "pack-refs", "--all"]);
    ops.git(&["--git-dir=../fleet.git", "gc", "--quiet", "--prune=now"]);
    receiver.still(&daemon, 1);
    ops.officer(NEW_OFFICER);
    ops.push("After packing");
    assert_eq!(receiver.wait_for(2)[1].data()["counts"]["opened"]["stations"], 5);
    ops.officer(OFFICER);
    ops.commit("Packed at once");
    ops.git(&["push", "--quiet", "../fleet.git", "main"]);
    ops.git(&["--git-dir=../fleet.git", "pack-refs", "--all"]);
    assert_eq!(receiver.still(&daemon, 3)[2].data()["counts"]["closed"]["stations"], 5);
}

#[test]
fn ten_commits_in_quick_succession_end_at_the_last_one() {
    let receiver = Receiver::start(SIGNING);
    let ops = Ops::new(&receiver);
    let daemon = ops.fleet.start();
    receiver.wait_for(1);
    let mut last = String::new();
    for round in 0..10 {
        ops.officer(&format!("+44770090018{round}"));
        last = ops.push(&format!("Number {round}"));
    }
    let is_last = |got: &Got| got.data()["commit"]["id"] == last.as_str();
    let heard = until("the last commit", || Some(receiver.heard()).filter(|heard| heard.last().is_some_and(is_last)));
    let heard = receiver.still(&daemon, heard.len());
    assert_eq!(open_cases(&heard), drifting(&ops.fleet.drift()));
}

#[test]
fn an_edit_in_a_work_tree_counts_once_it_is_committed() {
    let receiver = Receiver::start(SIGNING);
    let ops = Ops::new(&receiver);
    ops.follow("../ops");
    let daemon = ops.fleet.start();
    receiver.wait_for(1);
    ops.officer(NEW_OFFICER);
    fs::remove_file(ops.fleet.path("ops/inventory/north.yaml")).expect("a file");
    signal(daemon.pid(), "HUP");
    receiver.still(&daemon, 1);
    ops.git(&["checkout", "--quiet", "--", "inventory/north.yaml"]);
    ops.commit("Now it counts");
    assert_eq!(all_names(&receiver.still(&daemon, 2)[1]).len(), 5);
    // Another branch in the work tree is not the one that is followed.
    ops.git(&["checkout", "--quiet", "-b", "side"]);
    ops.officer(OFFICER);
    ops.commit("On the side");
    receiver.still(&daemon, 2);
}

#[test]
fn where_head_is_followed_another_branch_and_its_commits_are_heard() {
    let receiver = Receiver::start(SIGNING);
    let ops = Ops::new(&receiver);
    ops.follow("../ops");
    let text = fs::read_to_string(ops.fleet.path("config/stationkeep.yaml")).expect("the configuration");
    ops.fleet.rename_into("config/stationkeep.yaml", &text.replace("ref: main", "ref: HEAD"));
    let daemon = ops.fleet.start();
    receiver.wait_for(1);
    ops.git(&["checkout", "--quiet", "-b", "side"]);
    ops.officer(NEW_OFFICER);
    ops.commit("On the side");
    assert_eq!(all_names(&receiver.wait_for(2)[1]).len(), 5);
    ops.officer(OFFICER);
    ops.commit("And back, still on the side");
    assert_eq!(receiver.wait_for(3)[2].data()["counts"]["closed"]["stations"], 5);
    ops.officer(NEW_OFFICER);
    ops.commit("Once more");
    receiver.wait_for(4);
    ops.git(&["checkout", "--quiet", "main"]);
    assert_eq!(receiver.still(&daemon, 5)[4].data()["counts"]["closed"]["stations"], 5);
}

#[test]
fn without_the_git_program_the_last_good_inventory_stays_in_force() {
    let receiver = Receiver::start(SIGNING);
    let mut ops = Ops::new(&receiver);
    let daemon = ops.fleet.start();
    receiver.wait_for(1);
    assert_eq!(daemon.stop("TERM"), Some(0));
    ops.fleet.environment.push(("PATH".into(), "/no/such/folder".into()));
    let check = ops.fleet.run(&["check"]).ended(2);
    assert!(check.out.contains("the git program is not installed") && check.out.contains("Install git."), "{check:?}");
    let daemon = ops.fleet.start();
    assert!(daemon.said().contains("6 stations"), "{}", daemon.said());
    refused(&receiver.wait_for(2)[1], "refused");
    drop(daemon);
    ops.fleet.environment.pop();
    let daemon = ops.fleet.start();
    refused(&receiver.wait_for(3)[2], "recovered");
    receiver.still(&daemon, 3);
}

#[test]
fn what_an_author_writes_reaches_nobodys_terminal_raw_and_no_code_goes_out() {
    let receiver = Receiver::start(SIGNING);
    let ops = Ops::new(&receiver);
    let daemon = ops.fleet.start();
    receiver.wait_for(1);
    ops.officer(NEW_OFFICER);
    let hostile = format!("\u{1b}]0;owned\u{7}\u{202e}{}", "x".repeat(100_000));
    ops.git(&["add", "--all"]);
    fs::write(ops.fleet.path("message"), &hostile).expect("a file");
    ops.git(&["commit", "--quiet", "--author", "Eve\u{1b}[2J <eve@ops.example>", "-F", "../message"]);
    ops.git(&["push", "--quiet", "../fleet.git", "main"]);
    let told = receiver.wait_for(2).remove(1);
    daemon.comes_to_rest();
    let drift = ops.fleet.run(&["drift"]);
    let card = ops.fleet.run(&["script", "NP-01"]);
    for (what, text) in [("alert", &told.body), ("log", &daemon.log()), ("drift", &drift.err), ("card", &card.out)] {
        assert!(text.contains("Eve") && text.contains("u{1b}"), "{what}: {text}");
        assert!(!text.chars().any(|sign| matches!(sign, '\u{1b}' | '\u{7}' | '\u{202e}')), "{what}");
        assert!(text.len() < 64_000, "{what}");
    }
    for text in [&told.body, &daemon.log(), &drift.err, &drift.out] {
        assert!(!text.contains(CODE));
    }
}
