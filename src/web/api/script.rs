//! The script of a station: it is on record before it goes out. And scripts on record.

use std::sync::Arc;

use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, State};
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::response::{IntoResponse, Response};
use uuid::Uuid;

use super::super::cards::Cards;
use super::super::problem::{self, Kind, Problem};
use super::super::status::Status;
use super::described::{LookUpProblems, ScriptParams, ScriptProblems};
use super::guard;
use super::query::{Query, wrong};
use super::stations::{StationName, named, row};
use crate::fleet::{Cleared, Keying, Row, View, history_json, record_scripts};
use crate::ledger::{Digest, parse_line};
use crate::script::card::{self, Card};
use crate::script::{self, Memory, Script, Way};
use crate::setting::Codes;
use crate::store::EntryKind;

/// How a script is given.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Format {
    Card,
    Keys,
    Json,
    Html,
}

/// Where it leads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Aim {
    There,
    Back,
    Renew,
}

/// What is asked for.
struct Asked {
    station: String,
    format: Format,
    aim: Aim,
    /// The visits that whoever asks knows of.
    known: Vec<Uuid>,
    /// Whether it goes out, and so is put on record.
    issues: bool,
}

/// Issue a station's script
#[utoipa::path(
    get,
    path = "/api/v1/stations/{station}/script",
    params(("station" = String, Path, description = "The station's name, or one that it had before."), ScriptParams),
    responses(
        (
            status = 200,
            description = "The script, as \"script --format json\" prints it, or a card. \"script\" is null where nothing needs \
                           keying and no test call is asked for",
            content((ref("#/components/schemas/Script") = "application/json"), (String = "text/plain")),
        ),
        (status = 303, description = "Where the page of the card is"),
        ScriptProblems,
    ),
)]
pub(super) async fn of_station(
    State(status): State<Arc<Status>>,
    name: StationName,
    RawQuery(query): RawQuery,
    method: Method,
    headers: HeaderMap,
) -> Response {
    let issued = async {
        let cards = guard::keyer(&status, &headers)?;
        let query = Query::of(&query.unwrap_or_default(), &ScriptParams::NAMES)?;
        let [format, way, beside] = ScriptParams::NAMES;
        let [card, keys, json, html] = ScriptParams::FORMATS;
        let formats = [(card, Format::Card), (keys, Format::Keys), (json, Format::Json), (html, Format::Html)];
        let [there, back, renew] = ScriptParams::WAYS;
        let format = match query.word(format, &formats)? {
            Some(format) => format,
            None => accepted(&headers)?,
        };
        let aim = query.word(way, &[(there, Aim::There), (back, Aim::Back), (renew, Aim::Renew)])?;
        let ids = query.text(beside).into_iter().flat_map(|ids| ids.split(','));
        let known: Result<Vec<Uuid>, _> = ids.map(str::parse).collect();
        let known = known.map_err(|_| wrong(format!("\"{beside}\" holds the ids of visits, with commas between.")))?;
        let (station, aim) = (named(name)?, aim.unwrap_or(Aim::There));
        let asked = Asked { station, format, aim, known, issues: method == Method::GET };
        guard::patiently(issue(cards, asked)).await
    };
    guard::answer(issued.await)
}

/// Look up a script that was issued
#[utoipa::path(
    get,
    path = "/api/v1/scripts/{digest}",
    params(("digest" = String, Path, description = "The 16 digits at the head of the script.")),
    responses(
        (status = 200, description = "The script as the ledger keeps it, codes by reference", body = ref("#/components/schemas/Issued")),
        LookUpProblems,
    ),
)]
pub(super) async fn on_record(
    State(status): State<Arc<Status>>,
    digest: Result<Path<String>, PathRejection>,
    RawQuery(query): RawQuery,
    headers: HeaderMap,
) -> Response {
    let found = async {
        let cards = guard::reader(&status, &headers)?;
        Query::of(&query.unwrap_or_default(), &[])?;
        let none = || {
            Problem::new(
                Kind::NoSuchScript,
                "No script of this digest was ever issued. It has 16 digits: copy them again.",
            )
        };
        let digest: Digest = digest.ok().and_then(|Path(digest)| digest.parse().ok()).ok_or_else(none)?;
        let entry = cards.store.entry(EntryKind::Script, &digest.to_string()).await.map_err(|error| {
            tracing::warn!(%error, "a script could not be looked up");
            guard::away()
        })?;
        let line = entry.and_then(|entry| parse_line(&entry.body).ok()).ok_or_else(none)?;
        let json = history_json(&[line]).into_iter().next().unwrap_or_default();
        Ok(problem::json(StatusCode::OK, "application/json", json))
    };
    guard::answer(found.await)
}

/// The format that `Accept` prefers (RFC 9110 section 12.5.1); JSON where it does not say.
fn accepted(headers: &HeaderMap) -> Result<Format, Problem> {
    let offers =
        [("application", "json", Format::Json), ("text", "plain", Format::Card), ("text", "html", Format::Html)];
    let accept: Vec<&str> = headers.get_all(header::ACCEPT).iter().filter_map(|value| value.to_str().ok()).collect();
    if accept.is_empty() {
        return Ok(Format::Json);
    }
    let accept = accept.join(",");
    let ranges: Vec<(&str, &str, f32)> = accept.split(',').filter_map(range).collect();
    let quality = |main: &str, sub: &str| {
        let fitting = ranges.iter().filter(|(m, s, _)| (*m == main || *m == "*") && (*s == sub || *s == "*"));
        // The most specific range counts.
        fitting.max_by_key(|(m, s, _)| (*m != "*", *s != "*")).map_or(0.0, |(_, _, quality)| *quality)
    };
    let mut best = None;
    for (main, sub, format) in offers {
        let quality = quality(main, sub);
        if quality > best.map_or(0.0, |(_, best)| best) {
            best = Some((format, quality));
        }
    }
    let none = || Problem::new(Kind::NotAcceptable, "A script is application/json, text/plain or text/html.");
    best.map(|(format, _)| format).ok_or_else(none)
}

/// One media range with its quality.
fn range(text: &str) -> Option<(&str, &str, f32)> {
    let mut parts = text.split(';').map(str::trim);
    let (main, sub) = parts.next()?.split_once('/')?;
    let quality = parts.find_map(|part| part.strip_prefix("q=").or_else(|| part.strip_prefix("Q=")));
    Some((main, sub, quality.map_or(Some(1.0), |quality| quality.parse().ok())?))
}

async fn issue(cards: Arc<Cards>, asked: Asked) -> Result<Response, Problem> {
    let view = guard::view(&cards).await?;
    let row = row(&view, &asked.station)?;
    let mut memory = Memory::default();
    let keying = tokio::task::block_in_place(|| match asked.aim {
        Aim::There => Ok(view.keying(row, Way::There, &mut memory)),
        Aim::Back => Ok(view.keying(row, Way::Back, &mut memory)),
        Aim::Renew => view.renewing(row, &[], &mut memory),
    });
    // Only where a setting is named can one be wrong.
    let keying = keying.map_err(|other| wrong(format!("\"{other}\" is not keyed again.")))?;
    match keying {
        Keying::Script { script, cleared, codes } => {
            someone_is_there(&script, &row.station.name, &asked.known)?;
            go_out(&cards, &view, row, (&script, cleared, &codes), &asked).await
        }
        Keying::Held(change) => {
            let (held, until) = tokio::task::block_in_place(|| (view.held(), view.until_released(row, &mut memory)));
            let until = until.map(|until| format!(" Until then, {until}.")).unwrap_or_default();
            let detail = format!("{}{until}", held.map(|held| held.sentence()).unwrap_or_default());
            Err(Problem::new(Kind::Held, detail)
                .with("change", change.digest.to_string())
                .with("release", change.release()))
        }
        Keying::Nothing => Ok(nothing(&view, row, &asked)),
        Keying::NoScript(why) => Err(Problem::new(Kind::NoScript, why.to_string())),
    }
}

/// Two must not key one station at a time.
fn someone_is_there(script: &Script, station: &str, known: &[Uuid]) -> Result<(), Problem> {
    let Some(beside) = script.unknown_visit(known) else { return Ok(()) };
    let detail = format!("{} Check with {} that no one is keying there.", beside.sentence(station), beside.by);
    let problem = Problem::new(Kind::VisitOpen, detail).with("by", &*beside.by).with("at", beside.at.to_string());
    Err(problem.with("visit", beside.visit.to_string()))
}

/// The script, once it is on record.
async fn go_out(
    cards: &Cards,
    view: &View,
    row: &Row,
    (script, cleared, codes): (&Script, Cleared, &Codes),
    asked: &Asked,
) -> Result<Response, Problem> {
    if asked.issues {
        record_scripts(&cards.store, &[cleared], view.at).await.map_err(|error| {
            tracing::warn!(%error, "a script is not handed out");
            guard::away()
        })?;
    }
    let station = &row.station;
    let card = || {
        let commit = view.reading.commit.as_deref();
        Card::of(script, station, codes, commit, (cards.outside.id)()).rehearsed(cards.outside.rehearsal)
    };
    Ok(match asked.format {
        Format::Card => plain(card::text(&card())),
        Format::Keys => plain(card::keys(script, codes)),
        Format::Json => {
            let mut json = script::rehearsed(script::json(script, station, codes), cards.outside.rehearsal);
            if let Some(commit) = &view.reading.commit {
                json["commit"] = commit.json();
            }
            problem::json(StatusCode::OK, "application/json", json)
        }
        Format::Html => page_of(&script.digest, &station.name, &asked.known),
    })
}

fn plain(text: String) -> Response {
    let headers = [
        (header::CONTENT_TYPE, "text/plain; charset=utf-8"),
        (header::CACHE_CONTROL, "no-store"),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    ];
    (headers, text).into_response()
}

/// Leads to the page of a card, from four levels below it, under whatever path a proxy has put both.
fn page_of(digest: &Digest, station: &str, known: &[Uuid]) -> Response {
    let known: Vec<String> = known.iter().map(Uuid::to_string).collect();
    let beside = if known.is_empty() { String::new() } else { format!("&beside={}", known.join(",")) };
    let address = format!("../../../../card/{}{beside}", card::beside(digest, station));
    (StatusCode::SEE_OTHER, [(header::LOCATION, address), (header::CACHE_CONTROL, "no-store".into())]).into_response()
}

/// Nothing needs keying, and no test call is asked for.
fn nothing(view: &View, row: &Row, asked: &Asked) -> Response {
    let way = match asked.aim {
        Aim::There | Aim::Renew => Way::There,
        Aim::Back => Way::Back,
    };
    match asked.format {
        Format::Json => {
            let full = tokio::task::block_in_place(|| {
                let record = row.record();
                let codes = view.codes_for(row, &record);
                script::full_presses(&row.station, &record, &codes, &mut Memory::default())
            });
            problem::json(StatusCode::OK, "application/json", script::nothing_to_key(&row.station, full))
        }
        Format::Card | Format::Html => plain(script::nothing_text(&row.station, &row.record(), &row.drift, way)),
        Format::Keys => plain(String::new()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_format_that_is_preferred_is_given() {
        let asks = |accept: &str| accepted(&[(header::ACCEPT, accept.parse().unwrap())].into_iter().collect()).ok();
        assert_eq!(accepted(&HeaderMap::new()).ok(), Some(Format::Json));
        for (accept, format) in [
            ("*/*", Some(Format::Json)),
            ("text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8", Some(Format::Html)),
            ("text/plain", Some(Format::Card)),
            ("text/*;q=0.5, application/json;q=0.4", Some(Format::Card)),
            ("application/json;q=0, */*;q=0.1", Some(Format::Card)),
            ("text/html;q=0.2, text/*;q=0.1", Some(Format::Html)),
            ("image/png", None),
            ("nonsense", None),
            ("application/json;q=0", None),
        ] {
            assert_eq!(asks(accept), format, "{accept}");
        }
    }
}
