//! Everything a command works on: configuration, files, ledger, records.

use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use indicatif::{ProgressBar, ProgressStyle};
use jiff::Timestamp;
use serde_json::Value as Json;

use super::Exit;
use super::shown::{Shown, counted, findings_text, paint};
use crate::aside;
use crate::brake::{Held, Limit};
use crate::config::{self, Config};
use crate::daemon::{Clock, ground};
use crate::drift::{Rules, StationDrift, look};
use crate::files::{Look, Tray, load_or_make_key};
use crate::finding::did_you_mean;
use crate::gather::intake::{Desk, Taken};
use crate::gather::{Fleet, FleetCache, Ground, Reading, Records, Texts, Trees, settle};
use crate::inventory::{Inventory, Station};
use crate::setting::Codes;
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
    pub ground: Ground,
    pub trees: Trees,
    pub fleet: Fleet,
}

impl Files {
    /// Reads configuration, keybooks and inventory; findings are left in the fleet.
    pub fn new(path: &Path) -> Result<Files, Shown> {
        let config = load(path)?;
        let key = load_or_make_key(&config.key_file(), &config::random_key())?;
        Ok(Files::with_key(config, key))
    }

    /// The same for a look that leaves nothing behind, not even the key of fingerprints.
    pub fn passing(path: &Path) -> Result<Files, Shown> {
        Ok(Files::in_passing(load(path)?))
    }

    /// The same with a configuration that is read already.
    pub fn in_passing(config: Config) -> Files {
        Files::with_key(config, config::random_key())
    }

    fn with_key(config: Config, key: [u8; 32]) -> Files {
        let ground = ground(&config, key);
        let mut cache = FleetCache::default();
        let Reading { trees, fleet, .. } = ground.read(&Reading::default(), Look::Whole, SystemTime::now(), &mut cache);
        Files { config, ground, trees, fleet }
    }

    /// The texts findings may point into.
    pub fn texts(&self) -> [&Texts; 2] {
        [&self.trees.keybooks.files, &self.trees.inventory.files]
    }
}

/// Reads the configuration; what is wrong with it is shown at its lines.
pub fn load(path: &Path) -> Result<Config, Shown> {
    let loaded = config::load(path);
    loaded.config.map_err(|findings| {
        eprint!("{}", findings_text(&findings, &[&loaded.texts.files], paint()));
        Shown::usage(format!("the configuration cannot be used: {}", counted(&findings)))
    })
}

/// The last good fleet, where the files as they are cannot be used.
async fn last_good(reading: &Files, store: &Store) -> Result<Fleet, Shown> {
    let errors: Vec<_> = reading.fleet.findings.iter().filter(|f| f.is_error()).cloned().collect();
    eprint!("{}", findings_text(&errors, &reading.texts(), paint()));
    match reading.ground.recall_good(store).await? {
        Some((fleet, _, since)) => {
            let commit = reading.trees.commit.as_ref().map(|commit| format!(" of commit {commit}")).unwrap_or_default();
            eprintln!(
                "stationkeep: the files{commit} cannot be used ({}); this goes by the last good ones, of {since:.0}",
                counted(&errors)
            );
            Ok(fleet)
        }
        None => Err(Shown::usage(format!("the files cannot be used: {}", counted(&errors)))),
    }
}

/// A fleet whose files are sound, or were when they were last read, with its ledger and records.
pub struct Scene {
    pub ground: Ground,
    pub fleet: Fleet,
    /// The inventory as the files have it: the fleet's goes without what is set aside.
    pub written: Arc<Inventory>,
    /// Whether the files are sound; else the fleet is the last good one.
    pub is_sound: bool,
    pub store: Store,
    pub records: Records,
    pub now: Timestamp,
    /// The change that waits for its release.
    pub held: Option<Held>,
    limit: Limit,
    rules: Rules,
}

impl Scene {
    /// Files, ledger and records as of now; what lies in the reports folder is taken up first.
    pub async fn open(path: &Path) -> Result<Scene, Shown> {
        Scene::at(path, None).await
    }

    /// The same, with the reports up to a time and the clock at it.
    pub async fn as_of(path: &Path, time: Timestamp) -> Result<Scene, Shown> {
        Scene::at(path, Some(time)).await
    }

    /// The ledger alone.
    pub async fn store_alone(path: &Path) -> Result<Store, Shown> {
        Ok(Store::open(load(path)?.ledger.reveal()).await?)
    }

    async fn at(path: &Path, time: Option<Timestamp>) -> Result<Scene, Shown> {
        let now = Clock::from_env().map_err(Shown::usage)?.now();
        let reading = Files::new(path)?;
        let store = Store::open(reading.config.ledger.reveal()).await?;
        let is_sound = reading.fleet.is_sound();
        let fleet = if is_sound {
            reading.ground.keep_good(&store, &reading.trees, now).await?;
            reading.fleet
        } else {
            last_good(&reading, &store).await?
        };
        let Files { config, ground, .. } = reading;
        let mut scene = Scene {
            held: None,
            limit: config.surge.limit(),
            rules: Rules { reconfirm_days: config.reconfirm_days, require_tests: config.require_tests },
            ground,
            written: fleet.inventory.clone(),
            fleet,
            is_sound,
            store,
            records: Records::default(),
            now,
        };
        scene.take_drops(config.settle()).await?;
        let bar = counter("reading the ledger");
        scene.records =
            Records::load(&scene.store, &scene.fleet.inventory, time, |read| bar.set_position(read)).await?;
        bar.finish_and_clear();
        scene.now = time.unwrap_or(now);
        scene.fleet.inventory = aside::for_now(&scene.written, scene.records.notices(), scene.now);
        if time.is_none() {
            scene.ask_brake().await?;
        }
        Ok(scene)
    }

    /// Takes in what the ledger has gained, and asks the brake.
    pub async fn ask_brake(&mut self) -> Result<(), Shown> {
        self.records.keep_up(&self.store, &self.written, None).await?;
        self.held = settle(&self.store, &self.written, &self.records, &self.limit).await?.held;
        Ok(())
    }

    /// The change that a station's script waits for.
    pub fn held(&self, station: &Station) -> Option<&Held> {
        self.held.as_ref().filter(|held| held.stations.contains(&station.name))
    }

    async fn take_drops(&self, settle: Duration) -> Result<(), Shown> {
        let (mut tray, mut findings) = Tray::look(&self.ground.reports, &Tray::default(), SystemTime::now(), settle);
        if let Some(wait) = tray.waiting {
            // Something was dropped this very moment: `cp report reports/ && stationkeep drift` should see it.
            tokio::time::sleep(wait.min(settle)).await;
            (tray, findings) = Tray::look(&self.ground.reports, &tray, SystemTime::now(), settle);
        }
        let bar = counter("taking up reports");
        let told = self.desk().drops(&tray, || bar.inc(1)).await?;
        bar.finish_and_clear();
        for (name, taken) in told {
            if let Taken::Refused(reasons) = taken {
                for reason in reasons {
                    eprintln!("stationkeep: {name} is refused: {reason}");
                }
            }
        }
        for finding in findings {
            eprintln!("stationkeep: {finding}");
        }
        Ok(())
    }

    /// Where reports are judged and taken up.
    pub fn desk(&self) -> Desk<'_> {
        Desk { store: &self.store, fleet: &self.fleet, ground: &self.ground, now: self.now }
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
        if self.is_sound { exit } else { Exit::Usage }
    }

    /// The codes that a script for a station may need.
    pub fn codes_for(&self, station: &Station) -> Codes {
        self.ground.codes_for(&self.fleet, station, &self.records.of(station))
    }

    /// A station's drift.
    pub fn drift(&self, station: &Station) -> StationDrift {
        look(station, &self.records.of(station), self.rules, self.now)
    }

    /// The station of this name.
    pub fn station(&self, name: &str) -> Result<Arc<Station>, Shown> {
        self.fleet.inventory.stations.get(name).cloned().ok_or_else(|| self.no_station(name))
    }

    /// The stations of these names, or all of them.
    pub fn stations(&self, names: &[String]) -> Result<Vec<Arc<Station>>, Shown> {
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
    pub fn no_station(&self, name: &str) -> Shown {
        let known = self.fleet.inventory.stations.keys().map(|name| &**name);
        Shown::usage(format!("no station is called `{name}`. {}", did_you_mean(name, known)))
    }
}
