//! What the topics about webhooks remember: since when one is stopped, or silent.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::alert::case::{Condition, Severity};
use crate::alert::kept;
use crate::alert::mark::{Mark, MarkHasher};
use crate::alert::subject::{Subject, Topic};

/// What is remembered of such a webhook.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Facts {
    #[serde(with = "kept")]
    pub since: Timestamp,
}

/// How a webhook is; `what` tells the topics apart.
pub fn condition(what: &str, name: &str, since: Timestamp) -> Condition<Facts> {
    Condition { severity: Severity::Error, mark: mark(what, name, since, false), facts: Facts { since } }
}

/// Since when it is so now, or, where it no longer is, was when last told.
pub fn since<T: Topic<Facts = Facts>>(subject: &Subject<'_, T>, now: Option<Timestamp>) -> Option<Timestamp> {
    now.or_else(|| subject.last().map(|told| told.condition.facts.since))
}

/// The mark of a webhook that is so, or is no longer.
pub fn mark(what: &str, name: &str, since: Timestamp, is_over: bool) -> Mark {
    let mut hasher = MarkHasher::new();
    hasher.text(what).text(name).text(&since.to_string()).text(if is_over { "over" } else { "stands" });
    hasher.mark()
}
