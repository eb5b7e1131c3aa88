//! Some script, where the budget ran out before the search had any, or where a part is too large for it: from state to
//! state by what looks nearest to the end. It never says that no script exists, and nothing of what it finds is the best.

use super::budget::{Budget, Purse};
use super::effects::{Context, Values};
use super::packed::{Packed, pack};
use crate::script::problem::{CommandId, Problem, SlotId, State, Step};
use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashSet};

/// Most states whose distance is worked out.
const MOST_STATES: usize = 20_000;
/// So many needs, reads and effects looked at for it take as long as a state of the best-first search. As much work is done as the whole
/// budget is worth, and some even where that is next to nothing.
const WORK_OF_A_STATE: u64 = 10_000;
const LEAST_STATES: u64 = 2_000;
/// Laying out how far each value of a slot is takes as long as so many of them.
const FAR_TABLE: usize = 16;
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

/// A script from a state, and its cost.
pub(super) fn some_script(
    context: &Context,
    from: &State,
    budget: &Budget,
    purse: &mut Purse,
) -> Option<(Vec<Step>, Packed)> {
    let mut greedy = Greedy::new(context);
    greedy.most = budget.expansions.max(LEAST_STATES).saturating_mul(WORK_OF_A_STATE);
    let found = greedy.search(context.problem, from);
    purse.paid += greedy.work / WORK_OF_A_STATE;
    found
}

struct Greedy<'a> {
    context: &'a Context<'a>,
    /// For each command the values that it may leave in each slot it writes, whatever is held.
    leaves: Vec<Vec<(SlotId, Values)>>,
    /// For each slot the values that some command asks for where it does not take the goal.
    asked: Vec<Values>,
    /// Needs, reads and effects of all commands, and how many were looked at, or what takes as long.
    size: u64,
    work: u64,
    /// Most of them that are looked at.
    most: u64,
}

impl<'a> Greedy<'a> {
    fn new(context: &'a Context<'a>) -> Self {
        let problem = context.problem;
        let mut asked: Vec<Values> = vec![0; problem.slots.len()];
        let mut size = problem.slots.len() as u64;
        for (command, writes) in problem.commands.iter().zip(&context.writes) {
            size += (command.needs.len() + command.reads.len() + writes.len()) as u64;
            let needs = command.needs.iter().filter(|need| !need.values.contains(problem.slots[need.slot].goal));
            needs.for_each(|need| asked[need.slot] |= Values::from(need.values.bits()));
            for field in command.fields.iter().filter(|field| field.choices.iter().all(|choice| choice.only_if_held)) {
                field.choices.iter().for_each(|choice| asked[field.slot] |= 1 << choice.value);
            }
        }
        let leaves = (0..problem.commands.len()).map(|id| leaves(context, id)).collect();
        Self { context, leaves, asked, size, work: 0, most: 0 }
    }

    fn search(&mut self, problem: &Problem, from: &State) -> Option<(Vec<Step>, Packed)> {
        let mut nodes: Vec<Node> = Vec::new();
        let mut seen = HashSet::from([from.clone()]);
        // Nearest first, then the oldest.
        let mut open = BinaryHeap::from([(Reverse(self.distance(from)), Reverse(0), 0, None::<Step>)]);
        while let Some((Reverse(nearness), _, parent, step)) = open.pop() {
            let (mut state, mut cost) =
                nodes.get(parent).map_or((from.clone(), 0), |node| (node.state.clone(), node.cost));
            if let Some(step) = &step {
                cost += pack(problem.key(&mut state, step).ok()?);
            }
            nodes.push(Node { state: state.clone(), cost, parent, step: step.clone() });
            let id = nodes.len() - 1;
            if nearness == 0 {
                return Some((steps(&nodes, id), cost));
            }
            for next in self.ways(&state) {
                let mut after = state.clone();
                self.work += problem.slots.len() as u64;
                if problem.key(&mut after, &next).is_err() || seen.contains(&after) {
                    continue;
                }
                if seen.len() == MOST_STATES || self.work > self.most {
                    return None;
                }
                let left = self.distance(&after);
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
    fn ways(&self, state: &State) -> Vec<Step> {
        let problem = self.context.problem;
        let mut steps = Vec::new();
        for command in (0..problem.commands.len()).filter(|command| problem.accepts(state, *command)) {
            let choices = (0..problem.commands[command].fields.len()).map(|place| self.choices(state, command, place));
            let choices: Vec<Vec<usize>> = choices.collect();
            if choices.iter().all(|choices| !choices.is_empty()) {
                steps.extend(keyings(&choices).into_iter().map(|choices| Step { command, choices }));
            }
        }
        let astray = |step: &Step| {
            let mut keyed = problem.commands[step.command].fields.iter().zip(&step.choices);
            keyed.any(|(field, choice)| field.choices[*choice].value != problem.slots[field.slot].goal)
        };
        steps.sort_by_key(astray);
        steps
    }

    /// What is worth keying in a field: the goal and, beside it, what some command asks for; all that is allowed where the
    /// goal is not.
    fn choices(&self, state: &State, command: CommandId, place: usize) -> Vec<usize> {
        let field = &self.context.problem.commands[command].fields[place];
        let goal = self.context.problem.slots[field.slot].goal;
        let open = |choice: &&usize| {
            let choice = &field.choices[**choice];
            !choice.only_if_held || state[field.slot] == Some(choice.value)
        };
        let all: Vec<usize> = (0..field.choices.len()).collect();
        let (mut first, mut others): (Vec<usize>, Vec<usize>) =
            all.iter().filter(open).partition(|choice| field.choices[**choice].value == goal);
        first.sort_by_key(|choice| field.choices[*choice].presses);
        if !first.is_empty() {
            first.truncate(1);
            others.retain(|choice| self.asked[field.slot] >> field.choices[*choice].value & 1 == 1);
        }
        first.append(&mut others);
        first
    }

    /// About how many commands are still to come, if nothing spoiled anything: 0 only at the end.
    fn distance(&mut self, state: &State) -> u32 {
        let problem = self.context.problem;
        let index = |value: Option<u8>| value.map_or(64, usize::from);
        self.work += (FAR_TABLE * problem.slots.len()) as u64;
        let mut far = vec![[FAR; 65]; problem.slots.len()];
        state.iter().zip(&mut far).for_each(|(value, far)| far[index(*value)] = 0);
        loop {
            let mut changed = false;
            self.work += self.size;
            for (id, command) in problem.commands.iter().enumerate() {
                let needs =
                    command.needs.iter().map(|need| need.values.iter().map(|value| far[need.slot][index(Some(value))]));
                let needs = needs.map(|values| values.min().unwrap_or(FAR));
                let reads = command.reads.iter().map(|read| far[read.slot][..64].iter().min().copied().unwrap_or(FAR));
                let sum = needs.chain(reads).fold(1, |sum: u32, far| sum.saturating_add(far).min(FAR));
                if sum == FAR {
                    continue;
                }
                for (slot, may) in &self.leaves[id] {
                    let mut may = *may;
                    while may != 0 {
                        let own = &mut far[*slot][may.trailing_zeros() as usize];
                        may &= may - 1;
                        if sum < *own {
                            (*own, changed) = (sum, true);
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
}

/// What a command may leave in each slot, whatever is held.
fn leaves(context: &Context, id: CommandId) -> Vec<(SlotId, Values)> {
    let mut leaves: Vec<(SlotId, Values)> = context.writes[id].iter().map(|write| (write.slot, write.may)).collect();
    let fields = context.problem.commands[id].fields.iter();
    let free: std::collections::BTreeMap<SlotId, Values> = fields
        .map(|field| {
            let free = field.choices.iter().filter(|choice| !choice.only_if_held);
            (field.slot, free.fold(0, |set: Values, choice| set | 1 << choice.value))
        })
        .collect();
    leaves.iter_mut().for_each(|(slot, may)| *may = free.get(slot).copied().unwrap_or(*may));
    leaves
}

/// The first few ways to key the fields: each with the first of its choices, then all but one of them, and so on.
fn keyings(choices: &[Vec<usize>]) -> Vec<Vec<usize>> {
    let mut ways = Vec::new();
    let mut picks: Vec<usize> = choices.iter().map(|choices| choices[0]).collect();
    let several: Vec<usize> = (0..choices.len()).filter(|place| choices[*place].len() > 1).collect();
    for others in 0..=several.len() {
        key_others(choices, &several, others, &mut picks, &mut ways);
        if ways.len() == MOST_WAYS {
            break;
        }
    }
    ways
}

/// The ways in which so many of the fields `several` have another choice than the first.
fn key_others(
    choices: &[Vec<usize>],
    several: &[usize],
    others: usize,
    picks: &mut Vec<usize>,
    ways: &mut Vec<Vec<usize>>,
) {
    if others == 0 {
        ways.push(picks.clone());
        return;
    }
    for (nth, place) in several.iter().enumerate().take(several.len() + 1 - others) {
        for pick in &choices[*place][1..] {
            picks[*place] = *pick;
            key_others(choices, &several[nth + 1..], others - 1, picks, ways);
            picks[*place] = choices[*place][0];
            if ways.len() == MOST_WAYS {
                return;
            }
        }
    }
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
