//! README's tour, command by command: what it shows is what the program prints.
//!
//! Each `$` line of the ```console blocks is run by bash in a copy of the repository's sample; the lines below it
//! must be its output, where `…` stands for anything. The daemon runs meanwhile, as the tour says.

use std::fs;
use std::io::{BufRead, BufReader};
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc;
use std::time::Duration;

const CLOCK: &str = "2026-11-25T13:00:00Z";
const LONGEST: Duration = Duration::from_secs(60);

/// A command of the tour and what README says it prints.
struct Shown {
    line: usize,
    command: String,
    output: Vec<String>,
}

fn shown() -> Vec<Shown> {
    let text = fs::read_to_string(root().join("README.md")).expect("README.md");
    let mut all: Vec<Shown> = Vec::new();
    let mut inside = false;
    for (nth, line) in text.lines().enumerate() {
        match (inside, line) {
            (false, "```console") => inside = true,
            (true, "```") => inside = false,
            (true, line) => match line.strip_prefix("$ ") {
                Some(command) => {
                    all.push(Shown { line: nth + 1, command: command.to_owned(), output: Vec::new() });
                }
                None => all.last_mut().expect("output follows a command").output.push(line.to_owned()),
            },
            (false, _) => {}
        }
    }
    all
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).expect("a folder");
    for entry in fs::read_dir(from).expect("a readable folder") {
        let entry = entry.expect("an entry");
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy(&entry.path(), &target);
        } else {
            fs::copy(entry.path(), target).expect("a copy");
        }
    }
}

/// Whether the lines are as shown; `…` stands for anything within a line, and alone for any lines.
fn matches(shown: &[String], got: &[String]) -> bool {
    match shown.split_first() {
        None => got.is_empty(),
        Some((first, rest)) if first == "…" => (0..=got.len()).any(|skipped| matches(rest, &got[skipped..])),
        Some((first, rest)) => {
            got.split_first().is_some_and(|(line, more)| line_matches(first, line) && matches(rest, more))
        }
    }
}

fn line_matches(shown: &str, got: &str) -> bool {
    let parts: Vec<&str> = shown.split('…').collect();
    let mut rest = got;
    for (nth, part) in parts.iter().enumerate() {
        let found = if nth == 0 { rest.starts_with(part).then_some(0) } else { rest.find(part) };
        let Some(at) = found else { return false };
        rest = &rest[at + part.len()..];
    }
    rest.is_empty() || parts.last().is_some_and(|last| last.is_empty()) || got.ends_with(parts[parts.len() - 1])
}

/// A copy of the sample, with the program where the README expects it.
struct Clone {
    folder: tempfile::TempDir,
}

impl Clone {
    fn new() -> Clone {
        let folder = tempfile::tempdir().expect("a folder");
        copy(&root().join("config"), &folder.path().join("config"));
        // The sample's own port may be taken on the machine that runs the tests.
        let file = folder.path().join("config/stationkeep.yaml");
        let text = fs::read_to_string(&file).expect("the configuration");
        fs::write(&file, text.replace("127.0.0.1:8470", "127.0.0.1:0")).expect("the configuration");
        fs::create_dir_all(folder.path().join("target/release")).expect("a folder");
        symlink(env!("CARGO_BIN_EXE_stationkeep"), folder.path().join("target/release/stationkeep")).expect("a link");
        Clone { folder }
    }

    fn command(&self, program: &str) -> Command {
        let mut command = Command::new(program);
        command.current_dir(self.folder.path()).env("STATIONKEEP_CLOCK", CLOCK).env("NO_COLOR", "1");
        command.env_remove("STATIONKEEP_WEBHOOK").env_remove("STATIONKEEP_SIGNING").env_remove("STATIONKEEP_CONFIG");
        command
    }

    fn run(&self, line: &str) -> Vec<String> {
        // As on a terminal, where both outputs are seen; and `date` shows the time that the program goes by.
        let done = self
            .command("bash")
            .args(["-c", &format!("exec 2>&1; date() {{ echo {CLOCK}; }}; {line}")])
            .output()
            .expect("bash");
        assert!(done.status.code() != Some(101), "{line} panicked: {}", String::from_utf8_lossy(&done.stdout));
        let text = String::from_utf8(done.stdout).expect("text");
        text.lines().map(str::to_owned).collect()
    }
}

/// The daemon of the tour; ended when the test ends.
struct Daemon(Child);

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl Daemon {
    /// Starts it and returns what it says first, up to how to stop it.
    fn start(clone: &Clone) -> (Daemon, Vec<String>) {
        let program = PathBuf::from("target/release/stationkeep");
        let mut child = clone.command(program.to_str().expect("text"));
        let mut child = child.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().expect("the daemon");
        let out = child.stdout.take().expect("its output");
        let (sender, receiver) = mpsc::channel();
        std::thread::spawn(move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                if sender.send(line).is_err() {
                    break;
                }
            }
        });
        let mut said: Vec<String> = Vec::new();
        while !said.last().is_some_and(|line| line.contains("Ctrl-C")) {
            said.push(receiver.recv_timeout(LONGEST).expect("the start-up message"));
        }
        (Daemon(child), said)
    }
}

#[test]
fn every_command_of_the_readme_prints_what_the_readme_shows() {
    let clone = Clone::new();
    let mut daemon = None;
    let mut checked = 0;
    for shown in shown() {
        let at = format!("README.md:{}: $ {}", shown.line, shown.command);
        let got = match shown.command.split_whitespace().collect::<Vec<_>>()[..] {
            // The two commands at the top are what CI runs; here the tour's own start is looked at.
            ["cargo", "run", "--release", "#", ..] | ["tests/run", ..] => continue,
            ["cargo", "run", "--release"] => {
                let (started, said) = Daemon::start(&clone);
                daemon = Some(started);
                said
            }
            [..] => clone.run(&shown.command),
        };
        assert!(
            matches(&shown.output, &got),
            "{at}\n--- shown\n{}\n--- printed\n{}",
            shown.output.join("\n"),
            got.join("\n")
        );
        checked += 1;
    }
    assert!(daemon.is_some(), "the tour starts the daemon");
    assert!(checked >= 15, "the tour has {checked} commands");
}

#[test]
fn the_dots_stand_for_anything_and_nothing_else_does() {
    let lines = |text: &str| text.lines().map(str::to_owned).collect::<Vec<_>>();
    assert!(matches(&lines("a…c\n…\nz"), &lines("a b c\nx\ny\nz")));
    assert!(matches(&lines("…/config"), &lines("/tmp/config")));
    assert!(!matches(&lines("a…c"), &lines("a b")));
    assert!(!matches(&lines("a"), &lines("a\nb")));
    assert!(!matches(&lines("a\nb"), &lines("a")));
}
