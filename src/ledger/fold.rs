//! The fold: what the reports of a station and its open visits prove, in the order of their times and ids, so that it does not
//! matter when or how often each of them arrived. It reads no file and no clock, and keeps nothing.

use std::collections::BTreeMap;

use jiff::Timestamp;
use uuid::Uuid;

use super::call::{IssuedCall, calls};
use super::corrections::standing;
use super::earlier::{FailedWith, Held, Of, RefusedStep, Worked};
use super::issued::{Digest, Effect, Issued, effect_value};
use super::led::{Led, is_dial, led};
use super::mark::Mark;
use super::proven::{self, same};
use super::record::{Elsewhere, Failure, Holding, Proof, Record, Refusal, State};
use super::report::{Heard, Opened, Opening, Outcome, Report, Test};
use super::shown::leads_to;
use super::visit::{self, OpenVisit, Visit};
use crate::keybook::{Ability, Keybook, SettingId};
use crate::setting::{Fingerprint, Name, Reference, Secret, Value, Weight, Written};

/// Folds the reports of one station that nobody is at. `scripts` finds an issued script by digest.
///
/// Settings that the keybook has no longer are passed over; values outside their kind count as unknown.
pub fn fold<'r>(
    keybook: &Keybook,
    reports: impl IntoIterator<Item = &'r Report>,
    scripts: impl Fn(&Digest) -> Option<&'r Issued>,
) -> Record {
    fold_with_visits(keybook, reports, [], scripts)
}

/// Folds the reports and the visits of one station. What a corrected report says counts for nothing, and of
/// several corrections of one only the last counts; of a visit of which no
/// report came, each step counts as keyed and not answered.
pub fn fold_with_visits<'r>(
    keybook: &Keybook,
    reports: impl IntoIterator<Item = &'r Report>,
    visits: impl IntoIterator<Item = &'r Visit>,
    scripts: impl Fn(&Digest) -> Option<&'r Issued>,
) -> Record {
    let reports: Vec<&Report> = reports.into_iter().collect();
    let open = visit::open(visits, &reports);
    let reports = standing(&reports).into_iter().map(|report| (report.at, report.id, Event::Report(report)));
    let begun = open.iter().map(|visit| (visit.at, visit.id, Event::Begun(visit)));
    // A visit comes before the reports of its time.
    let ordered: BTreeMap<(Timestamp, bool, Uuid), Event<'_>> =
        reports.chain(begun).map(|(at, id, event)| ((at, matches!(event, Event::Report(_)), id), event)).collect();
    let mut fold = Fold {
        keybook,
        record: Record::blank(keybook),
        said: BTreeMap::new(),
        number: None,
        is_doubtful: false,
        is_elsewhere: false,
    };
    for ((at, _, report), event) in ordered {
        let mark = Mark { at, report };
        match event {
            Event::Report(report) => fold.report(mark, report, report.script.as_ref().and_then(&scripts)),
            Event::Begun(visit) => fold.begun(mark, visit, scripts(&visit.script)),
        }
        fold.note_dead(mark);
        let Record { settings, earlier, .. } = &mut fold.record;
        earlier.forget(settings.iter().map(|holding| holding.known().is_some()));
    }
    let open_visit = |visit: &Visit| OpenVisit {
        visit: visit.clone(),
        leads_to: scripts(&visit.script).map_or_else(Vec::new, |script| leads_to(keybook, script)),
    };
    fold.record.begun = open.into_iter().map(open_visit).collect();
    fold.record
}

/// What changes the record, at its time.
enum Event<'r> {
    Report(&'r Report),
    Begun(&'r Visit),
}

struct Fold<'k> {
    keybook: &'k Keybook,
    record: Record,
    /// What the report at hand says that lifeline settings hold, the last word of each.
    said: BTreeMap<Name, Option<Value>>,
    /// The number that was last rung.
    number: Option<Name>,
    /// Whether the report at hand is of a number at which the station never answered: another may have.
    is_doubtful: bool,
    /// Whether what was found by the report at hand is another station's, and not what is on record of this one at that moment:
    /// what it says of the call is not taken on trust.
    is_elsewhere: bool,
}

impl Fold<'_> {
    fn report(&mut self, mark: Mark, report: &Report, script: Option<&Issued>) {
        self.is_elsewhere = report.elsewhere.keys().any(|name| !self.is_on_record(name, report));
        if let Some(number) = &report.number {
            self.rung(number);
            if self.record.number.is_none()
                || !self.is_elsewhere && (took_keys(report) || self.is_recognised_by(report))
            {
                self.record.number = Some(number.clone());
            }
        }
        self.is_doubtful = self.is_elsewhere || report.number.is_some() && report.number != self.record.number;
        let is_between = self.record.earlier.is_between(report.script.as_ref());
        let before = is_between.then(|| held(&self.record.settings));
        if report.unit.is_some() {
            self.unit(mark);
        }
        if report.script.is_some() {
            self.record.answered = Some(mark);
        }
        for (name, written) in &report.found {
            let value = value_of(self.keybook, name, written, report);
            match self.is_elsewhere {
                true => self.found_elsewhere(mark, name, value, report.elsewhere.get(name)),
                false => self.found(mark, name, value, report.unit.is_some()),
            }
        }
        if let Some(script) = script {
            if !report.steps.is_empty() {
                let is_accepted = report.steps.iter().any(|(_, heard)| self.counts_as(*heard) == Heard::Accepted);
                let Record { settings, earlier, .. } = &mut self.record;
                earlier.keyed(&script.digest, is_accepted, || held(settings));
            }
            self.keyed(mark, report, script);
        }
        for (name, written) in &report.left {
            let value = value_of(self.keybook, name, written, report);
            if self.is_elsewhere {
                self.doubt(mark, name, value);
                continue;
            }
            self.makes_known(mark, name, value.clone());
            self.set(mark, name, value);
        }
        for test in &report.tests {
            self.test(mark, report, test);
        }
        if let Some(before) = before {
            let Record { settings, earlier, .. } = &mut self.record;
            earlier.reported(report.script.as_ref(), &before, &held(settings));
        }
        for (name, value) in std::mem::take(&mut self.said) {
            proven::said(&mut self.record.proven, &name, value, mark.at);
        }
    }

    /// Notes of which lifelines this entry made that a press calls nobody.
    fn note_dead(&mut self, mark: Mark) {
        for (at, lifeline) in self.keybook.lifelines.iter().enumerate() {
            let since = self.record.lifelines[at].dead.unwrap_or(mark);
            self.record.lifelines[at].dead = match lifeline.ability(|id| self.record.known(id)) {
                Ability::Dead => Some(since),
                Ability::Undecided | Ability::Works => None,
            };
        }
    }

    /// Tests prove nothing of a station that is rung by another number now: it may be another unit that answers there.
    fn rung(&mut self, number: &Name) {
        let is_other = self.number.as_ref().is_some_and(|known| known != number);
        if is_other {
            for proof in &mut self.record.lifelines {
                proof.is_renumbered |= proof.reached.take().is_some();
            }
        }
        self.number = Some(number.clone());
    }

    /// Each step may have been keyed, and nobody said what was heard.
    fn begun(&mut self, mark: Mark, visit: &Visit, script: Option<&Issued>) {
        if let Some(number) = &visit.number {
            self.rung(number);
        }
        let Record { settings, earlier, .. } = &mut self.record;
        earlier.begun(held(settings));
        for (name, effect) in script.iter().flat_map(|script| &script.steps).flat_map(|step| &step.effects) {
            self.step(mark, name, effect, Heard::Nothing);
        }
    }

    /// Steps in the order listed; the openings of a call just before its first one, those of calls without one last.
    fn keyed(&mut self, mark: Mark, report: &Report, script: &Issued) {
        let calls = if report.openings.is_empty() { Vec::new() } else { calls(script) };
        let beside_unit = report.unit.is_some();
        let mut later: Vec<(&Opening, &IssuedCall)> = Vec::new();
        later.extend(report.openings.iter().filter_map(|one| Some((one, IssuedCall::find(&calls, one.call)?))));
        for (number, heard) in &report.steps {
            let (now, others) = later.into_iter().partition(|(_, call)| call.steps.contains(number));
            later = others;
            self.openings(mark, &report.by, now, beside_unit);
            let Some(step) = script.step(*number) else { continue };
            // Another station may have refused it.
            if *heard == Heard::Refused && !self.is_doubtful {
                step.effects.iter().for_each(|(name, effect)| self.step_refused(mark, &report.by, name, effect));
            }
            step.effects.iter().for_each(|(name, effect)| self.step(mark, name, effect, *heard));
        }
        self.openings(mark, &report.by, later, beside_unit);
    }

    /// What trying to open calls says of the one setting that opens them; where several do, nobody knows which was wrong.
    fn openings(&mut self, mark: Mark, by: &Name, tries: Vec<(&Opening, &IssuedCall)>, beside_unit: bool) {
        let (keybook, held) = (self.keybook, self.keybook.call.open.held());
        let [id] = held[..] else { return };
        for (opening, call) in tries {
            let Some(code) = call.code(opening.code).and_then(|code| code_value(keybook, id, code)) else { continue };
            match opening.heard {
                // That was another station's answer.
                Opened::Accepted | Opened::Refused if self.is_elsewhere => {}
                Opened::Accepted => self.found(mark, &keybook.setting(id).name, Some(code), beside_unit),
                Opened::Refused => self.refused(mark, by, id, code),
                Opened::Nothing => {}
            }
        }
    }

    fn refused(&mut self, mark: Mark, by: &Name, id: SettingId, code: Value) {
        let holding = &mut self.record.settings[id.index()];
        let mut refused = std::mem::take(&mut holding.refused);
        match &mut holding.state {
            // Another station may have refused it.
            _ if self.is_doubtful => {}
            State::Known(known) if known.agrees(&code) => self.stray(mark, id),
            State::InDoubt(candidates) => {
                candidates.retain(|candidate| !candidate.agrees(&code));
                holding.mark = Some(mark);
                if candidates.len() < 2 {
                    let left = candidates.pop();
                    self.put(mark, id, left);
                }
            }
            State::Known(_) | State::Unknown => {}
        }
        // One that is left is known by elimination alone: were it refused too, the others must not be tried first again.
        refused.retain(|refusal| !refusal.code.agrees(&code));
        refused.push(Refusal { code, mark, by: by.clone() });
        self.record.settings[id.index()].refused = refused;
    }

    /// It does not hold what is on record, and nobody knows what else.
    fn stray(&mut self, mark: Mark, id: SettingId) {
        self.changed(id);
        self.put(mark, id, None);
        self.record.settings[id.index()].strayed = Some(mark);
    }

    fn step(&mut self, mark: Mark, name: &Name, effect: &Effect, heard: Heard) {
        let value = self.keybook.id(name).and_then(|id| effect_value(&self.keybook.setting(id).kind, effect));
        match self.counts_as(heard) {
            Heard::Accepted => {
                if effect.is_some() {
                    self.makes_known(mark, name, value.clone());
                }
                self.set(mark, name, value);
            }
            Heard::Nothing => self.doubt(mark, name, value),
            Heard::Refused | Heard::Skipped => {}
        }
    }

    /// What a refused step would have changed.
    fn step_refused(&mut self, mark: Mark, by: &Name, name: &Name, effect: &Effect) {
        let Some(id) = self.keybook.id(name) else { return };
        let value = effect_value(&self.keybook.setting(id).kind, effect);
        if !self.holds(id, value.as_ref()) {
            self.record.earlier.step_refused(RefusedStep { id, value, mark, by: by.clone() });
        }
    }

    /// Something is known of a lifeline setting, or of one that the keybook has no longer: nobody can tell what it was.
    fn makes_known(&mut self, mark: Mark, name: &Name, value: Option<Value>) {
        let is_proven = || self.record.proven.iter().any(|proven| proven.setting == *name);
        if self.keybook.id(name).is_none_or(|id| self.keybook.is_lifeline(id)) || is_proven() {
            proven::made_known(&mut self.record.proven, name, value.as_ref(), mark.at);
            self.said.insert(name.clone(), value);
        }
    }

    fn unit(&mut self, mark: Mark) {
        for id in self.keybook.ids() {
            self.put(mark, id, self.keybook.setting(id).factory.clone());
        }
        self.record.lifelines.iter_mut().for_each(Proof::expire);
        self.record.earlier.renewed();
    }

    fn put(&mut self, mark: Mark, id: SettingId, value: Option<Value>) {
        self.no_longer(id, value.as_ref());
        self.record.elsewhere.retain(|heard| heard.id != id);
        if value.is_some() {
            self.record.earlier.made_known(id);
        }
        let state = value.map_or(State::Unknown, State::Known);
        self.record.settings[id.index()] = Holding { state, strayed: None, mark: Some(mark), refused: Vec::new() };
    }

    /// What opens a call was known, and is not known to be that any longer: it may be tried last.
    fn no_longer(&mut self, id: SettingId, now: Option<&Value>) {
        let Record { settings, earlier, .. } = &mut self.record;
        let Some(known) = settings[id.index()].known().filter(|known| !now.is_some_and(|now| known.agrees(now))) else {
            return;
        };
        if self.keybook.call.open.held().contains(&id) {
            earlier.no_longer(id, known.clone());
        }
    }

    /// Every lifeline that has this setting must be tested anew.
    fn changed(&mut self, id: SettingId) {
        for (lifeline, proof) in self.keybook.lifelines.iter().zip(&mut self.record.lifelines) {
            if lifeline.settings.contains(&id) {
                proof.expire();
            }
        }
    }

    fn found(&mut self, mark: Mark, name: &Name, value: Option<Value>, beside_unit: bool) {
        let Some(id) = self.keybook.id(name) else { return self.makes_known(mark, name, value) };
        let contradicts = match (self.record.known(id), &value) {
            (Some(known), Some(value)) => !known.agrees(value),
            // Found to be something this model cannot hold any more: not as it was on record.
            (Some(_), None) => true,
            (None, _) => false,
        };
        if contradicts {
            self.changed(id);
        }
        if contradicts && !beside_unit {
            self.said.insert(name.clone(), value.clone());
        } else {
            self.makes_known(mark, name, value.clone());
        }
        self.put(mark, id, value);
        if contradicts && !beside_unit {
            self.record.settings[id.index()].strayed = Some(mark);
        }
    }

    /// Another station obeyed, or may have: this one may have been keyed or not.
    fn counts_as(&self, heard: Heard) -> Heard {
        match heard {
            Heard::Accepted if self.is_elsewhere => Heard::Nothing,
            Heard::Accepted | Heard::Refused | Heard::Nothing | Heard::Skipped => heard,
        }
    }

    /// What was found where another station may have answered is in doubt; what told them apart has strayed until it is known.
    fn found_elsewhere(&mut self, mark: Mark, name: &Name, value: Option<Value>, station: Option<&Name>) {
        self.doubt(mark, name, value.clone());
        let Some((id, station)) = self.keybook.id(name).zip(station) else { return };
        if self.holds(id, value.as_ref()) {
            return;
        }
        self.record.settings[id.index()].strayed = Some(mark);
        self.record.elsewhere.retain(|heard| heard.id != id);
        let heard = |value| Elsewhere { id, value, station: station.clone(), mark };
        self.record.elsewhere.extend(value.map(heard));
    }

    /// Whether the station is known to hold what was found of a setting.
    fn is_on_record(&self, name: &Name, report: &Report) -> bool {
        let found = report.found.get(name).and_then(|written| value_of(self.keybook, name, written, report));
        self.keybook.id(name).is_some_and(|id| self.holds(id, found.as_ref()))
    }

    /// Whether the station said of itself what it is known to say: it is the one that answered. What every new unit says, and
    /// what is empty, tells nobody apart.
    fn is_recognised_by(&self, report: &Report) -> bool {
        report.found.iter().any(|(name, written)| {
            let id = self.keybook.id(name).filter(|id| self.keybook.setting(*id).weight == Weight::Locating);
            let value = value_of(self.keybook, name, written, report);
            let is_own = |value: &Value| !matches!(value, Value::Digits(text) | Value::Dial(text) if text.is_empty());
            let is_factory = |id: SettingId| same(value.as_ref(), self.keybook.setting(id).factory.as_ref());
            id.is_some_and(|id| value.as_ref().is_some_and(is_own) && !is_factory(id) && self.holds(id, value.as_ref()))
        })
    }

    fn set(&mut self, mark: Mark, name: &Name, value: Option<Value>) {
        let Some(id) = self.keybook.id(name) else { return };
        if !self.holds(id, value.as_ref()) {
            self.changed(id);
        }
        self.put(mark, id, value);
    }

    fn holds(&self, id: SettingId, value: Option<&Value>) -> bool {
        matches!((self.record.known(id), value), (Some(known), Some(value)) if known.agrees(value))
    }

    fn doubt(&mut self, mark: Mark, name: &Name, value: Option<Value>) {
        let Some(id) = self.keybook.id(name) else { return };
        if self.holds(id, value.as_ref()) {
            return;
        }
        self.changed(id);
        self.no_longer(id, None);
        let holding = &mut self.record.settings[id.index()];
        let held = std::mem::replace(&mut holding.state, State::Unknown);
        holding.mark = Some(mark);
        // What was refused before may be what was stored now.
        holding.refused.retain(|refusal| value.as_ref().is_some_and(|new| !refusal.code.agrees(new)));
        holding.state = match (held, value) {
            (State::Unknown, _) | (State::Known(_) | State::InDoubt(_), None) => State::Unknown,
            (State::Known(old), Some(new)) => State::InDoubt([old, new].into()),
            (State::InDoubt(mut candidates), Some(new)) => {
                if !candidates.iter().any(|candidate| candidate.agrees(&new)) {
                    candidates.push(new);
                }
                State::InDoubt(candidates)
            }
        };
    }

    fn test(&mut self, mark: Mark, report: &Report, test: &Test) {
        let keybook = self.keybook;
        let Some(at) = keybook.lifelines.iter().position(|lifeline| lifeline.name == test.lifeline) else { return };
        match test.outcome {
            Outcome::Failed => {
                let failure = Failure { by: report.by.clone(), note: report.note.clone() };
                let proof = &mut self.record.lifelines[at];
                (proof.last, proof.failure) = (Some((Outcome::Failed, mark)), Some(failure));
                proof.answered_by = None;
                let held = self.held_by(at);
                self.record.earlier.failed(FailedWith { lifeline: at, held, mark, by: report.by.clone() });
            }
            Outcome::Reached => match led(keybook, &self.record, at, test.dialled.as_ref()) {
                Led::There => {
                    self.answered(at, mark, Some(mark), report);
                    // What calls nobody by the record cannot be what worked.
                    if !keybook.lifelines[at].is_dead(|id| self.record.known(id)) {
                        self.confirm(mark, at);
                        self.worked(mark, at);
                        self.prove(mark, at, test.dialled.as_ref());
                    }
                }
                Led::Elsewhere => {
                    let known = |id: &SettingId| is_dial(keybook, *id) && self.record.known(*id).is_some();
                    let wrong: Vec<SettingId> = keybook.lifelines[at].settings.iter().copied().filter(known).collect();
                    wrong.into_iter().for_each(|id| self.stray(mark, id));
                    self.answered(at, mark, None, report);
                    self.record.lifelines[at].answered_by.clone_from(&test.contact);
                }
                Led::Perhaps => {}
            },
        }
    }

    /// Someone answered a test call. `reached`: the report, where it proves the settings as they are.
    fn answered(&mut self, lifeline: usize, mark: Mark, reached: Option<Mark>, report: &Report) {
        // The button is this station's, and the number that was rung before may be another's.
        if !self.is_elsewhere {
            self.record.number = report.number.clone().or(self.record.number.take());
        }
        let proof = &mut self.record.lifelines[lifeline];
        (proof.last, proof.failure, proof.reached) = (Some((Outcome::Reached, mark)), None, reached);
        (proof.is_renumbered, proof.answered_by) = (false, None);
    }

    /// A test call of a lifeline reached help with what is known of its settings.
    fn worked(&mut self, mark: Mark, at: usize) {
        let worked = Worked { mark, held: self.held_by(at) };
        self.record.earlier.reached(at, self.keybook.lifelines.len(), worked);
    }

    /// What is known of a lifeline's settings.
    fn held_by(&self, lifeline: usize) -> Of {
        let settings = self.keybook.lifelines[lifeline].settings.iter();
        settings.map(|id| (*id, self.record.known(*id).cloned())).collect()
    }

    /// What is known of a lifeline's settings is confirmed at this time: its date alone.
    fn confirm(&mut self, mark: Mark, at: usize) {
        for id in &self.keybook.lifelines[at].settings {
            let holding = &mut self.record.settings[id.index()];
            match holding.state {
                State::Known(_) => holding.mark = Some(mark),
                State::InDoubt(_) | State::Unknown => {}
            }
        }
    }

    /// Help was reached: what is known of the lifeline's settings is proved. Where none of them holds the number that was
    /// dialled, the keybook once had another among them: whatever holds that number is proved, too. Where all that lifelines
    /// need that back no other is known, what the keybook has no longer is forgotten.
    fn prove(&mut self, mark: Mark, lifeline: usize, dialled: Option<&Name>) {
        let (keybook, Record { settings, proven, .. }) = (self.keybook, &mut self.record);
        let known = |id: SettingId| settings[id.index()].known();
        let own = &keybook.lifelines[lifeline].settings;
        let is_dialled = |id: SettingId| matches!(known(id), Some(Value::Dial(number)) if dialled == Some(number));
        let is_explained = own.iter().any(|id| is_dialled(*id));
        for id in keybook.ids() {
            let Some(value) = known(id) else { continue };
            if own.contains(&id) || (!is_explained && is_dialled(id)) {
                proven::tested(proven, &keybook.setting(id).name, value, mark.at);
            }
        }
        let mut required = keybook.lifelines.iter().filter(|one| one.is_required()).flat_map(|one| &one.settings);
        if required.all(|id| known(*id).is_some()) {
            proven.retain(|proven| keybook.id(&proven.setting).is_some());
        }
    }
}

/// Whether a report shows that the station itself answered at the number that it is kept with, where no other one did: it took a
/// code or other keys.
fn took_keys(report: &Report) -> bool {
    let opened = report.openings.iter().any(|opening| opening.heard == Opened::Accepted);
    let keyed = report.steps.iter().any(|(_, heard)| *heard == Heard::Accepted);
    opened || keyed || !report.left.is_empty()
}

/// A value of a report; `None` where its setting cannot hold it, the keybook has no such setting, or it is a code that
/// another key's fingerprint stands for.
fn value_of(keybook: &Keybook, name: &Name, written: &Written, report: &Report) -> Option<Value> {
    let kind = &keybook.setting(keybook.id(name)?).kind;
    let print = |reference: &Reference| report.fingerprints.get(reference);
    if let Written::Secret(reference) = written
        && print(reference).is_some_and(Fingerprint::is_foreign)
    {
        return None;
    }
    let read = |reference: &Reference| print(reference).and_then(Fingerprint::read);
    let seal = |reference: &Reference| Secret { reference: reference.clone(), fingerprint: read(reference) };
    kind.value(written, seal).ok()
}

/// All that is known.
fn held(settings: &[Holding]) -> Held {
    settings.iter().map(|holding| holding.known().cloned()).collect()
}

/// A code of a recorded script; one that is the factory's without a fingerprint is the keybook's.
fn code_value(keybook: &Keybook, id: SettingId, code: &Effect) -> Option<Value> {
    let setting = keybook.setting(id);
    let factory = Value::Secret(Secret { reference: Reference::Factory, fingerprint: None });
    effect_value(&setting.kind, code).map(|code| setting.factory.clone().filter(|_| code == factory).unwrap_or(code))
}

#[cfg(test)]
#[path = "fold_tests.rs"]
mod tests;
