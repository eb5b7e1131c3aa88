//! What is known of who is at a station, and of which station answers, and of what went wrong there before: it decides no step.

use super::delta::{Call, OtherVisit, RefusedAgain, Renumbered, Step};
use super::request::Request;
use crate::drift::value_text;
use crate::keybook::SettingId;
use crate::ledger::{Digest, Elsewhere, RefusedStep};
use crate::setting::{Value, Weight};

/// What to make sure of where a station last answered at another number, or another station may have answered.
pub(super) fn renumbered(request: &Request) -> Option<Renumbered> {
    let Request { station, record, drift, .. } = *request;
    let before = drift.other_number.clone();
    if before.is_none() && record.elsewhere.is_empty() {
        return None;
    }
    let locating = station.keybook.ids().filter(|id| station.keybook.setting(*id).weight == Weight::Locating);
    // What it was known to say comes first.
    let said = |id| Some((id, record.known(id).or_else(|| record.candidates(id).next())?));
    let said: Vec<_> = locating.filter_map(said).filter(|(_, value)| value_text(value) != "\"\"").collect();
    let says = said.iter().map(|(_, value)| value_text(value)).collect();
    let digits = |(id, value): &(SettingId, &Value)| match value {
        Value::Digits(text) => Some((station.keybook.setting(*id).name.to_string(), text.to_string())),
        Value::Dial(_) | Value::Choice(_) | Value::Flags(_) | Value::Number(_) | Value::Secret(_) => None,
    };
    let values = said.iter().filter_map(digits).collect();
    let heard = record.elsewhere.iter().map(|heard| {
        let Elsewhere { id, value, station: other, mark: _ } = heard;
        format!("{} was heard, which is {other}'s {}", value_text(value), station.keybook.setting(*id).title())
    });
    let heard = heard.collect();
    Some(Renumbered { before, now: station.number.name().clone(), heard, says, values })
}

/// Who is at the station with another card than this.
pub(super) fn beside(request: &Request, own: Option<&Digest>) -> Vec<OtherVisit> {
    let others = request.drift.begun.iter().filter(|begun| Some(&begun.script) != own);
    others.map(|begun| OtherVisit { visit: begun.visit, by: begun.by.clone(), at: begun.at }).collect()
}

/// The steps that the station refused when the same was keyed before.
pub(super) fn refused_again(request: &Request, calls: &[Call]) -> Vec<RefusedAgain> {
    let Request { station, record, .. } = *request;
    let keybook = &station.keybook;
    let again = |step: &Step| {
        let is_it = |refused: &&RefusedStep| {
            let value = step.sets.get(&keybook.setting(refused.id).name);
            value.is_some_and(|value| refused.value.as_ref().is_some_and(|refused| refused.agrees(value)))
        };
        let refused: Vec<&RefusedStep> = record.earlier.refused().iter().filter(is_it).collect();
        let last = refused.iter().max_by_key(|refused| (refused.mark.at, refused.mark.report))?;
        Some(RefusedAgain {
            step: step.number,
            titles: refused.iter().map(|refused| keybook.setting(refused.id).title()).collect(),
            at: last.mark.at,
            by: last.by.clone(),
        })
    };
    calls.iter().flat_map(|call| &call.steps).filter_map(again).collect()
}
