//! What lies in the reports folder, recorded in the order of file names: each file once, by its content, many in one commit.

use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::sync::Arc;
use std::time::SystemTime;

use tokio::task::block_in_place;

use super::error::FleetError;
use super::intake::{Arrival, Intake, Received, Trust};
use super::lines::LineBatch;
use super::reading::Reading;
use crate::files::{Dropped, ExportLines, FileKind, Inbox, Shelf};
use crate::finding::Finding;
use crate::setting::{content_sha, hex};
use crate::store;

const RECORDED: &str = "recorded";
const REJECTED: &str = "rejected";

/// So many reports are recorded in one commit, or fewer where they are long.
pub(super) const REPORTS_AT_ONCE: usize = 500;
const BYTES_AT_ONCE: usize = 4 << 20;

/// The reports folder from one look to the next. It may be lost: what was recorded is known by its content.
#[derive(Debug, Default)]
pub(super) struct Dropbox {
    pub inbox: Inbox,
    /// What files were rejected by, and which: judged by the same they would be rejected again.
    rejected: Option<(Grounds, HashSet<[u8; 32]>)>,
    /// Recorded files that lie there still, and are moved where they may be.
    recorded: Vec<Arc<Dropped>>,
    /// Those that could not be moved.
    stuck: Vec<Arc<Dropped>>,
    /// What was said of those, without their names.
    said: BTreeSet<String>,
}

/// What files are judged by, but for the clock: what is wanted, and the number of the ledger's last entry.
#[derive(Debug)]
struct Grounds(Arc<Reading>, i64);

impl Dropbox {
    /// Forgets why files were rejected, so that each is judged again: the clock alone may make a report right. What could not be
    /// moved is tried again.
    pub fn try_again(&mut self) {
        self.rejected = None;
        self.recorded.append(&mut self.stuck);
    }

    /// Moves what is recorded. Findings say why something cannot be moved, each reason once.
    pub fn shelve(&mut self, shelf: Shelf<'_>, now: SystemTime) -> Vec<Finding> {
        let mut findings = Vec::new();
        for file in std::mem::take(&mut self.recorded) {
            match shelf.shelve(&file, now) {
                Ok(_) => self.inbox.forget(&file),
                Err(finding) => {
                    let reason = finding.message.replacen(&*file.name, "", 1);
                    findings.extend(Some(finding).filter(|_| self.said.insert(reason)));
                    self.stuck.push(file);
                }
            }
        }
        if self.stuck.is_empty() {
            self.said.clear();
        }
        findings
    }

    /// Nothing is ever moved.
    pub fn leave(&mut self) {
        self.recorded.clear();
    }

    /// The files that would be rejected again by the same; none where something else is wanted or on record by now.
    fn in_vain(&mut self, grounds: &Grounds) -> HashSet<[u8; 32]> {
        match self.rejected.take() {
            Some((before, files)) if Arc::ptr_eq(&before.0, &grounds.0) && before.1 == grounds.1 => files,
            Some(_) | None => HashSet::new(),
        }
    }
}

/// One going through the reports folder.
struct Round<'i> {
    intake: &'i Intake<'i>,
    /// What came of contents before.
    known: BTreeMap<String, store::DroppedOutcome>,
    /// What is read and waits to be recorded together.
    waiting: Vec<(Arc<Dropped>, Arrival)>,
    bytes: usize,
    /// Files that nothing more can come of, by name.
    done: HashSet<Arc<str>>,
    /// Those that are on record, all of each.
    recorded: Vec<Arc<Dropped>>,
    /// By content.
    rejected: HashSet<[u8; 32]>,
    told: Vec<(Arc<str>, Received)>,
}

impl Intake<'_> {
    /// Records the open files of the reports folder, in the order of file names; what was recorded before is passed over.
    ///
    /// A rejected report is judged again where what is wanted or the ledger has changed, since its station may be known by
    /// now; it is alerted once. `progress` hears of each report or line recorded. Returns what is new to tell.
    ///
    /// # Errors
    /// Where the store cannot be read or written. What was recorded before stays.
    pub(super) async fn drops(
        &self,
        dropbox: &mut Dropbox,
        reading: &Arc<Reading>,
        mut progress: impl FnMut() + Send,
    ) -> Result<Vec<(Arc<str>, Received)>, FleetError> {
        if dropbox.inbox.open().is_empty() {
            dropbox.rejected = None;
            return Ok(Vec::new());
        }
        let grounds = Grounds(reading.clone(), self.store.head().await?.seq);
        let rejected = dropbox.in_vain(&grounds);
        let open = dropbox.inbox.open().iter();
        let files: Vec<_> = open.filter(|file| !rejected.contains(&file.sha256)).cloned().collect();
        let shas: Vec<String> = files.iter().map(|file| hex(&file.sha256)).collect();
        let mut round = Round {
            intake: self,
            known: self.store.dropped_outcomes(&shas).await?,
            waiting: Vec::new(),
            bytes: 0,
            done: HashSet::new(),
            recorded: Vec::new(),
            rejected,
            told: Vec::new(),
        };
        let went = round.go_through(&files, &mut progress).await;
        dropbox.inbox.close(|file| round.done.contains(&file.name));
        dropbox.recorded.append(&mut round.recorded);
        went?;
        dropbox.rejected = Some((grounds, round.rejected));
        Ok(round.told)
    }
}

impl Round<'_> {
    async fn go_through(
        &mut self,
        files: &[Arc<Dropped>],
        progress: &mut (impl FnMut() + Send),
    ) -> Result<(), FleetError> {
        for file in files {
            self.file(file, progress).await?;
        }
        self.record().await
    }

    fn before(&self, file: &Dropped) -> Option<&str> {
        self.known.get(&hex(&file.sha256)).map(|received| received.outcome.as_str())
    }

    async fn file(&mut self, file: &Arc<Dropped>, progress: &mut (impl FnMut() + Send)) -> Result<(), FleetError> {
        let before = self.before(file);
        match &file.kind {
            _ if before == Some(RECORDED) => {
                self.done.insert(file.name.clone());
                self.recorded.push(file.clone());
            }
            // Nothing but another name or content makes a report of it.
            FileKind::Stray(_) if before.is_some() => drop(self.done.insert(file.name.clone())),
            FileKind::Stray(finding) => {
                let one = unreadable(file, hex(&file.sha256), finding.clone());
                // It may say that a button does not work.
                let text = file.report_in_stray().map(<[u8]>::to_vec).unwrap_or_default();
                self.add(file, Arrival { text, ..one }).await?;
            }
            FileKind::Report => {
                progress();
                match block_in_place(|| file.content()) {
                    Ok(Some(text)) => self.add(file, Arrival::report(&file.name, text.bytes)).await?,
                    Ok(None) => {}
                    Err(finding) => self.add(file, unreadable(file, sha_of(&finding), finding)).await?,
                }
            }
            FileKind::Sheet => match block_in_place(|| file.content()) {
                Ok(Some(text)) => {
                    // In its place among the reports.
                    self.record().await?;
                    let rows = self.intake.sheet(&file.name, &text.bytes, progress).await?;
                    self.finish(file, rows.into_iter().map(|row| row.received).collect()).await?;
                }
                Ok(None) => {}
                Err(finding) => self.add(file, unreadable(file, sha_of(&finding), finding)).await?,
            },
            FileKind::Export => {
                // In its place among the reports.
                self.record().await?;
                match block_in_place(|| file.lines()) {
                    Ok(Some(lines)) => {
                        let outcomes = self.export(file, lines, progress).await?;
                        self.finish(file, outcomes).await?;
                    }
                    Ok(None) => {}
                    Err(finding) => self.add(file, unreadable(file, sha_of(&finding), finding)).await?,
                }
            }
        }
        Ok(())
    }

    async fn add(&mut self, file: &Arc<Dropped>, arrival: Arrival) -> Result<(), FleetError> {
        self.bytes += arrival.bytes();
        self.waiting.push((file.clone(), arrival));
        if self.waiting.len() >= REPORTS_AT_ONCE || self.bytes >= BYTES_AT_ONCE { self.record().await } else { Ok(()) }
    }

    /// Records what waits, with what came of each file, in one commit.
    async fn record(&mut self) -> Result<(), FleetError> {
        self.bytes = 0;
        let (files, arrivals): (Vec<_>, Vec<_>) = std::mem::take(&mut self.waiting).into_iter().unzip();
        let outcomes = |received: &[Received]| {
            let each: Vec<_> =
                files.iter().zip(received).map(|(file, one)| (file, std::slice::from_ref(one))).collect();
            self.outcomes(&each)
        };
        let received = self.intake.record(&arrivals, outcomes).await?;
        self.note(files.into_iter().zip(received).map(|(file, one)| (file, vec![one])));
        Ok(())
    }

    /// Notes what came of a file of many reports.
    async fn finish(&mut self, file: &Arc<Dropped>, outcomes: Vec<Received>) -> Result<(), FleetError> {
        let rows = self.outcomes(&[(file, &outcomes)]);
        self.intake.store.set_dropped_outcomes(&rows).await?;
        self.note([(file.clone(), outcomes)]);
        Ok(())
    }

    async fn export(
        &self,
        file: &Dropped,
        mut lines: ExportLines,
        progress: &mut (impl FnMut() + Send),
    ) -> Result<Vec<Received>, FleetError> {
        let mut outcomes = Vec::new();
        let mut batch = LineBatch::default();
        // What may be recorded once the rest is; no more of it is held than of a batch.
        let mut waiting = LineBatch::default();
        loop {
            let filled = block_in_place(|| fill(&mut lines, &mut batch, progress));
            let mut kept = Vec::new();
            for ((number, line), one) in self.intake.judged(&file.name, batch.take(), Trust::Dropbox).await? {
                match one {
                    Received::Rejected(_) if !waiting.is_full() => waiting.add(number, line),
                    Received::New(_) | Received::Duplicate(_) | Received::Rejected(_) => {
                        kept.extend(self.intake.rejected_line(&file.name, &line, &one));
                        outcomes.push(one);
                    }
                }
            }
            self.intake.store.keep_rejected(&kept).await?;
            match filled {
                Filled::Full => {}
                Filled::Unreadable(finding) => {
                    let one = unreadable(file, sha_of(&finding), finding);
                    outcomes.extend(self.intake.record(&[one], |_| Vec::new()).await?);
                }
                Filled::AtEnd => {
                    let late =
                        self.intake.in_any_order(&file.name, waiting.take(), Trust::Dropbox, &mut |_| {}).await?;
                    outcomes.extend(late);
                    return Ok(outcomes);
                }
            }
        }
    }

    /// What is to be noted of files, as far as it is new.
    fn outcomes(&self, files: &[(&Arc<Dropped>, &[Received])]) -> Vec<store::DroppedOutcome> {
        let rows = files.iter().filter(|(file, received)| self.before(file) != Some(outcome(received)));
        let rows = rows.map(|(file, received)| store::DroppedOutcome {
            content_sha: hex(&file.sha256),
            name: file.name.to_string(),
            outcome: outcome(received).into(),
            at_ms: self.intake.now.as_millisecond(),
        });
        rows.collect()
    }

    /// Remembers what came of files, and what of it is new.
    fn note(&mut self, files: impl IntoIterator<Item = (Arc<Dropped>, Vec<Received>)>) {
        for (file, received) in files {
            let is_stray = matches!(file.kind, FileKind::Stray(_));
            match (outcome(&received) == RECORDED, is_stray) {
                (true, _) => {
                    self.done.insert(file.name.clone());
                    self.recorded.push(file.clone());
                }
                (false, true) => drop(self.done.insert(file.name.clone())),
                (false, false) => drop(self.rejected.insert(file.sha256)),
            }
            let before = self.before(&file);
            let is_new = |received: &Received| match received {
                Received::New(_) => true,
                Received::Rejected(_) => before.is_none(),
                Received::Duplicate(_) => false,
            };
            let new: Vec<_> =
                received.into_iter().filter(is_new).map(|received| (file.name.clone(), received)).collect();
            self.told.extend(new);
        }
    }
}

fn outcome(received: &[Received]) -> &'static str {
    let is_rejected = |received: &Received| matches!(received, Received::Rejected(_));
    if received.iter().any(is_rejected) { REJECTED } else { RECORDED }
}

/// What cannot be read. Nothing of its content is kept, since it may be anything, but for a report that its caller finds in it.
fn unreadable(file: &Dropped, sha: String, finding: Finding) -> Arrival {
    Arrival { source: file.name.clone(), sha, text: Vec::new(), station: None, read: Err(vec![finding]) }
}

/// How far a batch of lines was read.
enum Filled {
    Full,
    /// A line cannot be read, and why.
    Unreadable(Finding),
    AtEnd,
}

/// Reads lines until the batch is full, a line cannot be read, or there are no more.
fn fill(lines: &mut ExportLines, batch: &mut LineBatch, progress: &mut (impl FnMut() + Send)) -> Filled {
    for line in lines {
        progress();
        match line {
            Ok((number, text)) => batch.add(number, text),
            Err(finding) => return Filled::Unreadable(finding),
        }
        if batch.is_full() {
            return Filled::Full;
        }
    }
    Filled::AtEnd
}

fn sha_of(finding: &Finding) -> String {
    content_sha(finding.to_string().as_bytes())
}
