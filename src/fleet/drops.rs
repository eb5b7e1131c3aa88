//! What lies in the reports folder, taken in the order of file names: each file once, by its content.

use std::sync::Arc;

use super::error::FleetError;
use super::intake::{Intake, LineBatch, Taken, Trust};
use crate::files::{Dropped, FileKind, Inbox, content_sha, hex};
use crate::finding::Finding;
use crate::store;

const TAKEN: &str = "taken";
const REFUSED: &str = "refused";

impl Intake<'_> {
    /// Takes up what lies in the reports folder, in the order of file names; what was taken before is passed over.
    ///
    /// A refused file is judged again each time, since the inventory may have gained its station meanwhile;
    /// it is told of once. `progress` hears of each report or line taken up. Returns what is new to tell.
    ///
    /// # Errors
    /// Where the store cannot be read or written.
    pub async fn drops(&self, inbox: &Inbox, mut progress: impl FnMut()) -> Result<Vec<(Arc<str>, Taken)>, FleetError> {
        let shas: Vec<String> = inbox.files.iter().map(|file| hex(&file.sha256)).collect();
        let known = self.store.taken(&shas).await?;
        let mut told = Vec::new();
        for (file, sha) in inbox.files.iter().zip(&shas) {
            let before = known.get(sha).map(|taken| taken.outcome.as_str());
            if before == Some(TAKEN) {
                continue;
            }
            let Some(outcomes) = self.dropped(file, &mut progress).await? else { continue };
            let refused = outcomes.iter().any(|taken| matches!(taken, Taken::Refused(_)));
            let outcome = if refused { REFUSED } else { TAKEN };
            if before != Some(outcome) {
                let row = store::Taken {
                    content_sha: sha.clone(),
                    name: file.name.to_string(),
                    outcome: outcome.into(),
                    at_ms: self.now.as_millisecond(),
                };
                self.store.set_taken(&[row]).await?;
            }
            let news = outcomes.into_iter().filter(|taken| match taken {
                Taken::New(_) => true,
                Taken::Refused(_) => before.is_none(),
                Taken::Duplicate(_) => false,
            });
            told.extend(news.map(|taken| (file.name.clone(), taken)));
        }
        Ok(told)
    }

    /// One dropped file; `None` where it was gone or changed before it could be read.
    async fn dropped(&self, file: &Dropped, progress: &mut impl FnMut()) -> Result<Option<Vec<Taken>>, FleetError> {
        progress();
        match file.kind {
            FileKind::Report => match file.content() {
                Ok(Some(text)) => Ok(Some(vec![self.report(&file.name, &text.bytes).await?])),
                Ok(None) => Ok(None),
                Err(finding) => Ok(Some(vec![self.unreadable(&file.name, finding).await?])),
            },
            FileKind::Export => {
                let lines = match file.lines() {
                    Ok(Some(lines)) => lines,
                    Ok(None) => return Ok(None),
                    Err(finding) => return Ok(Some(vec![self.unreadable(&file.name, finding).await?])),
                };
                let mut outcomes = Vec::new();
                let mut batch = LineBatch::default();
                for line in lines {
                    progress();
                    match line {
                        Ok((number, text)) => batch.add(number, text),
                        Err(finding) => {
                            outcomes.extend(self.lines(&file.name, &batch.take(), Trust::Dropbox).await?);
                            outcomes.push(self.unreadable(&file.name, finding).await?);
                        }
                    }
                    if batch.is_full() {
                        outcomes.extend(self.lines(&file.name, &batch.take(), Trust::Dropbox).await?);
                    }
                }
                outcomes.extend(self.lines(&file.name, &batch.take(), Trust::Dropbox).await?);
                Ok(Some(outcomes))
            }
        }
    }

    async fn unreadable(&self, source: &Arc<str>, finding: Finding) -> Result<Taken, FleetError> {
        let sha = content_sha(finding.to_string().as_bytes());
        let taken = Taken::Refused(vec![finding]);
        self.keep_if_refused(source, &sha, b"", &taken).await?;
        Ok(taken)
    }
}
