//! A view kept up through edits, reports, decisions and the clock is the view made anew.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use jiff::{SignedDuration, Timestamp};
use proptest::prelude::*;
use uuid::Uuid;

use super::{Fleet, Moment, Source, Sources, View, say};
use crate::brake::Limit;
use crate::drift::Rules;
use crate::files::{Folder, Look};
use crate::fleet::LookTerms;
use crate::keybook::sample::TERN;
use crate::ledger::{Aside, Decision, End, Said, Take, Target};
use crate::store::Store;

/// Something that happens to a fleet of stations S-0 to S-5.
#[derive(Debug, Clone)]
enum Event {
    /// The station's gate time; nothing takes the station out of the inventory.
    Edit {
        station: usize,
        seconds: Option<u32>,
    },
    /// Whom all stations call.
    Contact(u32),
    /// What the station is left at, reported so many minutes before now.
    Report {
        station: usize,
        seconds: u32,
        minutes: i64,
    },
    Tested {
        station: usize,
        reached: bool,
    },
    Aside {
        station: usize,
        hours: i64,
    },
    Taken {
        station: usize,
    },
    EndAll,
    /// So many hours pass, or the clock is set back.
    Hours(i64),
    Broken(bool),
}

fn event() -> impl Strategy<Value = Event> {
    let station = 0..6_usize;
    prop_oneof![
        (station.clone(), proptest::option::of(1..9_u32))
            .prop_map(|(station, seconds)| Event::Edit { station, seconds }),
        (1..4_u32).prop_map(Event::Contact),
        (station.clone(), 1..9_u32, 0..600_i64).prop_map(|(station, seconds, minutes)| Event::Report {
            station,
            seconds,
            minutes
        }),
        (station.clone(), any::<bool>()).prop_map(|(station, reached)| Event::Tested { station, reached }),
        (station.clone(), 1..100_i64).prop_map(|(station, hours)| Event::Aside { station, hours }),
        station.prop_map(|station| Event::Taken { station }),
        Just(Event::EndAll),
        (-30..30_i64).prop_map(Event::Hours),
        any::<bool>().prop_map(Event::Broken),
    ]
}

struct World {
    home: tempfile::TempDir,
    store: Store,
    seconds: [Option<u32>; 6],
    contact: u32,
    is_broken: bool,
    now: Timestamp,
    said: Vec<Uuid>,
}

impl World {
    async fn new() -> World {
        let home = tempfile::tempdir().unwrap();
        for folder in ["inventory", "keybooks", "reports"] {
            fs::create_dir(home.path().join(folder)).unwrap();
        }
        fs::write(home.path().join("keybooks/tern-2.yaml"), TERN).unwrap();
        let store = Store::open(&format!("sqlite:{}/l.db", home.path().display())).await.unwrap();
        let now = "2026-11-25T12:00:00Z".parse().unwrap();
        let world = World { home, store, seconds: [Some(5); 6], contact: 1, is_broken: false, now, said: Vec::new() };
        world.write();
        world
    }

    fn fleet(&self) -> Fleet {
        let folder = |name: &str| Folder::new(self.home.path(), name);
        let sources = Sources {
            folder: PathBuf::from(self.home.path()),
            inventory: Source::Folder(folder("inventory")),
            keybooks: folder("keybooks"),
            reports: folder("reports"),
            key: [7; 32],
        };
        let terms = LookTerms {
            rules: Rules { reconfirm_days: 1, require_tests: true },
            limit: Limit {
                share: "0.3".parse().unwrap(),
                most: Limit::MOST,
                share_set_at: "the test".into(),
                most_set_at: "the test".into(),
            },
            settle: Duration::ZERO,
        };
        Fleet::new(sources, self.store.clone(), terms)
    }

    fn moment(&self) -> Moment {
        // Files of this very second are taken for settled.
        Moment { now: self.now, files: SystemTime::now() + Duration::from_secs(60) }
    }

    /// The inventory in two files: contacts and profile, stations.
    fn write(&self) {
        let shared = format!(
            "inventory: 1\nfleet: Skerry Coast Harbours\ncontacts: {{desk: {{calls: \"+44163296010{}\"}}}}\n\
             profiles: {{quay: {{model: tern-2, settings: {{line.kind: direct, emergency.primary: {{to: desk}}}}}}}}\n\
             sites: {{quay: {{line: {{kind: direct, country: GB}}}}}}\n",
            self.contact
        );
        let stations = self.seconds.iter().enumerate().filter_map(|(nth, seconds)| {
            let seconds = (*seconds)?;
            Some(format!(
                "  S-{nth}: {{site: quay, number: \"+44163296012{nth}\", where: x, profiles: [quay], \
                 settings: {{gate.seconds: {seconds}}}}}\n"
            ))
        });
        let broken = if self.is_broken { "  S-9: [\n" } else { "" };
        let stations = format!("inventory: 1\nstations:\n{}{broken}", stations.collect::<String>());
        let at = |name: &str| self.home.path().join("inventory").join(name);
        replace(&at("shared.yaml"), &shared);
        replace(&at("stations.yaml"), &stations);
    }

    fn report(&self, station: usize, minutes: i64, rest: &str) {
        let id = Uuid::new_v4();
        let at = self.now - SignedDuration::from_mins(minutes);
        let text = format!("report: 1\nid: {id}\nstation: S-{station}\nat: {at:.0}\nby: t\n{rest}\n");
        replace(&self.home.path().join(format!("reports/{id}.yaml")), &text);
    }

    async fn say(&mut self, of: impl FnOnce(Said) -> Decision) {
        let said = Said { id: Uuid::new_v4(), at: self.now, by: "ops".into(), why: Some("a test".into()) };
        self.said.push(said.id);
        say(&self.store, &of(said), self.now).await.unwrap();
    }

    async fn happen(&mut self, event: &Event) {
        let name = |station: usize| format!("S-{station}").as_str().into();
        match *event {
            Event::Edit { station, seconds } => {
                self.seconds[station] = seconds;
                // An empty inventory is an error, and a case of its own.
                self.seconds[5] = self.seconds[5].or(Some(5));
            }
            Event::Contact(contact) => self.contact = contact,
            Event::Report { station, seconds, minutes } => {
                self.report(station, minutes, &format!("left: {{gate.seconds: {seconds}, line.kind: direct}}"));
            }
            Event::Tested { station, reached } => {
                let outcome = if reached { "reached" } else { "failed" };
                self.report(station, 0, &format!("tests: [{{lifeline: emergency, outcome: {outcome}}}]"));
            }
            Event::Aside { station, hours } => {
                let (target, until) = (Target::Station(name(station)), self.now + SignedDuration::from_hours(hours));
                self.say(|said| Decision::Aside(Aside { said, target, setting: None, until, out_of_service: true }))
                    .await;
            }
            Event::Taken { station } => {
                let until = self.now + SignedDuration::from_hours(20);
                self.say(|said| Decision::Take(Take { said, station: name(station), until })).await;
            }
            Event::EndAll => {
                for ends in std::mem::take(&mut self.said) {
                    self.say(|said| Decision::End(End { said, ends })).await;
                }
            }
            Event::Hours(hours) => self.now += SignedDuration::from_hours(hours),
            Event::Broken(is_broken) => self.is_broken = is_broken,
        }
        self.write();
    }
}

/// A new file in the place of the old, so that no two states of one second look alike.
fn replace(path: &Path, text: &str) {
    let beside = path.with_extension("part");
    fs::write(&beside, text).unwrap();
    fs::rename(&beside, path).unwrap();
}

fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap()
}

/// All of a view that another of the same moment must have too.
fn said_of(view: &View) -> String {
    let rows = view.rows.iter().map(|row| format!("{:?}\n{:?}\n{:?}\n", row.station, row.record, row.drift));
    let change = view.change.as_ref().map(|change| change.digest.to_string());
    format!("{} {:?} {:?} {:?}\n{}", view.seq, view.totals, view.findings(), change, rows.collect::<String>())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn a_view_kept_up_is_the_view_made_anew(events in proptest::collection::vec(event(), 1..12)) {
        runtime().block_on(async {
            let mut world = World::new().await;
            let mut kept = world.fleet();
            kept.look(Some(Look::Changed), world.moment(), &mut |_| {}).await.unwrap();
            for event in &events {
                world.happen(event).await;
                let kept = kept.look(Some(Look::Changed), world.moment(), &mut |_| {}).await.unwrap();
                let mut anew = world.fleet();
                let anew = anew.look(Some(Look::Whole), world.moment(), &mut |_| {}).await.unwrap();
                assert_eq!(said_of(&kept), said_of(&anew), "after {event:?}");
            }
        });
    }
}

#[test]
fn rows_of_stations_that_nothing_touched_are_the_very_same_and_a_look_at_nothing_new_is_the_same_view() {
    runtime().block_on(async {
        let mut world = World::new().await;
        let mut fleet = world.fleet();
        let first = fleet.look(Some(Look::Changed), world.moment(), &mut |_| {}).await.unwrap();
        let second = fleet.look(Some(Look::Changed), world.moment(), &mut |_| {}).await.unwrap();
        assert!(Arc::ptr_eq(&first.rows, &second.rows));
        world.happen(&Event::Edit { station: 2, seconds: Some(8) }).await;
        let third = fleet.look(Some(Look::Changed), world.moment(), &mut |_| {}).await.unwrap();
        let same = |nth: usize| Arc::ptr_eq(&second.rows[nth].drift, &third.rows[nth].drift);
        assert_eq!((0..6).map(same).collect::<Vec<_>>(), [true, true, false, true, true, true]);
    });
}
