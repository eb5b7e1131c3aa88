//! One session: the watch, the passes, the deliveries, under one configuration. All wiring stands here.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use jiff::{SignedDuration, Timestamp};
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::time::{Instant, MissedTickBehavior, interval_at, sleep, sleep_until};
use uuid::Uuid;

use crate::alert::{AlertTerms, Cause, Subscription, source_of};
use crate::config::{self, Config};
use crate::files::{Interest, Look, Means, Pace, Tree, Watch};
use crate::finding::Finding;
use crate::fleet::intake::Received;
use crate::fleet::{Askers, Asking, Fleet, FleetError, Moment, News, View, asking, open_with_key};
use crate::setting::Name;
use crate::store::{Queue, Store};
use crate::web::{Cards, Outside};

use super::banner;
use super::clock::{Clock, system_ms};
use super::deliveries::{Deliveries, DeliveryParts};
use super::error::{ServeError, with_causes};
use super::front::Front;
use super::notifier::{Notifier, PassInputs, PassOutcome};

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
pub enum SessionEnd {
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
#[allow(clippy::too_many_lines, reason = "it is being redrawn")]
pub async fn run(
    basis: &Basis,
    path: &Path,
    clock: Clock,
    first: bool,
    stops: &mut Stops,
    front: &mut Front,
) -> Result<SessionEnd, ServeError> {
    let mut session = Session::begin(basis, path, clock, first, front).await?;
    let end = session.watch_on(stops).await;
    match &end {
        SessionEnd::Stopped => session.front.stopping(),
        SessionEnd::Reconfigured(_) => session.front.reloading(),
    }
    session.deliveries.stop().await;
    session.fleet.store().close().await;
    if matches!(end, SessionEnd::Stopped) {
        tracing::info!("stopped");
    }
    Ok(end)
}

/// Cards are shown from the view of the moment in which someone opens one.
fn cards(config: &Config, key: &[u8; 32], store: Store, clock: Clock, asking: Asking) -> Cards {
    let outside = Outside { now: Arc::new(move || clock.now()), id: Uuid::now_v7, rehearsal: clock.is_set_by_hand() };
    Cards::new(asking, store, config.access.clone(), config.address.clone(), key, outside)
}

/// A changed configuration is a cause of its own.
fn cause_files(config: &Config, first: bool) -> Vec<Name> {
    let name = config.file.file_name().map(|name| name.to_string_lossy().as_ref().into());
    name.into_iter().filter(|_| !first).collect()
}

/// One configuration, and everything that runs under it.
struct Session<'a> {
    basis: &'a Basis,
    path: &'a Path,
    clock: Clock,
    /// The configuration's text when it was last looked at.
    text: Tree,
    /// What is wrong with the configuration as it is now; the one in use stays.
    rejected: Vec<Finding>,
    watch: Watch,
    pace: Pace,
    /// What is watched.
    armed: Option<Interest>,
    /// The look that is asked for and waits until the files are quiet, and when it is made in any case.
    asked: Option<(Look, Instant)>,
    fleet: Fleet,
    /// The view of the last look that was finished.
    view: Arc<View>,
    /// Whoever waits for a view of this moment.
    askers: Askers,
    notifier: Notifier,
    deliveries: Deliveries,
    /// Whether the last pass failed.
    failed: bool,
    /// Hears how passes go.
    front: &'a mut Front,
}

impl<'a> Session<'a> {
    /// Opens everything and makes the first pass.
    async fn begin(
        basis: &'a Basis,
        path: &'a Path,
        clock: Clock,
        first: bool,
        front: &'a mut Front,
    ) -> Result<Session<'a>, ServeError> {
        let config = &basis.config;
        let fresh = config::random_key();
        let (store, key) = open_with_key(config.ledger.reveal(), &config.key_place(), &fresh).await?;
        let pace = Pace::settling(config.settle());
        let watch = Watch::start(config.interest([]), pace, Means::Events).await?;
        let (asking, askers) = asking();
        front.status.open(config.full_pass(), store.clone(), cards(config, &key, store.clone(), clock, asking));
        let mut fleet = Fleet::new(config.sources(key), store.clone(), config.looking()).moving_drops();
        front.status.begin();
        let view = first_view(&mut fleet, clock, config.settle()).await?;
        let ways = DeliveryParts {
            store,
            health: front.status.clone(),
            clock,
            source: source_of(&view.effective.fleet),
            fleet: view.effective.fleet.clone(),
            full_pass: SignedDuration::try_from(config.full_pass()).unwrap_or(SignedDuration::MAX),
        };
        let mut deliveries = Deliveries::start(config, ways)?;
        deliveries.forget(config).await?;
        let cause = Cause { started: first, files: cause_files(config, first), ..Cause::default() };
        let terms = AlertTerms { rehearsal: clock.is_set_by_hand(), ..terms(config, &view, &deliveries) };
        let settle_broken = Duration::from_secs(config.settle_broken_s.into());
        let notifier = Notifier::resume(fleet.store(), terms, cause, settle_broken).await?;
        deliveries.notes.extend(undelivered(fleet.store(), config).await);
        // From here on this session runs: nothing that follows can fail.
        front.listen(config.listen, clock.now()).await;
        if first {
            banner::say(&banner::text(&view, fleet.store().place(), front.address(), &deliveries.notes));
        }
        log_findings(&view);
        let mut session = Session {
            basis,
            path,
            clock,
            text: basis.text.clone(),
            rejected: Vec::new(),
            watch,
            pace,
            armed: None,
            asked: None,
            fleet,
            view,
            askers,
            notifier,
            deliveries,
            failed: false,
            front,
        };
        session.tell(true).await;
        Ok(session)
    }

    /// Makes passes until there is a reason to end.
    async fn watch_on(&mut self, stops: &mut Stops) -> SessionEnd {
        let config = &self.basis.config;
        let mut full = interval_at(Instant::now() + config.full_pass(), config.full_pass());
        full.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            self.rearm();
            let (wait, at_last) = (self.wait(), self.at_last());
            let look = tokio::select! {
                _ = stops.term.recv() => return SessionEnd::Stopped,
                _ = stops.interrupt.recv() => return SessionEnd::Stopped,
                _ = stops.hangup.recv() => { self.ask(Look::Whole); continue }
                () = self.watch.changed() => Some(self.settled()),
                _ = full.tick() => { self.ask(Look::Whole); continue }
                () = sleep_until(at_last), if self.asked.is_some() => Some(self.settled()),
                () = self.deliveries.asked() => { self.deliveries.answer().await; continue }
                () = self.deliveries.news() => None,
                () = self.askers.asked() => None,
                () = self.front.heard_again(), if !self.failed => None,
                () = someone_wrote(self.fleet.store(), &self.view, &self.notifier), if !self.failed => None,
                // What a failed pass had read may not be in use yet, and may have been in the middle of an edit.
                () = sleep(wait), if self.failed && self.asked.is_none() => { self.ask(Look::Changed); continue }
                () = sleep(wait), if !self.failed => None,
            };
            // Without a look the files are not known to be quiet, and the configuration is one of them.
            if look.is_some()
                && let Some(new) = self.reconfigured()
            {
                return SessionEnd::Reconfigured(Box::new(new));
            }
            self.pass(look).await;
            if look == Some(Look::Whole) {
                self.tidy_up().await;
            }
        }
    }

    /// One pass: looks, answers whoever waits for a view, tells.
    async fn pass(&mut self, look: Option<Look>) {
        self.front.status.begin();
        match self.look(look).await {
            // Whoever asks is answered by what is on record, whether or not the ledger takes writes.
            Ok(()) => {
                self.askers.answer(&self.view, self.basis.config.settle());
                self.tell(look == Some(Look::Whole)).await;
                if !self.failed {
                    self.fleet.keep_folds().await;
                }
            }
            Err(error) => {
                self.askers.turn_away();
                self.look_failed(&error);
            }
        }
    }

    /// The next view takes the place of the last.
    async fn look(&mut self, look: Option<Look>) -> Result<(), FleetError> {
        let view = self.fleet.look(look, moment(self.clock), &mut log_news).await?;
        if view.findings() != self.view.findings() {
            log_findings(&view);
        }
        let before = std::mem::replace(&mut self.view, view);
        // A large fleet takes a while to let go of.
        tokio::task::spawn_blocking(move || drop(before));
        Ok(())
    }

    /// Tells of a view; where another daemon was quicker, of a new look at what it may have told of.
    async fn tell(&mut self, is_full: bool) {
        // What is told must be on record, and now nothing can be.
        if let Some(error) = self.view.unwritten.clone() {
            self.deliveries.ledger_failed(&error);
            return self.failed(&*error);
        }
        let pages = self.front.pages();
        for _ in 0..TURNS {
            let store = self.fleet.store();
            let (configuration, pages) = (&*self.rejected, pages.as_ref());
            let seen = PassInputs { view: &self.view, configuration, store, pages, is_full };
            match self.notifier.tell(seen).await {
                Ok(PassOutcome::Nothing) => return self.passed(),
                Ok(PassOutcome::News) => {
                    self.deliveries.nudge();
                    return self.passed();
                }
                Ok(PassOutcome::Overtaken) => {
                    // The other may have told of an edit that this one has not read: by older files it would be taken back.
                    if let Err(error) = self.look(Some(Look::Changed)).await {
                        return self.look_failed(&error);
                    }
                }
                Err(error) => return self.look_failed(&error),
            }
        }
        tracing::warn!("another daemon keeps telling from the same ledger; this one waits for its next pass");
    }

    fn passed(&mut self) {
        self.failed = false;
        self.deliveries.ledger_works();
        self.front.passed(&self.view, &self.notifier);
    }

    fn look_failed(&mut self, error: &FleetError) {
        match error {
            FleetError::Store(error) => self.deliveries.ledger_failed(error),
            FleetError::Entry { .. } | FleetError::Recorded { .. } | FleetError::Overtaken => {}
        }
        self.failed(error);
    }

    fn failed(&mut self, error: &dyn std::error::Error) {
        self.failed = true;
        self.front.status.fail();
        tracing::error!("the pass failed and is made again: {}", with_causes(error));
    }

    /// What a full pass does beside looking.
    async fn tidy_up(&self) {
        prune(self.fleet.store()).await;
        undelivered(self.fleet.store(), &self.basis.config).await;
        if self.front.status.is_silent() {
            tracing::error!(
                "no alert is delivered: every webhook for alerts was stopped by its receiver (410), or has \
                 delivered nothing for long. See \"stationkeep deliveries\"; \"stationkeep deliveries start NAME\" sends to one again"
            );
        }
    }

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
        if self.watch.are_reports_stirred() {
            self.fleet.stir();
        }
        self.asked.take().map_or(Look::Changed, |(look, _)| look)
    }

    /// Watches the files that secrets are kept in, too, once it is known which they are, and the branch that a
    /// repository's HEAD stands on.
    fn rearm(&mut self) {
        let sources = self.fleet.sources();
        let mut secrets: Vec<PathBuf> = sources.secret_files(&self.view.reading.references);
        secrets.extend(sources.secret_files(self.basis.config.webhooks.iter().flat_map(config::Webhook::references)));
        let interest = self.basis.config.interest(secrets);
        if self.armed.as_ref() != Some(&interest) {
            self.watch.rearm(interest.clone());
            self.armed = Some(interest);
        }
        while let Some(note) = self.watch.note() {
            tracing::warn!("{note}");
        }
        self.front.status.set_files_polled(self.watch.means() == Means::Polling);
    }

    /// How long to sleep at most: a report still being written, a reminder, something overdue, a pass to make again.
    fn wait(&self) -> Duration {
        if self.failed {
            return RETRY;
        }
        let mut wait = self.basis.config.full_pass();
        let soon = [self.view.look_again, self.notifier.silent_in(), self.notifier.broken_in()];
        for soon in soon.into_iter().flatten() {
            wait = wait.min(soon + MOMENT);
        }
        for due in self.notifier.next_reminder().into_iter().chain(self.view.due) {
            let until = due.duration_since(self.clock.now());
            wait = wait.min(Duration::try_from(until).unwrap_or(Duration::ZERO) + MOMENT);
        }
        wait.max(MOMENT)
    }

    /// A new basis, where the configuration's text changed and can be used, or a webhook's secret was turned over.
    fn reconfigured(&mut self) -> Option<Basis> {
        let loaded = tokio::task::block_in_place(|| config::load(self.path));
        let is_new = loaded.texts != self.text;
        self.text = loaded.texts;
        self.rejected = loaded.config.as_ref().err().cloned().unwrap_or_default();
        self.front.status.set_configuration_rejected(!self.rejected.is_empty());
        match loaded.config {
            Ok(config) if is_new && config != self.basis.config => {
                return Some(Basis { config, text: self.text.clone() });
            }
            Err(findings) if is_new => {
                tracing::error!("the changed configuration has errors; the one before stays in use");
                log_each(&findings);
            }
            Ok(_) | Err(_) => {}
        }
        let outdated = tokio::task::block_in_place(|| self.deliveries.are_outdated(&self.basis.config));
        outdated.then(|| Basis { config: self.basis.config.clone(), text: self.text.clone() })
    }
}

fn moment(clock: Clock) -> Moment {
    Moment { now: clock.now(), files: SystemTime::now() }
}

/// The view at the start. A report dropped just before it must not be told as missing.
async fn first_view(fleet: &mut Fleet, clock: Clock, settle: Duration) -> Result<Arc<View>, FleetError> {
    let mut reports = 0_usize;
    let mut news = |news: News| match news {
        News::Received { received: Received::New(_), .. } => reports += 1,
        news => log_news(news),
    };
    let mut view = fleet.look(Some(Look::Whole), moment(clock), &mut news).await?;
    if let Some(again) = view.look_again {
        sleep(again.min(settle) + MOMENT).await;
        let changed = view.changed.clone();
        view = fleet.look(None, moment(clock), &mut news).await?;
        if changed != Cause::default() {
            let mut both = View::clone(&view);
            both.changed = changed;
            view = Arc::new(both);
        }
    }
    if reports > 0 {
        tracing::info!(count = reports, "reports recorded from the folder");
    }
    Ok(view)
}

fn log_news(news: News) {
    match news {
        News::Report | News::Entries(_) | News::Received { received: Received::Duplicate(_), .. } => {}
        News::Received { name, received: Received::New(station) } => {
            tracing::info!(file = %name, %station, "report recorded")
        }
        News::Received { name, received: Received::Rejected(reasons) } => {
            let reasons: Vec<String> = reasons.iter().map(ToString::to_string).collect();
            tracing::warn!(file = %name, reasons = reasons.join(" | "), "report rejected");
        }
        News::Unread(finding) => tracing::warn!(place = %finding.place, "{} {}", finding.message, finding.fix),
        News::Commit(new) if new.is_rewritten => {
            tracing::warn!(commit = %new.commit, "the commit before is not in the history of the one that is in use now");
        }
        News::Commit(new) => tracing::info!(commit = %new.commit, "in force"),
    }
}

/// Returns when the command line or another daemon has written what this one does not know yet.
async fn someone_wrote(store: &Store, view: &View, notifier: &Notifier) {
    loop {
        sleep(LEDGER_LOOK).await;
        let head = store.head().await.map_or(0, |head| head.seq);
        let rejected = store.rejected_newest().await.unwrap_or(0);
        if head > view.seq || rejected > notifier.last_rejected() {
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

fn log_findings(view: &View) {
    let findings = view.findings();
    if let Some(commit) = view.as_is.commit.as_ref().filter(|_| findings.iter().any(Finding::is_error)) {
        tracing::error!(%commit, "this commit has errors; the one before stays in use");
    }
    log_each(findings);
}

fn log_each(findings: &[Finding]) {
    for finding in findings {
        if finding.is_error() {
            tracing::error!(place = %finding.place, code = %finding.code, "{} {}", finding.message, finding.fix);
        } else {
            tracing::warn!(place = %finding.place, code = %finding.code, "{} {}", finding.message, finding.fix);
        }
    }
}

fn terms(config: &Config, view: &View, deliveries: &Deliveries) -> AlertTerms {
    let on = config.webhooks.iter().filter(|webhook| deliveries.on.contains(&webhook.name));
    AlertTerms {
        fleet: view.effective.fleet.to_string(),
        full_pass: SignedDuration::try_from(config.full_pass()).unwrap_or(SignedDuration::MAX),
        source: source_of(&view.effective.fleet),
        webhooks: on
            .map(|webhook| Subscription {
                name: webhook.name.clone(),
                weights: webhook.weights.clone(),
                remind_minutes: webhook.remind_minutes.clone(),
                silent_minutes: webhook.silent_minutes,
                body: webhook.body.clone(),
            })
            .collect(),
        address: config.address.clone(),
        many_share: config.brake.share.value(),
        require_tests: config.require_tests,
        rehearsal: false,
    }
}
