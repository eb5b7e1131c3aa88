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
    /// Report files (YAML or JSON); `-` reads standard input
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
        let received = context.intake().report(&name, &bytes).await?;
        let line = match &received {
            Received::New(station) => format!("{name}: recorded, for {station}\n"),
            Received::Duplicate(station) => format!("{name}: on record already, for {station}\n"),
            Received::Rejected(findings) => {
                let texts: Texts = [(name.clone(), Arc::new(FileText::new(bytes)))].into();
                eprint!("{}", findings_text(findings, &[&texts], paint()));
                rejected = true;
                format!("{name}: rejected, kept with the reasons\n")
            }
        };
        print(&line)?;
    }
    Ok(if rejected { Exit::Usage } else { Exit::Done })
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
