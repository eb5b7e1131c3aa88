//! Whether the reasons given for "no script" are so, by what a station could come to hold if nothing were ever lost.

use super::Held;
use crate::script::problem::{Command, Problem};
use crate::script::search::{Stop, UnreachableGoal};
use std::collections::BTreeSet;

/// What each slot could come to hold.
type Could = Vec<BTreeSet<Option<u8>>>;

/// What each slot could come to hold, if every value that it ever held stayed at hand.
fn could(problem: &Problem) -> Could {
    let start: Held = problem.slots.iter().map(|slot| slot.start).collect();
    let mut could: Could = start.into_iter().map(|held| BTreeSet::from([held])).collect();
    loop {
        let before = could.clone();
        for command in problem.commands.iter().filter(|command| stopped_by(command, &before).is_empty()) {
            for (slot, could) in could.iter_mut().enumerate() {
                could.extend(leaves(problem, command, slot, false));
            }
        }
        if could == before {
            return could;
        }
    }
}

/// Why a command can never be keyed: `(0, need)`, `(1, read)`, `(2, field)`.
fn stopped_by(command: &Command, could: &Could) -> BTreeSet<(u8, usize)> {
    let known = |slot: usize| could[slot].iter().flatten();
    let needs = command.needs.iter().map(|need| known(need.slot).any(|value| need.values.contains(*value)));
    let reads = command.reads.iter().map(|read| known(read.slot).next().is_some());
    let fields = command.fields.iter().map(|field| {
        let held = |value: u8| could[field.slot].contains(&Some(value));
        field.choices.iter().any(|choice| !choice.only_if_held || held(choice.value))
    });
    let failing = |(place, holds): (usize, bool)| (!holds).then_some(place);
    let needs = needs.enumerate().filter_map(failing).map(|place| (0, place));
    let reads = reads.enumerate().filter_map(failing).map(|place| (1, place));
    let fields = fields.enumerate().filter_map(failing).map(|place| (2, place));
    needs.chain(reads).chain(fields).collect()
}

/// What a command may leave in a slot, besides what it holds already or also such values; effects in the order in which a station obeys.
fn leaves(problem: &Problem, command: &Command, slot: usize, if_held: bool) -> Vec<Option<u8>> {
    if let Some(field) = command.fields.iter().find(|field| field.slot == slot) {
        let keyed = field.choices.iter().filter(|choice| if_held || !choice.only_if_held);
        return keyed.map(|choice| Some(choice.value)).collect();
    }
    if let Some(also) = command.also.iter().rfind(|also| also.slot == slot) {
        return vec![also.value];
    }
    if command.clears.contains(&slot) { vec![problem.slots[slot].factory] } else { Vec::new() }
}

/// Every slot that can never come to its goal is told, and no other; each stop is one; each command that would
/// bring the goal is stopped.
pub fn check(problem: &Problem, goals: &[UnreachableGoal]) {
    let could = could(problem);
    let hopeless = (0..problem.slots.len()).filter(|slot| !could[*slot].contains(&Some(problem.slots[*slot].goal)));
    assert_eq!(hopeless.collect::<Vec<_>>(), goals.iter().map(|goal| goal.slot).collect::<Vec<_>>());
    for unreachable in goals {
        let told: BTreeSet<(usize, (u8, usize))> = unreachable
            .stops
            .iter()
            .map(|stop| match *stop {
                Stop::NeedNever { command, need } => (command, (0, need)),
                Stop::ReadNever { command, read } => (command, (1, read)),
                Stop::FieldNever { command, field } => (command, (2, field)),
            })
            .collect();
        assert_eq!(told.len(), unreachable.stops.len(), "told twice: {unreachable:?} {problem:?}");
        for (command, stop) in &told {
            let stopped = stopped_by(&problem.commands[*command], &could);
            assert!(stopped.contains(stop), "{stop:?} does not stop {command}: {unreachable:?} {problem:?}");
        }
        let goal = Some(problem.slots[unreachable.slot].goal);
        let brings = |command: &Command| leaves(problem, command, unreachable.slot, true).contains(&goal);
        for (id, command) in problem.commands.iter().enumerate().filter(|(_, command)| brings(command)) {
            let stopped = stopped_by(command, &could);
            let all = stopped.iter().all(|stop| told.contains(&(id, *stop)));
            assert!(all, "{id} is stopped by {stopped:?}: {unreachable:?} {problem:?}");
        }
    }
}
