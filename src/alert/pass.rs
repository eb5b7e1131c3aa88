//! What a pass found and why it was made: everything that the topics look at. Plain values; nothing is decided here.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::sync::Arc;

use jiff::Timestamp;
use uuid::Uuid;

use super::case::Severity;
use crate::brake::{Held, Limit, Tally};
use crate::drift::StationDrift;
use crate::finding::Finding;
use crate::inventory::{Commit, Contact};
use crate::ledger::{Decisions, Digest};
use crate::script;
use crate::setting::Name;

/// What a pass found.
#[derive(Debug, Clone, Copy)]
pub struct Pass<'a> {
    /// Every station of the inventory, aligned ones too, sorted by name; one that is as it was is the very same `Arc`.
    /// Without any nothing is decided about stations: an empty inventory is an error, never the withdrawal of all.
    pub stations: &'a [Arc<StationDrift>],
    /// Webhooks for which messages wait: what was told last has not reached them, so that no reminder is due.
    pub waiting: &'a BTreeSet<Name>,
    /// The inventory's contacts, to name the line that a dial string comes from.
    pub contacts: &'a BTreeMap<Name, Contact>,
    /// What happened since the last written pass.
    pub cause: &'a Cause,
    /// What to do about each station that drifts.
    pub work: Work<'a>,
    /// The commit in use, where the inventory is read from a repository.
    pub commit: Option<&'a Commit>,
    /// What people decided; `None` where the ledger was not read yet.
    pub decisions: Option<&'a Decisions>,
    /// How many lifelines would change, and what is held.
    pub brake: Brake<'a>,
    /// The scripts that are to be called back.
    pub to_call_back: ToCallBack<'a>,
    /// How the files were read.
    pub inventory: FilesRead<'a>,
    /// How the configuration was read.
    pub configuration: FilesRead<'a>,
    /// Reports rejected since the last telling.
    pub rejected: &'a RejectedReports,
    /// The webhooks whose receivers want no more.
    pub stopped: &'a BTreeMap<Name, Stopped>,
    /// Messages that their receivers would not take since the last telling, in their order.
    pub refused: &'a [Refused],
    /// The webhooks whose receivers have taken no whole message since they refused one.
    pub refusing: &'a BTreeMap<Name, Refusing>,
    /// The webhooks that had something to deliver for too long and delivered nothing.
    pub silent: &'a BTreeMap<Name, Silent>,
    /// Where the daemon's pages are; `None` where nobody asks for any.
    pub pages: Option<&'a Pages>,
    /// Whether everything was looked at, as is done regularly.
    pub is_full: bool,
    /// The last entry of the ledger that is known.
    pub ledger_seq: i64,
    /// Now. Every age goes by it.
    pub clock: Timestamp,
}

/// What happened since the pass that was last written. A pass knows no edits, so the lines of the inventory after which
/// stations drift are worked out from the drift itself.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Cause {
    /// The first pass after a start.
    pub started: bool,
    /// Files that changed (inventory, keybooks, configuration), as the user knows them.
    pub files: Vec<Name>,
    /// Reports recorded, whatever they changed. Those since the last written pass, across a restart too.
    pub reports: Vec<ReportTaken>,
    /// The commit that came into use, where the inventory is read from a repository.
    pub commit: Option<NewCommit>,
}

impl Cause {
    /// Adds files that changed and a commit that came into use since.
    pub fn add(&mut self, files: impl IntoIterator<Item = Name>, commit: Option<NewCommit>) {
        self.files.extend(files);
        self.files.sort();
        self.files.dedup();
        if let Some(new) = commit {
            let earlier = self.commit.take();
            let is_rewritten = new.is_rewritten || earlier.as_ref().is_some_and(|earlier| earlier.is_rewritten);
            let before = earlier.map_or(new.before, |earlier| earlier.before);
            self.commit = Some(NewCommit { commit: new.commit, before, is_rewritten });
        }
    }
}

/// A commit that came into use.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewCommit {
    /// The one in use now.
    pub commit: Arc<Commit>,
    /// The one in use before, if there was one.
    pub before: Option<Arc<Commit>>,
    /// Whether the one before is not in its history: someone has pushed by force, or the ref was set elsewhere.
    pub is_rewritten: bool,
}

/// A report that entered the ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReportTaken {
    /// The report's own id.
    pub id: Uuid,
    /// The station that it is about.
    pub station: Name,
    /// The technician, by the name used in the ledger.
    pub by: Name,
}

/// What a drifting station needs next.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Next {
    /// Keying, which takes so much.
    Key(script::Work),
    /// A test call, or overdue settings to key again.
    Test,
    /// The fault of a button whose last test call failed, where nothing is to be keyed.
    Repair,
    /// Keying for which there is no script.
    NoScript,
    /// Nothing to key before the change is released that it is part of. The fault of a button whose last test call failed
    /// can be found all the same.
    Held {
        /// The command that releases it.
        release: String,
        /// Whether there is such a button.
        to_repair: bool,
    },
    /// What makes a button call nobody, and that no script changes before people decide otherwise.
    Decide(script::Undecided),
    /// Nothing while someone, who is named, is keying it.
    Await(Name),
}

/// Says what stations of the pass need next. It is asked only about stations that are told of.
#[derive(Clone, Copy)]
pub struct Work<'a> {
    /// What each of these needs, in their order: there may be as many as the fleet has.
    pub next: &'a dyn Fn(&[&Name]) -> Vec<Next>,
    /// The digest of the script of one that is to be keyed; asked of those that are shown.
    pub digest: &'a dyn Fn(&Name) -> Option<Digest>,
    /// Whether there is a way back for one; asked of those that are shown and where a button calls nobody.
    pub has_way_back: &'a dyn Fn(&Name) -> bool,
}

impl fmt::Debug for Work<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Work")
    }
}

/// How the brake sees the fleet.
#[derive(Clone, Copy)]
pub struct Brake<'a> {
    /// The change that waits for its release.
    pub held: Option<&'a Held>,
    /// How many stations are altered, held or not.
    pub tally: Tally,
    /// How many may be.
    pub limit: &'a Limit,
    /// The digest that a change of what is wanted now has, or would have. It is asked only where a hold is over.
    pub wanted: &'a dyn Fn() -> Digest,
}

impl fmt::Debug for Brake<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Brake")
    }
}

/// Says which script of a station is to be called back. It is asked only about stations that are told of.
#[derive(Clone, Copy)]
pub struct ToCallBack<'a>(pub &'a dyn Fn(&Name) -> Option<ScriptToCallBack>);

impl fmt::Debug for ToCallBack<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("ToCallBack")
    }
}

/// A script that is handed out that leads to what is no longer wanted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ScriptToCallBack {
    /// What is printed on its card.
    pub script: Digest,
    /// When it was last handed out.
    pub at: Timestamp,
}

/// How an inventory or a configuration was read.
#[derive(Debug, Clone, Copy, Default)]
pub struct FilesRead<'a> {
    /// Without an error among them it is good.
    pub findings: &'a [Finding],
    /// Since when the one that is in use is known to be good; `None` where there is no inventory.
    pub good_since: Option<Timestamp>,
    /// The commit that was read, where the inventory is read from a repository that could be read.
    pub commit: Option<&'a Commit>,
    /// The commit that the inventory in use is from.
    pub in_use: Option<&'a Commit>,
}

/// A report that did not enter the ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RejectedReport {
    /// The file it was in, or who sent it.
    pub source: String,
    /// A digest of its content: the same content is told of once.
    pub content: String,
    /// Its id and station as far as they could be read.
    pub id: Option<String>,
    /// The station that it names, as far as it could be read.
    pub station: Option<String>,
    /// When it was rejected.
    pub at: Timestamp,
    /// At least one; the first is shown where there is room for one only.
    pub reasons: Vec<Finding>,
    /// What it says, or may say, of a test call that failed, as far as it could be read.
    pub failed: Option<FailedTest>,
}

impl RejectedReport {
    /// The name of its case, where it has one, by which people and commands know it too: 16 digits.
    pub fn case(&self) -> Name {
        self.content.get(..16).unwrap_or(&self.content).into()
    }
}

/// How surely a rejected report says that a button does not work, the surest first.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Says {
    /// That a test call failed, in so many words.
    Failed,
    /// What may be meant so.
    #[default]
    MayHaveFailed,
    /// Something of what a button needs to call someone.
    MayBeDead,
}

impl Says {
    /// The surest first.
    pub const ALL: [Says; 3] = [Says::Failed, Says::MayHaveFailed, Says::MayBeDead];

    /// The word it is kept in.
    pub fn as_str(self) -> &'static str {
        match self {
            Says::Failed => "failed",
            Says::MayHaveFailed => "may-have-failed",
            Says::MayBeDead => "may-be-dead",
        }
    }

    /// What follows "a report".
    pub fn clause(self) -> &'static str {
        match self {
            Says::Failed => "that a test call failed",
            Says::MayHaveFailed => "that may say that a test call failed",
            Says::MayBeDead => "that may say that a button is dead",
        }
    }
}

/// A test call that did not reach help, or may not have, by a report that was rejected.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct FailedTest {
    /// How surely it says so.
    pub says: Says,
    /// Who made it.
    pub by: Option<Name>,
    /// What they noted, in one line. Never a code.
    pub note: Option<Name>,
    /// When it was, as far as that could be read.
    pub at: Option<Timestamp>,
    /// The lifelines that it says so of, as far as they could be read; they may be none of the station's.
    pub lifelines: BTreeSet<Name>,
    /// The settings by which buttons call someone or nobody of which it says something.
    pub settings: BTreeSet<Name>,
}

/// Why nobody needs to send a rejected report again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Over {
    /// A report of its id is on record.
    Recorded,
    /// Another report, not older, says how the button is.
    Answered,
    /// Someone says so.
    Settled {
        /// Who.
        by: Name,
    },
}

impl Over {
    /// The word used in messages.
    pub fn as_str(&self) -> &'static str {
        match self {
            Over::Recorded => "recorded",
            Over::Answered => "answered",
            Over::Settled { .. } => "settled",
        }
    }
}

/// What there is to tell of rejected reports.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct RejectedReports {
    /// Rejected since the last telling.
    pub rejected: Vec<RejectedReport>,
    /// Told as rejected before; a report of the same id is on record since.
    pub recorded: Vec<RejectedReport>,
    /// Those that say that a button does not work, new or told before, and that nobody needs to send again: by their cases.
    pub over: BTreeMap<Name, Over>,
    /// The number of the last one of all that were looked at.
    pub last: i64,
}

/// A message that was set aside because its receiver would not take it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refused {
    /// Counts upwards.
    pub seq: i64,
    /// The webhook.
    pub webhook: Name,
    /// The id of the message.
    pub message: String,
    /// What its receiver said.
    pub said: String,
    /// By the system's clock.
    pub at: Timestamp,
    /// Whether nothing was sent in its place: no alert arrived there.
    pub is_closed: bool,
    /// The keys of cases that it says are over, where nobody heard it.
    pub ended: Vec<String>,
    /// What it says first.
    pub title: String,
    /// How urgent that is.
    pub severity: Severity,
}

/// A webhook whose receiver has taken no whole message since it refused one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusing {
    /// When it refused the first, by the system's clock.
    pub since: Timestamp,
    /// Whether it took not even the short form of one.
    pub is_closed: bool,
}

/// A webhook that has something to deliver and delivers nothing, for longer than it may.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Silent {
    /// By the system's clock, as deliveries go.
    pub since: Timestamp,
    /// How many messages wait for it.
    pub waiting: u64,
}

/// A webhook that gets no more messages.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stopped {
    /// When its receiver said so.
    pub since: Timestamp,
    /// As much of its address as may be shown.
    pub address: String,
    /// The id of the message that was answered so.
    pub message: String,
}

/// Where the daemon's pages and probes are.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pages {
    /// The machine's name.
    pub host: Name,
    /// The address that is to be listened on, with its port.
    pub address: Name,
    /// Why it is not, where it has not been for too long.
    pub unreachable: Option<Unreachable>,
}

/// Why an address is not listened on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unreachable {
    /// Since when.
    pub since: Timestamp,
    /// In a few words.
    pub because: Name,
}
