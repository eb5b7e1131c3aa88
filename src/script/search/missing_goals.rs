//! A bound at a glance: each goal still missing takes what its cheapest command has left. It knows no landmark, and never
//! overestimates.

use super::effects::Context;
use super::packed::{Packed, pack};
use crate::script::problem::{Command, CommandId, Cost, Problem, SlotId, State};

/// Least cost of a command, without exposure.
pub(super) fn least_of(problem: &Problem, id: CommandId) -> Packed {
    let command: &Command = &problem.commands[id];
    let reads: u32 = command.reads.iter().map(|read| read.presses.iter().min().copied().unwrap_or(0)).sum();
    let fields =
        command.fields.iter().map(|field| field.choices.iter().map(|choice| choice.presses).min().unwrap_or(0));
    let presses = u64::from(command.base_presses + reads + fields.sum::<u32>());
    pack(Cost { exposure_ms: 0, time_ms: problem.time_ms(id, presses), presses, commands: 1 })
}

/// The commands that fit and may leave the slot at its goal, whatever else they need.
pub(super) fn achievers(context: &Context, slot: SlotId, fits: impl Fn(CommandId) -> bool) -> Vec<CommandId> {
    let goal = 1u128 << context.problem.slots[slot].goal;
    let brings = |id: &CommandId| context.writes[*id].iter().any(|write| write.slot == slot && write.may & goal != 0);
    (0..context.problem.commands.len()).filter(|id| fits(*id)).filter(brings).collect()
}

/// Takes from each of the commands what the cheapest of them has left; `None`: there is none.
pub(super) fn charge(left: &mut [Packed], achievers: &[CommandId]) -> Option<Packed> {
    let share = achievers.iter().map(|id| left[*id]).min()?;
    achievers.iter().for_each(|id| left[*id] -= share);
    Some(share)
}

/// A bound on the cost of every script from a state with the allowed commands.
pub(super) fn least_cost(context: &Context, from: &State, allowed: &[bool]) -> Packed {
    let problem = context.problem;
    let mut left: Vec<Packed> = (0..problem.commands.len()).map(|id| least_of(problem, id)).collect();
    let missing = (0..problem.slots.len()).filter(|slot| from[*slot] != Some(problem.slots[*slot].goal));
    missing.filter_map(|slot| charge(&mut left, &achievers(context, slot, |id| allowed[id]))).sum()
}
