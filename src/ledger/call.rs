//! The calls of a script as they were issued: which codes may open each, and which steps are keyed in it.

use serde_json::Value as Json;

use super::issued::{Effect, Issued, effect};
use super::wire_value::{effect_json, effect_of};
use crate::setting::{Reference, Value, Written};

/// One call of a script on record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IssuedCall {
    /// The codes that may open it, in the order in which the card names them.
    pub codes: Vec<Effect>,
    /// The numbers of its steps.
    pub steps: Vec<u32>,
}

impl IssuedCall {
    /// The call of a number, counted from 1.
    pub fn find(calls: &[IssuedCall], number: u32) -> Option<&IssuedCall> {
        calls.get(usize::try_from(number).ok()?.checked_sub(1)?)
    }

    /// The code of a number, counted from 1.
    pub fn code(&self, number: u32) -> Option<&Effect> {
        self.codes.get(usize::try_from(number).ok()?.checked_sub(1)?)
    }
}

/// A code as `calls[].codes` of a recorded script has it: by reference, with the fingerprint of its time.
pub fn code_json(code: &Value) -> Json {
    effect_json(&effect(code))
}

/// The calls of a script, in their order: `calls` of its document, each with `codes` and `steps`.
pub fn calls(script: &Issued) -> Vec<IssuedCall> {
    let call = |call: &Json| IssuedCall {
        codes: list(call, "codes").iter().map(code).collect(),
        steps: list(call, "steps").iter().filter_map(number).collect(),
    };
    list(&script.document, "calls").iter().map(call).collect()
}

fn list<'j>(json: &'j Json, key: &str) -> &'j [Json] {
    json.get(key).and_then(Json::as_array).map_or(&[], Vec::as_slice)
}

fn number(step: &Json) -> Option<u32> {
    step.get("step").and_then(Json::as_u64).and_then(|step| u32::try_from(step).ok())
}

/// A text is a bare reference. What cannot be read leaves it open which code was keyed.
pub(super) fn code(json: &Json) -> Effect {
    match json.as_str().and_then(|text| text.parse::<Reference>().ok()) {
        Some(reference) => Some((Written::Secret(reference), None)),
        None => effect_of(json).unwrap_or(None),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setting::{Fingerprint, Secret};

    #[test]
    fn a_code_keeps_the_fingerprint_of_its_time() {
        let code = |text: &str, print: Option<&str>| {
            let reference = text.parse().unwrap();
            Value::Secret(Secret { reference, fingerprint: print.map(Fingerprint::stored) })
        };
        let codes = [code("file:a", Some("k:1")), code("factory", Some("k:2")), code("env:B", None)];
        let json = serde_json::json!({"calls": [
            {"codes": codes.iter().map(code_json).collect::<Vec<_>>(), "steps": [{"step": 1}, {"step": 2}]},
            {"codes": ["file:a", 5], "steps": []},
        ]});
        let script = Issued {
            digest: "3f9a1c0b7d24e615".parse().unwrap(),
            station: "EQ-01".into(),
            at: jiff::Timestamp::UNIX_EPOCH,
            steps: Vec::new(),
            document: json,
        };
        let calls = calls(&script);
        assert_eq!(calls[0].codes, codes.each_ref().map(effect));
        assert_eq!(calls[0].steps, [1, 2]);
        let bare = Some((Written::Secret("file:a".parse().unwrap()), None));
        assert_eq!((&calls[1].codes[0], &calls[1].steps[..]), (&bare, &[][..]));
        assert_eq!(calls[1].codes.len(), 2, "what cannot be read keeps its place");
    }
}
