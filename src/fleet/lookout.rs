//! The lookout: a fleet's files, its ledger, what people said and the brake, looked at together whenever somebody asks.
//! The command line and the page of a card go by it, so both hand out the same script. It decides nothing itself.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use jiff::Timestamp;

use super::intake::{Intake, Taken};
use super::{Cleared, FleetError, Judged, LastRead, Reading, Records, Sources, clear};
use crate::aside;
use crate::brake::{Change, Limit};
use crate::drift::{Rules, StationDrift, look};
use crate::files::Inbox;
use crate::finding::Finding;
use crate::inventory::{Inventory, Station};
use crate::ledger::Released;
use crate::script::{self, Memory, NoScript, Script, Way};
use crate::setting::{Codes, Name};
use crate::store::Store;

/// What a configuration says of looking.
#[derive(Debug, Clone)]
pub struct Terms {
    pub rules: Rules,
    pub limit: Limit,
    /// How long a dropped file must be quiet.
    pub settle: Duration,
}

/// A moment, by the program's clock and by the one that files are stamped with.
#[derive(Debug, Clone, Copy)]
pub struct Moment {
    pub now: Timestamp,
    pub files: SystemTime,
}

/// The files that a daemon goes by, as its last pass left them.
#[derive(Debug, Clone)]
pub struct InForce {
    /// With the inventory as the files have it.
    pub fleet: Reading,
    /// Since when they are known to be good, where the files as they are cannot be used.
    pub good_since: Option<Timestamp>,
}

/// What is heard while it looks.
#[derive(Debug)]
pub enum News {
    /// A report, or a line of an export, is taken up.
    Report,
    /// A dropped file is refused.
    Refused { name: Arc<str>, reasons: Vec<Finding> },
    /// A dropped file cannot be read.
    Unread(Finding),
    /// So many entries of the ledger are read.
    Entries(u64),
}

/// Why there is nothing to go by.
#[derive(Debug, thiserror::Error)]
pub enum LookoutError {
    #[error(transparent)]
    Gather(#[from] FleetError),
    /// The files cannot be used, and no good ones are kept.
    #[error("the files cannot be used, and none that could were ever kept")]
    NoFiles,
}

impl From<crate::store::StoreError> for LookoutError {
    fn from(error: crate::store::StoreError) -> LookoutError {
        LookoutError::Gather(error.into())
    }
}

/// What keying a station needs.
pub enum Keying<'a> {
    Script {
        script: Box<Script>,
        codes: Codes,
    },
    /// The script waits for the release of this change.
    Held(&'a Change),
    Nothing,
    NoScript(NoScript),
}

/// A fleet whose files are sound, or were when they were last read, with its ledger and records.
pub struct Lookout {
    pub sources: Sources,
    pub store: Store,
    terms: Terms,
    /// What goes by: without what is set aside.
    pub fleet: Reading,
    /// The inventory as the files have it.
    pub written: Arc<Inventory>,
    /// Since when the last good files are known to be good, where those as they are cannot be used.
    pub good_since: Option<Timestamp>,
    tray: Inbox,
    pub records: Records,
    is_loaded: bool,
    pub judged: Judged,
    pub now: Timestamp,
}

impl Lookout {
    /// One that has not looked yet.
    pub fn new(sources: Sources, store: Store, terms: Terms) -> Lookout {
        Lookout {
            sources,
            store,
            terms,
            fleet: Reading::default(),
            written: Arc::default(),
            good_since: None,
            tray: Inbox::default(),
            records: Records::default(),
            is_loaded: false,
            judged: Judged::default(),
            now: Timestamp::UNIX_EPOCH,
        }
    }

    /// Lets go of everything that it has read: the next look begins anew. A large fleet takes hundreds of megabytes.
    pub fn forget(&mut self) {
        *self = Lookout::new(self.sources.clone(), self.store.clone(), self.terms.clone());
    }

    /// Looks at dropped reports, ledger and brake beside a daemon. The files are those that it has in force: as they lie there
    /// they may be in the middle of an edit. Stopped in the middle, or failed, it is looked at again.
    ///
    /// # Errors
    /// Where the ledger cannot be read or written.
    pub async fn look(&mut self, in_force: InForce, moment: Moment) -> Result<(), LookoutError> {
        let InForce { fleet, good_since } = in_force;
        self.now = moment.now;
        self.written = fleet.inventory.clone();
        (self.fleet, self.good_since) = (fleet, good_since);
        self.compare(moment, None, &mut |_| {}).await
    }

    /// Looks at files that were just read, dropped reports, ledger and brake; with `until`, at the reports up to a time.
    ///
    /// # Errors
    /// Where the ledger cannot be read or written, or there are no files to go by.
    pub async fn go_by(
        &mut self,
        reading: LastRead,
        moment: Moment,
        until: Option<Timestamp>,
        news: &mut (dyn FnMut(News) + Send),
    ) -> Result<(), LookoutError> {
        self.now = moment.now;
        self.take_fleet(reading).await?;
        self.compare(moment, until, news).await
    }

    async fn compare(
        &mut self,
        moment: Moment,
        until: Option<Timestamp>,
        news: &mut (dyn FnMut(News) + Send),
    ) -> Result<(), LookoutError> {
        self.take_drops(moment.files, news).await?;
        if self.is_loaded {
            self.records.keep_up(&self.store, &self.written, None).await?;
        } else {
            let read = |read| news(News::Entries(read));
            self.records = Records::load(&self.store, &self.written, until, read).await?;
            self.is_loaded = until.is_none();
        }
        self.now = until.unwrap_or(moment.now);
        self.fleet.inventory = aside::for_now(&self.written, self.records.decisions(), self.now);
        self.judge();
        Ok(())
    }

    /// The files as they are, where they can be used; else the last good ones.
    async fn take_fleet(&mut self, reading: LastRead) -> Result<(), LookoutError> {
        if reading.fleet.is_sound() {
            self.sources.keep_good(&self.store, &reading.trees, self.now).await?;
            (self.fleet, self.good_since) = (reading.fleet, None);
        } else {
            let good = self.sources.recall_good(&self.store).await?;
            let (fleet, _, since) = good.ok_or(LookoutError::NoFiles)?;
            (self.fleet, self.good_since) = (fleet, Some(since));
        }
        self.written = self.fleet.inventory.clone();
        Ok(())
    }

    async fn take_drops(&mut self, files: SystemTime, news: &mut (dyn FnMut(News) + Send)) -> Result<(), LookoutError> {
        let settle = self.terms.settle;
        let (mut tray, mut findings) = Inbox::look(&self.sources.reports, &self.tray, files, settle);
        if let Some(wait) = tray.waiting {
            // Something was dropped this very moment: `cp report reports/ && stationkeep drift` should see it.
            let wait = wait.min(settle);
            tokio::time::sleep(wait).await;
            (tray, findings) = Inbox::look(&self.sources.reports, &tray, files + wait, settle);
        }
        let intake = Intake { store: &self.store, fleet: &self.fleet, sources: &self.sources, now: self.now };
        for (name, taken) in intake.drops(&tray, || news(News::Report)).await? {
            if let Taken::Refused(reasons) = taken {
                news(News::Refused { name, reasons });
            }
        }
        findings.into_iter().for_each(|finding| news(News::Unread(finding)));
        self.tray = tray;
        Ok(())
    }

    /// Takes in what the ledger has gained since, and asks the brake.
    ///
    /// # Errors
    /// Where the ledger cannot be read or written.
    pub async fn ask_brake(&mut self) -> Result<(), FleetError> {
        self.records.keep_up(&self.store, &self.written, None).await?;
        self.judge();
        Ok(())
    }

    fn judge(&mut self) {
        self.judged = Judged::of(&self.written, &self.records, &self.terms.limit, self.now);
    }

    /// What a release of the change names.
    pub fn to_release(&self) -> BTreeMap<Name, Arc<Released>> {
        self.judged.released(&self.written, &self.records, self.now)
    }

    /// Whether the files as they are can be used; else it goes by the last good ones.
    pub fn is_sound(&self) -> bool {
        self.good_since.is_none()
    }

    /// The change that waits for its release.
    pub fn change(&self) -> Option<&Change> {
        self.judged.change.as_ref()
    }

    /// The change that a station's scripts wait for; not all of them do.
    pub fn held(&self, station: &Station) -> Option<&Change> {
        self.change().filter(|change| change.stations.contains(&station.name))
    }

    /// Lets a script of this look go: only then it can be recorded, and handed out.
    ///
    /// # Errors
    /// Where it is held.
    pub fn clear(&self, script: &Script, station: &Station) -> Result<Cleared, &Change> {
        clear(script, station, &self.records.of(station), self.change(), self.now)
    }

    /// The codes that a script for a station may need.
    pub fn codes_for(&self, station: &Station) -> Codes {
        self.sources.codes_for(&self.fleet, station, &self.records.of(station))
    }

    /// A station's drift.
    pub fn drift(&self, station: &Station) -> StationDrift {
        look(station, &self.records.of(station), self.terms.rules, self.now)
    }

    /// What keying a station needs. A script is not on record yet: it must be, before it is handed out. The brake holds no
    /// way back.
    pub fn keying(&self, station: &Station, way: Way, memory: &mut Memory) -> Keying<'_> {
        let codes = self.codes_for(station);
        match script::write(station, &self.records.of(station), &codes, way, memory) {
            Ok(Some(script)) => match self.clear(&script, station) {
                Err(change) => Keying::Held(change),
                Ok(_) => Keying::Script { script: Box::new(script), codes },
            },
            Ok(None) => Keying::Nothing,
            Err(why) => Keying::NoScript(why),
        }
    }
}
