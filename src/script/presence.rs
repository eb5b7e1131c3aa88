//! What is known of who is at a station, and of which station answers: it decides no step.

use super::delta::{OtherVisit, Renumbered};
use super::request::Request;
use crate::drift::value_text;
use crate::ledger::Digest;
use crate::setting::Weight;

/// What to make sure of where a station last answered at another number, or another station may have answered.
pub(super) fn renumbered(request: &Request) -> Option<Renumbered> {
    let Request { station, record, drift, .. } = *request;
    let before = drift.other_number.clone();
    let elsewhere: Vec<_> = record.elsewhere(&station.keybook).map(|(id, _)| record.candidates(id)).collect();
    if before.is_none() && elsewhere.is_empty() {
        return None;
    }
    let locating = station.keybook.ids().filter(|id| station.keybook.setting(*id).weight == Weight::Locating);
    // What it was known to say comes first.
    let says = locating.filter_map(|id| record.known(id).or_else(|| record.candidates(id).next())).map(value_text);
    let says = says.filter(|text| text != "\"\"").collect();
    let heard = elsewhere.into_iter().flat_map(|candidates| candidates.skip(1)).map(value_text).collect();
    Some(Renumbered { before, now: station.number.name().clone(), heard, says })
}

/// Who is at the station with another card than this.
pub(super) fn beside(request: &Request, own: Option<&Digest>) -> Vec<OtherVisit> {
    let others = request.drift.begun.iter().filter(|begun| Some(&begun.script) != own);
    others.map(|begun| OtherVisit { visit: begun.visit, by: begun.by.clone(), at: begun.at }).collect()
}
