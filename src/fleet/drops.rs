//! What lies in the reports folder, recorded in the order of file names: each file once, by its content.

use std::sync::Arc;

use tokio::task::block_in_place;

use super::error::FleetError;
use super::intake::{Intake, LineBatch, Received, Trust};
use crate::files::{Dropped, ExportLines, FileKind, Inbox};
use crate::finding::Finding;
use crate::setting::{content_sha, hex};
use crate::store;

const RECORDED: &str = "received";
const REJECTED: &str = "rejected";

impl Intake<'_> {
    /// Records what lies in the reports folder, in the order of file names; what was recorded before is passed over.
    ///
    /// A rejected file is judged again each time, since the inventory may have gained its station meanwhile;
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
        let mut told = Vec::new();
        for (file, sha) in inbox.files.iter().zip(&shas) {
            let before = known.get(sha).map(|received| received.outcome.as_str());
            if before == Some(RECORDED) {
                continue;
            }
            let Some(outcomes) = self.dropped(file, &mut progress).await? else { continue };
            let rejected = outcomes.iter().any(|received| matches!(received, Received::Rejected(_)));
            let outcome = if rejected { REJECTED } else { RECORDED };
            if before != Some(outcome) {
                let row = store::DroppedOutcome {
                    content_sha: sha.clone(),
                    name: file.name.to_string(),
                    outcome: outcome.into(),
                    at_ms: self.now.as_millisecond(),
                };
                self.store.set_dropped_outcomes(&[row]).await?;
            }
            let news = outcomes.into_iter().filter(|received| match received {
                Received::New(_) => true,
                Received::Rejected(_) => before.is_none(),
                Received::Duplicate(_) => false,
            });
            told.extend(news.map(|received| (file.name.clone(), received)));
        }
        Ok(told)
    }

    /// One dropped file; `None` where it was gone or changed before it could be read.
    async fn dropped(&self, file: &Dropped, progress: &mut impl FnMut()) -> Result<Option<Vec<Received>>, FleetError> {
        progress();
        match file.kind {
            FileKind::Report => match block_in_place(|| file.content()) {
                Ok(Some(text)) => Ok(Some(vec![self.report(&file.name, &text.bytes).await?])),
                Ok(None) => Ok(None),
                Err(finding) => Ok(Some(vec![self.unreadable(&file.name, finding).await?])),
            },
            FileKind::Export => {
                let mut lines = match block_in_place(|| file.lines()) {
                    Ok(Some(lines)) => lines,
                    Ok(None) => return Ok(None),
                    Err(finding) => return Ok(Some(vec![self.unreadable(&file.name, finding).await?])),
                };
                let (mut outcomes, mut batch) = (Vec::new(), LineBatch::default());
                loop {
                    let filled = block_in_place(|| fill(&mut lines, &mut batch, progress));
                    outcomes.extend(self.lines(&file.name, &batch.take(), Trust::Dropbox).await?);
                    match filled {
                        Filled::Full => continue,
                        Filled::Unreadable(finding) => outcomes.push(self.unreadable(&file.name, finding).await?),
                        Filled::AtEnd => {}
                    }
                    return Ok(Some(outcomes));
                }
            }
        }
    }

    async fn unreadable(&self, source: &Arc<str>, finding: Finding) -> Result<Received, FleetError> {
        let sha = content_sha(finding.to_string().as_bytes());
        let received = Received::Rejected(vec![finding]);
        self.keep_if_rejected(source, &sha, b"", &received).await?;
        Ok(received)
    }
}

/// How far a batch of lines was read.
enum Filled {
    Full,
    /// A line cannot be read, and why. No more are read.
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
