//! One task a webhook: takes what is due from the head of its queue, sends it, records what became of it, goes on.
//! It never sends a message before the one ahead of it is delivered and recorded so, or set aside because its receiver will
//! not take it, and never drops one. The outbox
//! is its only memory: a nudge only says "look now", and a killed pump sends again, under the same id, the one message
//! whose try was not recorded.

use std::sync::Arc;
use std::time::{Duration, Instant};

use jiff::Timestamp;
use tokio::sync::{Notify, watch};
use tokio::time::sleep;
use tokio_util::sync::CancellationToken;

use super::retry::{refused_wait_ms, wait_ms};
use super::send::{Attempt, Message, Sender, shown_address};
use super::target::Target;
use crate::store::{Lasting, Refusal, Store, StoreError, Try, Waiting};

/// An idle pump looks again after this long, whether nudged or not.
const LOOK_AGAIN: Duration = Duration::from_secs(30);

/// After the store failed (disk full, database away) it is asked again after this long.
const STORE_PAUSE: Duration = Duration::from_secs(2);

/// A try in flight when the pump is told to stop gets this long to end; then it is abandoned.
const GRACE: Duration = Duration::from_secs(3);

/// Messages read from the outbox at once, and the longest that sending them goes on before the outbox is read again.
/// The last record of such a burst waits for the disk, those before it do not: so a power cut repeats at most a burst,
/// and the end of this process, however it comes, the one message in flight.
const BURST: i64 = 16;
const LONGEST_BURST: Duration = Duration::from_millis(50);

/// What a pump is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PumpState {
    /// Nothing waits.
    Idle,
    /// A try is under way.
    Sending,
    /// The head of the queue is tried again.
    Waiting {
        /// When, in milliseconds since 1970.
        until_ms: i64,
    },
    /// The store failed; it is asked again soon.
    StoreFailed,
    /// The receiver answered 410. Nothing is sent until someone starts it again, or the program; messages are kept.
    Gone,
    /// Told to stop.
    Stopped,
}

impl PumpState {
    /// Every word of [`PumpState::as_str`].
    pub const WORDS: [&str; 6] = ["idle", "sending", "waiting", "store-failed", "gone", "stopped"];

    /// One word for metrics and pages.
    pub fn as_str(self) -> &'static str {
        match self {
            PumpState::Idle => "idle",
            PumpState::Sending => "sending",
            PumpState::Waiting { .. } => "waiting",
            PumpState::StoreFailed => "store-failed",
            PumpState::Gone => "gone",
            PumpState::Stopped => "stopped",
        }
    }
}

/// What a page can show of a webhook.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PumpStatus {
    /// Its name.
    pub webhook: String,
    /// Scheme, host and port only.
    pub address: String,
    /// What the pump is doing.
    pub state: PumpState,
    /// In milliseconds since 1970.
    pub last_try_ms: Option<i64>,
    /// In milliseconds since 1970.
    pub last_delivered_ms: Option<i64>,
    /// What the newest failure was; `None` once a message is delivered.
    pub last_error: Option<String>,
    /// Messages waiting, counted when the pump last came to rest or a try failed.
    pub waiting: i64,
    /// Tries so far.
    pub tries: u64,
    /// How many of them delivered a message.
    pub delivered: u64,
    /// Messages set aside because the receiver will not take them.
    pub refused: u64,
}

impl PumpStatus {
    /// Of a webhook at an address, before the first try.
    pub fn new(webhook: &str, url: &str) -> PumpStatus {
        PumpStatus {
            webhook: webhook.to_owned(),
            address: shown_address(url),
            state: PumpState::Idle,
            last_try_ms: None,
            last_delivered_ms: None,
            last_error: None,
            waiting: 0,
            tries: 0,
            delivered: 0,
            refused: 0,
        }
    }

    /// Takes in what became of a try.
    pub fn tried(&mut self, error: Option<String>, now_ms: i64) {
        self.tries += 1;
        self.last_try_ms = Some(now_ms);
        if error.is_none() {
            self.delivered += 1;
            self.last_delivered_ms = Some(now_ms);
        }
        self.last_error = error;
    }
}

/// Why a pump ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ended {
    /// It was told to.
    Cancelled,
    /// The receiver answered 410.
    Gone {
        /// Of the message that it answered so.
        id: String,
    },
}

/// Delivers one webhook's messages. `clock` gives milliseconds since 1970, `random` a number from 0 to 1.
#[derive(Debug)]
pub struct Pump {
    store: Store,
    sender: Arc<Sender>,
    target: Target,
    clock: fn() -> i64,
    random: fn() -> f64,
    status: watch::Sender<PumpStatus>,
    /// When the last try failed, by a clock that nobody sets, and by `clock`.
    failed: Option<(Instant, i64)>,
}

impl Pump {
    /// A pump that has not begun. `clock` and `random` are as [`Pump`] says.
    pub fn new(store: Store, sender: Arc<Sender>, target: Target, clock: fn() -> i64, random: fn() -> f64) -> Self {
        let (status, _) = watch::channel(PumpStatus::new(&target.webhook, &target.url));
        Self { store, sender, target, clock, random, status, failed: None }
    }

    /// What the pump is doing, now and from now on; outlives the pump.
    pub fn status(&self) -> watch::Receiver<PumpStatus> {
        self.status.subscribe()
    }

    /// Runs until `cancel`, or until the receiver answers 410. After each commit that may have added a message call
    /// `notify_one` on `nudge` (each pump has its own; `notify_waiters` would be lost on a pump that is busy).
    pub async fn run(mut self, nudge: Arc<Notify>, cancel: CancellationToken) -> Ended {
        while !cancel.is_cancelled() {
            let turn = match self.turn(&cancel).await {
                Ok(turn) => turn,
                Err(error) => self.store_failed(&error),
            };
            match turn {
                Turn::GoOn => {}
                Turn::Rest(pause) => {
                    tokio::select! {
                        () = cancel.cancelled() => {}
                        () = nudge.notified() => {}
                        () = sleep(pause) => {}
                    }
                }
                Turn::Gone { id } => {
                    self.show(|status| status.state = PumpState::Gone);
                    return Ended::Gone { id };
                }
            }
        }
        self.show(|status| status.state = PumpState::Stopped);
        Ended::Cancelled
    }

    async fn turn(&mut self, cancel: &CancellationToken) -> Result<Turn, StoreError> {
        let due = self.store.due(&self.target.webhook, self.now_ms(), BURST).await?;
        if due.is_empty() {
            return self.come_to_rest().await;
        }
        Ok(self.burst(&due, cancel).await)
    }

    /// The clock; one that was set back since the last failure does not make the wait after it longer.
    fn now_ms(&self) -> i64 {
        let now_ms = (self.clock)();
        self.failed.map_or(now_ms, |(at, at_ms)| {
            let since = i64::try_from(at.elapsed().as_millis()).unwrap_or(i64::MAX);
            now_ms.max(at_ms.saturating_add(since))
        })
    }

    async fn come_to_rest(&self) -> Result<Turn, StoreError> {
        let now_ms = self.now_ms();
        let until = self.store.next_due_at(&self.target.webhook, now_ms).await?;
        let waiting = self.count().await?;
        self.show(|status| {
            status.waiting = waiting;
            status.state = match until {
                None => PumpState::Idle,
                Some(until_ms) => PumpState::Waiting { until_ms },
            };
        });
        let Some(until) = until else {
            return Ok(Turn::Rest(LOOK_AGAIN));
        };
        let left = u64::try_from(until.saturating_sub(now_ms)).unwrap_or(0);
        Ok(Turn::Rest(Duration::from_millis(left).min(LOOK_AGAIN)))
    }

    /// Sends messages in their order, each only after the one ahead of it was delivered and recorded so.
    async fn burst(&mut self, due: &[Waiting], cancel: &CancellationToken) -> Turn {
        self.show(|status| status.state = PumpState::Sending);
        let began = Instant::now();
        for (nth, waiting) in due.iter().enumerate() {
            let Some(attempt) = self.attempt(waiting, cancel).await else { return Turn::GoOn };
            let now_ms = self.now_ms();
            let outcome = self.outcome(waiting, &attempt, now_ms);
            self.log(waiting, &outcome);
            let goes_on = match &outcome {
                Try::Delivered => nth + 1 < due.len() && began.elapsed() < LONGEST_BURST,
                Try::Failed { .. } | Try::Refused { .. } => false,
            };
            let lasting = if goes_on { Lasting::Kill } else { Lasting::PowerCut };
            let recorded = self.record(waiting, &outcome, now_ms, lasting, cancel).await;
            if recorded && matches!(outcome, Try::Refused { .. }) {
                self.set_aside(waiting, now_ms, cancel).await;
            }
            self.show_outcome(&outcome, now_ms).await;
            match attempt {
                Attempt::Gone => return Turn::Gone { id: waiting.id.clone() },
                Attempt::Delivered { .. } => {}
                Attempt::Rejected { .. }
                | Attempt::Refused { .. }
                | Attempt::Unreachable { .. }
                | Attempt::TimedOut
                | Attempt::Unsendable { .. } => self.failed = Some((Instant::now(), now_ms)),
            }
            // Another process may have delivered it, too, and more behind it: read the outbox again.
            if !goes_on || !recorded {
                break;
            }
        }
        Turn::GoOn
    }

    /// One try; `None` where the pump is to stop and the try did not end in time.
    async fn attempt(&self, waiting: &Waiting, cancel: &CancellationToken) -> Option<Attempt> {
        if cancel.is_cancelled() {
            return None;
        }
        let body = self.target.body(&waiting.form, &waiting.body);
        let message = Message {
            id: &waiting.id,
            timestamp_s: (self.clock)().div_euclid(1000),
            content_type: &waiting.content_type,
            headers: Some(&waiting.headers),
            body: &body,
        };
        tokio::select! {
            attempt = self.sender.send(&self.target, &message) => Some(attempt),
            () = grace_is_over(cancel) => None,
        }
    }

    fn outcome(&self, waiting: &Waiting, attempt: &Attempt, now_ms: i64) -> Try {
        let Some(error) = attempt.error() else { return Try::Delivered };
        let (asked_ms, is_refused) = match attempt {
            Attempt::Rejected { retry_after_ms, .. } => (*retry_after_ms, false),
            Attempt::Refused { retry_after_ms, .. } => (*retry_after_ms, true),
            Attempt::Delivered { .. }
            | Attempt::Gone
            | Attempt::Unreachable { .. }
            | Attempt::TimedOut
            | Attempt::Unsendable { .. } => (None, false),
        };
        let tries = waiting.tries.saturating_add(1);
        // A receiver cannot put a NUL in here, but the store would refuse one.
        let error = error.replace('\0', " ");
        if is_refused {
            return Try::Refused { error, next_due_ms: now_ms.saturating_add(refused_wait_ms(tries, asked_ms)) };
        }
        let wait = wait_ms(tries, (self.random)(), asked_ms);
        Try::Failed { error, next_due_ms: now_ms.saturating_add(wait) }
    }

    /// Records until it is recorded or the pump is to stop: sending the same message again meanwhile would help nobody.
    /// False where there was nothing (any more) to record.
    async fn record(
        &self,
        waiting: &Waiting,
        outcome: &Try,
        now_ms: i64,
        lasting: Lasting,
        cancel: &CancellationToken,
    ) -> bool {
        loop {
            let recorded = self.store.record_try(&waiting.webhook, &waiting.id, now_ms, outcome, lasting).await;
            match recorded {
                Ok(recorded) => return recorded,
                Err(error) => {
                    self.store_failed(&error);
                }
            }
            tokio::select! {
                () = cancel.cancelled() => return false,
                () = sleep(STORE_PAUSE) => {}
            }
        }
    }

    /// Sets a message aside that was refused often enough, so that what is behind it goes on.
    async fn set_aside(&self, waiting: &Waiting, now_ms: i64, cancel: &CancellationToken) {
        let (webhook, id) = (waiting.webhook.as_str(), waiting.id.as_str());
        loop {
            match self.store.set_aside(webhook, id, now_ms).await {
                Ok(Refusal::Nothing | Refusal::Waits) => return,
                Ok(Refusal::SetAside) => {
                    tracing::error!(webhook, id, "refused by its receiver, the short form goes instead");
                    return self.show(|status| status.refused += 1);
                }
                Ok(Refusal::Closed) => {
                    tracing::error!(webhook, id, "refused by its receiver, no alert arrived");
                    return self.show(|status| status.refused += 1);
                }
                Err(error) => {
                    self.store_failed(&error);
                }
            }
            tokio::select! {
                () = cancel.cancelled() => return,
                () = sleep(STORE_PAUSE) => {}
            }
        }
    }

    async fn show_outcome(&self, outcome: &Try, now_ms: i64) {
        let error = match outcome {
            Try::Delivered => None,
            Try::Failed { error, .. } | Try::Refused { error, .. } => Some(error.clone()),
        };
        // Counting costs as much as the queue is long: not after each delivery.
        let shown = self.status.borrow().waiting;
        let waiting = match &error {
            None => shown.saturating_sub(1).max(0),
            Some(_) => self.count().await.unwrap_or(shown),
        };
        self.show(|status| {
            status.tried(error, now_ms);
            status.waiting = waiting;
        });
    }

    async fn count(&self) -> Result<i64, StoreError> {
        let queue = self.store.queue(&self.target.webhook).await?;
        Ok(queue.map_or(0, |queue| queue.waiting))
    }

    fn store_failed(&self, error: &StoreError) -> Turn {
        tracing::error!(
            webhook = self.target.webhook,
            error = error as &dyn std::error::Error,
            "the outbox cannot be read or written"
        );
        self.show(|status| {
            status.state = PumpState::StoreFailed;
            status.last_error = Some(error.to_string());
        });
        Turn::Rest(STORE_PAUSE)
    }

    fn log(&self, waiting: &Waiting, outcome: &Try) {
        let (webhook, id) = (self.target.webhook.as_str(), waiting.id.as_str());
        let tries = waiting.tries.saturating_add(1);
        match outcome {
            Try::Delivered => tracing::info!(webhook, id, tries, "delivered"),
            Try::Failed { error, next_due_ms } | Try::Refused { error, next_due_ms } => {
                let next_try = Timestamp::from_millisecond(*next_due_ms).unwrap_or_default();
                tracing::warn!(webhook, id, tries, error, next_try = %format_args!("{next_try:.0}"), "not delivered");
            }
        }
    }

    fn show(&self, change: impl FnOnce(&mut PumpStatus)) {
        self.status.send_modify(change);
    }
}

enum Turn {
    GoOn,
    Rest(Duration),
    Gone { id: String },
}

async fn grace_is_over(cancel: &CancellationToken) {
    cancel.cancelled().await;
    sleep(GRACE).await;
}
