//! The message that the ledger takes no writes, or takes them again. It is made and sent beside all others, because what they
//! tell must be on record first.

use jiff::Timestamp;
use serde::Serialize;

use super::case::Severity;
use super::event::{Envelope, EventKind, Message};
use super::key::key;
use crate::setting::{Name, Netstrings};

const LEDGER: EventKind = EventKind("stationkeep.ledger.v1");

/// Why a ledger takes no writes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LedgerTrouble {
    /// In one word, as `/readyz` has it: `full`, `read-only`, `busy`, `away` or `failing`.
    pub word: &'static str,
    /// What is wrong, and what to do.
    pub sentence: String,
    /// The first pass that failed because of it.
    pub since: Timestamp,
}

#[derive(Serialize)]
struct Data<'d> {
    summary: String,
    state: &'static str,
    ledger: &'static str,
    sentence: &'d str,
    since: String,
}

/// The message for a webhook. `is_over`: the ledger takes writes again. The same trouble has the same id at each try.
pub fn ledger_message(
    webhook: &Name,
    trouble: &LedgerTrouble,
    is_over: bool,
    (source, fleet): (&str, &str),
    (clock, rehearsal): (Timestamp, bool),
) -> Message {
    let LedgerTrouble { word, sentence, since } = trouble;
    let (state, severity) = if is_over { ("writable", Severity::Info) } else { ("unwritable", Severity::Error) };
    let id = Netstrings::new().text(source).text(webhook).text(&since.to_string()).text(state).hex();
    let id = format!("ledger-{}", id.get(..32).unwrap_or(&id));
    let summary = match is_over {
        true => "Alerts are sent again: the ledger takes writes again. What changed meanwhile follows.".to_owned(),
        false => format!("No alert about any station can be sent: the ledger is {word} since {since:.0}. {sentence}."),
    };
    let key = key(fleet, "ledger");
    let envelope =
        Envelope { id: &id, source, kind: LEDGER, subject: None, time: clock, key: &key, severity, rehearsal };
    let summary = envelope.says(summary);
    let gists = vec![envelope.gist(fleet, summary.clone(), is_over)];
    let body = envelope.seal(&Data { summary, state, ledger: word, sentence, since: since.to_string() });
    Message { webhook: webhook.clone(), body, id, ended: Vec::new(), gists }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_trouble_has_one_id_at_each_try_and_its_end_another() {
        let at = |second: i64| Timestamp::from_second(1_800_000_000 + second).unwrap();
        let trouble = |since| LedgerTrouble { word: "full", sentence: "no room".into(), since };
        let one = ledger_message(&"on-call".into(), &trouble(at(0)), false, ("/stationkeep/x", "x"), (at(5), false));
        let again = ledger_message(&"on-call".into(), &trouble(at(0)), false, ("/stationkeep/x", "x"), (at(9), false));
        let over = ledger_message(&"on-call".into(), &trouble(at(0)), true, ("/stationkeep/x", "x"), (at(12), true));
        let next = ledger_message(&"on-call".into(), &trouble(at(20)), false, ("/stationkeep/x", "x"), (at(21), false));
        assert_eq!(one.id, again.id);
        assert!(one.id != over.id && one.id != next.id && over.id != next.id);
        let json: serde_json::Value = serde_json::from_str(&one.body).unwrap();
        assert_eq!(json["type"], "stationkeep.ledger.v1");
        assert_eq!((&json["data"]["state"], &json["data"]["ledger"]), (&"unwritable".into(), &"full".into()));
        assert!(json["data"]["summary"].as_str().unwrap().starts_with("No alert about any station can be sent"));
        let json: serde_json::Value = serde_json::from_str(&over.body).unwrap();
        assert!(json["data"]["summary"].as_str().unwrap().starts_with("REHEARSAL: Alerts are sent again"), "{json}");
        assert!(over.gists[0].title.starts_with("REHEARSAL: Alerts are sent again"), "{}", over.gists[0].title);
        assert_eq!((&json["data"]["state"], &json["data"]["severity"]), (&"writable".into(), &"info".into()));
        assert_eq!((one.gists[0].is_over, over.gists[0].is_over), (false, true));
        assert_eq!(one.gists[0].key, over.gists[0].key, "one case for a pager");
    }
}
