//! The deliveries of a session: a task for each webhook that is on, a pump for alerts or a heartbeat. A webhook whose receiver
//! wants no more is noted in the store, where every daemon and the command line see it, and started again when asked.

use std::sync::Arc;
use std::time::Duration;

use jiff::SignedDuration;
use tokio::sync::{Notify, watch};
use tokio::task::JoinHandle;
use tokio::time::{sleep, timeout};
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use crate::config::{self, Config, Resolved, WebhookKind};
use crate::files::{Secrets, process_env};
use crate::setting::Name;
use crate::store::{StoppedWebhook, Store, StoreError};
use crate::web::Status;
use crate::webhook::{Ended, Limits, Pump, PumpStatus, Secret, Sender, SignError, Target, shown_address};

use super::alarm::{AlarmParts, LedgerAlarm};
use super::clock::{Clock, system_ms};
use super::error::ServeError;
use super::heartbeat::Heartbeat;

/// How long a clean stop waits for deliveries under way.
const LAST_WAIT: Duration = Duration::from_secs(5);

/// How often the store is asked whether someone asked for deliveries by command.
const ASK_LOOK: Duration = Duration::from_secs(1);

/// After the store failed.
const STORE_PAUSE: Duration = Duration::from_secs(2);

/// What every webhook's task works with.
#[derive(Clone)]
pub struct DeliveryParts {
    pub store: Store,
    pub health: Arc<Status>,
    pub clock: Clock,
    /// The source of the fleet's messages.
    pub source: String,
    pub fleet: Name,
    /// The time between full passes.
    pub full_pass: SignedDuration,
}

/// One webhook that is on.
struct ActiveWebhook {
    kind: WebhookKind,
    to: Target,
    nudge: Arc<Notify>,
    status: watch::Receiver<PumpStatus>,
    task: JoinHandle<Ended>,
}

/// The webhooks of a session that are on.
pub struct Deliveries {
    /// Those that alerts go to.
    pub on: Vec<Name>,
    /// A sentence for each webhook, for the start-up message.
    pub notes: Vec<String>,
    /// What each webhook's references led to.
    resolved: Vec<Resolved>,
    lines: Vec<ActiveWebhook>,
    means: DeliveryParts,
    sender: Arc<Sender>,
    /// A webhook was stopped by its receiver, or goes on.
    news: Arc<Notify>,
    /// Someone asked for deliveries by command.
    asked: Arc<Notify>,
    /// Tells the same receivers while the ledger takes no writes.
    alarm: LedgerAlarm,
    cancel: CancellationToken,
}

impl Deliveries {
    /// Starts a task for each webhook that can be used.
    pub fn start(config: &Config, means: DeliveryParts) -> Result<Deliveries, ServeError> {
        let mut deliveries = Deliveries {
            on: Vec::new(),
            notes: Vec::new(),
            resolved: resolved(config),
            lines: Vec::new(),
            means,
            sender: Arc::new(Sender::new(Limits::default())?),
            news: Arc::default(),
            asked: Arc::default(),
            alarm: LedgerAlarm::new(),
            cancel: CancellationToken::new(),
        };
        for (webhook, resolved) in config.webhooks.iter().zip(deliveries.resolved.clone()) {
            match resolved {
                Resolved::Off(note) => {
                    tracing::warn!("{note}");
                    deliveries.notes.push(note);
                }
                Resolved::On(target) => {
                    target.notes.iter().for_each(|note| tracing::warn!("{note}"));
                    deliveries.add(webhook, &target);
                }
            }
        }
        deliveries.show();
        let (store, asked, cancel) =
            (deliveries.means.store.clone(), deliveries.asked.clone(), deliveries.cancel.clone());
        tokio::spawn(async move { cancel.run_until_cancelled(listen(&store, &asked)).await });
        Ok(deliveries)
    }

    /// Whether an address or signing secret has been turned over since.
    pub fn are_outdated(&self, config: &Config) -> bool {
        self.resolved != resolved(config)
    }

    fn add(&mut self, webhook: &config::Webhook, target: &config::Target) {
        let to = match destination(webhook, target) {
            Ok(to) => to,
            Err(error) => {
                let note = format!("{} is off: its signing secret is not usable ({error})", webhook.name);
                tracing::error!("{note}");
                self.notes.push(note);
                return;
            }
        };
        let at = format!("{} at {}", webhook.name, shown_address(target.url.reveal()));
        match webhook.kind {
            WebhookKind::Alerts => {
                self.notes.push(at);
                self.on.push(webhook.name.clone());
            }
            WebhookKind::Heartbeat { every_seconds } => {
                self.notes.push(format!("{at}, a heartbeat every {every_seconds} s"))
            }
        }
        if webhook.kind == WebhookKind::Alerts {
            let DeliveryParts { source, fleet, clock, full_pass, .. } = self.means.clone();
            let (sender, form) = (self.sender.clone(), webhook.body.form.clone());
            let parts = AlarmParts { sender, source, fleet, clock, form, full_pass };
            self.alarm.add(to.clone(), parts, self.cancel.clone());
        }
        let line = self.line(webhook.kind, to);
        self.lines.push(line);
    }

    /// A pass failed because of the ledger: whoever gets alerts is told at once that none can be sent.
    pub fn ledger_failed(&mut self, error: &StoreError) {
        self.alarm.failed(error, self.means.clock.now());
    }

    /// A pass has finished, so the ledger takes writes.
    pub fn ledger_works(&mut self) {
        self.alarm.passed();
    }

    fn line(&self, kind: WebhookKind, to: Target) -> ActiveWebhook {
        let nudge = Arc::new(Notify::new());
        let (store, news) = (self.means.store.clone(), self.news.clone());
        let (webhook, cancel) = (to.webhook.clone(), self.cancel.clone());
        let (status, task) = match kind {
            WebhookKind::Alerts => {
                let pump = Pump::new(store.clone(), self.sender.clone(), to.clone(), system_ms, unit);
                let status = pump.status();
                let running = pump.run(nudge.clone(), cancel.clone());
                (status.clone(), tokio::spawn(noted(running, status, webhook, store, news, cancel)))
            }
            WebhookKind::Heartbeat { every_seconds } => {
                let (sender, status) = watch::channel(PumpStatus::new(&webhook, &to.url));
                let DeliveryParts { health, clock, source, .. } = self.means.clone();
                let beat = Heartbeat {
                    to: to.clone(),
                    every_seconds,
                    source,
                    sender: self.sender.clone(),
                    store: store.clone(),
                    health,
                    clock,
                    status: sender,
                };
                let running = beat.run(cancel.clone());
                (status.clone(), tokio::spawn(noted(running, status, webhook, store, news, cancel)))
            }
        };
        ActiveWebhook { kind, to, nudge, status, task }
    }

    fn show(&self) {
        let alerts = self.lines.iter().filter(|line| line.kind == WebhookKind::Alerts).map(|line| line.status.clone());
        self.means.health.set_webhooks(self.lines.iter().map(|line| line.status.clone()).collect(), alerts.collect());
    }

    /// Forgets that a webhook was stopped which the configuration no longer has.
    pub async fn forget(&self, config: &Config) -> Result<(), ServeError> {
        for name in self.means.store.stopped_webhooks().await?.keys() {
            if !config.webhooks.iter().any(|webhook| *webhook.name == **name) {
                self.means.store.start_webhook(name).await?;
            }
        }
        Ok(())
    }

    /// Tells the pumps that there may be something to deliver.
    pub fn nudge(&self) {
        self.lines.iter().for_each(|line| line.nudge.notify_one());
    }

    /// Returns when a webhook was stopped by its receiver, or goes on: then there is something to tell.
    pub async fn news(&self) {
        self.news.notified().await;
    }

    /// Returns when someone asked for deliveries by command.
    pub async fn asked(&self) {
        self.asked.notified().await;
    }

    /// Does what was asked for: looks at every queue, and tries stopped webhooks again where that was asked.
    pub async fn answer(&mut self) {
        let stopped = match self.means.store.stopped_webhooks().await {
            Ok(stopped) => stopped,
            Err(error) => {
                tracing::warn!(%error, "it cannot be read which webhooks are stopped");
                return;
            }
        };
        for nth in 0..self.lines.len() {
            let Some(line) = self.lines.get(nth) else { continue };
            if line.task.is_finished() && stopped.get(&line.to.webhook).is_none_or(|noted| noted.is_asked) {
                tracing::info!(webhook = line.to.webhook, "tried again");
                let line = self.line(line.kind, line.to.clone());
                if let Some(place) = self.lines.get_mut(nth) {
                    *place = line;
                }
            }
        }
        self.show();
        self.nudge();
    }

    /// Ends the tasks.
    pub async fn stop(&mut self) {
        self.cancel.cancel();
        for mut line in self.lines.drain(..) {
            // What is not delivered by then is delivered after the next start, under the same id.
            if timeout(LAST_WAIT, &mut line.task).await.is_err() {
                // A pump that a slow store holds up must not send beside the one of the next session.
                line.task.abort();
            }
        }
    }
}

impl Drop for Deliveries {
    /// A session that could not begin leaves no task behind.
    fn drop(&mut self) {
        self.cancel.cancel();
    }
}

/// Where a webhook's messages go, with all that only its owner knows.
///
/// # Errors
/// A signing secret that cannot be used.
pub fn destination(webhook: &config::Webhook, target: &config::Target) -> Result<Target, SignError> {
    let keys: Result<Vec<Secret>, SignError> =
        target.signing.iter().map(|signing| Secret::parse(signing.reveal())).collect();
    Ok(Target {
        headers: target.headers.iter().map(|(name, value)| (name.clone(), value.reveal().to_owned())).collect(),
        expect: webhook.expect.clone(),
        routing_key: target.routing_key.as_ref().map(|key| key.reveal().to_owned()),
        ..Target::plain(&webhook.name, target.url.reveal(), keys?)
    })
}

/// Runs a webhook's task, and notes in the store when its receiver wants no more, or takes messages again.
async fn noted(
    running: impl Future<Output = Ended>,
    status: watch::Receiver<PumpStatus>,
    webhook: String,
    store: Store,
    news: Arc<Notify>,
    cancel: CancellationToken,
) -> Ended {
    let address = status.borrow().address.clone();
    let refused = cancel.run_until_cancelled(refused(status.clone(), &news));
    let delivered = cancel.run_until_cancelled(delivered(status, &webhook, &store, &news));
    let (ended, ..) = tokio::join!(running, delivered, refused);
    if let Ended::Gone { id } = &ended {
        tracing::error!(webhook, "the receiver is gone (410): nothing is sent there, see \"stationkeep deliveries\"");
        let stopped = StoppedWebhook { at_ms: system_ms(), address, message: id.clone(), is_asked: false };
        let noting = until_done(|| store.stop_webhook(&webhook, &stopped));
        // Where it is not noted, the next try after the next start gets the same answer.
        let _ = cancel.run_until_cancelled(noting).await;
        news.notify_one();
    }
    ended
}

/// Says so each time that a message was set aside because the receiver will not take it.
async fn refused(mut status: watch::Receiver<PumpStatus>, news: &Notify) {
    let mut known = 0;
    while let Ok(status) = status.wait_for(|status| status.refused > known).await {
        known = status.refused;
        news.notify_one();
    }
}

/// Once something is delivered the webhook is no longer stopped, if it was.
async fn delivered(mut status: watch::Receiver<PumpStatus>, webhook: &str, store: &Store, news: &Notify) {
    let delivered = status.wait_for(|status| status.delivered > 0).await.is_ok();
    if delivered && until_done(|| store.start_webhook(webhook)).await {
        news.notify_one();
    }
}

/// Asks the store again and again, until it answers.
async fn until_done<F: Future<Output = Result<bool, crate::store::StoreError>>>(work: impl Fn() -> F) -> bool {
    loop {
        match work().await {
            Ok(done) => return done,
            Err(error) => tracing::warn!(%error, "the ledger cannot be written"),
        }
        sleep(STORE_PAUSE).await;
    }
}

/// Hears what is asked for by command, as long as it runs.
async fn listen(store: &Store, asked: &Notify) {
    let mut known = store.deliveries_asked().await.ok();
    loop {
        sleep(ASK_LOOK).await;
        let Ok(now) = store.deliveries_asked().await else { continue };
        if known.replace(now) != Some(now) {
            asked.notify_one();
        }
    }
}

fn resolved(config: &Config) -> Vec<Resolved> {
    let secrets = Secrets::new(&config.folder, &process_env);
    config.webhooks.iter().map(|webhook| webhook.resolve(&secrets)).collect()
}

/// A number from 0 to 1 by chance, for the jitter of retries.
fn unit() -> f64 {
    f64::from(Uuid::new_v4().as_fields().0) / f64::from(u32::MAX)
}
