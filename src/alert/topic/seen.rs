//! What there is to tell of one drifting station, as text. Secrets enter as a reference and a digest, never as a code.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;

use serde::{Deserialize, Serialize};

use crate::alert::case::{Condition, Severity};
use crate::alert::kept;
use crate::alert::mark::{Mark, MarkHasher};
use crate::drift::{Begun, Drift, LifelineService, Service, Setback, Standing, StationDrift, held_text, value_text};
use crate::ledger::State;
use crate::setting::{Name, Value, Weight};

/// A station's drift as it is told and remembered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Seen {
    #[serde(with = "kept")]
    pub site: Name,
    #[serde(with = "kept", rename = "where")]
    pub location: Name,
    #[serde(with = "kept")]
    pub standing: Standing,
    /// The heaviest of all below; a failing lifeline weighs `lifeline`.
    #[serde(with = "kept")]
    pub weight: Weight,
    #[serde(with = "kept::map")]
    pub settings: BTreeMap<Name, SeenSetting>,
    /// Lifelines that are not proved to work, by name.
    #[serde(with = "kept::map")]
    pub lifelines: BTreeMap<Name, SeenLifeline>,
    /// Visits of which nothing was heard for 24 hours: script and time of each.
    #[serde(with = "kept::set", default, skip_serializing_if = "BTreeSet::is_empty")]
    pub unheard: BTreeSet<Name>,
    /// What whoever was there met: steps and codes refused, another station's words.
    #[serde(with = "kept::set", default, skip_serializing_if = "BTreeSet::is_empty")]
    pub met: BTreeSet<Name>,
}

/// One drifting setting.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SeenSetting {
    #[serde(with = "kept")]
    pub drift: Drift,
    #[serde(with = "kept")]
    pub weight: Weight,
    pub wanted: ShownValue,
    pub held: ShownValue,
    /// When the fix that did not stick was confirmed.
    #[serde(with = "kept::maybe", default, skip_serializing_if = "Option::is_none")]
    pub fixed_at: Option<Timestamp>,
}

/// One lifeline that is not proved to work.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SeenLifeline {
    #[serde(with = "kept")]
    pub service: Service,
    /// What people call it, for when its station is gone; empty where that was not kept.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub title: String,
    /// When the test call was made that failed, the first of those that failed one after the other.
    #[serde(with = "kept::maybe", default, skip_serializing_if = "Option::is_none")]
    pub failed_at: Option<Timestamp>,
    /// When the last of them was, where it is another: a test call that fails again is news.
    #[serde(with = "kept::maybe", default, skip_serializing_if = "Option::is_none")]
    pub failed_again_at: Option<Timestamp>,
    /// It called nobody when it was last told, and no test call has reached help since.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub was_silent: bool,
    /// Of one that a button needs: no report says now whether it calls someone.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub is_unsure: bool,
    /// When a test call last reached help before it failed again.
    #[serde(with = "kept::maybe", default, skip_serializing_if = "Option::is_none")]
    pub fixed_at: Option<Timestamp>,
}

/// A value as people see it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct ShownValue {
    /// For people.
    pub text: String,
    /// Tells apart secrets that are shown alike; a digest, itself never shown.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub print: Option<String>,
}

impl Seen {
    /// `None` where the station is aligned. An untested lifeline counts only where tests are required.
    pub fn of(drift: &StationDrift, require_tests: bool) -> Option<Seen> {
        let StationDrift { site, location, standing, weight, settings, lifelines, begun, .. } = drift;
        if *standing == Standing::Aligned {
            return None;
        }
        let settings = settings.iter().map(|setting| {
            let wanted =
                ShownValue { text: value_text(&setting.wanted), print: print(std::iter::once(&setting.wanted)) };
            let held = held(&setting.held, &setting.wanted);
            let seen = SeenSetting { drift: setting.drift, weight: setting.weight, wanted, held, fixed_at: None };
            (setting.name.clone(), seen)
        });
        let failing = lifelines.iter().filter(|l| counts(l.service, require_tests) || may_call_nobody(l));
        let failing = failing.map(|l| (l.name.clone(), SeenLifeline::of(l)));
        Some(Seen {
            site: site.clone(),
            location: location.clone(),
            standing: *standing,
            // A drifting station without a weight does not happen; should it, the reading that is told to all.
            weight: weight.unwrap_or(Weight::Lifeline),
            settings: settings.collect(),
            lifelines: failing.collect(),
            unheard: begun.iter().filter(|begun| begun.is_silent).map(unheard).collect(),
            met: refused_steps(drift).chain(drift.met.iter().map(|met| met.key().into())).collect(),
        })
    }

    /// Notes the buttons that no test call has proved since they called nobody.
    pub fn note_silent(&mut self, was: &Seen) {
        for (name, lifeline) in &mut self.lifelines {
            let before = was.lifelines.get(name);
            lifeline.was_silent = lifeline.service == Service::Untested
                && before.is_some_and(|before| before.was_silent || before.service.calls_nobody());
        }
    }

    /// Notes the test calls that failed again after one that was told.
    pub fn note_failed_again(&mut self, was: &Seen) {
        for (name, lifeline) in &mut self.lifelines {
            let before = was.lifelines.get(name).filter(|before| before.service == Service::Failed);
            let Some(first) = before.and_then(|before| before.failed_at) else { continue };
            if lifeline.service == Service::Failed {
                lifeline.failed_again_at = lifeline.failed_at.filter(|last| *last != first);
                lifeline.failed_at = Some(first);
            }
        }
    }

    /// What is of this weight or heavier.
    pub fn at_least(&self, lightest: Weight) -> Seen {
        let settings = self.settings.iter().filter(|(_, setting)| setting.weight >= lightest);
        let settings: BTreeMap<Name, SeenSetting> = settings.map(|(name, seen)| (name.clone(), seen.clone())).collect();
        let of_settings = settings.values().map(|setting| setting.drift.standing());
        let standing = of_settings.chain(self.lifelines.values().map(|lifeline| lifeline.service.standing())).min();
        let of_lifelines = (!self.lifelines.is_empty()).then_some(Weight::Lifeline);
        let weight = settings.values().map(|setting| setting.weight).chain(of_lifelines).max();
        Seen {
            // Never worse than of all of it: a fallback that failed leaves the button in service.
            standing: standing.unwrap_or(Standing::Aligned).max(self.standing),
            weight: weight.unwrap_or(Weight::Routine),
            settings,
            ..self.clone()
        }
    }

    /// When the last fix was confirmed that did not stick, if there is one among what is seen.
    pub fn did_not_stick(&self) -> Option<Timestamp> {
        let settings = self.settings.values().filter_map(|setting| setting.fixed_at);
        settings.chain(self.lifelines.values().filter_map(|lifeline| lifeline.fixed_at)).max()
    }

    /// The same with its severity and mark.
    pub fn condition(self) -> Condition<Seen> {
        // A visit or a doubt does not make a button work that called nobody.
        let is_dead =
            self.standing == Standing::OutOfService || self.lifelines.values().any(SeenLifeline::is_silent_yet);
        let severity = if is_dead { Severity::Critical } else { Severity::of(self.weight) };
        Condition { severity, mark: self.mark(), facts: self }
    }

    /// Equal where there is nothing new to tell. Where a station hangs and which line wants a value is no news.
    pub fn mark(&self) -> Mark {
        let Seen { site: _, location: _, standing, weight, settings, lifelines, unheard, met } = self;
        let mut hasher = MarkHasher::new();
        hasher.text("seen").text(standing.as_str()).text(weight.as_str());
        for (name, SeenSetting { drift, weight, wanted, held, fixed_at: _ }) in settings {
            hasher.text("setting").text(name).text(drift.as_str()).text(weight.as_str());
            hasher.text(&wanted.text).maybe(wanted.print.as_deref());
            hasher.text(&held.text).maybe(held.print.as_deref());
        }
        for (name, lifeline) in lifelines {
            let SeenLifeline { service, failed_again_at, .. } = lifeline;
            hasher.text("lifeline").text(name).text(service.as_str());
            if lifeline.is_silent_yet() {
                hasher.text("may call nobody");
            }
            if let Some(at) = failed_again_at {
                hasher.text("again").text(&at.to_string());
            }
        }
        for visit in unheard {
            hasher.text("unheard").text(visit);
        }
        for met in met {
            hasher.text("met").text(met);
        }
        hasher.mark()
    }
}

/// Whether no report says now whether a button calls someone.
fn may_call_nobody(lifeline: &LifelineService) -> bool {
    lifeline.is_required && lifeline.service == Service::Untested && lifeline.because.is_some()
}

impl SeenLifeline {
    /// Whether it called nobody when it was last told, and no report says that it calls someone now.
    pub fn is_silent_yet(&self) -> bool {
        self.was_silent && self.is_unsure
    }

    fn of(lifeline: &LifelineService) -> SeenLifeline {
        let failed_at = lifeline.mark.filter(|_| lifeline.service == Service::Failed).map(|mark| mark.at);
        SeenLifeline {
            service: lifeline.service,
            title: lifeline.title.to_string(),
            failed_at,
            failed_again_at: None,
            was_silent: false,
            is_unsure: may_call_nobody(lifeline),
            fixed_at: None,
        }
    }
}

/// The steps of what is wanted that it refused.
fn refused_steps(drift: &StationDrift) -> impl Iterator<Item = Name> {
    drift.setbacks.iter().filter_map(|setback| match setback {
        Setback::Refused { settings, at, by: _ } => Some(format!("{} {at}", settings.join(", ")).into()),
        Setback::Failed { .. } => None,
    })
}

fn unheard(Begun { visit: _, by: _, at, script, is_silent: _ }: &Begun) -> Name {
    format!("{script} {at}").into()
}

fn counts(service: Service, require_tests: bool) -> bool {
    match service {
        Service::Dead | Service::Failed | Service::Overdue => true,
        Service::Untested => require_tests,
        Service::Tested => false,
    }
}

fn held(state: &State, wanted: &Value) -> ShownValue {
    let print = match state {
        State::Unknown => None,
        State::InDoubt(candidates) => print(candidates.iter()),
        State::Known(value) => print(std::iter::once(value)),
    };
    ShownValue { text: held_text(state, Some(wanted)), print }
}

/// A digest over the fingerprints of the secrets among values; `None` where there are none.
fn print<'v>(values: impl Iterator<Item = &'v Value>) -> Option<String> {
    let prints = values.filter_map(|value| match value {
        Value::Secret(secret) => secret.fingerprint.as_ref().map(ToString::to_string),
        Value::Digits(_) | Value::Dial(_) | Value::Choice(_) | Value::Flags(_) | Value::Number(_) => None,
    });
    let prints: BTreeSet<String> = prints.collect();
    if prints.is_empty() {
        return None;
    }
    let mut hasher = MarkHasher::new();
    hasher.text("print");
    prints.iter().for_each(|print| {
        hasher.text(print);
    });
    Some(hasher.mark().to_string())
}
