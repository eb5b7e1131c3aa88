//! What a pass writes, all or nothing.

use stationkeep::store::{NewMessage, PassWrites, StoreError, Told};

use crate::place::{Place, on_both};

on_both!(
    a_decision_is_written_and_read_back,
    a_message_written_twice_is_one,
    one_id_may_go_to_several_webhooks,
    a_decision_that_fails_half_way_leaves_nothing,
    five_hundred_stations_move_in_one_pass,
    a_memo_is_set_and_removed,
);

pub fn message(webhook: &str, id: &str, created_ms: i64) -> NewMessage {
    NewMessage {
        id: id.to_owned(),
        webhook: webhook.to_owned(),
        content_type: "application/cloudevents+json; charset=UTF-8".to_owned(),
        body: format!("{{\"id\":\"{id}\"}}"),
        created_ms,
    }
}

fn told(station: &str, at_ms: i64) -> Told {
    Told { station: station.to_owned(), body: format!("{{\"standing\":\"adrift\",\"at\":{at_ms}}}"), at_ms }
}

async fn a_decision_is_written_and_read_back(place: &Place) {
    let store = place.open().await;
    let first = PassWrites {
        told_upserts: vec![told("EQ-01", 1), told("EQ-02", 1), told("EQ-01", 2)],
        memo_sets: vec![("inventory".to_owned(), Some("refused".to_owned()))],
        messages: vec![message("on-call", "a", 1)],
        ..PassWrites::default()
    };
    assert_eq!(store.commit_pass(&first).await.expect("commit"), 1);
    let kept = store.told().await.expect("told");
    assert_eq!(kept.len(), 2);
    assert_eq!(kept["EQ-01"], told("EQ-01", 2));
    assert_eq!(store.memo("inventory").await.expect("memo").as_deref(), Some("refused"));

    let second = PassWrites {
        told_upserts: vec![told("EQ-03", 3)],
        told_removals: vec!["EQ-01".to_owned(), "EQ-03".to_owned(), "EQ-77".to_owned()],
        memo_sets: vec![("inventory".to_owned(), None)],
        ..PassWrites::default()
    };
    assert_eq!(store.commit_pass(&second).await.expect("commit"), 0);
    let kept: Vec<String> = store.told().await.expect("told").into_keys().collect();
    assert_eq!(kept, ["EQ-02", "EQ-03"]);
    assert_eq!(store.memo("inventory").await.expect("memo"), None);
}

async fn a_message_written_twice_is_one(place: &Place) {
    let store = place.open().await;
    let decision = PassWrites {
        messages: vec![message("on-call", "a", 1), message("on-call", "b", 1), message("on-call", "a", 1)],
        ..PassWrites::default()
    };
    assert_eq!(store.commit_pass(&decision).await.expect("commit"), 2);
    assert_eq!(store.commit_pass(&decision).await.expect("commit"), 0);
    assert_eq!(store.undelivered("on-call", 9).await.expect("outbox").len(), 2);
}

async fn one_id_may_go_to_several_webhooks(place: &Place) {
    let store = place.open().await;
    let decision =
        PassWrites { messages: vec![message("on-call", "a", 1), message("wall", "a", 1)], ..PassWrites::default() };
    assert_eq!(store.commit_pass(&decision).await.expect("commit"), 2);
    let names: Vec<String> = store.queues().await.expect("queues").into_iter().map(|queue| queue.webhook).collect();
    assert_eq!(names, ["on-call", "wall"]);
}

async fn a_decision_that_fails_half_way_leaves_nothing(place: &Place) {
    let store = place.open().await;
    // The outbox is written last; without it the rest must not stay either.
    place.run("ALTER TABLE outbox RENAME TO outbox_away").await;
    let decision = PassWrites {
        told_upserts: vec![told("EQ-01", 1)],
        memo_sets: vec![("x".to_owned(), Some("y".to_owned()))],
        messages: vec![message("on-call", "a", 1)],
        ..PassWrites::default()
    };
    let error = store.commit_pass(&decision).await.expect_err("no outbox");
    assert!(matches!(error, StoreError::Database { .. }), "{error}");
    place.run("ALTER TABLE outbox_away RENAME TO outbox").await;
    assert!(store.told().await.expect("told").is_empty());
    assert_eq!(store.memo("x").await.expect("memo"), None);
    assert_eq!(store.commit_pass(&decision).await.expect("commit"), 1);
}

async fn five_hundred_stations_move_in_one_pass(place: &Place) {
    let store = place.open().await;
    let decision = PassWrites {
        told_upserts: (0..500).map(|n| told(&format!("EQ-{n:03}"), n)).collect(),
        ..PassWrites::default()
    };
    store.commit_pass(&decision).await.expect("commit");
    let kept = store.told().await.expect("told");
    assert_eq!(kept.len(), 500);
    assert_eq!(kept["EQ-499"], told("EQ-499", 499));
}

async fn a_memo_is_set_and_removed(place: &Place) {
    let store = place.open().await;
    store.set_memo("k", Some("one")).await.expect("set");
    store.set_memo("k", Some("two")).await.expect("set");
    assert_eq!(store.memo("k").await.expect("memo").as_deref(), Some("two"));
    store.set_memo("k", None).await.expect("set");
    assert_eq!(store.memo("k").await.expect("memo"), None);
    store.check_writable(5).await.expect("writable");
}
