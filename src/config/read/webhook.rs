//! The `webhooks` key, one webhook at a time.

use std::collections::{BTreeMap, BTreeSet};

use super::Reader;
use crate::config::webhook::{Given, Webhook, WebhookKind, is_http};
use crate::finding::{Code, did_you_mean};
use crate::setting::{Name, Reference, Weight};
use crate::yaml::{Data, Node};

/// The longest name, in characters.
const LIMIT_NAME: usize = 64;
/// The most secrets that sign at once.
const LIMIT_SIGNING: usize = 8;
/// The rarest reminder: once a year.
const LIMIT_MINUTES: u32 = 366 * 24 * 60;
/// Seconds between heartbeats: at least, at most, and where the file says nothing.
const EVERY_SECONDS: std::ops::RangeInclusive<u32> = 5..=86_400;
const DEFAULT_EVERY: u32 = 300;
/// Minutes of silence where the file says nothing.
const SILENT_MINUTES: u32 = 15;
/// Minutes between reminders where the file says nothing.
const REMIND_MINUTES: [(Weight, u32); 3] = [(Weight::Lifeline, 60), (Weight::Locating, 240), (Weight::Routine, 1440)];

impl Reader<'_> {
    pub(super) fn webhook(&mut self, node: &Node) -> Option<Webhook> {
        let known = [
            "name",
            "kind",
            "url",
            "signing",
            "headers",
            "expect",
            "body",
            "for",
            "most_a_minute",
            "weights",
            "remind_minutes",
            "silent_minutes",
            "every_seconds",
        ];
        let [name, kind, url, signing, headers, expect, body, of, most, weights, remind, silent, every] =
            self.sheet.map(node, "A webhook", known)?;
        let place = name.map_or_else(|| self.sheet.place(node.spot), |n| self.sheet.place(n.spot));
        let name = self.sheet.required(name, node, "The webhook", "name").and_then(|n| self.name(n));
        let of_alerts = [
            ("body", body),
            ("for", of),
            ("most_a_minute", most),
            ("weights", weights),
            ("remind_minutes", remind),
            ("silent_minutes", silent),
        ];
        let kind = self.kind(kind, every, of_alerts);
        let url = self.sheet.required(url, node, "The webhook", "url").and_then(|n| self.url(n));
        let signing = signing.map(|n| self.signing(n)).unwrap_or_default();
        let weights = weights.map_or_else(|| Weight::ALL.into(), |n| self.weights(n));
        let remind_minutes = self.remind(remind);
        let silent = silent.and_then(|n| self.sheet.number(n, "\"silent_minutes\"", 1..=LIMIT_MINUTES));
        let silent_minutes = silent.unwrap_or(SILENT_MINUTES);
        let headers = headers.map(|n| self.headers(n)).unwrap_or_default();
        let expect = expect.and_then(|n| self.expect(n));
        let (body, routing_key) = self.body_terms(body, of, most);
        let (name, url) = (name?, url?);
        Some(Webhook {
            name,
            place,
            kind,
            url,
            signing,
            weights,
            remind_minutes,
            silent_minutes,
            headers,
            expect,
            body,
            routing_key,
        })
    }

    /// What it is for; keys of the other kind are rejected, since they would silently do nothing.
    fn kind(
        &mut self,
        kind: Option<&Node>,
        every: Option<&Node>,
        of_alerts: [(&str, Option<&Node>); 6],
    ) -> WebhookKind {
        let words = [("alerts", false), ("heartbeat", true)];
        let is_heartbeat = kind.and_then(|n| self.sheet.word(n, "A webhook's \"kind\"", &words)).unwrap_or(false);
        if !is_heartbeat {
            if let Some(node) = every
                .filter(|_| kind.is_none_or(|n| matches!(&n.data, Data::Scalar { text, .. } if &**text == "alerts")))
            {
                let message = "\"every_seconds\" belongs to a heartbeat, and this webhook is for alerts.";
                let fix = "Add kind: heartbeat, or leave \"every_seconds\" out.";
                self.sheet.note(Code::ConfigBroken, node.spot, message, fix);
            }
            return WebhookKind::Alerts;
        }
        for (key, node) in of_alerts {
            let Some(node) = node else { continue };
            let message = format!("A heartbeat carries no alerts, so \"{key}\" means nothing here.");
            let fix = format!("Leave \"{key}\" out, or give alerts a webhook of their own.");
            self.sheet.note(Code::ConfigBroken, node.spot, message, fix);
        }
        let every = every.and_then(|n| self.sheet.number(n, "\"every_seconds\"", EVERY_SECONDS));
        WebhookKind::Heartbeat { every_seconds: every.unwrap_or(DEFAULT_EVERY) }
    }

    fn name(&mut self, node: &Node) -> Option<Name> {
        let text = self.sheet.text(node, "The webhook's name")?;
        let fits = (1..=LIMIT_NAME).contains(&text.chars().count()) && !text.chars().any(char::is_control);
        if !fits {
            let fix = format!("Write 1 to {LIMIT_NAME} characters.");
            self.sheet.note(Code::ConfigBroken, node.spot, "This cannot be a webhook's name.", fix);
        }
        fits.then(|| text.into())
    }

    fn url(&mut self, node: &Node) -> Option<Given> {
        match &node.data {
            Data::Map(_) => self.secret(node, "\"url\"").map(Given::Secret),
            Data::Scalar { text, .. } if !node.is_null() && is_http(text) => Some(Given::Written((&**text).into())),
            Data::Scalar { .. } | Data::List(_) => {
                // It may hold a token, so it is not repeated.
                let fix = "Write {secret: \"env:NAME\"}, {secret: \"file:PATH\"}, or \"https://…\" in quotes.";
                self.sheet.note(Code::ConfigBroken, node.spot, "\"url\" is not an http or https address.", fix);
                None
            }
        }
    }

    pub(super) fn secret(&mut self, node: &Node, what: &str) -> Option<Reference> {
        let [secret] = self.sheet.map(node, what, ["secret"])?;
        let secret = self.sheet.required(secret, node, what, "secret")?;
        self.sheet.reference(secret, what)
    }

    fn signing(&mut self, node: &Node) -> Vec<Reference> {
        let nodes = match &node.data {
            Data::List(items) => items.as_slice(),
            Data::Map(_) | Data::Scalar { .. } => std::slice::from_ref(node),
        };
        if !(1..=LIMIT_SIGNING).contains(&nodes.len()) {
            let fix = format!("Give 1 to {LIMIT_SIGNING} secrets, or leave \"signing\" out.");
            self.sheet.note(Code::ConfigBroken, node.spot, format!("\"signing\" lists {} secrets.", nodes.len()), fix);
        }
        let mut all = Vec::new();
        for node in nodes {
            let Some(reference) = self.signing_secret(node) else { continue };
            if all.contains(&reference) {
                let message = "\"signing\" lists one secret twice.";
                self.sheet.note(Code::NameRepeated, node.spot, message, "Keep one of the two.");
            } else {
                all.push(reference);
            }
        }
        all
    }

    fn signing_secret(&mut self, node: &Node) -> Option<Reference> {
        match &node.data {
            Data::Map(_) => self.secret(node, "\"signing\""),
            Data::Scalar { .. } | Data::List(_) => {
                let fix = "Write {secret: \"env:NAME\"} or {secret: \"file:PATH\"}.";
                self.sheet.note(Code::SecretLiteral, node.spot, "\"signing\" is not a reference to a secret.", fix);
                None
            }
        }
    }

    fn weights(&mut self, node: &Node) -> BTreeSet<Weight> {
        let words = Weight::ALL.map(|weight| (weight.as_str(), weight));
        let mut all = BTreeSet::new();
        let Some(items) = self.sheet.list(node, "\"weights\"") else { return all };
        if items.is_empty() {
            let fix = format!("Use some of: {}.", words.map(|(word, _)| word).join(", "));
            self.sheet.note(Code::ConfigBroken, node.spot, "\"weights\" is empty, so no alert would be sent.", fix);
        }
        for item in items {
            let Some(weight) = self.sheet.word(item, "A weight", &words) else { continue };
            if !all.insert(weight) {
                let message = format!("\"weights\" lists \"{weight}\" twice.");
                self.sheet.note(Code::NameRepeated, item.spot, message, "Keep one of the two.");
            }
        }
        all
    }

    fn remind(&mut self, node: Option<&Node>) -> BTreeMap<Weight, u32> {
        let mut all = BTreeMap::from(REMIND_MINUTES);
        let entries = node.and_then(|n| self.sheet.entries(n, "\"remind_minutes\"")).unwrap_or(&[]);
        for (key, node) in entries {
            match Weight::ALL.into_iter().find(|weight| weight.as_str() == &*key.text) {
                Some(weight) => {
                    let what = format!("\"remind_minutes\" of \"{weight}\"");
                    all.extend(self.sheet.number(node, &what, 1..=LIMIT_MINUTES).map(|minutes| (weight, minutes)));
                }
                None => {
                    let fix = did_you_mean(&key.text, Weight::ALL.map(Weight::as_str));
                    let message = format!("No weight is called \"{}\".", key.text);
                    self.sheet.note(Code::KeyUnknown, key.spot, message, fix);
                }
            }
        }
        all
    }
}
