//! One pass: look at everything, decide what to tell, write it down.
//!
//! All it works on is read anew or kept up with what is on disk and in the store, so that a pass that
//! fails is simply made again.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use jiff::Timestamp;

use crate::alert::{Cause, NewCommit, Next};
use crate::aside;
use crate::brake::{Change, Limit, call_back};
use crate::config::Config;
use crate::drift::{Rules, Standing, StationDrift, Totals, look, next_change};
use crate::files::{Inbox, Look};
use crate::finding::Finding;
use crate::fleet::intake::{Intake, Taken};
use crate::fleet::{FleetError, InForce, Judged, LastRead, Reading, ReadingCache, Records, SourceTexts, Sources};
use crate::inventory::{Commit, Inventory, Station};
use crate::ledger::{Decisions, Digest, HandedOut, Record};
use crate::script::{self, Memory};
use crate::setting::{Codes, Name, Reference};
use crate::store::Store;

use super::banner;
use super::clock::Clock;

/// Where an edit changed more stations than this, all are compared.
const MOST_EDITED: usize = 5_000;

/// So few are not worth another thread.
const FEW: usize = 1_000;

/// Everything a pass knows and leaves to the next.
pub struct State {
    sources: Sources,
    store: Store,
    clock: Clock,
    rules: Rules,
    settle: Duration,
    /// The files as they are now, good or not.
    reading: LastRead,
    cache: ReadingCache,
    /// The last good files, in force.
    fleet: Reading,
    /// Their inventory as it counts for now: without what is set aside.
    inventory: Arc<Inventory>,
    in_force: SourceTexts,
    in_force_since: Option<Timestamp>,
    /// The commit of the last good inventory, as the store had it at the start.
    good_before: Option<Arc<Commit>>,
    records: Option<Records>,
    tray: Inbox,
    drifts: BTreeMap<Name, Arc<StationDrift>>,
    judged: Judged,
    limit: Limit,
    now: Timestamp,
    /// When time alone next changes how a station stands; unknown before the first comparison.
    next_change: Option<Timestamp>,
    /// The stations that an edit changed and that were not compared since; nothing where all are to be.
    edited: Option<BTreeSet<Name>>,
    /// What changed and was not seen by a finished look yet: one that fails is made again, and finds it changed no more.
    unseen: Cause,
}

/// What a pass saw, for whoever tells of it.
pub struct Seen {
    /// What is wrong with the files as they are now.
    pub findings: Vec<Finding>,
    /// And with the configuration, which whoever runs the passes knows.
    pub configuration: Vec<Finding>,
    /// The files that changed since the pass before, and the commit that came into force.
    pub cause: Cause,
    /// The stations that were compared, and those that are gone; nothing where all were.
    pub compared: Option<BTreeSet<Name>>,
    /// When the reports folder should be looked at again, if something there is still being written.
    pub look_again: Option<Duration>,
    pub now: Timestamp,
}

impl State {
    /// A state that has seen nothing yet.
    pub fn new(config: &Config, sources: Sources, store: Store, clock: Clock) -> State {
        State {
            sources,
            store,
            clock,
            rules: Rules { reconfirm_days: config.reconfirm_days, require_tests: config.require_tests },
            settle: config.settle(),
            reading: LastRead::default(),
            cache: ReadingCache::expecting_edits(),
            fleet: Reading::default(),
            inventory: Arc::default(),
            in_force: SourceTexts::default(),
            in_force_since: None,
            good_before: None,
            records: None,
            tray: Inbox::default(),
            drifts: BTreeMap::new(),
            judged: Judged::default(),
            limit: config.brake.limit(),
            now: Timestamp::UNIX_EPOCH,
            next_change: None,
            edited: None,
            unseen: Cause::default(),
        }
    }

    /// Looks at files, reports, ledger and clock, and works out how every station stands. Without a `look` the files
    /// stay as they were last read: they may be in the middle of an edit.
    pub async fn look(&mut self, look: Option<Look>) -> Result<Seen, FleetError> {
        let now = self.clock.now();
        let before = self.in_force.commit.clone();
        if let Some(look) = look {
            self.read_files(look, now).await?;
        }
        let commit = self.new_commit(before).await?;
        self.unseen.add([], commit);
        let look_again = self.take_reports(now).await?;
        let said = self.decisions().map(Decisions::count);
        let touched = self.keep_records_up().await?;
        let is_said = self.decisions().map(Decisions::count) != said;
        let changed: Option<BTreeSet<Name>> = match (touched, &self.edited) {
            (Some(touched), Some(edited)) => Some(touched.union(edited).cloned().collect()),
            (Some(_) | None, _) => None,
        };
        let changed = changed.filter(|_| look != Some(Look::Whole) && !is_said);
        let compared = changed.clone().filter(|_| !self.is_due(now));
        // Where the rest fails, nobody hears of these: the next pass compares them again, and says so.
        self.edited = compared.clone();
        self.compare(now, compared.as_ref());
        self.judge(now);
        self.edited = Some(BTreeSet::new());
        let cause = std::mem::take(&mut self.unseen);
        Ok(Seen {
            findings: self.reading.fleet.findings.clone(),
            configuration: Vec::new(),
            cause,
            compared,
            look_again,
            now,
        })
    }

    /// Reads the files. Only sound ones come into force; until then the last good ones stay.
    async fn read_files(&mut self, look: Look, now: Timestamp) -> Result<(), FleetError> {
        let reading =
            tokio::task::block_in_place(|| self.sources.read(&self.reading, look, SystemTime::now(), &mut self.cache));
        // At the start everything is new, and nothing of it a change.
        if self.reading.trees != SourceTexts::default() {
            self.unseen.add(reading.differing(&self.reading), None);
        }
        self.reading = reading;
        if !self.reading.fleet.is_sound() {
            if self.in_force_since.is_none() {
                self.recall_good().await?;
            }
            return Ok(());
        }
        // Compared with what is in force, not with what was read last: that may have been broken, or not written.
        let is_new = self.reading.trees != self.in_force || self.reading.fleet.codes != self.fleet.codes;
        if is_new || self.in_force_since.is_none() {
            self.keep_good(now).await?;
            // After an edit of few stations the others are the very same as before.
            let edited = self.reading.fleet.inventory.differing(&self.fleet.inventory);
            match &mut self.edited {
                Some(known) if edited.len() <= MOST_EDITED => known.extend(edited),
                Some(_) | None => self.edited = None,
            }
            self.fleet = self.reading.fleet.clone();
            self.in_force = self.reading.trees.clone();
        } else {
            // A command beside this daemon may have kept files that it read in the middle of an edit.
            self.sources.keep_good(&self.store, &self.reading.trees, now).await?;
        }
        Ok(())
    }

    async fn keep_good(&mut self, now: Timestamp) -> Result<(), FleetError> {
        if self.in_force_since.is_none() {
            self.good_before = self.sources.good_commit(&self.store).await?;
        }
        self.sources.keep_good(&self.store, &self.reading.trees, now).await?;
        self.in_force_since = Some(now);
        Ok(())
    }

    /// After a start beside broken files, what was last good comes back into force.
    async fn recall_good(&mut self) -> Result<(), FleetError> {
        if let Some((fleet, trees, since)) = self.sources.recall_good(&self.store).await? {
            self.fleet = fleet;
            self.good_before = trees.commit.clone();
            self.in_force = trees;
            self.in_force_since = Some(since);
            self.edited = None;
        }
        Ok(())
    }

    /// The commit in force, where it was another one before: another pass's, or, at the start, the last good one.
    async fn new_commit(&mut self, before: Option<Arc<Commit>>) -> Result<Option<NewCommit>, FleetError> {
        let before = before.or_else(|| self.good_before.take());
        let Some(commit) = self.in_force.commit.clone().filter(|commit| before.as_ref() != Some(commit)) else {
            return Ok(None);
        };
        let is_rewritten = before
            .as_ref()
            .is_some_and(|before| tokio::task::block_in_place(|| self.sources.is_rewritten(before, &commit)));
        if is_rewritten {
            tracing::warn!(%commit, "the commit before is not in the history of the one that is in force now");
        } else {
            tracing::info!(%commit, "in force");
        }
        Ok(Some(NewCommit { commit, before, is_rewritten }))
    }

    async fn take_reports(&mut self, now: Timestamp) -> Result<Option<Duration>, FleetError> {
        if self.in_force_since.is_none() {
            // Without an inventory every station would be unknown, and every report refused.
            return Ok(None);
        }
        let (tray, findings) = tokio::task::block_in_place(|| {
            Inbox::look(&self.sources.reports, &self.tray, SystemTime::now(), self.settle)
        });
        for finding in &findings {
            tracing::warn!(place = %finding.place, "{} {}", finding.message, finding.fix);
        }
        let intake = Intake { store: &self.store, fleet: &self.fleet, sources: &self.sources, now };
        let first = self.records.is_none();
        let drops = intake.drops(&tray, || {}).await?;
        if first && !drops.is_empty() {
            tracing::info!(count = drops.len(), "reports taken up from the folder");
        }
        for (name, taken) in drops {
            match taken {
                Taken::New(_) if first => {}
                Taken::New(station) => tracing::info!(file = %name, %station, "report taken"),
                Taken::Duplicate(_) => {}
                Taken::Refused(reasons) => {
                    let reasons: Vec<String> = reasons.iter().map(ToString::to_string).collect();
                    tracing::warn!(file = %name, reasons = reasons.join(" | "), "report refused");
                }
            }
        }
        let again = tray.waiting;
        self.tray = tray;
        Ok(again)
    }

    /// Folds what the ledger has gained. Returns the stations touched, or nothing where all were folded.
    async fn keep_records_up(&mut self) -> Result<Option<BTreeSet<Name>>, FleetError> {
        match &mut self.records {
            Some(records) => {
                let edited = self.edited.as_ref();
                records.keep_up(&self.store, &self.fleet.inventory, edited).await
            }
            None => {
                self.records = Some(Records::load(&self.store, &self.fleet.inventory, None, |_| {}).await?);
                Ok(None)
            }
        }
    }

    /// Whether time alone may have changed how a station stands.
    fn is_due(&self, now: Timestamp) -> bool {
        self.next_change.is_none_or(|due| due <= now)
    }

    /// How stations stand: those touched, or all; what has not changed is shared with the pass before.
    fn compare(&mut self, now: Timestamp, only: Option<&BTreeSet<Name>>) {
        let Some(records) = &self.records else { return };
        if only.is_none_or(|only| !only.is_empty()) {
            self.inventory = aside::for_now(&self.fleet.inventory, records.decisions(), now);
        }
        let stations = &self.inventory.stations;
        let names: Vec<&Name> = match only {
            Some(only) => only.iter().collect(),
            None => {
                self.drifts.retain(|name, _| stations.contains_key(name));
                self.next_change = Some(records.decisions().next_expiry(now).unwrap_or(Timestamp::MAX));
                stations.keys().collect()
            }
        };
        for name in names {
            let Some(station) = stations.get(name) else {
                self.drifts.remove(name);
                continue;
            };
            let record = records.of(station);
            let drift = look(station, &record, self.rules, now);
            let due = next_change(station, &record, self.rules, now);
            self.next_change = self.next_change.into_iter().chain(due).min();
            if self.drifts.get(name).is_none_or(|before| **before != drift) {
                self.drifts.insert(name.clone(), Arc::new(drift));
            }
        }
    }

    /// Asks the brake. It goes by the files as they are: what is set aside is no way around it.
    fn judge(&mut self, now: Timestamp) {
        let Some(records) = &self.records else { return };
        self.judged = Judged::of(&self.fleet.inventory, records, &self.limit, now);
        self.now = now;
        let due = self.judged.alterations.values().filter_map(|alteration| alteration.until());
        self.next_change = self.next_change.into_iter().chain(due).min();
    }

    /// The change that waits for its release.
    pub fn held(&self) -> Option<&Change> {
        self.judged.change.as_ref()
    }

    /// The script of a station that is to be called back.
    pub fn to_call_back(&self, name: &Name) -> Option<HandedOut> {
        let station = self.fleet.inventory.stations.get(name)?;
        let record = self.records.as_ref()?.of(station);
        call_back(station, &record, self.now).cloned()
    }

    /// Says what stations that drift need next; worked out when asked, and once.
    pub fn foresee(&self) -> impl Fn(&[&Name]) -> Vec<Next> {
        let known: RefCell<BTreeMap<Name, Next>> = RefCell::default();
        move |names| {
            let mut known = known.borrow_mut();
            let new: Vec<&Name> = names.iter().copied().filter(|name| !known.contains_key(*name)).collect();
            let next = side_by_side(&new, |some| {
                let mut memory = Memory::for_a_fleet();
                some.iter().map(|name| self.next_of(name, &mut memory)).collect()
            });
            known.extend(new.into_iter().cloned().zip(next));
            names.iter().map(|name| known[*name].clone()).collect()
        }
    }

    /// The digest of the script that a station would be given now, unless finding out would take too long.
    pub fn script_digest(&self, name: &Name, memory: &mut Memory) -> Option<Digest> {
        let (station, record, codes) = self.at(name)?;
        // A search that may spend less could end in another script than the one that is given.
        memory.is_generous().then(|| script::digest(station, &record, &codes, memory).ok()?)?
    }

    /// A station as it counts for now, its record, and the codes that its script may need.
    fn at(&self, name: &Name) -> Option<(&Station, Arc<Record>, Codes)> {
        let station = self.inventory.stations.get(name)?;
        let record = self.records.as_ref()?.of(station);
        let codes = self.sources.codes_for(&self.fleet, station, &record);
        Some((station, record, codes))
    }

    fn next_of(&self, name: &Name, memory: &mut Memory) -> Next {
        let Some((station, record, codes)) = self.at(name) else { return Next::Test };
        match script::reckon(station, &record, &codes, memory) {
            Ok(Some(_)) if let Some(held) = self.held().filter(|held| held.stations.contains(name)) => {
                Next::Held(held.release())
            }
            Ok(Some(work)) => Next::Key(work),
            Ok(None) => Next::Test,
            Err(_) => Next::NoScript,
        }
    }

    /// The last entry of the ledger that this pass knows.
    pub fn ledger_seq(&self) -> i64 {
        self.records.as_ref().map_or(0, Records::seq)
    }

    /// What people said beside their reports.
    pub fn decisions(&self) -> Option<&Decisions> {
        self.records.as_ref().map(Records::decisions)
    }

    /// The inventory in force, as it counts for now.
    pub fn inventory(&self) -> &Inventory {
        &self.inventory
    }

    /// Since when it is known to be good.
    pub fn in_force_since(&self) -> Option<Timestamp> {
        self.in_force_since
    }

    /// The files that it is from, for whoever looks beside the passes; none where none could ever be used.
    pub fn in_force(&self) -> Option<InForce> {
        let good_since = self.in_force_since?;
        let is_sound = self.reading.fleet.is_sound();
        Some(InForce { fleet: self.fleet.clone(), good_since: Some(good_since).filter(|_| !is_sound) })
    }

    /// The commit that it is from, where it is read from a repository.
    pub fn commit(&self) -> Option<&Commit> {
        self.in_force.commit.as_deref()
    }

    /// The commit that was read last, good or not.
    pub fn commit_read(&self) -> Option<&Commit> {
        self.reading.trees.commit.as_deref()
    }

    /// How every station stands.
    pub fn drifts(&self) -> &BTreeMap<Name, Arc<StationDrift>> {
        &self.drifts
    }

    /// How many stand how.
    pub fn totals(&self) -> Totals {
        Totals::of(self.drifts.values().map(|drift| &**drift))
    }

    /// The station to look at first.
    pub fn worst(&self) -> Option<&StationDrift> {
        banner::worst(self.drifts.values().map(|drift| &**drift))
    }

    /// The station to key at first.
    pub fn worst_to_key(&self) -> Option<&StationDrift> {
        let to_key = self.drifts.values().filter(|drift| drift.standing == Standing::Adrift);
        banner::worst(to_key.map(|drift| &**drift))
    }

    /// The secrets that the files in force refer to.
    pub fn references(&self) -> &[Reference] {
        &self.fleet.references
    }

    /// When time alone next changes how a station stands.
    pub fn next_change(&self) -> Option<Timestamp> {
        self.next_change.filter(|due| *due < Timestamp::MAX)
    }

    /// Where the files are.
    pub fn sources(&self) -> &Sources {
        &self.sources
    }

    /// The ledger and everything told.
    pub fn store(&self) -> &Store {
        &self.store
    }
}

/// What work on each of many comes to, in their order: in as many parts at once as the machine has cores, since there may
/// be as many as a fleet has stations.
fn side_by_side<T: Sync, R: Send>(all: &[T], work: impl Fn(&[T]) -> Vec<R> + Sync) -> Vec<R> {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let share = all.len().div_ceil(cores).max(FEW);
    let (first, rest) = all.split_at(share.min(all.len()));
    std::thread::scope(|scope| {
        let others: Vec<_> = rest.chunks(share).map(|some| scope.spawn(|| work(some))).collect();
        let mut done = work(first);
        for other in others {
            match other.join() {
                Ok(more) => done.extend(more),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
        done
    })
}
