//! Documents as tours: each `$` line of a ```console block is run by bash, and the lines below it must be its output, where
//! `…` stands for anything. A block ```yaml PATH (or ```text PATH) is a file that the reader writes.

use std::cell::RefCell;
use std::fs;
use std::io::{BufRead, BufReader};
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc;
use std::time::Duration;

const CLOCK: &str = "2026-11-25T13:00:00Z";
const LONGEST: Duration = Duration::from_secs(60);

/// A step of a document.
pub enum Step {
    /// A command and what the document says it prints.
    Run { line: usize, command: String, output: Vec<String> },
    /// A file that the reader writes.
    Write { path: String, text: String },
}

/// The steps of a document, in order. A block whose word after the language is no path is no step.
pub fn steps(document: &str) -> Vec<Step> {
    let mut all: Vec<Step> = Vec::new();
    let mut lines = document.lines().enumerate();
    while let Some((_, line)) = lines.next() {
        let Some(info) = line.strip_prefix("```") else { continue };
        let block: Vec<(usize, &str)> = lines.by_ref().take_while(|(_, line)| *line != "```").collect();
        match info.split_once(' ') {
            None if info == "console" => console(&block, &mut all),
            Some((_, path)) if path.contains('.') || path.contains('/') => {
                let text = block.iter().map(|(_, line)| format!("{line}\n")).collect();
                all.push(Step::Write { path: path.to_owned(), text });
            }
            None | Some(_) => {}
        }
    }
    all
}

fn console(block: &[(usize, &str)], all: &mut Vec<Step>) {
    for (nth, line) in block {
        match (line.strip_prefix("$ "), all.last_mut()) {
            (Some(command), _) => {
                all.push(Step::Run { line: nth + 1, command: command.to_owned(), output: Vec::new() });
            }
            (None, Some(Step::Run { output, .. })) => output.push((*line).to_owned()),
            (None, _) => panic!("line {}: output without a command", nth + 1),
        }
    }
}

pub fn root() -> &'static Path {
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
pub fn matches(shown: &[String], got: &[String]) -> bool {
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

/// A folder in which a document is followed, with the program where README expects it and on the path.
pub struct Place {
    folder: tempfile::TempDir,
    /// Where the last command left the shell.
    current: RefCell<PathBuf>,
}

impl Place {
    /// An empty one.
    pub fn bare() -> Place {
        let folder = tempfile::tempdir().expect("a folder");
        fs::create_dir_all(folder.path().join("target/release")).expect("a folder");
        symlink(env!("CARGO_BIN_EXE_stationkeep"), folder.path().join("target/release/stationkeep")).expect("a link");
        let current = RefCell::new(folder.path().to_owned());
        Place { folder, current }
    }

    /// One with a copy of the sample.
    pub fn sample() -> Place {
        let place = Place::bare();
        copy(&root().join("config"), &place.folder.path().join("config"));
        // The sample's own port may be taken on the machine that runs the tests.
        let file = place.folder.path().join("config/stationkeep.yaml");
        let text = fs::read_to_string(&file).expect("the configuration");
        fs::write(&file, text.replace("127.0.0.1:8470", "127.0.0.1:0")).expect("the configuration");
        place
    }

    /// Writes a file as a document says.
    pub fn write(&self, path: &str, text: &str) {
        let file = self.folder.path().join(path);
        fs::create_dir_all(file.parent().expect("a folder")).expect("a folder");
        fs::write(file, text).expect("a file");
    }

    fn command(&self, program: &str) -> Command {
        let mut command = Command::new(program);
        let own = self.folder.path().join("target/release");
        let path = std::env::var("PATH").expect("a path");
        command.current_dir(&*self.current.borrow()).env("STATIONKEEP_CLOCK", CLOCK).env("NO_COLOR", "1");
        command.env("PATH", format!("{}:{path}", own.display()));
        command.env_remove("STATIONKEEP_WEBHOOK").env_remove("STATIONKEEP_SIGNING").env_remove("STATIONKEEP_CONFIG");
        command
    }

    /// What a command line prints, on both outputs. `cd` lasts, as in a terminal; `date` shows the program's time.
    pub fn run(&self, line: &str) -> Vec<String> {
        let left = self.folder.path().join("target/current");
        let script = format!(
            "exec 2>&1; date() {{ echo {CLOCK}; }}; trap 'pwd -P > \"{left}\"' EXIT; {line}",
            left = left.display()
        );
        let done = self.command("bash").args(["-c", &script]).output().expect("bash");
        assert!(done.status.code() != Some(101), "{line} panicked: {}", String::from_utf8_lossy(&done.stdout));
        let current = fs::read_to_string(&left).expect("where the shell is");
        *self.current.borrow_mut() = PathBuf::from(current.trim_end());
        let text = String::from_utf8(done.stdout).expect("text");
        text.lines().map(str::to_owned).collect()
    }
}

/// The daemon of a tour; ended when the test ends.
pub struct Daemon(Child);

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl Daemon {
    /// Starts it and returns what it says first, up to how to stop it.
    pub fn start(clone: &Place) -> (Daemon, Vec<String>) {
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
