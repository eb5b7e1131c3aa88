//! Which script is the best: of those that keep the way in, or of all where none is found that does. The search finds each.

use super::aim::Aim;
use super::dead::{dead, left_dead};
use super::memory::Memory;
use super::no_script::{NoScript, stuck};
use super::search::{Answer, Best};
use super::task::Task;
use crate::inventory::Station;
use crate::ledger::Record;
use crate::setting::{Codes, Name};

/// The best script of a problem, and what was passed over for it.
pub(super) struct Chosen {
    pub task: Task,
    pub best: Best,
    /// Commands of a script that would cost less, but takes the way in.
    pub passed_over: Vec<Name>,
}

/// The best script that keeps the way in; where there is none, or the search for it gives up, the best of all, which is not
/// proven then. `None` where nothing needs keying.
///
/// Where the best of all keeps the way in, it is also the best of those that do, so most stations need one search. Where a
/// code that opens calls is known at the start, or in doubt, only the commands left out of the second search can take it,
/// so that search misses no script that keeps the way in. Only where it is unknown at the start, keyed and then cleared
/// again may a script be missed that clears it before it is keyed.
pub(super) fn chosen(
    station: &Station,
    record: &Record,
    aim: &Aim,
    codes: &Codes,
    memory: &mut Memory,
) -> Result<Option<Chosen>, NoScript> {
    let keybook = &station.keybook;
    if let Some(lifeline) = left_dead(station, aim) {
        return Err(NoScript::Dead(dead(station, aim, lifeline)));
    }
    let task = Task::new(station, aim, codes);
    let Some(mut of_all) = best(station, &task, memory)? else { return Ok(None) };
    let takers = task.takers(keybook, record, aim, &of_all);
    if !takers.is_empty() {
        let keeping = Task::keeping_way_in(station, aim, codes);
        match memory.find(&keeping.problem)? {
            Answer::Best(best) => {
                let passed_over = takers.into_iter().map(|at| keybook.commands[at].name.clone()).collect();
                return Ok(Some(Chosen { task: keeping, best, passed_over }));
            }
            Answer::Unsolvable(_) => {}
            Answer::GaveUp { bound: _ } => of_all = unproven(of_all),
        }
    }
    Ok(Some(Chosen { task, best: of_all, passed_over: Vec::new() }))
}

/// The best of all scripts, where it was not found out whether one keeps the way in, which would be better: all that is
/// known is that none costs less.
fn unproven(of_all: Best) -> Best {
    Best { proven: false, bound: of_all.bound.or(Some(of_all.cost)), ..of_all }
}

/// The search's answer, unless nothing needs keying.
pub(super) fn best(station: &Station, task: &Task, memory: &mut Memory) -> Result<Option<Best>, NoScript> {
    match memory.find(&task.problem)? {
        Answer::Best(best) if best.steps.is_empty() => Ok(None),
        Answer::Best(best) => Ok(Some(best)),
        Answer::Unsolvable(goals) => {
            let Some(most) = memory.for_reasons() else { return Err(NoScript::GaveUp) };
            let mut left = most;
            let stuck = stuck(station, task, &goals, &mut left);
            memory.pay(most - left);
            Err(NoScript::Unreachable(stuck))
        }
        Answer::GaveUp { bound: _ } => Err(NoScript::GaveUp),
    }
}
