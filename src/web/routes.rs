//! The addresses there are, and what each answers.

use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, State};
use axum::http::{HeaderMap, Method, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use serde_json::{Map, Value, json};

use super::access::{self, Caller};
use super::api;
use super::guide_page;
use super::metrics::{self, Tally};
use super::outcome;
use super::probe::{Probe, Trouble};
use super::problem::{self, Kind, Problem};
use super::start;
use super::status::{Health, Status};
use super::visit;

/// What every answer is made from.
struct Served {
    status: Arc<Status>,
    probe: Probe,
    tally: Tally,
}

/// The router over a status.
pub(super) fn routes(status: Arc<Status>) -> Router {
    let probe = Probe::new(status.clocks());
    let programs = api::router(status.clone());
    Router::new()
        .route("/", get(start_page))
        .route("/healthz", get(healthz))
        .route("/readyz", get(readyz))
        .route("/metrics", get(metrics_text))
        .route("/card/{digest}", get(card))
        .route("/card/worker.js", get(|| async { visit::worker() }))
        .route("/card/{digest}/{name}", get(module))
        .route("/guide", get(guide_page::guide))
        .route("/problems/{code}", get(problem_text))
        .with_state(Arc::new(Served { status, probe, tally: Tally::default() }))
        .merge(programs)
        .fallback(unknown)
        .method_not_allowed_fallback(other_method)
}

async fn healthz(State(served): State<Arc<Served>>) -> Response {
    let health = served.status.health();
    let mut members = health_members(&health);
    if health.is_good() {
        members.insert("healthy".into(), true.into());
        return problem::json(StatusCode::OK, "application/json", members);
    }
    Problem { more: members, ..Problem::new(Kind::PassesLate, late(&health)) }.into_response()
}

/// Ages and limits in seconds, rounded down to a tenth.
fn health_members(health: &Health) -> Map<String, Value> {
    let members = json!({
        "age_s": health.age.map(seconds),
        "limit_s": seconds(health.limit),
        "owed_s": health.owed.map(seconds),
        "owed_limit_s": seconds(health.owed_limit),
        "finished_at": health.finished_at.map(|at| at.to_string()),
        "took_s": health.finished_at.map(|_| health.took.as_millis() as f64 / 1000.0),
        "passes": {"finished": health.finished, "failed": health.failed},
    });
    match members {
        Value::Object(members) => members,
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) | Value::Array(_) => Map::new(),
    }
}

fn seconds(time: Duration) -> f64 {
    (time.as_millis() / 100) as f64 / 10.0
}

fn late(health: &Health) -> String {
    let why = if health.is_failing { "; the last try failed, see the log" } else { "" };
    match (health.age, health.owed) {
        (None, _) => format!("No pass has finished since the start{why}."),
        (Some(age), _) if age > health.limit => format!(
            "The last finished pass is {:.0} s old; {:.0} s is the limit (two full passes and a minute){why}.",
            seconds(age),
            seconds(health.limit)
        ),
        (Some(_), Some(owed)) => format!(
            "A pass has been owed for {:.0} s; {:.0} s is the limit{why}.",
            seconds(owed),
            seconds(health.owed_limit)
        ),
        (Some(_), None) => "Passes finish.".into(),
    }
}

async fn readyz(State(served): State<Arc<Served>>) -> Response {
    // Whatever it answers, that the clock is set by hand comes first: no other member has a capital.
    let rehearsal = served.status.clocks().is_set_by_hand.then_some(("REHEARSAL", true));
    let first =
        |problem: Problem| rehearsal.into_iter().fold(problem, |problem, (name, value)| problem.with(name, value));
    let not_ready = |kind, detail: &str| first(Problem::new(kind, detail)).into_response();
    let session = served.status.session().filter(|_| served.status.health().finished > 0);
    let Some(session) = session else {
        return not_ready(Kind::FirstPass, "The first pass has not finished yet.");
    };
    if !served.status.is_watching() {
        return not_ready(Kind::Inventory, "No inventory could ever be used: no station is watched.");
    }
    match served.probe.writable(&session.store).await {
        Ok(()) => {
            // It works on, so it is ready; that nobody hears of it is said beside.
            let members = rehearsal.into_iter().chain([("ready", true), ("alerts_silent", served.status.is_silent())]);
            let members = members.map(|(name, value)| (name.to_owned(), value.into())).collect::<Map<_, _>>();
            problem::json(StatusCode::OK, "application/json", members)
        }
        Err(Trouble { word, sentence }) => {
            first(Problem::new(Kind::Ledger, sentence)).with("ledger", word).into_response()
        }
    }
}

/// With tokens other machines may listen in: then metrics, too, are for those who have one.
async fn metrics_text(State(served): State<Arc<Served>>, headers: HeaderMap) -> Response {
    let session = served.status.session();
    if session.is_some_and(|session| session.cards.access().caller(&headers) == Caller::Unknown) {
        return access::token_needed().into_response();
    }
    match metrics::text(&served.status, &served.tally).await {
        Ok(text) => {
            let headers = [(header::CONTENT_TYPE, metrics::CONTENT_TYPE), (header::CACHE_CONTROL, "no-store")];
            (headers, text).into_response()
        }
        Err(error) => {
            Problem::new(Kind::Metrics, format!("This is a mistake of the program: {error}.")).into_response()
        }
    }
}

async fn card(
    State(served): State<Arc<Served>>,
    digest: Result<Path<String>, PathRejection>,
    RawQuery(query): RawQuery,
    method: Method,
    headers: HeaderMap,
) -> Response {
    let Ok(Path(digest)) = digest else { return outcome::no_such_card().into_response() };
    match served.status.session().filter(|_| served.status.health().finished > 0) {
        Some(session) => {
            session.cards.answer(&digest, &query.unwrap_or_default(), &headers, method == Method::GET).await
        }
        None => outcome::busy().into_response(),
    }
}

async fn start_page(State(served): State<Arc<Served>>, RawQuery(query): RawQuery, headers: HeaderMap) -> Response {
    match served.status.session().filter(|_| served.status.health().finished > 0) {
        Some(session) => start::answer(session.cards, &headers, &query.unwrap_or_default()).await,
        None => outcome::busy().into_response(),
    }
}

/// A script of the visit page; the first part of its address stands for its version.
async fn module(names: Result<Path<(String, String)>, PathRejection>, uri: Uri) -> Response {
    let known = names.ok().and_then(|Path((version, name))| visit::module(&version, &name));
    match known {
        Some(script) => script,
        None => unknown(uri).await.into_response(),
    }
}

/// What a kind of problem means: the type of a problem document leads here.
async fn problem_text(code: Result<Path<String>, PathRejection>, uri: Uri) -> Response {
    let kind = code.ok().and_then(|Path(code)| Kind::ALL.into_iter().find(|kind| kind.code() == code));
    match kind {
        Some(kind) => ([(header::CONTENT_TYPE, "text/plain; charset=utf-8")], kind.text()).into_response(),
        None => unknown(uri).await.into_response(),
    }
}

const THERE: &str = "There are /, /guide, /card/DIGEST, /api/v1, /healthz, /readyz and /metrics.";

async fn unknown(uri: Uri) -> Problem {
    let detail = format!("Nothing is at {}. {THERE}", shown(uri.path()));
    Problem::new(Kind::UnknownPath, detail)
}

async fn other_method(method: Method, uri: Uri) -> Problem {
    // Which it takes stands in the header "Allow".
    Problem::new(Kind::Method, format!("{} does not take {}.", shown(uri.path()), shown(method.as_str())))
}

/// As much of what a client sent as is worth repeating.
fn shown(text: &str) -> String {
    const MOST: usize = 100;
    text.chars().take(MOST).collect()
}
