//! All cases, as the store keeps them, and beside them a memo: what need not be looked at again, because it is the very
//! same that was decided on last.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::case::{Before, Case};
use super::grouped::Grouped;
use super::json::json;
use super::kept;
use super::mark::Chain;
use super::pass::Pass;
use super::subject::{Subject, Topic};
use super::terms::AlertTerms;
use crate::drift::StationDrift;
use crate::setting::{Name, Weight};

/// Cases that are otherwise from now on, as texts by their keys; `None` is to be forgotten.
pub type Writes = BTreeMap<String, Option<String>>;

/// When a webhook is next to be reminded of a case.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Due {
    pub webhook: Name,
    pub at: Timestamp,
}

/// What is kept of a fleet's alerts. The rows are the truth; the memo follows from them and from the last pass.
#[derive(Debug, Clone, Default)]
pub struct Cases {
    rows: BTreeMap<String, String>,
    quiet: Option<Quiet>,
    /// When each webhook is next to be reminded of a station, and of something else.
    due_stations: BTreeMap<Name, Timestamp>,
    due_others: BTreeMap<Name, Timestamp>,
    /// After this something of a station is forgotten.
    forget: Option<Timestamp>,
    /// Whether the last pass had stations: without any nothing is decided about them.
    is_watching: bool,
}

/// What the last decision left quiet: stations that need not be looked at while they are the same.
#[derive(Debug, Clone)]
struct Quiet {
    stations: Vec<Arc<StationDrift>>,
    /// The stations of which time alone makes news or forgets something.
    pending: BTreeMap<Name, Pending>,
    terms: AlertTerms,
    clock: Timestamp,
}

/// What time does to what is kept of one station.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Pending {
    /// The weight of its open case.
    pub open: Option<Weight>,
    pub due: Vec<Due>,
    /// After this something of it is forgotten.
    pub forget: Option<Timestamp>,
}

/// What a decision leaves to the memo.
#[derive(Debug, Clone, PartialEq)]
pub struct Noted {
    pub(super) stations: Decided,
    pub(super) pending: Vec<(Name, Pending)>,
    pub(super) due: Vec<Due>,
    pub(super) terms: AlertTerms,
    pub(super) clock: Timestamp,
}

/// The stations that were decided on.
#[derive(Debug, Clone, PartialEq)]
pub enum Decided {
    /// There were none.
    Nothing,
    /// The very same as before.
    Same,
    On(Vec<Arc<StationDrift>>),
}

/// What must be looked at of the stations of a pass.
pub struct ToLookAt<'p> {
    /// By name; `None` where a station is gone.
    pub stations: BTreeMap<Name, Option<&'p Arc<StationDrift>>>,
    pub decided: Decided,
}

/// How far telling has come, beside all cases.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Progress {
    /// See [`Chain`].
    #[serde(default)]
    pub chain: String,
    /// The last entry of the ledger whose report was a cause.
    #[serde(default)]
    pub ledger_seq: i64,
}

const PROGRESS: &str = "progress/";

/// The keys of what is remembered of webhooks that take a message a station begin so.
const GROUPED: &str = "grouped/";

/// The keys of cases whose end a webhook missed begin so.
const MISSED: &str = "missed/";

/// The webhooks that missed the end of a case.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
struct Missed(#[serde(with = "kept::map")] BTreeMap<Name, kept::Kept<Timestamp>>);

impl Cases {
    /// From what the store has, by key.
    pub fn read(rows: BTreeMap<String, String>) -> Cases {
        Cases { rows, ..Cases::default() }
    }

    /// All rows, by key.
    pub fn rows(&self) -> &BTreeMap<String, String> {
        &self.rows
    }

    /// The key of a case.
    pub fn key<T: Topic>(name: &str) -> String {
        format!("{}/{name}", T::NAME)
    }

    /// What was said of a subject.
    pub fn before<T: Topic>(&self, name: &str) -> Before<T::Facts, T::Memory> {
        Before::read(self.rows.get(&Cases::key::<T>(name)).map(String::as_str))
    }

    /// The subjects of a topic of which there are cases.
    pub fn names<T: Topic>(&self) -> impl Iterator<Item = Name> {
        let below = |from: String| {
            let of_topic = self.rows.range(from.clone()..).map(|(key, _)| key);
            of_topic.map_while(move |key| key.strip_prefix(&*from).map(Name::from))
        };
        let from = Cases::key::<T>("");
        let missed = format!("{MISSED}{from}");
        below(from).chain(below(missed))
    }

    /// The rows of the cases of a topic, with their names.
    pub fn rows_of<T: Topic>(&self) -> impl Iterator<Item = (&str, &str)> {
        let from = Cases::key::<T>("");
        let all = self.rows.range(from.clone()..);
        all.map_while(move |(key, row)| Some((key.strip_prefix(&*from)?, &**row)))
    }

    /// The subjects of a topic: these, and those of which there are cases, each as `look` sees it.
    pub fn subjects<'p, T: Topic>(
        &self,
        names: impl IntoIterator<Item = Name>,
        look: impl Fn(Name, Before<T::Facts, T::Memory>) -> Subject<'p, T>,
    ) -> Vec<Subject<'p, T>> {
        let names: BTreeSet<Name> = names.into_iter().chain(self.names::<T>()).collect();
        names.into_iter().map(|name| look(name.clone(), self.before::<T>(&name))).collect()
    }

    /// What is written first where stations go by new names: their cases go on under those.
    pub fn carried<T: Topic>(&self, stations: &[Arc<StationDrift>]) -> Writes {
        let mut writes = Writes::new();
        for (drift, former) in stations.iter().flat_map(|drift| drift.formerly.iter().map(move |name| (drift, name))) {
            let (from, to) = (Cases::key::<T>(former), Cases::key::<T>(&drift.station));
            if let Some(row) = self.rows.get(&from) {
                if !self.rows.contains_key(&to) {
                    writes.insert(to, Some(renamed::<T>(row, former)));
                }
                writes.insert(from, None);
            }
        }
        self.carry_back::<T>(stations, &mut writes);
        writes
    }

    /// A case whose station has the name again by which receivers know it, because a rename was taken back, goes on under that:
    /// else it would be told as over under the key of the case that opens.
    fn carry_back<T: Topic>(&self, stations: &[Arc<StationDrift>], writes: &mut Writes) {
        // Where the same stations are here as after the last pass there is nothing to carry.
        let name = |drift: &Arc<StationDrift>| drift.station.clone();
        if self.quiet.as_ref().is_some_and(|quiet| quiet.stations.iter().map(name).eq(stations.iter().map(name))) {
            return;
        }
        let is_here = |name: &Name| stations.binary_search_by(|drift| drift.station.cmp(name)).is_ok();
        for name in self.names::<T>().filter(|name| !is_here(name)) {
            let from = Cases::key::<T>(&name);
            let Before::Case(mut case) = self.before::<T>(&name) else { continue };
            let Some(known_as) = T::opened_as(&case.memory).filter(|known_as| is_here(known_as)) else { continue };
            let to = Cases::key::<T>(known_as);
            if !self.rows.contains_key(&to) && !writes.contains_key(&to) && !writes.contains_key(&from) {
                T::renamed_back(&mut case.memory);
                writes.insert(to, Some(case.to_json()));
                writes.insert(from, None);
            }
        }
    }

    /// Writes down that receivers would not take the message that these cases are over: they are told once more, when a
    /// reminder would be due. What is open is told again anyway.
    pub fn missed<'k>(&self, missed: impl Iterator<Item = (&'k Name, &'k str, Timestamp)>) -> Writes {
        let mut all: BTreeMap<String, Missed> = BTreeMap::new();
        for (webhook, key, at) in missed {
            let known = || self.missed_by_key(key);
            all.entry(key.into()).or_insert_with(known).0.insert(webhook.clone(), kept::Kept(at));
        }
        all.into_iter().map(|(key, missed)| (format!("{MISSED}{key}"), Some(json(&missed)))).collect()
    }

    /// These, with what was missed: all of it is to be looked at.
    pub fn with_missed(&self, missed: &Writes) -> Cases {
        Cases { quiet: None, ..self.with(missed) }
    }

    /// Which webhooks missed that a case is over, and when they were to hear it.
    pub fn missed_of<T: Topic>(&self, name: &str) -> BTreeMap<Name, Timestamp> {
        let missed = self.missed_by_key(&Cases::key::<T>(name));
        missed.0.into_iter().map(|(webhook, at)| (webhook, at.0)).collect()
    }

    fn missed_by_key(&self, key: &str) -> Missed {
        let row = self.rows.get(&format!("{MISSED}{key}"));
        row.and_then(|row| serde_json::from_str(row).ok()).unwrap_or_default()
    }

    /// The same, to be written.
    pub fn keep_missed<T: Topic>(name: &str, missed: BTreeMap<Name, Timestamp>) -> (String, Option<String>) {
        let kept = (!missed.is_empty())
            .then(|| json(&Missed(missed.into_iter().map(|(webhook, at)| (webhook, kept::Kept(at))).collect())));
        (format!("{MISSED}{}", Cases::key::<T>(name)), kept)
    }

    /// What is remembered of the messages of a webhook that takes one a station.
    pub fn grouped(&self, webhook: &str) -> Grouped {
        let row = self.rows.get(&format!("{GROUPED}{webhook}"));
        Before::<(), Grouped>::read(row.map(String::as_str)).case().map(|case| case.memory.clone()).unwrap_or_default()
    }

    /// The same, to be written.
    pub fn keep_grouped(webhook: &str, grouped: Grouped) -> (String, Option<String>) {
        let case = Case::<(), Grouped>::new(None, BTreeMap::new(), grouped);
        (format!("{GROUPED}{webhook}"), (!case.is_nothing()).then(|| case.to_json()))
    }

    /// Whether any webhook missed that a case is over.
    pub fn has_missed(&self) -> bool {
        self.rows.range(MISSED.to_owned()..).next().is_some_and(|(key, _)| key.starts_with(MISSED))
    }

    /// These, with some rows otherwise.
    pub fn with(&self, writes: &Writes) -> Cases {
        let mut cases = self.clone();
        cases.write(writes.clone());
        cases
    }

    fn write(&mut self, writes: Writes) {
        for (key, row) in writes {
            match row {
                Some(row) => self.rows.insert(key, row),
                None => self.rows.remove(&key),
            };
        }
    }

    /// How far telling has come.
    pub fn progress(&self) -> Progress {
        let row = self.rows.get(PROGRESS);
        match Before::<(), Progress>::read(row.map(String::as_str)) {
            Before::Nothing => Progress::default(),
            Before::Case(case) => case.memory,
            // Ids must not come again: any other chain will do.
            Before::Unreadable => Progress { chain: row.cloned().unwrap_or_default(), ledger_seq: 0 },
        }
    }

    /// The same, to be written.
    pub fn progressed(progress: Progress) -> (String, Option<String>) {
        (PROGRESS.into(), Some(Case::<(), Progress>::new(None, BTreeMap::new(), progress).to_json()))
    }

    /// The chain of all that was said.
    pub fn chain(&self) -> Chain {
        Chain::stored(&self.progress().chain)
    }

    /// What must be looked at of a pass's stations.
    pub fn to_look_at<'p, T: Topic>(&self, pass: &Pass<'p>, terms: &AlertTerms) -> ToLookAt<'p> {
        self.beside::<T>(self.quiet.as_ref().filter(|quiet| quiet.terms == *terms), pass)
    }

    /// All stations, whether they moved or not.
    pub fn to_look_at_all<'p, T: Topic>(&self, pass: &Pass<'p>) -> ToLookAt<'p> {
        self.beside::<T>(None, pass)
    }

    /// What must be looked at beside what was left quiet.
    fn beside<'p, T: Topic>(&self, quiet: Option<&Quiet>, pass: &Pass<'p>) -> ToLookAt<'p> {
        let find = |name: &Name| {
            let at = pass.stations.binary_search_by(|drift| drift.station.cmp(name)).ok()?;
            pass.stations.get(at)
        };
        let decided = || Decided::On(pass.stations.to_vec());
        let Some(quiet) = quiet else {
            let all = pass.stations.iter().map(|drift| (drift.station.clone(), Some(drift)));
            let known = self.names::<T>().map(|name| (name.clone(), find(&name)));
            return ToLookAt { stations: known.chain(all).collect(), decided: decided() };
        };
        let mut names = moved(&quiet.stations, pass.stations);
        let decided = if names.is_empty() { Decided::Same } else { decided() };
        if pass.clock < quiet.clock || self.is_due(pass) {
            names.extend(quiet.pending.keys());
        }
        ToLookAt { stations: names.into_iter().map(|name| (name.clone(), find(name))).collect(), decided }
    }

    /// Whether time alone may have made news, or forgotten something.
    fn is_due(&self, pass: &Pass<'_>) -> bool {
        let is_reminded = first(&self.due_stations, pass.waiting).is_some_and(|due| due <= pass.clock);
        is_reminded || self.forget.is_some_and(|forget| forget < pass.clock)
    }

    /// When the next reminder falls due, if nothing changes until then: none does for who waits for messages.
    pub fn next_reminder(&self, waiting: &BTreeSet<Name>) -> Option<Timestamp> {
        let of_stations = first(&self.due_stations, waiting).filter(|_| self.is_watching);
        of_stations.into_iter().chain(first(&self.due_others, waiting)).min()
    }

    /// The stations with open cases, by weight, the heaviest first.
    pub fn open_stations(&self) -> Vec<(Weight, u64)> {
        let mut counts: BTreeMap<Weight, u64> = BTreeMap::new();
        let pending = self.quiet.iter().flat_map(|quiet| quiet.pending.values());
        pending.filter_map(|pending| pending.open).for_each(|weight| *counts.entry(weight).or_default() += 1);
        counts.into_iter().rev().collect()
    }

    /// Takes over what was decided, once it is written.
    pub fn apply(&mut self, writes: Writes, noted: Noted) {
        self.write(writes);
        let Noted { stations, pending, due, terms, clock } = noted;
        self.is_watching = stations != Decided::Nothing;
        let before = self.quiet.take().filter(|quiet| quiet.terms == terms);
        let (same, all) = before.map(|quiet| (quiet.stations, quiet.pending)).unzip();
        let stations = match stations {
            Decided::Nothing | Decided::Same => same,
            Decided::On(stations) => Some(stations),
        };
        let mut all: BTreeMap<Name, Pending> = all.unwrap_or_default();
        for (name, one) in pending {
            if one == Pending::default() {
                all.remove(&name)
            } else {
                all.insert(name, one)
            };
        }
        self.forget = all.values().filter_map(|one| one.forget).min();
        self.due_stations = by_webhook(all.values().flat_map(|one| &one.due));
        self.due_others = by_webhook(&due);
        self.quiet = stations.map(|stations| Quiet { stations, pending: all, terms, clock });
    }
}

/// A case as it goes on under another name than this.
fn renamed<T: Topic>(row: &str, former: &Name) -> String {
    match Before::<T::Facts, T::Memory>::read(Some(row)) {
        Before::Case(mut case) if case.open().is_some() => {
            T::renamed(&mut case.memory, former);
            case.to_json()
        }
        Before::Case(_) | Before::Unreadable | Before::Nothing => row.to_owned(),
    }
}

/// When each webhook is first to be reminded of one of these.
fn by_webhook<'d>(all: impl IntoIterator<Item = &'d Due>) -> BTreeMap<Name, Timestamp> {
    let mut first: BTreeMap<Name, Timestamp> = BTreeMap::new();
    for Due { webhook, at } in all {
        match first.get_mut(webhook) {
            Some(first) => *first = (*first).min(*at),
            None => drop(first.insert(webhook.clone(), *at)),
        }
    }
    first
}

/// The first of these, but for who waits for messages.
fn first(due: &BTreeMap<Name, Timestamp>, waiting: &BTreeSet<Name>) -> Option<Timestamp> {
    due.iter().filter(|(webhook, _)| !waiting.contains(*webhook)).map(|(_, at)| *at).min()
}

/// The names of what is not the very same in two sorted lists, or is in one alone.
fn moved<'s>(was: &'s [Arc<StationDrift>], is: &'s [Arc<StationDrift>]) -> BTreeSet<&'s Name> {
    let mut moved = BTreeSet::new();
    let (mut was, mut is) = (was.iter().peekable(), is.iter().peekable());
    loop {
        match (was.peek(), is.peek()) {
            (None, None) => return moved,
            (Some(one), Some(other)) if Arc::ptr_eq(one, other) => {
                was.next();
                is.next();
            }
            (Some(one), Some(other)) if one.station == other.station => {
                moved.insert(&other.station);
                was.next();
                is.next();
            }
            (Some(one), other) if other.is_none_or(|other| one.station < other.station) => {
                moved.insert(&one.station);
                was.next();
            }
            (_, Some(other)) => {
                moved.insert(&other.station);
                is.next();
            }
            (Some(_), None) => unreachable!("the arm before takes what has nothing beside it"),
        }
    }
}
