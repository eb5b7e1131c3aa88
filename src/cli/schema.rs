//! `schema`: the JSON Schema of each kind of file, so that editors complete and check while one types.

use super::error::{CliError, print};
use super::exit::Exit;
use crate::schema::Kind;

/// The JSON Schema of a kind of file.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Which kind of file
    #[arg(value_enum)]
    kind: Kind,
}

pub fn run(args: Args) -> Result<Exit, CliError> {
    print(args.kind.text())?;
    Ok(Exit::Done)
}
