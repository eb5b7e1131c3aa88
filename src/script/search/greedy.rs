//! Some script, where the budget ran out before the search had any, or where a part is too large for it: from state to
//! state by what looks nearest to the end. It never says that no script exists, and nothing of what it finds is the best.

use super::Context;
use super::model::{Packed, pack};
use super::wide::{keyings, least};
use crate::script::problem::{CommandId, Problem, SlotId, State, Step};
use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashSet};

/// Most states whose distance is worked out; takes about a second with a thousand commands.
const MOST_STATES: usize = 20_000;
/// Most ways to key one command that are tried in one state.
const MOST_WAYS: usize = 32;
/// Further away than any state that leads on.
const FAR: u32 = u32::MAX / 4096;

/// A state that was gone on from.
struct Node {
    state: State,
    cost: Packed,
    parent: usize,
    step: Option<Step>,
}

/// A script from a state with the allowed commands, and its cost.
pub(super) fn some_script(context: &Context, from: &State, allowed: &[bool]) -> Option<(Vec<Step>, Packed)> {
    let problem = context.problem;
    let mut nodes: Vec<Node> = Vec::new();
    let mut seen = HashSet::from([from.clone()]);
    // Nearest first, then the oldest.
    let mut open = BinaryHeap::from([(Reverse(distance(context, from, allowed)), Reverse(0), 0, None::<Step>)]);
    while let Some((Reverse(nearness), _, parent, step)) = open.pop() {
        let (mut state, mut cost) = nodes.get(parent).map_or((from.clone(), 0), |node| (node.state.clone(), node.cost));
        if let Some(step) = &step {
            cost += pack(problem.key(&mut state, step).ok()?);
        }
        nodes.push(Node { state: state.clone(), cost, parent, step: step.clone() });
        let id = nodes.len() - 1;
        if nearness == 0 {
            return Some((steps(&nodes, id), cost));
        }
        for next in ways(problem, &state, allowed) {
            let mut after = state.clone();
            if problem.key(&mut after, &next).is_err() || seen.contains(&after) {
                continue;
            }
            if seen.len() == MOST_STATES {
                return None;
            }
            let left = distance(context, &after, allowed);
            seen.insert(after);
            if left < FAR {
                open.push((Reverse(left), Reverse(seen.len()), id, Some(next)));
            }
            if left < nearness {
                // On at once; what else can be keyed here waits.
                open.push((Reverse(nearness), Reverse(seen.len()), parent, step));
                break;
            }
        }
    }
    None
}

/// All that can be keyed in a state, or the first few ways of each command; what brings all it keys to the goal first.
fn ways(problem: &Problem, state: &State, allowed: &[bool]) -> Vec<Step> {
    let plain = vec![false; problem.slots.len()];
    let mut steps = Vec::new();
    for command in (0..problem.commands.len()).filter(|command| allowed[*command]) {
        let mut ways = Vec::new();
        keyings(problem, state, command, &plain, &mut Vec::new(), &mut ways);
        steps.extend(ways.into_iter().take(MOST_WAYS).map(|choices| Step { command, choices }));
    }
    let astray = |step: &Step| {
        let mut keyed = problem.commands[step.command].fields.iter().zip(&step.choices);
        keyed.any(|(field, choice)| field.choices[*choice].value != problem.slots[field.slot].goal)
    };
    steps.sort_by_key(astray);
    steps
}

fn steps(nodes: &[Node], mut id: usize) -> Vec<Step> {
    let mut steps = Vec::new();
    while let Some(step) = &nodes[id].step {
        steps.push(step.clone());
        id = nodes[id].parent;
    }
    steps.reverse();
    steps
}

/// About how many commands are still to come, if nothing spoiled anything: 0 only at the end.
fn distance(context: &Context, state: &State, allowed: &[bool]) -> u32 {
    let problem = context.problem;
    let index = |value: Option<u8>| value.map_or(64, usize::from);
    let mut far = vec![[FAR; 65]; problem.slots.len()];
    state.iter().zip(&mut far).for_each(|(value, far)| far[index(*value)] = 0);
    loop {
        let mut changed = false;
        for (id, command) in problem.commands.iter().enumerate().filter(|(id, _)| allowed[*id]) {
            let needs =
                command.needs.iter().map(|need| need.values.iter().map(|value| far[need.slot][index(Some(value))]));
            let needs = needs.map(|values| values.min().unwrap_or(FAR));
            let reads = command.reads.iter().map(|read| far[read.slot][..64].iter().min().copied().unwrap_or(FAR));
            let sum = needs.chain(reads).fold(1, |sum: u32, far| sum.saturating_add(far).min(FAR));
            if sum == FAR {
                continue;
            }
            for write in &context.writes[id] {
                let free = command.fields.iter().find(|field| field.slot == write.slot).map(|field| {
                    let free = field.choices.iter().filter(|choice| !choice.only_if_held);
                    free.fold(0, |set: u128, choice| set | 1 << choice.value)
                });
                let may = free.unwrap_or(write.may);
                for value in (0..65).filter(|value| may >> value & 1 == 1) {
                    if sum < far[write.slot][value] {
                        (far[write.slot][value], changed) = (sum, true);
                    }
                }
            }
        }
        if !changed {
            let goals = problem.slots.iter().zip(&far).map(|(slot, far)| far[usize::from(slot.goal)]);
            return goals.fold(0, |sum: u32, far| sum.saturating_add(far).min(FAR));
        }
    }
}

/// A bound on the cost of every script from a state: each goal missing takes what its cheapest command has left.
pub(super) fn least_cost(context: &Context, from: &State, allowed: &[bool]) -> Packed {
    let problem = context.problem;
    let mut rest: Vec<Packed> = (0..problem.commands.len()).map(|id| least(problem, id)).collect();
    let missing = |slot: &SlotId| from[*slot] != Some(problem.slots[*slot].goal);
    let mut total = 0;
    for slot in (0..problem.slots.len()).filter(missing) {
        let goal = 1u128 << problem.slots[slot].goal;
        let brings = |id: &CommandId| {
            allowed[*id] && context.writes[*id].iter().any(|write| write.slot == slot && write.may & goal != 0)
        };
        let ids: Vec<CommandId> = (0..rest.len()).filter(brings).collect();
        let share = ids.iter().map(|id| rest[*id]).min().unwrap_or(0);
        total += share;
        ids.iter().for_each(|id| rest[*id] -= share);
    }
    total
}
