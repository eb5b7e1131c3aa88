//! The best script with some of the commands, part by part: each part's own best, one after the other (`mod.rs` §2). It
//! knows nothing of resets.

use super::best_first::{BestFirst, PartAnswer};
use super::budget::Purse;
use super::effects::Context;
use super::extract;
use super::missing_goals::least_cost;
use super::model::{Model, Source};
use super::packed::{Packed, pack};
use super::relevance::{Question, Relevance, Target, parts};
use crate::script::problem::{Problem, State, Step};
use std::rc::Rc;

/// Outcome of a search that keeps to some of the commands; costs are packed.
pub(super) enum Solved {
    Best {
        steps: Vec<Step>,
        cost: Packed,
    },
    None,
    /// Budget spent: a lower bound, and the best script found, if any.
    Spent {
        bound: Packed,
        found: Option<(Vec<Step>, Packed)>,
    },
}

/// A bound on the cost of every script of some kind, and the best script known; [`Packed::MAX`]: there is none.
pub(super) type Known = (Packed, Option<(Vec<Step>, Packed)>);

impl Solved {
    pub fn split(self) -> Known {
        match self {
            Self::Best { steps, cost } => (cost, Some((steps, cost))),
            Self::None => (Packed::MAX, None),
            Self::Spent { bound, found } => (bound, found),
        }
    }
}

/// The best script from a state with the allowed commands.
pub(super) fn solve(context: &Context, from: &State, allowed: &[bool], purse: &mut Purse) -> Solved {
    let problem = context.problem;
    let target = Target::Goals;
    let question = Question { problem, writes: &context.writes, from, loose: &[], allowed, target, seeds: &[] };
    let relevance = Relevance::of(&question);
    if relevance.is_hopeless(problem) {
        return Solved::None;
    }
    let source = Source { problem, writes: &context.writes, relevance: &relevance, from };
    let parts = parts(problem, &context.writes, &relevance);
    let mut answers: Vec<Option<(Rc<Model>, PartAnswer)>> = parts.iter().map(|_| None).collect();
    // The smallest first, so that a budget too small for one part is not lost to the others.
    let mut order: Vec<usize> = (0..parts.len()).collect();
    order.sort_by_key(|place| (parts[*place].commands.len(), *place));
    for place in order {
        let Some(model) = Model::of(&source, &parts[place]).map(Rc::new) else {
            return Solved::Spent { bound: least_cost(context, from, allowed), found: None };
        };
        let answer = BestFirst::new(Rc::clone(&model)).run(purse);
        if matches!(answer, PartAnswer::None) {
            return Solved::None;
        }
        answers[place] = Some((model, answer));
    }
    join(problem, from, answers.into_iter().flatten())
}

/// One script from the answers for the parts, the one with the lifelines first. Its cost is that of its steps: a part past its
/// budget may have found a better way to a state since the script through it was made.
fn join(problem: &Problem, from: &State, answers: impl Iterator<Item = (Rc<Model>, PartAnswer)>) -> Solved {
    let mut state = from.clone();
    let mut steps = Vec::new();
    let (mut cost, mut bound, mut whole) = (0, 0, true);
    for (model, answer) in answers {
        let (moves, part_bound) = match answer {
            PartAnswer::Best { moves, cost } => (moves, cost),
            PartAnswer::Spent { found: Some(moves), bound } => (moves, bound),
            PartAnswer::Spent { found: None, bound } => {
                whole = false;
                (Vec::new(), bound)
            }
            PartAnswer::None => return Solved::None,
        };
        bound += part_bound;
        for step in &moves {
            match extract::step_of(problem, &model, step, &mut state) {
                Some((step, own)) => {
                    steps.push(step);
                    cost += pack(own);
                }
                None => whole = false,
            }
        }
    }
    match (whole, bound < cost) {
        (true, false) => Solved::Best { steps, cost },
        (true, true) => Solved::Spent { bound, found: Some((steps, cost)) },
        (false, _) => Solved::Spent { bound, found: None },
    }
}
