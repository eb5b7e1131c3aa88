//! Why no script exists: which slots cannot come to their goal, and which rule stops each. It never guesses: what it
//! names is a rule of the problem that fails in every script.

use super::relevance::{Relevance, UNKNOWN, Values, Write, bit, left_away};
use crate::script::problem::{CommandId, Problem, SlotId, State};

/// A slot that cannot come to its goal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Account {
    pub slot: SlotId,
    /// What stands in the way: one entry where nothing writes the goal, else one or more for each command that would.
    pub stops: Vec<Stop>,
}

/// A rule that stands in the way.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Stop {
    /// No command can leave the slot at its goal.
    NothingWrites,
    /// The command would, but this need (an index into its `needs`) can never hold.
    NeedNever { command: CommandId, need: usize },
    /// The command would, but this read (an index into its `reads`) is of a slot that can never be known.
    ReadNever { command: CommandId, read: usize },
    /// The command would, but the only values for another of its fields must be held already, and never are.
    FieldNever { command: CommandId, field: usize },
    /// The command would, but it leaves another slot away from its goal, and nothing brings that one back without
    /// spoiling this one again, or some other for good.
    Spoils { command: CommandId, slot: SlotId },
    /// Each goal can be reached by itself, but no order of commands reaches all of them.
    NotTogether,
}

/// Accounts for slots whose goal can never be written.
pub(super) fn accounts(
    problem: &Problem,
    writes: &[Vec<Write>],
    relevance: &Relevance,
    hopeless: &[SlotId],
) -> Vec<Account> {
    hopeless.iter().map(|slot| Account { slot: *slot, stops: stops(problem, writes, relevance, *slot) }).collect()
}

fn stops(problem: &Problem, writes: &[Vec<Write>], relevance: &Relevance, slot: SlotId) -> Vec<Stop> {
    let goal = bit(Some(problem.slots[slot].goal));
    let mut stops = Vec::new();
    for (id, command) in problem.commands.iter().enumerate() {
        let would = writes[id].iter().any(|write| write.slot == slot && write.may & goal != 0);
        if !would || relevance.usable[id] {
            continue;
        }
        let found = stops.len();
        for (need, record) in command.needs.iter().enumerate() {
            if relevance.reach[record.slot] & Values::from(record.values.bits()) == 0 {
                stops.push(Stop::NeedNever { command: id, need });
            }
        }
        for (read, record) in command.reads.iter().enumerate() {
            if relevance.reach[record.slot] & !(1 << UNKNOWN) == 0 {
                stops.push(Stop::ReadNever { command: id, read });
            }
        }
        for (field, record) in command.fields.iter().enumerate() {
            let open = |choice: &crate::script::problem::Choice| {
                !choice.only_if_held || relevance.reach[record.slot] & bit(Some(choice.value)) != 0
            };
            if !record.choices.iter().any(open) {
                stops.push(Stop::FieldNever { command: id, field });
            }
        }
        // It can be keyed, but what it leaves away can never be mended for good.
        let mends = |other: CommandId, slot: SlotId| {
            let goal = bit(Some(problem.slots[slot].goal));
            relevance.usable[other] && writes[other].iter().any(|write| write.slot == slot && write.may & goal != 0)
        };
        let lost = left_away(problem, &writes[id], id).find(|slot| !(0..writes.len()).any(|other| mends(other, *slot)));
        if let Some(slot) = lost.filter(|_| stops.len() == found) {
            stops.push(Stop::Spoils { command: id, slot });
        }
    }
    if stops.is_empty() {
        stops.push(Stop::NothingWrites);
    }
    stops
}

/// Accounts for a part in which every goal can be written, but never all of them.
pub(super) fn entangled(problem: &Problem, writes: &[Vec<Write>], slots: &[SlotId], from: &State) -> Vec<Account> {
    let away = slots.iter().filter(|slot| from[**slot] != Some(problem.slots[**slot].goal));
    away.map(|slot| Account { slot: *slot, stops: spoiled(problem, writes, *slot) }).collect()
}

/// For each command that brings the slot to its goal, another slot that it spoils for good; else that no order will do.
fn spoiled(problem: &Problem, writes: &[Vec<Write>], slot: SlotId) -> Vec<Stop> {
    let goal = |slot: SlotId| bit(Some(problem.slots[slot].goal));
    let brings =
        |id: CommandId, slot: SlotId| writes[id].iter().any(|write| write.slot == slot && write.may & goal(slot) != 0);
    let spoils =
        |id: CommandId, slot: SlotId| writes[id].iter().any(|write| write.slot == slot && write.may & goal(slot) == 0);
    let mut stops = Vec::new();
    for command in (0..writes.len()).filter(|id| brings(*id, slot)) {
        let for_good = |other: &SlotId| (0..writes.len()).filter(|id| brings(*id, *other)).all(|id| spoils(id, slot));
        let mut others = writes[command].iter().map(|write| write.slot);
        match others.find(|other| spoils(command, *other) && for_good(other)) {
            Some(slot) => stops.push(Stop::Spoils { command, slot }),
            None => return vec![Stop::NotTogether],
        }
    }
    stops
}
