//! The first sentences of a message, for whoever reads it on a phone at night: what, where, how bad, why.

use std::fmt::Write as _;

use super::Reason;
use super::asides::AsideNews;
use super::cause::ToldCause;
use super::clip::{NAME, PLACE, Room, SENTENCE, clip};
use super::message::Count;
use super::next::ToDo;
use super::pass::{Is, Item};
use super::seen::Seen;
use crate::drift::Totals;
use crate::inventory::Extent;
use crate::setting::Weight;

/// What the sentences are made from. `items` are sorted the heaviest first.
pub(super) struct Sentence<'a> {
    pub items: &'a [Item<'a>],
    pub cause: &'a ToldCause,
    pub asides: &'a AsideNews,
    pub hold: Option<String>,
    pub call_back: Option<String>,
    pub to_do: &'a ToDo,
    pub surge: bool,
    pub totals: &'a Totals,
}

impl Sentence<'_> {
    /// "New drift at EQ-01 (East quay, head of ladder 1): adrift, lifeline; emergency.primary differs. …"
    pub(super) fn text(&self) -> String {
        let mut text = String::new();
        if self.surge {
            text.push_str("Many at once. ");
        }
        for reason in Reason::ALL {
            // What is out of service must not read as if all were well.
            let of_reason = self.items.iter().filter(|item| item.reason == reason);
            let (out, others): (Vec<_>, Vec<_>) = of_reason.partition(|item| extent(item) == Extent::Whole);
            for (opening, items) in [(opening(reason), others), (OUT, out)] {
                let Some(first) = items.first() else { continue };
                let count = Count::of(&items);
                let _ = match items.len() {
                    1 => write!(text, "{opening} {}. ", one(first)),
                    n => write!(text, "{opening} {n} stations{}, first {}. ", weights(count), named(first)),
                };
            }
        }
        if let Some(hold) = &self.hold {
            let _ = write!(text, "{hold} ");
        }
        if let Some(call_back) = &self.call_back {
            let _ = write!(text, "{call_back} ");
        }
        if let Some(asides) = self.asides.sentence() {
            let _ = write!(text, "{asides} ");
        }
        self.add_cause(&mut text);
        if let Some(commit) = &self.cause.commit {
            let _ = write!(text, "{} ", commit.line);
        }
        if let Some(to_do) = self.to_do.sentence() {
            let _ = write!(text, "{to_do} ");
        }
        let _ = write!(text, "Fleet: {}.", self.totals.sentence());
        clip(&text, SENTENCE)
    }

    fn add_cause(&self, text: &mut String) {
        let Some(line) = self.cause.inventory.first() else { return };
        let contact = match (&line.contact, &line.contact_at) {
            (Some(contact), Some(at)) => format!(" (contact {contact}, {at})"),
            (Some(contact), None) => format!(" (contact {contact})"),
            (None, _) => String::new(),
        };
        let _ = write!(text, "{} wanted by {}{contact}", line.setting, line.at);
        match self.cause.inventory.len() - 1 + self.cause.inventory_left_out {
            0 => text.push_str(". "),
            1 => text.push_str(" and 1 other line. "),
            n => {
                let _ = write!(text, " and {n} other lines. ");
            }
        }
    }
}

const OUT: &str = "Out of service and set aside:";

/// What is set aside of the station.
fn extent(item: &Item<'_>) -> Extent {
    match &item.turn.is {
        Is::Drifting { drift, .. } | Is::Aligned(drift) => drift.set_aside,
        Is::Gone { .. } => Extent::Nothing,
    }
}

fn opening(reason: Reason) -> &'static str {
    match reason {
        Reason::Opened => "New drift at",
        Reason::Grown => "Worse at",
        Reason::Withdrawn => "No longer in the inventory:",
        Reason::StillOpen => "Still open at",
        Reason::Eased => "Better at",
        Reason::Closed => "Aligned again:",
    }
}

/// " (480 lifeline, 20 routine)"
fn weights(count: Count) -> String {
    let parts = Weight::ALL.map(|weight| match weight {
        Weight::Lifeline => (count.lifeline, weight),
        Weight::Locating => (count.locating, weight),
        Weight::Routine => (count.routine, weight),
    });
    let parts: Vec<String> = parts.iter().filter(|(n, _)| *n > 0).map(|(n, weight)| format!("{n} {weight}")).collect();
    if parts.is_empty() { String::new() } else { format!(" ({})", parts.join(", ")) }
}

/// "EQ-01 (East quay, head of ladder 1)"
fn named(item: &Item<'_>) -> String {
    let location = match &item.turn.is {
        Is::Drifting { drift, .. } | Is::Aligned(drift) => Some(&drift.location),
        Is::Gone { .. } => item.was.map(|was| &was.location),
    };
    let aside = match (extent(item), &item.turn.is) {
        (Extent::Settings, Is::Aligned(_)) => " but for what is set aside",
        (Extent::Settings, Is::Drifting { .. } | Is::Gone { .. }) | (Extent::Nothing | Extent::Whole, _) => "",
    };
    let station = clip(item.turn.station, NAME) + aside;
    match location.filter(|location| !location.is_empty()) {
        Some(location) => format!("{station} ({})", clip(location, PLACE)),
        None => station,
    }
}

/// A station alone, with what is wrong there.
fn one(item: &Item<'_>) -> String {
    let name = named(item);
    match item.turn.seen() {
        Some(seen) => format!("{name}: {}, {}{}", seen.standing, seen.weight, parts(seen)),
        None => name,
    }
}

/// "; emergency.primary differs, lifeline emergency failed"
fn parts(seen: &Seen) -> String {
    const SHOWN: usize = 3;
    let mut settings: Vec<_> = seen.settings.iter().collect();
    settings.sort_by_key(|(_, setting)| (std::cmp::Reverse(setting.weight), setting.drift));
    let mut lifelines: Vec<_> = seen.lifelines.iter().collect();
    lifelines.sort_by_key(|(_, lifeline)| lifeline.service);
    let lifelines =
        lifelines.iter().map(|(name, lifeline)| format!("lifeline {} {}", short(name), lifeline.service.as_str()));
    let settings = settings.iter().map(|(name, setting)| format!("{} {}", short(name), setting.drift.as_str()));
    let all: Vec<String> = lifelines.chain(settings).collect();
    let mut text = all.iter().take(SHOWN).map(String::as_str).collect::<Vec<_>>().join(", ");
    if all.len() > SHOWN {
        let _ = write!(text, " and {} more", all.len() - SHOWN);
    }
    if let Some(at) = seen.did_not_stick() {
        let _ = write!(text, "; the fix confirmed on {} did not stick", at.strftime("%Y-%m-%d"));
    }
    if text.is_empty() { text } else { format!("; {text}") }
}

fn short(name: &str) -> String {
    clip(name, Room(40))
}
