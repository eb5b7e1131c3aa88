//! How a command ends.

use std::process::ExitCode;

/// How a command ended; the numbers are part of the interface.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    Done,
    Failed,
    Usage,
    DriftFound,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> ExitCode {
        ExitCode::from(match exit {
            Exit::Done => 0,
            Exit::Failed => 1,
            Exit::Usage => 2,
            Exit::DriftFound => 3,
        })
    }
}
