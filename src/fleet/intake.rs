//! Reports on their way into the ledger: read, checked, appended; or rejected, kept with the reasons.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;
use serde_json::Value as Json;

use super::batch::Batch;
use super::contacts::ContactsSince;
use super::error::FleetError;
use super::issue::{shown_entry, shown_id};
use super::reading::Reading;
use super::rejected::{named, reasons_json, sent_text};
use super::script_line::against;
use super::sources::Sources;
use crate::finding::{Code, Finding, Place, cover_literals};
use crate::inventory::{Contact, Line, LineKind, dial};
use crate::ledger::{
    self, AHEAD, Corrected, Decision, Issued, LedgerLine, Places, REPORT_LIMIT_BYTES, Report, Scrutiny, SheetRow,
    Shown, Terms, Visit, admit, admit_visit, keepable, line_of, parse_line, recorded_at, report_json,
};
use crate::setting::{self, Codes, Name, content_sha};
use crate::store::{DroppedOutcome, EntryKind, NewEntry, NewRejected, Store};

/// No more of a rejected text is kept: it is not a report if there is more, and anybody may send it.
const KEPT_BYTES: usize = REPORT_LIMIT_BYTES as usize;

/// What became of a report.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Received {
    /// It is in the ledger now; the station it is about.
    New(setting::Name),
    /// It was there already.
    Duplicate(setting::Name),
    /// It was kept with these reasons, and has no effect.
    Rejected(Vec<Finding>),
}

/// Who handed in an export.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Trust {
    /// Whoever keeps the ledger: `ledger import`.
    Operator,
    /// Whoever may drop a report. To report is not to decide: what people say beside reports is not taken from there.
    Dropbox,
}

/// A report as it came, or what kept it from being read.
#[derive(Debug)]
pub(super) struct Arrival {
    /// Where it came from, for people: a path.
    pub source: Arc<str>,
    /// By it a rejection is known: kept, and alerted, once.
    pub sha: String,
    /// What is kept where it is rejected.
    pub text: Vec<u8>,
    /// The station that it names, where that cannot be read from the text.
    pub station: Option<String>,
    pub read: Result<(Report, Places), Vec<Finding>>,
}

impl Arrival {
    /// A report as a sender wrote it.
    pub fn report(source: &Arc<str>, bytes: Vec<u8>) -> Arrival {
        let read = ledger::read(source, &bytes);
        let (sha, text) = (content_sha(&bytes), kept_of(&bytes));
        Arrival { source: source.clone(), sha, text, station: None, read }
    }

    /// What a sender wrote, which cannot be read.
    pub fn rejected(source: &Arc<str>, bytes: &[u8], findings: Vec<Finding>) -> Arrival {
        let (sha, text) = (content_sha(bytes), kept_of(bytes));
        Arrival { source: source.clone(), sha, text, station: None, read: Err(findings) }
    }

    /// A table that cannot be read. Of it the names of its columns are kept, where they are such: it may be anything.
    pub fn rejected_table(source: &Arc<str>, bytes: &[u8], findings: Vec<Finding>) -> Arrival {
        let text = String::from_utf8_lossy(bytes);
        let header = text.lines().next().unwrap_or_default();
        let is_header =
            header.split([',', ';', '\t']).any(|cell| cell.trim_matches(['"', ' ', '\u{feff}']) == "station");
        let kept = if is_header { header.as_bytes().to_vec() } else { Vec::new() };
        Arrival { source: source.clone(), sha: content_sha(bytes), text: kept, station: None, read: Err(findings) }
    }

    /// A row of a sheet.
    pub fn row(source: &Arc<str>, row: SheetRow) -> Arrival {
        let SheetRow { text, station, report, .. } = row;
        let sha = content_sha(format!("row\n{text}").as_bytes());
        Arrival { source: source.clone(), sha, text: text.into_bytes(), station, read: report }
    }

    /// How many bytes of its text are held.
    pub fn bytes(&self) -> usize {
        self.text.len()
    }
}

/// What may be kept of a text that is rejected.
fn kept_of(bytes: &[u8]) -> Vec<u8> {
    keepable(&sent_text(bytes)).into_bytes()
}

/// Everything a report is judged by.
pub struct Intake<'a> {
    /// Where they are recorded.
    pub store: &'a Store,
    /// What they are judged by.
    pub reading: &'a Reading,
    /// Since when the contacts there are dialled as they are.
    pub contacts: &'a ContactsSince,
    /// Where the codes behind a report's references are looked up.
    pub sources: &'a Sources,
    /// The time of recording.
    pub now: Timestamp,
}

impl Intake<'_> {
    /// Takes up one report as a sender wrote it, or the beginning of a visit in its one line.
    ///
    /// # Errors
    /// Where the store cannot be read or written; a report that is wrong is no error but [`Received::Rejected`].
    pub async fn report(&self, source: &Arc<str>, bytes: &[u8]) -> Result<Received, FleetError> {
        let one = match visit_line(bytes) {
            Some(line) => self.in_any_order(source, vec![(1, line)], Trust::Dropbox, &mut |_| {}).await?,
            None => self.record(&[Arrival::report(source, bytes.to_vec())], |_| Vec::new()).await?,
        };
        Ok(one.into_iter().next().unwrap_or(Received::Rejected(Vec::new())))
    }

    /// Records several at once, all that is new or rejected in one commit, with what `outcomes` says of the files that they came
    /// in. What became of each, in their order.
    pub(super) async fn record(
        &self,
        arrivals: &[Arrival],
        outcomes: impl Fn(&[Received]) -> Vec<DroppedOutcome>,
    ) -> Result<Vec<Received>, FleetError> {
        // Where someone else is quicker with one of them, it is on record from then on: there are no more such turns than arrivals.
        for _ in 0..=arrivals.len() {
            let mut batch = Batch::new(self.store);
            let received = self.judge(arrivals, &mut batch).await?;
            let rejected = arrivals.iter().zip(&received).filter_map(|(one, received)| {
                let kept = self.rejection(&one.source, &one.sha, &one.text, received)?;
                let report = one.read.as_ref().ok().map(|(report, _)| report.id.to_string());
                Some(NewRejected {
                    report: report.or(kept.report),
                    station: one.station.clone().or(kept.station),
                    ..kept
                })
            });
            if batch.write_beside(&rejected.collect::<Vec<_>>(), &outcomes(&received)).await? {
                return Ok(received);
            }
        }
        Err(FleetError::Overtaken)
    }

    /// What would become of each, and the reports that would be new as they would be recorded. Nothing is.
    ///
    /// # Errors
    /// Where the store cannot be read.
    pub(super) async fn foresee(&self, arrivals: &[Arrival]) -> Result<(Vec<Received>, Vec<Report>), FleetError> {
        let mut batch = Batch::new(self.store);
        let received = self.judge(arrivals, &mut batch).await?;
        Ok((received, batch.reports()))
    }

    /// What becomes of each, as long as all that is new gets on record.
    async fn judge(&self, arrivals: &[Arrival], batch: &mut Batch<'_>) -> Result<Vec<Received>, FleetError> {
        let reports = || arrivals.iter().filter_map(|one| one.read.as_ref().ok()).map(|(report, _)| report);
        batch.look_up(EntryKind::Report, reports().map(|report| report.id.to_string()).collect()).await?;
        let scripts = reports().filter_map(|report| report.script.as_ref());
        batch.look_up(EntryKind::Script, scripts.map(ToString::to_string).collect()).await?;
        let mut received = Vec::with_capacity(arrivals.len());
        for arrival in arrivals {
            received.push(match &arrival.read {
                Ok((report, places)) => match self.parsed(report.clone(), places, None, batch).await? {
                    Judged::Settled(one) => one,
                    Judged::Added(station, _) => Received::New(station),
                },
                Err(findings) => Received::Rejected(findings.clone()),
            });
        }
        Ok(received)
    }

    pub(super) async fn line(
        &self,
        (source, number, line): (&Arc<str>, u32, &str),
        parsed: Result<LedgerLine, ledger::WireError>,
        trust: Trust,
        batch: &mut Batch<'_>,
    ) -> Result<Judged, FleetError> {
        let place = Place { file: source.clone(), line: number, column: 1, length: 1 };
        // Whoever may drop a report may not say when it was recorded, nor that it was judged then.
        let restored = recorded_at(line).filter(|_| trust == Trust::Operator);
        match parsed {
            Ok(LedgerLine::Report(mut report)) => {
                if trust == Trust::Dropbox {
                    if let Some(other) = self.other_number(&report.station, report.number.take(), &place) {
                        return Ok(other);
                    }
                    report.tests.iter_mut().for_each(|test| test.dialled = None);
                    report.elsewhere.clear();
                }
                self.parsed(*report, &Places::all_at(place), restored, batch).await
            }
            Ok(LedgerLine::Begun(mut visit)) => {
                if trust == Trust::Dropbox
                    && let Some(other) = self.other_number(&visit.station, visit.number.take(), &place)
                {
                    return Ok(other);
                }
                self.visit(*visit, place, scrutiny_of(restored), batch).await
            }
            Ok(LedgerLine::Script(issued)) => self.script(*issued, place, batch).await,
            Ok(LedgerLine::Decision(decision)) if trust == Trust::Dropbox => {
                Ok(Judged::Settled(Received::Rejected(vec![no_report(what_it_is(&decision), place)])))
            }
            // That someone holds a card is a fact, and no decision: the more of it is known, the more the brake sees.
            Ok(LedgerLine::Shown(shown)) => self.shown(&shown, place, batch).await,
            Ok(LedgerLine::Decision(decision)) => {
                // In its place among the others.
                batch.flush().await?;
                self.decision(*decision, place).await.map(Judged::Settled)
            }
            Err(error) => {
                let fix = "Take the line from an export, or write it as a report file.";
                let message = format!("This line cannot be received: {error}.");
                let rejected = Finding::new(Code::WrongShape, place, message, fix);
                Ok(Judged::Settled(Received::Rejected(vec![rejected])))
            }
        }
    }

    /// Rejects a dropped line that gives a station another number than it has: that is a record of another time, and its test
    /// calls would count for the unit that is rung now.
    fn other_number(&self, station: &Name, number: Option<Name>, place: &Place) -> Option<Judged> {
        let (known, number) = (self.reading.inventory.called(station)?.number.name(), number?);
        if number == *known {
            return None;
        }
        let message = format!("This line is of a time when {station} had the number {number}. Now it has {known}.");
        let fix = "Record it with \"stationkeep ledger import FILE\", which keeps its number.";
        let finding = Finding::new(Code::ReportConflict, place.clone(), message, fix);
        Some(Judged::Settled(Received::Rejected(vec![finding])))
    }

    /// The codes behind the references of the inventory and of a report.
    fn codes_of(&self, report: &Report) -> Codes {
        let mut codes = self.reading.codes.clone();
        let unknown: Vec<_> = report.references().into_iter().filter(|one| codes.code(one).is_none()).collect();
        if !unknown.is_empty() {
            tokio::task::block_in_place(|| {
                for reference in unknown {
                    if let Ok(code) = self.sources.report_code(&reference) {
                        codes.learn(reference, code);
                    }
                }
            });
        }
        codes
    }

    /// What a reference leads to that cannot be read here is compared by the reference alone: whoever keeps the machine is told.
    fn note_unread(&self, report: &Report, codes: &Codes) {
        for reference in report.references().into_iter().filter(|one| codes.code(one).is_none()) {
            tracing::warn!(station = %report.station, report = %report.id, %reference, "a report's code cannot be read");
        }
    }

    async fn parsed(
        &self,
        mut report: Report,
        places: &Places,
        restored: Option<Timestamp>,
        batch: &mut Batch<'_>,
    ) -> Result<Judged, FleetError> {
        let codes = self.codes_of(&report);
        let id = report.id.to_string();
        let station = report.station.clone();
        if let Some(body) = batch.body(EntryKind::Report, &id).await? {
            return Ok(Judged::Settled(match parse_line(&body) {
                Ok(LedgerLine::Report(known)) if report_json(&known) == report_json(&report) => {
                    Received::Duplicate(station)
                }
                Ok(_) | Err(_) => conflict(&report, places),
            }));
        }
        let script = match &report.script {
            Some(digest) => issued(digest, batch).await?,
            None => None,
        };
        let corrected = self.corrected(&report, batch).await?;
        let scrutiny = scrutiny_of(restored);
        let terms = Terms { inventory: &self.reading.inventory, codes: &codes, now: self.now, scrutiny };
        let against = admit(&report, places, script.as_ref(), &corrected, terms);
        if !against.is_empty() {
            return Ok(Judged::Settled(Received::Rejected(against)));
        }
        // An export carries the fingerprints of its time, and what it lacks nobody can tell; a new report gets today's.
        match scrutiny {
            Scrutiny::Whole => {
                self.note_unread(&report, &codes);
                report.seal(&codes);
            }
            Scrutiny::Restored => {}
        }
        // What is restored carries the numbers of its time, too.
        if restored.is_none() {
            self.note_in_use(&mut report);
        }
        let (at, id, corrects) = (report.at, report.id, report.corrects);
        let line = LedgerLine::Report(Box::new(report));
        let entry = self.entry(EntryKind::Report, id.to_string(), &station, at, &line);
        if let Some(corrects) = corrects {
            batch.note_correction(&station, corrects, id);
        }
        let recorded_ms = restored.map_or(entry.recorded_ms, |at| at.as_millisecond().min(entry.recorded_ms));
        let entry = NewEntry { recorded_ms, ..entry };
        Ok(Judged::Added(station, batch.add(entry)))
    }

    /// An import carries the number of its time; a new report gets the one that the inventory in use gives its station, and
    /// each test what its contact is dialled as there. Where the contact was edited after the test, what it was dialled as then
    /// is not known.
    fn note_in_use(&self, report: &mut Report) {
        let inventory = &self.reading.inventory;
        let Some(station) = inventory.called(&report.station) else { return };
        report.number.get_or_insert_with(|| station.number.name().clone());
        if report.elsewhere.is_empty() {
            report.elsewhere = self.reading.spoken.found_elsewhere(report, station, inventory);
        }
        let at = report.at;
        for test in report.tests.iter_mut().filter(|test| test.dialled.is_none()) {
            let held = test.contact.as_ref().filter(|contact| self.contacts.held_at(contact, at));
            test.dialled = held.and_then(|contact| dialled(&inventory.contacts, contact, &station.line));
        }
    }

    /// What is on record about a report's correction. A report that corrects none may be corrected by any.
    async fn corrected(&self, report: &Report, batch: &mut Batch<'_>) -> Result<Corrected, FleetError> {
        let Some(id) = report.corrects else { return Ok(Corrected::default()) };
        let id = id.to_string();
        let other = match batch.body(EntryKind::Report, &id).await? {
            Some(body) => match parse_line(&body).map_err(|source| FleetError::Recorded { id, source })? {
                LedgerLine::Report(other) => Some((other.station, other.corrects)),
                LedgerLine::Script(_) | LedgerLine::Shown(_) | LedgerLine::Begun(_) | LedgerLine::Decision(_) => None,
            },
            None => None,
        };
        let station = self.reading.inventory.called(&report.station);
        let names = station.map_or_else(|| vec![report.station.clone()], |station| station.names().cloned().collect());
        let mut by = None;
        for name in names {
            by = by.or(batch.correction_of(&name, report.id).await?);
        }
        Ok(Corrected { other, by })
    }

    async fn visit(
        &self,
        mut visit: Visit,
        place: Place,
        scrutiny: Scrutiny,
        batch: &mut Batch<'_>,
    ) -> Result<Judged, FleetError> {
        let (id, station) = (visit.id.to_string(), visit.station.clone());
        if let Some(body) = batch.body(EntryKind::Begun, &id).await? {
            let is_same = matches!(parse_line(&body), Ok(LedgerLine::Begun(known)) if is_same_visit(&known, &visit));
            let message = format!("A visit {id} with other content is on record.");
            let rejected = || Finding::new(Code::ReportConflict, place, message, "Give each visit an id of its own.");
            return Ok(Judged::Settled(match is_same {
                true => Received::Duplicate(station),
                false => Received::Rejected(vec![rejected()]),
            }));
        }
        let script = issued(&visit.script, batch).await?;
        let reading = &self.reading;
        let terms = Terms { inventory: &reading.inventory, codes: &reading.codes, now: self.now, scrutiny };
        let against = admit_visit(&visit, &place, script.as_ref(), terms);
        if !against.is_empty() {
            return Ok(Judged::Settled(Received::Rejected(against)));
        }
        if visit.number.is_none() {
            visit.number = reading.inventory.called(&station).map(|station| station.number.name().clone());
        }
        let at = visit.at;
        let entry = self.entry(EntryKind::Begun, id, &station, at, &LedgerLine::Begun(Box::new(visit)));
        Ok(Judged::Added(station, batch.add(entry)))
    }

    async fn shown(&self, shown: &Shown, place: Place, batch: &mut Batch<'_>) -> Result<Judged, FleetError> {
        let (entry, station) = (shown_entry(shown, self.now), shown.station.clone());
        let rejected = |message: String, fix: &str| {
            Ok(Judged::Settled(Received::Rejected(vec![Finding::new(Code::ReportScript, place, message, fix)])))
        };
        if shown.at > self.now + AHEAD {
            let message = format!("The script {} was shown at {:.0}, which is still to come.", shown.script, shown.at);
            return rejected(message, "Set the clock right that wrote it.");
        }
        match issued(&shown.script, batch).await? {
            Some(issued) if issued.station == station => {}
            Some(issued) => {
                let message = format!("The script {} is for {}, not for {station}.", shown.script, issued.station);
                return rejected(message, "The two ledgers disagree: compare them line by line.");
            }
            None => {
                let message = format!("The script {} is not on record, so it cannot have been shown.", shown.script);
                return rejected(message, "Put the line of the script before it, as an export has it.");
            }
        }
        Ok(match batch.body(EntryKind::Shown, &entry.id).await? {
            Some(_) => Judged::Settled(Received::Duplicate(station)),
            None => Judged::Added(station, batch.add(entry)),
        })
    }

    async fn script(&self, mut issued: Issued, place: Place, batch: &mut Batch<'_>) -> Result<Judged, FleetError> {
        if let Some(against) = against(&issued, &self.reading.keybooks, &place) {
            return Ok(Judged::Settled(Received::Rejected(vec![against])));
        }
        ledger::seal(&mut issued, self.store.key());
        let id = issued.digest.to_string();
        let station = issued.station.clone();
        if let Some(known) = self::issued(&issued.digest, batch).await? {
            let same = known.station == issued.station && known.steps == issued.steps;
            let fix = "The two ledgers disagree: compare them line by line.";
            let message = format!("The script {} is on record with other steps.", issued.digest);
            let rejected = || Received::Rejected(vec![Finding::new(Code::ReportConflict, place, message, fix)]);
            return Ok(Judged::Settled(if same { Received::Duplicate(station) } else { rejected() }));
        }
        let entry = self.entry(EntryKind::Script, id, &station, issued.at, &LedgerLine::Script(Box::new(issued)));
        Ok(Judged::Added(station, batch.add(entry)))
    }

    fn entry(&self, kind: EntryKind, id: String, station: &str, at: Timestamp, line: &LedgerLine) -> NewEntry {
        NewEntry {
            kind,
            id,
            station: station.to_owned(),
            at_ms: at.as_millisecond(),
            recorded_ms: self.now.as_millisecond(),
            body: line_of(line),
        }
    }

    /// Nothing that was sent is lost: a rejected report is kept with its reasons.
    pub(super) fn rejection(
        &self,
        source: &Arc<str>,
        sha: &str,
        bytes: &[u8],
        received: &Received,
    ) -> Option<NewRejected> {
        let Received::Rejected(findings) = received else { return None };
        let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        let kept = &bytes[..bytes.len().min(KEPT_BYTES)];
        let mut body = String::from_utf8_lossy(kept).replace('\0', "\u{fffd}");
        cover_literals(&mut body, source, findings);
        let (report, station) = named(&body);
        Some(NewRejected {
            report,
            station,
            id: sha.chars().take(16).collect(),
            content_sha: sha.to_owned(),
            source: source.to_string(),
            reasons: reasons_json(findings),
            body,
            at_ms: self.now.as_millisecond(),
        })
    }
}

/// The beginning of a visit, which is an object of JSON with the key `begun`, whatever else is in it.
fn visit_line(bytes: &[u8]) -> Option<String> {
    if bytes.len() > KEPT_BYTES {
        return None;
    }
    let json: Json = serde_json::from_slice(bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes)).ok()?;
    json.get("begun").map(|_| json.to_string())
}

fn what_it_is(decision: &Decision) -> &'static str {
    match decision {
        Decision::Aside(_) => "something set aside",
        Decision::Release(_) => "the release of a change",
        Decision::Take(_) => "a take of a station",
        Decision::End(_) => "the end of something set aside or received",
    }
}

/// Another line where only reports are allowed.
fn no_report(what: &str, place: Place) -> Finding {
    let message = format!("This line is {what}, and no field report: who may report may not say that.");
    let fix = "Say it with the command itself, or take in the whole export with \"stationkeep ledger import FILE\".";
    Finding::new(Code::WrongShape, place, message, fix)
}

/// What was recorded before, by this or another ledger, was judged then.
fn scrutiny_of(restored: Option<Timestamp>) -> Scrutiny {
    if restored.is_some() { Scrutiny::Restored } else { Scrutiny::Whole }
}

/// How a contact is dialled over a line; nothing on a ring-down line, which leads to one place whatever is dialled.
pub(super) fn dialled(contacts: &BTreeMap<Name, Contact>, contact: &str, line: &Line) -> Option<Name> {
    let contact = contacts.get(contact).filter(|_| line.kind != Some(LineKind::RingDown))?;
    dial(&contact.reach, line).ok()
}

/// What a line comes to before its batch is written.
pub(super) enum Judged {
    Settled(Received),
    /// It is new, about this station, and stands at this place of the batch.
    Added(setting::Name, usize),
}

/// The id under which a line would be recorded, or that of the script it names.
pub(super) fn id_of(line: &LedgerLine, kind: EntryKind) -> Option<String> {
    match (line, kind) {
        (LedgerLine::Report(report), EntryKind::Report) => Some(report.id.to_string()),
        (LedgerLine::Report(report), EntryKind::Script) => report.script.as_ref().map(ToString::to_string),
        (LedgerLine::Script(issued), EntryKind::Script) => Some(issued.digest.to_string()),
        (LedgerLine::Shown(shown), EntryKind::Shown) => Some(shown_id(shown)),
        (LedgerLine::Begun(visit), EntryKind::Begun) => Some(visit.id.to_string()),
        (LedgerLine::Begun(visit), EntryKind::Script) => Some(visit.script.to_string()),
        (LedgerLine::Report(_), EntryKind::Shown | EntryKind::Begun)
        | (LedgerLine::Script(_), EntryKind::Report | EntryKind::Shown | EntryKind::Begun)
        | (LedgerLine::Shown(_), EntryKind::Report | EntryKind::Script | EntryKind::Begun)
        | (LedgerLine::Begun(_), EntryKind::Report | EntryKind::Shown)
        | (LedgerLine::Decision(_), EntryKind::Report | EntryKind::Script | EntryKind::Shown | EntryKind::Begun)
        | (
            LedgerLine::Report(_)
            | LedgerLine::Script(_)
            | LedgerLine::Shown(_)
            | LedgerLine::Begun(_)
            | LedgerLine::Decision(_),
            EntryKind::Aside | EntryKind::Release | EntryKind::Take | EntryKind::End,
        ) => None,
    }
}

/// Whether two say the same; what was added when they were recorded is no part of it.
fn is_same_visit(one: &Visit, other: &Visit) -> bool {
    Visit { number: None, ..one.clone() } == Visit { number: None, ..other.clone() }
}

async fn issued(digest: &ledger::Digest, batch: &mut Batch<'_>) -> Result<Option<Issued>, FleetError> {
    let id = digest.to_string();
    let Some(body) = batch.body(EntryKind::Script, &id).await? else { return Ok(None) };
    match parse_line(&body).map_err(|source| FleetError::Recorded { id, source })? {
        LedgerLine::Script(issued) => Ok(Some(*issued)),
        LedgerLine::Report(_) | LedgerLine::Shown(_) | LedgerLine::Begun(_) | LedgerLine::Decision(_) => Ok(None),
    }
}

fn conflict(report: &Report, places: &Places) -> Received {
    let message = format!("A report {} with other content is on record.", report.id);
    let fix = format!("If this corrects it, send it with a new id and the line: corrects: {}", report.id);
    Received::Rejected(vec![Finding::new(Code::ReportConflict, places.of("id"), message, fix)])
}
