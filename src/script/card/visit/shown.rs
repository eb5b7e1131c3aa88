//! What a page of a visit is given: screens, what is tapped, and what the report says then.

use std::collections::BTreeMap;

use serde::Serialize;

/// One screen.
#[derive(Debug, Clone, Serialize)]
pub struct Screen {
    /// By which taps are kept.
    pub id: String,
    /// What it shows.
    #[serde(flatten)]
    pub shows: Shows,
    /// What to know before, a sentence each.
    pub says: Vec<String>,
    /// Of an opening: whether what it says is of a button that calls nobody meanwhile.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub is_bare: bool,
    /// Where each answer leads.
    pub answers: Vec<Answer>,
}

/// What a screen shows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(tag = "shows", rename_all = "snake_case")]
pub enum Shows {
    /// The question which station answers.
    Which,
    /// What another station says of itself; the value goes with the answer.
    Says,
    /// A call to make and open; `opening` counts [`super::Visit::openings`].
    Open {
        /// From 0.
        call: usize,
        /// From 0.
        opening: usize,
    },
    /// A step to key.
    Step {
        /// Its number, from 1.
        step: u32,
    },
    /// The question whether a step was keyed before the line dropped.
    Dropped {
        /// Its number, from 1.
        step: u32,
    },
    /// The end of a call.
    End {
        /// From 0.
        call: usize,
    },
    /// Keying is over before its end.
    Stop,
    /// A test call.
    Test {
        /// From 0.
        test: usize,
    },
    /// The question who else answered it: one of [`super::Visit::contacts`] goes with the answer.
    Who {
        /// From 0.
        test: usize,
    },
    /// The report.
    Finish,
}

/// An answer to a screen.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Answer {
    /// What is tapped.
    pub word: Word,
    /// The screen it leads to, from 0.
    pub to: usize,
    /// What the report says then.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tells: Option<Tells>,
}

/// What is tapped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs, reason = "they are the words of the page")]
pub enum Word {
    Accepted,
    Refused,
    Nothing,
    Dropped,
    Yes,
    No,
    Done,
    Again,
    Leave,
    Reached,
    Failed,
    Other,
    Named,
    Later,
}

/// A part of the report. A later word on the same step or test replaces an earlier one; openings are listed as they come.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Tells {
    /// `heard`: accepted, refused or nothing; calls and codes from 1.
    #[allow(missing_docs, reason = "as in a report")]
    Opening { call: usize, code: usize, heard: &'static str },
    /// The same of a step.
    #[allow(missing_docs, reason = "as in a report")]
    Step { step: u32, heard: &'static str },
    /// `outcome`: reached or failed. Who else was reached goes with the tap.
    #[allow(missing_docs, reason = "as in a report")]
    Test { test: usize, outcome: &'static str },
    /// Values of settings as the station says them before a key.
    Found(BTreeMap<String, String>),
    /// The same of one setting, of which the tap has the value.
    Heard(String),
    /// What a report has no field for.
    Note(String),
}
