//! What a station held before: where the way back may lead.
//!
//! A failed test call is answered by what last worked: what the settings of each lifeline held when a test call of it last
//! reached help. Where none ever did, by what was held before the last script that was keyed.

use super::issued::Digest;
use super::mark::Mark;
use super::proven::same;
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

/// What was known before a script was keyed. Reports of one script are of one keying; what other reports change between them
/// was held before the later one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Keying {
    pub(super) script: Digest,
    pub(super) held: Held,
    /// What other reports made known since: it counts once the script is keyed again.
    pub(super) since: Held,
}

impl Keying {
    /// The script is keyed again.
    fn again(&mut self) {
        for (held, since) in self.held.iter_mut().zip(&mut self.since) {
            if since.is_some() {
                *held = since.take();
            }
        }
    }

    fn changed_by_others(&mut self, before: &[Option<Value>], now: &[Option<Value>]) {
        for ((since, before), now) in self.since.iter_mut().zip(before).zip(now) {
            if now.is_some() && !same(before.as_ref(), now.as_ref()) {
                since.clone_from(now);
            }
        }
    }
}

/// What a station held at moments that matter later.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Earlier {
    /// For each of the keybook's lifelines, what was known of its settings when a test call of it last reached help.
    pub(super) worked: Vec<Option<Worked>>,
    /// Before the last script of which a step was accepted.
    pub(super) before_script: Option<Keying>,
    /// Before a script after that of which no step was accepted yet.
    pub(super) tried: Option<Keying>,
    /// Of what nobody knows since a visit of which no report came: what was known before it. Empty where there was no visit.
    pub(super) before_visit: Held,
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

    /// Of a setting that nobody knows since a visit of which no report came: what it held before that.
    pub fn before_visit(&self, id: SettingId) -> Option<&Value> {
        self.before_visit.get(id.index())?.as_ref()
    }

    /// Whether a report says that a step of a script was accepted.
    pub fn knows_script(&self) -> bool {
        self.before_script.is_some()
    }

    /// A test call of a lifeline, of so many, reached help.
    pub(super) fn reached(&mut self, lifeline: usize, of: usize, worked: Worked) {
        self.worked.resize(of, None);
        self.worked[lifeline] = Some(worked);
    }

    /// A report of a script is about to be folded; `is_accepted`: whether a step of it was. `held`: what is known
    /// before it.
    pub(super) fn keyed(&mut self, script: &Digest, is_accepted: bool, held: impl FnOnce() -> Held) {
        let is_of = |keying: &&mut Keying| keying.script == *script;
        if let Some(tried) = self.tried.as_mut().filter(is_of) {
            tried.again();
        } else if let Some(before) = self.before_script.as_mut().filter(is_of) {
            return before.again();
        } else {
            let held = held();
            self.tried = Some(Keying { script: script.clone(), since: vec![None; held.len()], held });
        }
        if is_accepted {
            self.before_script = self.tried.take();
        }
    }

    /// Whether a report changes what was held before another script is keyed again. `script`: what the report names.
    pub(super) fn is_between(&self, script: Option<&Digest>) -> bool {
        let mut keyings = self.before_script.iter().chain(&self.tried);
        keyings.any(|keying| Some(&keying.script) != script)
    }

    /// A report was folded. `script`: what it names; `before`: what was known before it.
    pub(super) fn reported(&mut self, script: Option<&Digest>, before: &[Option<Value>], now: &[Option<Value>]) {
        let keyings = self.before_script.iter_mut().chain(&mut self.tried);
        let others = keyings.filter(|keying| Some(&keying.script) != script);
        others.for_each(|keying| keying.changed_by_others(before, now));
    }

    /// A visit began of which no report came. `held`: what is known before it.
    pub(super) fn begun(&mut self, held: Held) {
        self.before_visit.resize(held.len(), None);
        for (before, held) in self.before_visit.iter_mut().zip(held) {
            *before = held.or(before.take());
        }
    }

    /// `is_known`: whether each setting is known now. What it was before matters no longer.
    pub(super) fn forget(&mut self, is_known: impl Iterator<Item = bool>) {
        for (before, _) in self.before_visit.iter_mut().zip(is_known).filter(|(_, is_known)| *is_known) {
            *before = None;
        }
    }

    /// Another unit, or one that was cleared: visits before it say nothing of it.
    pub(super) fn renewed(&mut self) {
        self.before_visit.clear();
    }
}
