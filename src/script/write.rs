//! The way in to this room: writes the script of a station, or says what it would take. What it shows is proved.

use std::collections::BTreeSet;

use super::aim::{Aim, Way, has_failed, untried};
use super::choose::{Chosen, chosen};
use super::dead::{dead_buttons, undecided};
use super::delta::{Call, Script};
use super::json;
use super::memory::Memory;
use super::no_script::{NoScript, Rule, Stuck};
use super::obvious::obvious;
use super::presence::{beside, refused_again, renumbered};
use super::problem::Cost;
use super::proof::prove;
use super::rationale::rationales;
use super::request::Request;
use super::task::Task;
use super::test_call::{TestCall, test_calls};
use super::way_in::warnings;
use super::work::Work;
use super::writer::Writer;
use crate::drift::{is_tracked, lost_unmanaged, refused};
use crate::inventory::Station;
use crate::keybook::Lifeline;
use crate::ledger::{Digest, Record};
use crate::setting::{Codes, Name};

/// The best script for a station; `None` where nothing needs keying and no test call is asked for.
///
/// # Errors
/// Where no script exists, or none that can be proved.
pub fn write(request: &Request, way: Way, memory: &mut Memory) -> Result<Option<Script>, NoScript> {
    let script = written(request, &Aim::of(request.station, request.record, way), memory);
    script.map_err(|why| match (why, way) {
        (NoScript::Unreachable(stuck), Way::There) => NoScript::Unreachable(naming_way_back(request, stuck, memory)),
        (why, _) => why,
    })
}

/// Names the way back beside what nobody knows, where it makes that known.
fn naming_way_back(request: &Request, mut stuck: Vec<Stuck>, memory: &mut Memory) -> Vec<Stuck> {
    let mut partners = stuck.iter_mut().flat_map(|stuck| &mut stuck.rules).filter_map(Rule::way_back).peekable();
    if partners.peek().is_none() {
        return stuck;
    }
    let sets: BTreeSet<Name> = match write(request, Way::Back, memory) {
        Ok(Some(script)) => {
            let steps = script.calls.into_iter().flat_map(|call| call.steps);
            steps.flat_map(|step| step.sets.into_keys()).collect()
        }
        Ok(None) | Err(_) => BTreeSet::new(),
    };
    for (_, back) in partners.filter(|(partner, _)| sets.contains(*partner)) {
        *back = Some(request.station.name.clone());
    }
    stuck
}

/// The best script for an aim.
pub(super) fn written(request: &Request, aim: &Aim, memory: &mut Memory) -> Result<Option<Script>, NoScript> {
    let Request { station, record, codes, .. } = *request;
    let Some(Chosen { task, best, passed_over }) = chosen(station, record, aim, codes, memory)? else {
        return Ok(tests_alone(request, aim, memory));
    };
    let writer = Writer { station, record, codes, aim, task: &task, passed_over: &passed_over };
    let (mut steps, states) = writer.steps(&best)?;
    let all = rationales(&task.problem, &best.steps, &writer.names());
    steps.iter_mut().zip(all).for_each(|(step, rationale)| step.rationale = rationale);
    let held = writer.held_states(&best, &states)?;
    let mut calls = writer.calls(steps, &held)?;
    writer.add_recoveries(&best.steps, &states, &mut calls);
    let warnings = warnings(&writer, &calls, &held);
    prove(station, record, aim, &calls, codes)?;
    Ok(Some(Script {
        back: aim.back,
        digest: json::digest(station, aim, &calls),
        basis: Some(json::basis(station, aim)),
        station: station.name.clone(),
        model: station.keybook.model.clone(),
        number: station.number.to_string().into(),
        proven: best.proven,
        bound: best.bound,
        cost: best.cost,
        full_presses: full_presses(station, record, codes, memory),
        untried: if aim.back.is_some() { untried(station, record, aim) } else { Vec::new() },
        way_back: way_back(request, aim, memory),
        renumbered: renumbered(request),
        refused: refused(request.station, request.record),
        setbacks: request.drift.setbacks.clone(),
        refused_again: refused_again(request, &calls),
        renewed: renewed(station, aim),
        begun: None,
        beside: beside(request, None),
        tests: test_calls(request, aim, &task, &held),
        letters: calls.iter().any(Call::has_letters),
        calls,
        dead: dead_buttons(station, aim),
        undecided: undecided(station, record, aim),
        obvious: Some(obvious(&station.keybook, &task)),
        unsure: writer.unsure(),
        warnings,
    }))
}

/// The card of a station at which nothing needs keying, but a button is to be tested.
fn tests_alone(request: &Request, aim: &Aim, memory: &mut Memory) -> Option<Script> {
    let Request { station, record, codes, .. } = *request;
    let tests = tests_without_keys(request, aim)?;
    Some(Script {
        back: None,
        digest: json::digest_of_tests(station, &tests),
        basis: None,
        station: station.name.clone(),
        model: station.keybook.model.clone(),
        number: station.number.to_string().into(),
        proven: true,
        bound: None,
        cost: Cost::default(),
        full_presses: full_presses(station, record, codes, memory),
        untried: Vec::new(),
        calls: Vec::new(),
        way_back: way_back(request, aim, memory),
        renumbered: renumbered(request),
        refused: refused(request.station, request.record),
        setbacks: Vec::new(),
        refused_again: Vec::new(),
        renewed: renewed(station, aim),
        begun: None,
        beside: beside(request, None),
        tests,
        letters: false,
        dead: dead_buttons(station, aim),
        undecided: undecided(station, record, aim),
        obvious: None,
        unsure: Vec::new(),
        warnings: Vec::new(),
    })
}

/// The test calls that are asked for where nothing needs keying; a way back without keys leads nowhere, so it asks for none.
fn tests_without_keys(request: &Request, aim: &Aim) -> Option<Vec<TestCall>> {
    let task = Task::new(request.station, aim, request.codes);
    let tests = test_calls(request, aim, &task, &[]);
    (aim.back.is_none() && !tests.is_empty()).then_some(tests)
}

/// The way back that answers a failed test call, or a button of which nobody knows any more what it holds, where there is one.
fn way_back(request: &Request, aim: &Aim, memory: &mut Memory) -> Option<Digest> {
    let Request { station, record, .. } = *request;
    let is_lost = |(_, lifeline): (usize, &Lifeline)| {
        is_tracked(station, record, lifeline) && !lost_unmanaged(station, record, lifeline).is_empty()
    };
    if aim.back.is_some() || !has_failed(station, record) && !station.lifelines().any(is_lost) {
        return None;
    }
    write(request, Way::Back, memory).ok().flatten().map(|script| script.digest)
}

fn renewed(station: &Station, aim: &Aim) -> Vec<Name> {
    aim.renewed.iter().map(|id| station.keybook.setting(*id).name.clone()).collect()
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

/// The digest of the card that a station would be given; `None` where nothing needs keying and no test call is asked for.
///
/// # Errors
/// Where no script exists.
pub fn digest(request: &Request, memory: &mut Memory) -> Result<Option<Digest>, NoScript> {
    let Request { station, record, codes, .. } = *request;
    let aim = Aim::of(station, record, Way::There);
    Ok(match unproved(station, record, &aim, codes, memory)? {
        Some(calls) => Some(json::digest(station, &aim, &calls)),
        None => tests_without_keys(request, &aim).map(|tests| json::digest_of_tests(station, &tests)),
    })
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
    Ok(Some(writer.calls(steps, &writer.held_states(&best, &states)?)?))
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
