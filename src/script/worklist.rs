//! The work that a fleet's drift asks for: which stations to key, in which order, what it all takes, which only need a
//! test call, and which have no script.
//!
//! The heaviest come first, then those with the most lifelines that may call nobody today, then by site, so that a
//! round goes from one quay to the next.

use std::cmp::Reverse;
use std::fmt::Write as _;
use std::sync::Arc;

use serde_json::{Value as Json, json};

use super::delta::Script;
use super::json::json as script_json;
use super::no_script::NoScript;
use super::work::Work;
use crate::brake::Change;
use crate::drift::{Drift, Service, StationDrift};
use crate::finding::plural;
use crate::inventory::Station;
use crate::setting::{Codes, Name, Weight};

/// A station that needs somebody.
#[derive(Debug, Clone)]
pub struct Errand {
    pub station: Arc<Station>,
    pub drift: StationDrift,
    pub due: Due,
}

/// What a station needs.
#[derive(Debug, Clone)]
pub enum Due {
    /// Keying, and a test call of what the script touches.
    Keying { script: Box<Script>, codes: Codes },
    /// No keying of what differs, but a test call, or overdue settings that are to be keyed again.
    Test,
    /// Keying for which there is no script.
    Stuck(NoScript),
    /// Keying that waits for the release of a change.
    Held,
}

/// What to do at which stations, in order.
#[derive(Debug, Clone, Default)]
pub struct WorkList {
    errands: Vec<Errand>,
    /// How many of the stations looked at are set aside, in whole or in part.
    set_aside: usize,
    /// The change that some of them wait for.
    change: Option<Change>,
}

impl WorkList {
    /// Puts errands in order.
    pub fn new(mut errands: Vec<Errand>, set_aside: usize, change: Option<Change>) -> WorkList {
        errands.sort_by_cached_key(Errand::rank);
        WorkList { errands, set_aside, change }
    }

    /// The stations to key, each with its place in the list.
    pub fn to_key(&self) -> impl Iterator<Item = (usize, &Errand, &Script, &Codes)> {
        self.errands.iter().enumerate().filter_map(|(at, errand)| match &errand.due {
            Due::Keying { script, codes } => Some((at, errand, &**script, codes)),
            Due::Test | Due::Stuck(_) | Due::Held => None,
        })
    }

    /// The stations that need somebody, but no keying.
    pub fn to_test(&self) -> impl Iterator<Item = &Errand> {
        self.errands.iter().filter(|errand| matches!(errand.due, Due::Test))
    }

    /// The stations that need keying and have no script.
    pub fn stuck(&self) -> impl Iterator<Item = (&Errand, &NoScript)> {
        self.errands.iter().filter_map(|errand| match &errand.due {
            Due::Stuck(why) => Some((errand, why)),
            Due::Keying { .. } | Due::Test | Due::Held => None,
        })
    }

    /// The stations whose scripts are held.
    pub fn held(&self) -> impl Iterator<Item = &Errand> {
        self.errands.iter().filter(|errand| matches!(errand.due, Due::Held))
    }

    /// What keying all of it takes.
    pub fn work(&self) -> Work {
        self.to_key().map(|(_, errand, script, codes)| Work::of(script, &errand.station, codes)).sum()
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
            let exposed = exposed(station, &errand.drift);
            if !exposed.is_empty() {
                let _ = writeln!(out, "      ! {} may call nobody today", exposed.join(" and "));
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
        let tests = match self.to_test().count() {
            0 => String::new(),
            count => format!("; {} to test only", plural(count as u64, "station")),
        };
        let stuck = match self.stuck().count() {
            0 => String::new(),
            count => format!("; {} without a script", plural(count as u64, "station")),
        };
        let held = match self.held().count() {
            0 => String::new(),
            count => format!("; {} held until the change is released", plural(count as u64, "station")),
        };
        let aside = match self.set_aside {
            0 => String::new(),
            count => format!("; {} set aside", plural(count as u64, "station")),
        };
        format!("{keying}{tests}{stuck}{held}{aside}.")
    }

    /// The list for programs.
    pub fn json(&self) -> Json {
        let work = self.work();
        let scripts = self.to_key().map(|(_, errand, script, codes)| script_json(script, &errand.station, codes));
        let tests = self.to_test().map(|errand| {
            let owed = errand.owed().map(|(name, service)| json!({ "lifeline": &**name, "service": service.as_str() }));
            json!({
                "station": &*errand.station.name,
                "site": &*errand.station.site,
                "weight": errand.drift.weight.map(Weight::as_str),
                "lifelines": owed.collect::<Vec<_>>(),
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
        let change = self.change.as_ref().map(|change| {
            json!({
                "change": change.digest.to_string(),
                "stations": change.count,
                "handed_out": change.in_hand.len(),
                "on_record": change.on_record,
                "limit": change.limit,
                "release": change.release(),
            })
        });
        json!({
            "scripts": scripts.collect::<Vec<_>>(),
            "tests": tests.collect::<Vec<_>>(),
            "no_script": stuck.collect::<Vec<_>>(),
            "held": held.collect::<Vec<_>>(),
            "held_by": change,
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

impl Errand {
    fn rank(&self) -> (Reverse<Option<Weight>>, Reverse<usize>, Name, Name) {
        let exposed = exposed(&self.station, &self.drift).len();
        (Reverse(self.drift.weight), Reverse(exposed), self.station.site.clone(), self.station.name.clone())
    }

    fn needs(&self, label: impl Fn(&Script) -> String) -> String {
        match &self.due {
            Due::Keying { script, codes } => {
                let work = Work::of(script, &self.station, codes);
                let (calls, keys) = (plural(work.calls, "call"), plural(work.presses, "key"));
                format!("{calls}, {keys}, {} min: {}", work.minutes(), label(script))
            }
            Due::Test => {
                let owed = self.owed().map(|(lifeline, service)| format!("{lifeline} ({})", service.as_str()));
                let owed: Vec<String> = owed.collect();
                let settings: Vec<&str> = self.drift.settings.iter().map(|setting| &*setting.name).collect();
                match (&owed[..], &settings[..]) {
                    ([], settings) => format!(
                        "key {} again (overdue): stationkeep script {} --renew",
                        settings.join(" and "),
                        self.station.name
                    ),
                    (owed, _) => format!("only a test call by {}", owed.join(" and by ")),
                }
            }
            Due::Stuck(why) => why.to_string(),
            Due::Held => "held until the change is released".into(),
        }
    }

    fn weight_text(&self) -> &'static str {
        self.drift.weight.map_or("", Weight::as_str)
    }

    /// The lifelines that need a test call.
    fn owed(&self) -> impl Iterator<Item = (&Name, Service)> {
        let lifelines = self.drift.lifelines.iter().map(|lifeline| (&lifeline.name, lifeline.service));
        lifelines.filter(|(_, service)| *service != Service::Tested)
    }
}

/// The lifelines that may summon nobody as the station stands: their last test failed, or nobody knows for sure what one
/// of their settings holds. One that is known, if not as wanted, still calls whom it called.
fn exposed<'s>(station: &'s Station, drift: &StationDrift) -> Vec<&'s str> {
    let failed = |name: &Name| drift.lifelines.iter().any(|l| l.name == *name && l.service == Service::Failed);
    let unsure = |drift: Drift| match drift {
        Drift::InDoubt | Drift::Unproven => true,
        Drift::Differs | Drift::Strayed | Drift::Overdue => false,
    };
    let required = station.keybook.lifelines.iter().filter(|lifeline| lifeline.is_required());
    let lifelines = required.filter(|lifeline| {
        let mut drifting = drift.settings.iter().filter(|setting| lifeline.settings.contains(&setting.id));
        failed(&lifeline.name) || drifting.any(|setting| unsure(setting.drift))
    });
    lifelines.map(|lifeline| &*lifeline.name).collect()
}
