//! What the obvious script would have cost: every setting that differs, keyed in the keybook's order, as someone would
//! who does not look for a better one. It is only ever shown for comparison.

use crate::keybook::Keybook;
use crate::setting::Name;

use super::problem::{Cost, Field, Problem, Step};
use super::task::Task;

/// The obvious script, keyed to its end whatever the station answers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Obvious {
    /// What it would have cost; `None` where it would not have done what was asked, so that there is nothing to compare.
    pub cost: Option<Cost>,
    /// Commands that the station would refuse.
    pub refused: Vec<Name>,
    /// Settings that would not end as they should.
    pub wrong: Vec<Name>,
}

pub(super) fn obvious(keybook: &Keybook, task: &Task) -> Obvious {
    let problem = &task.problem;
    let mut state = problem.start();
    let (mut cost, mut refused) = (Cost::default(), Vec::new());
    for step in steps(problem) {
        match problem.key(&mut state, &step) {
            Ok(own) => cost = cost + own,
            Err(_) => refused.push(keybook.commands[task.commands[step.command]].name.clone()),
        }
    }
    let wrong = (0..problem.slots.len()).filter(|slot| state[*slot] != Some(problem.slots[*slot].goal));
    let wrong: Vec<Name> = wrong.map(|slot| keybook.setting(task.slots[slot]).name.clone()).collect();
    Obvious { cost: (refused.is_empty() && wrong.is_empty()).then_some(cost), refused, wrong }
}

/// The first command for each setting that differs, with the wanted values, in the keybook's order.
fn steps(problem: &Problem) -> Vec<Step> {
    let mut left: Vec<usize> =
        (0..problem.slots.len()).filter(|slot| problem.slots[*slot].start != Some(problem.slots[*slot].goal)).collect();
    let mut steps = Vec::new();
    for (id, command) in problem.commands.iter().enumerate() {
        let wanted =
            |field: &Field| field.choices.iter().position(|choice| choice.value == problem.slots[field.slot].goal);
        let Some(choices) = command.fields.iter().map(wanted).collect::<Option<Vec<usize>>>() else { continue };
        let stores = |slot: &usize| command.fields.iter().any(|field| field.slot == *slot);
        if left.iter().any(stores) {
            left.retain(|slot| !stores(slot));
            steps.push(Step { command: id, choices });
        }
    }
    steps
}
