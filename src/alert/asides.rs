//! What was set aside since the last telling, and of what the time is over: told to every webhook, once.

use std::collections::BTreeSet;

use jiff::Timestamp;
use serde::Serialize;
use uuid::Uuid;

use super::clip::{NAME, PLACE, clip};
use crate::finding::plural;
use crate::ledger::{Aside, Decisions, Target};

/// How many of each are shown.
const SHOWN: usize = 3;

/// What is new about things set aside.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct AsideNews {
    /// The ids of everything set aside now: what was told from now on.
    pub now: BTreeSet<Uuid>,
    begun: Vec<Aside>,
    over: Vec<(Aside, Over)>,
}

/// How something is no longer set aside.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Over {
    Expired,
    Ended(String),
}

impl AsideNews {
    /// Compares what was told with what is so. What a later word about the same thing replaced is no news of its own.
    pub fn between(told: &BTreeSet<Uuid>, decisions: &Decisions, clock: Timestamp) -> AsideNews {
        let asides = decisions.asides(clock);
        let over = told
            .iter()
            .filter_map(|id| decisions.aside(*id))
            .filter(|was| !asides.iter().any(|aside| aside.target == was.target && aside.setting == was.setting));
        let over = over.map(|was| {
            let how = decisions.ending(was.said.id).map(|end| Over::Ended(end.said.by.to_string()));
            (was.clone(), how.unwrap_or(Over::Expired))
        });
        let new = asides.iter().filter(|aside| !told.contains(&aside.said.id)).map(|aside| (*aside).clone());
        let (mut begun, mut over): (Vec<Aside>, Vec<(Aside, Over)>) = (new.collect(), over.collect());
        // What is out of service is named first.
        begun.sort_by_key(|aside| !aside.out_of_service);
        over.sort_by_key(|(aside, _)| !aside.out_of_service);
        AsideNews { begun, over, now: asides.iter().map(|aside| aside.said.id).collect() }
    }

    pub(super) fn is_empty(&self) -> bool {
        let AsideNews { now: _, begun, over } = self;
        begun.is_empty() && over.is_empty()
    }

    /// The ids of all that is told.
    pub(super) fn ids(&self) -> impl Iterator<Item = Uuid> {
        self.begun.iter().chain(self.over.iter().map(|(aside, _)| aside)).map(|aside| aside.said.id)
    }

    /// "Set aside: EQ-05 until 2026-12-01T00:00:00Z by ops-2 (awaits a part). No longer set aside: …"
    pub(super) fn sentence(&self) -> Option<String> {
        let begun = self.begun.first().map(|first| {
            let why = first.said.why.as_deref().map(|why| format!(" ({})", clip(why, PLACE))).unwrap_or_default();
            let who = clip(&first.said.by, NAME);
            let out = if first.out_of_service { ", out of service," } else { "" };
            format!(
                "Set aside: {}{out} until {:.0} by {who}{why}{}.",
                named(first),
                first.until,
                more(self.begun.len())
            )
        });
        let over = self.over.first().map(|(first, how)| {
            let how = match how {
                Over::Expired => "its time is over".to_owned(),
                Over::Ended(by) => format!("ended by {}", clip(by, NAME)),
            };
            format!("No longer set aside: {} ({how}){}.", named(first), more(self.over.len()))
        });
        let all: Vec<String> = begun.into_iter().chain(over).collect();
        (!all.is_empty()).then(|| all.join(" "))
    }

    pub(super) fn told(&self) -> ToldAsides {
        let begun = self.begun.iter().take(SHOWN).map(|aside| ToldAside::of(aside, None));
        let over = self.over.iter().take(SHOWN).map(|(aside, how)| ToldAside::of(aside, Some(how)));
        ToldAsides {
            begun: begun.collect(),
            over: over.collect(),
            left_out: self.begun.len().saturating_sub(SHOWN) + self.over.len().saturating_sub(SHOWN),
        }
    }
}

/// "gate.seconds at EQ-05"
fn named(aside: &Aside) -> String {
    let setting = aside.setting.as_ref().map(|setting| format!("{} at ", clip(setting, NAME))).unwrap_or_default();
    let kind = match aside.target {
        Target::Station(_) => "",
        Target::Site(_) => "site ",
    };
    format!("{setting}{kind}{}", clip(aside.target.name(), NAME))
}

fn more(count: usize) -> String {
    match count {
        0 | 1 => String::new(),
        count => format!(", and {}", plural(count as u64 - 1, "other")),
    }
}

/// What a message says of it.
#[derive(Debug, Clone, Default, Serialize)]
pub(super) struct ToldAsides {
    begun: Vec<ToldAside>,
    over: Vec<ToldAside>,
    left_out: usize,
}

#[derive(Debug, Clone, Serialize)]
struct ToldAside {
    #[serde(skip_serializing_if = "Option::is_none")]
    station: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    site: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    setting: Option<String>,
    until: String,
    out_of_service: bool,
    by: String,
    why: Option<String>,
    /// Where it is over: `expired`, or who ended it.
    #[serde(skip_serializing_if = "Option::is_none")]
    over: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    ended_by: Option<String>,
}

impl ToldAside {
    fn of(aside: &Aside, over: Option<&Over>) -> ToldAside {
        let name = Some(clip(aside.target.name(), NAME));
        let (station, site) = match aside.target {
            Target::Station(_) => (name, None),
            Target::Site(_) => (None, name),
        };
        let (over, ended_by) = match over {
            None => (None, None),
            Some(Over::Expired) => (Some("expired"), None),
            Some(Over::Ended(by)) => (Some("ended"), Some(clip(by, NAME))),
        };
        ToldAside {
            station,
            site,
            setting: aside.setting.as_ref().map(|setting| clip(setting, NAME)),
            until: aside.until.to_string(),
            out_of_service: aside.out_of_service,
            by: clip(&aside.said.by, NAME),
            why: aside.said.why.as_deref().map(|why| clip(why, PLACE)),
            over,
            ended_by,
        }
    }
}
