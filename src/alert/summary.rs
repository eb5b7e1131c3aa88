//! The first sentences of a message, for whoever reads it on a phone at night: what, where, how bad, why.

use std::fmt::Write as _;

use super::buttons::{Need, in_need, need};
use super::cause::ToldCause;
use super::clip::{NAME, PLACE, Room, SUMMARY, clip, clip_sentences, length};
use super::count::Count;
use super::step::Reason;
use super::topic::asides::AsideNews;
use super::topic::growth::{is_doubted, only_doubted, only_rewanted, only_unheard};
use super::topic::scope::{Losses, Part};
use super::topic::seen::Seen;
use super::topic::station::Item;
use super::visits;
use super::work::ToDo;
use crate::drift::{Setback, SettingDrift, Totals};
use crate::inventory::Extent;
use crate::setting::{Name, Weight, spoken};

/// What the sentences are made from. `items` are sorted the heaviest first.
pub struct Sentence<'a, 'p> {
    pub items: &'a [Item<'a, 'p>],
    /// What is said of buttons that call nobody.
    pub buttons: Option<String>,
    pub cause: &'a ToldCause,
    pub asides: &'a AsideNews<'a>,
    pub hold: Option<String>,
    pub call_back: Option<String>,
    pub to_do: &'a ToDo,
    pub many: bool,
    /// Where nothing is on record yet.
    pub first_day: Option<String>,
    pub totals: &'a Totals,
}

/// What is kept for what is held, for what to do, and for what was set aside or is to be called back; the rest is for what
/// happened.
const HELD: Room = Room(520);
const TO_DO: Room = Room(520);
const ASIDE: Room = Room(250);

impl Sentence<'_, '_> {
    /// "New drift at EQ-01 (East quay, head of ladder 1): adrift, lifeline; first number differs. To do: …"
    ///
    /// What happened may be cut, and what it comes from left out; a command or a link never is cut.
    pub fn text(&self) -> String {
        let hold = self.hold.as_deref().map(|hold| clip_sentences(hold, HELD));
        let asides = self.asides.sentence().map(|asides| clip(&asides, ASIDE));
        let call_back = self.call_back.as_deref().map(|call_back| clip(call_back, ASIDE));
        let needed = [hold, call_back, asides, self.to_do.sentence(TO_DO)];
        let first = self.buttons.clone().map(|first| first + " ").unwrap_or_default();
        let room: usize = needed.iter().flatten().map(|text| length(text) + 1).sum();
        let room = Room(SUMMARY.0.saturating_sub(room + length(&first)));
        let mut text = first + &clip(self.news().trim_end(), room);
        let more = [self.cause(), self.commit(), Some(self.fleet())];
        for part in needed.into_iter().chain(more).flatten() {
            let space = if text.is_empty() { "" } else { " " };
            if length(&text) + space.len() + length(&part) <= SUMMARY.0 {
                text.push_str(space);
                text.push_str(&part);
            }
        }
        text
    }

    /// What happened, by reason.
    fn news(&self) -> String {
        let mut text = self.first_day.as_ref().map(|first_day| format!("{first_day} ")).unwrap_or_default();
        if self.many && self.first_day.is_none() {
            text.push_str("Many at once. ");
        }
        for reason in Reason::ALL {
            // What is out of service must not read as if all were well.
            let of_reason: Vec<_> = self.items.iter().filter(|item| item.reason == reason).collect();
            for opening in [opening(reason), CHANGED, NO_BETTER, UNHEARD, OUT, BUT] {
                let items: Vec<_> = of_reason.iter().copied().filter(|item| opening_of(item) == opening).collect();
                let Some(first) = items.first() else { continue };
                let count = Count::of(&items);
                let _ = match items.len() {
                    1 => write!(text, "{opening} {}. ", one(first)),
                    n => write!(text, "{opening} {n} stations{}, first {}. ", weights(count), first_of(first)),
                };
            }
        }
        text
    }

    fn cause(&self) -> Option<String> {
        let line = self.cause.inventory.first()?;
        let contact = match (&line.contact, &line.contact_at) {
            (Some(contact), Some(at)) => format!(", contact {contact}, {at}"),
            (Some(contact), None) => format!(", contact {contact}"),
            (None, _) => String::new(),
        };
        let others = match self.cause.inventory.len() - 1 + self.cause.inventory_left_out {
            0 => String::new(),
            1 => " and 1 other line".into(),
            n => format!(" and {n} other lines"),
        };
        Some(format!("Caused by {} ({}{contact}){others}.", line.at, line.title)).filter(|_| !self.cause.started)
    }

    fn commit(&self) -> Option<String> {
        self.cause.commit.as_ref().map(|commit| commit.line.clone())
    }

    fn fleet(&self) -> String {
        format!("Fleet: {}.", self.totals.sentence())
    }
}

const OUT: &str = "Out of service and set aside:";

/// How a station stands of which nothing is wrong that is not set aside.
const BUT: &str = "Right but for what is set aside:";

/// How a station is no worse but that whoever began to key it has not reported.
const UNHEARD: &str = "No report of";

/// How a station is not worse than it was, though another value is wanted there.
const CHANGED: &str = "Another value is wanted at";

/// How a station got better at which a button calls nobody all the same, or may: that is not good news.
const NO_BETTER: &str = "Changed at";

fn opening_of(item: &Item<'_, '_>) -> &'static str {
    let holds =
        |only: fn(&Seen, &Seen) -> bool| item.was.zip(item.subject.seen()).is_some_and(|(was, is)| only(was, is));
    if extent(item) == Extent::Whole {
        OUT
    } else if item.reason == Reason::Closed && extent(item) == Extent::Settings {
        BUT
    } else if item.reason == Reason::Grown && holds(only_rewanted) {
        CHANGED
    } else if item.reason == Reason::Grown && holds(only_unheard) {
        UNHEARD
    } else if is_no_better(item, holds) {
        NO_BETTER
    } else {
        opening(item.reason)
    }
}

/// Whether it got no worse and no better for a person pressing the button.
fn is_no_better(item: &Item<'_, '_>, holds: impl Fn(fn(&Seen, &Seen) -> bool) -> bool) -> bool {
    match item.reason {
        Reason::Grown => holds(only_doubted),
        Reason::Eased => need(item) != Need::Nothing || holds(is_doubted),
        Reason::Opened
        | Reason::Unwatched
        | Reason::Withdrawn
        | Reason::StillOpen
        | Reason::Returned
        | Reason::Watched
        | Reason::Closed => false,
    }
}

/// What is set aside of the station.
fn extent(item: &Item<'_, '_>) -> Extent {
    item.subject.drift().map_or(Extent::Nothing, |drift| drift.set_aside)
}

fn opening(reason: Reason) -> &'static str {
    match reason {
        Reason::Opened => "New drift at",
        Reason::Grown => "Worse at",
        Reason::Unwatched => "No longer managed at",
        Reason::Withdrawn => "No longer in the inventory:",
        Reason::StillOpen => "Still open at",
        Reason::Eased => "Better at",
        Reason::Returned => "In the inventory again:",
        Reason::Watched => "Managed again:",
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
fn named(item: &Item<'_, '_>) -> String {
    let location = item.subject.where_it_is().map(|(_, location)| location);
    let station = clip(&item.subject.name, NAME);
    match location.filter(|location| !location.is_empty()) {
        Some(location) => format!("{station} ({})", clip(location, PLACE)),
        None => station,
    }
}

/// The first of many: what must be known of it though it is not alone.
fn first_of(item: &Item<'_, '_>) -> String {
    let name = named(item);
    match item.subject.losses().filter(|_| item.reason == Reason::Unwatched) {
        Some(losses) => format!("{name}: {}", lost(losses)),
        None => name,
    }
}

/// A station alone, with what is wrong there.
fn one(item: &Item<'_, '_>) -> String {
    let name = named(item);
    if item.subject.drift().is_none() {
        return name + &what_went(item);
    }
    let begun = item.subject.drift().filter(|_| item.subject.seen().is_some()).and_then(visits::sentence);
    let begun = begun.map(|begun| format!(". {begun}")).unwrap_or_default();
    let seen = item.subject.seen().and_then(|seen| how(item, seen));
    let is_news = item.reason == Reason::Unwatched;
    let text = match (seen, item.subject.losses().map(lost)) {
        (None, None) => name,
        (Some(seen), None) => format!("{name}: {seen}"),
        (None, Some(lost)) if is_news => format!("{name}: {lost}"),
        (Some(seen), Some(lost)) if is_news => format!("{name}: {lost}; otherwise {seen}"),
        (Some(seen), Some(lost)) => format!("{name}: {seen}; no longer managed: {lost}"),
        (None, Some(lost)) => format!("{name}; no longer managed: {lost}"),
    };
    text + &begun + &went_wrong(item)
}

/// What was met there, and what went wrong before: the first of each.
fn went_wrong(item: &Item<'_, '_>) -> String {
    let Some(drift) = item.subject.drift().filter(|_| item.subject.now.is_some()) else { return String::new() };
    let met = drift.met.iter().take(1).map(|met| met.sentence(&drift.station));
    let setbacks = drift.setbacks.iter().take(1).map(Setback::sentence);
    met.chain(setbacks).map(|sentence| format!(". {}", sentence.trim_end_matches('.'))).collect()
}

/// How a station is and what is wrong there. Of one where a button calls nobody, or may, that was said first; nothing where there
/// is no more to say.
fn how(item: &Item<'_, '_>, seen: &Seen) -> Option<String> {
    let parts = parts(item, seen);
    match (need(item) != Need::Nothing, parts.is_empty()) {
        (true, true) => None,
        (true, false) => Some(parts),
        (false, true) => Some(format!("{}, {}", seen.standing, seen.weight)),
        (false, false) => Some(format!("{}, {}; {parts}", seen.standing, seen.weight)),
    }
}

/// ", lifeline, last in inventory/sites/east-quay.yaml"
fn what_went(item: &Item<'_, '_>) -> String {
    let weight = item.weight.map(|weight| format!(", {weight}")).unwrap_or_default();
    let file = item.subject.known().map(|known| &known.file).filter(|file| !file.is_empty());
    weight + &file.map(|file| format!(", last in {}", clip(file, PLACE))).unwrap_or_default()
}

/// "emergency.primary differs (let go by inventory/fleet.yaml:9:5)"
fn lost(losses: &Losses) -> String {
    const SHOWN: usize = 2;
    let all = losses.sorted();
    let shown = all.iter().take(SHOWN).map(|(part, lost)| {
        let kind = match part {
            Part::Setting(_) => "",
            Part::Lifeline(_) => "lifeline ",
        };
        let was = lost.was.map(|was| format!(" {was}")).unwrap_or_default();
        let at =
            lost.at.as_ref().map(|at| format!(" (let go by {})", clip(&at.to_string(), PLACE))).unwrap_or_default();
        format!("{kind}{}{was}{at}", short(part.name()))
    });
    let shown: Vec<String> = shown.collect();
    let more = all.len().saturating_sub(SHOWN);
    shown.join(", ") + &if more > 0 { format!(" and {more} more") } else { String::new() }
}

/// "first number differs, the red button untested", without the buttons that call nobody, or may.
fn parts(item: &Item<'_, '_>, seen: &Seen) -> String {
    const SHOWN: usize = 3;
    let mut settings: Vec<_> = seen.settings.iter().collect();
    settings.sort_by_key(|(_, setting)| (std::cmp::Reverse(setting.weight), setting.drift));
    let first = item.subject.drift().map(in_need).unwrap_or_default();
    let is_first = |name: &Name| first.iter().any(|lifeline| lifeline.name == *name);
    let mut lifelines: Vec<_> = seen.lifelines.iter().filter(|(name, _)| !is_first(name)).collect();
    lifelines.sort_by_key(|(_, lifeline)| lifeline.service);
    let drift = item.subject.drift();
    let button = |name: &Name| {
        let known = drift.and_then(|drift| drift.lifelines.iter().find(|known| known.name == *name));
        short(&known.map_or_else(|| spoken(name, None), |known| known.title.to_string()))
    };
    let title = |name: &Name| {
        let known = drift.and_then(|drift| drift.settings.iter().find(|known| known.name == *name));
        short(&known.map_or_else(|| spoken(name, None), SettingDrift::spoken))
    };
    let lifelines = lifelines.iter().map(|(name, lifeline)| format!("{} {}", button(name), lifeline.service.as_str()));
    let settings = settings.iter().map(|(name, setting)| format!("{} {}", title(name), setting.drift.as_str()));
    let all: Vec<String> = lifelines.chain(settings).collect();
    let mut text = all.iter().take(SHOWN).map(String::as_str).collect::<Vec<_>>().join(", ");
    if all.len() > SHOWN {
        let _ = write!(text, " and {} more", all.len() - SHOWN);
    }
    if let Some(at) = seen.did_not_stick() {
        let space = if text.is_empty() { "" } else { "; " };
        let _ = write!(text, "{space}the fix confirmed on {} did not stick", at.strftime("%Y-%m-%d"));
    }
    text
}

fn short(name: &str) -> String {
    clip(name, Room(40))
}
