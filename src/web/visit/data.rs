//! What the visit page is made from: the visit as data beside the card, the policy under which its scripts run, and what they
//! learn about the card later.

use axum::http::StatusCode;
use axum::response::Response;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use jiff::Timestamp;
use maud::{Markup, PreEscaped, html};
use serde_json::json;
use sha2::{Digest, Sha256};

use super::super::problem;
use super::super::style;
use super::modules::{MODULES, address};
use crate::script::card::{OUTDATED, Visit};

/// A visit, and whoever makes it.
pub(in super::super) struct Visiting<'a> {
    pub visit: &'a Visit,
    /// The server's time.
    pub now: Timestamp,
    /// Until when a card that was not begun may be kept.
    pub until: Timestamp,
    /// Where the way back is, and what the station needs once this is reported; nothing where whoever asks may not go there.
    pub way_back: Option<String>,
    pub next: Option<String>,
}

impl Visiting<'_> {
    /// The data and the script that reads it.
    pub fn scripts(&self) -> Markup {
        let names: Vec<&str> = MODULES.iter().map(|(name, _)| *name).collect();
        let data = json!({
            "visit": self.visit,
            "now": self.now.to_string(),
            "until": self.until.to_string(),
            "way_back": self.way_back,
            "next": self.next,
            "policy": policy(),
            "modules": names,
        });
        // Nothing in it can end the element.
        let data = data.to_string().replace('<', "\\u003c");
        html! {
            script id="data" type="application/json" { (PreEscaped(data)) }
            script type="module" src=(address("visit.js")) {}
        }
    }
}

/// The data of the page of a card that is closed: what a phone that has sent its report needs to correct it, beside the visit
/// without its keys, which it keeps.
pub(in super::super) fn closed(now: Timestamp) -> Markup {
    let names: Vec<&str> = MODULES.iter().map(|(name, _)| *name).collect();
    // It is never kept, but while a correction is under way.
    let now = now.to_string();
    let data = json!({"is_closed": true, "now": now, "until": now, "policy": policy(), "modules": names});
    let data = data.to_string().replace('<', "\\u003c");
    html! { script id="data" type="application/json" { (PreEscaped(data)) } }
}

/// The policy of the visit page.
pub(in super::super) fn policy() -> String {
    policy_of(style::visit_sheet())
}

/// Its own scripts may run and ask this program; the page's own style is known by its hash.
pub(in super::super) fn policy_of(style: &str) -> String {
    let hash = STANDARD.encode(Sha256::digest(style));
    format!(
        "default-src 'none'; script-src 'self'; worker-src 'self'; connect-src 'self'; style-src 'sha256-{hash}'; base-uri 'none'; \
         form-action 'none'; frame-ancestors 'none'"
    )
}

/// What a page that was opened before learns about its card.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in super::super) enum State {
    /// It is to be keyed.
    Good,
    /// It was begun, and something else is wanted by now.
    Outdated,
    /// It is not to be keyed, unless it was begun.
    Over,
    /// Nobody can say now.
    Unknown,
}

impl State {
    /// By the page that would be shown in the place of the card.
    pub fn of(status: StatusCode) -> State {
        if status.is_server_error() { State::Unknown } else { State::Over }
    }

    /// As an answer at a time of the server.
    pub fn answer(self, station: &str, now: Timestamp) -> Response {
        let (state, title, text) = match self {
            State::Good => ("good", String::new(), ""),
            State::Outdated => ("outdated", String::new(), ""),
            State::Unknown => ("unknown", String::new(), ""),
            State::Over => (
                "over",
                format!("Do not key this card of {station}"),
                "It is out of date. Keyed now it could leave a button that calls nobody.",
            ),
        };
        let begun = if self == State::Unknown { None } else { Some(OUTDATED) };
        let body = json!({"state": state, "now": now.to_string(), "title": title, "text": text, "begun": begun});
        problem::json(StatusCode::OK, "application/json", body)
    }
}
