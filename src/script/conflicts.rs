//! Which wishes cannot stand together: asked once the search has shown that no script reaches all of them.
//!
//! To give a wish up is to let its slot end as anything. Whether the others can be reached then is asked of the search, which
//! may look at so many states for it; only a proved "no" counts as one. A conflict is found in a set of wishes that is
//! proved out of reach: as many as can be are left out of it while what is left is still proved so. So a conflict that is
//! named always is one; and where every question was answered, each of its wishes belongs to it.

use super::problem::{Choice, Command, Field, Need, Problem, Slot, SlotId, ValueSet};
use super::search::{self, Answer, Budget};

/// Wishes that cannot all be reached, whatever becomes of the other slots.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Conflict {
    /// The lightest of those not met now: the one to be told of.
    pub(super) slot: SlotId,
    /// The others, the heaviest first.
    pub(super) with: Vec<SlotId>,
    /// Those for which some other value is known that goes with all others of the conflict.
    pub(super) otherwise: Vec<SlotId>,
    /// Those not met now that need only be left alone for the others of the conflict to be reached.
    pub(super) alone: Vec<SlotId>,
}

/// States one question may cost; one that costs more is not answered.
const STATES: u64 = 2_000;
/// Most questions asked about one problem. (A conflict takes two for each of its wishes and some, by the logarithm of all.)
const QUESTIONS: u32 = 300;
/// One that is not answered, which takes the longest, counts as so many.
const UNANSWERED: u32 = 10;

/// The conflicts among all wishes but those that are `hopeless` by themselves: without the slots told of, the rest can be
/// reached, or it was not found out. `order` holds every slot, the heaviest wish first. The whole is known to be out of
/// reach. `left`: the states that all questions together may cost; once they are spent, none is answered.
pub(super) fn conflicts(problem: &Problem, order: &[SlotId], hopeless: &[SlotId], left: &mut u64) -> Vec<Conflict> {
    Asker { problem, questions: QUESTIONS, left }.conflicts(order, hopeless)
}

struct Asker<'a> {
    problem: &'a Problem,
    /// How many may still be asked, and the states they may cost.
    questions: u32,
    left: &'a mut u64,
}

impl Asker<'_> {
    fn conflicts(mut self, order: &[SlotId], hopeless: &[SlotId]) -> Vec<Conflict> {
        let mut wishes: Vec<SlotId> = order.iter().copied().filter(|slot| !hopeless.contains(slot)).collect();
        let mut conflicts = Vec::new();
        while wishes.len() == order.len() || self.out_of_reach(&wishes) {
            let Some(conflict) = self.conflict(&wishes) else { break };
            wishes.retain(|slot| *slot != conflict.slot);
            conflicts.push(conflict);
        }
        conflicts
    }

    /// A conflict among wishes that are proved out of reach together.
    fn conflict(&mut self, wishes: &[SlotId]) -> Option<Conflict> {
        let mut conflict = self.fewer(&[], false, wishes);
        conflict.sort_by_key(|slot| wishes.iter().position(|wish| wish == slot));
        let is_met = |slot: &SlotId| self.problem.slots[*slot].start == Some(self.problem.slots[*slot].goal);
        let slot = conflict.iter().copied().rfind(|slot| !is_met(slot))?;
        let without = |slot: SlotId| conflict.iter().copied().filter(|other| *other != slot).collect::<Vec<SlotId>>();
        let away: Vec<SlotId> = conflict.iter().copied().filter(|slot| !is_met(slot)).collect();
        let otherwise =
            conflict.iter().copied().filter(|slot| self.reached(self.problem, &without(*slot), Some(*slot)));
        let otherwise = otherwise.collect();
        let alone = away.into_iter().filter(|slot| self.goes_alone(*slot, &without(*slot))).collect();
        Some(Conflict { slot, with: without(slot), otherwise, alone })
    }

    /// As few of `some` as are still proved out of reach together with `beside`: all of them are. Halves are left out as a
    /// whole where that will do. `more`: whether `beside` has grown since that was last asked of it alone.
    fn fewer(&mut self, beside: &[SlotId], more: bool, some: &[SlotId]) -> Vec<SlotId> {
        if more && self.out_of_reach(beside) {
            return Vec::new();
        }
        if some.len() <= 1 {
            return some.to_vec();
        }
        let (heavy, light) = some.split_at(some.len() / 2);
        let light = self.fewer(&[beside, heavy].concat(), true, light);
        let heavy = self.fewer(&[beside, &light].concat(), !light.is_empty(), heavy);
        [heavy, light].concat()
    }

    fn out_of_reach(&mut self, wishes: &[SlotId]) -> bool {
        self.answer(self.problem, wishes, None) == Some(false)
    }

    /// Whether a script is known that fulfils these wishes and leaves another slot known.
    fn reached(&mut self, problem: &Problem, wishes: &[SlotId], known: Option<SlotId>) -> bool {
        self.answer(problem, wishes, known) == Some(true)
    }

    /// Whether the wishes are known to be reached where a slot is left alone: it has to end as it is, or, unknown, may not
    /// be touched.
    fn goes_alone(&mut self, slot: SlotId, wishes: &[SlotId]) -> bool {
        let mut problem = self.problem.clone();
        let Slot { start, goal: wanted, .. } = problem.slots[slot];
        let Some(start) = start else {
            problem.commands.retain(|command| !looks_at(command).chain(writes(command)).any(|other| other == slot));
            return self.reached(&problem, wishes, None);
        };
        problem.slots[slot].goal = start;
        // What it is may be keyed, then, and what was wanted may not.
        let fields = problem.commands.iter_mut().flat_map(|command| &mut command.fields);
        for choice in fields.filter(|field| field.slot == slot).flat_map(|field| &mut field.choices) {
            choice.only_if_held = choice.value == wanted || choice.only_if_held && choice.value != start;
        }
        self.reached(&problem, &[wishes, &[slot]].concat(), None)
    }

    /// Whether some script fulfils these wishes, however the other slots end (`known`: with a value that is known).
    fn answer(&mut self, problem: &Problem, wishes: &[SlotId], known: Option<SlotId>) -> Option<bool> {
        self.questions = self.questions.checked_sub(1)?;
        if *self.left == 0 {
            return None;
        }
        let budget = Budget { expansions: STATES.min(*self.left), ..Budget::default() };
        let found = search::find_and_pay(&asking(problem, wishes, known), &budget);
        *self.left = self.left.saturating_sub(found.as_ref().map_or(1, |(_, paid)| *paid));
        match found {
            Ok((Answer::Best(_), _)) => Some(true),
            Ok((Answer::Unsolvable(_), _)) => Some(false),
            Ok((Answer::GaveUp { .. }, _)) | Err(_) => {
                self.questions = self.questions.saturating_sub(UNANSWERED - 1);
                None
            }
        }
    }
}

/// The problem as far as the wishes hang on it, all others given up.
fn asking(problem: &Problem, wishes: &[SlotId], known: Option<SlotId>) -> Problem {
    let asked = asked(problem, wishes.iter().copied().chain(known));
    let mut asking = Problem { lifelines: Vec::new(), ..problem.clone() };
    asking.commands.retain(|command| writes(command).any(|slot| asked[slot]));
    for command in &mut asking.commands {
        command.clears.retain(|slot| asked[*slot]);
        command.also.retain(|also| asked[also.slot]);
        command.fields.retain(|field| asked[field.slot]);
    }
    for (slot, asked) in asked.into_iter().enumerate() {
        if !asked {
            asking.slots[slot] = Slot { values: 1, start: Some(0), goal: 0, factory: None };
        } else if !wishes.contains(&slot) {
            give_up(&mut asking, slot, known == Some(slot));
        }
    }
    asking
}

/// The slots on which it hangs whether a script brings some to their goals: these, and what the commands that write one of
/// them look at. (Deleting all other commands from a script leaves one.)
fn asked(problem: &Problem, of: impl Iterator<Item = SlotId>) -> Vec<bool> {
    let mut asked = vec![false; problem.slots.len()];
    of.for_each(|slot| asked[slot] = true);
    let mut taken = vec![false; problem.commands.len()];
    let next = |asked: &[bool], taken: &[bool]| {
        let mut open = problem.commands.iter().enumerate().filter(|(id, _)| !taken[*id]);
        open.find(|(_, command)| writes(command).any(|slot| asked[slot])).map(|(id, _)| id)
    };
    while let Some(id) = next(&asked, &taken) {
        taken[id] = true;
        looks_at(&problem.commands[id]).for_each(|slot| asked[slot] = true);
    }
    asked
}

/// The slots on which it hangs whether a command is accepted.
fn looks_at(command: &Command) -> impl Iterator<Item = SlotId> + '_ {
    let held = command.fields.iter().filter(|field| field.choices.iter().all(|choice| choice.only_if_held));
    let needs = command.needs.iter().map(|need| need.slot);
    needs.chain(command.reads.iter().map(|read| read.slot)).chain(held.map(|field| field.slot))
}

fn writes(command: &Command) -> impl Iterator<Item = SlotId> + '_ {
    let also = command.also.iter().map(|also| also.slot);
    command.clears.iter().copied().chain(also).chain(command.fields.iter().map(|field| field.slot))
}

/// Gives a wish up: its goal becomes a value that satisfies no command, and a command keys it for nothing (where the slot
/// has to end known, from a known value).
fn give_up(problem: &mut Problem, slot: SlotId, known: bool) {
    let held = ValueSet::of(0..problem.slots[slot].values);
    let over = problem.slots[slot].values;
    problem.slots[slot].values = over.saturating_add(1);
    problem.slots[slot].goal = over;
    for command in &mut problem.commands {
        let mut reads = command.reads.iter_mut().filter(|read| read.slot == slot).peekable();
        if reads.peek().is_some() {
            command.needs.push(Need { slot, values: held });
        }
        reads.for_each(|read| read.presses.push(0));
    }
    let choice = Choice { value: over, presses: 0, only_if_held: false };
    problem.commands.push(Command {
        needs: if known { vec![Need { slot, values: held }] } else { Vec::new() },
        fields: vec![Field { slot, choices: vec![choice] }],
        ..Command::default()
    });
}

#[cfg(test)]
#[path = "conflicts_tests.rs"]
mod tests;
