//! How commands print: for people or for programs, and the forms of a script.

use super::error::CliError;
use crate::brake::Held;

/// Most results.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// For people
    Text,
    /// Stable, for programs
    Json,
}

/// A script.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum ScriptFormat {
    /// A card for the technician, 80 columns
    Card,
    /// The bare keys, a line a command
    Keys,
    /// Stable, for programs
    Json,
    /// The card as a page of one file
    Html,
}

/// A script that is held: why, and what to do.
pub fn held(station: &str, held: Option<&Held>) -> CliError {
    let hint = held.map(release_hint).unwrap_or_default();
    CliError::failed(format!("the script for {station} is held: {hint}"))
}

/// Why scripts are held, and what to do.
pub fn release_hint(held: &Held) -> String {
    format!(
        "{} List what would change:\n  {}\nIf every station is meant, release it:\n  {}",
        held.sentence(),
        held.change.list(),
        held.change.release()
    )
}
