//! How stations are: the list, one of them, its drift, its history. The JSON of drift is the form of `drift --format json`.

use std::sync::Arc;

use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;
use serde_json::{Value as Json, json};

use super::super::cards::Cards;
use super::super::problem::{self, Kind, Problem};
use super::super::status::Status;
use super::described::{ListParams, ReadingProblems, StationProblems};
use super::guard;
use super::query::{Query, wrong};
use crate::drift::{self, Standing};
use crate::finding::did_you_mean;
use crate::fleet::{Keying, Row, View, history as history_of, history_json};
use crate::ledger::LedgerLine;
use crate::script::{Memory, Way};
use crate::setting::Weight;

/// The latest entries that stand beside a station; all of them are at `/history`.
const LATEST: usize = 20;

/// The name of a station in an address.
pub(super) type StationName = Result<Path<String>, PathRejection>;

/// List stations by name
#[utoipa::path(
    get,
    path = "/api/v1/stations",
    params(ListParams),
    responses((status = 200, description = "A page of the list", body = ref("#/components/schemas/Stations")), ReadingProblems),
)]
pub(super) async fn list(State(status): State<Arc<Status>>, RawQuery(query): RawQuery, headers: HeaderMap) -> Response {
    let listed = async {
        let cards = guard::reader(&status, &headers)?;
        let filter = Filter::of(&query.unwrap_or_default())?;
        guard::patiently(async move { Ok(json_of(filter.page(&*guard::view(&cards).await?)?)) }).await
    };
    guard::answer(listed.await)
}

/// Show a station: its drift, its script, the latest of its history
#[utoipa::path(
    get,
    path = "/api/v1/stations/{station}",
    params(("station" = String, Path, description = "The station's name, or one that it had before.")),
    responses((status = 200, description = "The station", body = ref("#/components/schemas/Station")), StationProblems),
)]
pub(super) async fn station(
    State(status): State<Arc<Status>>,
    name: StationName,
    RawQuery(query): RawQuery,
    headers: HeaderMap,
) -> Response {
    let work = async |cards: Arc<Cards>, view: Arc<View>, name: String| {
        let row = row(&view, &name)?;
        let lines = entries(&cards, &view, &row.station.name).await?;
        let latest = history_json(&lines[lines.len().saturating_sub(LATEST)..]);
        Ok(tokio::task::block_in_place(|| whole(&view, row, latest, lines.len())))
    };
    about(&status, name, query, &headers, work).await
}

/// Show a station's drift
#[utoipa::path(
    get,
    path = "/api/v1/stations/{station}/drift",
    params(("station" = String, Path, description = "The station's name, or one that it had before.")),
    responses((status = 200, description = "Its drift", body = ref("#/components/schemas/Drift")), StationProblems),
)]
pub(super) async fn drift(
    State(status): State<Arc<Status>>,
    name: StationName,
    RawQuery(query): RawQuery,
    headers: HeaderMap,
) -> Response {
    let work = async |_: Arc<Cards>, view: Arc<View>, name: String| Ok(drift::json(&row(&view, &name)?.drift));
    about(&status, name, query, &headers, work).await
}

/// Show everything on record about a station, oldest first
#[utoipa::path(
    get,
    path = "/api/v1/stations/{station}/history",
    params(("station" = String, Path, description = "The station's name. One that left the inventory keeps its history.")),
    responses((status = 200, description = "Its history", body = ref("#/components/schemas/History")), StationProblems),
)]
pub(super) async fn history(
    State(status): State<Arc<Status>>,
    name: StationName,
    RawQuery(query): RawQuery,
    headers: HeaderMap,
) -> Response {
    let work = async |cards: Arc<Cards>, view: Arc<View>, name: String| {
        let known = row(&view, &name);
        let name = known.as_ref().map_or(&*name, |row| &*row.station.name);
        let lines = entries(&cards, &view, name).await?;
        if lines.is_empty() {
            known?;
        }
        Ok(json!({ "station": name, "entries": history_json(&lines) }))
    };
    about(&status, name, query, &headers, work).await
}

/// Shows a reader something about the station that an address names.
async fn about<W>(
    status: &Status,
    name: StationName,
    query: Option<String>,
    headers: &HeaderMap,
    work: impl FnOnce(Arc<Cards>, Arc<View>, String) -> W + Send + 'static,
) -> Response
where
    W: Future<Output = Result<Json, Problem>> + Send,
{
    let shown = async {
        let cards = guard::reader(status, headers)?;
        Query::of(&query.unwrap_or_default(), &[])?;
        let name = named(name)?;
        let shown = async move {
            let view = guard::view(&cards).await?;
            work(cards, view, name).await.map(json_of)
        };
        guard::patiently(shown).await
    };
    guard::answer(shown.await)
}

/// What is on record about a station.
async fn entries(cards: &Cards, view: &View, name: &str) -> Result<Vec<LedgerLine>, Problem> {
    history_of(&cards.store, view, name).await.map_err(|error| {
        tracing::warn!(%error, "a history could not be read");
        guard::away()
    })
}

fn json_of(json: Json) -> Response {
    problem::json(StatusCode::OK, "application/json", json)
}

/// The name, as far as the address has one.
pub(super) fn named(name: StationName) -> Result<String, Problem> {
    let none = |_| Problem::new(Kind::NoStation, "The name in the address is not UTF-8.");
    // No ledger and no inventory holds it.
    let odd = || Problem::new(Kind::NoStation, "No station's name holds a control character.");
    name.map(|Path(name)| name).map_err(none).and_then(|name| match name.contains(char::is_control) {
        true => Err(odd()),
        false => Ok(name),
    })
}

/// The row of a station under a name that it has or had.
pub(super) fn row<'v>(view: &'v View, name: &str) -> Result<&'v Row, Problem> {
    let station = view.reading.inventory.called(name);
    station.and_then(|station| view.row(&station.name)).ok_or_else(|| {
        let name: String = name.chars().take(100).collect();
        let fix = did_you_mean(&name, view.rows.iter().map(|row| &*row.station.name));
        Problem::new(Kind::NoStation, format!("No station is called \"{name}\". {fix}"))
    })
}

/// What is asked for of the list.
struct Filter {
    site: Option<String>,
    standing: Option<Standing>,
    weight: Option<Weight>,
    after: Option<String>,
    limit: usize,
}

impl Filter {
    fn of(query: &str) -> Result<Filter, Problem> {
        let query = Query::of(query, &ListParams::NAMES)?;
        let [site, standing, weight, after, limit] = ListParams::NAMES;
        Ok(Filter {
            site: query.text(site).map(str::to_owned),
            standing: query.word(standing, &Standing::ALL.map(|one| (one.as_str(), one)))?,
            weight: query.word(weight, &Weight::ALL.map(|one| (one.as_str(), one)))?,
            after: query.text(after).map(str::to_owned),
            limit: query.number(limit, 1..=ListParams::MOST)?.unwrap_or(ListParams::USUAL),
        })
    }

    fn takes(&self, row: &Row) -> bool {
        self.site.as_ref().is_none_or(|site| *row.station.site == **site)
            && self.standing.is_none_or(|standing| row.drift.told() == Some(standing))
            && self.weight.is_none_or(|weight| row.drift.weight == Some(weight))
    }

    /// The page of the list. An unknown site is an error: nothing there would look as if all were well.
    fn page(&self, view: &View) -> Result<Json, Problem> {
        if let Some(site) = &self.site
            && !view.rows.iter().any(|row| *row.station.site == **site)
        {
            let mut sites: Vec<&str> = view.rows.iter().map(|row| &*row.station.site).collect();
            sites.sort_unstable();
            sites.dedup();
            let site: String = site.chars().take(100).collect();
            let fix = did_you_mean(&site, sites.iter().copied());
            return Err(wrong(format!("No site is called \"{site}\". {fix}")));
        }
        let after = self.after.as_deref();
        let from = after.map_or(0, |after| view.rows.partition_point(|row| *row.station.name <= *after));
        let mut rows = view.rows[from..].iter().map(|row| &**row).filter(|row| self.takes(row));
        let shown: Vec<&Row> = rows.by_ref().take(self.limit).collect();
        let next = rows.next().and(shown.last()).map(|row| &*row.station.name);
        let stations: Vec<Json> = shown.iter().map(|row| drift::json(&row.drift)).collect();
        Ok(json!({ "stations": stations, "next": next }))
    }
}

/// A station with its drift, its script and the latest of its history.
fn whole(view: &View, row: &Row, latest: Vec<Json>, entries: usize) -> Json {
    let station = &row.station;
    json!({
        "station": &*station.name,
        "site": &*station.site,
        "where": &*station.location,
        "number": station.number.to_string(),
        "model": &*station.keybook.model,
        "drift": drift::json(&row.drift),
        "diff": drift::diff(station, &row.record()),
        "script": script_state(view, row),
        "history": { "latest": latest, "entries": entries },
    })
}

/// What keying the station needs now; nothing is issued.
fn script_state(view: &View, row: &Row) -> Json {
    let state = |state: &str| json!({ "state": state, "script": null, "change": null, "why": null });
    match view.keying(row, Way::There, &mut Memory::default()) {
        Keying::Script { script, .. } => {
            let mut json = state(if script.calls.is_empty() { "test" } else { "keying" });
            json["script"] = script.digest.to_string().into();
            json
        }
        Keying::Held(change) => {
            let mut json = state("held");
            json["change"] = change.digest.to_string().into();
            json
        }
        Keying::NoScript(why) => {
            let mut json = state("no-script");
            json["why"] = why.to_string().into();
            json
        }
        Keying::Nothing => state("nothing"),
    }
}
