//! A change under the brake, as it is told: when it begins to be held, when it becomes another one, while it lasts, when it is
//! released or over. It has a memory of its own, since it is told also where no station has news. It never judges a change.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::Serialize;

use super::Subscription;
use super::clip::{NAME, PLACE, clip};
use super::decide::interval;
use super::mark::Inking;
use super::told::fresh;
use crate::brake::Change;
use crate::ledger::{Digest, Release};
use crate::setting::{Name, Weight};

/// What was told of held changes.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct HoldTold {
    /// The change that is held, or was last.
    pub change: Option<HeldSince>,
    /// What each webhook last heard, and when; none where it heard that nothing is held.
    pub(super) heard: BTreeMap<Name, HeardHold>,
}

/// Since when a change is held.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HeldSince {
    pub change: Digest,
    /// When it was first told.
    pub at: Timestamp,
    /// The last entry of the ledger then: a release of before has not ended it.
    pub seq: i64,
}

/// What one webhook last heard of a held change.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct HeardHold {
    pub change: Digest,
    pub at: Timestamp,
}

/// What is held now beside what was told.
#[derive(Debug, Clone, Copy)]
pub struct Hold<'a> {
    pub now: Option<&'a Change>,
    pub told: &'a HoldTold,
    /// The last release of the change that was told, with the number of its entry in the ledger.
    pub release: Option<(i64, &'a Release)>,
    /// The last entry of the ledger that is known.
    pub seq: i64,
}

/// What there is to tell one webhook.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum News<'a> {
    Held,
    /// Another change than it heard of.
    Changed,
    /// A reminder is due.
    StillHeld,
    Released(&'a Release),
    /// Taken back, keyed and reported, or too little of it is left.
    Over,
}

impl News<'_> {
    fn as_str(self) -> &'static str {
        match self {
            News::Held => "held",
            News::Changed => "changed",
            News::StillHeld => "still-held",
            News::Released(_) => "released",
            News::Over => "over",
        }
    }
}

/// The same in a message.
#[derive(Debug, Serialize)]
pub(super) struct ToldNews {
    news: &'static str,
    change: Option<String>,
    /// Since when that very change is, or was, held.
    since: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    released_by: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<String>,
}

impl HoldTold {
    /// When the next reminder falls due; `None` where none will.
    pub fn next_reminder(&self, webhooks: &[Subscription]) -> Option<Timestamp> {
        let due = webhooks.iter().filter_map(|webhook| {
            let heard = self.heard.get(&webhook.name)?;
            heard.at.checked_add(interval(webhook, Weight::Lifeline)?).ok()
        });
        due.min()
    }
}

impl<'a> Hold<'a> {
    /// What there is to tell a webhook.
    pub(super) fn news(&self, webhook: &Subscription, clock: Timestamp) -> Option<News<'a>> {
        let heard = self.told.heard.get(&webhook.name);
        match (self.now, heard) {
            (None, None) => None,
            (Some(_), None) => Some(News::Held),
            (Some(now), Some(heard)) if heard.change != now.digest => Some(News::Changed),
            (Some(_), Some(heard)) => {
                // A telling far in the future is a clock set back since: it must not silence the reminders.
                let due = interval(webhook, Weight::Lifeline)?;
                (clock.duration_since(heard.at).abs() >= due).then_some(News::StillHeld)
            }
            (None, Some(_)) => Some(self.release().map_or(News::Over, News::Released)),
        }
    }

    /// The release that ended what was told: one of before it was held has not.
    fn release(&self) -> Option<&'a Release> {
        let last = self.told.change.as_ref()?;
        let (_, release) = self.release.filter(|(seq, release)| release.change == last.change && *seq > last.seq)?;
        Some(release)
    }

    /// What is told from now on, where these webhooks get a message in this pass, of all that are there.
    pub(super) fn after(&self, messaged: &[&Subscription], all: &[Subscription], clock: Timestamp) -> HoldTold {
        let mut told = self.told.clone();
        told.heard.retain(|name, heard| all.iter().any(|webhook| webhook.name == *name) || fresh(heard.at, clock));
        if let Some(now) = self.now {
            let same = told.change.filter(|last| last.change == now.digest);
            told.change = same.or(Some(HeldSince { change: now.digest.clone(), at: clock, seq: self.seq }));
        }
        for webhook in messaged {
            match self.now {
                Some(now) => {
                    let heard = HeardHold { change: now.digest.clone(), at: clock };
                    told.heard.insert(webhook.name.clone(), heard);
                }
                None => {
                    told.heard.remove(&webhook.name);
                }
            }
        }
        if told.heard.is_empty() && self.now.is_none() { HoldTold::default() } else { told }
    }

    /// What ties the id of a message to its news.
    pub(super) fn ink(&self, news: Option<News<'_>>, ink: &mut Inking) {
        let Some(news) = news else { return };
        let change = self.now.map(|held| &held.digest).or(self.told.change.as_ref().map(|last| &last.change));
        ink.text("hold").text(news.as_str()).maybe(change.map(Digest::to_string).as_deref());
    }

    /// The news in a message.
    pub(super) fn told_news(&self, news: News<'_>, clock: Timestamp) -> ToldNews {
        let last = self.told.change.as_ref();
        let change = self.now.map(|held| &held.digest).or(last.map(|last| &last.change));
        let since = last.filter(|last| change == Some(&last.change)).map(|last| last.at);
        let release = match news {
            News::Released(release) => Some(release),
            News::Held | News::Changed | News::StillHeld | News::Over => None,
        };
        ToldNews {
            news: news.as_str(),
            change: change.map(Digest::to_string),
            since: since.or(self.now.map(|_| clock)).map(|at| at.to_string()),
            released_by: release.map(|release| clip(&release.said.by, NAME)),
            why: release.and_then(|release| release.said.why.as_deref()).map(|why| clip(why, PLACE)),
        }
    }

    /// For the first sentences of a message; what is held is in every one.
    pub(super) fn sentence(&self, news: Option<News<'_>>) -> Option<String> {
        let held = |opening: &str| {
            let held = self.now?;
            Some(format!("{opening} {} To release it: {}.", held.sentence(), held.release()))
        };
        match news {
            None | Some(News::Held) => held("Scripts are held:"),
            Some(News::Changed) => held("What is held has changed:"),
            Some(News::StillHeld) => held("Scripts are still held:"),
            Some(News::Released(release)) => {
                let why = release.said.why.as_deref().map(|why| format!(" ({})", clip(why, PLACE))).unwrap_or_default();
                let by = clip(&release.said.by, NAME);
                Some(format!("What was held is released by {by}{why}: its scripts can be keyed."))
            }
            Some(News::Over) => Some("Nothing is held now: it was taken back, or keyed and reported.".into()),
        }
    }
}
