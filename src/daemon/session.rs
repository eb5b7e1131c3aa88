//! One session: the watch, the passes, the deliveries, under one configuration. All wiring stands here.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use jiff::Timestamp;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::time::{Instant, MissedTickBehavior, interval_at, sleep, sleep_until};
use uuid::Uuid;

use crate::alert::{Cause, Subscription, Terms, source_of};
use crate::config::{self, Config};
use crate::files::{Interest, Look, Means, Pace, Tree, Watch, load_or_make_key};
use crate::finding::Finding;
use crate::fleet::Lookout;
use crate::inventory::Commit;
use crate::setting::Name;
use crate::store::{Queue, Store};
use crate::web::{Cards, Outside};

use super::clock::Clock;
use super::deliveries::{Deliveries, Means as Ways, system_ms};
use super::front::Front;
use super::pass::{Seen, State};
use super::tell::{Teller, Telling};
use super::{ServeError, banner, sources, with_causes};

/// How often the ledger is asked whether the command line or another daemon wrote to it.
const LEDGER_LOOK: Duration = Duration::from_secs(1);
/// After a pass that failed.
const RETRY: Duration = Duration::from_secs(5);
/// A look that waits for quiet files is made even if no word comes, so long after the longest wait for quiet.
const MARGIN: Duration = Duration::from_secs(5);
/// After something fell due, so that it surely has.
const MOMENT: Duration = Duration::from_millis(20);
/// Delivered messages are kept so long, to be looked up.
const KEEP_DELIVERED: Duration = Duration::from_secs(30 * 24 * 3600);
/// How often a pass is made anew because another daemon was quicker.
const TURNS: u32 = 5;
/// A message that waits longer than this, in milliseconds, is said to be undelivered.
const LATE_MS: i64 = 15 * 60 * 1000;

/// A configuration and the text it was read from.
pub struct Basis {
    pub config: Config,
    pub text: Tree,
}

/// How a session ended.
pub enum End {
    Stopped,
    Reconfigured(Box<Basis>),
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

/// Runs until a stop or a changed configuration. `first`: the program has just been started.
pub async fn run(
    basis: &Basis,
    path: &Path,
    clock: Clock,
    first: bool,
    stops: &mut Stops,
    front: &mut Front,
) -> Result<End, ServeError> {
    let config = &basis.config;
    let key = load_or_make_key(&config.key_file(), &config::random_key())?;
    let store = Store::open(config.ledger.reveal()).await?;
    let pace = Pace::settling(config.settle());
    let watch = Watch::start(config.interest([]), pace, Means::Events).await?;
    front.status.open(config.full_pass(), store.clone(), cards(config, key, store.clone(), clock));
    let mut state = State::new(config, sources(config, key), store.clone(), clock);
    front.status.begin();
    let mut seen = state.look(Some(Look::Whole)).await?;
    if let Some(again) = seen.look_again {
        // A report dropped just before the start must not be told as missing.
        sleep(again.min(config.settle()) + MOMENT).await;
        seen = state.look(None).await?;
    }
    let source = source_of(&state.inventory().fleet);
    let ways = Ways { store: store.clone(), health: front.status.clone(), clock, source };
    let mut deliveries = Deliveries::start(config, ways)?;
    deliveries.forget(config).await?;
    let cause = Cause { started: first, files: cause_files(config, first), ..Cause::default() };
    let mut teller = Teller::resume(&store, terms(config, &state, &deliveries), cause).await?;
    deliveries.notes.extend(undelivered(&store, config).await);
    // The last that can fail: from here on this session runs.
    front.listen(config.listen).await?;
    if first {
        banner::say(&banner::text(&state, front.address(), &deliveries.notes));
    }
    log_findings(&seen.findings, state.commit_read());
    let text = basis.text.clone();
    let mut session =
        Session { basis, path, text, watch, front, failed: false, refused: Vec::new(), pace, asked: None, armed: None };
    session.tell(&mut teller, &mut state, &mut seen, &deliveries).await;
    let mut full = interval_at(Instant::now() + config.full_pass(), config.full_pass());
    full.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let end = loop {
        session.rearm(&state);
        let wait = session.wait(&seen.look_again, &teller, &state, clock);
        let look = tokio::select! {
            _ = stops.term.recv() => break End::Stopped,
            _ = stops.interrupt.recv() => break End::Stopped,
            _ = stops.hangup.recv() => { session.ask(Look::Whole); continue }
            () = session.watch.changed() => Some(session.settled()),
            _ = full.tick() => { session.ask(Look::Whole); continue }
            () = sleep_until(session.at_last()), if session.asked.is_some() => Some(session.settled()),
            () = deliveries.asked() => { deliveries.answer().await; continue }
            () = deliveries.news() => None,
            () = somebody_wrote(&store, &state, &teller), if !session.failed => None,
            // What a failed pass had read may not be in force yet, and may have been in the middle of an edit.
            () = sleep(wait), if session.failed && session.asked.is_none() => { session.ask(Look::Changed); continue }
            () = sleep(wait), if !session.failed => None,
        };
        // Without a look the files are not known to be quiet, and the configuration is one of them.
        if look.is_some()
            && let Some(new) = session.reconfigured(&deliveries)
        {
            break End::Reconfigured(Box::new(new));
        }
        session.front.status.begin();
        match state.look(look).await {
            Ok(new) => {
                if new.findings != seen.findings {
                    log_findings(&new.findings, state.commit_read());
                }
                seen = new;
                session.tell(&mut teller, &mut state, &mut seen, &deliveries).await;
            }
            Err(error) => session.failed(&error),
        }
        if look == Some(Look::Whole) {
            prune(&store).await;
            undelivered(&store, config).await;
            if session.front.status.is_silent() {
                tracing::error!(
                    "nobody is told of anything: every webhook for alerts was stopped by its receiver (410). See \
                     `stationkeep deliveries`; `stationkeep deliveries start NAME` sends to one again"
                );
            }
        }
    };
    match &end {
        End::Stopped => session.front.stopping(),
        End::Reconfigured(_) => session.front.reloading(),
    }
    deliveries.stop().await;
    store.close().await;
    if matches!(end, End::Stopped) {
        tracing::info!("stopped");
    }
    Ok(end)
}

/// Cards are shown from a look of their own, at the moment somebody opens one.
fn cards(config: &Config, key: [u8; 32], store: Store, clock: Clock) -> Cards {
    let lookout = Lookout::new(sources(config, key), store, config.looking());
    let outside = Outside { now: Arc::new(move || clock.now()), files: SystemTime::now, id: Uuid::now_v7 };
    Cards::new(lookout, config.access.clone(), config.address.clone(), &key, outside)
}

/// A changed configuration is a cause of its own.
fn cause_files(config: &Config, first: bool) -> Vec<Name> {
    let name = config.file.file_name().map(|name| name.to_string_lossy().as_ref().into());
    name.into_iter().filter(|_| !first).collect()
}

/// What stays the same through a session, and whether the last pass failed.
struct Session<'a> {
    basis: &'a Basis,
    path: &'a Path,
    /// The configuration's text when it was last looked at.
    text: Tree,
    watch: Watch,
    /// Hears how passes go.
    front: &'a mut Front,
    failed: bool,
    /// What is wrong with the configuration as it is now; the one in force stays.
    refused: Vec<Finding>,
    pace: Pace,
    /// The look that is asked for and waits until the files are quiet, and when it is made in any case.
    asked: Option<(Look, Instant)>,
    /// What is watched.
    armed: Option<Interest>,
}

impl Session<'_> {
    /// Asks for a look as soon as the files are quiet: one caught half written would be told as broken.
    fn ask(&mut self, look: Look) {
        let is_whole = look == Look::Whole || self.asked.is_some_and(|(asked, _)| asked == Look::Whole);
        let at = self.asked.map_or_else(|| Instant::now() + self.pace.longest() + MARGIN, |(_, at)| at);
        self.asked = Some((if is_whole { Look::Whole } else { Look::Changed }, at));
        self.watch.ask();
    }

    /// When the look that is asked for is made, whatever the watch says.
    fn at_last(&self) -> Instant {
        self.asked.map_or_else(Instant::now, |(_, at)| at)
    }

    /// The look that is due once the files are quiet.
    fn settled(&mut self) -> Look {
        self.asked.take().map_or(Look::Changed, |(look, _)| look)
    }

    /// Watches the files that secrets are kept in, too, once it is known which they are, and the branch that a
    /// repository's HEAD stands on.
    fn rearm(&mut self, state: &State) {
        let mut secrets: Vec<PathBuf> = state.sources().secret_files(state.references());
        secrets.extend(
            state.sources().secret_files(self.basis.config.webhooks.iter().flat_map(config::Webhook::references)),
        );
        let interest = self.basis.config.interest(secrets);
        if self.armed.as_ref() != Some(&interest) {
            self.watch.rearm(interest.clone());
            self.armed = Some(interest);
        }
        if let Some(note) = self.watch.note() {
            tracing::warn!("{note}");
        }
    }

    /// How long to sleep at most: a report still being written, a reminder, something overdue, a pass to make again.
    fn wait(&self, look_again: &Option<Duration>, teller: &Teller, state: &State, clock: Clock) -> Duration {
        if self.failed {
            return RETRY;
        }
        let mut wait = self.basis.config.full_pass();
        if let Some(again) = look_again {
            wait = wait.min(*again + MOMENT);
        }
        for due in teller.next_reminder(state).into_iter().chain(state.next_change()) {
            let until = due.duration_since(clock.now());
            wait = wait.min(Duration::try_from(until).unwrap_or(Duration::ZERO) + MOMENT);
        }
        wait.max(MOMENT)
    }

    /// Tells of a pass; where another daemon was quicker, of a new look at what it may have told of.
    async fn tell(&mut self, teller: &mut Teller, state: &mut State, seen: &mut Seen, deliveries: &Deliveries) {
        for _ in 0..TURNS {
            seen.configuration.clone_from(&self.refused);
            match teller.tell(state, seen).await {
                Ok(Telling::Nothing) => return self.passed(teller, state, seen),
                Ok(Telling::News) => {
                    deliveries.nudge();
                    return self.passed(teller, state, seen);
                }
                Ok(Telling::Overtaken) => match state.look(Some(Look::Changed)).await {
                    Ok(new) => *seen = new,
                    Err(error) => return self.failed(&error),
                },
                Err(error) => return self.failed(&error),
            }
        }
        tracing::warn!("another daemon keeps telling from the same ledger; this one waits for its next pass");
    }

    fn passed(&mut self, teller: &Teller, state: &State, seen: &Seen) {
        self.failed = false;
        self.front.passed(state, teller, seen);
    }

    fn failed(&mut self, error: &dyn std::error::Error) {
        self.failed = true;
        self.front.status.fail();
        tracing::error!("the pass failed and is made again: {}", with_causes(error));
    }

    /// A new basis, where the configuration's text changed and can be used, or a webhook's secret was turned over.
    fn reconfigured(&mut self, deliveries: &Deliveries) -> Option<Basis> {
        let loaded = config::load(self.path);
        let is_new = loaded.texts != self.text;
        self.text = loaded.texts;
        self.refused = loaded.config.as_ref().err().cloned().unwrap_or_default();
        self.front.status.set_configuration_refused(!self.refused.is_empty());
        match loaded.config {
            Ok(config) if is_new && config != self.basis.config => {
                return Some(Basis { config, text: self.text.clone() });
            }
            Err(findings) if is_new => {
                tracing::error!("the changed configuration cannot be used; the one in force stays");
                log_findings(&findings, None);
            }
            Ok(_) | Err(_) => {}
        }
        let outdated = deliveries.are_outdated(&self.basis.config);
        outdated.then(|| Basis { config: self.basis.config.clone(), text: self.text.clone() })
    }
}

/// Returns when the command line or another daemon has written what this one does not know yet.
async fn somebody_wrote(store: &Store, state: &State, teller: &Teller) {
    loop {
        sleep(LEDGER_LOOK).await;
        let head = store.head().await.map_or(0, |head| head.seq);
        let refused = store.refused_newest().await.unwrap_or(0);
        if head > state.ledger_seq() || refused > teller.refused_seq() {
            return;
        }
    }
}

/// Says what should have been delivered long ago.
async fn undelivered(store: &Store, config: &Config) -> Vec<String> {
    let is_known = |queue: &Queue| config.webhooks.iter().any(|webhook| *webhook.name == *queue.webhook);
    let late = |queue: &Queue| queue.waiting > 0 && is_known(queue) && system_ms() - queue.oldest_ms > LATE_MS;
    let queues = store.queues().await.unwrap_or_default();
    let told = queues.iter().filter(|queue| late(queue)).map(|queue| {
        let since = Timestamp::from_millisecond(queue.oldest_ms).unwrap_or_default();
        format!("{}: {} undelivered, the oldest since {since:.0}", queue.webhook, queue.waiting)
    });
    let told: Vec<String> = told.collect();
    told.iter().for_each(|note| tracing::error!("{note}"));
    told
}

async fn prune(store: &Store) {
    let keep = i64::try_from(KEEP_DELIVERED.as_millis()).unwrap_or(i64::MAX);
    if let Err(error) = store.prune_delivered(system_ms().saturating_sub(keep)).await {
        tracing::warn!(%error, "old deliveries could not be cleared away");
    }
}

fn log_findings(findings: &[Finding], commit: Option<&Commit>) {
    if let Some(commit) = commit.filter(|_| findings.iter().any(Finding::is_error)) {
        tracing::error!(%commit, "this commit cannot be used, the one before stays in force");
    }
    for finding in findings {
        if finding.is_error() {
            tracing::error!(place = %finding.place, code = %finding.code, "{} {}", finding.message, finding.fix);
        } else {
            tracing::warn!(place = %finding.place, code = %finding.code, "{} {}", finding.message, finding.fix);
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
        address: config.address.clone(),
        surge_share: config.brake.share.value(),
        require_tests: config.require_tests,
    }
}
