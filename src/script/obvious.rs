//! What the obvious script would have cost: every setting that differs, keyed in the keybook's order, as somebody would
//! who does not look for a better one. It is only ever shown for comparison.

use crate::keybook::Keybook;
use crate::setting::Name;

use super::problem::{Cost, Problem, Step};
use super::task::Task;

/// The obvious script, keyed to its end whatever the station answers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Obvious {
    pub cost: Cost,
    /// Commands that the station would refuse.
    pub refused: Vec<Name>,
    /// Settings that would not end as they should.
    pub wrong: Vec<Name>,
}

impl Obvious {
    /// Whether it would do what was asked.
    pub fn lands(&self) -> bool {
        self.refused.is_empty() && self.wrong.is_empty()
    }
}

pub(super) fn obvious(keybook: &Keybook, task: &Task) -> Obvious {
    let problem = &task.problem;
    let mut state = problem.start();
    let mut obvious = Obvious { cost: Cost::default(), refused: Vec::new(), wrong: Vec::new() };
    for step in steps(problem) {
        let uncovered = problem.uncovered(&state).len() as u64;
        let cost = problem.key(&mut state, &step).unwrap_or_else(|_| {
            obvious.refused.push(keybook.commands[task.commands[step.command]].name.clone());
            refused_cost(problem, &step, uncovered)
        });
        obvious.cost = obvious.cost + cost;
    }
    let wrong = (0..problem.slots.len()).filter(|slot| state[*slot] != Some(problem.slots[*slot].goal));
    obvious.wrong = wrong.map(|slot| keybook.setting(task.slots[slot]).name.clone()).collect();
    obvious
}

/// The first command for each setting that differs, with the wanted values, in the keybook's order.
fn steps(problem: &Problem) -> Vec<Step> {
    let mut left: Vec<usize> =
        (0..problem.slots.len()).filter(|slot| problem.slots[*slot].start != Some(problem.slots[*slot].goal)).collect();
    let mut steps = Vec::new();
    for (id, command) in problem.commands.iter().enumerate() {
        let wanted = |field: &super::problem::Field| {
            field.choices.iter().position(|choice| choice.value == problem.slots[field.slot].goal)
        };
        let Some(choices) = command.fields.iter().map(wanted).collect::<Option<Vec<usize>>>() else { continue };
        let stores = |slot: &usize| command.fields.iter().any(|field| field.slot == *slot);
        if left.iter().any(stores) {
            left.retain(|slot| !stores(slot));
            steps.push(Step { command: id, choices });
        }
    }
    steps
}

/// What a refused command costs: its keys, as far as it can be told what they are, and the wait for the answer.
fn refused_cost(problem: &Problem, step: &Step, uncovered: u64) -> Cost {
    let command = &problem.commands[step.command];
    let keyed =
        command.fields.iter().zip(&step.choices).map(|(field, choice)| u64::from(field.choices[*choice].presses));
    let presses = u64::from(command.base_presses) + keyed.sum::<u64>();
    let time_ms = presses * problem.press_ms + problem.answer_ms;
    Cost { exposure_ms: uncovered * time_ms, time_ms, presses, commands: 1 }
}
