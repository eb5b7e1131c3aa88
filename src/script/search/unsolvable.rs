//! Why a slot cannot come to its goal, whatever becomes of the others. It never guesses: what it names fails in every
//! script, for it fails even if nothing that a command leaves were ever lost again. What only fails together, or in every
//! order, is not told here (`script/conflicts.rs`).

use super::effects::{Context, Values, Write, bit, known};
use super::relevance::forward;
use crate::script::problem::{Choice, CommandId, Problem, SlotId};

/// A slot that can never come to its goal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UnreachableGoal {
    /// A place in the problem's slots.
    pub slot: SlotId,
    /// What stands in the way; empty where no command can leave the slot at its goal. Else one or more for each command
    /// that would, then the same for what these need, and so on.
    pub stops: Vec<Stop>,
}

/// Why a command can never be keyed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stop {
    /// A need can never hold.
    NeedNever {
        /// A place in the problem's commands.
        command: CommandId,
        /// A place in its `needs`.
        need: usize,
    },
    /// A slot that is read can never be known.
    ReadNever {
        /// A place in the problem's commands.
        command: CommandId,
        /// A place in its `reads`.
        read: usize,
    },
    /// The only values for a field must be held already, and never are.
    FieldNever {
        /// A place in the problem's commands.
        command: CommandId,
        /// A place in its `fields`.
        field: usize,
    },
}

/// Each slot that can never come to its goal; none where each could by itself.
pub(super) fn unreachable_goals(context: &Context) -> Vec<UnreachableGoal> {
    let Context { problem, writes } = context;
    let all = vec![true; problem.commands.len()];
    let (reach, _) = forward(problem, writes, &problem.start(), &[], &all);
    let goal = |slot: SlotId| bit(Some(problem.slots[slot].goal));
    let hopeless = (0..problem.slots.len()).filter(|slot| reach[*slot] & goal(*slot) == 0);
    let teller = Teller { problem, writes, reach: &reach };
    hopeless.map(|slot| UnreachableGoal { slot, stops: teller.stops(slot, goal(slot)) }).collect()
}

struct Teller<'a> {
    problem: &'a Problem,
    writes: &'a [Vec<Write>],
    /// What each slot can come to hold.
    reach: &'a [Values],
}

impl Teller<'_> {
    /// What stops every command that would leave one of these values, and every command that these wait for.
    fn stops(&self, slot: SlotId, values: Values) -> Vec<Stop> {
        let mut stops = Vec::new();
        let mut told = vec![false; self.problem.commands.len()];
        let mut asked = vec![(slot, values)];
        let mut at = 0;
        while let Some((slot, values)) = asked.get(at).copied() {
            at += 1;
            let would = |write: &Write| write.slot == slot && write.may & values != 0;
            for (command, told) in told.iter_mut().enumerate() {
                if !*told && self.writes[command].iter().any(would) {
                    *told = true;
                    self.stops_of(command, &mut stops, &mut asked);
                }
            }
        }
        stops
    }

    /// What stops one command, and the values of slots that it waits for.
    fn stops_of(&self, command: CommandId, stops: &mut Vec<Stop>, asked: &mut Vec<(SlotId, Values)>) {
        let never = |slot: SlotId, values: Values| self.reach[slot] & values == 0;
        let record = &self.problem.commands[command];
        let mut stop = |stop: Stop, slot: SlotId, values: Values| {
            if never(slot, values) {
                stops.push(stop);
                asked.push((slot, values));
            }
        };
        for (need, record) in record.needs.iter().enumerate() {
            stop(Stop::NeedNever { command, need }, record.slot, record.values.bits().into());
        }
        for (read, record) in record.reads.iter().enumerate() {
            stop(Stop::ReadNever { command, read }, record.slot, known());
        }
        for (field, record) in record.fields.iter().enumerate() {
            let held = |choice: &Choice| if choice.only_if_held { bit(Some(choice.value)) } else { Values::MAX };
            stop(
                Stop::FieldNever { command, field },
                record.slot,
                record.choices.iter().map(held).fold(0, |a, b| a | b),
            );
        }
    }
}
