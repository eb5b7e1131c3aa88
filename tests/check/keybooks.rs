//! A keybook held against its manual: read back in English, its talks replayed.

use super::program::Fleet;

#[test]
fn a_keybook_is_read_back_without_a_ledger_and_keys_are_asked_for_otherwise() {
    let fleet = Fleet::new();
    let done = fleet.run(&["rehearse", "--model", "wren-1", "--read-back"]);
    assert_eq!((done.code, done.err.as_str()), (Some(0), ""), "{done:?}");
    for part in [
        "Wren pier station (invented)\n\"wren-1\" in the inventory.\n\nCALLING IT\n",
        "  identity: press 1 0, then the new identity, then #.\n    Stores identity.\n",
        "  the emergency button (emergency)\n    It depends on line.kind and emergency.primary.\n",
        "    A press calls nobody unless emergency.primary is filled in.\n",
    ] {
        assert!(done.out.contains(part), "{part}\n{}", done.out);
    }
    assert!(!fleet.path("ledger.db").exists() && !fleet.path("stationkeep.key").exists(), "nothing is left behind");
    let done = fleet.run(&["rehearse", "--model", "wren-1"]);
    assert!(done.code == Some(2) && done.err.contains("--keys"), "{done:?}");
}

#[test]
fn a_talk_that_goes_otherwise_keeps_the_keybook_from_use_and_the_fixed_one_does_not() {
    let fleet = Fleet::new();
    let talk = "talks:\n  - talk: Manual, page 4\n    before: {access: \"1234\"}\n    call:\n      \
                - {keys: \"B1234#\", heard: accepted}\n      - {keys: \"211234#\", heard: refused}\n";
    let book = fleet.read("keybooks/wren.yaml");
    fleet.write("keybooks/wren.yaml", format!("{book}{talk}"));
    let done = fleet.run(&["check"]);
    assert_eq!(done.code, Some(2), "{done:?}");
    assert!(done.out.contains("These keys are accepted, as \"emergency-primary\". (talk-differs)"), "{done:?}");
    // The manual is right: on a direct line the number is refused.
    let right =
        book.replace("keys: \"21{emergency.primary}#\"", "keys: \"21{emergency.primary}#\", needs: {line.kind: pbx}");
    fleet.write("keybooks/wren.yaml", format!("{right}{talk}"));
    assert_eq!(fleet.run(&["check", "keybooks/wren.yaml"]).code, Some(0));
}
