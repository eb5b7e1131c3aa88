//! The deliveries of a session: a pump for each webhook that is on.

use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use tokio::sync::Notify;
use tokio::task::JoinHandle;
use tokio::time::timeout;
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use crate::config::{self, Config, Resolved};
use crate::files::{Secrets, process_env};
use crate::setting::Name;
use crate::store::Store;
use crate::webhook::{Ended, Limits, Pump, Secret, Sender, Target, shown_address};

use super::ServeError;

/// How long a clean stop waits for deliveries under way.
const LAST_WAIT: Duration = Duration::from_secs(5);

/// The pumps of a session, one for each webhook that is on.
pub struct Deliveries {
    /// The webhooks that are on.
    pub on: Vec<Name>,
    /// A sentence for each webhook, for the start-up message.
    pub notes: Vec<String>,
    /// What each webhook's references led to.
    resolved: Vec<Resolved>,
    pumps: Vec<(Arc<Notify>, JoinHandle<Ended>)>,
    cancel: CancellationToken,
}

impl Deliveries {
    /// Starts a pump for each webhook that can be used.
    pub fn start(config: &Config, store: &Store) -> Result<Deliveries, ServeError> {
        let mut deliveries = Deliveries {
            on: Vec::new(),
            notes: Vec::new(),
            resolved: resolved(config),
            pumps: Vec::new(),
            cancel: CancellationToken::new(),
        };
        let sender = Arc::new(Sender::new(Limits::default())?);
        for (webhook, resolved) in config.webhooks.iter().zip(deliveries.resolved.clone()) {
            match resolved {
                Resolved::Off(note) => {
                    tracing::warn!("{note}");
                    deliveries.notes.push(note);
                }
                Resolved::On(target) => {
                    target.notes.iter().for_each(|note| tracing::warn!("{note}"));
                    deliveries.add(webhook, &target, store, &sender);
                }
            }
        }
        Ok(deliveries)
    }

    /// Whether an address or signing secret has been turned over since.
    pub fn are_outdated(&self, config: &Config) -> bool {
        self.resolved != resolved(config)
    }

    fn add(&mut self, webhook: &config::Webhook, target: &config::Target, store: &Store, sender: &Arc<Sender>) {
        let mut keys = Vec::new();
        for signing in &target.signing {
            match Secret::parse(signing.reveal()) {
                Ok(secret) => keys.push(secret),
                Err(error) => {
                    let note = format!("{} is off: its signing secret cannot be used ({error})", webhook.name);
                    tracing::error!("{note}");
                    self.notes.push(note);
                    return;
                }
            }
        }
        let name = webhook.name.to_string();
        self.notes.push(format!("{name} at {}", shown_address(target.url.reveal())));
        self.on.push(webhook.name.clone());
        let to = Target { webhook: name, url: target.url.reveal().to_owned(), secrets: keys };
        let pump = Pump::new(store.clone(), sender.clone(), to, system_ms, unit);
        let nudge = Arc::new(Notify::new());
        self.pumps.push((nudge.clone(), tokio::spawn(pump.run(nudge, self.cancel.clone()))));
    }

    /// Tells the pumps that there may be something to deliver.
    pub fn nudge(&self) {
        self.pumps.iter().for_each(|(nudge, _)| nudge.notify_one());
    }

    /// Ends the pumps.
    pub async fn stop(&mut self) {
        self.cancel.cancel();
        for (_, pump) in self.pumps.drain(..) {
            // What is not delivered by then is delivered after the next start, under the same id.
            let _ = timeout(LAST_WAIT, pump).await;
        }
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
