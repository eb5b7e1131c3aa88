//! `script`: the fewest keys that bring a station to what is wanted, recorded as issued.

use std::path::{Path, PathBuf};

use uuid::Uuid;

use super::Exit;
use super::error::{CliError, print};
use super::private::write_private;
use super::scene::Scene;
use crate::brake::Change;
use crate::drift::{Service, StationDrift};
use crate::fleet::{Keying, record_scripts};
use crate::inventory::{Extent, Station};
use crate::script::card::{self, Card};
use crate::script::{self, Memory, Script, Way};
use crate::setting::Codes;
use crate::web;

/// The fewest keys that bring a station to what is wanted.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The station's name in the inventory
    #[arg(required_unless_present = "all", conflicts_with = "all")]
    station: Option<String>,
    /// Every station that needs keying: a work list with its totals, the heaviest first, and a card each
    #[arg(long)]
    all: bool,
    /// With --all: only the stations of this site
    #[arg(long, requires = "all", value_name = "SITE")]
    site: Option<String>,
    /// How to print it
    #[arg(long, value_enum, default_value = "card")]
    format: Format,
    /// Write it to this file instead of standard output; with --all, a file a station into this new folder
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// The way back: from what is wanted to what the station holds now
    #[arg(long, conflicts_with = "all")]
    back: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// A card for the technician, 80 columns
    Card,
    /// The bare keys, a line a command
    Keys,
    /// Stable, for programs
    Json,
    /// The card as a page of one file
    Html,
    /// The keys as sound (comes with a later version)
    Wav,
    /// Dial strings for a modem (comes with a later version)
    Dial,
}

pub async fn run(args: Args, config: &Path) -> Result<Exit, CliError> {
    if matches!(args.format, Format::Wav | Format::Dial) {
        return Err(CliError::usage("this format comes with a later version; use card, html, keys or json."));
    }
    let Some(name) = &args.station else {
        return super::worklist::run(args.site, args.format, args.out, config).await;
    };
    let scene = Scene::open(config).await?;
    let station = scene.station(name)?;
    let way = if args.back { Way::Back } else { Way::There };
    let mut memory = Memory::default();
    let text = match scene.keying(&station, way, &mut memory) {
        Keying::Script { script, codes } => {
            record_scripts(&scene.store, &[scene.clear(&script, &station)?], scene.now).await?;
            shown(&script, &station, &scene, &codes, args.format)
        }
        Keying::Held(change) => return Err(held(&station.name, change)),
        Keying::Nothing => {
            let (record, codes) = (scene.records.of(&station), scene.codes_for(&station));
            let full = script::full_presses(&station, &record, &codes, &mut memory);
            let text = nothing(&station, &scene.drift(&station), full, way, args.format);
            match args.format {
                Format::Html => web::nothing_page(&station.name, &text, scene.good_since),
                Format::Card | Format::Keys | Format::Json | Format::Wav | Format::Dial => text,
            }
        }
        Keying::NoScript(why) => return Err(CliError::failed(format!("{}: {why}", station.name))),
    };
    match args.out {
        None => print(&text)?,
        Some(path) => write_private(&path, &text)
            .map_err(|e| CliError::failed(format!("cannot write {}: {e}", path.display())))?,
    }
    Ok(scene.exit(Exit::Done))
}

/// A script that is held: why, and what to do.
pub fn held(station: &str, change: &Change) -> CliError {
    CliError::failed(format!("the script for {station} is held: {}", release_hint(change)))
}

/// Why scripts are held, and what to do.
pub fn release_hint(change: &Change) -> String {
    format!(
        "{} List what would change:\n  stationkeep release {}\nIf every station is meant, release it:\n  {}",
        change.sentence(),
        change.digest,
        change.release()
    )
}

/// A script in a format.
pub fn shown(script: &Script, station: &Station, scene: &Scene, codes: &Codes, format: Format) -> String {
    let card = || {
        let commit = scene.fleet.commit.as_deref();
        Card::of(script, station, &scene.drift(station), codes, commit, Uuid::now_v7())
    };
    match format {
        Format::Keys => card::keys(script, codes),
        Format::Json => format!("{:#}\n", scene.with_commit(script::json(script, station, codes))),
        Format::Html => web::card_page(&card(), scene.good_since, None),
        Format::Card | Format::Wav | Format::Dial => card::text(&card()),
    }
}

/// What is said where nothing needs keying: perhaps a test call is still owed.
fn nothing(station: &Station, drift: &StationDrift, full: Option<u64>, way: Way, format: Format) -> String {
    match format {
        Format::Keys => String::new(),
        Format::Json => format!("{:#}\n", script::nothing_to_key(station, full)),
        Format::Card | Format::Html | Format::Wav | Format::Dial => {
            if way == Way::Back {
                let why = "It holds what is wanted, or nobody knows what it held.";
                return format!("There is nothing to go back to at {}.\n{why}\n", station.name);
            }
            let mut text = format!("Nothing needs keying at {}.\n", station.name);
            match drift.set_aside {
                Extent::Nothing => {}
                Extent::Settings => text.push_str("Some of its settings are set aside: see `stationkeep aside`.\n"),
                Extent::Whole => text.push_str("It is set aside, out of service: see `stationkeep aside`.\n"),
            }
            for lifeline in drift.lifelines.iter().filter(|lifeline| lifeline.service != Service::Tested) {
                text.push_str(&format!(
                    "Its lifeline {} needs a test call ({}).\n",
                    lifeline.name,
                    lifeline.service.as_str()
                ));
            }
            text
        }
    }
}
