//! The interface for programs, and for the pages of a visit: `/api/v1`. It records what is reported and answers from views; it
//! works out nothing beside them.

mod filing;
mod guard;

use std::sync::Arc;

use axum::Router;
use axum::routing::post;

use super::status::Status;

/// Its addresses.
pub(super) fn routes(status: Arc<Status>) -> Router {
    Router::new()
        .route("/api/v1/reports", post(filing::report))
        .route("/api/v1/visits", post(filing::visit))
        .with_state(status)
}
