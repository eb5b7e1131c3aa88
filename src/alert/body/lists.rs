//! The Prometheus Alertmanager's v2 API (`POST /api/v2/alerts`): a list of alerts. It closes by itself what it is not told again
//! until `endsAt`; what is over ends now. Labels tell alerts apart, so that all else is an annotation.

use jiff::{SignedDuration, Timestamp};
use serde_json::{Map, Value as Json, json};

use crate::alert::brief::sentence;
use crate::alert::gist::Gist;

/// What is not told again after so many full passes is over.
pub const PASSES: i32 = 3;

/// All of them.
pub fn alerts(gists: &[Gist], ends_after: SignedDuration) -> String {
    Json::from(gists.iter().map(|gist| whole(gist, ends_after)).collect::<Vec<_>>()).to_string()
}

/// No more than what tells them apart and how bad they are.
pub fn brief(gists: &[Gist], ends_after: SignedDuration) -> String {
    let brief = |gist: &Gist| {
        alert(
            gist,
            ends_after,
            json!({"summary": sentence(&gist.text), "severity": gist.severity.as_str(), "key": gist.key}),
        )
    };
    Json::from(gists.iter().map(brief).collect::<Vec<_>>()).to_string()
}

fn whole(gist: &Gist, ends_after: SignedDuration) -> Json {
    let mut annotations = json!({
        "summary": gist.title,
        "description": gist.text,
        "severity": gist.severity.as_str(),
        "key": gist.key,
        "type": gist.kind,
    });
    if let Some(site) = &gist.site {
        annotations["site"] = site.as_str().into();
    }
    let mut alert = alert(gist, ends_after, annotations);
    if let Some(url) = &gist.url {
        alert["generatorURL"] = url.as_str().into();
    }
    alert
}

fn alert(gist: &Gist, ends_after: SignedDuration, annotations: Json) -> Json {
    let mut labels = Map::new();
    let name = if gist.known_as.is_some() { "StationDrift".to_owned() } else { name(gist.kind) };
    labels.insert("alertname".into(), name.into());
    // The name by which the case was opened: with another label the old alert would never end.
    let subject = match &gist.known_as {
        Some(known_as) => ("station", Some(known_as.clone())),
        None => ("key", Some(gist.key.clone())),
    };
    // A label without a value is none.
    for (label, value) in [("fleet", Some(gist.fleet.clone())), subject] {
        if let Some(value) = value.filter(|value| !value.is_empty()) {
            labels.insert(label.into(), value.into());
        }
    }
    let ends = if gist.is_over { gist.time } else { gist.time.saturating_add(ends_after).unwrap_or(Timestamp::MAX) };
    // An alert that ends before it began is refused.
    let starts = gist.since.min(ends);
    json!({"labels": labels, "annotations": annotations, "startsAt": starts.to_string(), "endsAt": ends.to_string()})
}

/// `stationkeep.inventory.refused.v1` is `StationkeepInventoryRefused`.
fn name(kind: &str) -> String {
    let words = kind.split(['.', '_']).filter(|word| *word != "v1");
    words.map(|word| word.get(..1).unwrap_or("").to_uppercase() + word.get(1..).unwrap_or("")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_event_is_named_as_alerts_are() {
        assert_eq!(name("stationkeep.inventory.refused.v1"), "StationkeepInventoryRefused");
    }
}
