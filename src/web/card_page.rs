//! The page of a card: the same card that is printed as text, for a phone held in one hand or a sheet of paper. It holds
//! access codes and is for the person at the station. It works without scripts; with them it is the visit's page (`visit`).

use jiff::Timestamp;
use maud::{Markup, html};

use super::page::{layout, styled};
use super::style;
use super::visit::Visiting;
use crate::finding::minute;
use crate::script::card::{self, Card, CardCall, CardLine, Label};

/// A signed link to hand on, and when it expires.
#[derive(Debug, Clone)]
pub struct HandOn {
    /// The address that opens this card alone.
    pub link: String,
    /// Until when it does.
    pub until: Timestamp,
}

/// Whether a page leads to other cards of its station.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Leads {
    /// By links beside its own address.
    On,
    /// It is a file, or its reader may open this card alone.
    Nowhere,
}

/// The page of a card. `good_since`: the files as they are cannot be used, and it goes by the last good ones, of that time.
pub fn card_page(card: &Card, good_since: Option<Timestamp>, hand_on: Option<&HandOn>, leads: Leads) -> String {
    layout(&title(card), &paper(card, good_since, hand_on, leads))
}

/// The same with what makes a visit of it.
pub(super) fn visit_page(
    card: &Card,
    good_since: Option<Timestamp>,
    hand_on: Option<&HandOn>,
    leads: Leads,
    visiting: &Visiting,
) -> String {
    let body = html! {
        main id="paper" { (paper(card, good_since, hand_on, leads)) }
        main id="visit" tabindex="-1" hidden {}
        (visiting.scripts())
    };
    styled(&title(card), style::visit_sheet(), &body)
}

fn title(card: &Card) -> String {
    let rehearsal = if card.rehearsal.is_some() { "REHEARSAL: " } else { "" };
    format!("{rehearsal}{}: card {}", card.station, card.digest)
}

/// All that a card says.
fn paper(card: &Card, good_since: Option<Timestamp>, hand_on: Option<&HandOn>, leads: Leads) -> Markup {
    html! {
        @if let Some(rehearsal) = card.rehearsal { p.mind { (rehearsal) } }
        h1 { (card.station) }
        @if !card.location.is_empty() { p.where { (card.location) } }
        @if let Some(back) = card.back { p.mind { "THE WAY BACK: " (back) } }
        @if let Some(since) = good_since { (last_good(since)) }
        @for text in &card.lead { p.mind { (text) } }
        @if let Some(back) = &card.way_back {
            @match leads {
                Leads::On => { p.ring { a href=(card::beside(back, &card.station)) { "The way back: to what last worked" } } }
                Leads::Nowhere => { p { "The way back: ask ops for its card." } }
            }
        }
        p.soft { "script " (card.digest) ", model: " (card.model) }
        @for fact in &card.facts { p { (fact) } }
        @if let Some(HandOn { link, until }) = hand_on {
            div.screen {
                h2 { "For the technician" }
                p { "Whoever has this link sees this card, its codes too, until " (minute(*until)) ":" }
                p.link { a href=(link) { (link) } }
            }
        }
        h2 { "Before you ring" }
        ul {
            @for caution in &card.cautions { li { (caution) } }
            @for note in &card.notes { li { strong { "NOTE: " } (note) } }
        }
        @for (nth, call) in card.calls.iter().enumerate() { (a_call(card, nth, call)) }
        @if !card.tests.is_empty() {
            h2 { "Test" }
            ul { @for test in &card.tests { li { (test) } } }
        }
        h2 { "Report back" }
        p { (card.how_to_report) }
        pre { (card.report) }
    }
}

/// The page that stands in for a card where there is nothing to key: the first line says so, the others what is left to do.
pub fn nothing_page(station: &str, text: &str, good_since: Option<Timestamp>) -> String {
    let main = html! {
        h1 { (station) }
        @if let Some(since) = good_since { (last_good(since)) }
        @for line in text.lines() { p { (line) } }
    };
    layout(&format!("{station}: nothing to key"), &main)
}

/// What a page says that goes by older files.
fn last_good(since: Timestamp) -> Markup {
    html! {
        p.mind {
            "WARNING: the inventory has errors now. This goes by the last one without errors, of " (minute(since))
            "; see " code { "stationkeep check" } "."
        }
    }
}

fn a_call(card: &Card, nth: usize, call: &CardCall) -> Markup {
    html! {
        h2 { (card.call_title(nth)) }
        p.ring { "Ring " a href={ "tel:" (card.number) } { (card.number_read) } ". " (call.answers) }
        p { "Accepted is " (call.accepted) "." br; "Refused is " (call.refused) "." }
        p { (call.limits) }
        @if let Some(tight) = &call.tight { p.mind { (tight) } }
        ol.lines {
            @for line in &call.lines { li { (a_line(nth, call, line)) } }
            @if let Some(end) = call.end { li { strong { (end) } } }
        }
    }
}

/// One thing to key: first what must not be done meanwhile, then the keys, then what to listen for.
fn a_line(nth: usize, call: &CardCall, line: &CardLine) -> Markup {
    let title = match line.label {
        Label::Open => "Open".to_owned(),
        Label::Step(number) => format!("Step {number}"),
        Label::Close => "Close".to_owned(),
    };
    html! {
        h3 { (title) }
        @if let Some(bare) = &line.bare {
            p.mind {
                "! " (bare)
                @if let Some(stay) = &line.stay { " WARNING: " (stay) "." }
            }
        }
        @if let Some(warns) = &line.warns { p.mind { (warns) } }
        p.keys { @for keys in &line.keys { span { (keys) } " " } }
        p { (line.what) }
        @if let Some(remarks) = &line.remarks { p.soft { (remarks) } }
        @if let Some(note) = &line.note { p { (note) } }
        @for code in 1..=line.tries {
            @let title = if line.tries > 1 { format!("{title}, code {code}") } else { title.clone() };
            fieldset {
                legend { (title) ": what do you hear?" }
                (an_answer(nth, &title, "accepted", &call.accepted))
                (an_answer(nth, &title, "refused", &call.refused))
                (an_answer(nth, &title, "nothing", "no beep, or the line drops"))
            }
        }
        @if let Some(fails) = &line.fails { p.mind { (fails) } }
    }
}

fn an_answer(nth: usize, title: &str, word: &str, sound: &str) -> Markup {
    html! {
        label {
            input type="radio" name={ "call " (nth + 1) ", " (title) } value=(word);
            span { strong { (word) } ": " (sound) }
        }
    }
}
