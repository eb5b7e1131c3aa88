//! What comes after a state: every way to key a command there, and the states that this leads to. It decides nothing: what
//! is worth keying is for the search to say.

use super::model::{Class, GOAL, Model, ModelChoice, ModelCommand, ModelField};
use super::packed::Packed;

/// Most ways to key one command that are looked at one by one. Tests go field by field early.
pub(super) const MOST_WAYS: u64 = if cfg!(test) { 3 } else { 64 };

/// The choices of a field that are allowed in a state; `goals_only`: the goal alone.
pub(super) fn choices<'a>(
    field: &'a ModelField,
    state: &'a [Class],
    goals_only: bool,
) -> impl Iterator<Item = &'a ModelChoice> {
    let held = state[field.slot];
    field
        .choices
        .iter()
        .filter(move |choice| (!choice.held || held == choice.class) && (!goals_only || choice.class == GOAL))
}

/// Presses of what the command reads in a state; `None`: it is refused there.
pub(super) fn accepted(command: &ModelCommand, state: &[Class]) -> Option<u32> {
    if command.needs.iter().any(|(slot, classes)| classes >> state[*slot] & 1 == 0) {
        return None;
    }
    command.reads.iter().try_fold(0, |sum, read| Some(sum + read.presses[usize::from(state[read.slot])]?))
}

/// How many ways there are to key the fields.
pub(super) fn ways(command: &ModelCommand, state: &[Class], goals_only: bool) -> u64 {
    command
        .fields
        .iter()
        .fold(1, |ways: u64, field| ways.saturating_mul(choices(field, state, goals_only).count() as u64))
}

/// Every way to key a command in a state: its cost without exposure, and the state after, which is written to `after`.
pub(super) fn successors(
    model: &Model,
    state: &[Class],
    command: &ModelCommand,
    goals_only: bool,
    after: &mut Vec<Class>,
    found: &mut dyn FnMut(Packed, &[Class]),
) {
    let Some(presses) = accepted(command, state) else { return };
    after.clear();
    after.extend_from_slice(state);
    command.sets.iter().for_each(|(slot, class)| after[*slot] = *class);
    let keying = Keying { model, state, command, goals_only };
    keying.fields(0, presses, after, found);
}

struct Keying<'a> {
    model: &'a Model,
    state: &'a [Class],
    command: &'a ModelCommand,
    goals_only: bool,
}

impl Keying<'_> {
    fn fields(&self, place: usize, presses: u32, after: &mut Vec<Class>, found: &mut dyn FnMut(Packed, &[Class])) {
        let Some(field) = self.command.fields.get(place) else {
            found(self.command.base + self.model.press * Packed::from(presses), after);
            return;
        };
        for choice in choices(field, self.state, self.goals_only) {
            after[field.slot] = choice.class;
            self.fields(place + 1, presses + choice.presses, after, found);
        }
    }
}
