//! Ways around the brake, tried one by one and at random: whatever the path, what counts is where it leads.

#[cfg(test)]
mod around;
#[cfg(test)]
mod ways;

use std::collections::BTreeMap;

use jiff::Timestamp;
use proptest::prelude::*;
use uuid::Uuid;

use super::*;
use crate::inventory;
use crate::keybook::Keybook;
use crate::keybook::sample::{TERN, keybook};
use crate::ledger::{Decision, Holding, Mark, Release, Said, State};
use crate::setting::Codes;

const SIZE: usize = 20;

/// What one station wants, and how the files say so.
#[derive(Debug, Clone, PartialEq)]
struct Spec {
    name: String,
    number: usize,
    model: &'static str,
    /// Which contact its button calls.
    calls: &'static str,
    how: How,
    site: &'static str,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum How {
    Fleet,
    Profile,
    Station,
    Written,
    Unmanaged,
    /// Nobody looks at whom the button calls.
    NoPrimary,
}

/// What an edit of the keybooks makes of the setting that says whom the button calls.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Book {
    Whole,
    /// It weighs nothing, and is no part of the lifeline.
    NoWeight,
    /// It has another name.
    Renamed,
}

impl Book {
    fn edit(self, text: &str) -> String {
        match self {
            Book::Whole => text.into(),
            Book::NoWeight => text
                .replace("digits: [1, 20], weight: lifeline}", "digits: [1, 20]}")
                .replace("emergency: [line.kind, emergency.primary]", "emergency: [line.kind]")
                .replace("emergency: [emergency.primary]", "emergency: [line.kind]"),
            Book::Renamed => text.replace("emergency.primary", "emergency.first"),
        }
    }
}

/// The stations as they are before anybody edits.
fn start() -> Vec<Spec> {
    let spec = |nth: usize| Spec {
        name: format!("S-{nth:02}"),
        number: nth,
        model: "tern-2",
        calls: "help",
        how: How::Fleet,
        site: "quay",
    };
    (0..SIZE).map(spec).collect()
}

/// The inventory that says so. Contacts `help` and `desk` are in the fictional ranges 01632 960xxx and 0113 496 0xxx.
fn inventory(specs: &[Spec], help: &str, book: Book) -> Inventory {
    let mut text = format!(
        "inventory: 1\ncontacts: {{help: {{calls: \"{help}\"}}, desk: {{calls: \"+441134960115\"}}}}\n\
         settings: {{emergency.primary: {{to: help}}, line.kind: {{from: line}}, gate.seconds: 7}}\n\
         profiles: {{by-help: {{settings: {{emergency.primary: {{to: help}}}}}}, \
         by-desk: {{settings: {{emergency.primary: {{to: desk}}}}}}}}\nsites:\n"
    );
    for (site, line) in [("quay", "{kind: direct, country: GB}"), ("mole", "{kind: pbx, outside: \"9,\", country: GB}")]
    {
        let here: Vec<&Spec> = specs.iter().filter(|spec| spec.site == site).collect();
        if here.is_empty() {
            continue;
        }
        text += &format!("  {site}:\n    line: {line}\n    stations:\n");
        for Spec { name, number, model, calls, how, .. } in here {
            let dialled = if *calls == "help" { "01632960101" } else { "01134960115" };
            let outside = if site == "mole" { "9," } else { "" };
            let said = match how {
                How::Fleet => String::new(),
                How::Profile => format!(", profiles: [by-{calls}]"),
                How::Station => format!(", settings: {{emergency.primary: {{to: {calls}}}}}"),
                How::NoPrimary => ", settings: {emergency.primary: null}".into(),
                How::Unmanaged => ", settings: {emergency.primary: null, line.kind: null}".into(),
                How::Written => format!(", settings: {{emergency.primary: \"{outside}{dialled}\"}}"),
            };
            text += &format!("      {name}: {{number: \"+4420794600{number:02}\", model: {model}{said}}}\n");
        }
    }
    if book == Book::Renamed {
        text = book.edit(&text);
    }
    let (raw, findings) = inventory::read(&"i.yaml".into(), text.as_bytes());
    assert!(findings.is_empty(), "{findings:#?}\n{text}");
    let other = TERN.replace("model: tern-2", "model: wren-1");
    let other = other.replace("emergency: [line.kind, emergency.primary]", "emergency: [emergency.primary]");
    let books = [("tern-2", TERN), ("wren-1", &other)];
    let books = books.map(|(name, text)| (Name::from(name), keybook(&book.edit(text))));
    let (inventory, findings) = inventory::resolve(&[Arc::new(raw)], &books.into(), &Codes::new(b"a key"));
    assert!(!findings.iter().any(crate::finding::Finding::is_error), "{findings:#?}\n{text}");
    inventory
}

/// A fleet, what is on record of it, and what is settled.
struct World {
    specs: Vec<Spec>,
    help: &'static str,
    book: Book,
    /// With the keybooks they were read by.
    records: BTreeMap<Name, (Arc<Keybook>, Arc<Record>)>,
    brake: Brake,
    decisions: Decisions,
    seq: i64,
    share: &'static str,
    /// What the brake judged last; nothing where it must judge all anew.
    judged: Option<Inventory>,
    /// Stations with news in the ledger since.
    touched: BTreeSet<Name>,
}

impl World {
    /// Every station holds what is wanted, and the first pass was made.
    fn new() -> World {
        World::of(start())
    }

    fn of(specs: Vec<Spec>) -> World {
        let mut world = World {
            specs,
            help: "+441632960101",
            book: Book::Whole,
            records: BTreeMap::new(),
            brake: Brake::default(),
            decisions: Decisions::default(),
            seq: 0,
            share: "0.3",
            judged: None,
            touched: BTreeSet::new(),
        };
        (0..world.specs.len()).for_each(|nth| world.confirm(nth));
        assert_eq!(world.pass(), None);
        world
    }

    fn inventory(&self) -> Inventory {
        inventory(&self.specs, self.help, self.book)
    }

    /// Each entry of the ledger is a second after the one before.
    fn now(&self) -> Timestamp {
        Timestamp::from_second(1_700_000_000 + self.seq).unwrap()
    }

    /// A report proves that a station holds all that is wanted of it.
    fn confirm(&mut self, nth: usize) {
        self.seq += 1;
        let inventory = self.inventory();
        let station = &inventory.stations[&*self.specs[nth].name];
        let mark = Some(Mark { at: self.now(), report: Uuid::nil() });
        let mut record = Record::blank(&station.keybook);
        for id in station.keybook.ids() {
            if let Some(wanted) = station.wanted(id) {
                record.settings[id.index()] =
                    Holding { state: State::Known(wanted.value.clone()), strayed: None, mark };
            }
        }
        self.records.insert(station.name.clone(), (station.keybook.clone(), Arc::new(record)));
        self.touched.insert(station.name.clone());
    }

    /// A report finds what a station was known to hold of a setting.
    fn look_at(&mut self, nth: usize, setting: &str) {
        self.seq += 1;
        let (name, at) = (Name::from(&*self.specs[nth].name), self.now());
        if let Some((book, record)) = self.records.get_mut(&name) {
            let id = book.id(setting).expect("a setting");
            Arc::make_mut(record).settings[id.index()].mark = Some(Mark { at, report: Uuid::nil() });
        }
        self.touched.insert(name);
    }

    /// A report says what became of a script: nothing was keyed.
    fn answer(&mut self, nth: usize) {
        self.seq += 1;
        let (name, at) = (Name::from(&*self.specs[nth].name), self.now());
        if let Some((_, record)) = self.records.get_mut(&name) {
            Arc::make_mut(record).answered = Some(Mark { at, report: Uuid::nil() });
        }
        self.touched.insert(name);
    }

    /// Hands the script for a station out, as it is wanted now.
    fn hand_out(&mut self, nth: usize) {
        if self.judged.is_none() {
            self.pass();
        }
        self.seq += 1;
        let clearance = self.brake.clear(&Name::from(&*self.specs[nth].name)).expect("it is not held");
        let script = "0123456789abcdef".parse().unwrap();
        let moves: Vec<Move> = clearance.hand_out(&script, self.now()).into_iter().collect();
        let mut rows = self.brake.rows.clone();
        moves.iter().for_each(|one| assert_eq!(one.was.as_ref(), rows.get(&one.now.as_ref().unwrap().station)));
        rows.extend(moves.into_iter().filter_map(|one| one.now).map(|row| (row.station.clone(), row)));
        (self.brake, self.judged) = (Brake::new(rows, Prints::default()), None);
    }

    fn judge(&self, brake: &mut Brake, inventory: &Inventory, changed: Option<&BTreeSet<Name>>) -> Vec<Move> {
        let record = |station: &Station| {
            let Some((book, known)) = self.records.get(&station.name) else {
                return Arc::new(Record::blank(&station.keybook));
            };
            if Arc::ptr_eq(book, &station.keybook) || book.digest == station.keybook.digest {
                return known.clone();
            }
            // As a fold over the same reports has it: by name.
            let mut record = Record { answered: known.answered, ..Record::blank(&station.keybook) };
            for id in book.ids() {
                if let Some(now) = station.keybook.id(&book.setting(id).name) {
                    record.settings[now.index()] = known.settings[id.index()].clone();
                }
            }
            Arc::new(record)
        };
        let limit = Limit { share: self.share.parse().unwrap(), set_at: "surge.share, stationkeep.yaml:12".into() };
        let facts = Facts {
            inventory,
            record: &record,
            decisions: &self.decisions,
            seq: self.seq,
            limit: &limit,
            now: self.now(),
        };
        brake.judge(&facts, changed)
    }

    /// One pass over what changed, which says the same as one over all; a second one keeps nothing and holds the same.
    fn pass(&mut self) -> Option<Held> {
        let inventory = self.inventory();
        let mut whole = Brake::new(self.brake.rows.clone(), Prints::default());
        let moves = self.judge(&mut whole, &inventory, None);
        let changed = self.judged.as_ref().map(|judged| &differing(judged, &inventory) | &self.touched);
        let mut brake = std::mem::take(&mut self.brake);
        assert_eq!(self.judge(&mut brake, &inventory, changed.as_ref()), moves, "of {changed:?}");
        assert_eq!(brake.held, whole.held);
        for Move { was, now } in &moves {
            let was_of = |row: &Settled| brake.rows.get(&row.station).cloned();
            assert_eq!(*was, was.as_ref().or(now.as_ref()).and_then(was_of));
        }
        for brake in [&mut brake, &mut whole] {
            let held = brake.held.clone();
            brake.keep(&moves);
            let tally = brake.tally.clone().unwrap();
            for changed in [Some(&BTreeSet::new()), None] {
                assert_eq!((self.judge(brake, &inventory, changed), &brake.held), (vec![], &held));
                let again = brake.tally.as_ref().unwrap();
                assert_eq!((&again.altered, again.on_record), (&tally.altered, tally.on_record));
            }
        }
        assert_eq!(brake.rows, whole.rows);
        (self.brake, self.judged) = (brake, Some(inventory));
        self.touched.clear();
        self.brake.held.clone()
    }

    fn held(&mut self) -> usize {
        self.pass().map_or(0, |held| held.count())
    }

    fn release(&mut self, change: &Digest) {
        self.seq += 1;
        let said = Said {
            id: Uuid::from_u128(u128::from(self.seq.unsigned_abs())),
            at: Timestamp::UNIX_EPOCH,
            by: "ops-2".into(),
            why: Some("it is meant".into()),
        };
        let release = Release { said, change: change.clone(), stations: BTreeMap::new() };
        self.decisions.add(self.seq, Decision::Release(release));
        self.judged = None;
    }
}

/// The stations that are not equal in both.
fn differing(one: &Inventory, other: &Inventory) -> BTreeSet<Name> {
    let names = one.stations.keys().chain(other.stations.keys());
    names.filter(|name| one.stations.get(*name) != other.stations.get(*name)).cloned().collect()
}

#[test]
fn a_change_is_held_from_ten_stations_and_more_than_the_share_on() {
    for (changed, held) in [(1, 0), (9, 0), (10, 10), (20, 20)] {
        let mut world = World::new();
        world.specs[..changed].iter_mut().for_each(|spec| (spec.calls, spec.how) = ("desk", How::Station));
        assert_eq!(world.held(), held, "{changed}");
    }
    // Ten of 34 are no more than 30 %; a station that nobody ever reported on makes no fleet greater.
    for (more, on_record, held) in [(13, true, 10), (14, true, 0), (14, false, 10), (40, false, 10)] {
        let mut world = World::new();
        world.specs.extend((SIZE..SIZE + more).map(|nth| Spec {
            name: format!("S-{nth}"),
            number: nth,
            ..start()[0].clone()
        }));
        if on_record {
            (SIZE..SIZE + more).for_each(|nth| world.confirm(nth));
        }
        world.pass();
        world.specs[..10].iter_mut().for_each(|spec| (spec.calls, spec.how) = ("desk", How::Station));
        assert_eq!(world.held(), held, "{more} {on_record}");
    }
}

#[test]
fn what_is_held_says_the_numbers_the_limit_where_it_is_set_and_the_command() {
    let mut world = World::new();
    world.help = "+441632960109";
    let held = world.pass().unwrap();
    let said = "It alters lifeline settings of 20 of the 20 stations on record: more than 30 % (surge.share, stationkeep.yaml:12).";
    assert_eq!(held.sentence(), said);
    assert_eq!(held.release(), format!("stationkeep release {} --by NAME --why TEXT", held.change));
}

/// Every way to make a station call somebody else, or over another line.
/// A way around the brake, with its name.
type Way = (&'static str, fn(&mut Spec));

fn ways() -> Vec<Way> {
    vec![
        ("its own setting", |spec| (spec.calls, spec.how) = ("desk", How::Station)),
        ("a dial string", |spec| (spec.calls, spec.how) = ("desk", How::Written)),
        ("a profile", |spec| (spec.calls, spec.how) = ("desk", How::Profile)),
        ("another site and line", |spec| spec.site = "mole"),
        ("another model and number", |spec| (spec.model, spec.calls, spec.how) = ("wren-1", "desk", How::Station)),
    ]
}

#[test]
fn edits_add_up_however_they_are_split_and_whichever_way_they_are_made() {
    let ways = ways();
    let mut world = World::new();
    for nth in 0..15 {
        ways[nth % ways.len()].1(&mut world.specs[nth]);
        let expected = if nth + 1 < FEWEST { 0 } else { nth + 1 };
        assert_eq!(world.held(), expected, "after {}", ways[nth % ways.len()].0);
    }
}

#[test]
fn a_new_name_a_new_number_or_a_while_out_of_the_inventory_does_not_lose_what_was_settled() {
    let desk = |spec: &mut Spec| (spec.calls, spec.how) = ("desk", How::Station);
    // All at once: other names and other numbers to call.
    let mut world = World::new();
    world.specs.iter_mut().for_each(|spec| {
        spec.name = format!("X{}", spec.name);
        desk(spec);
    });
    assert_eq!(world.held(), SIZE);
    // First the names, then the lines, then whom they call.
    let mut world = World::new();
    world.specs.iter_mut().for_each(|spec| spec.name = format!("X{}", spec.name));
    assert_eq!(world.held(), 0);
    world.specs.iter_mut().for_each(|spec| spec.number += 40);
    assert_eq!(world.held(), 0);
    world.specs.iter_mut().for_each(desk);
    assert_eq!(world.held(), SIZE);
    // Out and in again, under other names.
    let mut world = World::new();
    let kept = world.specs.split_off(2);
    assert_eq!(world.held(), 0);
    world.specs.extend(kept);
    world.specs[2..].iter_mut().for_each(|spec| {
        spec.name = format!("X{}", spec.name);
        desk(spec);
    });
    assert_eq!(world.held(), SIZE - 2);
}

#[test]
fn taking_lifelines_out_of_management_settles_nothing_either() {
    let mut world = World::new();
    world.specs.iter_mut().for_each(|spec| spec.how = How::Unmanaged);
    world.pass();
    world.specs.iter_mut().for_each(|spec| (spec.calls, spec.how) = ("desk", How::Station));
    assert_eq!(world.held(), SIZE);
    world.specs = start();
    assert_eq!(world.held(), 0);
}

#[test]
fn an_edit_taken_back_is_none_and_one_that_is_keyed_shrinks() {
    let mut world = World::new();
    world.help = "+441632960109";
    assert_eq!(world.held(), SIZE);
    world.help = "+441632960101";
    assert_eq!(world.held(), 0);
    world.help = "+441632960109";
    assert_eq!(world.held(), SIZE);
    // Somebody keyed it all the same, and reported.
    (0..11).for_each(|nth| world.confirm(nth));
    assert_eq!(world.held(), 0, "nine are left");
    world.help = "+441632960101";
    assert_eq!(world.held(), 11, "those which hold the new number are settled there");
}

#[test]
fn a_station_that_strayed_is_never_held_while_the_same_is_wanted_of_it() {
    let mut world = World::new();
    world.records.clear();
    world.judged = None;
    assert_eq!(world.held(), 0, "twenty stations of which nothing is known any more, and no edit");
    world.specs[..12].iter_mut().for_each(|spec| (spec.calls, spec.how) = ("desk", How::Station));
    let held = world.pass().unwrap();
    assert!(!held.stations.contains("S-15"));
}

#[test]
fn before_anybody_reports_on_a_fleet_it_may_be_edited_at_will() {
    let mut world = World::new();
    (world.records, world.brake, world.judged) = (BTreeMap::new(), Brake::default(), None);
    assert_eq!(world.held(), 0);
    world.help = "+441632960109";
    assert_eq!(world.held(), 0);
}

#[test]
fn a_release_covers_its_very_change_once_and_no_other() {
    let mut world = World::new();
    world.help = "+441632960109";
    let held = world.pass().unwrap();
    world.release(&"0123456789abcdef".parse().unwrap());
    assert_eq!(world.held(), SIZE);
    // One more edit makes it another change.
    world.specs[3].site = "mole";
    let other = world.pass().unwrap();
    assert_ne!(held.change, other.change);
    world.release(&held.change);
    assert_eq!(world.held(), SIZE);
    world.release(&other.change);
    assert_eq!(world.held(), 0);
    assert_eq!(world.held(), 0);
    // Nobody keyed it, so going back is none; the same change later is one of its own.
    world.help = "+441632960101";
    world.specs[3].site = "quay";
    assert_eq!(world.held(), 0);
    world.help = "+441632960109";
    world.specs[3].site = "mole";
    let same = world.pass().unwrap();
    assert_eq!(same.change, other.change);
    assert_eq!(same.stations.len(), SIZE, "the old release stands in the ledger, and does not cover it");
}

#[test]
fn the_digest_of_a_change_is_what_another_program_makes_of_its_lines() {
    // Python: hashlib.sha256(b"5:EQ-01,13:+441632960121,2:aa,2:bb,").hexdigest()[:16]
    let line = ["EQ-01", "+441632960121", "aa", "bb"].map(str::to_owned);
    assert_eq!(print::change([line].into_iter()).to_string(), CHANGE);
}

const CHANGE: &str = "b4eb4cbcc8e74732";

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn whatever_the_path_the_same_end_holds_the_same_stations(
        plan in prop::collection::vec((0usize..SIZE, 0usize..5, 0u8..7), 1..30),
        cuts in prop::collection::vec(any::<bool>(), 30),
    ) {
        let ways = ways();
        let (mut one, mut step) = (World::new(), World::new());
        for (at, ((nth, way, how), cut)) in plan.iter().zip(cuts).enumerate() {
            for world in [&mut one, &mut step] {
                let spec = &mut world.specs[*nth];
                match how {
                    0 | 1 => ways[*way].1(spec),
                    2 => {
                        let before = spec.clone();
                        *spec = Spec { name: before.name, number: before.number, ..start()[*nth].clone() };
                    }
                    3 => spec.name = format!("R{at}-{nth:02}"),
                    4 => spec.number = 40 + at,
                    _ => {
                        (spec.name, spec.number) = (format!("B{at}-{nth:02}"), 40 + at);
                        if *how == 6 {
                            ways[*way].1(spec);
                        }
                    }
                }
            }
            if cut {
                step.pass();
            }
        }
        let (one, step) = (one.pass(), step.pass());
        prop_assert_eq!(one.map(|held| (held.stations, held.change)), step.map(|held| (held.stations, held.change)));
    }

    #[test]
    fn whoever_alters_so_many_meets_the_brake_whatever_is_renamed_renumbered_handed_out_and_taken_back_between(
        rounds in prop::collection::vec((prop::collection::btree_set(0usize..SIZE, 1..8), 0u8..4), 2..6),
    ) {
        // Everything is handed out that is not held; what stations might hold other than settled never passes the limit.
        let mut world = World::new();
        let mut out: BTreeSet<usize> = BTreeSet::new();
        for (round, (some, how)) in rounds.iter().enumerate() {
            for nth in some {
                let spec = &mut world.specs[*nth];
                (spec.calls, spec.how) = ("desk", How::Station);
                match how {
                    0 | 1 => {}
                    2 => spec.name = format!("N{round}-{nth:02}"),
                    _ => (spec.name, spec.number) = (format!("N{round}-{nth:02}"), 40 + nth + 20 * (round % 2)),
                }
            }
            let held = world.pass();
            let is_held = |name: &str| held.as_ref().is_some_and(|held| held.stations.contains(name));
            let free: Vec<usize> = some.iter().copied().filter(|nth| !is_held(&world.specs[*nth].name)).collect();
            for nth in free {
                world.pass();
                world.hand_out(nth);
                out.insert(nth);
            }
            prop_assert!(out.len() < FEWEST, "{out:?}");
            for nth in some {
                (world.specs[*nth].calls, world.specs[*nth].how) = ("help", How::Fleet);
            }
            world.pass();
        }
    }
}
