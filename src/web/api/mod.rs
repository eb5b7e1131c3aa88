//! The interface for programs, and for the pages of a visit: `/api/v1`. It records what is reported and answers from views; it
//! works out nothing beside them.

mod described;
mod description;
mod filing;
mod guard;
mod query;
mod reports;
mod script;
mod stations;

use std::sync::{Arc, LazyLock};

use axum::Router;
use axum::http::StatusCode;
use axum::response::Response;
use axum::routing::get;
use utoipa::openapi::OpenApiBuilder;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::problem;
use super::status::Status;
use crate::guide::Address;

/// The addresses with what they do, for the router and for their description alike.
fn described() -> OpenApiRouter<Arc<Status>> {
    OpenApiRouter::with_openapi(OpenApiBuilder::new().build())
        .routes(routes!(stations::list))
        .routes(routes!(stations::station))
        .routes(routes!(stations::drift))
        .routes(routes!(script::of_station))
        .routes(routes!(stations::history))
        .routes(routes!(script::on_record))
        .routes(routes!(reports::list, filing::report))
        .routes(routes!(filing::visit))
}

/// Its addresses, and the one of their description.
pub(super) fn router(status: Arc<Status>) -> Router {
    let (router, _) = described().split_for_parts();
    router.route("/openapi.json", get(openapi)).with_state(status)
}

/// The description, the same for everyone: it holds nothing of the fleet.
async fn openapi() -> Response {
    problem::json(StatusCode::OK, "application/json", DESCRIPTION.clone())
}

static DESCRIPTION: LazyLock<serde_json::Value> =
    LazyLock::new(|| description::description(&described().split_for_parts().1));

/// Its addresses as the guide lists them.
pub fn addresses() -> &'static [Address] {
    static ADDRESSES: LazyLock<Vec<Address>> = LazyLock::new(|| {
        let paths = DESCRIPTION["paths"].as_object();
        let mut all = Vec::new();
        for (path, methods) in paths.into_iter().flatten() {
            for (method, operation) in methods.as_object().into_iter().flatten() {
                let about = operation["summary"].as_str().unwrap_or_default().to_owned();
                all.push(Address { method: method.to_uppercase(), path: path.clone(), about });
            }
        }
        all
    });
    &ADDRESSES
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_description_names_every_address_and_every_schema_that_it_speaks_of() {
        let text = DESCRIPTION.to_string();
        let names = text.split("#/components/schemas/").skip(1).filter_map(|rest| rest.split('"').next());
        for name in names {
            assert!(DESCRIPTION["components"]["schemas"][name].is_object(), "{name}");
        }
        assert!(DESCRIPTION["openapi"].as_str().is_some_and(|version| version.starts_with("3.1")));
        assert_eq!(addresses().len(), 9);
        for Address { method, path, about } in addresses() {
            assert!(!about.is_empty() && !about.ends_with('.'), "{method} {path}: {about}");
            let operation = &DESCRIPTION["paths"][path][method.to_lowercase()];
            assert_eq!(operation["requestBody"].is_object(), method == "POST", "{operation}");
            assert!(operation["responses"]["503"].is_object(), "{operation}");
        }
    }
}
