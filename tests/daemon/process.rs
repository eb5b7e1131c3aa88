//! Child processes: the daemon, and commands beside it. Each is ended by its own id, at the latest when dropped.

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, Instant};

/// No wait is longer.
pub const PATIENCE: Duration = Duration::from_secs(20);

const BINARY: &str = env!("CARGO_BIN_EXE_stationkeep");

static NEXT: AtomicU32 = AtomicU32::new(0);

/// Asks again and again until there is an answer; panics when patience is over.
pub fn until<T>(what: &str, answer: impl FnMut() -> Option<T>) -> T {
    until_within(PATIENCE, what, answer)
}

/// The program in a folder, free of what the environment of the tests may say.
fn program(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(BINARY);
    command.current_dir(folder).args(arguments).stdin(Stdio::null()).env("NO_COLOR", "1");
    for name in ["CONFIG", "CLOCK", "LOG", "LOG_FORMAT", "WEBHOOK", "SIGNING"] {
        command.env_remove(format!("STATIONKEEP_{name}"));
    }
    for name in ["NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID"] {
        command.env_remove(name);
    }
    command
}

/// Two new files for what a process says.
fn mouths(folder: &Path) -> (PathBuf, PathBuf) {
    let number = NEXT.fetch_add(1, Ordering::Relaxed);
    let folder = folder.join("said");
    fs::create_dir_all(&folder).expect("a folder");
    (folder.join(format!("{number}.out")), folder.join(format!("{number}.err")))
}

fn said(path: &Path) -> String {
    String::from_utf8_lossy(&fs::read(path).unwrap_or_default()).into_owned()
}

/// The same with a patience of its own, for what must take longer.
pub fn until_within<T>(patience: Duration, what: &str, mut answer: impl FnMut() -> Option<T>) -> T {
    let start = Instant::now();
    loop {
        if let Some(answer) = answer() {
            return answer;
        }
        assert!(start.elapsed() < patience, "waited {patience:?} for this: {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

fn exit_of(child: &mut Child, what: &str) -> ExitStatus {
    until(&format!("the end of {what}"), || child.try_wait().expect("a child"))
}

/// A signal to one process, by its id.
pub fn signal(pid: u32, name: &str) {
    let sent = Command::new("kill").arg(format!("-{name}")).arg(pid.to_string()).status().expect("kill");
    assert!(sent.success(), "kill -{name} {pid}");
}

/// What a command said and how it ended.
#[derive(Debug)]
pub struct Done {
    pub code: Option<i32>,
    pub out: String,
    pub err: String,
}

impl Done {
    /// Its standard output as JSON.
    pub fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.out).unwrap_or_else(|error| panic!("{error} in {self:?}"))
    }

    /// Itself, if it ended so.
    pub fn ended(self, code: i32) -> Done {
        assert_eq!(self.code, Some(code), "{self:?}");
        self
    }
}

/// Runs a command of the program to its end.
pub fn command(folder: &Path, arguments: &[&str], environment: &[(String, String)]) -> Done {
    let (out, err) = mouths(folder);
    let mut command = program(folder, arguments);
    command.envs(environment.iter().cloned());
    command.stdout(File::create(&out).expect("a file")).stderr(File::create(&err).expect("a file"));
    let mut child = Ended(command.spawn().expect("the program"));
    let code = exit_of(&mut child.0, &arguments.join(" ")).code();
    Done { code, out: said(&out), err: said(&err) }
}

/// Ends its child when dropped.
struct Ended(Child);

impl Drop for Ended {
    fn drop(&mut self) {
        // It may have ended already.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A running daemon.
pub struct Daemon {
    child: Ended,
    home: PathBuf,
    out: PathBuf,
    err: PathBuf,
}

impl Daemon {
    /// Starts it and does not wait.
    pub fn spawn(folder: &Path, environment: &[(String, String)]) -> Daemon {
        let (out, err) = mouths(folder);
        let mut command = program(folder, &[]);
        command.envs(environment.iter().cloned());
        command.stdout(File::create(&out).expect("a file")).stderr(File::create(&err).expect("a file"));
        Daemon { child: Ended(command.spawn().expect("the program")), home: folder.to_owned(), out, err }
    }

    /// Starts it with pipes for its output, whose other ends are closed once it has said its first line.
    pub fn spawn_unheard(folder: &Path, environment: &[(String, String)]) -> Daemon {
        let (out, err) = mouths(folder);
        let mut command = program(folder, &["serve"]);
        command.envs(environment.iter().cloned()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = command.spawn().expect("the program");
        drop(child.stdout.take());
        drop(child.stderr.take());
        Daemon { child: Ended(child), home: folder.to_owned(), out, err }
    }

    /// Waits for its start-up message.
    pub fn announced(self) -> Daemon {
        self.announced_within(PATIENCE)
    }

    /// The same with a patience of its own, where much is to be done first.
    pub fn announced_within(mut self, patience: Duration) -> Daemon {
        let mut ended = None;
        until_within(patience, "the start-up message", || {
            ended = self.child.0.try_wait().expect("a child");
            (ended.is_some() || said(&self.out).contains("Ctrl-C stops")).then_some(())
        });
        assert!(ended.is_none(), "it ended at once ({ended:?}): {}", self.log());
        self
    }

    /// Its start-up message.
    pub fn said(&self) -> String {
        said(&self.out)
    }

    /// Its log so far.
    pub fn log(&self) -> String {
        said(&self.err)
    }

    /// The folder that it runs in.
    pub fn home(&self) -> &Path {
        &self.home
    }

    pub fn pid(&self) -> u32 {
        self.child.0.id()
    }

    /// Whether it still runs.
    pub fn runs(&mut self) -> bool {
        self.child.0.try_wait().expect("a child").is_none()
    }

    /// kill -9.
    pub fn kill(mut self) {
        let _ = self.child.0.kill();
        let _ = self.child.0.wait();
    }

    /// Waits for a line of its log.
    pub fn logs(&self, text: &str) {
        until(&format!("\"{text}\" in the log"), || self.log().contains(text).then_some(()));
    }

    /// Sends a signal that stops it; how it ended.
    pub fn stop(mut self, name: &str) -> Option<i32> {
        signal(self.pid(), name);
        exit_of(&mut self.child.0, "the daemon").code()
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        if std::thread::panicking() {
            let log = self.log();
            let from = log.len().saturating_sub(6_000);
            eprintln!("--- the daemon's log ends so:\n{}", log.get(from..).unwrap_or(&log));
        }
    }
}
