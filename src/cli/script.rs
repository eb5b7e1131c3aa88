//! `script`: the fewest keys that bring a station to what is wanted, recorded as issued.

use std::path::{Path, PathBuf};

use uuid::Uuid;

use super::context::Context;
use super::error::{CliError, print};
use super::exit::Exit;
use super::format::{ScriptFormat, held};
use super::layout::shown;
use super::private::write_private;
use crate::drift::Drift;
use crate::fleet::{Keying, Row, record_scripts};
use crate::script::{self, Memory, OtherVisit, Way};
use crate::web;

/// The fewest keys that bring a station to what is wanted.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The station's name in the inventory
    #[arg(required_unless_present = "all", conflicts_with = "all")]
    station: Option<String>,
    /// The work list: every station that needs someone, the most urgent first, with a card each
    #[arg(long)]
    all: bool,
    /// With --all: only stations of this site
    #[arg(long, requires = "all", value_name = "SITE")]
    site: Option<String>,
    /// The form: a card of 80 columns, the bare keys, JSON, or the card as a page
    #[arg(long, value_enum, default_value = "card")]
    format: ScriptFormat,
    /// Write to this file; with --all, a file a station into this new folder
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Write the way back: to what last worked, or to what the station held before
    #[arg(long, conflicts_with = "all")]
    back: bool,
    /// Write how to key overdue settings again: these, or all
    #[arg(long, conflicts_with_all = ["all", "back"], num_args = 0.., value_name = "SETTING")]
    renew: Option<Vec<String>>,
    /// Say that you know of the visit with this id, which has not been reported on
    #[arg(long, value_name = "VISIT", requires = "station")]
    beside: Vec<Uuid>,
}

pub async fn run(args: Args, config: &Path) -> Result<Exit, CliError> {
    let Some(name) = &args.station else {
        return super::worklist::run(args.site, args.format, args.out, config).await;
    };
    let context = Context::open(config).await?;
    let row = context.row(name)?;
    let way = if args.back { Way::Back } else { Way::There };
    let mut memory = Memory::default();
    let keying = match &args.renew {
        None => context.view.keying(row, way, &mut memory),
        Some(names) => context.view.renewing(row, names, &mut memory).map_err(|other| not_to_renew(row, other))?,
    };
    let text = match keying {
        Keying::Script { script, cleared, codes } => {
            if let Some(beside) = script.unknown_visit(&args.beside) {
                return Err(someone_is_there(&args, name, beside));
            }
            record_scripts(context.store(), &[cleared], context.view.at).await?;
            shown(&script, &row.station, &context, &codes, args.format)
        }
        Keying::Held(_) => {
            let until = context.view.until_released(row, &mut memory);
            return Err(held(name, context.view.held().as_ref(), until));
        }
        Keying::Nothing => {
            let record = row.record();
            let codes = context.view.codes_for(row, &record);
            let full = script::full_presses(&row.station, &record, &codes, &mut memory);
            let text = nothing(row, full, way, args.format);
            match args.format {
                ScriptFormat::Html => web::nothing_page(name, &text, context.view.good_since()),
                ScriptFormat::Card | ScriptFormat::Keys | ScriptFormat::Json => text,
            }
        }
        Keying::NoScript(why) => return Err(CliError::failed(format!("{name}: {why}"))),
    };
    match args.out {
        None => print(&text)?,
        Some(path) => write_private(&path, &text)
            .map_err(|e| CliError::failed(format!("cannot write {}: {e}", path.display())))?,
    }
    Ok(context.exit(Exit::Done))
}

/// A card is shown only after it was said who is at the station.
fn someone_is_there(args: &Args, station: &str, beside: &OtherVisit) -> CliError {
    let (said, visit) = (beside.sentence(station), beside.visit);
    let way = if args.back { " --back" } else { "" };
    CliError::failed(format!(
        "{said} Check with {} that no one is keying there. Then ask again:\n  stationkeep script {station}{way} --beside {visit}",
        beside.by
    ))
}

/// A setting that keying does not confirm.
fn not_to_renew(row: &Row, setting: &str) -> CliError {
    let name = &row.station.name;
    let drifts = row.drift.settings.iter().find(|drifting| *drifting.name == *setting);
    CliError::failed(match drifts {
        Some(drifting) if drifting.drift == Drift::Overdue => {
            format!("{name}: \"{setting}\" is not keyed again: a test call confirms it. Make that call and report it.")
        }
        Some(_) | None => format!("{name}: \"{setting}\" is not overdue, so it is not keyed again."),
    })
}

/// What is said where nothing needs keying and no test call is asked for.
fn nothing(row: &Row, full: Option<u64>, way: Way, format: ScriptFormat) -> String {
    match format {
        ScriptFormat::Keys => String::new(),
        ScriptFormat::Json => format!("{:#}\n", script::nothing_to_key(&row.station, full)),
        ScriptFormat::Card | ScriptFormat::Html => script::nothing_text(&row.station, &row.record(), &row.drift, way),
    }
}
