//! The last good inventory.

use sha2::{Digest as _, Sha256};
use stationkeep::store::GoodFile;

use crate::place::{Place, on_both};

on_both!(
    the_set_is_replaced_as_a_whole,
    the_same_set_is_not_written_again,
    a_set_of_no_files_is_not_the_same_as_none,
    thirty_megabytes_go_in_and_come_out,
);

/// The files with hashes of their texts.
fn good(files: &[(String, String)]) -> Vec<GoodFile<'_>> {
    let good = |(path, text): &'_ (String, String)| (path.clone(), format!("{:?}", Sha256::digest(text)));
    let hashed = files.iter().map(good).zip(files);
    hashed.map(|((path, sha), (_, text))| GoodFile { path, sha, text }).collect()
}

fn file(path: &str, text: &str) -> (String, String) {
    (path.to_owned(), text.to_owned())
}

async fn the_set_is_replaced_as_a_whole(place: &Place) {
    let store = place.open().await;
    assert_eq!(store.good().await.expect("good"), None);
    let first = [file("b.yaml", "two"), file("a.yaml", "one"), file("c/d.yaml", "")];
    assert!(store.keep_good(&good(&first), 5).await.expect("keep"));
    let second = [file("a.yaml", "one"), file("b.yaml", "three"), file("e.yaml", "new")];
    assert!(store.keep_good(&good(&second), 9).await.expect("keep"));
    let kept = store.good().await.expect("good").expect("some");
    assert_eq!(kept.at_ms, 9);
    assert_eq!(kept.files, second);
}

async fn the_same_set_is_not_written_again(place: &Place) {
    let store = place.open().await;
    let files = [file("a.yaml", "one"), file("b.yaml", "two")];
    let turned = [file("b.yaml", "two"), file("a.yaml", "one")];
    assert!(store.keep_good(&good(&files), 5).await.expect("keep"));
    assert!(!store.keep_good(&good(&turned), 9).await.expect("keep"));
    assert_eq!(store.good().await.expect("good").map(|good| good.at_ms), Some(5));
}

async fn a_set_of_no_files_is_not_the_same_as_none(place: &Place) {
    let store = place.open().await;
    store.keep_good(&good(&[file("a.yaml", "one")]), 5).await.expect("keep");
    assert!(store.keep_good(&[], 6).await.expect("keep"));
    let kept = store.good().await.expect("good").expect("kept");
    assert!(kept.files.is_empty());
}

async fn thirty_megabytes_go_in_and_come_out(place: &Place) {
    let store = place.open().await;
    let text = "  EQ-01: {number: \"+441632960121\"}\n".repeat(1000);
    let mut files: Vec<(String, String)> =
        (0..900).map(|n| file(&format!("sites/{n:03}.yaml"), &format!("# {n}\n{text}"))).collect();
    let size: usize = files.iter().map(|(_, text)| text.len()).sum();
    assert!(size > 30_000_000);
    assert!(store.keep_good(&good(&files), 1).await.expect("keep"));
    files[450].1.push_str("# edited\n");
    assert!(store.keep_good(&good(&files), 2).await.expect("keep"));
    let kept = store.good().await.expect("good").expect("some");
    assert!(kept.files == files, "the files read are those written");
}
