//! A small world for tests: an inventory that is edited, a ledger that only grows, and a clock.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::Timestamp;
use sha2::{Digest as _, Sha256};
use uuid::Uuid;

use super::{
    Alteration, Candidate, Change, Gone, GoneScript, Held, Limit, Share, Tally, alteration, digest, judge, vital,
};
use crate::finding::Finding;
use crate::inventory::{self, Inventory, Keybooks, Station};
use crate::keybook::sample::{TERN, keybook};
use crate::ledger::{
    Decision, Decisions, Digest, Effect, Heard, Issued, IssuedStep, Opened, Opening, Outcome, Proven, Record, Release,
    Report, Said, Shown, Test, Unit, Visit, effect, effect_value, fold, fold_with_visits, handed_out, leads_to,
    shown_at, standing, unanswered,
};
use crate::setting::{Codes, Name, Written};

/// How many stations there are before anybody edits.
pub(crate) const SIZE: usize = 20;

/// What one station wants, and how the files say so.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Spec {
    pub name: String,
    pub formerly: Vec<String>,
    pub number: usize,
    pub model: &'static str,
    /// Which contact its button calls.
    pub calls: &'static str,
    /// Its second number, where the files say something of it.
    pub second: Option<&'static str>,
    pub how: How,
    pub site: &'static str,
}

/// Where the files say whom a button calls.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum How {
    Fleet,
    Profile,
    Station,
    Written,
    Unmanaged,
    /// Nothing is said of whom the button calls.
    NoPrimary,
}

/// What an edit of the keybooks makes of the setting that says whom the button calls.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Book {
    Whole,
    /// It weighs nothing, and is no part of the lifeline.
    NoWeight,
    /// It has another name.
    Renamed,
    /// It holds ten digits at most.
    Short,
}

impl Book {
    /// The keybooks so edited: read once a thread, since that takes longer than all else here.
    fn books(self) -> Keybooks {
        thread_local!(static READ: RefCell<BTreeMap<Book, Keybooks>> = RefCell::default());
        let read = || {
            let other = TERN.replace("model: tern-2", "model: wren-1");
            let books = [("tern-2", TERN), ("wren-1", &other)];
            books.map(|(name, text)| (Name::from(name), keybook(&self.edit(text)))).into()
        };
        READ.with_borrow_mut(|known| known.entry(self).or_insert_with(read).clone())
    }

    fn edit(self, text: &str) -> String {
        match self {
            Book::Whole => text.into(),
            Book::NoWeight => text
                .replace("digits: [1, 20], weight: lifeline}", "digits: [1, 20]}")
                .replace("emergency: [line.kind, emergency.primary]", "emergency: [line.kind]"),
            Book::Renamed => text.replace("emergency.primary", "emergency.first"),
            Book::Short => text.replace("digits: [1, 20], weight: lifeline}", "digits: [1, 10], weight: lifeline}"),
        }
    }
}

/// The stations as they are before anybody edits.
pub(crate) fn start() -> Vec<Spec> {
    fleet_of(SIZE)
}

/// So many stations that call whom the fleet calls.
pub(crate) fn fleet_of(size: usize) -> Vec<Spec> {
    let spec = |nth: usize| Spec {
        name: format!("S-{nth:02}"),
        formerly: Vec::new(),
        number: nth,
        model: "tern-2",
        calls: "help",
        second: None,
        how: How::Fleet,
        site: "quay",
    };
    (0..size).map(spec).collect()
}

/// What files said, with the inventory that they were read as.
pub(crate) type Read = (Vec<Spec>, &'static str, Book, Arc<Inventory>);

/// A fleet, its ledger and its clock.
#[derive(Clone)]
pub(crate) struct World {
    pub specs: Vec<Spec>,
    /// The number of contact `help`, in the ranges kept for fiction: 01632 960xxx; `desk` is in 0113 496 0xxx.
    pub help: &'static str,
    pub book: Book,
    pub share: &'static str,
    pub most: usize,
    pub reports: Vec<Report>,
    pub scripts: BTreeMap<Digest, Issued>,
    pub shown: Vec<Shown>,
    pub visits: Vec<Visit>,
    pub decisions: Decisions,
    /// Seconds since the world began.
    pub now: i64,
    pub seq: i64,
    /// The files as they were last read.
    pub read: RefCell<Option<Read>>,
}

impl World {
    /// Twenty stations that hold what is wanted, and were tested.
    pub fn new() -> World {
        World::of(start())
    }

    /// The same of other stations.
    pub fn of(specs: Vec<Spec>) -> World {
        let mut world = World::unreported(specs);
        (0..world.specs.len()).for_each(|nth| world.confirm(nth));
        assert_eq!(world.held(), 0);
        world
    }

    /// Stations that nobody ever reported on.
    pub fn unreported(specs: Vec<Spec>) -> World {
        World {
            specs,
            help: "+441632960101",
            book: Book::Whole,
            share: "0.3",
            most: Limit::MOST,
            reports: Vec::new(),
            scripts: BTreeMap::new(),
            shown: Vec::new(),
            visits: Vec::new(),
            decisions: Decisions::default(),
            now: 0,
            seq: 0,
            read: RefCell::default(),
        }
    }

    pub fn clock(&self) -> Timestamp {
        Timestamp::from_second(1_800_000_000 + self.now).unwrap()
    }

    pub fn days(&mut self, days: i64) {
        self.now += days * 86_400;
    }

    /// Each entry of the ledger is a minute after the one before.
    fn next(&mut self) -> i64 {
        self.seq += 1;
        self.now += 60;
        self.seq
    }

    /// The keybooks, read.
    pub fn keybooks(&self) -> Keybooks {
        self.book.books()
    }

    /// The files, read.
    pub fn inventory(&self) -> Arc<Inventory> {
        if let Some((specs, help, book, inventory)) = &*self.read.borrow()
            && (specs, *help, *book) == (&self.specs, self.help, self.book)
        {
            return inventory.clone();
        }
        let inventory = Arc::new(self.read_files());
        self.read.replace(Some((self.specs.clone(), self.help, self.book, inventory.clone())));
        inventory
    }

    fn read_files(&self) -> Inventory {
        let (raw, findings) = inventory::read(&"i.yaml".into(), self.text().as_bytes());
        assert!(findings.is_empty(), "{findings:#?}\n{}", self.text());
        let (mut inventory, findings) = inventory::resolve(&[Arc::new(raw)], &self.book.books(), &Codes::new(b"a key"));
        assert!(!findings.iter().any(Finding::is_error), "{findings:#?}\n{}", self.text());
        for spec in self.specs.iter().filter(|spec| !spec.formerly.is_empty()) {
            let station = Arc::make_mut(&mut inventory.stations).get_mut(&*spec.name).unwrap();
            Arc::make_mut(station).formerly = spec.formerly.iter().map(|name| Name::from(&**name)).collect();
        }
        inventory
    }

    fn text(&self) -> String {
        let mut text = format!(
            "inventory: 1\ncontacts: {{help: {{calls: \"{}\"}}, desk: {{calls: \"+441134960115\"}}}}\n\
             settings: {{emergency.primary: {{to: help}}, line.kind: {{from: line}}, gate.seconds: 7}}\n\
             profiles: {{by-help: {{settings: {{emergency.primary: {{to: help}}}}}}, \
             by-desk: {{settings: {{emergency.primary: {{to: desk}}}}}}}}\nsites:\n",
            self.help
        );
        for (site, line) in
            [("quay", "{kind: direct, country: GB}"), ("mole", "{kind: pbx, outside: \"9,\", country: GB}")]
        {
            let here: Vec<&Spec> = self.specs.iter().filter(|spec| spec.site == site).collect();
            if !here.is_empty() {
                text += &format!("  {site}:\n    line: {line}\n    stations:\n");
            }
            here.into_iter().for_each(|spec| text += &spec.text());
        }
        if self.book == Book::Renamed { self.book.edit(&text) } else { text }
    }

    fn nth(&self, inventory: &Inventory, nth: usize) -> Arc<Station> {
        inventory.stations[&*self.specs[nth].name].clone()
    }

    fn report(&mut self, station: &Station) -> &mut Report {
        let seq = self.next();
        self.reports.push(Report {
            id: Uuid::from_u128(seq.unsigned_abs().into()),
            station: station.name.clone(),
            at: self.clock(),
            by: "tech-07".into(),
            unit: None,
            found: BTreeMap::new(),
            script: None,
            openings: Vec::new(),
            steps: Vec::new(),
            left: BTreeMap::new(),
            tests: Vec::new(),
            elsewhere: BTreeMap::new(),
            corrects: None,
            note: None,
            fingerprints: BTreeMap::new(),
            number: Some(station.number.name().clone()),
        });
        self.reports.last_mut().unwrap()
    }

    /// Someone keyed what is wanted, without a script.
    pub fn key(&mut self, nth: usize) {
        let station = self.nth(&self.inventory(), nth);
        self.report(&station).left = wanted(&station);
    }

    /// Someone found a setting to hold a value.
    pub fn find(&mut self, nth: usize, setting: &str, value: Written) {
        let station = self.nth(&self.inventory(), nth);
        self.report(&station).found = [(setting.into(), value)].into();
    }

    /// A test call reached help.
    pub fn test(&mut self, nth: usize) {
        let station = self.nth(&self.inventory(), nth);
        let primary = station.keybook.id("emergency.primary").and_then(|id| station.wanted(id));
        let dialled = primary.map(|wanted| match wanted.value.written() {
            Written::Quoted(text) => text,
            other => panic!("{other}"),
        });
        let test = Test { lifeline: "emergency".into(), outcome: Outcome::Reached, contact: None, dialled };
        self.report(&station).tests = vec![test];
    }

    /// A test call of the second number reached help.
    pub fn test_second(&mut self, nth: usize) {
        let station = self.nth(&self.inventory(), nth);
        let test = Test { lifeline: "second".into(), outcome: Outcome::Reached, contact: None, dialled: None };
        self.report(&station).tests = vec![test];
    }

    /// Someone keyed what is wanted, and a test call reached help.
    pub fn confirm(&mut self, nth: usize) {
        self.key(nth);
        self.test(nth);
    }

    /// The unit was replaced by another.
    pub fn replace(&mut self, nth: usize) {
        let station = self.nth(&self.inventory(), nth);
        self.report(&station).unit = Some(Unit::Replaced);
    }

    /// A report says that nothing of the script that was last shown for a station was keyed.
    pub fn skip(&mut self, nth: usize) {
        let station = self.nth(&self.inventory(), nth);
        let last = self.shown.iter().rfind(|shown| shown.station == station.name).unwrap();
        let script = self.scripts[&last.script].clone();
        let report = self.report(&station);
        report.script = Some(script.digest.clone());
        report.steps = script.steps.iter().map(|step| (step.step, Heard::Skipped)).collect();
    }

    /// The one call of the script that was last shown for a station was tried with the first of its codes, and with the
    /// second; nothing was keyed.
    pub fn try_codes(&mut self, nth: usize, heard: [Opened; 2]) {
        self.skip(nth);
        let report = self.reports.last_mut().unwrap();
        report.openings = (1..).zip(heard).map(|(code, heard)| Opening { call: 1, heard, code }).collect();
    }

    /// Whether a script was shown for a station.
    pub fn has_script(&self, nth: usize) -> bool {
        self.shown.iter().any(|shown| *shown.station == *self.specs[nth].name)
    }

    /// Someone begins to key the script that was last shown for a station.
    pub fn begin(&mut self, nth: usize) {
        let station = self.nth(&self.inventory(), nth);
        let script = self.shown.iter().rfind(|shown| shown.station == station.name).unwrap().script.clone();
        let seq = self.next();
        self.visits.push(Visit {
            id: Uuid::from_u128(seq.unsigned_abs().into()),
            script,
            station: station.name.clone(),
            at: self.clock(),
            by: "tech-07".into(),
            number: Some(station.number.name().clone()),
        });
    }

    /// The last report of a station was wrong; where there is none, nothing is said.
    pub fn correct(&mut self, nth: usize) {
        let station = self.nth(&self.inventory(), nth);
        let of_it = self.reports.iter().filter(|report| report.station == station.name && report.corrects.is_none());
        let Some(wrong) = of_it.map(|report| report.id).next_back() else { return };
        if self.reports.iter().all(|report| report.corrects != Some(wrong)) {
            self.report(&station).corrects = Some(wrong);
        }
    }

    /// The script that leads a station to what is wanted now.
    pub fn script(&self, nth: usize) -> Issued {
        let station = self.nth(&self.inventory(), nth);
        let wanted = wanted(&station);
        let mut hasher = Sha256::new();
        wanted.iter().for_each(|(name, value)| hasher.update(format!("{} {name} {value:?};", station.name)));
        let effects = wanted.into_iter().map(|(name, value)| (name, Some((value, None)))).collect();
        Issued {
            digest: Digest::of_hash(&hasher.finalize()),
            station: station.name.clone(),
            at: self.clock(),
            steps: vec![IssuedStep { step: 1, effects }],
            document: serde_json::json!({
                "model": &*station.keybook.model,
                "number": &**station.number.name(),
                "calls": [{"codes": ["file:a", "file:b"], "steps": [{"step": 1}]}],
            }),
        }
    }

    /// Whether a station's script is let go.
    pub fn is_free(&self, nth: usize) -> bool {
        let inventory = self.inventory();
        let (station, change) = (self.nth(&inventory, nth), self.change());
        let record = self.record(&inventory, &station);
        let script = self.script(nth);
        change.is_none_or(|change| !change.holds(&station, &record, &leads_to(&station.keybook, &script)))
    }

    /// Shows the script of a station to someone, unless it is held.
    pub fn show(&mut self, nth: usize) -> bool {
        if !self.is_free(nth) {
            return false;
        }
        self.next();
        let inventory = self.inventory();
        let script = self.script(nth);
        let answered = self.record(&inventory, &self.nth(&inventory, nth)).answered.map(|mark| mark.at);
        let shown = Shown {
            script: script.digest.clone(),
            station: script.station.clone(),
            at: shown_at(self.clock(), answered),
            is_back: false,
        };
        self.scripts.insert(script.digest.clone(), script);
        self.shown.push(shown);
        true
    }

    /// Releases what is held now.
    pub fn release(&mut self) -> Release {
        let inventory = self.inventory();
        let change = self.change().expect("something is held");
        let all = inventory.stations.values().map(|station| (&**station, self.record(&inventory, station)));
        let stations = change.released(all, self.clock());
        let seq = self.next();
        let said = Said {
            id: Uuid::from_u128(seq.unsigned_abs().into()),
            at: self.clock(),
            by: "ops-2".into(),
            why: Some("it is meant".into()),
        };
        let release = Release { said, change: change.digest, stations };
        self.decisions.add(seq, Decision::Release(release.clone()));
        release
    }

    /// What is on record of a station, as its definition has it: under its names, else at its number.
    pub fn record(&self, inventory: &Inventory, station: &Station) -> Record {
        let names: Vec<&Name> = std::iter::once(&station.name).chain(&station.formerly).collect();
        let script = |digest: &Digest| self.scripts.get(digest);
        let own: Vec<&Report> = self.reports.iter().filter(|report| names.contains(&&report.station)).collect();
        let at_number = || self.standing().into_iter().filter(|one| one.number.as_ref() == Some(station.number.name()));
        let reported = self.reports.iter().filter(|one| one.number.as_ref() == Some(station.number.name()));
        let there: BTreeSet<&Name> = reported.map(|report| &report.station).collect();
        let is_gone = |name: &Name| there.contains(name) && is_gone(inventory, name);
        let is_own = |name: &Name| names.contains(&name) || (own.is_empty() && is_gone(name));
        let visits = self.visits.iter().filter(|visit| names.contains(&&visit.station));
        let mut record = fold_with_visits(&station.keybook, own.iter().copied(), visits, script);
        if own.is_empty() {
            let by_number = fold(&station.keybook, at_number(), script);
            (record.proven, record.number) = (by_number.proven, by_number.number);
        }
        let shown = self.shown.iter().filter(|shown| is_own(&shown.station));
        let reports = self.standing().into_iter().filter(|report| is_own(&report.station));
        record.handed_out = handed_out(&station.keybook, shown, reports, script);
        record
    }

    /// The reports that no other corrects.
    fn standing(&self) -> Vec<&Report> {
        standing(&self.reports.iter().collect::<Vec<_>>())
    }

    /// What is on record under names that no station goes by.
    pub fn gone(&self, inventory: &Inventory) -> BTreeMap<Name, Gone> {
        let names = self.reports.iter().map(|report| &report.station).chain(self.shown.iter().map(|one| &one.station));
        let is_reported = |name: &Name| self.reports.iter().any(|report| report.station == *name);
        let names: BTreeSet<&Name> = names.filter(|name| is_gone(inventory, name)).collect();
        let is_here = |name: &Name| {
            let number = self.standing().into_iter().filter(|report| report.station == *name);
            let number = number.max_by_key(|report| (report.at, report.id)).and_then(|report| report.number.clone());
            let mut there =
                inventory.stations.values().filter(|station| number.as_ref() == Some(station.number.name()));
            there.any(|station| !std::iter::once(&station.name).chain(&station.formerly).any(is_reported))
        };
        let gone = |name: &Name| {
            let shown = self.shown.iter().filter(|shown| shown.station == *name);
            let reports: Vec<&Report> = self.standing().into_iter().filter(|report| report.station == *name).collect();
            let is_on_record = self.reports.iter().any(|report| report.station == *name);
            let open = unanswered(shown, reports.iter().copied()).into_iter();
            let scripts = open.filter_map(|(script, at)| {
                let issued = &self.scripts[script];
                let number = Name::from(issued.document["number"].as_str().unwrap());
                let is_reported = self.reports.iter().any(|report| report.number.as_ref() == Some(&number));
                match self.alters(issued, &reports) {
                    None => is_reported.then_some(GoneScript { at, alters: None, number: Some(number) }),
                    Some(alters) => {
                        (!alters.is_empty()).then_some(GoneScript { at, alters: Some(alters), number: None })
                    }
                }
            });
            (name.clone(), Gone { is_on_record, scripts: scripts.collect() })
        };
        let gone = names.into_iter().filter(|name| !is_here(name)).map(gone);
        gone.filter(|(_, gone)| gone.is_on_record || !gone.scripts.is_empty()).collect()
    }

    /// What a script leads to otherwise than these reports prove; `None` where they prove nothing.
    fn alters(&self, script: &Issued, reports: &[&Report]) -> Option<Vec<(Proven, Effect)>> {
        let books = self.book.books();
        let book = &books[script.document["model"].as_str().unwrap()];
        let record = fold(book, reports.iter().copied(), |digest: &Digest| self.scripts.get(digest));
        let ends: BTreeMap<&Name, &Effect> = script.steps.iter().flat_map(|step| &step.effects).collect();
        let alters = record.proven.iter().filter_map(|proven| {
            let id = book.id(&proven.setting)?;
            let to = effect_value(&book.setting(id).kind, ends.get(&proven.setting)?);
            (proven.value != to).then(|| (id, proven.clone(), to.as_ref().and_then(effect)))
        });
        let mut alters: Vec<_> = alters.collect();
        alters.sort_by_key(|(id, _, _)| *id);
        (!record.proven.is_empty()).then(|| alters.into_iter().map(|(_, proven, to)| (proven, to)).collect())
    }

    /// How each altered station is altered.
    pub fn alterations(&self) -> BTreeMap<Name, Alteration> {
        let inventory = self.inventory();
        self.with_rows(&inventory, |rows| {
            rows.iter().filter_map(|row| Some((row.station.name.clone(), row.alteration?.clone()))).collect()
        })
    }

    fn with_rows<R>(&self, inventory: &Inventory, work: impl FnOnce(&[Candidate<'_>]) -> R) -> R {
        let stations = inventory.stations.values();
        let found: Vec<(&Arc<Station>, Record, Option<Alteration>)> = stations
            .map(|station| {
                let record = self.record(inventory, station);
                let release = self.decisions.release_of(std::iter::once(&station.name).chain(&station.formerly));
                let alteration = alteration(station, &record, release, self.clock());
                (station, record, alteration)
            })
            .collect();
        let rows: Vec<Candidate<'_>> = found
            .iter()
            .map(|(station, record, alteration)| Candidate {
                station,
                has_proven: !record.proven.is_empty(),
                is_first_seen: super::is_first_seen(record),
                alteration: alteration.as_ref(),
                is_on_record: record.is_on_record(),
            })
            .collect();
        work(&rows)
    }

    pub fn limit(&self) -> Limit {
        Limit {
            share: self.share.parse::<Share>().unwrap(),
            most: self.most,
            share_set_at: "brake.share, stationkeep.yaml:12".into(),
            most_set_at: "brake.most, stationkeep.yaml:12".into(),
        }
    }

    /// What is held, as it is said where no script but those of altered stations waits.
    pub fn sentence(&self) -> String {
        let change = Arc::new(self.change().unwrap());
        Held { scripts: change.stations.len(), change }.sentence()
    }

    /// What is held.
    pub fn change(&self) -> Option<Change> {
        self.judged().1
    }

    /// How many stations are altered, and what is held.
    pub fn judged(&self) -> (Tally, Option<Change>) {
        let inventory = self.inventory();
        let gone = self.gone(&inventory);
        self.with_rows(&inventory, |rows| {
            let wanted = || digest(rows.iter().map(|row| row.station));
            judge(rows.iter().copied(), &gone, &self.decisions, &self.limit(), self.clock(), wanted)
        })
    }

    /// How many altered stations are held; 0 where they are not too many.
    pub fn held(&self) -> usize {
        self.change().map_or(0, |change| change.tally.altered)
    }
}

impl Spec {
    fn text(&self) -> String {
        let Spec { name, formerly: _, number, model, calls, second, how, site } = self;
        let dialled = if *calls == "help" { "01632960101" } else { "01134960115" };
        let outside = if *site == "mole" { "9," } else { "" };
        let profile = if *how == How::Profile { format!(", profiles: [by-{calls}]") } else { String::new() };
        let said = match how {
            How::Fleet | How::Profile => None,
            How::Station => Some(format!("emergency.primary: {{to: {calls}}}")),
            How::NoPrimary => Some("emergency.primary: null".into()),
            How::Unmanaged => Some("emergency.primary: null, line.kind: null".into()),
            How::Written => Some(format!("emergency.primary: \"{outside}{dialled}\"")),
        };
        let second = second.map(|second| format!("emergency.backup: \"{second}\""));
        let settings: Vec<String> = said.into_iter().chain(second).collect();
        let settings =
            if settings.is_empty() { String::new() } else { format!(", settings: {{{}}}", settings.join(", ")) };
        format!("      {name}: {{number: \"+442079460{number:03}\", model: {model}{profile}{settings}}}\n")
    }
}

fn is_gone(inventory: &Inventory, name: &Name) -> bool {
    let is_former = || inventory.stations.values().any(|station| station.formerly.contains(name));
    !inventory.stations.contains_key(name) && !is_former()
}

/// What is wanted of a station's lifelines, as a report says it; of one that the keybook thinks less of, too.
fn wanted(station: &Station) -> BTreeMap<Name, Written> {
    let primary = station.keybook.id("emergency.primary").and_then(|id| station.wanted(id));
    let primary = primary.map(|wanted| ("emergency.primary".into(), wanted.value.written()));
    vital(station).map(|(name, value)| (name.clone(), value.written())).chain(primary).collect()
}
