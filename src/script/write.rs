//! The way in to this room: writes the script of a station, or says what it would take. What it shows is proved.

use super::aim::{Aim, Way, untried};
use super::choose::{Chosen, chosen};
use super::delta::{Call, Script};
use super::json;
use super::memory::Memory;
use super::no_script::NoScript;
use super::obvious::obvious;
use super::proof::prove;
use super::rationale::rationales;
use super::way_in::warnings;
use super::work::Work;
use super::writer::Writer;
use crate::inventory::Station;
use crate::ledger::{Digest, Record};
use crate::setting::Codes;

/// The best script for a station; `None` where nothing needs keying.
///
/// # Errors
/// Where no script exists, or none that can be proved.
pub fn write(
    station: &Station,
    record: &Record,
    codes: &Codes,
    way: Way,
    memory: &mut Memory,
) -> Result<Option<Script>, NoScript> {
    if let (Way::Back, Some(mark)) = (way, record.midway) {
        return Err(NoScript::Midway { at: mark.at });
    }
    let aim = Aim::of(station, record, way);
    let Some(Chosen { task, best, passed_over }) = chosen(station, record, &aim, codes, memory)? else {
        return Ok(None);
    };
    let writer = Writer { station, record, codes, aim: &aim, task: &task, passed_over: &passed_over };
    let (mut steps, states) = writer.steps(&best)?;
    let all = rationales(&task.problem, &best.steps, &writer.names());
    steps.iter_mut().zip(all).for_each(|(step, rationale)| step.rationale = rationale);
    let mut calls = writer.calls(steps, &states)?;
    writer.add_recoveries(&best.steps, &states, &mut calls);
    let warnings = warnings(&writer, &calls, &states);
    prove(station, record, &aim, &calls, codes)?;
    Ok(Some(Script {
        way,
        digest: json::digest(station, &aim, &calls),
        station: station.name.clone(),
        model: station.keybook.model.clone(),
        number: station.number.to_string().into(),
        proven: best.proven,
        bound: best.bound,
        cost: best.cost,
        full_presses: full_presses(station, record, codes, memory),
        untried: if way == Way::Back { untried(station, record, &aim) } else { Vec::new() },
        calls,
        obvious: obvious(&station.keybook, &task),
        unsure: writer.unsure(),
        warnings,
    }))
}

/// What keying the best script would take; `None` where nothing needs keying. It is not proved, so it is no script.
///
/// # Errors
/// Where no script exists.
pub fn reckon(
    station: &Station,
    record: &Record,
    codes: &Codes,
    memory: &mut Memory,
) -> Result<Option<Work>, NoScript> {
    let aim = Aim::of(station, record, Way::There);
    Ok(unproved(station, record, &aim, codes, memory)?.map(|calls| Work::of_calls(&calls, station, codes)))
}

/// The digest of the best script; `None` where nothing needs keying.
///
/// # Errors
/// Where no script exists.
pub fn digest(
    station: &Station,
    record: &Record,
    codes: &Codes,
    memory: &mut Memory,
) -> Result<Option<Digest>, NoScript> {
    let aim = Aim::of(station, record, Way::There);
    Ok(unproved(station, record, &aim, codes, memory)?.map(|calls| json::digest(station, &aim, &calls)))
}

/// The calls of the best script, without rationale and proof.
fn unproved(
    station: &Station,
    record: &Record,
    aim: &Aim,
    codes: &Codes,
    memory: &mut Memory,
) -> Result<Option<Vec<Call>>, NoScript> {
    let Some(Chosen { task, best, passed_over }) = chosen(station, record, aim, codes, memory)? else {
        return Ok(None);
    };
    let writer = Writer { station, record, codes, aim, task: &task, passed_over: &passed_over };
    let (steps, states) = writer.steps(&best)?;
    Ok(Some(writer.calls(steps, &states)?))
}

/// Presses of the best script from a start in which every managed setting is unknown.
pub fn full_presses(station: &Station, record: &Record, codes: &Codes, memory: &mut Memory) -> Option<u64> {
    let mut aim = Aim::of(station, record, Way::There);
    for id in station.keybook.ids().filter(|id| station.wanted(*id).is_some()) {
        aim.start[id.index()] = None;
    }
    // What is in doubt at the station itself is unknown there, too.
    let chosen = chosen(station, &Record::blank(&station.keybook), &aim, codes, memory).ok()?;
    Some(chosen.map_or(0, |chosen| chosen.best.cost.presses))
}
