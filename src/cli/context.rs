//! What a command works on: the files alone, or a view of the fleet.

use std::io::IsTerminal;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use indicatif::{ProgressBar, ProgressStyle};
use jiff::Timestamp;
use serde_json::Value as Json;

use super::error::{CliError, counted, findings_text, paint};
use super::exit::Exit;
use crate::config::{self, Config};
use crate::daemon::{Clock, with_causes};
use crate::files::Look;
use crate::finding::{Finding, did_you_mean, minute};
use crate::fleet::intake::{Intake, Received};
use crate::fleet::{
    Fleet, FleetError, LastRead, Moment, News, Reading, ReadingCache, Row, SourceTexts, Sources, Texts, View,
    open_to_read_with_key,
};
use crate::store::Store;

/// A bar on standard error, shown only on a terminal and only once something has taken a second.
pub fn progress(what: &'static str) -> ProgressBar {
    shown_late(what, "{msg} {wide_bar} {pos}/{len}")
}

/// The same where nobody knows how much there is.
pub fn counter(what: &'static str) -> ProgressBar {
    shown_late(what, "{msg}: {pos}")
}

fn shown_late(what: &'static str, template: &str) -> ProgressBar {
    let bar = ProgressBar::no_length().with_message(what);
    let style = ProgressStyle::with_template(template);
    let bar = bar.with_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
    bar.set_draw_target(indicatif::ProgressDrawTarget::hidden());
    if !std::io::stderr().is_terminal() {
        return bar;
    }
    let shown = bar.clone();
    std::thread::spawn(move || {
        std::thread::sleep(Duration::from_secs(1));
        if !shown.is_finished() {
            shown.set_draw_target(indicatif::ProgressDrawTarget::stderr());
        }
    });
    bar
}

/// What the files say, before any of it is used.
pub struct Files {
    pub config: Config,
    pub sources: Sources,
    pub texts: SourceTexts,
    pub reading: Arc<Reading>,
}

impl Files {
    /// Reads configuration, keybooks and inventory, and leaves nothing behind, not even a key of fingerprints where there
    /// is none yet. Findings are left in the reading.
    pub fn read(path: &Path) -> Result<Files, CliError> {
        Ok(Files::of(load(path)?))
    }

    /// The same with a configuration that is read already.
    pub fn of(config: Config) -> Files {
        let sources = sources_of(&config);
        let read = sources.read(&LastRead::default(), Look::Whole, SystemTime::now(), &mut ReadingCache::default());
        Files::new(config, sources, read)
    }

    /// The same as the files are edited, where they lie in the work tree of the repository that is followed.
    pub fn edited(config: Config) -> Files {
        let sources = sources_of(&config);
        let read = sources.read_edited(SystemTime::now());
        Files::new(config, sources, read)
    }

    /// The same as they are staged for the next commit.
    pub fn staged(config: Config) -> Result<Files, CliError> {
        let sources = sources_of(&config);
        let read = sources.read_staged(SystemTime::now()).map_err(|error| {
            let why = format!("what is staged cannot be read: {}", with_causes(&error));
            CliError::usage(format!("{}. {}", why.trim_end_matches('.'), error.fix()))
        })?;
        Ok(Files::new(config, sources, read))
    }

    fn new(config: Config, sources: Sources, read: LastRead) -> Files {
        let LastRead { texts, reading, .. } = read;
        Files { config, sources, texts, reading }
    }

    /// The texts findings may point into.
    pub fn texts(&self) -> [&Texts; 2] {
        [&self.texts.keybooks.files, &self.texts.inventory.files]
    }
}

fn sources_of(config: &Config) -> Sources {
    config.sources(config.key_place().load().ok().flatten().unwrap_or_else(config::random_key))
}

/// Reads the configuration; what is wrong with it is shown at its lines.
pub fn load(path: &Path) -> Result<Config, CliError> {
    let loaded = config::load(path);
    loaded.config.map_err(|findings| {
        eprint!("{}", findings_text(&findings, &[&loaded.texts.files], paint()));
        CliError::usage(format!("the configuration has errors: {}", counted(&findings)))
    })
}

/// The ledger of a configuration, alone, and without its key, to be read: also where it takes no writes.
pub async fn ledger_to_read(path: &Path) -> Result<Store, CliError> {
    Ok(Store::open_to_read(load(path)?.ledger.reveal()).await?)
}

/// A fleet and the view of it that a command shows.
pub struct Context {
    pub fleet: Fleet,
    pub view: Arc<View>,
    /// Whether the clock is one for rehearsals.
    pub rehearsal: bool,
}

impl Context {
    /// Files, ledger and records as of now; what lies in the reports folder is recorded first.
    pub async fn open(path: &Path) -> Result<Context, CliError> {
        Context::at(path, |fleet| fleet).await
    }

    /// The same, but what lies in the reports folder stays unrecorded.
    pub async fn leaving_drops(path: &Path) -> Result<Context, CliError> {
        Context::at(path, Fleet::leaving_drops).await
    }

    /// The same, with the reports up to a time and the clock at it.
    pub async fn as_of(path: &Path, time: Timestamp) -> Result<Context, CliError> {
        Context::at(path, |fleet| fleet.as_of(time)).await
    }

    async fn at(path: &Path, with: impl FnOnce(Fleet) -> Fleet) -> Result<Context, CliError> {
        let clock = Clock::from_env().map_err(CliError::usage)?;
        let now = clock.now();
        let config = load(path)?;
        let fresh = config::random_key();
        let (store, key) = open_to_read_with_key(config.ledger.reveal(), &config.key_place(), &fresh).await?;
        let terms = config.looking();
        let settle = terms.settle;
        let mut fleet = with(Fleet::new(config.sources(key), store, terms));
        let view = settled_look(&mut fleet, Some(Look::Whole), now, settle).await?;
        let context = Context { fleet, view, rehearsal: clock.is_set_by_hand() };
        context.tell_errors()?;
        if let Some(error) = &context.view.unwritten {
            eprintln!(
                "stationkeep: {error}. Until then this shows what is on record; what lies in the reports folder waits."
            );
        }
        Ok(context)
    }

    /// Says what keeps the files as they are from being used.
    fn tell_errors(&self) -> Result<(), CliError> {
        let errors: Vec<Finding> = self.view.findings().iter().filter(|finding| finding.is_error()).cloned().collect();
        let texts = self.fleet.texts();
        eprint!("{}", findings_text(&errors, &[&texts.keybooks.files, &texts.inventory.files], paint()));
        if !self.view.is_watching() {
            return Err(CliError::usage(format!("the files have errors: {}", counted(&errors))));
        }
        if let Some(since) = self.view.good_since() {
            let commit = self.view.as_is.commit.as_ref().map(|commit| format!(" of commit {commit}"));
            let (commit, since) = (commit.unwrap_or_default(), minute(since));
            eprintln!(
                "stationkeep: the files{commit} have errors ({}); the last good ones, of {since}, are in use",
                counted(&errors)
            );
        }
        Ok(())
    }

    /// Looks again at ledger and clock.
    pub async fn look_again(&mut self) -> Result<(), CliError> {
        let now = Clock::from_env().map_err(CliError::usage)?.now();
        let moment = Moment { now: now.max(self.view.at), files: SystemTime::now() };
        self.view = look(&mut self.fleet, None, moment).await?;
        Ok(())
    }

    /// The ledger.
    pub fn store(&self) -> &Store {
        self.fleet.store()
    }

    /// Where reports are judged and recorded.
    pub fn intake(&self) -> Intake<'_> {
        self.view.intake(self.store())
    }

    /// A JSON result that also says which commit says what is wanted, where the inventory is read from a repository.
    pub fn with_commit(&self, mut json: Json) -> Json {
        if let Some(commit) = &self.view.reading.commit {
            json["commit"] = commit.json();
        }
        json
    }

    /// Says that nothing is on record yet, where that is so.
    pub fn tell_first_day(&self) {
        if let Some(first_day) = self.view.first_day() {
            eprintln!("stationkeep: {first_day}");
        }
    }

    /// The same for people, beside a result that has a form of its own.
    pub fn tell_commit(&self) {
        if let Some(commit) = &self.view.reading.commit {
            eprintln!("stationkeep: wanted as of commit {commit}");
        }
    }

    /// How a command ends that did what was asked: where the files have errors it is no full success.
    pub fn exit(&self, exit: Exit) -> Exit {
        if self.view.good_since().is_none() { exit } else { Exit::Usage }
    }

    /// The station of this name.
    pub fn row(&self, name: &str) -> Result<&Row, CliError> {
        self.view.row(name).ok_or_else(|| self.no_station(name))
    }

    /// The stations of these names, each once, or all of them.
    pub fn rows(&self, names: &[String]) -> Result<Vec<&Row>, CliError> {
        if names.is_empty() {
            return Ok(self.view.rows.iter().map(|row| &**row).collect());
        }
        let mut once: Vec<&String> = Vec::new();
        for name in names {
            if !once.contains(&name) {
                once.push(name);
            }
        }
        once.into_iter().map(|name| self.row(name)).collect()
    }

    /// What to say where a name is not a station's.
    pub fn no_station(&self, name: &str) -> CliError {
        if let Some(now) = self.view.reading.inventory.called(name).map(|station| &station.name) {
            return CliError::usage(format!("the station \"{name}\" is called \"{now}\" now. Ask for \"{now}\"."));
        }
        let known = self.view.rows.iter().map(|row| &*row.station.name);
        CliError::usage(format!("no station is called \"{name}\". {}", did_you_mean(name, known)))
    }
}

/// A look that also sees what was dropped this very moment: `cp report reports/ && stationkeep drift` should see it.
pub async fn settled_look(
    fleet: &mut Fleet,
    files: Option<Look>,
    now: Timestamp,
    settle: Duration,
) -> Result<Arc<View>, FleetError> {
    let at = SystemTime::now();
    let view = look(fleet, files, Moment { now, files: at }).await?;
    let Some(wait) = view.look_again.map(|wait| wait.min(settle)) else { return Ok(view) };
    tokio::time::sleep(wait).await;
    look(fleet, None, Moment { now, files: at + wait }).await
}

async fn look(fleet: &mut Fleet, files: Option<Look>, moment: Moment) -> Result<Arc<View>, FleetError> {
    let (reports, entries) = (counter("reading reports"), counter("reading the ledger"));
    let mut news = |news: News| match news {
        News::Report => reports.inc(1),
        News::Received { name, received: Received::Rejected(reasons) } => {
            reasons.iter().for_each(|reason| eprintln!("stationkeep: {name} is rejected: {reason}"));
        }
        News::Received { received: Received::New(_) | Received::Duplicate(_), .. } | News::Commit(_) => {}
        News::Unread(finding) => eprintln!("stationkeep: {finding}"),
        News::Entries(read) => {
            reports.finish_and_clear();
            entries.set_position(read);
        }
    };
    let view = fleet.look(files, moment, &mut news).await;
    if view.is_ok() {
        fleet.keep_folds().await;
    }
    reports.finish_and_clear();
    entries.finish_and_clear();
    view
}
