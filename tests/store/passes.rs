//! What a pass writes, all or nothing.

use std::collections::BTreeMap;

use stationkeep::store::{NewMessage, PassWrites, StoreError};

use crate::place::{Place, commit, on_both};

on_both!(
    a_decision_is_written_and_read_back,
    of_two_decisions_at_one_turn_the_second_writes_nothing,
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
        ..NewMessage::default()
    }
}

fn case(key: &str, nth: i64) -> (String, Option<String>) {
    (format!("station/{key}"), Some(format!("{{\"case\":1,\"nth\":{nth}}}")))
}

fn gone(key: &str) -> (String, Option<String>) {
    (format!("station/{key}"), None)
}

async fn a_decision_is_written_and_read_back(place: &Place) {
    let store = place.open().await;
    let first = PassWrites {
        cases: [case("EQ-01", 1), case("EQ-02", 1)].into(),
        messages: vec![message("on-call", "a", 1)],
        ..PassWrites::default()
    };
    assert_eq!(commit(&store, &first).await.expect("commit"), 1);
    let kept = store.cases().await.expect("cases");
    assert_eq!(kept.into_iter().map(|(key, body)| (key, Some(body))).collect::<BTreeMap<_, _>>(), first.cases);

    let second = PassWrites {
        cases: [gone("EQ-01"), case("EQ-02", 2), case("EQ-03", 3), gone("EQ-77")].into(),
        ..PassWrites::default()
    };
    assert_eq!(commit(&store, &second).await.expect("commit"), 0);
    let kept: Vec<(String, String)> = store.cases().await.expect("cases").into_iter().collect();
    let (Some(two), Some(three)) = (case("EQ-02", 2).1, case("EQ-03", 3).1) else { unreachable!("both are kept") };
    assert_eq!(kept, [("station/EQ-02".to_owned(), two), ("station/EQ-03".to_owned(), three)]);
}

async fn of_two_decisions_at_one_turn_the_second_writes_nothing(place: &Place) {
    let store = place.open().await;
    let decision = |id: &str, nth| PassWrites {
        cases: [case("EQ-01", nth)].into(),
        messages: vec![message("on-call", id, 1)],
        ..PassWrites::default()
    };
    assert_eq!(store.commit_pass(&decision("a", 1), 0).await.expect("commit"), Some(1));
    assert_eq!(store.commit_pass(&decision("b", 2), 0).await.expect("commit"), None);
    assert_eq!(store.cases().await.expect("cases").into_values().map(Some).collect::<Vec<_>>(), [case("", 1).1]);
    assert_eq!(store.deliveries_of(Some("on-call"), false, 9).await.expect("outbox").len(), 1);
    assert_eq!(store.turn().await.expect("turn"), 1);
}

async fn a_message_written_twice_is_one(place: &Place) {
    let store = place.open().await;
    let decision = PassWrites {
        messages: vec![message("on-call", "a", 1), message("on-call", "b", 1), message("on-call", "a", 1)],
        ..PassWrites::default()
    };
    assert_eq!(commit(&store, &decision).await.expect("commit"), 2);
    assert_eq!(commit(&store, &decision).await.expect("commit"), 0);
    assert_eq!(store.deliveries_of(Some("on-call"), false, 9).await.expect("outbox").len(), 2);
}

async fn one_id_may_go_to_several_webhooks(place: &Place) {
    let store = place.open().await;
    let decision =
        PassWrites { messages: vec![message("on-call", "a", 1), message("wall", "a", 1)], ..PassWrites::default() };
    assert_eq!(commit(&store, &decision).await.expect("commit"), 2);
    let names: Vec<String> = store.queues().await.expect("queues").into_iter().map(|queue| queue.webhook).collect();
    assert_eq!(names, ["on-call", "wall"]);
}

async fn a_decision_that_fails_half_way_leaves_nothing(place: &Place) {
    let store = place.open().await;
    // The outbox is written last; without it the rest must not stay either.
    place.run("ALTER TABLE outbox RENAME TO outbox_away").await;
    let decision = PassWrites {
        cases: [case("EQ-01", 1)].into(),
        messages: vec![message("on-call", "a", 1)],
        ..PassWrites::default()
    };
    let error = commit(&store, &decision).await.expect_err("no outbox");
    assert!(matches!(error, StoreError::Database { .. }), "{error}");
    place.run("ALTER TABLE outbox_away RENAME TO outbox").await;
    assert!(store.cases().await.expect("cases").is_empty());
    assert_eq!(commit(&store, &decision).await.expect("commit"), 1);
}

async fn five_hundred_stations_move_in_one_pass(place: &Place) {
    let store = place.open().await;
    let decision =
        PassWrites { cases: (0..500).map(|n| case(&format!("EQ-{n:03}"), n)).collect(), ..PassWrites::default() };
    commit(&store, &decision).await.expect("commit");
    let kept = store.cases().await.expect("cases");
    assert_eq!(kept.len(), 500);
    assert_eq!(kept.get("station/EQ-499"), case("", 499).1.as_ref());
    let none = (0..500).map(|n| gone(&format!("EQ-{n:03}"))).collect();
    commit(&store, &PassWrites { cases: none, ..PassWrites::default() }).await.expect("commit");
    assert!(store.cases().await.expect("cases").is_empty());
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
