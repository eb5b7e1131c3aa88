//! `POST /api/v1/reports` and `POST /api/v1/visits`: what was keyed, heard, found and tested comes in, and that somebody began to
//! key. It is recorded by the functions behind `report`, and a pass is made at once.

use std::future::poll_fn;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use axum::body::{Body, HttpBody};
use axum::extract::{RawQuery, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::de::IgnoredAny;
use serde_json::Value as Json;
use tokio::time::timeout;

use super::super::cards::Cards;
use super::super::problem::{Kind, Problem, json};
use super::super::status::Status;
use super::guard::{self, Filer, SignedLink};
use crate::fleet::intake::Received;
use crate::fleet::{Answer, FleetError, View, receipt};
use crate::ledger::{self, REPORT_LIMIT_BYTES};
use crate::yaml::{self, Data, Node};

/// Whoever sends waits so long for the answer; what was sent is recorded to its end all the same.
const PATIENCE: Duration = Duration::from_secs(20);

/// The longest body.
const LIMIT: usize = REPORT_LIMIT_BYTES as usize;

/// A sender whose body is too long hears so once so much of it has come: one that is cut off in the middle hears nothing.
const DRAINED: usize = 1 << 20;

/// What is filed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Filed {
    Report,
    Visit,
}

impl Filed {
    /// What stands for the file's name where something in it is wrong.
    fn source(self) -> Arc<str> {
        match self {
            Filed::Report => "sent report".into(),
            Filed::Visit => "sent visit".into(),
        }
    }
}

/// Records a field report.
pub(super) async fn report(
    State(status): State<Arc<Status>>,
    RawQuery(query): RawQuery,
    headers: HeaderMap,
    body: Body,
) -> Response {
    answer(filed(Filed::Report, &status, &query.unwrap_or_default(), &headers, body).await)
}

/// Records that a visit has begun.
pub(super) async fn visit(
    State(status): State<Arc<Status>>,
    RawQuery(query): RawQuery,
    headers: HeaderMap,
    body: Body,
) -> Response {
    answer(filed(Filed::Visit, &status, &query.unwrap_or_default(), &headers, body).await)
}

fn answer(filed: Result<Response, Problem>) -> Response {
    filed.unwrap_or_else(IntoResponse::into_response)
}

async fn filed(
    what: Filed,
    status: &Status,
    query: &str,
    headers: &HeaderMap,
    body: Body,
) -> Result<Response, Problem> {
    let cards = guard::open(status)?;
    let filer = guard::filer(&cards, headers, query)?;
    let is_json = is_json(headers)?;
    let bytes = whole(body).await?;
    let root = parsed(what, &bytes, is_json)?;
    let link = match filer {
        Filer::Anyone => None,
        Filer::Link(link) => {
            link.check(&cards, text(&root, "script"))?;
            Some((link, text(&root, "station").unwrap_or_default().to_owned()))
        }
    };
    if what == Filed::Report && root.get("begun").is_some() {
        let detail = "This is the beginning of a visit. Send it to /api/v1/visits.";
        return Err(Problem::new(Kind::Rejected, detail).with("reasons", vec![detail]));
    }
    // It is recorded to its end, whoever has gone away meanwhile.
    match timeout(PATIENCE, tokio::spawn(recorded(what, cards, bytes, link))).await {
        Ok(Ok(answer)) => answer,
        Ok(Err(_)) => Err(Problem::new(Kind::CutShort, "Send it again: it counts once. The log may say more.")),
        Err(_) => Err(Problem::new(Kind::Busy, "It may be on record by now. Send it again: it counts once.")
            .with_header(header::RETRY_AFTER, "5")),
    }
}

/// Whether the body says that it is JSON; else it says that it is YAML.
fn is_json(headers: &HeaderMap) -> Result<bool, Problem> {
    let mut types = headers.get_all(header::CONTENT_TYPE).iter();
    let only = types.next().filter(|_| types.next().is_none()).and_then(|one| one.to_str().ok());
    let essence = only.and_then(|one| one.split(';').next()).map(|one| one.trim().to_ascii_lowercase());
    match essence.as_deref() {
        Some("application/json") => Ok(true),
        Some("application/yaml") => Ok(false),
        Some(_) | None => {
            let detail = "Send application/json or application/yaml, and say so in \"Content-Type\".";
            Err(Problem::new(Kind::MediaType, detail).with_header(header::ACCEPT, "application/json, application/yaml"))
        }
    }
}

/// The whole body, where it is no longer than it may be.
async fn whole(body: Body) -> Result<Vec<u8>, Problem> {
    let mut body = pin!(body);
    let (mut bytes, mut length) = (Vec::new(), 0);
    while let Some(frame) = poll_fn(|context| body.as_mut().poll_frame(context)).await {
        let frame = frame.map_err(|_| Problem::new(Kind::NotParsed, "The body was cut off. Send it again, whole."))?;
        let Ok(data) = frame.into_data() else { continue };
        length += data.len();
        if length <= LIMIT {
            bytes.extend_from_slice(&data);
        } else if length > DRAINED {
            break;
        }
    }
    if length > LIMIT {
        let detail = format!("The body is longer than {LIMIT} bytes. Send one report at a time.");
        return Err(Problem::new(Kind::TooLarge, detail));
    }
    Ok(bytes)
}

/// The body as a tree, where it is one at all: what cannot be read is nobody's report, and is not kept.
fn parsed(what: Filed, bytes: &[u8], is_json: bool) -> Result<Node, Problem> {
    if is_json && let Err(error) = serde_json::from_slice::<IgnoredAny>(bytes) {
        return Err(Problem::new(Kind::NotParsed, format!("The body is not JSON: {error}.")));
    }
    yaml::read(&what.source(), bytes).map_err(|findings| {
        let reasons: Vec<String> = findings.iter().take(10).map(ToString::to_string).collect();
        Problem::new(Kind::NotParsed, "The body cannot be read.").with("reasons", reasons)
    })
}

/// The text at a key.
fn text<'n>(root: &'n Node, key: &str) -> Option<&'n str> {
    match &root.get(key)?.data {
        Data::Scalar { text, .. } => Some(text),
        Data::List(_) | Data::Map(_) => None,
    }
}

/// Records it by a view of this moment, and says what came of it by the next one.
async fn recorded(
    what: Filed,
    cards: Arc<Cards>,
    bytes: Vec<u8>,
    link: Option<(SignedLink, String)>,
) -> Result<Response, Problem> {
    let view = view(&cards).await?;
    if let Some((link, station)) = link {
        // The link may name the station as it was called when the link was made.
        let called = |name: &str| view.reading.inventory.called(name).map(|station| &station.name);
        if called(&link.station).is_none() || called(&link.station) != called(&station) {
            return Err(Problem::new(Kind::Link, "This link files the report and the visit of its own card alone."));
        }
    }
    let (intake, source) = (view.intake(&cards.store), what.source());
    let received = match what {
        Filed::Report => intake.report(&source, &bytes).await,
        Filed::Visit => intake.begun(&source, &bytes).await,
    };
    let received = received.map_err(|error| away(&error))?;
    let status = match &received {
        Received::New(station) => {
            tracing::info!(%station, "{source} recorded");
            StatusCode::CREATED
        }
        Received::Duplicate(_) => StatusCode::OK,
        Received::Rejected(_) => {
            let mut said = receipt(&received, None, &Answer::default());
            let detail = "It was kept with the reasons, and on-call is alerted. Fix it and send it again.";
            tracing::warn!("{source} rejected");
            return Err(Problem::new(Kind::Rejected, detail).with("reasons", said["reasons"].take()));
        }
    };
    Ok(json(status, "application/json", came(what, &cards, &received, &bytes).await))
}

/// What came of it. It is on record already: where that cannot be told, it is a success all the same.
async fn came(what: Filed, cards: &Cards, received: &Received, bytes: &[u8]) -> Json {
    // A new view is a new pass, so that a case closes as soon as its report is on record.
    let view = view(cards).await;
    let source = what.source();
    let untold = |_| {
        let consequences = vec!["It is on record. What came of it cannot be told now.".into()];
        Answer { consequences, missing: Vec::new() }
    };
    let (id, answer) = match what {
        Filed::Report => {
            let report = ledger::read(&source, bytes).ok().map(|(report, _)| report);
            let answer = match (&view, &report) {
                (Ok(view), Some(report)) => view.intake(&cards.store).answer(report, view).await.map_err(drop),
                (Err(_), _) | (_, None) => Err(()),
            };
            (report.map(|report| report.id), answer)
        }
        Filed::Visit => {
            let visit = ledger::read_visit(&source, bytes).ok();
            let answer = match (&view, &visit) {
                (Ok(view), Some(visit)) => view.intake(&cards.store).answer_visit(visit, view).await.map_err(drop),
                (Err(_), _) | (_, None) => Err(()),
            };
            (visit.map(|visit| visit.id), answer)
        }
    };
    receipt(received, id, &answer.unwrap_or_else(untold))
}

/// A view of this moment, with an inventory to go by.
async fn view(cards: &Cards) -> Result<Arc<View>, Problem> {
    let view = cards.asking.view().await;
    let view = view.map_err(|_| Problem::new(Kind::Ledger, LATER).with_header(header::RETRY_AFTER, "5"))?;
    if !view.is_watching() {
        return Err(Problem::new(
            Kind::Inventory,
            "No inventory is in use, so no station is known. Send it again later.",
        ));
    }
    Ok(view)
}

const LATER: &str = "The ledger cannot be read or written now. Send it again later: it counts once.";

fn away(error: &FleetError) -> Problem {
    tracing::warn!(%error, "nothing could be recorded");
    Problem::new(Kind::Ledger, LATER).with_header(header::RETRY_AFTER, "5")
}
