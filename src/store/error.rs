//! What can go wrong between this program and its database, in words that say what to do about it.
//! It never shows a password (a place is a path, or host and database) and never repeats its source: print the chain.

use thiserror::Error;

/// Why the store could not do what was asked. `place` is the database's path, or its host, port and name; `doing` what was
/// under way.
#[allow(missing_docs, reason = "their messages say it")]
#[derive(Debug, Error)]
pub enum StoreError {
    #[error("\"ledger\" must be \"sqlite:\" with an absolute path, or \"postgres://user@host/database\"")]
    Address,
    #[error("cannot make the folder of the ledger, {folder}; make it, or let this user write where it should be")]
    Folder { folder: String, source: std::io::Error },
    #[error("cannot open the ledger {place}; see that it exists, is a database, and that this user may write to it")]
    Open { place: String, source: sqlx::Error },
    #[error("the ledger {place} gave no answer in time while {doing}; see that the database runs and is reachable")]
    NoAnswer { place: String, doing: &'static str },
    #[error("the ledger {place} stayed locked by another process while {doing}; try again when that one is done")]
    Busy { place: String, doing: &'static str, source: sqlx::Error },
    #[error("no room left for the ledger {place} while {doing}: its disk is full; free some space there")]
    Full { place: String, doing: &'static str, source: sqlx::Error },
    #[error(
        "the ledger {place} is read-only and may not be written while {doing}; let this user write the file and its folder, or mount its disk for writing"
    )]
    ReadOnly { place: String, doing: &'static str, source: sqlx::Error },
    #[error(
        "the ledger {place} was written by a newer version of this program (layout {found}, this one knows {known}); use that version"
    )]
    Newer { place: String, found: i64, known: i64 },
    #[error(
        "the ledger {place} was written by an older version of this program (layout {found}, this one knows {known}). Export it with the version that wrote it, then import."
    )]
    Older { place: String, found: i64, known: i64 },
    #[error("the ledger {place} was begun with another key of fingerprints; put back the one that belongs to it")]
    OtherKey { place: String },
    #[error("cannot lay out the ledger {place}; nothing was changed")]
    Layout { place: String, source: sqlx::Error },
    #[error("{what} holds a NUL character, which no ledger can keep; remove it")]
    Nul { what: &'static str },
    #[error("the ledger {place} lacks a row that must be there while {doing}; run \"stationkeep ledger verify\"")]
    RowGone { place: String, doing: &'static str },
    #[error("the ledger {place} failed while {doing}")]
    Database { place: String, doing: &'static str, source: sqlx::Error },
}

impl StoreError {
    /// Whether it may come of a database that can still be read: it takes no writes, or could not be opened for them.
    pub(super) fn may_be_unwritable(&self) -> bool {
        match self {
            Self::Open { .. } | Self::Folder { .. } | Self::Layout { .. } | Self::Database { .. } => true,
            Self::NoAnswer { .. } | Self::Address | Self::Newer { .. } | Self::Older { .. } | Self::OtherKey { .. } => {
                false
            }
            Self::Nul { .. } | Self::RowGone { .. } => false,
            Self::Busy { .. } | Self::Full { .. } | Self::ReadOnly { .. } => true,
        }
    }

    /// Whether the database takes no writes, as far as is known, and may still be read.
    pub fn takes_no_writes(&self) -> bool {
        matches!(self, Self::Busy { .. } | Self::Full { .. } | Self::ReadOnly { .. })
    }

    /// What is wrong with the ledger, in one word: `full`, `read-only`, `busy`, `away` or `failing`.
    pub fn word(&self) -> &'static str {
        match self {
            Self::Full { .. } => "full",
            Self::ReadOnly { .. } => "read-only",
            Self::Busy { .. } => "busy",
            Self::NoAnswer { .. } | Self::Open { .. } => "away",
            Self::Address
            | Self::Folder { .. }
            | Self::Newer { .. }
            | Self::Older { .. }
            | Self::OtherKey { .. }
            | Self::Layout { .. }
            | Self::Nul { .. }
            | Self::RowGone { .. }
            | Self::Database { .. } => "failing",
        }
    }

    /// Sorts a driver's error by what its reader can do about it. Codes: SQLite's result codes
    /// (the low byte is the primary one) and PostgreSQL's SQLSTATE (its manual, appendix A).
    pub(super) fn sorted(place: &str, doing: &'static str, source: sqlx::Error) -> Self {
        let place = place.to_owned();
        match Trouble::of(&source) {
            Trouble::NoAnswer => Self::NoAnswer { place, doing },
            Trouble::RowGone => Self::RowGone { place, doing },
            Trouble::Busy => Self::Busy { place, doing, source },
            Trouble::Full => Self::Full { place, doing, source },
            Trouble::ReadOnly => Self::ReadOnly { place, doing, source },
            Trouble::Other => Self::Database { place, doing, source },
        }
    }
}

enum Trouble {
    NoAnswer,
    RowGone,
    Busy,
    Full,
    ReadOnly,
    Other,
}

impl Trouble {
    fn of(error: &sqlx::Error) -> Self {
        if matches!(error, sqlx::Error::PoolTimedOut) {
            return Self::NoAnswer;
        }
        if matches!(error, sqlx::Error::RowNotFound) {
            return Self::RowGone;
        }
        let Some(code) = error.as_database_error().and_then(|e| e.code()) else {
            return Self::Other;
        };
        // A SQLSTATE has five characters, an SQLite result code at most four.
        match (code.len(), code.parse::<u32>()) {
            (5, _) if code == "55P03" => Self::Busy,
            (5, _) if code == "57014" => Self::NoAnswer,
            (5, _) if code == "53100" => Self::Full,
            (5, _) if code == "25006" => Self::ReadOnly,
            (1..=4, Ok(number)) => match number & 0xff {
                5 | 6 => Self::Busy,
                8 => Self::ReadOnly,
                13 => Self::Full,
                _ => Self::Other,
            },
            _ => Self::Other,
        }
    }
}

#[cfg(test)]
#[path = "error_tests.rs"]
mod tests;
