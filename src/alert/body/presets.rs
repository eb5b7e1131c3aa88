//! The bodies that receivers of common kinds read. Every text is bounded, so that each body fits what such receivers document:
//! chats 2,000 characters and up, push services 4,096 bytes, pagers a summary of 1,024 and a key of 255.

use std::collections::BTreeMap;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value as Json, json};

use super::tree::Failure;
use crate::alert::brief::{plain, sentence};
use crate::alert::case::Severity;
use crate::alert::clip::{Room, clip};
use crate::alert::gist::Gist;

/// The longest text of a chat, in bytes.
const CHAT: Room = Room(1_900);
/// The longest of a push service.
const PUSH: Room = Room(3_500);
/// The longest summary of a pager.
const SUMMARY: Room = Room(1_000);
/// The longest name of a fleet, a station or a site.
const NAME: Room = Room(120);

/// "Severity: critical. Key: Skerry Coast Harbours/EQ-01."
fn ending(gist: &Gist) -> String {
    format!("Severity: {}. Key: {}.", gist.severity.as_str(), gist.key)
}

/// A text and its ending, within a room.
fn ended(text: &str, gist: &Gist, room: Room) -> String {
    let ending = ending(gist);
    format!("{}\n{ending}", clip(text, Room(room.0.saturating_sub(2 * ending.len() + 2))))
}

/// What a chat would read as a mark-up or a call to everybody stands for itself.
fn harmless(text: &str) -> String {
    text.replace('<', "\u{2039}").replace('>', "\u{203a}").replace('@', "\u{ff20}")
}

/// `{"text": …}`
pub fn chat(gist: &Gist) -> String {
    let text = harmless(&ended(&gist.text, gist, Room(CHAT.0 - 200)));
    json!({"text": clip(&text, CHAT)}).to_string()
}

pub fn chat_brief(gist: &Gist) -> String {
    json!({"text": format!("{} {}", sentence(&gist.text), plain(&ending(gist)))}).to_string()
}

/// The shortest body of a chat in place of one that could not be made, which it says.
pub fn failed(gist: &Gist, failure: &Failure) -> String {
    let why = clip(&failure.to_string(), Room(300));
    let text = format!("{} {} (This webhook's own body could not be made: {why}.)", gist.text, ending(gist));
    json!({"text": clip(&harmless(&text), CHAT)}).to_string()
}

/// The sentences, for push services.
pub fn text(gist: &Gist) -> String {
    ended(&gist.text, gist, PUSH)
}

pub fn text_brief(gist: &Gist) -> String {
    format!("{} {}", sentence(&gist.text), plain(&ending(gist)))
}

/// Title and urgency.
pub fn text_headers(gist: &Gist) -> BTreeMap<String, String> {
    let priority = match gist.severity {
        Severity::Critical => "5",
        Severity::Error => "4",
        Severity::Warning => "3",
        Severity::Info => "2",
    };
    [("Title".into(), header(&gist.title.replace('…', "..."))), ("Priority".into(), priority.into())].into()
}

/// A text as the value of a header: as it is where it is plain, else as encoded words of at most 75 characters (RFC 2047,
/// sections 2 and 4.1).
fn header(text: &str) -> String {
    let line: String = text.chars().map(|sign| if sign.is_control() { ' ' } else { sign }).collect();
    let line = line.trim();
    let is_plain = line.bytes().all(|byte| byte == b' ' || byte.is_ascii_graphic()) && !line.contains("=?");
    if is_plain {
        return line.to_owned();
    }
    const BYTES: usize = 45;
    let mut words: Vec<String> = vec![String::new()];
    for sign in line.chars() {
        match words.last_mut() {
            Some(word) if word.len() + sign.len_utf8() <= BYTES => word.push(sign),
            _ => words.push(sign.to_string()),
        }
    }
    let encoded = words.iter().map(|word| format!("=?UTF-8?B?{}?=", STANDARD.encode(word)));
    encoded.collect::<Vec<_>>().join(" ")
}

/// Trigger or resolve, by the key.
pub fn pager(gist: &Gist) -> String {
    let mut event = event(gist, &clip(&gist.title, SUMMARY));
    let payload = &mut event["payload"];
    payload["timestamp"] = gist.time.to_string().into();
    payload["class"] = gist.kind.into();
    payload["component"] = gist.station.as_deref().map(|station| clip(station, NAME)).into();
    payload["group"] = gist.site.as_deref().map(|site| clip(site, NAME)).into();
    payload["custom_details"] = json!({"text": gist.text, "key": gist.key, "fleet": clip(&gist.fleet, NAME)});
    event["client"] = "stationkeep".into();
    if let Some(url) = &gist.url {
        event["client_url"] = url.as_str().into();
    }
    event.to_string()
}

pub fn pager_brief(gist: &Gist) -> String {
    event(gist, &sentence(&gist.text)).to_string()
}

fn event(gist: &Gist, summary: &str) -> Json {
    let source = clip(&plain(&gist.fleet), NAME);
    json!({
        "event_action": if gist.is_over { "resolve" } else { "trigger" },
        "dedup_key": gist.key,
        "payload": {
            "summary": if summary.is_empty() { "An alert of stationkeep" } else { summary },
            "source": if source.is_empty() { "stationkeep" } else { &source },
            "severity": gist.severity.as_str(),
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_title_with_letters_beyond_ascii_is_written_in_encoded_words() {
        assert_eq!(header("EQ-01: no help"), "EQ-01: no help");
        // Python: email.header.decode_header reads it back as "Kö"
        assert_eq!(header("Kö"), "=?UTF-8?B?S8O2?=");
        assert_eq!(header("a\nb"), "a b");
        let long = header(&"ö".repeat(80));
        assert!(long.split(' ').all(|word| word.len() <= 75), "{long}");
    }
}
