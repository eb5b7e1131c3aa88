//! What is known of who is at a station, and of which station answers: it decides no step.

use super::delta::{OtherVisit, Renumbered};
use super::request::Request;
use crate::drift::value_text;
use crate::ledger::Digest;
use crate::setting::Weight;

/// What to make sure of where a station last answered at another number.
pub(super) fn renumbered(request: &Request) -> Option<Renumbered> {
    let Request { station, record, drift, .. } = *request;
    let before = drift.other_number.clone()?;
    let locating = station.keybook.ids().filter(|id| station.keybook.setting(*id).weight == Weight::Locating);
    let says = locating.filter_map(|id| record.known(id)).map(value_text).filter(|text| text != "\"\"").collect();
    Some(Renumbered { before, now: station.number.name().clone(), says })
}

/// Who is at the station with another card than this.
pub(super) fn beside(request: &Request, own: Option<&Digest>) -> Vec<OtherVisit> {
    let others = request.drift.begun.iter().filter(|begun| Some(&begun.script) != own);
    others.map(|begun| OtherVisit { visit: begun.visit, by: begun.by.clone(), at: begun.at }).collect()
}
