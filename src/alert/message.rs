//! The message of one pass to one webhook: its lists by reason, exact counts, and as many stations as fit, the heaviest
//! first.

use std::cmp::Reverse;
use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;
use serde::Serialize;

use super::buttons::{Buttons, Need, gone, need, silent};
use super::case::Severity;
use super::cases::Cases;
use super::cause::ToldCause;
use super::clip::{NAME, PLACE, clip};
use super::count::Count;
use super::entry::StationEntry;
use super::event::{Envelope, EventKind, LONGEST_BODY, Message};
use super::gist::Gist;
use super::handed_out::CallBack;
use super::json::json;
use super::key::key;
use super::mark::{Chain, Mark, MarkHasher};
use super::pass::{Next, Pass};
use super::step::Reason;
use super::summary;
use super::terms::{AlertTerms, Subscription};
use super::topic::asides::{AsideNews, ToldAsides};
use super::topic::change::{ChangeNews, Hold, ToldNews};
use super::topic::station::{Item, Station};
use super::work::{ToDo, next, way_back_of};
use crate::brake::{Held, Numbers};
use crate::drift::{Standing, StationDrift, Totals};
use crate::inventory::Commit;
use crate::setting::{Name, Weight};

const DRIFT: EventKind = EventKind("stationkeep.drift.v1");

/// Where a button calls nobody first, then where one may call nobody; then the heaviest, then by reason, standing, site, name.
fn rank<'i>(item: &'i Item<'_, '_>) -> (Need, Reverse<Option<Weight>>, Reason, Standing, Option<&'i Name>, &'i Name) {
    (need(item), Reverse(item.weight), item.reason, item.standing(), item.site(), &item.subject.name)
}

#[derive(Debug, Serialize)]
struct SiteCount {
    site: String,
    stations: usize,
}

/// The `data` of an event. Every list says in `left_out` how many of it are not shown.
#[derive(Debug, Serialize)]
struct Data {
    summary: String,
    /// Buttons of its stations that call nobody.
    buttons: Buttons,
    /// More bad news than the set share of the fleet.
    many: bool,
    counts: BTreeMap<&'static str, Count>,
    cause: ToldCause,
    /// What all stations of this message need.
    to_do: ToDo,
    /// The commit that says what is wanted.
    #[serde(skip_serializing_if = "Option::is_none")]
    commit: Option<serde_json::Value>,
    /// The change that waits for its release.
    #[serde(skip_serializing_if = "Option::is_none")]
    held: Option<ToldHeld>,
    /// What is new about it.
    #[serde(skip_serializing_if = "Option::is_none")]
    hold: Option<ToldNews>,
    /// Scripts that were handed out and lead to what is wanted no longer.
    #[serde(skip_serializing_if = "Option::is_none")]
    call_back: Option<CallBack>,
    /// How much is set aside, as `drift --format json` has it; what was since the last telling, and what is so no longer.
    set_aside: ToldAsides,
    /// Where the stations of this message are, the most first.
    sites: Vec<SiteCount>,
    sites_left_out: usize,
    /// The whole fleet by standing, as `drift --format json` has it.
    totals: serde_json::Value,
    /// The whole fleet by weight; aligned stations are in `stations` only.
    weights: Count,
    /// How many of its stations are on record.
    on_record: usize,
    opened: Vec<StationEntry>,
    grown: Vec<StationEntry>,
    unwatched: Vec<StationEntry>,
    withdrawn: Vec<StationEntry>,
    still_open: Vec<StationEntry>,
    eased: Vec<StationEntry>,
    returned: Vec<StationEntry>,
    watched: Vec<StationEntry>,
    closed: Vec<StationEntry>,
    left_out: BTreeMap<&'static str, usize>,
    /// The command that shows all of it.
    rest: &'static str,
}

/// A change under the brake, as told.
#[derive(Debug, Serialize)]
struct ToldHeld {
    change: String,
    /// How many stations it alters, how many scripts wait, how many of the stations it alters only by scripts that were
    /// handed out before, and how many stations are on record.
    altered: usize,
    held: usize,
    handed_out: usize,
    on_record: usize,
    /// What is passed, and where it is set.
    limit: String,
    /// The command that lists what would change.
    list: String,
    /// The command that releases it.
    release: String,
}

impl ToldHeld {
    fn of(told: &Held) -> ToldHeld {
        let Numbers { altered, held, handed_out, on_record } = told.numbers();
        let change = &told.change;
        ToldHeld {
            change: change.digest.to_string(),
            altered,
            held,
            handed_out,
            on_record,
            limit: clip(&change.limit, PLACE),
            list: change.list(),
            release: change.release(),
        }
    }
}

impl Data {
    fn list(&mut self, reason: Reason) -> &mut Vec<StationEntry> {
        match reason {
            Reason::Opened => &mut self.opened,
            Reason::Grown => &mut self.grown,
            Reason::Unwatched => &mut self.unwatched,
            Reason::Withdrawn => &mut self.withdrawn,
            Reason::StillOpen => &mut self.still_open,
            Reason::Eased => &mut self.eased,
            Reason::Returned => &mut self.returned,
            Reason::Watched => &mut self.watched,
            Reason::Closed => &mut self.closed,
        }
    }
}

/// What one webhook is told.
#[derive(Default)]
pub struct Content<'t, 'p> {
    /// The stations.
    pub items: Vec<Item<'t, 'p>>,
    /// What is new about a held change.
    pub hold: Option<ChangeNews<'t>>,
    pub asides: AsideNews<'t>,
}

impl Content<'_, '_> {
    /// There is nothing to say.
    pub fn is_empty(&self) -> bool {
        let Content { items, hold, asides } = self;
        items.is_empty() && hold.is_none() && asides.is_empty()
    }
}

/// What one message is of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Scope {
    /// All that there is to tell.
    Pass,
    /// One station.
    Station,
    /// Stations that are told together for their number, by what follows the fleet's name in their key.
    Group(String),
}

/// Makes the messages of a pass.
pub struct Writer<'a> {
    hold: Hold<'a>,
    pass: &'a Pass<'a>,
    terms: &'a AlertTerms,
    many: bool,
    totals: Totals,
    weights: Count,
}

impl<'a> Writer<'a> {
    /// `many`: there is more bad news than the set share of the fleet.
    pub fn new(hold: Hold<'a>, terms: &'a AlertTerms, many: bool) -> Writer<'a> {
        let pass = hold.pass;
        let totals = Totals::of(pass.stations.iter().map(|drift| &**drift));
        let mut weights = Count::default();
        pass.stations.iter().for_each(|drift| weights.add(drift.weight));
        Writer { hold, pass, terms, many, totals, weights }
    }

    /// Now.
    pub fn clock(&self) -> Timestamp {
        self.pass.clock
    }

    /// The most urgent first.
    pub fn sort(&self, items: &mut [Item<'_, '_>]) {
        items.sort_by(|a, b| rank(a).cmp(&rank(b)));
    }

    /// What one station comes to, without a message.
    pub fn gist(&self, item: Item<'_, '_>) -> Gist {
        let content = Content { items: vec![item], ..Content::default() };
        let next = next(&content.items, self.pass.work);
        let address = self.terms.address.as_deref();
        let needs = next.iter().flatten().map(|next| (&item.subject.name, next));
        let to_do = ToDo::of(needs, address, self.pass.work).and_of(&content.items);
        let (key, severity) = (self.key(&content, &Scope::Station), self.severity(&content));
        let data = self.frame(&content, to_do, self.fleet(&content, &Scope::Station));
        let url = to_do_link(&data.to_do).or_else(|| self.terms.address.clone());
        let (source, time) = (&self.terms.source, self.pass.clock);
        let envelope = Envelope { id: "", source, kind: DRIFT, subject: None, time, key: &key, severity };
        let gist = envelope.gist(&self.terms.fleet, data.summary, self.is_over(&content));
        let since = item.subject.opened_at().unwrap_or(time);
        Gist { url, ..gist.of(since, &item.subject.name, item.site()) }
    }

    /// The message with this content.
    pub fn message(
        &self,
        webhook: &Subscription,
        mut content: Content<'_, '_>,
        scope: &Scope,
        chain: &Chain,
    ) -> Message {
        self.sort(&mut content.items);
        let id = chain.id(DRIFT.0, &webhook.name, &self.mark(&content, scope));
        let items = &content.items;
        let subject = match items.as_slice() {
            [one] => Some(clip(&one.subject.name, NAME)),
            _ => None,
        };
        let (source, time) = (&self.terms.source, self.pass.clock);
        let (key, severity) = (self.key(&content, scope), self.severity(&content));
        let envelope =
            Envelope { id: &id, source, kind: DRIFT, subject: subject.as_deref(), time, key: &key, severity };
        let next = next(items, self.pass.work);
        let address = self.terms.address.as_deref();
        let needs = items.iter().zip(&next).filter_map(|(item, next)| Some((&item.subject.name, next.as_ref()?)));
        let mut to_do = ToDo::of(needs, address, self.pass.work).and_of(items);
        if let Some(held) = self.pass.brake.held.filter(|_| to_do.held > 0) {
            // It is released as a whole, whichever of its stations are told of here.
            to_do.held = held.scripts as u64;
        }
        let mut data = self.frame(&content, to_do, self.fleet(&content, scope));
        let url = to_do_link(&data.to_do).or_else(|| self.terms.address.clone());
        let mut room = LONGEST_BODY.saturating_sub(envelope.seal(&data).len());
        for (item, next) in items.iter().zip(next) {
            let Some(entry) = fitting(item, next, (address, &self.terms.fleet), self.pass, room) else { break };
            room = room.saturating_sub(length(&entry));
            if let Some(left_out) = data.left_out.get_mut(item.reason.as_str()) {
                *left_out = left_out.saturating_sub(1);
            }
            data.list(item.reason).push(entry);
        }
        let over = items.iter().filter(|item| item.subject.now.is_none());
        let ended = over
            .map(|item| Cases::key::<Station>(&item.subject.name))
            .chain(content.hold.and_then(|_| self.hold.ended_case()))
            .chain(content.asides.ended_cases());
        let gist = envelope.gist(&self.terms.fleet, data.summary.clone(), self.is_over(&content));
        let gist = match items.as_slice() {
            [one] => gist.of(one.subject.opened_at().unwrap_or(time), &one.subject.name, one.site()),
            _ => gist,
        };
        let (webhook, body) = (webhook.name.clone(), envelope.seal(&data));
        Message { webhook, body, ended: ended.collect(), gists: vec![Gist { url, ..gist }], id: id.clone() }
    }

    /// The stations that a message speaks for: whichever it tells of, or the one.
    fn fleet(&self, content: &Content<'_, '_>, scope: &Scope) -> &'a [Arc<StationDrift>] {
        match (scope, content.items.as_slice()) {
            (Scope::Station, [one]) => {
                let at = self.pass.stations.binary_search_by(|drift| drift.station.cmp(&one.subject.name));
                at.ok().and_then(|at| self.pass.stations.get(at..=at)).unwrap_or(&[])
            }
            (Scope::Station | Scope::Pass | Scope::Group(_), _) => self.pass.stations,
        }
    }

    fn key(&self, content: &Content<'_, '_>, scope: &Scope) -> String {
        let fleet = &self.terms.fleet;
        match (scope, content.items.as_slice()) {
            (Scope::Group(group), _) => key(fleet, group),
            (Scope::Pass | Scope::Station, [one]) if content.hold.is_none() => key(fleet, one.subject.known_as()),
            (Scope::Pass | Scope::Station, [_, ..]) => key(fleet, "stations"),
            (Scope::Pass | Scope::Station, []) if content.hold.is_some() => key(fleet, "held scripts"),
            (Scope::Pass | Scope::Station, []) => key(fleet, "set aside"),
        }
    }

    /// The worst that is so now at one of its stations.
    fn severity(&self, content: &Content<'_, '_>) -> Severity {
        let stations = content.items.iter().filter_map(|item| Some(item.subject.now.as_ref()?.severity)).max();
        let gone = gone(&content.items, self.pass.stations).map(|_| Severity::Critical);
        let held = content.hold.and(self.pass.brake.held).map(|_| Severity::Error);
        stations.max(gone).max(held).unwrap_or(Severity::Info)
    }

    /// Whether nothing that it tells of is wrong any more.
    fn is_over(&self, content: &Content<'_, '_>) -> bool {
        let is_held = content.hold.is_some() && self.pass.brake.held.is_some();
        let has_cases = !content.items.is_empty() || content.hold.is_some();
        // What called nobody when its station left the inventory calls nobody still.
        let is_gone = gone(&content.items, self.pass.stations).is_some();
        has_cases && !is_held && !is_gone && content.items.iter().all(|item| item.subject.now.is_none())
    }

    /// What a message comes from: every station in it, why, from what, to what.
    fn mark(&self, content: &Content<'_, '_>, scope: &Scope) -> Mark {
        let mut hasher = MarkHasher::new();
        match scope {
            Scope::Pass => {}
            Scope::Station => drop(hasher.text("alone")),
            Scope::Group(group) => drop(hasher.text("group").text(group)),
        }
        self.hold.hash(content.hold, &mut hasher);
        for id in content.asides.ids() {
            hasher.text("aside").text(&id.to_string());
        }
        for Item { reason, subject, was: _, weight: _ } in &content.items {
            hasher.text(reason.as_str()).text(&subject.name);
            if let Some(losses) = subject.losses() {
                losses.hash(&mut hasher);
            }
            let was = subject.open().map(|told| told.condition.mark.as_str());
            hasher.maybe(was).maybe(subject.now.as_ref().map(|now| now.mark.as_str()));
        }
        hasher.mark()
    }

    /// The command for the way back of the only station where a button calls nobody, where there is one.
    fn only_way_back(&self, buttons: Buttons, fleet: &[Arc<StationDrift>]) -> Option<String> {
        let silent = fleet.iter().find(|drift| !silent(drift).is_empty())?;
        (buttons.stations == 1).then(|| way_back_of(silent, self.pass.work))?
    }

    /// Everything but the stations, all of which are left out so far: no digit is added when they come in.
    fn frame(&self, content: &Content<'_, '_>, to_do: ToDo, fleet: &[Arc<StationDrift>]) -> Data {
        let Content { items, hold: news, asides } = content;
        let mut counts: BTreeMap<&'static str, Count> =
            Reason::ALL.iter().map(|reason| (reason.as_str(), Count::default())).collect();
        for item in items {
            counts.entry(item.reason.as_str()).or_default().add(item.weight);
        }
        let left_out = counts.iter().map(|(reason, count)| (*reason, count.stations)).collect();
        let cause = ToldCause::of(items, self.pass);
        let (sites, sites_left_out) = sites(items);
        let call_back = CallBack::of(items, self.pass.to_call_back);
        let buttons = Buttons::of(fleet);
        let way_back = self.only_way_back(buttons, fleet);
        let gone = gone(items, self.pass.stations);
        let silent = buttons.sentence(items, fleet, way_back.as_deref());
        let said: Vec<String> = gone.into_iter().chain(silent).collect();
        let sentence = summary::Sentence {
            items,
            buttons: (!said.is_empty()).then(|| said.join(" ")),
            cause: &cause,
            asides,
            hold: self.hold.sentence(*news),
            call_back: call_back.as_ref().and_then(CallBack::sentence),
            to_do: &to_do,
            many: self.many,
            first_day: self.pass.brake.tally.first_day(self.pass.stations.len()),
            totals: &self.totals,
        };
        Data {
            summary: sentence.text(),
            buttons,
            many: self.many,
            cause,
            to_do,
            commit: self.pass.commit.map(Commit::json),
            held: self.pass.brake.held.map(ToldHeld::of),
            hold: news.map(|news| self.hold.told_news(news)),
            call_back,
            set_aside: asides.told(&self.totals),
            sites,
            sites_left_out,
            totals: self.totals.json(),
            weights: self.weights,
            on_record: self.pass.brake.tally.on_record,
            opened: Vec::new(),
            grown: Vec::new(),
            unwatched: Vec::new(),
            withdrawn: Vec::new(),
            still_open: Vec::new(),
            eased: Vec::new(),
            returned: Vec::new(),
            watched: Vec::new(),
            closed: Vec::new(),
            left_out,
            rest: "stationkeep drift",
            counts,
        }
    }
}

/// The link to the card of the only station to key.
fn to_do_link(to_do: &ToDo) -> Option<String> {
    to_do.cards.clone().filter(|cards| to_do.to_key == 1 && cards.starts_with("http"))
}

/// What an entry adds to a body: itself and a comma.
fn length(entry: &StationEntry) -> usize {
    json(entry).len() + 1
}

/// The entry, in full or else in brief; `None` where neither fits.
fn fitting(
    item: &Item<'_, '_>,
    next: Option<Next>,
    terms: (Option<&str>, &str),
    pass: &Pass<'_>,
    room: usize,
) -> Option<StationEntry> {
    let full = StationEntry::full(item, next, terms, pass);
    if length(&full) <= room {
        return Some(full);
    }
    Some(full.brief()).filter(|brief| length(brief) <= room)
}

fn sites(items: &[Item<'_, '_>]) -> (Vec<SiteCount>, usize) {
    const SHOWN: usize = 8;
    let mut by_site: BTreeMap<&Name, usize> = BTreeMap::new();
    items.iter().filter_map(Item::site).for_each(|site| *by_site.entry(site).or_default() += 1);
    let mut sites: Vec<(&Name, usize)> = by_site.into_iter().collect();
    sites.sort_by_key(|(_, stations)| Reverse(*stations));
    let left_out = sites.len().saturating_sub(SHOWN);
    let shown = sites.into_iter().take(SHOWN).map(|(site, stations)| SiteCount { site: clip(site, NAME), stations });
    (shown.collect(), left_out)
}
