//! The best script of one station, exactly: least exposure, then time, then presses, then commands.
//! It never looks at a clock, a file or a keybook, and the same problem always gets the same answer.

mod bound;
mod core;
mod exposure;
mod model;
mod relevance;
mod script;
mod states;
mod tail;
mod why;

use self::core::{Core, PartAnswer, Purse};
use self::model::{Model, Packed, Source, unpack};
use self::relevance::{Question, Relevance, all_writes, parts};
use crate::script::problem::{Cost, Problem, ProblemError, SlotId, Step};

pub use self::why::{Account, Stop};

/// What a search may spend. It counts states, never time, so that the answer does not depend on the machine.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Budget {
    /// States whose successors are looked at, over all parts.
    pub expansions: u64,
    /// Bytes of states kept at one time; the search needs at most twice that, and a few hundred kilobytes.
    pub bytes: usize,
}

impl Default for Budget {
    fn default() -> Self {
        Self { expansions: 20_000, bytes: 64 << 20 }
    }
}

/// A script that lands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Best {
    pub steps: Vec<Step>,
    pub cost: Cost,
    /// Whether no script costs less.
    pub proven: bool,
    /// Where not proven: no script costs less than this.
    pub bound: Option<Cost>,
}

/// What became of a search.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    Best(Best),
    /// No script exists, proved; each slot that cannot come to its goal, and what stands in the way.
    Unreachable(Vec<Account>),
    /// The budget ran out before any script was found; whether one exists is not known.
    GaveUp {
        /// If there is a script, it costs no less.
        bound: Cost,
    },
}

/// Finds the best script.
///
/// # Errors
/// Where the problem is not well formed ([`Problem::check`]).
pub fn find(problem: &Problem, budget: &Budget) -> Result<Answer, ProblemError> {
    problem.check()?;
    let writes = all_writes(problem);
    let from = problem.start();
    let all = vec![true; problem.commands.len()];
    let goals = vec![true; problem.slots.len()];
    let question = Question { problem, writes: &writes, from: &from, allowed: &all, goals: &goals, seeds: &[] };
    let relevance = Relevance::of(&question);
    let hopeless = relevance.hopeless(problem);
    if !hopeless.is_empty() {
        return Ok(Answer::Unreachable(why::accounts(problem, &writes, &relevance, &hopeless)));
    }
    let mut purse = Purse { expansions: budget.expansions, bytes: budget.bytes };
    let source = Source { problem, writes: &writes, relevance: &relevance, from: &from };
    let mut state = from.clone();
    let mut steps = Vec::new();
    let mut bound: Packed = 0;
    let mut cost: Packed = 0;
    for part in parts(problem, &writes, &relevance) {
        let Some(model) = Model::of(&source, &part) else { return Ok(Answer::GaveUp { bound: unpack(bound) }) };
        let answer = Core::new(&model).map_or(PartAnswer::None, |core| core.run(&mut purse));
        match answer {
            PartAnswer::Best { moves, cost: part_cost } => {
                for step in &moves {
                    match script::step_of(problem, &model, step, &mut state) {
                        Some(step) => steps.push(step),
                        None => return Ok(Answer::GaveUp { bound: unpack(bound) }),
                    }
                }
                cost += part_cost;
                bound += part_cost;
            }
            PartAnswer::Spent { bound: part_bound, .. } => {
                return Ok(Answer::GaveUp { bound: unpack(bound + part_bound) });
            }
            PartAnswer::None => {
                let slots: Vec<SlotId> = part.slots.clone();
                return Ok(Answer::Unreachable(why::entangled(problem, &slots, &from)));
            }
        }
    }
    script::put_in_order(problem, &from, &mut steps);
    Ok(Answer::Best(Best { steps, cost: unpack(cost), proven: true, bound: None }))
}
