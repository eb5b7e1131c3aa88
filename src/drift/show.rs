//! Drift as people and programs read it: text with the diff, the diff alone, JSON.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use serde_json::{Value as Json, json};

use super::lost::lost_unmanaged;
use super::meaning::reached_though_dead;
use super::met::Met;
use super::refused::refused;
use super::values::{held_text, value_text};
use super::{Begun, LifelineService, SettingDrift, Standing, StationDrift};
use crate::finding::{minute, plural};
use crate::inventory::{Extent, Station};
use crate::ledger::{Mark, Record, State, value_json};
use crate::setting::Value;

/// How many stations stand how, over the whole fleet, and how many of them are set aside.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Totals {
    all: usize,
    standings: BTreeMap<Standing, usize>,
    set_aside: usize,
    /// How many of them in whole.
    out_of_service: usize,
}

impl Totals {
    /// Counts standings. A station of which something is set aside is never counted as aligned: it stands by the rest of it
    /// where that drifts, and else is counted as set aside alone.
    pub fn of<'d>(drifts: impl IntoIterator<Item = &'d StationDrift>) -> Totals {
        let mut totals = Totals::default();
        for drift in drifts {
            let is_whole = drift.set_aside == Extent::Nothing;
            totals.all += 1;
            if let Some(standing) = drift.told() {
                *totals.standings.entry(standing).or_default() += 1;
            }
            totals.set_aside += usize::from(!is_whole);
            totals.out_of_service += usize::from(drift.set_aside == Extent::Whole);
        }
        totals
    }

    /// How many are set aside, in whole or in part.
    pub fn set_aside(&self) -> usize {
        self.set_aside
    }

    /// How many stand so.
    pub fn get(&self, standing: Standing) -> usize {
        self.standings.get(&standing).copied().unwrap_or(0)
    }

    /// How many are set aside in whole, out of service: nothing of them is compared.
    pub fn set_aside_whole(&self) -> usize {
        self.out_of_service
    }

    /// How many there are in all.
    pub fn all(&self) -> usize {
        self.all
    }

    /// Whether none of them drifts, as far as it is not set aside.
    pub fn is_aligned(&self) -> bool {
        self.standings.keys().all(|standing| *standing == Standing::Aligned)
    }

    /// "35 stations".
    pub fn counted(&self) -> String {
        plural(self.all() as u64, "station")
    }

    /// `{standing: count}`, every standing named.
    pub fn json(&self) -> Json {
        Standing::ALL.iter().map(|standing| (standing.as_str().to_owned(), Json::from(self.get(*standing)))).collect()
    }

    /// `{stations, whole}`: of how many something is set aside, and of how many all.
    pub fn set_aside_json(&self) -> Json {
        json!({ "stations": self.set_aside, "whole": self.out_of_service })
    }

    /// "3 adrift, 1 overdue, 20 aligned; 2 set aside"; what nobody has is left out.
    pub fn sentence(&self) -> String {
        let parts = Standing::ALL.iter().filter(|s| self.get(**s) > 0).map(|s| format!("{} {s}", self.get(*s)));
        let out = match self.out_of_service {
            0 => String::new(),
            n if n == self.set_aside => ", out of service".into(),
            n => format!(", {n} of them out of service"),
        };
        let aside = (self.set_aside > 0).then(|| format!("{} set aside{out}", self.set_aside));
        let standings = parts.collect::<Vec<_>>().join(", ");
        let all: Vec<String> = Some(standings).filter(|text| !text.is_empty()).into_iter().chain(aside).collect();
        if all.is_empty() { "no station".into() } else { all.join("; ") }
    }
}

/// The unified diff of a station's managed settings, confirmed against wanted; empty where nothing differs.
pub fn diff(station: &Station, record: &Record) -> String {
    let mut confirmed = String::new();
    let mut wanted = String::new();
    for id in station.keybook.ids() {
        let Some(want) = station.wanted(id) else { continue };
        let name = &station.keybook.setting(id).name;
        let agrees = record.known(id).is_some_and(|held| held.agrees(&want.value));
        // Two names for one code are no difference, so the same line stands on both sides.
        let held =
            if agrees { value_text(&want.value) } else { held_text(&record.holding(id).state, Some(&want.value)) };
        let _ = writeln!(confirmed, "{name}: {held}");
        let _ = writeln!(wanted, "{name}: {}", value_text(&want.value));
    }
    let name = &station.name;
    similar::TextDiff::from_lines(&confirmed, &wanted)
        .unified_diff()
        .context_radius(1)
        .header(&format!("{name} confirmed"), &format!("{name} wanted"))
        .to_string()
}

fn day(mark: Mark) -> String {
    mark.at.strftime("%Y-%m-%d").to_string()
}

/// A station's drift for a person: how it stands, the diff, and where each line comes from.
pub fn text(drift: &StationDrift, station: &Station, record: &Record) -> String {
    let mut out = String::new();
    let weight = drift.weight.map(|weight| format!(", {weight}")).unwrap_or_default();
    let _ = writeln!(out, "{}  {}{weight}  ({}: {})", drift.station, drift.told_text(), drift.site, drift.location);
    if let Some(note) = drift.set_aside.note() {
        let _ = writeln!(out, "  {note}");
    }
    if let Some(taken) = &drift.taken {
        let _ = writeln!(out, "  {} is on it until {}", taken.by, minute(taken.until));
    }
    for Begun { visit: _, by, at, script, is_silent } in &drift.begun {
        let yet = if *is_silent { "no report in 24 hours" } else { "no report yet" };
        let _ = writeln!(out, "  {by} began to key script {script} on {}: {yet}", minute(*at));
    }
    if let Some(number) = &drift.other_number {
        let _ = writeln!(
            out,
            "  it last answered at {number}, and its number is {} now: which station answers there?",
            station.number
        );
    }
    out.push_str(&diff(station, record));
    for setting in &drift.settings {
        let _ = writeln!(out, "  {}", setting_sentence(setting));
    }
    if let Some(refused) = refused(station, record) {
        let _ = writeln!(out, "  {} {}", refused.sentence(), refused.what_to_do());
    }
    // Of refused codes more was said already.
    for met in drift.met.iter().filter(|met| matches!(met, Met::Elsewhere { .. })) {
        let _ = writeln!(out, "  {}", met.sentence(&drift.station));
    }
    for setback in &drift.setbacks {
        let _ = writeln!(out, "  {}", setback.sentence());
    }
    for line in drift.lifelines.iter().filter_map(|lifeline| lifeline_line(drift, station, record, lifeline)) {
        let _ = writeln!(out, "  {line}");
    }
    out
}

/// What is wrong with a lifeline; nothing where its test call stands.
fn lifeline_line(
    drift: &StationDrift,
    station: &Station,
    record: &Record,
    lifeline: &LifelineService,
) -> Option<String> {
    let name = &lifeline.name;
    let sentence = match (lifeline.service, lifeline.mark) {
        (super::Service::Dead, mark) => {
            let since = mark.map(|mark| format!(" since {}", day(mark))).unwrap_or_default();
            let wrong = record_is_wrong(station, record, name);
            let what = if lifeline.is_required { "a press" } else { &*lifeline.title };
            format!("{what} calls nobody{since} ({}){wrong}", contradicting(station, record, name))
        }
        (super::Service::Failed, Some(mark)) => format!("the last test call failed on {}", day(mark)),
        (super::Service::Failed, None) => "the last test call failed".into(),
        (super::Service::Untested, Some(mark)) => untested(drift, station, record, lifeline, mark),
        (super::Service::Untested, None) => "never tested: make a test call".into(),
        (super::Service::Overdue, mark) => {
            let last = mark.map(|mark| format!(", the last was on {}", day(mark))).unwrap_or_default();
            format!("a test call is overdue{last}")
        }
        (super::Service::Tested, _) => return None,
    };
    Some(match (lifeline.service, &lifeline.because) {
        (super::Service::Untested, Some(because)) => {
            format!("lifeline {name}: a press may call nobody ({because}); {sentence}")
        }
        (_, _) => format!("lifeline {name}: {sentence}{}", nobody_knows(station, record, name)),
    })
}

/// Why the last test call of a lifeline, of this mark, does not count.
fn untested(
    drift: &StationDrift,
    station: &Station,
    record: &Record,
    lifeline: &LifelineService,
    mark: Mark,
) -> String {
    let on = day(mark);
    if is_renumbered(drift, station, record, &lifeline.name) {
        format!("its last test call on {on} was at another number: make a test call")
    } else if lifeline.elsewhere.is_some() {
        format!(
            "someone else than on record answered its last test call on {on}: key its number again, then make a test call"
        )
    } else {
        format!("changed since its last test call on {on}: make a test call")
    }
}

/// Whether its last test call proves nothing only because it was made at another number.
fn is_renumbered(drift: &StationDrift, station: &Station, record: &Record, lifeline: &str) -> bool {
    let all = station.keybook.lifelines.iter().zip(&record.lifelines);
    let mut named = all.filter(|(known, _)| *known.name == *lifeline);
    named.any(|(_, proof)| proof.is_renumbered || drift.other_number.is_some() && proof.reached.is_some())
}

/// What of a lifeline is not managed and not known now: "; no report says what unit.mode is now".
fn nobody_knows(station: &Station, record: &Record, lifeline: &str) -> String {
    let keybook = &station.keybook;
    let lifeline = keybook.lifelines.iter().find(|known| *known.name == *lifeline);
    let lost = lifeline.map(|lifeline| lost_unmanaged(station, record, lifeline)).unwrap_or_default();
    let names: Vec<&str> = lost.into_iter().map(|id| &*keybook.setting(id).name).collect();
    if names.is_empty() { String::new() } else { format!("; no report says what {} is now", names.join(" or ")) }
}

/// That a test call reached help by a lifeline that is dead by the record.
fn record_is_wrong(station: &Station, record: &Record, lifeline: &str) -> String {
    let mut all = station.keybook.lifelines.iter().zip(&record.lifelines);
    let proof = all.find(|(known, _)| *known.name == *lifeline).map(|(_, proof)| proof);
    let reached = proof.and_then(reached_though_dead);
    reached.map_or(String::new(), |mark| {
        format!("; but a test call reached help on {}: the record must be wrong", day(mark))
    })
}

/// What makes a lifeline dead: "unit.mode: setup".
fn contradicting(station: &Station, record: &Record, lifeline: &str) -> String {
    let keybook = &station.keybook;
    let lifeline = keybook.lifelines.iter().find(|known| *known.name == *lifeline);
    let ids = lifeline.map(|lifeline| lifeline.contradicting(|id| record.known(id))).unwrap_or_default();
    let one = |id| Some(format!("{}: {}", keybook.setting(id).name, value_text(record.known(id)?)));
    ids.into_iter().filter_map(one).collect::<Vec<_>>().join(", ")
}

fn setting_sentence(setting: &SettingDrift) -> String {
    let SettingDrift { name, drift, weight, wanted_at, contact, mark, held, id: _, title: _, wanted: _ } = setting;
    let who = contact.as_ref().map(|contact| format!(" ({contact})")).unwrap_or_default();
    let last = match (drift, mark) {
        (super::Drift::Strayed, Some(mark)) if *held == State::Unknown => {
            format!("shown on {} not to be as recorded; nobody knows what it holds", day(*mark))
        }
        (super::Drift::Strayed, Some(mark)) => format!("found so on {}, against the record", day(*mark)),
        (super::Drift::InDoubt, Some(mark)) => format!("in doubt since {}", day(*mark)),
        (super::Drift::Unproven, Some(mark)) => format!("unknown since {}", day(*mark)),
        (super::Drift::Unproven, None) => "never confirmed".into(),
        (super::Drift::Overdue, Some(mark)) => format!("last confirmed {}, too long ago", day(*mark)),
        (super::Drift::Differs, Some(mark)) => format!("last confirmed {}", day(*mark)),
        (super::Drift::Strayed | super::Drift::InDoubt | super::Drift::Overdue | super::Drift::Differs, None) => {
            "no report".into()
        }
    };
    format!("{name}: {}, {weight}; wanted by {wanted_at}{who}; {last}", drift.as_str())
}

/// A station's drift as the stable JSON of `drift --format json`.
pub fn json(drift: &StationDrift) -> Json {
    let settings: Vec<Json> = drift.settings.iter().map(setting_json).collect();
    let lifelines = drift.lifelines.iter().map(|lifeline| {
        json!({
            "lifeline": &*lifeline.name,
            "service": lifeline.service.as_str(),
            "at": lifeline.mark.map(|mark| mark.at.to_string()),
            "report": lifeline.mark.map(|mark| mark.report.to_string()),
        })
    });
    json!({
        "station": &*drift.station,
        "site": &*drift.site,
        "standing": drift.told().map(Standing::as_str),
        "weight": drift.weight.map(|weight| weight.as_str()),
        "settings": settings,
        "lifelines": lifelines.collect::<Vec<_>>(),
        "other_number": drift.other_number.as_deref(),
        "begun": drift.begun.iter().map(begun_json).collect::<Vec<_>>(),
        "set_aside": drift.set_aside.as_str(),
        "taken_by": drift.taken.as_ref().map(|taken| &*taken.by),
        "taken_until": drift.taken.as_ref().map(|taken| taken.until.to_string()),
    })
}

fn begun_json(Begun { visit, by, at, script, is_silent }: &Begun) -> Json {
    json!({ "id": visit.to_string(), "by": &**by, "at": at.to_string(), "script": script.to_string(), "silent": is_silent })
}

fn setting_json(setting: &SettingDrift) -> Json {
    let (confirmed, candidates) = match &setting.held {
        State::Known(value) => (known_json(value, &setting.wanted), Vec::new()),
        State::InDoubt(candidates) => (Json::Null, candidates.iter().map(value_json).collect()),
        State::Unknown => (Json::Null, Vec::new()),
    };
    json!({
        "setting": &*setting.name,
        "drift": setting.drift.as_str(),
        "weight": setting.weight.as_str(),
        "wanted": value_json(&setting.wanted),
        "confirmed": confirmed,
        "candidates": candidates,
        "wanted_at": setting.wanted_at.to_string(),
        "report": setting.mark.map(|mark| mark.report.to_string()),
    })
}

/// A known value; one that prints like the wanted one without being it (an earlier code) is marked.
fn known_json(value: &Value, wanted: &Value) -> Json {
    let mut json = value_json(value);
    if !value.agrees(wanted) && json == value_json(wanted) {
        json["earlier"] = Json::Bool(true);
    }
    json
}
