//! Keying again what was confirmed too long ago, of settings that no test call confirms.

use super::aim::{Aim, Way};
use super::choose::{Chosen, chosen};
use super::delta::Script;
use super::memory::Memory;
use super::no_script::NoScript;
use super::request::Request;
use super::write::written;
use crate::drift::{Drift, is_tracked};
use crate::keybook::SettingId;

/// The overdue settings of a station that belong to no tracked lifeline: a test call confirms the others.
pub fn renewable(request: &Request) -> Vec<SettingId> {
    let Request { station, record, drift, .. } = *request;
    let tracked = || station.lifelines().filter(|(_, lifeline)| is_tracked(station, record, lifeline));
    let is_tested = |id: &SettingId| tracked().any(|(_, lifeline)| lifeline.settings.contains(id));
    let overdue = drift.settings.iter().filter(|setting| setting.drift == Drift::Overdue).map(|setting| setting.id);
    overdue.filter(|id| !is_tested(id)).collect()
}

/// The best script that also keys some settings again, of those that are [`renewable`].
///
/// # Errors
/// Where there is none, or only one that leaves a button out of service for longer than without these; and which of them to
/// leave out then.
pub fn renew(request: &Request, ids: &[SettingId], memory: &mut Memory) -> Result<Option<Script>, NoScript> {
    let plain = exposure(request, &[], memory)?;
    if exposure(request, ids, memory).is_ok_and(|exposure| exposure <= plain) {
        return written(request, &Aim::renewing(request.station, request.record, ids), memory);
    }
    let mut kept: Vec<SettingId> = Vec::new();
    let mut leave_out = Vec::new();
    for id in ids {
        kept.push(*id);
        if !exposure(request, &kept, memory).is_ok_and(|exposure| exposure <= plain) {
            kept.pop();
            leave_out.push(request.station.keybook.setting(*id).name.clone());
        }
    }
    Err(NoScript::Renewals { leave_out })
}

/// What the best script leaves out of service, in milliseconds.
fn exposure(request: &Request, renewed: &[SettingId], memory: &mut Memory) -> Result<u64, NoScript> {
    let Request { station, record, codes, .. } = *request;
    let aim = match renewed {
        [] => Aim::of(station, record, Way::There),
        [_, ..] => Aim::renewing(station, record, renewed),
    };
    let chosen = chosen(station, record, &aim, codes, memory)?;
    Ok(chosen.map_or(0, |Chosen { best, .. }| best.cost.exposure_ms))
}
