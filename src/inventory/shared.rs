//! What the stations of every file share: the parts of an inventory that may stand in any of its files, each once.
//!
//! Parts that come out equal to those before stay the very same, so that whatever was made of them stays good. Nothing here
//! looks at a station.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::line::Contact;
use super::raw::{RawFile, RawLifeline, RawProfile, RawSetting, RawSite, SpeltNumber};
use crate::finding::{Code, Finding, Place};
use crate::keybook::Keybook;
use crate::setting::{Codes, Name};

/// The models at hand, by name.
pub type Keybooks = BTreeMap<Name, Arc<Keybook>>;

/// Sites by name.
pub(super) type Sites = BTreeMap<Name, Arc<RawSite>>;

/// What any station may take from.
#[derive(Debug, Default, PartialEq)]
pub(super) struct Shared {
    /// The fleet's layer, and where it stands.
    pub settings: Option<(Vec<RawSetting>, Place)>,
    /// What the fleet's layer says of lifelines, and where that stands.
    pub lifelines: Option<(Vec<RawLifeline>, Place)>,
    pub test_days: Option<(u32, Place)>,
    pub contacts: Arc<BTreeMap<Name, Contact>>,
    pub broken_contacts: BTreeSet<Name>,
    pub profiles: BTreeMap<Name, Arc<RawProfile>>,
    pub keybooks: Keybooks,
    pub codes: Codes,
}

/// All that is not a station.
#[derive(Debug, Default)]
pub(super) struct Parts {
    pub fleet: Option<(Name, Place)>,
    pub shared: Arc<Shared>,
    pub sites: Sites,
    /// Whether a file is broken, so that what seems to be missing may only be misspelt.
    pub is_broken: bool,
    /// Whether nothing of some file could be read, so that whatever it defines is missing.
    pub is_unread: bool,
    pub spelt: Vec<SpeltNumber>,
}

impl Parts {
    /// The parts of these files, with what is defined twice among the findings. What is equal before is taken from there.
    pub fn gather(
        files: &[Arc<RawFile>],
        keybooks: &Keybooks,
        codes: &Codes,
        before: &Parts,
        findings: &mut Vec<Finding>,
    ) -> Parts {
        let mut fleet = None;
        let mut shared = Shared { keybooks: keybooks.clone(), codes: codes.clone(), ..Shared::default() };
        let (mut contacts, mut sites) = (BTreeMap::new(), Sites::new());
        for file in files {
            once(&mut fleet, &file.fleet, "The fleet's name", findings);
            once(&mut shared.settings, &file.settings, "The fleet's \"settings\"", findings);
            once(&mut shared.lifelines, &file.lifelines, "The fleet's \"lifelines\"", findings);
            once(&mut shared.test_days, &file.test_days, "The fleet's \"test_days\"", findings);
            unique(&mut contacts, &file.contacts, |c| &c.place, "contact", findings);
            shared.broken_contacts.extend(file.broken_contacts.iter().cloned());
            unique(&mut shared.profiles, &file.profiles, |p| &p.place, "profile", findings);
            unique(&mut sites, &file.sites, |s| &s.place, "site", findings);
        }
        shared.contacts = Arc::new(contacts);
        if *shared.contacts == *before.shared.contacts {
            shared.contacts = before.shared.contacts.clone();
        }
        for (model, keybook) in &mut shared.keybooks {
            if let Some(same) = before.shared.keybooks.get(model).filter(|before| *before == keybook) {
                *keybook = same.clone();
            }
        }
        for (name, site) in &mut sites {
            if let Some(same) = before.sites.get(name).filter(|before| *before == site) {
                *site = same.clone();
            }
        }
        Parts {
            fleet,
            shared: if shared == *before.shared { before.shared.clone() } else { Arc::new(shared) },
            sites,
            is_broken: files.iter().any(|file| file.is_broken),
            is_unread: files.iter().any(|file| file.is_unread),
            spelt: files.iter().flat_map(|file| &file.spelt).cloned().collect(),
        }
    }
}

/// Takes up what may be given in one place only.
fn once<T: Clone>(slot: &mut Option<(T, Place)>, given: &Option<(T, Place)>, what: &str, findings: &mut Vec<Finding>) {
    match (slot.as_ref(), given) {
        (_, None) => {}
        (None, Some(_)) => slot.clone_from(given),
        (Some((_, first)), Some((_, second))) => findings.push(
            Finding::new(Code::FleetTwice, second.clone(), format!("{what} is given twice."), "Keep one of the two.")
                .beside(first.clone(), "given here already"),
        ),
    }
}

/// Takes up named things, each name once.
fn unique<T: Clone>(
    known: &mut BTreeMap<Name, T>,
    given: &[(Name, T)],
    place: impl Fn(&T) -> &Place,
    what: &str,
    findings: &mut Vec<Finding>,
) {
    for (name, item) in given {
        match known.get(name) {
            None => {
                known.insert(name.clone(), item.clone());
            }
            Some(first) => findings.push(defined_twice(what, name, place(item), place(first))),
        }
    }
}

/// A name that two things have.
pub(super) fn defined_twice(what: &str, name: &str, place: &Place, first: &Place) -> Finding {
    let message = format!("The {what} \"{name}\" is defined twice.");
    let fix = "Keep one of the two, or give one another name.";
    Finding::new(Code::NameRepeated, place.clone(), message, fix).beside(first.clone(), "defined here already")
}

/// A model that no keybook describes.
pub(super) fn no_keybook(name: &str, place: &Place, keybooks: &Keybooks) -> Finding {
    let known = keybooks.keys().map(|known| &**known);
    let message = format!("No keybook describes the model \"{name}\".");
    Finding::unknown(Code::NameUnknown, place.clone(), message, name, known)
}

/// A setting that a model does not have.
pub(super) fn no_setting(entry: &RawSetting, keybook: &Keybook) -> Finding {
    let message = format!("The model \"{}\" has no setting \"{}\".", keybook.model, entry.name);
    let known = keybook.settings.iter().map(|s| &*s.name);
    Finding::unknown(Code::NameUnknown, entry.name_place.clone(), message, &entry.name, known)
}

/// A lifeline that a model does not have.
pub(super) fn no_lifeline(entry: &RawLifeline, keybook: &Keybook) -> Finding {
    let message = format!("The model \"{}\" has no lifeline \"{}\".", keybook.model, entry.name);
    let known = keybook.lifelines.iter().map(|lifeline| &*lifeline.name);
    Finding::unknown(Code::NameUnknown, entry.name_place.clone(), message, &entry.name, known)
}

/// "EQ-01", "EQ-01 and 1 more station", "EQ-01 and 12 more stations".
pub(super) fn with_others(first: &str, count: usize) -> String {
    match count {
        0 | 1 => first.to_owned(),
        2 => format!("{first} and 1 more station"),
        n => format!("{first} and {} more stations", n - 1),
    }
}
