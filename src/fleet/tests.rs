//! A view kept up through edits, reports, decisions and the clock is the view made anew.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use jiff::{SignedDuration, Timestamp};
use proptest::prelude::*;
use uuid::Uuid;

use super::{Fleet, Keying, Moment, Row, Source, Sources, View, record_scripts, say};
use crate::alert::Next;
use crate::brake::Limit;
use crate::drift::Rules;
use crate::files::{Folder, Look, ReportFolders};
use crate::fleet::LookTerms;
use crate::keybook::sample::TERN;
use crate::ledger::{Aside, Decision, End, Release, Said, Take, Target};
use crate::script::{Memory, Way};
use crate::store::Store;

/// How many stations there are; from ten altered ones on scripts are held.
const SIZE: usize = 13;

/// Something that happens to a fleet of stations S-0 to S-12.
#[derive(Debug, Clone)]
enum Event {
    /// The station's gate time; nothing takes the station out of the inventory.
    Edit {
        station: usize,
        seconds: Option<u32>,
    },
    /// Whom all stations call.
    Contact(u32),
    /// Whom one station calls, where that is said at the station.
    Own {
        station: usize,
        contact: Option<u32>,
    },
    /// What the first stations hold, as wanted now; tested or not.
    Keyed {
        stations: usize,
        tested: bool,
    },
    /// A script is shown to someone, unless it is held.
    Show {
        station: usize,
    },
    /// What is held is released.
    Release,
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
    let station = 0..SIZE;
    prop_oneof![
        1 => (station.clone(), proptest::option::of(1..4_u32))
            .prop_map(|(station, contact)| Event::Own { station, contact }),
        1 => (1..=SIZE, any::<bool>()).prop_map(|(stations, tested)| Event::Keyed { stations, tested }),
        3 => station.clone().prop_map(|station| Event::Show { station }),
        4 => Just(Event::Release),
        1 => Just(Event::Hours(8 * 24)),
        1 => (station.clone(), proptest::option::of(1..9_u32))
            .prop_map(|(station, seconds)| Event::Edit { station, seconds }),
        4 => (1..4_u32).prop_map(Event::Contact),
        1 => (station.clone(), 1..9_u32, 0..600_i64).prop_map(|(station, seconds, minutes)| Event::Report {
            station,
            seconds,
            minutes
        }),
        1 => (station.clone(), any::<bool>()).prop_map(|(station, reached)| Event::Tested { station, reached }),
        1 => (station.clone(), 1..100_i64).prop_map(|(station, hours)| Event::Aside { station, hours }),
        1 => station.prop_map(|station| Event::Taken { station }),
        1 => Just(Event::EndAll),
        1 => (-30..30_i64).prop_map(Event::Hours),
        1 => any::<bool>().prop_map(Event::Broken),
    ]
}

struct World {
    home: tempfile::TempDir,
    store: Store,
    seconds: [Option<u32>; SIZE],
    contact: u32,
    own: [Option<u32>; SIZE],
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
        let (seconds, own) = ([Some(5); SIZE], [None; SIZE]);
        let world = World { home, store, seconds, contact: 1, own, is_broken: false, now, said: Vec::new() };
        world.write();
        world
    }

    fn fleet(&self) -> Fleet {
        let folder = |name: &str| Folder::new(self.home.path(), name);
        let sources = Sources {
            folder: PathBuf::from(self.home.path()),
            inventory: Source::Folder(folder("inventory")),
            keybooks: folder("keybooks"),
            reports: ReportFolders { dropped: folder("reports"), taken: None },
            key: [7; 32],
        };
        let terms = LookTerms {
            rules: Rules { reconfirm_days: 1, require_tests: true },
            limit: Arc::new(Limit {
                share: "0.3".parse().unwrap(),
                most: Limit::MOST,
                share_set_at: "the test".into(),
                most_set_at: "the test".into(),
            }),
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
            let own = self.own[nth].map(|own| format!(", emergency.primary: \"{}\"", number(own))).unwrap_or_default();
            Some(format!(
                "  S-{nth}: {{site: quay, number: \"+441632960{}\", where: x, profiles: [quay], \
                 settings: {{gate.seconds: {seconds}{own}}}}}\n",
                120 + nth
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

    /// The view of a daemon that starts now.
    async fn view(&self) -> Arc<View> {
        let mut fleet = self.fleet();
        let view = fleet.look(Some(Look::Whole), self.moment(), &mut |_| {}).await.unwrap();
        fleet.keep_folds().await;
        view
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
                self.seconds[SIZE - 1] = self.seconds[SIZE - 1].or(Some(5));
            }
            Event::Own { station, contact } => self.own[station] = contact,
            Event::Keyed { stations, tested } => {
                for station in 0..stations {
                    let dialled = number(self.own[station].unwrap_or(self.contact));
                    let test = if tested { "\ntests: [{lifeline: emergency, outcome: reached}]" } else { "" };
                    let left = format!("left: {{emergency.primary: \"{dialled}\", line.kind: direct}}{test}");
                    self.report(station, 0, &left);
                }
            }
            Event::Show { station } => {
                let view = self.view().await;
                let Some(row) = view.row(&format!("S-{station}")) else { return };
                if let Keying::Script { cleared, .. } = view.keying(row, Way::There, &mut Memory::default()) {
                    record_scripts(&self.store, &[cleared], self.now).await.unwrap();
                }
            }
            Event::Release => {
                let view = self.view().await;
                let Some(change) = view.change.as_ref().map(|change| change.digest.clone()) else { return };
                let (stations, at) = (view.to_release(), view.release_at());
                self.say(|said| Decision::Release(Release { said: Said { at, ..said }, change, stations })).await;
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

/// How a contact is dialled.
fn number(contact: u32) -> String {
    format!("0163296010{contact}")
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
    let rows = view.rows.iter().map(|row| {
        let Row { written, station, drift, alteration, due, .. } = &**row;
        let record = row.record();
        format!("{written:?}\n{station:?}\n{record:?}\n{drift:?}\n{alteration:?}\n{due:?}\n")
    });
    let (totals, tally, held, due) = (&view.totals, view.tally, view.held(), view.due);
    let fleet = format!("{} {totals:?} {tally:?} {held:?} {due:?} {:?}\n", view.seq, view.findings());
    fleet + &rows.collect::<String>()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn a_view_kept_up_is_the_view_made_anew(
        events in proptest::collection::vec(event(), 1..12),
        is_known in any::<bool>(),
    ) {
        runtime().block_on(async {
            let mut world = World::new().await;
            let mut kept = world.fleet();
            // Half of the runs begin with a fleet that is known.
            if is_known {
                world.happen(&Event::Keyed { stations: SIZE, tested: true }).await;
            }
            kept.look(Some(Look::Changed), world.moment(), &mut |_| {}).await.unwrap();
            for event in &events {
                world.happen(event).await;
                let kept = kept.look(Some(Look::Changed), world.moment(), &mut |_| {}).await.unwrap();
                let anew = world.view().await;
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
        let other = (0..SIZE).filter(|nth| !same(*nth)).map(|nth| &*third.rows[nth].station.name);
        assert_eq!(other.collect::<Vec<_>>(), ["S-2"]);
    });
}

/// Nobody edits or reports: time alone lets go of a card, and a look is due when it does.
#[test]
fn a_look_is_due_when_a_card_has_been_out_for_seven_days_also_of_a_station_that_left() {
    for has_left in [false, true] {
        runtime().block_on(async {
            let mut world = World::new().await;
            world.happen(&Event::Keyed { stations: SIZE, tested: true }).await;
            world.view().await;
            for station in 0..9 {
                world.happen(&Event::Own { station, contact: Some(2) }).await;
            }
            world.happen(&Event::Show { station: 0 }).await;
            let shown = world.now;
            // The card of S-0 still leads to what is not wanted there any more; nine more are altered.
            world.happen(&Event::Own { station: 0, contact: None }).await;
            world.happen(&Event::Own { station: 9, contact: Some(2) }).await;
            if has_left {
                world.happen(&Event::Edit { station: 0, seconds: None }).await;
            }
            let mut kept = world.fleet();
            let view = kept.look(Some(Look::Changed), world.moment(), &mut |_| {}).await.unwrap();
            let held = view.held().expect("nine, and one by a card");
            assert_eq!((held.numbers().altered, held.numbers().handed_out, held.scripts), (10, 1, 9));
            // Everything is overdue after a day; from then on nothing else is.
            world.now = shown + SignedDuration::from_hours(48);
            let view = kept.look(None, world.moment(), &mut |_| {}).await.unwrap();
            assert_eq!(view.due, Some(shown + SignedDuration::from_hours(7 * 24)));
            world.now = view.due.unwrap() - SignedDuration::from_millis(1);
            let view = kept.look(None, world.moment(), &mut |_| {}).await.unwrap();
            assert!(view.change.is_some());
            world.now = view.due.unwrap();
            let view = kept.look(None, world.moment(), &mut |_| {}).await.unwrap();
            assert!(view.change.is_none() && view.tally.altered == 9);
        });
    }
}

/// What is overdue is as wanted, and no script keys it: stations keyed to what is wanted and not tested yet are altered, and
/// nothing of theirs waits, whatever else they need.
#[test]
fn a_script_that_leads_to_proven_values_alone_waits_for_nothing_also_where_altered_settings_are_overdue() {
    runtime().block_on(async {
        let mut world = World::new().await;
        world.happen(&Event::Keyed { stations: SIZE, tested: true }).await;
        world.view().await;
        world.now += SignedDuration::from_hours(1);
        world.happen(&Event::Contact(2)).await;
        world.happen(&Event::Keyed { stations: SIZE, tested: false }).await;
        world.view().await;
        // Everything is overdue after a day; one routine setting is to be another.
        world.now += SignedDuration::from_hours(48);
        for station in 0..SIZE {
            world.happen(&Event::Edit { station, seconds: Some(33) }).await;
        }
        let view = world.view().await;
        let held = view.held().expect("all are altered, since no test proves the new number");
        let mut memory = Memory::default();
        let waits = |row: &&Arc<Row>| matches!(view.keying(row, Way::There, &mut memory), Keying::Held(_));
        let waiting = view.rows.iter().filter(waits).count();
        assert_eq!((held.numbers().altered, held.scripts), (SIZE, waiting));
        assert_eq!(waiting, 0, "they key the routine setting alone");
    });
}

/// Reports may be some minutes ahead of the clock; one of a station that is no part of the change says nothing of it.
#[test]
fn a_report_dated_ahead_elsewhere_does_not_make_a_release_blind() {
    runtime().block_on(async {
        let mut world = World::new().await;
        world.happen(&Event::Keyed { stations: SIZE, tested: true }).await;
        world.view().await;
        for station in 0..10 {
            world.happen(&Event::Own { station, contact: Some(2) }).await;
        }
        world.happen(&Event::Report { station: 12, seconds: 9, minutes: -4 }).await;
        let view = world.view().await;
        assert!(view.change.is_some());
        assert!(view.release_at() <= world.now, "{} is after {}", view.release_at(), world.now);
    });
}

#[test]
fn a_failed_button_keeps_its_test_call_while_its_script_is_held() {
    runtime().block_on(async {
        let mut world = World::new().await;
        world.happen(&Event::Keyed { stations: SIZE, tested: true }).await;
        world.view().await;
        world.now += SignedDuration::from_mins(1);
        world.happen(&Event::Tested { station: 0, reached: false }).await;
        for station in 0..10 {
            world.happen(&Event::Own { station, contact: Some(2) }).await;
        }
        let view = world.view().await;
        let (failed, other) = (view.row("S-0").unwrap(), view.row("S-1").unwrap());
        let release = view.change.as_ref().expect("it is held").release();
        let next = view.foresee()(&[&failed.station.name, &other.station.name]);
        assert_eq!(next[0], Next::Held { release: release.clone(), to_repair: true });
        assert_eq!(next[1], Next::Held { release, to_repair: false });
        let mut memory = Memory::default();
        let until = view.until_released(failed, &mut memory);
        assert_eq!(
            until.as_deref(),
            Some("check the line and the unit, make a test call of the emergency button, and report it")
        );
        assert_eq!(view.until_released(other, &mut memory), None);
        let list = view.work_list(&[failed], &mut memory, || {}).0.text(|_, _| String::new());
        assert!(
            list.contains(
                "held until the change is released; until then check the line and the unit, make a test call of"
            ),
            "{list}"
        );
        assert!(list.contains("! the emergency button did not reach help (tested 2026-11-25 12:01 UTC)"), "{list}");
    });
}

#[test]
fn a_station_that_someone_began_to_key_waits_for_the_report_for_a_day() {
    runtime().block_on(async {
        let mut world = World::new().await;
        world.happen(&Event::Keyed { stations: SIZE, tested: true }).await;
        world.view().await;
        world.happen(&Event::Own { station: 1, contact: Some(2) }).await;
        world.happen(&Event::Show { station: 1 }).await;
        let name = "S-1".into();
        let digest = world.view().await.script_digest(&name, &mut Memory::default()).expect("it has a script");
        let (id, at) = (Uuid::new_v4(), world.now);
        let line = format!(
            "{{\"begun\":1,\"id\":\"{id}\",\"script\":\"{digest}\",\"station\":\"S-1\",\"at\":\"{at}\",\"by\":\"tech-07\"}}\n"
        );
        replace(&world.home.path().join("reports/begun.jsonl"), &line);
        assert_eq!(world.view().await.foresee()(&[&name]), [Next::Await("tech-07".into())]);
        world.now += SignedDuration::from_hours(25);
        assert!(matches!(world.view().await.foresee()(&[&name])[..], [Next::Key(_)]));
    });
}
