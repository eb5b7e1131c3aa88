//! Which key the fingerprints of a recorded script are made with: noted when it is recorded, asked when it is read.

use serde_json::Value as Json;

use super::call::code;
use super::issued::{Effect, Issued};
use super::wire_value::effect_json;
use crate::setting::{Fingerprint, Written};

/// Notes of codes that could not be read with which key they could not; `check` is its check value.
pub fn seal(script: &mut Issued, check: &str) {
    each(script, |print| print.unwrap_or_else(|| Fingerprint::unread(check)));
}

/// The fingerprints as they count where `check` is that of the key in use: what was not noted with it tells nothing.
pub fn seen_by(script: &mut Issued, check: &str) {
    each(script, |print| print.map_or_else(Fingerprint::foreign, |print| print.seen_by(check)));
}

/// Puts another in the place of the fingerprint of each code that a step keys or that may open a call.
fn each(script: &mut Issued, other: impl Fn(Option<Fingerprint>) -> Fingerprint) {
    let put = |effect: &mut Effect| match effect {
        Some((Written::Secret(_), print)) => *print = Some(other(print.take())),
        Some((Written::Quoted(_) | Written::Plain(_) | Written::List(_), _)) | None => {}
    };
    script.steps.iter_mut().flat_map(|step| step.effects.values_mut()).for_each(put);
    let calls = script.document.get_mut("calls").and_then(Json::as_array_mut);
    let codes = calls.into_iter().flatten().filter_map(|call| call.get_mut("codes")?.as_array_mut());
    for json in codes.flatten() {
        let mut effect = code(json);
        put(&mut effect);
        // What is no code stays as it is: it keeps its place among them.
        if effect.is_some() {
            *json = effect_json(&effect);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::IssuedStep;

    fn script(print: Option<&str>) -> Issued {
        let reference = "file:a".parse().unwrap();
        let effect: Effect = Some((Written::Secret(reference), print.map(Fingerprint::stored)));
        let number: Effect = Some((Written::Plain("7".into()), None));
        Issued {
            digest: "3f9a1c0b7d24e615".parse().unwrap(),
            station: "EQ-01".into(),
            at: jiff::Timestamp::UNIX_EPOCH,
            document: serde_json::json!({"calls": [{"codes": [effect_json(&effect), "file:a", 5], "steps": []}]}),
            steps: vec![IssuedStep { step: 1, effects: [("access".into(), effect), ("gate".into(), number)].into() }],
        }
    }

    fn prints(script: &Issued) -> Vec<Option<String>> {
        let effects = script.steps[0].effects.values().cloned().chain(crate::ledger::calls(script)[0].codes.clone());
        effects.map(|effect| effect.and_then(|(_, print)| print).map(|print| print.to_string())).collect()
    }

    #[test]
    fn what_was_not_noted_with_the_key_in_use_tells_nothing() {
        let texts = |all: [Option<&str>; 5]| all.map(|one| one.map(str::to_owned)).to_vec();
        let mut bare = script(None);
        seal(&mut bare, "k");
        assert_eq!(prints(&bare), texts([Some("k:"), None, Some("k:"), Some("k:"), None]));
        seen_by(&mut bare, "k");
        assert_eq!(prints(&bare), texts([Some("k:"), None, Some("k:"), Some("k:"), None]));
        seen_by(&mut bare, "l");
        assert_eq!(prints(&bare), texts([Some("?:"), None, Some("?:"), Some("?:"), None]));
        let mut other = script(Some("k:1"));
        seal(&mut other, "l");
        assert_eq!(prints(&other), texts([Some("k:1"), None, Some("k:1"), Some("l:"), None]));
        seen_by(&mut other, "k");
        assert_eq!(prints(&other), texts([Some("k:1"), None, Some("k:1"), Some("?:"), None]));
        let mut unsealed = script(None);
        seen_by(&mut unsealed, "k");
        assert_eq!(prints(&unsealed), texts([Some("?:"), None, Some("?:"), Some("?:"), None]));
    }
}
