//! A delta script as it was written: calls, and steps in them. It decides nothing; `write.rs` does.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde_json::Value as Json;
use uuid::Uuid;

use super::aim::Back;
use super::dead::Dead;
use super::obvious::Obvious;
use super::pressed::Pressed;
use super::problem::Cost;
use super::rationale::Rationale;
use super::recovery::Recovery;
use super::test_call::TestCall;
use super::warning::Warning;
use crate::drift::{RefusedCodes, Setback};
use crate::finding::minute;
use crate::ledger::Digest;
use crate::setting::{Name, Value};

/// A script for one station, proved.
#[derive(Debug, Clone, PartialEq)]
pub struct Script {
    /// Where it leads back; nothing where it leads to what is wanted.
    pub back: Option<Back>,
    /// What a report names it by; equal scripts of one installation have equal ones.
    pub digest: Digest,
    /// What its digest stands for beside its calls; nothing where only test calls are asked for.
    pub basis: Option<Basis>,
    /// Its name in the inventory.
    pub station: Name,
    /// The model's name in its keybook.
    pub model: Name,
    /// What rings it, in E.164.
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
    /// None where only test calls are asked for.
    pub calls: Vec<Call>,
    /// The test calls to make after it.
    pub tests: Vec<TestCall>,
    /// The way back to what last worked, where the last test call of a button failed and there is one.
    pub way_back: Option<Digest>,
    /// Which station answers is to be made sure of, and why.
    pub renumbered: Option<Renumbered>,
    /// Which codes the station refused since one was last shown to be right.
    pub refused: Option<RefusedCodes>,
    /// What went wrong before with what is wanted.
    pub setbacks: Vec<Setback>,
    /// The steps of it that the station refused before, where nothing was made known of their settings since.
    pub refused_again: Vec<RefusedAgain>,
    /// Settings that are keyed again because they were confirmed too long ago.
    pub renewed: Vec<Name>,
    /// Who began to key it, and when, where no report of that visit came yet.
    pub begun: Option<Begun>,
    /// Who began to key another card of the station, and when, where no report of it came yet.
    pub beside: Vec<OtherVisit>,
    /// Whether it has keys A to D, which an ordinary phone lacks.
    pub letters: bool,
    /// Buttons that call nobody, before and after it.
    pub dead: Vec<Dead>,
    /// Buttons of which nobody knows whether they call someone, each with the settings that nobody knows.
    pub undecided: Vec<(Name, Vec<Name>)>,
    /// What the obvious script would have cost; `None` where nothing is keyed.
    pub obvious: Option<Obvious>,
    /// Lifelines of which nobody knows some settings, with these: what is said of the best script leaves them out.
    pub unsure: Vec<(Name, Vec<Name>)>,
    /// What nobody can know here, to be read before keying.
    pub warnings: Vec<Warning>,
}

/// What a script was written from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Basis {
    /// SHA-256 of the keybook's text, in hexadecimal.
    pub keybook: String,
    /// What each setting held at the start, in the keybook's order, as the digest has it.
    pub start: Json,
}

/// Why it is to be made sure which station answers: it has another number than that at which it last answered, or another
/// station answered when it was last rung, or may have.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Renumbered {
    /// The number at which it last answered, in E.164, where it has another now.
    pub before: Option<Name>,
    /// What the inventory gives it now.
    pub now: Name,
    /// What was heard when it was last rung, and whose it is, where that is another station: "103 was heard, which is EQ-03's
    /// identity".
    pub heard: Vec<String>,
    /// What it says of itself, so far as reports go: the values of its locating settings.
    pub says: Vec<String>,
    /// The same by the names of the settings, where one value of each is known.
    pub values: BTreeMap<String, String>,
}

/// A step that the station refused when it was keyed before.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RefusedAgain {
    /// Its number on the card.
    pub step: u32,
    /// What people call the settings that it stores.
    pub titles: Vec<String>,
    /// When it was refused last.
    pub at: Timestamp,
    /// Who heard it.
    pub by: Name,
}

/// Someone's visit with another card, of which no report came yet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OtherVisit {
    /// The visit's id.
    pub visit: Uuid,
    /// Who keys.
    pub by: Name,
    /// Since when.
    pub at: Timestamp,
}

impl Script {
    /// The first visit beside it that is not among those that whoever asks knows of: the card is shown only after it was said
    /// who is there.
    pub fn unknown_visit(&self, known: &[Uuid]) -> Option<&OtherVisit> {
        self.beside.iter().find(|beside| !known.contains(&beside.visit))
    }
}

impl OtherVisit {
    /// "tech-05 began to key another card of BI-03 at 2026-11-24 08:24 UTC, and no report of it has come yet."
    pub fn sentence(&self, station: &str) -> String {
        let at = minute(self.at);
        format!("{} began to key another card of {station} at {at}, and no report of it has come yet.", self.by)
    }
}

/// The beginning of a visit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Begun {
    /// Who keys.
    pub by: Name,
    /// Since when.
    pub at: Timestamp,
    /// Whether something else is wanted by now than it leads to.
    pub is_outdated: bool,
}

/// One programming call.
#[derive(Debug, Clone, PartialEq)]
pub struct Call {
    /// Keyed once the station answers.
    pub open: Pressed,
    /// The codes that may open it, in the order to try them: a known one alone. Empty where none is keyed, or nobody knows any.
    pub codes: Vec<Value>,
    /// Whether nobody knows that it opens; then a warning says what to try.
    pub is_guessed: bool,
    /// Nothing where the station hangs up by itself or needs no closing.
    pub close: Option<Pressed>,
    /// In the order to key them.
    pub steps: Vec<Step>,
    /// From answer to hang-up, in milliseconds.
    pub length_ms: u64,
    /// What is left of the longest call that the station takes, in milliseconds.
    pub room_ms: u64,
    /// Whether a step that is refused can be keyed once more, whichever it is.
    pub has_room: bool,
    /// Whether the station hangs up by itself after the last step.
    pub ends_itself: bool,
}

impl Call {
    /// Whether it has keys A to D.
    pub(super) fn has_letters(&self) -> bool {
        let steps = self.steps.iter().map(|step| &step.keys);
        [&self.open].into_iter().chain(steps).chain(&self.close).any(Pressed::has_letters)
    }
}

/// One command to key.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// Counted through all calls, from 1.
    pub number: u32,
    /// Its name in the keybook.
    pub command: Name,
    /// With codes by reference.
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
    /// The keybook's note on the command.
    pub note: Option<Name>,
}
