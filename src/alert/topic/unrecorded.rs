//! Rejected reports that say that a button does not work, or that it may not: each is a case of its own, until it is on record,
//! or the button was tested again, or someone says that it is settled. No typing mistake may leave people to a dead button.

use std::collections::BTreeSet;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::reports::{Data, KIND, OverEntry, RejectedEntry, Source};
use crate::alert::body::form::For;
use crate::alert::case::{Case, Condition, Severity};
use crate::alert::cases::Cases;
use crate::alert::clip::{NAME, PLACE, Room, clip};
use crate::alert::event::{Envelope, Message};
use crate::alert::gist::Gist;
use crate::alert::kept::{self, Text};
use crate::alert::key::key;
use crate::alert::machine::{Round, Telling};
use crate::alert::mark::MarkHasher;
use crate::alert::pass::{FailedTest, Over, Pass, RejectedReport, Says};
use crate::alert::refresh;
use crate::alert::step::Reason;
use crate::alert::subject::{Subject, Topic};
use crate::alert::terms::Subscription;
use crate::finding::{Code, Finding, minute};
use crate::inventory::Station;
use crate::keybook::Lifeline;
use crate::ledger::{Mark, Record};
use crate::setting::Name;

/// The topic.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Unrecorded;

/// What is remembered of one.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Facts {
    source: String,
    /// Its own id, as far as it could be read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// The station that it names.
    #[serde(with = "kept::maybe", default, skip_serializing_if = "Option::is_none")]
    pub station: Option<Name>,
    #[serde(with = "kept")]
    says: Says,
    #[serde(with = "kept::maybe", default, skip_serializing_if = "Option::is_none")]
    by: Option<Name>,
    #[serde(with = "kept::maybe", default, skip_serializing_if = "Option::is_none")]
    note: Option<Name>,
    /// When it was rejected.
    #[serde(with = "kept")]
    rejected_at: Timestamp,
    /// When the button was tested, or found so; never later than it was rejected.
    #[serde(with = "kept")]
    at: Timestamp,
    #[serde(with = "kept::set", default, skip_serializing_if = "BTreeSet::is_empty")]
    lifelines: BTreeSet<Name>,
    #[serde(with = "kept::set", default, skip_serializing_if = "BTreeSet::is_empty")]
    settings: BTreeSet<Name>,
    /// Whether its id was on record already, with other content.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    is_conflict: bool,
    /// How many reasons there were.
    reasons: usize,
}

/// What a pass shows of one.
pub struct Sight<'p> {
    /// The report, where it is new.
    report: Option<&'p RejectedReport>,
    /// Why it is over, where it is.
    over: Option<&'p Over>,
}

impl Topic for Unrecorded {
    type Facts = Facts;
    type Memory = ();
    type Sight<'p> = Sight<'p>;

    const NAME: &'static str = "unrecorded";

    fn takes(webhook: &Subscription, severity: Severity) -> bool {
        webhook.weights.contains(&severity.weight())
    }

    fn interval(webhook: &Subscription, severity: Severity) -> Option<jiff::SignedDuration> {
        webhook.interval(severity.weight())
    }
}

impl Text for Says {
    fn text(&self) -> String {
        self.as_str().into()
    }

    fn read(text: &str) -> Option<Says> {
        Says::ALL.into_iter().find(|known| known.as_str() == text)
    }
}

impl Facts {
    /// Of a report that says that a button does not work; nothing of another.
    pub fn of(report: &RejectedReport) -> Option<Facts> {
        let FailedTest { says, by, note, at, lifelines, settings } = report.failed.as_ref()?;
        Some(Facts {
            source: clip(&report.source, PLACE),
            id: report.id.clone(),
            station: report.station.as_deref().map(Name::from),
            says: *says,
            by: by.clone(),
            note: note.clone(),
            rejected_at: report.at,
            at: at.map_or(report.at, |at| at.min(report.at)),
            lifelines: lifelines.clone(),
            settings: settings.clone(),
            is_conflict: report.reasons.iter().any(|reason| reason.code == Code::ReportConflict),
            reasons: report.reasons.len(),
        })
    }

    /// Whether a report of its id that was recorded at this time, in milliseconds since 1970, came after it.
    pub fn is_recorded(&self, recorded_ms: i64) -> bool {
        let rejected_ms = self.rejected_at.as_millisecond();
        recorded_ms > rejected_ms || (recorded_ms == rejected_ms && !self.is_conflict)
    }

    /// Whether another report on record, not older, says how its buttons are: they were tested, or each of its settings was
    /// spoken of.
    pub fn is_answered(&self, station: &Station, record: &Record) -> bool {
        let is_since = |mark: &Mark| match mark.at == self.at {
            true => self.id.as_deref() != Some(&*mark.report.to_string()),
            false => mark.at > self.at,
        };
        let keybook = &station.keybook;
        let named = |name: &Name| keybook.lifelines.iter().any(|lifeline| lifeline.name == *name);
        let is_sure = !self.lifelines.is_empty() && self.lifelines.iter().all(named);
        let is_meant = |one: &Lifeline| match is_sure {
            true => self.lifelines.contains(&one.name),
            // Whichever it may be.
            false => one.is_required(),
        };
        let is_tested = |at: usize| {
            let last = record.lifelines.get(at).and_then(|proof| proof.last.as_ref());
            last.is_some_and(|(_, mark)| is_since(mark))
        };
        let tested: Vec<bool> =
            station.lifelines().filter(|(_, one)| is_meant(one)).map(|(at, _)| is_tested(at)).collect();
        let is_told = |name: &Name| {
            let mark = keybook.id(name).and_then(|id| record.holding(id).mark);
            mark.is_some_and(|mark| is_since(&mark))
        };
        let are_told = self.says == Says::MayBeDead && !self.settings.is_empty() && self.settings.iter().all(is_told);
        are_told || (!tested.is_empty() && tested.iter().all(|is_tested| *is_tested))
    }
}

/// Those of which a case is open, by the names of their cases.
pub fn open(cases: &Cases) -> impl Iterator<Item = (Name, Facts)> {
    cases.names::<Unrecorded>().filter_map(|name| {
        let facts = cases.before::<Unrecorded>(&name).case()?.open()?.condition.facts.clone();
        Some((name, facts))
    })
}

/// Tells of them.
pub fn tell(round: &mut Round<'_>) {
    let subjects = subjects(round.cases, round.pass);
    let mut told: Vec<BTreeSet<Name>> = vec![BTreeSet::new(); subjects.len()];
    let mut messages = Vec::new();
    for webhook in &round.terms.webhooks {
        let tellings = round.tellings(&subjects, webhook);
        for telling in &tellings {
            told[telling.at].insert(webhook.name.clone());
        }
        let mut all: Vec<Told<'_, '_>> = tellings.iter().map(|telling| Told::of(&subjects, *telling)).collect();
        all.sort_by_key(|told| (told.facts().map(|facts| facts.says), told.subject.name.clone()));
        messages.extend(to_webhook(round, webhook, &all));
    }
    again(round, &subjects, &told);
    round.say(messages);
    for (subject, told) in subjects.iter().zip(&told) {
        let due = round.keep(subject, told).due;
        round.due.extend(due);
    }
}

/// Those that are new, and those of which there are cases.
fn subjects<'p>(cases: &Cases, pass: &Pass<'p>) -> Vec<Subject<'p, Unrecorded>> {
    let news = pass.rejected;
    let find = |name: &Name| news.rejected.iter().find(|report| report.case() == *name);
    let new = news.rejected.iter().filter(|report| report.failed.is_some()).map(RejectedReport::case);
    cases.subjects(new, |name, before| {
        let (report, over) = (find(&name), news.over.get(&name));
        let open = before.case().and_then(Case::open).map(|told| told.condition.clone());
        let opens = || report.and_then(Facts::of).map(|facts| condition(&name, facts));
        let now = open.or_else(opens).filter(|_| over.is_none());
        Subject { name, before, now, sight: Sight { report, over } }
    })
}

fn condition(name: &Name, facts: Facts) -> Condition<Facts> {
    let mut hasher = MarkHasher::new();
    hasher.text("unrecorded").text(name);
    Condition { severity: Severity::Critical, mark: hasher.mark(), facts }
}

/// One of them, as a webhook is told.
#[derive(Clone, Copy)]
struct Told<'t, 'p> {
    reason: Reason,
    subject: &'t Subject<'p, Unrecorded>,
}

impl<'t, 'p> Told<'t, 'p> {
    fn of(subjects: &'t [Subject<'p, Unrecorded>], Telling { at, reason }: Telling) -> Told<'t, 'p> {
        Told { reason, subject: &subjects[at] }
    }

    fn facts(&self) -> Option<&'t Facts> {
        let now = self.subject.now.as_ref().map(|now| &now.facts);
        now.or_else(|| self.subject.last().map(|told| &told.condition.facts))
    }

    fn station(&self) -> Option<String> {
        Some(clip(self.facts()?.station.as_deref()?, NAME))
    }
}

/// The messages of one webhook: one a report where its receiver opens and closes cases by their keys, else one a pass.
fn to_webhook(round: &Round<'_>, webhook: &Subscription, all: &[Told<'_, '_>]) -> Vec<Message> {
    if refresh::takes_lists(webhook) {
        return all.chunks(refresh::MOST).map(|some| list(round, webhook, some)).collect();
    }
    let at_once = if webhook.body.of == For::Station { 1 } else { all.len().max(1) };
    all.chunks(at_once).map(|some| message(round, webhook, some)).collect()
}

fn list(round: &Round<'_>, webhook: &Subscription, some: &[Told<'_, '_>]) -> Message {
    let whole = message(round, webhook, some);
    let gists = some.iter().flat_map(|told| message(round, webhook, &[*told]).gists).collect();
    refresh::list(whole.webhook, whole.id, gists, whole.ended)
}

/// Tells receivers that close by themselves what they are not told again.
fn again(round: &mut Round<'_>, subjects: &[Subject<'_, Unrecorded>], told: &[BTreeSet<Name>]) {
    for webhook in round.terms.webhooks.iter().filter(|webhook| refresh::is_refreshed(webhook, round.pass)) {
        let is_open =
            |subject: &Subject<'_, Unrecorded>| subject.now.is_some() && subject.hearing(&webhook.name).is_some();
        let open = subjects.iter().zip(told).filter(|(one, told)| is_open(one) && !told.contains(&webhook.name));
        let told = open.map(|(subject, _)| Told { reason: Reason::StillOpen, subject });
        let gists: Vec<Gist> = told.flat_map(|told| message(round, webhook, &[told]).gists).collect();
        round.lists.entry(webhook.name.clone()).or_default().extend(gists);
    }
}

fn message(round: &Round<'_>, webhook: &Subscription, all: &[Told<'_, '_>]) -> Message {
    let mut hasher = MarkHasher::new();
    for told in all {
        hasher.text(told.reason.as_str()).text(&told.subject.name);
    }
    let id = round.chain.id(KIND.0, &webhook.name, &hasher.mark());
    let only = if let [one] = all { Some(one) } else { None };
    let station = only.and_then(Told::station);
    let about = only.map_or_else(|| "reports".to_owned(), |one| format!("report {}", one.subject.name));
    let is_over = all.iter().all(|told| told.subject.now.is_none());
    let severity = if is_over { Severity::Info } else { Severity::Critical };
    let (source, time, key) = (&round.terms.source, round.pass.clock, key(&round.terms.fleet, &about));
    let envelope = Envelope { id: &id, source, kind: KIND, subject: station.as_deref(), time, key: &key, severity };
    let (open, over): (Vec<_>, Vec<_>) = all.iter().copied().partition(|told| told.subject.now.is_some());
    let over_entries = over.iter().map(|told| told.over(&round.terms.fleet));
    let mut data = Data::of(&summary(&open, &over), open.len()).and_over(over_entries);
    open.iter().filter_map(|told| told.subject.sight.report).for_each(|report| data.count_reason(report));
    data.fill(open.iter().filter_map(|told| told.entry(&round.terms.fleet)), &envelope);
    let gist = envelope.gist(&round.terms.fleet, data.summary.clone(), is_over);
    let since = only.and_then(|one| one.subject.opened_at()).unwrap_or(time);
    let gist = match station.as_deref() {
        Some(station) => gist.of(since, station, None),
        None => Gist { since, ..gist },
    };
    let ended = over.iter().map(|told| Cases::key::<Unrecorded>(&told.subject.name)).collect();
    Message { webhook: webhook.name.clone(), body: envelope.seal(&data), id: id.clone(), ended, gists: vec![gist] }
}

impl<'p> Told<'_, 'p> {
    fn key(&self, fleet: &str) -> String {
        key(fleet, &format!("report {}", self.subject.name))
    }

    fn source(&self) -> Source {
        let facts = self.facts();
        Source::new(
            facts.map_or("", |facts| &facts.source),
            facts.and_then(|facts| facts.id.as_deref()),
            facts.and_then(|facts| facts.station.as_deref()),
        )
    }

    /// The entry of one that is open, and the reasons that it may show.
    fn entry(&self, fleet: &str) -> Option<(RejectedEntry, Vec<&'p Finding>)> {
        let entry = RejectedEntry::bare(self.source(), self.facts()?.reasons);
        let reasons = self.subject.sight.report.map(|report| report.reasons.iter().collect());
        Some((entry.of_case(self.key(fleet), settle(&self.subject.name)), reasons.unwrap_or_default()))
    }

    fn over(&self, fleet: &str) -> OverEntry {
        OverEntry {
            source: self.source(),
            key: self.key(fleet),
            why: self.subject.sight.over.map_or("settled", Over::as_str),
        }
    }
}

/// The command by which someone says that nothing more will come of a report.
fn settle(name: &str) -> String {
    format!("stationkeep report --settle {name} --by NAME --why TEXT")
}

/// A note is no longer than this in a summary.
const NOTE: Room = Room(160);

/// So many of them are told in full, the others by their stations, of which no more are named than this.
const IN_FULL: usize = 3;
const NAMED: usize = 20;

fn summary(open: &[Told<'_, '_>], over: &[Told<'_, '_>]) -> String {
    let why = open.first().filter(|_| open.len() == 1).and_then(why);
    let parts = [open_sentences(open), why, over_sentences(over)];
    parts.into_iter().flatten().collect::<Vec<_>>().join(" ")
}

/// Buttons that do not work by reports that do not count: that is said first, the surest before all.
fn open_sentences(open: &[Told<'_, '_>]) -> Option<String> {
    let (first, rest) = open.split_at(open.len().min(IN_FULL));
    let mut said: Vec<String> = first.iter().filter_map(open_sentence).collect();
    if !rest.is_empty() {
        said.push(format!("The same of {}.", named(rest)));
    }
    let at = if open.len() > 1 { " at each" } else { "" };
    (!said.is_empty()).then(|| format!("{} Keep a stand-in{at} until a test call reaches help.", said.join(" ")))
}

/// "EQ-01, EQ-02 and 3 more"
fn named(all: &[Told<'_, '_>]) -> String {
    let mut names: Vec<String> = all.iter().map(who).collect();
    names.dedup();
    let more = names.len().saturating_sub(NAMED);
    names.truncate(NAMED);
    names.join(", ") + &if more > 0 { format!(" and {more} more") } else { String::new() }
}

fn who(told: &Told<'_, '_>) -> String {
    told.station().unwrap_or_else(|| "A station".into())
}

fn open_sentence(told: &Told<'_, '_>) -> Option<String> {
    let Facts { says, by, note, .. } = told.facts()?;
    let by = by.as_ref().map(|by| format!("by {}", clip(by, NAME)));
    let said: Vec<String> = by.into_iter().chain(note.as_ref().map(|note| clip(note, NOTE))).collect();
    let said = if said.is_empty() { String::new() } else { format!(" ({})", said.join(": ")) };
    let not_recorded = if told.reason == Reason::StillOpen { "is still not recorded" } else { "was not recorded" };
    Some(format!("{}: a report {} {not_recorded}{said}.", who(told), says.clause()))
}

/// Why the only one was rejected, and what to do.
fn why(told: &Told<'_, '_>) -> Option<String> {
    let facts = told.facts()?;
    let reason = told.subject.sight.report.and_then(|report| report.reasons.first());
    let reason = reason.map(|reason| format!("It was rejected ({}): {}", facts.source, reason.message));
    let reason =
        reason.unwrap_or_else(|| format!("It was rejected on {} ({}).", minute(facts.rejected_at), facts.source));
    Some(format!("{reason} Send it again, corrected. If there is no need to, run \"{}\".", settle(&told.subject.name)))
}

fn over_sentences(over: &[Told<'_, '_>]) -> Option<String> {
    let (first, rest) = over.split_at(over.len().min(IN_FULL));
    let mut said: Vec<String> = first.iter().map(over_sentence).collect();
    if !rest.is_empty() {
        said.push(format!("No longer open either: {}.", named(rest)));
    }
    (!said.is_empty()).then(|| said.join(" "))
}

fn over_sentence(told: &Told<'_, '_>) -> String {
    let (who, source) = (who(told), told.facts().map_or("", |facts| &facts.source));
    match told.subject.sight.over {
        Some(Over::Recorded) => format!("{who}: the report that was rejected before ({source}) is on record now."),
        Some(Over::Answered) => format!(
            "{who}: a later report says how the button is, so the one that was rejected ({source}) is no longer needed."
        ),
        Some(Over::Settled { by }) => {
            format!("{who}: {} says that the report that was rejected ({source}) is settled.", clip(by, NAME))
        }
        None => format!("{who}: the report that was rejected ({source}) is no longer open."),
    }
}

/// What a decision ends that says that one is settled; nothing where that is no name of a case.
pub fn ended_by(case: &str) -> Option<Uuid> {
    let digits = u64::from_str_radix(case, 16).ok().filter(|_| case.len() == 16)?;
    Some(Uuid::from_u64_pair(digits, 0))
}
