//! How commands print: for people or for programs, and the forms of a script.

use super::error::CliError;
use crate::brake::Change;

/// Most results.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    Text,
    Json,
}

/// How a script is printed. Words on a value would make `--help` print several lines an option.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum ScriptFormat {
    Card,
    Keys,
    Json,
    Html,
}

/// A script that is held: why, and what to do.
pub fn held(station: &str, change: &Change) -> CliError {
    CliError::failed(format!("the script for {station} is held: {}", release_hint(change)))
}

/// Why scripts are held, and what to do.
pub fn release_hint(change: &Change) -> String {
    format!(
        "{} List what would change:\n  stationkeep release {}\nIf every station is meant, release it:\n  {}",
        change.sentence(),
        change.digest,
        change.release()
    )
}
