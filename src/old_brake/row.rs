//! Rows: what was last settled of each station, and of each line that a station has left.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::{Parts, Share};
use crate::ledger::Digest;
use crate::setting::Name;

/// What was last settled of a station.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settled {
    pub station: Name,
    /// The name it had before it had this one.
    pub formerly: Option<Name>,
    pub site: Name,
    pub model: Name,
    /// The line that it settled at, in E.164.
    pub number: Name,
    /// Stands for its lifeline values: 32 hexadecimal digits.
    pub print: Name,
    /// What `print` stands for; nothing where a version wrote the row that did not keep it.
    pub parts: Option<Parts>,
    /// Whether a report ever spoke of the station.
    pub on_record: bool,
    /// The last entry of the ledger that was known when it settled: an older release does not cover what came after.
    pub seq: i64,
    /// Until the station is on record: since when it is known here. After that: since when something of it is no lifeline
    /// setting with something wanted any more, or it rings at a line that was another's; only a report of a time after
    /// this shows that it is meant.
    pub since: Option<Timestamp>,
    /// The share by which the change is held that it is part of.
    pub held: Option<Share>,
    /// The last script to something else that was handed out, until it is known what became of it.
    pub out: Option<Out>,
}

/// A script that was handed out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Out {
    /// Of what it leads to.
    pub print: Name,
    /// To the second.
    pub at: Timestamp,
    /// Nothing where a version wrote it that did not keep it.
    pub script: Option<Digest>,
}

/// Rows in place of others; they go and come together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Move {
    /// As it was read; perhaps of another name.
    pub was: Option<Settled>,
    pub now: Option<Settled>,
}

/// What is settled, by station.
pub type Rows = BTreeMap<Name, Settled>;

/// The name of the row that a station on record leaves behind at a line that it rings no more. No station is called so.
pub(super) fn line(number: &Name) -> Name {
    format!("line\n{number}").into()
}

impl Settled {
    /// Whether it is a line's that a station has left.
    pub fn is_line(&self) -> bool {
        self.station.starts_with("line\n")
    }

    /// What it leaves behind at its line.
    pub(super) fn left(&self, seq: i64) -> Settled {
        Settled { station: line(&self.number), formerly: None, seq, since: None, held: None, out: None, ..self.clone() }
    }
}
