//! Which wishes cannot stand together: asked once the search has shown that no script reaches all of them.
//!
//! A wish is given up by adding a command that fulfils it for nothing. Wishes are kept one after the other, the heaviest
//! first, as long as a script still exists; what has to stay given up is to blame. Which of the others it clashes with is
//! found in the same way, the other way round.

use super::problem::{Choice, Command, Field, Problem, SlotId};
use super::search::{self, Answer, Budget};

/// A wish that has to be given up, and those it cannot stand beside.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Clash {
    pub(super) slot: SlotId,
    pub(super) with: Vec<SlotId>,
}

/// States a question may cost; one that costs more counts as answered with no.
const STATES: u64 = 2_000;

/// The clashes among some slots. `order` says which wishes are kept rather than given up, those first. `left`: states that
/// all questions together may cost; once they are spent, each counts as answered with no.
pub(super) fn clashes(problem: &Problem, order: &[SlotId], left: &mut u64) -> Vec<Clash> {
    let mut given_up: Vec<SlotId> = order.to_vec();
    for slot in order {
        let fewer: Vec<SlotId> = given_up.iter().copied().filter(|other| other != slot).collect();
        if exists(problem, &fewer, left) {
            given_up = fewer;
        }
    }
    given_up.iter().map(|slot| Clash { slot: *slot, with: beside(problem, order, &given_up, *slot, left) }).collect()
}

/// The fewest kept wishes that a wish cannot stand beside.
fn beside(problem: &Problem, order: &[SlotId], given_up: &[SlotId], slot: SlotId, left: &mut u64) -> Vec<SlotId> {
    let mut free: Vec<SlotId> = given_up.iter().copied().filter(|other| *other != slot).collect();
    // The lightest are let go first, so that the heaviest are named.
    for other in order.iter().rev().filter(|other| !given_up.contains(other)) {
        free.push(*other);
        if exists(problem, &free, left) {
            free.pop();
        }
    }
    order.iter().copied().filter(|other| *other != slot && !free.contains(other)).collect()
}

/// Whether a script exists where these wishes are given up.
fn exists(problem: &Problem, given_up: &[SlotId], left: &mut u64) -> bool {
    if *left == 0 {
        return false;
    }
    let free: Vec<Command> = given_up.iter().map(|slot| fulfils(problem, *slot)).collect();
    let mut problem = problem.clone();
    problem.commands.extend(free);
    let budget = Budget { expansions: STATES.min(*left), ..Budget::default() };
    let Ok((answer, paid)) = search::find_and_pay(&problem, &budget) else { return false };
    *left = left.saturating_sub(paid);
    matches!(answer, Answer::Best(_))
}

fn fulfils(problem: &Problem, slot: SlotId) -> Command {
    let choice = Choice { value: problem.slots[slot].goal, presses: 0, only_if_held: false };
    Command { fields: vec![Field { slot, choices: vec![choice] }], ..Command::default() }
}
