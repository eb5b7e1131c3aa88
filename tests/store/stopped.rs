//! What people ask of deliveries, on both databases: webhooks stopped and started, messages sent again, lists.

use stationkeep::store::{Lasting, PassWrites, StoppedWebhook, Store, Try};

use crate::passes::message;
use crate::place::{Place, commit, on_both};

on_both!(
    a_webhook_is_stopped_once_and_started_once,
    a_try_that_is_asked_for_makes_the_first_of_the_queue_due_and_no_other,
    what_people_ask_for_is_counted_and_makes_no_stopped_webhook,
    a_delivered_message_sent_again_waits_behind_the_others_under_its_id,
    the_list_is_in_the_order_of_waiting_and_goes_by_webhook_and_delivery,
);

async fn filled(place: &Place) -> Store {
    let store = place.open().await;
    let messages = [("on-call", "a"), ("wall", "b"), ("on-call", "c")];
    let messages = messages.iter().zip(1000..).map(|((webhook, id), at)| message(webhook, id, at)).collect();
    commit(&store, &PassWrites { messages, ..PassWrites::default() }).await.expect("commit");
    store
}

async fn a_webhook_is_stopped_once_and_started_once(place: &Place) {
    let store = place.open().await;
    let odd = "on-call: \"2%_\" ü";
    let note =
        |at_ms| StoppedWebhook { at_ms, address: "https://h \"1\"".into(), message: "told-1".into(), is_asked: false };
    assert!(store.stop_webhook(odd, &note(1000)).await.expect("stop"));
    assert!(!store.stop_webhook(odd, &note(2000)).await.expect("stop"));
    assert!(store.stop_webhook("wall", &note(3000)).await.expect("stop"));
    let stopped = store.stopped_webhooks().await.expect("read");
    assert_eq!(stopped, [(odd.to_owned(), note(1000)), ("wall".to_owned(), note(3000))].into());
    // A try that someone asks for is answered by the next refusal.
    let is_asked = async || store.stopped_webhooks().await.expect("read")[odd].is_asked;
    assert!(store.try_webhook(odd, 4000).await.expect("ask"));
    assert!(!store.try_webhook("nobody", 4000).await.expect("ask"));
    assert!(is_asked().await);
    assert!(!store.stop_webhook(odd, &note(5000)).await.expect("stop"));
    assert!(!is_asked().await);
    assert_eq!(store.stopped_webhooks().await.expect("read")[odd], note(1000));
    assert!(store.start_webhook(odd).await.expect("start"));
    assert!(!store.start_webhook(odd).await.expect("start"));
    assert_eq!(store.stopped_webhooks().await.expect("read").len(), 1);
}

async fn a_try_that_is_asked_for_makes_the_first_of_the_queue_due_and_no_other(place: &Place) {
    let store = filled(place).await;
    for id in ["a", "c"] {
        let late = Try::Failed { error: "410".into(), next_due_ms: 9_000_000 };
        store.record_try("on-call", id, 2000, &late, Lasting::PowerCut).await.expect("a try");
    }
    let stopped = StoppedWebhook { at_ms: 2000, ..StoppedWebhook::default() };
    store.stop_webhook("on-call", &stopped).await.expect("stop");
    assert!(store.try_webhook("on-call", 3000).await.expect("ask"));
    let due: Vec<i64> =
        store.deliveries_of(Some("on-call"), false, 9).await.expect("read").iter().map(|one| one.due_ms).collect();
    assert_eq!(due, [3000, 9_000_000]);
}

async fn what_people_ask_for_is_counted_and_makes_no_stopped_webhook(place: &Place) {
    let store = place.open().await;
    for count in 0..3 {
        assert_eq!(store.deliveries_asked().await.expect("read"), count);
        store.ask_deliveries().await.expect("ask");
    }
    assert!(store.stopped_webhooks().await.expect("read").is_empty());
}

async fn a_delivered_message_sent_again_waits_behind_the_others_under_its_id(place: &Place) {
    let store = filled(place).await;
    assert!(!store.deliver_again("on-call", "a", 5000).await.expect("again"), "it was not delivered yet");
    store.record_try("on-call", "a", 2000, &Try::Delivered, Lasting::PowerCut).await.expect("record");
    assert!(store.deliver_again("on-call", "a", 5000).await.expect("again"));
    assert!(!store.deliver_again("on-call", "no-such", 5000).await.expect("again"));
    let queue = store.queue("on-call").await.expect("queue").expect("something waits");
    assert_eq!((queue.waiting, queue.oldest_ms), (2, 1002), "it waits since it was asked for");
    for id in ["c", "a"] {
        let due = store.due("on-call", 6000, 1).await.expect("due").remove(0);
        assert_eq!((due.id.as_str(), due.tries), (id, 0));
        store.record_try("on-call", id, 6000, &Try::Delivered, Lasting::PowerCut).await.expect("record");
    }
    assert_eq!(store.webhooks_of("b").await.expect("read"), ["wall"]);
    assert!(store.webhooks_of("no-such").await.expect("read").is_empty());
}

async fn the_list_is_in_the_order_of_waiting_and_goes_by_webhook_and_delivery(place: &Place) {
    let store = filled(place).await;
    store.record_try("on-call", "a", 2000, &Try::Delivered, Lasting::PowerCut).await.expect("record");
    let list = async |webhook, all, limit| -> String {
        let found = store.deliveries_of(webhook, all, limit).await.expect("list");
        found.iter().map(|delivery| delivery.id.as_str()).collect()
    };
    assert_eq!(list(None, false, 9).await, "bc");
    assert_eq!(list(None, true, 9).await, "abc");
    assert_eq!(list(None, true, 2).await, "bc", "the newest, where not all are wanted");
    assert_eq!(list(None, false, 1).await, "b", "the first to be sent");
    assert_eq!(list(Some("on-call"), true, 9).await, "ac");
    assert_eq!(list(Some("wall"), false, 9).await, "b");
    assert_eq!(list(Some("no-such"), true, 9).await, "");
}
