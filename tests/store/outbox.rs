//! The delivery side of the outbox: order, due times, records, pruning.

use stationkeep::store::{Lasting, PassWrites, Store, Try};

use crate::passes::message;
use crate::place::{Place, commit, on_both};

on_both!(
    only_the_oldest_undelivered_message_is_ever_due,
    a_failed_message_holds_back_those_behind_it_until_its_time,
    a_delivered_message_is_never_delivered_again,
    a_message_can_be_made_due_by_hand,
    a_clock_set_back_makes_a_waiting_message_due,
    queues_are_counted_with_the_age_of_the_oldest,
    old_deliveries_are_pruned_and_waiting_ones_never,
    the_list_of_deliveries_is_newest_first_without_bodies,
);

async fn filled(place: &Place, ids: &[&str]) -> Store {
    let store = place.open().await;
    let decision = PassWrites {
        messages: ids.iter().zip(1000..).map(|(id, at)| message("on-call", id, at)).collect(),
        ..PassWrites::default()
    };
    commit(&store, &decision).await.expect("commit");
    store
}

async fn due(store: &Store, now_ms: i64) -> Option<String> {
    store.due("on-call", now_ms, 1).await.expect("outbox").pop().map(|waiting| waiting.id)
}

fn failed(next_due_ms: i64) -> Try {
    Try::Failed { error: "the receiver answered 500".to_owned(), next_due_ms }
}

async fn record(store: &Store, id: &str, now_ms: i64, outcome: Try) -> bool {
    // Whatever it outlives, a record means the same.
    let lasting = if now_ms % 2000 == 0 { Lasting::Kill } else { Lasting::PowerCut };
    store.record_try("on-call", id, now_ms, &outcome, lasting).await.expect("record")
}

async fn only_the_oldest_undelivered_message_is_ever_due(place: &Place) {
    let store = filled(place, &["c", "a", "b"]).await;
    for id in ["c", "a", "b"] {
        assert_eq!(due(&store, 2000).await.as_deref(), Some(id));
        assert!(record(&store, id, 2000, Try::Delivered).await);
    }
    assert_eq!(due(&store, 2000).await, None);
    assert_eq!(store.next_due_at("on-call", 2000).await.expect("due"), None);
    assert_eq!(store.due("wall", 2000, 9).await.expect("outbox"), []);
}

async fn a_failed_message_holds_back_those_behind_it_until_its_time(place: &Place) {
    let store = filled(place, &["a", "b"]).await;
    assert!(record(&store, "a", 2000, failed(7000)).await);
    assert_eq!(due(&store, 6999).await, None);
    assert_eq!(store.next_due_at("on-call", 3000).await.expect("due"), Some(7000));
    assert_eq!(store.due("on-call", 6999, 9).await.expect("outbox"), []);
    let due = store.due("on-call", 7000, 9).await.expect("outbox");
    assert_eq!(due.iter().map(|waiting| waiting.id.as_str()).collect::<Vec<_>>(), ["a", "b"]);
    let head = &due[0];
    assert_eq!((head.id.as_str(), head.tries), ("a", 1));
    assert_eq!(head.body, message("on-call", "a", 1).body);
    let shown = store.deliveries_of(Some("on-call"), false, 9).await.expect("outbox");
    assert_eq!(shown[0].last_error.as_deref(), Some("the receiver answered 500"));
    assert_eq!((shown[0].last_try_ms, shown[0].due_ms), (Some(2000), 7000));
}

async fn a_delivered_message_is_never_delivered_again(place: &Place) {
    let store = filled(place, &["a"]).await;
    assert!(record(&store, "a", 2000, Try::Delivered).await);
    assert!(!record(&store, "a", 3000, failed(3001)).await);
    assert!(!record(&store, "none", 3000, Try::Delivered).await);
    let shown = store.deliveries_of(None, true, 9).await.expect("outbox");
    assert_eq!((shown[0].tries, shown[0].delivered_ms), (1, Some(2000)));
    assert_eq!(shown[0].last_error, None);
}

async fn a_message_can_be_made_due_by_hand(place: &Place) {
    let store = filled(place, &["a"]).await;
    record(&store, "a", 2000, failed(999_000)).await;
    assert!(store.send_again("on-call", "a", 3000).await.expect("again"));
    assert_eq!(due(&store, 3000).await.as_deref(), Some("a"));
    record(&store, "a", 3000, Try::Delivered).await;
    assert!(!store.send_again("on-call", "a", 4000).await.expect("again"));
}

async fn a_clock_set_back_makes_a_waiting_message_due(place: &Place) {
    let store = filled(place, &["a"]).await;
    // Written by a clock far ahead, never tried.
    assert_eq!(due(&store, 5).await.as_deref(), Some("a"));
    record(&store, "a", 9_000_000, failed(9_005_000)).await;
    assert_eq!(due(&store, 9_004_999).await, None);
    assert_eq!(due(&store, 8_999_999).await.as_deref(), Some("a"));
}

async fn queues_are_counted_with_the_age_of_the_oldest(place: &Place) {
    let store = filled(place, &["a", "b", "c"]).await;
    record(&store, "a", 2000, Try::Delivered).await;
    let queue = store.queue("on-call").await.expect("queue").expect("some wait");
    assert_eq!((queue.waiting, queue.oldest_ms), (2, 1001));
    assert_eq!(store.queues().await.expect("queues"), [queue]);
    assert_eq!(store.queue("wall").await.expect("queue"), None);
}

async fn old_deliveries_are_pruned_and_waiting_ones_never(place: &Place) {
    let store = filled(place, &["a", "b", "c"]).await;
    record(&store, "a", 2000, Try::Delivered).await;
    record(&store, "b", 3000, Try::Delivered).await;
    assert_eq!(store.prune_delivered(3000).await.expect("prune"), 1);
    assert_eq!(store.prune_delivered(i64::MAX).await.expect("prune"), 1);
    assert_eq!(store.prune_delivered(i64::MAX).await.expect("prune"), 0);
    assert_eq!(due(&store, 4000).await.as_deref(), Some("c"));
    // Order still holds for what comes after an emptied table.
    let more = PassWrites { messages: vec![message("on-call", "d", 5000)], ..PassWrites::default() };
    commit(&store, &more).await.expect("commit");
    record(&store, "c", 6000, Try::Delivered).await;
    assert_eq!(due(&store, 6000).await.as_deref(), Some("d"));
}

async fn the_list_of_deliveries_is_newest_first_without_bodies(place: &Place) {
    let store = filled(place, &["a", "b", "c"]).await;
    let ids: Vec<String> =
        store.deliveries_of(None, true, 2).await.expect("outbox").into_iter().map(|one| one.id).collect();
    assert_eq!(ids, ["b", "c"]);
    let body = store.message_body("on-call", "a").await.expect("body");
    assert_eq!(body, Some(message("on-call", "a", 1).body));
    assert_eq!(store.message_body("on-call", "z").await.expect("body"), None);
}
