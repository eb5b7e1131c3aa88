//! Each conflict against a plain walk through all states that commands lead to.

use std::collections::BTreeSet;

use super::*;
use crate::script::problem::{Also, Read, State};
use crate::script::search::tests::reference::Reference;
use crate::script::search::tests::reference::compare::{KINDS, problem};

type States = BTreeSet<State>;

/// More states than any of these problems costs.
const PLENTY: u64 = 1_000_000_000;

fn states(problem: &Problem) -> States {
    Reference::new(problem).states(60_000).expect("a tiny problem")
}

/// Whether one of the states has all these slots at their goals and is also as asked.
fn some(problem: &Problem, states: &States, slots: &[SlotId], asked: impl Fn(&State) -> bool) -> bool {
    let met = |state: &State| slots.iter().all(|slot| state[*slot] == Some(problem.slots[*slot].goal));
    states.iter().any(|state| met(state) && asked(state))
}

/// The problem in which nobody wants anything of a slot: known, it stays; unknown, it may not be touched.
fn unwanted(problem: &Problem, slot: SlotId) -> Problem {
    let mut problem = problem.clone();
    match problem.slots[slot].start {
        None => problem.commands.retain(|command| {
            let fields = command.fields.iter().map(|field| field.slot);
            let reads = command.reads.iter().map(|read| read.slot);
            let needs = command.needs.iter().map(|need| need.slot);
            let others = command.clears.iter().copied().chain(command.also.iter().map(|also| also.slot));
            fields.chain(reads).chain(needs).chain(others).all(|touched| touched != slot)
        }),
        Some(start) => {
            let wanted = std::mem::replace(&mut problem.slots[slot].goal, start);
            for field in problem.commands.iter_mut().flat_map(|command| &mut command.fields) {
                for choice in field.choices.iter_mut().filter(|_| field.slot == slot) {
                    choice.only_if_held |= choice.value == wanted;
                    choice.only_if_held &= choice.value != start;
                }
            }
        }
    }
    problem
}

fn check_conflict(problem: &Problem, reached: &States, conflict: &Conflict) {
    let Conflict { slot, with, otherwise, alone } = conflict;
    let all: Vec<SlotId> = [&[*slot], &with[..]].concat();
    let told = || format!("{conflict:?} {problem:?}");
    assert!(!some(problem, reached, &all, |_| true), "no conflict: {}", told());
    for slot in &all {
        let Slot { start, goal, .. } = problem.slots[*slot];
        let others: Vec<SlotId> = all.iter().copied().filter(|other| other != slot).collect();
        assert!(some(problem, reached, &others, |_| true), "{slot} has no part in it: {}", told());
        let other_value = some(problem, reached, &others, |state| state[*slot].is_some());
        assert_eq!(otherwise.contains(slot), other_value, "another value of {slot}: {}", told());
        if start != Some(goal) {
            let left = unwanted(problem, *slot);
            let goes = some(&left, &states(&left), &others, |state| state[*slot] == start);
            assert_eq!(alone.contains(slot), goes, "{slot} left alone: {}", told());
        }
    }
    assert_ne!(problem.slots[*slot].start, Some(problem.slots[*slot].goal), "{}", told());
    assert!(alone.iter().chain(otherwise).all(|slot| all.contains(slot)), "{}", told());
}

/// The problems without a script, each with its hopeless slots.
fn without_script(seeds: u64) -> impl Iterator<Item = (Problem, Vec<SlotId>)> {
    let all = (0..seeds).flat_map(|seed| (0..KINDS).map(move |kind| problem(seed, kind)));
    all.filter(|problem| Reference::new(problem).solve(60_000) == Some(None)).map(|problem| {
        let Ok(Answer::Unsolvable(goals)) = search::find(&problem, &Budget::default()) else { panic!("no script") };
        let hopeless = goals.iter().map(|goal| goal.slot).collect();
        (problem, hopeless)
    })
}

#[test]
fn a_slot_given_up_is_not_known_by_that() {
    let slot = |start, goal| Slot { values: 2, start, goal, factory: None };
    let key = |slot: SlotId, values: &[u8]| {
        let choice = |value: &u8| Choice { value: *value, presses: 1, only_if_held: false };
        Command { fields: vec![Field { slot, choices: values.iter().map(choice).collect() }], ..Command::default() }
    };
    let need = |slot| Need { slot, values: ValueSet::of([1]) };
    let off = |slot| vec![Also { slot, value: Some(0) }];
    let problem = Problem {
        press_ms: 1,
        answer_ms: 1,
        slots: vec![slot(None, 1), slot(Some(0), 1), slot(Some(0), 0), slot(Some(0), 0)],
        commands: vec![
            // Needs two that exclude each other, so that the first slot is never known, and the second reads it.
            Command { needs: vec![need(2), need(3)], ..key(0, &[1]) },
            Command { reads: vec![Read { slot: 0, presses: vec![1, 1] }], ..key(1, &[1]) },
            Command { also: off(3), ..key(2, &[0, 1]) },
            Command { also: off(2), ..key(3, &[0, 1]) },
        ],
        lifelines: Vec::new(),
    };
    let told = conflicts(&problem, &[0, 1, 2, 3], &[], &mut { PLENTY });
    told.iter().for_each(|conflict| check_conflict(&problem, &states(&problem), conflict));
    let told: Vec<(SlotId, &[SlotId])> = told.iter().map(|conflict| (conflict.slot, &conflict.with[..])).collect();
    assert_eq!(told, [(0, &[][..]), (1, &[])]);
}

#[test]
fn a_question_that_is_not_answered_makes_no_conflict() {
    let mut told = 0;
    for (problem, hopeless) in without_script(60) {
        let reached = states(&problem);
        let order: Vec<SlotId> = (0..problem.slots.len()).collect();
        for questions in 0..8 {
            let conflicts = Asker { problem: &problem, questions, left: &mut { PLENTY } }.conflicts(&order, &hopeless);
            assert!(!conflicts.is_empty() || !hopeless.is_empty(), "nothing is told: {problem:?}");
            for Conflict { slot, with, .. } in &conflicts {
                let all = [&[*slot], &with[..]].concat();
                assert!(!some(&problem, &reached, &all, |_| true), "{questions}: {all:?} {problem:?}");
            }
            told += conflicts.len();
        }
    }
    assert!(told > 100, "{told}");
}

#[test]
fn each_conflict_is_one_and_what_is_said_to_end_it_does() {
    let (mut alone, mut together) = (0, [0; 3]);
    for (problem, hopeless) in without_script(250) {
        let reached = states(&problem);
        let order: Vec<SlotId> = (0..problem.slots.len()).rev().collect();
        let conflicts = conflicts(&problem, &order, &hopeless, &mut { PLENTY });
        conflicts.iter().for_each(|conflict| check_conflict(&problem, &reached, conflict));
        // What is told of is all that stands in the way.
        let told: Vec<SlotId> =
            hopeless.iter().copied().chain(conflicts.iter().map(|conflict| conflict.slot)).collect();
        let rest: Vec<SlotId> = order.into_iter().filter(|slot| !told.contains(slot)).collect();
        assert!(some(&problem, &reached, &rest, |_| true), "not all of it: {told:?} {problem:?}");
        alone += usize::from(!hopeless.is_empty());
        conflicts.iter().for_each(|conflict| together[conflict.with.len().min(2)] += 1);
    }
    println!("{alone} problems with a slot that is hopeless by itself; conflicts by size: {together:?}");
    assert!(alone > 100 && together.iter().all(|count| *count > 3) && together[1] > 50);
}
