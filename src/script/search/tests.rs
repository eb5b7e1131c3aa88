//! The search, made to look at exposure alone early, against the plain reference of `tests/reference`. The deliberate
//! breaks of `tests/breaks.rs` must each turn this red.

#[allow(dead_code)] // shared; not every test uses all of it
#[path = "../../../tests/reference/mod.rs"]
pub mod reference;

use reference::compare::{BUTTONS, KEPT, KINDS, compare};

#[test]
fn exposure_searched_alone_early_changes_no_cost() {
    let count: u64 = std::env::var("SEARCH_BRUTE").ok().and_then(|text| text.parse().ok()).unwrap_or(300);
    for kind in 0..KINDS {
        // More of the kind that alone looks into what comes before a reset.
        let count = if kind == KEPT { 2 * count } else { count };
        let (reached, none) = compare(0..count, kind);
        assert!(reached > none / 2, "kind {kind}: only {reached} of {count} have a script");
    }
}

#[test]
fn what_readies_a_reset_and_serves_the_rest_too_is_counted_once() {
    // The first of its kind whose bound passes the best script where it is counted twice.
    let (reached, _) = compare(1181..1182, KEPT);
    assert_eq!(reached, 1);
}

#[test]
fn a_state_reached_in_two_ways_is_looked_at_for_what_either_keeps_first() {
    // The first of 66,000 problems whose only scripts are lost where it is looked at for one of them alone.
    let (reached, _) = compare(1459..1460, BUTTONS);
    assert_eq!(reached, 1);
}
