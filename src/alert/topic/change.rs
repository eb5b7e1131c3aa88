//! A change under the brake: told when it begins to be held, when it becomes another one, while it lasts, when it is released
//! or over; also where no station has news. While it is held it is in every message. Nothing here judges a change.

use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

use crate::alert::case::{Before, Condition, Severity, Told};
use crate::alert::cases::Cases;
use crate::alert::clip::{NAME, PLACE, clip};
use crate::alert::kept;
use crate::alert::mark::MarkHasher;
use crate::alert::pass::Pass;
use crate::alert::step::Reason;
use crate::alert::subject::{Subject, Topic};
use crate::alert::terms::Subscription;
use crate::brake;
use crate::ledger::{Digest, Release};

/// The topic.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HeldChange;

/// What is remembered of a held change.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Facts {
    #[serde(with = "kept")]
    pub change: Digest,
    /// The last entry of the ledger when it was first told: a release of before has not ended it.
    pub seq: i64,
}

impl Topic for HeldChange {
    type Facts = Facts;
    type Memory = ();
    type Sight<'p> = ();

    const NAME: &'static str = "change";

    fn interval(webhook: &Subscription, severity: Severity) -> Option<SignedDuration> {
        webhook.interval(severity.weight())
    }
}

/// The change that is held, or was.
pub fn subject<'p>(cases: &Cases, pass: &Pass<'p>) -> Subject<'p, HeldChange> {
    let name = "held";
    let before = cases.before::<HeldChange>(name);
    let now = pass.held.map(|held| condition(held, &before, pass.ledger_seq));
    Subject { name: name.into(), before, now, sight: () }
}

fn condition(held: &brake::Change, before: &Before<Facts, ()>, seq: i64) -> Condition<Facts> {
    let mut hasher = MarkHasher::new();
    hasher.text("change").text(&held.digest.to_string());
    let told = before.case().and_then(|case| case.told.as_ref()).map(|told| &told.condition.facts);
    let seq = told.filter(|told| told.change == held.digest).map_or(seq, |told| told.seq);
    Condition { severity: Severity::Error, mark: hasher.mark(), facts: Facts { change: held.digest.clone(), seq } }
}

/// What there is to tell one webhook.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ChangeNews<'a> {
    Held,
    /// Another change than it heard of.
    Changed,
    /// A reminder is due.
    StillHeld,
    Released(&'a Release),
    /// Taken back, keyed and reported, or too little of it is left.
    Over,
}

impl ChangeNews<'_> {
    fn as_str(self) -> &'static str {
        match self {
            ChangeNews::Held => "held",
            ChangeNews::Changed => "changed",
            ChangeNews::StillHeld => "still-held",
            ChangeNews::Released(_) => "released",
            ChangeNews::Over => "over",
        }
    }
}

/// The same in a message.
#[derive(Debug, Serialize)]
pub struct ToldNews {
    news: &'static str,
    change: Option<String>,
    /// Since when that very change is, or was, held.
    since: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    released_by: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<String>,
}

/// What is held now beside what was told.
#[derive(Clone, Copy)]
pub struct Hold<'a> {
    /// What was told last.
    told: Option<&'a Told<Facts>>,
    pub pass: &'a Pass<'a>,
}

impl<'a> Hold<'a> {
    /// Of this subject in this pass.
    pub fn new(subject: &'a Subject<'_, HeldChange>, pass: &'a Pass<'a>) -> Hold<'a> {
        Hold { told: subject.last(), pass }
    }

    /// What a telling says.
    pub fn news(&self, reason: Reason) -> ChangeNews<'a> {
        match reason {
            Reason::Opened => ChangeNews::Held,
            Reason::StillOpen => ChangeNews::StillHeld,
            Reason::Closed => self.release().map_or(ChangeNews::Over, ChangeNews::Released),
            // The table has none of the others for what has no fine points.
            Reason::Grown
            | Reason::Eased
            | Reason::Unwatched
            | Reason::Withdrawn
            | Reason::Returned
            | Reason::Watched => ChangeNews::Changed,
        }
    }

    /// The change that was told last.
    fn last(&self) -> Option<&'a Facts> {
        Some(&self.told?.condition.facts)
    }

    /// The release that ended it: one of before it was held has not.
    fn release(&self) -> Option<&'a Release> {
        let last = self.last()?;
        let (seq, release) = self.pass.decisions?.release(&last.change)?;
        Some(release).filter(|_| seq > last.seq)
    }

    fn change(&self) -> Option<&'a Digest> {
        let held = self.pass.held.map(|held| &held.digest);
        held.or(self.last().map(|last| &last.change))
    }

    /// What ties the id of a message to its news.
    pub fn hash(&self, news: Option<ChangeNews<'_>>, hasher: &mut MarkHasher) {
        let Some(news) = news else { return };
        hasher.text("hold").text(news.as_str()).maybe(self.change().map(Digest::to_string).as_deref());
    }

    /// The news in a message.
    pub fn told_news(&self, news: ChangeNews<'_>) -> ToldNews {
        let change = self.change();
        let last = self.told.filter(|told| change == Some(&told.condition.facts.change));
        let since: Option<Timestamp> = last.map(|told| told.changed_at).or(self.pass.held.map(|_| self.pass.clock));
        let release = match news {
            ChangeNews::Released(release) => Some(release),
            ChangeNews::Held | ChangeNews::Changed | ChangeNews::StillHeld | ChangeNews::Over => None,
        };
        ToldNews {
            news: news.as_str(),
            change: change.map(Digest::to_string),
            since: since.map(|at| at.to_string()),
            released_by: release.map(|release| clip(&release.said.by, NAME)),
            why: release.and_then(|release| release.said.why.as_deref()).map(|why| clip(why, PLACE)),
        }
    }

    /// For the first sentences of a message; what is held is in every one.
    pub fn sentence(&self, news: Option<ChangeNews<'_>>) -> Option<String> {
        let held = |opening: &str| {
            let held = self.pass.held?;
            Some(format!("{opening} {} To release it: {}.", held.sentence(), held.release()))
        };
        match news {
            None | Some(ChangeNews::Held) => held("Scripts are held:"),
            Some(ChangeNews::Changed) => held("What is held has changed:"),
            Some(ChangeNews::StillHeld) => held("Scripts are still held:"),
            Some(ChangeNews::Released(release)) => {
                let why = release.said.why.as_deref().map(|why| format!(" ({})", clip(why, PLACE))).unwrap_or_default();
                let by = clip(&release.said.by, NAME);
                Some(format!("What was held is released by {by}{why}: its scripts can be keyed."))
            }
            Some(ChangeNews::Over) => Some("Nothing is held now: it was taken back, or keyed and reported.".into()),
        }
    }
}
