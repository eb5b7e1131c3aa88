//! What was told, as the JSON text it is kept in. These shapes stay private; a text that cannot be read is no loss of the
//! case: it is told again.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::event::json;
use super::hold::{HeardHold, HeldSince, HoldTold};
use super::lost::{Known, Part};
use super::mark::Mark;
use super::refused::FilesRefused;
use super::seen::{Seen, SeenLifeline, SeenSetting, Shown};
use super::stopped::{StoppedTold, WebhookStopped};
use super::told::{Case, Fix, Fixed, Heard, Over, Told};
use crate::drift::{Drift, Service, Standing};
use crate::setting::{Name, Weight};

/// The version of these shapes.
const VERSION: u32 = 1;

#[derive(Serialize, Deserialize)]
struct WireTold {
    told: u32,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    open: Option<WireCase>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    withdrawn_at: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    last: Option<WireLast>,
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    owed: BTreeMap<String, WireHeard>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    fixes: Vec<WireFix>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    known: Option<WireKnown>,
}

#[derive(Serialize, Deserialize)]
struct WireKnown {
    site: String,
    r#where: String,
    file: String,
    #[serde(default, skip_serializing_if = "BTreeSet::is_empty")]
    watched: BTreeSet<String>,
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    lost_settings: BTreeMap<String, String>,
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    lost_lifelines: BTreeMap<String, String>,
    #[serde(default, skip_serializing_if = "BTreeSet::is_empty")]
    lost_heard: BTreeSet<String>,
}

#[derive(Serialize, Deserialize)]
struct WireCase {
    opened_at: String,
    changed_at: String,
    seen: WireSeen,
    heard: BTreeMap<String, WireHeard>,
}

#[derive(Serialize, Deserialize)]
struct WireLast {
    opened_at: String,
    seen: WireSeen,
}

#[derive(Serialize, Deserialize)]
struct WireHeard {
    at: String,
    mark: String,
}

#[derive(Serialize, Deserialize)]
struct WireSeen {
    site: String,
    r#where: String,
    standing: String,
    weight: String,
    settings: BTreeMap<String, WireSetting>,
    lifelines: BTreeMap<String, WireLifeline>,
}

#[derive(Serialize, Deserialize)]
struct WireSetting {
    drift: String,
    weight: String,
    wanted: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    wanted_print: Option<String>,
    held: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    held_print: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    fixed_at: Option<String>,
}

#[derive(Serialize, Deserialize)]
struct WireLifeline {
    service: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    fixed_at: Option<String>,
}

/// A lifeline where it says no wanted value.
#[derive(Serialize, Deserialize)]
struct WireFix {
    name: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    wanted: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    wanted_print: Option<String>,
    at: String,
}

impl Told {
    /// The text to keep it in.
    pub fn to_json(&self) -> String {
        let empty = WireTold {
            told: VERSION,
            open: None,
            withdrawn_at: None,
            last: None,
            owed: BTreeMap::new(),
            fixes: Vec::new(),
            known: None,
        };
        json(&match self {
            // No version at all, so that it is not taken for one that can be read.
            Told::Unreadable => WireTold { told: 0, ..empty },
            Told::Open(case) => {
                let Case { opened_at, changed_at, seen, mark: _, heard, fixes, known } = case;
                let open = WireCase {
                    opened_at: opened_at.to_string(),
                    changed_at: changed_at.to_string(),
                    seen: wire_seen(seen),
                    heard: wire_heard(heard),
                };
                let known = known.as_ref().map(wire_known);
                WireTold { open: Some(open), fixes: wire_fixes(fixes), known, ..empty }
            }
            Told::Over(Over { withdrawn_at, last, owed, fixes, known }) => WireTold {
                withdrawn_at: withdrawn_at.map(|at| at.to_string()),
                last: last.as_ref().map(|(at, seen)| WireLast { opened_at: at.to_string(), seen: wire_seen(seen) }),
                owed: wire_heard(owed),
                fixes: wire_fixes(fixes),
                known: known.as_ref().map(wire_known),
                ..empty
            },
        })
    }

    /// Reads it back. What cannot be read is [`Told::Unreadable`], so that nothing that was open is forgotten.
    pub fn from_json(text: &str) -> Told {
        let wire = serde_json::from_str::<WireTold>(text).ok().filter(|wire| wire.told == VERSION);
        wire.and_then(told).unwrap_or(Told::Unreadable)
    }
}

#[derive(Serialize, Deserialize)]
struct WireRefused {
    refused: u32,
    since: Option<String>,
    heard: BTreeMap<String, WireHeard>,
}

impl FilesRefused {
    /// The text to keep it in.
    pub fn to_json(&self) -> String {
        let FilesRefused { since, heard } = self;
        json(&WireRefused { refused: VERSION, since: since.map(|at| at.to_string()), heard: wire_heard(heard) })
    }

    /// Reads it back. What cannot be read stands for a refusal that every webhook may have heard of.
    pub fn from_json(text: &str) -> FilesRefused {
        let wire = serde_json::from_str::<WireRefused>(text).ok().filter(|wire| wire.refused == VERSION);
        let read = wire.and_then(|WireRefused { refused: _, since, heard: wire }| {
            Some(FilesRefused { since: maybe_time(since)?, heard: heard(wire)? })
        });
        read.unwrap_or(FilesRefused { since: None, heard: BTreeMap::new() })
    }
}

#[derive(Serialize, Deserialize)]
struct WireStopped {
    stopped: u32,
    webhooks: BTreeMap<String, WireOneStopped>,
}

#[derive(Serialize, Deserialize)]
struct WireOneStopped {
    since: String,
    heard: BTreeMap<String, WireHeard>,
}

/// The text in which it is kept what was told of stopped webhooks.
pub fn stopped_to_json(told: &StoppedTold) -> String {
    let one = |(name, WebhookStopped { since, heard }): (&Name, &WebhookStopped)| {
        (name.to_string(), WireOneStopped { since: since.to_string(), heard: wire_heard(heard) })
    };
    json(&WireStopped { stopped: VERSION, webhooks: told.iter().map(one).collect() })
}

/// Reads it back. Where it cannot be read nothing was told, and what is stopped is told again.
pub fn stopped_from_json(text: &str) -> StoppedTold {
    let wire = serde_json::from_str::<WireStopped>(text).ok().filter(|wire| wire.stopped == VERSION);
    let one = |(name, WireOneStopped { since, heard: wire }): (String, WireOneStopped)| {
        Some((Name::from(name), WebhookStopped { since: time(&since)?, heard: heard(wire)? }))
    };
    wire.and_then(|wire| wire.webhooks.into_iter().map(one).collect()).unwrap_or_default()
}

#[derive(Serialize, Deserialize)]
struct WireHold {
    hold: u32,
    change: Option<WireHeldSince>,
    heard: BTreeMap<String, WireHeardHold>,
}

#[derive(Serialize, Deserialize)]
struct WireHeldSince {
    change: String,
    at: String,
    seq: i64,
}

#[derive(Serialize, Deserialize)]
struct WireHeardHold {
    change: String,
    at: String,
}

/// The text in which it is kept what was told of held changes.
pub fn hold_to_json(told: &HoldTold) -> String {
    let HoldTold { change, heard } = told;
    let one = |HeardHold { change, at }: &HeardHold| WireHeardHold { change: change.to_string(), at: at.to_string() };
    let since = |HeldSince { change, at, seq }: &HeldSince| WireHeldSince {
        change: change.to_string(),
        at: at.to_string(),
        seq: *seq,
    };
    json(&WireHold {
        hold: VERSION,
        change: change.as_ref().map(since),
        heard: heard.iter().map(|(webhook, heard)| (webhook.to_string(), one(heard))).collect(),
    })
}

/// Reads it back. Where it cannot be read nothing was told, and what is held is told again.
pub fn hold_from_json(text: &str) -> HoldTold {
    let wire = serde_json::from_str::<WireHold>(text).ok().filter(|wire| wire.hold == VERSION);
    let one = |(name, WireHeardHold { change, at }): (String, WireHeardHold)| {
        Some((Name::from(name), HeardHold { change: change.parse().ok()?, at: time(&at)? }))
    };
    let read = wire.and_then(|WireHold { hold: _, change, heard }| {
        let since = |WireHeldSince { change, at, seq }: WireHeldSince| {
            Some(HeldSince { change: change.parse().ok()?, at: time(&at)?, seq })
        };
        let change = change.and_then(since);
        Some(HoldTold { change, heard: heard.into_iter().map(one).collect::<Option<_>>()? })
    });
    read.unwrap_or_default()
}

fn wire_seen(seen: &Seen) -> WireSeen {
    let Seen { site, location, standing, weight, settings, lifelines } = seen;
    let setting = |setting: &SeenSetting| {
        let SeenSetting { drift, weight, wanted, held, fixed_at } = setting;
        WireSetting {
            drift: drift.as_str().into(),
            weight: weight.as_str().into(),
            wanted: wanted.text.clone(),
            wanted_print: wanted.print.clone(),
            held: held.text.clone(),
            held_print: held.print.clone(),
            fixed_at: fixed_at.map(|at| at.to_string()),
        }
    };
    let lifeline = |SeenLifeline { service, fixed_at }: &SeenLifeline| WireLifeline {
        service: service.as_str().into(),
        fixed_at: fixed_at.map(|at| at.to_string()),
    };
    WireSeen {
        site: site.to_string(),
        r#where: location.to_string(),
        standing: standing.as_str().into(),
        weight: weight.as_str().into(),
        settings: settings.iter().map(|(name, seen)| (name.to_string(), setting(seen))).collect(),
        lifelines: lifelines.iter().map(|(name, seen)| (name.to_string(), lifeline(seen))).collect(),
    }
}

fn wire_heard(heard: &BTreeMap<Name, Heard>) -> BTreeMap<String, WireHeard> {
    let one = |Heard { at, mark }: &Heard| WireHeard { at: at.to_string(), mark: mark.to_string() };
    heard.iter().map(|(webhook, heard)| (webhook.to_string(), one(heard))).collect()
}

fn wire_fixes(fixes: &[Fix]) -> Vec<WireFix> {
    let one = |Fix { part, at }: &Fix| {
        let at = at.to_string();
        match part {
            Fixed::Setting { name, wanted: Shown { text, print } } => {
                WireFix { name: name.to_string(), wanted: Some(text.clone()), wanted_print: print.clone(), at }
            }
            Fixed::Lifeline { name } => WireFix { name: name.to_string(), wanted: None, wanted_print: None, at },
        }
    };
    fixes.iter().map(one).collect()
}

fn wire_known(known: &Known) -> WireKnown {
    let Known { site, location, file, watched, lost, lost_heard } = known;
    let names = |names: &BTreeSet<Name>| names.iter().map(Name::to_string).collect();
    let mut wire = WireKnown {
        site: site.to_string(),
        r#where: location.to_string(),
        file: file.to_string(),
        watched: names(watched),
        lost_settings: BTreeMap::new(),
        lost_lifelines: BTreeMap::new(),
        lost_heard: names(lost_heard),
    };
    for (part, weight) in lost {
        let of = match part {
            Part::Setting(_) => &mut wire.lost_settings,
            Part::Lifeline(_) => &mut wire.lost_lifelines,
        };
        of.insert(part.name().to_string(), weight.as_str().into());
    }
    wire
}

fn known(wire: WireKnown) -> Option<Known> {
    let WireKnown { site, r#where, file, watched, lost_settings, lost_lifelines, lost_heard } = wire;
    let settings = lost_settings.into_iter().map(|(name, of)| Some((Part::Setting(name.into()), weight(&of)?)));
    let lifelines = lost_lifelines.into_iter().map(|(name, of)| Some((Part::Lifeline(name.into()), weight(&of)?)));
    Some(Known {
        site: site.into(),
        location: r#where.into(),
        file: file.into(),
        watched: watched.into_iter().map(Name::from).collect(),
        lost: settings.chain(lifelines).collect::<Option<_>>()?,
        lost_heard: lost_heard.into_iter().map(Name::from).collect(),
    })
}

fn told(wire: WireTold) -> Option<Told> {
    let WireTold { told: _, open, withdrawn_at, last, owed, fixes, known: wire_known } = wire;
    let fixes: Vec<Fix> = fixes.into_iter().map(fix).collect::<Option<_>>()?;
    let known = match wire_known {
        Some(wire) => Some(known(wire)?),
        None => None,
    };
    if let Some(WireCase { opened_at, changed_at, seen: wire, heard: wire_heard }) = open {
        let seen = seen(wire)?;
        let (opened_at, changed_at) = (time(&opened_at)?, time(&changed_at)?);
        let mark = seen.mark();
        let heard = heard(wire_heard)?;
        return Some(Told::Open(Case { opened_at, changed_at, seen, mark, heard, fixes, known }));
    }
    let last = match last {
        Some(WireLast { opened_at, seen: wire }) => Some((time(&opened_at)?, seen(wire)?)),
        None => None,
    };
    let over = Over { withdrawn_at: maybe_time(withdrawn_at)?, last, owed: heard(owed)?, fixes, known };
    // Nobody keeps nothing: what was here is lost.
    (over != Over::default()).then_some(Told::Over(over))
}

fn seen(wire: WireSeen) -> Option<Seen> {
    let WireSeen { site, r#where, standing, weight: heaviest, settings, lifelines } = wire;
    let settings = settings.into_iter().map(|(name, wire)| {
        let WireSetting { drift: word, weight: of_setting, wanted, wanted_print, held, held_print, fixed_at } = wire;
        let seen = SeenSetting {
            drift: drift(&word)?,
            weight: weight(&of_setting)?,
            wanted: Shown { text: wanted, print: wanted_print },
            held: Shown { text: held, print: held_print },
            fixed_at: maybe_time(fixed_at)?,
        };
        Some((Name::from(name), seen))
    });
    let lifelines = lifelines.into_iter().map(|(name, WireLifeline { service: word, fixed_at })| {
        let seen = SeenLifeline { service: service(&word)?, fixed_at: maybe_time(fixed_at)? };
        Some((Name::from(name), seen))
    });
    Some(Seen {
        site: site.into(),
        location: r#where.into(),
        standing: Standing::ALL.into_iter().find(|known| known.as_str() == standing)?,
        weight: weight(&heaviest)?,
        settings: settings.collect::<Option<_>>()?,
        lifelines: lifelines.collect::<Option<_>>()?,
    })
}

fn heard(wire: BTreeMap<String, WireHeard>) -> Option<BTreeMap<Name, Heard>> {
    let one = |(webhook, WireHeard { at, mark }): (String, WireHeard)| {
        Some((Name::from(webhook), Heard { at: time(&at)?, mark: Mark::stored(&mark) }))
    };
    wire.into_iter().map(one).collect()
}

fn fix(wire: WireFix) -> Option<Fix> {
    let WireFix { name, wanted, wanted_print, at } = wire;
    let name = Name::from(name);
    let part = match wanted {
        Some(text) => Fixed::Setting { name, wanted: Shown { text, print: wanted_print } },
        None => Fixed::Lifeline { name },
    };
    Some(Fix { part, at: time(&at)? })
}

fn time(text: &str) -> Option<Timestamp> {
    text.parse().ok()
}

/// `None` only where there is a text and it is no time.
fn maybe_time(text: Option<String>) -> Option<Option<Timestamp>> {
    text.map_or(Some(None), |text| time(&text).map(Some))
}

fn weight(word: &str) -> Option<Weight> {
    Weight::ALL.into_iter().find(|known| known.as_str() == word)
}

fn drift(word: &str) -> Option<Drift> {
    const ALL: [Drift; 5] = [Drift::Differs, Drift::Strayed, Drift::InDoubt, Drift::Unproven, Drift::Overdue];
    ALL.into_iter().find(|known| known.as_str() == word)
}

fn service(word: &str) -> Option<Service> {
    const ALL: [Service; 4] = [Service::Failed, Service::Untested, Service::Overdue, Service::Tested];
    ALL.into_iter().find(|known| known.as_str() == word)
}
