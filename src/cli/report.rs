//! `report`: field reports recorded, each file for itself.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde_json::{Value as Json, json};
use uuid::Uuid;

use super::context::Context;
use super::error::{CliError, findings_text, paint, print};
use super::exit::Exit;
use super::format::Format;
use crate::files::FileText;
use crate::fleet::intake::Received;
use crate::fleet::{Answer, Texts, receipt};
use crate::ledger;

/// Records field reports.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Report files (YAML, JSON, or JSON lines); `-` reads standard input
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// How to print what came of each: for people, or a JSON object a line
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
}

pub async fn run(args: Args, config: &Path) -> Result<Exit, CliError> {
    let context = Context::open(config).await?;
    let mut rejected = false;
    for path in &args.files {
        let (name, bytes) = match read(path) {
            Ok(read) => read,
            Err(error) => {
                // Each file stands for itself.
                if let Format::Json = args.format {
                    print_line(&json!({ "outcome": "refused", "reasons": [error.text()] }))?;
                }
                rejected |= error.tell() != Exit::Done;
                continue;
            }
        };
        let is_lines = path.extension().is_some_and(|ending| ending == "jsonl");
        let received = match is_lines {
            true => context.intake().dropped_lines(&name, numbered(&bytes)).await?,
            false => vec![context.intake().report(&name, &bytes).await?],
        };
        // Of several lines each is said alone; what came of them together is the station's to show.
        let came = match &received[..] {
            [one] => came_of(&context, &name, &bytes, one).await?,
            _ => None,
        };
        let texts: Texts = [(name.clone(), Arc::new(FileText::new(bytes)))].into();
        for one in &received {
            if let Received::Rejected(findings) = one {
                rejected = true;
                if let Format::Text = args.format {
                    eprint!("{}", findings_text(findings, &[&texts], paint()));
                }
            }
            match args.format {
                Format::Text => print(&text(&name, one, &came))?,
                Format::Json => print_line(&body(one, &came))?,
            }
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

/// What came of a report: its id, and the answer; nothing of one that was rejected.
type Came = Option<(Uuid, Answer)>;

/// Looks what came of a report that is on record.
async fn came_of(context: &Context, name: &Arc<str>, bytes: &[u8], received: &Received) -> Result<Came, CliError> {
    match received {
        Received::New(_) | Received::Duplicate(_) => {}
        Received::Rejected(_) => return Ok(None),
    }
    if let Ok((report, _)) = ledger::read(name, bytes) {
        return Ok(Some((report.id, context.intake().answer(&report, &context.view).await?)));
    }
    let Ok(visit) = ledger::read_visit(name, bytes) else { return Ok(None) };
    Ok(Some((visit.id, context.intake().answer_visit(&visit, &context.view).await?)))
}

fn text(name: &str, received: &Received, came: &Came) -> String {
    let mut text = match received {
        Received::New(station) => format!("{name}: recorded, for {station}\n"),
        Received::Duplicate(station) => format!("{name}: on record already, for {station}\n"),
        Received::Rejected(_) => format!("{name}: rejected, kept with the reasons\n"),
    };
    let Some((_, Answer { consequences, missing })) = came else { return text };
    consequences.iter().for_each(|one| text += &format!("  {one}\n"));
    if !missing.is_empty() {
        text += "Still missing:\n";
    }
    missing.iter().for_each(|one| text += &format!("  {one}\n"));
    text
}

/// The same for programs: what the interface for programs answers, too.
fn body(received: &Received, came: &Came) -> Json {
    let (id, answer) = came.clone().unzip();
    receipt(received, id, &answer.unwrap_or_default())
}

/// One object a line, a line a file.
fn print_line(json: &Json) -> Result<(), CliError> {
    print(&format!("{json}\n"))
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
