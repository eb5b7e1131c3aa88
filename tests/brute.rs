//! The search against a plain reference that has no reductions, on thousands of tiny random problems.
//! The reference and the interpreter here share no code with the search; nothing outside this file is trusted.

#[allow(dead_code)] // shared; not every test uses all of it
mod reference;

use reference::{Reference, interpret, tiny};
use stationkeep::script;
use stationkeep::script::problem::{Cost, Problem};
use stationkeep::script::search::{Answer, Budget, find};

/// With no budget at all the first bounds speak, which no search mends: they must hold.
fn check_at_once(problem: &Problem, expected: Option<Cost>) {
    let bound = match find(problem, &Budget { expansions: 0, bytes: 0 }).expect("well formed") {
        Answer::Best(best) => best.bound.unwrap_or(best.cost),
        Answer::GaveUp { bound } => bound,
        Answer::Unreachable(_) => return assert_eq!(expected, None),
    };
    assert!(expected.is_none_or(|cost| bound <= cost), "{bound:?} but {expected:?}: {problem:?}");
}

fn compare(seeds: std::ops::Range<u64>, mix: u64) -> (usize, usize) {
    let (mut reached, mut none) = (0, 0);
    for seed in seeds {
        let problem = tiny(seed, mix);
        let Some(expected) = Reference::new(&problem).solve(60_000) else { continue };
        let answer = find(&problem, &Budget { expansions: 1_000_000, bytes: 512 << 20 }).expect("well formed");
        check_at_once(&problem, expected);
        match (answer, expected) {
            (Answer::Best(best), Some(cost)) => {
                assert!(best.proven, "seed {seed}");
                assert_eq!(best.cost, cost, "seed {seed} mix {mix}: {problem:?}\n{:?}", best.steps);
                assert_eq!(interpret(&problem, &best.steps), Ok(cost), "seed {seed} mix {mix}");
                assert_eq!(problem.replay(&best.steps), Ok(cost), "seed {seed} mix {mix}");
                reached += 1;
            }
            (Answer::Unreachable(accounts), None) => {
                assert!(!accounts.is_empty() && accounts.iter().all(|account| !account.stops.is_empty()));
                none += 1;
            }
            (answer, expected) => panic!("seed {seed} mix {mix}: {answer:?} but {expected:?}: {problem:?}"),
        }
    }
    (reached, none)
}

#[test]
fn the_best_script_costs_what_exhaustive_search_finds() {
    let count: u64 = std::env::var("SEARCH_BRUTE").ok().and_then(|text| text.parse().ok()).unwrap_or(400);
    let first: u64 = std::env::var("SEARCH_FIRST").ok().and_then(|text| text.parse().ok()).unwrap_or(0);
    for mix in 0..reference::MIXES {
        let (reached, none) = compare(first..first + count, mix);
        println!("mix {mix}: {reached} reached, {none} without a script");
        assert!(reached as u64 > count / 5, "mix {mix}: only {reached} of {count} say anything");
    }
}

#[test]
fn the_same_problem_gives_the_same_script_ten_times() {
    for seed in 0..60 {
        let problem = tiny(seed, seed % reference::MIXES);
        let first = find(&problem, &Budget::default());
        for _ in 0..9 {
            assert_eq!(find(&problem, &Budget::default()), first, "seed {seed}");
        }
    }
}
