//! Who is alerted of what, as the configuration says it.

use std::collections::{BTreeMap, BTreeSet};

use jiff::SignedDuration;

use super::body::form::BodyTerms;
use crate::setting::{Name, Weight};

/// A webhook, and what it wants to hear.
#[derive(Debug, Clone, PartialEq)]
pub struct Subscription {
    /// Its name in the configuration.
    pub name: Name,
    /// It hears of cases of these alone.
    pub weights: BTreeSet<Weight>,
    /// Minutes between reminders of an open case, by its weight. Without an entry, or with 0, there is none.
    pub remind_minutes: BTreeMap<Weight, u32>,
    /// Minutes after which the others are told that it had something to deliver and delivered nothing.
    pub silent_minutes: u32,
    /// What its messages look like, and how many there are.
    pub body: BodyTerms,
}

impl Subscription {
    /// How far apart reminders of an open case of a weight are; `None` where there are none.
    pub fn interval(&self, weight: Weight) -> Option<SignedDuration> {
        minutes(self.remind_minutes.get(&weight))
    }

    /// The longest of its intervals.
    pub fn longest_interval(&self) -> Option<SignedDuration> {
        minutes(self.remind_minutes.values().max())
    }
}

fn minutes(minutes: Option<&u32>) -> Option<SignedDuration> {
    minutes.filter(|minutes| **minutes > 0).map(|minutes| SignedDuration::from_mins(i64::from(*minutes)))
}

/// What the configuration says about alerts.
#[derive(Debug, Clone, PartialEq)]
pub struct AlertTerms {
    /// The fleet's name.
    pub fleet: String,
    /// The time between full passes.
    pub full_pass: SignedDuration,
    /// Where the events come from, a URI reference such as [`super::source_of`] makes.
    pub source: String,
    /// The webhooks that are on; names are unique.
    pub webhooks: Vec<Subscription>,
    /// What browsers reach this program at, without a slash at its end; without it messages carry no links.
    pub address: Option<String>,
    /// A pass with more bad news than this share of the fleet (0 to 1) says `many`.
    pub many_share: f64,
    /// Whether an untested lifeline is a standing of its own.
    pub require_tests: bool,
    /// Whether the clock is one for rehearsals: then every alert begins with that.
    pub rehearsal: bool,
}
