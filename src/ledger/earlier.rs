//! What a station held before: where the way back may lead.
//!
//! A failed test call is answered by what last worked: what the settings of each lifeline held when a test call of it last
//! reached help. Where none ever did, by what was held before the last script that was keyed, or before an earlier one: never
//! by what a test call failed with.

use super::issued::Digest;
use super::mark::Mark;
use super::proven::same;
use crate::keybook::SettingId;
use crate::setting::{Name, Value};

/// The known values of a station at some moment, one for each of the keybook's settings.
pub type Held = Vec<Option<Value>>;

/// What was known of a lifeline's settings when a test call of it reached help.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Worked {
    /// The report that says so.
    pub mark: Mark,
    /// One for each of the lifeline's settings.
    pub held: Of,
}

/// A test call that failed, and none reached help with the same settings since.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FailedWith {
    /// By its place in the keybook.
    pub lifeline: usize,
    /// What was known of the lifeline's settings, one for each.
    pub held: Of,
    /// The report of the last such call.
    pub mark: Mark,
    /// Who made it.
    pub by: Name,
}

/// A step that the station refused, as far as it concerns one setting of which nothing was made known since.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RefusedStep {
    /// What it would have changed.
    pub id: SettingId,
    /// To what; `None`: to something unknown.
    pub value: Option<Value>,
    /// The report that says so.
    pub mark: Mark,
    /// Who heard it.
    pub by: Name,
}

/// What was known before a script was keyed. Reports of one script are of one keying; what other reports change between them
/// was held before the later one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Keying {
    pub(super) script: Digest,
    pub(super) held: Held,
    /// What other reports made known since: it counts once the script is keyed again. Empty where they did not.
    pub(super) since: Held,
}

/// The known values of a lifeline's settings at some moment.
pub type Of = Vec<(SettingId, Option<Value>)>;

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
        for (nth, (before, now)) in before.iter().zip(now).enumerate() {
            if now.is_some() && !same(before.as_ref(), now.as_ref()) {
                self.since.resize(self.held.len(), None);
                self.since[nth].clone_from(now);
            }
        }
    }
}

/// What a station held at moments that matter later.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Earlier {
    /// For each of the keybook's lifelines, what was known of its settings when a test call of it last reached help.
    pub(super) worked: Vec<Option<Worked>>,
    /// Before each script of which a step was accepted, the last one last; of equal states the last alone.
    pub(super) before_scripts: Vec<Keying>,
    /// The test calls that failed, one for each state of a lifeline's settings in which none reached help since.
    pub(super) failed: Vec<FailedWith>,
    /// The steps that the station refused, the last one of each setting.
    pub(super) refused: Vec<RefusedStep>,
    /// What it was known to hold, once and no longer, of what opens a call, the last one last.
    pub(super) codes: Vec<(SettingId, Value)>,
    /// Before a script after those of which no step was accepted yet.
    pub(super) tried: Option<Keying>,
    /// Of what nobody knows since a visit of which no report came: what was known before it. Empty where there was no visit.
    pub(super) before_visit: Held,
}

impl Earlier {
    /// What was known of a lifeline when a test call of it last reached help.
    pub fn worked(&self, lifeline: usize) -> Option<&Worked> {
        self.worked.get(lifeline)?.as_ref()
    }

    /// What was known before each script of which a step was accepted, the last one first.
    pub fn before_scripts(&self) -> impl Iterator<Item = &Held> {
        self.before_scripts.iter().rev().map(|keying| &keying.held)
    }

    /// Whether a test call of a lifeline failed with what its settings hold in a state, and none reached help with it since.
    pub fn has_failed<'v>(&self, lifeline: usize, held: impl Fn(SettingId) -> Option<&'v Value>) -> bool {
        self.failed_with(lifeline, held).is_some()
    }

    /// The test call of a lifeline that failed with what its settings hold in a state, where none reached help with it since.
    pub fn failed_with<'v>(
        &self,
        lifeline: usize,
        held: impl Fn(SettingId) -> Option<&'v Value>,
    ) -> Option<&FailedWith> {
        let mut failed = self.failed.iter().filter(|failed| failed.lifeline == lifeline);
        failed.find(|failed| failed.held.iter().all(|(id, value)| same(value.as_ref(), held(*id))))
    }

    /// The steps that the station refused, where nothing was made known of what they would have changed since.
    pub fn refused(&self) -> &[RefusedStep] {
        &self.refused
    }

    /// The codes, or whatever else opens a call, that a setting was known to hold once and no longer, the last one first.
    pub fn codes(&self, id: SettingId) -> impl Iterator<Item = &Value> {
        self.codes.iter().rev().filter(move |(of, _)| *of == id).map(|(_, code)| code)
    }

    /// Of a setting that nobody knows since a visit of which no report came: what it held before that.
    pub fn before_visit(&self, id: SettingId) -> Option<&Value> {
        self.before_visit.get(id.index())?.as_ref()
    }

    /// A test call of a lifeline, of so many, reached help.
    pub(super) fn reached(&mut self, lifeline: usize, of: usize, worked: Worked) {
        self.worked.resize(of, None);
        self.failed.retain(|failed| failed.lifeline != lifeline || !is_same(&failed.held, &worked.held));
        self.worked[lifeline] = Some(worked);
    }

    /// A test call of a lifeline failed.
    pub(super) fn failed(&mut self, test: FailedWith) {
        let is_it = |known: &FailedWith| known.lifeline == test.lifeline && is_same(&known.held, &test.held);
        match self.failed.iter().position(is_it) {
            Some(at) => self.failed[at] = test,
            None => self.failed.push(test),
        }
    }

    /// A step was refused.
    pub(super) fn step_refused(&mut self, step: RefusedStep) {
        self.made_known(step.id);
        self.refused.push(step);
    }

    /// Something was made known of a setting: what was refused before matters no longer.
    pub(super) fn made_known(&mut self, id: SettingId) {
        self.refused.retain(|refused| refused.id != id);
    }

    /// What opens a call is not known to be this any longer.
    pub(super) fn no_longer(&mut self, id: SettingId, code: Value) {
        self.codes.retain(|(of, known)| *of != id || !known.agrees(&code));
        self.codes.push((id, code));
    }

    /// A report of a script is about to be folded; `is_accepted`: whether a step of it was. `held`: what is known
    /// before it.
    pub(super) fn keyed(&mut self, script: &Digest, is_accepted: bool, held: impl FnOnce() -> Held) {
        let is_of = |keying: &&mut Keying| keying.script == *script;
        if let Some(tried) = self.tried.as_mut().filter(is_of) {
            tried.again();
        } else if let Some(before) = self.before_scripts.last_mut().filter(is_of) {
            return before.again();
        } else {
            let held = held();
            self.tried = Some(Keying { script: script.clone(), since: Held::new(), held });
        }
        if let Some(keyed) = self.tried.take_if(|_| is_accepted) {
            let is_other = |known: &Keying| {
                let mut pairs = known.held.iter().zip(&keyed.held);
                !pairs.all(|(one, other)| same(one.as_ref(), other.as_ref()))
            };
            self.before_scripts.retain(is_other);
            self.before_scripts.push(keyed);
        }
    }

    /// Whether a report changes what was held before another script is keyed again. `script`: what the report names.
    pub(super) fn is_between(&self, script: Option<&Digest>) -> bool {
        let mut keyings = self.before_scripts.last().into_iter().chain(&self.tried);
        keyings.any(|keying| Some(&keying.script) != script)
    }

    /// A report was folded. `script`: what it names; `before`: what was known before it.
    pub(super) fn reported(&mut self, script: Option<&Digest>, before: &[Option<Value>], now: &[Option<Value>]) {
        let keyings = self.before_scripts.last_mut().into_iter().chain(&mut self.tried);
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

    /// Another unit, or one that was cleared: visits, test calls that failed and codes before it say nothing of it.
    pub(super) fn renewed(&mut self) {
        self.before_visit.clear();
        self.failed.clear();
        self.refused.clear();
        self.codes.clear();
    }
}

fn is_same(one: &Of, other: &Of) -> bool {
    let mut pairs = one.iter().zip(other);
    one.len() == other.len() && pairs.all(|(one, other)| one.0 == other.0 && same(one.1.as_ref(), other.1.as_ref()))
}
