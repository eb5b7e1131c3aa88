//! From a station's keybook, record and wishes to the abstract problem that the search solves.
//!
//! The *way in* is what opens a call. The contract opens a call with the code held at that moment, and leaves a setting
//! unknown that is cleared without a factory value. Of a code cleared so nobody can say what it is: whoever rings again
//! stands outside a unit that is half done. So a problem can be laid out without the commands that may take the way in
//! ([`Task::keeping_way_in`]), and the best script is sought there first; only where there is none may they be used, and
//! the card warns of it.

use std::collections::{BTreeMap, BTreeSet};

use crate::inventory::Station;
use crate::keybook::{COMMAND_MS_MAX, Command, Keybook, LIFELINES_MAX, PRESSES_MAX, SettingId, Use, VALUES_MAX};
use crate::ledger::Record;
use crate::setting::{Codes, Kind, Secret, Value};

use super::aim::Aim;
use super::dead::dies;
use super::problem::{
    self, Also, Choice, Command as Move, Field, Lifeline, Need, Problem, Read, Slot, Value as Cell, ValueSet,
};
use super::search::Best;

/// What a sound keybook may hold, the search takes on.
const _: () = {
    assert!(LIFELINES_MAX <= problem::MAX_LIFELINES && VALUES_MAX + 2 <= problem::MAX_VALUES as usize);
    assert!(PRESSES_MAX <= problem::MAX_PRESSES && COMMAND_MS_MAX <= problem::MAX_COMMAND_MS);
};

/// The problem, and what its numbers stand for.
#[derive(Debug)]
pub struct Task {
    pub problem: Problem,
    /// The setting of each slot.
    pub slots: Vec<SettingId>,
    /// The values of each slot, by cell.
    values: Vec<Vec<Value>>,
    /// The keybook's command behind each command of the problem.
    pub commands: Vec<usize>,
    /// The keybook's lifeline behind each lifeline of the problem.
    pub lifelines: Vec<usize>,
    /// The lifelines that are not tracked, as far as their settings have a target.
    pub unsure: Vec<Unsure>,
    /// Commands that may not be used, each with the unmanaged, unknown setting that forbids it.
    pub barred: Vec<(usize, SettingId)>,
}

/// A lifeline with settings that are neither wanted nor known, so that nobody can say when it summons help.
#[derive(Debug)]
pub struct Unsure {
    /// Its place in the keybook.
    pub at: usize,
    /// Those of its settings.
    pub unknown: Vec<SettingId>,
    /// The others, as a lifeline of their own.
    pub rest: Lifeline,
}

/// Slots and their values, while the problem is laid out.
struct Layout<'a> {
    keybook: &'a Keybook,
    codes: &'a Codes,
    aim: &'a Aim,
    /// The slot of each setting.
    slot_of: Vec<Option<usize>>,
    slots: Vec<SettingId>,
    values: Vec<Vec<&'a Value>>,
}

impl Task {
    /// Lays out the problem.
    pub fn new(station: &Station, aim: &Aim, codes: &Codes) -> Task {
        Task::of(station, aim, codes, |_| true)
    }

    /// The same without the commands that may leave a setting unknown that opens calls.
    pub fn keeping_way_in(station: &Station, aim: &Aim, codes: &Codes) -> Task {
        Task::of(station, aim, codes, |command| left_unknown(&station.keybook, command).is_empty())
    }

    fn of(station: &Station, aim: &Aim, codes: &Codes, is_usable: impl Fn(&Command) -> bool) -> Task {
        let keybook = &*station.keybook;
        let mut layout = Layout::new(keybook, aim, codes);
        layout.gather_values();
        let mut task = Task {
            problem: Problem {
                press_ms: keybook.timing.press_ms.into(),
                answer_ms: keybook.timing.answer_ms.into(),
                slots: layout.problem_slots(),
                commands: Vec::new(),
                lifelines: Vec::new(),
            },
            slots: Vec::new(),
            values: Vec::new(),
            commands: Vec::new(),
            lifelines: Vec::new(),
            unsure: Vec::new(),
            barred: Vec::new(),
        };
        task.add_commands(&layout, is_usable);
        task.add_lifelines(station, &layout);
        task.values = layout.values.into_iter().map(|all| all.into_iter().cloned().collect()).collect();
        task.slots = layout.slots;
        task
    }

    fn add_commands(&mut self, layout: &Layout, is_usable: impl Fn(&Command) -> bool) {
        let commands = layout.keybook.commands.iter().enumerate();
        for (at, command) in commands.filter(|(_, command)| is_usable(command)) {
            match layout.barred_by(command) {
                Some(id) => self.barred.push((at, id)),
                None => {
                    if let Some(made) = layout.command(command) {
                        self.problem.commands.push(made);
                        self.commands.push(at);
                    }
                }
            }
        }
    }

    /// The required ones of which all settings have a target are tracked; of the others, what has one. A fallback never counts,
    /// and neither does what calls nobody in the end whatever is keyed.
    fn add_lifelines(&mut self, station: &Station, layout: &Layout) {
        let aim = layout.aim;
        for (at, lifeline) in station.lifelines().filter(|(_, lifeline)| lifeline.is_required()) {
            if dies(lifeline, &aim.goal) {
                continue;
            }
            let aimed = |id: SettingId| layout.slot_of[id.index()].is_some();
            let (there, unknown): (Vec<_>, Vec<_>) = lifeline.settings_at(aimed).partition(|id| aimed(*id));
            let slots: Vec<usize> = there.iter().filter_map(|id| layout.slot_of[id.index()]).collect();
            let known = there.iter().all(|id| aim.start[id.index()].is_some());
            let rest = Lifeline { slots, start_counts: known && !aim.failed[at] && !dies(lifeline, &aim.start) };
            if lifeline.is_tracked_where(aimed) {
                self.problem.lifelines.push(rest);
                self.lifelines.push(at);
            } else if !unknown.is_empty() {
                self.unsure.push(Unsure { at, unknown, rest });
            }
        }
    }

    /// The keybook's commands with which a script takes the way in: before them a setting that opens calls is known, or in
    /// doubt between values that could be tried, and after them it is unknown. Each once, in the keybook's order.
    pub fn takers(&self, keybook: &Keybook, record: &Record, aim: &Aim, best: &Best) -> Vec<usize> {
        let is_in_doubt = |id: &SettingId| record.candidates(*id).next().is_some() || aim.renewed.contains(id);
        let opening = (0..self.slots.len()).filter(|slot| keybook.call.open.held().contains(&self.slots[*slot]));
        let opening: Vec<usize> = opening.collect();
        let mut state = self.problem.start();
        let at_start = |slot: &&usize| state[**slot].is_some() || is_in_doubt(&self.slots[**slot]);
        let mut known: BTreeSet<usize> = opening.iter().filter(at_start).copied().collect();
        let mut takers = BTreeSet::new();
        for step in &best.steps {
            let at = self.commands[step.command];
            let lost = left_unknown(keybook, &keybook.commands[at]);
            // A step that is refused is told of where the script is written down.
            let _ = self.problem.key(&mut state, step);
            let before = known.len();
            known.retain(|slot| !lost.contains(&self.slots[*slot]));
            if known.len() < before {
                takers.insert(at);
            }
            known.extend(opening.iter().filter(|slot| state[**slot].is_some()));
        }
        takers.into_iter().collect()
    }

    /// The value that a cell of a slot stands for.
    pub fn value(&self, slot: usize, cell: Cell) -> &Value {
        &self.values[slot][usize::from(cell)]
    }
}

impl<'a> Layout<'a> {
    fn new(keybook: &'a Keybook, aim: &'a Aim, codes: &'a Codes) -> Layout<'a> {
        let mut slot_of = vec![None; keybook.settings.len()];
        let mut slots = Vec::new();
        for id in keybook.ids().filter(|id| aim.goal[id.index()].is_some()) {
            slot_of[id.index()] = Some(slots.len());
            slots.push(id);
        }
        let values = vec![Vec::new(); slots.len()];
        Layout { keybook, codes, aim, slot_of, slots, values }
    }

    /// Every value that may matter: held, wanted, factory, and the constants that the keybook names.
    fn gather_values(&mut self) {
        let Layout { keybook, aim, .. } = *self;
        for (id, values) in self.slots.iter().zip(&mut self.values) {
            let (goal, start) = (&aim.goal[id.index()], &aim.start[id.index()]);
            let all = [goal, start, &keybook.setting(*id).factory].into_iter().flatten();
            for value in all.chain(constants(keybook, *id)) {
                if !values.iter().any(|known| known.agrees(value)) {
                    values.push(value);
                }
            }
        }
    }

    /// The cell of a value; every value asked for was gathered before.
    fn cell(&self, slot: usize, value: &Value) -> Option<Cell> {
        let at = self.values[slot].iter().position(|known| known.agrees(value))?;
        Cell::try_from(at).ok()
    }

    fn problem_slots(&self) -> Vec<Slot> {
        let slot = |(slot, id): (usize, &SettingId)| {
            let cell = |value: &Option<Value>| value.as_ref().and_then(|value| self.cell(slot, value));
            Slot {
                values: u8::try_from(self.values[slot].len()).unwrap_or(u8::MAX),
                start: cell(&self.aim.start[id.index()]),
                goal: cell(&self.aim.goal[id.index()]).unwrap_or(u8::MAX),
                factory: cell(&self.keybook.setting(*id).factory),
            }
        };
        self.slots.iter().enumerate().map(slot).collect()
    }

    /// The unmanaged, unknown setting that forbids a command: it would be touched, asked for or keyed.
    fn barred_by(&self, command: &Command) -> Option<SettingId> {
        let fields = command.keys.stored().into_iter().chain(command.keys.held());
        let ids = command.clears.iter().copied().chain(command.also.iter().map(|(id, _)| *id)).chain(fields);
        let mut ids = ids.chain(command.needs.iter().map(|(id, _)| *id));
        ids.find(|id| self.slot_of[id.index()].is_none())
    }

    fn command(&self, command: &Command) -> Option<Move> {
        let slot = |id: SettingId| self.slot_of[id.index()];
        let (base, counts) = command.keys.counts();
        let needs = command.needs.iter().map(|(id, values)| {
            let slot = slot(*id)?;
            let cells = values.iter().filter_map(|value| self.cell(slot, value));
            Some(Need { slot, values: ValueSet::of(cells) })
        });
        let also = command.also.iter().map(|(id, value)| {
            let slot = slot(*id)?;
            let value = match value {
                Some(value) => Some(self.cell(slot, value)?),
                None => None,
            };
            Some(Also { slot, value })
        });
        let mut fields = Vec::new();
        let mut reads = Vec::new();
        for ((how, id), times) in &counts {
            let slot = slot(*id)?;
            match how {
                Use::Store => fields.push(Field { slot, choices: self.choices(slot, *times) }),
                Use::Held => reads.push(Read { slot, presses: self.presses(slot, *times) }),
            }
        }
        Some(Move {
            base_presses: u32::try_from(base).ok()?,
            takes_ms: command.takes_ms.into(),
            needs: needs.collect::<Option<_>>()?,
            reads,
            clears: command.clears.iter().map(|id| slot(*id)).collect::<Option<_>>()?,
            also: also.collect::<Option<_>>()?,
            fields,
        })
    }

    /// Wanted, factory and the keybook's constants may be keyed at any time; anything else only while it is held.
    fn choices(&self, slot: usize, times: usize) -> Vec<Choice> {
        let id = self.slots[slot];
        let free = || {
            let named = [&self.aim.goal[id.index()], &self.keybook.setting(id).factory].into_iter().flatten();
            named.chain(constants(self.keybook, id))
        };
        let presses = self.presses(slot, times);
        let choice = |(cell, value): (usize, &&Value)| {
            let only_if_held = !free().any(|free| free.agrees(value));
            Some(Choice { value: Cell::try_from(cell).ok()?, presses: presses[cell], only_if_held })
        };
        self.values[slot].iter().enumerate().filter_map(choice).collect()
    }

    /// What each value of a slot costs when keyed so many times.
    fn presses(&self, slot: usize, times: usize) -> Vec<u32> {
        let setting = self.keybook.setting(self.slots[slot]);
        let one = |value: &Value| match value {
            Value::Secret(secret) => code_presses(secret, &setting.kind, self.codes),
            Value::Digits(_) | Value::Dial(_) | Value::Choice(_) | Value::Flags(_) | Value::Number(_) => {
                setting.kind.keys(value).map_or(0, |keys| keys.0.len())
            }
        };
        self.values[slot].iter().map(|value| u32::try_from(one(value) * times).unwrap_or(u32::MAX)).collect()
    }
}

/// The settings that open calls and that a command leaves unknown.
fn left_unknown(keybook: &Keybook, command: &Command) -> Vec<SettingId> {
    let (open, stored) = (keybook.call.open.held(), command.keys.stored());
    let effects = command.effects(keybook, &BTreeMap::new()).into_iter();
    let unknown = effects.filter(|(id, value)| value.is_none() && open.contains(id) && !stored.contains(id));
    unknown.map(|(id, _)| id).collect()
}

/// The values of a setting that some `needs` or `also` of the keybook names.
pub(super) fn constants(keybook: &Keybook, id: SettingId) -> impl Iterator<Item = &Value> {
    let commands = &keybook.commands;
    let needs = commands.iter().flat_map(|c| &c.needs).filter(move |(need, _)| *need == id);
    let also = commands.iter().flat_map(|c| &c.also).filter(move |(also, _)| *also == id);
    needs.flat_map(|(_, values)| values).chain(also.filter_map(|(_, value)| value.as_ref()))
}

/// How many keys a code takes; one that cannot be read here counts as the longest it could be.
pub(super) fn code_presses(secret: &Secret, kind: &Kind, codes: &Codes) -> usize {
    match (codes.code_of(secret), kind) {
        (Some(code), _) => code.reveal().len(),
        (None, Kind::Secret { max, .. }) => *max as usize,
        (
            None,
            Kind::Digits { .. } | Kind::Dial { .. } | Kind::Choice(_) | Kind::Flags { .. } | Kind::Number { .. },
        ) => 0,
    }
}
