//! Which buttons a change would leave watched, and which no longer.

use crate::inventory::Station;
use crate::keybook::{Condition, Is, Keybook, Lifeline};
use crate::setting::Name;

/// A lifeline of a station of which something else would be watched.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LifelinePreview {
    /// Its name in the keybook.
    pub name: Name,
    /// How it was.
    pub was: Watch,
    /// How it would be. The same as before where the keybook says otherwise what belongs to it, or when it works.
    pub becomes: Watch,
}

/// Whether a lifeline is watched, as far as the files tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Watch {
    /// It is: something is wanted of each of its settings.
    Watched,
    /// The inventory says that there is none.
    None,
    /// A fallback that is not in use.
    NotInUse,
    /// Nothing is wanted of some of its settings, so it is watched only where they are known.
    Unmanaged,
    /// The keybook has no such lifeline.
    Missing,
}

impl Watch {
    /// The word used in output.
    pub fn as_str(self) -> &'static str {
        match self {
            Watch::Watched => "watched",
            Watch::None => "none",
            Watch::NotInUse => "not-in-use",
            Watch::Unmanaged => "unmanaged",
            Watch::Missing => "missing",
        }
    }

    /// Why it is not watched, for people; empty where it is.
    pub fn why(self) -> &'static str {
        match self {
            Watch::Watched => "",
            Watch::None => "set to none",
            Watch::NotInUse => "a fallback that is not in use",
            Watch::Unmanaged => "not all of its settings are wanted",
            Watch::Missing => "not in the keybook",
        }
    }

    fn of(station: &Station, lifeline: Option<&Lifeline>) -> Watch {
        let Some(lifeline) = lifeline else { return Watch::Missing };
        if !station.has_lifeline(lifeline) {
            return Watch::None;
        }
        if !lifeline.is_in_use(|id| station.wanted(id).map(|wanted| &wanted.value)) {
            return Watch::NotInUse;
        }
        match lifeline.is_tracked_where(|id| station.wanted(id).is_some()) {
            true => Watch::Watched,
            false => Watch::Unmanaged,
        }
    }
}

/// The lifelines of which a station would have something else watched.
pub(super) fn between(was: &Station, station: &Station) -> Vec<LifelinePreview> {
    let find = |book: &Keybook, name: &Name| book.lifelines.iter().position(|lifeline| lifeline.name == *name);
    let names = station.keybook.lifelines.iter().chain(&was.keybook.lifelines).map(|lifeline| &lifeline.name);
    let mut changed: Vec<LifelinePreview> = Vec::new();
    for name in names {
        let old = find(&was.keybook, name).map(|at| &was.keybook.lifelines[at]);
        let new = find(&station.keybook, name).map(|at| &station.keybook.lifelines[at]);
        let (before, becomes) = (Watch::of(was, old), Watch::of(station, new));
        let is_same = match (old, new) {
            (Some(old), Some(new)) => Meaning::of(&was.keybook, old) == Meaning::of(&station.keybook, new),
            (None, Some(_)) | (Some(_), None) | (None, None) => true,
        };
        let is_told = before != becomes || !is_same && becomes == Watch::Watched;
        if is_told && !changed.iter().any(|told| told.name == *name) {
            changed.push(LifelinePreview { name: name.clone(), was: before, becomes });
        }
    }
    changed
}

/// What a lifeline says, by the names of settings: what they are counted by may differ between keybooks.
#[derive(PartialEq)]
struct Meaning<'k> {
    settings: Vec<&'k Name>,
    works: Vec<Vec<(&'k Name, &'k Is)>>,
    backs: Option<&'k Name>,
}

impl<'k> Meaning<'k> {
    fn of(book: &'k Keybook, lifeline: &'k Lifeline) -> Meaning<'k> {
        let way = |way: &'k Vec<Condition>| way.iter().map(|one| (&book.setting(one.setting).name, &one.is)).collect();
        Meaning {
            settings: lifeline.settings.iter().map(|id| &book.setting(*id).name).collect(),
            works: lifeline.works.iter().map(way).collect(),
            backs: lifeline.backs.and_then(|at| Some(&book.lifelines.get(at)?.name)),
        }
    }
}
