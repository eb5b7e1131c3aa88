//! Tables of the keys of a kind of file, made from its JSON Schema, so that what the guide says is what is checked.

use std::fmt::Write;

use serde_json::{Map, Value};

use crate::schema::Kind;

/// All tables of a kind of file: the file's own keys first, then each part that has keys of its own.
pub(super) fn tables(kind: Kind) -> String {
    let Ok(schema) = serde_json::from_str::<Value>(kind.text()) else { return String::new() };
    let mut text = table(&schema, &schema);
    let parts = schema.get("$defs").and_then(Value::as_object);
    for (name, part) in parts.into_iter().flatten() {
        let rows = table(part, &schema);
        if !rows.is_empty() {
            let heading = name.replace('_', " ");
            let about = part.get("description").and_then(Value::as_str).unwrap_or_default();
            let _ = write!(text, "\n### {heading}\n\n{about}\n\n{rows}");
        }
    }
    text
}

/// The keys of one part; empty where it has none of its own.
fn table(part: &Value, schema: &Value) -> String {
    let mut text = String::new();
    rows(&mut text, "", part, schema);
    if text.is_empty() { text } else { format!("| key | takes | meaning |\n|---|---|---|\n{text}") }
}

fn rows(text: &mut String, above: &str, part: &Value, schema: &Value) {
    let required: Vec<&str> =
        part.get("required").and_then(Value::as_array).into_iter().flatten().filter_map(Value::as_str).collect();
    for (key, property) in part.get("properties").and_then(Value::as_object).into_iter().flatten() {
        let named = named(property, schema);
        let about = [property, named].into_iter().find_map(|of| of.get("description")?.as_str()).unwrap_or_default();
        let must = if required.contains(&key.as_str()) { "Required. " } else { "" };
        let meaning = about.replace('|', "\\|");
        let _ = writeln!(text, "| `{above}{key}` | {} | {must}{meaning} |", takes(property, schema));
        // What has a name of its own gets a table of its own.
        if property.get("$ref").is_none() {
            rows(text, &format!("{above}{key}."), property, schema);
        }
    }
}

/// The part that a `$ref` leads to, through any number of them; else the part itself.
fn named<'s>(property: &'s Value, schema: &'s Value) -> &'s Value {
    let mut at = property;
    for _ in 0..8 {
        let next = at.get("$ref").and_then(Value::as_str).and_then(|place| schema.pointer(place.strip_prefix('#')?));
        match next {
            Some(next) => at = next,
            None => break,
        }
    }
    at
}

/// What a key takes, in a few words.
fn takes(property: &Value, schema: &Value) -> String {
    let named = named(property, schema);
    let Some(of) = named.as_object() else { return String::new() };
    if let Some(only) = of.get("const") {
        return format!("`{}`", plain(only));
    }
    if let Some(words) = of.get("enum").and_then(Value::as_array) {
        let words: Vec<String> = words.iter().map(|word| format!("`{}`", plain(word))).collect();
        return words.join(", ");
    }
    let types: Vec<&str> = match of.get("type") {
        Some(Value::String(one)) => vec![one],
        Some(Value::Array(many)) => many.iter().filter_map(Value::as_str).collect(),
        Some(Value::Null | Value::Bool(_) | Value::Number(_) | Value::Object(_)) | None => Vec::new(),
    };
    // The readers of texts take what YAML would read as something else, so such types say "text".
    let is_text = types.contains(&"string");
    let mut words: Vec<String> = Vec::new();
    for kind in &types {
        match *kind {
            "string" => words.push("text".into()),
            "number" | "boolean" if is_text => {}
            "number" => words.push(ranged("number", of)),
            "integer" => words.push(ranged("whole number", of)),
            "boolean" => words.push("`true`, `false`".into()),
            "array" => words.push(list(of)),
            "object" => words.push("mapping".into()),
            _ => {}
        }
    }
    words.join(" or ")
}

fn ranged(word: &str, of: &Map<String, Value>) -> String {
    match (of.get("minimum"), of.get("maximum")) {
        (Some(least), Some(most)) => format!("{word}, {least} to {most}"),
        (Some(least), None) => format!("{word}, at least {least}"),
        (None, Some(most)) => format!("{word}, at most {most}"),
        (None, None) => word.to_owned(),
    }
}

fn list(of: &Map<String, Value>) -> String {
    match (of.get("minItems").and_then(Value::as_u64), of.get("maxItems").and_then(Value::as_u64)) {
        (Some(least), Some(most)) if least == most => format!("list of {least}"),
        _ => "list".to_owned(),
    }
}

fn plain(value: &Value) -> String {
    value.as_str().map_or_else(|| value.to_string(), str::to_owned)
}
