//! Writes a problem as PDDL with action costs, for a published optimal planner. It uses the data types of
//! `script::problem` and none of its functions, so that a mistake in these is not repeated here.
//!
//! Every command becomes one action for each combination of choices, of values that it reads, and, where there are
//! lifelines, of those taken to be covered: a copy that takes a lifeline to be covered demands that it is; the copy that
//! does not demands nothing and costs more, so that an optimal plan uses it only where it must.

use crate::script::problem::{Command, Problem};
use std::fmt::Write;

/// What one number of a planner stands for.
#[derive(Clone, Copy)]
pub struct Scale {
    /// Factors of exposure, time, presses and commands.
    pub factors: [u64; 4],
}

/// One way to key a command.
#[derive(Clone)]
struct Way {
    presses: u64,
    /// Facts that must hold: (slot, value), or one of several.
    demands: Vec<(usize, u8)>,
    keyed: Vec<(usize, u8)>,
}

fn fact(slot: usize, value: Option<u8>) -> String {
    value.map_or(format!("(s{slot}-unknown)"), |value| format!("(s{slot}-v{value})"))
}

fn ways(problem: &Problem, command: &Command) -> Vec<Way> {
    let mut ways = vec![Way { presses: u64::from(command.base_presses), demands: Vec::new(), keyed: Vec::new() }];
    for read in &command.reads {
        ways = each(&ways, 0..problem.slots[read.slot].values, |way, value| {
            way.demands.push((read.slot, value));
            way.presses += u64::from(read.presses[usize::from(value)]);
        });
    }
    for need in &command.needs {
        ways = each(&ways, need.values.iter().collect::<Vec<u8>>().into_iter(), |way, value| {
            way.demands.push((need.slot, value))
        });
    }
    for field in &command.fields {
        ways = each(&ways, field.choices.iter(), |way, choice| {
            if choice.only_if_held {
                way.demands.push((field.slot, choice.value));
            }
            way.presses += u64::from(choice.presses);
            way.keyed.push((field.slot, choice.value));
        });
    }
    let contradicts =
        |way: &Way| way.demands.iter().any(|one| way.demands.iter().any(|other| one.0 == other.0 && one.1 != other.1));
    ways.retain(|way| !contradicts(way));
    ways
}

fn each<T>(ways: &[Way], options: impl Iterator<Item = T> + Clone, change: impl Fn(&mut Way, T)) -> Vec<Way> {
    let longer = |way: &Way| {
        let mut all = Vec::new();
        for option in options.clone() {
            let mut way = way.clone();
            change(&mut way, option);
            all.push(way);
        }
        all
    };
    ways.iter().flat_map(longer).collect()
}

/// For each lifeline: not taken to be covered, or covered as it was, or as it will be (the facts demanded).
fn covers(problem: &Problem) -> Vec<(u64, Vec<(usize, u8)>)> {
    let mut covers = vec![(0, Vec::new())];
    for lifeline in &problem.lifelines {
        let goal: Vec<(usize, u8)> = lifeline.slots.iter().map(|slot| (*slot, problem.slots[*slot].goal)).collect();
        let start: Option<Vec<(usize, u8)>> =
            lifeline.slots.iter().map(|slot| Some((*slot, problem.slots[*slot].start?))).collect();
        let mut next = Vec::new();
        for (dark, facts) in covers {
            next.push((dark + 1, facts.clone()));
            next.push((dark, [facts.clone(), goal.clone()].concat()));
            if let Some(start) = start.as_ref().filter(|_| lifeline.start_counts) {
                next.push((dark, [facts.clone(), start.clone()].concat()));
            }
        }
        covers = next;
    }
    covers
}

/// The net effects of a command keyed this way, in the order of the contract: clears, `also`, fields.
fn effects(problem: &Problem, command: &Command, way: &Way) -> Vec<(usize, Option<u8>)> {
    let mut held: Vec<Option<Option<u8>>> = vec![None; problem.slots.len()];
    command.clears.iter().for_each(|slot| held[*slot] = Some(problem.slots[*slot].factory));
    command.also.iter().for_each(|also| held[also.slot] = Some(also.value));
    way.keyed.iter().for_each(|(slot, value)| held[*slot] = Some(Some(*value)));
    held.into_iter().enumerate().filter_map(|(slot, value)| Some((slot, value?))).collect()
}

/// How many actions the problem becomes.
pub fn actions(problem: &Problem) -> usize {
    problem.commands.iter().map(|command| ways(problem, command).len()).sum::<usize>() * covers(problem).len()
}

/// Domain and problem text.
pub fn write(problem: &Problem, scale: Scale) -> (String, String) {
    let mut domain = String::from("(define (domain station)\n(:requirements :strips :action-costs)\n(:predicates");
    for (slot, record) in problem.slots.iter().enumerate() {
        for value in (0..record.values).map(Some).chain([None]) {
            let _ = write!(domain, " {}", fact(slot, value));
        }
    }
    domain.push_str(")\n(:functions (total-cost) - number)\n");
    let mut serial = 0;
    for (id, command) in problem.commands.iter().enumerate() {
        for way in ways(problem, command) {
            for (dark, facts) in covers(problem) {
                let demands: Vec<String> =
                    way.demands.iter().chain(&facts).map(|(slot, value)| fact(*slot, Some(*value))).collect();
                let mut changes = String::new();
                for (slot, value) in effects(problem, command, &way) {
                    let others =
                        (0..problem.slots[slot].values).map(Some).chain([None]).filter(|other| *other != value);
                    others.for_each(|other| {
                        let _ = write!(changes, " (not {})", fact(slot, other));
                    });
                    let _ = write!(changes, " {}", fact(slot, value));
                }
                let time = way.presses * problem.press_ms + problem.answer_ms + command.takes_ms;
                let [exposure, times, presses, commands] = scale.factors;
                let cost = exposure * dark * time + times * time + presses * way.presses + commands;
                let _ = writeln!(
                    domain,
                    "(:action c{id}-{serial} :parameters () :precondition (and {}) :effect (and{changes} (increase (total-cost) {cost})))",
                    demands.join(" ")
                );
                serial += 1;
            }
        }
    }
    domain.push_str(")\n");
    let start: Vec<String> = problem.slots.iter().enumerate().map(|(slot, record)| fact(slot, record.start)).collect();
    let goal: Vec<String> =
        problem.slots.iter().enumerate().map(|(slot, record)| fact(slot, Some(record.goal))).collect();
    let task = format!(
        "(define (problem one)\n(:domain station)\n(:init (= (total-cost) 0) {})\n(:goal (and {}))\n(:metric minimize (total-cost)))\n",
        start.join(" "),
        goal.join(" ")
    );
    (domain, task)
}
