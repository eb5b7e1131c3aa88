//! Buttons that call nobody: which scripts are not written for them, and what a card says of them first. It decides no step.

use std::fmt;

use super::aim::{Aim, Way};
use crate::drift::{is_tracked, value_text};
use crate::finding::listed;
use crate::inventory::Station;
use crate::keybook::{Ability, Lifeline, SettingId};
use crate::ledger::{Record, same};
use crate::setting::{Name, Value};

/// A button that would call nobody.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dead {
    /// What people call it.
    pub button: String,
    /// What makes it so: settings, by name and as people call them, with what they would hold.
    pub settings: Vec<(Name, String, Value)>,
    /// Whether it is the way back that would.
    pub is_back: bool,
    /// Whether all of these are set aside.
    pub is_aside: bool,
}

impl Dead {
    /// "the unit mode is setup".
    fn because(&self) -> String {
        let because = self.settings.iter().map(|(name, _, value)| format!("\"{name}\" is {}", value_text(value)));
        because.collect::<Vec<_>>().join(" and ")
    }

    /// What to do about it.
    fn fix(&self) -> String {
        let names = self.settings.iter().map(|(name, _, _)| format!("\"{name}\"")).collect::<Vec<_>>();
        format!("Say in the inventory what {} should be", names.join(" and "))
    }

    /// What is said first of a button that calls nobody, before and after a script.
    pub fn warning(&self) -> String {
        let because = self.settings.iter().map(|(_, title, value)| format!("{title} is {}", value_text(value)));
        let titles: Vec<&str> = self.settings.iter().map(|(_, title, _)| &**title).collect();
        let (because, titles) = (because.collect::<Vec<_>>().join(" and "), titles.join(" and "));
        let fix = match self.is_aside {
            true => format!("Of this station {titles} is set aside: to get a card for it, end that."),
            false => format!("Ops must say in the inventory what {titles} should be."),
        };
        format!("WARNING: {} calls nobody, because {because}. {fix}", self.button)
    }
}

/// What makes buttons of a station call nobody, and that no script changes: nobody manages it, or it is set aside.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Undecided {
    /// By name and as people call them; at least one.
    pub settings: Vec<(Name, String)>,
    /// Whether all of these are set aside.
    pub is_aside: bool,
}

impl Undecided {
    /// Of a station of which nothing is to be keyed; nothing where no button calls nobody.
    pub fn of(station: &Station, record: &Record) -> Option<Undecided> {
        let all = calls_nobody(station, record);
        let first = all.first()?;
        let settings = first.settings.iter().map(|(name, title, _)| (name.clone(), title.clone())).collect();
        Some(Undecided { settings, is_aside: first.is_aside })
    }

    /// "say in the inventory what unit mode should be, then key it"
    pub fn what(&self) -> String {
        let titles: Vec<&str> = self.settings.iter().map(|(_, title)| &**title).collect();
        let titles = listed(&titles, "and");
        match self.is_aside {
            true => format!("end what is set aside of {titles}, then key it"),
            false => format!("say in the inventory what {titles} should be, then key it"),
        }
    }

    /// The command for it at a station, where there is one.
    pub fn command(&self, station: &str) -> Option<String> {
        let names: Vec<&str> = self.settings.iter().map(|(name, _)| &**name).collect();
        self.is_aside.then(|| format!("stationkeep aside {station} {} --end --by NAME", names.join(" ")))
    }
}

impl fmt::Display for Dead {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (button, because) = (&self.button, self.because());
        match self.is_back {
            true => write!(
                f,
                "no way back: after it {button} would call nobody, because {because}. Ask for the script to what is wanted \
                 instead (without --back). If that is held, ask ops to release it"
            ),
            false => write!(f, "no script: after it {button} would call nobody, because {because}. {}", self.fix()),
        }
    }
}

/// Why a lifeline would be dead: the unmanaged settings that contradict all ways in which it works; on a way back, all.
pub(super) fn dead(station: &Station, aim: &Aim, lifeline: &Lifeline) -> Dead {
    let keybook = &station.keybook;
    let all = lifeline.contradicting(|id| aim.goal[id.index()].as_ref());
    let is_ours = |id: &SettingId| aim.back.is_none() && station.wanted(*id).is_none();
    // What is wanted is blamed only where nothing else is to blame.
    let ours: Vec<SettingId> = if all.iter().any(is_ours) { all.into_iter().filter(is_ours).collect() } else { all };
    let is_aside = !ours.is_empty() && ours.iter().all(|id| station.for_now.aside.contains(id));
    let settings = ours.into_iter().filter_map(|id| {
        let setting = keybook.setting(id);
        Some((setting.name.clone(), setting.title(), aim.goal[id.index()].clone()?))
    });
    Dead { button: lifeline.button.to_string(), settings: settings.collect(), is_back: aim.back.is_some(), is_aside }
}

/// The lifelines of a station that back no other.
fn required(station: &Station) -> impl Iterator<Item = &Lifeline> {
    station.lifelines().map(|(_, lifeline)| lifeline).filter(|lifeline| lifeline.is_required())
}

/// Whether a press of its button calls nobody, whatever the unknown settings hold.
pub(super) fn dies(lifeline: &Lifeline, state: &[Option<Value>]) -> bool {
    lifeline.is_dead(|id| state[id.index()].as_ref())
}

/// The first required lifeline that a script may not leave as it would: it calls nobody then. One that calls nobody now
/// either stays as it is where no setting of it changes but those that another required one has too; a way back leaves none.
pub(super) fn left_dead<'s>(station: &'s Station, aim: &Aim) -> Option<&'s Lifeline> {
    let required = || required(station);
    let is_shared = |id: &SettingId, lifeline: &Lifeline| {
        required().any(|other| other.name != lifeline.name && other.settings.contains(id))
    };
    let stays = |id: &SettingId| {
        aim.renewed.contains(id) || same(aim.start[id.index()].as_ref(), aim.goal[id.index()].as_ref())
    };
    let is_let_be = |lifeline: &Lifeline| {
        let mut settings = lifeline.settings.iter();
        dies(lifeline, &aim.start) && settings.all(|id| stays(id) || is_shared(id, lifeline))
    };
    required().find(|lifeline| dies(lifeline, &aim.goal) && (aim.back.is_some() || !is_let_be(lifeline)))
}

/// Buttons that call nobody, before a script and after it.
pub(super) fn dead_buttons(station: &Station, aim: &Aim) -> Vec<Dead> {
    let dead_throughout = required(station).filter(|lifeline| dies(lifeline, &aim.start) && dies(lifeline, &aim.goal));
    dead_throughout.map(|lifeline| dead(station, aim, lifeline)).collect()
}

/// The same by what is on record and wanted, whether or not anything is keyed.
pub fn calls_nobody(station: &Station, record: &Record) -> Vec<Dead> {
    dead_buttons(station, &Aim::of(station, record, Way::There))
}

/// Buttons of which nobody knows whether they call someone after a script, each with the settings that nobody knows.
pub(super) fn undecided(station: &Station, record: &Record, aim: &Aim) -> Vec<(Name, Vec<Name>)> {
    let keybook = &station.keybook;
    let known = |id: SettingId| aim.goal[id.index()].as_ref();
    let is_open = |lifeline: &&Lifeline| {
        let has_target = lifeline.is_tracked_where(|id| known(id).is_some());
        (has_target || is_tracked(station, record, lifeline)) && lifeline.ability(known) == Ability::Undecided
    };
    let unknown = |lifeline: &Lifeline| {
        let ids = lifeline.settings.iter().filter(|id| known(**id).is_none());
        ids.map(|id| keybook.setting(*id).name.clone()).collect()
    };
    let open = required(station).filter(is_open);
    open.map(|lifeline| (lifeline.name.clone(), unknown(lifeline))).collect()
}
