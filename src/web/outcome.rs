//! Pages beside the card: that it is out of date, is held, is unknown, or cannot be shown. None of them shows a key, and
//! none leads further than its reader may go.

use std::sync::Arc;

use axum::http::StatusCode;
use jiff::Timestamp;
use maud::html;

use super::access::Holder;
use super::page::Page;
use crate::brake::Held;
use crate::drift::StationDrift;
use crate::finding::minute;
use crate::fleet::FleetError;
use crate::inventory::{Extent, Station};
use crate::ledger::{Digest, Issued, LedgerLine, Report, parse_line};
use crate::script::{OtherVisit, card};
use crate::store::{EntryKind, Store};

/// What there is to key at a station instead of a script.
pub(super) enum Now {
    Other(Digest),
    Nothing(Arc<StationDrift>),
    /// There is no script, and why.
    NoScript(String),
}

/// What is known of a digest that is no longer the present one.
pub(super) enum Since {
    /// It was handed out then; these reports came after it, at most [`REPORTS`], the latest first.
    Issued { script: Box<Issued>, reports: Vec<LaterReport> },
    /// It was named, and never handed out.
    Never,
}

/// A report, as far as it is told.
pub(super) struct LaterReport {
    at: Timestamp,
    by: String,
}

const REPORTS: usize = 3;

/// What the ledger says of a digest and a station; nothing where it is another station's.
pub(super) async fn since(store: &Store, digest: &Digest, station: &Station) -> Result<Option<Since>, FleetError> {
    let id = digest.to_string();
    let Some(entry) = store.entry(EntryKind::Script, &id).await? else { return Ok(Some(Since::Never)) };
    let script = match parse_line(&entry.body).map_err(|source| FleetError::Recorded { id, source })? {
        LedgerLine::Script(script) => script,
        LedgerLine::Report(_) | LedgerLine::Shown(_) | LedgerLine::Begun(_) | LedgerLine::Decision(_) => {
            return Ok(None);
        }
    };
    if !station.names().any(|name| *name == script.station) {
        return Ok(None);
    }
    let mut reports: Vec<Report> = Vec::new();
    for name in station.names() {
        for later in store.entries_of(name).await?.into_iter().filter(|later| later.seq > entry.seq) {
            let seq = later.seq;
            match parse_line(&later.body).map_err(|source| FleetError::Entry { seq, source })? {
                LedgerLine::Report(report) => reports.push(*report),
                LedgerLine::Script(_) | LedgerLine::Shown(_) | LedgerLine::Begun(_) | LedgerLine::Decision(_) => {}
            }
        }
    }
    let told = |report: Report| LaterReport { at: report.at, by: report.by.to_string() };
    let reports = reports.into_iter().rev().take(REPORTS).map(told).collect();
    Ok(Some(Since::Issued { script, reports }))
}

impl Since {
    /// The script on record.
    pub(super) fn issued(&self) -> Option<&Issued> {
        match self {
            Since::Issued { script, .. } => Some(script),
            Since::Never => None,
        }
    }

    fn sentences(&self) -> Vec<String> {
        match self {
            Since::Never => {
                vec!["It was never opened, and what is wanted or known there has changed since it was named.".into()]
            }
            Since::Issued { script, reports } if reports.is_empty() => {
                vec![format!("It was issued at {}. What is wanted there has changed since.", minute(script.at))]
            }
            Since::Issued { script, reports } => {
                let issued = format!("It was issued at {}. Reports came since:", minute(script.at));
                let told = |told: &LaterReport| format!("{}, by {}", minute(told.at), told.by);
                [issued].into_iter().chain(reports.iter().map(told)).collect()
            }
        }
    }
}

/// A card that must not be keyed any more, why, and what there is in its place.
pub(super) fn out_of_date(
    station: &Station,
    digest: &Digest,
    now: &Now,
    since: &Since,
    holder: Holder,
    at: Timestamp,
) -> Page {
    // A card of test calls alone has no keys.
    let is_test = since.issued().is_some_and(|script| script.steps.is_empty());
    let title = match is_test {
        true => format!("Do not make the test calls of this card of {}", station.name),
        false => format!("Do not key this card of {}", station.name),
    };
    let main = html! {
        h1 { (title) }
        @if !station.location.is_empty() { p.where { (station.location) } }
        @if is_test {
            p.mind { "Card " (digest) " is out of date: other test calls may be asked for now, or none." }
        } @else {
            p.mind { "Card " (digest) " is out of date. Keyed now it could leave a button that calls nobody." }
        }
        @for sentence in since.sentences() { p { (sentence) } }
        @match now {
            Now::Other(present) => {
                @match holder {
                    Holder::Link => { p { "There is another card now. Ask whoever sent you this link for a new one." } }
                    Holder::ThisMachine | Holder::Technician | Holder::Ops => {
                        p.ring {
                            // Beside this page, under whatever path a proxy has put it.
                            a href=(card::beside(present, &station.name)) {
                                "The card of " (station.name) " as it is now"
                            }
                        }
                    }
                }
            }
            Now::Nothing(drift) => {
                p { strong { "Nothing needs keying at " (station.name) " now." } }
                @match drift.set_aside {
                    Extent::Nothing => {}
                    Extent::Settings => { p { "Some of its settings are set aside: see " code { "stationkeep aside" } "." } }
                    Extent::Whole => {
                        p.mind { "It is set aside, out of service: keep a stand-in there. See " code { "stationkeep aside" } "." }
                    }
                }
                @for lifeline in drift.lifelines.iter().filter(|lifeline| lifeline.service.asks_for_test()) {
                    p { "The button " (lifeline.name) " needs a test call (" (lifeline.service.as_str()) ")." }
                }
            }
            Now::NoScript(why) => { p { strong { "There is no script now: " } (why) } }
        }
    };
    Page::correcting(StatusCode::GONE, &title, &main, at)
}

/// A script that waits for the release of a change.
pub(super) fn held(station: &str, held: &Held, until: Option<String>) -> Page {
    let title = format!("The script for {station} is held");
    let main = html! {
        h1 { (title) }
        p.mind { "Do not key a card of this station now: its script is part of a change that waits for its release." }
        p { (held.sentence()) }
        p { "List what would change:" }
        pre { (held.change.list()) }
        p { "If every station is meant, release it:" }
        pre { (held.change.release()) }
        @if let Some(until) = until { p { "Until then, " (until) "." } }
    };
    Page::new(StatusCode::CONFLICT, &title, &main)
}

/// Someone keys another card there: this one is shown once it was said who. `asked`: the query of its address.
pub(super) fn someone_is_there(station: &Station, visits: &[OtherVisit], asked: &[(&str, &str)]) -> Page {
    let title = format!("Someone may be keying at {}", station.name);
    let ids = visits.iter().map(|beside| beside.visit.to_string()).collect::<Vec<_>>().join(",");
    let query =
        url::form_urlencoded::Serializer::new(String::new()).extend_pairs(asked).append_pair("beside", &ids).finish();
    let main = html! {
        h1 { (title) }
        @for beside in visits { p.mind { (beside.sentence(&station.name)) } }
        p { "Make sure that no one is keying there. Two people at once leave the station in an unknown state." }
        p.ring { a href={ "?" (query) } { "No one is keying there: show the card" } }
    };
    Page::new(StatusCode::CONFLICT, &title, &main)
}

fn notice(status: StatusCode, title: &str, text: &str) -> Page {
    Page::notice(status, title, &[text.to_owned()])
}

/// There is no card at a station now, and why where there should be one.
pub(super) fn nothing_now(station: &str, why: Option<&str>) -> Page {
    match why {
        None => notice(StatusCode::OK, &format!("Nothing needs keying at {station} now"), "No test call is asked for."),
        Some(why) => notice(StatusCode::CONFLICT, &format!("There is no script for {station}"), why),
    }
}

pub(super) fn no_such_card() -> Page {
    let text = "A card's address is /card/DIGEST?station=NAME, with the 16 digits of the script and the station's name. \
                Copy it again, whole.";
    notice(StatusCode::NOT_FOUND, "There is no such card", text)
}

pub(super) fn no_such_station(name: &str) -> Page {
    const MOST: usize = 100;
    let name: String = name.chars().take(MOST).collect();
    let text = format!("No station is called {name}. If it is no longer in the inventory, key nothing there.");
    notice(StatusCode::NOT_FOUND, "There is no such station", &text)
}

pub(super) fn damaged() -> Page {
    let text = "A part of the address stands in it twice. Copy it again, whole.";
    notice(StatusCode::BAD_REQUEST, "The address is damaged", text)
}

pub(super) fn unknown() -> Page {
    let text = "A card holds access codes. Give the name and the token that you were given, or open the link for the \
                technician that ops can send you.";
    notice(StatusCode::UNAUTHORIZED, "Who are you?", text)
}

pub(super) fn reader() -> Page {
    let text = "A card holds access codes, and your token is for reading how the fleet is. Ask ops for a link to this \
                card.";
    notice(StatusCode::FORBIDDEN, "This card is not for you", text)
}

/// A report may still come by it: for seven days a phone that sent one can correct it here.
pub(super) fn expired(at: Timestamp) -> Page {
    const TITLE: &str = "This link has expired";
    let main = html! {
        h1 { (TITLE) }
        p { "Ask whoever sent it for a new one. Key nothing from memory." }
    };
    Page::correcting(StatusCode::FORBIDDEN, TITLE, &main, at)
}

pub(super) fn forged() -> Page {
    notice(
        StatusCode::FORBIDDEN,
        "This link opens nothing",
        "It is not whole, or not for this card. Copy it again, whole.",
    )
}

pub(super) fn other_host() -> Page {
    let text = "Without access tokens in the configuration cards are shown to this machine only, under its own names \
                (127.0.0.1, [::1], localhost). To reach them from elsewhere set \"access\" and \"address\".";
    notice(StatusCode::MISDIRECTED_REQUEST, "Cards are for this machine only", text)
}

pub(super) fn busy() -> Page {
    let text = "Others are being answered, or the files and the ledger take longer to read. Load this page again in a moment; \
                \"stationkeep script STATION\" prints the same card.";
    notice(StatusCode::SERVICE_UNAVAILABLE, "Not yet", text)
}

pub(super) fn cut_short() -> Page {
    notice(StatusCode::INTERNAL_SERVER_ERROR, "The look was cut short", "Load this page again; the log may say more.")
}

pub(super) fn unreadable() -> Page {
    let text = "The ledger cannot be read or written now, so it is not known what the station holds. Key nothing. The log says \
                more.";
    notice(StatusCode::SERVICE_UNAVAILABLE, "No card can be shown", text)
}

pub(super) fn unrecorded() -> Page {
    let text = "The script could not be recorded, so it is not issued: a report could not name it. Key nothing. The log says \
                more.";
    notice(StatusCode::SERVICE_UNAVAILABLE, "No card can be shown", text)
}

pub(super) fn no_files() -> Page {
    let text = "No inventory is in use yet. Either the first look at the files goes on, or the files have errors and no others \
                were ever kept. Load this page again in a moment; \"stationkeep check\" says what is wrong.";
    notice(StatusCode::SERVICE_UNAVAILABLE, "No card can be shown", text)
}
