//! Pages: how they are laid out, and with which headers they go out. But for the visit page, and those that send a phone's
//! reports, they carry no script and fetch nothing; everything that stands in them is escaped. No cache keeps them, and no other page may frame them.

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use jiff::Timestamp;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use sha2::{Digest, Sha256};

use super::style;
use super::visit::{closed, policy as visit_policy, policy_of, waiting};

/// A page with its status.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Page {
    pub status: StatusCode,
    title: String,
    main: String,
    does: Does,
}

/// What a page does beside being read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Does {
    Nothing,
    /// It sends the reports that a phone keeps.
    Sends,
    /// It also lets a phone correct the report of the card in whose place it is shown, at this time of the server.
    Corrects(Timestamp),
}

/// The whole of a page. `title` is its name in the browser.
pub(super) fn layout(title: &str, main: &Markup) -> String {
    styled(title, style::sheet(), &html! { main { (main) } })
}

/// The same with a style and a body of its own.
pub(super) fn styled(title: &str, style: &str, body: &Markup) -> String {
    let whole = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="robots" content="noindex, nofollow";
                meta name="referrer" content="no-referrer";
                meta name="color-scheme" content="light dark";
                title { (title) }
                style { (PreEscaped(style)) }
            }
            body { (body) }
        }
    };
    whole.into_string() + "\n"
}

impl Page {
    /// A page without a script.
    pub(super) fn new(status: StatusCode, title: &str, main: &Markup) -> Page {
        Page { status, title: title.to_owned(), main: main.0.clone(), does: Does::Nothing }
    }

    /// A page that also sends the reports that a phone keeps. `beside` leads from it to the folder of cards.
    pub(super) fn sending(status: StatusCode, title: &str, main: &Markup, beside: &str) -> Page {
        let main = html! { (waiting(beside)) (main) };
        Page { status, title: title.to_owned(), main: main.0, does: Does::Sends }
    }

    /// A page in the place of a card that is closed, where the report of it can still be corrected.
    pub(super) fn correcting(status: StatusCode, title: &str, main: &Markup, now: Timestamp) -> Page {
        Page { does: Does::Corrects(now), ..Page::sending(status, title, main, "") }
    }

    /// The same, and where it is made for a rehearsal it says so first.
    pub(super) fn rehearsed(self, is_rehearsal: bool) -> Page {
        let first = html! { p.mind { strong { "REHEARSAL" } ": the clock is set by hand." } };
        match is_rehearsal {
            true => Page { main: first.0 + &self.main, title: format!("REHEARSAL: {}", self.title), ..self },
            false => self,
        }
    }

    /// A page that says why what was asked for is not shown, and what to do.
    pub(super) fn notice(status: StatusCode, title: &str, paragraphs: &[String]) -> Page {
        let main = html! {
            h1 { (title) }
            @for text in paragraphs { p { (text) } }
        };
        Page::new(status, title, &main)
    }
}

impl IntoResponse for Page {
    fn into_response(self) -> Response {
        let (style, main) = (style::sheet(), PreEscaped(self.main));
        let (policy, html) = match self.does {
            Does::Nothing => (policy(style), layout(&self.title, &main)),
            Does::Sends => (policy_of(style), layout(&self.title, &main)),
            Does::Corrects(now) => {
                let body = html! {
                    main id="paper" { (main) }
                    main id="visit" tabindex="-1" hidden {}
                    (closed(now))
                };
                (visit_policy(), styled(&self.title, style::visit_sheet(), &body))
            }
        };
        (self.status, under(&policy), html).into_response()
    }
}

/// The headers that every page goes out with; `style` is the one in it, and no other works.
pub(super) fn headers(style: &str) -> [(header::HeaderName, HeaderValue); 8] {
    under(&policy(style))
}

/// The same under a policy of its own.
pub(super) fn under(policy: &str) -> [(header::HeaderName, HeaderValue); 8] {
    let policy = HeaderValue::from_str(policy).unwrap_or(HeaderValue::from_static("default-src 'none'"));
    [
        (header::CONTENT_TYPE, HeaderValue::from_static("text/html; charset=utf-8")),
        (header::CACHE_CONTROL, HeaderValue::from_static("no-store")),
        (header::CONTENT_SECURITY_POLICY, policy),
        (header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff")),
        (header::REFERRER_POLICY, HeaderValue::from_static("no-referrer")),
        (header::X_FRAME_OPTIONS, HeaderValue::from_static("DENY")),
        (header::HeaderName::from_static("x-robots-tag"), HeaderValue::from_static("noindex, nofollow")),
        (header::HeaderName::from_static("cross-origin-resource-policy"), HeaderValue::from_static("same-origin")),
    ]
}

/// Nothing may be fetched, run, framed or sent; the page's own style is known by its hash.
fn policy(style: &str) -> String {
    let hash = STANDARD.encode(Sha256::digest(style));
    format!(
        "default-src 'none'; style-src 'sha256-{hash}'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )
}
