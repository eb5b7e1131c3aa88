//! How a command may be keyed in a state of the search: every way where there are few, field by field where there are many
//! (`mod.rs` §9). It decides nothing: what is worth keying is for the search to say.

use super::model::{Class, GOAL, Model, ModelChoice, ModelCommand, ModelField, Packed};

/// Most ways to key one command that are looked at one by one. Tests go field by field early.
pub(super) const MOST_WAYS: u64 = if cfg!(test) { 3 } else { 64 };

/// A command keyed in part: the fields before `place`, the last of them with `class`.
#[derive(Clone, Copy)]
pub(super) struct Begun {
    /// The state in which it is keyed.
    pub node: u32,
    pub command: u16,
    pub place: u16,
    /// The same with one field less; `u32::MAX`: none is keyed.
    before: u32,
    class: Class,
    /// Presses of its reads and of the fields keyed.
    pub presses: u32,
}

/// Commands keyed in part; one begins each chain.
#[derive(Default)]
pub(super) struct Chains(Vec<Begun>);

impl Begun {
    pub fn new(node: u32, command: usize, presses: u32) -> Self {
        Self { node, command: command as u16, place: 0, before: u32::MAX, class: GOAL, presses }
    }

    /// The same with one field more.
    pub fn with(self, id: u32, choice: &ModelChoice) -> Self {
        let presses = self.presses + choice.presses;
        Self { place: self.place + 1, before: id, class: choice.class, presses, ..self }
    }
}

impl Chains {
    pub fn len(&self) -> usize {
        self.0.len()
    }

    pub fn get(&self, id: u32) -> Begun {
        self.0[id as usize]
    }

    pub fn add(&mut self, begun: Begun) -> u32 {
        self.0.push(begun);
        self.0.len() as u32 - 1
    }

    /// The state after what is keyed, from the one before the command.
    pub fn after(&self, begun: Begun, command: &ModelCommand, state: &[Class]) -> Vec<Class> {
        let mut after = state.to_vec();
        command.sets.iter().for_each(|(slot, class)| after[*slot] = *class);
        let mut link = begun;
        while link.place > 0 {
            after[command.fields[usize::from(link.place) - 1].slot] = link.class;
            link = self.get(link.before);
        }
        after
    }
}

/// The choices of a field that are allowed in a state; `clean`: the goal alone.
pub(super) fn choices<'a>(
    field: &'a ModelField,
    state: &'a [Class],
    clean: bool,
) -> impl Iterator<Item = &'a ModelChoice> {
    let held = state[field.slot];
    field
        .choices
        .iter()
        .filter(move |choice| (!choice.held || held == choice.class) && (!clean || choice.class == GOAL))
}

/// Presses of what the command reads in a state; `None`: it is refused there.
pub(super) fn accepted(command: &ModelCommand, state: &[Class]) -> Option<u32> {
    if command.needs.iter().any(|(slot, classes)| classes >> state[*slot] & 1 == 0) {
        return None;
    }
    command.reads.iter().try_fold(0, |sum, read| Some(sum + read.presses[usize::from(state[read.slot])]?))
}

/// How many ways there are to key the fields.
pub(super) fn ways(command: &ModelCommand, state: &[Class], clean: bool) -> u64 {
    command.fields.iter().fold(1, |ways: u64, field| ways.saturating_mul(choices(field, state, clean).count() as u64))
}

/// Every way to key a command in a state: its cost without exposure, and the state after, which is written to `after`.
pub(super) fn successors(
    model: &Model,
    state: &[Class],
    command: &ModelCommand,
    clean: bool,
    after: &mut Vec<Class>,
    found: &mut dyn FnMut(Packed, &[Class]),
) {
    let Some(presses) = accepted(command, state) else { return };
    after.clear();
    after.extend_from_slice(state);
    command.sets.iter().for_each(|(slot, class)| after[*slot] = *class);
    let keying = Keying { model, state, command, clean };
    keying.fields(0, presses, after, found);
}

struct Keying<'a> {
    model: &'a Model,
    state: &'a [Class],
    command: &'a ModelCommand,
    clean: bool,
}

impl Keying<'_> {
    fn fields(&self, place: usize, presses: u32, after: &mut Vec<Class>, found: &mut dyn FnMut(Packed, &[Class])) {
        let Some(field) = self.command.fields.get(place) else {
            found(self.command.base + self.model.press * Packed::from(presses), after);
            return;
        };
        for choice in choices(field, self.state, self.clean) {
            after[field.slot] = choice.class;
            self.fields(place + 1, presses + choice.presses, after, found);
        }
    }
}

/// What is still to be keyed of a command: the least presses of that, and for each open slot what its goal takes beyond
/// (`u32::MAX`: it cannot be keyed now).
pub(super) fn open_fields(command: &ModelCommand, place: usize, state: &[Class]) -> Option<(u32, Vec<(usize, u32)>)> {
    let mut sum = 0;
    let mut open = Vec::with_capacity(command.fields.len() - place);
    for field in &command.fields[place..] {
        let least = choices(field, state, false).map(|choice| choice.presses).min()?;
        let goal = choices(field, state, true).map(|choice| choice.presses).min();
        open.push((field.slot, goal.map_or(u32::MAX, |goal| goal - least)));
        sum += least;
    }
    Some((sum, open))
}
