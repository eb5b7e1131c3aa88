//! The recipes of `deploy/commit/` for forges: each file is read as its forge reads it (YAML), and every command in it is run in a
//! clone, with programs that are not ours replaced by ones that note what they were asked.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value as Json;

use super::commits::{Clone, FOLLOWED, path_with_the_program};

fn recipe(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy/commit").join(name)
}

fn read(name: &str) -> Json {
    serde_yaml::from_str(&fs::read_to_string(recipe(name)).expect("the recipe")).expect("YAML")
}

/// A clone on a forge: the change is checked out, `origin/main` is where it would go.
struct Forge {
    clone: Clone,
}

/// What a run of commands came to.
struct Job {
    /// Of each command.
    exits: Vec<Option<i32>>,
    /// What the programs that are not ours were asked.
    asked: String,
    said: String,
}

impl Forge {
    fn new() -> Forge {
        let clone = Clone::new(FOLLOWED);
        clone.git(&["update-ref", "refs/remotes/origin/main", "HEAD"]);
        clone.git(&["checkout", "--quiet", "--detach"]);
        fs::create_dir(clone.fleet.path("ci")).expect("a folder");
        fs::copy(recipe("check-change"), clone.fleet.path("ci/check-change")).expect("the script");
        let forge = Forge { clone };
        for name in ["cargo", "gh", "curl"] {
            let path = forge.stand_ins().join(name);
            fs::create_dir_all(forge.stand_ins()).expect("a folder");
            fs::write(&path, format!("#!/bin/sh\necho {name} \"$@\" >>\"$ASKED\"\n")).expect("a stand-in");
            fs::set_permissions(&path, fs::Permissions::from_mode(0o755)).expect("it may run");
        }
        forge
    }

    fn stand_ins(&self) -> PathBuf {
        self.clone.fleet.top().join("stand-ins")
    }

    fn file(&self, name: &str) -> String {
        self.clone.fleet.read(name)
    }

    /// Runs commands one after the other as a forge does: each in a shell that stops at the first failure.
    fn run(&self, commands: &[String]) -> Job {
        let (asked, summary) = (self.clone.fleet.top().join("asked"), self.clone.fleet.top().join("summary"));
        fs::write(&asked, "").expect("a file");
        let mut job = Job { exits: Vec::new(), asked: String::new(), said: String::new() };
        for command in commands {
            assert!(!command.contains("${{"), "a text of a proposal could become a command: {command}");
            let done = Command::new("sh")
                .args(["-eu", "-c", command])
                .current_dir(self.clone.fleet.path(""))
                .env("PATH", format!("{}:{}", self.stand_ins().display(), path_with_the_program()))
                .env("ASKED", &asked)
                .envs([("STATIONKEEP_CONFIG", "stationkeep.yaml"), ("NO_COLOR", "1")])
                .envs([("GITHUB_BASE_REF", "main"), ("NUMBER", "7"), ("GH_TOKEN", "t"), ("COMMENT_TOKEN", "t")])
                .envs([
                    ("STATIONKEEP_SOURCE", "https://forge.example/stationkeep"),
                    ("CI_API_V4_URL", "https://x.example"),
                ])
                .envs([("CI_PROJECT_ID", "3"), ("CI_MERGE_REQUEST_IID", "7")])
                .env("CI_MERGE_REQUEST_DIFF_BASE_SHA", self.clone.git(&["rev-parse", "origin/main"]))
                .env("GITHUB_STEP_SUMMARY", &summary)
                .output()
                .expect("a shell");
            job.exits.push(done.status.code());
            job.said += &String::from_utf8_lossy(&done.stdout);
            job.said += &String::from_utf8_lossy(&done.stderr);
        }
        job.asked = fs::read_to_string(asked).expect("a file");
        job
    }
}

fn texts(list: &Json) -> Vec<String> {
    list.as_array().into_iter().flatten().filter_map(Json::as_str).map(str::to_owned).collect()
}

/// The commands of each recipe, in their order, and which of them checks the change.
fn commands() -> [(Vec<String>, &'static str); 2] {
    let github = read("github.yaml");
    let steps = github["jobs"]["check"]["steps"].as_array().expect("steps").clone();
    let run: Vec<String> = steps.iter().filter_map(|step| step["run"].as_str().map(str::to_owned)).collect();
    let gitlab = read("gitlab.yaml")["stationkeep"].clone();
    let both = [texts(&gitlab["script"]), texts(&gitlab["after_script"])].concat();
    [(run, "gh pr comment 7 "), (both, "curl --fail ")]
}

#[test]
fn a_sound_change_passes_and_its_comment_says_what_it_would_do() {
    for (commands, comment) in commands() {
        let forge = Forge::new();
        forge.clone.fleet.edit("inventory/fleet.yaml", "+441632960101", "+441632960109");
        let job = forge.run(&commands);
        assert!(job.exits.iter().all(|exit| *exit == Some(0)), "{:?} {}", job.exits, job.said);
        assert!(job.asked.starts_with("cargo install ") && job.asked.contains(comment), "{}", job.asked);
        let change = forge.file("change.md");
        assert!(change.starts_with("### stationkeep: at 2 stations a button would call another number\n"), "{change}");
        let row = "| `emergency.primary` | `control-room` (`9,01632960101`) | `control-room` (`9,01632960109`) | 1: `NP-01` |";
        assert!(change.contains(row), "{change}");
    }
}

#[test]
fn a_mistake_is_red_its_comment_shows_the_line_and_the_fixed_change_is_green() {
    for (commands, comment) in commands() {
        let forge = Forge::new();
        forge.clone.break_it();
        forge.clone.git(&["commit", "--quiet", "--all", "-m", "A slip"]);
        let job = forge.run(&commands);
        assert_eq!(job.exits.iter().filter(|exit| **exit == Some(2)).count(), 1, "{:?} {}", job.exits, job.said);
        assert!(job.asked.contains(comment), "it is commented on all the same: {}", job.asked);
        let change = forge.file("change.md");
        assert!(change.starts_with("### stationkeep: 1 error\n") && change.contains("{to: contorl-room}"), "{change}");
        let sarif: Json = serde_json::from_str(&forge.file("findings.sarif")).expect("JSON");
        assert_eq!(sarif["runs"][0]["results"][0]["ruleId"], "name-unknown");
        forge.clone.fix_it();
        let job = forge.run(&commands);
        assert!(job.exits.iter().all(|exit| *exit == Some(0)), "{:?} {}", job.exits, job.said);
        assert!(forge.file("change.md").starts_with("### stationkeep: the same is wanted at every station\n"));
    }
}

#[test]
fn a_change_that_fixes_a_broken_branch_is_compared_with_the_last_commit_without_errors() {
    let forge = Forge::new();
    forge.clone.break_it();
    forge.clone.git(&["commit", "--quiet", "--all", "-m", "A slip"]);
    forge.clone.git(&["update-ref", "refs/remotes/origin/main", "HEAD"]);
    forge.clone.fix_it();
    forge.clone.fleet.edit("inventory/fleet.yaml", "+441632960101", "+441632960109");
    let job = forge.run(&["sh ci/check-change origin/main".into()]);
    assert_eq!(job.exits, [Some(0)], "{}", job.said);
    assert!(job.said.contains("The files of that revision have errors (1 error)"), "{}", job.said);
    let change = forge.file("change.md");
    assert!(change.starts_with("### stationkeep: at 2 stations a button would call another number\n"), "{change}");
    assert!(change.contains("so this goes by the last commit without any."), "{change}");
}

#[test]
fn a_change_that_cannot_be_compared_with_anything_is_red() {
    let forge = Forge::new();
    let job = forge.run(&["sh ci/check-change origin/mian".into()]);
    assert_eq!(job.exits, [Some(1)], "{}", job.said);
    assert!(job.said.contains("nothing can be compared with origin/mian: "), "{}", job.said);
    let said = "Nothing could be compared with `origin/mian`, so this check fails. Its log says why.\n";
    assert_eq!(forge.file("change.md"), said);
    // Its very first commit has errors: there is nothing before it.
    let forge = Forge::new();
    forge.clone.break_it();
    forge.clone.git(&["commit", "--quiet", "--all", "--amend", "-m", "The first, with a slip"]);
    forge.clone.git(&["update-ref", "refs/remotes/origin/main", "HEAD"]);
    forge.clone.fix_it();
    let job = forge.run(&["sh ci/check-change origin/main".into()]);
    assert_eq!(job.exits, [Some(2)], "{}", job.said);
    assert!(job.said.contains("(name-unknown)"), "{}", job.said);
    // A branch is pushed for the first time: a forge names what was before by zeros.
    let job = forge.run(&[format!("sh ci/check-change {}", "0".repeat(40))]);
    assert_eq!(job.exits, [Some(0)], "{}", job.said);
}

#[test]
fn a_push_to_the_main_branch_is_compared_with_what_was_there_before() {
    assert_eq!(texts(&read("github.yaml")["on"]), ["pull_request", "push"]);
    let rules = read("gitlab.yaml")["stationkeep"]["rules"].to_string();
    assert!(rules.contains("$CI_COMMIT_BRANCH == $CI_DEFAULT_BRANCH"), "{rules}");
    let forge = Forge::new();
    let before = forge.clone.git(&["rev-parse", "HEAD"]);
    forge.clone.fleet.edit("inventory/fleet.yaml", "+441632960101", "+441632960109");
    forge.clone.git(&["commit", "--quiet", "--all", "-m", "Another number"]);
    for (variable, (commands, _)) in ["BEFORE", "CI_COMMIT_BEFORE_SHA"].iter().zip(commands()) {
        let check = commands.iter().find(|command| command.contains("check-change")).expect("the check");
        let pushed = "unset CI_MERGE_REQUEST_DIFF_BASE_SHA GITHUB_BASE_REF; ";
        let job = forge.run(&[format!("{pushed}{variable}={before}; {check}")]);
        assert_eq!(job.exits, [Some(0)], "{}", job.said);
        assert!(forge.file("change.md").contains("at 2 stations a button would call another number"));
    }
}

#[test]
fn what_nobody_would_notice_is_red_unless_it_was_so_before() {
    let forge = Forge::new();
    let fleet = &forge.clone.fleet;
    fleet.edit("inventory/fleet.yaml", "emergency.primary: {to: control-room}", "emergency.primary: null");
    let job = forge.run(&["sh ci/check-change origin/main".into()]);
    assert_eq!(job.exits, [Some(2)], "{}", job.said);
    let change = forge.file("change.md");
    assert!(
        change.contains("Nobody would notice if this is wrong.") && change.contains("(lifeline-unmanaged)"),
        "{change}"
    );
    assert!(change.contains("**No longer managed: nobody notices when these are wrong**"), "{change}");
    assert!(!change.contains("would call another number"), "{change}");
    forge.clone.git(&["commit", "--quiet", "--all", "-m", "So it is wanted"]);
    forge.clone.git(&["update-ref", "refs/remotes/origin/main", "HEAD"]);
    fleet.edit("inventory/piers.yaml", "Berth 21", "Berth 22");
    let job = forge.run(&["sh ci/check-change origin/main".into()]);
    assert_eq!(job.exits, [Some(0)], "{}", job.said);
}

#[test]
fn an_edit_of_the_configuration_is_shown_with_both_values() {
    let forge = Forge::new();
    let fleet = &forge.clone.fleet;
    let text = fleet.read("stationkeep.yaml");
    fleet.write("stationkeep.yaml", format!("{text}brake: {{share: 1, most: 20000}}\n"));
    let said = fleet.run(&["check", "--against", "HEAD"]).out;
    assert!(said.contains("The configuration changes:\n- brake.most: not set becomes 20000\n"), "{said}");
    let job = forge.run(&["sh ci/check-change origin/main".into()]);
    assert_eq!(job.exits, [Some(0)], "{}", job.said);
    let change = forge.file("change.md");
    assert!(change.starts_with("### stationkeep: the configuration changes\n"), "{change}");
    assert!(change.contains("| `brake.share` | `not set` | `1` |"), "{change}");
}

#[test]
fn names_and_notes_of_a_proposal_are_text_in_its_comment_and_no_code_is_in_it() {
    use pulldown_cmark::{Event, Options, Parser, Tag};
    let forge = Forge::new();
    let fleet = &forge.clone.fleet;
    let name = "<img src=x>|@ops `x` [a](https://bad.example)";
    fleet.edit(
        "inventory/fleet.yaml",
        "contacts:\n",
        &format!("contacts:\n  '{name}': {{calls: \"+441632960105\"}}\n"),
    );
    fleet.edit(
        "inventory/piers.yaml",
        "identity: \"11\"",
        &format!("identity: \"11\", emergency.primary: {{to: '{name}'}}"),
    );
    fleet.edit("inventory/piers.yaml", "\"Berth 2\"", "\"</details><script>alert(1)</script> | #1\"");
    fleet.edit("inventory/piers.yaml", "\"Berth 21\"", "\"\"");
    fleet.write("secrets/other", "975310\n");
    fleet.edit(
        "inventory/piers.yaml",
        "identity: \"21\"",
        "identity: \"21\", access: {secret: \"file:secrets/other\"}",
    );
    let comment = fleet.run(&["check", "--against", "origin/main", "--format", "markdown"]);
    assert_eq!(comment.code, Some(0), "{comment:?}");
    assert!(!comment.out.contains("410522") && !comment.out.contains("975310"), "{}", comment.out);
    let ours = ["<details>", "<summary>", "</summary>", "</details>", "<code>", "</code>"];
    let mut seen = 0;
    for event in Parser::new_ext(&comment.out, Options::ENABLE_TABLES | Options::ENABLE_GFM) {
        match event {
            Event::Html(html) | Event::InlineHtml(html) => {
                let rest = ours.iter().fold(html.to_string(), |html, tag| html.replace(tag, ""));
                assert!(!rest.contains('<'), "{html}");
            }
            Event::Start(Tag::Link { .. } | Tag::Image { .. }) => panic!("a link: {}", comment.out),
            Event::Code(text) | Event::Text(text) => {
                seen += usize::from(text.contains("img src=x") || text.contains("script"))
            }
            _ => {}
        }
    }
    assert!(seen >= 3, "it is there, as text: {}", comment.out);
}
