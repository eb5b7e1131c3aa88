//! Whatever is changed in a ledger afterwards, `verify` names the first entry that does not hold.

use stationkeep::store::{Broken, Flaw, Head, Store, Verification};

use crate::ledger::reports;
use crate::place::{Place, on_both};

on_both!(
    any_field_changed_is_found_at_its_entry,
    an_entry_deleted_in_the_middle_is_missed,
    the_newest_entries_deleted_are_missed,
    an_entry_put_in_from_outside_is_found,
    two_entries_that_changed_places_are_found,
    the_head_turned_back_is_found,
    a_change_before_a_trusted_head_is_left_to_the_whole_walk,
    a_trusted_head_that_no_longer_stands_is_found,
);

async fn filled(place: &Place) -> Store {
    let store = place.open().await;
    store.append(&reports(1..=12)).await.expect("append");
    place.unlock().await;
    store
}

async fn found(store: &Store, trusted: Option<&Head>) -> Result<i64, (i64, Flaw)> {
    match store.verify(trusted, |_, _| {}).await.expect("walk") {
        Verification::Whole { entries, .. } => Ok(entries),
        Verification::Broken(Broken { seq, flaw }) => Err((seq, flaw)),
    }
}

async fn any_field_changed_is_found_at_its_entry(place: &Place) {
    let store = filled(place).await;
    for change in [
        "kind = 'script'",
        "kind = 'of no kind'",
        "id = 'other'",
        "station = 'EQ-99'",
        "at_ms = at_ms + 1",
        "recorded_ms = recorded_ms - 1",
        "body = '{}'",
        "prev = 'ff'",
        "hash = 'ff'",
    ] {
        let column = change.split(' ').next().expect("a column");
        let keep = format!("CREATE TABLE kept AS SELECT {column} AS value FROM ledger WHERE seq = 5");
        place.run(&keep).await;
        place.run(&format!("UPDATE ledger SET {change} WHERE seq = 5")).await;
        assert_eq!(found(&store, None).await, Err((5, Flaw::Changed)), "{change}");
        let back = format!("UPDATE ledger SET {column} = (SELECT value FROM kept) WHERE seq = 5");
        place.run(&back).await;
        place.run("DROP TABLE kept").await;
        assert_eq!(found(&store, None).await, Ok(12), "{change} taken back");
    }
}

async fn an_entry_deleted_in_the_middle_is_missed(place: &Place) {
    let store = filled(place).await;
    place.run("DELETE FROM ledger WHERE seq = 7").await;
    assert_eq!(found(&store, None).await, Err((7, Flaw::Missing)));
}

async fn the_newest_entries_deleted_are_missed(place: &Place) {
    let store = filled(place).await;
    place.run("DELETE FROM ledger WHERE seq > 10").await;
    assert_eq!(found(&store, None).await, Err((11, Flaw::Missing)));
    place.run("DELETE FROM ledger").await;
    assert_eq!(found(&store, None).await, Err((1, Flaw::Missing)));
}

async fn an_entry_put_in_from_outside_is_found(place: &Place) {
    let store = filled(place).await;
    let put =
        |seq: i64| format!("INSERT INTO ledger VALUES ({seq}, 'report', 'x{seq}', 'EQ-01', 0, 0, '{{}}', 'ff', 'ff')");
    place.run(&put(13)).await;
    assert_eq!(found(&store, None).await, Err((13, Flaw::Stray)));
    place.run("DELETE FROM ledger WHERE seq = 13").await;
    place.run(&put(0)).await;
    assert_eq!(found(&store, None).await, Err((0, Flaw::Stray)));
    place.run("DELETE FROM ledger WHERE seq = 0").await;
    assert_eq!(found(&store, None).await, Ok(12));
}

async fn two_entries_that_changed_places_are_found(place: &Place) {
    let store = filled(place).await;
    for (from, to) in [(4, 100), (5, 4), (100, 5)] {
        place.run(&format!("UPDATE ledger SET seq = {to} WHERE seq = {from}")).await;
    }
    assert_eq!(found(&store, None).await, Err((4, Flaw::Changed)));
}

async fn the_head_turned_back_is_found(place: &Place) {
    let store = filled(place).await;
    let ninth = store.entries_after(8, 1).await.expect("entries");
    let sql = format!("UPDATE ledger_head SET seq = 9, hash = '{}'", ninth[0].hash);
    place.run(&sql).await;
    assert_eq!(found(&store, None).await, Err((12, Flaw::Stray)));
    place.run("UPDATE ledger_head SET seq = 12").await;
    assert_eq!(found(&store, None).await, Err((12, Flaw::NotTheHead)));
}

async fn a_change_before_a_trusted_head_is_left_to_the_whole_walk(place: &Place) {
    let store = filled(place).await;
    let eighth = store.entries_after(7, 1).await.expect("entries");
    let trusted = Head { seq: 8, hash: eighth[0].hash.clone() };
    place.run("UPDATE ledger SET body = '{}' WHERE seq = 3").await;
    assert_eq!(found(&store, Some(&trusted)).await, Ok(4));
    assert_eq!(found(&store, None).await, Err((3, Flaw::Changed)));
}

async fn a_trusted_head_that_no_longer_stands_is_found(place: &Place) {
    let store = filled(place).await;
    let other = Head { seq: 8, hash: "ff".to_owned() };
    assert_eq!(found(&store, Some(&other)).await, Err((8, Flaw::NotAsTrusted)));
    let beyond = Head { seq: 99, hash: "ff".to_owned() };
    assert_eq!(found(&store, Some(&beyond)).await, Err((99, Flaw::Missing)));
}
