//! The rationale of a script: why each step is in it, and why at its place.
//!
//! What a step does is read off the states before and after it. Why it stands where it stands is found by moving
//! it: past which neighbour it would be refused, spoil what is wanted, or leave a lifeline uncovered longer. It decides
//! nothing; the search has decided.

use crate::finding::{listed, the};
use crate::keybook::Keybook;
use crate::setting::Name;

use super::problem::{Problem, ReplayError, SlotId, State, Step, step_number};

/// Why a step is in the script, and why at its place.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Rationale {
    /// What the script needs it for.
    pub does: Vec<Does>,
    /// The nearest earlier step that it may not come before.
    pub after: Option<Place>,
    /// The nearest later step that it may not come after.
    pub before: Option<Place>,
}

/// One thing that a step does; steps are counted from 1.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Does {
    /// Brings a setting for good to what is wanted, or, unmanaged, to what it was.
    Changes {
        /// Its name in the keybook.
        setting: Name,
    },
    /// Brings back a setting that was right until an earlier step changed it.
    Restores {
        /// Its name in the keybook.
        setting: Name,
        /// The step that changed it.
        changed_by: u32,
    },
    /// Sets a setting as a later step needs it, or so that it can key what is held.
    Allows {
        /// Its name in the keybook.
        setting: Name,
        /// The step that needs it so.
        step: u32,
    },
    /// With it the button calls for help as it did, or as it will.
    Covers {
        /// Its name in the keybook.
        lifeline: Name,
    },
    /// Changes a setting that was right; a later step brings it back.
    Disturbs {
        /// Its name in the keybook.
        setting: Name,
        /// The step that brings it back.
        restored_by: u32,
    },
}

/// A neighbour that a step may not pass, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Place {
    /// The neighbour's number, from 1.
    pub step: u32,
    /// What would go wrong.
    pub because: Because,
}

/// What would go wrong if two steps changed places.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Because {
    /// The station would refuse this step.
    Refused {
        /// The step that would be refused.
        step: u32,
    },
    /// The setting would not end as wanted.
    Lost {
        /// Its name in the keybook.
        setting: Name,
    },
    /// These buttons would call nobody for longer.
    Uncovers {
        /// Their names in the keybook.
        lifelines: Vec<Name>,
    },
    /// It would take longer to key.
    Longer,
}

/// What the places of a problem are called.
pub(super) struct Names {
    pub(super) settings: Vec<Name>,
    pub(super) lifelines: Vec<Name>,
}

/// One a step. `steps` must land.
pub(super) fn rationales(problem: &Problem, steps: &[Step], names: &Names) -> Vec<Rationale> {
    let Ok(trace) = Trace::of(problem, steps) else { return vec![Rationale::default(); steps.len()] };
    let teller = Teller { problem, steps, names, trace };
    let at = 0..steps.len();
    at.map(|at| Rationale { does: teller.does(at), after: teller.after(at), before: teller.before(at) }).collect()
}

/// A script keyed in the problem.
struct Trace {
    /// Before each step, and after the last.
    states: Vec<State>,
    /// How long each lifeline is uncovered, milliseconds.
    uncovered_ms: Vec<u64>,
    time_ms: u64,
}

impl Trace {
    fn of(problem: &Problem, steps: &[Step]) -> Result<Trace, ReplayError> {
        let mut state = problem.start();
        let mut trace =
            Trace { states: vec![state.clone()], uncovered_ms: vec![0; problem.lifelines.len()], time_ms: 0 };
        for (at, step) in steps.iter().enumerate() {
            let uncovered = problem.uncovered(&state);
            let cost = problem.key(&mut state, step).map_err(|refusal| ReplayError::Step(at, refusal))?;
            uncovered.into_iter().for_each(|lifeline| trace.uncovered_ms[lifeline] += cost.time_ms);
            trace.time_ms += cost.time_ms;
            trace.states.push(state.clone());
        }
        match (0..state.len()).find(|slot| state[*slot] != Some(problem.slots[*slot].goal)) {
            Some(slot) => Err(ReplayError::Missed(slot)),
            None => Ok(trace),
        }
    }
}

struct Teller<'a> {
    problem: &'a Problem,
    steps: &'a [Step],
    names: &'a Names,
    trace: Trace,
}

impl Teller<'_> {
    fn is_right(&self, at: usize, slot: SlotId) -> bool {
        self.trace.states[at][slot] == Some(self.problem.slots[slot].goal)
    }

    fn does(&self, at: usize) -> Vec<Does> {
        let mut does: Vec<Does> = (0..self.problem.slots.len()).filter_map(|slot| self.does_to(at, slot)).collect();
        let settles = |lifeline: &Name| {
            let lifeline = self.names.lifelines.iter().position(|name| name == lifeline)?;
            let slots = self.problem.lifelines[lifeline].slots.iter().map(|slot| &self.names.settings[*slot]);
            let ours = does.iter().any(|does| match does {
                Does::Changes { setting } | Does::Restores { setting, .. } => slots.clone().any(|name| name == setting),
                Does::Allows { .. } | Does::Covers { .. } | Does::Disturbs { .. } => false,
            });
            Some(ours)
        };
        let now_covered = self.covers(at).into_iter().filter(|lifeline| settles(lifeline) != Some(true));
        let covers: Vec<Does> = now_covered.map(|lifeline| Does::Covers { lifeline }).collect();
        does.extend(covers);
        does.sort();
        does
    }

    /// The lifelines that are covered after a step and were not before it.
    fn covers(&self, at: usize) -> Vec<Name> {
        let (before, after) = (&self.trace.states[at], &self.trace.states[at + 1]);
        let lifelines = self.problem.lifelines.iter().zip(&self.names.lifelines);
        let covered = lifelines
            .filter(|(lifeline, _)| !self.problem.covers(lifeline, before) && self.problem.covers(lifeline, after));
        covered.map(|(_, name)| name.clone()).collect()
    }

    fn does_to(&self, at: usize, slot: SlotId) -> Option<Does> {
        let states = &self.trace.states;
        if states[at][slot] == states[at + 1][slot] {
            return None;
        }
        let setting = self.names.settings[slot].clone();
        let last = self.steps.len();
        if (at + 1..=last).all(|later| self.is_right(later, slot)) {
            let spoiler = (0..at).rev().find(|earlier| self.is_right(*earlier, slot));
            return Some(match spoiler {
                Some(by) => Does::Restores { setting, changed_by: step_number(by) },
                None => Does::Changes { setting },
            });
        }
        let changes_again = |later: &usize| states[*later][slot] != states[*later + 1][slot];
        let until = (at + 1..last).find(changes_again).unwrap_or(last);
        if let Some(step) = (at + 1..last.min(until + 1)).find(|later| self.rests_on(*later, slot)) {
            return Some(Does::Allows { setting, step: step_number(step) });
        }
        let restored = (at + 1..last).find(|later| self.is_right(*later + 1, slot));
        let restored_by = restored.filter(|_| self.is_right(at, slot))?;
        Some(Does::Disturbs { setting, restored_by: step_number(restored_by) })
    }

    /// Whether a step needs or keys what a slot holds before it.
    fn rests_on(&self, at: usize, slot: SlotId) -> bool {
        let step = &self.steps[at];
        let command = &self.problem.commands[step.command];
        let held = command.fields.iter().zip(&step.choices).any(|(field, choice)| {
            field.slot == slot && field.choices.get(*choice).is_some_and(|choice| choice.only_if_held)
        });
        held || command.needs.iter().any(|need| need.slot == slot) || command.reads.iter().any(|read| read.slot == slot)
    }

    fn after(&self, at: usize) -> Option<Place> {
        (0..at).rev().find_map(|to| Some(Place { step: step_number(to), because: self.moved(at, to)? }))
    }

    fn before(&self, at: usize) -> Option<Place> {
        (at + 1..self.steps.len()).find_map(|to| Some(Place { step: step_number(to), because: self.moved(at, to)? }))
    }

    /// What goes wrong when a step is moved to another's place; `None` where nothing does.
    fn moved(&self, from: usize, to: usize) -> Option<Because> {
        let mut order: Vec<usize> = (0..self.steps.len()).collect();
        let moved = order.remove(from);
        order.insert(to, moved);
        let steps: Vec<Step> = order.iter().map(|at| self.steps[*at].clone()).collect();
        match Trace::of(self.problem, &steps) {
            Err(ReplayError::Step(at, _)) => Some(Because::Refused { step: step_number(order[at]) }),
            Err(ReplayError::Missed(slot)) => Some(Because::Lost { setting: self.names.settings[slot].clone() }),
            Ok(other) => self.worse(&other),
        }
    }

    fn worse(&self, other: &Trace) -> Option<Because> {
        let total = |trace: &Trace| trace.uncovered_ms.iter().sum::<u64>();
        if total(other) > total(&self.trace) {
            let longer = |at: &usize| other.uncovered_ms[*at] > self.trace.uncovered_ms[*at];
            let lifelines = (0..other.uncovered_ms.len()).filter(longer).map(|at| self.names.lifelines[at].clone());
            return Some(Because::Uncovers { lifelines: lifelines.collect() });
        }
        (total(other) == total(&self.trace) && other.time_ms > self.trace.time_ms).then_some(Because::Longer)
    }
}

impl Rationale {
    /// The whole rationale, a sentence each.
    pub fn sentences(&self, of: u32, keybook: &Keybook) -> Vec<String> {
        let places = [("before", &self.after), ("after", &self.before)];
        let titled = titles(keybook);
        let places = places.into_iter().filter_map(|(never, place)| Some(place.as_ref()?.sentence(of, never, &titled)));
        let changes: Vec<String> = self.does.iter().filter_map(Does::changes).map(&titled).collect();
        let changes = match &changes[..] {
            [] => None,
            [one] => Some(format!("It brings {one} to what it should be.")),
            several => Some(format!("It brings {} to what they should be.", listed(several, "and"))),
        };
        let does = self.does.iter().filter_map(|does| does.sentence(&titled));
        changes.into_iter().chain(does).chain(places).collect()
    }

    /// What someone who keys it wants to know: all but what every step does, and nothing told twice. Settings are called as
    /// people call them.
    pub fn remarks(&self, of: u32, keybook: &Keybook) -> Vec<String> {
        let titled = titles(keybook);
        // Of two steps that may not change places, the later one says so.
        let after = self.after.iter().map(|place| place.sentence(of, "before", &titled));
        self.does.iter().filter_map(|does| does.sentence(&titled)).chain(after).collect()
    }
}

/// What people call a setting, with its article.
fn titles(keybook: &Keybook) -> impl Fn(&Name) -> String {
    |name| the(&keybook.id(name).map_or_else(|| name.to_string(), |id| keybook.setting(id).title()))
}

impl Does {
    fn changes(&self) -> Option<&Name> {
        match self {
            Does::Changes { setting } => Some(setting),
            Does::Restores { .. } | Does::Allows { .. } | Does::Covers { .. } | Does::Disturbs { .. } => None,
        }
    }

    /// All but a change that is wanted, which goes without saying.
    fn sentence(&self, called: &dyn Fn(&Name) -> String) -> Option<String> {
        Some(match self {
            Does::Changes { .. } => return None,
            Does::Restores { setting, changed_by } => {
                format!("It brings back {}, which step {changed_by} changes.", called(setting))
            }
            Does::Allows { setting, step } => format!("It sets {} so that step {step} can be keyed.", called(setting)),
            Does::Covers { lifeline } => format!("With it {lifeline} calls for help again."),
            Does::Disturbs { setting, restored_by } => {
                format!("It also changes {}; step {restored_by} brings it back.", called(setting))
            }
        })
    }
}

impl Place {
    fn sentence(&self, of: u32, never: &str, called: &dyn Fn(&Name) -> String) -> String {
        let wrong = match &self.because {
            Because::Refused { step } if *step == of => "it would be refused".to_owned(),
            Because::Refused { step } => format!("step {step} would be refused"),
            Because::Lost { setting } => format!("{} would end wrong", called(setting)),
            Because::Uncovers { lifelines } => {
                format!("{} would call nobody for longer", lifelines.join(" and "))
            }
            Because::Longer => "keying would take longer".to_owned(),
        };
        format!("Not {never} step {}, or {wrong}.", self.step)
    }
}
