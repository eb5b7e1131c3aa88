//! Webhooks that have had something to deliver for longer than they may and delivered nothing. What they were told of it would
//! only wait behind what waits.

use jiff::Timestamp;
use serde::Serialize;

use crate::alert::clip::{SENTENCE, clip};
use crate::alert::event::{Envelope, EventKind};
use crate::alert::pass::Silent;
use crate::alert::topic::trouble::Trouble;
use crate::finding::{minute, plural};

#[derive(Serialize)]
struct Data {
    summary: String,
    /// `silent`; or `over`, where something was delivered, or nothing waits any more.
    state: &'static str,
    webhook: String,
    /// Since when nothing is delivered, or was not.
    since: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    waiting: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    fix: Option<String>,
}

impl Trouble for Silent {
    const NAME: &'static str = "silent";
    const KIND: EventKind = EventKind("stationkeep.webhook.silent.v1");
    const MARK: &'static str = "silent";

    fn since(&self) -> Timestamp {
        self.since
    }

    fn body(silent: Option<&Silent>, name: String, since: Timestamp, envelope: &Envelope<'_>) -> String {
        let summary = match silent {
            None => format!("{name} is no longer silent: its messages are delivered, or none are left."),
            Some(Silent { waiting, .. }) => format!(
                "{name} has delivered nothing since {}, and {}. Whoever listens there is not alerted.",
                minute(since),
                match waiting {
                    0 => "its receiver takes nothing that is sent".into(),
                    1 => "1 message waits for it".into(),
                    waiting => format!("{} wait for it", plural(*waiting, "message")),
                }
            ),
        };
        let fix = silent.map(|_| {
            format!("Check the receiver. What waits, and its last error: stationkeep deliveries --webhook {name}")
        });
        let data = Data {
            summary: envelope.says(clip(&summary, SENTENCE)),
            state: if silent.is_some() { "silent" } else { "over" },
            webhook: name,
            since: since.to_string(),
            waiting: silent.map(|silent| silent.waiting),
            fix,
        };
        envelope.seal(&data)
    }
}
