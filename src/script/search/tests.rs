//! The search, made to ask its projections early, against the plain reference of `tests/reference`.

#[allow(dead_code)]
#[path = "../../../tests/reference/mod.rs"]
mod reference;

use super::{Answer, Budget, find};
use reference::{MIXES, Reference, tiny};

#[test]
fn projections_asked_early_change_no_cost() {
    let count: u64 = std::env::var("SEARCH_BRUTE").ok().and_then(|text| text.parse().ok()).unwrap_or(300);
    for seed in 0..count {
        for mix in 0..MIXES {
            let problem = tiny(seed, mix);
            let Some(expected) = Reference::new(&problem).solve(60_000) else { continue };
            let cost = match find(&problem, &Budget::default()).expect("well formed") {
                Answer::Best(best) if best.proven => Some(best.cost),
                Answer::Unreachable(_) => None,
                other => panic!("seed {seed} mix {mix}: {other:?}"),
            };
            assert_eq!(cost, expected, "seed {seed} mix {mix}: {problem:?}");
        }
    }
}
