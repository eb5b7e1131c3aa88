//! How commands print: for people or for programs, and the forms of a script.

use super::error::CliError;
use crate::brake::Held;

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
///
/// `until`: what can be done at the station before its release.
pub fn held(station: &str, held: Option<&Held>, until: Option<String>) -> CliError {
    let hint = held.map(release_hint).unwrap_or_default();
    let until = until.map(|until| format!("\nUntil then, {until}.")).unwrap_or_default();
    CliError::failed(format!("the script for {station} is held: {hint}{until}"))
}

/// Why scripts are held, and what to do.
pub fn release_hint(held: &Held) -> String {
    format!(
        "{} List {}:\n  {}\nIf every station is meant, release it:\n  {}",
        held.sentence(),
        held.what(),
        held.change.list(),
        held.change.release()
    )
}
