//! Folds kept beside the ledger: written where nobody else wrote meanwhile, as a whole or not at all.

use stationkeep::store::{FoldsHead, NewFolds, Store};

use crate::place::{Place, on_both};

on_both!(
    folds_come_back_by_name_and_others_take_their_place,
    who_goes_by_another_head_writes_nothing,
    all_of_them_can_be_removed_and_made_anew,
);

fn head(seq: i64) -> FoldsHead {
    FoldsHead { form: "1".to_owned(), seq, hash: format!("{seq:064x}") }
}

fn folds(is_all: bool, rows: &[(&str, Option<&str>)]) -> NewFolds {
    let rows = rows.iter().map(|(name, body)| ((*name).to_owned(), body.map(|body| body.as_bytes().to_vec())));
    NewFolds { is_all, rows: rows.collect() }
}

async fn kept(store: &Store) -> Vec<(String, String)> {
    let (mut all, mut at) = (Vec::new(), String::new());
    loop {
        let page = store.folds_after(&at, 2).await.expect("folds");
        let Some((last, _)) = page.last() else { break };
        at.clone_from(last);
        all.extend(page.into_iter().map(|(name, body)| (name, String::from_utf8(body).expect("a text"))));
    }
    all.sort();
    all
}

fn texts(all: &[(&str, &str)]) -> Vec<(String, String)> {
    all.iter().map(|(name, body)| ((*name).to_owned(), (*body).to_owned())).collect()
}

async fn folds_come_back_by_name_and_others_take_their_place(place: &Place) {
    let store = place.open().await;
    assert_eq!(store.folds_head().await.expect("no head"), None);
    let first = folds(true, &[("EQ-01", Some("a")), ("EQ-02", Some("b")), ("Ø-3", Some("c"))]);
    assert!(store.keep_folds(None, &head(3), &first).await.expect("kept"));
    assert_eq!(store.folds_head().await.expect("a head"), Some(head(3)));
    assert_eq!(kept(&store).await, texts(&[("EQ-01", "a"), ("EQ-02", "b"), ("Ø-3", "c")]));
    let second = folds(false, &[("EQ-02", Some("d")), ("EQ-01", None), ("EQ-04", Some("e")), ("EQ-05", None)]);
    assert!(store.keep_folds(Some(&head(3)), &head(5), &second).await.expect("kept"));
    assert_eq!(kept(&store).await, texts(&[("EQ-02", "d"), ("EQ-04", "e"), ("Ø-3", "c")]));
    assert_eq!(place.open().await.folds_head().await.expect("a head"), Some(head(5)));
}

async fn who_goes_by_another_head_writes_nothing(place: &Place) {
    let store = place.open().await;
    assert!(store.keep_folds(None, &head(3), &folds(true, &[("EQ-01", Some("a"))])).await.expect("kept"));
    let later = folds(false, &[("EQ-01", Some("b"))]);
    let form = FoldsHead { form: "2".to_owned(), ..head(3) };
    for before in [None, Some(head(2)), Some(form), Some(FoldsHead { hash: "ff".to_owned(), ..head(3) })] {
        assert!(!store.keep_folds(before.as_ref(), &head(9), &later).await.expect("an answer"), "{before:?}");
    }
    assert_eq!(store.folds_head().await.expect("a head"), Some(head(3)));
    assert_eq!(kept(&store).await, texts(&[("EQ-01", "a")]));
}

async fn all_of_them_can_be_removed_and_made_anew(place: &Place) {
    let store = place.open().await;
    let rows: Vec<(String, Option<Vec<u8>>)> = (0..120).map(|n| (format!("EQ-{n:03}"), Some(vec![n]))).collect();
    let many = NewFolds { is_all: true, rows };
    assert!(store.keep_folds(None, &head(3), &many).await.expect("kept"));
    assert_eq!(kept(&store).await.len(), 120);
    assert!(store.keep_folds(Some(&head(3)), &head(4), &folds(true, &[("A", Some("a"))])).await.expect("kept"));
    assert_eq!(kept(&store).await, texts(&[("A", "a")]));
    store.forget_folds().await.expect("removed");
    assert_eq!((store.folds_head().await.expect("none"), kept(&store).await.len()), (None, 0));
}
