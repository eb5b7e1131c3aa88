//! What is set aside: each thing is a subject, known by what it is about. Every webhook is told when it begins, and when its
//! time is over or someone ended it, each once; a later word about the same thing is told as one that begins.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::alert::case::{Condition, Severity};
use crate::alert::cases::Cases;
use crate::alert::clip::{NAME, PLACE, clip};
use crate::alert::mark::MarkHasher;
use crate::alert::pass::Pass;
use crate::alert::step::Reason;
use crate::alert::subject::{Subject, Topic};
use crate::alert::terms::Subscription;
use crate::drift::Totals;
use crate::finding::{minute, plural};
use crate::ledger::{Aside, Target};
use crate::setting::Name;

/// The topic.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Asides;

/// What is remembered of something set aside: the ledger has the rest.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Facts {
    pub id: Uuid,
}

impl Topic for Asides {
    type Facts = Facts;
    type Memory = ();
    /// Where it is set aside now.
    type Sight<'p> = Option<&'p Aside>;

    const NAME: &'static str = "aside";

    fn interval(_webhook: &Subscription, _severity: Severity) -> Option<jiff::SignedDuration> {
        None
    }
}

/// What is set aside, and what was. Before the ledger was read nothing is known of it.
pub fn subjects<'p>(cases: &Cases, pass: &Pass<'p>) -> Vec<Subject<'p, Asides>> {
    let Some(decisions) = pass.decisions else { return Vec::new() };
    let now: BTreeMap<Name, &Aside> =
        decisions.asides(pass.clock).into_iter().map(|aside| (key(aside), aside)).collect();
    cases.subjects(now.keys().cloned(), |name, before| {
        let sight = now.get(&name).copied();
        Subject { name, before, now: sight.map(condition), sight }
    })
}

/// What it is about, in a short form.
fn key(aside: &Aside) -> Name {
    let kind = match aside.target {
        Target::Station(_) => "station",
        Target::Site(_) => "site",
    };
    let mut hasher = MarkHasher::new();
    hasher.text(kind).text(aside.target.name()).maybe(aside.setting.as_deref());
    hasher.mark().as_str().into()
}

fn condition(aside: &Aside) -> Condition<Facts> {
    let id = aside.said.id;
    let mut hasher = MarkHasher::new();
    hasher.text("aside").text(&id.to_string());
    Condition { severity: Severity::Info, mark: hasher.mark(), facts: Facts { id } }
}

/// How many of each are shown.
const SHOWN: usize = 3;

/// What one webhook is told of things set aside.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct AsideNews<'p> {
    begun: Vec<&'p Aside>,
    over: Vec<(&'p Aside, Over)>,
}

/// How something is no longer set aside.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Over {
    Expired,
    Ended(String),
}

impl<'p> AsideNews<'p> {
    /// From tellings; what is out of service is named first.
    pub fn of<'s, 'o: 's + 'p>(
        told: impl Iterator<Item = (Reason, &'s Subject<'o, Asides>)>,
        pass: &Pass<'p>,
    ) -> AsideNews<'p> {
        let mut news = AsideNews::default();
        for (reason, subject) in told {
            match (reason, subject.sight) {
                (Reason::Closed, _) => news.over.extend(ended(subject, pass)),
                (_, begun) => news.begun.extend(begun),
            }
        }
        let order = |aside: &'p Aside| (!aside.out_of_service, &aside.target, aside.setting.as_ref());
        news.begun.sort_by_key(|aside| order(aside));
        news.over.sort_by_key(|(aside, _)| order(aside));
        news
    }

    /// There is nothing to say.
    pub fn is_empty(&self) -> bool {
        let AsideNews { begun, over } = self;
        begun.is_empty() && over.is_empty()
    }

    /// The ids of all that is told.
    pub fn ids(&self) -> impl Iterator<Item = Uuid> {
        self.begun.iter().chain(self.over.iter().map(|(aside, _)| aside)).map(|aside| aside.said.id)
    }

    /// The keys of the cases that are over.
    pub fn ended_cases(&self) -> impl Iterator<Item = String> {
        self.over.iter().map(|(aside, _)| Cases::key::<Asides>(&key(aside)))
    }

    /// "Set aside: EQ-05 until 2026-12-01 00:00 UTC by ops-2 (awaits a part). EQ-06 is no longer set aside (until …)."
    pub fn sentence(&self) -> Option<String> {
        let begun = self.begun.first().map(|first| {
            let why = first.said.why.as_deref().map(|why| format!(" ({})", clip(why, PLACE))).unwrap_or_default();
            let who = clip(&first.said.by, NAME);
            let out = if first.out_of_service { ", out of service," } else { "" };
            format!(
                "Set aside: {}{out} until {} by {who}{why}{}.",
                named(first),
                minute(first.until),
                more(self.begun.len())
            )
        });
        let over = self.over.first().map(|(first, how)| {
            let how = match how {
                Over::Expired => format!("until {}", minute(first.until)),
                Over::Ended(by) => format!("ended by {}", clip(by, NAME)),
            };
            match self.over.len() {
                1 => format!("{} is no longer set aside ({how}).", named(first)),
                all => {
                    format!("{} ({how}) and {} are no longer set aside.", named(first), plural(all as u64 - 1, "other"))
                }
            }
        });
        let all: Vec<String> = begun.into_iter().chain(over).collect();
        (!all.is_empty()).then(|| all.join(" "))
    }

    pub fn told(&self, totals: &Totals) -> ToldAsides {
        let begun = self.begun.iter().take(SHOWN).map(|aside| ToldAside::of(aside, None));
        let over = self.over.iter().take(SHOWN).map(|(aside, how)| ToldAside::of(aside, Some(how)));
        ToldAsides {
            stations: totals.set_aside(),
            whole: totals.set_aside_whole(),
            begun: begun.collect(),
            over: over.collect(),
            left_out: self.begun.len().saturating_sub(SHOWN) + self.over.len().saturating_sub(SHOWN),
        }
    }
}

/// What was set aside, and how it ended; nothing where the ledger does not have it. Of one whose end was told before, and not
/// heard, the last word on it.
fn ended<'p>(subject: &Subject<'_, Asides>, pass: &Pass<'p>) -> Option<(&'p Aside, Over)> {
    let decisions = pass.decisions?;
    let aside = match subject.last() {
        Some(told) => decisions.aside(told.condition.facts.id)?,
        None => decisions.last_asides().into_iter().find(|aside| key(aside) == subject.name)?,
    };
    let how = decisions.ending(aside.said.id).map(|end| Over::Ended(end.said.by.to_string()));
    Some((aside, how.unwrap_or(Over::Expired)))
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
pub struct ToldAsides {
    /// Of how many stations something is set aside now, and of how many all.
    stations: usize,
    whole: usize,
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
