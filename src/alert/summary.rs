//! The first sentences of a message, for whoever reads it on a phone at night: what, where, how bad, why.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::buttons::{First, Need, capital, in_need, need};
use super::cause::ToldCause;
use super::clip::{NAME, PLACE, Room, SUMMARY, clip, clip_sentences, length};
use super::count::Count;
use super::gist::{TITLE, sentences};
use super::step::Reason;
use super::topic::asides::AsideNews;
use super::topic::growth::{is_doubted, only_doubted, only_in_doubt, only_rewanted, only_unheard};
use super::topic::scope::{Losses, Part};
use super::topic::seen::{Seen, SeenSetting};
use super::topic::station::Item;
use super::visits;
use super::whom::{calls_another, is_another_number, most_missed, which, whose};
use super::work::ToDo;
use crate::drift::{Drift, Setback, SettingDrift, StationDrift, Totals};
use crate::inventory::{Contact, Extent};
use crate::ledger::State;
use crate::setting::{Name, Value, Weight, spoken};

/// What the sentences are made from. `items` are sorted the heaviest first.
pub struct Sentence<'a, 'p> {
    pub items: &'a [Item<'a, 'p>],
    /// What is said of buttons that call nobody.
    pub buttons: First,
    /// The same of one whose station has left the inventory.
    pub gone: Option<String>,
    /// The inventory's contacts.
    pub contacts: &'a BTreeMap<Name, Contact>,
    pub cause: &'a ToldCause,
    pub asides: &'a AsideNews<'a>,
    pub hold: Option<String>,
    /// Whether what is held began to be so, or is another.
    pub is_hold_news: bool,
    pub call_back: Option<String>,
    pub to_do: &'a ToDo,
    /// Where nothing is on record yet.
    pub first_day: Option<String>,
    pub totals: &'a Totals,
}

/// What is kept for what is held, for what to do, and for what was set aside or is to be called back; the rest is for what
/// happened.
const HELD: Room = Room(600);
const TO_DO: Room = Room(520);
const ASIDE: Room = Room(250);

impl Sentence<'_, '_> {
    /// "EQ-01: pressing the red button did not reach help (…). Put a stand-in there. New drift at EQ-01 (East quay, head of
    /// ladder 1): adrift, lifeline; first number differs. To do: …"
    ///
    /// What happened may be cut, and what it comes from left out; a command or a link never is cut.
    pub fn text(&self) -> String {
        let hold = self.hold.as_deref().map(|hold| clip_sentences(hold, HELD));
        let asides = self.asides.sentence().map(|asides| clip(&asides, ASIDE));
        let call_back = self.call_back.as_deref().map(|call_back| clip(call_back, ASIDE));
        let First { silent, unsure, title: _, is_news: _ } = &self.buttons;
        let first = [self.gone.clone(), silent.clone(), unsure.clone()];
        let needed = [hold, call_back, asides, self.to_do.sentence(TO_DO)];
        let room: usize = first.iter().chain(&needed).flatten().map(|part| length(part) + 1).sum();
        let news: Vec<String> = self.first_day.iter().cloned().chain(self.news()).collect();
        let news = clip(&news.join(" "), Room(SUMMARY.0.saturating_sub(room)));
        let more = [self.cause(), self.commit(), Some(self.fleet())];
        let mut text = String::new();
        let parts = first.into_iter().chain([Some(news)]).chain(needed).chain(more).flatten();
        for part in parts.filter(|part| !part.is_empty()) {
            let space = if text.is_empty() { "" } else { " " };
            if length(&text) + space.len() + length(&part) <= SUMMARY.0 {
                text.push_str(space);
                text.push_str(&part);
            }
        }
        text
    }

    /// What the message is about, in one line: what was told before stands there only where nothing is new.
    pub fn title(&self) -> String {
        let gone = self.gone.as_deref().map(|gone| sentences(gone, 1));
        let buttons = self.buttons.title.as_deref();
        let first = match self.items {
            [_] => buttons,
            _ => buttons.filter(|_| self.buttons.is_news),
        };
        let held = self.hold.as_deref().filter(|_| self.is_hold_news || self.items.is_empty());
        let held = held.map(|held| sentences(held, 1));
        let news = || self.items.iter().find(|item| item.reason != Reason::StillOpen).map(|item| self.title_of(item));
        let title = gone.or(first).or(held).map(str::to_owned).or_else(news);
        let title = title.or_else(|| buttons.map(str::to_owned));
        let title = title.or_else(|| self.items.first().map(|item| self.title_of(item)));
        let title = title.or_else(|| self.asides.sentence().map(|aside| sentences(&aside, 1).to_owned()));
        clip(&title.unwrap_or_else(|| sentences(&self.text(), 1).to_owned()), TITLE)
    }

    /// The sentence in which a station is told of. Of many on a first day it is that nothing is on record.
    fn title_of(&self, item: &Item<'_, '_>) -> String {
        if let Some(first_day) = self.first_day.as_ref().filter(|_| self.items.len() > 1) {
            return first_day.clone();
        }
        let opening = opening_of(item);
        let all = self.items.iter().filter(|other| other.reason == item.reason && opening_of(other) == opening);
        self.told(opening, &all.collect::<Vec<_>>()).into_iter().next().unwrap_or_default()
    }

    /// What happened, by reason: a sentence for each.
    fn news(&self) -> Vec<String> {
        let mut news = Vec::new();
        for reason in Reason::ALL {
            // What is out of service must not read as if all were well.
            let of_reason: Vec<_> = self.items.iter().filter(|item| item.reason == reason).collect();
            for opening in [
                Opening::Of(reason),
                Opening::Rewanted,
                Opening::Changed,
                Opening::Begun,
                Opening::Unheard,
                Opening::Out,
                Opening::But,
            ] {
                let items: Vec<_> = of_reason.iter().copied().filter(|item| opening_of(item) == opening).collect();
                news.extend(self.told(opening, &items));
            }
        }
        news
    }

    /// What is said of the stations with one opening. Those of which the buttons were told first are counted with the rest only
    /// where there is no rest; those that miss one contact are told with it, before the others.
    fn told(&self, opening: Opening, all: &[&Item<'_, '_>]) -> Vec<String> {
        let is_counted = matches!(opening, Opening::Of(Reason::Opened | Reason::StillOpen));
        let others: Vec<_> = all.iter().copied().filter(|item| !is_counted || need(item) != Need::Silent).collect();
        let items = if others.is_empty() { all } else { &others };
        let more = if items.len() < all.len() { " more" } else { "" };
        let drifts: Vec<&StationDrift> = items.iter().filter_map(|item| item.subject.drift()).collect();
        let missed = match opening {
            Opening::Of(Reason::Opened | Reason::Grown) | Opening::Rewanted => most_missed(&drifts),
            Opening::Of(_) | Opening::Out | Opening::But | Opening::Changed | Opening::Begun | Opening::Unheard => None,
        };
        let misses = |item: &Item<'_, '_>, contact: &Name| {
            item.subject.drift().is_some_and(|drift| calls_another(drift, contact))
        };
        let Some((contact, count)) = missed else { return self.counted(opening, items, more).into_iter().collect() };
        let (missing, rest): (Vec<&Item<'_, '_>>, Vec<&Item<'_, '_>>) =
            items.iter().copied().partition(|item| misses(item, contact));
        let first = missing.first().map(|item| first_of(item)).unwrap_or_default();
        let which = which(missing.iter().filter_map(|item| item.subject.drift()), contact);
        let whose = whose(contact, self.contacts);
        let said = format!("{count}{more} stations call another number than {whose}{which}, first {first}.");
        [said].into_iter().chain(self.counted(opening, &rest, " more")).collect()
    }

    /// The stations with one opening by their number, or the only one.
    fn counted(&self, opening: Opening, items: &[&Item<'_, '_>], more: &str) -> Option<String> {
        let (n, weights) = (items.len(), weights(Count::of(items)));
        let first = *items.first()?;
        Some(match opening {
            _ if n == 1 => self.alone(opening, first),
            Opening::Of(Reason::Opened) => {
                format!("{n}{more} stations are not as wanted{weights}, first {}.", first_of(first))
            }
            opening => format!("{} {n}{more} stations{weights}, first {}.", opening.words(), first_of(first)),
        })
    }

    /// What is said of a station alone.
    fn alone(&self, opening: Opening, item: &Item<'_, '_>) -> String {
        let visit = || item.subject.drift().and_then(visits::sentence);
        match (opening, visit()) {
            (Opening::Unheard, Some(visit)) => format!("{}: {visit}.", named(item)),
            (Opening::Begun, Some(visit)) => format!("{}: {visit}. {}", named(item), uncertain(item)),
            (opening, _) => format!("{} {}.", opening.words(), self.one(item)),
        }
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

/// How a sentence about stations begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Opening {
    Of(Reason),
    /// Out of service and set aside.
    Out,
    /// Nothing is wrong that is not set aside.
    But,
    /// No worse than it was, though another value is wanted there.
    Rewanted,
    /// Better, though a button calls nobody all the same, or may: that is not good news.
    Changed,
    /// Someone began to key it, and nothing else is new.
    Begun,
    /// No worse but that whoever began to key it has not reported.
    Unheard,
}

impl Opening {
    fn words(self) -> &'static str {
        match self {
            Opening::Out => "Out of service and set aside:",
            Opening::But => "Right but for what is set aside:",
            Opening::Rewanted => "Another value is wanted at",
            Opening::Changed | Opening::Begun => "Changed at",
            Opening::Unheard => "No report of",
            Opening::Of(Reason::Opened) => "New drift at",
            Opening::Of(Reason::Grown) => "Worse at",
            Opening::Of(Reason::Unwatched) => "No longer managed at",
            Opening::Of(Reason::Withdrawn) => "No longer in the inventory:",
            Opening::Of(Reason::StillOpen) => "Still open at",
            Opening::Of(Reason::Eased) => "Better at",
            Opening::Of(Reason::Returned) => "In the inventory again:",
            Opening::Of(Reason::Watched) => "Managed again:",
            Opening::Of(Reason::Closed) => "Aligned again:",
        }
    }
}

fn opening_of(item: &Item<'_, '_>) -> Opening {
    let seen = item.was.zip(item.subject.seen());
    let holds = |only: fn(&Seen, &Seen) -> bool| seen.is_some_and(|(was, is)| only(was, is));
    let is_begun = || item.subject.drift().is_some_and(|drift| drift.begun.iter().any(|begun| !begun.is_silent));
    if extent(item) == Extent::Whole {
        return Opening::Out;
    }
    match item.reason {
        Reason::Closed if extent(item) == Extent::Settings => Opening::But,
        Reason::Grown | Reason::Eased if is_begun() && holds(only_in_doubt) => Opening::Begun,
        Reason::Grown if holds(only_rewanted) => Opening::Rewanted,
        Reason::Grown if holds(only_unheard) => Opening::Unheard,
        Reason::Grown if holds(only_doubted) => Opening::Changed,
        Reason::Eased if need(item) != Need::Nothing || holds(is_doubted) => Opening::Changed,
        reason => Opening::Of(reason),
    }
}

/// "Identity is uncertain until the report comes."
fn uncertain(item: &Item<'_, '_>) -> String {
    const SHOWN: usize = 3;
    let settings = item.subject.drift().map_or(&[][..], |drift| &drift.settings);
    let doubtful = settings.iter().filter(|setting| setting.drift == Drift::InDoubt);
    let titles: Vec<String> = doubtful.map(|setting| short(&setting.spoken())).collect();
    let more = match titles.len().saturating_sub(SHOWN) {
        0 => String::new(),
        more => format!(" and {more} more"),
    };
    let shown = titles.iter().take(SHOWN).map(String::as_str).collect::<Vec<_>>().join(", ");
    let are = if titles.len() == 1 { "is" } else { "are" };
    format!("{} {are} uncertain until the report comes.", capital(&(shown + &more)))
}

/// What is set aside of the station.
fn extent(item: &Item<'_, '_>) -> Extent {
    item.subject.drift().map_or(Extent::Nothing, |drift| drift.set_aside)
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

/// "EQ-01 (East quay, head of ladder 1)"; with the name by which receivers know its case, where that is another.
fn named(item: &Item<'_, '_>) -> String {
    let location = item.subject.where_it_is().map(|(_, location)| location);
    let station = clip(&item.subject.name, NAME);
    let known_as = Some(item.subject.known_as()).filter(|known_as| **known_as != item.subject.name);
    let formerly = known_as.map(|known_as| format!("formerly {}", clip(known_as, NAME)));
    let location = location.filter(|location| !location.is_empty()).map(|location| clip(location, PLACE));
    let brackets: Vec<String> = formerly.into_iter().chain(location).collect();
    if brackets.is_empty() { station } else { format!("{station} ({})", brackets.join("; ")) }
}

/// The first of many: what must be known of it though it is not alone.
fn first_of(item: &Item<'_, '_>) -> String {
    let name = named(item);
    match item.subject.losses().filter(|_| item.reason == Reason::Unwatched) {
        Some(losses) => format!("{name}: {}", lost(losses)),
        None => name,
    }
}

impl Sentence<'_, '_> {
    /// A station alone, with what is wrong there.
    fn one(&self, item: &Item<'_, '_>) -> String {
        let name = named(item);
        if item.subject.drift().is_none() {
            return name + &what_went(item);
        }
        let begun = item.subject.drift().filter(|_| item.subject.seen().is_some()).and_then(visits::sentence);
        let begun = begun.map(|begun| format!(". {begun}")).unwrap_or_default();
        let seen = item.subject.seen().and_then(|seen| self.how(item, seen));
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

    /// How a station is and what is wrong there. Of one where a button calls nobody, or may, that was said first; nothing where there
    /// is no more to say.
    fn how(&self, item: &Item<'_, '_>, seen: &Seen) -> Option<String> {
        let parts = self.parts(item, seen);
        match (need(item) != Need::Nothing, parts.is_empty()) {
            (true, true) => None,
            (true, false) => Some(parts),
            (false, true) => Some(format!("{}, {}", seen.standing, seen.weight)),
            (false, false) => Some(format!("{}, {}; {parts}", seen.standing, seen.weight)),
        }
    }

    /// "first number differs, the red button untested", without the buttons that call nobody, or may.
    fn parts(&self, item: &Item<'_, '_>, seen: &Seen) -> String {
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
        let how = |name: &Name, seen: &SeenSetting| {
            let known = drift.and_then(|drift| drift.settings.iter().find(|known| known.name == *name));
            known.map_or_else(
                || format!("{} {}", short(&spoken(name, None)), seen.drift.as_str()),
                |known| self.is_so(known),
            )
        };
        let lifelines =
            lifelines.iter().map(|(name, lifeline)| format!("{} {}", button(name), lifeline.service.as_str()));
        let settings = settings.iter().map(|(name, setting)| how(name, setting));
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

    /// "first number is not control room's", "the station refused its access code", "identity differs"
    fn is_so(&self, setting: &SettingDrift) -> String {
        let title = short(&setting.spoken());
        let is_refused = matches!((&setting.wanted, &setting.held), (Value::Secret(_), State::Unknown))
            && setting.drift == Drift::Strayed;
        match &setting.contact {
            Some(contact) if is_another_number(setting) => format!("{title} is not {}", whose(contact, self.contacts)),
            _ if is_refused => {
                let code = if title.ends_with("code") { "" } else { " code" };
                format!("the station refused its {title}{code}")
            }
            _ => format!("{title} {}", setting.drift.as_str()),
        }
    }
}

/// What was met there, and what went wrong before: the first of each.
fn went_wrong(item: &Item<'_, '_>) -> String {
    let Some(drift) = item.subject.drift().filter(|_| item.subject.now.is_some()) else { return String::new() };
    let met = drift.met.iter().take(1).map(|met| met.sentence(&drift.station));
    let setbacks = drift.setbacks.iter().take(1).map(Setback::sentence);
    met.chain(setbacks).map(|sentence| format!(". {}", sentence.trim_end_matches('.'))).collect()
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

fn short(name: &str) -> String {
    clip(name, Room(40))
}
