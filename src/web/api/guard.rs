//! Who may do what here. It is settled before anything is looked at.

use std::future::Future;
use std::sync::Arc;
use std::time::Duration;

use axum::http::{HeaderMap, header};
use axum::response::{IntoResponse, Response};
use tokio::time::timeout;

use super::super::access::{Caller, Role, token_needed};
use super::super::cards::Cards;
use super::super::host::is_foreign;
use super::super::link::Closed;
use super::super::problem::{Kind, Problem};
use super::super::status::Status;
use crate::fleet::View;
use crate::ledger::Digest;

/// Whoever asks waits so long for the answer; what was begun is done to its end all the same.
const PATIENCE: Duration = Duration::from_secs(20);

/// Who files something.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Filer {
    /// Someone of this machine, a technician, or ops: for any station.
    Anyone,
    /// The bearer of a signed link: for its card alone.
    Link(SignedLink),
}

/// The query of a signed link.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct SignedLink {
    pub station: String,
    until: String,
    sig: String,
}

/// What answers are made from, once the first pass has finished.
pub(super) fn open(status: &Status) -> Result<Arc<Cards>, Problem> {
    let session = status.session().filter(|_| status.health().finished > 0);
    let closed = || Problem::new(Kind::FirstPass, "The first pass has not finished yet. Ask again in a moment.");
    session.map(|session| session.cards).ok_or_else(closed)
}

/// Lets in whoever may see how the fleet is.
pub(super) fn reader(status: &Status, headers: &HeaderMap) -> Result<Arc<Cards>, Problem> {
    let cards = open(status)?;
    turn_away_foreign(&cards, headers)?;
    match cards.access.caller(headers) {
        Caller::ThisMachine | Caller::Known(_) => Ok(cards),
        Caller::Unknown => Err(token_needed()),
    }
}

/// Lets in whoever may see codes.
pub(super) fn keyer(status: &Status, headers: &HeaderMap) -> Result<Arc<Cards>, Problem> {
    let cards = reader(status, headers)?;
    match cards.access.caller(headers) {
        Caller::ThisMachine | Caller::Known(Role::Ops | Role::Technician) => Ok(cards),
        Caller::Known(Role::Reader) => {
            let detail = "A script holds access codes, and your token is for reading how the fleet is.";
            Err(Problem::new(Kind::Role, detail))
        }
        Caller::Unknown => Err(token_needed()),
    }
}

/// Who files something with these headers, and this query of the address.
pub(super) fn filer(cards: &Cards, headers: &HeaderMap, query: &str) -> Result<Filer, Problem> {
    turn_away_foreign(cards, headers)?;
    let link = SignedLink::of(query)?;
    match (cards.access.caller(headers), link) {
        (Caller::ThisMachine | Caller::Known(Role::Ops | Role::Technician), _) => Ok(Filer::Anyone),
        (Caller::Known(Role::Reader) | Caller::Unknown, Some(link)) => Ok(Filer::Link(link)),
        (Caller::Known(Role::Reader), None) => {
            let detail = "Your token is for reading how the fleet is. Technicians and ops report.";
            Err(Problem::new(Kind::Role, detail))
        }
        (Caller::Unknown, None) => Err(token_needed()),
    }
}

fn turn_away_foreign(cards: &Cards, headers: &HeaderMap) -> Result<(), Problem> {
    if !is_foreign(headers, &cards.access, cards.address.as_deref()) {
        return Ok(());
    }
    let detail = "\"Host\" is not a name of this program, or \"Origin\" is another site. Without tokens only this machine is \
                  answered. To be reached from elsewhere set \"access\" and \"address\".";
    Err(Problem::new(Kind::Foreign, detail))
}

/// The answer, where it comes in time. The work goes on to its end, whoever has gone away meanwhile.
pub(super) async fn patiently(
    work: impl Future<Output = Result<Response, Problem>> + Send + 'static,
) -> Result<Response, Problem> {
    match timeout(PATIENCE, tokio::spawn(work)).await {
        Ok(Ok(answer)) => answer,
        Ok(Err(_)) => Err(Problem::new(Kind::CutShort, "Ask again. The log may say more.")),
        Err(_) => {
            let detail =
                "There was no answer in time. Ask again. What was sent may be on record by now: it counts once.";
            Err(Problem::new(Kind::Busy, detail).with_header(header::RETRY_AFTER, "5"))
        }
    }
}

/// A view of this moment, with an inventory to go by.
pub(super) async fn view(cards: &Cards) -> Result<Arc<View>, Problem> {
    let view = cards.asking.view().await.map_err(|_| away())?;
    if !view.is_watching() {
        return Err(Problem::new(Kind::Inventory, "No inventory is in use, so no station is known. Ask again later."));
    }
    Ok(view)
}

/// The ledger cannot be asked.
pub(super) fn away() -> Problem {
    let detail = "The ledger cannot be read or written now. Ask again later. What is sent twice counts once.";
    Problem::new(Kind::Ledger, detail).with_header(header::RETRY_AFTER, "5")
}

/// An answer, or the problem in its place.
pub(super) fn answer(result: Result<Response, Problem>) -> Response {
    result.unwrap_or_else(IntoResponse::into_response)
}

impl SignedLink {
    /// The names of its query.
    pub(super) const NAMES: [&str; 3] = ["station", "until", "sig"];

    /// Nothing where the query is not that of a signed link. What a page of the card or a messenger has added is passed over: a
    /// report must not be lost for it.
    fn of(query: &str) -> Result<Option<SignedLink>, Problem> {
        let mut parts = SignedLink::NAMES.map(|_| None);
        for (name, value) in url::form_urlencoded::parse(query.as_bytes()) {
            let Some(at) = SignedLink::NAMES.iter().position(|known| **known == *name) else { continue };
            // Which of the two counts would be anybody's guess.
            if parts[at].replace(value.into_owned()).is_some() {
                return Err(Problem::new(Kind::Query, format!("The address has \"{name}\" twice.")));
            }
        }
        Ok(match parts {
            [Some(station), Some(until), Some(sig)] => Some(SignedLink { station, until, sig }),
            _ => None,
        })
    }

    /// Whether it may file the report or the visit of a card: the digest is what that names.
    pub(super) fn check(&self, cards: &Cards, digest: Option<&str>) -> Result<(), Problem> {
        let closed = || Problem::new(Kind::Link, "This link files the report and the visit of its own card alone.");
        let digest: Digest = digest.and_then(|digest| digest.parse().ok()).ok_or_else(closed)?;
        let SignedLink { station, until, sig } = self;
        match cards.key.check_filing(&digest, station, until, sig, (cards.outside.now)()) {
            Ok(()) => Ok(()),
            Err(Closed::Forged) => Err(closed()),
            Err(Closed::Expired) => {
                let detail = "This link expired more than seven days ago. Ask ops for a new one, then send it again.";
                Err(Problem::new(Kind::LinkExpired, detail))
            }
        }
    }
}
