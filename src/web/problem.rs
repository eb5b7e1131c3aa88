//! Problem documents: RFC 9457, `application/problem+json`. Their types are URNs of our own and lead nowhere.

use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde_json::{Map, Value};

/// Something that cannot be answered as asked, or is not as it should be.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Problem {
    pub status: StatusCode,
    /// The last part of the type: `urn:stationkeep:problem:KIND`.
    pub kind: &'static str,
    /// The same for every problem of this kind.
    pub title: &'static str,
    /// What happened this time, and what to do.
    pub detail: String,
    /// Members of its own.
    pub more: Map<String, Value>,
}

impl Problem {
    pub fn new(status: StatusCode, kind: &'static str, title: &'static str, detail: impl Into<String>) -> Problem {
        Problem { status, kind, title, detail: detail.into(), more: Map::new() }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let mut document = Map::new();
        document.insert("type".into(), format!("urn:stationkeep:problem:{}", self.kind).into());
        document.insert("title".into(), self.title.into());
        document.insert("status".into(), self.status.as_u16().into());
        document.insert("detail".into(), self.detail.into());
        document.extend(self.more);
        json(self.status, "application/problem+json", document)
    }
}

/// A JSON answer that no cache keeps.
pub(super) fn json(status: StatusCode, content_type: &'static str, members: Map<String, Value>) -> Response {
    let headers = [(header::CONTENT_TYPE, content_type), (header::CACHE_CONTROL, "no-store")];
    (status, headers, format!("{}\n", Value::Object(members))).into_response()
}
