//! The best script of one station, exactly: least exposure, then time, then presses, then commands.
//! It never looks at a clock, a file or a keybook, and the same problem always gets the same answer.
//!
//! # Why what it finds is the best
//!
//! A *plan* is a sequence of keyed commands that is accepted throughout and ends with every slot at its goal. All four
//! costs add up over commands, every command costs at least the 1 it counts for, and exposure depends on the state before
//! the command alone; so shortest-path search over states is exact. Each reduction below keeps at least one best plan, or
//! turns a best plan into one of equal cost that it keeps. Each is checked against `tests/reference`, which has none.
//!
//! **§1 Relevance** (`relevance.rs`; again in each state, `forced.rs`). Let *R* be the least set of commands with: all
//! that can leave a slot at its goal, for slots away from it or that some command of *R* may take away; all that can make
//! a need of a command of *R* hold, if it does not hold now or some command of *R* may end it; the same for a value that
//! may be keyed only while held; all writers of a slot read by *R*; and, for a lifeline that is uncovered or that *R*
//! touches, all that can leave one of its slots as it was or as it will be. *Deleting all other commands from a plan leaves
//! a plan.* For the last command before a need (or the end) that wrote its slot is in *R*, or else, by the closure, the
//! slot satisfied the need from the start and nothing in *R* can change that. Coverage: where the plan was covered, the
//! last writers of the lifeline's slots left start or goal values, so they are in *R* (or it never was touched). Hence
//! exposure does not rise either. Values that no usable command can ever leave are left out (`forward`). A command that
//! leaves slots away however it is keyed is usable only if each of them is brought back by another one whose last use
//! comes later; by induction from the last command of a plan, all its commands are in the least such set (`closable`).
//!
//! **§2 Parts.** Commands join the slots they write, need and read; slots that never move join nothing. Parts share no
//! state, so a plan is a shuffle of plans of its parts, and time, presses and commands add up. All lifelines are put into
//! one *watched* part. Deleting the other parts from a plan cannot raise exposure; keying them after the watched part,
//! when every lifeline is at its goal, adds none. So: the best plan of the watched part, then each other part's own.
//!
//! **§3 Values and choices** (`model.rs`). `u` *dominates* `v` (of one slot) if `v` is neither the goal nor the start that
//! a lifeline compares with, `u` satisfies every need that `v` does, is read as cheaply, and wherever `v` may be keyed
//! only because it is held, `u` may be keyed at no more. Then a plan from a state with `v` can be followed from the same
//! state with `u` at no more cost, keying `u` where the plan holds `v`. So a choice is dropped where another that is always
//! allowed costs no more and dominates it. Values that the kept choices, needs, reads and lifelines cannot tell apart are
//! merged into classes: a bisimulation.
//!
//! **§4 Tail** (`tail.rs`). A *leaf* slot is in no lifeline, need or read, may not be held to advantage, and has only the
//! classes "goal" and "not". A command is of the *tail* if it writes leaves only, its needs hold at the goal, its reads are
//! cheapest there, and no leaf that it may spoil can be brought to its goal by a command outside the tail. Moving all tail
//! commands of a plan to its end, in their order, keeps it a plan: the others need no leaf; the tail's needs hold, for all
//! other slots are at their goals; each leaf's last writer stays last, or is a tail command that brings it to the goal.
//! Exposure there is 0. So the core is searched without them, and each state in which all but leaves are at their goals
//! may end by the cheapest tail, found backwards: the state is the set of leaves still wanted, the last command takes away
//! what it writes and may spoil none of it. Where all ways to settle one wanted leaf spoil nothing wanted and key no
//! wanted slot dearer than at its cheapest (unless they alone can settle it), one of them may be taken as the last: its
//! last use can move to the end.
//!
//! **§5 Bounds.** `bound.rs`: a *fact* is "a command brings this slot to one of these classes". From the goals missing, a
//! fact asked for asks for what all its achievers need and is not so now, and for the goals that all of them spoil or
//! that must be left on the way. Each fact asked for is a set of executions of which every plan holds one. Facts take
//! their cost from what earlier facts have left of their achievers' least costs (a cost partition; a command is divided by
//! the class keyed in one mode field, as no one execution keys two), so the sum bounds every plan, and the sum over some
//! of the facts bounds the executions of those. What keying a goal costs beyond the cheapest is charged to that goal
//! alone, once. `exposure.rs`: exposure adds up over lifelines, and of each it is the time of what is keyed while it is
//! uncovered. That holds an execution for each *dark* fact, whose achievers need one of its slots away. Let the uncovered
//! ones that can only be covered by their goals be covered for the first time in the order 1, 2, …: before that, the k-th
//! is uncovered while all that the goals of 1 … k ask for is keyed. So it is exposed for the time of those facts and its
//! dark ones, and the least sum over all orders, found over sets of lifelines, is a bound. Of another uncovered one the
//! quickest way back counts, if that is less; of one as it was, that must change, what must be keyed after the first
//! command that touches it.
//! Exposure and the rest are bounded apart, each over *all* plans, so the pair bounds the lexicographic cost; along an
//! edge both may be carried on less the edge's cost. Bounds need not be consistent: states are reopened.
//!
//! **§6 Exposure alone** (`cone.rs`, `watch.rs`). The projection of the part to some slots makes every plan a plan of no
//! more exposure, so its least exposure is a bound. It is found by a search in which nothing else counts, over the slots of
//! lifelines, all that their commands need, and what can only be settled by commands that touch these. There one state
//! *outdoes* another if it has no more exposure behind it and differs only by slots at their goal, where that is nowhere
//! worse: the goal satisfies each need that the other class does, is read as cheaply, may be keyed as cheaply as the other
//! is held, and no lifeline was covered with the other (`fronts.rs`). Every plan from the outdone state is then one from
//! the other, as long and no dearer, so it is dropped; and a step that costs nothing and leads to a state that outdoes this
//! one is the only one tried. A plan of least exposure and, among these, of least length from the states kept always begins
//! at a state kept, so none is lost by going in a circle. After a search with bound C, a state met at cost g has at least
//! C − g to go, and the states of the plan found have just that. Searches stop where they have told enough: that no plan
//! stays within the exposure at which the state asked about would be looked at next.
//!
//! **§7 Which commands are tried** (`forced.rs`). Let the commands that can bring slot x to its goal all be such that:
//! they are accepted now and read nothing; each slot that they bring to its goal is spoiled by no other relevant command,
//! needed elsewhere or held by no other, and in no lifeline but such as can only be covered by their goals (or there
//! already, for good); a slot that they may key otherwise is written by no other; what they always spoil nobody looks at;
//! and each lifeline uncovered now is so whenever they are accepted, or else x is its own, so that it is uncovered until
//! they are keyed (and they always take as long). A plan uses one of them; keyed with goals, its last use moves to the
//! front and its others go: what is between needs nothing of its slots that the goals do not satisfy, what it spoils is
//! mended by a later command that still comes later, and nothing undoes what it brought about. It costs no more there. So
//! only these are tried. Else, while no lifeline is uncovered: a set of commands will do that holds all that bring some x
//! to its goal; with one accepted now, all that *clash* with it (one writes what the other needs, reads or may hold, or
//! both write a slot and not always its goal); with one not accepted now, all that make one of its missing needs hold; and
//! of which those accepted now write slots of lifelines only as above. The first command of it in a plan is accepted now,
//! for what it misses is made only by others of the set, and clashes with none before it; so it moves to the front, where
//! it exposes nothing, and neither the states nor the coverage of what it passes get worse.
//!
//! **§8 Wide commands** (`wide.rs`) write more than half of all slots and key none, as a factory reset does. A plan uses
//! none, and is found by §1–§7 without them; or it is a first stretch, a last wide command, and a plan without. What it
//! writes is known then, so that few states are left to solve. The stretch is searched over actual values, with §1 asked
//! for every value of the slots kept, and what all wide commands overwrite and nobody looks at forgotten. Its bound is
//! §5's from the state after the wide command; facts on slots kept may come before it, so they ask nothing of slots
//! written. A lifeline uncovered now costs the time to cover it or that of the wide command; one that the wide command
//! spoils, the time to cover it again. §6 then tells the least exposure: after the wide command, or through it, by a slot
//! more, which only the last wide command brings to its goal. Mostly the bound exceeds the best plan without, and that is
//! that.
//!
//! **§9 Many fields** (`keying.rs`). A command that can be keyed in a few ways is looked at in each of them; one with more is
//! keyed field by field, so that a block of twenty numbers is not two to the twentieth states. What is keyed in part is an
//! open state like others: its fields still open may hold anything, so facts and lifelines that hang on them ask for nothing,
//! and the presses of each count as its least. But a goal still open comes about with this command or with a later one, and
//! what its goal takes beyond the least there is part of no other charge of §5, unless the goal is asked for anyway; so the
//! lesser of the two is added. The bound of the state before holds for all that can be keyed in it. Every way of keying the
//! command is reached through its parts, each bounded by no more, so nothing is lost; what a best script cannot begin with is
//! never gone on with. §6 and §8 do without: they tell less where there are many ways.
//!
//! **§10 Ties, budget, memory.** Open states are taken by bound, then nearness, then youth; commands are tried in keybook
//! order; no hash order is ever iterated. Last, neighbours are swapped into keybook order where effect and cost stay the
//! same. The budget counts states looked at, commands keyed in part, sets of a tail, and for every so many successors one
//! more; past it the search hurries, for a share of the budget, to any script (`greedy.rs`, whose work is counted too, where
//! it finds none or where a part is too large) and gives the least bound still open. A tail that was not searched to its end
//! counts as its bound. Kept states are bounded by [`Budget::bytes`].

mod bound;
mod cone;
mod core;
mod exposure;
mod forced;
mod fronts;
mod greedy;
mod keying;
mod model;
mod relevance;
mod script;
mod states;
mod tail;
mod watch;
mod why;
mod wide;

#[cfg(test)]
pub(super) mod tests;

use self::core::{Core, PartAnswer, Purse};
use self::model::{Model, Packed, Source, pack, unpack, unpack_bound};
use self::relevance::{Aim, Question, Relevance, Write, all_writes, parts};
use self::wide::{Stretch, wide_commands};
use crate::script::problem::{Cost, Problem, ProblemError, State, Step};

use std::rc::Rc;

pub use self::why::{Account, Stop};

/// So many parts of a problem take as long to look through, whatever comes of it, as a state of a search.
const PARTS_OF_A_STATE: usize = 64;

/// What a search may spend. It counts states, never time, so that the answer does not depend on the machine.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Budget {
    /// States whose successors are looked at, over all parts, and what takes as long. About as much again is spent where it
    /// runs out, to have some script. Spending all takes 0.1 to 2 seconds on a machine of 2026.
    pub expansions: u64,
    /// Bytes of states kept at one time. With tables that grow by doubling, and as much again while the search hurries
    /// past its budget, the whole stays under four times that: under 130 MB by default.
    pub bytes: usize,
}

impl Default for Budget {
    fn default() -> Self {
        Self { expansions: 12_000, bytes: 32 << 20 }
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
    /// No script exists, proved; each slot that cannot come to its goal whatever becomes of the others, and what stands in
    /// the way. None: each could, but not all of them.
    Unreachable(Vec<Account>),
    /// The budget ran out before any script was found; whether one exists is not known.
    GaveUp {
        /// If there is a script, it costs no less.
        bound: Cost,
    },
}

/// What every stage of a search looks at.
struct Context<'a> {
    problem: &'a Problem,
    writes: Vec<Vec<Write>>,
}

/// Outcome of a search that keeps to some of the commands; costs are packed.
enum Solved {
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
type Known = (Packed, Option<(Vec<Step>, Packed)>);

impl Solved {
    fn split(self) -> Known {
        match self {
            Self::Best { steps, cost } => (cost, Some((steps, cost))),
            Self::None => (Packed::MAX, None),
            Self::Spent { bound, found } => (bound, found),
        }
    }
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
    let context = Context { problem, writes: all_writes(problem) };
    let from = problem.start();
    let wides = wide_commands(&context);
    let mut allowed = vec![true; problem.commands.len()];
    wides.iter().for_each(|id| allowed[*id] = false);
    let stretch = Stretch::new(&context, &wides, &allowed);
    // Some is kept for the scripts through a wide command, or their bound would be that of all.
    let kept = if stretch.is_some() { budget.expansions / 4 } else { 0 };
    let mut purse = Purse::new(budget);
    purse.expansions -= kept;
    let narrow = narrow(&context, &from, &allowed, &mut purse);
    purse.expansions += kept;
    let solved = match stretch {
        Some(stretch) => with_wide(narrow, stretch, &mut purse),
        None => narrow,
    };
    // Rather some script than none.
    let solved = match solved {
        Solved::Spent { bound, found: None } => {
            Solved::Spent { bound, found: greedy::some_script(&context, &from, budget, &mut purse) }
        }
        solved => solved,
    };
    let answer = match solved {
        Solved::Best { mut steps, cost } => {
            script::put_in_order(problem, &from, &mut steps);
            Answer::Best(Best { steps, cost: unpack(cost), proven: true, bound: None })
        }
        Solved::None => Answer::Unreachable(why::accounts(problem, &context.writes)),
        Solved::Spent { bound, found: Some((mut steps, cost)) } => {
            script::put_in_order(problem, &from, &mut steps);
            let proven = bound >= cost;
            Answer::Best(Best { steps, cost: unpack(cost), proven, bound: (!proven).then(|| unpack_bound(bound)) })
        }
        Solved::Spent { bound, found: None } => Answer::GaveUp { bound: unpack_bound(bound) },
    };
    Ok((answer, purse.paid + 1 + (problem.size() / PARTS_OF_A_STATE) as u64))
}

/// Weighs the scripts through a wide command against the best without.
fn with_wide(narrow: Solved, stretch: Stretch, purse: &mut Purse) -> Solved {
    let (bound, found) = narrow.split();
    let (wide_bound, wide_found) = stretch.run(found.as_ref().map(|found| found.1), purse);
    let bound = bound.min(wide_bound);
    // What the stretch finds is better than what it was to beat.
    match wide_found.or(found) {
        Some((steps, cost)) if cost <= bound => Solved::Best { steps, cost },
        None if bound == Packed::MAX => Solved::None,
        found => Solved::Spent { bound, found },
    }
}

fn question<'a>(context: &'a Context, from: &'a State, allowed: &'a [bool]) -> Question<'a> {
    Question {
        problem: context.problem,
        writes: &context.writes,
        from,
        loose: &[],
        allowed,
        aim: Aim::Goals,
        seeds: &[],
    }
}

/// The best script from a state with the allowed commands: part by part.
fn narrow(context: &Context, from: &State, allowed: &[bool], purse: &mut Purse) -> Solved {
    let problem = context.problem;
    let relevance = Relevance::of(&question(context, from, allowed));
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
            return Solved::Spent { bound: greedy::least_cost(context, from, allowed), found: None };
        };
        let answer = Core::new(Rc::clone(&model)).run(purse);
        if matches!(answer, PartAnswer::None) {
            return Solved::None;
        }
        answers[place] = Some((model, answer));
    }
    join(problem, from, answers.into_iter().flatten())
}

/// One script from the answers for the parts, the watched part first. Its cost is that of its steps: a part past its
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
            match script::step_of(problem, &model, step, &mut state) {
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
