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
}

/// A heartbeat for a webhook. `id` must be new each time; `source` is that of the fleet's other messages.
pub fn heartbeat(webhook: &Name, id: String, every_seconds: u32, source: &str, clock: Timestamp) -> Message {
    let envelope = Envelope { id: &id, source, kind: HEARTBEAT, subject: None, time: clock };
    let body = envelope.seal(&Data { every_seconds });
    Message { webhook: webhook.clone(), body, id }
}
