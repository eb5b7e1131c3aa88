//! What one receiver needs beside the message: `headers` to be let in, `expect` to be believed.

use std::collections::BTreeMap;

use reqwest::header::{HeaderName, HeaderValue};
use serde_json::Value;

use super::Reader;
use crate::config::webhook::Given;
use crate::finding::Code;
use crate::webhook::Expect;
use crate::yaml::{Data, Node};

/// The most header lines of a webhook.
const LIMIT_HEADERS: usize = 16;
/// These are set for every message.
const OURS: [&str; 9] = [
    "content-length",
    "content-type",
    "connection",
    "host",
    "transfer-encoding",
    "user-agent",
    "webhook-id",
    "webhook-signature",
    "webhook-timestamp",
];

impl Reader<'_> {
    pub(super) fn headers(&mut self, node: &Node) -> BTreeMap<String, Given> {
        let mut all = BTreeMap::new();
        let entries = self.sheet.entries(node, "\"headers\"").unwrap_or(&[]);
        if entries.len() > LIMIT_HEADERS {
            let message = format!("\"headers\" has {} entries.", entries.len());
            self.sheet.note(Code::ConfigBroken, node.spot, message, format!("Keep to {LIMIT_HEADERS}."));
        }
        for (key, value) in entries {
            let name = key.text.to_ascii_lowercase();
            let known = HeaderName::from_bytes(name.as_bytes()).is_ok() && !OURS.contains(&&*name);
            if !known {
                let message = format!("The header \"{}\" cannot be set here.", key.text);
                let fix = format!("Use another name: letters, digits and hyphens, and none of: {}.", OURS.join(", "));
                self.sheet.note(Code::ConfigBroken, key.spot, message, fix);
                continue;
            }
            let Some(given) = self.header(value, &key.text) else { continue };
            if all.insert(name, given).is_some() {
                let message = format!("\"headers\" has \"{}\" twice.", key.text);
                self.sheet.note(Code::NameRepeated, key.spot, message, "Keep one of the two.");
            }
        }
        all
    }

    fn header(&mut self, node: &Node, name: &str) -> Option<Given> {
        if matches!(node.data, Data::Map(_)) {
            return self.secret(node, &format!("The header \"{name}\"")).map(Given::Secret);
        }
        let text = self.sheet.text(node, &format!("The header \"{name}\""))?;
        if HeaderValue::from_str(text).is_err() || !text.is_ascii() {
            // It may hold a token, so it is not repeated.
            let message = format!("The header \"{name}\" has a character that HTTP does not allow.");
            self.sheet.note(Code::ConfigBroken, node.spot, message, "Use printable ASCII characters only.");
            return None;
        }
        Some(Given::Written(text.into()))
    }

    pub(super) fn expect(&mut self, node: &Node) -> Option<Expect> {
        let [pointer, equals] = self.sheet.map(node, "\"expect\"", ["pointer", "equals"])?;
        let pointer = self.sheet.required(pointer, node, "\"expect\"", "pointer");
        let equals = self.sheet.required(equals, node, "\"expect\"", "equals");
        let (pointer_node, equals) = (pointer?, equals?);
        let pointer = self.sheet.text(pointer_node, "\"expect.pointer\"")?;
        if !pointer.starts_with('/') {
            let message = format!("\"expect.pointer\" is \"{pointer}\", which is not a JSON pointer.");
            self.sheet.note(Code::ConfigBroken, pointer_node.spot, message, "Begin it with a slash, such as /ok.");
            return None;
        }
        match &equals.data {
            Data::Scalar { text, plain } => {
                let value = if *plain { typed(text) } else { Value::from(&**text) };
                Some(Expect { pointer: pointer.to_owned(), equals: value })
            }
            Data::List(_) | Data::Map(_) => {
                let message = "\"expect.equals\" is not a single value.";
                self.sheet.note(Code::WrongShape, equals.spot, message, "Write true, false, a number or a text.");
                None
            }
        }
    }
}

/// An unquoted value as JSON: `true`, `false`, `null`, a whole number; else a text.
pub(super) fn typed(text: &str) -> Value {
    match serde_json::from_str::<Value>(text) {
        Ok(value @ (Value::Bool(_) | Value::Null | Value::Number(_))) => value,
        Ok(_) | Err(_) if matches!(text, "" | "~") => Value::Null,
        Ok(_) | Err(_) => Value::from(text),
    }
}
