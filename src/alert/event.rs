//! The envelope of every message: CloudEvents 1.0 in structured JSON (its specification, section 3, and the JSON event
//! format). What is inside comes from the other files of this module.

use jiff::Timestamp;
use serde::Serialize;

use super::case::Severity;
use super::clip::{NAME, clip};
use super::gist::{Gist, title};
use super::json::json;
use crate::setting::Name;

/// The `Content-Type` of every message.
pub const CONTENT_TYPE: &str = "application/cloudevents+json; charset=UTF-8";

/// The longest body, in bytes (Standard Webhooks advises less than 20 kB).
pub const LONGEST_BODY: usize = 20_000;

/// A message for one webhook.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    /// Its name in the configuration.
    pub webhook: Name,
    /// The event's id and the `webhook-id`: letters, digits and hyphens. The same decision has the same one.
    pub id: String,
    /// At most [`LONGEST_BODY`] bytes of JSON.
    pub body: String,
    /// The keys of the cases that it says are over.
    pub ended: Vec<String>,
    /// What it says, for bodies of other forms; a list of cases has several.
    pub gists: Vec<Gist>,
}

/// How every alert begins while the program's clock is set by hand.
const REHEARSAL: &str = "REHEARSAL: ";

impl Message {
    /// Whether it only says how other webhooks fare.
    pub fn is_about_webhooks(&self) -> bool {
        let is_one =
            |kind: &str| ["stationkeep.message.", "stationkeep.webhook."].iter().any(|of| kind.starts_with(of));
        !self.gists.is_empty() && self.gists.iter().all(|gist| is_one(gist.kind))
    }
}

/// What an event is about: its type. Each topic names its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct EventKind(pub &'static str);

/// The attributes in the order written, so that a person reading along meets the sentence early.
#[derive(Serialize)]
struct Event<'e, D> {
    specversion: &'static str,
    id: &'e str,
    source: &'e str,
    r#type: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    subject: Option<&'e str>,
    time: String,
    datacontenttype: &'static str,
    data: Sealed<'e, D>,
}

/// What the data of every event says, whatever it is about.
#[derive(Serialize)]
struct Sealed<'e, D> {
    #[serde(flatten)]
    data: &'e D,
    severity: &'static str,
    key: &'e str,
}

/// Everything about an event but its data.
#[derive(Debug, Clone, Copy)]
pub struct Envelope<'e> {
    pub id: &'e str,
    pub source: &'e str,
    pub kind: EventKind,
    pub subject: Option<&'e str>,
    pub time: Timestamp,
    /// See [`Gist`].
    pub key: &'e str,
    pub severity: Severity,
    /// Whether the program's clock is set by hand: then every alert begins with that. No id depends on it.
    pub rehearsal: bool,
}

impl Envelope<'_> {
    /// The sentence for an event's data, as it is said.
    pub fn says(&self, sentence: String) -> String {
        if self.rehearsal { format!("{REHEARSAL}{sentence}") } else { sentence }
    }

    /// What every body says of it; `text` as it is said.
    pub fn gist(&self, fleet: &str, text: String, is_over: bool) -> Gist {
        let Envelope { id: _, source: _, kind, subject: _, time, key, severity, rehearsal: _ } = *self;
        Gist {
            kind: kind.0,
            severity,
            key: key.to_owned(),
            title: title(&text),
            text,
            is_over,
            url: None,
            time,
            since: time,
            fleet: clip(fleet, NAME),
            station: None,
            known_as: None,
            site: None,
        }
    }

    /// The whole event as JSON.
    pub fn seal(&self, data: &impl Serialize) -> String {
        let Envelope { id, source, kind, subject, time, key, severity, rehearsal: _ } = *self;
        let event = Event {
            specversion: "1.0",
            id,
            // A source must not be empty.
            source: if source.is_empty() { "/stationkeep" } else { source },
            r#type: kind.0,
            subject: subject.filter(|subject| !subject.is_empty()),
            time: time.to_string(),
            datacontenttype: "application/json",
            data: Sealed { data, severity: severity.as_str(), key },
        };
        json(&event)
    }
}

/// The sentence in an event's data.
pub fn summary_of(body: &str) -> String {
    let event: serde_json::Value = serde_json::from_str(body).unwrap_or_default();
    event["data"]["summary"].as_str().unwrap_or_default().to_owned()
}

/// The source of a fleet's events: `/stationkeep/` and the fleet's name in lower-case letters, digits and hyphens.
pub fn source_of(fleet: &str) -> String {
    const LONGEST: usize = 80;
    let mut slug = String::new();
    for sign in fleet.chars().take(LONGEST) {
        match sign.to_ascii_lowercase() {
            sign if sign.is_ascii_alphanumeric() => slug.push(sign),
            _ if slug.is_empty() || slug.ends_with('-') => {}
            _ => slug.push('-'),
        }
    }
    let slug = slug.trim_end_matches('-');
    format!("/stationkeep/{}", if slug.is_empty() { "fleet" } else { slug })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_source_is_a_plain_path_whatever_the_fleet_is_called() {
        for (fleet, source) in [
            ("Skerry Coast Harbours", "/stationkeep/skerry-coast-harbours"),
            ("  Häfen & Kais  ", "/stationkeep/h-fen-kais"),
            ("港", "/stationkeep/fleet"),
            ("", "/stationkeep/fleet"),
        ] {
            assert_eq!(source_of(fleet), source);
        }
    }

    #[test]
    fn an_event_has_every_attribute_that_cloudevents_requires() {
        // CloudEvents 1.0, "Required attributes": id, source, specversion, type; time is RFC 3339.
        let envelope = Envelope {
            id: "told-1",
            source: "",
            kind: EventKind("stationkeep.drift.v1"),
            subject: Some(""),
            time: Timestamp::from_second(0).unwrap(),
            key: "Harbours/EQ-01",
            severity: Severity::Critical,
            rehearsal: false,
        };
        let event: serde_json::Value = serde_json::from_str(&envelope.seal(&serde_json::json!({"a": 1}))).unwrap();
        let expected = serde_json::json!({
            "specversion": "1.0", "id": "told-1", "source": "/stationkeep", "type": "stationkeep.drift.v1",
            "time": "1970-01-01T00:00:00Z", "datacontenttype": "application/json", "data": {"a": 1, "severity": "critical", "key": "Harbours/EQ-01"}
        });
        assert_eq!(event, expected);
    }
}
