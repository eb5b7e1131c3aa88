//! The deliveries of a session: a pump for each webhook that is on.

use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use tokio::sync::Notify;
use tokio::task::JoinHandle;
use tokio::time::{sleep, timeout};
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use crate::alert::{GoneWebhook, webhook_gone};
use crate::config::{self, Config, Resolved};
use crate::files::{Secrets, process_env};
use crate::setting::Name;
use crate::store::{Decision, Store};
use crate::webhook::{Ended, Limits, Pump, Secret, Sender, Target, shown_address};

use super::clock::Clock;
use super::tell::outgoing;
use super::{ServeError, with_causes};

/// How long a clean stop waits for deliveries under way.
const LAST_WAIT: Duration = Duration::from_secs(5);
/// After the store failed.
const STORE_PAUSE: Duration = Duration::from_secs(5);

/// The pumps of a session, one for each webhook that is on.
pub struct Deliveries {
    /// The webhooks that are on.
    pub on: Vec<Name>,
    /// A sentence for each webhook, for the start-up message.
    pub notes: Vec<String>,
    /// What each webhook's references led to.
    resolved: Vec<Resolved>,
    nudges: Arc<Vec<Arc<Notify>>>,
    pumps: Vec<JoinHandle<()>>,
    cancel: CancellationToken,
}

/// What a pump's task needs to tell the others that its receiver is gone.
#[derive(Clone)]
struct Neighbours {
    store: Store,
    clock: Clock,
    source: Arc<str>,
    on: Vec<Name>,
    nudges: Arc<Vec<Arc<Notify>>>,
    cancel: CancellationToken,
}

impl Deliveries {
    /// Starts a pump for each webhook that can be used. `source` is where its events come from.
    pub fn start(config: &Config, store: &Store, source: &str, clock: Clock) -> Result<Deliveries, ServeError> {
        let mut deliveries = Deliveries {
            on: Vec::new(),
            notes: Vec::new(),
            resolved: resolved(config),
            nudges: Arc::default(),
            pumps: Vec::new(),
            cancel: CancellationToken::new(),
        };
        let mut targets = Vec::new();
        for (webhook, resolved) in config.webhooks.iter().zip(deliveries.resolved.clone()) {
            match resolved {
                Resolved::Off(note) => {
                    tracing::warn!("{note}");
                    deliveries.notes.push(note);
                }
                Resolved::On(target) => {
                    target.notes.iter().for_each(|note| tracing::warn!("{note}"));
                    targets.extend(deliveries.target(webhook, &target));
                }
            }
        }
        deliveries.nudges = Arc::new(targets.iter().map(|_| Arc::default()).collect());
        let neighbours = Neighbours {
            store: store.clone(),
            clock,
            source: source.into(),
            on: deliveries.on.clone(),
            nudges: deliveries.nudges.clone(),
            cancel: deliveries.cancel.clone(),
        };
        let sender = Arc::new(Sender::new(Limits::default())?);
        for (target, nudge) in targets.into_iter().zip(deliveries.nudges.iter()) {
            let pump = run(target, sender.clone(), nudge.clone(), neighbours.clone());
            deliveries.pumps.push(tokio::spawn(pump));
        }
        Ok(deliveries)
    }

    /// Whether an address or signing secret has been turned over since.
    pub fn are_outdated(&self, config: &Config) -> bool {
        self.resolved != resolved(config)
    }

    /// Where to deliver to; nothing, and a note, where a signing secret cannot be used.
    fn target(&mut self, webhook: &config::Webhook, target: &config::Target) -> Option<Target> {
        let keys: Result<Vec<Secret>, _> =
            target.signing.iter().map(|signing| Secret::parse(signing.reveal())).collect();
        match keys {
            Ok(secrets) => {
                let name = webhook.name.to_string();
                self.notes.push(format!("{name} at {}", shown_address(target.url.reveal())));
                self.on.push(webhook.name.clone());
                Some(Target { webhook: name, url: target.url.reveal().to_owned(), secrets })
            }
            Err(error) => {
                let note = format!("{} is off: its signing secret cannot be used ({error})", webhook.name);
                tracing::error!("{note}");
                self.notes.push(note);
                None
            }
        }
    }

    /// Tells the pumps that there may be something to deliver.
    pub fn nudge(&self) {
        self.nudges.iter().for_each(|nudge| nudge.notify_one());
    }

    /// Ends the pumps.
    pub async fn stop(&mut self) {
        self.cancel.cancel();
        for mut pump in self.pumps.drain(..) {
            // What is not delivered by then is delivered after the next start, under the same id.
            if timeout(LAST_WAIT, &mut pump).await.is_err() {
                // A pump that a slow store holds up must not send beside the one of the next session.
                pump.abort();
            }
        }
    }
}

/// Runs a pump to its end. The others hear of it where that is its receiver's wish.
async fn run(target: Target, sender: Arc<Sender>, nudge: Arc<Notify>, neighbours: Neighbours) {
    let (name, address) = (Name::from(target.webhook.as_str()), shown_address(&target.url));
    let pump = Pump::new(neighbours.store.clone(), sender, target, system_ms, unit);
    match pump.run(nudge, neighbours.cancel.clone()).await {
        Ended::Cancelled => {}
        Ended::Gone { id } => {
            let gone = GoneWebhook { name: &name, address: &address, message: &id };
            tracing::error!(webhook = %name, "the receiver is gone (410): nothing is sent there until the next start");
            neighbours.tell(&gone).await;
        }
    }
}

impl Neighbours {
    /// Writes until it is written, or the session ends: after the next start the receiver is asked again.
    async fn tell(&self, gone: &GoneWebhook<'_>) {
        let messages = webhook_gone(gone, self.clock.now(), &self.source, &self.on);
        let decision = Decision { messages: messages.iter().map(outgoing).collect(), ..Decision::default() };
        while let Err(error) = self.store.commit_pass(&decision).await {
            tracing::error!("the others cannot be told of it yet: {}", with_causes(&error));
            tokio::select! {
                () = self.cancel.cancelled() => return,
                () = sleep(STORE_PAUSE) => {}
            }
        }
        self.nudges.iter().for_each(|nudge| nudge.notify_one());
    }
}

fn resolved(config: &Config) -> Vec<Resolved> {
    let secrets = Secrets::new(&config.folder, &process_env);
    config.webhooks.iter().map(|webhook| webhook.resolve(&secrets)).collect()
}

/// The system's clock in milliseconds since 1970.
pub fn system_ms() -> i64 {
    Timestamp::now().as_millisecond()
}

/// A number from 0 to 1 by chance, for the jitter of retries.
fn unit() -> f64 {
    f64::from(Uuid::new_v4().as_fields().0) / f64::from(u32::MAX)
}
