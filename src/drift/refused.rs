//! What is said of codes that a station refused: never a code, only where it is kept.

use super::values::value_text;
use crate::finding::minute;
use crate::inventory::Station;
use crate::keybook::SettingId;
use crate::ledger::{Record, Refusal};
use crate::setting::{Reference, Secret, Value};

/// The codes that a station refused since one was last shown to be right.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RefusedCodes {
    /// One for each code.
    pub each: Vec<Refusal>,
    /// Whether the station may hold another code that is on record.
    pub leaves_others: bool,
}

/// What may open a station's calls where nobody knows what a setting of that holds, in the order to try it, each once: what is
/// wanted, what it may hold by the record, what the factory gave it, what it held earlier. Last what the station has refused,
/// the longest ago first: a slip sounds the same.
pub fn openings_to_try(station: &Station, record: &Record, wanted: Option<&Value>, id: SettingId) -> Vec<Value> {
    let factory = station.keybook.setting(id).factory.as_ref();
    let refused = &record.holding(id).refused;
    let on_record = record.candidates(id).chain(factory).chain(record.earlier.codes(id));
    let mut all: Vec<Value> = Vec::new();
    for value in wanted.into_iter().chain(on_record).chain(refused.iter().map(|refusal| &refusal.code)) {
        if !all.iter().any(|known| known.agrees(value)) {
            all.push(value.clone());
        }
    }
    all.sort_by_key(|value| refused.iter().position(|refusal| refusal.code.agrees(value)));
    all
}

/// What a station refused of the codes that open its calls; nothing where it refused none.
pub fn refused(station: &Station, record: &Record) -> Option<RefusedCodes> {
    let open = station.keybook.call.open.held();
    let refused: Vec<_> = open.iter().filter(|id| !record.holding(**id).refused.is_empty()).collect();
    let leaves_others = refused.iter().all(|id| {
        let holding = record.holding(**id);
        let to_try = openings_to_try(station, record, station.wanted(**id).map(|wanted| &wanted.value), **id);
        let mut all = holding.known().into_iter().chain(&to_try);
        all.any(|code| holding.refusal_of(code).is_none())
    });
    let each = refused.iter().flat_map(|id| &record.holding(**id).refused).cloned().collect();
    (!refused.is_empty()).then_some(RefusedCodes { each, leaves_others })
}

/// "file:secrets/access-2026 on 2026-11-25 12:10 UTC (tech-07)".
fn refusal_text(Refusal { code, mark, by }: &Refusal) -> String {
    format!("{} on {} ({by})", RefusedCodes::named(code), minute(mark.at))
}

impl RefusedCodes {
    /// "The station refused … and …."
    pub fn sentence(&self) -> String {
        format!("The station refused {}.", self.each.iter().map(refusal_text).collect::<Vec<_>>().join(" and "))
    }

    /// Where a code is kept: never the code.
    pub fn named(code: &Value) -> String {
        match code {
            Value::Secret(Secret { reference: Reference::Factory, .. }) => "the factory code".into(),
            Value::Secret(secret) => secret.reference.to_string(),
            Value::Digits(_) | Value::Dial(_) | Value::Choice(_) | Value::Flags(_) | Value::Number(_) => {
                value_text(code)
            }
        }
    }

    /// What to do about it before the next call.
    pub fn what_to_do(&self) -> &'static str {
        match self.leaves_others {
            true => "The next card opens with another code.",
            false => {
                "No other code is on record. Ops must find out which one the station holds, and report it as \"found\"."
            }
        }
    }
}
