//! kill -9 at moments of chance while files change and reports come in: 20 times during 200 changes, or as often as
//! `STATIONKEEP_TEST_KILLS` says during ten times as many (200 take about five minutes). `STATIONKEEP_TEST_SEED` repeats
//! a run's chances.

use std::collections::BTreeSet;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use super::fleet::{Fleet, SIGNING, STATIONS, fleet_yaml, north_yaml, uuid, webhook};
use super::process::{Daemon, signal, until};
use super::receiver::{Answer, Receiver, is_tenth};
use super::told::{REFUSED, drifting, in_order, open_cases, refused_sources, settled_within};

/// Changes for each kill.
const CHANGES: u32 = 10;

fn kills() -> u32 {
    std::env::var("STATIONKEEP_TEST_KILLS").ok().and_then(|text| text.parse().ok()).unwrap_or(20)
}

/// SplitMix64 (Steele, Lea, Flood 2014; constants from memory): any sequence without a pattern will do.
pub struct Chance(pub u64);

impl Chance {
    pub fn below(&mut self, limit: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) % limit
    }
}

/// The run's chances: those given, or any.
pub fn seed() -> u64 {
    let given = std::env::var("STATIONKEEP_TEST_SEED").ok().and_then(|text| text.parse().ok());
    let now = || SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.subsec_nanos().into());
    given.unwrap_or_else(now)
}

/// One change that someone makes, whether the daemon runs or not.
fn change(fleet: &Fleet, number: u32, chance: &mut Chance) {
    let (station, _, _) = STATIONS[chance.below(6) as usize];
    let at = format!("2020-06-{:02}T{:02}:{:02}:00Z", 1 + number / 1440, number / 60 % 24, number % 60);
    let head = format!("report: 1\nid: {}\nstation: {station}\nat: {at}\nby: tech-03\n", uuid(10_000 + number));
    match chance.below(8) {
        0..3 => {
            let officer = format!("+4477009001{:02}", 40 + chance.below(4));
            fleet.rename_into("config/inventory/fleet.yaml", &fleet_yaml(&officer));
        }
        3..5 => {
            let report = format!("{head}left: {{gate.seconds: {}}}\n", 6 + chance.below(3));
            fleet.rename_into(&format!("config/reports/{number:04}.yaml"), &report);
        }
        5 => {
            let outcome = ["failed", "reached"][chance.below(2) as usize];
            let report = format!("{head}tests: [{{lifeline: emergency, outcome: {outcome}}}]\n");
            let name = format!("test-{number:04}.yaml");
            fleet.write(&name, &report);
            // 2: its station may be out of the inventory at the moment.
            let done = fleet.run(&["report", &name]);
            assert!(matches!(done.code, Some(0 | 2)), "{done:?}");
        }
        6 => {
            let all = ["NP-01", "NP-02", "NP-03", "NP-04"];
            let some = &all[..3 + chance.below(2) as usize];
            fleet.rename_into("config/inventory/north.yaml", &north_yaml(some));
        }
        _ => {
            let report = format!("{head}left: {{no.such.setting: {number}}}\n");
            fleet.rename_into(&format!("config/reports/{number:04}.yaml"), &report);
        }
    }
    std::thread::sleep(Duration::from_millis(chance.below(80)));
}

/// Says that it is over when it is dropped.
struct Over<'o>(&'o AtomicBool);

impl Drop for Over<'_> {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Release);
    }
}

#[test]
fn whenever_it_is_killed_every_case_is_told_nothing_twice_and_all_in_order() {
    let seed = seed();
    println!("STATIONKEEP_TEST_SEED={seed}");
    let began = Instant::now();
    let receiver = Receiver::witnessed(SIGNING);
    let fleet = Fleet::new(&receiver);
    let picky = picky(&fleet);
    let (kills, over) = (kills(), AtomicBool::new(false));
    let (made, killed) = (AtomicU32::new(0), AtomicU32::new(0));
    std::thread::scope(|scope| {
        let (home, environment) = (fleet.home().to_owned(), fleet.environment.clone());
        let (receiver, over, made, killed) = (&receiver, &over, &made, &killed);
        let killer = scope.spawn(move || {
            let mut chance = Chance(seed);
            let mut end = 0;
            while !over.load(Ordering::Acquire) {
                let daemon = Daemon::spawn(&home, &environment);
                // A life of as many changes as there are for a kill on the average, however slow the machine is.
                end += chance.below(2 * u64::from(CHANGES) + 1);
                while u64::from(made.load(Ordering::Acquire)) < end && !over.load(Ordering::Acquire) {
                    std::thread::sleep(Duration::from_millis(5));
                }
                std::thread::sleep(Duration::from_millis(chance.below(500)));
                receiver.answer([Answer::Ok, Answer::Ok, Answer::Ok, Answer::Close][chance.below(4) as usize]);
                daemon.kill();
                killed.fetch_add(1, Ordering::AcqRel);
            }
        });
        // The killer ends with the changes, even where one fails.
        let ends = Over(over);
        let mut chance = Chance(!seed);
        let mut number = 0;
        while !killer.is_finished() && (killed.load(Ordering::Acquire) < kills || number < kills * CHANGES) {
            change(&fleet, number, &mut chance);
            number += 1;
            made.store(number, Ordering::Release);
        }
        drop(ends);
        killer.join().expect("no panic");
    });
    receiver.answer(Answer::Ok);
    let daemon = fleet.start();
    // On a slow machine the receiver may have refused several tries, each of which doubles the wait for the next.
    settled_within(Duration::from_secs(120), &receiver, &fleet);
    let bad = bad_reports(&fleet);
    until("every refused report told", || (told_of(&receiver, &bad).len() >= bad.len()).then_some(()));
    let refused = nothing_is_stuck(&picky, &fleet, &receiver);
    how_the_refusals_stand_is_told(&daemon, &picky, &receiver);
    let heard = receiver.heard().len();
    signal(daemon.pid(), "HUP");
    let heard = receiver.still(&daemon, heard);
    assert_eq!(open_cases(&heard), drifting(&fleet.drift()), "{}", daemon.log());
    assert_eq!(told_of(&receiver, &bad), bad);
    in_order(&receiver);
    fleet.run(&["ledger", "verify"]).ended(0);
    let requests = receiver.requests();
    assert_eq!(receiver.witness_saw(), requests.len());
    let (made, killed, took) = (made.into_inner(), killed.into_inner(), began.elapsed().as_secs());
    let taken = requests.iter().filter(|got| got.taken).count();
    let (twice, missed) = (taken - heard.len(), requests.len() - taken);
    let heard = heard.len();
    println!(
        "{made} changes, {killed} kills, {took} s: {heard} heard, {twice} of them twice, {missed} tries not taken, {refused} refused"
    );
}

/// Another receiver of the fleet, which will not take about every tenth message, however often it is sent.
fn picky(fleet: &Fleet) -> Receiver {
    let picky = Receiver::start(SIGNING);
    picky.answer(Answer::Picky);
    fleet.write("config/secrets/picky", &picky.url());
    fleet.configure(100, &(webhook("on-call") + &webhook("picky")));
    picky
}

/// A receiver that refuses some messages for good got the short form of each, and all others; nothing waits for it. Returns how
/// many it refused.
fn nothing_is_stuck(picky: &Receiver, fleet: &Fleet, other: &Receiver) -> usize {
    until("an empty queue", || {
        let listed = fleet.run(&["deliveries", "--webhook", "picky", "--format", "json"]).json();
        (listed["undelivered"] == 0).then_some(())
    });
    let refused: BTreeSet<String> = picky.requests().into_iter().map(|got| got.id).filter(|id| is_tenth(id)).collect();
    // One id, one body: `heard` holds that.
    let heard: BTreeSet<String> = picky.heard().into_iter().map(|got| got.id).collect();
    for id in &refused {
        assert!(!heard.contains(id) && heard.contains(&id.replace("told-", "short-")), "{id}");
    }
    // Of a hundred messages none is refused three times in a hundred thousand runs.
    assert!(!refused.is_empty() || heard.len() < 100, "no message was refused");
    // The other receiver hears of it, of none twice, and not of those that come before a whole message was taken again.
    let told = || -> u64 {
        let told = other.heard().into_iter().filter(|got| got.kind() == REFUSED);
        told.map(|got| got.data()["count"].as_u64().unwrap_or(0)).sum()
    };
    until("the refusals told", || (told() > 0 || refused.is_empty()).then_some(()));
    assert!(told() <= refused.len() as u64, "{} of {}", told(), refused.len());
    refused.len()
}

/// What the other receiver heard last of a receiver that refuses messages is how it is: over, once a whole message was taken. A
/// pass tells it.
fn how_the_refusals_stand_is_told(daemon: &Daemon, picky: &Receiver, other: &Receiver) {
    signal(daemon.pid(), "HUP");
    until("how the refusals stand", || {
        let is_whole = picky.heard().last().is_some_and(|got| got.id.starts_with("told-"));
        let last = other.heard().into_iter().rfind(|got| got.kind() == REFUSED);
        last.is_none_or(|got| got.data()["state"] == if is_whole { "over" } else { "refused" }).then_some(())
    });
}

/// The files in the reports folder that nobody can take, as they are named in alerts.
fn bad_reports(fleet: &Fleet) -> Vec<String> {
    let folder = std::fs::read_dir(fleet.path("config/reports")).expect("a folder");
    let files = folder.map(|file| file.expect("a file"));
    let mut bad: Vec<String> = files
        .filter(|file| std::fs::read_to_string(file.path()).is_ok_and(|text| text.contains("no.such")))
        .map(|file| format!("reports/{}", file.file_name().to_string_lossy()))
        .collect();
    bad.sort();
    bad
}

/// Those of them that were told of, each as often as it was.
fn told_of(receiver: &Receiver, bad: &[String]) -> Vec<String> {
    let told = refused_sources(&receiver.heard());
    told.into_iter().filter(|source| bad.contains(source)).collect()
}
