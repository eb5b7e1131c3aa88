//! Put together again, an inventory is what working it out anew gives: whatever was edited, in whatever order.

use std::fmt::Write as _;

use proptest::prelude::*;

use super::*;
use crate::inventory::{read, resolve};
use crate::keybook::sample::{TERN, keybook};
use crate::setting::{Code, Reference};

/// A station as a test writes it; all small numbers, so that stations often meet in what they may not share.
#[derive(Debug, Clone)]
struct Own {
    name: u8,
    number: u8,
    identity: u8,
    profile: u8,
    /// What it says beside its identity.
    says: u8,
    line: u8,
}

/// A fleet in four files: what is shared, and three sites.
#[derive(Debug, Clone)]
struct Texts {
    contact: u8,
    profile: u8,
    /// For each site its line, an empty line or not before its stations, and the stations.
    sites: Vec<(u8, bool, Vec<Own>)>,
}

const LINES: [&str; 4] = [
    "kind: pbx, outside: \"9,\", country: GB",
    "kind: direct, country: GB",
    "kind: ringdown",
    "kind: pbx, outside: \"9,\", country: FR, short_direct: true",
];

/// Some are as they should be, some are warned of, some are errors.
const SAYINGS: [&str; 9] = [
    "",
    ", gate.seconds: 7",
    ", gate.seconds: 8",
    ", emergency.backup: {to: desk}",
    ", emergency.backup: {to: nobody}",
    ", emergency.primary: null",
    ", access: {secret: \"file:zero\"}",
    ", emergency.backup: \"9,01632960122\"",
    ", emergency.backup: {to: short}",
];

const PROFILES: [&str; 3] = ["quayside", "quayside, spare", "bare"];

const OWN_LINES: [&str; 4] = ["", ", line: {kind: direct}", ", line: {country: FR}", ", line: {kind: ringdown}"];

impl Own {
    fn text(&self) -> String {
        let Own { name, number, identity, profile, says, line } = self;
        format!(
            "      EQ-{name:02}: {{number: \"+4416329601{number:02}\", where: quay, profiles: [{}], \
             settings: {{identity: \"{identity}\"{}}}{}}}\n",
            PROFILES[usize::from(*profile)],
            SAYINGS[usize::from(*says)],
            OWN_LINES[usize::from(*line)],
        )
    }
}

impl Texts {
    fn files(&self) -> Vec<String> {
        let (contact, backup) = (self.contact, SAYINGS[usize::from(self.profile)]);
        let mut files = vec![format!(
            "inventory: 1\nfleet: Skerry\ncontacts:\n  control-room: {{calls: \"+44163296010{contact}\"}}\n  desk: {{calls: \
             \"+441632960177\"}}\n  short: {{short: \"999\"}}\n  long: {{extension: \"01632960155\"}}\n  unused: {{extension: \"44\"}}\nprofiles:\n  quayside: {{model: tern-2, settings: \
             {{access: {{secret: \"file:a\"}}, emergency.primary: {{to: control-room}}, line.kind: {{from: line}}, lamp.follows: [emergency]{backup}}}}}\n  \
             spare: {{settings: {{gate.seconds: 9}}}}\n  bare: {{model: tern-2, settings: {{emergency.primary: {{to: control-room}}}}}}\n"
        )];
        for (nth, (line, gap, stations)) in self.sites.iter().enumerate() {
            let mut text =
                format!("inventory: 1\nsites:\n  site-{nth}:\n    line: {{{}}}\n", LINES[usize::from(*line)]);
            text += if *gap { "\n    stations:\n" } else { "    stations:\n" };
            for station in stations {
                let _ = write!(text, "{}", station.text());
            }
            files.push(text);
        }
        files
    }
}

/// A change that somebody makes.
#[derive(Debug, Clone)]
enum Change {
    Contact(u8),
    Profile(u8),
    Line(usize, u8),
    Gap(usize),
    Station(usize, usize, Own),
    Gone(usize, usize),
    Added(usize, Own),
}

fn own(name: impl Strategy<Value = u8>) -> impl Strategy<Value = Own> {
    // Mostly as it should be.
    let says = prop_oneof![6 => 0u8..3, 1 => 3u8..9];
    let (profile, line) = (prop_oneof![6 => Just(0u8), 1 => 1u8..3], prop_oneof![6 => Just(0u8), 1 => 1u8..4]);
    (name, 20u8..45, 0u8..60, profile, says, line).prop_map(|(name, number, identity, profile, says, line)| Own {
        name,
        number,
        identity,
        profile,
        says,
        line,
    })
}

fn change() -> impl Strategy<Value = Change> {
    prop_oneof![
        1 => (0u8..3).prop_map(Change::Contact),
        1 => (0u8..3).prop_map(Change::Profile),
        1 => (0usize..3, 0u8..4).prop_map(|(site, line)| Change::Line(site, line)),
        1 => (0usize..3).prop_map(Change::Gap),
        8 => (0usize..3, 0usize..4, own(0u8..1)).prop_map(|(site, at, own)| Change::Station(site, at, own)),
        1 => (0usize..3, 0usize..4).prop_map(|(site, at)| Change::Gone(site, at)),
        2 => (0usize..3, own(10u8..22)).prop_map(|(site, own)| Change::Added(site, own)),
    ]
}

fn start() -> Texts {
    let station = |n: u8| Own { name: n, number: 20 + n, identity: n, profile: 0, says: n % 3, line: 0 };
    let sites = (0..3u8).map(|site| (site, false, (0..3).map(|at| station(10 + 3 * site + at)).collect()));
    Texts { contact: 1, profile: 0, sites: sites.collect() }
}

impl Texts {
    fn take(&mut self, change: Change) {
        match change {
            Change::Contact(contact) => self.contact = contact,
            Change::Profile(says) => self.profile = says,
            Change::Line(site, line) => self.sites[site].0 = line,
            Change::Gap(site) => self.sites[site].1 = !self.sites[site].1,
            Change::Station(site, at, own) => {
                if let Some(station) = self.sites[site].2.get_mut(at) {
                    *station = Own { name: station.name, ..own };
                }
            }
            Change::Gone(site, at) => {
                if at < self.sites[site].2.len() {
                    self.sites[site].2.remove(at);
                }
            }
            Change::Added(site, own) => self.sites[site].2.push(own),
        }
    }
}

fn codes() -> Codes {
    let mut codes = Codes::new(b"a key");
    for (path, code) in [("a", "4711"), ("zero", "0000")] {
        codes.learn(Reference::File(path.into()), Code::new(code));
    }
    codes
}

fn books() -> Keybooks {
    let text = TERN.replace(
        "access:            {kind: secret, digits: [4, 8]}",
        "access: {kind: secret, digits: [4, 8], factory: \"0000\"}",
    );
    assert_ne!(text, TERN);
    let mut book = Arc::unwrap_or_clone(keybook(&text));
    book.seal(&codes());
    [(Name::from("tern-2"), Arc::new(book))].into()
}

/// Reads files as a cache does: one that did not change stays the very same.
fn read_again(texts: &[String], known: &mut BTreeMap<(usize, String), Arc<RawFile>>) -> Vec<Arc<RawFile>> {
    let read = |(nth, text): (usize, &String)| {
        let raw = || Arc::new(read(&format!("{nth}.yaml").into(), text.as_bytes()).0);
        known.entry((nth, text.clone())).or_insert_with(raw).clone()
    };
    texts.iter().enumerate().map(read).collect()
}

/// Goes through the changes and compares with the whole after each; how often the short way was taken.
fn walk(changes: Vec<Change>) -> usize {
    let (books, codes) = (books(), codes());
    let (mut texts, mut known, mut short) = (start(), BTreeMap::new(), 0);
    let mut kept: Option<Kept> = None;
    let mut before = Arc::new(Inventory::default());
    for change in changes {
        texts.take(change);
        let files = read_again(&texts.files(), &mut known);
        let (whole, findings) = resolve(&files, &books, &codes);
        let again = kept.as_mut().and_then(|kept| kept.again(&files, &books, &codes));
        if let Some((inventory, told)) = again {
            assert_eq!(*inventory, whole, "{texts:?}");
            assert_eq!(told, findings, "{texts:?}");
            let differing = inventory.differing(&before);
            for name in whole.stations.keys().chain(before.stations.keys()) {
                let is_same = whole.stations.get(name) == before.stations.get(name);
                assert!(is_same || differing.contains(name), "{name} changed");
            }
            before = inventory;
            short += 1;
        } else {
            before = Arc::new(whole);
            kept = Kept::new(&files, &books, &codes, &before, &findings);
            let is_sound = !findings.iter().any(Finding::is_error) && !files.iter().any(|file| file.is_broken);
            assert_eq!(kept.is_some(), is_sound);
        }
    }
    short
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]
    #[test]
    fn whatever_is_edited_the_short_way_comes_to_what_the_whole_does(changes in prop::collection::vec(change(), 1..25)) {
        walk(changes);
    }
}

#[test]
fn edits_of_stations_take_the_short_way() {
    let own = |number, identity, says| Own { name: 0, number, identity, profile: 0, says, line: 0 };
    let edit = |own| Change::Station(1, 1, own);
    let steps = |changes: Vec<Change>| walk([vec![Change::Contact(1)], changes].concat());
    assert_eq!(steps(vec![edit(own(34, 14, 2)), edit(own(34, 14, 0)), edit(own(44, 59, 1))]), 3);
    let added = Own { name: 21, ..own(43, 58, 0) };
    assert_eq!(steps(vec![Change::Added(2, added), Change::Gone(2, 3), Change::Gone(0, 0)]), 3);
    let other = Own { profile: 1, ..own(34, 14, 0) };
    assert_eq!(steps(vec![edit(other), edit(own(34, 14, 0))]), 0, "a profile comes and goes");
    assert_eq!(steps(vec![edit(own(30, 14, 0)), edit(own(34, 14, 0))]), 0, "a number that another has");
    assert_eq!(steps(vec![edit(own(34, 10, 0))]), 0, "an identity that another has");
    assert_eq!(steps(vec![edit(own(34, 14, 3))]), 0, "a contact more than before");
    assert_eq!(steps(vec![edit(own(34, 14, 6))]), 0, "the factory's code");
    assert_eq!(steps(vec![edit(own(34, 14, 5))]), 0, "a lifeline with a gap");
    assert_eq!(steps(vec![Change::Line(1, 0), Change::Profile(1), Change::Contact(2)]), 0, "more than stations");
}

#[test]
fn a_station_that_loses_what_only_it_named_is_no_short_way() {
    // The contact `desk` is unused but for one station; the warning must come when it stops calling it.
    let own = |says| Change::Station(0, 0, Own { name: 0, number: 30, identity: 10, profile: 0, says, line: 0 });
    assert_eq!(walk(vec![own(3), own(0), own(2)]), 1);
}

#[test]
fn a_new_station_that_two_files_define_is_no_short_way() {
    let (books, codes) = (books(), codes());
    let (mut texts, mut known) = (start(), BTreeMap::new());
    let files = read_again(&texts.files(), &mut known);
    let (inventory, findings) = resolve(&files, &books, &codes);
    let mut kept = Kept::new(&files, &books, &codes, &Arc::new(inventory), &findings).unwrap();
    for site in 1..3u8 {
        let own = Own { name: 21, number: 40 + site, identity: 50 + site, profile: 0, says: 0, line: 0 };
        texts.take(Change::Added(site.into(), own));
    }
    let files = read_again(&texts.files(), &mut known);
    assert!(resolve(&files, &books, &codes).1.iter().any(Finding::is_error));
    assert!(kept.again(&files, &books, &codes).is_none());
}
