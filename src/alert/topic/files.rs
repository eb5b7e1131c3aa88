//! The files, of the inventory and of the configuration: with an error in them they are rejected, and the last good ones stay in
//! use. Every webhook hears of that and of the recovery: while an inventory is rejected, what is wanted of no station can
//! change; while a configuration is, nobody new hears of anything.

use jiff::{SignedDuration, Timestamp};
use serde::Serialize;
use serde_json::Value as Json;

use crate::alert::case::{Before, Condition, Severity};
use crate::alert::cases::Cases;
use crate::alert::clip::{PLACE, SENTENCE, clip};
use crate::alert::event::{Envelope, EventKind, LONGEST_BODY};
use crate::alert::json::json;
use crate::alert::mark::{Mark, MarkHasher};
use crate::alert::pass::{FilesRead, Pass};
use crate::alert::subject::{Announced, Subject, Topic};
use crate::alert::terms::Subscription;
use crate::finding::Finding;
use crate::inventory::Commit;

/// The topic.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Files;

/// What is read and may be rejected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum What {
    Inventory,
    Configuration,
}

impl What {
    fn as_str(self) -> &'static str {
        match self {
            What::Inventory => "inventory",
            What::Configuration => "configuration",
        }
    }
}

/// How it was read.
#[derive(Clone, Copy)]
pub struct Sight<'p> {
    what: What,
    read: FilesRead<'p>,
}

impl<'p> Sight<'p> {
    fn errors(&self) -> Vec<&'p Finding> {
        self.read.findings.iter().filter(|finding| finding.is_error()).collect()
    }
}

impl Topic for Files {
    type Facts = ();
    type Memory = ();
    type Sight<'p> = Sight<'p>;

    const NAME: &'static str = "files";

    /// Where no station is watched it concerns every button; else nobody needs to be woken.
    fn takes(webhook: &Subscription, severity: Severity) -> bool {
        webhook.weights.contains(&severity.weight())
    }

    /// Where no station is watched, as pressing as a lifeline.
    fn interval(webhook: &Subscription, severity: Severity) -> Option<SignedDuration> {
        let pressing = match severity {
            Severity::Critical | Severity::Error => webhook.interval(severity.weight()),
            Severity::Warning | Severity::Info => None,
        };
        pressing.or_else(|| webhook.longest_interval())
    }
}

impl Announced for Files {
    const TITLE: usize = 2;

    fn kind(subject: &Subject<'_, Files>) -> EventKind {
        match subject.sight.what {
            What::Inventory => EventKind("stationkeep.inventory.refused.v1"),
            What::Configuration => EventKind("stationkeep.configuration.refused.v1"),
        }
    }

    fn key(name: &str) -> String {
        name.to_owned()
    }

    fn cause(subject: &Subject<'_, Files>) -> Mark {
        mark(&subject.sight.errors())
    }

    fn about(_subject: &Subject<'_, Files>) -> Option<String> {
        None
    }

    fn body(subject: &Subject<'_, Files>, envelope: &Envelope<'_>, pass: &Pass<'_>) -> String {
        let Sight { what, read } = subject.sight;
        let errors = subject.sight.errors();
        let is_rejected = !errors.is_empty();
        let since: Option<Timestamp> = subject.last().map(|told| told.opened_at).or(is_rejected.then_some(pass.clock));
        let mut data = Data {
            summary: envelope.says(summary(&errors, what, &read)),
            state: if is_rejected { "refused" } else { "recovered" },
            since: since.map(|at| at.to_string()),
            in_force_since: read.good_since.map(|at| at.to_string()),
            commit: read.commit.map(Commit::json),
            in_force_commit: read.in_use.map(Commit::json),
            errors: errors.len(),
            warnings: read.findings.len() - errors.len(),
            findings: Vec::new(),
            left_out: errors.len(),
            rest: "stationkeep check",
        };
        data.findings = fitting(&errors, LONGEST_BODY.saturating_sub(envelope.seal(&data).len()));
        data.left_out -= data.findings.len();
        envelope.seal(&data)
    }
}

/// Whether errors of the inventory and of the configuration were told, and not that they are fixed.
pub fn are_told(cases: &Cases) -> [bool; 2] {
    [What::Inventory, What::Configuration].map(|what| match cases.before::<Files>(what.as_str()) {
        Before::Nothing => false,
        Before::Unreadable => true,
        Before::Case(case) => case.told.is_some() || !case.heard.is_empty(),
    })
}

/// Both, as they were read.
pub fn subjects<'p>(cases: &Cases, pass: &Pass<'p>) -> Vec<Subject<'p, Files>> {
    let both = [(What::Inventory, pass.inventory), (What::Configuration, pass.configuration)];
    both.map(|(what, read)| subject(cases, Sight { what, read })).into()
}

fn subject<'p>(cases: &Cases, sight: Sight<'p>) -> Subject<'p, Files> {
    let errors = sight.errors();
    let is_unwatched = sight.what == What::Inventory && sight.read.good_since.is_none();
    let severity = if is_unwatched { Severity::Error } else { Severity::Warning };
    let now = (!errors.is_empty()).then(|| Condition { severity, mark: mark(&errors), facts: () });
    let name = sight.what.as_str();
    Subject { name: name.into(), before: cases.before::<Files>(name), now, sight }
}

/// A finding as messages show it.
#[derive(Serialize)]
pub struct ToldFinding {
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
struct Data {
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
    findings: Vec<ToldFinding>,
    left_out: usize,
    rest: &'static str,
}

/// "The inventory has an error at fleet.yaml:7:27. Stations are not affected. The last good one stays in use. The number …"
fn summary(errors: &[&Finding], kind: What, read: &FilesRead<'_>) -> String {
    let commit = read.commit.map(|commit| format!(" of commit {commit}")).unwrap_or_default();
    let what = kind.as_str();
    let Some(first) = errors.first() else {
        return format!("The {what}{commit} is valid again and in use.");
    };
    let count = if errors.len() == 1 { "an error".into() } else { format!("{} errors, the first", errors.len()) };
    let in_use_still = match (read.good_since, read.in_use) {
        (Some(_), Some(commit)) => {
            &*format!("Stations are not affected. The last good one, of commit {}, stays in use.", commit.short())
        }
        (Some(_), None) => "Stations are not affected. The last good one stays in use.",
        (None, _) if kind == What::Configuration => "Stations are not affected. The last good one stays in use.",
        (None, _) => "There is no good one to fall back on: no station is watched.",
    };
    let at = clip(&first.place.to_string(), PLACE);
    clip(&format!("The {what}{commit} has {count} at {at}. {in_use_still} {}", first.message), SENTENCE)
}

/// As many as fit into so many bytes, from the first on.
pub fn fitting(findings: &[&Finding], mut room: usize) -> Vec<ToldFinding> {
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

fn shown(finding: &Finding) -> ToldFinding {
    const RELATED: usize = 2;
    let Finding { place, severity: _, code, message, fix, replacement: _, related } = finding;
    let also = related
        .iter()
        .take(RELATED)
        .map(|(place, what)| Also { at: clip(&place.to_string(), PLACE), what: clip(what, PLACE) });
    ToldFinding {
        at: clip(&place.to_string(), PLACE),
        code: code.as_str(),
        message: clip(message, SENTENCE),
        fix: clip(fix, SENTENCE),
        also: also.collect(),
    }
}

/// What stands for findings.
pub fn mark(findings: &[&Finding]) -> Mark {
    let mut hasher = MarkHasher::new();
    for finding in findings {
        hasher.text(&finding.place.to_string()).text(finding.code.as_str()).text(&finding.message);
    }
    hasher.mark()
}
