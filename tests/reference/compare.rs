//! The search against the plain reference, problem by problem: the same costs, and bounds that hold.

use super::buttons::{pressed, uncovered};
use super::shapes::{SHAPES, shaped};
use super::{MIXES, Reference, blocks, interpret, kept, reasons, tiny};
use crate::script::problem::{Cost, Problem};
use crate::script::search::{Answer, Budget, find};

/// The kind with a reset that keeps what its commands need, after the mixes of [`tiny`].
pub const KEPT: u64 = MIXES;
/// The kind whose commands key many slots, after those of [`shaped`].
const BLOCKS: u64 = KEPT + 1 + SHAPES;
/// The kind with many buttons, of which the reference knows more than the search is told.
pub const BUTTONS: u64 = BLOCKS + 1;
/// Kinds of tiny problems.
pub const KINDS: u64 = BUTTONS + 1;

/// A tiny problem of one kind.
pub fn problem(seed: u64, kind: u64) -> Problem {
    match kind {
        ..MIXES => tiny(seed, kind),
        KEPT => kept(seed),
        BLOCKS => blocks(seed),
        BUTTONS => pressed(seed).0,
        shape => shaped(seed, shape - KEPT - 1),
    }
}

/// With no budget at all the first bounds speak, which no search fixes: they must hold. With a small one, those that
/// were learned on the way.
fn check_bounds(problem: &Problem, expected: Option<Cost>) {
    for expansions in [0, 1, 5, 12] {
        let bound = match find(problem, &Budget { expansions, bytes: 1 << 20 }).expect("well formed") {
            Answer::Best(best) => best.bound.unwrap_or(best.cost),
            Answer::GaveUp { bound } => bound,
            Answer::Unsolvable(_) => return assert_eq!(expected, None, "{problem:?}"),
        };
        assert!(expected.is_none_or(|cost| bound <= cost), "{bound:?} but {expected:?}: {problem:?}");
        // No tiny problem takes that many, so that a part of more is none.
        assert!(bound.presses < 1_000 && bound.commands < 1_000, "{bound:?}: {problem:?}");
    }
}

/// What the plain reference finds.
fn expected(problem: &Problem, seed: u64, kind: u64) -> Option<Option<Cost>> {
    let reference = Reference::new(problem);
    if kind != BUTTONS {
        return reference.solve(60_000);
    }
    let (_, buttons) = pressed(seed);
    reference.solve_with(60_000, &|held| uncovered(problem, &buttons, held))
}

/// Compares the problems of one kind; how many have a script, and how many have none.
pub fn compare(seeds: std::ops::Range<u64>, kind: u64) -> (usize, usize) {
    let (mut reached, mut none) = (0, 0);
    for seed in seeds {
        let problem = problem(seed, kind);
        let Some(expected) = expected(&problem, seed, kind) else { continue };
        let answer = find(&problem, &Budget { expansions: 100_000, bytes: 512 << 20 }).expect("well formed");
        check_bounds(&problem, expected);
        match (answer, expected) {
            (Answer::Best(best), Some(cost)) => {
                assert!(best.proven, "seed {seed} kind {kind}");
                assert_eq!(best.cost, cost, "seed {seed} kind {kind}: {problem:?}\n{:?}", best.steps);
                assert_eq!(interpret(&problem, &best.steps), Ok(cost), "seed {seed} kind {kind}");
                assert_eq!(problem.replay(&best.steps), Ok(cost), "seed {seed} kind {kind}");
                reached += 1;
            }
            (Answer::Unsolvable(goals), None) => {
                reasons::check(&problem, &goals);
                none += 1;
            }
            (answer, expected) => panic!("seed {seed} kind {kind}: {answer:?} but {expected:?}: {problem:?}"),
        }
    }
    (reached, none)
}
