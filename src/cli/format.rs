//! How commands print: for people or for programs, and the forms of a script.

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

/// Why a script is held, and what to do.
pub fn release_hint(held: &Held) -> String {
    format!(
        "{} See that every one of them is meant (`stationkeep drift`), then release it:\n  {}",
        held.sentence(),
        held.release()
    )
}
