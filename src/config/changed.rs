//! Which keys of two configurations differ, for a review. What may be a secret is named, and its value is not.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use crate::yaml::{self, Data, Node};

/// What stands in place of a value that is not set.
const NOT_SET: &str = "not set";
/// What stands in place of a value that may be a secret, or long.
const NOT_SHOWN: &str = "(not shown)";
/// Below these an address, a token or a text of one's own may be written out.
const HIDDEN: [&str; 5] = ["ledger", "url", "sha256", "headers", "tree"];

/// A key of the configuration that says something else.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeyChange {
    /// With dots: `brake.share`, `webhooks.on-call.weights`.
    pub key: String,
    /// As it was.
    pub from: String,
    /// As it would be.
    pub to: String,
}

/// Every key that differs between the texts of two configurations, in order. A text that is not YAML is one key that differs.
pub fn changed_keys(from: &[u8], to: &[u8]) -> Vec<KeyChange> {
    let (from, to) = (flat(from), flat(to));
    let keys: BTreeSet<&String> = from.keys().chain(to.keys()).collect();
    let changed = keys.into_iter().filter(|key| from.get(*key) != to.get(*key));
    let change = |key: &String| {
        let is_hidden = key.split('.').any(|part| HIDDEN.contains(&part)) && !key.ends_with(".secret");
        let shown = |value: Option<&String>| match value {
            None => NOT_SET.to_owned(),
            Some(_) if is_hidden => NOT_SHOWN.to_owned(),
            Some(value) => value.clone(),
        };
        KeyChange {
            key: key.trim_end_matches(".secret").to_owned(),
            from: shown(from.get(key)),
            to: shown(to.get(key)),
        }
    };
    changed.map(change).collect()
}

fn flat(bytes: &[u8]) -> BTreeMap<String, String> {
    let mut all = BTreeMap::new();
    match yaml::read(&Arc::from("stationkeep.yaml"), bytes) {
        Ok(root) => flatten(&root, String::new(), &mut all),
        Err(_) => drop(all.insert("the whole file".into(), "not valid YAML".into())),
    }
    all
}

fn flatten(node: &Node, path: String, all: &mut BTreeMap<String, String>) {
    let below = |part: &str| if path.is_empty() { part.to_owned() } else { format!("{path}.{part}") };
    match &node.data {
        Data::Scalar { .. } if node.is_null() => {}
        Data::Scalar { text, .. } => drop(all.insert(path, text.to_string())),
        Data::Map(entries) => entries.iter().for_each(|(key, value)| flatten(value, below(&key.text), all)),
        Data::List(items) => {
            let texts: Option<Vec<&str>> = items.iter().map(text).collect();
            if let Some(texts) = texts {
                all.insert(path, format!("[{}]", texts.join(", ")));
                return;
            }
            for (nth, item) in items.iter().enumerate() {
                let name = item.get("name").and_then(text).map_or_else(|| (nth + 1).to_string(), str::to_owned);
                flatten(item, below(&name), all);
            }
        }
    }
}

fn text(node: &Node) -> Option<&str> {
    match &node.data {
        Data::Scalar { text, .. } => Some(text),
        Data::List(_) | Data::Map(_) => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(from: &str, to: &str) -> Vec<String> {
        let all = changed_keys(from.as_bytes(), to.as_bytes());
        all.iter().map(|KeyChange { key, from, to }| format!("{key}: {from} becomes {to}")).collect()
    }

    #[test]
    fn every_key_that_differs_is_named_with_both_values_and_a_webhook_by_its_name() {
        let from = "brake: {share: 0.3}\nwebhooks:\n  - {name: a, weights: [lifeline], url: {secret: 'env:A'}}\n  - {name: b}\n";
        let to = "reconfirm_days: 36500\nbrake: {share: 1}\nwebhooks:\n  - {name: b}\n  - {name: a, weights: [routine], url: {secret: 'env:B'}}\n";
        let expected = [
            "brake.share: 0.3 becomes 1",
            "reconfirm_days: not set becomes 36500",
            "webhooks.a.url: env:A becomes env:B",
            "webhooks.a.weights: [lifeline] becomes [routine]",
        ];
        assert_eq!(said(from, to), expected);
        assert_eq!(said(from, from), Vec::<String>::new());
        assert_eq!(
            said("a: [", "brake: {share: 1}"),
            ["brake.share: not set becomes 1", "the whole file: not valid YAML becomes not set"]
        );
    }

    #[test]
    fn no_address_password_or_header_is_shown() {
        let with = |word: &str| {
            format!(
                "ledger: postgres://ops:{word}@db/x\nwebhooks:\n  - name: a\n    url: 'https://x.example/{word}'\n    headers: {{Authorization: {word}}}\n    body: {{tree: {{key: {word}}}}}\naccess: {{tokens: [{{name: t, sha256: {word}}}]}}\n"
            )
        };
        let all = said(&with("hush"), &with("quiet"));
        assert_eq!(all.len(), 5, "{all:#?}");
        assert!(all.iter().all(|one| !one.contains("hush") && !one.contains("quiet")), "{all:#?}");
    }
}
