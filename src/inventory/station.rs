//! What an inventory comes to: stations, and all that is wanted of each.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::sync::Arc;

use jiff::Timestamp;

use super::line::{Contact, Line};
use super::numbering::E164;
use crate::finding::Place;
use crate::keybook::{Keybook, Lifeline, SettingId};
use crate::setting::{Name, Value, Weight};

/// Stations by name. Two inventories may share them all.
pub type Stations = Arc<BTreeMap<Name, Arc<Station>>>;

/// All that is wanted of a fleet, as its files have it.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Inventory {
    /// Its name; part of the source of alerts.
    pub fleet: Name,
    /// Whom buttons call, by name.
    pub contacts: Arc<BTreeMap<Name, Contact>>,
    /// By name, set-aside ones too.
    pub stations: Stations,
}

impl Inventory {
    /// The station of a name, or the one that was called so before.
    pub fn called(&self, name: &str) -> Option<&Arc<Station>> {
        let before = || self.stations.values().find(|station| station.formerly.iter().any(|former| **former == *name));
        self.stations.get(name).or_else(before)
    }

    /// The stations that are not the same in both, to the line that says each of their values, or that only one of them has.
    pub fn differing(&self, other: &Inventory) -> BTreeSet<Name> {
        let mut differing = BTreeSet::new();
        if Arc::ptr_eq(&self.stations, &other.stations) {
            return differing;
        }
        let (mut mine, mut others) = (self.stations.iter().peekable(), other.stations.iter().peekable());
        loop {
            let (name, both) = match (mine.peek(), others.peek()) {
                (None, None) => return differing,
                (Some((name, _)), None) => (*name, std::cmp::Ordering::Less),
                (None, Some((name, _))) => (*name, std::cmp::Ordering::Greater),
                (Some((name, one)), Some((other_name, other))) => {
                    // Worked out anew, most are the same as before, and comparing them is quicker than what follows a change.
                    if Arc::ptr_eq(one, other) || name == other_name && one == other {
                        mine.next();
                        others.next();
                        continue;
                    }
                    (*name.min(other_name), name.cmp(other_name))
                }
            };
            differing.insert(name.clone());
            if both.is_le() {
                mine.next();
            }
            if both.is_ge() {
                others.next();
            }
        }
    }
}

/// One call station and what it should hold.
#[derive(Debug, Clone, PartialEq)]
pub struct Station {
    /// Unique in the fleet.
    pub name: Name,
    /// What the same unit was called before.
    pub formerly: Vec<Name>,
    /// The site's name.
    pub site: Name,
    /// The line that rings it.
    pub number: E164,
    /// Where it hangs, in words.
    pub location: Name,
    /// Of its model.
    pub keybook: Arc<Keybook>,
    /// Of its site, with what the station says otherwise.
    pub line: Arc<Line>,
    /// One for each of the keybook's settings; `None` is unmanaged.
    pub wanted: Vec<Option<Arc<Wanted>>>,
    /// Settings that a layer takes out of management, and the line that does.
    pub let_go: Vec<(SettingId, Place)>,
    /// The lifelines of the keybook that are not there at this station (a button that it lacks, and its fallbacks), each with
    /// the line that says so. They are not tracked, dead or tested; see [`Station::lifelines`].
    pub absent: BTreeMap<Name, Place>,
    /// How many days a lifeline's last reached test stays good.
    pub test_days: Option<u32>,
    /// The line of the file that begins it.
    pub place: Place,
    /// What people said of it for the time being; in no file.
    pub for_now: Arc<ForNow>,
}

/// What people said of a station for the time being. As the files have it, nothing.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ForNow {
    /// How much of it.
    pub set_aside: Extent,
    /// The settings that are: they are wanted all the same, once that is over.
    pub aside: BTreeSet<SettingId>,
    /// Who is working on it.
    pub taken: Option<Taken>,
}

/// How much of a station is set aside: known to be wrong, and accepted for now.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Extent {
    /// All of it counts.
    #[default]
    Nothing,
    /// Some settings, which are unmanaged meanwhile.
    Settings,
    /// All of it: nothing is managed, and its lifelines count for nothing.
    Whole,
}

impl Extent {
    /// What is said beside a station of which something is set aside.
    pub fn note(self) -> Option<&'static str> {
        match self {
            Extent::Nothing => None,
            Extent::Settings => Some("some of its settings are set aside: see \"stationkeep aside\""),
            Extent::Whole => Some("set aside, out of service: see \"stationkeep aside\""),
        }
    }

    /// The word used in output; `None` where nothing is set aside.
    pub fn as_str(self) -> Option<&'static str> {
        match self {
            Extent::Nothing => None,
            Extent::Settings => Some("settings"),
            Extent::Whole => Some("whole"),
        }
    }
}

/// Someone is on it, until a time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Taken {
    /// The name used in the ledger.
    pub by: Name,
    /// Since when.
    pub at: Timestamp,
    /// From then on reminders come again.
    pub until: Timestamp,
}

impl Station {
    /// Its name, then those that it had before.
    pub fn names(&self) -> impl Iterator<Item = &Name> {
        std::iter::once(&self.name).chain(&self.formerly)
    }

    /// What is wanted of a setting; `None` where it is unmanaged.
    pub fn wanted(&self, id: SettingId) -> Option<&Wanted> {
        self.wanted.get(id.index())?.as_deref()
    }

    /// The lifelines that there are at this station, each with its index in the keybook.
    pub fn lifelines(&self) -> impl Iterator<Item = (usize, &Lifeline)> {
        self.keybook.lifelines.iter().enumerate().filter(|(_, lifeline)| self.has_lifeline(lifeline))
    }

    /// Whether the station has the button of this lifeline of its keybook.
    pub fn has_lifeline(&self, lifeline: &Lifeline) -> bool {
        !self.absent.contains_key(&lifeline.name)
    }

    /// Whether a button may fail to summon help where this setting is wrong. What the inventory says of buttons that are not
    /// there takes nothing off it: that may be the mistake.
    pub fn is_lifeline(&self, id: SettingId) -> bool {
        let in_one = || self.keybook.lifelines.iter().any(|lifeline| lifeline.settings.contains(&id));
        self.keybook.setting(id).weight == Weight::Lifeline || in_one()
    }
}

/// A wanted value, and the line that wants it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wanted {
    /// Already dialled where it is a contact's number.
    pub value: Value,
    /// The layer that won.
    pub layer: Layer,
    /// The line of the file that says so.
    pub place: Place,
    /// The contact behind a dial string.
    pub contact: Option<Name>,
    /// What people call that contact, where the inventory says so.
    pub contact_title: Option<Name>,
}

/// Which layer of an inventory spoke; later ones win.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Layer {
    /// Settings at the top of the inventory.
    Fleet,
    /// Settings of the site of this name.
    Site(Name),
    /// Settings of the profile of this name; of several the last one that the station names wins.
    Profile(Name),
    /// The station's own settings.
    Station,
}

impl fmt::Display for Layer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Layer::Fleet => f.write_str("fleet"),
            Layer::Site(name) => write!(f, "site {name}"),
            Layer::Profile(name) => write!(f, "profile {name}"),
            Layer::Station => f.write_str("station"),
        }
    }
}
