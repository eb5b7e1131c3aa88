//! Buttons that call nobody, by the record or by their last test call: what a person who presses one meets stands before all
//! else, however much else a message tells.

use std::sync::Arc;

use serde::Serialize;

use super::clip::{Room, clip};
use super::step::Reason;
use super::topic::seen::SeenLifeline;
use super::topic::station::Item;
use crate::drift::{Elsewhere, LifelineService, Service, Standing, StationDrift};
use crate::finding::{minute, plural};
use crate::setting::Name;

/// How many buttons of a fleet call nobody.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Buttons {
    /// Whose last test call failed.
    pub failed: usize,
    /// That call nobody by the record.
    pub dead: usize,
    /// Where these are.
    pub stations: usize,
    /// Of which no report says now whether they call someone: they may call nobody.
    pub unsure: usize,
}

/// What to do first where a button calls nobody.
pub const STAND_IN: &str = "Put a stand-in there until a test call reaches help.";

/// Names, and what is said in brackets, are no longer than this in a summary, so that it has room for the rest.
const SHORT: Room = Room(60);
const BRACKETS: Room = Room(160);

/// The buttons of a station that call nobody, the worst first. A fallback is no button.
pub fn silent(drift: &StationDrift) -> Vec<&LifelineService> {
    let all = drift.lifelines.iter().filter(|lifeline| lifeline.is_required && lifeline.service.calls_nobody());
    let mut all: Vec<&LifelineService> = all.collect();
    all.sort_by_key(|lifeline| lifeline.service);
    all
}

/// The buttons of a station of which no report says now whether they call someone, and those that called someone else.
pub fn unsure(drift: &StationDrift) -> Vec<&LifelineService> {
    let is_unsure = |one: &&LifelineService| one.is_required && (may_call_nobody(one) || one.elsewhere.is_some());
    drift.lifelines.iter().filter(is_unsure).collect()
}

fn may_call_nobody(one: &LifelineService) -> bool {
    one.is_required && one.service == Service::Untested && one.because.is_some()
}

/// The buttons of a station that call nobody, and those that may: what is said first of it.
pub fn in_need(drift: &StationDrift) -> Vec<&LifelineService> {
    silent(drift).into_iter().chain(unsure(drift)).collect()
}

/// What whoever presses a button of a station may meet, the worst first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Need {
    /// One calls nobody.
    Silent,
    /// One may call nobody.
    Unsure,
    /// None does, so far as is known.
    Nothing,
}

/// The same of a message's station.
pub fn need(item: &Item<'_, '_>) -> Need {
    let Some(drift) = item.subject.drift() else { return Need::Nothing };
    match (silent(drift).is_empty(), unsure(drift).is_empty()) {
        (false, _) => Need::Silent,
        (true, false) => Need::Unsure,
        (true, true) => Need::Nothing,
    }
}

impl Buttons {
    /// Of all its stations, whichever a message tells of.
    pub fn of(stations: &[Arc<StationDrift>]) -> Buttons {
        let mut buttons = Buttons::default();
        for drift in stations {
            let here = silent(drift);
            let dead = here.iter().filter(|lifeline| lifeline.service == Service::Dead).count();
            buttons.dead += dead;
            buttons.failed += here.len() - dead;
            buttons.stations += usize::from(!here.is_empty());
            buttons.unsure += drift.lifelines.iter().filter(|one| may_call_nobody(one)).count();
        }
        buttons
    }

    /// The most urgent of them, how many there are, and what to do; then the first button told of that may call nobody, where
    /// its station was not named. Nothing where there are neither. `items`: the most urgent first; `fleet`: all stations.
    /// `way_back`: the command for the only station, where there is one.
    pub fn sentence(
        self,
        items: &[Item<'_, '_>],
        fleet: &[Arc<StationDrift>],
        way_back: Option<&str>,
    ) -> Option<String> {
        let told = || items.iter().filter_map(|item| item.subject.drift());
        let all = told().chain(fleet.iter().map(|drift| &**drift));
        let silent = all.filter_map(|drift| Some((drift, *silent(drift).first()?))).next();
        let is_named = |drift: &StationDrift| silent.is_some_and(|(named, _)| named.station == drift.station);
        let unsure = told().filter(|drift| !is_named(drift)).find_map(|drift| Some((drift, *unsure(drift).first()?)));
        let way_back = way_back.map(|way_back| format!(" To go back to what last worked, run \"{way_back}\"."));
        let silent = silent.map(|first| self.sentence_of(first) + way_back.as_deref().unwrap_or_default());
        let unsure = unsure.map(|(drift, first)| format!("{} {}", met(drift, first), stand_in(first)));
        let all: Vec<String> = silent.into_iter().chain(unsure).collect();
        (!all.is_empty()).then(|| all.join(" "))
    }

    /// Of the first that calls nobody, and of all that do.
    fn sentence_of(self, (drift, first): (&StationDrift, &LifelineService)) -> String {
        let Buttons { failed, dead, stations, unsure } = self;
        let counted = if failed + dead > 1 { counted(failed, dead, stations) } else { String::new() };
        let unsure = if unsure > 0 {
            format!("{} may call nobody. ", plural(unsure as u64, "more button"))
        } else {
            String::new()
        };
        let stand_in = if stations > 1 { "Put a stand-in at each." } else { "Put a stand-in there." };
        format!("{} {counted}{unsure}{stand_in}", met(drift, first))
    }
}

/// What to do first where a button may call nobody, or called someone else.
fn stand_in(first: &LifelineService) -> String {
    first.elsewhere.as_ref().map_or_else(|| "Put a stand-in there.".into(), Elsewhere::stand_in)
}

/// "EQ-01: pressing the red button calls nobody ("unit mode" is setup)."
fn met(drift: &StationDrift, first: &LifelineService) -> String {
    format!("{}: {}.", clip(&drift.station, SHORT), meaning(first))
}

/// So many of them are named.
const GONE: usize = 3;

/// What is last known of buttons whose stations have left the inventory: nobody watches them there. `stations`: those that are
/// in it.
pub fn gone(items: &[Item<'_, '_>], stations: &[Arc<StationDrift>]) -> Option<String> {
    let gone = items.iter().filter(|item| item.reason == Reason::Withdrawn);
    let said: Vec<String> = gone.filter_map(|item| gone_sentence(item, stations)).take(GONE).collect();
    (!said.is_empty()).then(|| said.join(" "))
}

fn gone_sentence(item: &Item<'_, '_>, stations: &[Arc<StationDrift>]) -> Option<String> {
    let was = item.was?;
    // Of a fallback nobody needs to know.
    let is_out = was.standing == Standing::OutOfService;
    let is_silent = |one: &SeenLifeline| is_out && one.service.calls_nobody() || one.is_silent_yet();
    let (name, lifeline) = was.lifelines.iter().find(|(_, lifeline)| is_silent(lifeline))?;
    let met = match lifeline.service {
        Service::Dead => "called nobody",
        Service::Failed => "did not reach help",
        Service::Untested | Service::Overdue | Service::Tested => "may have called nobody",
    };
    let button = match &*lifeline.title {
        "" => format!("the {} button", clip(name, SHORT)),
        title => clip(title, SHORT),
    };
    let station = clip(&item.subject.name, SHORT);
    let heir = item.subject.heir(stations).map(|heir| format!(" {}", same_unit(heir, &item.subject.name)));
    let heir = heir.unwrap_or_default();
    Some(format!("{station}: pressing {button} {met} when the station left the inventory. Put a stand-in there.{heir}"))
}

/// "If HC-11 is the same unit, write formerly: HC-01."
pub fn same_unit(heir: &Name, gone: &Name) -> String {
    format!("If {} is the same unit, write formerly: {}.", clip(heir, SHORT), clip(gone, SHORT))
}

/// "3 buttons at 2 stations do not work: 2 did not reach help, 1 calls nobody. "
fn counted(failed: usize, dead: usize, stations: usize) -> String {
    let at = if stations > 1 { format!(" at {stations} stations") } else { String::new() };
    let buttons = plural((failed + dead) as u64, "button");
    match (failed, dead) {
        (_, 0) => format!("{buttons}{at} did not reach help. "),
        (0, _) => format!("{buttons}{at} call nobody. "),
        (failed, dead) => {
            let call = if dead == 1 { "calls" } else { "call" };
            format!("{buttons}{at} do not work: {failed} did not reach help, {dead} {call} nobody. ")
        }
    }
}

/// What a lifeline that calls nobody means for whoever presses it: "pressing the red button did not reach help (tested
/// 2026-12-10 00:10 UTC by tech-07: caller could not hear)".
pub fn meaning(lifeline: &LifelineService) -> String {
    let LifelineService { name: _, title, is_required, service, mark, by, elsewhere, because } = lifeline;
    if let Some(elsewhere) = elsewhere {
        return clip(&elsewhere.called, BRACKETS);
    }
    let who = if *is_required { format!("pressing {}", clip(title, SHORT)) } else { clip(title, SHORT) };
    let because = because.as_ref().map(|because| clip(because, BRACKETS));
    let (what, brackets) = match service {
        Service::Dead => ("calls nobody", because),
        Service::Failed => {
            let at = mark.map(|mark| format!(" {}", minute(mark.at))).unwrap_or_default();
            let by = by.as_ref().map(|by| format!(" by {}", clip(by, SHORT))).unwrap_or_default();
            let noted = because.map(|note| format!(": {note}")).unwrap_or_default();
            ("did not reach help", Some(format!("tested{at}{by}{noted}")))
        }
        Service::Untested if because.is_some() => ("may call nobody", because),
        Service::Untested | Service::Overdue | Service::Tested => return format!("{who}: {}", service.as_str()),
    };
    let brackets = brackets.map(|brackets| format!(" ({brackets})")).unwrap_or_default();
    format!("{who} {what}{brackets}")
}
