//! What is remembered of a webhook that takes a message a station: how many it had in the last minute, and which stations were
//! told in one message because there were more.

use std::collections::BTreeSet;

use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

use super::kept;
use crate::setting::Name;

/// What is remembered of one webhook's messages.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Grouped {
    /// What follows the fleet's name in the key of the group that is open.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub key: String,
    /// The stations of it that are not right again.
    #[serde(with = "kept::set", default, skip_serializing_if = "BTreeSet::is_empty")]
    pub stations: BTreeSet<Name>,
    /// When the minute began in which so many were told.
    #[serde(with = "kept::maybe", default, skip_serializing_if = "Option::is_none")]
    pub since: Option<Timestamp>,
    #[serde(default)]
    pub told: u32,
}

const MINUTE: SignedDuration = SignedDuration::from_secs(60);

impl Grouped {
    /// How many more stations may be told one by one.
    pub fn room(&mut self, most: u32, clock: Timestamp) -> usize {
        let is_now = |since: &Timestamp| clock.duration_since(*since).abs() < MINUTE;
        if self.since.filter(is_now).is_none() {
            (self.since, self.told) = (Some(clock), 0);
        }
        most.saturating_sub(self.told) as usize
    }
}
