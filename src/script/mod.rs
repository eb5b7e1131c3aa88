//! The delta script: the fewest keys that bring a station from what it holds to what is wanted, in the
//! order that never leaves a button uncovered longer than it must.
//!
//! [`write()`] decides everything: the search finds the steps, [`calls`] cuts them into calls, `proof`
//! keys them into a simulated station. What comes out is shown by [`card`] and [`json()`]. Codes stay
//! references until the moment of showing.
//!
//! *Best* is meant of the scripts that keep the way in: none is better that throws away the code by which the next call is
//! opened. `proven` and `bound` are of the same. Where none keeps it, or the search finds none, the best of all is given,
//! and warns of the step after which nobody knows the code.
//!
//! The way back leads from what is wanted to what is on record. So it is refused where the record may be from the middle
//! of a script, and says so before all else where it ends in what no test call has proved.

pub mod calls;
pub mod card;
pub mod problem;
pub mod search;

mod account;
mod apart;
mod commission;
mod json;
mod memory;
mod mishap;
mod no_script;
mod obvious;
mod pressed;
mod proof;
mod task;
mod warning;
mod work;
mod worklist;
#[cfg(test)]
mod tests;

pub use account::{Because, Does, Place, Why};
pub use commission::unkeyable;
pub use json::{issued, json, nothing_to_key};
pub use memory::Memory;
pub use mishap::{Mishap, Resort};
pub use no_script::{Beside, NoScript, Rule, Stuck};
pub use obvious::Obvious;
pub use pressed::{Piece, Pressed};
pub use proof::ProofError;
pub use warning::Warning;
pub use work::Work;
pub use worklist::{Due, Errand, WorkList};

use std::collections::BTreeMap;

use crate::inventory::Station;
use crate::keybook::{Command, Keybook, Setting, SettingId, Use};
use crate::ledger::{Digest, Outcome, Proof, Record};
use crate::setting::{Codes, Kind, Name, Reference, Secret, Value};

use problem::{Cost, State};
use search::{Answer, Best};
use task::{Aim, Task};

/// A script for one station, proved.
#[derive(Debug, Clone, PartialEq)]
pub struct Script {
    pub way: Way,
    pub digest: Digest,
    pub station: Name,
    pub model: Name,
    pub number: Name,
    /// Whether no script is better.
    pub proven: bool,
    /// Where not proven: no script costs less.
    pub bound: Option<Cost>,
    /// Exposure, keying time, presses and commands.
    pub cost: Cost,
    /// Presses from a start in which every managed setting is unknown.
    pub full_presses: Option<u64>,
    /// Lifelines that the way back leaves otherwise than wanted, in a state in which no test call on record reached help.
    pub untried: Vec<Name>,
    pub calls: Vec<Call>,
    /// What the obvious script would have cost.
    pub obvious: Obvious,
    /// Lifelines of which nobody knows some settings, with these: what is said of the best script leaves them out.
    pub unsure: Vec<(Name, Vec<Name>)>,
    pub warnings: Vec<Warning>,
}

/// One programming call.
#[derive(Debug, Clone, PartialEq)]
pub struct Call {
    pub open: Pressed,
    /// Whether nobody knows that it opens; then a warning says what to try.
    pub is_guessed: bool,
    /// Nothing where the station hangs up by itself or needs no closing.
    pub close: Option<Pressed>,
    pub steps: Vec<Step>,
    /// From answer to hang-up, in milliseconds.
    pub length_ms: u64,
    /// Whether the station hangs up by itself after the last step.
    pub ends_itself: bool,
}

/// One command to key.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// Counted through all calls, from 1.
    pub number: u32,
    pub command: Name,
    pub keys: Pressed,
    /// The values keyed.
    pub sets: BTreeMap<Name, Value>,
    /// The other effects; `None` leaves a setting unknown.
    pub also: BTreeMap<Name, Option<Value>>,
    /// Tracked lifelines that are not covered just before it.
    pub uncovered: Vec<Name>,
    /// Lifelines of which nobody knows all, and whose known part is not covered just before it.
    pub unsure: Vec<Name>,
    /// The step's whole time, in milliseconds.
    pub takes_ms: u64,
    /// Why it is there, and why there.
    pub why: Why,
    /// What to do where it is not accepted.
    pub mishap: Mishap,
    pub note: Option<Name>,
}

/// Which way a script leads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// From what the station holds to what is wanted.
    There,
    /// From what is wanted to what the station held, as far as that was known.
    Back,
}

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
    let aim = aim(station, record, way);
    let Some(Chosen { task, best, passed_over }) = chosen(station, record, &aim, codes, memory)? else {
        return Ok(None);
    };
    let writer = Writer { station, record, codes, aim: &aim, task: &task, passed_over: &passed_over };
    let (mut steps, states) = writer.steps(&best)?;
    let whys = account::account(&task.problem, &best.steps, &writer.names());
    steps.iter_mut().zip(whys).for_each(|(step, why)| step.why = why);
    let mut calls = writer.calls(steps, &states)?;
    writer.mind_mishaps(&best.steps, &states, &mut calls);
    let warnings = warning::warnings(&writer, &calls, &states);
    proof::prove(station, record, &aim, &calls, codes)?;
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
        obvious: obvious::obvious(&station.keybook, &task),
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
    let aim = aim(station, record, Way::There);
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
    let aim = aim(station, record, Way::There);
    Ok(unproved(station, record, &aim, codes, memory)?.map(|calls| json::digest(station, &aim, &calls)))
}

/// The calls of the best script, without account and proof.
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

/// The best script of a problem, and what was passed over for it.
struct Chosen {
    task: Task,
    best: Best,
    /// Commands of a script that would cost less, but takes the way in.
    passed_over: Vec<Name>,
}

/// The best script that keeps the way in; where there is none, the best of all. `None` where nothing needs keying.
///
/// Where the best of all keeps the way in, it is also the best of those that do, so most stations need one search. Where a
/// code that opens calls is known at the start, or in doubt, only the commands left out of the second search can take it,
/// so that search misses no script that keeps the way in. Only where it is unknown at the start, keyed and then cleared
/// again may a script be missed that clears it before it is keyed.
fn chosen(
    station: &Station,
    record: &Record,
    aim: &Aim,
    codes: &Codes,
    memory: &mut Memory,
) -> Result<Option<Chosen>, NoScript> {
    let keybook = &station.keybook;
    let task = Task::new(keybook, aim, codes);
    let Some(of_all) = best(station, &task, memory)? else { return Ok(None) };
    let takers = task.takers(keybook, record, &of_all);
    if !takers.is_empty() {
        let task = Task::keeping_way_in(keybook, aim, codes);
        if let Ok(Answer::Best(best)) = memory.find(&task.problem) {
            let passed_over = takers.into_iter().map(|at| keybook.commands[at].name.clone()).collect();
            return Ok(Some(Chosen { task, best, passed_over }));
        }
    }
    Ok(Some(Chosen { task, best: of_all, passed_over: Vec::new() }))
}

/// The search's answer, unless nothing needs keying.
fn best(station: &Station, task: &Task, memory: &mut Memory) -> Result<Option<Best>, NoScript> {
    match memory.find(&task.problem)? {
        Answer::Best(best) if best.steps.is_empty() => Ok(None),
        Answer::Best(best) => Ok(Some(best)),
        Answer::Unreachable(accounts) => {
            let Some(most) = memory.for_reasons() else { return Err(NoScript::GaveUp) };
            let mut left = most;
            let stuck = no_script::stuck(station, task, &accounts, &mut left);
            memory.pay(most - left);
            Err(NoScript::Unreachable(stuck))
        }
        Answer::GaveUp { bound: _ } => Err(NoScript::GaveUp),
    }
}

/// Start and goal of a station's script.
fn aim(station: &Station, record: &Record, way: Way) -> Aim {
    let keybook = &station.keybook;
    let start: Vec<Option<Value>> = keybook.ids().map(|id| record.known(id).cloned()).collect();
    let wanted = |id: SettingId| station.wanted(id).map(|wanted| wanted.value.clone());
    let goal: Vec<Option<Value>> = keybook.ids().map(|id| wanted(id).or_else(|| start[id.index()].clone())).collect();
    match way {
        Way::There => {
            let failed = record.lifelines.iter().map(|proof| matches!(proof.last, Some((Outcome::Failed, _))));
            Aim { failed: failed.collect(), start, goal }
        }
        Way::Back => {
            let back = start.iter().zip(&goal).map(|(start, goal)| start.clone().or_else(|| goal.clone())).collect();
            Aim { start: goal, goal: back, failed: vec![false; keybook.lifelines.len()] }
        }
    }
}

/// Lifelines that a way back leaves otherwise than wanted, and that no test call on record reached help by in that very
/// state: the state on record, where all of it is known.
fn untried(station: &Station, record: &Record, aim: &Aim) -> Vec<Name> {
    let differs = |id: &SettingId| {
        let goal = &aim.goal[id.index()];
        station.wanted(*id).is_some_and(|wanted| !goal.as_ref().is_some_and(|goal| goal.agrees(&wanted.value)))
    };
    let is_tested = |proof: &Proof| proof.reached.is_some() && matches!(proof.last, Some((Outcome::Reached, _)));
    let lifelines = station.keybook.lifelines.iter().zip(&record.lifelines);
    let untried = lifelines.filter(|(lifeline, proof)| {
        let is_on_record = lifeline.settings.iter().all(|id| record.known(*id).is_some());
        lifeline.settings.iter().any(differs) && !(is_on_record && is_tested(proof))
    });
    untried.map(|(lifeline, _)| lifeline.name.clone()).collect()
}

/// Presses of the best script from a start in which every managed setting is unknown.
pub fn full_presses(station: &Station, record: &Record, codes: &Codes, memory: &mut Memory) -> Option<u64> {
    let mut aim = aim(station, record, Way::There);
    for id in station.keybook.ids().filter(|id| station.wanted(*id).is_some()) {
        aim.start[id.index()] = None;
    }
    // What is in doubt at the station itself is unknown there, too.
    let chosen = chosen(station, &Record::blank(&station.keybook), &aim, codes, memory).ok()?;
    Some(chosen.map_or(0, |chosen| chosen.best.cost.presses))
}

/// The code of a setting that nobody knows or wants: the factory's if the keybook prints it, else a gap to fill in.
fn unheard_of(setting: &Setting) -> Option<Value> {
    let blank = Value::Secret(Secret { reference: Reference::Factory, fingerprint: None });
    setting.factory.clone().or_else(|| matches!(setting.kind, Kind::Secret { .. }).then_some(blank))
}

/// Steps are counted from 1.
fn number(at: usize) -> u32 {
    u32::try_from(at + 1).unwrap_or(u32::MAX)
}

struct Writer<'a> {
    station: &'a Station,
    record: &'a Record,
    codes: &'a Codes,
    aim: &'a Aim,
    task: &'a Task,
    passed_over: &'a [Name],
}

impl Writer<'_> {
    fn keybook(&self) -> &Keybook {
        &self.station.keybook
    }

    /// What a setting holds in a state of the problem.
    fn held(&self, state: &State, id: SettingId) -> Option<Value> {
        let slot = self.task.slots.iter().position(|slot| *slot == id)?;
        state[slot].map(|cell| self.task.value(slot, cell).clone())
    }

    /// The steps, and the state before each and after the last.
    fn steps(&self, best: &Best) -> Result<(Vec<Step>, Vec<State>), NoScript> {
        let problem = &self.task.problem;
        let mut state = problem.start();
        let mut states = vec![state.clone()];
        let mut steps = Vec::new();
        for (nth, chosen) in best.steps.iter().enumerate() {
            let before = state.clone();
            let cost = problem.key(&mut state, chosen).map_err(|error| NoScript::Unsound(error.to_string()))?;
            let command = &self.keybook().commands[self.task.commands[chosen.command]];
            let fields = &problem.commands[chosen.command].fields;
            let keyed: BTreeMap<SettingId, Value> = fields
                .iter()
                .zip(&chosen.choices)
                .map(|(field, choice)| {
                    let value = self.task.value(field.slot, field.choices[*choice].value);
                    (self.task.slots[field.slot], value.clone())
                })
                .collect();
            let uncovered = problem.uncovered(&before).into_iter().map(|at| self.lifeline(at)).collect();
            let step = self.step(nth, command, keyed, &before, uncovered)?;
            steps.push(Step { takes_ms: cost.time_ms, ..step });
            states.push(state.clone());
        }
        Ok((steps, states))
    }

    fn names(&self) -> account::Names {
        let settings = self.task.slots.iter().map(|id| self.keybook().setting(*id).name.clone());
        let lifelines = (0..self.task.lifelines.len()).map(|at| self.lifeline(at));
        account::Names { settings: settings.collect(), lifelines: lifelines.collect() }
    }

    fn lifeline(&self, at: usize) -> Name {
        self.keybook().lifelines[self.task.lifelines[at]].name.clone()
    }

    /// The lifelines of which nobody knows all, each with what nobody knows.
    fn unsure(&self) -> Vec<(Name, Vec<Name>)> {
        let name = |id: &SettingId| self.keybook().setting(*id).name.clone();
        let unsure = self.task.unsure.iter();
        unsure
            .map(|unsure| (self.keybook().lifelines[unsure.at].name.clone(), unsure.unknown.iter().map(name).collect()))
            .collect()
    }

    /// Says at each step what to do where it is not accepted. Lifelines of which nobody knows all are minded too.
    fn mind_mishaps(&self, best: &[problem::Step], states: &[State], calls: &mut [Call]) {
        let mut problem = self.task.problem.clone();
        let tracked = problem.lifelines.len();
        problem.lifelines.extend(self.task.unsure.iter().map(|unsure| unsure.rest.clone()));
        let of = calls.iter().enumerate().flat_map(|(nth, call)| vec![nth; call.steps.len()]);
        let ends = calls.iter().flat_map(|call| {
            let last = call.steps.len();
            (1..=last).map(move |nth| nth == last && call.ends_itself)
        });
        let slot = |id: SettingId| self.task.slots.iter().position(|slot| *slot == id);
        let open = self.keybook().call.open.held().into_iter().filter_map(slot);
        let cut = mishap::Calls { of: of.collect(), ends: ends.collect(), open: open.collect() };
        let mishaps = mishap::mishaps(&problem, best, states, &cut);
        let steps = calls.iter_mut().flat_map(|call| &mut call.steps);
        for ((step, mishap), state) in steps.zip(mishaps).zip(states) {
            step.mishap = mishap;
            let unsure = problem.uncovered(state).into_iter().filter_map(|at| at.checked_sub(tracked));
            let name = |nth: usize| self.keybook().lifelines[self.task.unsure[nth].at].name.clone();
            step.unsure = unsure.map(name).collect();
        }
    }

    fn step(
        &self,
        nth: usize,
        command: &Command,
        keyed: BTreeMap<SettingId, Value>,
        before: &State,
        uncovered: Vec<Name>,
    ) -> Result<Step, NoScript> {
        let keybook = self.keybook();
        let keys = Pressed::new(keybook, &command.keys, |how, id| match how {
            Use::Store => keyed.get(&id).cloned(),
            Use::Held => self.held(before, id),
        });
        let name = |id: SettingId| keybook.setting(id).name.clone();
        let effects = command.effects(keybook, &keyed);
        let also = effects.into_iter().filter(|(id, _)| !keyed.contains_key(id));
        Ok(Step {
            number: number(nth),
            command: command.name.clone(),
            keys: keys.ok_or_else(|| NoScript::Unsound(format!("`{}` has a field without a value", command.name)))?,
            also: also.map(|(id, value)| (name(id), value)).collect(),
            sets: keyed.into_iter().map(|(id, value)| (name(id), value)).collect(),
            uncovered,
            unsure: Vec::new(),
            takes_ms: 0,
            why: Why::default(),
            mishap: Mishap::default(),
            note: command.note.clone(),
        })
    }

    fn wanted(&self, id: SettingId) -> Option<&Value> {
        self.aim.goal[id.index()].as_ref()
    }

    /// What opens a call: what is held; else what is wanted; else what may be held.
    fn presumed(&self, state: &State, id: SettingId) -> Option<Value> {
        let held = self.held(state, id);
        let known = held.or_else(|| self.wanted(id).or_else(|| self.record.candidates(id).next()).cloned());
        known.or_else(|| unheard_of(self.keybook().setting(id)))
    }

    /// The keys that open a call in a state, or that would open it if a setting held something else.
    fn open(&self, state: &State, instead: Option<(SettingId, &Value)>) -> Option<Pressed> {
        let instead = |id: SettingId| instead.filter(|(of, _)| *of == id).map(|(_, value)| value.clone());
        let keybook = self.keybook();
        Pressed::new(keybook, &keybook.call.open, |_, id| instead(id).or_else(|| self.presumed(state, id)))
    }

    fn calls(&self, steps: Vec<Step>, states: &[State]) -> Result<Vec<Call>, NoScript> {
        let keybook = self.keybook();
        let press = u64::from(keybook.timing.press_ms);
        let close = keybook.call.close.as_ref().and_then(|close| Pressed::new(keybook, close, |_, _| None));
        let close_ms = close.as_ref().map_or(0, |close| close.presses(self.codes) as u64 * press);
        let ends = |step: &Step| keybook.commands.iter().any(|c| c.name == step.command && c.ends_call);
        let mut lengths = Vec::new();
        for (step, state) in steps.iter().zip(states) {
            let open = self.open(state, None).ok_or(NoScript::NoOpening)?;
            let opening = open.presses(self.codes) as u64 * press + u64::from(keybook.timing.answer_ms);
            lengths.push(calls::Length {
                step_ms: step.takes_ms,
                around_ms: u64::from(keybook.call.greeting_ms) + opening + close_ms,
                close_ms,
                ends_call: ends(step),
                uncovered: !step.uncovered.is_empty(),
            });
        }
        let ranges =
            calls::cut(&lengths, keybook.call.limit_ms.into()).ok_or_else(|| self.too_long(&steps, &lengths))?;
        let mut made = Vec::new();
        for range in ranges {
            let state = &states[range.start];
            let open = self.open(state, None).ok_or(NoScript::NoOpening)?;
            let is_guessed = keybook.call.open.held().iter().any(|id| self.held(state, *id).is_none());
            let ended = ends(&steps[range.end - 1]);
            let inside: u64 = lengths[range.clone()].iter().map(|length| length.step_ms).sum();
            let length_ms = lengths[range.start].around_ms + inside - if ended { close_ms } else { 0 };
            let close = close.clone().filter(|_| !ended);
            made.push(Call { open, is_guessed, close, steps: steps[range].to_vec(), length_ms, ends_itself: ended });
        }
        Ok(made)
    }

    /// The step that fits into no call; the keybook's check refuses keybooks in which there could be one.
    fn too_long(&self, steps: &[Step], lengths: &[calls::Length]) -> NoScript {
        let call_ms = |length: &calls::Length| {
            length.around_ms + length.step_ms - if length.ends_call { length.close_ms } else { 0 }
        };
        let longest = steps.iter().zip(lengths).max_by_key(|(_, length)| call_ms(length));
        let (command, call_ms) =
            longest.map_or(("".into(), 0), |(step, length)| (step.command.clone(), call_ms(length)));
        NoScript::CallTooShort { command, call_ms, limit_ms: self.keybook().call.limit_ms.into() }
    }
}
