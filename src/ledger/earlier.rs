//! What a station held before: where the way back may lead.
//!
//! A failed test call is answered by what last worked: what the settings of each lifeline held when a test call of it last
//! reached help. Where none ever did, by what was held before the last script that was keyed.

use super::issued::Digest;
use super::mark::Mark;
use crate::keybook::SettingId;
use crate::setting::Value;

/// The known values of a station at some moment, one for each of the keybook's settings.
pub type Held = Vec<Option<Value>>;

/// What was known of a lifeline's settings when a test call of it reached help.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Worked {
    /// The report that says so.
    pub mark: Mark,
    /// One for each of the lifeline's settings.
    pub held: Vec<(SettingId, Option<Value>)>,
}

/// What was known before a script was keyed. Reports of one script, one after the other, are of one keying.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Keying {
    script: Digest,
    held: Held,
}

/// What a station held at moments that matter later.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Earlier {
    /// For each of the keybook's lifelines, what was known of its settings when a test call of it last reached help.
    worked: Vec<Option<Worked>>,
    /// Before the last script of which a step was accepted.
    before_script: Option<Keying>,
    /// Before a script after that of which no step was accepted yet.
    tried: Option<Keying>,
    /// Before the first visit of which no report came.
    before_visit: Option<Held>,
}

impl Earlier {
    /// What was known of a lifeline when a test call of it last reached help.
    pub fn worked(&self, lifeline: usize) -> Option<&Worked> {
        self.worked.get(lifeline)?.as_ref()
    }

    /// What a setting held before the last script of which a step was accepted, where that was known.
    pub fn before_script(&self, id: SettingId) -> Option<&Value> {
        self.before_script.as_ref()?.held[id.index()].as_ref()
    }

    /// What was known before the first visit of which no report came, where there is one.
    pub fn before_visit(&self) -> Option<&Held> {
        self.before_visit.as_ref()
    }

    /// A test call of a lifeline, of so many, reached help.
    pub(super) fn reached(&mut self, lifeline: usize, of: usize, worked: Worked) {
        self.worked.resize(of, None);
        self.worked[lifeline] = Some(worked);
    }

    /// A report of a script is about to be folded; `is_accepted`: whether a step of it was. `held`: what is known
    /// before it.
    pub(super) fn keyed(&mut self, script: &Digest, is_accepted: bool, held: impl FnOnce() -> Held) {
        let is_of = |keying: &Option<Keying>| keying.as_ref().is_some_and(|keying| keying.script == *script);
        if !is_of(&self.tried) {
            if is_of(&self.before_script) {
                return;
            }
            self.tried = Some(Keying { script: script.clone(), held: held() });
        }
        if is_accepted {
            self.before_script = self.tried.take();
        }
    }

    /// A visit began of which no report came. `held`: what is known before it.
    pub(super) fn begun(&mut self, held: impl FnOnce() -> Held) {
        self.before_visit.get_or_insert_with(held);
    }
}
