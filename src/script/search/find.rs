//! The question and the answer: what becomes of a search, and its stages one after the other. It never looks at a clock, a
//! file or a keybook.

use super::budget::{Budget, Purse};
use super::effects::Context;
use super::extract::put_in_order;
use super::greedy::some_script;
use super::packed::{Packed, unpack, unpack_bound};
use super::parts::{Solved, solve};
use super::resets::{ResetSearch, reset_commands};
use super::unsolvable::{UnreachableGoal, unreachable_goals};
use crate::script::problem::{Cost, Problem, ProblemError, State, Step};

/// So many parts of a problem take as long to look through, whatever comes of it, as a state of a search.
const PARTS_OF_A_STATE: usize = 64;

/// A script that lands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Best {
    /// In the order to key them.
    pub steps: Vec<Step>,
    /// What it costs, by which no script found is better.
    pub cost: Cost,
    /// Whether no script costs less.
    pub proven: bool,
    /// Where not proven: no script costs less than this.
    pub bound: Option<Cost>,
}

/// What became of a search.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    /// The best script, or the best found before the budget ran out.
    Best(Best),
    /// No script exists, proved; each slot that cannot come to its goal whatever becomes of the others, and what stands in
    /// the way. None: each could, but not all of them.
    Unsolvable(Vec<UnreachableGoal>),
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
    Ok(find_and_pay(problem, budget)?.0)
}

/// The same, with what it took, counted as [`Budget::expansions`] are: past a spent budget somewhat more than that.
///
/// # Errors
/// Where the problem is not well formed ([`Problem::check`]).
pub fn find_and_pay(problem: &Problem, budget: &Budget) -> Result<(Answer, u64), ProblemError> {
    problem.check()?;
    let context = Context::of(problem);
    let from = problem.start();
    let mut purse = Purse::new(budget);
    // Rather some script than none.
    let solved = match stages(&context, &from, budget, &mut purse) {
        Solved::Spent { bound, found: None } => {
            Solved::Spent { bound, found: some_script(&context, &from, budget, &mut purse) }
        }
        solved => solved,
    };
    Ok((answer(&context, &from, solved), purse.paid + 1 + (problem.size() / PARTS_OF_A_STATE) as u64))
}

/// The best script without a reset and, where one could help, the best of all.
fn stages(context: &Context, from: &State, budget: &Budget, purse: &mut Purse) -> Solved {
    let resets = reset_commands(context);
    let mut others = vec![true; context.problem.commands.len()];
    resets.iter().for_each(|id| others[*id] = false);
    let through_a_reset = ResetSearch::new(context, &resets, &others);
    // Some is kept for the scripts through a reset, or their bound would be that of all.
    let kept = if through_a_reset.is_some() { budget.expansions / 4 } else { 0 };
    purse.expansions -= kept;
    let without = solve(context, from, &others, purse);
    purse.expansions += kept;
    match through_a_reset {
        Some(search) => with_resets(without, search, purse),
        None => without,
    }
}

/// Weighs the scripts through a reset against the best without.
fn with_resets(without: Solved, search: ResetSearch, purse: &mut Purse) -> Solved {
    let (bound, found) = without.split();
    let (reset_bound, reset_found) = search.run(found.as_ref().map(|found| found.1), purse);
    let bound = bound.min(reset_bound);
    // What is found through a reset is better than what it was to beat.
    match reset_found.or(found) {
        Some((steps, cost)) if cost <= bound => Solved::Best { steps, cost },
        None if bound == Packed::MAX => Solved::None,
        found => Solved::Spent { bound, found },
    }
}

fn answer(context: &Context, from: &State, solved: Solved) -> Answer {
    match solved {
        Solved::Best { mut steps, cost } => {
            put_in_order(context.problem, from, &mut steps);
            Answer::Best(Best { steps, cost: unpack(cost), proven: true, bound: None })
        }
        Solved::None => Answer::Unsolvable(unreachable_goals(context)),
        Solved::Spent { bound, found: Some((mut steps, cost)) } => {
            put_in_order(context.problem, from, &mut steps);
            let proven = bound >= cost;
            Answer::Best(Best { steps, cost: unpack(cost), proven, bound: (!proven).then(|| unpack_bound(bound)) })
        }
        Solved::Spent { bound, found: None } => Answer::GaveUp { bound: unpack_bound(bound) },
    }
}
