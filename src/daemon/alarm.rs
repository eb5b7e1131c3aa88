//! Alerts about the ledger while it takes no writes. They go straight to the receivers of alerts, tried again under the same id,
//! and are on record nowhere: a program that is started meanwhile sends its own.

use std::sync::Arc;
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

use crate::alert::body::form::Form;
use crate::alert::body::render;
use crate::alert::{LedgerTrouble, ledger_message};
use crate::setting::Name;
use crate::store::StoreError;
use crate::webhook::{Attempt, Message, Sender, Target, wait_ms};

use super::clock::{Clock, system_ms};

/// A ledger that is busy or away may be there again in a moment: alerts are sent once so many passes have failed in a row.
const FAILED: u32 = 3;

/// Raised when passes fail because of the ledger.
pub struct LedgerAlarm {
    trouble: watch::Sender<Option<LedgerTrouble>>,
    /// How many passes failed in a row, and since when.
    failed: Option<(u32, Timestamp)>,
}

/// What a receiver's alarm is sent with.
#[derive(Clone)]
pub struct AlarmParts {
    pub sender: Arc<Sender>,
    /// The source of the fleet's messages.
    pub source: String,
    pub fleet: Name,
    pub clock: Clock,
    /// The receiver's own form of a body.
    pub form: Form,
    pub full_pass: SignedDuration,
}

impl LedgerAlarm {
    /// One that nobody hears yet.
    pub fn new() -> LedgerAlarm {
        LedgerAlarm { trouble: watch::Sender::new(None), failed: None }
    }

    /// Tells this receiver from now on, until `cancel`.
    pub fn add(&self, to: Target, parts: AlarmParts, cancel: CancellationToken) {
        let trouble = self.trouble.subscribe();
        tokio::spawn(async move { cancel.run_until_cancelled(tell(to, parts, trouble)).await });
    }

    /// A pass failed because of the ledger.
    pub fn failed(&mut self, error: &StoreError, now: Timestamp) {
        let (before, since) = self.failed.unwrap_or((0, now));
        let count = before.saturating_add(1);
        self.failed = Some((count, since));
        let is_certain = matches!(error, StoreError::Full { .. } | StoreError::ReadOnly { .. });
        if is_certain || count >= FAILED {
            let trouble = LedgerTrouble { word: error.word(), sentence: error.to_string(), since };
            self.trouble.send_if_modified(|known| {
                let is_new = known.as_ref() != Some(&trouble);
                *known = Some(trouble);
                is_new
            });
        }
    }

    /// A pass has finished.
    pub fn passed(&mut self) {
        self.failed = None;
        self.trouble.send_if_modified(|known| known.take().is_some());
    }
}

/// Tells one receiver of each trouble once it has come, and of its end where it heard of it.
async fn tell(to: Target, parts: AlarmParts, mut trouble: watch::Receiver<Option<LedgerTrouble>>) {
    let (mut heard, mut tries): (Option<LedgerTrouble>, i64) = (None, 0);
    // When what is tried now was first tried: a message is the same at each try.
    let mut first: Option<(bool, Timestamp)> = None;
    loop {
        let now = trouble.borrow_and_update().clone();
        let Some((about, is_over)) = due(heard.as_ref(), now.as_ref()) else {
            (tries, first) = (0, None);
            if trouble.changed().await.is_err() {
                return;
            }
            continue;
        };
        let at = first.filter(|(was_over, _)| *was_over == is_over).map_or_else(|| parts.clock.now(), |(_, at)| at);
        first = Some((is_over, at));
        match send(&to, &parts, &about, is_over, at).await {
            Attempt::Delivered { .. } => {
                (heard, tries, first) = (Some(about).filter(|_| !is_over), 0, None);
                continue;
            }
            Attempt::Gone => return,
            other => {
                let error = other.error().unwrap_or_default();
                tracing::warn!(webhook = to.webhook, error, "alert about the ledger not delivered");
            }
        }
        tries = tries.saturating_add(1);
        let wait = Duration::from_millis(wait_ms(tries, 0.5, None).unsigned_abs());
        tokio::select! {
            () = tokio::time::sleep(wait) => {}
            changed = trouble.changed() => if changed.is_err() { return },
        }
    }
}

/// What is to be told now, and whether it is that it is over.
fn due(heard: Option<&LedgerTrouble>, now: Option<&LedgerTrouble>) -> Option<(LedgerTrouble, bool)> {
    match (heard, now) {
        (None, None) => None,
        (Some(heard), None) => Some((heard.clone(), true)),
        (Some(heard), Some(now)) if heard.since == now.since => None,
        (_, Some(now)) => Some((now.clone(), false)),
    }
}

async fn send(to: &Target, parts: &AlarmParts, about: &LedgerTrouble, is_over: bool, at: Timestamp) -> Attempt {
    let AlarmParts { sender, source, fleet, clock, form, full_pass } = parts;
    let time = (at, clock.is_set_by_hand());
    let alert = ledger_message(&Name::from(to.webhook.as_str()), about, is_over, (source, fleet), time);
    let made = render(&alert, form, *full_pass);
    let body = to.body(made.form, &made.body);
    let timestamp_s = system_ms().div_euclid(1000);
    let message = Message {
        id: &alert.id,
        timestamp_s,
        content_type: made.content_type,
        headers: Some(&made.headers),
        body: &body,
    };
    tracing::info!(webhook = to.webhook, id = alert.id, "alert about the ledger");
    sender.send(to, &message).await
}

#[cfg(test)]
mod tests {
    use super::*;

    fn trouble(second: i64, word: &'static str) -> LedgerTrouble {
        LedgerTrouble { word, sentence: "x".into(), since: Timestamp::from_second(second).unwrap() }
    }

    #[test]
    fn each_trouble_is_told_once_and_its_end_to_who_heard_of_it() {
        let (one, changed, other) = (trouble(1, "full"), trouble(1, "read-only"), trouble(9, "full"));
        assert_eq!(due(None, None), None);
        assert_eq!(due(None, Some(&one)), Some((one.clone(), false)));
        assert_eq!(due(Some(&one), Some(&changed)), None);
        assert_eq!(due(Some(&one), None), Some((one.clone(), true)));
        assert_eq!(due(Some(&one), Some(&other)), Some((other, false)));
    }

    #[test]
    fn a_full_disk_is_told_at_once_and_a_busy_ledger_when_it_stays_so() {
        let source = || sqlx::Error::PoolClosed;
        let at = |second: i64| Timestamp::from_second(second).unwrap();
        let mut alarm = LedgerAlarm::new();
        let heard = alarm.trouble.subscribe();
        let busy = || StoreError::Busy { place: "l".into(), doing: "x", source: source() };
        alarm.failed(&busy(), at(1));
        alarm.failed(&busy(), at(6));
        assert!(heard.borrow().is_none());
        alarm.failed(&busy(), at(11));
        assert_eq!(heard.borrow().as_ref().map(|trouble| (trouble.word, trouble.since)), Some(("busy", at(1))));
        alarm.passed();
        assert!(heard.borrow().is_none());
        alarm.failed(&StoreError::Full { place: "l".into(), doing: "x", source: source() }, at(20));
        assert_eq!(heard.borrow().as_ref().map(|trouble| (trouble.word, trouble.since)), Some(("full", at(20))));
    }
}
