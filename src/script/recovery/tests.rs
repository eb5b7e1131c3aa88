//! What is advised where a step fails, held against the plain interpreter of `tests/reference` on random problems: each
//! step of each script fails, obeyed or not, and the advice is followed.

use super::*;
use crate::script::problem::Need;
use crate::script::search::tests::reference::keybooks::ordinary;
use crate::script::search::tests::reference::{Dice, Held, MIXES, dark, kept, obey, tiny};
use crate::script::search::{Answer, Budget, find};

/// A script with its calls, and what the station holds before each step and after the last.
struct Scene {
    problem: Problem,
    steps: Vec<Step>,
    states: Vec<Held>,
    calls: Cut,
    recoveries: Vec<Recovery>,
}

/// What a station answers.
#[derive(Debug, PartialEq)]
enum Answered {
    Accepted(Held),
    Refused,
    /// It hangs on what nobody knows.
    NobodyKnows,
}

impl Scene {
    fn of(problem: Problem, dice: &mut Dice) -> Option<Scene> {
        let Answer::Best(best) = find(&problem, &Budget::default()).ok()? else { return None };
        let mut states: Vec<Held> = vec![problem.slots.iter().map(|slot| slot.start).collect()];
        for step in &best.steps {
            let last = states.last().expect("a state");
            states.push(obey(&problem, last, step.command, &step.choices).expect("a script that lands").1);
        }
        let calls = cuts(&problem, best.steps.len(), dice);
        let recoveries = recoveries(&problem, &best.steps, &states, &calls);
        Some(Scene { problem, steps: best.steps, states, calls, recoveries })
    }

    /// The keys of a step of the script, keyed into a station that holds something else than the script relies on.
    fn keyed(&self, held: &Held, at: usize) -> Answered {
        let step = &self.steps[at];
        let command = &self.problem.commands[step.command];
        let broken = |need: &Need| held[need.slot].is_some_and(|value| !need.values.contains(value));
        if command.needs.iter().any(broken) {
            return Answered::Refused;
        }
        let asked = command.needs.iter().map(|need| need.slot).chain(command.reads.iter().map(|read| read.slot));
        let mut chosen = command.fields.iter().zip(&step.choices);
        let free = chosen.all(|(field, choice)| {
            let choice = field.choices[*choice];
            !choice.only_if_held || held[field.slot] == Some(choice.value)
        });
        if !free || asked.into_iter().any(|slot| held[slot].is_none()) {
            return Answered::NobodyKnows;
        }
        // What is read is keyed as the script has it.
        let as_keyed = command.reads.iter().all(|read| held[read.slot] == self.states[at][read.slot]);
        match obey(&self.problem, held, step.command, &step.choices).filter(|_| as_keyed) {
            Some((_, after)) => Answered::Accepted(after),
            None => Answered::Refused,
        }
    }

    /// Keys some later steps until one is refused; what is held then, and whether all were accepted.
    fn followed(&self, at: usize, held: &Held, later: &[usize]) -> Option<(Held, bool)> {
        let mut held = held.clone();
        let mut from = self.calls.of[at];
        for step in later {
            let call = self.calls.of[*step];
            let first = self.calls.of.iter().position(|of| *of == call)?;
            if call != from && self.calls.open.iter().any(|slot| held[*slot] != self.states[first][*slot]) {
                return None;
            }
            from = call;
            match self.keyed(&held, *step) {
                Answered::Accepted(after) => held = after,
                Answered::Refused => return Some((held, false)),
                Answered::NobodyKnows => return None,
            }
        }
        Some((held, true))
    }

    /// Whether all lifelines are covered after some later steps, whether or not the failed one was obeyed.
    fn restores(&self, at: usize, later: &[usize]) -> bool {
        let fine = |held: &Held| {
            self.followed(at, held, later).is_some_and(|(held, all)| all && dark(&self.problem, &held).is_empty())
        };
        fine(&self.states[at]) && fine(&self.states[at + 1])
    }
}

/// One call or several, and now and then a slot whose value opens them.
fn cuts(problem: &Problem, steps: usize, dice: &mut Dice) -> Cut {
    let (several, mut call) = (dice.percent(40), 0);
    let mut of = Vec::new();
    for at in 0..steps {
        call += usize::from(at > 0 && several && dice.percent(40));
        of.push(call);
    }
    let ends = (0..steps).map(|at| of.get(at + 1) != Some(&of[at]) && dice.percent(20)).collect();
    let open = if dice.percent(30) { vec![dice.below(problem.slots.len() as u64) as usize] } else { Vec::new() };
    Cut { of, ends, open }
}

fn scenes() -> impl Iterator<Item = Scene> {
    let small = (0..250).flat_map(|seed| (0..MIXES).map(move |mix| tiny(seed, mix)));
    let problems = small.chain((0..400).map(kept)).chain((0..40).map(ordinary));
    let mut dice = Dice(5);
    problems.filter_map(move |problem| Scene::of(problem, &mut dice))
}

#[test]
fn a_step_is_keyed_again_exactly_where_that_is_accepted_and_changes_nothing() {
    let mut counts = [0, 0];
    for scene in scenes() {
        for (at, recovery) in scene.recoveries.iter().enumerate() {
            let after = &scene.states[at + 1];
            let harmless = !scene.calls.ends[at] && scene.keyed(after, at) == Answered::Accepted(after.clone());
            assert_eq!(recovery.again, harmless, "step {at}: {:?}\n{:?}", scene.problem, scene.steps);
            counts[usize::from(harmless)] += 1;
        }
    }
    assert!(counts.iter().all(|count| *count > 100), "{counts:?}");
}

#[test]
fn what_is_promised_where_a_step_fails_holds_and_what_could_be_promised_is() {
    let (mut promised, mut tried, mut stopped) = (0, 0, 0);
    for scene in scenes() {
        for (at, recovery) in scene.recoveries.iter().enumerate() {
            let in_the_dark = [at, at + 1].iter().any(|at| !dark(&scene.problem, &scene.states[*at]).is_empty());
            assert_eq!(recovery.fallback.is_some(), in_the_dark);
            let Some(fallback) = &recovery.fallback else { continue };
            let later: Vec<usize> = fallback.steps.iter().map(|number| *number as usize - 1).collect();
            assert!(later.is_sorted() && later.iter().all(|later| *later > at), "{later:?} after {at}");
            assert_eq!(
                fallback.restores,
                scene.restores(at, &later),
                "step {at}: {:?}\n{:?}",
                scene.problem,
                scene.steps
            );
            match (fallback.restores, later.is_empty()) {
                (true, _) => promised += 1,
                (false, true) => stopped += 1,
                (false, false) => tried += 1,
            }
            // Of few later steps every choice is looked at.
            let rest: Vec<usize> = (at + 1..scene.steps.len()).collect();
            if !fallback.restores && rest.len() <= 7 {
                for chosen in 0..1u32 << rest.len() {
                    let some: Vec<usize> =
                        rest.iter().enumerate().filter(|(bit, _)| chosen >> bit & 1 == 1).map(|(_, at)| *at).collect();
                    assert!(!scene.restores(at, &some), "step {at}, {some:?}: {:?}\n{:?}", scene.problem, scene.steps);
                }
            }
        }
    }
    assert!([promised, tried, stopped].iter().all(|count| *count > 100), "{promised} {tried} {stopped}");
}

#[test]
fn what_is_advised_where_a_step_fails_spoils_nothing() {
    for scene in scenes() {
        for (at, recovery) in scene.recoveries.iter().enumerate() {
            let Some(fallback) = &recovery.fallback else { continue };
            let later: Vec<usize> = fallback.steps.iter().map(|number| *number as usize - 1).collect();
            let mut gained = later.is_empty();
            for held in &scene.states[at..=at + 1] {
                let (after, _) = scene.followed(at, held, &later).expect("answers that can be told");
                let astray = |held: &Held| {
                    let slots = scene.problem.lifelines.iter().flat_map(|lifeline| lifeline.slots.clone());
                    let slot = |slot: &usize| &scene.problem.slots[*slot];
                    slots
                        .filter(|id| held[*id] != slot(id).start && held[*id] != Some(slot(id).goal))
                        .collect::<BTreeSet<_>>()
                };
                let (before, then) = (dark(&scene.problem, held), dark(&scene.problem, &after));
                assert!(then.iter().all(|lifeline| before.contains(lifeline)));
                assert!(astray(&after).is_subset(&astray(held)));
                gained |= then.len() < before.len() || astray(&after).len() < astray(held).len();
            }
            assert!(gained, "keyed for nothing after step {at}: {:?}\n{:?}", scene.problem, scene.steps);
        }
    }
}
