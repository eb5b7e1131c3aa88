//! Webhooks whose receivers answered that they want no more (410).

use jiff::Timestamp;
use serde::Serialize;

use crate::alert::clip::{NAME, PLACE, SENTENCE, clip};
use crate::alert::event::{Envelope, EventKind};
use crate::alert::pass::Stopped;
use crate::alert::topic::trouble::Trouble;

#[derive(Serialize)]
struct Data {
    summary: String,
    /// `gone` or `back`.
    state: &'static str,
    webhook: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    address: Option<String>,
    /// Since when it is, or was, stopped.
    since: String,
    /// The first of the messages that are kept.
    #[serde(skip_serializing_if = "Option::is_none")]
    undelivered_from: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    fix: Option<String>,
}

impl Trouble for Stopped {
    const NAME: &'static str = "receiver";
    const KIND: EventKind = EventKind("stationkeep.webhook.gone.v1");
    const MARK: &'static str = "stopped";

    fn since(&self) -> Timestamp {
        self.since
    }

    fn body(stopped: Option<&Stopped>, name: String, since: Timestamp, envelope: &Envelope<'_>) -> String {
        let address = stopped.map(|stopped| clip(&stopped.address, PLACE));
        let summary = match &address {
            None => format!("{name} gets messages again."),
            Some(address) => format!(
                "{name} gets no more messages: its receiver at {address} answered 410 (gone). Its messages are kept. The first \
                 of them is tried once at each start of the program."
            ),
        };
        let fix = stopped.map(|_| {
            format!(
                "Once someone listens there again: stationkeep deliveries start {name}. Or give it another address, or \
                 take it out of the configuration."
            )
        });
        let data = Data {
            summary: envelope.says(clip(&summary, SENTENCE)),
            state: if stopped.is_some() { "gone" } else { "back" },
            webhook: name,
            address,
            since: since.to_string(),
            undelivered_from: stopped.map(|stopped| clip(&stopped.message, NAME)),
            fix,
        };
        envelope.seal(&data)
    }
}
