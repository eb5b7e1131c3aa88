//! `drift`: where stations are not known to hold what is wanted.

use std::path::Path;

use jiff::Timestamp;
use serde::{Serialize, Serializer};
use serde_json::Value as Json;

use super::context::Context;
use super::error::{CliError, print, stream_json};
use super::exit::Exit;
use crate::drift;
use crate::fleet::{Drifts, Row};

/// Where stations are not known to hold what is wanted.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Only these stations
    stations: Vec<String>,
    /// Show aligned stations too
    #[arg(long)]
    all: bool,
    /// The record as it was at a time (RFC 3339), against today's inventory
    #[arg(long, value_name = "TIME", value_parser = time)]
    as_of: Option<Timestamp>,
    /// The form: for people, unified diffs alone, or JSON
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum Format {
    Text,
    Diff,
    Json,
}

fn time(text: &str) -> Result<Timestamp, String> {
    text.parse().map_err(|_| "write a time with its offset, like 2026-11-20T10:14:00Z".into())
}

/// What is printed as JSON, in the order of its keys.
#[derive(Serialize)]
struct Answer<'a> {
    #[serde(skip_serializing_if = "Option::is_none")]
    commit: Option<Json>,
    set_aside: Json,
    stations: OneByOne<'a>,
    totals: Json,
}

/// Stations, each made when it is printed: a fleet's text may be many times as large as the fleet.
struct OneByOne<'a>(&'a [&'a Row]);

impl Serialize for OneByOne<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_seq(self.0.iter().map(|row| drift::json(&row.drift)))
    }
}

pub async fn run(args: Args, config: &Path) -> Result<Exit, CliError> {
    let context = match args.as_of {
        Some(time) => Context::as_of(config, time).await?,
        None => Context::open(config).await?,
    };
    let Drifts { shown, totals } = context.view.drift(context.rows(&args.stations)?, args.all);
    context.tell_first_day();
    match args.format {
        Format::Json => {
            let commit = context.view.reading.commit.as_ref().map(|commit| commit.json());
            let stations = OneByOne(&shown);
            stream_json(&Answer { commit, set_aside: totals.set_aside_json(), stations, totals: totals.json() })?;
        }
        Format::Diff => {
            context.tell_commit();
            print(&shown.iter().map(|row| drift::diff(&row.station, &row.record())).collect::<String>())?;
        }
        Format::Text => {
            context.tell_commit();
            let texts = shown.iter().map(|row| {
                drift::text(&row.drift, &row.station, &row.record())
                    + "
"
            });
            print(
                &(texts.collect::<String>()
                    + &format!(
                        "{}: {}.
",
                        totals.counted(),
                        totals.sentence()
                    )),
            )?;
        }
    }
    Ok(context.exit(if totals.is_aligned() { Exit::Done } else { Exit::DriftFound }))
}
