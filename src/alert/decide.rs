//! The decision of one pass: every topic in turn. Stations, a held change and what is set aside are one message a webhook;
//! every other topic has messages of its own.

use std::cell::LazyCell;
use std::collections::BTreeSet;

use super::body::form::For;
use super::cases::{Cases, Decided, Noted, Pending, Progress, Writes};
use super::event::Message;
use super::gist::Gist;
use super::machine::{Round, Telling};
use super::mark::Chain;
use super::message::{Content, Scope, Writer};
use super::pass::Pass;
use super::step::Reason;
use super::subject::Subject;
use super::terms::{AlertTerms, Subscription};
use super::topic::asides::{self, AsideNews, Asides};
use super::topic::change::{self, HeldChange, Hold};
use super::topic::station::{self, Item, Station, StationSubject};
use super::topic::{files, pages, refused, reports, trouble, unrecorded};
use super::{refresh, singly};
use crate::setting::Name;

/// What a pass decided; to be written in one transaction, and only then taken over by [`Cases::apply`].
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// Cases that are otherwise from now on.
    pub writes: Writes,
    /// In the order in which they are to be delivered.
    pub messages: Vec<Message>,
    /// Whether more than the set share of the fleet had bad news.
    pub many: bool,
    /// For [`Cases::apply`].
    pub noted: Noted,
}

impl Verdict {
    /// Nothing to say and nothing to write.
    pub fn is_empty(&self) -> bool {
        let Verdict { writes, messages, many: _, noted: _ } = self;
        writes.is_empty() && messages.is_empty()
    }
}

/// Decides what to tell. The same input gives the same verdict; once it is applied, nothing is left to say.
pub fn decide(cases: &Cases, pass: &Pass<'_>, terms: &AlertTerms) -> Verdict {
    let mut carried = cases.carried::<Station>(pass.stations);
    let missed = refused::missed(cases, pass);
    if carried.is_empty() && missed.is_empty() {
        return decide_on(cases, pass, terms);
    }
    let cases = if missed.is_empty() { cases.clone() } else { cases.with_missed(&missed) };
    let verdict = decide_on(&cases.with(&carried), pass, terms);
    carried.extend(missed);
    carried.extend(verdict.writes);
    Verdict { writes: carried, ..verdict }
}

fn decide_on(cases: &Cases, pass: &Pass<'_>, terms: &AlertTerms) -> Verdict {
    let mut round = Round::new(cases, pass, terms);
    round.announce(&files::subjects(cases, pass));
    round.announce(&trouble::subjects(cases, pass.stopped));
    round.announce(&trouble::subjects(cases, pass.silent));
    round.announce(&refused::subjects(cases, pass));
    round.announce(&pages::subjects(cases, pass.pages));
    let drifting = if pass.stations.is_empty() { Drifting::default() } else { drifting(&mut round) };
    unrecorded::tell(&mut round);
    reports::tell(&mut round);
    refused::note(&mut round);
    let again = refresh::messages(std::mem::take(&mut round.lists), pass);
    round.messages.extend(again);
    let Round { chain, messages, mut writes, due, .. } = round;
    if !(writes.is_empty() && messages.is_empty() && pass.cause.reports.is_empty()) {
        let progress = Progress { chain: chain.to_string(), ledger_seq: pass.ledger_seq };
        writes.extend((progress != cases.progress()).then(|| Cases::progressed(progress)));
    }
    let Drifting { many, decided, pending } = drifting;
    let noted = Noted { stations: decided, pending, due, terms: terms.clone(), clock: pass.clock };
    let messages = messages.into_iter().map(|message| message.rehearsed(terms.rehearsal)).collect();
    Verdict { writes, messages, many, noted }
}

/// What a decision on stations leaves.
struct Drifting {
    many: bool,
    decided: Decided,
    pending: Vec<(Name, Pending)>,
}

impl Default for Drifting {
    fn default() -> Drifting {
        Drifting { many: false, decided: Decided::Nothing, pending: Vec::new() }
    }
}

/// The subjects of one pass that share a message.
struct Subjects<'p> {
    stations: Vec<StationSubject<'p>>,
    held: [Subject<'p, HeldChange>; 1],
    asides: Vec<Subject<'p, Asides>>,
}

/// What one webhook is told of them.
struct ToTell<'a> {
    webhook: &'a Subscription,
    stations: Vec<Telling>,
    held: Vec<Telling>,
    asides: Vec<Telling>,
}

/// Tells of stations, of a held change, and of what is set aside.
fn drifting(round: &mut Round<'_>) -> Drifting {
    let Round { cases, pass, terms, .. } = *round;
    let has_lists = terms.webhooks.iter().any(|webhook| refresh::is_refreshed(webhook, pass));
    let look = match has_lists {
        true => cases.to_look_at_all::<Station>(pass),
        false => cases.to_look_at::<Station>(pass, terms),
    };
    let subjects = Subjects {
        stations: station::subjects(&look, cases, pass, terms),
        held: [change::subject(cases, pass)],
        asides: asides::subjects(cases, pass),
    };
    let many = is_many(&subjects.stations, pass, terms);
    let to_tell = |webhook| ToTell {
        webhook,
        stations: round.tellings(&subjects.stations, webhook),
        held: round.tellings(&subjects.held, webhook),
        asides: round.tellings(&subjects.asides, webhook),
    };
    let to_tell: Vec<ToTell<'_>> = terms.webhooks.iter().map(to_tell).collect();
    let messages = messages(&subjects, &to_tell, round, many);
    let messaged = messages.iter().map(|message| message.webhook.clone()).collect();
    round.say(messages);
    refresh_stations(&subjects, &to_tell, round, many);
    let told = by_subject(subjects.stations.len(), &to_tell, |one| &one.stations);
    let stations = subjects.stations.iter().zip(&told);
    let pending = stations.map(|(subject, told)| (subject.name.clone(), round.keep(subject, told))).collect();
    // What is held is in every message.
    let due = round.keep(&subjects.held[0], &messaged).due;
    round.due.extend(due);
    let told = by_subject(subjects.asides.len(), &to_tell, |one| &one.asides);
    for (subject, told) in subjects.asides.iter().zip(&told) {
        round.keep(subject, told);
    }
    Drifting { many, decided: look.decided, pending }
}

/// What webhooks that take lists are told again of stations and a held change.
fn refresh_stations(subjects: &Subjects<'_>, to_tell: &[ToTell<'_>], round: &mut Round<'_>, many: bool) {
    let hold = Hold::new(&subjects.held[0], round.pass);
    for told in to_tell.iter().filter(|told| refresh::is_refreshed(told.webhook, round.pass)) {
        let writer = Writer::new(hold, round.terms, many);
        let name = &told.webhook.name;
        let told_now: BTreeSet<usize> = told.stations.iter().map(|telling| telling.at).collect();
        let is_open = |subject: &StationSubject<'_>| subject.now.is_some() && subject.hearing(name).is_some();
        let open = subjects.stations.iter().enumerate().filter(|(at, one)| !told_now.contains(at) && is_open(one));
        let gist = |subject| writer.gist(Item::new(Reason::StillOpen, subject, None));
        let mut again: Vec<Gist> = open.map(|(_, subject)| gist(subject)).collect();
        if told.held.is_empty() && subjects.held[0].now.is_some() && subjects.held[0].hearing(name).is_some() {
            let content = Content { hold: Some(hold.news(Reason::StillOpen)), ..Content::default() };
            again.extend(writer.message(told.webhook, content, &Scope::Pass, &round.chain).gists);
        }
        round.lists.entry(name.clone()).or_default().extend(again);
    }
}

/// The messages for each webhook that there is something to tell.
fn messages(subjects: &Subjects<'_>, to_tell: &[ToTell<'_>], round: &mut Round<'_>, many: bool) -> Vec<Message> {
    let hold = Hold::new(&subjects.held[0], round.pass);
    // It counts the whole fleet, so only where there is something to say.
    let writer = LazyCell::new(|| Writer::new(hold, round.terms, many));
    let content_of = |told: &ToTell<'_>| {
        let item = |telling: &Telling| {
            let subject = &subjects.stations[telling.at];
            Item::new(telling.reason, subject, subject.was(telling.reason, told.webhook))
        };
        let asides = told.asides.iter().map(|telling| (telling.reason, &subjects.asides[telling.at]));
        Content {
            items: told.stations.iter().map(item).collect(),
            hold: told.held.first().map(|telling| hold.news(telling.reason)),
            asides: AsideNews::of(asides, round.pass),
        }
    };
    let mut messages = Vec::new();
    let mut writes = Vec::new();
    for told in to_tell {
        let (webhook, chain) = (told.webhook, &round.chain);
        let content = content_of(told);
        if content.is_empty() {
            continue;
        }
        if refresh::takes_lists(webhook) {
            messages.extend(lists(&writer, webhook, content, chain));
        } else if webhook.body.of == For::Station {
            let grouped = round.cases.grouped(&webhook.name);
            let (alone, after) = singly::messages(&writer, webhook, content, chain, grouped);
            messages.extend(alone);
            writes.push(Cases::keep_grouped(&webhook.name, after));
        } else {
            messages.push(writer.message(webhook, content, &Scope::Pass, chain));
        }
    }
    drop(writer);
    round.writes.extend(writes);
    messages
}

/// What there is to tell as lists: a station an alert.
fn lists(writer: &Writer<'_>, webhook: &Subscription, content: Content<'_, '_>, chain: &Chain) -> Vec<Message> {
    let Content { mut items, hold, asides } = content;
    writer.sort(&mut items);
    let mut messages = Vec::new();
    if hold.is_some() || !asides.is_empty() {
        messages.push(writer.message(webhook, Content { items: Vec::new(), hold, asides }, &Scope::Pass, chain));
    }
    for some in items.chunks(refresh::MOST) {
        let content = Content { items: some.to_vec(), ..Content::default() };
        let whole = writer.message(webhook, content, &Scope::Pass, chain);
        let gists = some.iter().map(|item| writer.gist(*item)).collect();
        messages.push(refresh::list(whole.webhook, whole.id, gists, whole.ended));
    }
    messages
}

/// Who is told of each of so many subjects.
fn by_subject<'a>(
    count: usize,
    to_tell: &'a [ToTell<'_>],
    of: impl Fn(&'a ToTell<'_>) -> &'a Vec<Telling>,
) -> Vec<BTreeSet<Name>> {
    let mut told = vec![BTreeSet::new(); count];
    for one in to_tell {
        for telling in of(one) {
            told[telling.at].insert(one.webhook.name.clone());
        }
    }
    told
}

/// So few stations are not many, however small the fleet.
const FEWEST: usize = 3;

fn is_many(stations: &[StationSubject<'_>], pass: &Pass<'_>, terms: &AlertTerms) -> bool {
    // Counts of stations are exact in an f64.
    let count = stations.iter().filter(|subject| subject.is_bad_news()).count();
    count >= FEWEST && count as f64 > terms.many_share * pass.stations.len() as f64
}
