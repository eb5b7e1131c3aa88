//! The address of the daemon's pages and probes: told once the daemon has not been able to listen there for a while, because
//! another program does or the system forbids it. The fleet is watched all the same. A daemon speaks of its own machine alone:
//! another one with the same ledger listens elsewhere.

use std::collections::BTreeSet;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::alert::case::{Before, Condition, Severity};
use crate::alert::cases::Cases;
use crate::alert::clip::{NAME, SENTENCE, clip};
use crate::alert::event::{Envelope, EventKind};
use crate::alert::kept;
use crate::alert::mark::{Mark, MarkHasher};
use crate::alert::pass::{Pages, Pass, Unreachable};
use crate::alert::subject::{Announced, Subject, Topic};
use crate::setting::Name;

/// The topic.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Listening;

/// What is remembered of an address that could not be listened on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Facts {
    #[serde(with = "kept")]
    pub since: Timestamp,
}

impl Topic for Listening {
    type Facts = Facts;
    type Memory = ();
    type Sight<'p> = Option<&'p Unreachable>;

    const NAME: &'static str = "pages";
}

#[derive(Serialize)]
struct Data {
    summary: String,
    /// `unreachable` or `reachable`.
    state: &'static str,
    /// The machine and the address.
    pages: String,
    /// Since when they are, or were, unreachable.
    since: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    fix: Option<String>,
}

impl Announced for Listening {
    fn kind(_subject: &Subject<'_, Listening>) -> EventKind {
        EventKind("stationkeep.pages.v1")
    }

    fn key(name: &str) -> String {
        format!("pages {name}")
    }

    fn cause(subject: &Subject<'_, Listening>) -> Mark {
        mark(&subject.name, subject.sight.is_none())
    }

    fn about(_subject: &Subject<'_, Listening>) -> Option<String> {
        None
    }

    fn body(subject: &Subject<'_, Listening>, envelope: &Envelope<'_>, pass: &Pass<'_>) -> String {
        let pages = clip(&subject.name, NAME);
        let summary = match subject.sight {
            None => format!("Cards and pages at {pages} open again, or are no longer asked for there."),
            Some(unreachable) => format!(
                "No card opens and no report arrives at {pages}: {}. Stations are watched and alerts are sent all the same.",
                unreachable.because
            ),
        };
        let fix = subject.sight.map(|_| {
            "Stop the other program, or write another address at \"listen\" in the configuration. The daemon keeps trying."
        });
        envelope.seal(&Data {
            summary: clip(&summary, SENTENCE),
            state: if subject.sight.is_some() { "unreachable" } else { "reachable" },
            pages,
            since: since(subject).unwrap_or(pass.clock).to_string(),
            fix: fix.map(str::to_owned),
        })
    }
}

/// The name of its subject: the machine, and the address there.
fn name_of(pages: &Pages) -> Name {
    format!("{} {}", pages.host, pages.address).into()
}

/// Whether it was told that nothing is to be reached there, and not that it is over.
pub fn is_told(cases: &Cases, pages: &Pages) -> bool {
    cases.before::<Listening>(&name_of(pages)) != Before::Nothing
}

/// The address of this daemon, and those that it had before on this machine.
pub fn subjects<'p>(cases: &Cases, pages: Option<&'p Pages>) -> Vec<Subject<'p, Listening>> {
    let Some(pages) = pages else { return Vec::new() };
    let own = name_of(pages);
    let is_here = |name: &Name| name.strip_prefix(&*pages.host).is_some_and(|rest| rest.starts_with(' '));
    let names: BTreeSet<Name> = cases.names::<Listening>().filter(is_here).chain([own.clone()]).collect();
    let subject = |name: Name| {
        let before = cases.before::<Listening>(&name);
        let sight = pages.unreachable.as_ref().filter(|_| name == own);
        let now = sight.map(|unreachable| {
            // A daemon that is started again and cannot listen either is no news.
            let told = before.case().and_then(|case| case.open()).map(|told| told.condition.facts.since);
            let facts = Facts { since: told.unwrap_or(unreachable.since) };
            Condition { severity: Severity::Warning, mark: mark(&name, false), facts }
        });
        Subject { name, before, now, sight }
    };
    names.into_iter().map(subject).collect()
}

/// Since when it is so, or was.
fn since(subject: &Subject<'_, Listening>) -> Option<Timestamp> {
    let told = || subject.last().map(|told| told.condition.facts.since);
    subject.now.as_ref().map(|now| now.facts.since).or_else(told)
}

fn mark(name: &Name, is_over: bool) -> Mark {
    let mut hasher = MarkHasher::new();
    hasher.text("pages").text(name).text(if is_over { "over" } else { "stands" });
    hasher.mark()
}
