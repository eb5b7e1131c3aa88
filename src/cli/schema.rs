//! `schema`: the JSON Schema of each kind of file, so that editors complete and check while one types.

use std::path::Path;

use super::context::Files;
use super::error::{CliError, print};
use super::exit::Exit;
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
