//! What to do where a step is not accepted: whether it may be keyed a second time, and which later steps make a button
//! work again that the script has put out of service for a while. It decides nothing about the script.
//!
//! A step that was not accepted was not obeyed, or was obeyed unheard; nobody can tell, so whatever is advised is keyed
//! here from both states, and a later step after the first that is refused counts as not keyed. The ways to key some of
//! the later steps are tried in their order; two that leave the same behind, as far as lifelines, needs and codes go, are
//! one. So every way is looked at, unless there are more than [`MOST_WAYS`]: then a better one may be missed, and none
//! is promised that is not there.

#[cfg(test)]
mod tests;
#[cfg(test)]
pub(super) mod visits;

use std::collections::{BTreeMap, BTreeSet};

use super::problem::{Command, Problem, Refusal, SlotId, State, Step, step_number};

/// So many ways are followed side by side.
const MOST_WAYS: usize = 256;

/// What to do where one step is not accepted.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Recovery {
    /// Keying it a second time does no harm where it was obeyed unheard: it is accepted and changes nothing.
    pub again: bool,
    /// What to do where it fails; `None` where every lifeline is covered then.
    pub fallback: Option<Fallback>,
}

/// What to do where a step fails while a lifeline is or may be uncovered.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Fallback {
    /// The later steps to key all the same, counted from 1; none where none does good.
    pub steps: Vec<u32>,
    /// Whether each of them is accepted and all lifelines are covered then, whether or not the step was obeyed.
    pub restores: bool,
}

/// What a problem does not know of a script.
pub(super) struct Cut {
    /// The call of each step.
    pub(super) of: Vec<usize>,
    /// Whether the station hangs up after a step.
    pub(super) ends: Vec<bool>,
    /// The slots whose values open a call.
    pub(super) open: Vec<SlotId>,
}

/// One a step. `states` are those before each step and after the last.
pub(super) fn recoveries(problem: &Problem, steps: &[Step], states: &[State], calls: &Cut) -> Vec<Recovery> {
    let advisor = Advisor { problem, steps, states, calls };
    (0..steps.len()).map(|at| Recovery { again: advisor.again(at), fallback: advisor.fallback(at) }).collect()
}

struct Advisor<'a> {
    problem: &'a Problem,
    steps: &'a [Step],
    states: &'a [State],
    calls: &'a Cut,
}

/// Some of the later steps, keyed.
#[derive(Debug, Clone)]
struct Try {
    ends: Vec<End>,
    keyed: Vec<usize>,
    ms: u64,
}

/// What the station holds then, where it did not obey the step that failed, or did.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct End {
    state: State,
    /// A later step was refused, and keying ended there.
    refused: bool,
}

/// How good it is, less being better, over all ends: lifelines uncovered, their settings neither as they were nor as they
/// will be, ends at which a step was refused; then the time that it takes.
type Worth = (usize, usize, usize, u64);

impl Advisor<'_> {
    fn command(&self, at: usize) -> &Command {
        &self.problem.commands[self.steps[at].command]
    }

    /// Whether the step, obeyed once, is accepted again and changes nothing. After a step that ends the call there is
    /// nobody to key to.
    fn again(&self, at: usize) -> bool {
        let (before, after) = (&self.states[at], &self.states[at + 1]);
        // The same keys are pressed: they must still be what it holds.
        let same_keys = self.command(at).reads.iter().all(|read| before[read.slot] == after[read.slot]);
        let mut twice = after.clone();
        let accepted = self.problem.key(&mut twice, &self.steps[at]).is_ok();
        !self.calls.ends[at] && same_keys && accepted && twice == *after
    }

    fn fallback(&self, at: usize) -> Option<Fallback> {
        let covered = |at: usize| self.uncovered(&self.states[at]).is_empty();
        if covered(at) && covered(at + 1) {
            return None;
        }
        let end = |state: &State| End { state: state.clone(), refused: false };
        let stopped = Try { ends: self.states[at..=at + 1].iter().map(end).collect(), keyed: Vec::new(), ms: 0 };
        let best = self.best(at, &stopped);
        let restores = best.ends.iter().all(|end| !end.refused && self.uncovered(&end.state).is_empty());
        Some(Fallback { steps: best.keyed.iter().map(|at| step_number(*at)).collect(), restores })
    }

    /// The best way to key some of the later steps.
    fn best(&self, at: usize, stopped: &Try) -> Try {
        let slots = self.slots_that_matter();
        let mut best = (self.worth(stopped), stopped.clone());
        let mut ways = BTreeMap::from([(self.left(stopped, at, &slots), stopped.clone())]);
        for later in at + 1..self.steps.len() {
            let longer: Vec<Try> = ways.values().filter_map(|way| self.longer(way, at, later)).collect();
            for way in longer {
                let worth = self.worth(&way);
                if worth < best.0 && self.is_no_worse(stopped, &way) {
                    best = (worth, way.clone());
                }
                let left = self.left(&way, at, &slots);
                let known_ms = ways.get(&left).map(|known| known.ms);
                if known_ms.map_or(ways.len() < MOST_WAYS, |known| way.ms < known) {
                    ways.insert(left, way);
                }
            }
        }
        best.1
    }

    /// A way with one more step; `None` where nobody can say what the station would answer.
    fn longer(&self, way: &Try, at: usize, later: usize) -> Option<Try> {
        let from = self.calls.of[way.keyed.last().copied().unwrap_or(at)];
        let mut longer = way.clone();
        for end in longer.ends.iter_mut().filter(|end| !end.refused) {
            if self.calls.of[later] != from && !self.opens(&end.state, self.calls.of[later]) {
                return None;
            }
            let ms = self.key(end, later)?;
            longer.ms = longer.ms.max(way.ms + ms);
        }
        longer.keyed.push(later);
        Some(longer)
    }

    /// Keys a step; how long it takes, or `None` where nobody can say what happens.
    fn key(&self, end: &mut End, later: usize) -> Option<u64> {
        let as_keyed = |slot: SlotId| end.state[slot].is_some() && end.state[slot] == self.states[later][slot];
        let command = self.command(later);
        if !command.reads.iter().all(|read| as_keyed(read.slot)) {
            return None;
        }
        match self.problem.key(&mut end.state, &self.steps[later]) {
            Ok(cost) => Some(cost.time_ms),
            Err(Refusal::Need(need)) => {
                end.state[command.needs[need].slot]?;
                end.refused = true;
                Some(0)
            }
            Err(Refusal::NoSuchStep | Refusal::Read(_) | Refusal::NotHeld(_)) => None,
        }
    }

    /// Whether the keys that open a call on the card open it in this state too.
    fn opens(&self, state: &State, call: usize) -> bool {
        let Some(first) = self.calls.of.iter().position(|of| *of == call) else { return false };
        self.calls.open.iter().all(|slot| state[*slot] == self.states[first][*slot])
    }

    fn uncovered(&self, state: &State) -> Vec<usize> {
        self.problem.uncovered(state)
    }

    /// The settings of lifelines that are neither as they were nor as they will be.
    fn astray(&self, state: &State) -> BTreeSet<SlotId> {
        let slots = self.problem.lifelines.iter().flat_map(|lifeline| lifeline.slots.iter().copied());
        let astray = |slot: &SlotId| {
            let target = &self.problem.slots[*slot];
            state[*slot] != target.start && state[*slot] != Some(target.goal)
        };
        slots.filter(astray).collect()
    }

    fn worth(&self, way: &Try) -> Worth {
        let uncovered = way.ends.iter().map(|end| self.uncovered(&end.state).len()).sum();
        let astray = way.ends.iter().map(|end| self.astray(&end.state).len()).sum();
        let refused = way.ends.iter().filter(|end| end.refused).count();
        (uncovered, astray, refused, way.ms)
    }

    /// Whether it spoils nothing that stopping would leave right, whatever the station did.
    fn is_no_worse(&self, stopped: &Try, way: &Try) -> bool {
        stopped.ends.iter().zip(&way.ends).all(|(stopped, end)| {
            let uncovered = self.uncovered(&stopped.state);
            self.uncovered(&end.state).iter().all(|lifeline| uncovered.contains(lifeline))
                && self.astray(&end.state).is_subset(&self.astray(&stopped.state))
        })
    }

    /// What a way leaves behind, as far as it matters, and in which call.
    fn left(&self, way: &Try, at: usize, slots: &BTreeSet<SlotId>) -> (usize, Vec<End>) {
        let matters = |end: &End| End { state: slots.iter().map(|slot| end.state[*slot]).collect(), ..*end };
        let call = self.calls.of[way.keyed.last().copied().unwrap_or(at)];
        (call, way.ends.iter().map(matters).collect())
    }

    /// What lifelines are made of, what steps need and key as it is held, and what opens calls.
    fn slots_that_matter(&self) -> BTreeSet<SlotId> {
        let mut slots: BTreeSet<SlotId> = self.calls.open.iter().copied().collect();
        slots.extend(self.problem.lifelines.iter().flat_map(|lifeline| &lifeline.slots));
        for step in self.steps {
            let command = &self.problem.commands[step.command];
            slots.extend(command.needs.iter().map(|need| need.slot));
            slots.extend(command.reads.iter().map(|read| read.slot));
            let chosen = command.fields.iter().zip(&step.choices);
            let held = chosen.filter(|(field, choice)| field.choices.get(**choice).is_some_and(|c| c.only_if_held));
            slots.extend(held.map(|(field, _)| field.slot));
        }
        slots
    }
}
