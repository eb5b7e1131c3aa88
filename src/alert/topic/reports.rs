//! The message about field reports that were rejected, and about those rejected before that are on record now: at most one
//! a pass to each webhook, however many there are. Those that say that a button does not work are cases of their own
//! (`unrecorded`).

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::files::{ToldFinding, fitting, mark};
use crate::alert::case::Severity;
use crate::alert::cases::Cases;
use crate::alert::clip::{NAME, PLACE, SENTENCE, clip};
use crate::alert::event::{Envelope, EventKind, LONGEST_BODY, Message};
use crate::alert::json::json;
use crate::alert::key::key;
use crate::alert::machine::Round;
use crate::alert::mark::{Chain, Mark, MarkHasher};
use crate::alert::pass::{Pass, RejectedReport, RejectedReports};
use crate::alert::subject::{Subject, Topic};
use crate::alert::terms::Subscription;
use crate::finding::{Finding, plural};
use crate::setting::Name;

/// The topic: one subject that is never open, only news.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reports;

/// How far telling has come.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Memory {
    /// The number of the last rejected report that was told of.
    pub last: i64,
}

impl Topic for Reports {
    type Facts = ();
    type Memory = Memory;
    type Sight<'p> = ();

    const NAME: &'static str = "reports";

    fn memory(_subject: &Subject<'_, Reports>, _told: &BTreeSet<Name>, pass: &Pass<'_>) -> Memory {
        Memory { last: pass.rejected.last }
    }
}

const NEWS: &str = "rejected";

/// The number of the last rejected report that was told of.
pub fn last_told(cases: &Cases) -> i64 {
    cases.before::<Reports>(NEWS).case().map_or(0, |case| case.memory.last)
}

/// Tells of them. The ids of messages come from the reports' contents and reasons, so that telling of the same is the same
/// message.
pub fn tell(round: &mut Round<'_>) {
    let news = News::of(round.pass.rejected);
    if !(news.rejected.is_empty() && news.recorded.is_empty()) {
        let cause = cause(&news);
        let weight = severity(&news).weight();
        let takes = |webhook: &&Subscription| webhook.weights.contains(&weight);
        let hearers = round.terms.webhooks.iter().filter(takes);
        let messages = hearers.map(|webhook| message(&webhook.name, &news, &cause, round));
        let messages: Vec<Message> = messages.collect();
        // Nothing that comes later is tied to their ids.
        round.messages.extend(messages);
    }
    let before = round.cases.before::<Reports>(NEWS);
    round.keep(&Subject::<Reports> { name: NEWS.into(), before, now: None, sight: () }, &BTreeSet::new());
}

/// Those that have no case.
struct News<'p> {
    rejected: Vec<&'p RejectedReport>,
    recorded: Vec<&'p RejectedReport>,
}

impl<'p> News<'p> {
    fn of(all: &'p RejectedReports) -> News<'p> {
        let is_over = |report: &RejectedReport| all.over.contains_key(&report.case());
        let rejected = all.rejected.iter().filter(|report| report.failed.is_none() || is_over(report));
        let recorded = all.recorded.iter().filter(|report| !is_over(report));
        News { rejected: rejected.collect(), recorded: recorded.collect() }
    }
}

/// What its events are about.
pub(super) const KIND: EventKind = EventKind("stationkeep.report.refused.v1");

/// What messages about rejected reports hold.
#[derive(Default, Serialize)]
pub(super) struct Data {
    pub summary: String,
    /// How many were rejected, or are open still.
    pub count: usize,
    /// How many of them by the code of their first reason, where that is news.
    by_reason: BTreeMap<&'static str, usize>,
    /// The first of them.
    pub reports: Vec<RejectedEntry>,
    pub left_out: usize,
    /// Of those told as rejected before, the first that are on record now.
    taken: Vec<Source>,
    taken_left_out: usize,
    /// Of those that said that a button does not work, the first that are over now.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    over: Vec<OverEntry>,
    #[serde(skip_serializing_if = "is_none")]
    over_left_out: usize,
    rest: &'static str,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde asks for it")]
fn is_none(count: &usize) -> bool {
    *count == 0
}

#[derive(Serialize)]
pub(super) struct Source {
    pub source: String,
    pub report: Option<String>,
    pub station: Option<String>,
}

#[derive(Serialize)]
pub(super) struct RejectedEntry {
    #[serde(flatten)]
    source: Source,
    /// The key of its case, and the command that ends it without a report, where it has one.
    #[serde(skip_serializing_if = "Option::is_none")]
    key: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    settle: Option<String>,
    reasons: Vec<ToldFinding>,
    reasons_left_out: usize,
}

/// One that is over.
#[derive(Serialize)]
pub(super) struct OverEntry {
    #[serde(flatten)]
    pub source: Source,
    /// The key of its case.
    pub key: String,
    /// `recorded`, `answered` or `settled`.
    pub why: &'static str,
}

/// What a message is about: the one report, rejected or on record now; or several.
fn about_reports(news: &News<'_>) -> String {
    match (news.rejected.as_slice(), news.recorded.as_slice()) {
        ([one], []) | ([], [one]) => format!("report {}", one.case()),
        _ => "reports".into(),
    }
}

fn severity(news: &News<'_>) -> Severity {
    if news.rejected.is_empty() { Severity::Info } else { Severity::Warning }
}

/// No more reasons of one report are shown while there are others, and no more that are on record now, or over.
const REASONS: usize = 3;
const TAKEN: usize = 20;

fn cause(news: &News<'_>) -> Mark {
    let mut hasher = MarkHasher::new();
    for (what, reports) in [("report", &news.rejected), ("taken", &news.recorded)] {
        for report in reports {
            let reasons: Vec<&Finding> = report.reasons.iter().collect();
            hasher.text(what).text(&report.content).text(mark(&reasons).as_str());
        }
    }
    hasher.mark()
}

fn message(webhook: &str, news: &News<'_>, cause: &Mark, round: &Round<'_>) -> Message {
    let id = Chain::default().id(KIND.0, webhook, cause);
    let subject = match (news.rejected.as_slice(), news.recorded.as_slice()) {
        ([one], []) | ([], [one]) => one.station.as_deref().map(|station| clip(station, NAME)),
        _ => None,
    };
    let (source, time) = (&round.terms.source, round.pass.clock);
    let (key, severity) = (key(&round.terms.fleet, &about_reports(news)), severity(news));
    let envelope = Envelope { id: &id, source, kind: KIND, subject: subject.as_deref(), time, key: &key, severity };
    let mut data = Data {
        taken: news.recorded.iter().take(TAKEN).map(|report| Source::of(report)).collect(),
        taken_left_out: news.recorded.len().saturating_sub(TAKEN),
        ..Data::of(&summary(news), news.rejected.len())
    };
    news.rejected.iter().for_each(|report| data.count_reason(report));
    data.fill(news.rejected.iter().copied().map(RejectedEntry::of), &envelope);
    let gists = vec![envelope.gist(&round.terms.fleet, data.summary.clone(), news.rejected.is_empty())];
    Message { webhook: webhook.into(), body: envelope.seal(&data), id: id.clone(), ended: Vec::new(), gists }
}

impl Data {
    /// Of so many reports, none of which is shown so far.
    pub fn of(summary: &str, count: usize) -> Data {
        let summary = clip(summary, SENTENCE);
        Data { summary, count, left_out: count, rest: "stationkeep report FILE", ..Data::default() }
    }

    /// With those that are over.
    pub fn and_over(self, over: impl ExactSizeIterator<Item = OverEntry>) -> Data {
        Data { over_left_out: over.len().saturating_sub(TAKEN), over: over.take(TAKEN).collect(), ..self }
    }

    /// Counts a report that was rejected since the last telling.
    pub fn count_reason(&mut self, report: &RejectedReport) {
        if let Some(first) = report.reasons.first() {
            *self.by_reason.entry(first.code.as_str()).or_default() += 1;
        }
    }

    /// Adds entries with their reasons as far as there is room for them.
    pub fn fill<'f>(
        &mut self,
        entries: impl Iterator<Item = (RejectedEntry, Vec<&'f Finding>)>,
        envelope: &Envelope<'_>,
    ) {
        let mut room = LONGEST_BODY.saturating_sub(envelope.seal(self).len());
        let most = if self.count == 1 { usize::MAX } else { REASONS };
        for (entry, reasons) in entries {
            let Some((entry, length)) = entry.with(&reasons, most, room) else { break };
            room -= length;
            self.reports.push(entry);
            self.left_out -= 1;
        }
    }
}

impl Source {
    fn of(report: &RejectedReport) -> Source {
        Source::new(&report.source, report.id.as_deref(), report.station.as_deref())
    }

    /// Where it came from, its own id and its station.
    pub fn new(source: &str, id: Option<&str>, station: Option<&str>) -> Source {
        let short = |text: &str| clip(text, NAME);
        Source { source: clip(source, PLACE), report: id.map(short), station: station.map(short) }
    }
}

impl RejectedEntry {
    /// Of a report without a case, and the reasons that it may show.
    fn of(report: &RejectedReport) -> (RejectedEntry, Vec<&Finding>) {
        (RejectedEntry::bare(Source::of(report), report.reasons.len()), report.reasons.iter().collect())
    }

    /// Without any of its reasons, of which there are so many.
    pub fn bare(source: Source, reasons: usize) -> RejectedEntry {
        RejectedEntry { source, key: None, settle: None, reasons: Vec::new(), reasons_left_out: reasons }
    }

    /// Of a case with this key, which this command ends.
    pub fn of_case(self, key: String, settle: String) -> RejectedEntry {
        RejectedEntry { key: Some(key), settle: Some(settle), ..self }
    }

    /// As many of these reasons as fit, at most so many, and what the entry adds to a body; `None` where it fits without none.
    fn with(mut self, reasons: &[&Finding], most: usize, room: usize) -> Option<(RejectedEntry, usize)> {
        let left = room.checked_sub(length(&self))?;
        self.reasons = fitting(reasons.get(..most).unwrap_or(reasons), left);
        self.reasons_left_out -= self.reasons.len();
        let length = length(&self);
        (length <= room).then_some((self, length))
    }
}

/// What an entry adds to a body: itself and a comma.
fn length(entry: &RejectedEntry) -> usize {
    json(entry).len() + 1
}

fn summary(news: &News<'_>) -> String {
    let sentences = [refused_sentence(&news.rejected), taken_sentence(&news.recorded)];
    sentences.into_iter().flatten().collect::<Vec<_>>().join(" ")
}

fn refused_sentence(refused: &[&RejectedReport]) -> Option<String> {
    let first = refused.first()?;
    let source = clip(&first.source, PLACE);
    let reason = first.reasons.first().map_or("It could not be read.", |first| first.message.as_str());
    Some(match refused.len() {
        1 => format!("A field report{} was rejected ({source}): {reason}", about(first)),
        many => {
            format!("{} were rejected. First{} ({source}): {reason}", plural(many as u64, "field report"), about(first))
        }
    })
}

fn taken_sentence(taken: &[&RejectedReport]) -> Option<String> {
    let first = taken.first()?;
    let source = clip(&first.source, PLACE);
    Some(match taken.len() {
        1 => format!("The field report{} that was rejected before ({source}) is on record now.", about(first)),
        many => format!(
            "{} that were rejected before are on record now, first the one{} ({source}).",
            plural(many as u64, "field report"),
            about(first)
        ),
    })
}

fn about(report: &RejectedReport) -> String {
    report.station.as_deref().map(|station| format!(" about {}", clip(station, NAME))).unwrap_or_default()
}
