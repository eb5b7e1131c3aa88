//! Messages that say nothing of stations: the heartbeat, whose absence is the news, and one that is sent by hand to try a
//! webhook.

use jiff::Timestamp;
use serde::Serialize;

use super::case::Severity;
use super::event::{Envelope, EventKind, Message};
use super::key::key;
use crate::setting::Name;

const HEARTBEAT: EventKind = EventKind("stationkeep.heartbeat.v1");

const TRIAL: EventKind = EventKind("stationkeep.try.v1");

#[derive(Serialize)]
struct Trial {
    summary: String,
}

/// A message that is sent by hand to see whether it arrives. `id` must be new each time.
pub fn trial(webhook: &Name, id: String, (source, fleet): (&str, &str), clock: Timestamp, rehearsal: bool) -> Message {
    let key = key(fleet, "try");
    let envelope = Envelope {
        id: &id,
        source,
        kind: TRIAL,
        subject: None,
        time: clock,
        key: &key,
        severity: Severity::Info,
        rehearsal,
    };
    let summary = "TEST: this message was sent by hand. No station is in trouble because of it.";
    let summary = envelope.says(summary.into());
    let gists = vec![envelope.gist(fleet, summary.clone(), false)];
    let body = envelope.seal(&Trial { summary });
    Message { webhook: webhook.clone(), body, id: id.clone(), ended: Vec::new(), gists }
}

#[derive(Serialize)]
struct Data {
    /// The next one comes after so long.
    every_seconds: u32,
    /// Whether every webhook for alerts was stopped by its receiver or is silent: then nobody is alerted.
    alerts_silent: bool,
}

/// A heartbeat for a webhook. `id` must be new each time; `source` is that of the fleet's other messages.
pub fn heartbeat(
    webhook: &Name,
    id: String,
    (every_seconds, alerts_silent): (u32, bool),
    source: &str,
    clock: Timestamp,
) -> Message {
    let envelope = Envelope {
        id: &id,
        source,
        kind: HEARTBEAT,
        subject: None,
        time: clock,
        key: "heartbeat",
        severity: Severity::Info,
        rehearsal: false,
    };
    let body = envelope.seal(&Data { every_seconds, alerts_silent });
    Message { webhook: webhook.clone(), body, id, ended: Vec::new(), gists: Vec::new() }
}
