//! `release`: a change under the brake is meant. It releases that very change and no other.

use std::path::Path;

use super::context::Context;
use super::error::{CliError, print};
use super::exit::Exit;
use super::format::release_hint;
use super::saying::{said, write_down};
use crate::finding::plural;
use crate::ledger::{Decision, Digest, Release};

/// Release a change that alters the lifelines of many stations at once.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
`script` names the change whose scripts it holds. See with `drift` that every station of it is
meant: once it is released, the scripts can be keyed. An edit that makes it another change needs
a release of its own.")]
pub struct Args {
    /// The change: 16 hexadecimal digits, as `script` and the alert name it
    change: Digest,
    /// Who says so
    #[arg(long, value_name = "NAME")]
    by: String,
    /// Why: what was looked at
    #[arg(long, value_name = "TEXT")]
    why: String,
}

pub async fn run(args: Args, config: &Path) -> Result<Exit, CliError> {
    let mut context = Context::open(config).await?;
    let Some(held) = context.view.change().cloned() else {
        return Err(CliError::failed("no change is held, so there is nothing to release."));
    };
    if held.change != args.change {
        return Err(CliError::failed(format!(
            "no change {} is held. The one that is held now is {}: an edit or a report has made it another one. {}",
            args.change,
            held.change,
            release_hint(&held)
        )));
    }
    let said = said(&context, &args.by, Some(&args.why));
    let count = plural(held.stations.len() as u64, "station");
    let release = Release { said, stations: held.all(), change: held.change };
    write_down(&context, &Decision::Release(release)).await?;
    context.look_again().await?;
    if let Some(held) = context.view.change() {
        let why = "the files or the ledger changed at this very moment, and it is another change now.";
        return Err(CliError::failed(format!("{why} {}", release_hint(held))));
    }
    print(&format!("Released: the scripts of {count} can be keyed. `stationkeep script --all` lists them.\n"))?;
    Ok(context.exit(Exit::Done))
}
