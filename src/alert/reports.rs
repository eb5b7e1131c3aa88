//! The message about field reports that were refused, and about those refused before that are on record now: at most one
//! a pass to each webhook, however many there are. Every webhook hears of them: a report that does not count may be
//! the one that says which button is dead.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::Serialize;

use super::Terms;
use super::clip::{NAME, PLACE, SENTENCE, clip};
use super::event::{Envelope, Kind, LONGEST_BODY, Message, json};
use super::mark::{Inking, Mark, Thread};
use super::refused::{Told, fitting, mark};
use crate::finding::{Finding, plural};

/// A report that did not enter the ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RefusedReport {
    /// The file it was in, or who sent it.
    pub source: String,
    /// A digest of its content: the same content is told of once.
    pub content: String,
    /// Its id and station as far as they could be read.
    pub id: Option<String>,
    pub station: Option<String>,
    pub reasons: Vec<Finding>,
}

/// What there is to tell of refused reports.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct RefusedNews {
    /// Refused since the last telling.
    pub refused: Vec<RefusedReport>,
    /// Told as refused before; a report of the same id is on record since.
    pub taken: Vec<RefusedReport>,
}

#[derive(Serialize)]
struct Data {
    summary: String,
    /// How many were refused.
    count: usize,
    /// How many of them by the code of their first reason.
    by_reason: BTreeMap<&'static str, usize>,
    /// The first of them.
    reports: Vec<Entry>,
    left_out: usize,
    /// Of those told as refused before, the first that are on record now.
    taken: Vec<Source>,
    taken_left_out: usize,
    rest: &'static str,
}

#[derive(Serialize)]
struct Source {
    source: String,
    report: Option<String>,
    station: Option<String>,
}

#[derive(Serialize)]
struct Entry {
    #[serde(flatten)]
    source: Source,
    reasons: Vec<Told>,
    reasons_left_out: usize,
}

/// No more reasons of one report are shown while there are others, and no more that are taken now.
const REASONS: usize = 3;
const TAKEN: usize = 20;

/// The messages, one for each webhook; none where there is nothing to tell. Their ids come from the reports' contents and
/// reasons, so that telling of the same is the same message.
pub fn reports_refused(news: &RefusedNews, clock: Timestamp, terms: &Terms) -> Vec<Message> {
    if news == &RefusedNews::default() {
        return Vec::new();
    }
    let cause = cause(news);
    terms.webhooks.iter().map(|webhook| message(&webhook.name, news, &cause, clock, terms)).collect()
}

fn cause(news: &RefusedNews) -> Mark {
    let mut ink = Inking::new();
    for (what, reports) in [("report", &news.refused), ("taken", &news.taken)] {
        for report in reports {
            let reasons: Vec<&Finding> = report.reasons.iter().collect();
            ink.text(what).text(&report.content).text(mark(&reasons).as_str());
        }
    }
    ink.mark()
}

fn message(webhook: &str, news: &RefusedNews, cause: &Mark, clock: Timestamp, terms: &Terms) -> Message {
    let kind = Kind::ReportRefused;
    let id = Thread::default().id(kind.as_str(), webhook, cause);
    let subject = match (news.refused.as_slice(), news.taken.as_slice()) {
        ([one], []) | ([], [one]) => one.station.as_deref().map(|station| clip(station, NAME)),
        _ => None,
    };
    let envelope = Envelope { id: &id, source: &terms.source, kind, subject: subject.as_deref(), time: clock };
    let mut by_reason: BTreeMap<&'static str, usize> = BTreeMap::new();
    for first in news.refused.iter().filter_map(|report| report.reasons.first()) {
        *by_reason.entry(first.code.as_str()).or_default() += 1;
    }
    let mut data = Data {
        summary: clip(&summary(news), SENTENCE),
        count: news.refused.len(),
        by_reason,
        reports: Vec::new(),
        left_out: news.refused.len(),
        taken: news.taken.iter().take(TAKEN).map(Source::of).collect(),
        taken_left_out: news.taken.len().saturating_sub(TAKEN),
        rest: "stationkeep report FILE",
    };
    let mut room = LONGEST_BODY.saturating_sub(envelope.seal(&data).len());
    let most = if news.refused.len() == 1 { usize::MAX } else { REASONS };
    for report in &news.refused {
        let Some((entry, length)) = Entry::fitting(report, most, room) else { break };
        room -= length;
        data.reports.push(entry);
        data.left_out -= 1;
    }
    Message { webhook: webhook.into(), body: envelope.seal(&data), id: id.clone() }
}

impl Source {
    fn of(report: &RefusedReport) -> Source {
        Source {
            source: clip(&report.source, PLACE),
            report: report.id.as_deref().map(|id| clip(id, NAME)),
            station: report.station.as_deref().map(|station| clip(station, NAME)),
        }
    }
}

impl Entry {
    /// As many of its reasons as fit, at most so many, and what the entry adds to a body; `None` where it fits without none.
    fn fitting(report: &RefusedReport, most: usize, room: usize) -> Option<(Entry, usize)> {
        let all = report.reasons.len();
        let mut entry = Entry { source: Source::of(report), reasons: Vec::new(), reasons_left_out: all };
        let left = room.checked_sub(length(&entry))?;
        let reasons: Vec<&Finding> = report.reasons.iter().take(most).collect();
        entry.reasons = fitting(&reasons, left);
        entry.reasons_left_out = all - entry.reasons.len();
        let length = length(&entry);
        (length <= room).then_some((entry, length))
    }
}

/// What an entry adds to a body: itself and a comma.
fn length(entry: &Entry) -> usize {
    json(entry).len() + 1
}

fn summary(news: &RefusedNews) -> String {
    let sentences = [refused_sentence(&news.refused), taken_sentence(&news.taken)];
    sentences.into_iter().flatten().collect::<Vec<_>>().join(" ")
}

fn refused_sentence(refused: &[RefusedReport]) -> Option<String> {
    let first = refused.first()?;
    let source = clip(&first.source, PLACE);
    let reason = first.reasons.first().map_or("It could not be read.", |first| first.message.as_str());
    Some(match refused.len() {
        1 => format!("A field report{} was not taken ({source}): {reason}", about(first)),
        many => format!(
            "{} were not taken. First{} ({source}): {reason}",
            plural(many as u64, "field report"),
            about(first)
        ),
    })
}

fn taken_sentence(taken: &[RefusedReport]) -> Option<String> {
    let first = taken.first()?;
    let source = clip(&first.source, PLACE);
    Some(match taken.len() {
        1 => format!("The field report{} that was not taken before ({source}) is on record now.", about(first)),
        many => format!(
            "{} that were not taken before are on record now, first the one{} ({source}).",
            plural(many as u64, "field report"),
            about(first)
        ),
    })
}

fn about(report: &RefusedReport) -> String {
    report.station.as_deref().map(|station| format!(" about {}", clip(station, NAME))).unwrap_or_default()
}

#[cfg(test)]
#[path = "reports_tests.rs"]
mod tests;
