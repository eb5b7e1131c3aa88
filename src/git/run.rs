//! One call of the git program: bounded in time and size, in an environment of its own, without a terminal.

use std::ffi::OsStr;
use std::io::{self, BufRead, BufReader, Read, Write};
use std::os::unix::process::{CommandExt, ExitStatusExt};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::thread::{self, sleep};
use std::time::Duration;

use super::GitError;

/// The longest a call may take.
const LIMIT: Duration = Duration::from_secs(60);
/// How much is kept of what git says on standard error, in bytes, and how much of it is shown, in characters.
const LIMIT_SAYS: u64 = 64 << 10;
const SHOWN_SAYS: usize = 300;
/// How long a git that has closed its output may take to end.
const LAST_WAIT: Duration = Duration::from_secs(5);
const NAP: Duration = Duration::from_millis(1);

/// What of our own environment git gets; nothing in it names a repository, a program or a terminal.
const PASSED_ON: [&str; 5] = ["PATH", "HOME", "XDG_CONFIG_HOME", "SUDO_UID", "TMPDIR"];
/// Programs that a repository's settings could name, and ways out of the machine, are off; so are objects put in the
/// place of others, without which an id would not stand for one content.
const ALWAYS: [&str; 14] = [
    "--no-pager",
    "--no-optional-locks",
    "--no-replace-objects",
    "--literal-pathspecs",
    "-c",
    "core.hooksPath=/dev/null",
    "-c",
    "core.fsmonitor=false",
    "-c",
    "protocol.allow=never",
    "-c",
    "safe.bareRepository=all",
    "-c",
    "blame.ignoreRevsFile=",
];

/// How git is called.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Git {
    program: PathBuf,
    limit: Duration,
}

impl Default for Git {
    /// `git` as the PATH has it, a minute a call.
    fn default() -> Git {
        Git { program: "git".into(), limit: LIMIT }
    }
}

/// Where a call is made.
#[derive(Debug, Clone, Copy)]
pub(super) enum At<'p> {
    /// In this repository and no other, even where it stands within another one. Free of symbolic links.
    Top(&'p Path),
    /// In the repository that this folder lies in.
    Within(&'p Path),
    /// The same, with another index than the repository's own: the one that a commit under way is made from.
    Index(&'p Path, &'p Path),
}

impl At<'_> {
    fn path(self) -> PathBuf {
        match self {
            At::Top(path) | At::Within(path) | At::Index(path, _) => path.to_owned(),
        }
    }
}

/// What a call came to: what was read of its output, and how it ended.
pub(super) struct Answer<T> {
    pub read: io::Result<T>,
    pub status: ExitStatus,
    /// What git said on standard error.
    pub says: String,
}

impl Git {
    /// Another program in git's place, and another limit for a call.
    pub fn new(program: &Path, limit: Duration) -> Git {
        Git { program: program.into(), limit }
    }

    /// Runs git with `input` on its standard input; `read` gets at most `most` bytes of its output.
    ///
    /// # Errors
    /// Where git could not be run or did not end by itself. That it failed is told by the answer.
    pub(super) fn call<T: Send + 'static>(
        &self,
        at: At<'_>,
        args: &[&OsStr],
        input: Vec<u8>,
        most: u64,
        read: impl FnOnce(&mut dyn BufRead) -> io::Result<T> + Send + 'static,
    ) -> Result<Answer<T>, GitError> {
        let mut child = self.command(at, args).spawn().map_err(|error| not_run(at, error))?;
        let (stdin, stdout, stderr) = (child.stdin.take(), child.stdout.take(), child.stderr.take());
        let (tell, told) = channel();
        let work = move || {
            thread::scope(|scope| {
                scope.spawn(move || stdin.map(|mut stdin| stdin.write_all(&input)));
                let says = scope.spawn(move || stderr.map(heard).unwrap_or_default());
                let output = stdout.map(|stdout| read(&mut BufReader::new(stdout.take(most))));
                let read = output.unwrap_or_else(|| Err(io::ErrorKind::BrokenPipe.into()));
                let _ = tell.send((read, says.join().unwrap_or_default()));
            });
        };
        if let Err(error) = thread::Builder::new().name("git".into()).spawn(work) {
            end(&mut child);
            return Err(GitError::NotRun(error));
        }
        let (read, says) = match told.recv_timeout(self.limit) {
            Ok(said) => said,
            Err(RecvTimeoutError::Timeout) => {
                end(&mut child);
                return Err(GitError::TooSlow { seconds: self.limit.as_secs() });
            }
            Err(RecvTimeoutError::Disconnected) => {
                end(&mut child);
                return Err(GitError::Garbled);
            }
        };
        let Some(status) = ended(&mut child, LAST_WAIT) else {
            end(&mut child);
            return Err(GitError::TooSlow { seconds: LAST_WAIT.as_secs() });
        };
        match (status.signal(), &read) {
            // It was cut off because enough had been read, and that is told below.
            (Some(_), Err(_)) | (None, _) => {}
            (Some(signal), Ok(_)) => return Err(GitError::Ended { signal }),
        }
        Ok(Answer { read, status, says })
    }

    fn command(&self, at: At<'_>, args: &[&OsStr]) -> Command {
        let mut command = Command::new(&self.program);
        command.args(ALWAYS).args(args).current_dir(at.path()).env_clear();
        command.envs(PASSED_ON.iter().filter_map(|name| Some((name, std::env::var_os(name)?))));
        command.envs([
            ("LC_ALL", "C"),
            ("GIT_CONFIG_NOSYSTEM", "1"),
            ("GIT_ATTR_NOSYSTEM", "1"),
            ("GIT_TERMINAL_PROMPT", "0"),
            ("GIT_OPTIONAL_LOCKS", "0"),
            ("GIT_NO_LAZY_FETCH", "1"),
            ("GIT_PROTOCOL_FROM_USER", "0"),
        ]);
        match at {
            // Git looks no further than this folder: above it may be a repository that nobody meant.
            At::Top(path) => command.env("GIT_CEILING_DIRECTORIES", path.parent().unwrap_or(path)),
            At::Index(_, index) => command.env("GIT_INDEX_FILE", index),
            At::Within(_) => &mut command,
        };
        // A group of its own: what stops the daemon at its terminal does not end a git half-way.
        command.process_group(0).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    }
}

fn not_run(at: At<'_>, error: io::Error) -> GitError {
    match error.kind() {
        // The program or the folder: the system does not say which.
        io::ErrorKind::NotFound | io::ErrorKind::NotADirectory if !at.path().is_dir() => {
            GitError::NoRepository { path: at.path().display().to_string() }
        }
        io::ErrorKind::NotFound => GitError::NoProgram,
        _ => GitError::NotRun(error),
    }
}

/// The first of what git says; the rest is read and dropped, so that git is not held up.
fn heard(mut stderr: impl Read) -> String {
    let mut first = Vec::new();
    let _ = stderr.by_ref().take(LIMIT_SAYS).read_to_end(&mut first);
    let _ = io::copy(&mut stderr, &mut io::sink());
    String::from_utf8_lossy(&first).into_owned()
}

/// How it ended, where it does within `wait`.
fn ended(child: &mut Child, wait: Duration) -> Option<ExitStatus> {
    let naps = wait.as_millis() / NAP.as_millis();
    for _ in 0..=naps {
        match child.try_wait() {
            Ok(Some(status)) => return Some(status),
            Ok(None) => sleep(NAP),
            Err(_) => return None,
        }
    }
    None
}

/// Ends it. One that even this does not end (a disk that hangs) is left to the system.
fn end(child: &mut Child) {
    let _ = child.kill();
    let _ = ended(child, LAST_WAIT);
}

/// What git said, in one line that fits into a sentence.
pub(super) fn in_short(says: &str) -> String {
    let lines = says.lines().map(str::trim).filter(|line| !line.is_empty() && !line.starts_with("hint:"));
    let text = lines.take(3).collect::<Vec<_>>().join("; ");
    let shown: String = text.chars().map(|sign| if sign.is_control() { ' ' } else { sign }).take(SHOWN_SAYS).collect();
    if shown.is_empty() { "it says nothing".into() } else { shown.trim_end_matches('.').to_owned() }
}

/// The error behind an answer that is no success.
pub(super) fn failed(at: At<'_>, says: &str) -> GitError {
    let path = at.path().display().to_string();
    if says.contains("dubious ownership") {
        // It names the work tree's top, in quotes: an exception for a folder in it would be none.
        let top = says.split_once("repository at '").and_then(|(_, rest)| rest.lines().next()?.strip_suffix('\''));
        GitError::Foreign { path: top.map_or(path, str::to_owned) }
    } else if says.contains("not a git repository") {
        GitError::NoRepository { path }
    } else {
        GitError::Failed { says: in_short(says) }
    }
}
