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
use super::reading::read_file;
use super::saying::{said, write_down};
use crate::alert::settles;
use crate::files::FileText;
use crate::finding::{Finding, plural};
use crate::fleet::intake::Received;
use crate::fleet::rejected::{failed_test, named_by_works, sent_text};
use crate::fleet::{Answer, FleetError, RowReceived, Texts, receipt};
use crate::ledger::{self, Decision, End, REPORT_LIMIT_BYTES, Report, keepable};
use crate::setting::Name;
use crate::table::{DayForm, SHEET_LIMIT_BYTES, Table};

/// The most bytes of a file of ledger lines: they are held all at once.
const LINES_LIMIT_BYTES: u64 = 64 << 20;

/// Records field reports.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Report files (YAML, JSON, JSON lines) or sheets (CSV, XLSX); - reads standard input
    #[arg(required_unless_present = "settle")]
    files: Vec<PathBuf>,
    /// How days are written in sheets, such as DD.MM.YYYY
    #[arg(long, value_name = "FORM")]
    dates: Option<DayForm>,
    /// The sheet of a workbook [default: the one that is not hidden]
    #[arg(long, value_name = "NAME")]
    sheet: Option<String>,
    /// Show what the files would do, and record nothing
    #[arg(long = "try")]
    is_try: bool,
    /// How to print what came of each: for people, or a JSON object a line
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
    /// Say that a rejected report, which an alert names so, need not be sent again
    #[arg(long, value_name = "ID", requires_all = ["by", "why"], conflicts_with_all = ["files", "dates", "sheet", "is_try"])]
    settle: Option<String>,
    /// Your name
    #[arg(long, value_name = "NAME", requires = "settle")]
    by: Option<String>,
    /// Why it need not be sent again
    #[arg(long, value_name = "TEXT", requires = "settle")]
    why: Option<String>,
}

pub async fn run(args: Args, config: &Path) -> Result<Exit, CliError> {
    let context = match args.is_try {
        true => Context::leaving_drops(config).await?,
        false => Context::open(config).await?,
    };
    if let Some(id) = &args.settle {
        return settle(&context, id, args.by.as_deref().unwrap_or_default(), args.why.as_deref()).await;
    }
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

/// Writes down that a rejected report that says that a button does not work need not be sent again.
async fn settle(context: &Context, id: &str, by: &str, why: Option<&str>) -> Result<Exit, CliError> {
    let known = context.store().rejected_called(id).await.map_err(FleetError::from)?;
    let (Some(rejected), Some(ends)) = (known, settles(id)) else {
        return Err(CliError::failed(format!("no rejected report is called {id}: an alert says how it is called.")));
    };
    if let Some(end) = context.view.decisions.ending(ends) {
        return Err(CliError::failed(format!("{} has settled it already.", end.said.by)));
    }
    write_down(context, &Decision::End(End { said: said(context, by, why), ends })).await?;
    let about = rejected.station.map(|station| format!(" about {station}")).unwrap_or_default();
    print(&format!(
        "The rejected report{about} ({}) is settled: nobody is alerted of it any longer.\n",
        rejected.source
    ))?;
    Ok(context.exit(Exit::Done))
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
        let ends = |ending: &str| has_ending(path, ending);
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
    table.into_iter().flat_map(Table::notes).for_each(|note| eprintln!("stationkeep: {name}: {note}"));
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
            if parts.iter().any(|part| part.line.is_some()) {
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
        let limit = REPORT_LIMIT_BYTES + 1;
        std::io::stdin().lock().take(limit).read_to_end(&mut bytes)?;
        return Ok(("standard input".into(), bytes));
    }
    let ends = |ending: &str| has_ending(path, ending);
    let limit = match (ends("csv") || ends("xlsx"), ends("jsonl")) {
        (true, _) => SHEET_LIMIT_BYTES,
        (false, true) => LINES_LIMIT_BYTES,
        (false, false) => REPORT_LIMIT_BYTES,
    };
    let (name, bytes) = read_file(path, limit)?;
    if ends("jsonl") && bytes.len() as u64 > LINES_LIMIT_BYTES {
        return Err(CliError::usage(format!(
            "{name} has more than {} MiB. Record it with \"stationkeep ledger import\".",
            LINES_LIMIT_BYTES >> 20
        )));
    }
    Ok((name, bytes))
}

fn has_ending(path: &Path, ending: &str) -> bool {
    path.extension().is_some_and(|one| one.eq_ignore_ascii_case(ending))
}
