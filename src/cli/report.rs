//! `report`: field reports recorded, each file for itself.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::context::Context;
use super::error::{CliError, findings_text, paint, print};
use super::exit::Exit;
use crate::files::FileText;
use crate::fleet::Texts;
use crate::fleet::intake::Received;

/// Takes up field reports.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Report files (YAML, JSON, or JSON lines); `-` reads standard input
    #[arg(required = true)]
    files: Vec<PathBuf>,
}

pub async fn run(args: Args, config: &Path) -> Result<Exit, CliError> {
    let context = Context::open(config).await?;
    let mut rejected = false;
    for path in &args.files {
        let (name, bytes) = match read(path) {
            Ok(read) => read,
            Err(shown) => {
                // Each file stands for itself.
                rejected |= shown.tell() != Exit::Done;
                continue;
            }
        };
        let received = match path.extension().is_some_and(|ending| ending == "jsonl") {
            true => context.intake().dropped_lines(&name, &numbered(&bytes)).await?,
            false => vec![context.intake().report(&name, &bytes).await?],
        };
        let texts: Texts = [(name.clone(), Arc::new(FileText::new(bytes)))].into();
        for one in &received {
            rejected |= matches!(one, Received::Rejected(_));
            print(&said(&name, one, &texts))?;
        }
    }
    Ok(if rejected { Exit::Usage } else { Exit::Done })
}

/// The lines of a file that holds an entry a line, with their numbers.
fn numbered(bytes: &[u8]) -> Vec<(u32, String)> {
    let text = String::from_utf8_lossy(bytes);
    let lines = (1..).zip(text.lines()).filter(|(_, line)| !line.trim().is_empty());
    lines.map(|(number, line)| (number, line.to_owned())).collect()
}

/// What became of a report, in a line; why it was rejected goes to standard error.
fn said(name: &str, received: &Received, texts: &Texts) -> String {
    match received {
        Received::New(station) => format!("{name}: recorded, for {station}\n"),
        Received::Duplicate(station) => format!("{name}: on record already, for {station}\n"),
        Received::Rejected(findings) => {
            eprint!("{}", findings_text(findings, &[texts], paint()));
            format!("{name}: rejected, kept with the reasons\n")
        }
    }
}

fn read(path: &Path) -> Result<(Arc<str>, Vec<u8>), CliError> {
    if path == Path::new("-") {
        let mut bytes = Vec::new();
        let limit = crate::ledger::REPORT_LIMIT_BYTES + 1;
        std::io::stdin().lock().take(limit).read_to_end(&mut bytes)?;
        return Ok(("standard input".into(), bytes));
    }
    let bytes = std::fs::read(path).map_err(|e| CliError::usage(format!("cannot read {}: {e}", path.display())))?;
    Ok((path.display().to_string().into(), bytes))
}
