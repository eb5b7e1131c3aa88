//! Kept up, an inventory is what making it anew gives, findings included: whatever was edited, in whatever order.

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

/// A fleet in five files: what is shared, three sites, and stations away from their sites.
#[derive(Debug, Clone)]
struct Texts {
    contact: u8,
    profile: u8,
    /// For each site its line, an empty line or not before its stations, and the stations.
    sites: Vec<(u8, bool, Vec<Own>)>,
    /// Stations at top level, of one of the sites or of none.
    apart: Vec<(u8, Own)>,
}

const LINES: [&str; 4] = [
    "kind: pbx, outside: \"9,\", country: GB",
    "kind: direct, country: GB",
    "kind: ringdown",
    "kind: pbx, outside: \"9,\", country: FR, short_direct: true",
];

/// Some are as they should be, some are warned of, some are errors.
const SAYINGS: [&str; 10] = [
    "",
    ", gate.seconds: 7",
    ", gate.seconds: 8",
    ", emergency.backup: {to: desk}",
    ", emergency.backup: {to: nobody}",
    ", emergency.primary: null",
    ", access: {secret: \"file:zero\"}",
    ", emergency.backup: \"9,01632960122\"",
    ", emergency.backup: {to: short}",
    ", emergency.primary: \"\"",
];

const PROFILES: [&str; 3] = ["quayside", "quayside, spare", "bare"];

const OWN_LINES: [&str; 9] = [
    "",
    ", line: {kind: direct}",
    ", line: {country: FR}",
    ", line: {kind: ringdown}",
    ", formerly: EQ-15",
    ", formerly: [EQ-60, EQ-61]",
    ", lifelines: {emergency: none}",
    ", lifelines: {emergency: null, second: none}",
    ", lifelines: {emregency: none}",
];

impl Own {
    /// The station as a line of YAML; `site` is said where it stands away from it.
    fn text(&self, site: &str) -> String {
        let Own { name, number, identity, profile, says, line } = self;
        format!(
            "      EQ-{name:02}: {{{site}number: \"+4416329601{number:02}\", where: quay, profiles: [{}], \
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
                let _ = write!(text, "{}", station.text(""));
            }
            files.push(text);
        }
        let mut text = "inventory: 1\nstations:\n".to_owned();
        for (site, station) in &self.apart {
            let _ = write!(text, "{}", station.text(&format!("site: site-{site}, ")));
        }
        files.push(text);
        files
    }
}

/// A change that someone makes.
#[derive(Debug, Clone)]
enum Change {
    Contact(u8),
    Profile(u8),
    Line(usize, u8),
    Gap(usize),
    Station(usize, usize, Own),
    Gone(usize, usize),
    Added(usize, Own),
    Apart(u8, Own),
    Together(usize),
}

fn own(name: impl Strategy<Value = u8>) -> impl Strategy<Value = Own> {
    // Mostly as it should be.
    let says = prop_oneof![6 => 0u8..3, 1 => 3u8..10];
    let (profile, line) = (prop_oneof![6 => Just(0u8), 1 => 1u8..3], prop_oneof![6 => Just(0u8), 1 => 1u8..9]);
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
        2 => (0u8..4, own(14u8..26)).prop_map(|(site, own)| Change::Apart(site, own)),
        1 => (0usize..3).prop_map(Change::Together),
    ]
}

fn start() -> Texts {
    let station = |n: u8| Own { name: n, number: 20 + n, identity: n, profile: 0, says: n % 3, line: 0 };
    let sites = (0..3u8).map(|site| (site, false, (0..3).map(|at| station(10 + 3 * site + at)).collect()));
    Texts { contact: 1, profile: 0, sites: sites.collect(), apart: Vec::new() }
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
            Change::Apart(site, own) => self.apart.push((site, own)),
            Change::Together(at) => {
                if at < self.apart.len() {
                    self.apart.remove(at);
                }
            }
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
    let text = text
        .replace("emergency.primary: {kind: dial, digits: [1, 20]", "emergency.primary: {kind: dial, digits: [0, 20]");
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

/// Goes through the changes and compares with what is made anew after each.
fn walk(changes: Vec<Change>) {
    let (books, codes) = (books(), codes());
    let (mut texts, mut known) = (start(), BTreeMap::new());
    let mut resolver = Resolver::default();
    let mut before: Arc<Inventory> = Arc::default();
    for change in changes {
        texts.take(change);
        let files = read_again(&texts.files(), &mut known);
        let (kept_up, told) = resolver.resolve(&files, &books, &codes, &InTurn);
        let (anew, findings) = resolve(&files, &books, &codes);
        assert_eq!(*kept_up, anew, "{texts:?}");
        assert_eq!(told, findings, "{texts:?}");
        for (name, station) in kept_up.stations.iter() {
            let same = before.stations.get(name).filter(|before| *before == station);
            assert!(same.is_none_or(|same| Arc::ptr_eq(same, station)), "{name} is equal, and another one");
        }
        before = kept_up;
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]
    #[test]
    fn whatever_is_edited_an_inventory_kept_up_is_what_making_it_anew_gives(changes in prop::collection::vec(change(), 1..25)) {
        walk(changes);
    }
}

/// The files of which something was made again by an edit, by name.
fn made_again(resolver: &Resolver, before: &[Arc<FileStations>], files: &[Arc<RawFile>]) -> Vec<usize> {
    let now = files.iter().map(|file| &resolver.made[&(Arc::as_ptr(file) as usize)].made);
    let differing = now.zip(before).enumerate().filter(|(_, (now, before))| !Arc::ptr_eq(now, before));
    differing.map(|(nth, _)| nth).collect()
}

#[test]
fn an_edit_costs_the_files_that_it_reaches() {
    let (books, codes) = (books(), codes());
    let own = |number, says| Own { name: 0, number, identity: 14, profile: 0, says, line: 0 };
    let mut start = start();
    start.apart = vec![(1, Own { name: 20, number: 44, identity: 50, profile: 0, says: 0, line: 0 })];
    for (change, reached) in [
        (Change::Station(1, 1, own(34, 1)), vec![2]),
        // A number that another has, an error, a warning: what only the whole shows costs no file.
        (Change::Station(1, 1, own(20, 0)), vec![2]),
        (Change::Station(1, 1, own(34, 4)), vec![2]),
        (Change::Station(1, 1, own(34, 6)), vec![2]),
        (Change::Added(2, own(35, 0)), vec![3]),
        (Change::Gone(0, 0), vec![1]),
        (Change::Gap(1), vec![2]),
        // The line of a site with a station in another file.
        (Change::Line(1, 2), vec![2, 4]),
        (Change::Contact(2), vec![0, 1, 2, 3, 4]),
        (Change::Profile(1), vec![0, 1, 2, 3, 4]),
    ] {
        let (mut texts, mut known) = (start.clone(), BTreeMap::new());
        let mut resolver = Resolver::default();
        let files = read_again(&texts.files(), &mut known);
        resolver.resolve(&files, &books, &codes, &InTurn);
        let before: Vec<_> =
            files.iter().map(|file| resolver.made[&(Arc::as_ptr(file) as usize)].made.clone()).collect();
        texts.take(change.clone());
        let files = read_again(&texts.files(), &mut known);
        resolver.resolve(&files, &books, &codes, &InTurn);
        assert_eq!(made_again(&resolver, &before, &files), reached, "{change:?}");
        // A keybook that is read again and equal is no other one.
        let again = self::books();
        let before: Vec<_> =
            files.iter().map(|file| resolver.made[&(Arc::as_ptr(file) as usize)].made.clone()).collect();
        resolver.last = None;
        resolver.resolve(&files, &again, &codes, &InTurn);
        assert_eq!(made_again(&resolver, &before, &files), [0; 0], "{change:?}");
    }
}
