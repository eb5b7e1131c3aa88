//! The fleet, looked at again and again: files in use, dropped reports, ledger and clock become the next view.
//!
//! A look that fails is made again from where it stood; nothing is kept here that the next look could not find out anew.

use std::sync::{Arc, OnceLock};
use std::time::{Duration, SystemTime};

use jiff::Timestamp;

use super::contacts::ContactsSince;
use super::drops::Dropbox;
use super::error::FleetError;
use super::intake::{Intake, Received};
use super::reading::{Reading, ReadingCache};
use super::records::Records;
use super::rows::{Inputs, Row, Rows};
use super::sources::{InUse, LastRead, SourceTexts, Sources};
use super::view::View;
use crate::alert::{Cause, NewCommit};
use crate::brake::{self, GoneScript, Limit, Tally, judge};
use crate::drift::{Rules, Totals};
use crate::effective::{self, Effective};
use crate::files::{Look, Shelf};
use crate::finding::Finding;
use crate::inventory::{Commit, Stations};
use crate::ledger::{Decisions, Digest};
use crate::store::{Store, StoreError};

/// What a configuration says of looking.
#[derive(Debug, Clone)]
pub struct LookTerms {
    /// When something is overdue or untested.
    pub rules: Rules,
    /// How many stations may be altered at once.
    pub limit: Arc<Limit>,
    /// How long a dropped file must be quiet.
    pub settle: Duration,
}

/// A moment, by the program's clock and by the one that files are stamped with.
#[derive(Debug, Clone, Copy)]
pub struct Moment {
    /// By the clock of the program.
    pub now: Timestamp,
    /// By the clock that files are stamped with.
    pub files: SystemTime,
}

/// What is heard while it looks.
#[derive(Debug)]
pub enum News {
    /// A dropped report, or a line of a dropped export, is read.
    Report,
    /// What became of one.
    Received {
        /// The file.
        name: Arc<str>,
        /// What became of it.
        received: Received,
    },
    /// The reports folder cannot be read, or a recorded file cannot be moved.
    Unread(Finding),
    /// So many entries of the ledger are read.
    Entries(u64),
    /// A commit comes into use.
    Commit(NewCommit),
}

/// What a look does with what lies in the reports folder.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Drops {
    /// Nothing.
    Left,
    /// It is recorded.
    Recorded,
    /// It is recorded, then moved.
    Moved,
}

/// A fleet under watch.
pub struct Fleet {
    sources: Arc<Sources>,
    store: Store,
    terms: LookTerms,
    /// The reports up to this time alone count, and it is the time.
    until: Option<Timestamp>,
    /// Whether it goes by files that are not in use.
    is_assumed: bool,
    cache: ReadingCache,
    /// The files as they are now, with errors or without.
    last: LastRead,
    in_use: Option<InUse>,
    /// Since when contacts are dialled as there.
    contacts: Arc<ContactsSince>,
    /// The commit of the last good inventory, as the store had it at the start.
    good_before: Option<Arc<Commit>>,
    dropbox: Dropbox,
    /// Whether a dropped file may have changed within since the last look.
    stirred: bool,
    /// What is done with dropped files.
    drops: Drops,
    records: Option<Records>,
    decisions: Arc<Decisions>,
    /// Stations of which something is said, as they counted last.
    said: effective::EffectiveCache,
    rows: Rows,
    /// What was wanted when something was last held, with its digest.
    wanted: Option<(Stations, Digest)>,
    /// What changed and is in no finished view yet.
    unseen: Cause,
    /// Why the ledger took no writes at this look, where it took none.
    unwritten: Option<Arc<StoreError>>,
    /// Whether the files in use are not kept as the last good ones yet, since the ledger took no writes.
    is_unkept: bool,
}

impl Fleet {
    /// One that has not looked yet.
    pub fn new(sources: Sources, store: Store, terms: LookTerms) -> Fleet {
        Fleet {
            sources: Arc::new(sources),
            store,
            terms,
            until: None,
            is_assumed: false,
            cache: ReadingCache::default(),
            last: LastRead::default(),
            in_use: None,
            contacts: Arc::default(),
            good_before: None,
            dropbox: Dropbox::default(),
            stirred: true,
            drops: Drops::Recorded,
            records: None,
            decisions: Arc::default(),
            said: effective::EffectiveCache::default(),
            rows: Rows::default(),
            wanted: None,
            unseen: Cause::default(),
            unwritten: None,
            is_unkept: false,
        }
    }

    /// The same by the reports up to a time, with the clock at it and today's inventory.
    pub fn as_of(self, until: Timestamp) -> Fleet {
        Fleet { until: Some(until), ..self }
    }

    /// The same, but what lies in the reports folder stays unrecorded.
    pub fn leaving_drops(self) -> Fleet {
        Fleet { drops: Drops::Left, ..self }
    }

    /// The same, and recorded files are moved where the configuration says so.
    pub fn moving_drops(self) -> Fleet {
        Fleet { drops: Drops::Moved, ..self }
    }

    /// The same by files that were read elsewhere, whatever is in use: for a preview of what they would do. Nothing of them is
    /// kept.
    pub fn assuming(self, texts: SourceTexts, reading: Arc<Reading>, now: Timestamp, terms: LookTerms) -> Fleet {
        let mut last = LastRead::default();
        (last.texts, last.reading) = (texts.clone(), reading.clone());
        Fleet { in_use: Some(InUse { reading, texts, since: now }), last, is_assumed: true, terms, ..self }
    }

    /// Where its files are.
    pub fn sources(&self) -> &Arc<Sources> {
        &self.sources
    }

    /// The texts of the files as they are now, which findings may point into.
    pub fn texts(&self) -> &SourceTexts {
        &self.last.texts
    }

    /// Says that a dropped file may have changed within: nothing of that shows in its folder.
    pub fn stir(&mut self) {
        self.stirred = true;
    }

    /// Its ledger.
    pub fn store(&self) -> &Store {
        &self.store
    }

    /// Looks at files, reports, ledger and clock. Without `files` they stay as they were last read: they may be in the
    /// middle of an edit.
    ///
    /// Where the ledger takes no writes, the view goes by the files as they are and by what is on record, and says so; all that
    /// was to be written waits for the next look.
    ///
    /// # Errors
    /// Where the ledger cannot be read; the next look finds all that this one did.
    pub async fn look(
        &mut self,
        files: Option<Look>,
        moment: Moment,
        news: &mut (dyn FnMut(News) + Send),
    ) -> Result<Arc<View>, FleetError> {
        self.unwritten = None;
        let before = self.in_use.as_ref().and_then(|in_use| in_use.texts.commit.clone());
        if files == Some(Look::Whole) {
            self.stir();
            self.dropbox.try_again();
        }
        if let Some(look) = files {
            self.read_files(look, moment).await?;
        }
        if let Some(new) = self.new_commit(before) {
            self.unseen.add([], Some(new.clone()));
            news(News::Commit(new));
        }
        let look_again = self.take_drops(moment, news).await?;
        self.keep_records_up(news).await?;
        let view = Arc::new(tokio::task::block_in_place(|| self.see(moment, look_again)));
        Ok(view)
    }

    /// Reads the files. Only those without errors come into use; until then the last good ones stay.
    async fn read_files(&mut self, look: Look, moment: Moment) -> Result<(), FleetError> {
        let read = tokio::task::block_in_place(|| self.sources.read(&self.last, look, moment.files, &mut self.cache));
        // At the start everything is new, and nothing of it a change.
        if self.last.texts != SourceTexts::default() {
            self.unseen.add(read.differing(&self.last), None);
        }
        self.last = read;
        if !self.last.reading.is_sound() {
            if self.in_use.is_none() {
                self.in_use = self.sources.recall_good(&self.store).await?;
                self.contacts = Arc::new(ContactsSince::recall(&self.store).await?);
                self.good_before = self.in_use.as_ref().and_then(|in_use| in_use.texts.commit.clone());
            }
            return Ok(());
        }
        if self.in_use.is_none() {
            self.good_before = self.sources.good_commit(&self.store).await?;
        }
        // A command beside a daemon may have kept files that it read in the middle of an edit.
        let kept = self.sources.keep_good(&self.store, &self.last.texts, moment.now).await;
        unless_unwritten(kept.map_err(FleetError::from), &mut self.unwritten)?;
        // Compared with what is in use, not with what was read last: that may have had errors, or not been kept.
        let is_known =
            |in_use: &&InUse| in_use.texts == self.last.texts && in_use.reading.codes == self.last.reading.codes;
        if self.is_unkept || self.in_use.as_ref().filter(is_known).is_none() {
            let LastRead { texts, reading, .. } = self.last.clone();
            let contacts = &reading.inventory.contacts;
            // Each write to a ledger that is locked waits for as long as the first did.
            let noted = match &self.unwritten {
                None => {
                    unless_unwritten(ContactsSince::note(&self.store, contacts, moment.now).await, &mut self.unwritten)?
                }
                Some(_) => None,
            };
            let contacts = match noted {
                Some(noted) => noted,
                None => ContactsSince::foresee(&self.store, contacts, moment.now).await?,
            };
            self.contacts = Arc::new(contacts);
            self.in_use = Some(InUse { reading, texts, since: moment.now });
        }
        self.is_unkept = self.unwritten.is_some();
        Ok(())
    }

    /// The commit in use, where it was another one before: another look's, or, at the start, the last good one.
    fn new_commit(&mut self, before: Option<Arc<Commit>>) -> Option<NewCommit> {
        let before = before.or_else(|| self.good_before.take());
        let commit = self.in_use.as_ref()?.texts.commit.clone().filter(|commit| before.as_ref() != Some(commit))?;
        let is_rewritten = before
            .as_ref()
            .is_some_and(|before| tokio::task::block_in_place(|| self.sources.is_rewritten(before, &commit)));
        Some(NewCommit { commit, before, is_rewritten })
    }

    /// Takes what lies in the reports folder. Without an inventory every station would be unknown, and every report
    /// rejected.
    async fn take_drops(
        &mut self,
        moment: Moment,
        news: &mut (dyn FnMut(News) + Send),
    ) -> Result<Option<Duration>, FleetError> {
        let Some(in_use) = self.in_use.as_ref().filter(|_| self.drops != Drops::Left) else { return Ok(None) };
        let (sources, settle) = (&self.sources, self.terms.settle);
        let inbox = &mut self.dropbox.inbox;
        let stirred = std::mem::take(&mut self.stirred);
        let finding = tokio::task::block_in_place(|| inbox.look(&sources.reports, stirred, moment.files, settle));
        finding.into_iter().for_each(|finding| news(News::Unread(finding)));
        if self.unwritten.is_some() {
            return Ok(inbox.waiting());
        }
        let (reading, contacts) = (&in_use.reading, &self.contacts);
        let intake = Intake { store: &self.store, reading, contacts, sources, now: moment.now };
        let received = intake.drops(&mut self.dropbox, reading, || news(News::Report)).await;
        // What could not be recorded is looked at again.
        let Some(received) = unless_unwritten(received, &mut self.unwritten)? else {
            return Ok(self.dropbox.inbox.waiting());
        };
        for (name, received) in received {
            news(News::Received { name, received });
        }
        match sources.reports.taken.as_ref().filter(|_| self.drops == Drops::Moved) {
            Some(taken) => {
                let month = moment.now.strftime("%Y-%m").to_string();
                let shelf = Shelf { taken, month: &month };
                let stuck = tokio::task::block_in_place(|| self.dropbox.shelve(shelf, moment.files));
                stuck.into_iter().for_each(|finding| news(News::Unread(finding)));
            }
            None => self.dropbox.leave(),
        }
        Ok(self.dropbox.inbox.waiting())
    }

    async fn keep_records_up(&mut self, news: &mut (dyn FnMut(News) + Send)) -> Result<(), FleetError> {
        let Some(in_use) = &self.in_use else { return Ok(()) };
        let files = (&*in_use.reading.inventory, &in_use.reading.keybooks);
        match &mut self.records {
            Some(records) if self.until.is_none() => {
                if let Err(error) = records.keep_up(&self.store, files).await {
                    // Half kept up they cannot be kept up further.
                    self.records = None;
                    return Err(error);
                }
            }
            Some(_) | None => {
                let recalled = match self.until {
                    None => Records::recall(&self.store, files).await?,
                    Some(_) => None,
                };
                let read = |read| news(News::Entries(read));
                self.records = Some(match recalled {
                    Some(records) => records,
                    None => Records::load(&self.store, files, self.until, read).await?,
                });
            }
        }
        if let Some(records) = &self.records
            && records.decisions().count() != self.decisions.count()
        {
            self.decisions = Arc::new(records.decisions().clone());
        }
        Ok(())
    }

    /// Keeps the records beside the ledger, so that the next start finds them. Nothing depends on it; so it comes last, after
    /// what was seen is told: a ledger that is locked lets each of its writers wait.
    pub async fn keep_folds(&mut self) {
        let kept = match &mut self.records {
            Some(records) if self.until.is_none() && !self.is_assumed => records.keep_folds(&self.store).await,
            Some(_) | None => Ok(()),
        };
        if let Err(error) = kept {
            tracing::debug!(%error, "the records could not be kept beside the ledger");
        }
    }

    /// The view of what was found.
    fn see(&mut self, moment: Moment, look_again: Option<Duration>) -> View {
        let at = self.until.unwrap_or(moment.now);
        let (reading, since) = match &self.in_use {
            Some(in_use) => (in_use.reading.clone(), Some(in_use.since)),
            None => (Arc::default(), None),
        };
        let effective = Effective::at(&reading.inventory, &self.decisions, at, &mut self.said);
        let (mut rows, mut seq, mut due): (Arc<[Arc<Row>]>, _, _) = (Arc::default(), 0, None);
        let (mut tally, mut change) = (Tally::default(), None);
        if let Some(records) = &self.records {
            seq = records.seq();
            let inputs = Inputs {
                written: &reading.inventory,
                effective: &effective,
                records,
                decisions: &self.decisions,
                rules: self.terms.rules,
                now: at,
            };
            rows = self.rows.at(&inputs).clone();
            let gone = records.gone();
            let wanted = || wanted_digest(&mut self.wanted, &reading.inventory.stations);
            let judged = rows.iter().map(|row| row.to_judge());
            (tally, change) = judge(judged, &gone, &self.decisions, &self.terms.limit, at, wanted);
            let handed_out = gone.values().flat_map(|gone| &gone.scripts).map(GoneScript::until);
            due = self.rows.due().into_iter().chain(handed_out.filter(|until| *until > at)).min();
        }
        View {
            at,
            seq,
            sources: self.sources.clone(),
            reading,
            in_use_since: since,
            contacts: self.contacts.clone(),
            as_is: self.last.reading.clone(),
            decisions: self.decisions.clone(),
            effective,
            totals: Totals::of(rows.iter().map(|row| &*row.drift)),
            rows,
            tally,
            rules: self.terms.rules,
            limit: self.terms.limit.clone(),
            change: change.map(Arc::new),
            waiting: OnceLock::new(),
            due: due.into_iter().chain(self.decisions.next_expiry(at)).min(),
            look_again,
            changed: std::mem::take(&mut self.unseen),
            unwritten: self.unwritten.clone(),
        }
    }
}

/// What was written; nothing where the ledger takes no writes, and that is noted.
fn unless_unwritten<T>(
    written: Result<T, FleetError>,
    unwritten: &mut Option<Arc<StoreError>>,
) -> Result<Option<T>, FleetError> {
    match written {
        Err(FleetError::Store(error)) if error.takes_no_writes() => {
            *unwritten = Some(Arc::new(error));
            Ok(None)
        }
        other => other.map(Some),
    }
}

/// The digest of what is wanted, worked out anew where that is not the very same as before.
fn wanted_digest(known: &mut Option<(Stations, Digest)>, stations: &Stations) -> Digest {
    if let Some((before, digest)) = known
        && Arc::ptr_eq(before, stations)
    {
        return digest.clone();
    }
    let digest = brake::digest(stations.values().map(|station| &**station));
    *known = Some((stations.clone(), digest.clone()));
    digest
}
