//! What each command of a problem leaves behind, in all: its net effects, and the problem with them. It knows no state.

use crate::script::problem::{CommandId, Problem, SlotId};

/// Values of one slot as bits; bit [`UNKNOWN`] is the unknown value.
pub(super) type Values = u128;
/// The value number that stands for unknown.
pub(super) const UNKNOWN: u8 = 64;

pub(super) fn bit(value: Option<u8>) -> Values {
    1 << value.unwrap_or(UNKNOWN)
}

/// Every value but the unknown one.
pub(super) fn known() -> Values {
    !(1 << UNKNOWN)
}

/// What a command may leave in a slot it writes.
#[derive(Clone, Copy)]
pub(super) struct Write {
    pub slot: SlotId,
    /// What the slot may hold afterwards.
    pub may: Values,
}

/// The net effects of a command: a field hides a clear or `also` of the same slot, a later `also` an earlier one.
fn writes_of(problem: &Problem, id: CommandId) -> Vec<Write> {
    let command = &problem.commands[id];
    let mut writes: Vec<Write> = Vec::with_capacity(command.clears.len() + command.also.len() + command.fields.len());
    let mut put = |slot: SlotId, may: Values| match writes.iter_mut().find(|write| write.slot == slot) {
        Some(write) => write.may = may,
        None => writes.push(Write { slot, may }),
    };
    for slot in &command.clears {
        put(*slot, bit(problem.slots[*slot].factory));
    }
    for also in &command.also {
        put(also.slot, bit(also.value));
    }
    for field in &command.fields {
        let may = field.choices.iter().fold(0, |may, choice| may | bit(Some(choice.value)));
        put(field.slot, may);
    }
    writes
}

/// What every stage of a search looks at.
pub(super) struct Context<'a> {
    pub problem: &'a Problem,
    /// Each command's net effects.
    pub writes: Vec<Vec<Write>>,
}

impl<'a> Context<'a> {
    pub fn of(problem: &'a Problem) -> Self {
        Self { problem, writes: (0..problem.commands.len()).map(|id| writes_of(problem, id)).collect() }
    }
}
