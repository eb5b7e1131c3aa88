//! From the moves of the parts to the steps of a script: actual choices, and one order among equals.
//! It never changes the cost: a step moves only where nothing else does.

use super::model::{Class, Model};
use crate::script::problem::{Cost, Problem, State, Step};

/// One command as the search placed it: classes of the part's slots after it.
pub(super) struct Move {
    pub command: usize,
    pub after: Vec<Class>,
}

/// Turns moves into a step that, keyed in `state`, does just that; `state` is keyed on. With its cost.
pub(super) fn step_of(problem: &Problem, model: &Model, step: &Move, state: &mut State) -> Option<(Step, Cost)> {
    let command = &model.commands[step.command];
    let record = &problem.commands[command.origin];
    let mut choices = Vec::with_capacity(record.fields.len());
    for (field, own) in record.fields.iter().zip(&command.fields) {
        let class = step.after[own.slot];
        let slot = &model.slots[own.slot];
        let fits = |(_, choice): &(usize, &crate::script::problem::Choice)| {
            slot.class(Some(choice.value)) == class && (!choice.only_if_held || state[field.slot] == Some(choice.value))
        };
        let place =
            field.choices.iter().enumerate().filter(fits).min_by_key(|(place, choice)| (choice.presses, *place))?.0;
        choices.push(place);
    }
    let step = Step { command: command.origin, choices };
    let cost = problem.key(state, &step).ok()?;
    Some((step, cost))
}

/// Moves each step in turn, from the first on, before earlier ones that stand later in the keybook, one neighbour at a time,
/// as long as the two can be swapped at the same cost and to the same effect. (A swap further on may make another
/// possible that was refused before; it is not tried again.)
pub(super) fn put_in_order(problem: &Problem, from: &State, steps: &mut [Step]) {
    let mut states = vec![from.clone()];
    let mut costs = Vec::new();
    for step in steps.iter() {
        let mut state = states[states.len() - 1].clone();
        match problem.key(&mut state, step) {
            Ok(cost) => costs.push(cost),
            Err(_) => return,
        }
        states.push(state);
    }
    for end in 1..steps.len() {
        let mut place = end;
        while place > 0 && steps[place] < steps[place - 1] {
            let sum = costs[place - 1] + costs[place];
            let Some((middle, swapped)) =
                swap(problem, &states[place - 1], &steps[place], &steps[place - 1], &states[place + 1])
            else {
                break;
            };
            if swapped.0 + swapped.1 != sum {
                break;
            }
            steps.swap(place - 1, place);
            states[place] = middle;
            (costs[place - 1], costs[place]) = swapped;
            place -= 1;
        }
    }
}

/// The state between and the two costs, where keying `first` and then `second` ends in `end`.
fn swap(problem: &Problem, before: &State, first: &Step, second: &Step, end: &State) -> Option<(State, (Cost, Cost))> {
    let mut state = before.clone();
    let one = problem.key(&mut state, first).ok()?;
    let middle = state.clone();
    let two = problem.key(&mut state, second).ok()?;
    (state == *end).then_some((middle, (one, two)))
}
