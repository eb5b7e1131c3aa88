//! `schema`: the JSON Schema of each kind of file, so that editors complete and check while one types; and of alerts, with an
//! example of each.

use std::path::Path;

use serde_json::{Value, json};

use super::context::Files;
use super::error::{CliError, print};
use super::exit::Exit;
use crate::alert::body::sample;
use crate::schema::{Kind, Names, own};

/// The JSON Schema of a kind of file.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Which kind of file
    #[arg(value_enum)]
    kind: Kind,
    /// Offer the names of your own keybooks, contacts, profiles and stations
    #[arg(long)]
    own: bool,
}

pub fn run(args: Args, config: &Path) -> Result<Exit, CliError> {
    if args.kind == Kind::Alert && !args.own {
        print(&with_examples(args.kind.text()))?;
        return Ok(Exit::Done);
    }
    if !args.own {
        print(args.kind.text())?;
        return Ok(Exit::Done);
    }
    let files = Files::read(config)?;
    let reading = &files.reading;
    let names = Names {
        contacts: reading.inventory.contacts.keys().cloned().collect(),
        profiles: reading.files.iter().flat_map(|file| file.profile_names()).cloned().collect(),
        stations: reading.inventory.stations.keys().cloned().collect(),
    };
    print(&own(args.kind, &reading.keybooks, &names).map_err(CliError::usage)?)?;
    Ok(Exit::Done)
}

/// The schema of alerts with an example of each event, made by the very decision that makes them.
fn with_examples(text: &str) -> String {
    let mut schema: Value = serde_json::from_str(text).unwrap_or_default();
    let beat = sample::beat();
    for message in sample::messages().iter().chain([&beat]) {
        let event: Value = serde_json::from_str(&message.body).unwrap_or_default();
        let kind = event["type"].as_str().unwrap_or_default().to_owned();
        if let Some(kind) = schema["$defs"].get_mut(&kind).and_then(Value::as_object_mut) {
            kind.entry("examples").or_insert_with(|| json!([event]));
        }
    }
    serde_json::to_string_pretty(&schema).unwrap_or_default() + "\n"
}
