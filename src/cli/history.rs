//! `history`: everything on record about a station, oldest first, in plain sentences.

use std::fmt::Write as _;
use std::path::Path;

use jiff::Timestamp;

use super::context::Context;
use super::error::{CliError, print, print_json};
use super::exit::Exit;
use super::format::Format;
use crate::drift::{surprise, value_text};
use crate::finding::{minute, plural};
use crate::fleet::{StationLines, View, history, history_json};
use crate::inventory::Station;
use crate::ledger::{Corrections, Decision, LedgerLine, Outcome, Record, Report, Visit, open};
use crate::setting::{Name, Reference, Secret, Written};

/// Everything on record about a station.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The station's name in the inventory
    station: String,
    /// How to print it
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
}

pub async fn run(args: Args, config: &Path) -> Result<Exit, CliError> {
    let context = Context::open(config).await?;
    let lines = history(context.store(), &context.view, &args.station).await?;
    let station = context.view.reading.inventory.called(&args.station).map(|station| &**station);
    if station.is_none() && lines.is_empty() {
        return Err(context.no_station(&args.station));
    }
    match args.format {
        Format::Json => {
            print_json(&serde_json::json!({ "station": args.station, "entries": history_json(&lines) }))?;
        }
        Format::Text => print(&text(&args.station, &context.view, station, &lines))?,
    }
    Ok(Exit::Done)
}

/// Visits and corrections, beside everything else that is on record.
struct Said<'a> {
    on_record: StationLines<'a>,
    /// Visits of which no report came.
    open: Vec<&'a Visit>,
}

impl Said<'_> {
    fn of(lines: &[LedgerLine]) -> Said<'_> {
        let on_record = StationLines::of(lines);
        Said { open: open(on_record.visits.iter().copied(), &on_record.reports), on_record }
    }

    /// What a report has to do with others.
    fn corrections(&self, report: &Report) -> Vec<String> {
        let by = Corrections::among(&self.on_record.reports).instead_of(report).map(|other| {
            match other.corrects == Some(report.id) {
                true => format!("no longer counts: report {} corrects it", other.id),
                false => format!("no longer counts: report {} corrects the same report and counts instead", other.id),
            }
        });
        let corrects = report.corrects.map(|id| match self.on_record.reports.iter().any(|other| other.id == id) {
            true => format!("corrects report {id}"),
            false => format!("corrects report {id}, which is not on record here yet"),
        });
        corrects.into_iter().chain(by).collect()
    }
}

fn text(name: &str, view: &View, station: Option<&Station>, lines: &[LedgerLine]) -> String {
    let mut out = head(name, station, lines);
    if lines.is_empty() {
        let _ = writeln!(out, "Nobody has reported on it yet.");
    }
    let said = Said::of(lines);
    for line in lines {
        match line {
            LedgerLine::Script(issued) => {
                let steps = plural(issued.steps.len() as u64, "step");
                let _ = writeln!(out, "\n{}  script {} issued, {steps}", minute(issued.at), issued.digest);
            }
            LedgerLine::Shown(shown) => {
                let _ = writeln!(out, "\n{}  script {} shown", minute(shown.at), shown.script);
            }
            LedgerLine::Begun(visit) => {
                let _ =
                    writeln!(out, "\n{}  {} began to key script {}", minute(visit.at), clean(&visit.by), visit.script);
                if said.open.iter().any(|open| open.id == visit.id) {
                    let _ = writeln!(out, "    {}", unheard(visit, view.at));
                }
            }
            LedgerLine::Report(report) => {
                // Only what a test call is held against needs the record of its time.
                let tested = station.filter(|_| !report.tests.is_empty());
                let record = |station| said.on_record.record_before_tests(station, report);
                let beside = tested.map(|station| Beside { station, record: record(station) });
                let _ = writeln!(out, "\n{}  report {} by {}", minute(report.at), report.id, clean(&report.by));
                said.corrections(report).iter().for_each(|line| out.push_str(&format!("    {line}\n")));
                report_text(&mut out, report, beside.as_ref());
            }
            LedgerLine::Decision(decision) => notice_text(&mut out, decision),
        }
    }
    out
}

/// Whose history it is, and under which names it was reported on.
fn head(name: &str, station: Option<&Station>, lines: &[LedgerLine]) -> String {
    let Some(station) = station else { return format!("{name}  (no longer in the inventory)\n") };
    let mut out = format!("{}  ({}: {})\n", station.name, station.site, station.location);
    for former in &station.formerly {
        let count = lines.iter().filter(|line| station_of(line) == Some(former)).count();
        let entries = if count == 1 { "1 entry".to_owned() } else { format!("{count} entries") };
        let _ = writeln!(out, "called {former} before: {entries} under that name");
    }
    out
}

/// The station that a line names, if it is one of a single station.
fn station_of(line: &LedgerLine) -> Option<&Name> {
    match line {
        LedgerLine::Report(report) => Some(&report.station),
        LedgerLine::Script(issued) => Some(&issued.station),
        LedgerLine::Shown(shown) => Some(&shown.station),
        LedgerLine::Begun(visit) => Some(&visit.station),
        LedgerLine::Decision(_) => None,
    }
}

/// What an open visit means.
fn unheard(visit: &Visit, now: Timestamp) -> &'static str {
    match visit.silent_from() <= now {
        true => "! no report came in 24 hours: nobody knows which of its steps the station obeyed",
        false => "no report yet: nobody knows which of its steps the station obeyed",
    }
}

fn notice_text(out: &mut String, decision: &Decision) {
    let said = decision.said();
    let what = match decision {
        Decision::Aside(aside) => {
            let setting = aside.setting.as_ref().map(|setting| format!("{setting} at ")).unwrap_or_default();
            let service = if aside.out_of_service { ", out of service" } else { "" };
            format!("{setting}{} set aside until {}{service}", aside.target.name(), minute(aside.until))
        }
        Decision::Release(release) => {
            format!("change {} released, at {} stations", release.change, release.stations.len())
        }
        Decision::Take(take) => format!("taken until {}", minute(take.until)),
        Decision::End(end) => format!("{} is over before its time", end.ends),
    };
    let _ = writeln!(out, "\n{}  {what}, by {} ({})", minute(said.at), clean(&said.by), said.id);
    if let Some(why) = &said.why {
        let _ = writeln!(out, "    why: {}", clean(why));
    }
}

fn report_text(out: &mut String, report: &Report, beside: Option<&Beside<'_>>) {
    if let Some(unit) = report.unit {
        let _ = writeln!(out, "    unit {}: every setting at factory", unit.as_str());
    }
    for (name, value) in &report.found {
        let _ = writeln!(out, "    found {name}: {}", held(name, value, beside));
    }
    if let Some(digest) = &report.script {
        for opening in &report.openings {
            let _ = writeln!(
                out,
                "    opened call {} with code {}: {}",
                opening.call,
                opening.code,
                opening.heard.as_str()
            );
        }
        let heard: Vec<String> =
            report.steps.iter().map(|(step, heard)| format!("{step} {}", heard.as_str())).collect();
        let _ = writeln!(
            out,
            "    keyed script {digest}: {}",
            if heard.is_empty() { "no step".into() } else { heard.join(", ") }
        );
    }
    for (name, value) in &report.left {
        let _ = writeln!(out, "    left {name}: {}", held(name, value, beside));
    }
    for test in &report.tests {
        let who = test.contact.as_ref().map(|contact| format!(" {contact}")).unwrap_or_default();
        let outcome = match test.outcome {
            Outcome::Reached => "reached",
            Outcome::Failed => "failed to reach",
        };
        let _ = writeln!(
            out,
            "    test call by {}: {outcome}{}",
            test.lifeline,
            if who.is_empty() { " help" } else { &who }
        );
        if let Some(odd) = beside.and_then(|beside| surprise(beside.station, &beside.record, test)) {
            let _ = writeln!(out, "      ! {odd}");
        }
    }
    if let Some(note) = &report.note {
        let _ = writeln!(out, "    note: {}", clean(note).replace('\n', "\n          "));
    }
}

/// A value as the station's model means it.
fn held(name: &str, written: &Written, beside: Option<&Beside<'_>>) -> String {
    let kind = beside.and_then(|beside| Some(&beside.station.keybook.setting(beside.station.keybook.id(name)?).kind));
    let seal = |reference: &Reference| Secret { reference: reference.clone(), fingerprint: None };
    let value = kind.and_then(|kind| kind.value(written, seal).ok());
    value.map_or_else(|| written.to_string(), |value| value_text(&value))
}

/// Text from a report without what would do things to a terminal.
fn clean(text: &str) -> String {
    text.chars().map(|sign| if sign.is_control() && sign != '\n' { '\u{fffd}' } else { sign }).collect()
}

/// What a test is compared with.
struct Beside<'a> {
    station: &'a Station,
    /// The record just before the tests of the report.
    record: Record,
}
