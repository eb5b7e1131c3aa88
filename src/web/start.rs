//! `/`: what is to be done, the most urgent first, each leading to its card. It is made from a view of this moment, puts nothing
//! on record and shows no code; whoever may open no card sees no link to one.

use std::sync::Arc;

use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};

use super::access::{CHALLENGE, Caller, Role};
use super::cards::Cards;
use super::host::is_foreign;
use super::page::Page;
use crate::drift::Standing;
use crate::finding::{minute, plural};
use crate::fleet::{Row, View};
use crate::script::{Errand, Memory, card, urgency};
use crate::setting::Weight;

/// So many stations stand on one page: for each a script is written.
const ON_A_PAGE: usize = 25;

/// The most errors of the files that are listed.
const MOST_ERRORS: usize = 5;

/// Whether the page leads to cards.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Leads {
    ToCards,
    Nowhere,
}

/// The page with this number, from 1.
pub(super) async fn answer(cards: Arc<Cards>, headers: &HeaderMap, query: &str) -> Response {
    let leads = match admit(&cards, headers) {
        Ok(leads) => leads,
        Err(notice) => return *notice,
    };
    let is_rehearsal = cards.outside.rehearsal;
    let rehearsed = |page: Page| page.rehearsed(is_rehearsal).into_response();
    let number = url::form_urlencoded::parse(query.as_bytes()).find(|(name, _)| name == "page");
    let number: usize = number.and_then(|(_, number)| number.parse().ok()).unwrap_or(1).max(1);
    let Ok(view) = cards.asking.view().await else { return rehearsed(unreadable()) };
    // A script may take a while to be found.
    match tokio::task::spawn_blocking(move || page(&view, number, leads)).await {
        Ok(page) => rehearsed(page),
        Err(_) => rehearsed(unreadable()),
    }
}

fn admit(cards: &Cards, headers: &HeaderMap) -> Result<Leads, Box<Response>> {
    if is_foreign(headers, &cards.access, cards.address.as_deref()) {
        let text = "Without access tokens in the configuration this page is shown to this machine only, under its own names \
                    (127.0.0.1, [::1], localhost). To reach it from elsewhere set \"access\" and \"address\".";
        let page =
            Page::notice(StatusCode::MISDIRECTED_REQUEST, "This page is for this machine only", &[text.to_owned()]);
        return Err(Box::new(cards.rehearsed(page).into_response()));
    }
    match cards.access.caller(headers) {
        Caller::ThisMachine | Caller::Known(Role::Technician | Role::Ops) => Ok(Leads::ToCards),
        Caller::Known(Role::Reader) => Ok(Leads::Nowhere),
        Caller::Unknown => {
            let text = "Give the name and the token that you were given.";
            let page = Page::notice(StatusCode::UNAUTHORIZED, "Who are you?", &[text.to_owned()]);
            Err(Box::new(([(header::WWW_AUTHENTICATE, CHALLENGE)], cards.rehearsed(page)).into_response()))
        }
    }
}

fn unreadable() -> Page {
    let text = "The ledger cannot be read or written now. The log says more. Load this page again in a moment.";
    Page::notice(StatusCode::SERVICE_UNAVAILABLE, "Nobody can say how the stations are", &[text.to_owned()])
}

/// The page by a view.
fn page(view: &View, number: usize, leads: Leads) -> Page {
    if !view.is_watching() {
        let main = html! {
            h1 { "No station is watched" }
            p.mind { "The files have errors, and no files without errors were ever read." }
            (errors(view))
        };
        return Page::sending(StatusCode::SERVICE_UNAVAILABLE, "No station is watched", &main, "card/");
    }
    let all = view.rows.iter().map(|row| &**row);
    let mut rows: Vec<&Row> = all.filter(|row| row.drift.standing != Standing::Aligned).collect();
    rows.sort_by_cached_key(|row| urgency(&row.station, &row.drift));
    let (all, last) = (rows.len(), rows.len().div_ceil(ON_A_PAGE).max(1));
    let number = number.min(last);
    let shown: Vec<&Row> = rows.into_iter().skip((number - 1) * ON_A_PAGE).take(ON_A_PAGE).collect();
    let (list, _) = view.work_list(&shown, &mut Memory::default(), || {});
    let fleet = &*view.effective.fleet;
    let title =
        if number == 1 { format!("What to do: {fleet}") } else { format!("What to do: {fleet}, page {number}") };
    let main = html! {
        h1 { (fleet) }
        p { "What to do, the most urgent first. As of " (minute(view.at)) "." }
        (state_of_files(view))
        (held(view))
        @if let Some(first_day) = view.first_day() { p { (first_day) } }
        @if all == 0 {
            p { strong { "Nothing to do." } " Every station is as wanted, as far as it is not set aside." }
        } @else {
            h2 { (plural(all as u64, "station")) " to see to" }
            @if last > 1 { p { "Page " (number) " of " (last) "." } }
            ol.lines start=(((number - 1) * ON_A_PAGE + 1)) {
                @for errand in list.errands() { li { (station(errand, leads)) } }
            }
            @if last > 1 { (pages(number, last, all.saturating_sub(number * ON_A_PAGE))) }
        }
        h2 { "All stations" }
        p { (view.totals.counted()) ": " (view.totals.sentence()) "." }
        p { a href="guide" { "The guide" } }
    };
    Page::sending(StatusCode::OK, &title, &main, "card/")
}

/// What to know of the files before anything below is believed.
fn state_of_files(view: &View) -> Markup {
    html! {
        @if let Some(since) = view.good_since() {
            p.mind {
                "The files have errors, so their latest changes are not used. This page goes by the last files without errors, of "
                (minute(since)) "."
            }
            (errors(view))
        }
    }
}

/// The first errors of the files.
fn errors(view: &View) -> Markup {
    let errors: Vec<_> = view.findings().iter().filter(|finding| finding.is_error()).collect();
    html! {
        ul {
            @for error in errors.iter().take(MOST_ERRORS) { li { (error.place) ": " (error.message) " " (error.fix) } }
            @if let Some(more) = errors.len().checked_sub(MOST_ERRORS).filter(|more| *more > 0) { li { (more) " more." } }
        }
        p { "See all of them:" }
        pre { "stationkeep check" }
    }
}

/// The change that scripts wait for.
fn held(view: &View) -> Markup {
    html! {
        @if let Some(held) = view.held() {
            p.mind { (held.sentence()) }
            p { "List what would change:" }
            pre { (held.change.list()) }
            p { "If every station is meant, release it:" }
            pre { (held.change.release()) }
        }
    }
}

/// One station that needs someone.
fn station(errand: &Errand, leads: Leads) -> Markup {
    let (station, drift) = (&errand.station, &errand.drift);
    let weight = drift.weight.map(weighed).unwrap_or_default();
    let place = if station.location.is_empty() { &station.site } else { &station.location };
    html! {
        h3 { (station.name) ": " (drift.told_text()) (weight) }
        p.where { (place) }
        p.soft { "Site " (station.site) }
        @for text in errand.mind() {
            // A name is written as its owner writes it.
            @let is_name = drift.begun.iter().any(|begun| text.starts_with(&*begun.by));
            p.mind { @if is_name { (text) } @else { (capital(&text)) } "." }
        }
        p { (task(errand, leads)) }
        @if let Some(taken) = &drift.taken { p { strong { (taken.by) " is on it until " (minute(taken.until)) "." } } }
        p { "Number: " a href={ "tel:" (station.number) } { (station.number.read_out()) } }
        @if let (Leads::ToCards, Some(laid)) = (leads, errand.card()) {
            p.go {
                // Beside this page, under whatever path a proxy has put it.
                a href={ "card/" (card::beside(&laid.script.digest, &station.name)) } { "Open the card of " (station.name) }
            }
            @if let Some(back) = &laid.script.way_back {
                p.go { a href={ "card/" (card::beside(back, &station.name)) } { "The way back: to what last worked" } }
            }
        }
    }
}

/// What to do. Where links lead to cards one leads to the way back, and its command is of no use on a phone.
fn task(errand: &Errand, leads: Leads) -> String {
    let command = format!("stationkeep script {} --back", errand.station.name);
    match leads {
        Leads::ToCards => errand.task().replace(&format!(": {command}"), "").replace(&format!(" ({command})"), ""),
        Leads::Nowhere => errand.task(),
    }
}

/// What it means, beside the standing.
fn weighed(weight: Weight) -> &'static str {
    match weight {
        Weight::Lifeline => ", lifeline-critical",
        Weight::Locating => ", locating",
        Weight::Routine => ", routine",
    }
}

fn capital(text: &str) -> String {
    let mut rest = text.chars();
    rest.next().map(|first| first.to_uppercase().chain(rest).collect()).unwrap_or_default()
}

/// The way to the other pages; `more`: how many stations come after this one.
fn pages(number: usize, last: usize, more: usize) -> Markup {
    html! {
        nav aria-label="Pages" {
            @if number > 1 { p.ring { a href={ "?page=" (number - 1) } { "Page " (number - 1) ": more urgent" } } }
            @if number < last { p.ring { a href={ "?page=" (number + 1) } { (more) " more, less urgent: page " (number + 1) } } }
        }
    }
}
