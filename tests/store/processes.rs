//! Several processes on one database, and processes that are killed: this test binary starts itself.

use std::process::{Child, Command, Stdio};
use std::time::Duration;

use stationkeep::store::{Appended, Store, Verification};

use crate::ledger::reports;
use crate::place::{Place, on_both};

/// Tells the binary that it is a child, and where to write: `FIRST COUNT BATCH URL`.
const ORDER: &str = "STATIONKEEP_TEST_CHILD";

on_both!(several_processes_append_to_one_chain, a_process_killed_while_it_appends_leaves_a_whole_chain,);

/// Not a test by itself: what a child does.
#[tokio::test]
async fn a_child_appends_what_it_is_told() {
    let Ok(order) = std::env::var(ORDER) else {
        return;
    };
    let mut words = order.splitn(4, ' ');
    let mut number = || -> i64 { words.next().expect("a word").parse().expect("a number") };
    let (first, count, batch) = (number(), number(), number());
    let url = order.splitn(4, ' ').nth(3).expect("an address");
    let store = Store::open(url).await.expect("an open store");
    for start in (first..first + count).step_by(batch as usize) {
        let answers = store.append(&reports(start..=start + batch - 1)).await.expect("append");
        assert!(answers.iter().all(|one| matches!(one, Appended::New { .. } | Appended::Duplicate { .. })));
    }
}

fn child(url: &str, first: i64, count: i64, batch: i64) -> Child {
    Command::new(std::env::current_exe().expect("this binary"))
        .args(["--exact", "processes::a_child_appends_what_it_is_told"])
        .env(ORDER, format!("{first} {count} {batch} {url}"))
        .stdout(Stdio::null())
        .spawn()
        .expect("a child")
}

async fn whole(store: &Store) -> i64 {
    match store.verify(None, |_, _| {}).await.expect("walk") {
        Verification::Whole { entries, .. } => entries,
        Verification::Broken(broken) => panic!("{broken}"),
    }
}

async fn several_processes_append_to_one_chain(place: &Place) {
    let store = place.open().await;
    let children: Vec<Child> = (0..4).map(|n| child(&place.url(), 1 + n * 60, 60, 3)).collect();
    for mut child in children {
        assert!(child.wait().expect("its end").success());
    }
    assert_eq!(whole(&store).await, 240);
}

async fn a_process_killed_while_it_appends_leaves_a_whole_chain(place: &Place) {
    let store = place.open().await;
    let mut counts = Vec::new();
    for round in 0..8u64 {
        let before = whole(&store).await;
        let mut child = child(&place.url(), 1, 100_000, 5);
        // However long a loaded machine takes to start it, it is killed at work.
        for _ in 0..400 {
            if whole(&store).await > before {
                break;
            }
            tokio::time::sleep(Duration::from_millis(25)).await;
        }
        tokio::time::sleep(Duration::from_millis(round * 37)).await;
        child.kill().expect("killed");
        child.wait().expect("its end");
        let entries = whole(&store).await;
        assert_eq!(entries % 5, 0, "a batch is whole or not there");
        counts.push(entries);
    }
    assert!(counts.last() > Some(&0), "it was killed while at work: {counts:?}");
}

/// Only a server can lose its connections.
#[tokio::test]
async fn connections_cut_by_the_server_are_made_again() {
    let Some(place) = Place::postgres().await else {
        return;
    };
    let store = place.open().await;
    for n in 1..=3 {
        store.append(&reports(n..=n)).await.expect("append");
        place
            .run(
                "SELECT COUNT(pg_terminate_backend(pid)) FROM pg_stat_activity \
                 WHERE datname = current_database() AND pid <> pg_backend_pid()",
            )
            .await;
    }
    assert_eq!(whole(&store).await, 3);
    place.remove().await;
}
