//! Taking reports up: read, checked, appended; or refused, kept with the reasons.

use std::sync::Arc;

use jiff::Timestamp;
use serde_json::{Value as Json, json};
use sha2::{Digest as _, Sha256};

use super::{Fleet, GatherError, Ground};
use crate::finding::{Code, Finding, Place, cover_literals};
use crate::ledger::{
    self, Issued, Line, Places, Report, Scrutiny, admit, line_of, parse_line, report_json, was_recorded,
};
use crate::setting::{self, Codes};
use crate::store::{Appended, EntryKind, NewEntry, NewRefused, Store};

/// What became of a report.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Taken {
    /// It is in the ledger now; the station it is about.
    New(setting::Name),
    /// It was there already.
    Duplicate(setting::Name),
    /// It was kept with these reasons, and has no effect.
    Refused(Vec<Finding>),
}

/// Everything a report is judged by.
pub struct Desk<'a> {
    pub store: &'a Store,
    pub fleet: &'a Fleet,
    /// Where the codes behind a report's references are looked up.
    pub ground: &'a Ground,
    pub now: Timestamp,
}

/// The SHA-256 of some content, in hexadecimal: how dropped files are known.
pub fn content_sha(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

pub(super) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

impl Desk<'_> {
    /// Takes up one report as a sender wrote it.
    ///
    /// # Errors
    /// Where the store cannot be read or written; a report that is wrong is no error but [`Taken::Refused`].
    pub async fn report(&self, source: &Arc<str>, bytes: &[u8]) -> Result<Taken, GatherError> {
        let taken = match ledger::read(source, bytes) {
            Ok((report, places)) => self.parsed(report, &places, Scrutiny::Whole).await?,
            Err(findings) => Taken::Refused(findings),
        };
        self.keep_if_refused(source, &content_sha(bytes), bytes, &taken).await?;
        Ok(taken)
    }

    /// Takes up a line of an export: a report, an issued script or a notice.
    ///
    /// # Errors
    /// Where the store cannot be read or written.
    pub async fn export_line(&self, source: &Arc<str>, number: u32, line: &str) -> Result<Taken, GatherError> {
        let place = Place { file: source.clone(), line: number, column: 1, length: 1 };
        let taken = match parse_line(line) {
            Ok(Line::Report(report)) => {
                let scrutiny = if was_recorded(line) { Scrutiny::Restored } else { Scrutiny::Whole };
                self.parsed(*report, &Places::all_at(place), scrutiny).await?
            }
            Ok(Line::Script(issued)) => self.script(*issued, place).await?,
            Ok(Line::Notice(notice)) => self.notice(*notice, place).await?,
            Err(error) => {
                let mend = "Take the line from an export, or write it as a report file.";
                let sentence = format!("This line cannot be taken: {error}.");
                Taken::Refused(vec![Finding::new(Code::WrongShape, place, sentence, mend)])
            }
        };
        self.keep_if_refused(source, &content_sha(line.as_bytes()), line.as_bytes(), &taken).await?;
        Ok(taken)
    }

    async fn parsed(&self, mut report: Report, places: &Places, scrutiny: Scrutiny) -> Result<Taken, GatherError> {
        let mut codes: Codes = self.fleet.codes.clone();
        for reference in report.references() {
            if codes.code(&reference).is_none()
                && let Some(code) = self.ground.report_code(&reference)
            {
                codes.learn(reference, code);
            }
        }
        let id = report.id.to_string();
        let station = report.station.clone();
        if let Some(entry) = self.store.entry(EntryKind::Report, &id).await? {
            return Ok(match parse_line(&entry.body) {
                Ok(Line::Report(known)) if report_json(&known) == report_json(&report) => Taken::Duplicate(station),
                Ok(_) | Err(_) => conflict(&report, places),
            });
        }
        let script = match &report.script {
            Some(digest) => self.issued(digest).await?,
            None => None,
        };
        let against = admit(&report, places, &self.fleet.inventory, script.as_ref(), &codes, self.now, scrutiny);
        if !against.is_empty() {
            return Ok(Taken::Refused(against));
        }
        // An import carries the fingerprints of its time; a new report gets today's.
        if report.fingerprints.is_empty() {
            report.seal(&codes);
        }
        let entry = self.entry(EntryKind::Report, id, &station, report.at, &Line::Report(Box::new(report.clone())));
        Ok(match self.store.append(&[entry]).await?.first() {
            Some(Appended::New { .. }) => Taken::New(station),
            Some(Appended::Duplicate { .. }) => Taken::Duplicate(station),
            Some(Appended::Conflict { .. }) | None => conflict(&report, places),
        })
    }

    async fn issued(&self, digest: &ledger::Digest) -> Result<Option<Issued>, GatherError> {
        let Some(entry) = self.store.entry(EntryKind::Script, &digest.to_string()).await? else { return Ok(None) };
        match parse_line(&entry.body).map_err(|source| GatherError::Entry { seq: entry.seq, source })? {
            Line::Script(issued) => Ok(Some(*issued)),
            Line::Report(_) | Line::Notice(_) => Ok(None),
        }
    }

    async fn script(&self, issued: Issued, place: Place) -> Result<Taken, GatherError> {
        let id = issued.digest.to_string();
        let station = issued.station.clone();
        if let Some(known) = self.issued(&issued.digest).await? {
            let same = known.station == issued.station && known.steps == issued.steps;
            let mend = "The two ledgers disagree: compare them line by line.";
            let sentence = format!("The script {} is on record with other steps.", issued.digest);
            let refused = || Taken::Refused(vec![Finding::new(Code::ReportConflict, place, sentence, mend)]);
            return Ok(if same { Taken::Duplicate(station) } else { refused() });
        }
        let entry = self.entry(EntryKind::Script, id, &station, issued.at, &Line::Script(Box::new(issued)));
        self.store.append(&[entry]).await?;
        Ok(Taken::New(station))
    }

    fn entry(&self, kind: EntryKind, id: String, station: &str, at: Timestamp, line: &Line) -> NewEntry {
        NewEntry {
            kind,
            id,
            station: station.to_owned(),
            at_ms: at.as_millisecond(),
            recorded_ms: self.now.as_millisecond(),
            body: line_of(line),
        }
    }

    /// Nothing that was sent is lost: a refused report is kept with its reasons.
    pub(super) async fn keep_if_refused(
        &self,
        source: &Arc<str>,
        sha: &str,
        bytes: &[u8],
        taken: &Taken,
    ) -> Result<(), GatherError> {
        let Taken::Refused(findings) = taken else { return Ok(()) };
        let mut body =
            String::from_utf8_lossy(bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes)).replace('\0', "\u{fffd}");
        cover_literals(&mut body, source, findings);
        let refused = NewRefused {
            id: sha.chars().take(16).collect(),
            content_sha: sha.to_owned(),
            source: source.to_string(),
            reasons: reasons_json(findings),
            body,
            at_ms: self.now.as_millisecond(),
        };
        self.store.keep_refused(&refused).await?;
        Ok(())
    }
}

fn conflict(report: &Report, places: &Places) -> Taken {
    let sentence = format!("A report {} with other content is on record.", report.id);
    let mend = "Send a correction as a new report, with a new id.";
    Taken::Refused(vec![Finding::new(Code::ReportConflict, places.of("id"), sentence, mend)])
}

/// The reasons of a refusal as they are kept.
fn reasons_json(findings: &[Finding]) -> String {
    let reason = |finding: &Finding| {
        json!({
            "file": &*finding.place.file,
            "line": finding.place.line,
            "column": finding.place.column,
            "code": finding.code.as_str(),
            "sentence": finding.sentence,
            "mend": finding.mend,
        })
    };
    Json::from(findings.iter().map(reason).collect::<Vec<_>>()).to_string()
}

/// The reasons of a refusal that was kept; what cannot be read is passed over.
pub fn kept_reasons(text: &str) -> Vec<Finding> {
    let all: Vec<Json> = serde_json::from_str(text).unwrap_or_default();
    let reason = |json: &Json| {
        let text = |key: &str| json[key].as_str().unwrap_or_default().to_owned();
        let number = |key: &str| json[key].as_u64().and_then(|n| u32::try_from(n).ok()).unwrap_or(1);
        let place = Place { file: text("file").into(), line: number("line"), column: number("column"), length: 1 };
        Some(Finding::new(text("code").parse().ok()?, place, text("sentence"), text("mend")))
    };
    all.iter().filter_map(reason).collect()
}
