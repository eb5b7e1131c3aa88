//! Adding to the ledger and reading it back.

use stationkeep::store::{Appended, EntryKind, GENESIS, Head, NewEntry, StoreError, Verification};

use crate::place::{Place, on_both, try_run};

pub fn report(n: i64) -> NewEntry {
    NewEntry {
        kind: EntryKind::Report,
        id: format!("019a6c1e-8f00-7000-8000-{n:012}"),
        station: format!("EQ-{:02}", n % 7),
        at_ms: 1_763_633_640_000 + n,
        recorded_ms: 1_763_633_650_000 + n,
        body: format!("{{\"n\":{n},\"note\":\"Flåte, 'lamp' works\"}}"),
    }
}

pub fn reports(range: std::ops::RangeInclusive<i64>) -> Vec<NewEntry> {
    range.map(report).collect()
}

on_both!(
    an_empty_ledger_has_the_first_head_and_verifies,
    entries_are_numbered_without_holes_and_read_back_as_given,
    entries_come_station_by_station_whatever_the_size_of_a_page,
    entries_are_found_by_their_ids,
    sending_again_is_harmless_and_other_content_is_a_conflict,
    an_id_repeated_in_one_batch_is_judged_like_one_sent_twice,
    the_same_id_may_stand_under_each_kind,
    the_database_itself_refuses_to_change_an_entry,
    a_text_that_only_one_database_could_keep_is_rejected_by_both,
    a_long_ledger_is_walked_in_pages_with_progress,
    a_head_noted_earlier_must_still_be_in_the_chain,
    bodies_come_back_whatever_phrase_book_they_were_packed_with,
    the_newest_hash_is_the_head_s_and_every_other_is_found_by_its_number,
    a_failed_batch_leaves_nothing_behind,
    an_append_given_up_half_way_is_whole_or_not_there,
);

async fn an_empty_ledger_has_the_first_head_and_verifies(place: &Place) {
    let store = place.open().await;
    assert_eq!(store.head().await.expect("head"), Head::empty());
    assert_eq!(
        store.verify(None, |_, _| {}).await.expect("walk"),
        Verification::Whole { entries: 0, head: Head::empty() }
    );
    assert!(store.append(&[]).await.expect("nothing").is_empty());
}

async fn entries_are_numbered_without_holes_and_read_back_as_given(place: &Place) {
    let store = place.open().await;
    let given = reports(1..=60);
    let answers = store.append(&given).await.expect("append");
    let expected: Vec<Appended> = (1..=60).map(|seq| Appended::New { seq }).collect();
    assert_eq!(answers, expected);

    let read = store.entries_after(0, 100).await.expect("entries");
    for ((entry, given), seq) in read.iter().zip(&given).zip(1..) {
        assert_eq!((entry.seq, entry.kind), (seq, given.kind));
        assert_eq!((&entry.id, &entry.station), (&given.id, &given.station));
        assert_eq!((entry.at_ms, entry.recorded_ms), (given.at_ms, given.recorded_ms));
        assert_eq!(entry.body, given.body);
    }
    assert_eq!(read.len(), 60);
    assert_eq!(store.head().await.expect("head"), Head { seq: 60, hash: read[59].hash.clone() });

    let some = store.entries_after(58, 1).await.expect("entries");
    assert_eq!(some.first().map(|entry| entry.seq), Some(59));
    let of_one = store.entries_of("EQ-03").await.expect("entries");
    let seqs: Vec<i64> = of_one.iter().map(|entry| entry.seq).collect();
    assert_eq!(seqs, [3, 10, 17, 24, 31, 38, 45, 52, 59]);
    let found = store.entry(EntryKind::Report, &given[6].id).await.expect("entry");
    assert_eq!(found.map(|entry| entry.seq), Some(7));
    assert_eq!(store.entry(EntryKind::Script, &given[6].id).await.expect("entry"), None);
}

async fn entries_come_station_by_station_whatever_the_size_of_a_page(place: &Place) {
    let store = place.open().await;
    store.append(&reports(1..=60)).await.expect("append");
    for size in [1, 4, 9, 60, 100] {
        let (mut read, mut at) = (Vec::new(), (String::new(), 0));
        loop {
            // Those added after the 50th are not asked for.
            let page = store.entries_by_station((&at.0, at.1), 50, size).await.expect("entries");
            let Some(last) = page.last() else { break };
            at = (last.station.clone(), last.seq);
            read.extend(page.into_iter().map(|entry| (entry.station, entry.seq)));
        }
        let mut expected: Vec<(String, i64)> = (1..=50).map(|seq| (format!("EQ-{:02}", seq % 7), seq)).collect();
        expected.sort();
        assert_eq!(read, expected, "in pages of {size}");
    }
}

async fn entries_are_found_by_their_ids(place: &Place) {
    let store = place.open().await;
    let given = reports(1..=120);
    store.append(&given).await.expect("append");
    let mut ids: Vec<String> = given.iter().map(|entry| entry.id.clone()).collect();
    ids.push("none".to_owned());
    ids.push("no\0ne".to_owned());
    let mut found: Vec<i64> =
        store.entries_named(EntryKind::Report, &ids).await.expect("entries").iter().map(|entry| entry.seq).collect();
    found.sort();
    assert_eq!(found, (1..=120).collect::<Vec<_>>());
    assert_eq!(store.entries_named(EntryKind::Script, &ids).await.expect("entries"), []);
}

async fn sending_again_is_harmless_and_other_content_is_a_conflict(place: &Place) {
    let store = place.open().await;
    store.append(&reports(1..=3)).await.expect("append");
    let before = store.head().await.expect("head");
    let again = store.append(&reports(1..=3)).await.expect("append");
    assert_eq!(again, [1, 2, 3].map(|seq| Appended::Duplicate { seq }));
    assert_eq!(store.head().await.expect("head"), before);

    let mut other = report(2);
    other.body.push(' ');
    let answers = store.append(&[report(4), other, report(5)]).await.expect("append");
    assert_eq!(answers, [Appended::New { seq: 4 }, Appended::Conflict { seq: 2 }, Appended::New { seq: 5 }]);
    let kept = store.entry(EntryKind::Report, &report(2).id).await.expect("entry");
    assert_eq!(kept.map(|entry| entry.body), Some(report(2).body));
}

async fn an_id_repeated_in_one_batch_is_judged_like_one_sent_twice(place: &Place) {
    let store = place.open().await;
    let mut other = report(1);
    other.body = "{}".to_owned();
    let answers = store.append(&[report(1), report(1), other]).await.expect("append");
    assert_eq!(answers, [Appended::New { seq: 1 }, Appended::Duplicate { seq: 1 }, Appended::Conflict { seq: 1 }]);
}

async fn the_same_id_may_stand_under_each_kind(place: &Place) {
    let store = place.open().await;
    let mut script = report(1);
    script.kind = EntryKind::Script;
    let answers = store.append(&[report(1), script]).await.expect("append");
    assert_eq!(answers, [1, 2].map(|seq| Appended::New { seq }));
}

async fn the_database_itself_refuses_to_change_an_entry(place: &Place) {
    let store = place.open().await;
    store.append(&reports(1..=3)).await.expect("append");
    for sql in
        ["UPDATE ledger SET body = 'x' WHERE seq = 2", "DELETE FROM ledger WHERE seq = 3", "DELETE FROM ledger_head"]
    {
        let error = try_run(&place.url(), sql).await.expect_err(sql);
        assert!(error.to_string().contains("append-only"), "{sql}: {error}");
    }
    assert_eq!(store.entries_after(0, 10).await.expect("entries").len(), 3);
}

async fn a_text_that_only_one_database_could_keep_is_rejected_by_both(place: &Place) {
    let store = place.open().await;
    let mut bad = report(2);
    bad.body.push('\0');
    let error = store.append(&[report(1), bad]).await.expect_err("a NUL");
    assert!(matches!(error, StoreError::Nul { .. }), "{error}");
    assert_eq!(store.head().await.expect("head"), Head::empty());
    assert_eq!(store.entry(EntryKind::Report, "\0").await.expect("entry"), None);
    assert!(store.entries_of("\0").await.expect("entries").is_empty());
}

async fn a_long_ledger_is_walked_in_pages_with_progress(place: &Place) {
    let store = place.open().await;
    store.append(&reports(1..=2500)).await.expect("append");
    let mut heard = Vec::new();
    let found = store.verify(None, |done, total| heard.push((done, total))).await.expect("walk");
    let head = store.head().await.expect("head");
    assert_eq!(found, Verification::Whole { entries: 2500, head });
    assert_eq!(heard, [(1000, 2500), (2000, 2500), (2500, 2500)]);
}

async fn a_head_noted_earlier_must_still_be_in_the_chain(place: &Place) {
    let store = place.open().await;
    store.append(&reports(1..=20)).await.expect("append");
    let noted = store.head().await.expect("head");
    store.append(&reports(21..=25)).await.expect("append");
    let head = store.head().await.expect("head");
    for noted in [&noted, &head, &Head::empty()] {
        let found = store.verify(Some(noted), |_, _| {}).await.expect("walk");
        assert_eq!(found, Verification::Whole { entries: 25, head: head.clone() });
    }
}

/// Long enough for several phrase books, in batches that cross where the next is due.
async fn bodies_come_back_whatever_phrase_book_they_were_packed_with(place: &Place) {
    let store = place.open().await;
    let given: Vec<NewEntry> = (1..=700)
        .map(|n| {
            let note = format!("berth {} of {}, number +4416329601{:02}", n % 13, n / 100, n % 89);
            NewEntry {
                body: format!("{{\"report\":{n},\"note\":\"{note}\",\"left\":{{\"identity\":\"{n}\"}}}}"),
                ..report(n)
            }
        })
        .collect();
    for batch in [&given[..1], &given[1..63], &given[63..64], &given[64..65], &given[65..511], &given[511..]] {
        store.append(batch).await.expect("append");
    }
    // One that has read no book yet.
    let other = place.open().await;
    for (entry, given) in other.entries_after(0, 1_000).await.expect("entries").iter().zip(&given) {
        assert_eq!((&entry.id, &entry.body), (&given.id, &given.body));
    }
    let again = other.append(&given).await.expect("append");
    assert!(again.iter().zip(1..).all(|(one, seq)| *one == Appended::Duplicate { seq }));
    assert!(matches!(other.verify(None, |_, _| {}).await.expect("walk"), Verification::Whole { entries: 700, .. }));
}

async fn the_newest_hash_is_the_head_s_and_every_other_is_found_by_its_number(place: &Place) {
    let store = place.open().await;
    store.append(&reports(1..=3)).await.expect("append");
    let read = store.entries_after(0, 10).await.expect("entries");
    for entry in &read {
        assert_eq!(store.hash_at(entry.seq).await.expect("a hash").as_ref(), Some(&entry.hash));
    }
    assert_eq!(store.hash_at(0).await.expect("a hash").as_deref(), Some(GENESIS));
    assert_eq!(store.hash_at(4).await.expect("none"), None);
}

async fn a_failed_batch_leaves_nothing_behind(place: &Place) {
    let store = place.open().await;
    store.append(&reports(1..=2)).await.expect("append");
    // Someone wrote a row that the head does not know: number 3 is taken, so the batch fails half-way.
    place.run(&place.stray_entry(3)).await;
    store.append(&reports(3..=40)).await.expect_err("number 3 is taken");
    let head = store.head().await.expect("head");
    assert_eq!(head.seq, 2);
    assert_eq!(store.entries_after(0, 100).await.expect("entries").len(), 3);
}

async fn an_append_given_up_half_way_is_whole_or_not_there(place: &Place) {
    let store = place.open().await;
    let mut given_up = 0;
    for round in 0..30u64 {
        let first = 1 + 100 * round as i64;
        let batch = reports(first..=first + 99);
        let patience = std::time::Duration::from_micros(300 * round);
        given_up += i32::from(tokio::time::timeout(patience, store.append(&batch)).await.is_err());
    }
    assert!(given_up > 0, "some were given up");
    store.append(&reports(9001..=9001)).await.expect("the store still works");
    let found = store.verify(None, |_, _| {}).await.expect("walk");
    let Verification::Whole { entries, .. } = found else {
        panic!("{found:?}");
    };
    assert_eq!(entries % 100, 1);
}
