//! Which lifeline values are settled: rows stay, move together, and are never moved from under somebody else.

use stationkeep::store::{Move, PassWrites, Settled, Store};

use crate::passes::message;
use crate::place::{Place, on_both};

on_both!(
    rows_come_back_in_the_order_of_names_and_stay,
    a_row_that_somebody_moved_meanwhile_stops_all,
    a_row_moves_to_another_name_in_one_go_and_goes_for_good,
    a_pass_settles_and_tells_together_or_not_at_all,
    a_whole_fleet_settles_in_one_go,
);

fn row(station: &str, print: &str, seq: i64) -> Settled {
    let text = |text: &str| text.to_owned();
    Settled {
        station: text(station),
        formerly: text("old"),
        site: text("east-quay"),
        model: text("tern-2"),
        number: text("+441632960121"),
        print: text(print),
        parts: text("emergency.primary\tff\n"),
        on_record: seq > 1,
        seq,
        since_ms: seq * 2_000,
        held: text("0.3"),
        out_print: text("ff"),
        out_ms: seq * 1_000,
        out_script: text("0123456789abcdef"),
    }
}

fn moved(was: Option<Settled>, now: Settled) -> Move {
    Move { was, now: Some(now) }
}

async fn rows(store: &Store) -> Vec<Settled> {
    store.settled().await.expect("rows")
}

async fn rows_come_back_in_the_order_of_names_and_stay(place: &Place) {
    let store = place.open().await;
    let (b, a, low) = (row("EQ-02", "b", 1), row("EQ-01", "a", 2), row("eq-01", "c", 3));
    let moves = [&low, &b, &a].map(|row| moved(None, row.clone()));
    assert!(store.settle(&moves).await.expect("settled"));
    assert!(store.settle(&[]).await.expect("nothing to settle"));
    store.close().await;
    assert_eq!(rows(&place.open().await).await, [a, b, low]);
}

async fn a_row_that_somebody_moved_meanwhile_stops_all(place: &Place) {
    let store = place.open().await;
    let first = row("EQ-01", "a", 1);
    assert!(store.settle(&[moved(None, first.clone())]).await.expect("settled"));
    let again = [moved(None, row("EQ-02", "x", 1)), moved(None, row("EQ-01", "y", 1))];
    assert!(!store.settle(&again).await.expect("an answer"), "it is there already");
    let second = row("EQ-01", "b", 2);
    assert!(store.settle(&[moved(Some(first.clone()), second.clone())]).await.expect("settled"));
    let late = [moved(None, row("EQ-03", "x", 3)), moved(Some(first), row("EQ-01", "c", 3))];
    assert!(!store.settle(&late).await.expect("an answer"));
    assert_eq!(rows(&store).await, [second]);
}

async fn a_row_moves_to_another_name_in_one_go_and_goes_for_good(place: &Place) {
    let store = place.open().await;
    let (first, second) = (row("EQ-01", "a", 1), row("EQ-02", "a", 1));
    assert!(store.settle(&[moved(None, first.clone())]).await.expect("settled"));
    assert!(store.settle(&[moved(Some(first.clone()), second.clone())]).await.expect("settled"));
    assert_eq!(rows(&store).await, std::slice::from_ref(&second));
    let swapped = [moved(Some(second.clone()), row("EQ-01", "b", 2)), moved(None, row("EQ-02", "c", 2))];
    assert!(store.settle(&swapped).await.expect("settled"));
    assert_eq!(rows(&store).await, [row("EQ-01", "b", 2), row("EQ-02", "c", 2)]);
    let gone = |was| Move { was: Some(was), now: None };
    assert!(!store.settle(&[gone(second)]).await.expect("an answer"), "it is another row by now");
    assert!(store.settle(&[gone(row("EQ-01", "b", 2)), gone(row("EQ-02", "c", 2))]).await.expect("settled"));
    assert_eq!(rows(&store).await, []);
}

async fn a_pass_settles_and_tells_together_or_not_at_all(place: &Place) {
    let store = place.open().await;
    let decision = |was: Option<Settled>, print: &str, id: &str| PassWrites {
        settled: vec![moved(was, row("EQ-01", print, 1))],
        messages: vec![message("on-call", id, 1)],
        ..PassWrites::default()
    };
    assert_eq!(store.commit_pass_at(&decision(None, "a", "one"), 0).await.expect("commit"), Some(1));
    assert_eq!(store.commit_pass_at(&decision(None, "b", "two"), 1).await.expect("commit"), None);
    assert_eq!(store.undelivered("on-call", 9).await.expect("outbox").len(), 1);
    assert_eq!(store.turn().await.expect("turn"), 1, "the turn is not used up");
    let was = Some(row("EQ-01", "a", 1));
    assert_eq!(store.commit_pass_at(&decision(was, "b", "two"), 1).await.expect("commit"), Some(1));
    assert_eq!(rows(&store).await[0].print, "b");
}

async fn a_whole_fleet_settles_in_one_go(place: &Place) {
    let store = place.open().await;
    let name = |nth: i64| format!("EQ-{nth:04}");
    let moves: Vec<Move> = (0..1_003).map(|nth| moved(None, row(&name(nth), "a", nth))).collect();
    assert!(store.settle(&moves).await.expect("settled"));
    let again: Vec<Move> =
        (0..1_003).map(|nth| moved(Some(row(&name(nth), "a", nth)), row(&name(nth), "b", nth + 1))).collect();
    assert!(store.settle(&again).await.expect("settled"));
    assert!(rows(&store).await.iter().all(|row| row.print == "b"));
}
