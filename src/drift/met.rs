//! What whoever rang a station met there that no setting says: codes that it refused, and words of another station.

use jiff::Timestamp;

use super::refused::{RefusedCodes, refused};
use super::values::value_text;
use crate::finding::minute;
use crate::inventory::Station;
use crate::ledger::{Elsewhere, Record, Refusal};
use crate::setting::Name;

/// One thing that was met, until something is made known of what it is about.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Met {
    /// The station refused a code.
    Refused {
        /// Where the code is kept. Never a code.
        code: Name,
        /// When.
        at: Timestamp,
        /// Who heard it.
        by: Name,
    },
    /// What was heard is what another station says.
    Elsewhere {
        /// What people call the setting.
        title: Name,
        /// What was heard.
        value: Name,
        /// The station that should say so.
        station: Name,
        /// When.
        at: Timestamp,
    },
}

impl Met {
    /// What tells it from all others of a station.
    pub fn key(&self) -> String {
        match self {
            Met::Refused { code, at, by: _ } => format!("{code} {at}"),
            Met::Elsewhere { title, value, station, at } => format!("{title} {value} {station} {at}"),
        }
    }

    /// What it was, and what to do; `station`: where it was met.
    pub fn sentence(&self, station: &str) -> String {
        match self {
            Met::Refused { code, at, by } => format!("{station} refused {code} on {} ({by}).", minute(*at)),
            Met::Elsewhere { title, value, station: other, at } => format!(
                "On {} {station} said {value}, which is the {title} of {other}: {other} may have answered. Ring {station} again and \
                 listen which station answers.",
                minute(*at)
            ),
        }
    }
}

pub(super) fn met(station: &Station, record: &Record) -> Vec<Met> {
    let codes = refused(station, record).into_iter().flat_map(|refused| refused.each);
    let codes = codes.map(|Refusal { code, mark, by }| Met::Refused {
        code: RefusedCodes::named(&code).into(),
        at: mark.at,
        by,
    });
    let elsewhere = record.elsewhere.iter().map(|Elsewhere { id, value, station: other, mark }| Met::Elsewhere {
        title: station.keybook.setting(*id).title().into(),
        value: value_text(value).into(),
        station: other.clone(),
        at: mark.at,
    });
    codes.chain(elsewhere).collect()
}
