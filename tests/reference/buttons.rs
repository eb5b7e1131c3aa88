//! Tiny problems with up to eight buttons, and what of them counts, written from the rules and not from the program: a button
//! that works in some states, is dead in others, backs another or failed its last test. The search is given the lifelines that
//! follow from it; the plain reference goes by the buttons themselves.

use super::shapes::{LADDER, shaped};
use super::{Dice, Held, MIX, MIXES, pick, random, some_values};
use crate::script::problem::{Lifeline, Problem, ValueSet};

/// One button of a station.
pub struct Button {
    slots: Vec<usize>,
    /// It calls someone where each slot of one of these holds one of its values.
    works: Vec<Vec<(usize, ValueSet)>>,
    /// A fallback of another: it never counts.
    backs: bool,
    has_failed: bool,
}

impl Button {
    /// Each way to work is contradicted by what is known.
    fn is_dead(&self, held: &Held) -> bool {
        self.works
            .iter()
            .all(|way| way.iter().any(|(slot, values)| held[*slot].is_some_and(|value| !values.contains(value))))
    }

    /// Not dead, and all as it was (known, and its last test did not fail), or all as it will be.
    fn is_covered(&self, problem: &Problem, held: &Held) -> bool {
        let all = |is: &dyn Fn(usize) -> bool| self.slots.iter().all(|slot| is(*slot));
        let as_was = all(&|slot| held[slot].is_some() && held[slot] == problem.slots[slot].start) && !self.has_failed;
        let as_will_be = all(&|slot| held[slot] == Some(problem.slots[slot].goal));
        !self.is_dead(held) && (as_was || as_will_be)
    }
}

/// How many buttons are uncovered in a state.
pub fn uncovered(problem: &Problem, buttons: &[Button], held: &Held) -> u64 {
    buttons.iter().filter(|button| !button.backs && !button.is_covered(problem, held)).count() as u64
}

/// A random tiny problem with its buttons. They share settings, and some are dead at the start; at the goal none is.
pub fn pressed(seed: u64) -> (Problem, Vec<Button>) {
    let mut dice = Dice(seed.wrapping_mul(1_000_003).wrapping_add(70_707));
    let mut problem = if dice.percent(40) {
        shaped(seed, LADDER)
    } else {
        let mix = &MIX[dice.below(MIXES) as usize];
        let (slots, commands) = (3 + dice.below(3), 2 + dice.below(5));
        random(&mut dice, mix, slots, commands)
    };
    let all: Vec<usize> = (0..problem.slots.len()).collect();
    let count = 3 + dice.below(6);
    let buttons: Vec<Button> = (0..count).map(|_| button(&mut dice, &problem, &all)).collect();
    let start: Held = problem.slots.iter().map(|slot| slot.start).collect();
    let required = buttons.iter().filter(|button| !button.backs);
    problem.lifelines = required
        .map(|button| {
            let is_known = button.slots.iter().all(|slot| start[*slot].is_some());
            let start_counts = is_known && !button.has_failed && !button.is_dead(&start);
            Lifeline { slots: button.slots.clone(), start_counts }
        })
        .collect();
    (problem, buttons)
}

fn button(dice: &mut Dice, problem: &Problem, all: &[usize]) -> Button {
    let mut slots = vec![pick(dice, &problem.slots)];
    slots.extend(all.iter().copied().filter(|slot| *slot != slots[0] && dice.percent(30)).collect::<Vec<_>>());
    let mut works = Vec::new();
    for nth in 0..1 + dice.below(2) {
        let mut way = Vec::new();
        for slot in slots.iter().copied() {
            if dice.percent(70) {
                let some = some_values(dice, &problem.slots[slot]);
                // As it will be, it works in the first way.
                let goal = (nth == 0).then_some(problem.slots[slot].goal);
                way.push((slot, ValueSet::of(some.iter().chain(goal))));
            }
        }
        works.push(way);
    }
    Button { slots, works, backs: dice.percent(20), has_failed: dice.percent(10) }
}
