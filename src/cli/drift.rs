//! `drift`: where stations are not known to hold what is wanted.

use std::path::Path;
use std::sync::Arc;

use jiff::Timestamp;
use serde_json::json;

use super::Exit;
use super::error::{CliError, print, print_json};
use super::scene::Scene;
use crate::drift::{self, Standing, StationDrift, Totals};
use crate::inventory::Station;

/// Where stations are not known to hold what is wanted.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Only these stations
    stations: Vec<String>,
    /// Show aligned stations too
    #[arg(long)]
    all: bool,
    /// As it stood at this time (RFC 3339): reports up to it, the clock at it, today's inventory
    #[arg(long, value_name = "TIME", value_parser = time)]
    as_of: Option<Timestamp>,
    /// How to print it
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum Format {
    /// For people: standing, diff, and where each line comes from
    Text,
    /// Unified diffs only
    Diff,
    /// Stable, for programs
    Json,
}

fn time(text: &str) -> Result<Timestamp, String> {
    text.parse().map_err(|_| "write a time with its offset, like 2026-11-20T10:14:00Z".into())
}

pub async fn run(args: Args, config: &Path) -> Result<Exit, CliError> {
    let scene = match args.as_of {
        Some(time) => Scene::as_of(config, time).await?,
        None => Scene::open(config).await?,
    };
    let mut chosen: Vec<(Arc<Station>, StationDrift)> = Vec::new();
    for station in scene.stations(&args.stations)? {
        let drift = scene.drift(&station);
        chosen.push((station, drift));
    }
    let totals = Totals::of(chosen.iter().map(|(_, drift)| drift));
    let aligned = totals.get(Standing::Aligned) == totals.all();
    let mut shown: Vec<&(Arc<Station>, StationDrift)> =
        chosen.iter().filter(|(_, d)| args.all || d.standing != Standing::Aligned).collect();
    shown.sort_by_key(|(_, d)| (std::cmp::Reverse(d.weight), d.standing, d.site.clone(), d.station.clone()));
    match args.format {
        Format::Json => {
            let stations: Vec<_> = shown.iter().map(|(_, d)| drift::json(d)).collect();
            print_json(&scene.with_commit(json!({ "stations": stations, "totals": totals.json() })))?;
        }
        Format::Diff => {
            scene.tell_commit();
            let diffs = shown.iter().map(|(station, _)| drift::diff(station, &scene.records.of(station)));
            print(&diffs.collect::<String>())?;
        }
        Format::Text => {
            scene.tell_commit();
            let texts = shown.iter().map(|(station, d)| drift::text(d, station, &scene.records.of(station)) + "\n");
            print(&(texts.collect::<String>() + &format!("{}: {}.\n", totals.counted(), totals.sentence())))?;
        }
    }
    Ok(scene.exit(if aligned { Exit::Done } else { Exit::DriftFound }))
}
