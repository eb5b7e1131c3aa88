//! A fleet, its ledger, the technicians and the clock. What technicians report is true, unless this says otherwise.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::Timestamp;
use stationkeep::inventory::{Inventory, LineKind, Station, dial};
use stationkeep::ledger::{
    Corrected, Digest, Issued, Record, Report, Scrutiny, Terms, Visit, admit, fold_with_visits, read,
};
use stationkeep::script::{Memory, Script};
use stationkeep::setting::{Code, Codes, Name, Reference};
use uuid::Uuid;

use crate::dice::Dice;
use crate::truth::{LABEL, Real};
use crate::wanted::{Books, Unit, Wanted};

/// A report on its way, and when it comes.
struct Sent {
    due: u32,
    text: String,
    key: usize,
    /// Whether it is true.
    is_true: bool,
}

/// The ledger: everything that was taken.
#[derive(Default)]
pub struct Ledger {
    pub reports: Vec<Report>,
    pub visits: Vec<Visit>,
    pub scripts: BTreeMap<Digest, Issued>,
}

pub struct World {
    pub dice: Dice,
    pub books: Books,
    pub codes: Codes,
    pub wanted: Wanted,
    pub inventory: Inventory,
    pub real: BTreeMap<usize, Real>,
    pub ledger: Ledger,
    pub memory: Memory,
    /// What was done, in words, for whoever reads a failure.
    pub told: Vec<String>,
    sent: Vec<Sent>,
    /// Stations about which the last report taken was false, and its id: until it is corrected nothing is promised.
    pub lied: BTreeMap<usize, Uuid>,
    /// Units that were changed, and whose report has not come yet.
    pub unreported: BTreeSet<usize>,
    /// The cards that people still have in hand.
    pub cards: BTreeMap<usize, Script>,
    pub seconds: i64,
    nth: u32,
}

/// The codes that files hold.
pub fn codes() -> Codes {
    let mut codes = Codes::new(b"a key");
    for (name, code) in [("new", "471100"), ("old", "123456"), ("label", LABEL)] {
        codes.learn(Reference::File(name.into()), Code::new(code));
    }
    codes
}

impl World {
    pub fn new(seed: u64, books: &Books) -> World {
        let mut dice = Dice(seed);
        let codes = codes();
        let (wanted, inventory) = loop {
            let wanted = Wanted::new(&mut dice, books);
            if let Some(inventory) = wanted.resolved(books, &codes) {
                break (wanted, inventory);
            }
        };
        let real = wanted.units.iter().map(|(_, unit)| (unit.key, Real::new(&books[&*unit.model]))).collect();
        World {
            dice,
            books: books.clone(),
            codes,
            wanted,
            inventory,
            real,
            ledger: Ledger::default(),
            memory: Memory::default(),
            told: Vec::new(),
            sent: Vec::new(),
            lied: BTreeMap::new(),
            unreported: BTreeSet::new(),
            cards: BTreeMap::new(),
            seconds: 0,
            nth: 0,
        }
    }

    pub fn now(&self) -> Timestamp {
        Timestamp::from_second(1_790_000_000 + self.seconds).expect("a time")
    }

    pub fn keys(&self) -> Vec<usize> {
        self.real.keys().copied().collect()
    }

    pub fn unit(&self, key: usize) -> &Unit {
        &self.wanted.units.iter().find(|(_, unit)| unit.key == key).expect("a unit").1
    }

    pub fn station(&self, key: usize) -> Arc<Station> {
        self.inventory.stations[&*self.unit(key).name].clone()
    }

    /// What the ledger proves of a unit, folded anew.
    pub fn record(&self, key: usize) -> Record {
        let station = self.station(key);
        let is_own = |name: &Name| station.names().any(|own| own == name);
        let reports = self.ledger.reports.iter().filter(|report| is_own(&report.station));
        let visits = self.ledger.visits.iter().filter(|visit| is_own(&visit.station));
        fold_with_visits(&station.keybook, reports, visits, |digest| self.ledger.scripts.get(digest))
    }

    pub fn line(&self, key: usize) -> &'static str {
        match self.station(key).line.kind {
            Some(LineKind::Direct) => "direct",
            Some(LineKind::Pbx) => "pbx",
            Some(LineKind::RingDown) => "ringdown",
            None => panic!("a line without a kind"),
        }
    }

    /// One thing happens.
    pub fn event(&mut self) {
        self.nth += 1;
        // Nobody does two things at one station in one second.
        self.seconds += 1 + self.dice.below(4_000) as i64;
        self.deliver();
        let keys = self.keys();
        let key = *self.dice.of(&keys);
        match self.dice.below(100) {
            0..30 => self.edit(),
            30..72 => self.visit(key),
            72..79 => self.unit_changes(key),
            79..91 => self.test(key),
            91..94 => self.left(key),
            94..97 => self.lie(key),
            _ => self.seconds += 86_400 * self.dice.below(40) as i64,
        }
    }

    fn edit(&mut self) {
        for _ in 0..6 {
            let mut edited = self.wanted.clone();
            edited.edit(&mut self.dice, &self.books);
            if let Some(inventory) = edited.resolved(&self.books, &self.codes) {
                let differing = inventory.differing(&self.inventory);
                self.told.push(format!("edit: {differing:?}"));
                (self.wanted, self.inventory) = (edited, inventory);
                return;
            }
        }
    }

    /// A report sets out: at once, late, twice.
    pub fn send(&mut self, key: usize, report: &serde_json::Value, is_true: bool) {
        let text = report.to_string();
        self.told.push(format!("report: {text}"));
        let due = self.nth + if self.dice.percent(60) { 0 } else { self.dice.below(9) as u32 };
        if self.dice.percent(10) {
            let due = due + self.dice.below(9) as u32;
            self.sent.push(Sent { due, text: text.clone(), key, is_true });
        }
        self.sent.push(Sent { due, text, key, is_true });
        self.deliver();
    }

    /// Takes all that has come by now.
    fn deliver(&mut self) {
        let (come, later) = std::mem::take(&mut self.sent).into_iter().partition(|sent| sent.due <= self.nth);
        self.sent = later;
        for sent in come {
            self.take(&sent);
            if self.sent.iter().all(|other| other.key != sent.key) {
                self.unreported.remove(&sent.key);
            }
        }
    }

    fn take(&mut self, sent: &Sent) {
        let (mut report, places) = read(&"report.json".into(), sent.text.as_bytes()).expect("a report");
        if self.ledger.reports.iter().any(|known| known.id == report.id) {
            return;
        }
        let script = report.script.as_ref().and_then(|digest| self.ledger.scripts.get(digest));
        let other = report.corrects.and_then(|id| self.ledger.reports.iter().find(|known| known.id == id));
        let other = other.map(|other| (other.station.clone(), other.corrects));
        let terms =
            Terms { inventory: &self.inventory, codes: &self.codes, now: self.now(), scrutiny: Scrutiny::Whole };
        let against = admit(&report, &places, script, &Corrected { other, by: None }, terms);
        assert!(against.is_empty(), "a report is refused: {against:#?}\n{}", sent.text);
        report.seal(&self.codes);
        let station = self.station(sent.key);
        report.number = Some(station.number.name().clone());
        for test in report.tests.iter_mut().filter(|_| station.line.kind != Some(LineKind::RingDown)) {
            let contact = test.contact.as_ref().and_then(|name| self.inventory.contacts.get(name));
            test.dialled = contact.and_then(|contact| dial(&contact.reach, &station.line).ok());
        }
        if !sent.is_true {
            self.lied.insert(sent.key, report.id);
        }
        if report.corrects.is_some() && report.corrects == self.lied.get(&sent.key).copied() {
            self.lied.remove(&sent.key);
        }
        self.told.push(format!("taken: {}", report.id));
        self.ledger.reports.push(report);
    }

    pub fn id(&mut self) -> Uuid {
        Uuid::from_u64_pair(self.dice.next(), self.dice.next())
    }

    pub fn report(&self, key: usize, id: Uuid) -> serde_json::Value {
        serde_json::json!({
            "report": 1, "id": id.to_string(), "station": self.unit(key).name, "at": self.now().to_string(), "by": "tech-07",
        })
    }
}
