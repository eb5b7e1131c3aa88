//! What was looked at of a station and is no longer: nobody takes care of it any more, so nothing will be heard of it, right
//! or wrong. What is set aside is no loss: that has a name, a reason and an end.
//!
//! A station's lifeline settings are remembered while they are managed; when one is no longer managed that is told once, and
//! remembered until it is managed again or the keybook has it no more. So is every part of an open case.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::seen::Seen;
use crate::alert::kept::{self, Text};
use crate::alert::mark::MarkHasher;
use crate::alert::terms::Subscription;
use crate::drift::{InScope, StationDrift};
use crate::finding::Place;
use crate::setting::{Name, Weight};

/// Something that is looked at.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Part {
    Setting(Name),
    Lifeline(Name),
}

impl Text for Part {
    fn text(&self) -> String {
        match self {
            Part::Setting(name) => format!("setting {name}"),
            Part::Lifeline(name) => format!("lifeline {name}"),
        }
    }

    fn read(text: &str) -> Option<Part> {
        match text.split_once(' ')? {
            ("setting", name) => Some(Part::Setting(name.into())),
            ("lifeline", name) => Some(Part::Lifeline(name.into())),
            _ => None,
        }
    }
}

/// A part that is no longer looked at.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lost {
    pub weight: Weight,
    /// How it was wrong when it was last looked at, where it was.
    pub was: Option<&'static str>,
    /// The line that takes it out of management, where one does.
    pub at: Option<Place>,
    /// Nobody was told yet.
    is_new: bool,
    /// It was in the case that was open.
    of_case: bool,
    /// Whether the keybook still has it.
    is_known: bool,
}

/// All of a station that is no longer looked at.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Losses {
    pub parts: BTreeMap<Part, Lost>,
    /// The heaviest of what was lost and is looked at again.
    pub regained: Option<Weight>,
}

/// What is remembered of a station while the inventory has it, and for a while after.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Known {
    #[serde(with = "kept")]
    pub site: Name,
    #[serde(with = "kept", rename = "where")]
    pub location: Name,
    /// The file of the inventory that it stands in.
    #[serde(with = "kept")]
    pub file: Name,
    /// The number that rings it.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub number: String,
    /// Its lifeline settings that are managed. What once was one counts on while it is managed.
    #[serde(with = "kept::set", default, skip_serializing_if = "BTreeSet::is_empty")]
    pub watched: BTreeSet<Name>,
    /// What is no longer looked at.
    #[serde(with = "kept::map", default, skip_serializing_if = "BTreeMap::is_empty")]
    pub lost: BTreeMap<Part, Weighed>,
    /// The webhooks that were told of it.
    #[serde(with = "kept::set", default, skip_serializing_if = "BTreeSet::is_empty")]
    pub lost_heard: BTreeSet<Name>,
}

/// What a part weighed when it was last looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Weighed {
    #[serde(with = "kept")]
    pub weight: Weight,
}

impl Losses {
    /// Compares what was looked at with what is. `last`: the parts of the case that is open, or was, and whether it is.
    pub fn of(last: Option<(&Seen, bool)>, known: Option<&Known>, drift: &StationDrift) -> Losses {
        let mut losses = Losses::default();
        if let Some((seen, is_open)) = last {
            losses.of_case(seen, is_open, drift);
        }
        let Some(known) = known else { return losses };
        for name in &known.watched {
            losses.note(Part::Setting(name.clone()), Weight::Lifeline, None, (true, false), drift);
        }
        for (part, Weighed { weight }) in &known.lost {
            if in_scope(part, drift).is_some_and(|part| part.is_watched) {
                losses.regained = losses.regained.max(Some(*weight));
            } else {
                losses.note(part.clone(), *weight, None, (false, false), drift);
            }
        }
        losses
    }

    /// The parts of a case; of one that is over, only webhooks that were away have not heard.
    fn of_case(&mut self, seen: &Seen, is_open: bool, drift: &StationDrift) {
        for (name, setting) in &seen.settings {
            let was = Some(setting.drift.as_str());
            self.note(Part::Setting(name.clone()), setting.weight, was, (is_open, true), drift);
        }
        for (name, lifeline) in &seen.lifelines {
            let was = Some(lifeline.service.as_str());
            self.note(Part::Lifeline(name.clone()), Weight::Lifeline, was, (is_open, true), drift);
        }
    }

    fn note(
        &mut self,
        part: Part,
        weight: Weight,
        was: Option<&'static str>,
        (is_new, of_case): (bool, bool),
        drift: &StationDrift,
    ) {
        let scope = in_scope(&part, drift);
        if scope.is_some_and(|scope| scope.is_watched) {
            return;
        }
        let at = scope.and_then(|scope| scope.let_go_at.clone());
        let lost = Lost { weight, was, at, is_new, of_case, is_known: scope.is_some() };
        let entry = self.parts.entry(part).or_insert(lost);
        // It may be in a case that is over and still be looked at until now, or be called something less by now.
        entry.is_new |= is_new;
        entry.weight = entry.weight.max(weight);
    }

    /// Whether a webhook is to be told now that something is no longer looked at.
    pub fn concern(&self, webhook: &Subscription, has_heard: bool) -> bool {
        let mut new = self.parts.values().filter(|lost| lost.is_new);
        new.any(|lost| (has_heard && lost.of_case) || webhook.weights.contains(&lost.weight))
    }

    /// Whether a lifeline is among what nobody was told of yet.
    pub fn has_new_lifeline(&self) -> bool {
        self.parts.values().any(|lost| lost.is_new && lost.weight == Weight::Lifeline)
    }

    /// The heaviest of what nobody was told of yet, or else of all.
    pub fn weight(&self) -> Option<Weight> {
        let new = self.parts.values().filter(|lost| lost.is_new).map(|lost| lost.weight).max();
        new.or_else(|| self.parts.values().map(|lost| lost.weight).max())
    }

    /// What ties the id of a message to it. Where nothing is lost there is nothing, so that ids stay as they were.
    pub fn hash(&self, hasher: &mut MarkHasher) {
        for (part, lost) in &self.parts {
            let kind = match part {
                Part::Setting(_) => "lost setting",
                Part::Lifeline(_) => "lost lifeline",
            };
            hasher.text(kind).text(part.name()).text(lost.weight.as_str());
        }
    }

    /// The heaviest first.
    pub fn sorted(&self) -> Vec<(&Part, &Lost)> {
        let mut parts: Vec<_> = self.parts.iter().collect();
        parts.sort_by_key(|(_, lost)| std::cmp::Reverse((lost.is_new, lost.weight)));
        parts
    }
}

impl Known {
    /// What is remembered after a pass in which these webhooks were told something of the station.
    pub fn after(before: Option<&Known>, drift: &StationDrift, losses: &Losses, told: &BTreeSet<Name>) -> Known {
        let was_lifeline = |name: &Name| before.is_some_and(|before| before.watched.contains(name));
        let watched = drift.scope.settings.iter().filter(|setting| setting.is_watched);
        let watched = watched.filter(|setting| setting.is_lifeline || was_lifeline(&setting.name));
        let lost = losses.parts.iter().filter(|(_, lost)| lost.is_known);
        let lost: BTreeMap<Part, Weighed> =
            lost.map(|(part, lost)| (part.clone(), Weighed { weight: lost.weight })).collect();
        let heard = before.into_iter().flat_map(|before| &before.lost_heard).chain(told);
        Known {
            site: drift.site.clone(),
            location: drift.location.clone(),
            file: drift.file.clone(),
            number: drift.number.to_string(),
            watched: watched.map(|setting| setting.name.clone()).collect(),
            lost_heard: heard.filter(|_| !lost.is_empty()).cloned().collect(),
            lost,
        }
    }

    /// What is lost where the station is gone.
    pub fn weight(&self) -> Option<Weight> {
        (!self.watched.is_empty()).then_some(Weight::Lifeline)
    }
}

impl Part {
    /// Its name.
    pub fn name(&self) -> &Name {
        match self {
            Part::Setting(name) | Part::Lifeline(name) => name,
        }
    }
}

fn in_scope<'d>(part: &Part, drift: &'d StationDrift) -> Option<&'d InScope> {
    let (all, name) = match part {
        Part::Setting(name) => (&drift.scope.settings, name),
        Part::Lifeline(name) => (&drift.scope.lifelines, name),
    };
    all.iter().find(|one| one.name == *name)
}
