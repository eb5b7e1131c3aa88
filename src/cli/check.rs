//! `check`: configuration, keybooks and inventory, every mistake at its line.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde_json::{Value as Json, json};

use super::scene::Files;
use super::shown::{Shown, counted, findings_text, paint_out, print, print_json};
use super::{Exit, against};
use crate::files::{FileText, read_file};
use crate::finding::{Code, Finding, Place, plural, settle};
use crate::gather::Texts;
use crate::{change, config, inventory, keybook, ledger, script, yaml};

/// Checks files and shows every mistake at its line.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Only what concerns these files or folders; files outside the configuration are checked by themselves
    paths: Vec<PathBuf>,
    /// What the files would change at the stations, against another folder: a configuration's, or an inventory alone
    #[arg(long, value_name = "FOLDER")]
    against: Option<String>,
    /// How to print it
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum Format {
    Text,
    Json,
}

pub fn run(args: Args, config: &Path) -> Result<Exit, Shown> {
    let mut reading = Files::passing(config)?;
    if reading.fleet.is_sound() {
        reading.fleet.findings.extend(script::unkeyable(&reading.fleet.inventory, &reading.fleet.codes));
        settle(&mut reading.fleet.findings);
    }
    let mut alone = Texts::new();
    let findings =
        if args.paths.is_empty() { reading.fleet.findings.clone() } else { chosen(&args.paths, &reading, &mut alone)? };
    let [keybooks, files] = reading.texts();
    let change = match &args.against {
        Some(what) if reading.fleet.is_sound() => Some((what, against::change(what, &reading)?)),
        // Broken files change nothing: the last good ones stay in force.
        Some(_) | None => None,
    };
    match args.format {
        Format::Json => {
            let mut all = json!({ "findings": findings.iter().map(finding_json).collect::<Vec<_>>() });
            if let Some((_, change)) = &change {
                all["change"] = change::json(change);
            }
            print_json(&all)?;
        }
        Format::Text => {
            let text = findings_text(&findings, &[keybooks, files, &alone], paint_out());
            let fleet = &reading.fleet;
            let sound = format!(
                "{}, {}, {}: {}.\n",
                plural(fleet.inventory.stations.len() as u64, "station"),
                plural(fleet.keybooks.len() as u64, "keybook"),
                plural((keybooks.len() + files.len()) as u64, "file"),
                counted(&findings)
            );
            print(&(text + &if reading.fleet.is_sound() { sound } else { format!("{}.\n", counted(&findings)) }))?;
            if let Some((what, change)) = &change {
                print(&format!("\n{}", change::text(change, what, "here")))?;
            }
        }
    }
    let impossible = change.is_some_and(|(_, change)| change.is_impossible());
    Ok(match (findings.iter().any(Finding::is_error), impossible) {
        (true, _) => Exit::Usage,
        (false, true) => Exit::Failed,
        (false, false) => Exit::Done,
    })
}

fn finding_json(finding: &Finding) -> Json {
    let place = |place: &Place| json!({ "file": &*place.file, "line": place.line, "column": place.column });
    let related = finding.related.iter().map(|(at, what)| json!({ "place": place(at), "what": what }));
    json!({
        "place": place(&finding.place),
        "severity": finding.severity.to_string(),
        "code": finding.code.as_str(),
        "sentence": finding.sentence,
        "mend": finding.mend,
        "related": related.collect::<Vec<_>>(),
    })
}

/// The findings that concern some paths.
fn chosen(paths: &[PathBuf], reading: &Files, alone: &mut Texts) -> Result<Vec<Finding>, Shown> {
    let mut findings = Vec::new();
    for path in paths {
        let full = std::path::absolute(path)?;
        let inside = full.strip_prefix(&reading.config.folder).ok().map(Path::to_path_buf);
        let belongs = inside.as_ref().is_some_and(|inside| {
            reading.texts().iter().any(|texts| texts.keys().any(|file| Path::new(&**file).starts_with(inside)))
        });
        if let Some(inside) = inside.filter(|_| belongs) {
            let concerned = |f: &&Finding| {
                let mut places = std::iter::once(&f.place).chain(f.related.iter().map(|(place, _)| place));
                places.any(|place| Path::new(&*place.file).starts_with(&inside))
            };
            findings.extend(reading.fleet.findings.iter().filter(concerned).cloned());
        } else {
            findings.extend(by_itself(path, alone));
        }
    }
    settle(&mut findings);
    Ok(findings)
}

/// A file outside the configuration, by what its first key says it is.
fn by_itself(path: &Path, alone: &mut Texts) -> Vec<Finding> {
    let file: Arc<str> = path.display().to_string().into();
    let text = match read_file(&file, path) {
        Ok(text) => text,
        Err(finding) => return vec![finding],
    };
    let bytes = text.bytes.clone();
    alone.insert(file.clone(), Arc::new(FileText::new(text.bytes)));
    let root = match yaml::read(&file, &bytes) {
        Ok(root) => root,
        Err(findings) => return findings,
    };
    if root.get("stationkeep").is_some() {
        // A configuration has keys `inventory` and `keybooks` too, so it is asked for first.
        config::read(&file, path.parent().unwrap_or(Path::new(".")), &bytes).err().unwrap_or_default()
    } else if root.get("keybook").is_some() {
        keybook::read(&file, &bytes).1
    } else if root.get("inventory").is_some() {
        inventory::read(&file, &bytes).1
    } else if root.get("report").is_some() {
        ledger::read(&file, &bytes).err().unwrap_or_default()
    } else {
        let sentence = "The file does not say what it is.";
        let mend = "Begin it with `inventory: 1`, `keybook: 1`, `report: 1` or `stationkeep: 1`.";
        vec![Finding::new(Code::Version, Place::start_of(&file), sentence, mend)]
    }
}
