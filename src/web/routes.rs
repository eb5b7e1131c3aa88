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
use super::guide_page;
use super::metrics::{self, Tally};
use super::outcome;
use super::probe::{Probe, Trouble};
use super::problem::{self, Problem};
use super::status::{Health, Status};

/// What every answer is made from.
struct Served {
    status: Arc<Status>,
    probe: Probe,
    tally: Tally,
}

/// The router over a status.
pub(super) fn routes(status: Arc<Status>) -> Router {
    let probe = Probe::new(status.clocks());
    Router::new()
        .route("/healthz", get(healthz))
        .route("/readyz", get(readyz))
        .route("/metrics", get(metrics_text))
        .route("/card/{digest}", get(card))
        .route("/guide", get(guide_page::guide))
        .fallback(unknown)
        .method_not_allowed_fallback(other_method)
        .with_state(Arc::new(Served { status, probe, tally: Tally::default() }))
}

async fn healthz(State(served): State<Arc<Served>>) -> Response {
    let health = served.status.health();
    let mut members = health_members(&health);
    if health.is_good() {
        members.insert("healthy".into(), true.into());
        return problem::json(StatusCode::OK, "application/json", members);
    }
    let title = "Passes do not finish as they should";
    let problem = Problem::new(StatusCode::SERVICE_UNAVAILABLE, "passes-late", title, late(&health));
    Problem { more: members, ..problem }.into_response()
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
    let not_ready =
        |kind, detail: String| Problem::new(StatusCode::SERVICE_UNAVAILABLE, kind, "Not ready", detail).into_response();
    let session = served.status.session().filter(|_| served.status.health().finished > 0);
    let Some(session) = session else {
        return not_ready("first-pass", "The first pass has not finished yet.".into());
    };
    if !served.status.is_watching() {
        return not_ready("inventory", "No inventory could ever be used: no station is watched.".into());
    }
    match served.probe.writable(&session.store).await {
        Ok(()) => {
            // It works on, so it is ready; that nobody hears of it is said beside.
            let members = Map::from_iter([
                ("ready".to_owned(), true.into()),
                ("alerts_silent".to_owned(), served.status.is_silent().into()),
            ]);
            problem::json(StatusCode::OK, "application/json", members)
        }
        Err(Trouble { word, sentence }) => {
            let problem = Problem::new(StatusCode::SERVICE_UNAVAILABLE, "ledger", "Not ready", sentence);
            let more = Map::from_iter([("ledger".to_owned(), word.into())]);
            Problem { more, ..problem }.into_response()
        }
    }
}

/// With tokens other machines may listen in: then metrics, too, are for those who have one.
async fn metrics_text(State(served): State<Arc<Served>>, headers: HeaderMap) -> Response {
    let session = served.status.session();
    if session.is_some_and(|session| session.cards.access().caller(&headers) == Caller::Unknown) {
        let detail = "Give the name and the token that the configuration lists at \"access\".";
        let problem = Problem::new(StatusCode::UNAUTHORIZED, "token", "A token is needed", detail);
        return ([(header::WWW_AUTHENTICATE, access::CHALLENGE)], problem).into_response();
    }
    match metrics::text(&served.status, &served.tally).await {
        Ok(text) => {
            let headers = [(header::CONTENT_TYPE, metrics::CONTENT_TYPE), (header::CACHE_CONTROL, "no-store")];
            (headers, text).into_response()
        }
        Err(error) => {
            let title = "The metrics cannot be written";
            let detail = format!("This is a mistake of the program: {error}.");
            Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "metrics", title, detail).into_response()
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

const THERE: &str = "There are /guide, /card/DIGEST, /healthz, /readyz and /metrics.";

async fn unknown(uri: Uri) -> Problem {
    let detail = format!("Nothing is at {}. {THERE}", shown(uri.path()));
    Problem::new(StatusCode::NOT_FOUND, "unknown-path", "Nothing is here", detail)
}

async fn other_method(method: Method, uri: Uri) -> Response {
    let detail = format!("{} takes GET and HEAD, not {}.", shown(uri.path()), shown(method.as_str()));
    let problem = Problem::new(StatusCode::METHOD_NOT_ALLOWED, "method", "Another method is needed", detail);
    ([(header::ALLOW, "GET, HEAD")], problem).into_response()
}

/// As much of what a client sent as is worth repeating.
fn shown(text: &str) -> String {
    const MOST: usize = 100;
    text.chars().take(MOST).collect()
}
