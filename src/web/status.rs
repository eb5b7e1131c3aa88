//! The status: what the program last said about its passes, its files and its webhooks, for whoever asks meanwhile.
//! Writing to it never waits for a reader. It judges one thing only: whether passes finish as they should.

use std::collections::BTreeSet;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use jiff::Timestamp;
use tokio::sync::watch;

use super::cards::Cards;
use crate::brake::Numbers;
use crate::drift::Totals;
use crate::setting::{Name, Weight};
use crate::store::Store;
use crate::webhook::{PumpState, PumpStatus};

/// Beyond two full passes, the last finished one may be older by this.
const SLACK: Duration = Duration::from_secs(60);

/// A pass that has begun, or has failed and is made again, must finish in this time, or in ten times what the last
/// one took, whichever is longer.
const OWED: Duration = Duration::from_secs(30);
const TIMES_LAST: u32 = 10;

/// The two clocks of the program.
#[derive(Debug, Clone, Copy)]
pub struct Clocks {
    /// Time since some moment before the status was made; never goes back.
    pub steady: fn() -> Duration,
    /// Milliseconds since 1970, as the system shows it.
    pub system_ms: fn() -> i64,
    /// Whether the one that everything goes by is set by hand, for a rehearsal.
    pub is_set_by_hand: bool,
}

/// What a finished pass left to be shown.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct PassStatus {
    /// How many stations stand how.
    pub totals: Totals,
    /// The numbers of the change that waits for its release, where one does.
    pub held: Option<Numbers>,
    /// Stations on record.
    pub on_record: usize,
    /// Open cases that were told, by their weight.
    pub open_cases: Vec<(Weight, u64)>,
    /// Since when the files in force are known to be good.
    pub in_use_since: Option<Timestamp>,
    /// Findings in the files as they are now.
    pub errors: u64,
    /// Findings that are no errors.
    pub warnings: u64,
    /// When the next reminder falls due.
    pub next_reminder: Option<Timestamp>,
    /// Webhooks that had something to deliver for longer than they may, and delivered nothing.
    pub silent: BTreeSet<Name>,
}

/// How passes go, judged at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Health {
    /// How old the last finished pass is; nothing where none has finished.
    pub age: Option<Duration>,
    /// How old it may be.
    pub limit: Duration,
    /// For how long a pass has been owed: begun and not finished, or failed and not yet made again.
    pub owed: Option<Duration>,
    /// How long one may be.
    pub owed_limit: Duration,
    /// Whether the last try of a pass failed.
    pub is_failing: bool,
    /// How long the last finished pass took, and when it ended.
    pub took: Duration,
    /// By the system clock.
    pub finished_at: Option<Timestamp>,
    /// How many finished since the start.
    pub finished: u64,
    /// How many tries failed since the start.
    pub failed: u64,
}

impl Health {
    /// Whether the last finished pass is young enough, and none is owed for too long.
    pub fn is_good(&self) -> bool {
        self.age.is_some_and(|age| age <= self.limit) && self.owed.is_none_or(|owed| owed <= self.owed_limit)
    }
}

/// What is known of passes; times by the steady clock.
#[derive(Debug, Clone, Copy, Default)]
struct Passes {
    full_pass: Duration,
    begun: Option<Duration>,
    owed_since: Option<Duration>,
    ended: Option<Duration>,
    finished_at: Option<Timestamp>,
    took: Duration,
    is_failing: bool,
    finished: u64,
    failed: u64,
}

impl Passes {
    fn judged(&self, now: Duration) -> Health {
        Health {
            age: self.ended.map(|ended| now.saturating_sub(ended)),
            limit: self.full_pass * 2 + SLACK,
            owed: self.owed_since.map(|since| now.saturating_sub(since)),
            owed_limit: OWED.max(self.took * TIMES_LAST),
            is_failing: self.is_failing,
            took: self.took,
            finished_at: self.finished_at,
            finished: self.finished,
            failed: self.failed,
        }
    }
}

/// What a session works with, as far as it is shown.
#[derive(Debug, Clone)]
pub(super) struct Session {
    pub store: Store,
    pub cards: Arc<Cards>,
    pub webhooks: Vec<watch::Receiver<PumpStatus>>,
    /// Those of them that alerts go to.
    pub alerts: Vec<watch::Receiver<PumpStatus>>,
}

impl Session {
    /// Whether every webhook that alerts go to was stopped by its receiver or is one of these, so that nobody is told of
    /// anything.
    fn is_silent(&self, silent: &BTreeSet<Name>) -> bool {
        let is_one = |status: &PumpStatus| status.state == PumpState::Gone || silent.contains(&*status.webhook);
        !self.alerts.is_empty() && self.alerts.iter().all(|status| is_one(&status.borrow()))
    }
}

#[derive(Debug, Default)]
struct Inner {
    passes: Passes,
    shown: Option<Arc<PassStatus>>,
    session: Option<Session>,
    configuration_rejected: bool,
    files_polled: bool,
}

/// The status itself; shared by those who write and those who read.
#[derive(Debug)]
pub struct Status {
    clocks: Clocks,
    inner: Mutex<Inner>,
}

impl Status {
    /// A status on which no pass has been noted yet.
    pub fn new(clocks: Clocks) -> Status {
        Status { clocks, inner: Mutex::default() }
    }

    fn inner(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A session begins: full passes are so far apart, this is its ledger, from this its cards are shown. Its webhooks
    /// follow.
    pub fn open(&self, full_pass: Duration, store: Store, cards: Cards) {
        let mut inner = self.inner();
        inner.passes.full_pass = full_pass;
        inner.session = Some(Session { store, cards: Arc::new(cards), webhooks: Vec::new(), alerts: Vec::new() });
    }

    /// The webhooks of the session, each with its status from now on; `alerts`: those of them that alerts go to.
    pub fn set_webhooks(&self, webhooks: Vec<watch::Receiver<PumpStatus>>, alerts: Vec<watch::Receiver<PumpStatus>>) {
        if let Some(session) = &mut self.inner().session {
            (session.webhooks, session.alerts) = (webhooks, alerts);
        }
    }

    /// Whether the configuration as it is now cannot be used.
    pub fn set_configuration_rejected(&self, rejected: bool) {
        self.inner().configuration_rejected = rejected;
    }

    /// Whether the files are looked at every few seconds, since the system gives no word of all that changes.
    pub fn set_files_polled(&self, polled: bool) {
        self.inner().files_polled = polled;
    }

    /// A pass begins, or one that failed begins anew.
    pub fn begin(&self) {
        let now = (self.clocks.steady)();
        let mut inner = self.inner();
        inner.passes.begun = Some(now);
        inner.passes.owed_since.get_or_insert(now);
    }

    /// The pass that was begun failed. It is owed until one finishes.
    pub fn fail(&self) {
        let mut inner = self.inner();
        inner.passes.is_failing = true;
        inner.passes.failed += 1;
    }

    /// The pass that was begun has finished: looked at everything, and what there was to tell is written.
    pub fn finish(&self, shown: PassStatus) {
        let now = (self.clocks.steady)();
        let at = Timestamp::from_millisecond((self.clocks.system_ms)()).ok();
        let mut inner = self.inner();
        let begun = inner.passes.begun.unwrap_or(now);
        inner.passes = Passes {
            took: now.saturating_sub(begun),
            owed_since: None,
            ended: Some(now),
            finished_at: at,
            is_failing: false,
            finished: inner.passes.finished + 1,
            ..inner.passes
        };
        inner.shown = Some(Arc::new(shown));
    }

    /// How passes go at this moment.
    pub fn health(&self) -> Health {
        let now = (self.clocks.steady)();
        self.inner().passes.judged(now)
    }

    /// Whether the last pass went by an inventory: without one no station is watched.
    pub fn is_watching(&self) -> bool {
        self.inner().shown.as_ref().is_some_and(|shown| shown.in_use_since.is_some())
    }

    /// The clocks it goes by.
    pub fn clocks(&self) -> Clocks {
        self.clocks
    }

    /// Whether every webhook that alerts go to was stopped by its receiver or is silent: nobody is told of anything.
    pub fn is_silent(&self) -> bool {
        let inner = self.inner();
        let none = BTreeSet::new();
        let silent = inner.shown.as_ref().map_or(&none, |shown| &shown.silent);
        inner.session.as_ref().is_some_and(|session| session.is_silent(silent))
    }

    pub(super) fn shown(&self) -> Option<Arc<PassStatus>> {
        self.inner().shown.clone()
    }

    pub(super) fn session(&self) -> Option<Session> {
        self.inner().session.clone()
    }

    pub(super) fn is_configuration_rejected(&self) -> bool {
        self.inner().configuration_rejected
    }

    pub(super) fn are_files_polled(&self) -> bool {
        self.inner().files_polled
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const fn s(seconds: u64) -> Duration {
        Duration::from_secs(seconds)
    }

    fn passes() -> Passes {
        Passes { full_pass: s(900), ended: Some(s(1_000)), took: s(1), ..Passes::default() }
    }

    #[test]
    fn no_pass_yet_is_no_health() {
        assert!(!Passes { full_pass: s(900), ..Passes::default() }.judged(s(0)).is_good());
    }

    #[test]
    fn a_pass_may_be_two_full_passes_and_a_minute_old_and_no_older() {
        let passes = passes();
        assert!(passes.judged(s(1_000 + 1_860)).is_good());
        assert!(!passes.judged(s(1_000 + 1_861)).is_good());
        assert_eq!(passes.judged(s(1_007)).age, Some(s(7)));
    }

    #[test]
    fn a_pass_that_hangs_or_fails_is_noticed_long_before_that() {
        let owed = Passes { owed_since: Some(s(1_100)), ..passes() };
        assert!(owed.judged(s(1_130)).is_good());
        assert!(!owed.judged(s(1_131)).is_good());
        let slow = Passes { took: s(12), ..owed };
        assert!(slow.judged(s(1_220)).is_good(), "a big fleet has ten times what it took");
        assert!(!slow.judged(s(1_221)).is_good());
    }
}
