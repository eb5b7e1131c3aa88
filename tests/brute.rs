//! The search against a plain reference that has no reductions, on thousands of tiny random problems.
//! The reference and the interpreter here share no code with the search; nothing outside this file is trusted.

#[allow(dead_code)] // shared; not every test uses all of it
mod reference;

use reference::compare::{KINDS, compare};
use reference::tiny;
use stationkeep::script;
use stationkeep::script::search::{Budget, find};

#[test]
fn the_best_script_costs_what_exhaustive_search_finds() {
    let count: u64 = std::env::var("SEARCH_BRUTE").ok().and_then(|text| text.parse().ok()).unwrap_or(400);
    let first: u64 = std::env::var("SEARCH_FIRST").ok().and_then(|text| text.parse().ok()).unwrap_or(0);
    for kind in 0..KINDS {
        let (reached, none) = compare(first..first + count, kind);
        println!("kind {kind}: {reached} reached, {none} without a script");
        assert!(reached as u64 > count / 5, "kind {kind}: only {reached} of {count} say anything");
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
