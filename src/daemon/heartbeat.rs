//! One task a heartbeat webhook: a signed, empty message at a steady pace, only while passes finish and the ledger can be
//! written. It is never queued: what is not delivered is left to the next beat.
//!
//! What a beat proves: the program runs, its last pass finished and is young enough, it watches stations by an inventory
//! that could once be used, the ledger took a write just before,
//! and this receiver can be reached. It says whether every webhook for alerts is stopped or silent, as probes and metrics do.
//! What it does not prove: that anybody reads alerts, that a report reached the folder, or that any station holds what it should.

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::watch;
use tokio::time::{MissedTickBehavior, interval, sleep, timeout};
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use crate::alert::{CONTENT_TYPE, heartbeat};
use crate::setting::Name;
use crate::store::Store;
use crate::web::Status;
use crate::webhook::{Attempt, Ended, Message, PumpState, PumpStatus, Sender, Target};

use super::clock::Clock;
use super::clock::system_ms;

/// The ledger must take a write in this time.
const WRITE: Duration = Duration::from_secs(10);

/// How soon it is looked again whether a beat that was left out may come after all.
const AGAIN: Duration = Duration::from_secs(5);

/// Until the first pass of the program has finished.
const FIRST_LOOK: Duration = Duration::from_millis(100);

/// Sends one webhook's heartbeats.
pub struct Heartbeat {
    pub to: Target,
    pub every_seconds: u32,
    pub source: String,
    pub sender: Arc<Sender>,
    pub store: Store,
    pub health: Arc<Status>,
    pub clock: Clock,
    pub status: watch::Sender<PumpStatus>,
}

impl Heartbeat {
    /// Runs until `cancel`, or until the receiver answers 410.
    pub async fn run(self, cancel: CancellationToken) -> Ended {
        let ended = tokio::select! {
            () = cancel.cancelled() => Ended::Cancelled,
            id = self.beat_on() => Ended::Gone { id },
        };
        self.status.send_modify(|status| {
            status.state = match &ended {
                Ended::Cancelled => PumpState::Stopped,
                Ended::Gone { .. } => PumpState::Gone,
            };
        });
        ended
    }

    /// Returns when the receiver wants no more, with the id of the beat that it answered so.
    async fn beat_on(&self) -> String {
        while self.health.health().finished == 0 {
            sleep(FIRST_LOOK).await;
        }
        let pace = Duration::from_secs(self.every_seconds.max(1).into());
        let mut beats = interval(pace);
        beats.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            beats.tick().await;
            if !self.may_beat().await {
                tracing::warn!(
                    webhook = self.to.webhook,
                    "no heartbeat: passes do not finish, no station is watched, or the ledger takes no write"
                );
                // A moment's trouble costs a moment and no whole beat, which someone would be woken for.
                while !self.may_beat().await {
                    sleep(AGAIN).await;
                }
                beats.reset();
            }
            if let Ok((id, Attempt::Gone)) = timeout(pace, self.send()).await {
                return id;
            }
            let until_ms = system_ms().saturating_add(i64::from(self.every_seconds) * 1000);
            self.status.send_modify(|status| status.state = PumpState::Waiting { until_ms });
        }
    }

    async fn may_beat(&self) -> bool {
        let health = self.health.health();
        let passes = health.is_good() && !health.is_failing && self.health.is_watching();
        passes && matches!(timeout(WRITE, self.store.check_writable(system_ms())).await, Ok(Ok(())))
    }

    async fn send(&self) -> (String, Attempt) {
        self.status.send_modify(|status| status.state = PumpState::Sending);
        let id = format!("beat-{}", Uuid::now_v7());
        let name = Name::from(self.to.webhook.as_str());
        let beat = heartbeat(&name, id, (self.every_seconds, self.health.is_silent()), &self.source, self.clock.now());
        let timestamp_s = system_ms().div_euclid(1000);
        let message =
            Message { id: &beat.id, timestamp_s, content_type: CONTENT_TYPE, headers: None, body: &beat.body };
        let attempt = self.sender.send(&self.to, &message).await;
        let error = attempt.error();
        match &error {
            None => tracing::debug!(webhook = self.to.webhook, "heartbeat"),
            Some(error) => tracing::warn!(webhook = self.to.webhook, error, "the heartbeat was not delivered"),
        }
        self.status.send_modify(|status| status.tried(error, system_ms()));
        (beat.id, attempt)
    }
}
