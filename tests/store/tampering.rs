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
    a_noted_head_shows_what_a_chain_made_anew_hides,
    a_phrase_book_that_is_changed_is_found_at_the_first_entry_that_it_changes,
);

async fn filled(place: &Place) -> Store {
    let store = place.open().await;
    store.append(&reports(1..=12)).await.expect("append");
    place.unlock().await;
    store
}

async fn found(store: &Store, noted: Option<&Head>) -> Result<i64, (i64, Flaw)> {
    match store.verify(noted, |_, _| {}).await.expect("walk") {
        Verification::Whole { entries, .. } => Ok(entries),
        Verification::Broken(Broken { seq, flaw }) => Err((seq, flaw)),
    }
}

async fn any_field_changed_is_found_at_its_entry(place: &Place) {
    let store = filled(place).await;
    let (other, body, nothing, hash) =
        (place.bytes("026f74686572"), place.bytes("ff7b7d"), place.bytes(""), place.bytes("ff"));
    for change in [
        "kind = 2".to_owned(),
        "kind = 99".to_owned(),
        format!("id = {other}"),
        format!("id = {nothing}"),
        "station = 'EQ-99'".to_owned(),
        "at_ms = at_ms + 1".to_owned(),
        "recorded_ms = recorded_ms - 1".to_owned(),
        format!("body = {body}"),
        format!("body = {nothing}"),
        format!("hash = {hash}"),
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
    place.run(&place.stray_entry(13)).await;
    assert_eq!(found(&store, None).await, Err((13, Flaw::Stray)));
    place.run("DELETE FROM ledger WHERE seq = 13").await;
    place.run(&place.stray_entry(0)).await;
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

async fn a_noted_head_shows_what_a_chain_made_anew_hides(place: &Place) {
    let store = filled(place).await;
    let noted = store.head().await.expect("head");
    // Someone cuts off the newest three and sets the head back, so that the chain holds.
    let ninth = store.entries_after(8, 1).await.expect("entries");
    place.run("DELETE FROM ledger WHERE seq > 9").await;
    place.run(&format!("UPDATE ledger_head SET seq = 9, hash = '{}'", ninth[0].hash)).await;
    assert_eq!(found(&store, None).await, Ok(9));
    assert_eq!(found(&store, Some(&noted)).await, Err((10, Flaw::Missing)));
    // And adds as many again.
    store.append(&reports(101..=105)).await.expect("append");
    assert_eq!(found(&store, None).await, Ok(14));
    assert_eq!(found(&store, Some(&noted)).await, Err((12, Flaw::NotAsNoted)));
}

async fn a_phrase_book_that_is_changed_is_found_at_the_first_entry_that_it_changes(place: &Place) {
    let store = place.open().await;
    for n in 0..3 {
        store.append(&reports(1 + 64 * n..=64 * (n + 1))).await.expect("append");
    }
    place.unlock().await;
    assert_eq!(found(&store, None).await, Ok(192));
    place.run(&format!("UPDATE ledger_books SET text = {}", place.bytes("7b7d"))).await;
    // Who has read it before goes by what it was.
    assert_eq!(found(&store, None).await, Ok(192));
    let (seq, flaw) = found(&place.open().await, None).await.expect_err("changed bodies");
    assert!(seq > 64 && flaw == Flaw::Changed, "{seq} {flaw:?}");
}
