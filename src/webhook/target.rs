//! Where a webhook's messages go, and what only its owner knows of it: its address, what signs, what is put in on sending.

use std::collections::BTreeMap;
use std::fmt;

use serde_json::Value;

use super::sign::Secret;

/// Where a webhook's messages go.
#[derive(Clone)]
pub struct Target {
    /// Its name.
    pub webhook: String,
    /// Its `http` or `https` address, which may hold a token.
    pub url: String,
    /// All sign, the newest first; with none, messages are not signed.
    pub secrets: Vec<Secret>,
    /// Header lines that every message is sent with, by name; values may be secrets.
    pub headers: BTreeMap<String, String>,
    /// What an answer must say, whatever its status.
    pub expect: Option<Expect>,
    /// Put into each `pager` body on sending.
    pub routing_key: Option<String>,
}

/// What an answer's body must say.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Expect {
    /// A JSON pointer (RFC 6901).
    pub pointer: String,
    /// The value there.
    pub equals: Value,
}

/// The word for bodies that a routing key is put into.
pub const PAGER: &str = "pager";

impl Target {
    /// To an address, with nothing else.
    pub fn plain(webhook: &str, url: &str, secrets: Vec<Secret>) -> Target {
        let (webhook, url) = (webhook.to_owned(), url.to_owned());
        Target { webhook, url, secrets, headers: BTreeMap::new(), expect: None, routing_key: None }
    }

    /// A body of this form as it is sent: what is kept of it holds no routing key.
    pub fn body(&self, form: &str, body: &str) -> String {
        match (&self.routing_key, body.strip_prefix('{')) {
            (Some(key), Some(rest)) if form == PAGER => {
                let comma = if rest.trim_start().starts_with('}') { "" } else { "," };
                format!("{{\"routing_key\":{}{comma}{rest}", Value::from(key.as_str()))
            }
            (_, _) => body.to_owned(),
        }
    }

    /// Everything that must not be shown, should a receiver say it back.
    pub fn hidden(&self) -> impl Iterator<Item = &str> {
        let address = self.url.split(['/', '?', '&', '=', '@', ':']);
        let values = self.headers.values().flat_map(|value| value.split_whitespace());
        address.chain(values).chain(self.routing_key.as_deref())
    }
}

impl fmt::Debug for Target {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Target").field("webhook", &self.webhook).finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_routing_key_is_put_into_pager_bodies_alone() {
        let mut to = Target::plain("duty", "https://pager.example/v2/enqueue", Vec::new());
        assert_eq!(to.body(PAGER, "{\"a\":1}"), "{\"a\":1}");
        to.routing_key = Some("k\"ey".into());
        assert_eq!(to.body(PAGER, "{\"a\":1}"), "{\"routing_key\":\"k\\\"ey\",\"a\":1}");
        assert_eq!(to.body(PAGER, "{}"), "{\"routing_key\":\"k\\\"ey\"}");
        assert_eq!(to.body("chat", "{\"a\":1}"), "{\"a\":1}");
        assert!(!format!("{to:?}").contains("ey"), "{to:?}");
    }
}
