//! From the texts of an inventory to what every station should hold.
//!
//! Three stages: [`read()`] takes one file apart, [`resolve()`] puts all files together, layer over layer,
//! and checks what only shows then. Both collect every finding. Nothing here reads a file or asks a clock.

mod again;
mod checks;
mod commit;
mod line;
mod numbering;
mod raw;
mod resolve;
mod spelling;

pub use again::Kept;
pub use commit::Commit;
pub use line::{Contact, Form, Lacks, Line, LineKind, Part, Reach, dial, leads_to, parts};
pub use numbering::{Country, E164, NotE164};
pub use raw::{Entry, LineEntry, RawFile, Wish, read};
pub use resolve::{Keybooks, Spoken, SpokenLine, layers, resolve, spoken, spoken_line};

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::sync::Arc;

use jiff::Timestamp;

use crate::finding::Place;
use crate::keybook::{Keybook, SettingId};
use crate::setting::{Name, Value};

/// All that is wanted of a fleet.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Inventory {
    pub fleet: Name,
    pub contacts: BTreeMap<Name, Contact>,
    pub stations: BTreeMap<Name, Arc<Station>>,
}

/// One call station and what it should hold.
#[derive(Debug, Clone, PartialEq)]
pub struct Station {
    pub name: Name,
    /// What the same unit was called before.
    pub formerly: Vec<Name>,
    pub site: Name,
    /// The line that rings it.
    pub number: E164,
    /// Where it hangs, in words.
    pub location: Name,
    pub keybook: Arc<Keybook>,
    pub line: Line,
    /// One for each of the keybook's settings; `None` is unmanaged.
    pub wanted: Vec<Option<Arc<Wanted>>>,
    /// Settings that a layer takes out of management, and the line that does.
    pub let_go: Vec<(SettingId, Place)>,
    /// How many days a lifeline's last reached test stays good.
    pub test_days: Option<u32>,
    pub place: Place,
    /// What people said of it for the time being; in no file.
    pub for_now: ForNow,
}

/// What people said of a station for the time being. As the files have it, nothing.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ForNow {
    pub set_aside: Extent,
    /// The settings that are: they are wanted all the same, once that is over.
    pub aside: BTreeSet<SettingId>,
    pub taken: Option<Taken>,
}

/// How much of a station is set aside: known to be wrong, and accepted for now.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Extent {
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
            Extent::Settings => Some("some of its settings are set aside: see `stationkeep aside`"),
            Extent::Whole => Some("set aside, out of service: see `stationkeep aside`"),
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

/// Somebody is on it, until a time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Taken {
    pub by: Name,
    pub at: Timestamp,
    pub until: Timestamp,
}

impl Station {
    /// What is wanted of a setting; `None` where it is unmanaged.
    pub fn wanted(&self, id: SettingId) -> Option<&Wanted> {
        self.wanted.get(id.index())?.as_deref()
    }

    /// Whether a button may fail to summon help where this setting is wrong.
    pub fn is_lifeline(&self, id: SettingId) -> bool {
        self.keybook.is_lifeline(id)
    }
}

/// A wanted value, and the line that wants it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wanted {
    pub value: Value,
    pub layer: Layer,
    pub place: Place,
    /// The contact behind a dial string.
    pub contact: Option<Name>,
}

/// Which layer of an inventory spoke; later ones win.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Layer {
    Fleet,
    Site(Name),
    Profile(Name),
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
