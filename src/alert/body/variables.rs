//! What a template can say: the same names for every event.

use serde_json::{Value as Json, json};

use crate::alert::event::Message;

/// Their names, as the configuration's guide has them.
pub const VARIABLES: [&str; 10] = ["type", "id", "time", "fleet", "severity", "key", "title", "text", "url", "data"];

/// The variables of a message.
pub fn of(message: &Message) -> Json {
    let event: Json = serde_json::from_str(&message.body).unwrap_or_default();
    let Some(gist) = message.gists.first() else { return json!({}) };
    json!({
        "type": gist.kind,
        "id": message.id,
        "time": gist.time.to_string(),
        "fleet": gist.fleet,
        "severity": gist.severity.as_str(),
        "key": gist.key,
        "title": gist.title,
        "text": gist.text,
        // A text in any case, so that no body fails for want of an address.
        "url": gist.url.as_deref().unwrap_or_default(),
        "data": event["data"],
    })
}
