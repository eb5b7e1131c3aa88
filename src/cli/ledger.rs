//! `ledger`: verify the chain, export it, import it.

use std::fs::File;
use std::io::{Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use jiff::Timestamp;
use serde_json::Value as Json;

use super::context::Context;
use super::error::{CliError, findings_text, paint, print};
use super::exit::Exit;
use super::format::Format;
use crate::fleet::intake::Received;
use crate::fleet::{ExportChain, FoldsFound, Records};
use crate::ledger::{Exported, export_line, head_line, head_of_line, key_line, key_of_line};
use crate::setting::key_check;
use crate::store::{Entry, Flaw, Head, Store, Verification};

/// The ledger of reports and issued scripts.
#[derive(Debug, clap::Subcommand)]
pub enum Verb {
    /// Find any entry changed, removed or added since it was written
    Verify {
        /// Compare with a head kept elsewhere: the last line of this file
        #[arg(long, value_name = "FILE")]
        head: Option<PathBuf>,
        /// The form: for people, or one line of JSON to keep for --head
        #[arg(long, value_enum, default_value_t = Format::Text)]
        format: Format,
    },
    /// Print reports, scripts and decisions as JSON lines
    Export {
        /// Write to this file instead of standard output
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
    },
    /// Record JSON lines from a file
    Import {
        /// The file; - reads standard input
        file: PathBuf,
    },
}

pub async fn run(verb: Verb, config: &Path) -> Result<Exit, CliError> {
    match verb {
        Verb::Verify { head, format } => verify(config, head.as_deref(), format).await,
        Verb::Export { out } => export(config, out).await,
        Verb::Import { file } => import(config, &file).await,
    }
}

async fn verify(config: &Path, head: Option<&Path>, format: Format) -> Result<Exit, CliError> {
    let noted = head.map(head_from).transpose()?;
    let store = super::context::ledger_to_read(config).await?;
    let bar = super::context::progress("verifying the ledger");
    let result = store
        .verify(noted.as_ref(), |walked, total| {
            bar.set_length(total.unsigned_abs());
            bar.set_position(walked.unsigned_abs());
        })
        .await;
    bar.finish_and_clear();
    let (entries, head) = match result? {
        Verification::Whole { entries, head } => (entries, head),
        Verification::Broken(broken) => {
            let cut = noted.filter(|noted| noted.seq >= broken.seq && broken.flaw == Flaw::Missing);
            let cut = cut.map(|noted| format!(", though the head kept elsewhere is entry {}", noted.seq));
            return Err(CliError::failed(format!(
                "the ledger was changed after it was written: {broken}{}. Compare it with an export or a backup.",
                cut.unwrap_or_default()
            )));
        }
    };
    let rejected = store.rejected_count().await?;
    let folds = compare_folds(config, store).await?;
    match format {
        Format::Json => {
            let mut json: Json = serde_json::from_str(&head_line(head.seq, &head.hash))?;
            json["outside"] = serde_json::json!({ "rejected": rejected });
            json["records"] = folds.as_ref().map_or(Json::Null, folds_json);
            print(&format!("{json}\n"))?;
        }
        Format::Text => {
            let outside = match rejected {
                0 => String::new(),
                1 => "1 rejected report is kept outside the chain.\n".to_owned(),
                count => format!("{count} rejected reports are kept outside the chain.\n"),
            };
            print(&format!("The ledger is complete and unchanged: {entries} entries, head {}.\n{outside}", head.hash))?;
        }
    }
    match folds {
        Some(FoldsFound::Differ(names)) => {
            let first = names.first().map(|name| name.to_string()).unwrap_or_default();
            Err(CliError::failed(format!(
                "{} kept beside the ledger did not agree with it, the first is that of {first}. They were removed, and are \
                 made again from the ledger. Restart the daemon.",
                if names.len() == 1 { "one record".to_owned() } else { format!("{} records", names.len()) }
            )))
        }
        Some(FoldsFound::Agree(_) | FoldsFound::None) | None => Ok(Exit::Done),
    }
}

fn folds_json(found: &FoldsFound) -> Json {
    match found {
        FoldsFound::None => serde_json::json!({ "kept": 0 }),
        FoldsFound::Agree(count) => serde_json::json!({ "kept": count, "differing": [] }),
        FoldsFound::Differ(names) => {
            serde_json::json!({ "differing": names.iter().map(|name| &**name).collect::<Vec<_>>() })
        }
    }
}

/// Compares the records kept beside the ledger with it, and removes those that say something else; nothing where files or key
/// cannot be used, without which no record can be made.
async fn compare_folds(config: &Path, store: Store) -> Result<Option<FoldsFound>, CliError> {
    let config = super::context::load(config)?;
    let (Ok(Some(key)), Some(kept)) = (config.key_place().load(), store.kept_key().await?) else { return Ok(None) };
    if key_check(&key) != kept {
        return Ok(None);
    }
    let store = store.bound(&kept).await?;
    let files = super::context::Files::of(config);
    if !files.reading.is_sound() {
        return Ok(None);
    }
    let counter = super::context::counter("comparing records with the ledger");
    let of = (&*files.reading.inventory, &files.reading.keybooks);
    let found = Records::compare_folds(&store, of, |read| counter.set_position(read)).await;
    counter.finish_and_clear();
    let found = found?;
    if matches!(found, FoldsFound::Differ(_)) {
        store.forget_folds().await?;
    }
    Ok(Some(found))
}

/// The head in the last line of a file: of an export, or of what `verify --format json` printed.
fn head_from(file: &Path) -> Result<Head, CliError> {
    let text =
        std::fs::read_to_string(file).map_err(|e| CliError::usage(format!("cannot read {}: {e}", file.display())))?;
    let last = text.lines().rfind(|line| !line.trim().is_empty()).and_then(head_of_line);
    let (seq, hash) = last.ok_or_else(|| {
        CliError::usage(format!(
            "the last line of {} is not a ledger's head. Write one with \"stationkeep ledger verify --format json\".",
            file.display()
        ))
    })?;
    Ok(Head { seq, hash })
}

async fn export(config: &Path, out: Option<PathBuf>) -> Result<Exit, CliError> {
    // What lies in the reports folder is taken up first; where the files are broken, what is on record must do.
    let store = match Context::open(config).await {
        Ok(context) => context.store().clone(),
        Err(_) => super::context::ledger_to_read(config).await?,
    };
    let create = |path: &PathBuf| {
        // Who worked where and when is nobody else's business.
        let file = File::options().write(true).create(true).truncate(true).mode(0o600).open(path);
        file.map_err(|e| CliError::failed(format!("cannot write {}: {e}", path.display())))
    };
    let mut file = out.as_ref().map(create).transpose()?;
    let key = store.kept_key().await?.map(|check| key_line(&check) + "\n").unwrap_or_default();
    write(&mut file, &key)?;
    let mut head = Head::empty();
    loop {
        let page = store.entries_after(head.seq, 1_000).await?;
        let Some(last) = page.last() else { break };
        head = Head { seq: last.seq, hash: last.hash.clone() };
        write(&mut file, &page.iter().map(exported_line).collect::<String>())?;
    }
    write(&mut file, &(head_line(head.seq, &head.hash) + "\n"))?;
    if let Some(file) = file {
        file.sync_all()?;
    }
    Ok(Exit::Done)
}

fn exported_line(entry: &Entry) -> String {
    let recorded = Timestamp::from_millisecond(entry.recorded_ms).unwrap_or_default();
    export_line(&entry.body, &Exported { seq: entry.seq, recorded, hash: entry.hash.clone() }) + "\n"
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
    let chain = ExportChain::of(text.lines());
    drop(text);
    let bar = super::context::progress("importing");
    bar.set_length(lines.len() as u64);
    for received in context.intake().import(&name, lines, &chain, &mut |judged| bar.inc(judged as u64)).await? {
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
    if let Some(lacks) = chain.lacks() {
        eprintln!("stationkeep: {name}: {lacks} What is there was recorded.");
        return Ok(Exit::Usage);
    }
    Ok(if counts[2] > 0 { Exit::Usage } else { Exit::Done })
}
