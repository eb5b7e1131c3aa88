//! `ledger`: verify the chain, export it, import it.

use std::fs::File;
use std::io::{Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use jiff::Timestamp;

use super::context::Context;
use super::error::{CliError, findings_text, paint, print};
use super::exit::Exit;
use crate::fleet::intake::Received;
use crate::ledger::{export_line, key_line, key_of_line};
use crate::store::{Entry, Verification};

/// The ledger of reports and issued scripts.
#[derive(Debug, clap::Subcommand)]
pub enum Verb {
    /// Find any entry changed, removed or added since it was written
    Verify,
    /// Print reports, scripts and decisions as JSON lines
    Export {
        /// Write to this file instead of standard output
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
    },
    /// Record JSON lines from a file
    Import {
        /// The file; `-` reads standard input
        file: PathBuf,
    },
}

pub async fn run(verb: Verb, config: &Path) -> Result<Exit, CliError> {
    match verb {
        Verb::Verify => verify(config).await,
        Verb::Export { out } => export(config, out).await,
        Verb::Import { file } => import(config, &file).await,
    }
}

async fn verify(config: &Path) -> Result<Exit, CliError> {
    let store = super::context::ledger(config).await?;
    let bar = super::context::progress("verifying the ledger");
    let result = store
        .verify(None, |walked, total| {
            bar.set_length(total.unsigned_abs());
            bar.set_position(walked.unsigned_abs());
        })
        .await;
    bar.finish_and_clear();
    match result? {
        Verification::Whole { entries, head } => {
            print(&format!("The ledger is whole: {entries} entries, head {}.\n", head.hash))?;
            Ok(Exit::Done)
        }
        Verification::Broken(broken) => Err(CliError::failed(format!(
            "the ledger was changed after it was written: {broken}. Compare it with an export or a backup."
        ))),
    }
}

async fn export(config: &Path, out: Option<PathBuf>) -> Result<Exit, CliError> {
    // What lies in the reports folder is taken up first; where the files are broken, what is on record must do.
    let store = match Context::open(config).await {
        Ok(context) => context.store().clone(),
        Err(_) => super::context::ledger(config).await?,
    };
    let create = |path: &PathBuf| {
        // Who worked where and when is nobody else's business.
        let file = File::options().write(true).create(true).truncate(true).mode(0o600).open(path);
        file.map_err(|e| CliError::failed(format!("cannot write {}: {e}", path.display())))
    };
    let mut file = out.as_ref().map(create).transpose()?;
    let key = store.kept_key().await?.map(|check| key_line(&check) + "\n").unwrap_or_default();
    write(&mut file, &key)?;
    let mut seq = 0;
    loop {
        let page = store.entries_after(seq, 1_000).await?;
        let Some(last) = page.last() else { break };
        seq = last.seq;
        let line = |entry: &Entry| {
            let recorded = Timestamp::from_millisecond(entry.recorded_ms).unwrap_or_default();
            Ok::<_, CliError>(export_line(&entry.body, recorded)? + "\n")
        };
        let text: String = page.iter().map(line).collect::<Result<_, _>>()?;
        write(&mut file, &text)?;
    }
    if let Some(file) = file {
        file.sync_all()?;
    }
    Ok(Exit::Done)
}

fn write(file: &mut Option<File>, text: &str) -> Result<(), CliError> {
    match file {
        Some(file) => Ok(file.write_all(text.as_bytes())?),
        None => print(text),
    }
}

async fn import(config: &Path, file: &Path) -> Result<Exit, CliError> {
    let context = Context::open(config).await?;
    let (name, text): (Arc<str>, String) = if file == Path::new("-") {
        let mut text = String::new();
        std::io::stdin().lock().read_to_string(&mut text)?;
        ("standard input".into(), text)
    } else {
        let text = std::fs::read_to_string(file)
            .map_err(|e| CliError::usage(format!("cannot read {}: {e}", file.display())))?;
        (file.display().to_string().into(), text)
    };
    if let Some(other) = text.lines().find_map(key_of_line).filter(|check| check != context.store().key()) {
        eprintln!(
            "stationkeep: {name} comes from a ledger with another key (check value {other}, here {}). Codes recorded there \
             cannot be compared here, so they count as unknown. To keep them, import it into a ledger with that key.",
            context.store().key()
        );
    }
    let mut counts = [0usize; 3];
    let lines = text.lines().zip(1u32..).filter(|(line, _)| !line.trim().is_empty());
    let lines: Vec<(u32, String)> = lines.map(|(line, number)| (number, line.to_owned())).collect();
    drop(text);
    let bar = super::context::progress("importing");
    bar.set_length(lines.len() as u64);
    for received in context.intake().import(&name, lines, &mut |judged| bar.inc(judged as u64)).await? {
        match received {
            Received::New(_) => counts[0] += 1,
            Received::Duplicate(_) => counts[1] += 1,
            Received::Rejected(findings) => {
                counts[2] += 1;
                eprint!("{}", findings_text(&findings, &[], paint()));
            }
        }
    }
    bar.finish_and_clear();
    print(&format!("{} recorded, {} on record already, {} rejected.\n", counts[0], counts[1], counts[2]))?;
    Ok(if counts[2] > 0 { Exit::Usage } else { Exit::Done })
}
