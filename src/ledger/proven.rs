//! The values that were last proved of a station's lifeline settings: what the brake compares with what is wanted.
//!
//! A value is proved by a test of a lifeline of the setting that reached help. Until there was one, an accepted step, `left`
//! and `found` prove it. A `found` that contradicts the record, a new unit and doubt prove nothing.

use jiff::Timestamp;

use crate::setting::{Name, Value};

/// What was last proved of one setting.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Proven {
    /// Its name in the keybook that the report was read with.
    pub setting: Name,
    /// `None`: the keybook has no such setting any longer, or can no longer hold that value.
    pub value: Option<Value>,
    /// Whether a test call proved it; then only another one proves something else.
    pub is_tested: bool,
    /// The same as if nothing had ever been tested: what a report last made known. It counts where no test is made of a
    /// setting, because no lifeline of it is in use.
    pub made_known: Option<Value>,
    pub(super) last: Evidence,
}

/// What reports said the setting holds, whatever it proved.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Evidence {
    pub(super) value: Option<Value>,
    /// When a report last said so, and when one last said anything else.
    pub(super) at: Timestamp,
    pub(super) other_at: Option<Timestamp>,
}

impl Proven {
    /// A setting that holds a value by what a report of this time says.
    pub fn new(setting: Name, value: Option<Value>, at: Timestamp) -> Proven {
        let last = Evidence { value: value.clone(), at, other_at: None };
        Proven { setting, made_known: value.clone(), value, is_tested: false, last }
    }

    /// Whether a report after a time says that it holds anything but values of which `is_meant` is true.
    pub fn shows_other(&self, is_meant: impl Fn(Option<&Value>) -> bool, after: Timestamp) -> bool {
        match is_meant(self.last.value.as_ref()) {
            true => self.last.other_at.is_some_and(|at| at > after),
            false => self.last.at > after,
        }
    }

    /// Whether no report ever said that it holds anything else.
    pub fn is_said_once(&self) -> bool {
        self.last.other_at.is_none()
    }

    /// When a report last said what it holds.
    pub fn said_at(&self) -> Timestamp {
        self.last.at
    }

    fn says(&mut self, value: Option<Value>, at: Timestamp) {
        if !same(self.last.value.as_ref(), value.as_ref()) {
            self.last = Evidence { value, at, other_at: Some(self.last.at) };
        }
        self.last.at = at;
    }
}

/// Whether both are the same to a station.
pub fn same(one: Option<&Value>, other: Option<&Value>) -> bool {
    match (one, other) {
        (Some(one), Some(other)) => one.agrees(other),
        (None, None) => true,
        (Some(_), None) | (None, Some(_)) => false,
    }
}

/// A report made a value known.
pub(super) fn made_known(all: &mut Vec<Proven>, setting: &Name, value: Option<&Value>, at: Timestamp) {
    match all.iter_mut().find(|proven| proven.setting == *setting) {
        Some(proven) => {
            proven.made_known = value.cloned();
            if !proven.is_tested {
                proven.value = value.cloned();
            }
        }
        None => all.push(Proven::new(setting.clone(), value.cloned(), at)),
    }
}

/// A test call reached help while the setting held a value.
pub(super) fn tested(all: &mut Vec<Proven>, setting: &Name, value: &Value, at: Timestamp) {
    made_known(all, setting, Some(value), at);
    if let Some(proven) = all.iter_mut().find(|proven| proven.setting == *setting) {
        (proven.value, proven.is_tested) = (Some(value.clone()), true);
    }
}

/// A report of this time says in the end that the setting holds a value.
pub(super) fn said(all: &mut [Proven], setting: &Name, value: Option<Value>, at: Timestamp) {
    if let Some(proven) = all.iter_mut().find(|proven| proven.setting == *setting) {
        proven.says(value, at);
    }
}
