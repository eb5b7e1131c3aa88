//! `take`: someone is on it until a time. It quiets reminders and nothing else.

use std::path::Path;

use super::context::Context;
use super::error::{CliError, print};
use super::exit::Exit;
use super::saying::{Until, in_time, said, until, write_down};
use crate::drift::Standing;
use crate::ledger::{Decision, End, Take};

/// Say that someone is on a station that drifts.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Reminders of that station stop until then. If it gets worse, or is fixed,
on-call is alerted all the same.")]
pub struct Args {
    /// The station's name in the inventory
    station: String,
    /// When it ends: a time, or a day; at most 7 days ahead
    #[arg(long, value_name = "TIME", value_parser = until, required_unless_present = "end", conflicts_with = "end")]
    until: Option<Until>,
    /// Your name
    #[arg(long, value_name = "NAME")]
    by: String,
    /// What is being done
    #[arg(long, value_name = "TEXT")]
    why: Option<String>,
    /// End it before its time
    #[arg(long)]
    end: bool,
}

pub async fn run(args: Args, config: &Path) -> Result<Exit, CliError> {
    let context = Context::open(config).await?;
    let row = context.row(&args.station)?;
    let name = &row.station.name;
    let said = said(&context, &args.by, args.why.as_deref());
    let Some(Until(until)) = args.until else {
        let takes = context.view.decisions.takes(context.view.at);
        let Some(take) = takes.get(name) else { return Err(CliError::failed(format!("nobody is on {name}."))) };
        write_down(&context, &Decision::End(End { said, ends: take.said.id })).await?;
        print(&format!("{name} is free again.\n"))?;
        return Ok(context.exit(Exit::Done));
    };
    if row.drift.standing == Standing::Aligned {
        return Err(CliError::failed(format!("{name} is aligned: there is nothing to take.")));
    }
    write_down(&context, &Decision::Take(Take { said, station: name.clone(), until })).await?;
    print(&format!("{name} is taken by {} until {}.\n", args.by, in_time(until, context.view.at)))?;
    Ok(context.exit(Exit::Done))
}
