//! `new`: makes an installation, from a sheet of stations where there is one. Nothing is written over, and either all of it is
//! written or none.

use std::fs;
use std::io::{self, BufRead, IsTerminal, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::context::Files;
use super::error::{CliError, counted, findings_text, paint, print};
use super::exit::Exit;
use super::reading::read_file;
use crate::files::{FileText, is_yaml};
use crate::finding::{Finding, plural};
use crate::fleet::Texts;
use crate::inventory::{Country, Keybooks};
use crate::keybook;
use crate::outset::{Answers, FIRST_KEYBOOK, Forge, Mode, NewFile, draft, drafted, skeleton};
use crate::table::{SHEET_LIMIT_BYTES, Table};
use crate::yaml::LIMIT_BYTES;

/// What a new fleet is called where nobody says.
const FLEET: &str = "My fleet";
/// The country of its lines where nobody says.
const COUNTRY: &str = "GB";

/// Makes a new installation.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The folder to make; what is in it already stays as it is
    folder: PathBuf,
    /// What the fleet is called [default: asked, or "My fleet"]
    #[arg(long, value_name = "NAME")]
    fleet: Option<String>,
    /// The country of the lines, as two letters [default: asked, or GB]
    #[arg(long, value_name = "COUNTRY", value_parser = country)]
    country: Option<Country>,
    /// Add the check of a forge [default: asked, or none]
    #[arg(long, value_enum, value_name = "none|github|gitlab", hide_possible_values = true)]
    forge: Option<Forge>,
    /// Take the stations from a sheet (CSV, XLSX)
    #[arg(long, value_name = "SHEET")]
    from: Option<PathBuf>,
    /// The sheet of a workbook [default: the one that is not hidden]
    #[arg(long, value_name = "NAME", requires = "from")]
    sheet: Option<String>,
    /// A keybook of the sheet's stations; once for each model
    #[arg(long, value_name = "FILE", requires = "from")]
    keybook: Vec<PathBuf>,
    /// Write the guessed profiles without asking
    #[arg(long, requires = "from")]
    as_guessed: bool,
    /// Leave out rows that have errors
    #[arg(long, requires = "from")]
    leave_out: bool,
}

fn country(text: &str) -> Result<Country, String> {
    let id = text.trim().to_ascii_uppercase();
    Country::find(&id).ok_or_else(|| "write the two letters of ISO 3166, like GB".into())
}

pub fn run(args: &Args) -> Result<Exit, CliError> {
    let answers = answers(args)?;
    let files = match &args.from {
        Some(sheet) => from_sheet(args, sheet, &answers)?,
        None => skeleton(&answers),
    };
    write(&args.folder, &files)?;
    checked(&args.folder)?;
    print(&next(args, files.len()))?;
    Ok(Exit::Done)
}

/// The files of an installation with the stations of a sheet, once what was guessed is approved.
fn from_sheet(args: &Args, path: &Path, answers: &Answers) -> Result<Vec<NewFile>, CliError> {
    let (keybooks, texts) = keybooks(&args.keybook)?;
    let (name, bytes) = read_file(path, SHEET_LIMIT_BYTES)?;
    let table =
        table(path, &name, &bytes, args.sheet.as_deref()).map_err(|finding| wrong(&[finding], &name, &bytes))?;
    let wrong = |findings: &[Finding]| {
        let findings: Vec<Finding> = findings.iter().map(|finding| table.named(finding.clone())).collect();
        wrong(&findings, &name, table.text().as_bytes())
    };
    let draft = draft(&table, &keybooks, answers).map_err(|findings| wrong(&findings))?;
    if !draft.findings.is_empty() {
        let error = wrong(&draft.findings);
        if !args.leave_out || draft.stations == 0 {
            return Err(error);
        }
        eprintln!("stationkeep: {} of the sheet left out", plural(draft.left_out as u64, "row"));
    }
    eprintln!("stationkeep: {name}:");
    table.notes().iter().for_each(|note| eprintln!("  {note}"));
    draft.guesses.iter().for_each(|guess| eprintln!("  {guess}"));
    let is_approved = match (args.as_guessed, is_answered()) {
        (true, _) => true,
        (false, true) => ask("Write it so (yes, no)?", "no", |text| match text {
            "yes" | "y" => Ok(true),
            "no" | "n" => Ok(false),
            _ => Err("answer yes or no".into()),
        })?,
        (false, false) => false,
    };
    match is_approved {
        true => Ok(drafted(answers, &draft, &texts)),
        false => Err(CliError::usage("nothing was written. If these guesses are right, add --as-guessed.")),
    }
}

/// Keybooks by model, and their texts by the names of their files; without any, the one of the skeleton.
fn keybooks(paths: &[PathBuf]) -> Result<(Keybooks, Vec<(String, String)>), CliError> {
    let (mut keybooks, mut texts) = (Keybooks::new(), Vec::new());
    let mut add = |file: &Arc<str>, bytes: &[u8]| {
        let (keybook, findings) = keybook::read(file, bytes);
        let Some(keybook) = keybook.filter(|_| !findings.iter().any(Finding::is_error)) else {
            return Err(wrong(&findings, file, bytes));
        };
        keybooks.insert(keybook.model.clone(), Arc::new(keybook));
        Ok(())
    };
    if paths.is_empty() {
        add(&"heron-1.yaml".into(), FIRST_KEYBOOK.as_bytes())?;
    }
    for path in paths {
        let (name, bytes) = read_file(path, LIMIT_BYTES as u64)?;
        add(&name, &bytes)?;
        let file = path.file_name().map(|file| file.to_string_lossy().into_owned());
        let file = file.filter(|file| is_yaml(file));
        let file = file.ok_or_else(|| CliError::usage(format!("{name}: the name of a keybook ends in .yaml.")))?;
        texts.push((file, String::from_utf8_lossy(&bytes).into_owned()));
    }
    Ok((keybooks, texts))
}

fn table(path: &Path, name: &Arc<str>, bytes: &[u8], sheet: Option<&str>) -> Result<Table, Finding> {
    let is_workbook = path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("xlsx"));
    if is_workbook { Table::workbook(name, bytes, sheet) } else { Table::csv(name, bytes) }
}

/// Shows what is wrong in a file that was read, of which nothing is written then.
fn wrong(findings: &[Finding], name: &Arc<str>, bytes: &[u8]) -> CliError {
    let texts: Texts = [(name.clone(), Arc::new(FileText::new(bytes.to_vec())))].into();
    eprint!("{}", findings_text(findings, &[&texts], paint()));
    CliError::usage(format!("{name}: {}. Nothing was written.", counted(findings)))
}

/// What options say; the rest is asked where someone can answer.
fn answers(args: &Args) -> Result<Answers, CliError> {
    let is_asked = is_answered();
    let fleet = match &args.fleet {
        Some(fleet) => fleet.clone(),
        None if is_asked => ask("What is the fleet called?", FLEET, |text| Ok(text.to_owned()))?,
        None => FLEET.into(),
    };
    let fleet = fleet.trim();
    if fleet.is_empty() || fleet.chars().any(char::is_control) {
        return Err(CliError::usage("the name of the fleet is empty or holds control characters."));
    }
    let country = match &args.country {
        Some(country) => country.clone(),
        None if is_asked => ask("Which country are its lines in (two letters)?", COUNTRY, country)?,
        None => country(COUNTRY).map_err(CliError::failed)?,
    };
    let forge = match args.forge {
        Some(forge) => forge,
        None if is_asked => ask("Which forge checks every change (none, github, gitlab)?", "none", |text| {
            clap::ValueEnum::from_str(text, true).map_err(|_| "write none, github or gitlab".into())
        })?,
        None => Forge::None,
    };
    Ok(Answers { fleet: fleet.into(), country, forge })
}

/// Whether someone is there to answer.
fn is_answered() -> bool {
    io::stdin().is_terminal() && io::stderr().is_terminal()
}

/// Asks until the answer is one; an empty answer, or none at all, is the one that is offered.
fn ask<T>(question: &str, offered: &str, read: impl Fn(&str) -> Result<T, String>) -> Result<T, CliError> {
    loop {
        eprint!("{question} [{offered}] ");
        io::stderr().flush()?;
        let mut line = String::new();
        if io::stdin().lock().read_line(&mut line)? == 0 {
            return Err(CliError::usage(
                "there was no answer. Every question has an option: \"stationkeep new --help\".",
            ));
        }
        let text = Some(line.trim()).filter(|text| !text.is_empty()).unwrap_or(offered);
        match read(text) {
            Ok(answer) => return Ok(answer),
            Err(why) => eprintln!("stationkeep: {why}"),
        }
    }
}

/// Writes files that are not there yet.
fn write(folder: &Path, files: &[NewFile]) -> Result<(), CliError> {
    let there: Vec<&str> = files
        .iter()
        .filter(|file| fs::symlink_metadata(folder.join(&file.path)).is_ok())
        .map(|file| &*file.path)
        .collect();
    if let [first, rest @ ..] = &there[..] {
        let more =
            if rest.is_empty() { String::new() } else { format!(" and {}", plural(rest.len() as u64, "other file")) };
        return Err(CliError::usage(format!(
            "{} has {first}{more} already, and nothing is written over. Name a new folder.",
            folder.display()
        )));
    }
    let mut done: Vec<PathBuf> = Vec::new();
    for file in files {
        let path = folder.join(&file.path);
        if let Err(error) = write_new(&path, file) {
            // What was written a moment ago is nobody's yet.
            done.iter().for_each(|path| drop(fs::remove_file(path)));
            return Err(CliError::failed(format!("cannot write {}: {error}. Nothing was kept.", path.display())));
        }
        done.push(path);
    }
    Ok(())
}

fn write_new(path: &Path, file: &NewFile) -> io::Result<()> {
    let mode = match file.mode {
        Mode::Plain => 0o666,
        Mode::Private => 0o600,
        Mode::Program => 0o777,
    };
    if let Some(parent) = path.parent() {
        fs::create_dir_all(parent)?;
    }
    let mut new = fs::OpenOptions::new().write(true).create_new(true).mode(mode).open(path)?;
    new.write_all(file.text.as_bytes())
}

/// Reads what was written, as every command will.
fn checked(folder: &Path) -> Result<(), CliError> {
    let files = Files::read(&folder.join("config/stationkeep.yaml"))?;
    let findings = &files.reading.findings;
    eprint!("{}", findings_text(findings, &files.texts(), paint()));
    match findings.iter().any(Finding::is_error) {
        true => Err(CliError::failed(format!("the new files have errors: {}", counted(findings)))),
        false => Ok(()),
    }
}

/// What was made, and what to do next, in four lines.
fn next(args: &Args, count: usize) -> String {
    let folder = for_a_shell(&args.folder);
    let (second, third) = match &args.from {
        Some(sheet) => (
            format!(
                "2. stationkeep report {} --try    shows what it says the stations hold; without --try it is recorded",
                shown(sheet)
            ),
            "3. stationkeep drift --summary    shows what it takes; then stationkeep serve watches the fleet",
        ),
        None => (
            "2. Replace the examples: the keybook in config/keybooks, then config/inventory, then config/secrets."
                .into(),
            "3. stationkeep serve    watches the fleet; \"stationkeep guide first-steps\" explains the rest",
        ),
    };
    format!(
        "{folder}: {} written. Next:\n  1. cd {folder} && stationkeep check    shows every mistake at its line\n  {second}\n  {third}\n  \
         4. git init, then install the hook: README.md says how; it checks every commit and merge\n",
        plural(count as u64, "file")
    )
}

/// A sheet as it is named from anywhere.
fn shown(sheet: &Path) -> String {
    for_a_shell(&fs::canonicalize(sheet).unwrap_or_else(|_| sheet.to_owned()))
}

/// A path as it can be pasted into a shell.
fn for_a_shell(path: &Path) -> String {
    let text = path.display().to_string();
    let is_plain = text.chars().all(|sign| sign.is_alphanumeric() || "_-./".contains(sign));
    if is_plain { text } else { format!("'{}'", text.replace('\'', "'\\''")) }
}
