//! Who may do what here. It is settled before anything is looked at.

use std::sync::Arc;

use axum::http::HeaderMap;

use super::super::access::{Caller, Role, token_needed};
use super::super::cards::Cards;
use super::super::host::is_foreign;
use super::super::link::Closed;
use super::super::problem::{Kind, Problem};
use super::super::status::Status;
use crate::ledger::Digest;

/// Who files something.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Filer {
    /// Somebody of this machine, a technician, or ops: for any station.
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

impl SignedLink {
    /// Nothing where the query is not that of a signed link.
    fn of(query: &str) -> Result<Option<SignedLink>, Problem> {
        let (mut station, mut until, mut sig) = (None, None, None);
        for (name, value) in url::form_urlencoded::parse(query.as_bytes()) {
            let place = match &*name {
                "station" => &mut station,
                "until" => &mut until,
                "sig" => &mut sig,
                _ => continue,
            };
            // Which of the two counts would be anybody's guess.
            if place.replace(value.into_owned()).is_some() {
                return Err(Problem::new(Kind::Query, format!("The address has \"{name}\" twice.")));
            }
        }
        Ok(match (station, until, sig) {
            (Some(station), Some(until), Some(sig)) => Some(SignedLink { station, until, sig }),
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
