//! The description of the interface, OpenAPI 3.1: its addresses come from the handlers themselves, its answers from
//! `answers.json`, the form of a report from the schema that editors use.

use serde_json::{Map, Value as Json, json};
use utoipa::openapi::OpenApi;

use crate::schema::Kind;

/// What answers look like.
const ANSWERS: &str = include_str!("answers.json");

/// The whole description, for the addresses that the router has.
pub(super) fn description(addresses: &OpenApi) -> Json {
    let mut whole = serde_json::to_value(addresses).unwrap_or_default();
    whole["info"] = json!({
        "title": "stationkeep",
        "version": env!("CARGO_PKG_VERSION"),
        "description": "Keeps a fleet of emergency call stations programmed as their owners want them. Without tokens only this \
                        machine is answered.",
        "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
    });
    let mut schemas: Map<String, Json> = serde_json::from_str(ANSWERS).unwrap_or_default();
    schemas.extend(report_schemas());
    let token = json!({
        "type": "http",
        "scheme": "basic",
        "description": "A name and its token, as the configuration lists them at \"access\".",
    });
    whole["components"] = json!({ "schemas": schemas, "securitySchemes": { "token": token } });
    whole["security"] = json!([{ "token": [] }, {}]);
    whole
}

/// The schema of a report, each of its parts a schema of its own.
fn report_schemas() -> Map<String, Json> {
    let mut report: Json = serde_json::from_str(Kind::Report.text()).unwrap_or_default();
    let parts = report.as_object_mut().and_then(|report| report.remove("$defs")).unwrap_or_default();
    for own in ["$schema", "$id"] {
        report.as_object_mut().and_then(|report| report.remove(own));
    }
    let mut schemas = Map::new();
    for (name, part) in parts.as_object().into_iter().flatten() {
        schemas.insert(part_name(name), led(part.clone()));
    }
    schemas.insert("Report".into(), led(report));
    schemas
}

/// The name of a part of a report among all schemas.
fn part_name(part: &str) -> String {
    format!("Report.{part}")
}

/// It with its references to parts leading to where these are now.
fn led(schema: Json) -> Json {
    match schema {
        Json::Object(members) => {
            let led_to = |(key, value): (String, Json)| match (key.as_str(), value.as_str()) {
                ("$ref", Some(to)) => {
                    let part = to.strip_prefix("#/$defs/").unwrap_or(to);
                    (key, format!("#/components/schemas/{}", part_name(part)).into())
                }
                _ => (key, led(value)),
            };
            Json::Object(members.into_iter().map(led_to).collect())
        }
        Json::Array(items) => items.into_iter().map(led).collect(),
        Json::Null | Json::Bool(_) | Json::Number(_) | Json::String(_) => schema,
    }
}
