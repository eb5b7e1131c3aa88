//! `guide`: the documentation, compiled in; through a pager on a terminal.

use std::io::{IsTerminal, Write, stdout};
use std::process::{Command, Stdio};

use super::error::{CliError, print};
use super::exit::Exit;
use crate::guide::{Guide, Topic, index, plain};
use crate::web;

/// Longer lines are hard to read.
const WIDEST: u16 = 100;
const NARROWEST: u16 = 40;

/// The documentation.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// What about; without one, the topics are listed
    #[arg(value_name = "TOPIC")]
    topic: Option<Topic>,
    /// Print the whole guide as one HTML page
    #[arg(long, conflicts_with = "topic")]
    html: bool,
}

pub fn run(args: Args) -> Result<Exit, CliError> {
    let guide = Guide { metrics: web::METRICS, addresses: web::addresses() };
    match args.topic {
        _ if args.html => print(&guide.html())?,
        None => print(&index())?,
        Some(topic) => paged(&plain(&guide.markdown(topic), width()))?,
    }
    Ok(Exit::Done)
}

fn width() -> usize {
    let columns = terminal_size::terminal_size().map_or(80, |(terminal_size::Width(columns), _)| columns);
    usize::from(columns.clamp(NARROWEST, WIDEST))
}

/// Shows a long text through the reader's pager; prints it where there is none, or no terminal.
fn paged(text: &str) -> Result<(), CliError> {
    if !stdout().is_terminal() {
        return print(text);
    }
    let pager = std::env::var("PAGER").unwrap_or_else(|_| "less".to_owned());
    let mut words = pager.split_whitespace();
    let Some(program) = words.next() else { return print(text) };
    // F: a text that fits is simply shown. X: it stays on the screen.
    let child = Command::new(program).args(words).env("LESS", "FRX").stdin(Stdio::piped()).spawn();
    let Ok(mut child) = child else { return print(text) };
    if let Some(mut input) = child.stdin.take() {
        // A reader who leaves the pager early has seen enough.
        let _ = input.write_all(text.as_bytes());
    }
    child.wait().map_err(|error| CliError::error(&error))?;
    Ok(())
}
