//! Decisions as lines of JSON. What breaks a rule of [`Decision::check`] is no line at all, wherever it comes from.

use std::collections::BTreeMap;
use std::sync::Arc;

use serde::{Deserialize, Serialize};
use serde_json::Value as Json;
use uuid::Uuid;

use super::decision::{Aside, Decision, End, Release, Released, Said, Take, Target};
use super::wire_value::{WireError, effect_json, effect_of, time};
use crate::setting::Name;

const VERSION: u32 = 1;

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WireAside {
    /// Format version, and what tells it from other lines; so in the others.
    aside: u32,
    id: String,
    at: String,
    by: String,
    why: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    station: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    site: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    setting: Option<String>,
    until: String,
    out_of_service: bool,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WireRelease {
    release: u32,
    id: String,
    at: String,
    by: String,
    why: String,
    change: String,
    /// Stations of which the same is released stand together.
    #[serde(default)]
    released: Vec<WireReleased>,
    /// In exports of before: stations, and nobody says which values. It is kept for who reads it, and covers nothing.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    stations: Vec<String>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WireReleased {
    stations: Vec<String>,
    /// The values of each setting; null where nobody knows what it will hold, or it is to be no more.
    values: BTreeMap<String, Vec<Json>>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WireTake {
    take: u32,
    id: String,
    at: String,
    by: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    why: Option<String>,
    station: String,
    until: String,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WireEnd {
    end: u32,
    id: String,
    at: String,
    by: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    why: Option<String>,
    ends: String,
}

/// Which kind of line it is: the key that holds its format version.
#[derive(Deserialize)]
pub(super) struct Kind {
    pub issued: Option<u32>,
    pub shown: Option<u32>,
    pub begun: Option<u32>,
    aside: Option<u32>,
    release: Option<u32>,
    take: Option<u32>,
    end: Option<u32>,
}

pub(super) fn text(decision: &Decision) -> Result<String, serde_json::Error> {
    let said = decision.said();
    let (id, at, by) = (said.id.to_string(), said.at.to_string(), said.by.to_string());
    let why = said.why.as_ref().map(|why| why.to_string());
    match decision {
        Decision::Aside(Aside { said: _, target, setting, until, out_of_service }) => {
            let (station, site) = match target {
                Target::Station(name) => (Some(name.to_string()), None),
                Target::Site(name) => (None, Some(name.to_string())),
            };
            serde_json::to_string(&WireAside {
                aside: VERSION,
                id,
                at,
                by,
                why: why.unwrap_or_default(),
                station,
                site,
                setting: setting.as_ref().map(|setting| setting.to_string()),
                until: until.to_string(),
                out_of_service: *out_of_service,
            })
        }
        Decision::Release(Release { said: _, change, stations }) => serde_json::to_string(&WireRelease {
            release: VERSION,
            id,
            at,
            by,
            why: why.unwrap_or_default(),
            change: change.to_string(),
            released: released_json(stations),
            stations: Vec::new(),
        }),
        Decision::Take(Take { said: _, station, until }) => serde_json::to_string(&WireTake {
            take: VERSION,
            id,
            at,
            by,
            why,
            station: station.to_string(),
            until: until.to_string(),
        }),
        Decision::End(End { said: _, ends }) => {
            serde_json::to_string(&WireEnd { end: VERSION, id, at, by, why, ends: ends.to_string() })
        }
    }
}

/// The decision of a line; `None` where it is none.
pub(super) fn parse(kind: &Kind, text: &str) -> Option<Result<Decision, WireError>> {
    let Kind { aside: as_aside, release: as_release, take: as_take, end: as_end, issued: _, shown: _, begun: _ } = kind;
    let version = as_aside.or(*as_release).or(*as_take).or(*as_end)?;
    if version != VERSION {
        return Some(Err(WireError::Version(version)));
    }
    let decision = match (as_aside, as_release, as_take) {
        (Some(_), _, _) => aside(text),
        (None, Some(_), _) => release(text),
        (None, None, Some(_)) => take(text),
        (None, None, None) => end(text),
    };
    Some(decision.and_then(|decision| {
        decision.check()?;
        Ok(decision)
    }))
}

fn aside(text: &str) -> Result<Decision, WireError> {
    let wire: WireAside = serde_json::from_str(text)?;
    let target = match (wire.station, wire.site) {
        (Some(station), None) => Target::Station(station.into()),
        (None, Some(site)) => Target::Site(site.into()),
        (Some(_), Some(_)) | (None, None) => return Err(WireError::Value("station and site".into())),
    };
    Ok(Decision::Aside(Aside {
        said: said(&wire.id, &wire.at, wire.by, Some(wire.why))?,
        target,
        setting: wire.setting.map(Name::from),
        until: time(&wire.until)?,
        out_of_service: wire.out_of_service,
    }))
}

fn release(text: &str) -> Result<Decision, WireError> {
    let wire: WireRelease = serde_json::from_str(text)?;
    let stations = wire.stations.into_iter().map(|station| (Name::from(station), Arc::default()));
    Ok(Decision::Release(Release {
        said: said(&wire.id, &wire.at, wire.by, Some(wire.why))?,
        change: wire.change.parse()?,
        stations: stations.chain(released(wire.released)?).collect(),
    }))
}

fn released_json(stations: &BTreeMap<Name, Arc<Released>>) -> Vec<WireReleased> {
    let mut together: BTreeMap<&Released, Vec<String>> = BTreeMap::new();
    for (station, released) in stations {
        together.entry(released).or_default().push(station.to_string());
    }
    let json = |(released, stations): (&Released, Vec<String>)| {
        let values = released.iter();
        let values = values.map(|(name, all)| (name.to_string(), all.iter().map(effect_json).collect()));
        WireReleased { stations, values: values.collect() }
    };
    together.into_iter().map(json).collect()
}

fn released(wire: Vec<WireReleased>) -> Result<BTreeMap<Name, Arc<Released>>, WireError> {
    let mut all = BTreeMap::new();
    for WireReleased { stations, values } in wire {
        let values = values.into_iter().map(|(name, all)| {
            let all = all.iter().map(effect_of).collect::<Result<_, WireError>>()?;
            Ok((Name::from(name), all))
        });
        let released: Arc<Released> = Arc::new(values.collect::<Result<_, WireError>>()?);
        all.extend(stations.into_iter().map(|station| (Name::from(station), released.clone())));
    }
    Ok(all)
}

fn take(text: &str) -> Result<Decision, WireError> {
    let wire: WireTake = serde_json::from_str(text)?;
    let said = said(&wire.id, &wire.at, wire.by, wire.why)?;
    Ok(Decision::Take(Take { said, station: wire.station.into(), until: time(&wire.until)? }))
}

fn end(text: &str) -> Result<Decision, WireError> {
    let wire: WireEnd = serde_json::from_str(text)?;
    Ok(Decision::End(End { said: said(&wire.id, &wire.at, wire.by, wire.why)?, ends: uuid(&wire.ends)? }))
}

fn said(id: &str, at: &str, by: String, why: Option<String>) -> Result<Said, WireError> {
    Ok(Said { id: uuid(id)?, at: time(at)?, by: by.into(), why: why.map(Name::from) })
}

fn uuid(text: &str) -> Result<Uuid, WireError> {
    let odd = || WireError::Value(text.into());
    Uuid::try_parse(text).ok().filter(|_| text.len() == 36).ok_or_else(odd)
}

#[cfg(test)]
mod tests {
    use super::super::issued::Effect;
    use super::super::{LedgerLine, line_of, parse_line};
    use super::*;
    use crate::setting::{Fingerprint, Written};

    fn said(why: Option<&str>) -> Said {
        Said {
            id: Uuid::from_u128(7),
            at: "2026-11-25T12:00:00.25Z".parse().unwrap(),
            by: "ops-2".into(),
            why: why.map(Name::from),
        }
    }

    fn samples() -> Vec<Decision> {
        let until = "2026-12-01T00:00:00Z".parse().unwrap();
        let whole = Aside {
            said: said(Some("awaits a \"lamp\", Flåte")),
            target: Target::Station("EQ-01".into()),
            setting: None,
            until,
            out_of_service: true,
        };
        let part = Aside {
            target: Target::Site("east-quay".into()),
            setting: Some("gate.seconds".into()),
            out_of_service: false,
            ..whole.clone()
        };
        let number: Effect = Some((Written::Quoted("01632960109".into()), None));
        let code = Some((Written::Secret("file:a".parse().unwrap()), Some(Fingerprint::stored("k:1"))));
        let one = Arc::new(Released::from([("emergency.primary".into(), [number, None].into())]));
        let other = Arc::new(Released::from([("access".into(), [code].into())]));
        let stations = [("EQ-01".into(), one.clone()), ("EQ-02".into(), other), ("EQ-03".into(), one)].into();
        vec![
            Decision::Aside(whole),
            Decision::Aside(part),
            Decision::Release(Release {
                said: said(Some("the new control room")),
                change: "0123456789abcdef".parse().unwrap(),
                stations,
            }),
            Decision::Take(Take { said: said(None), station: "EQ-01".into(), until }),
            Decision::Take(Take { said: said(Some("on my way")), station: "EQ-01".into(), until }),
            Decision::End(End { said: said(None), ends: Uuid::from_u128(9) }),
        ]
    }

    #[test]
    fn a_notice_comes_back_from_its_line_unchanged() {
        for decision in samples() {
            let line = LedgerLine::Decision(Box::new(decision));
            assert_eq!(parse_line(&line_of(&line)).unwrap(), line);
        }
    }

    #[test]
    fn a_release_that_names_stations_without_values_is_read_and_covers_none() {
        let text = r#"{"release":1,"id":"00000000-0000-0000-0000-000000000007","at":"2026-11-25T12:00:00Z","by":"ops-2","why":"moved","change":"0123456789abcdef","stations":["EQ-01"]}"#;
        let Ok(LedgerLine::Decision(decision)) = parse_line(text) else { panic!("{:?}", parse_line(text)) };
        let Decision::Release(release) = *decision else { panic!("another decision") };
        assert_eq!(release.stations, [("EQ-01".into(), Arc::default())].into());
    }

    #[test]
    fn a_line_that_breaks_a_rule_or_says_more_than_is_known_is_rejected() {
        for decision in samples() {
            let text = line_of(&LedgerLine::Decision(Box::new(decision)));
            let mut json: serde_json::Value = serde_json::from_str(&text).unwrap();
            for (key, odd) in
                [("by", "a\nb"), ("at", "soon"), ("id", "7"), ("more", "x"), ("until", "2029-01-01T00:00:00Z")]
            {
                let kept = json[key].take();
                json[key] = odd.into();
                assert!(parse_line(&json.to_string()).is_err(), "{json}");
                match kept.is_null() {
                    true => json.as_object_mut().unwrap().remove(key),
                    false => json.as_object_mut().unwrap().insert(key.into(), kept),
                };
            }
            assert!(parse_line(&json.to_string()).is_ok(), "{json}");
            for kind in ["aside", "release", "take", "end"] {
                if json.get(kind).is_some() {
                    json[kind] = 2.into();
                }
            }
            assert!(matches!(parse_line(&json.to_string()), Err(WireError::Version(2))), "{json}");
        }
    }
}
