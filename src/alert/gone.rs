//! Messages about a webhook that has stopped because its receiver answered 410 (gone). Every other webhook hears of it,
//! since whoever listened there hears nothing any more and may not know it.

use jiff::Timestamp;
use serde::Serialize;

use super::clip::{NAME, PLACE, SENTENCE, clip};
use super::event::{Envelope, Kind, Message};
use super::mark::{Inking, Thread};
use crate::setting::Name;

/// A webhook that gets no more messages until the next start.
#[derive(Debug, Clone, Copy)]
pub struct GoneWebhook<'a> {
    pub name: &'a Name,
    /// As much of its address as may be shown.
    pub address: &'a str,
    /// The id of the message that was answered so.
    pub message: &'a str,
}

#[derive(Serialize)]
struct Data {
    summary: String,
    webhook: String,
    address: String,
    /// The first of the messages that are kept.
    undelivered_from: String,
    mend: &'static str,
}

/// One message for each of `others`. Their ids come from the one that was answered, so that the same answer after a
/// restart is told of once.
pub fn webhook_gone(gone: &GoneWebhook<'_>, clock: Timestamp, source: &str, others: &[Name]) -> Vec<Message> {
    let kind = Kind::WebhookGone;
    let mut ink = Inking::new();
    ink.text("webhook gone").text(gone.name).text(gone.message);
    let cause = ink.mark();
    let (webhook, address) = (clip(gone.name, NAME), clip(gone.address, PLACE));
    let summary = format!(
        "{webhook} gets no more alerts: its receiver at {address} answered 410 (gone). Its messages are kept and stay \
         undelivered."
    );
    let data = Data {
        summary: clip(&summary, SENTENCE),
        undelivered_from: clip(gone.message, NAME),
        mend: "Give the webhook an address where somebody listens, or take it out of the configuration; sending begins \
               again at the next start or changed configuration.",
        webhook: webhook.clone(),
        address,
    };
    let message = |to: &Name| {
        let id = Thread::default().id(kind.as_str(), to, &cause);
        let envelope = Envelope { id: &id, source, kind, subject: Some(&webhook), time: clock };
        Message { webhook: to.clone(), body: envelope.seal(&data), id: id.clone() }
    };
    others.iter().filter(|to| *to != gone.name).map(message).collect()
}

#[cfg(test)]
mod tests {
    use super::super::LONGEST_BODY;
    use super::super::fixture::{data, event};
    use super::*;

    #[test]
    fn every_other_webhook_hears_once_that_one_is_gone_and_what_to_do() {
        let (name, clock) = (Name::from("on-call"), "2026-11-20T10:00:00Z".parse().unwrap());
        let gone = GoneWebhook { name: &name, address: "https://hooks.example.org", message: "told-1" };
        let others = ["desk".into(), name.clone(), "wall".into()];
        let told = webhook_gone(&gone, clock, "/stationkeep/skerry", &others);
        assert_eq!(told.iter().map(|one| &*one.webhook).collect::<Vec<_>>(), ["desk", "wall"]);
        assert_ne!(told[0].id, told[1].id);
        let again = webhook_gone(&gone, "2026-11-21T10:00:00Z".parse().unwrap(), "/stationkeep/skerry", &others);
        assert_eq!((&again[0].id, &again[1].id), (&told[0].id, &told[1].id));
        let other = GoneWebhook { message: "told-2", ..gone };
        assert_ne!(webhook_gone(&other, clock, "/stationkeep/skerry", &others)[0].id, told[0].id);
        let event = event(&told[0].body);
        assert_eq!((&event["type"], &event["subject"]), (&"stationkeep.webhook.gone.v1".into(), &"on-call".into()));
        let data = data(&told[0].body);
        assert!(data["summary"].as_str().unwrap().contains("https://hooks.example.org answered 410"), "{data}");
        assert_eq!(data["undelivered_from"], "told-1");
    }

    #[test]
    fn no_name_makes_the_message_longer_than_it_may_be() {
        let name = Name::from("\u{1}".repeat(90_000));
        let gone = GoneWebhook { name: &name, address: &"x".repeat(90_000), message: &"y".repeat(90_000) };
        let told = webhook_gone(&gone, Timestamp::UNIX_EPOCH, "/stationkeep/skerry", &["desk".into()]);
        assert!(told[0].body.len() <= LONGEST_BODY);
    }
}
