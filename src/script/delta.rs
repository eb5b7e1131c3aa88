//! A delta script as it was written: calls, and steps in them. It decides nothing; `write.rs` does.

use std::collections::BTreeMap;

use super::aim::Way;
use super::obvious::Obvious;
use super::pressed::Pressed;
use super::problem::Cost;
use super::rationale::Rationale;
use super::recovery::Recovery;
use super::warning::Warning;
use crate::ledger::Digest;
use crate::setting::{Name, Value};

/// A script for one station, proved.
#[derive(Debug, Clone, PartialEq)]
pub struct Script {
    pub way: Way,
    pub digest: Digest,
    pub station: Name,
    pub model: Name,
    pub number: Name,
    /// Whether no script is better.
    pub proven: bool,
    /// Where not proven: no script costs less.
    pub bound: Option<Cost>,
    /// Exposure, keying time, presses and commands.
    pub cost: Cost,
    /// Presses from a start in which every managed setting is unknown.
    pub full_presses: Option<u64>,
    /// Lifelines that the way back leaves otherwise than wanted, in a state in which no test call on record reached help.
    pub untried: Vec<Name>,
    pub calls: Vec<Call>,
    /// What the obvious script would have cost.
    pub obvious: Obvious,
    /// Lifelines of which nobody knows some settings, with these: what is said of the best script leaves them out.
    pub unsure: Vec<(Name, Vec<Name>)>,
    pub warnings: Vec<Warning>,
}

/// One programming call.
#[derive(Debug, Clone, PartialEq)]
pub struct Call {
    pub open: Pressed,
    /// Whether nobody knows that it opens; then a warning says what to try.
    pub is_guessed: bool,
    /// Nothing where the station hangs up by itself or needs no closing.
    pub close: Option<Pressed>,
    pub steps: Vec<Step>,
    /// From answer to hang-up, in milliseconds.
    pub length_ms: u64,
    /// Whether the station hangs up by itself after the last step.
    pub ends_itself: bool,
}

/// One command to key.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// Counted through all calls, from 1.
    pub number: u32,
    pub command: Name,
    pub keys: Pressed,
    /// The values keyed.
    pub sets: BTreeMap<Name, Value>,
    /// The other effects; `None` leaves a setting unknown.
    pub also: BTreeMap<Name, Option<Value>>,
    /// Tracked lifelines that are not covered just before it.
    pub uncovered: Vec<Name>,
    /// Lifelines of which nobody knows all, and whose known part is not covered just before it.
    pub unsure: Vec<Name>,
    /// The step's whole time, in milliseconds.
    pub takes_ms: u64,
    /// Why it is there, and why there.
    pub rationale: Rationale,
    /// What to do where it is not accepted.
    pub recovery: Recovery,
    pub note: Option<Name>,
}
