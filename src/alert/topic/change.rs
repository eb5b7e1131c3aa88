//! A change under the brake: told when it begins to be held, when it becomes another one, while it lasts, when it is released
//! or over; also where no station has news. While it is held it is in every message. Nothing here judges a change.

use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

use crate::alert::case::{Before, Condition, Severity, Told};
use crate::alert::cases::Cases;
use crate::alert::clip::{NAME, PLACE, SENTENCE, clip};
use crate::alert::kept;
use crate::alert::mark::MarkHasher;
use crate::alert::pass::Pass;
use crate::alert::step::Reason;
use crate::alert::subject::{Subject, Topic};
use crate::alert::terms::Subscription;
use crate::alert::whom::{most_missed, whose};
use crate::brake::{self, Held, Tally};
use crate::finding::plural;
use crate::ledger::{Digest, Release};
use crate::setting::Name;

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
    /// How many stations it altered when it was last seen.
    pub altered: usize,
    /// How many scripts waited for it then.
    #[serde(default)]
    pub scripts: usize,
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
    let before = cases.before::<HeldChange>(HELD);
    let now = pass.brake.held.map(|held| condition(held, &before, pass.ledger_seq));
    Subject { name: HELD.into(), before, now, sight: () }
}

/// There is one subject.
const HELD: &str = "held";

fn condition(held: &Held, before: &Before<Facts, ()>, seq: i64) -> Condition<Facts> {
    let mut hasher = MarkHasher::new();
    let brake::Change { digest, tally, .. } = &*held.change;
    hasher.text("change").text(&digest.to_string());
    let told = before.case().and_then(|case| case.told.as_ref()).map(|told| &told.condition.facts);
    let seq = told.filter(|told| told.change == *digest).map_or(seq, |told| told.seq);
    let facts = Facts { change: digest.clone(), seq, altered: tally.altered, scripts: held.scripts };
    Condition { severity: Severity::Error, mark: hasher.mark(), facts }
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
    /// It is over without a release of it.
    Over(Ended<'a>),
}

/// How a hold ended that nobody released.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ended<'a> {
    /// Something else is wanted now; with its release, where it was released before.
    Edited(Option<&'a Release>),
    /// As many as before are not too many any more: the limit is another, or more stations are on record.
    Within,
    /// Reports came, and fewer stations are altered.
    Reported,
    /// Fewer are altered by what no report and no edit did: scripts that were handed out are out of date.
    Fewer,
}

impl Ended<'_> {
    fn as_str(self) -> &'static str {
        match self {
            Ended::Edited(_) => "edited",
            Ended::Within => "within-limit",
            Ended::Reported => "reported",
            Ended::Fewer => "fewer",
        }
    }
}

/// With a small letter.
fn lower(text: &str) -> String {
    let mut signs = text.chars();
    signs.next().map(|first| first.to_lowercase().chain(signs).collect()).unwrap_or_default()
}

impl ChangeNews<'_> {
    fn as_str(self) -> &'static str {
        match self {
            ChangeNews::Held => "held",
            ChangeNews::Changed => "changed",
            ChangeNews::StillHeld => "still-held",
            ChangeNews::Released(_) => "released",
            ChangeNews::Over(_) => "over",
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
    /// How it is over, where nobody released it.
    #[serde(skip_serializing_if = "Option::is_none")]
    ended: Option<&'static str>,
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
            Reason::Closed => self.release().map_or_else(|| ChangeNews::Over(self.ended()), ChangeNews::Released),
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

    /// The release that ended it: one of before it was held has not, nor one of what is wanted no longer.
    fn release(&self) -> Option<&'a Release> {
        let last = self.last().filter(|last| (self.pass.brake.wanted)() == last.change)?;
        let (seq, release) = self.pass.decisions?.release(&last.change)?;
        Some(release).filter(|_| seq > last.seq)
    }

    /// How it ended, by what is so now.
    fn ended(&self) -> Ended<'a> {
        let (brake, Some(last)) = (self.pass.brake, self.last()) else { return Ended::Fewer };
        let wanted = (brake.wanted)();
        if wanted != last.change {
            let earlier = self.pass.decisions.and_then(|decisions| decisions.release(&wanted));
            return Ended::Edited(earlier.map(|(_, release)| release));
        }
        match brake.limit.passed_by(last.altered, brake.tally.on_record) {
            None => Ended::Within,
            Some(_) if self.pass.cause.reports.is_empty() => Ended::Fewer,
            Some(_) => Ended::Reported,
        }
    }

    fn change(&self) -> Option<&'a Digest> {
        let held = self.pass.brake.held.map(|held| &held.change.digest);
        held.or(self.last().map(|last| &last.change))
    }

    /// The key of its case, where nothing is held now.
    pub fn ended_case(&self) -> Option<String> {
        self.pass.brake.held.is_none().then(|| Cases::key::<HeldChange>(HELD))
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
        let since: Option<Timestamp> =
            last.map(|told| told.changed_at).or(self.pass.brake.held.map(|_| self.pass.clock));
        let (release, ended) = match news {
            ChangeNews::Released(release) => (Some(release), None),
            ChangeNews::Over(ended) => (None, Some(ended.as_str())),
            ChangeNews::Held | ChangeNews::Changed | ChangeNews::StillHeld => (None, None),
        };
        ToldNews {
            news: news.as_str(),
            change: change.map(Digest::to_string),
            since: since.map(|at| at.to_string()),
            ended,
            released_by: release.map(|release| clip(&release.said.by, NAME)),
            why: release.and_then(|release| release.said.why.as_deref()).map(|why| clip(why, PLACE)),
        }
    }

    fn over(&self, ended: Ended<'_>) -> String {
        let Tally { altered, on_record, handed_out: _ } = self.pass.brake.tally;
        let left = match altered {
            0 => "no station would change any longer".to_owned(),
            n => format!("{n} of the {} on record would change", plural(on_record as u64, "station")),
        };
        let why = match ended {
            Ended::Edited(None) => format!("what is wanted was edited, and {left}"),
            Ended::Edited(Some(release)) => {
                format!("what is wanted was edited, {left}, and {} released it before", clip(&release.said.by, NAME))
            }
            Ended::Within => format!("{left}, and the limit is {}", clip(&self.pass.brake.limit.text(), SENTENCE)),
            Ended::Reported => format!("stations were reported on, and {left}"),
            Ended::Fewer => left,
        };
        format!("Nothing is held now: {why}.")
    }

    /// "All 24 stations call another number than the control room's. "
    fn whom(&self, held: &Held) -> Option<String> {
        let pass = self.pass;
        let drift = |name: &Name| {
            let at = pass.stations.binary_search_by(|drift| drift.station.cmp(name)).ok()?;
            pass.stations.get(at)
        };
        let stations: Vec<_> = held.change.stations.iter().filter_map(drift).collect();
        let stations: Vec<_> = stations.iter().map(|drift| &***drift).collect();
        let (contact, count) = most_missed(&stations)?;
        let how_many = match stations.len() {
            all if all == count => format!("All {all} stations"),
            _ => format!("{count} of these stations"),
        };
        Some(format!("{how_many} call another number than {}. ", whose(contact, pass.contacts)))
    }

    /// For the first sentences of a message; what is held is in every one.
    pub fn sentence(&self, news: Option<ChangeNews<'_>>) -> Option<String> {
        let held = |opening: &str, are: &str| {
            let held = self.pass.brake.held?;
            let (list, release) = (held.change.list(), held.change.release());
            let said = match (held.scripts, held.is_first_seen()) {
                (0, true) => format!("Many lifelines are not as wanted. {}", held.sentence()),
                (0, false) => format!("Many lifelines would change at once. {}", held.sentence()),
                (_, true) => format!("{opening}Scripts {are} held. {}", held.sentence()),
                (scripts, false) => {
                    let (scripts, why) = (plural(scripts as u64, "script"), held.why());
                    let are = if held.scripts == 1 { are.replace("are", "is") } else { are.to_owned() };
                    let mistake = "If it is a mistake, take the edit back.";
                    let whom = self.whom(held).unwrap_or_default();
                    format!("{opening}{scripts} {are} held, because {}. {whom}{mistake}", lower(&why))
                }
            };
            Some(format!("{said} To list {}: {list}. To release it: {release}.", held.what()))
        };
        match news {
            None | Some(ChangeNews::Held) => held("", "are"),
            Some(ChangeNews::Changed) => held("What is held has changed: ", "are"),
            Some(ChangeNews::StillHeld) => held("", "are still"),
            Some(ChangeNews::Released(release)) => {
                let why = release.said.why.as_deref().map(|why| format!(" ({})", clip(why, PLACE))).unwrap_or_default();
                let by = clip(&release.said.by, NAME);
                let scripts = plural(self.last().map_or(0, |last| last.scripts) as u64, "script");
                Some(format!(
                    "What was held is released by {by}{why}: {scripts} can be keyed. \"stationkeep script --all\" lists them."
                ))
            }
            Some(ChangeNews::Over(ended)) => Some(self.over(ended)),
        }
    }
}
