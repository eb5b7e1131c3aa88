//! Commands keyed in part, field by field, where there are too many ways to look at each of them (`mod.rs` §9). It decides
//! nothing: what is worth keying is for the search to say.

use super::model::{Class, GOAL, ModelChoice, ModelCommand};
use super::successors::choices;

/// A command keyed in part: the fields before `place`, the last of them with `class`.
#[derive(Clone, Copy)]
pub(super) struct PartialStep {
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
pub(super) struct PartialSteps(Vec<PartialStep>);

impl PartialStep {
    pub fn new(node: u32, command: usize, presses: u32) -> Self {
        Self { node, command: command as u16, place: 0, before: u32::MAX, class: GOAL, presses }
    }

    /// The same with one field more.
    pub fn with(self, id: u32, choice: &ModelChoice) -> Self {
        let presses = self.presses + choice.presses;
        Self { place: self.place + 1, before: id, class: choice.class, presses, ..self }
    }
}

impl PartialSteps {
    pub fn len(&self) -> usize {
        self.0.len()
    }

    pub fn get(&self, id: u32) -> PartialStep {
        self.0[id as usize]
    }

    pub fn add(&mut self, partial: PartialStep) -> u32 {
        self.0.push(partial);
        self.0.len() as u32 - 1
    }

    /// The state after what is keyed, from the one before the command.
    pub fn after(&self, partial: PartialStep, command: &ModelCommand, state: &[Class]) -> Vec<Class> {
        let mut after = state.to_vec();
        command.sets.iter().for_each(|(slot, class)| after[*slot] = *class);
        let mut link = partial;
        while link.place > 0 {
            after[command.fields[usize::from(link.place) - 1].slot] = link.class;
            link = self.get(link.before);
        }
        after
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
