//! What is watched, by which means, and at which pace.

use std::path::PathBuf;
use std::time::Duration;

use crate::files::{Folder, ReportFolders};

/// The longest burst is this many settle times: with the look and the pass after it, word comes within ten.
pub(super) const LONGEST: u32 = 8;
/// Everything whose changes matter.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Interest {
    /// Folders of YAML, with all folders below.
    pub trees: Vec<Folder>,
    /// Folders that reports are dropped in, with all folders below.
    pub inboxes: Vec<ReportFolders>,
    /// Single files by absolute path, there or not: the configuration, secrets.
    pub files: Vec<PathBuf>,
}

/// How changes are noticed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Means {
    /// The system tells of them.
    Events,
    /// Sizes, times and inodes are looked at every few seconds.
    Polling,
}

/// The times a watch keeps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pace {
    /// How long nothing may change before it speaks; eight times as long at most.
    pub settle: Duration,
    /// Between two looks while polling.
    pub poll: Duration,
    /// Between two looks beside events, for what they do not tell (a file system mounted over a folder).
    pub sweep: Duration,
    /// How long it waits for git to finish with a work tree.
    pub git: Duration,
}

impl Pace {
    /// Two seconds between looks while polling, a minute beside events, half a minute for git.
    pub fn settling(settle: Duration) -> Pace {
        let seconds = Duration::from_secs;
        Pace { settle, poll: seconds(2), sweep: seconds(60), git: seconds(30) }
    }

    /// The longest that it waits for files which never come to rest.
    pub fn longest(self) -> Duration {
        self.settle * LONGEST + self.git
    }
}
