//! One station of a message. Every text in it is bounded, so that one station cannot crowd out all others.

use std::cmp::Reverse;

use serde::Serialize;

use super::buttons::{STAND_IN, meaning, silent, unsure};
use super::clip::{NAME, PLACE, SENTENCE, VALUE, clip};
use super::key::key;
use super::pass::{Next, Pass};
use super::topic::scope::{Losses, Lost, Part};
use super::topic::seen::{Seen, SeenLifeline, SeenSetting};
use super::topic::station::Item;
use super::visits::{self, ToldVisit};
use super::work::{NextStep, card_link, way_back_of};
use crate::drift::{LifelineService, Service, Setback, SettingDrift, Standing, StationDrift};
use crate::inventory::Extent;
use crate::setting::Weight;

/// A station as a message shows it.
#[derive(Debug, Clone, Serialize)]
pub struct StationEntry {
    station: String,
    /// The same from the first message of its case to the last.
    key: String,
    /// `null` for a withdrawn station of which nothing is kept.
    site: Option<String>,
    r#where: Option<String>,
    /// `null` for a withdrawn one, and instead of `aligned` where that would say nothing: of a station out of service, or
    /// with parts that are no longer looked at.
    standing: Option<&'static str>,
    /// Of what drifts; of a withdrawn one, of what is lost. `null` where nothing is.
    weight: Option<&'static str>,
    /// What it means for a person pressing the button; `null` where nothing is wrong.
    severity: Option<&'static str>,
    /// The file of the inventory that a withdrawn one stood in.
    #[serde(skip_serializing_if = "Option::is_none")]
    file: Option<String>,
    settings: Vec<EntrySetting>,
    #[serde(skip_serializing_if = "is_zero")]
    settings_left_out: usize,
    lifelines: Vec<EntryLifeline>,
    #[serde(skip_serializing_if = "is_zero")]
    lifelines_left_out: usize,
    /// What to do first, where a button calls nobody.
    #[serde(skip_serializing_if = "Option::is_none")]
    stand_in: Option<&'static str>,
    /// What went wrong before with what is wanted.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    setbacks: Vec<String>,
    /// Who began to key a script and has not reported.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    begun: Vec<ToldVisit>,
    #[serde(skip_serializing_if = "is_zero")]
    begun_left_out: usize,
    /// What is no longer looked at.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    unwatched: Vec<EntryLost>,
    #[serde(skip_serializing_if = "is_zero")]
    unwatched_left_out: usize,
    /// What to do about it, where there is something.
    #[serde(skip_serializing_if = "Option::is_none")]
    next: Option<NextStep>,
    /// The link to its card, where it is to be keyed. It is no secret: whoever opens it is asked who they are.
    #[serde(skip_serializing_if = "Option::is_none")]
    card: Option<String>,
    /// When the case was opened.
    since: Option<String>,
    /// How much of it is set aside: `settings` or `whole`.
    #[serde(skip_serializing_if = "Option::is_none")]
    set_aside: Option<&'static str>,
    /// Who is on it, and until when.
    #[serde(skip_serializing_if = "Option::is_none")]
    taken_by: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    taken_until: Option<String>,
    /// Something that was fixed, and confirmed so, is wrong again.
    #[serde(skip_serializing_if = "is_false")]
    did_not_stick: bool,
    /// What the receiver knew of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    was: Option<Was>,
}

#[derive(Debug, Clone, Serialize)]
struct EntrySetting {
    setting: String,
    drift: &'static str,
    weight: &'static str,
    wanted: String,
    confirmed: String,
    wanted_at: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    contact: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    fix_confirmed_at: Option<String>,
}

#[derive(Debug, Clone, Serialize)]
struct EntryLifeline {
    lifeline: String,
    title: String,
    service: &'static str,
    /// What it means for a person pressing the button, where it calls nobody.
    #[serde(skip_serializing_if = "Option::is_none")]
    meaning: Option<String>,
    /// When the test call was made that says so, or since when it is dead.
    #[serde(skip_serializing_if = "Option::is_none")]
    at: Option<String>,
    /// Who made the test call that failed.
    #[serde(skip_serializing_if = "Option::is_none")]
    by: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    fix_confirmed_at: Option<String>,
}

/// A part that is no longer looked at.
#[derive(Debug, Clone, Serialize)]
struct EntryLost {
    #[serde(skip_serializing_if = "Option::is_none")]
    setting: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    lifeline: Option<String>,
    weight: &'static str,
    /// How it was wrong when it was last looked at, where that is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    was: Option<&'static str>,
    /// The line that takes it out of management, where one does.
    #[serde(skip_serializing_if = "Option::is_none")]
    at: Option<String>,
}

#[derive(Debug, Clone, Serialize)]
struct Was {
    standing: &'static str,
    weight: &'static str,
    settings: Vec<String>,
    #[serde(skip_serializing_if = "is_zero")]
    settings_left_out: usize,
}

const SETTINGS: usize = 8;
const LIFELINES: usize = 4;
const LOST: usize = 4;
const SETBACKS: usize = 2;

fn is_zero(n: &usize) -> bool {
    *n == 0
}

fn is_false(b: &bool) -> bool {
    !*b
}

impl StationEntry {
    /// With its settings and lifelines, the heaviest first.
    pub fn full(
        item: &Item<'_, '_>,
        next: Option<Next>,
        (address, fleet): (Option<&str>, &str),
        pass: &Pass<'_>,
    ) -> StationEntry {
        let subject = item.subject;
        let mut entry = StationEntry::bare(item, fleet);
        let since = match subject.now {
            Some(_) => Some(subject.opened_at().unwrap_or(pass.clock)),
            None => subject.last().map(|told| told.opened_at),
        };
        entry.since = since.map(|since| since.to_string());
        entry.was = item.was.map(Was::of);
        entry.lose(item, pass);
        if let Some((drift, seen)) = subject.drift().zip(subject.seen()) {
            entry.fill(drift, seen);
            let owed = drift.lifelines.iter().filter(|lifeline| lifeline.service.asks_for_test());
            let owed: Vec<&str> = owed.map(|lifeline| &*lifeline.title).collect();
            entry.card = next.as_ref().and_then(|next| card_link(address, &subject.name, next, pass.work));
            // Of a fallback that failed, too: what it is answered by is a repair.
            let is_asked = matches!(next, Some(Next::Repair | Next::Held { to_repair: true, .. }))
                || entry.stand_in.is_some() && !silent(drift).is_empty();
            let way_back = is_asked.then(|| way_back_of(drift, pass.work)).flatten();
            entry.next = next.map(|next| NextStep::of(next, &subject.name, &owed, way_back));
        }
        entry
    }

    fn bare(item: &Item<'_, '_>, fleet: &str) -> StationEntry {
        let subject = item.subject;
        let place = subject.where_it_is();
        let drift = subject.drift();
        // Of what is set aside, or not managed whole, nothing says that it is aligned.
        let is_so = |drift: &StationDrift| drift.set_aside == Extent::Nothing && subject.losses().is_none();
        let standing = drift.filter(|drift| subject.now.is_some() || is_so(drift)).map(|drift| drift.standing);
        let weight = if drift.is_some() { subject.seen().map(|seen| seen.weight) } else { item.weight };
        let file = subject.known().filter(|_| drift.is_none()).map(|known| &known.file);
        let taken = drift.and_then(|drift| drift.taken.as_ref());
        StationEntry {
            station: clip(&subject.name, NAME),
            key: key(fleet, subject.known_as()),
            site: place.map(|(site, _)| clip(site, NAME)),
            r#where: place.map(|(_, location)| clip(location, PLACE)),
            standing: standing.map(Standing::as_str),
            weight: weight.map(Weight::as_str),
            severity: subject.now.as_ref().map(|now| now.severity.as_str()),
            file: file.map(|file| clip(file, PLACE)),
            settings: Vec::new(),
            settings_left_out: 0,
            lifelines: Vec::new(),
            lifelines_left_out: 0,
            stand_in: None,
            setbacks: Vec::new(),
            begun: Vec::new(),
            begun_left_out: 0,
            unwatched: Vec::new(),
            unwatched_left_out: 0,
            next: None,
            card: None,
            since: None,
            set_aside: drift.and_then(|drift| drift.set_aside.as_str()),
            taken_by: taken.map(|taken| clip(&taken.by, NAME)),
            taken_until: taken.map(|taken| taken.until.to_string()),
            did_not_stick: false,
            was: None,
        }
    }

    fn fill(&mut self, drift: &StationDrift, seen: &Seen) {
        let found = drift.settings.iter().filter_map(|s| Some((s, seen.settings.get(&s.name)?)));
        let mut settings: Vec<(&SettingDrift, &SeenSetting)> = found.collect();
        settings.sort_by_key(|(setting, _)| (Reverse(setting.weight), setting.drift, setting.name.clone()));
        self.settings_left_out = settings.len().saturating_sub(SETTINGS);
        self.settings = settings.into_iter().take(SETTINGS).map(|(s, seen)| EntrySetting::of(s, seen)).collect();
        let mut lifelines: Vec<_> = seen.lifelines.iter().collect();
        lifelines.sort_by_key(|(_, lifeline)| lifeline.service);
        self.lifelines_left_out = lifelines.len().saturating_sub(LIFELINES);
        let shown = lifelines.into_iter().take(LIFELINES).filter_map(|(name, lifeline)| {
            let service = drift.lifelines.iter().find(|service| service.name == *name)?;
            Some(EntryLifeline::of(service, lifeline))
        });
        self.lifelines = shown.collect();
        let was_silent = seen.lifelines.values().any(|lifeline| lifeline.was_silent);
        let is_in_need = was_silent || !silent(drift).is_empty() || !unsure(drift).is_empty();
        self.stand_in = is_in_need.then_some(STAND_IN);
        let met = drift.met.iter().map(|met| met.sentence(&drift.station));
        let all = met.chain(drift.setbacks.iter().map(Setback::sentence)).take(SETBACKS);
        self.setbacks = all.map(|sentence| clip(&sentence, SENTENCE)).collect();
        (self.begun, self.begun_left_out) = visits::told(drift);
        self.did_not_stick = seen.did_not_stick().is_some();
    }

    fn lose(&mut self, item: &Item<'_, '_>, pass: &Pass<'_>) {
        let lost = item.subject.losses().map(Losses::sorted).unwrap_or_default();
        self.unwatched_left_out = lost.len().saturating_sub(LOST);
        self.unwatched = lost.into_iter().take(LOST).map(|(part, lost)| EntryLost::of(part, lost)).collect();
        self.next = NextStep::without_drift(item.subject, item.subject.heir(pass.stations));
    }

    /// Without settings and lifelines, which it counts as left out.
    pub fn brief(self) -> StationEntry {
        StationEntry {
            settings_left_out: self.settings_left_out + self.settings.len(),
            settings: Vec::new(),
            lifelines_left_out: self.lifelines_left_out + self.lifelines.len(),
            lifelines: Vec::new(),
            unwatched_left_out: self.unwatched_left_out + self.unwatched.len(),
            unwatched: Vec::new(),
            begun_left_out: self.begun_left_out + self.begun.len(),
            begun: Vec::new(),
            setbacks: Vec::new(),
            was: self.was.map(Was::brief),
            ..self
        }
    }
}

impl EntrySetting {
    fn of(setting: &SettingDrift, seen: &SeenSetting) -> EntrySetting {
        EntrySetting {
            setting: clip(&setting.name, NAME),
            drift: setting.drift.as_str(),
            weight: setting.weight.as_str(),
            wanted: clip(&seen.wanted.text, VALUE),
            confirmed: clip(&seen.held.text, VALUE),
            wanted_at: clip(&setting.wanted_at.to_string(), PLACE),
            contact: setting.contact.as_ref().map(|contact| clip(contact, NAME)),
            fix_confirmed_at: seen.fixed_at.map(|at| at.to_string()),
        }
    }
}

impl EntryLifeline {
    fn of(service: &LifelineService, seen: &SeenLifeline) -> EntryLifeline {
        let told = service.service.calls_nobody();
        let is_said = told || service.service == Service::Untested && service.because.is_some();
        EntryLifeline {
            lifeline: clip(&service.name, NAME),
            title: clip(&service.title, NAME),
            service: service.service.as_str(),
            meaning: is_said.then(|| clip(&meaning(service), SENTENCE)),
            at: service.mark.filter(|_| told).map(|mark| mark.at.to_string()),
            by: service.by.as_ref().map(|by| clip(by, NAME)),
            fix_confirmed_at: seen.fixed_at.map(|at| at.to_string()),
        }
    }
}

impl EntryLost {
    fn of(part: &Part, lost: &Lost) -> EntryLost {
        let name = Some(clip(part.name(), NAME));
        let (setting, lifeline) = match part {
            Part::Setting(_) => (name, None),
            Part::Lifeline(_) => (None, name),
        };
        let at = lost.at.as_ref().map(|at| clip(&at.to_string(), PLACE));
        EntryLost { setting, lifeline, weight: lost.weight.as_str(), was: lost.was, at }
    }
}

impl Was {
    fn of(seen: &Seen) -> Was {
        let mut names: Vec<_> = seen.settings.iter().collect();
        names.sort_by_key(|(_, setting)| (Reverse(setting.weight), setting.drift));
        Was {
            standing: seen.standing.as_str(),
            weight: seen.weight.as_str(),
            settings_left_out: names.len().saturating_sub(SETTINGS),
            settings: names.into_iter().take(SETTINGS).map(|(name, _)| clip(name, NAME)).collect(),
        }
    }

    fn brief(self) -> Was {
        Was { settings_left_out: self.settings_left_out + self.settings.len(), settings: Vec::new(), ..self }
    }
}
