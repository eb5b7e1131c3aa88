//! `drift`: where stations are not known to hold what is wanted.

use std::path::Path;

use jiff::Timestamp;
use serde::{Serialize, Serializer};
use serde_json::Value as Json;

use super::context::{Context, progress};
use super::error::{CliError, paint_out, print, print_json, stream_json};
use super::exit::Exit;
use super::format::release_hint;
use super::worklist;
use crate::drift;
use crate::fleet::{Drifts, Row};

/// Where stations are not known to hold what is wanted.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Only these stations
    stations: Vec<String>,
    /// Only the stations of a site
    #[arg(long, value_name = "SITE", conflicts_with = "stations")]
    site: Option<String>,
    /// One page: counts by site, the most urgent, what it takes
    #[arg(long, conflicts_with = "all")]
    summary: bool,
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
    let rows = match &args.site {
        Some(site) => worklist::rows(&context, Some(site))?,
        None => context.rows(&args.stations)?,
    };
    context.tell_first_day();
    let is_aligned = if args.summary { summed(&args, &context, &rows)? } else { listed(&args, &context, rows)? };
    Ok(context.exit(if is_aligned { Exit::Done } else { Exit::DriftFound }))
}

/// Prints each station; whether all of them are as wanted.
fn listed(args: &Args, context: &Context, rows: Vec<&Row>) -> Result<bool, CliError> {
    let Drifts { shown, totals } = context.view.drift(rows, args.all);
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
            let texts = shown.iter().map(|row| drift::text(&row.drift, &row.station, &row.record()) + "\n");
            print(&(texts.collect::<String>() + &format!("{}: {}.\n", totals.counted(), totals.sentence())))?;
        }
    }
    Ok(totals.is_aligned())
}

/// Prints one page of all of them; whether all are as wanted.
fn summed(args: &Args, context: &Context, rows: &[&Row]) -> Result<bool, CliError> {
    if let Format::Diff = args.format {
        return Err(CliError::usage("a summary has no diff. Leave out \"--summary\" or \"--format diff\"."));
    }
    let bar = progress("working out what it takes");
    bar.set_length(rows.len() as u64);
    let summary = context.view.summary(rows, || bar.inc(1));
    bar.finish_and_clear();
    match args.format {
        Format::Json => print_json(&context.with_commit(summary.json()))?,
        Format::Text | Format::Diff => {
            context.tell_commit();
            print(&summary.text(paint_out()))?;
            if let Some(held) = context.view.held().filter(|held| held.scripts > 0) {
                eprintln!("stationkeep: scripts are held: {}", release_hint(&held));
            }
        }
    }
    Ok(summary.is_aligned())
}
