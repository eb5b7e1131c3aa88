//! A configuration as a text that reads back to the same one.

use std::collections::BTreeMap;

use serde::Serialize;

use super::read::defaults;
use super::{Config, Source, Url, Webhook};
use crate::setting::Reference;

/// The file's shape, in the order its documentation has.
#[derive(Serialize)]
struct WrittenConfig {
    stationkeep: u32,
    inventory: String,
    keybooks: String,
    reports: String,
    ledger: String,
    listen: String,
    settle_ms: u32,
    reconfirm_days: u32,
    require_tests: bool,
    full_pass_minutes: u32,
    webhooks: Vec<WrittenWebhook>,
}

#[derive(Serialize)]
struct WrittenWebhook {
    name: String,
    url: WrittenUrl,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    signing: Vec<WrittenSecret>,
    weights: Vec<&'static str>,
    remind_minutes: BTreeMap<&'static str, u32>,
}

#[derive(Serialize)]
#[serde(untagged)]
enum WrittenUrl {
    Written(String),
    Secret(WrittenSecret),
}

#[derive(Serialize)]
struct WrittenSecret {
    secret: String,
}

impl From<&Reference> for WrittenSecret {
    fn from(reference: &Reference) -> WrittenSecret {
        WrittenSecret { secret: reference.to_string() }
    }
}

impl From<&Webhook> for WrittenWebhook {
    fn from(webhook: &Webhook) -> WrittenWebhook {
        let Webhook { name, place: _, url, signing, weights, remind_minutes } = webhook;
        WrittenWebhook {
            name: name.to_string(),
            url: match url {
                Url::Written(address) => WrittenUrl::Written(address.reveal().into()),
                Url::Secret(reference) => WrittenUrl::Secret(reference.into()),
            },
            signing: signing.iter().map(WrittenSecret::from).collect(),
            weights: weights.iter().rev().map(|weight| weight.as_str()).collect(),
            remind_minutes: remind_minutes.iter().map(|(weight, minutes)| (weight.as_str(), *minutes)).collect(),
        }
    }
}

impl Config {
    /// The configuration in force with every default spelt out, as a file that reads back to the same (in the same
    /// folder). It holds addresses as they were written: for a file, never for a log or a page.
    pub fn to_yaml(&self) -> String {
        let Config {
            folder: _,
            file: _,
            inventory,
            keybooks,
            reports,
            ledger,
            listen,
            settle_ms,
            reconfirm_days,
            require_tests,
            full_pass_minutes,
            webhooks,
        } = self;
        let Source::Folder(inventory) = inventory;
        text(&WrittenConfig {
            stationkeep: 1,
            inventory: inventory.shown.to_string(),
            keybooks: keybooks.shown.to_string(),
            reports: reports.shown.to_string(),
            ledger: ledger.reveal().into(),
            listen: listen.to_string(),
            settle_ms: *settle_ms,
            reconfirm_days: *reconfirm_days,
            require_tests: *require_tests,
            full_pass_minutes: *full_pass_minutes,
            webhooks: webhooks.iter().map(WrittenWebhook::from).collect(),
        })
    }
}

/// A first configuration file: what would hold without one, for its owner to change.
pub fn starter() -> String {
    let written = WrittenConfig {
        stationkeep: 1,
        inventory: defaults::INVENTORY.into(),
        keybooks: defaults::KEYBOOKS.into(),
        reports: defaults::REPORTS.into(),
        ledger: defaults::LEDGER.into(),
        listen: defaults::LISTEN.into(),
        settle_ms: defaults::SETTLE_MS,
        reconfirm_days: defaults::RECONFIRM_DAYS,
        require_tests: defaults::REQUIRE_TESTS,
        full_pass_minutes: defaults::FULL_PASS_MINUTES,
        webhooks: Vec::new(),
    };
    format!("# The configuration of stationkeep. Paths are relative to this file's folder.\n{}", text(&written))
}

fn text(written: &WrittenConfig) -> String {
    // Plain maps, texts and numbers always have a YAML form.
    serde_yaml::to_string(written).unwrap_or_default()
}
