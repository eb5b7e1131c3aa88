//! A failed test call beside receivers that refuse, hang or close: whoever takes it has it at once. Ten failed calls, or as many as
//! `STATIONKEEP_TEST_FAILED` says; then each must be there within the settle time and a second (on a machine with nothing else
//! to do), which is measured and printed in any case.

use std::time::{Duration, Instant};

use super::fleet::{Fleet, SIGNING, STATIONS, uuid, webhook};
use super::killed::{Chance, seed};
use super::process::until;
use super::receiver::{Answer, Receiver};

const SETTLE: Duration = Duration::from_millis(100);

fn failed_calls() -> Option<u32> {
    std::env::var("STATIONKEEP_TEST_FAILED").ok().and_then(|text| text.parse().ok())
}

/// A report of a test call that failed.
fn report(number: u32, station: &str) -> String {
    let at = format!("2020-07-01T{:02}:{:02}:{:02}Z", number / 3600, number / 60 % 60, number % 60);
    format!(
        "report: 1\nid: {}\nstation: {station}\nat: {at}\nby: tech-03\ntests: [{{lifeline: emergency, outcome: failed}}]\n",
        uuid(20_000 + number)
    )
}

/// When a receiver has taken a message that says first that the call of this time failed.
fn has_it(receiver: &Receiver, station: &str, minute: &str) -> bool {
    let first = format!("{station}: pressing ");
    let mut got = receiver.heard().into_iter().rev();
    got.any(|got| {
        let text = got.data()["summary"].as_str().unwrap_or_default().to_owned();
        text.contains(&first) && text.contains(minute)
    })
}

#[test]
fn a_failed_test_call_reaches_at_once_whoever_takes_it_whatever_the_others_do() {
    let seed = seed();
    println!("STATIONKEEP_TEST_SEED={seed}");
    let mut chance = Chance(seed);
    let takes = Receiver::start(SIGNING);
    let fleet = Fleet::new(&takes);
    let (also, picky, hangs, closes) =
        (Receiver::start(SIGNING), Receiver::start(SIGNING), Receiver::start(SIGNING), Receiver::start(SIGNING));
    let mut webhooks = webhook("on-call");
    for (name, receiver, answer) in [
        ("also", &also, Answer::Ok),
        ("picky", &picky, Answer::Picky),
        ("hangs", &hangs, Answer::Hang),
        ("closes", &closes, Answer::Close),
    ] {
        receiver.answer(answer);
        fleet.write(&format!("config/secrets/{name}"), &receiver.url());
        webhooks += &webhook(name);
    }
    fleet.configure(SETTLE.as_millis() as u32, &webhooks);
    let daemon = fleet.start();
    takes.wait_for(1);
    let mut slowest = Duration::ZERO;
    for number in 0..failed_calls().unwrap_or(10) {
        let (station, _, _) = STATIONS[chance.below(6) as usize];
        // Each call is of a minute of its own, by which its alert is known.
        let number = number * 60;
        let minute = format!("2020-07-01 {:02}:{:02} UTC", number / 3600, number / 60 % 60);
        let began = Instant::now();
        fleet.rename_into(&format!("config/reports/failed-{number}.yaml"), &report(number, station));
        for receiver in [&takes, &also] {
            until("the failed test call", || has_it(receiver, station, &minute).then_some(()));
        }
        slowest = slowest.max(began.elapsed());
    }
    println!("slowest: {} ms", slowest.as_millis());
    if failed_calls().is_some() {
        assert!(slowest <= SETTLE + Duration::from_secs(1), "{slowest:?}\n{}", daemon.log());
    }
    // The one that refuses every tenth message has all that it takes; none stands in the way of a later one.
    until("the queue of the picky one", || {
        let listed = fleet.run(&["deliveries", "--webhook", "picky", "--format", "json"]).json();
        (listed["undelivered"] == 0).then_some(())
    });
}

/// What is said of one's refusals would be refused by the other, and told back, for ever.
#[test]
fn two_receivers_that_refuse_everything_do_not_tell_a_third_of_each_other_without_end() {
    let takes = Receiver::start(SIGNING);
    let fleet = Fleet::new(&takes);
    let (one, other) = (Receiver::start(SIGNING), Receiver::start(SIGNING));
    let mut webhooks = webhook("on-call");
    for (name, receiver) in [("one", &one), ("other", &other)] {
        receiver.answer(Answer::No(400));
        fleet.write(&format!("config/secrets/{name}"), &receiver.url());
        webhooks += &webhook(name);
    }
    fleet.configure(SETTLE.as_millis() as u32, &webhooks);
    let _daemon = fleet.start();
    let (station, _, _) = STATIONS[0];
    fleet.rename_into("config/reports/failed.yaml", &report(0, station));
    until("the failed test call", || has_it(&takes, station, "2020-07-01 00:00 UTC").then_some(()));
    // Until nothing waits for anyone any more.
    until("an end of it", || {
        let listed = fleet.run(&["deliveries", "--format", "json"]).json();
        (listed["undelivered"] == 0).then_some(())
    });
    let about = takes.heard().iter().filter(|got| got.kind() == "stationkeep.message.refused.v1").count();
    // The first alert and the failed call, each refused whole and in short by both.
    assert!((1..=8).contains(&about), "{about} messages about refusals");
}
