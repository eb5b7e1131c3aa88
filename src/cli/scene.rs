//! Everything a command works on: configuration, files, ledger, records.

use std::ops::Deref;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use indicatif::{ProgressBar, ProgressStyle};
use jiff::Timestamp;
use serde_json::Value as Json;

use super::Exit;
use super::error::{CliError, counted, findings_text, paint};
use super::script::held;
use crate::config::{self, Config};
use crate::daemon::{Clock, sources};
use crate::files::{Look, load_key, load_or_make_key};
use crate::finding::did_you_mean;
use crate::fleet::intake::Intake;
use crate::fleet::{
    Cleared, LastRead, Lookout, LookoutError, Moment, News, Reading, ReadingCache, SourceTexts, Sources, Texts,
};
use crate::inventory::Station;
use crate::script::Script;
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
    pub trees: SourceTexts,
    pub fleet: Reading,
}

impl Files {
    /// Reads configuration, keybooks and inventory; findings are left in the fleet.
    pub fn new(path: &Path) -> Result<Files, CliError> {
        let config = load(path)?;
        let key = load_or_make_key(&config.key_file(), &config::random_key())?;
        Ok(Files::with_key(config, key))
    }

    /// The same for a look that leaves nothing behind, not even a key of fingerprints where there is none yet.
    pub fn passing(path: &Path) -> Result<Files, CliError> {
        Ok(Files::in_passing(load(path)?))
    }

    /// The same with a configuration that is read already.
    pub fn in_passing(config: Config) -> Files {
        let key = load_key(&config.key_file()).ok().flatten().unwrap_or_else(config::random_key);
        Files::with_key(config, key)
    }

    fn with_key(config: Config, key: [u8; 32]) -> Files {
        let sources = sources(&config, key);
        let mut cache = ReadingCache::default();
        let LastRead { trees, fleet, .. } =
            sources.read(&LastRead::default(), Look::Whole, SystemTime::now(), &mut cache);
        Files { config, sources, trees, fleet }
    }

    /// The texts findings may point into.
    pub fn texts(&self) -> [&Texts; 2] {
        [&self.trees.keybooks.files, &self.trees.inventory.files]
    }
}

/// Reads the configuration; what is wrong with it is shown at its lines.
pub fn load(path: &Path) -> Result<Config, CliError> {
    let loaded = config::load(path);
    loaded.config.map_err(|findings| {
        eprint!("{}", findings_text(&findings, &[&loaded.texts.files], paint()));
        CliError::usage(format!("the configuration cannot be used: {}", counted(&findings)))
    })
}

/// What commands work on: all that a [`Lookout`] sees, which they read as their own.
pub struct Scene(Lookout);

impl Deref for Scene {
    type Target = Lookout;

    fn deref(&self) -> &Lookout {
        &self.0
    }
}

impl Scene {
    /// Files, ledger and records as of now; what lies in the reports folder is taken up first.
    pub async fn open(path: &Path) -> Result<Scene, CliError> {
        Scene::at(path, None).await
    }

    /// The same, with the reports up to a time and the clock at it.
    pub async fn as_of(path: &Path, time: Timestamp) -> Result<Scene, CliError> {
        Scene::at(path, Some(time)).await
    }

    /// The ledger alone.
    pub async fn store_alone(path: &Path) -> Result<Store, CliError> {
        Ok(Store::open(load(path)?.ledger.reveal()).await?)
    }

    async fn at(path: &Path, time: Option<Timestamp>) -> Result<Scene, CliError> {
        let now = Clock::from_env().map_err(CliError::usage)?.now();
        let files = Files::new(path)?;
        let store = Store::open(files.config.ledger.reveal()).await?;
        let errors: Vec<_> = files.fleet.findings.iter().filter(|finding| finding.is_error()).cloned().collect();
        eprint!("{}", findings_text(&errors, &files.texts(), paint()));
        let Files { config, sources, trees, fleet } = files;
        let commit = trees.commit.clone();
        let mut lookout = Lookout::new(sources, store, config.looking());
        let reports = counter("taking up reports");
        let entries = counter("reading the ledger");
        let mut news = |news: News| match news {
            News::Report => reports.inc(1),
            News::Refused { name, reasons } => {
                reasons.iter().for_each(|reason| eprintln!("stationkeep: {name} is refused: {reason}"));
            }
            News::Unread(finding) => eprintln!("stationkeep: {finding}"),
            News::Entries(read) => {
                reports.finish_and_clear();
                entries.set_position(read);
            }
        };
        let moment = Moment { now, files: SystemTime::now() };
        let looked = lookout.go_by(LastRead::of(trees, fleet), moment, time, &mut news).await;
        reports.finish_and_clear();
        entries.finish_and_clear();
        match looked {
            Ok(()) => {}
            Err(LookoutError::Gather(error)) => return Err(error.into()),
            Err(LookoutError::NoFiles) => {
                return Err(CliError::usage(format!("the files cannot be used: {}", counted(&errors))));
            }
        }
        if let Some(since) = lookout.good_since {
            let commit = commit.map(|commit| format!(" of commit {commit}")).unwrap_or_default();
            eprintln!(
                "stationkeep: the files{commit} cannot be used ({}); this goes by the last good ones, of {since:.0}",
                counted(&errors)
            );
        }
        Ok(Scene(lookout))
    }

    /// Takes in what the ledger has gained, and asks the brake.
    pub async fn ask_brake(&mut self) -> Result<(), CliError> {
        Ok(self.0.ask_brake().await?)
    }

    /// Lets a script go, or says why it is held.
    pub fn clear(&self, script: &Script, station: &Station) -> Result<Cleared, CliError> {
        self.0.clear(script, station).map_err(|change| held(&station.name, change))
    }

    /// Where reports are judged and taken up.
    pub fn intake(&self) -> Intake<'_> {
        Intake { store: &self.store, fleet: &self.fleet, sources: &self.sources, now: self.now }
    }

    /// A JSON result that also says which commit says what is wanted, where the inventory is read from a repository.
    pub fn with_commit(&self, mut json: Json) -> Json {
        if let Some(commit) = &self.fleet.commit {
            json["commit"] = commit.json();
        }
        json
    }

    /// The same for people, beside a result that has a form of its own.
    pub fn tell_commit(&self) {
        if let Some(commit) = &self.fleet.commit {
            eprintln!("stationkeep: wanted as of commit {commit}");
        }
    }

    /// How a command ends that did what was asked: by files that cannot be used any more it is no full success.
    pub fn exit(&self, exit: Exit) -> Exit {
        if self.is_sound() { exit } else { Exit::Usage }
    }

    /// The station of this name.
    pub fn station(&self, name: &str) -> Result<Arc<Station>, CliError> {
        self.fleet.inventory.stations.get(name).cloned().ok_or_else(|| self.no_station(name))
    }

    /// The stations of these names, or all of them.
    pub fn stations(&self, names: &[String]) -> Result<Vec<Arc<Station>>, CliError> {
        if names.is_empty() {
            return Ok(self.fleet.inventory.stations.values().cloned().collect());
        }
        let mut once: Vec<&String> = Vec::new();
        for name in names {
            if !once.contains(&name) {
                once.push(name);
            }
        }
        once.into_iter().map(|name| self.station(name)).collect()
    }

    /// What to say where a name is no station's.
    pub fn no_station(&self, name: &str) -> CliError {
        let known = self.fleet.inventory.stations.keys().map(|name| &**name);
        CliError::usage(format!("no station is called `{name}`. {}", did_you_mean(name, known)))
    }
}
