//! What the search found, written down: its steps with their keys, their calls, and what to do where one fails. It chooses
//! no step.

use std::collections::BTreeMap;

use super::aim::Aim;
use super::calls::{Length, Span, cut};
use super::delta::{Call, Step};
use super::no_script::NoScript;
use super::pressed::{Pressed, unheard_of};
use super::problem::{self, State, step_number};
use super::rationale::{Names, Rationale};
use super::recovery::{Cut, Recovery, recoveries};
use super::search::Best;
use super::task::Task;
use crate::drift::openings_to_try;
use crate::inventory::Station;
use crate::keybook::{Command, Keybook, SettingId, Use};
use crate::ledger::Record;
use crate::setting::{Codes, Name, Value};

/// What a script is written from.
pub(super) struct Writer<'a> {
    pub station: &'a Station,
    pub record: &'a Record,
    pub codes: &'a Codes,
    pub aim: &'a Aim,
    pub task: &'a Task,
    pub passed_over: &'a [Name],
}

impl Writer<'_> {
    pub fn keybook(&self) -> &Keybook {
        &self.station.keybook
    }

    /// What a setting holds in a state of the problem.
    pub fn held(&self, state: &State, id: SettingId) -> Option<Value> {
        let slot = self.task.slots.iter().position(|slot| *slot == id)?;
        state[slot].map(|cell| self.task.value(slot, cell).clone())
    }

    /// The steps, and the state before each and after the last.
    pub fn steps(&self, best: &Best) -> Result<(Vec<Step>, Vec<State>), NoScript> {
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

    /// What the station holds before each step and after the last, by the record: the same states, but for settings that are
    /// keyed again. `states` are those of [`Writer::steps`].
    pub fn held_states(&self, best: &Best, states: &[State]) -> Result<Vec<State>, NoScript> {
        let problem = &self.task.problem;
        let Some(start) = states.first().filter(|_| !self.aim.renewed.is_empty()) else { return Ok(states.to_vec()) };
        let mut state = start.clone();
        for (slot, id) in self.task.slots.iter().enumerate().filter(|(_, id)| self.aim.renewed.contains(id)) {
            // What is overdue is known to be as wanted.
            state[slot] = self.record.known(*id).map(|_| problem.slots[slot].goal);
        }
        let mut held = vec![state.clone()];
        for step in &best.steps {
            problem.key(&mut state, step).map_err(|error| NoScript::Unsound(error.to_string()))?;
            held.push(state.clone());
        }
        Ok(held)
    }

    pub fn names(&self) -> Names {
        let settings = self.task.slots.iter().map(|id| self.keybook().setting(*id).name.clone());
        let lifelines = self.task.lifelines.iter().map(|at| self.keybook().lifelines[*at].button.clone());
        Names { settings: settings.collect(), lifelines: lifelines.collect() }
    }

    fn lifeline(&self, at: usize) -> Name {
        self.keybook().lifelines[self.task.lifelines[at]].name.clone()
    }

    /// The lifelines of which nobody knows all, each with what nobody knows.
    pub fn unsure(&self) -> Vec<(Name, Vec<Name>)> {
        let name = |id: &SettingId| self.keybook().setting(*id).name.clone();
        let unsure = self.task.unsure.iter();
        unsure
            .map(|unsure| (self.keybook().lifelines[unsure.at].name.clone(), unsure.unknown.iter().map(name).collect()))
            .collect()
    }

    /// Says at each step what to do where it is not accepted. Lifelines of which nobody knows all are minded too.
    pub fn add_recoveries(&self, best: &[problem::Step], states: &[State], calls: &mut [Call]) {
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
        let cut = Cut { of: of.collect(), ends: ends.collect(), open: open.collect() };
        let recoveries = recoveries(&problem, best, states, &cut);
        let steps = calls.iter_mut().flat_map(|call| &mut call.steps);
        for ((step, recovery), state) in steps.zip(recoveries).zip(states) {
            step.recovery = recovery;
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
            number: step_number(nth),
            command: command.name.clone(),
            keys: keys.ok_or_else(|| NoScript::Unsound(format!("\"{}\" has a field without a value", command.name)))?,
            also: also.map(|(id, value)| (name(id), value)).collect(),
            sets: keyed.into_iter().map(|(id, value)| (name(id), value)).collect(),
            uncovered,
            unsure: Vec::new(),
            takes_ms: 0,
            rationale: Rationale::default(),
            recovery: Recovery::default(),
            note: command.note.clone(),
        })
    }

    pub fn wanted(&self, id: SettingId) -> Option<&Value> {
        self.aim.goal[id.index()].as_ref()
    }

    /// What opens a call: what is held; else the first to try.
    pub fn presumed(&self, state: &State, id: SettingId) -> Option<Value> {
        let first = || self.to_try(id).into_iter().next().or_else(|| unheard_of(self.keybook().setting(id)));
        self.held(state, id).or_else(first)
    }

    /// What to open calls with where nobody knows what a setting holds.
    pub fn to_try(&self, id: SettingId) -> Vec<Value> {
        openings_to_try(self.station, self.record, self.wanted(id), id)
    }

    /// The same in a state: what is held comes first, where it is known.
    pub fn to_try_in(&self, state: &State, id: SettingId) -> Vec<Value> {
        let Some(held) = self.held(state, id) else { return self.to_try(id) };
        let others = self.to_try(id).into_iter().filter(|value| !value.agrees(&held));
        std::iter::once(held.clone()).chain(others).collect()
    }

    /// Whether it is known what a setting holds that opens a call. What is known only because others were refused may be wrong:
    /// a slip sounds the same.
    pub fn is_sure(&self, state: &State, id: SettingId) -> bool {
        let holding = self.record.holding(id);
        let is_left = |held: &Value| holding.known().is_some_and(|known| known.agrees(held));
        self.held(state, id).is_some_and(|held| holding.refused.is_empty() || !is_left(&held))
    }

    /// The keys that open a call in a state, or that would open it if a setting held something else.
    pub fn open(&self, state: &State, instead: Option<(SettingId, &Value)>) -> Option<Pressed> {
        let instead = |id: SettingId| instead.filter(|(of, _)| *of == id).map(|(_, value)| value.clone());
        let keybook = self.keybook();
        Pressed::new(keybook, &keybook.call.open, |_, id| instead(id).or_else(|| self.presumed(state, id)))
    }

    pub fn calls(&self, steps: Vec<Step>, states: &[State]) -> Result<Vec<Call>, NoScript> {
        let keybook = self.keybook();
        let press = u64::from(keybook.timing.press_ms);
        let close = keybook.call.close.as_ref().and_then(|close| Pressed::new(keybook, close, |_, _| None));
        let close_ms = close.as_ref().map_or(0, |close| close.presses(self.codes) as u64 * press);
        let ends = |step: &Step| keybook.commands.iter().any(|c| c.name == step.command && c.ends_call);
        let mut lengths = Vec::new();
        for (step, state) in steps.iter().zip(states) {
            let open = self.open(state, None).ok_or(NoScript::NoOpening)?;
            let opening = open.presses(self.codes) as u64 * press + u64::from(keybook.timing.answer_ms);
            lengths.push(Length {
                step_ms: step.takes_ms,
                open_ms: u64::from(keybook.call.greeting_ms) + opening,
                close_ms: if ends(step) { 0 } else { close_ms },
                ends_call: ends(step),
                uncovered: !step.uncovered.is_empty(),
            });
        }
        let spans = cut(&lengths, keybook.call.limit_ms.into()).ok_or_else(|| self.too_long(&steps, &lengths))?;
        let mut steps = steps.into_iter();
        let mut made = Vec::new();
        for Span { steps: range, length_ms, room_ms, has_room } in spans {
            let state = &states[range.start];
            let ends_itself = lengths[range.end - 1].ends_call;
            made.push(Call {
                open: self.open(state, None).ok_or(NoScript::NoOpening)?,
                codes: self.codes_to_try(state),
                is_guessed: keybook.call.open.held().iter().any(|id| !self.is_sure(state, *id)),
                close: close.clone().filter(|_| !ends_itself),
                steps: steps.by_ref().take(range.len()).collect(),
                length_ms,
                room_ms,
                has_room,
                ends_itself,
            });
        }
        Ok(made)
    }

    /// The codes to open a call with in a state, in the order to try them: the one that is held alone, where that is sure. Where
    /// several settings open a call, those of the first that nobody knows for sure.
    fn codes_to_try(&self, state: &State) -> Vec<Value> {
        let open = self.keybook().call.open.held();
        let unknown = open.iter().find(|id| !self.is_sure(state, **id));
        let Some(id) = unknown.or(open.first()).copied() else { return Vec::new() };
        match self.held(state, id).filter(|_| self.is_sure(state, id)) {
            Some(held) => vec![held],
            None => self.to_try_in(state, id),
        }
    }

    /// The step that fits into no call; the keybook's check refuses keybooks in which there could be one.
    fn too_long(&self, steps: &[Step], lengths: &[Length]) -> NoScript {
        let call_ms = |length: &Length| length.open_ms + length.step_ms + length.close_ms;
        let longest = steps.iter().zip(lengths).max_by_key(|(_, length)| call_ms(length));
        let (command, call_ms) =
            longest.map_or(("".into(), 0), |(step, length)| (step.command.clone(), call_ms(length)));
        NoScript::CallTooShort { command, call_ms, limit_ms: self.keybook().call.limit_ms.into() }
    }
}
