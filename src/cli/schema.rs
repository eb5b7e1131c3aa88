//! `schema`: the JSON Schema of each kind of file, so that editors complete and check while one types.

use super::error::{CliError, print};
use super::exit::Exit;

/// The JSON Schema of a kind of file.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Which kind of file
    #[arg(value_enum)]
    kind: Kind,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum Kind {
    Inventory,
    Keybook,
    Report,
    Config,
}

pub fn run(args: Args) -> Result<Exit, CliError> {
    print(match args.kind {
        Kind::Inventory => include_str!("schema/inventory.json"),
        Kind::Keybook => include_str!("schema/keybook.json"),
        Kind::Report => include_str!("schema/report.json"),
        Kind::Config => include_str!("schema/config.json"),
    })?;
    Ok(Exit::Done)
}
