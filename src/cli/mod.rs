//! The command line: arguments, and one file a command.
//!
//! Results go to standard output, everything else to standard error.

mod against;
mod aside;
mod check;
mod context;
mod deliveries;
mod drift;
mod error;
mod exit;
mod explain;
mod format;
mod guide;
mod history;
mod layout;
mod ledger;
mod new;
mod private;
mod reading;
mod rehearse;
mod release;
mod report;
mod saying;
mod schema;
mod script;
mod take;
mod worklist;
mod writers;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

use crate::daemon;
use error::CliError;
use exit::Exit;

const DEFAULT_CONFIG: &str = "config/stationkeep.yaml";

const AFTER_HELP: &str = "\
With no command it watches the fleet until it is stopped.

Exit codes: 0 done (drift: everything is aligned), 1 failed, 2 wrong usage or files with
errors, 3 drift found.

Start here:
  stationkeep new FOLDER         a first installation, with everything explained
  stationkeep check              is everything in the files right?
  stationkeep drift              which stations are not as wanted, and why?
  stationkeep script STATION     what to key at one of them
  stationkeep report FILE        what was heard when it was keyed";

/// Keeps a fleet of emergency call stations programmed as their owners want them.
#[derive(Debug, Parser)]
#[command(name = "stationkeep", version, after_help = AFTER_HELP, max_term_width = 100)]
pub struct Args {
    /// The configuration file; paths in it are relative to its folder
    /// [default: STATIONKEEP_CONFIG, or config/stationkeep.yaml]
    #[arg(long, global = true, value_name = "FILE")]
    config: Option<PathBuf>,

    #[command(subcommand)]
    verb: Option<Verb>,
}

#[derive(Debug, Subcommand)]
enum Verb {
    /// Watch the fleet, record reports and alert (the default)
    Serve,
    /// Make a new installation, empty or from a sheet
    New(new::Args),
    /// Show every mistake in the files, at its line, with its fix
    Check(check::Args),
    /// Show where stations are not known to hold what is wanted
    Drift(drift::Args),
    /// Write the fewest keys that bring a station to what is wanted
    Script(script::Args),
    /// Accept for a time what is known to be wrong, or list it
    Aside(aside::Args),
    /// Say that someone is on a station; its reminders stop
    Take(take::Args),
    /// List or release a change that alters many lifelines at once
    Release(release::Args),
    /// Record field reports, and say what came of them
    Report(report::Args),
    /// Show where each value of a station comes from
    Explain(explain::Args),
    /// Show everything on record about a station
    History(history::Args),
    /// Key into a simulated station and hear how it answers
    Rehearse(rehearse::Args),
    /// Show alerts that did not arrive; send one again
    Deliveries(deliveries::Args),
    /// Verify, export or import the record of everything
    #[command(subcommand)]
    Ledger(ledger::Verb),
    /// Print the JSON Schema of a kind of file
    Schema(schema::Args),
    /// Read the documentation
    Guide(guide::Args),
}

/// Runs the program and says how it ended.
pub fn run() -> ExitCode {
    let args = match Args::try_parse() {
        Ok(args) => args,
        Err(error) => {
            let _ = error.print();
            return if error.use_stderr() { Exit::Usage.into() } else { Exit::Done.into() };
        }
    };
    let mut runtime = tokio::runtime::Builder::new_multi_thread();
    if !matches!(args.verb, None | Some(Verb::Serve)) {
        // A command does one thing after another: threads that wait for nothing would be most of what a short one costs.
        runtime.worker_threads(1);
    }
    let runtime = match runtime.enable_all().build() {
        Ok(runtime) => runtime,
        Err(error) => {
            eprintln!("stationkeep: cannot start: {error}");
            return Exit::Failed.into();
        }
    };
    let exit = runtime.block_on(dispatch(args));
    // A blocking read of a file system that hangs must not keep the program from ending.
    runtime.shutdown_timeout(std::time::Duration::from_secs(2));
    exit.into()
}

async fn dispatch(args: Args) -> Exit {
    let named = std::env::var_os("STATIONKEEP_CONFIG").filter(|name| !name.is_empty());
    let config = args.config.or_else(|| named.map(PathBuf::from)).unwrap_or_else(|| DEFAULT_CONFIG.into());
    let result = match args.verb {
        None | Some(Verb::Serve) => return served(daemon::serve(config).await),
        Some(verb) => command(verb, config).await,
    };
    match result {
        Ok(exit) => exit,
        Err(shown) => shown.tell(),
    }
}

async fn command(verb: Verb, config: PathBuf) -> Result<Exit, CliError> {
    match verb {
        Verb::Serve => Ok(served(daemon::serve(config).await)),
        Verb::New(args) => new::run(&args),
        Verb::Check(args) => check::run(args, &config).await,
        Verb::Drift(args) => drift::run(args, &config).await,
        Verb::Script(args) => script::run(args, &config).await,
        Verb::Aside(args) => aside::run(args, &config).await,
        Verb::Take(args) => take::run(args, &config).await,
        Verb::Release(args) => release::run(args, &config).await,
        Verb::Report(args) => report::run(args, &config).await,
        Verb::Explain(args) => explain::run(args, &config).await,
        Verb::History(args) => history::run(args, &config).await,
        Verb::Rehearse(args) => rehearse::run(args, &config),
        Verb::Deliveries(args) => deliveries::run(args, &config).await,
        Verb::Ledger(verb) => ledger::run(verb, &config).await,
        Verb::Schema(args) => schema::run(args, &config),
        Verb::Guide(args) => guide::run(args),
    }
}

fn served(result: Result<(), daemon::ServeError>) -> Exit {
    match result {
        Ok(()) => Exit::Done,
        Err(error) => {
            let exit = if error.is_usage() { Exit::Usage } else { Exit::Failed };
            CliError::error(&error).tell();
            exit
        }
    }
}
