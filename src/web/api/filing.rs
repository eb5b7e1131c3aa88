//! `POST /api/v1/reports` and `POST /api/v1/visits`: what was keyed, heard, found and tested comes in, and that someone began to
//! key. It is recorded by the functions behind `report`, and a pass is made at once.

use std::future::poll_fn;
use std::pin::pin;
use std::sync::Arc;

use axum::body::{Body, HttpBody};
use axum::extract::{RawQuery, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::Response;
use serde::de::IgnoredAny;
use serde_json::Value as Json;

use super::super::cards::Cards;
use super::super::problem::{Kind, Problem, json};
use super::super::status::Status;
use super::described::{FilingProblems, LinkParams};
use super::guard::{self, Filer, SignedLink};
use crate::fleet::intake::Received;
use crate::fleet::{Answer, receipt};
use crate::ledger::{self, REPORT_LIMIT_BYTES};
use crate::yaml::{self, Data, Node};

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

/// Record a field report
#[utoipa::path(
    post,
    path = "/api/v1/reports",
    params(LinkParams),
    request_body(
        description = "The report, as YAML or JSON. Sent again it counts once.",
        content(
            (ref("#/components/schemas/Report") = "application/json"),
            (ref("#/components/schemas/Report") = "application/yaml"),
        ),
    ),
    responses(
        (status = 201, description = "It is on record now", body = ref("#/components/schemas/Receipt")),
        (status = 200, description = "It was on record already", body = ref("#/components/schemas/Receipt")),
        FilingProblems,
    ),
)]
pub(super) async fn report(
    State(status): State<Arc<Status>>,
    RawQuery(query): RawQuery,
    headers: HeaderMap,
    body: Body,
) -> Response {
    guard::answer(filed(Filed::Report, &status, &query.unwrap_or_default(), &headers, body).await)
}

/// Record that someone begins to key a script
#[utoipa::path(
    post,
    path = "/api/v1/visits",
    params(LinkParams),
    request_body(
        description = "The beginning of a visit, as YAML or JSON. Its report comes under the same id. Sent again it counts once.",
        content(
            (ref("#/components/schemas/Visit") = "application/json"),
            (ref("#/components/schemas/Visit") = "application/yaml"),
        ),
    ),
    responses(
        (status = 201, description = "It is on record now", body = ref("#/components/schemas/Receipt")),
        (status = 200, description = "It was on record already", body = ref("#/components/schemas/Receipt")),
        FilingProblems,
    ),
)]
pub(super) async fn visit(
    State(status): State<Arc<Status>>,
    RawQuery(query): RawQuery,
    headers: HeaderMap,
    body: Body,
) -> Response {
    guard::answer(filed(Filed::Visit, &status, &query.unwrap_or_default(), &headers, body).await)
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
    let bytes = if is_json { without_pairs(&bytes)? } else { bytes };
    let root = yaml::read(&what.source(), &bytes).map_err(|findings| {
        // What cannot be read is nobody's report, and is not kept.
        let reasons: Vec<String> = findings.iter().take(10).map(ToString::to_string).collect();
        Problem::new(Kind::NotParsed, "The body cannot be read.").with("reasons", reasons)
    })?;
    let link = match filer {
        Filer::Anyone => None,
        Filer::Link(link) => {
            link.check(&cards, text(&root, "script"))?;
            Some((link, text(&root, "station").unwrap_or_default().to_owned()))
        }
    };
    if what == Filed::Report && root.get("begun").is_some() {
        return Err(Problem::new(Kind::NotParsed, "This is the beginning of a visit. Send it to /api/v1/visits."));
    }
    guard::patiently(recorded(what, cards, bytes, link)).await
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

/// JSON with every character that it spells as two escapes (RFC 8259 section 7) as itself: in all else it is YAML, which knows
/// no such pairs.
fn without_pairs(json: &[u8]) -> Result<Vec<u8>, Problem> {
    let wrong = |why: &dyn std::fmt::Display| Problem::new(Kind::NotParsed, format!("The body is not JSON: {why}."));
    serde_json::from_slice::<IgnoredAny>(json).map_err(|error| wrong(&error))?;
    let text = std::str::from_utf8(json).map_err(|error| wrong(&error))?;
    let mut plain = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(at) = rest.find('\\') {
        let (before, escape) = rest.split_at(at);
        plain.push_str(before);
        let first = unit(escape);
        let pair =
            first.map(|first| char::decode_utf16([first].into_iter().chain(escape.get(6..).and_then(unit))).next());
        rest = match pair {
            Some(Some(Ok(character))) if character > '\u{ffff}' => {
                plain.push(character);
                &escape[12..]
            }
            Some(Some(Err(_))) => return Err(wrong(&"it spells half a character")),
            // Any other escape: what comes after its backslash begins no other.
            Some(_) | None => {
                let end = escape.char_indices().nth(2).map_or(escape.len(), |(end, _)| end);
                plain.push_str(&escape[..end]);
                &escape[end..]
            }
        };
    }
    plain.push_str(rest);
    Ok(plain.into_bytes())
}

/// The UTF-16 code unit that an escape at the beginning of a text spells.
fn unit(text: &str) -> Option<u16> {
    u16::from_str_radix(text.strip_prefix("\\u")?.get(..4)?, 16).ok()
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
    let view = guard::view(&cards).await?;
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
    let received = received.map_err(|error| {
        tracing::warn!(%error, "{source} could not be recorded");
        guard::away()
    })?;
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
    let view = guard::view(cards).await;
    let source = what.source();
    let untold = |_| {
        let consequences = vec!["It is on record. What came of it cannot be told now.".into()];
        Answer { consequences, ..Answer::default() }
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

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn plain(json: &str) -> Option<String> {
        without_pairs(json.as_bytes()).ok().map(|bytes| String::from_utf8(bytes).unwrap())
    }

    #[test]
    fn a_character_spelt_as_a_pair_becomes_itself_and_all_other_escapes_stay() {
        // The example of RFC 8259 section 7: the G clef.
        assert_eq!(plain("\"\\uD834\\uDD1E\"").as_deref(), Some("\"\u{1d11e}\""));
        for same in ["\"\\u00e9 \\\\ \\\" \\n\"", "\"\\\\ud834\"", "{\"a\": [1, null]}", "\"é\\\\\""] {
            assert_eq!(plain(same).as_deref(), Some(same));
        }
        for half in ["\"\\ud834\"", "\"\\udd1e\"", "\"\\ud834\\u0041\"", "{", ""] {
            assert_eq!(plain(half), None, "{half}");
        }
    }

    proptest! {
        /// Against the reader of JSON itself.
        #[test]
        fn it_says_the_same_as_before(text in any::<String>()) {
            let spelt: String = text.encode_utf16().map(|unit| format!("\\u{unit:04x}")).collect();
            let plain = plain(&format!("\"{spelt}\"")).unwrap();
            prop_assert_eq!(serde_json::from_str::<String>(&plain).unwrap(), text);
        }
    }
}
