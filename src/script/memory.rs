//! Answers of earlier searches, and what may be searched for a whole fleet at once: so that however many stations there
//! are, and whatever their keybooks, asking after all of them ends. It decides nothing about a script.

use std::collections::HashMap;

use super::problem::{Command, Cost, Problem, ProblemError};
use super::search::{self, Answer, Budget, Stop, UnreachableGoal};

/// Most bytes of problems and answers kept, as [`bytes_of`] counts them; past that, all are forgotten.
const MOST_BYTES: usize = 32 << 20;

/// What all searches for a fleet may take together, in states: as much as twenty that spend their whole budget, a minute
/// at most. After that each gets a fiftieth of the budget until as much is spent again, and then none.
const FLEET_STATES: u64 = 240_000;
const THRIFT: u64 = 50;

/// States that may be looked at to tell of one station why there is no script.
const REASON_STATES: u64 = 24_000;

/// Answers of earlier searches: equal stations share one.
#[derive(Debug, Default)]
pub struct Memory {
    answers: HashMap<Problem, Answer>,
    bytes: usize,
    /// What searches for a fleet may still take, twice over; nothing where each may spend its whole budget.
    left: Option<u64>,
}

impl Memory {
    /// For asking about all stations of a fleet, whose answers are told in sums or in short: it bounds the searches
    /// together. Once many were hard, an answer may be dearer than the best, and is not proven then.
    pub fn for_a_fleet() -> Memory {
        Memory { left: Some(2 * FLEET_STATES), ..Memory::default() }
    }

    /// Whether each search may still spend its whole budget, so that its answer is the one that a script is written from.
    pub fn is_generous(&self) -> bool {
        self.left.is_none_or(|left| left > FLEET_STATES)
    }

    /// For a search more: the next one gets nothing.
    #[cfg(test)]
    pub(super) fn almost_spent() -> Memory {
        Memory { left: Some(1), ..Memory::default() }
    }

    pub(super) fn find(&mut self, problem: &Problem) -> Result<Answer, ProblemError> {
        if let Some(answer) = self.answers.get(problem) {
            return Ok(answer.clone());
        }
        let whole = Budget::default();
        let budget = match self.left {
            Some(0) => return Ok(Answer::GaveUp { bound: Cost::default() }),
            _ if self.is_generous() => whole,
            _ => Budget { expansions: whole.expansions / THRIFT, ..whole },
        };
        let (answer, paid) = search::find_and_pay(problem, &budget)?;
        self.pay(paid);
        self.keep(problem, &answer);
        Ok(answer)
    }

    /// States that may be looked at to tell why a station gets no script; nothing where there is no time for reasons.
    pub(super) fn for_reasons(&self) -> Option<u64> {
        self.is_generous().then_some(REASON_STATES)
    }

    pub(super) fn pay(&mut self, states: u64) {
        self.left = self.left.map(|left| left.saturating_sub(states));
    }

    fn keep(&mut self, problem: &Problem, answer: &Answer) {
        let bytes = bytes_of(problem, answer);
        if self.bytes + bytes > MOST_BYTES {
            self.answers.clear();
            self.bytes = 0;
        }
        if bytes <= MOST_BYTES {
            self.bytes += bytes;
            self.answers.insert(problem.clone(), answer.clone());
        }
    }
}

/// About the bytes of a problem and its answer, tables included.
fn bytes_of(problem: &Problem, answer: &Answer) -> usize {
    let lists = |count: usize| 32 * count;
    let commands =
        problem.commands.iter().map(|command| size_of::<Command>() + lists(command.fields.len() + command.reads.len()));
    let steps = match answer {
        Answer::Best(best) => best.steps.iter().map(|step| 64 + 8 * step.choices.len()).sum(),
        Answer::Unsolvable(goals) => {
            goals.iter().map(|goal| size_of::<UnreachableGoal>() + goal.stops.len() * size_of::<Stop>()).sum()
        }
        Answer::GaveUp { .. } => 0,
    };
    512 + 24 * problem.size() + commands.sum::<usize>() + steps
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::script::problem::{Choice, Field, Slot};

    /// One slot that one command brings to its goal, and so many others that stay.
    fn problem(nth: u32, others: usize) -> Problem {
        let mut slots = vec![Slot { values: 2, start: Some(1), goal: 1, factory: None }; others];
        slots.push(Slot { values: 2, start: Some(0), goal: 1, factory: None });
        let choices = vec![Choice { value: 1, presses: nth % 4_096, only_if_held: false }];
        let command =
            Command { takes_ms: nth.into(), fields: vec![Field { slot: others, choices }], ..Command::default() };
        Problem { press_ms: 1, answer_ms: 1, slots, commands: vec![command], lifelines: Vec::new() }
    }

    #[test]
    fn what_is_remembered_stays_under_its_ceiling_and_no_answer_is_lost() {
        let mut memory = Memory::default();
        let (mut most, mut forgotten) = (0, 0);
        for nth in 0..3_000 {
            let before = memory.answers.len();
            let problem = problem(nth, 1_000);
            assert_eq!(memory.find(&problem), search::find(&problem, &Budget::default()), "{nth}");
            most = most.max(memory.bytes);
            forgotten += u32::from(memory.answers.len() <= before);
        }
        assert!(most <= MOST_BYTES && most > MOST_BYTES / 2 && forgotten > 0, "{most} {forgotten}");
    }

    #[test]
    fn what_is_asked_for_a_whole_fleet_ends_whatever_it_takes() {
        let mut memory = Memory::for_a_fleet();
        assert!(memory.is_generous());
        memory.left = Some(FLEET_STATES + 1);
        assert!(matches!(memory.find(&problem(1, 0)), Ok(Answer::Best(best)) if best.proven));
        assert!(!memory.is_generous());
        assert!(
            matches!(memory.find(&problem(2, 0)), Ok(Answer::Best(best)) if best.proven),
            "an easy one takes little"
        );
        memory.left = Some(0);
        assert!(matches!(memory.find(&problem(3, 0)), Ok(Answer::GaveUp { .. })));
        assert!(matches!(memory.find(&problem(2, 0)), Ok(Answer::Best(_))), "what is known costs nothing");
    }
}
