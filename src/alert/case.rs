//! What was said of one subject, and who heard it: one stored form for every topic. What cannot be read back is known to
//! have been there, so that it is told again.

use std::collections::BTreeMap;
use std::fmt::Debug;

use jiff::{SignedDuration, Timestamp};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use super::json::json;
use super::kept::{self, Text, Version};
use super::mark::Mark;
use crate::setting::{Name, Weight};

/// How long it is remembered that a fix was confirmed, that a station was withdrawn, and that a webhook which is not
/// configured now once heard of a case.
pub const REMEMBERED: SignedDuration = SignedDuration::from_hours(30 * 24);

/// Whether something of that age is still remembered. A time in the future is a clock set back.
pub fn fresh(at: Timestamp, clock: Timestamp) -> bool {
    clock.duration_since(at) <= REMEMBERED
}

/// The last moment at which something of that time is remembered.
pub fn forgotten_after(at: Timestamp) -> Timestamp {
    at.saturating_add(REMEMBERED).unwrap_or(Timestamp::MAX)
}

/// What it means for a person pressing the button.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// A nuisance at most.
    Info,
    /// Responders may be told a wrong place.
    Warning,
    /// A button may call nobody.
    Error,
    /// A button calls nobody.
    Critical,
}

impl Severity {
    const ALL: [Severity; 4] = [Severity::Info, Severity::Warning, Severity::Error, Severity::Critical];

    /// The word used in output.
    pub fn as_str(self) -> &'static str {
        match self {
            Severity::Info => "info",
            Severity::Warning => "warning",
            Severity::Error => "error",
            Severity::Critical => "critical",
        }
    }

    /// The one that this word is for.
    pub fn of_word(word: &str) -> Option<Severity> {
        Severity::ALL.into_iter().find(|known| known.as_str() == word)
    }

    /// Of something of this weight, where no button is known to call nobody.
    pub fn of(weight: Weight) -> Severity {
        match weight {
            Weight::Lifeline => Severity::Error,
            Weight::Locating => Severity::Warning,
            Weight::Routine => Severity::Info,
        }
    }

    /// By this weight webhooks take it, and are reminded of it.
    pub fn weight(self) -> Weight {
        match self {
            Severity::Critical | Severity::Error => Weight::Lifeline,
            Severity::Warning => Weight::Locating,
            Severity::Info => Weight::Routine,
        }
    }
}

impl Text for Severity {
    fn text(&self) -> String {
        self.as_str().into()
    }

    fn read(text: &str) -> Option<Severity> {
        Severity::of_word(text)
    }
}

/// What a topic remembers, as JSON.
pub trait Kept: Clone + Debug + PartialEq + Serialize + DeserializeOwned {}

impl<T: Clone + Debug + PartialEq + Serialize + DeserializeOwned> Kept for T {}

/// How a subject is that is not as it should be.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Condition<F> {
    /// Whether a webhook takes it goes by this.
    #[serde(with = "kept")]
    pub severity: Severity,
    /// Equal where there is nothing new to say.
    #[serde(with = "kept")]
    pub mark: Mark,
    /// What the topic says of it.
    pub facts: F,
}

/// What was told of a subject: how it is, or was when its case ended.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Told<F> {
    #[serde(with = "kept")]
    pub opened_at: Timestamp,
    /// When there was last something new about it.
    #[serde(with = "kept")]
    pub changed_at: Timestamp,
    pub is_open: bool,
    pub condition: Condition<F>,
}

/// What one webhook last heard of a case, by telling or reminder.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Hearing {
    #[serde(with = "kept")]
    pub at: Timestamp,
    /// The mark of what it heard.
    #[serde(with = "kept")]
    pub mark: Mark,
}

/// All that is kept of one subject.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(bound = "F: Kept, M: Kept + Default")]
pub struct Case<F, M> {
    case: Version,
    /// Nothing where there is only something to remember.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub told: Option<Told<F>>,
    /// Every webhook that was told of the case and not yet that it is over.
    #[serde(with = "kept::map", default, skip_serializing_if = "BTreeMap::is_empty")]
    pub heard: BTreeMap<Name, Hearing>,
    /// The topic's fine points.
    #[serde(default, skip_serializing_if = "is_default")]
    pub memory: M,
}

fn is_default<M: Default + PartialEq>(memory: &M) -> bool {
    *memory == M::default()
}

impl<F: Kept, M: Kept + Default> Case<F, M> {
    /// One of these parts.
    pub fn new(told: Option<Told<F>>, heard: BTreeMap<Name, Hearing>, memory: M) -> Case<F, M> {
        Case { case: Version, told, heard, memory }
    }

    /// Nothing is kept.
    pub fn is_nothing(&self) -> bool {
        let Case { case: _, told, heard, memory } = self;
        told.is_none() && heard.is_empty() && is_default(memory)
    }

    /// What is told, where the case is open.
    pub fn open(&self) -> Option<&Told<F>> {
        self.told.as_ref().filter(|told| told.is_open)
    }

    /// The text to keep it in.
    pub fn to_json(&self) -> String {
        json(self)
    }
}

/// What was said of a subject before.
#[derive(Debug, Clone, PartialEq)]
pub enum Before<F, M> {
    Nothing,
    /// Kept by another version, or damaged: there was something.
    Unreadable,
    Case(Case<F, M>),
}

impl<F: Kept, M: Kept + Default> Before<F, M> {
    /// Reads what is kept.
    pub fn read(text: Option<&str>) -> Before<F, M> {
        let Some(text) = text else { return Before::Nothing };
        let case = serde_json::from_str::<Case<F, M>>(text).ok();
        // Nobody keeps nothing: what was here is lost.
        case.filter(|case| !case.is_nothing()).map_or(Before::Unreadable, Before::Case)
    }

    /// The case, where there is one that can be read.
    pub fn case(&self) -> Option<&Case<F, M>> {
        match self {
            Before::Case(case) => Some(case),
            Before::Nothing | Before::Unreadable => None,
        }
    }
}
