//! `report`: field reports recorded, each file for itself.

use std::collections::BTreeSet;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde_json::{Value as Json, json};
use uuid::Uuid;

use super::context::{Context, progress};
use super::error::{CliError, findings_text, paint, print};
use super::exit::Exit;
use super::format::Format;
use crate::files::FileText;
use crate::finding::{Finding, plural};
use crate::fleet::intake::Received;
use crate::fleet::rejected::{failed_test, named_by_works, sent_text};
use crate::fleet::{Answer, RowReceived, Texts, receipt};
use crate::ledger::{self, Report, keepable};
use crate::setting::Name;
use crate::table::{DayForm, Table};

/// Records field reports.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Report files (YAML, JSON, JSON lines) or sheets (CSV, XLSX); - reads standard input
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// How days are written in sheets, such as DD.MM.YYYY
    #[arg(long, value_name = "FORM")]
    dates: Option<DayForm>,
    /// The sheet of a workbook [default: the first]
    #[arg(long, value_name = "NAME")]
    sheet: Option<String>,
    /// Show what the files would do, and record nothing
    #[arg(long = "try")]
    is_try: bool,
    /// How to print what came of each: for people, or a JSON object a line
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
}

pub async fn run(args: Args, config: &Path) -> Result<Exit, CliError> {
    let context = match args.is_try {
        true => Context::leaving_drops(config).await?,
        false => Context::open(config).await?,
    };
    let mut rejected = false;
    for path in &args.files {
        let read = read(path).and_then(|(name, bytes)| {
            let holds = Holds::of(path, &name, &bytes, &args)?;
            Ok((name, bytes, holds))
        });
        let (name, bytes, holds) = match read {
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
        let parts = match args.is_try {
            true => tried(&context, &name, &bytes, &holds, &args).await?,
            false => recorded(&context, &name, &bytes, &holds, &args).await?,
        };
        let keybooks = context.view.reading.keybooks.values();
        let works = named_by_works(keybooks.map(|keybook| &**keybook));
        rejected |= say(&args, &name, bytes, &holds, parts, &works)?;
    }
    if args.is_try {
        eprintln!("stationkeep: nothing was recorded");
    }
    Ok(if rejected { Exit::Usage } else { Exit::Done })
}

/// What a file holds, by its ending.
#[derive(Debug)]
enum Holds {
    Report,
    Lines,
    /// A CSV file that cannot be read as one is rejected as a whole.
    Sheet(Option<Table>),
}

impl Holds {
    fn of(path: &Path, name: &Arc<str>, bytes: &[u8], args: &Args) -> Result<Holds, CliError> {
        let ends = |ending: &str| path.extension().is_some_and(|one| one.eq_ignore_ascii_case(ending));
        if ends("jsonl") {
            return match args.is_try {
                true => Err(CliError::usage(format!("{name} holds ledger lines. \"--try\" takes reports and sheets."))),
                false => Ok(Holds::Lines),
            };
        }
        if ends("csv") {
            return Ok(Holds::Sheet(Table::csv(name, bytes).ok()));
        }
        if ends("xlsx") {
            let table = Table::workbook(name, bytes, args.sheet.as_deref());
            return table.map(|table| Holds::Sheet(Some(table))).map_err(|finding| {
                eprint!("{}", findings_text(&[finding], &[], paint()));
                CliError::usage(format!("{name} was not recorded"))
            });
        }
        Ok(Holds::Report)
    }
}

/// What became of a part of a file, and what came of it.
struct Part {
    /// The line of a row.
    line: Option<u32>,
    received: Received,
    came: Came,
    is_try: bool,
}

/// Records a file.
async fn recorded(
    context: &Context,
    name: &Arc<str>,
    bytes: &[u8],
    holds: &Holds,
    args: &Args,
) -> Result<Vec<Part>, CliError> {
    let intake = context.intake();
    let mut parts = Vec::new();
    match holds {
        Holds::Report => {
            let received = intake.report(name, bytes).await?;
            let came = came_of_text(context, &received, name, bytes).await?;
            parts.push(Part { line: None, received, came, is_try: false });
        }
        Holds::Sheet(table) => {
            let bar = progress("recording rows");
            let rows = match table {
                Some(table) => intake.table(table, args.dates.as_ref(), &mut || bar.inc(1)).await?,
                None => intake.sheet(name, bytes, &mut || {}).await?,
            };
            bar.finish_and_clear();
            for RowReceived { line, received, report } in rows {
                let came = came_of(context, &received, report.as_ref(), &[]).await?;
                parts.push(Part { line, received, came, is_try: false });
            }
        }
        // Of several lines each is said alone; what came of them together is the station's to show.
        Holds::Lines => {
            let received = intake.dropped_lines(name, numbered(bytes)).await?;
            if let [one] = &received[..] {
                let came = came_of_text(context, one, name, bytes).await?;
                return Ok(vec![Part { line: None, received: one.clone(), came, is_try: false }]);
            }
            parts.extend(received.into_iter().map(|received| Part { line: None, received, came: None, is_try: false }));
        }
    }
    Ok(parts)
}

/// Looks what a file would do.
async fn tried(
    context: &Context,
    name: &Arc<str>,
    bytes: &[u8],
    holds: &Holds,
    args: &Args,
) -> Result<Vec<Part>, CliError> {
    let intake = context.intake();
    let foreseen = match holds {
        Holds::Sheet(Some(table)) => intake.foresee_table(table, args.dates.as_ref()).await?,
        Holds::Sheet(None) => intake.foresee_bad_sheet(name, bytes).await?,
        Holds::Report | Holds::Lines => intake.foresee_report(name, bytes).await?,
    };
    let mut parts = Vec::new();
    for RowReceived { line, received, report } in foreseen.parts {
        let came = came_of(context, &received, report.as_ref(), &foreseen.reports).await?;
        parts.push(Part { line, received, came, is_try: true });
    }
    Ok(parts)
}

/// Said of what was rejected where it may say so.
const NOT_RECORDED: &str = "  A test call failed, or may have, and that is not recorded. Keep a stand-in. Fix the report and \
                            send it again.\n";

/// Prints what became of a file's parts; whether any was rejected.
fn say(
    args: &Args,
    name: &Arc<str>,
    bytes: Vec<u8>,
    holds: &Holds,
    mut parts: Vec<Part>,
    works: &BTreeSet<Name>,
) -> Result<bool, CliError> {
    let table = match holds {
        Holds::Sheet(table) => table.as_ref(),
        Holds::Report | Holds::Lines => None,
    };
    for part in &mut parts {
        if let (Received::Rejected(findings), Some(table)) = (&mut part.received, table) {
            *findings = std::mem::take(findings).into_iter().map(|finding| table.named(finding)).collect();
        }
    }
    let rejected = parts.iter().filter_map(|part| match &part.received {
        Received::Rejected(findings) => Some(findings),
        Received::New(_) | Received::Duplicate(_) => None,
    });
    let findings: Vec<Finding> = rejected.flatten().cloned().collect();
    let may_have_failed =
        !findings.is_empty() && failed_test(&keepable(&sent_text(&bytes)), &findings, works).is_some();
    match args.format {
        Format::Text => {
            let bytes = table.map_or(bytes, |table| table.text().as_bytes().to_vec());
            let texts: Texts = [(name.clone(), Arc::new(FileText::new(bytes)))].into();
            eprint!("{}", findings_text(&findings, &[&texts], paint()));
            parts.iter().try_for_each(|part| print(&part.text(name)))?;
            if may_have_failed {
                print(NOT_RECORDED)?;
            }
            if table.is_some() {
                eprintln!("stationkeep: {name}: {}", counted_rows(&parts));
            }
        }
        Format::Json => parts.iter().try_for_each(|part| print_line(&part.body()))?,
    }
    Ok(!findings.is_empty())
}

/// "300 rows: 281 recorded, 2 on record already, 17 rejected".
fn counted_rows(parts: &[Part]) -> String {
    let count = |is_it: fn(&Received) -> bool| parts.iter().filter(|part| is_it(&part.received)).count();
    let is_try = parts.first().is_some_and(|part| part.is_try);
    let word = |done: &str, would: &str| if is_try { would.to_owned() } else { done.to_owned() };
    let all = [
        (count(|one| matches!(one, Received::New(_))), word("recorded", "would be recorded")),
        (count(|one| matches!(one, Received::Duplicate(_))), "on record already".to_owned()),
        (count(|one| matches!(one, Received::Rejected(_))), word("rejected", "would be rejected")),
    ];
    let said: Vec<String> =
        all.iter().filter(|(count, _)| *count > 0).map(|(count, what)| format!("{count} {what}")).collect();
    format!("{}: {}", plural(parts.len() as u64, "row"), said.join(", "))
}

/// The lines of a file that holds an entry a line, with their numbers.
fn numbered(bytes: &[u8]) -> Vec<(u32, String)> {
    let text = String::from_utf8_lossy(bytes);
    let lines = (1..).zip(text.lines()).filter(|(_, line)| !line.trim().is_empty());
    lines.map(|(number, line)| (number, line.to_owned())).collect()
}

/// What came of a report: its id, and the answer; nothing of one that was rejected.
type Came = Option<(Uuid, Answer)>;

/// Looks what came of a report that is on record, or would come of it beside `others`.
async fn came_of(
    context: &Context,
    received: &Received,
    report: Option<&Report>,
    others: &[Report],
) -> Result<Came, CliError> {
    match (received, report) {
        (Received::New(_) | Received::Duplicate(_), Some(report)) => {
            Ok(Some((report.id, context.intake().answer_beside(report, others, &context.view).await?)))
        }
        (Received::Rejected(_), _) | (_, None) => Ok(None),
    }
}

/// The same of a text that holds one report or the beginning of a visit.
async fn came_of_text(context: &Context, received: &Received, name: &Arc<str>, bytes: &[u8]) -> Result<Came, CliError> {
    match (received, ledger::read(name, bytes), ledger::read_visit(name, bytes)) {
        (Received::Rejected(_), _, _) => Ok(None),
        (_, Ok((report, _)), _) => came_of(context, received, Some(&report), &[]).await,
        (_, Err(_), Ok(visit)) => Ok(Some((visit.id, context.intake().answer_visit(&visit, &context.view).await?))),
        (_, Err(_), Err(_)) => Ok(None),
    }
}

impl Part {
    fn text(&self, name: &str) -> String {
        let place = self.line.map_or_else(|| name.to_owned(), |line| format!("{name}:{line}"));
        let mut text = match (&self.received, self.is_try) {
            (Received::New(station), false) => format!("{place}: recorded, for {station}\n"),
            (Received::New(station), true) => format!("{place}: would be recorded, for {station}\n"),
            (Received::Duplicate(station), _) => format!("{place}: on record already, for {station}\n"),
            (Received::Rejected(_), false) => format!("{place}: rejected, kept with the reasons\n"),
            (Received::Rejected(_), true) => format!("{place}: would be rejected\n"),
        };
        let Some((_, Answer { consequences, missing, .. })) = &self.came else { return text };
        consequences.iter().for_each(|one| text += &format!("  {one}\n"));
        if !missing.is_empty() {
            text += "Still missing:\n";
        }
        missing.iter().for_each(|one| text += &format!("  {one}\n"));
        text
    }

    /// The same for programs: what the interface for programs answers, too.
    fn body(&self) -> Json {
        let (id, answer) = self.came.clone().unzip();
        let mut body = receipt(&self.received, id, &answer.unwrap_or_default());
        match (&self.received, self.is_try) {
            (Received::New(_), true) => body["outcome"] = "would-be-recorded".into(),
            (Received::Rejected(_), true) => body["outcome"] = "would-be-refused".into(),
            (Received::Duplicate(_), true) | (_, false) => {}
        }
        if let Some(line) = self.line {
            body["line"] = line.into();
        }
        body
    }
}

/// One object a line, a line a file or row.
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
