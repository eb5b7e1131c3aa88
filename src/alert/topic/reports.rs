//! The message about field reports that were refused, and about those refused before that are on record now: at most one
//! a pass to each webhook, however many there are. One that takes lifelines alone hears of those that say that a button did not
//! reach help.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::files::{ToldFinding, fitting, mark};
use crate::alert::case::Severity;
use crate::alert::cases::Cases;
use crate::alert::clip::{NAME, PLACE, Room, SENTENCE, clip};
use crate::alert::event::{Envelope, EventKind, LONGEST_BODY, Message};
use crate::alert::json::json;
use crate::alert::key::key;
use crate::alert::machine::Round;
use crate::alert::mark::{Chain, Mark, MarkHasher};
use crate::alert::pass::{FailedTest, Pass, RejectedReport, RejectedReports, Says};
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
    let news = round.pass.rejected;
    if !(news.rejected.is_empty() && news.recorded.is_empty()) {
        let cause = cause(news);
        let weight = severity(news).weight();
        let takes = |webhook: &&Subscription| webhook.weights.contains(&weight);
        let hearers = round.terms.webhooks.iter().filter(takes);
        let messages = hearers.map(|webhook| message(&webhook.name, news, &cause, round));
        let messages: Vec<Message> = messages.collect();
        // Nothing that comes later is tied to their ids.
        round.messages.extend(messages);
    }
    let before = round.cases.before::<Reports>(NEWS);
    round.keep(&Subject::<Reports> { name: NEWS.into(), before, now: None, sight: () }, &BTreeSet::new());
}

#[derive(Serialize)]
struct Data {
    summary: String,
    /// How many were refused.
    count: usize,
    /// How many of them by the code of their first reason.
    by_reason: BTreeMap<&'static str, usize>,
    /// The first of them.
    reports: Vec<RejectedEntry>,
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
struct RejectedEntry {
    #[serde(flatten)]
    source: Source,
    reasons: Vec<ToldFinding>,
    reasons_left_out: usize,
}

/// What a message is about: the one report, rejected or on record now; or several.
fn about_reports(news: &RejectedReports) -> String {
    match (news.rejected.as_slice(), news.recorded.as_slice()) {
        ([one], []) | ([], [one]) => format!("report {}", one.content.get(..16).unwrap_or(&one.content)),
        _ => "reports".into(),
    }
}

/// A note is no longer than this in a summary.
const NOTE: Room = Room(160);

/// `critical` where one says that a button did not reach help.
fn severity(news: &RejectedReports) -> Severity {
    match news.rejected.iter().any(|report| report.failed.is_some()) {
        true => Severity::Critical,
        false if news.rejected.is_empty() => Severity::Info,
        false => Severity::Warning,
    }
}

/// No more reasons of one report are shown while there are others, and no more that are taken now.
const REASONS: usize = 3;
const TAKEN: usize = 20;

fn cause(news: &RejectedReports) -> Mark {
    let mut hasher = MarkHasher::new();
    for (what, reports) in [("report", &news.rejected), ("taken", &news.recorded)] {
        for report in reports {
            let reasons: Vec<&Finding> = report.reasons.iter().collect();
            hasher.text(what).text(&report.content).text(mark(&reasons).as_str());
        }
    }
    hasher.mark()
}

fn message(webhook: &str, news: &RejectedReports, cause: &Mark, round: &Round<'_>) -> Message {
    let kind = EventKind("stationkeep.report.refused.v1");
    let id = Chain::default().id(kind.0, webhook, cause);
    let subject = match (news.rejected.as_slice(), news.recorded.as_slice()) {
        ([one], []) | ([], [one]) => one.station.as_deref().map(|station| clip(station, NAME)),
        _ => None,
    };
    let (source, time) = (&round.terms.source, round.pass.clock);
    let (key, severity) = (key(&round.terms.fleet, &about_reports(news)), severity(news));
    let envelope = Envelope { id: &id, source, kind, subject: subject.as_deref(), time, key: &key, severity };
    let mut by_reason: BTreeMap<&'static str, usize> = BTreeMap::new();
    for first in news.rejected.iter().filter_map(|report| report.reasons.first()) {
        *by_reason.entry(first.code.as_str()).or_default() += 1;
    }
    let mut data = Data {
        summary: clip(&summary(news), SENTENCE),
        count: news.rejected.len(),
        by_reason,
        reports: Vec::new(),
        left_out: news.rejected.len(),
        taken: news.recorded.iter().take(TAKEN).map(Source::of).collect(),
        taken_left_out: news.recorded.len().saturating_sub(TAKEN),
        rest: "stationkeep report FILE",
    };
    let mut room = LONGEST_BODY.saturating_sub(envelope.seal(&data).len());
    let most = if news.rejected.len() == 1 { usize::MAX } else { REASONS };
    let (failed, others): (Vec<_>, Vec<_>) = news.rejected.iter().partition(|report| report.failed.is_some());
    for report in failed.into_iter().chain(others) {
        let Some((entry, length)) = RejectedEntry::fitting(report, most, room) else { break };
        room -= length;
        data.reports.push(entry);
        data.left_out -= 1;
    }
    let gists = vec![envelope.gist(&round.terms.fleet, data.summary.clone(), news.rejected.is_empty())];
    Message { webhook: webhook.into(), body: envelope.seal(&data), id: id.clone(), ended: Vec::new(), gists }
}

impl Source {
    fn of(report: &RejectedReport) -> Source {
        Source {
            source: clip(&report.source, PLACE),
            report: report.id.as_deref().map(|id| clip(id, NAME)),
            station: report.station.as_deref().map(|station| clip(station, NAME)),
        }
    }
}

impl RejectedEntry {
    /// As many of its reasons as fit, at most so many, and what the entry adds to a body; `None` where it fits without none.
    fn fitting(report: &RejectedReport, most: usize, room: usize) -> Option<(RejectedEntry, usize)> {
        let all = report.reasons.len();
        let mut entry = RejectedEntry { source: Source::of(report), reasons: Vec::new(), reasons_left_out: all };
        let left = room.checked_sub(length(&entry))?;
        let reasons: Vec<&Finding> = report.reasons.iter().take(most).collect();
        entry.reasons = fitting(&reasons, left);
        entry.reasons_left_out = all - entry.reasons.len();
        let length = length(&entry);
        (length <= room).then_some((entry, length))
    }
}

/// What an entry adds to a body: itself and a comma.
fn length(entry: &RejectedEntry) -> usize {
    json(entry).len() + 1
}

fn summary(news: &RejectedReports) -> String {
    let sentences = [refused_sentence(&news.rejected), taken_sentence(&news.recorded)];
    sentences.into_iter().flatten().collect::<Vec<_>>().join(" ")
}

fn refused_sentence(refused: &[RejectedReport]) -> Option<String> {
    let first = refused.first()?;
    let source = clip(&first.source, PLACE);
    let reason = first.reasons.first().map_or("It could not be read.", |first| first.message.as_str());
    let failed = failed_sentences(refused).map(|failed| failed + " ").unwrap_or_default();
    Some(match refused.len() {
        1 => format!("{failed}A field report{} was rejected ({source}): {reason}", about(first)),
        many => format!(
            "{failed}{} were rejected. First{} ({source}): {reason}",
            plural(many as u64, "field report"),
            about(first)
        ),
    })
}

/// So many of them are told in full, the others by their stations, of which no more are named than this.
const IN_FULL: usize = 3;
const NAMED: usize = 20;

/// Buttons that do not work by reports that do not count: that is said first, the surest before all.
fn failed_sentences(refused: &[RejectedReport]) -> Option<String> {
    let failed = refused.iter().filter_map(|report| Some((report, report.failed.as_ref()?)));
    let mut failed: Vec<(&RejectedReport, &FailedTest)> = failed.collect();
    failed.sort_by_key(|(_, failed)| failed.says);
    let (first, rest) = failed.split_at(failed.len().min(IN_FULL));
    let mut said: Vec<String> = first.iter().map(|(report, failed)| failed_sentence(report, failed)).collect();
    if !rest.is_empty() {
        let mut names: Vec<String> = rest.iter().map(|(report, _)| station(report)).collect();
        names.dedup();
        let more = names.len().saturating_sub(NAMED);
        names.truncate(NAMED);
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        said.push(format!("The same of {}{more}.", names.join(", ")));
    }
    let at = if failed.len() > 1 { " at each" } else { "" };
    (!said.is_empty()).then(|| format!("{} Keep a stand-in{at} until a test call reaches help.", said.join(" ")))
}

fn station(report: &RejectedReport) -> String {
    report.station.as_deref().map_or("A station".into(), |station| clip(station, NAME))
}

fn failed_sentence(report: &RejectedReport, FailedTest { says, by, note }: &FailedTest) -> String {
    let by = by.as_ref().map(|by| format!("by {}", clip(by, NAME)));
    let said: Vec<String> = by.into_iter().chain(note.as_ref().map(|note| clip(note, NOTE))).collect();
    let said = if said.is_empty() { String::new() } else { format!(" ({})", said.join(": ")) };
    let says = match says {
        Says::Failed => "that a test call failed",
        Says::MayHaveFailed => "that may say that a test call failed",
        Says::MayBeDead => "that may say that a button is dead",
    };
    format!("{}: a report {says} was not recorded{said}.", station(report))
}

fn taken_sentence(taken: &[RejectedReport]) -> Option<String> {
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
