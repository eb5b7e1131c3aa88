//! Messages about an inventory or a configuration that was refused, and its recovery. Every webhook hears of both: while an
//! inventory is refused, what is wanted of no station can change; while a configuration is, nobody new hears of anything.

use std::collections::{BTreeMap, BTreeSet};

use jiff::{SignedDuration, Timestamp};
use serde::Serialize;
use serde_json::Value as Json;

use super::clip::{PLACE, SENTENCE, clip};
use super::decide::interval;
use super::event::{Envelope, Kind, LONGEST_BODY, Message, json};
use super::mark::{Inking, Mark, Thread};
use super::told::{Heard, fresh};
use super::{Subscription, Terms};
use crate::finding::Finding;
use crate::inventory::Commit;
use crate::setting::{Name, Weight};

/// What is read and may be refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum What {
    Inventory,
    Configuration,
}

impl What {
    fn kind(self) -> Kind {
        match self {
            What::Inventory => Kind::InventoryRefused,
            What::Configuration => Kind::ConfigurationRefused,
        }
    }

    fn as_str(self) -> &'static str {
        match self {
            What::Inventory => "inventory",
            What::Configuration => "configuration",
        }
    }
}

/// What was told of a refused inventory or configuration; kept until every webhook that heard of it heard of the recovery.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FilesRefused {
    /// When the first telling of it was; `None` where the record of it could not be read.
    pub since: Option<Timestamp>,
    pub(super) heard: BTreeMap<Name, Heard>,
}

/// What to tell of what was read; to be written in one transaction.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FilesVerdict {
    pub refused: Option<FilesRefused>,
    pub messages: Vec<Message>,
    pub thread: Thread,
}

/// How an inventory or a configuration was read.
#[derive(Debug, Clone, Copy)]
pub struct FilesRead<'a> {
    pub what: What,
    /// Without an error among them it is good.
    pub findings: &'a [Finding],
    /// Since when the one that is in force is known to be good; `None` where there is no inventory.
    pub in_force_since: Option<Timestamp>,
    /// Webhooks for which messages wait: no reminder is due to them.
    pub waiting: &'a BTreeSet<Name>,
    /// The commit that was read, where the inventory is read from a repository that could be read.
    pub commit: Option<&'a Commit>,
    /// The commit that the inventory in force is from.
    pub in_force: Option<&'a Commit>,
    pub clock: Timestamp,
}

/// A finding as messages show it.
#[derive(Serialize)]
pub(super) struct Told {
    at: String,
    code: &'static str,
    message: String,
    fix: String,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    also: Vec<Also>,
}

#[derive(Serialize)]
struct Also {
    at: String,
    what: String,
}

#[derive(Serialize)]
struct InventoryData {
    summary: String,
    /// `refused` or `recovered`.
    state: &'static str,
    /// Since when it is, or was, refused.
    since: Option<String>,
    in_force_since: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    commit: Option<Json>,
    #[serde(skip_serializing_if = "Option::is_none")]
    in_force_commit: Option<Json>,
    errors: usize,
    warnings: usize,
    /// The errors, in the order of the files.
    findings: Vec<Told>,
    left_out: usize,
    rest: &'static str,
}

/// Decides what to tell of an inventory or a configuration that was just read: refused (or refused for other reasons), a
/// reminder at the longest of a webhook's intervals (where no station is watched, at that for lifelines), recovered. The same
/// input gives the same verdict.
pub fn files(before: Option<&FilesRefused>, thread: &Thread, read: &FilesRead<'_>, terms: &Terms) -> FilesVerdict {
    let errors: Vec<&Finding> = read.findings.iter().filter(|finding| finding.is_error()).collect();
    let mark = mark(&errors);
    let mut heard: BTreeMap<Name, Heard> = before.map(|before| before.heard.clone()).unwrap_or_default();
    let present = |name: &Name| terms.webhooks.iter().any(|webhook| webhook.name == *name);
    heard.retain(|name, heard| present(name) || fresh(heard.at, read.clock));
    let unreadable = before.is_some_and(|before| before.since.is_none());
    let since = before.and_then(|before| before.since);
    let mut verdict = FilesVerdict { refused: None, messages: Vec::new(), thread: thread.clone() };
    for webhook in &terms.webhooks {
        let last = heard.get(&webhook.name);
        let tell = match (errors.is_empty(), last) {
            (true, last) => last.is_some() || unreadable,
            (false, None) => true,
            (false, Some(last)) => last.mark != mark || is_due_of(webhook, last, read),
        };
        if errors.is_empty() {
            heard.remove(&webhook.name);
        } else if tell {
            heard.insert(webhook.name.clone(), Heard { at: read.clock, mark: mark.clone() });
        }
        if tell {
            verdict.messages.push(inventory_message(webhook, read, &errors, since, thread, terms));
        }
    }
    verdict.thread = thread.after(verdict.messages.iter().map(|message| &*message.id));
    let over = errors.is_empty() && heard.is_empty();
    verdict.refused = (!over).then(|| FilesRefused { since: Some(since.unwrap_or(read.clock)), heard });
    verdict
}

/// Whether a webhook is to be reminded of a refusal.
fn is_due_of(webhook: &Subscription, last: &Heard, read: &FilesRead<'_>) -> bool {
    let is_unwatched = read.what == What::Inventory && read.in_force_since.is_none();
    let pressing = interval(webhook, Weight::Lifeline).filter(|_| is_unwatched);
    let is_due = match pressing {
        Some(interval) => read.clock.duration_since(last.at).abs() >= interval,
        None => is_due(webhook, last, read.clock),
    };
    is_due && !read.waiting.contains(&webhook.name)
}

/// Whether what a webhook last heard is to be told again: at the longest of its intervals.
pub(super) fn is_due(webhook: &Subscription, last: &Heard, clock: Timestamp) -> bool {
    let minutes = webhook.remind_minutes.values().copied().max().filter(|minutes| *minutes > 0);
    minutes.is_some_and(|minutes| clock.duration_since(last.at).abs() >= SignedDuration::from_mins(minutes.into()))
}

fn inventory_message(
    webhook: &Subscription,
    read: &FilesRead<'_>,
    errors: &[&Finding],
    since: Option<Timestamp>,
    thread: &Thread,
    terms: &Terms,
) -> Message {
    let kind = read.what.kind();
    let id = thread.id(kind.as_str(), &webhook.name, &mark(errors));
    let envelope = Envelope { id: &id, source: &terms.source, kind, subject: None, time: read.clock };
    let refused = !errors.is_empty();
    let since = since.or(refused.then_some(read.clock));
    let mut data = InventoryData {
        summary: inventory_summary(errors, read),
        state: if refused { "refused" } else { "recovered" },
        since: since.map(|at| at.to_string()),
        in_force_since: read.in_force_since.map(|at| at.to_string()),
        commit: read.commit.map(Commit::json),
        in_force_commit: read.in_force.map(Commit::json),
        errors: errors.len(),
        warnings: read.findings.len() - errors.len(),
        findings: Vec::new(),
        left_out: errors.len(),
        rest: "stationkeep check",
    };
    data.findings = fitting(errors, LONGEST_BODY.saturating_sub(envelope.seal(&data).len()));
    data.left_out -= data.findings.len();
    Message { webhook: webhook.name.clone(), body: envelope.seal(&data), id: id.clone() }
}

fn inventory_summary(errors: &[&Finding], read: &FilesRead<'_>) -> String {
    let commit = read.commit.map(|commit| format!(" of commit {commit}")).unwrap_or_default();
    let what = read.what.as_str();
    let Some(first) = errors.first() else {
        return format!("The {what}{commit} can be read again and is in force.");
    };
    let count = if errors.len() == 1 { "1 error".into() } else { format!("{} errors", errors.len()) };
    let in_force = match (read.in_force_since, read.in_force) {
        (Some(_), Some(commit)) => &*format!("The last good one, of commit {}, stays in force.", commit.short()),
        (Some(_), None) => "The last good one stays in force.",
        (None, _) if read.what == What::Configuration => "The last good one stays in force.",
        (None, _) => "There is no good one to fall back on: no station is watched.",
    };
    let at = clip(&first.place.to_string(), PLACE);
    clip(&format!("The {what}{commit} is refused: {count}. {in_force} First: {at}: {}", first.message), SENTENCE)
}

/// As many as fit into so many bytes, from the first on.
pub(super) fn fitting(findings: &[&Finding], mut room: usize) -> Vec<Told> {
    let mut told = Vec::new();
    for finding in findings {
        let one = shown(finding);
        let length = json(&one).len() + 1;
        if length > room {
            break;
        }
        room -= length;
        told.push(one);
    }
    told
}

fn shown(finding: &Finding) -> Told {
    const RELATED: usize = 2;
    let Finding { place, severity: _, code, message, fix, replacement: _, related } = finding;
    let also = related
        .iter()
        .take(RELATED)
        .map(|(place, what)| Also { at: clip(&place.to_string(), PLACE), what: clip(what, PLACE) });
    Told {
        at: clip(&place.to_string(), PLACE),
        code: code.as_str(),
        message: clip(message, SENTENCE),
        fix: clip(fix, SENTENCE),
        also: also.collect(),
    }
}

pub(super) fn mark(findings: &[&Finding]) -> Mark {
    let mut ink = Inking::new();
    for finding in findings {
        ink.text(&finding.place.to_string()).text(finding.code.as_str()).text(&finding.message);
    }
    ink.mark()
}
