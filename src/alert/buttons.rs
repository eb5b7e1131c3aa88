//! Buttons that call nobody, by the record or by their last test call: what a person who presses one meets stands before all
//! else, however much else a message tells.

use std::sync::Arc;

use serde::Serialize;

use super::clip::{Room, clip};
use super::step::Reason;
use super::topic::seen::{Seen, SeenLifeline};
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
pub fn unsure_of(drift: &StationDrift) -> Vec<&LifelineService> {
    let is_unsure = |one: &&LifelineService| one.is_required && (may_call_nobody(one) || one.elsewhere.is_some());
    drift.lifelines.iter().filter(is_unsure).collect()
}

fn may_call_nobody(one: &LifelineService) -> bool {
    one.is_required && one.service == Service::Untested && one.because.is_some()
}

/// The buttons of a station that call nobody, and those that may: what is said first of it.
pub fn in_need(drift: &StationDrift) -> Vec<&LifelineService> {
    silent(drift).into_iter().chain(unsure_of(drift)).collect()
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
    match (silent(drift).is_empty(), unsure_of(drift).is_empty()) {
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

    /// What is said first. Of buttons that are news in this message the first in full, and up to two more stations by name;
    /// where none is, one that the message tells of again, or how many there still are elsewhere. Then how many there are in
    /// all and what to do; then the first button told of that may call nobody, where its station was not named. `items`: the
    /// most urgent first; `fleet`: all stations. `way_back`: the command for the only station, where there is one.
    pub fn first(self, items: &[Item<'_, '_>], fleet: &[Arc<StationDrift>], way_back: Option<&str>) -> First {
        let told = || items.iter().filter_map(|item| Some((item, item.subject.drift()?)));
        let news: Vec<_> = told().filter(|(item, _)| !news(item).is_empty()).collect();
        let again = told().find(|(_, drift)| !silent(drift).is_empty());
        let is_named = |drift: &StationDrift| {
            let mut named = news.iter().take(NAMED).copied().chain(again.filter(|_| news.is_empty()));
            named.any(|(_, named)| named.station == drift.station)
        };
        let unsure = told().filter(|(_, drift)| !is_named(drift));
        let unsure = unsure.filter_map(|(item, drift)| Some((item, *unsure_of(drift).first()?))).next();
        let met_unsure = unsure.map(|(item, first)| (still(item).to_owned() + &met(item, first), stand_in(first)));
        let way_back = way_back.map(|way_back| format!(" To go back to what last worked, run \"{way_back}\"."));
        let (title, silent) = match (news.split_first(), again) {
            (Some(((item, drift), others)), _) => {
                let (first, either) = full(item, drift);
                let others: String = others.iter().take(NAMED - 1).map(|(item, _)| also(item)).collect();
                (Some(format!("{first}{others}")), Some(self.counted_after(first + &either + &others, way_back)))
            }
            (None, Some((item, drift))) => {
                let (first, either) = full(item, drift);
                let first = format!("Still {first}");
                (Some(first.clone()), Some(self.counted_after(first + &either, way_back)))
            }
            (None, None) => (None, self.elsewhere(fleet)),
        };
        let is_new = |item: &Item<'_, '_>| item.reason != Reason::StillOpen;
        let is_news = !news.is_empty() || again.is_none() && unsure.is_some_and(|(item, _)| is_new(item));
        let title = title.or_else(|| Some(met_unsure.as_ref()?.0.clone()));
        First { silent, unsure: met_unsure.map(|(met, stand_in)| format!("{met} {stand_in}")), title, is_news }
    }

    /// How many there are in all, and what to do.
    fn counted_after(self, named: String, way_back: Option<String>) -> String {
        let Buttons { failed, dead, stations, unsure } = self;
        let counted = if failed + dead > 1 { counted(failed, dead, stations) } else { String::new() };
        let unsure = match unsure {
            0 => String::new(),
            unsure => format!("{} may call nobody. ", plural(unsure as u64, "more button")),
        };
        let stand_in = if stations > 1 { "Put a stand-in at each." } else { "Put a stand-in there." };
        format!("{named} {counted}{unsure}{stand_in}{}", way_back.unwrap_or_default())
    }

    /// "Still 9 buttons at 9 stations do not work, first BI-04: 8 did not reach help, 1 calls nobody." Of buttons that a message
    /// does not tell of.
    fn elsewhere(self, fleet: &[Arc<StationDrift>]) -> Option<String> {
        let Buttons { failed, dead, stations, unsure } = self;
        let more = if unsure > 0 { format!(" {unsure} more may call nobody.") } else { String::new() };
        let first = fleet.iter().find(|drift| !silent(drift).is_empty())?;
        let station = clip(&first.station, SHORT);
        let parts = match (failed, dead) {
            (0, _) | (_, 0) => String::new(),
            (failed, dead) => format!(": {}", failed_and_dead(failed, dead)),
        };
        Some(match (failed + dead, stations) {
            (1, _) => format!("Still 1 button does not work, at {station}.{more}"),
            (all, 1) => format!("Still {all} buttons do not work, at {station}{parts}.{more}"),
            (all, at) => format!("Still {all} buttons at {at} stations do not work, first {station}{parts}.{more}"),
        })
    }
}

/// What is said first of buttons that call nobody, or may.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct First {
    /// Of those that call nobody, in the message or elsewhere.
    pub silent: Option<String>,
    /// Of one that may, or that called someone else.
    pub unsure: Option<String>,
    /// Those that the message tells of, in one line.
    pub title: Option<String>,
    /// Whether one of these is news.
    pub is_news: bool,
}

/// So many stations are named where buttons went silent at several.
const NAMED: usize = 3;

/// The buttons of a station that call nobody, and did not when the receiver last heard of it, or failed once more since.
fn news<'d>(item: &Item<'_, 'd>) -> Vec<&'d LifelineService> {
    let Some(drift) = item.subject.drift() else { return Vec::new() };
    let how = |seen: &Seen, name: &Name| {
        let lifeline = seen.lifelines.get(name)?;
        Some((lifeline.service, lifeline.failed_again_at))
    };
    let is_known = |one: &LifelineService| {
        let was = item.was.and_then(|was| how(was, &one.name));
        was.is_some() && was == item.subject.seen().and_then(|is| how(is, &one.name))
    };
    match item.reason {
        Reason::StillOpen | Reason::Watched | Reason::Withdrawn | Reason::Closed => Vec::new(),
        Reason::Opened | Reason::Grown | Reason::Unwatched | Reason::Eased | Reason::Returned => {
            silent(drift).into_iter().filter(|lifeline| !is_known(lifeline)).collect()
        }
    }
}

/// "EQ-08: pressing the blue button did not reach help (…)." and " The red button does not work either."
fn full(item: &Item<'_, '_>, drift: &StationDrift) -> (String, String) {
    let all = silent(drift);
    let Some(first) = news(item).first().or(all.first()).copied() else { return Default::default() };
    let others = all.iter().filter(|lifeline| lifeline.name != first.name).map(|lifeline| clip(&lifeline.title, SHORT));
    let others: Vec<String> = others.collect();
    let either = match others.len() {
        0 => String::new(),
        1 => format!(" {} does not work either.", capital(&others.concat())),
        _ => format!(" {} do not work either.", capital(&clip(&others.join(" and "), BRACKETS))),
    };
    (met(item, first), either)
}

/// With a capital letter.
pub fn capital(text: &str) -> String {
    let mut signs = text.chars();
    signs.next().map(|first| first.to_uppercase().chain(signs).collect()).unwrap_or_default()
}

/// " NM-03: pressing the blue button did not reach help."
fn also(item: &Item<'_, '_>) -> String {
    let briefly = |first: &LifelineService| {
        let does = if first.service == Service::Dead { "calls nobody" } else { "did not reach help" };
        format!(" {}: pressing {} {does}.", called(item), clip(&first.title, SHORT))
    };
    news(item).first().copied().map(briefly).unwrap_or_default()
}

/// How a reminder begins.
fn still(item: &Item<'_, '_>) -> &'static str {
    if item.reason == Reason::StillOpen { "Still " } else { "" }
}

/// What to do first where a button may call nobody, or called someone else.
fn stand_in(first: &LifelineService) -> String {
    first.elsewhere.as_ref().map_or_else(|| "Put a stand-in there.".into(), Elsewhere::stand_in)
}

/// "EQ-01: pressing the red button calls nobody ("unit mode" is setup)."
fn met(item: &Item<'_, '_>, first: &LifelineService) -> String {
    format!("{}: {}.", called(item), meaning(first))
}

/// A station's name, and the one by which receivers know its case, where that is another.
fn called(item: &Item<'_, '_>) -> String {
    let (name, known_as) = (&item.subject.name, item.subject.known_as());
    match name == known_as {
        true => clip(name, SHORT),
        false => format!("{} (formerly {})", clip(name, SHORT), clip(known_as, SHORT)),
    }
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
        (failed, dead) => format!("{buttons}{at} do not work: {}. ", failed_and_dead(failed, dead)),
    }
}

/// "8 did not reach help, 1 calls nobody"
fn failed_and_dead(failed: usize, dead: usize) -> String {
    let call = if dead == 1 { "calls" } else { "call" };
    format!("{failed} did not reach help, {dead} {call} nobody")
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
