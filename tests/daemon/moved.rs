//! Recorded files move by month: only what was recorded, by the daemon alone, and whenever it is killed each file is in one
//! place and counts once. 12 kills, or as many as `STATIONKEEP_TEST_MOVE_KILLS` says; `STATIONKEEP_TEST_SEED` repeats a run's
//! chances.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use super::fleet::{Fleet, SIGNING, configuration, uuid, webhook};
use super::killed::{Chance, seed};
use super::process::{Daemon, until, until_within};
use super::receiver::Receiver;
use super::told::{REPORT, refused_sources};

/// A fleet whose recorded files move.
fn moving(receiver: &Receiver) -> Fleet {
    let fleet = Fleet::new(receiver);
    let text = configuration(100, &webhook("on-call"));
    let text = text.replace("reports: reports\n", "reports: reports\nreports_taken: reports/taken\n");
    fleet.rename_into("config/stationkeep.yaml", &text);
    fleet
}

/// The files below a folder, by their way down, with what they hold.
fn files(folder: &Path) -> BTreeMap<String, String> {
    fn go(folder: &Path, top: &Path, all: &mut BTreeMap<String, String>) {
        for entry in fs::read_dir(folder).expect("a folder").map(|entry| entry.expect("an entry")) {
            let path = entry.path();
            if path.is_dir() {
                go(&path, top, all);
            } else {
                let name = path.strip_prefix(top).expect("below").display().to_string();
                all.insert(name, fs::read_to_string(&path).expect("a file"));
            }
        }
    }
    let mut all = BTreeMap::new();
    go(folder, folder, &mut all);
    all
}

fn report(number: u32, rest: &str) -> String {
    format!("report: 1\nid: {}\nstation: NP-01\nat: 2020-05-01T10:00:00Z\nby: tech-03\n{rest}\n", uuid(number))
}

fn reports_on_record(fleet: &Fleet) -> Vec<String> {
    let export = fleet.run(&["ledger", "export"]).ended(0).out;
    export.lines().filter(|line| line.contains("\"report\":1")).map(str::to_owned).collect()
}

#[test]
fn the_daemon_alone_moves_what_is_recorded_and_what_is_rejected_stays() {
    let receiver = Receiver::start(SIGNING);
    let fleet = moving(&receiver);
    fleet.write("config/reports/may/first.yaml", &report(601, "left: {gate.seconds: 7}"));
    fleet.drift();
    assert!(fleet.path("config/reports/may/first.yaml").exists(), "a command moves nothing");
    assert!(!fleet.path("config/reports/taken").exists());
    let daemon = fleet.start();
    let sheet = |seconds: &str| format!("station,at,by,gate.seconds\nNP-02,2020-04-01T09:00:00Z,tech-03,{seconds}\n");
    fleet.rename_into("config/reports/bad.yaml", &report(602, "left: {no.such: 7}"));
    fleet.rename_into("config/reports/bad.csv", &format!("{}NP-03,2020-04-01T09:00:00Z,tech-03,x\n", sheet("8")));
    fleet.rename_into("config/reports/card.txt", "BEFORE YOU RING");
    fleet.rename_into("config/reports/good.csv", &sheet("9").replace("T09", "T10"));
    fleet.rename_into("config/reports/good.yaml", &report(603, "left: {gate.seconds: 8}"));
    let stays = ["bad.csv", "bad.yaml", "card.txt"];
    let month = until("all else moved", || {
        let all = files(&fleet.path("config/reports"));
        let (taken, left): (Vec<&str>, Vec<&str>) = all
            .keys()
            .map(String::as_str)
            .filter(|name| !name.ends_with(".part"))
            .partition(|name| name.starts_with("taken/"));
        (left == stays && taken.len() == 5 + 3).then(|| taken[0][6..13].to_owned())
    });
    assert!(fleet.path(&format!("config/reports/taken/{month}/may/first.yaml")).exists(), "{month}");
    // The same file dropped again is moved beside the first and changes nothing.
    let count = reports_on_record(&fleet).len();
    assert_eq!(count, 5 + 4);
    fleet.rename_into("config/reports/good.yaml", &report(603, "left: {gate.seconds: 8}"));
    let beside = fleet.path(&format!("config/reports/taken/{month}/good-2.yaml"));
    until("the second one moved", || beside.exists().then_some(()));
    assert_eq!(reports_on_record(&fleet).len(), count);
    daemon.comes_to_rest();
    assert_eq!(refused_sources(&receiver.heard()).len(), 3);
    assert_eq!(daemon.stop("TERM"), Some(0));
}

#[test]
fn what_cannot_be_moved_stays_and_that_is_said_once() {
    let receiver = Receiver::start(SIGNING);
    let fleet = moving(&receiver);
    fleet.write("config/reports/taken", "a file");
    fs::rename(fleet.path("config/reports/taken"), fleet.path("config/blocker")).expect("beside");
    std::os::unix::fs::symlink("../blocker", fleet.path("config/reports/taken")).expect("a link to a file");
    let daemon = fleet.start();
    daemon.logs("cannot be moved");
    fleet.rename_into("config/reports/one.yaml", &report(611, "left: {gate.seconds: 8}"));
    until("it is on record", || (reports_on_record(&fleet).len() == 6).then_some(()));
    daemon.comes_to_rest();
    assert!(fleet.path("config/reports/one.yaml").exists());
    assert_eq!(daemon.log().matches("cannot be moved").count(), 1, "{}", daemon.log());
    // Once there is room for it everything goes, at the latest with the next full look.
    fs::remove_file(fleet.path("config/reports/taken")).expect("no link");
    super::process::signal(daemon.pid(), "HUP");
    until("all moved", || (!fleet.path("config/reports/one.yaml").exists()).then_some(()));
    assert_eq!(reports_on_record(&fleet).len(), 6);
}

/// What was dropped: the contents that are to be moved, those that stay, and the reports that are to be on record.
#[derive(Default)]
struct Dropped {
    good: Vec<String>,
    bad: Vec<String>,
    ids: BTreeSet<String>,
    rows: usize,
}

impl Dropped {
    /// Drops a burst of files of every kind.
    fn burst(&mut self, fleet: &Fleet, nth: u32, chance: &mut Chance) {
        for file in 0..8 + u32::try_from(chance.below(20)).unwrap_or(0) {
            let number = 100_000 + nth * 100 + file;
            let name = format!("config/reports/{}{number}", ["", "may/", "may/week/"][chance.below(3) as usize]);
            let line = |n: u32| {
                format!(
                    "{{\"report\":1,\"id\":\"{}\",\"station\":\"NP-02\",\"at\":\"2020-05-02T10:00:00Z\",\"by\":\"t\"}}\n",
                    uuid(n)
                )
            };
            match chance.below(8) {
                0..4 => self.good(fleet, &format!("{name}.yaml"), report(number, "left: {gate.seconds: 8}"), &[number]),
                4 => {
                    // One that was dropped before, under another name.
                    let Some(text) = self.good.first().cloned() else { continue };
                    self.good(fleet, &format!("{name}-again.yaml"), text, &[]);
                }
                5 => {
                    let (one, other) = (number + 1_000_000, number + 2_000_000);
                    self.good(fleet, &format!("{name}.jsonl"), line(one) + &line(other), &[one, other]);
                }
                6 => {
                    let row = |second: u32| format!("NP-03,2020-05-03T10:{:02}:{:02}Z,t{number},9\n", file, second);
                    self.good(
                        fleet,
                        &format!("{name}.csv"),
                        format!("station,at,by,gate.seconds\n{}{}", row(1), row(2)),
                        &[],
                    );
                    self.rows += 2;
                }
                _ => {
                    let text = report(number, "left: {no.such: 8}");
                    fleet.rename_into(&format!("{name}.yaml"), &text);
                    self.bad.push(text);
                }
            }
        }
    }

    fn good(&mut self, fleet: &Fleet, name: &str, text: String, numbers: &[u32]) {
        fleet.rename_into(name, &text);
        self.good.push(text);
        self.ids.extend(numbers.iter().map(|number| uuid(*number)));
    }
}

/// Ends what it guards, even where the other side fails.
struct Over<'o>(&'o AtomicBool);

impl Drop for Over<'_> {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Release);
    }
}

/// Drops bursts of files while the daemon is started and killed, over and over.
fn dropped_while_killed(fleet: &Fleet, dropped: &mut Dropped, seed: u64, kills: u32) {
    let over = AtomicBool::new(false);
    std::thread::scope(|scope| {
        let (home, environment, over) = (fleet.home().to_owned(), fleet.environment.clone(), &over);
        let killer = scope.spawn(move || {
            let mut chance = Chance(seed);
            for _ in 0..kills {
                if over.load(Ordering::Acquire) {
                    return;
                }
                let daemon = Daemon::spawn(&home, &environment);
                // From before its first look until files come in at their own pace.
                std::thread::sleep(Duration::from_millis(chance.below(900)));
                daemon.kill();
            }
        });
        let ends = Over(over);
        let mut chance = Chance(!seed);
        let mut nth = 0;
        while !killer.is_finished() {
            dropped.burst(fleet, nth, &mut chance);
            nth += 1;
            std::thread::sleep(Duration::from_millis(chance.below(200)));
        }
        drop(ends);
        killer.join().expect("no panic");
    });
}

/// The contents of the files that were moved, and of those that stayed.
fn moved_and_left(fleet: &Fleet) -> (Vec<String>, Vec<String>) {
    let all = files(&fleet.path("config/reports"));
    let (taken, left): (Vec<_>, Vec<_>) = all.into_iter().partition(|(name, _)| name.starts_with("taken/"));
    let sorted = |files: Vec<(String, String)>| {
        let mut texts: Vec<String> = files.into_iter().map(|(_, text)| text).collect();
        texts.sort();
        texts
    };
    (sorted(taken), sorted(left))
}

fn each_bad_one_is_alerted_once(receiver: &Receiver, daemon: &Daemon, bad: u64) {
    // Of many that are alerted at once the first are named, and all are counted.
    let told = || {
        let heard = receiver.heard();
        let counts = heard.iter().filter(|got| got.kind() == REPORT).map(|got| got.data()["count"].as_u64());
        (counts.map(Option::unwrap_or_default).sum::<u64>(), refused_sources(&heard))
    };
    until_within(Duration::from_secs(120), "an alert of every bad one", || (told().0 >= bad).then_some(()));
    daemon.comes_to_rest();
    let (count, sources) = told();
    assert_eq!(count, bad, "each once");
    assert_eq!(sources.iter().collect::<BTreeSet<_>>().len(), sources.len(), "each once");
}

#[test]
fn whenever_it_is_killed_each_file_is_in_one_place_and_counts_once() {
    let (seed, began) = (seed(), Instant::now());
    println!("STATIONKEEP_TEST_SEED={seed}");
    let kills = std::env::var("STATIONKEEP_TEST_MOVE_KILLS").ok().and_then(|text| text.parse().ok()).unwrap_or(12_u32);
    let receiver = Receiver::start(SIGNING);
    let fleet = moving(&receiver);
    let mut dropped =
        Dropped { good: files(&fleet.path("config/reports")).into_values().collect(), ..Dropped::default() };
    dropped_while_killed(&fleet, &mut dropped, seed, kills);
    // What no daemon lived long enough to record it records first.
    let daemon = Daemon::spawn(fleet.home(), &fleet.environment).announced_within(Duration::from_secs(120));
    until_within(Duration::from_secs(120), "all recorded files moved", || {
        (moved_and_left(&fleet).1.len() == dropped.bad.len()).then_some(())
    });
    dropped.good.sort();
    dropped.bad.sort();
    let (taken, left) = moved_and_left(&fleet);
    assert!(taken == dropped.good, "{} files moved, {} were dropped", taken.len(), dropped.good.len());
    assert!(left == dropped.bad, "{} files left, {} are bad", left.len(), dropped.bad.len());
    // Beside what was dropped the ledger has the five reports of the fleet.
    let on_record = reports_on_record(&fleet);
    assert_eq!(on_record.len(), 5 + dropped.ids.len() + dropped.rows);
    let ids = on_record.iter().map(|line| serde_json::from_str::<serde_json::Value>(line).expect("JSON"));
    let ids: BTreeSet<String> = ids.filter_map(|line| line["id"].as_str().map(str::to_owned)).collect();
    assert_eq!(ids.len(), on_record.len());
    assert!(dropped.ids.is_subset(&ids));
    fleet.run(&["ledger", "verify"]).ended(0);
    each_bad_one_is_alerted_once(&receiver, &daemon, dropped.bad.len() as u64);
    println!(
        "{} files dropped, {kills} times kill -9, {:.0} s: {} reports on record",
        dropped.good.len() + dropped.bad.len(),
        began.elapsed().as_secs_f64(),
        on_record.len()
    );
}
