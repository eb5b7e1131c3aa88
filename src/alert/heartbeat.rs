//! The message that says nothing but that it was sent: its absence is the news.

use jiff::Timestamp;
use serde::Serialize;

use super::event::{Envelope, EventKind, Message};
use crate::setting::Name;

const HEARTBEAT: EventKind = EventKind("stationkeep.heartbeat.v1");

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
    let envelope = Envelope { id: &id, source, kind: HEARTBEAT, subject: None, time: clock };
    let body = envelope.seal(&Data { every_seconds, alerts_silent });
    Message { webhook: webhook.clone(), body, id }
}
