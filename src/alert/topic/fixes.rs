//! Fixes that did not stick: a setting that drifted, came right by a report (not by an edit), and within
//! [`REMEMBERED`](crate::alert::REMEMBERED) differs or strays from the same wanted value again; or a lifeline that called
//! nobody, by the record or by its test call, was put right, and calls nobody again.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::seen::{Seen, ShownValue};
use crate::alert::case::fresh;
use crate::alert::kept;
use crate::drift::{Drift, Service};
use crate::setting::Name;

/// A part that was wrong and that a report then proved right.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Fix {
    #[serde(flatten)]
    pub part: Fixed,
    #[serde(with = "kept")]
    pub at: Timestamp,
}

/// The part.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Fixed {
    /// A setting, and what was wanted of it.
    Setting {
        #[serde(with = "kept")]
        name: Name,
        wanted: ShownValue,
    },
    Lifeline {
        #[serde(with = "kept")]
        name: Name,
    },
}

/// The fixes to remember: those before, and what a report has just proved right. `was` is the open case, `reported`
/// whether a report of the station came in with this pass; without one, an edit made the drift go away, and nothing was
/// fixed.
pub fn fixes(before: &[Fix], was: Option<&Seen>, now: Option<&Seen>, reported: bool, clock: Timestamp) -> Vec<Fix> {
    let old = before.iter().filter(|fix| fresh(fix.at, clock));
    let mut by_part: BTreeMap<Fixed, Timestamp> = old.map(|fix| (fix.part.clone(), fix.at)).collect();
    let was = was.filter(|_| reported);
    let settings = was.iter().flat_map(|was| &was.settings).filter(|(name, setting)| {
        setting.drift != Drift::Overdue && !now.is_some_and(|now| now.settings.contains_key(*name))
    });
    by_part.extend(
        settings.map(|(name, setting)| (Fixed::Setting { name: name.clone(), wanted: setting.wanted.clone() }, clock)),
    );
    let lifelines = was
        .iter()
        .flat_map(|was| &was.lifelines)
        .filter(|(name, lifeline)| lifeline.service.calls_nobody() && !now.is_some_and(|now| is_silent(now, name)));
    by_part.extend(lifelines.map(|(name, _)| (Fixed::Lifeline { name: name.clone() }, clock)));
    by_part.into_iter().map(|(part, at)| Fix { part, at }).collect()
}

fn is_silent(seen: &Seen, lifeline: &str) -> bool {
    seen.lifelines.get(lifeline).is_some_and(|lifeline| lifeline.service.calls_nobody())
}

/// Notes in what is seen now which of it was fixed before and did not stick.
pub fn note_fixes(seen: &mut Seen, was: Option<&Seen>, fixes: &[Fix], clock: Timestamp) {
    let fixed = |part: Fixed| fixes.iter().find(|fix| fix.part == part && fresh(fix.at, clock)).map(|fix| fix.at);
    for (name, setting) in &mut seen.settings {
        let old = was.and_then(|was| was.settings.get(name)).filter(|old| old.wanted == setting.wanted);
        setting.fixed_at = match (old, setting.drift) {
            (Some(old), _) => old.fixed_at,
            (None, Drift::Differs | Drift::Strayed) => {
                fixed(Fixed::Setting { name: name.clone(), wanted: setting.wanted.clone() })
            }
            (None, Drift::InDoubt | Drift::Unproven | Drift::Overdue) => None,
        };
    }
    for (name, lifeline) in &mut seen.lifelines {
        let old = was.and_then(|was| was.lifelines.get(name)).filter(|old| old.service.calls_nobody());
        lifeline.fixed_at = match (old, lifeline.service) {
            (Some(old), Service::Dead | Service::Failed) => old.fixed_at,
            (None, Service::Dead | Service::Failed) => fixed(Fixed::Lifeline { name: name.clone() }),
            (_, Service::Untested | Service::Overdue | Service::Tested) => None,
        };
    }
}
