//! The work that a fleet's drift asks for: which stations to key, in which order, what it all takes, which only need a
//! test call, and which have no script.
//!
//! What a caller would meet comes first: buttons that call nobody, then the heaviest, of these those with the most lifelines
//! that may call nobody, then by site, so that a round goes from one quay to the next.

use std::cmp::Reverse;
use std::fmt::Write as _;
use std::sync::Arc;

use serde_json::{Value as Json, json};

use super::card::WITHOUT_WAY_BACK;
use super::dead::Undecided;
use super::delta::Script;
use super::json::json as script_json;
use super::no_script::NoScript;
use super::work::Work;
use crate::brake::{Held, Numbers};
use crate::drift::{Drift, Service, SettingDrift, Standing, StationDrift};
use crate::finding::{minute, plural, sentence};
use crate::inventory::Station;
use crate::ledger::State;
use crate::setting::{Codes, Name, Weight};

/// A station that needs someone.
#[derive(Debug, Clone)]
pub struct Errand {
    /// As it counts for now.
    pub station: Arc<Station>,
    /// How it is, for its place in the order and for what is said of it.
    pub drift: StationDrift,
    /// What to do there.
    pub due: Due,
}

/// A script, and what its references lead to here.
#[derive(Debug, Clone)]
pub struct Laid {
    /// What to do.
    pub script: Box<Script>,
    /// What its references lead to.
    pub codes: Codes,
}

/// What a station needs.
#[derive(Debug, Clone)]
pub enum Due {
    /// Keying, and a test call of what the script touches.
    Keying(Laid),
    /// No keying of what differs, but a test call, or overdue settings that are to be keyed again; its card, where there is one.
    Test(Option<Laid>),
    /// Keying for which there is no script.
    Stuck(NoScript),
    /// Nothing to key, and a button that calls nobody all the same until people decide otherwise.
    Decide(Undecided),
    /// Keying that waits for the release of a change, and what can be done until then.
    Held(Option<String>),
}

/// What to do at which stations, in order.
#[derive(Debug, Clone, Default)]
pub struct WorkList {
    errands: Vec<Errand>,
    /// How many of the stations looked at are set aside, in whole or in part.
    set_aside: usize,
    /// The change that some of them wait for.
    held_by: Option<Held>,
}

impl WorkList {
    /// Puts errands in order.
    pub fn new(mut errands: Vec<Errand>, set_aside: usize, held_by: Option<Held>) -> WorkList {
        errands.sort_by_cached_key(|errand| urgency(&errand.station, &errand.drift));
        WorkList { errands, set_aside, held_by }
    }

    /// Every errand that has a card, with its place in the list.
    pub fn cards(&self) -> impl Iterator<Item = (usize, &Errand, &Laid)> {
        self.errands.iter().enumerate().filter_map(|(at, errand)| Some((at, errand, errand.card()?)))
    }

    /// Every errand, the most urgent first.
    pub fn errands(&self) -> &[Errand] {
        &self.errands
    }

    /// The stations to key.
    pub fn to_key(&self) -> impl Iterator<Item = (&Errand, &Laid)> {
        self.errands.iter().filter_map(|errand| match &errand.due {
            Due::Keying(laid) => Some((errand, laid)),
            Due::Test(_) | Due::Stuck(_) | Due::Decide(_) | Due::Held(_) => None,
        })
    }

    /// The stations that need someone, but no keying of what differs.
    pub fn to_test(&self) -> impl Iterator<Item = &Errand> {
        self.errands.iter().filter(|errand| matches!(errand.due, Due::Test(_)))
    }

    /// The stations that need keying and have no script.
    pub fn stuck(&self) -> impl Iterator<Item = (&Errand, &NoScript)> {
        self.errands.iter().filter_map(|errand| match &errand.due {
            Due::Stuck(why) => Some((errand, why)),
            Due::Keying(_) | Due::Test(_) | Due::Decide(_) | Due::Held(_) => None,
        })
    }

    /// The stations whose scripts are held.
    pub fn held(&self) -> impl Iterator<Item = &Errand> {
        self.errands.iter().filter(|errand| matches!(errand.due, Due::Held(_)))
    }

    /// What keying all of it takes.
    pub fn work(&self) -> Work {
        self.to_key().map(|(errand, laid)| Work::of(&laid.script, &errand.station, &laid.codes)).sum()
    }

    /// The list for people: a line a station, then the totals. `label` names the card of the errand at a place.
    pub fn text(&self, label: impl Fn(usize, &Script) -> String) -> String {
        let widest = |text: fn(&Errand) -> &str| self.errands.iter().map(|errand| text(errand).chars().count()).max();
        let (name, site) = (widest(|errand| &errand.station.name), widest(|errand| &errand.station.site));
        let (name, site) = (name.unwrap_or(0), site.unwrap_or(0));
        let mut out = String::new();
        for (at, errand) in self.errands.iter().enumerate() {
            let needs = errand.needs(|script| label(at, script));
            let (station, weight) = (&errand.station, errand.weight_text());
            let _ =
                writeln!(out, "{:>4}  {:name$}  {weight:<8}  {:site$}  {needs}", at + 1, station.name, station.site);
            for text in errand.mind() {
                let _ = writeln!(out, "      ! {text}");
            }
        }
        let _ = writeln!(out, "{}", self.totals_text());
        out
    }

    fn totals_text(&self) -> String {
        let work = self.work();
        let keying = match work.stations {
            0 => "Nothing needs keying".to_owned(),
            stations => format!(
                "{} to key: {}, {} with opening and closing, about {} min of calls",
                plural(stations, "station"),
                plural(work.calls, "call"),
                plural(work.presses, "key"),
                work.minutes()
            ),
        };
        let (repairs, tests): (Vec<&Errand>, Vec<&Errand>) = self.to_test().partition(|errand| errand.has_failed());
        let repairs = match repairs.len() {
            0 => String::new(),
            count => format!("; {} to repair", plural(count as u64, "station")),
        };
        let tests = match tests.len() {
            0 => String::new(),
            count => format!("; {} to test only", plural(count as u64, "station")),
        };
        let stuck = match self.stuck().count() {
            0 => String::new(),
            count => format!("; {} without a script", plural(count as u64, "station")),
        };
        let held = match self.held().count() {
            0 => String::new(),
            count => format!("; {} held until the change is released", plural(count as u64, "script")),
        };
        let aside = match self.set_aside {
            0 => String::new(),
            count => format!("; {} set aside", plural(count as u64, "station")),
        };
        format!("{keying}{repairs}{tests}{stuck}{held}{aside}.")
    }

    /// The list for programs.
    pub fn json(&self) -> Json {
        let work = self.work();
        let scripts = self.to_key().map(|(errand, Laid { script, codes })| script_json(script, &errand.station, codes));
        let tests = self.to_test().map(|errand| {
            let owed = errand.owed().map(|(name, service)| json!({ "lifeline": &**name, "service": service.as_str() }));
            json!({
                "station": &*errand.station.name,
                "site": &*errand.station.site,
                "weight": errand.drift.weight.map(Weight::as_str),
                "lifelines": owed.collect::<Vec<_>>(),
                "script": errand.card().map(|laid| laid.script.digest.to_string()),
            })
        });
        let stuck = self.stuck().map(|(errand, why)| {
            json!({
                "station": &*errand.station.name,
                "site": &*errand.station.site,
                "weight": errand.drift.weight.map(Weight::as_str),
                "why": why.to_string(),
            })
        });
        let held = self.held().map(|errand| {
            json!({
                "station": &*errand.station.name,
                "site": &*errand.station.site,
                "weight": errand.drift.weight.map(Weight::as_str),
            })
        });
        let held_by = self.held_by.as_ref().map(|held_by| {
            let Numbers { altered, held, handed_out, on_record } = held_by.numbers();
            json!({
                "change": held_by.change.digest.to_string(),
                "altered": altered,
                "held": held,
                "handed_out": handed_out,
                "on_record": on_record,
                "limit": held_by.change.limit,
                "release": held_by.change.release(),
            })
        });
        json!({
            "scripts": scripts.collect::<Vec<_>>(),
            "tests": tests.collect::<Vec<_>>(),
            "no_script": stuck.collect::<Vec<_>>(),
            "held": held.collect::<Vec<_>>(),
            "held_by": held_by,
            "totals": {
                "stations": work.stations,
                "calls": work.calls,
                "commands": work.commands,
                "presses": work.presses,
                "minutes": work.minutes(),
                "set_aside": self.set_aside,
            },
        })
    }
}

/// Whether the last test call of a button failed that no setting is to be keyed of: keying the rest does not make it work.
pub fn is_to_repair(station: &Station, drift: &StationDrift) -> bool {
    let drifts = |id| drift.settings.iter().any(|one| one.id == id && one.drift != Drift::Overdue);
    let failed = drift.lifelines.iter().filter(|one| one.service == Service::Failed);
    let lifelines = failed.filter_map(|one| station.lifelines().map(|(_, own)| own).find(|own| own.name == one.name));
    lifelines.into_iter().any(|lifeline| !lifeline.settings.iter().any(|id| drifts(*id)))
}

/// The place of a station among those that need someone, the most urgent first.
pub fn urgency(station: &Station, drift: &StationDrift) -> impl Ord + use<> {
    let exposed = exposed(station, drift).len();
    let is_in_service = drift.standing != Standing::OutOfService;
    let (site, name) = (station.site.clone(), station.name.clone());
    (is_in_service, Reverse(drift.weight), Reverse(exposed), site, name)
}

impl Errand {
    /// Its card, where it has one.
    pub fn card(&self) -> Option<&Laid> {
        match &self.due {
            Due::Keying(laid) => Some(laid),
            Due::Test(laid) => laid.as_ref(),
            Due::Stuck(_) | Due::Decide(_) | Due::Held(_) => None,
        }
    }

    /// What to know first, without full stops: what its buttons mean for whoever presses one, those that call nobody first; who
    /// is at it; what went wrong there before.
    pub fn mind(&self) -> Vec<String> {
        let exposed = exposed(&self.station, &self.drift);
        let (silent, unsure): (Vec<&str>, Vec<&str>) =
            exposed.into_iter().partition(|name| calls_nobody(&self.drift, name));
        let silent: Vec<String> = silent.iter().map(|name| silent_text(&self.drift, name)).collect();
        let unsure: Vec<&str> = unsure.iter().map(|name| title(&self.drift, name)).collect();
        let begun = self.drift.begun.iter().map(|begun| {
            let (by, at) = (&begun.by, minute(begun.at));
            let silent = if begun.is_silent { ", and no report came in 24 hours" } else { "" };
            format!("{by} began here on {at}{silent}: check with {by} that no one is keying there")
        });
        let setbacks = self.drift.setbacks.iter().map(|setback| setback.sentence().trim_end_matches('.').to_owned());
        let silent = (!silent.is_empty()).then(|| silent.join(" and "));
        let unsure = (!unsure.is_empty()).then(|| format!("{} may call nobody", unsure.join(" and ")));
        let elsewhere =
            self.drift.lifelines.iter().filter(|one| one.is_required).filter_map(|one| one.elsewhere.as_ref());
        let elsewhere = elsewhere.map(|one| format!("{}. {}", one.called, one.stand_in().trim_end_matches('.')));
        silent.into_iter().chain(unsure).chain(elsewhere).chain(begun).chain(setbacks).collect()
    }

    /// What to do there, in a sentence or two.
    pub fn task(&self) -> String {
        match &self.due {
            Due::Keying(Laid { script, codes }) => {
                let work = Work::of(script, &self.station, codes);
                let (calls, keys) = (plural(work.calls, "call"), plural(work.presses, "key"));
                let test = if script.tests.is_empty() { "" } else { " Then make the test call." };
                if is_to_repair(&self.station, &self.drift) {
                    let owed: Vec<&str> = self.owed().map(|(name, _)| title(&self.drift, name)).collect();
                    return format!("{} Keying the card does not make it work.", self.repair(&owed.join(" and of ")));
                }
                format!("Key the card: {calls}, {keys}, about {} min.{test}", work.minutes())
            }
            Due::Test(_) => {
                let owed: Vec<&str> = self.owed().map(|(name, _)| title(&self.drift, name)).collect();
                match &owed[..] {
                    owed if self.has_failed() => self.repair(&owed.join(" and of ")),
                    [] => "Key what was confirmed too long ago again.".into(),
                    owed => format!("Make a test call of {}. Nothing needs keying.", owed.join(" and of ")),
                }
            }
            Due::Stuck(why) => format!("There is no script. {why}"),
            Due::Decide(undecided) => {
                let command = undecided.command(&self.station.name).map(|command| format!(" The command: {command}."));
                format!("{}.{}", sentence(&undecided.what()), command.unwrap_or_default())
            }
            Due::Held(until) => {
                let until = until.as_ref().map(|until| format!(" Until then, {until}.")).unwrap_or_default();
                format!("The script is held until the change is released.{until}")
            }
        }
    }

    /// How many test calls it asks for.
    pub fn test_calls(&self) -> usize {
        self.card().map_or_else(|| self.owed().count(), |laid| laid.script.tests.len())
    }

    fn needs(&self, label: impl Fn(&Script) -> String) -> String {
        match &self.due {
            Due::Keying(Laid { script, codes }) => {
                let work = Work::of(script, &self.station, codes);
                let (calls, keys) = (plural(work.calls, "call"), plural(work.presses, "key"));
                let first = match is_to_repair(&self.station, &self.drift) {
                    true => "check the line and the unit, test; ",
                    false => "",
                };
                format!("{first}{calls}, {keys}, {} min: {}", work.minutes(), label(script))
            }
            Due::Test(laid) => {
                let card = laid.as_ref().map(|laid| label(&laid.script));
                let owed = self.owed();
                let owed = owed.map(|(name, service)| format!("{} ({})", title(&self.drift, name), service.as_str()));
                let owed: Vec<String> = owed.collect();
                let settings: Vec<&str> = self.drift.settings.iter().map(|setting| &*setting.name).collect();
                match (&owed[..], &settings[..]) {
                    ([], settings) => {
                        let how = card.unwrap_or_else(|| format!("stationkeep script {} --renew", self.station.name));
                        format!("key {} again (overdue): {how}", settings.join(" and "))
                    }
                    (owed, _) if self.has_failed() => {
                        let card = card.map_or(String::new(), |card| format!(": {card}"));
                        let fix = match self.way_back() {
                            Some(way_back) => format!("fix the fault or go back ({way_back})"),
                            None => "check the line and the unit".to_owned(),
                        };
                        format!("{fix}, then test {}{card}", owed.join(" and "))
                    }
                    (owed, _) => {
                        let card = card.map_or(String::new(), |card| format!(": {card}"));
                        format!("test {}{card}", owed.join(" and "))
                    }
                }
            }
            Due::Stuck(why) => one_line(&why.to_string()),
            Due::Decide(undecided) => {
                let command = undecided.command(&self.station.name).map(|command| format!(": {command}"));
                undecided.what() + &command.unwrap_or_default()
            }
            Due::Held(until) => {
                let until = until.as_ref().map(|until| format!("; until then {until}")).unwrap_or_default();
                format!("held until the change is released{until}")
            }
        }
    }

    /// Whether the last test call of one of its buttons failed.
    fn has_failed(&self) -> bool {
        self.drift.lifelines.iter().any(|lifeline| lifeline.service == Service::Failed)
    }

    /// The command for the way back of its card, where there is one.
    fn way_back(&self) -> Option<String> {
        let name = &self.station.name;
        self.card()?.script.way_back.as_ref().map(|_| format!("stationkeep script {name} --back"))
    }

    /// What to do where a test call failed and nothing needs keying.
    fn repair(&self, owed: &str) -> String {
        let fix = match self.way_back() {
            Some(way_back) => format!("Find and fix the fault, or go back to what last worked: {way_back}."),
            None => WITHOUT_WAY_BACK.to_owned(),
        };
        format!("{fix} Then make a test call of {owed}.")
    }

    fn weight_text(&self) -> &'static str {
        self.drift.weight.map_or("", Weight::as_str)
    }

    /// The lifelines that need a test call.
    fn owed(&self) -> impl Iterator<Item = (&Name, Service)> {
        let lifelines = self.drift.lifelines.iter().map(|lifeline| (&lifeline.name, lifeline.service));
        lifelines.filter(|(_, service)| service.asks_for_test())
    }
}

/// A text without line breaks, cut where it says more than a row can.
fn one_line(text: &str) -> String {
    let line = text.split_whitespace().collect::<Vec<_>>().join(" ");
    match line.char_indices().nth(ROW) {
        Some((at, _)) => format!("{}... (see its card)", line[..at].trim_end()),
        None => line,
    }
}

/// No more characters of why there is no script are in a row.
const ROW: usize = 160;

/// What people call a lifeline, where it counts there.
fn title<'d>(drift: &'d StationDrift, lifeline: &'d str) -> &'d str {
    drift.lifelines.iter().find(|known| *known.name == *lifeline).map_or(lifeline, |known| &known.title)
}

/// "the red button did not reach help (tested 2026-11-20 00:10 UTC)"
fn silent_text(drift: &StationDrift, lifeline: &str) -> String {
    let title = title(drift, lifeline);
    let failed = drift.lifelines.iter().find(|known| *known.name == *lifeline && known.service == Service::Failed);
    let Some(failed) = failed else { return format!("{title} calls nobody") };
    let at = failed.mark.map(|mark| format!(" (tested {})", minute(mark.at)));
    format!("{title} did not reach help{}", at.unwrap_or_default())
}

/// Whether a lifeline calls nobody: by the record, or by its last test call.
fn calls_nobody(drift: &StationDrift, lifeline: &str) -> bool {
    drift.lifelines.iter().any(|known| *known.name == *lifeline && known.service.calls_nobody())
}

/// The lifelines that may call nobody as the station stands: they do call nobody, or nobody knows for sure what one of their
/// settings holds. One that is known, if not as wanted, still calls whom it called.
fn exposed<'s>(station: &'s Station, drift: &StationDrift) -> Vec<&'s str> {
    let is_unsure = |setting: &SettingDrift| match setting.drift {
        Drift::InDoubt | Drift::Unproven => true,
        // Shown not to be as recorded, and nobody knows what it holds.
        Drift::Strayed => setting.held == State::Unknown,
        Drift::Differs | Drift::Overdue => false,
    };
    let required = station.lifelines().map(|(_, lifeline)| lifeline).filter(|lifeline| lifeline.is_required());
    let lifelines = required.filter(|lifeline| {
        let mut drifting = drift.settings.iter().filter(|setting| lifeline.settings.contains(&setting.id));
        let is_answered = drift.lifelines.iter().any(|known| known.name == lifeline.name && known.elsewhere.is_some());
        calls_nobody(drift, &lifeline.name) || !is_answered && drifting.any(is_unsure)
    });
    lifelines.map(|lifeline| &*lifeline.name).collect()
}
