//! The guide in the browser, the same for everyone: it holds nothing of the fleet.

use std::sync::LazyLock;

use axum::response::{IntoResponse, Response};

use super::api;
use super::catalogue::METRICS;
use super::page::headers;
use crate::guide::{Guide, STYLE};

pub(super) async fn guide() -> Response {
    static HTML: LazyLock<String> = LazyLock::new(|| Guide { metrics: METRICS, addresses: api::addresses() }.html());
    (headers(STYLE), HTML.as_str()).into_response()
}
