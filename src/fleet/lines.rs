//! Lines of an export on their way into the ledger, in whatever order they can be recorded at all: a report may stand before the
//! script that it names.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::batch::Batch;
use super::chained::ExportChain;
use super::error::FleetError;
use super::intake::{Intake, Judged, Received, Trust, id_of};
use crate::ledger::{head_of_line, keepable, key_of_line, parse_line};
use crate::setting::content_sha;
use crate::store::{Appended, EntryKind, NewRejected};

/// A line with its number.
pub(super) type Line = (u32, String);

/// What could not be recorded is tried again so often, as long as any of it could be: no line waits for one that waits for
/// more than two others.
const ROUNDS: usize = 8;

/// Lines that are recorded together: as many as are worth one commit, and no more than fit into memory with ease.
#[derive(Debug, Default)]
pub struct LineBatch {
    lines: Vec<Line>,
    bytes: usize,
}

impl LineBatch {
    const LINES: usize = 500;
    const BYTES: usize = 4 << 20;

    /// Adds a line with its number.
    pub fn add(&mut self, number: u32, line: String) {
        self.bytes += line.len();
        self.lines.push((number, line));
    }

    /// Whether it is time to record it.
    pub fn is_full(&self) -> bool {
        self.lines.len() >= LineBatch::LINES || self.bytes >= LineBatch::BYTES
    }

    /// The lines; the next batch is empty.
    pub fn take(&mut self) -> Vec<Line> {
        self.bytes = 0;
        std::mem::take(&mut self.lines)
    }
}

impl Intake<'_> {
    /// Records the lines of an export, each a report, a visit, an issued script, a showing or a decision. What became of each, in
    /// their order; the lines of the key and of the head become nothing. What cannot be recorded yet is tried again once the
    /// others are on record. A line that does not fit into the chain of the export is rejected; `chain` is that of these lines.
    /// `progress` hears how many lines more were judged.
    ///
    /// # Errors
    /// Where the store cannot be read or written; then what was recorded before stays, and nothing is lost by recording all of
    /// them again.
    pub async fn import(
        &self,
        source: &Arc<str>,
        lines: Vec<(u32, String)>,
        chain: &ExportChain,
        progress: &mut (dyn FnMut(usize) + Send),
    ) -> Result<Vec<Received>, FleetError> {
        let (mut sound, mut received, mut kept) = (Vec::with_capacity(lines.len()), Vec::new(), Vec::new());
        for (number, line) in lines {
            match chain.speaks_against(source, number, &line) {
                None => sound.push((number, line)),
                Some(finding) => {
                    let one = Received::Rejected(vec![finding]);
                    kept.extend(self.rejected_line(source, &line, &one));
                    received.push(one);
                }
            }
        }
        self.store.keep_rejected(&kept).await?;
        received.extend(self.in_any_order(source, sound, Trust::Operator, progress).await?);
        Ok(received)
    }

    /// The same from whoever may report: what people decide is not taken from there.
    ///
    /// # Errors
    /// As of [`Intake::import`].
    pub async fn dropped_lines(
        &self,
        source: &Arc<str>,
        lines: Vec<(u32, String)>,
    ) -> Result<Vec<Received>, FleetError> {
        self.in_any_order(source, lines, Trust::Dropbox, &mut |_| {}).await
    }

    pub(super) async fn in_any_order(
        &self,
        source: &Arc<str>,
        mut lines: Vec<Line>,
        trust: Trust,
        progress: &mut (dyn FnMut(usize) + Send),
    ) -> Result<Vec<Received>, FleetError> {
        let mut came: BTreeMap<u32, Received> = BTreeMap::new();
        let mut rejected: Vec<(Line, Received)> = Vec::new();
        for _ in 0..ROUNDS {
            let count = lines.len();
            rejected.clear();
            let mut batch = LineBatch::default();
            let mut rest = std::mem::take(&mut lines).into_iter().peekable();
            while let Some((number, line)) = rest.next() {
                batch.add(number, line);
                if !batch.is_full() && rest.peek().is_some() {
                    continue;
                }
                let judged = self.judged(source, batch.take(), trust).await?;
                progress(judged.len());
                for (line, one) in judged {
                    match one {
                        Received::Rejected(_) => rejected.push((line, one)),
                        Received::New(_) | Received::Duplicate(_) => drop(came.insert(line.0, one)),
                    }
                }
            }
            if rejected.is_empty() || rejected.len() == count {
                break;
            }
            lines = rejected.iter().map(|(line, _)| line.clone()).collect();
        }
        let kept: Vec<_> =
            rejected.iter().filter_map(|((_, line), one)| self.rejected_line(source, line, one)).collect();
        self.store.keep_rejected(&kept).await?;
        came.extend(rejected.into_iter().map(|((number, _), one)| (number, one)));
        Ok(came.into_values().collect())
    }

    /// A line that was rejected, to be kept.
    pub(super) fn rejected_line(&self, source: &Arc<str>, line: &str, one: &Received) -> Option<NewRejected> {
        self.rejection(source, &content_sha(line.as_bytes()), keepable(line).as_bytes(), one)
    }

    /// Records what can be of some lines, reports and scripts that are new in one transaction. What became of each; nothing that
    /// is rejected is kept.
    pub(super) async fn judged(
        &self,
        source: &Arc<str>,
        mut lines: Vec<Line>,
        trust: Trust,
    ) -> Result<Vec<(Line, Received)>, FleetError> {
        let mut batch = Batch::new(self.store);
        lines.retain(|(_, line)| key_of_line(line).is_none() && head_of_line(line).is_none());
        let parsed: Vec<_> = lines.iter().map(|(_, line)| parse_line(line)).collect();
        let ids = |kind| parsed.iter().flatten().filter_map(move |line| id_of(line, kind)).collect();
        for kind in [EntryKind::Report, EntryKind::Script, EntryKind::Shown, EntryKind::Begun] {
            batch.look_up(kind, ids(kind)).await?;
        }
        let mut judged = Vec::with_capacity(lines.len());
        for ((number, line), parsed) in lines.iter().zip(parsed) {
            judged.push(self.line((source, *number, line), parsed, trust, &mut batch).await?);
        }
        let appended = batch.write().await?;
        let mut received = Vec::with_capacity(lines.len());
        for ((number, line), judged) in lines.into_iter().zip(judged) {
            let one = match judged {
                Judged::Settled(one) => one,
                Judged::Added(station, at) => match appended.get(at) {
                    Some(Appended::New { .. }) => Received::New(station),
                    Some(Appended::Duplicate { .. } | Appended::Conflict { .. }) | None => {
                        // Someone else was quicker: now it is on record, and this line is judged beside it.
                        let mut batch = Batch::new(self.store);
                        match self.line((source, number, &line), parse_line(&line), trust, &mut batch).await? {
                            Judged::Settled(one) => one,
                            Judged::Added(station, _) => Received::Duplicate(station),
                        }
                    }
                },
            };
            received.push(((number, line), one));
        }
        Ok(received)
    }
}
