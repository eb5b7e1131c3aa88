//! Rejected reports and dropped files.

use stationkeep::store::{DroppedOutcome, EntryKind, NewEntry, NewRejected};

use crate::place::{Place, on_both};

on_both!(
    a_rejected_report_is_told_once_by_its_content,
    rejected_reports_are_read_from_where_one_left_off_and_by_their_own_ids,
    files_are_known_by_content_and_the_later_outcome_counts,
    many_files_are_looked_up_at_once,
    what_came_in_is_recorded_whole_or_not_at_all,
);

fn rejected(n: i64) -> NewRejected {
    NewRejected {
        content_sha: format!("sha-{n}"),
        id: "019a6c1e-8f00-7000-8000-000000000001".to_owned(),
        source: format!("file reports/{n}.yaml"),
        reasons: "[\"unknown station\"]".to_owned(),
        body: "report: 1\n".to_owned(),
        report: (n % 2 == 0).then(|| format!("r-{}", n / 4)),
        station: Some("EQ-01".to_owned()),
        at_ms: n,
    }
}

fn outcome(n: i64, outcome: &str) -> DroppedOutcome {
    DroppedOutcome { content_sha: format!("sha-{n}"), name: format!("{n}.yaml"), outcome: outcome.to_owned(), at_ms: n }
}

async fn a_rejected_report_is_told_once_by_its_content(place: &Place) {
    let store = place.open().await;
    store.keep_rejected(&[rejected(1)]).await.expect("keep");
    let mut again = rejected(1);
    again.source = "http".to_owned();
    store.keep_rejected(&[again]).await.expect("keep");
    assert_eq!(store.rejected_count().await.expect("count"), 1);
    let kept = store.rejected_after(0, 10).await.expect("rejected");
    assert_eq!(kept[0].source, "file reports/1.yaml");
    assert_eq!(kept[0].reasons, rejected(1).reasons);
    assert_eq!((kept[0].report.as_deref(), kept[0].station.as_deref()), (None, Some("EQ-01")));
}

async fn rejected_reports_are_read_from_where_one_left_off_and_by_their_own_ids(place: &Place) {
    let store = place.open().await;
    assert_eq!(store.rejected_newest().await.expect("newest"), 0);
    for n in 1..=7 {
        store.keep_rejected(&[rejected(n)]).await.expect("keep");
    }
    let first = store.rejected_after(0, 2).await.expect("rejected");
    let second = store.rejected_after(first[1].seq, 9).await.expect("rejected");
    let order: Vec<&str> = first.iter().chain(&second).map(|one| one.content_sha.as_str()).collect();
    assert_eq!(order, ["sha-1", "sha-2", "sha-3", "sha-4", "sha-5", "sha-6", "sha-7"]);
    assert_eq!(store.rejected_newest().await.expect("newest"), second[4].seq);
    let named = async |last: i64| -> Vec<String> {
        let ids = ["r-1", "r-0", "r-7"].map(str::to_owned);
        let found = store.rejected_as(&ids, last).await.expect("rejected");
        found.into_iter().map(|one| one.content_sha).collect()
    };
    assert_eq!(named(i64::MAX).await, ["sha-2", "sha-4", "sha-6"]);
    assert_eq!(named(second[1].seq).await, ["sha-2", "sha-4"]);
}

async fn files_are_known_by_content_and_the_later_outcome_counts(place: &Place) {
    let store = place.open().await;
    store.set_dropped_outcomes(&[outcome(1, "rejected"), outcome(2, "new")]).await.expect("set");
    store.set_dropped_outcomes(&[outcome(1, "new")]).await.expect("set");
    let shas = ["sha-1", "sha-2", "sha-3"].map(str::to_owned);
    let found = store.dropped_outcomes(&shas).await.expect("found");
    assert_eq!(found.len(), 2);
    assert_eq!(found["sha-1"].outcome, "new");
    assert_eq!(found["sha-2"], outcome(2, "new"));
}

async fn many_files_are_looked_up_at_once(place: &Place) {
    let store = place.open().await;
    let all: Vec<DroppedOutcome> = (0..700).map(|n| outcome(n, "new")).collect();
    store.set_dropped_outcomes(&all).await.expect("set");
    let shas: Vec<String> = (350..1400).map(|n| format!("sha-{n}")).collect();
    assert_eq!(store.dropped_outcomes(&shas).await.expect("found").len(), 350);
}

async fn what_came_in_is_recorded_whole_or_not_at_all(place: &Place) {
    let store = place.open().await;
    let entry = |n: i64| NewEntry {
        kind: EntryKind::Report,
        id: format!("r-{n}"),
        station: "EQ-01".into(),
        at_ms: n,
        recorded_ms: n,
        body: format!("{{\"n\":{n}}}"),
    };
    let both = [outcome(1, "recorded"), outcome(1, "recorded"), outcome(2, "rejected")];
    assert!(store.record(&[entry(1), entry(2)], &[rejected(1)], &both).await.expect("recorded"));
    assert_eq!(store.head().await.expect("head").seq, 2);
    // One of them is on record: none of the rest is.
    let next = [entry(3), entry(2)];
    assert!(!store.record(&next, &[rejected(2)], &[outcome(3, "recorded")]).await.expect("an answer"));
    assert_eq!(store.head().await.expect("head").seq, 2);
    assert_eq!(store.rejected_count().await.expect("count"), 1);
    let shas: Vec<String> = (1..=3).map(|n| format!("sha-{n}")).collect();
    let found = store.dropped_outcomes(&shas).await.expect("found");
    let found: Vec<_> = found.values().map(|one| (one.content_sha.as_str(), one.outcome.as_str())).collect();
    assert_eq!(found, [("sha-1", "recorded"), ("sha-2", "rejected")]);
    assert!(store.record(&[], &[], &[]).await.expect("nothing to do"));
}
