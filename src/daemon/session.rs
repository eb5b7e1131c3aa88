//! One session: the watch, the passes, the deliveries, under one configuration. All wiring stands here.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::Notify;
use tokio::task::JoinHandle;
use tokio::time::{Instant, MissedTickBehavior, interval_at, sleep, timeout};
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use crate::alert::{Subscription, Terms, source_of};
use crate::config::{self, Config, Resolved};
use crate::files::{Look, Means, Pace, Secrets, Watch, load_or_make_key, process_env};
use crate::store::Store;
use crate::webhook::{Ended, Limits, Pump, Secret, Sender, Target, shown_address};

use super::clock::Clock;
use super::pass::State;
use super::tell::Teller;
use super::{ServeError, announce, ground};

/// How often the ledger is asked whether the command line or another daemon wrote to it.
const LEDGER_LOOK: Duration = Duration::from_secs(1);
/// After a pass that failed.
const RETRY: Duration = Duration::from_secs(5);
/// How long a clean stop waits for deliveries under way.
const LAST_WAIT: Duration = Duration::from_secs(5);
/// Delivered messages are kept so long, to be looked up.
const KEEP_DELIVERED: Duration = Duration::from_secs(30 * 24 * 3600);
/// More bad news than this share of the fleet in one pass is a surge.
const SURGE_SHARE: f64 = 0.3;

/// How a session ended.
pub enum End {
    Stopped,
    Reconfigured(Box<Config>),
}

/// The signals that a daemon answers.
pub struct Stops {
    term: Signal,
    interrupt: Signal,
    /// Another way to say "look now".
    hangup: Signal,
}

impl Stops {
    /// Begins to listen.
    pub fn listen() -> Result<Stops, std::io::Error> {
        Ok(Stops {
            term: signal(SignalKind::terminate())?,
            interrupt: signal(SignalKind::interrupt())?,
            hangup: signal(SignalKind::hangup())?,
        })
    }
}

/// Runs until a stop or a changed configuration.
pub async fn run(
    config: &Config,
    path: &Path,
    clock: Clock,
    first: bool,
    stops: &mut Stops,
) -> Result<End, ServeError> {
    let key = load_or_make_key(&config.key_file(), &config::random_key())?;
    let store = Store::open(config.ledger.reveal()).await?;
    let watch = Watch::start(config.interest([]), Pace::settling(config.settle()), Means::Events).await?;
    let mut state = State::new(config, ground(config, key), store.clone(), clock);
    let text = config::load(path).texts;
    let mut seen = state.look(Look::Whole).await?;
    let mut deliveries = Deliveries::start(config, &store)?;
    let terms = terms(config, &state, &deliveries);
    let mut teller = Teller::resume(&store, terms).await?;
    if first {
        print!("{}", announce::text(&state, config, &deliveries.notes));
    }
    log_findings(&seen.findings);
    let mut session = Session { config, path, text, watch, failed: false, armed: None };
    session.told(teller.tell(&state, &seen).await, &deliveries);
    let mut full = interval_at(Instant::now() + config.full_pass(), config.full_pass());
    full.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let end = loop {
        session.rearm(&state);
        let wait = session.wait(&seen.look_again, &teller, &state, clock);
        let look = tokio::select! {
            _ = stops.term.recv() => break End::Stopped,
            _ = stops.interrupt.recv() => break End::Stopped,
            _ = stops.hangup.recv() => Look::Whole,
            () = session.watch.changed() => Look::Changed,
            _ = full.tick() => Look::Whole,
            () = ledger_grows(&store) => Look::Changed,
            () = sleep(wait) => Look::Changed,
        };
        if let Some(new) = session.reconfigured() {
            break End::Reconfigured(Box::new(new));
        }
        match state.look(look).await {
            Ok(new) => {
                if new.findings != seen.findings {
                    log_findings(&new.findings);
                }
                seen = new;
                session.told(teller.tell(&state, &seen).await, &deliveries);
            }
            Err(error) => session.failed(&error),
        }
        if look == Look::Whole {
            prune(&store).await;
        }
    };
    deliveries.stop().await;
    store.close().await;
    if matches!(end, End::Stopped) {
        tracing::info!("stopped");
    }
    Ok(end)
}

/// What stays the same through a session, and whether the last pass failed.
struct Session<'a> {
    config: &'a Config,
    path: &'a Path,
    /// The configuration's text when it was taken up.
    text: crate::files::Tree,
    watch: Watch,
    failed: bool,
    /// The secret files that are watched.
    armed: Option<Vec<PathBuf>>,
}

impl Session<'_> {
    /// Watches the files that secrets are kept in, too, once it is known which they are.
    fn rearm(&mut self, state: &State) {
        let mut secrets: Vec<PathBuf> = state.ground().secret_files(state.references());
        secrets.extend(state.ground().secret_files(self.config.webhooks.iter().flat_map(config::Webhook::references)));
        if self.armed.as_ref() != Some(&secrets) {
            self.watch.rearm(self.config.interest(secrets.clone()));
            self.armed = Some(secrets);
        }
        if let Some(note) = self.watch.note() {
            tracing::warn!("{note}");
        }
    }

    /// How long to sleep at most: a report still being written, a reminder, something overdue, a pass to make again.
    fn wait(&self, look_again: &Option<Duration>, teller: &Teller, state: &State, clock: Clock) -> Duration {
        let mut wait = self.config.full_pass();
        if let Some(again) = look_again {
            wait = wait.min(*again + Duration::from_millis(20));
        }
        for due in teller.next_reminder().into_iter().chain(state.next_change()) {
            let until = due.duration_since(clock.now());
            wait = wait.min(Duration::try_from(until).unwrap_or(Duration::ZERO) + Duration::from_millis(20));
        }
        if self.failed { wait.min(RETRY) } else { wait.max(Duration::from_millis(20)) }
    }

    fn told(&mut self, told: Result<usize, crate::gather::GatherError>, deliveries: &Deliveries) {
        match told {
            Ok(count) => {
                self.failed = false;
                if count > 0 {
                    deliveries.nudge();
                }
            }
            Err(error) => self.failed(&error),
        }
    }

    fn failed(&mut self, error: &dyn std::error::Error) {
        self.failed = true;
        let mut text = error.to_string();
        let mut source = error.source();
        while let Some(cause) = source {
            text.push_str(&format!(": {cause}"));
            source = cause.source();
        }
        tracing::error!("the pass failed and is made again: {text}");
    }

    /// The configuration, where its text changed and can be used.
    fn reconfigured(&mut self) -> Option<Config> {
        let loaded = config::load(self.path);
        if loaded.texts == self.text {
            return None;
        }
        self.text = loaded.texts;
        match loaded.config {
            Ok(config) if config != *self.config => Some(config),
            Ok(_) => None,
            Err(findings) => {
                tracing::error!("the changed configuration cannot be used; the one in force stays");
                log_findings(&findings);
                None
            }
        }
    }
}

/// Returns when somebody else has written to the ledger, or after a while.
async fn ledger_grows(store: &Store) {
    let before = (store.head().await.ok().map(|head| head.seq), store.refused_count().await.ok());
    loop {
        sleep(LEDGER_LOOK).await;
        let now = (store.head().await.ok().map(|head| head.seq), store.refused_count().await.ok());
        if now != before {
            return;
        }
    }
}

async fn prune(store: &Store) {
    let keep = i64::try_from(KEEP_DELIVERED.as_millis()).unwrap_or(i64::MAX);
    if let Err(error) = store.prune_delivered(system_ms().saturating_sub(keep)).await {
        tracing::warn!(%error, "old deliveries could not be cleared away");
    }
}

fn log_findings(findings: &[crate::finding::Finding]) {
    for finding in findings {
        if finding.is_error() {
            tracing::error!(place = %finding.place, code = %finding.code, "{} {}", finding.sentence, finding.mend);
        } else {
            tracing::warn!(place = %finding.place, code = %finding.code, "{} {}", finding.sentence, finding.mend);
        }
    }
}

fn terms(config: &Config, state: &State, deliveries: &Deliveries) -> Terms {
    let on = config.webhooks.iter().filter(|webhook| deliveries.on.contains(&webhook.name));
    Terms {
        source: source_of(&state.inventory().fleet),
        webhooks: on
            .map(|webhook| Subscription {
                name: webhook.name.clone(),
                weights: webhook.weights.clone(),
                remind_minutes: webhook.remind_minutes.clone(),
            })
            .collect(),
        surge_share: SURGE_SHARE,
        require_tests: config.require_tests,
    }
}

/// The pumps of a session, one for each webhook that is on.
struct Deliveries {
    on: Vec<crate::setting::Name>,
    /// A sentence for each webhook, for the start-up message.
    notes: Vec<String>,
    pumps: Vec<(Arc<Notify>, JoinHandle<Ended>)>,
    cancel: CancellationToken,
}

impl Deliveries {
    fn start(config: &Config, store: &Store) -> Result<Deliveries, ServeError> {
        let mut deliveries =
            Deliveries { on: Vec::new(), notes: Vec::new(), pumps: Vec::new(), cancel: CancellationToken::new() };
        let secrets = Secrets::new(&config.folder, &process_env);
        let sender = Arc::new(Sender::new(Limits::default())?);
        for webhook in &config.webhooks {
            match webhook.resolve(&secrets) {
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

    fn nudge(&self) {
        self.pumps.iter().for_each(|(nudge, _)| nudge.notify_one());
    }

    async fn stop(&mut self) {
        self.cancel.cancel();
        for (_, pump) in self.pumps.drain(..) {
            // What is not delivered by then is delivered after the next start, under the same id.
            let _ = timeout(LAST_WAIT, pump).await;
        }
    }
}

/// The system's clock in milliseconds since 1970.
fn system_ms() -> i64 {
    Timestamp::now().as_millisecond()
}

/// A number from 0 to 1 by chance, for the jitter of retries.
fn unit() -> f64 {
    f64::from(Uuid::new_v4().as_fields().0) / f64::from(u32::MAX)
}
