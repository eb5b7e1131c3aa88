//! How many stations may be altered at once.

use crate::brake::{Limit, Share};
use crate::finding::Place;

/// How many stations may be altered at once before their scripts wait for a release. Places: the lines that set it; `None`
/// where it is the default.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BrakeTerms {
    /// The share of the stations on record that may be altered.
    pub share: Share,
    /// Where the file says so.
    pub share_place: Option<Place>,
    /// How many may be altered in all.
    pub most: usize,
    /// Where the file says so.
    pub most_place: Option<Place>,
}

impl Default for BrakeTerms {
    fn default() -> BrakeTerms {
        BrakeTerms { share: Share::DEFAULT, share_place: None, most: Limit::MOST, most_place: None }
    }
}

impl BrakeTerms {
    /// The limit with words for where it is set.
    pub fn limit(&self) -> Limit {
        let set_at = |key: &str, place: &Option<Place>| match place {
            Some(place) => format!("brake.{key}, {}:{}", place.file, place.line),
            None => format!("the default of brake.{key} in stationkeep.yaml"),
        };
        Limit {
            share: self.share,
            most: self.most,
            share_set_at: set_at("share", &self.share_place),
            most_set_at: set_at("most", &self.most_place),
        }
    }
}
