//! What to do next about the stations of a message: what to key and what that takes, what to test.

use serde::Serialize;

use super::buttons::same_unit;
use super::clip::{NAME, Room, clip, length};
use super::pass::{Next, Work};
use super::step::Reason;
use super::topic::station::{Item, StationSubject};
use crate::drift::StationDrift;
use crate::finding::plural;
use crate::script::{self, card};
use crate::setting::Name;

/// What all stations of a message need, exactly.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct ToDo {
    pub to_key: u64,
    pub calls: u64,
    /// With opening and closing.
    pub presses: u64,
    /// Of calls, from the first ring to hanging up.
    pub minutes: u64,
    pub to_test: u64,
    /// Stations with a button whose last test call failed, where keying changes nothing of it or waits for a release.
    pub to_repair: u64,
    /// Stations with a button that calls nobody by what nobody manages, or by what is set aside.
    pub to_decide: u64,
    pub without_script: u64,
    /// Scripts that wait for the release of a change.
    pub held: u64,
    /// Stations that someone is keying.
    pub to_await: u64,
    /// Stations that are gone from the inventory.
    pub to_put_back: u64,
    /// Stations with something that is no longer looked at.
    pub to_watch: u64,
    /// The command that lists them and writes the cards.
    pub work_list: &'static str,
    /// Where the cards are: the link to the only one, or what each listed station says.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cards: Option<String>,
}

/// A link to a card is no longer than this, in bytes: one that would be is left out, since half a link leads nowhere.
const LONGEST_LINK: usize = 400;

/// Where the card of a script is, if the station is to be keyed and browsers reach this program at an address.
pub fn card_link(address: Option<&str>, station: &Name, next: &Next, work: Work<'_>) -> Option<String> {
    match next {
        Next::Key(_) => {
            let link = card::link(address?, &(work.digest)(station)?, station);
            Some(link).filter(|link| link.len() <= LONGEST_LINK)
        }
        Next::Test | Next::Repair | Next::Decide(_) | Next::NoScript | Next::Held { .. } | Next::Await(_) => None,
    }
}

/// The command for the way back of a station, where there is one and nobody is keying it.
pub fn way_back_of(drift: &StationDrift, work: Work<'_>) -> Option<String> {
    let (station, is_keyed) = (&drift.station, drift.begun.iter().any(|begun| !begun.is_silent));
    (!is_keyed && (work.has_way_back)(station)).then(|| format!("stationkeep script {} --back", clip(station, NAME)))
}

/// What one station needs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct NextStep {
    /// What to do, in words.
    pub r#do: String,
    /// The command for it, where there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub command: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub calls: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub presses: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub minutes: Option<u64>,
    /// The command that leads back to what last worked, where a button calls nobody and there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub way_back: Option<String>,
}

/// What the station of each item needs next, where it drifts.
pub fn next(items: &[Item<'_, '_>], work: Work<'_>) -> Vec<Option<Next>> {
    let drifts = |item: &Item<'_, '_>| item.subject.now.is_some();
    let drifting: Vec<&Name> = items.iter().filter(|item| drifts(item)).map(|item| &item.subject.name).collect();
    let mut needs = (work.next)(&drifting).into_iter();
    items.iter().map(|item| if drifts(item) { needs.next() } else { None }).collect()
}

impl ToDo {
    /// With what the inventory needs.
    pub fn and_of(self, items: &[Item<'_, '_>]) -> ToDo {
        let count = |reason| items.iter().filter(|item| item.reason == reason).count() as u64;
        ToDo { to_put_back: count(Reason::Withdrawn), to_watch: count(Reason::Unwatched), ..self }
    }

    /// Of stations with what each needs.
    pub fn of<'n>(all: impl Iterator<Item = (&'n Name, &'n Next)>, address: Option<&str>, work: Work<'_>) -> ToDo {
        let mut todo = ToDo { work_list: "stationkeep script --all", ..ToDo::default() };
        let mut keying = script::Work::default();
        let mut to_key = None;
        for (station, next) in all {
            match next {
                Next::Key(one) => {
                    keying = keying + *one;
                    to_key = Some((station, next));
                }
                Next::Test => todo.to_test += 1,
                Next::Repair => todo.to_repair += 1,
                Next::NoScript => todo.without_script += 1,
                Next::Decide(_) => todo.to_decide += 1,
                Next::Held { release: _, to_repair } => {
                    todo.held += 1;
                    todo.to_repair += u64::from(*to_repair);
                }
                Next::Await(_) => todo.to_await += 1,
            }
        }
        todo.cards = match to_key {
            Some((station, next)) if keying.stations == 1 => card_link(address, station, next, work),
            Some(_) => address.map(|_| "the link at \"card\" of each station listed".to_owned()),
            None => None,
        };
        ToDo {
            to_key: keying.stations,
            calls: keying.calls,
            presses: keying.presses,
            minutes: keying.minutes(),
            ..todo
        }
    }

    /// "To do: key 12 stations (14 calls, 310 keys, about 9 min), test 3."; nothing where nothing is to do. A link for
    /// which there is no room is left out: it stands beside the station, too.
    pub fn sentence(&self, room: Room) -> Option<String> {
        let mut parts = Vec::new();
        if self.to_key > 0 {
            let (calls, keys) = (plural(self.calls, "call"), plural(self.presses, "key"));
            let stations = plural(self.to_key, "station");
            parts.push(format!("key {stations} ({calls}, {keys}, about {} min)", self.minutes));
        }
        if self.to_repair > 0 {
            parts.push(format!("find the fault at {}", plural(self.to_repair, "station")));
        }
        if self.to_decide > 0 {
            let stations = plural(self.to_decide, "station");
            parts.push(format!(
                "say in the inventory what makes the button work, or end what is set aside ({stations})"
            ));
        }
        if self.to_test > 0 {
            parts.push(format!("test {}", plural(self.to_test, "station")));
        }
        if self.to_await > 0 {
            parts.push(format!("wait for {} under way", plural(self.to_await, "report")));
        }
        if self.without_script > 0 {
            parts.push(format!("see why {} cannot be keyed", plural(self.without_script, "station")));
        }
        if self.held > 0 {
            parts.push(format!("release the change that holds {}, or take it back", plural(self.held, "script")));
        }
        if self.to_put_back > 0 {
            let (them, units, their) = if self.to_put_back == 1 {
                ("it back into the inventory".to_owned(), "the unit", "its")
            } else {
                (format!("{} back into the inventory", plural(self.to_put_back, "station")), "the units", "their")
            };
            parts.push(format!("put {them}, or take {units} down and say so to whoever answers {their} calls"));
        }
        if self.to_watch > 0 {
            let stations = plural(self.to_watch, "station");
            parts.push(format!("say in the inventory what is wanted of what is no longer managed ({stations})"));
        }
        // Nothing may follow a link but a space, or a reader's program takes it for a part of it.
        let cards = match (&self.cards, self.to_key) {
            (None, _) => String::new(),
            (Some(link), 1) => format!(" Card: {link}"),
            (Some(_), _) => " Each station to key that is listed has the link to its card.".into(),
        };
        let text = format!("To do: {}.", parts.join(", "));
        let whole = format!("{text}{cards}");
        (!parts.is_empty()).then(|| if length(&whole) <= room.0 { whole } else { text })
    }
}

impl NextStep {
    /// What is to do about a station that does not drift: where it is gone, or not managed whole.
    /// `heir`: the station that has its number now.
    pub fn without_drift(subject: &StationSubject<'_>, heir: Option<&Name>) -> Option<NextStep> {
        let what = if subject.drift().is_none() {
            let heir = heir.map(|heir| same_unit(heir, &subject.name) + " If not, ").unwrap_or_default();
            format!(
                "{heir}put it back into the inventory, or take the unit down and say so to whoever answers its calls"
            )
        } else {
            let lost = subject.losses()?.sorted();
            let names: Vec<&str> = lost.iter().map(|(part, _)| &**part.name()).collect();
            format!("say in the inventory what is wanted for {}", clip(&names.join(" and "), NAME))
        };
        Some(NextStep::plain(what))
    }

    fn plain(what: String) -> NextStep {
        NextStep { r#do: what, command: None, calls: None, presses: None, minutes: None, way_back: None }
    }

    fn by(what: &str, command: String) -> NextStep {
        NextStep { command: Some(command), ..NextStep::plain(what.into()) }
    }

    fn test(owed: &[&str]) -> NextStep {
        NextStep::plain(format!("make a test call of {}", clip(&owed.join(" and of "), NAME)))
    }

    /// Where a test call failed and nothing is to be keyed.
    fn repair(station: &str, owed: &[&str], way_back: Option<String>) -> NextStep {
        let then = clip(&owed.join(" and of "), NAME);
        match way_back {
            Some(way_back) => NextStep::by(
                &format!("find and fix the fault, or go back to what last worked. Then make a test call of {then}"),
                way_back,
            ),
            None => NextStep::by(
                &format!(
                    "check the line and the unit. If both are sound, reset or replace the unit: its card says how. Then make a \
                     test call of {then}"
                ),
                format!("stationkeep script {station}"),
            ),
        }
    }

    /// What is to do about one that drifts; `owed`: the buttons to be tested; `way_back`: the command for it, where a button
    /// calls nobody and there is one.
    pub fn of(next: Next, station: &Name, owed: &[&str], way_back: Option<String>) -> NextStep {
        let step = NextStep::plainly(next, station, owed, way_back.clone());
        NextStep { way_back, ..step }
    }

    fn plainly(next: Next, station: &Name, owed: &[&str], way_back: Option<String>) -> NextStep {
        let name = clip(station, NAME);
        match next {
            Next::Key(work) => NextStep {
                r#do: "key its script".into(),
                command: Some(format!("stationkeep script {name}")),
                calls: Some(work.calls),
                presses: Some(work.presses),
                minutes: Some(work.minutes()),
                way_back: None,
            },
            Next::Test if owed.is_empty() => {
                NextStep::by("key the overdue settings again", format!("stationkeep script {name} --renew"))
            }
            Next::Test => NextStep::test(owed),
            Next::Repair => NextStep::repair(&name, owed, way_back),
            Next::Decide(undecided) => match undecided.command(&name) {
                Some(command) => NextStep::by(&undecided.what(), command),
                None => NextStep::plain(undecided.what()),
            },
            Next::Held { release: _, to_repair: true } if !owed.is_empty() => NextStep::repair(&name, owed, way_back),
            Next::Held { release, to_repair: _ } => {
                NextStep::by("release the change that holds its script, or take it back", release)
            }
            Next::Await(by) => NextStep::plain(format!("wait for the report of {}", clip(&by, NAME))),
            Next::NoScript => NextStep::by("see why there is no script", format!("stationkeep script {name}")),
        }
    }
}
