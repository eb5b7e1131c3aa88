//! Values and times in lines of JSON, and why a line cannot be read.

use jiff::Timestamp;
use serde_json::Value as Json;

use super::decision::Unsayable;
use super::issued::{Effect, NoDigest};
use super::report::is_rfc_3339;
use crate::setting::{Fingerprint, Name, Reference, Value, Written, decimal};

/// Why a line is none of them.
#[allow(missing_docs, reason = "their messages say it")]
#[derive(Debug, thiserror::Error)]
pub enum WireError {
    #[error("it is none that a ledger has: {0}")]
    Json(#[from] serde_json::Error),
    #[error(transparent)]
    Digest(#[from] NoDigest),
    #[error("\"{0}\" is no word known here")]
    Word(String),
    #[error("\"{0}\" is not a value")]
    Value(String),
    #[error("\"{0}\" is not a time")]
    Time(String),
    #[error("format version {0} is not known here")]
    Version(u32),
    #[error(transparent)]
    Unsayable(#[from] Unsayable),
}

/// A value as it stands in reports and in the output of commands; secrets by reference.
pub fn value_json(value: &Value) -> Json {
    written_json(&value.written())
}

pub(super) fn written_json(written: &Written) -> Json {
    match written {
        Written::Plain(text) => match decimal(text) {
            Some(number) => number.into(),
            None => Json::String(text.to_string()),
        },
        Written::Quoted(text) => Json::String(text.to_string()),
        Written::List(names) => names.iter().map(|name| Json::String(name.to_string())).collect(),
        Written::Secret(reference) => serde_json::json!({ "secret": reference.to_string() }),
    }
}

pub(super) fn written(json: &Json) -> Result<(Written, Option<Fingerprint>), WireError> {
    let odd = || WireError::Value(json.to_string());
    let value = match json {
        Json::String(text) => Written::Quoted(text.as_str().into()),
        Json::Number(number) => Written::Plain(number.to_string().into()),
        Json::Array(items) => {
            let names: Option<Vec<Name>> = items.iter().map(|item| item.as_str().map(Name::from)).collect();
            Written::List(names.ok_or_else(odd)?)
        }
        Json::Object(map) => {
            let text = map.get("secret").and_then(Json::as_str).ok_or_else(odd)?;
            let reference: Reference = text.parse().map_err(|_| odd())?;
            let print = map.get("fingerprint").and_then(Json::as_str).map(Fingerprint::stored);
            return Ok((Written::Secret(reference), print));
        }
        Json::Null | Json::Bool(_) => return Err(odd()),
    };
    Ok((value, None))
}

/// A value with the fingerprint of a code; null where nobody knows what is held.
pub(super) fn effect_json(effect: &Effect) -> Json {
    match effect {
        None => Json::Null,
        Some((written, None)) => written_json(written),
        Some((written, Some(print))) => {
            let mut json = written_json(written);
            json["fingerprint"] = Json::String(print.to_string());
            json
        }
    }
}

pub(super) fn effect_of(json: &Json) -> Result<Effect, WireError> {
    if json.is_null() { Ok(None) } else { written(json).map(Some) }
}

pub(super) fn time(text: &str) -> Result<Timestamp, WireError> {
    text.parse().ok().filter(|_| is_rfc_3339(text)).ok_or_else(|| WireError::Time(text.into()))
}
