//! What is said of codes that a station refused: never a code, only where it is kept.

use super::values::value_text;
use crate::finding::minute;
use crate::inventory::Station;
use crate::ledger::{Holding, Record, Refusal};
use crate::setting::{Reference, Secret, Value};

/// The codes that a station refused since one was last shown to be right.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RefusedCodes {
    /// "file:secrets/access-2026 at 2026-11-25 12:10 UTC (tech-07)", one for each code.
    pub each: Vec<String>,
    /// Whether the station may hold another code that is on record.
    pub leaves_others: bool,
}

/// What a station refused of the codes that open its calls; nothing where it refused none.
pub fn refused(station: &Station, record: &Record) -> Option<RefusedCodes> {
    let open = station.keybook.call.open.held();
    let refused: Vec<_> = open.iter().filter(|id| !record.holding(**id).refused.is_empty()).collect();
    let is_left = |holding: &Holding, value: &Value| holding.refusal_of(value).is_none();
    let leaves_others = refused.iter().all(|id| {
        let (holding, factory) = (record.holding(**id), station.keybook.setting(**id).factory.as_ref());
        let wanted = station.wanted(**id).map(|wanted| &wanted.value);
        let mut all = wanted.into_iter().chain(record.candidates(**id)).chain(factory);
        holding.known().is_some() || all.any(|value| is_left(holding, value))
    });
    let each = refused.iter().flat_map(|id| &record.holding(**id).refused).map(refusal_text).collect();
    (!refused.is_empty()).then_some(RefusedCodes { each, leaves_others })
}

/// "file:secrets/access-2026 at 2026-11-25 12:10 UTC (tech-07)".
fn refusal_text(Refusal { code, mark, by }: &Refusal) -> String {
    let code = match code {
        Value::Secret(Secret { reference: Reference::Factory, .. }) => "the factory code".into(),
        Value::Secret(secret) => secret.reference.to_string(),
        Value::Digits(_) | Value::Dial(_) | Value::Choice(_) | Value::Flags(_) | Value::Number(_) => value_text(code),
    };
    format!("{code} at {} ({by})", minute(mark.at))
}

impl RefusedCodes {
    /// "The station refused … and …."
    pub fn sentence(&self) -> String {
        format!("The station refused {}.", self.each.join(" and "))
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
