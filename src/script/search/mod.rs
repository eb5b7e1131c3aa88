//! The best script of one station, exactly: least exposure, then time, then presses, then commands.
//! It never looks at a clock, a file or a keybook, and the same problem always gets the same answer.
//!
//! `find.rs` is the way in. It solves the problem part by part (`parts.rs`): relevance, a model of each part, a best-first
//! search of it. Where a reset could help, it weighs the scripts through one (`resets.rs`). What was found is extracted as
//! steps (`extract.rs`).
//!
//! # Why what it finds is the best
//!
//! A *plan* is a sequence of keyed commands that is accepted throughout and ends with every slot at its goal. All four
//! costs add up over commands, every command costs at least the 1 it counts for, and exposure depends on the state before
//! the command alone; so shortest-path search over states is exact. Each reduction below keeps at least one best plan, or
//! turns a best plan into one of equal cost that it keeps. Each is checked against `tests/reference`, which has none.
//!
//! **§1 Relevance** (`relevance.rs`; again in each state, `stubborn_sets.rs`). Let *R* be the least set of commands with: all
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
//! **§2 Parts** (`parts.rs`). Commands join the slots they write, need and read; slots that never move join nothing. Parts
//! share no state, so a plan is a shuffle of plans of its parts, and time, presses and commands add up. All lifelines are
//! put into one part. Deleting the other parts from a plan cannot raise exposure; keying them after that part, when every
//! lifeline is at its goal, adds none. So: the best plan of the part with the lifelines, then each other part's own.
//!
//! **§3 Values and choices** (`model.rs`). `u` *dominates* `v` (of one slot) if `v` is neither the goal nor the start that
//! a lifeline compares with, `u` satisfies every need that `v` does, is read as cheaply, and wherever `v` may be keyed
//! only because it is held, `u` may be keyed at no more. Then a plan from a state with `v` can be followed from the same
//! state with `u` at no more cost, keying `u` where the plan holds `v`. So a choice is dropped where another that is always
//! allowed costs no more and dominates it. Values that the kept choices, needs, reads and lifelines cannot tell apart are
//! merged into classes: a bisimulation.
//!
//! **§4 Suffix** (`suffix.rs`). A *leaf* slot is in no lifeline, need or read, may not be held to advantage, and has only the
//! classes "goal" and "not". A command is of the *suffix* if it writes leaves only, its needs hold at the goal, its reads are
//! cheapest there, and no leaf that it may spoil can be brought to its goal by a command outside the suffix. Moving all
//! commands of the suffix to the end of a plan, in their order, keeps it a plan: the others need no leaf; the suffix's needs
//! hold, for all other slots are at their goals; each leaf's last writer stays last, or is a command of the suffix that
//! brings it to the goal. Exposure there is 0. So the best-first search does without them, and each state in which all but
//! leaves are at their goals may end by the cheapest suffix, found by regression: the state is the set of leaves still
//! wanted, the last command takes away what it writes and may spoil none of it. Where all ways to settle one wanted leaf
//! spoil nothing wanted and key no wanted slot dearer than at its cheapest (unless they alone can settle it), one of them may
//! be taken as the last: its last use can move to the end.
//!
//! **§5 Landmarks and bounds.** `landmarks.rs`: a *landmark* is "a command brings this slot to one of these classes". From
//! the goals missing, a landmark asked for asks for what all its achievers need and is not so now, and for the goals that
//! all of them spoil or that must be left on the way. Each landmark asked for is a set of executions of which every plan
//! holds one (a disjunctive action landmark). Landmarks take their cost from what earlier ones have left of their achievers'
//! least costs (a cost partition; a command is divided by the class keyed in one mode field, as no one execution keys two),
//! so the sum bounds every plan, and the sum over some of them bounds the executions of those. What keying a goal costs
//! beyond the cheapest is charged to that goal alone, once. `exposure_bound.rs`, `cover_order.rs`: exposure adds up over lifelines, and of
//! each it is the time of what is keyed while it is uncovered. That holds an execution for each *dark* landmark, whose
//! achievers need one of its slots away. Let the uncovered ones that can only be covered by their goals be covered for the
//! first time in the order 1, 2, …: before that, the k-th is uncovered while all that the goals of 1 … k ask for is keyed.
//! So it is exposed for the time of those landmarks and its dark ones, and the least sum over all orders, found over sets of
//! lifelines, is a bound. Of another uncovered one the quickest way back counts, with what it takes to leave again, if that
//! is less; of one as it was, that must change, what must be keyed after the first command that touches it. None is exposed
//! for less time than it takes to cover the first of them. Where §7 knows which may be first, only orders that begin so count.
//! Exposure and the rest are bounded apart, each over *all* plans, so the pair bounds the lexicographic cost; along an
//! edge both may be carried on less the edge's cost. Bounds need not be consistent: states are reopened.
//!
//! **§6 Exposure alone** (`projection.rs`, `exposure_search.rs`). The projection of the part to some slots makes every plan a
//! plan of no more exposure, so its least exposure is a bound. It is found by a search in which nothing else counts, over the
//! slots of lifelines, all that their commands need, and what can only be settled by commands that touch these. There one
//! state *dominates* another if it has no more exposure behind it and differs only by slots at their goal, where that is
//! nowhere worse: the goal satisfies each need that the other class does, is read as cheaply, may be keyed as cheaply as the
//! other is held, and no lifeline was covered with the other (`dominance.rs`). Every plan from the dominated state is then
//! one from the other, as long and no dearer, so it is dropped; and a step that costs nothing and leads to a state that
//! dominates this one is the only one tried. A plan of least exposure and, among these, of least length from the states kept
//! always begins at a state kept, so none is lost by going in a circle. After a search with bound C, a state met at cost g
//! has at least C − g to go, and the states of the plan found have just that. A step that brings about nothing that some
//! uncovered lifelines wait for adds its time to their exposure, whatever else it does; so the state after it is bounded by
//! the one before, and weighed only when it is its turn. Where all wait for other things that is the time once for each; else,
//! if those that may be the first do, at least once for these. Searches stop where they have told enough: that
//! no plan stays within the exposure at which the state asked about would be looked at next.
//!
//! **§7 Which commands are tried** (`stubborn_sets.rs`). Let the achievers of slot x, the commands that can bring it to its
//! goal, all be such that: they are accepted now and read nothing; each slot that they bring to its goal is spoiled by no
//! other relevant command, needed elsewhere or held by no other, and in no lifeline but such as can only be covered by their
//! goals (or there already, for good); a slot that they may key otherwise is written by no other; what they always spoil
//! nobody looks at; and each lifeline uncovered now is so whenever they are accepted, or else x is its own, so that it is
//! uncovered until they are keyed (and they always take as long). A plan uses one of them; keyed with goals, its last use
//! moves to the front and its others go: what is between needs nothing of its slots that the goals do not satisfy, what it
//! spoils is brought back by a later command that still comes later, and nothing undoes what it brought about. It costs no
//! more there. So only these are tried. Else a *stubborn set* will do. It holds all achievers of some x; with one accepted
//! now, all that *interfere* with it (one writes what the other needs, reads or may hold, or both write a slot and not always
//! its goal); with one not accepted now, all that make one of its missing needs hold. Those of it accepted now may write
//! slots of lifelines covered now only with their goals, and only where they hold them or the lifeline can only be covered by
//! its goals. The first command of it in a plan is accepted now, for what it misses is made only by others of the set, and
//! interferes with none before it; so it moves to the front. Neither the states nor the coverage of what it passes get worse,
//! and while no lifeline is uncovered it exposes nothing there. While some are, one of them is covered first, by its goals or
//! as it was: x is one of its slots away from that, so that the command is keyed before. All that it passes is keyed while
//! all these are uncovered; so it is exposed no longer at the front, whatever it does to their slots. Which one is first is
//! not known, so the sets of all of them are tried together (of one that may be as it was again, one for each way).
//!
//! A state keeps which may be covered first, and how, after the commands it was reached by (`Firsts`): those for whose set the
//! last one was tried. Let a best script cover *t* first of the lifelines uncovered now, and move a command of the set of *t*
//! to the front. What it passes is covered no worse and the script costs as much as before, being a best one; so, where every
//! command takes time, nothing it passes is covered better either, and *t* is still the first of them. So as long as the same
//! lifelines are uncovered, only the set of *t* is tried; one uncovered since may be covered before *t*; once *t* is covered
//! it may be any; and a state in which another one of them was covered sooner is not gone on with. A state reached at the same
//! cost by two ways is looked at for what either keeps. Where it was left for one that dominates it at the same cost, that one
//! keeps as much: its scripts are the same. A bound may rest on what is kept, but not where it is kept no longer: neither for
//! other ways to the state, nor after a step that uncovered one more.
//!
//! **§8 Resets** (`resets.rs`) write more than half of all slots and key none, as a factory reset does. A plan uses none, and
//! is found by §1–§7 without them; or it is a *prefix*, a last reset, and a plan without. What the reset writes is known
//! then, so that few states are left to solve. The prefix is searched over actual values, with §1 asked for every value of
//! the slots kept, and what all resets overwrite and nobody looks at forgotten. Its bound is §5's from the state after the
//! last reset (`reset_bounds.rs`, `last_reset.rs`): landmarks on slots that it writes come after it; those on slots kept may
//! come before it, so they ask nothing of slots written. Lifelines are weighed in the order in which they are covered for the
//! first time after the last reset (`cover_order.rs`). The k-th is then at its goals, as are those before it; so all that
//! these ask for of slots written was keyed between the reset and then, and the rest sooner. If it is uncovered now, for good,
//! and was so until the reset, it is exposed for all of that, and for the last reset and what makes the first one accepted
//! (by commands that write no slot kept, so that none of them counts among the rest). If it was covered before, it is exposed
//! for the time to cover it, or for a first reset and what covers it after that, and again for what is keyed after the last.
//! The lesser of the two counts; of a lifeline covered now, only the last. §6 then tells the least exposure: after the reset,
//! or through it, by a slot more, which only the last reset brings to its goal; each state there has the bound of its side
//! of the last reset, by landmarks in which no reset is an achiever. Mostly the bound exceeds the best plan without, and that
//! is that.
//!
//! **§9 Partial steps** (`partial_steps.rs`). A command that can be keyed in a few ways is looked at in each of them
//! (`successors.rs`); one with more is keyed field by field, so that a block of twenty numbers is not two to the twentieth
//! states. What is keyed in part is an open state like others: its fields still open may hold anything, so landmarks and
//! lifelines that hang on them ask for nothing, and the presses of each count as its least. But a goal still open comes about
//! with this command or with a later one, and what its goal takes beyond the least there is part of no other charge of §5,
//! unless the goal is asked for anyway; so the lesser of the two is added. The bound of the state before holds for all that
//! can be keyed in it. Every way of keying the command is reached through its parts, each bounded by no more, so nothing is
//! lost; what a best script cannot begin with is never gone on with. §6 and §8 do without: they tell less where there are
//! many ways.
//!
//! **§10 Ties, budget, memory.** Open states are taken by bound, then nearness, then youth; commands are tried in keybook
//! order; no hash order is ever iterated. Last, neighbours are swapped into keybook order where effect and cost stay the
//! same. The budget counts states looked at, commands keyed in part, sets of a suffix, and for every so many successors one
//! more; past it the search hurries, for a share of the budget, to any script (`greedy.rs`, whose work is counted too, where
//! it finds none or where a part is too large) and gives the least bound still open. A suffix that was not searched to its end
//! counts as its bound. The states met and all else that is kept are bounded by [`Budget::bytes`].

mod best_first;
mod budget;
mod cover_order;
mod state_registry;
mod dominance;
mod effects;
mod exposure_bound;
mod exposure_search;
mod extract;
mod find;
mod greedy;
mod landmark_set;
mod landmarks;
mod last_reset;
mod missing_goals;
mod model;
mod packed;
mod partial_steps;
mod parts;
mod projection;
mod relevance;
mod reset_bounds;
mod resets;
mod stubborn_sets;
mod successors;
mod suffix;
mod unsolvable;

#[cfg(test)]
pub(super) mod tests;

pub use budget::Budget;
pub use find::{Answer, Best, find, find_and_pay};
pub use unsolvable::{Stop, UnreachableGoal};
