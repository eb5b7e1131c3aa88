//! `/card/{digest}?station=NAME`: the card of an errand at a station, or why there is none to key.
//!
//! A script is on record before it is shown. The present one is shown, the way back, renewals, and one that was begun; whoever
//! holds another address is told that it is out of date. The daemon gives the view it is shown from; whoever asks waits for that for a
//! bounded time. It never says who has a token, and logs no address.

use std::fmt;
use std::sync::Arc;
use std::time::Duration;

use axum::http::{HeaderMap, header};
use axum::response::{IntoResponse, Redirect, Response};
use jiff::{SignedDuration, Timestamp};
use tokio::time::timeout;
use uuid::Uuid;

use super::access::{self, Access, Caller, Holder, Role};
use super::card_page::{HandOn, Leads, visit_page};
use super::host::{is_local, is_passed_on};
use super::link::{Closed, LinkKey};
use super::outcome::{self, Now};
use super::page::{Page, under};
use super::visit::{State, Visiting, policy};
use crate::fleet::{Asking, Cleared, Keying, Row, View, record_scripts};
use crate::ledger::Digest;
use crate::script::card::{self, Card, Visit};
use crate::script::{Memory, Script, Way};
use crate::setting::Codes;
use crate::store::Store;

/// Whoever asks waits so long for the answer, which is made to its end all the same.
const PATIENCE: Duration = Duration::from_secs(20);

/// What stands in the place of a digest in the address that leads to what a station needs now.
const NEXT: &str = "next";

/// A signed link is good for so long.
const GOOD_FOR: SignedDuration = SignedDuration::from_hours(24);

/// What asking the outside world needs.
#[derive(Clone)]
pub struct Outside {
    /// The program's clock.
    pub now: Arc<dyn Fn() -> Timestamp + Send + Sync>,
    /// An id for a report that will come back.
    pub id: fn() -> Uuid,
    /// Whether the clock is one for rehearsals: then every card begins with that.
    pub rehearsal: bool,
}

/// Everything that cards are shown from, through one session.
pub struct Cards {
    pub(super) asking: Asking,
    pub(super) store: Store,
    pub(super) access: Access,
    /// What browsers reach this program at, without a slash at its end.
    pub(super) address: Option<String>,
    pub(super) key: LinkKey,
    pub(super) outside: Outside,
}

impl fmt::Debug for Cards {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Cards")
    }
}

/// What is asked for, once it is settled that it may be.
struct Asked {
    digest: Digest,
    station: String,
    holder: Holder,
    /// Whether it was asked for by a link that has expired: that opens nothing but a card that was begun.
    is_expired: bool,
    /// The visits that whoever asks knows of.
    known: Vec<Uuid>,
    /// The rest of the address's query.
    query: Vec<(&'static str, String)>,
    /// Whether the card goes out, and so the script is put on record.
    shows: bool,
    /// Whether nothing is asked but whether it is still to be keyed.
    is_state: bool,
}

/// What is answered.
enum Seen {
    /// The card, with what makes a visit of it.
    Visit(String),
    /// What has become of a card that was opened before.
    State(Response),
    /// A page in the place of the card.
    Instead(Page),
}

impl IntoResponse for Seen {
    fn into_response(self) -> Response {
        match self {
            Seen::Visit(html) => (under(&policy()), html).into_response(),
            Seen::State(response) => response,
            Seen::Instead(page) => page.into_response(),
        }
    }
}

/// The query of a card's address.
#[derive(Debug, Default, PartialEq, Eq)]
struct Query {
    station: Option<String>,
    until: Option<String>,
    sig: Option<String>,
    beside: Option<String>,
}

impl Query {
    /// Nothing where a part stands in it twice: which of the two counts would be anybody's guess.
    fn of(text: &str) -> Option<Query> {
        let mut query = Query::default();
        for (name, value) in url::form_urlencoded::parse(text.as_bytes()) {
            let place = match &*name {
                "station" => &mut query.station,
                "until" => &mut query.until,
                "sig" => &mut query.sig,
                "beside" => &mut query.beside,
                _ => continue,
            };
            if place.replace(value.into_owned()).is_some() {
                return None;
            }
        }
        Some(query)
    }
}

impl Cards {
    /// Cards of the fleet that is asked for. `ledger` is the ledger's key.
    pub fn new(
        asking: Asking,
        store: Store,
        access: Access,
        address: Option<String>,
        ledger: &[u8; 32],
        outside: Outside,
    ) -> Cards {
        Cards { asking, store, access, address, key: LinkKey::of(ledger), outside }
    }

    /// Who may see what.
    pub(super) fn access(&self) -> &Access {
        &self.access
    }

    /// Answers `GET`, or, without putting anything on record, `HEAD`.
    pub(super) async fn answer(
        self: Arc<Self>,
        digest: &str,
        query: &str,
        headers: &HeaderMap,
        is_get: bool,
    ) -> Response {
        // No link is signed for this digest.
        let is_next = digest == NEXT;
        let digest = if is_next { "0000000000000000" } else { digest };
        let asked = match self.admit(digest, query, headers, is_get) {
            Ok(asked) => asked,
            Err(notice) => return *notice,
        };
        if is_next {
            return self.next(&asked.station).await.unwrap_or_else(|page| self.rehearsed(page).into_response());
        }
        // It is made to its end, whoever has gone away meanwhile.
        let is_rehearsal = self.outside.rehearsal;
        let rehearsed = |page: Page| page.rehearsed(is_rehearsal);
        match timeout(PATIENCE, tokio::spawn(self.see(asked))).await {
            Ok(Ok(page)) => page.into_response(),
            Ok(Err(_)) => rehearsed(outcome::cut_short()).into_response(),
            Err(_) => rehearsed(outcome::busy()).into_response(),
        }
    }

    /// A page, and that it is one of a rehearsal.
    pub(super) fn rehearsed(&self, page: Page) -> Page {
        page.rehearsed(self.outside.rehearsal)
    }

    /// Who asks is settled before anything is looked at.
    fn admit(&self, digest: &str, query: &str, headers: &HeaderMap, shows: bool) -> Result<Asked, Box<Response>> {
        let turned_away = |page: Page| Box::new(self.rehearsed(page).into_response());
        let query = Query::of(query).ok_or_else(|| turned_away(outcome::damaged()))?;
        let digest: Result<Digest, _> = digest.parse();
        let (until, sig) = (query.until.as_deref(), query.sig.as_deref());
        let caller = self.access.caller(headers);
        let mut is_expired = false;
        let holder = match (caller, &digest, query.station.as_deref(), until.zip(sig)) {
            (Caller::ThisMachine, _, _, _) if !is_local(headers) || is_passed_on(headers) => {
                return Err(turned_away(outcome::other_host()));
            }
            (Caller::ThisMachine, _, _, _) => Holder::ThisMachine,
            (Caller::Known(Role::Ops), _, _, _) => Holder::Ops,
            (Caller::Known(Role::Technician), _, _, _) => Holder::Technician,
            (Caller::Known(Role::Reader) | Caller::Unknown, Ok(digest), Some(station), Some((until, sig))) => {
                match self.key.check(digest, station, until, sig, (self.outside.now)()) {
                    Ok(()) => Holder::Link,
                    Err(Closed::Expired) => {
                        is_expired = true;
                        Holder::Link
                    }
                    Err(Closed::Forged) => return Err(turned_away(outcome::forged())),
                }
            }
            (Caller::Known(Role::Reader), _, _, _) => return Err(turned_away(outcome::reader())),
            (Caller::Unknown, _, _, _) => return Err(Box::new(who_asks(self.rehearsed(outcome::unknown())))),
        };
        let Query { station, until, sig, beside } = query;
        let known = beside.iter().flat_map(|text| text.split(',')).filter_map(|id| id.parse().ok()).collect();
        let rest = [("station", station.clone()), ("until", until), ("sig", sig)];
        let query = rest.into_iter().filter_map(|(name, value)| Some((name, value?))).collect();
        let asked = digest.ok().zip(station.filter(|station| !station.is_empty()));
        let (digest, station) = asked.ok_or_else(|| turned_away(outcome::no_such_card()))?;
        let is_state = headers.get(header::ACCEPT).is_some_and(|accept| accept == "application/json");
        Ok(Asked { digest, station, holder, is_expired, known, query, shows, is_state })
    }

    /// The page, by a view of this moment; or what has become of it.
    async fn see(self: Arc<Self>, asked: Asked) -> Seen {
        match self.looked(&asked).await {
            Seen::Instead(page) if asked.is_state => {
                Seen::State(State::of(page.status).answer(&asked.station, (self.outside.now)()))
            }
            Seen::Instead(page) => Seen::Instead(self.rehearsed(page)),
            seen @ (Seen::Visit(_) | Seen::State(_)) => seen,
        }
    }

    async fn looked(&self, asked: &Asked) -> Seen {
        match self.found(asked).await {
            Ok(seen) => seen,
            Err(page) => Seen::Instead(page),
        }
    }

    /// The card, or the page in its place.
    async fn found(&self, asked: &Asked) -> Result<Seen, Page> {
        let Ok(view) = self.asking.view().await else { return Err(outcome::unreadable()) };
        if !view.is_watching() {
            return Err(outcome::no_files());
        }
        let station = view.reading.inventory.called(&asked.station);
        let Some(row) = station.and_then(|station| view.row(&station.name)) else {
            return Err(outcome::no_such_station(&asked.station));
        };
        let since = match outcome::since(&self.store, &asked.digest, &row.station).await {
            Ok(Some(since)) => since,
            Ok(None) => return Err(outcome::no_such_card()),
            Err(error) => {
                tracing::warn!(%error, "no card could be shown");
                return Err(outcome::unreadable());
            }
        };
        let errand = || view.errand(row, &asked.digest, since.issued(), &mut Memory::default());
        let keying = tokio::task::block_in_place(errand);
        let is_begun = matches!(&keying, Keying::Script { script, .. } if script.begun.is_some());
        if asked.is_expired && !is_begun {
            return Err(outcome::expired((self.outside.now)()));
        }
        let now = match keying {
            Keying::Script { script, .. }
                if script.digest == asked.digest && script.unknown_visit(&asked.known).is_some() =>
            {
                let query: Vec<(&str, &str)> = asked.query.iter().map(|(name, value)| (*name, &**value)).collect();
                return Err(outcome::someone_is_there(&row.station, &script.beside, &query));
            }
            Keying::Script { script, cleared, codes } if script.digest == asked.digest => {
                return self.card(&view, row, (&script, cleared), &codes, asked).await;
            }
            Keying::Script { script, .. } => Now::Other(script.digest),
            Keying::Held(_) => return Err(held(&view, row)),
            Keying::Nothing => Now::Nothing(row.drift.clone()),
            Keying::NoScript(why) => Now::NoScript(why.to_string()),
        };
        Err(outcome::out_of_date(&row.station, &asked.digest, &now, &since, asked.holder, (self.outside.now)()))
    }

    /// The card itself, once its script is on record.
    async fn card(
        &self,
        view: &View,
        row: &Row,
        (script, cleared): (&Script, Cleared),
        codes: &Codes,
        asked: &Asked,
    ) -> Result<Seen, Page> {
        if asked.is_state {
            let is_outdated = script.begun.as_ref().is_some_and(|begun| begun.is_outdated);
            let state = if is_outdated { State::Outdated } else { State::Good };
            return Ok(Seen::State(state.answer(&asked.station, (self.outside.now)())));
        }
        if asked.shows
            && let Err(error) = record_scripts(&self.store, &[cleared], view.at).await
        {
            tracing::warn!(%error, "a card is not shown");
            return Err(outcome::unrecorded());
        }
        let commit = view.reading.commit.as_deref();
        let card = Card::of(script, &row.station, codes, commit, (self.outside.id)()).rehearsed(self.outside.rehearsal);
        let hand_on = self.hand_on(asked, view.at);
        let leads = match asked.holder {
            Holder::Link => Leads::Nowhere,
            Holder::ThisMachine | Holder::Technician | Holder::Ops => Leads::On,
        };
        let visit = Visit::of(script, &row.station, codes, &card, &view.reading.inventory.contacts);
        let visiting = self.visiting(&visit, script, asked);
        Ok(Seen::Visit(visit_page(&card, view.good_since(), hand_on.as_ref(), leads, &visiting)))
    }

    /// Leads to what a station needs now; or the page that says what is in the way.
    async fn next(&self, station: &str) -> Result<Response, Page> {
        let Ok(view) = self.asking.view().await else { return Err(outcome::unreadable()) };
        let called = view.reading.inventory.called(station);
        let Some(row) = called.and_then(|station| view.row(&station.name)) else {
            return Err(outcome::no_such_station(station));
        };
        let keying = tokio::task::block_in_place(|| view.keying(row, Way::There, &mut Memory::default()));
        match keying {
            Keying::Script { script, .. } => {
                Ok(Redirect::to(&card::beside(&script.digest, &script.station)).into_response())
            }
            Keying::Held(_) => Err(held(&view, row)),
            Keying::Nothing => Err(outcome::nothing_now(&row.station.name, None)),
            Keying::NoScript(why) => Err(outcome::nothing_now(&row.station.name, Some(&why.to_string()))),
        }
    }

    /// The visit for whoever asks.
    fn visiting<'v>(&self, visit: &'v Visit, script: &Script, asked: &Asked) -> Visiting<'v> {
        let now = (self.outside.now)();
        let day = now.checked_add(GOOD_FOR).unwrap_or(now);
        let part = |of: &str| asked.query.iter().find(|(name, _)| *name == of).map(|(_, value)| &**value);
        let until = part("until").filter(|_| asked.holder == Holder::Link).and_then(|until| until.parse().ok());
        let until = until.and_then(|until| Timestamp::from_second(until).ok()).map_or(day, |until| until.min(day));
        let leads = asked.holder != Holder::Link;
        let way_back = script.way_back.as_ref().filter(|_| leads).map(|digest| card::beside(digest, &script.station));
        let station = url::form_urlencoded::byte_serialize(script.station.as_bytes()).collect::<String>();
        let next = leads.then(|| format!("{NEXT}?station={station}"));
        Visiting { visit, now, until, way_back, next }
    }

    /// A signed link for whoever may hand it on.
    fn hand_on(&self, asked: &Asked, now: Timestamp) -> Option<HandOn> {
        let address = self.address.as_ref().filter(|_| asked.holder == Holder::Ops)?;
        let until = now.checked_add(GOOD_FOR).ok()?;
        Some(HandOn { link: self.key.link(address, &asked.digest, &asked.station, until), until })
    }
}

/// Asks a browser for name and token (RFC 7617 section 2).
fn who_asks(page: Page) -> Response {
    ([(header::WWW_AUTHENTICATE, access::CHALLENGE)], page).into_response()
}

/// Why a script is held. The view counts what waits for the same release.
fn held(view: &View, row: &Row) -> Page {
    match tokio::task::block_in_place(|| view.held()) {
        Some(held) => {
            let until = tokio::task::block_in_place(|| view.until_released(row, &mut Memory::default()));
            outcome::held(&row.station.name, &held, until)
        }
        // A view that holds a script has the change.
        None => outcome::no_such_station(&row.station.name),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_query_is_read_as_browsers_write_it_and_a_part_given_twice_is_refused() {
        let query = Query::of("station=East+quay%20%C3%A9%26&x=1&until=5").unwrap();
        assert_eq!((query.station.as_deref(), query.until.as_deref()), (Some("East quay é&"), Some("5")));
        assert_eq!(Query::of("station=a&station=b"), None);
        assert_eq!(Query::of(""), Some(Query::default()));
    }
}
