//! What lies in the reports folder, recorded in the order of file names: each file once, by its content.

use std::collections::BTreeMap;
use std::sync::Arc;

use tokio::task::block_in_place;

use super::error::FleetError;
use super::intake::{Intake, Received, Trust};
use super::lines::LineBatch;
use crate::files::{Dropped, ExportLines, FileKind, Inbox};
use crate::finding::Finding;
use crate::setting::{content_sha, hex};
use crate::store;

const RECORDED: &str = "recorded";
const REJECTED: &str = "rejected";

/// So many reports are recorded in one transaction, or fewer where they are long.
const REPORTS_AT_ONCE: usize = 500;
const BYTES_AT_ONCE: usize = 4 << 20;

/// One going through the reports folder.
struct Round<'i> {
    intake: &'i Intake<'i>,
    /// What came of contents before.
    known: BTreeMap<String, store::DroppedOutcome>,
    /// Reports that are read and wait to be recorded together.
    waiting: Vec<(Arc<Dropped>, Vec<u8>)>,
    bytes: usize,
    told: Vec<(Arc<str>, Received)>,
}

impl Intake<'_> {
    /// Records what lies in the reports folder, in the order of file names; what was recorded before is passed over.
    ///
    /// A rejected report is judged again each time, since the inventory may have gained its station since;
    /// it is told of once. `progress` hears of each report or line recorded. Returns what is new to tell.
    ///
    /// # Errors
    /// Where the store cannot be read or written.
    pub async fn drops(
        &self,
        inbox: &Inbox,
        mut progress: impl FnMut(),
    ) -> Result<Vec<(Arc<str>, Received)>, FleetError> {
        let shas: Vec<String> = inbox.files.iter().map(|file| hex(&file.sha256)).collect();
        let known = self.store.dropped_outcomes(&shas).await?;
        let mut round = Round { intake: self, known, waiting: Vec::new(), bytes: 0, told: Vec::new() };
        for file in &inbox.files {
            round.file(file, &mut progress).await?;
        }
        round.record().await?;
        Ok(round.told)
    }
}

impl Round<'_> {
    fn before(&self, file: &Dropped) -> Option<&str> {
        self.known.get(&hex(&file.sha256)).map(|received| received.outcome.as_str())
    }

    async fn file(&mut self, file: &Arc<Dropped>, progress: &mut impl FnMut()) -> Result<(), FleetError> {
        let before = self.before(file);
        if before == Some(RECORDED) {
            return Ok(());
        }
        match &file.kind {
            // Nothing but another name or content makes a report of it.
            FileKind::Stray(_) if before.is_some() => Ok(()),
            FileKind::Stray(finding) => self.unreadable(file, hex(&file.sha256), finding.clone()).await,
            FileKind::Report => {
                progress();
                match block_in_place(|| file.content()) {
                    Ok(Some(text)) => self.add(file, text.bytes).await,
                    Ok(None) => Ok(()),
                    Err(finding) => self.unreadable(file, sha_of(&finding), finding).await,
                }
            }
            FileKind::Export => {
                // In its place among the reports.
                self.record().await?;
                match block_in_place(|| file.lines()) {
                    Ok(Some(lines)) => {
                        let outcomes = self.export(file, lines, progress).await?;
                        self.note([(file.clone(), outcomes)]).await
                    }
                    Ok(None) => Ok(()),
                    Err(finding) => self.unreadable(file, sha_of(&finding), finding).await,
                }
            }
        }
    }

    async fn add(&mut self, file: &Arc<Dropped>, bytes: Vec<u8>) -> Result<(), FleetError> {
        self.bytes += bytes.len();
        self.waiting.push((file.clone(), bytes));
        if self.waiting.len() >= REPORTS_AT_ONCE || self.bytes >= BYTES_AT_ONCE { self.record().await } else { Ok(()) }
    }

    /// Records the reports that wait.
    async fn record(&mut self) -> Result<(), FleetError> {
        self.bytes = 0;
        let waiting = std::mem::take(&mut self.waiting);
        let reports: Vec<_> = waiting.iter().map(|(file, bytes)| (file.name.clone(), bytes.as_slice())).collect();
        let received = self.intake.reports(&reports).await?;
        self.note(waiting.iter().zip(received).map(|((file, _), received)| (file.clone(), vec![received]))).await
    }

    async fn export(
        &self,
        file: &Dropped,
        mut lines: ExportLines,
        progress: &mut impl FnMut(),
    ) -> Result<Vec<Received>, FleetError> {
        let mut outcomes = Vec::new();
        let mut batch = LineBatch::default();
        // What may be recorded once the rest is; no more of it is held than of a batch.
        let mut waiting = LineBatch::default();
        loop {
            let filled = block_in_place(|| fill(&mut lines, &mut batch, progress));
            for ((number, line), one) in self.intake.judged(&file.name, batch.take(), Trust::Dropbox).await? {
                match one {
                    Received::Rejected(_) if !waiting.is_full() => waiting.add(number, line),
                    Received::New(_) | Received::Duplicate(_) | Received::Rejected(_) => {
                        self.intake.keep_line(&file.name, &line, &one).await?;
                        outcomes.push(one);
                    }
                }
            }
            match filled {
                Filled::Full => {}
                Filled::Unreadable(finding) => {
                    let received = Received::Rejected(vec![finding.clone()]);
                    self.intake.keep_if_rejected(&file.name, &sha_of(&finding), b"", &received).await?;
                    outcomes.push(received);
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

    /// Keeps word of what cannot be read. Nothing of its content is kept: it may be anything, a card with its codes even.
    async fn unreadable(&mut self, file: &Arc<Dropped>, sha: String, finding: Finding) -> Result<(), FleetError> {
        let received = Received::Rejected(vec![finding]);
        self.intake.keep_if_rejected(&file.name, &sha, b"", &received).await?;
        self.note([(file.clone(), vec![received])]).await
    }

    /// Notes what came of files, and what of it is new.
    async fn note(&mut self, files: impl IntoIterator<Item = (Arc<Dropped>, Vec<Received>)>) -> Result<(), FleetError> {
        let mut rows = Vec::new();
        for (file, outcomes) in files {
            let is_rejected = |received: &Received| matches!(received, Received::Rejected(_));
            let outcome = if outcomes.iter().any(is_rejected) { REJECTED } else { RECORDED };
            let before = self.before(&file);
            if before != Some(outcome) {
                rows.push(store::DroppedOutcome {
                    content_sha: hex(&file.sha256),
                    name: file.name.to_string(),
                    outcome: outcome.into(),
                    at_ms: self.intake.now.as_millisecond(),
                });
            }
            let is_new = |received: &Received| match received {
                Received::New(_) => true,
                Received::Rejected(_) => before.is_none(),
                Received::Duplicate(_) => false,
            };
            let new: Vec<_> =
                outcomes.into_iter().filter(is_new).map(|received| (file.name.clone(), received)).collect();
            self.told.extend(new);
        }
        self.intake.store.set_dropped_outcomes(&rows).await?;
        Ok(())
    }
}

/// How far a batch of lines was read.
enum Filled {
    Full,
    /// A line cannot be read, and why.
    Unreadable(Finding),
    AtEnd,
}

/// Reads lines until the batch is full, a line cannot be read, or there are no more.
fn fill(lines: &mut ExportLines, batch: &mut LineBatch, progress: &mut impl FnMut()) -> Filled {
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
