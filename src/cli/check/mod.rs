//! `check`: configuration, keybooks and inventory, every mistake at its line.

mod comment;
mod fix;
mod sarif;
mod strict;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde_json::{Value as Json, json};
use textwrap::{Options, fill};

use super::against::{Against, against};
use super::context::Files;
use super::error::{CliError, counted, findings_text, paint_out, print, print_json};
use super::exit::Exit;
use crate::config::{Config, Loaded};
use crate::files::{FileText, Folder, cleaned, read_file};
use crate::finding::{Code, Finding, Paint, Place, plural, settle};

use crate::fleet::{Source, Sources, Texts};
use crate::git::{Git, staged_in};
use crate::inventory::Commit;
use crate::{config, inventory, keybook, ledger, script, yaml};

/// The most findings laid out as text; the other forms hold all of them.
const MOST_SHOWN: usize = 1_000;

/// Checks files and shows every mistake at its line.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Only findings in these files or folders; files outside the configuration are checked alone
    paths: Vec<PathBuf>,
    /// Show what the files would change at the stations, against a revision (HEAD, main) or another folder
    #[arg(long, value_name = "REVISION|FOLDER")]
    against: Option<String>,
    /// Check the commit that is in use, not the files as they are edited
    #[arg(long, conflicts_with = "staged")]
    committed: bool,
    /// Check exactly what the next commit would hold (for a pre-commit hook)
    #[arg(long)]
    staged: bool,
    /// Fail also on new warnings after which nobody would notice that a button fails
    #[arg(long, conflicts_with = "fix")]
    strict: bool,
    /// Write the exact fixes that need no decision, after showing them; on a terminal it asks first
    #[arg(long, conflicts_with_all = ["committed", "staged", "against", "format"])]
    fix: bool,
    /// With --fix: write without being asked
    #[arg(long, requires = "fix")]
    write: bool,
    /// Say what a finding's code means (the word in parentheses); without one, list all codes
    #[arg(long, value_name = "CODE", num_args = 0..=1, conflicts_with_all = ["paths", "against", "format", "fix"])]
    #[expect(clippy::option_option, reason = "not asked, asked of all, asked of one")]
    about: Option<Option<Code>>,
    /// The form: for people, JSON, SARIF 2.1.0 or Markdown for a forge
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum Format {
    Text,
    Json,
    Sarif,
    Markdown,
}

/// What was looked at, and what is wrong with it.
struct Checked {
    /// The configuration's folder, absolute.
    folder: PathBuf,
    findings: Vec<Finding>,
    /// The texts of the configuration's files, by path relative to its folder.
    texts: Vec<Texts>,
    /// The files of the configuration, where it could be read.
    files: Option<Files>,
    /// The paths that were asked for, absolute; all where there are none.
    asked: Vec<PathBuf>,
    /// Files checked by themselves, by path as given.
    alone: BTreeMap<Arc<str>, Option<Arc<FileText>>>,
    /// The new warnings that a strict check fails on.
    unnoticed: Vec<Finding>,
    /// What there is, where everything could be put together.
    sound: Option<String>,
    /// What it would change, and against what. Broken files change nothing: the last good ones stay in force.
    against: Option<Against>,
    /// The commit that was checked, where the inventory is read from a repository.
    commit: Option<Arc<Commit>>,
    /// Where the inventory is followed in a repository: its folder there, as findings begin, and the top that it is from.
    followed: Option<(PathBuf, PathBuf)>,
    /// Which state of the files was checked, where it is not the one in use.
    state: Option<String>,
}

pub async fn run(args: Args, config: &Path) -> Result<Exit, CliError> {
    match args.about {
        Some(Some(code)) => return print(&about(code)).map(|()| Exit::Done),
        Some(None) => return print(&all_codes()).map(|()| Exit::Done),
        None => {}
    }
    let checked = check(&args, config).await?;
    if args.fix {
        return checked.fix(args.write);
    }
    match args.format {
        Format::Json => print_json(&checked.json())?,
        Format::Sarif => print_json(&checked.sarif())?,
        Format::Markdown => print(&checked.markdown())?,
        Format::Text => {
            if let Some(commit) = &checked.commit {
                eprintln!("stationkeep: the inventory is of commit {commit}");
            }
            if let Some(state) = &checked.state {
                eprintln!("stationkeep: {state}");
            }
            print(&checked.text())?;
        }
    }
    if let Some(why) = checked.why_strict() {
        eprintln!("stationkeep: {why}");
    }
    let impossible = checked.against.is_some_and(|against| against.change.is_impossible());
    let is_wrong = !checked.unnoticed.is_empty() || checked.findings.iter().any(Finding::is_error);
    Ok(match (is_wrong, impossible) {
        (true, _) => Exit::Usage,
        (false, true) => Exit::Failed,
        (false, false) => Exit::Done,
    })
}

/// What a finding with this code means.
fn about(code: Code) -> String {
    format!("{code}: {}\n{}\n", code.severity(), fill(code.explanation(), Options::new(80)))
}

/// Every code with the beginning of its explanation, a line each.
fn all_codes() -> String {
    let width = Code::ALL.iter().map(|code| code.as_str().len()).max().unwrap_or(0);
    let line = |code: &Code| {
        let first = code.explanation().split_inclusive(". ").next().unwrap_or_default().trim_end();
        format!("{:<width$}  {:<7}  {first}\n", code.as_str(), code.severity().to_string())
    };
    Code::ALL.iter().map(line).collect()
}

async fn check(args: &Args, config: &Path) -> Result<Checked, CliError> {
    let paths = &args.paths[..];
    let staged = if args.staged { staged_config(config) } else { None };
    let loaded = staged.unwrap_or_else(|| config::load(config));
    let folder = cleaned(&std::path::absolute(config)?).parent().unwrap_or(Path::new("/")).to_path_buf();
    let mut checked = Checked::of(folder, loaded.texts.files);
    match loaded.config {
        Ok(config) => {
            let files = files(args, config)?;
            let reading = &files.reading;
            checked.followed = match &files.sources.inventory {
                Source::Git(followed) => Some((followed.folder.to_string().into(), followed.repository.path.clone())),
                Source::Folder(_) => None,
            };
            checked.state = state(args, &files.sources);
            checked.findings = files.config.doubts();
            checked.findings.extend_from_slice(&reading.findings);
            if args.staged || args.committed || args.strict {
                checked.findings.extend(Checked::tracked(&files));
            }
            settle(&mut checked.findings);
            if reading.is_sound() {
                let unkeyable = script::unkeyable(&reading.inventory, &reading.codes);
                if let Some(what) = &args.against {
                    checked.against = Some(against(what, &files).await?);
                }
                checked.sound = Some(format!(
                    "{}, {}, {}: ",
                    plural(reading.inventory.stations.len() as u64, "station"),
                    plural(reading.keybooks.len() as u64, "keybook"),
                    plural(files.texts().iter().map(|texts| texts.len() as u64).sum(), "file"),
                ));
                checked.findings.extend(unkeyable);
                settle(&mut checked.findings);
            }
            if args.strict {
                checked.be_strict(&files);
            }
            checked.commit = files.texts.commit.clone();
            checked.texts.extend(files.texts().map(Clone::clone));
            checked.files = Some(files);
        }
        // Without a configuration files can still be checked by themselves.
        Err(_) if !paths.is_empty() && !config.exists() => {}
        Err(findings) => checked.findings = findings,
    }
    if !paths.is_empty() {
        checked.narrow(paths)?;
    }
    Ok(checked)
}

/// The configuration as it is staged; nothing where git does not track it.
fn staged_config(path: &Path) -> Option<Loaded> {
    let path = cleaned(&std::path::absolute(path).ok()?);
    let (folder, name): (&Path, Arc<str>) = (path.parent()?, path.file_name()?.to_string_lossy().into());
    let (tree, _) = staged_in(&Git::default(), &Folder { shown: "".into(), path: folder.into() }).ok()?;
    let (_, text) = tree.files.iter().find(|(path, _)| path.trim_start_matches(['.', '/']) == &*name)?;
    let texts = [(name.clone(), text.clone())].into_iter().collect();
    Some(Loaded { config: config::read(&name, folder, &text.bytes), texts })
}

/// The files in the state that is asked for.
fn files(args: &Args, config: Config) -> Result<Files, CliError> {
    match (&config.inventory, args.committed, args.staged) {
        (Source::Folder(folder), true, _) => Err(CliError::usage(format!(
            "the inventory is read from the folder \"{}\", so no commit is in use. Leave out --committed.",
            folder.shown
        ))),
        (_, true, _) => Ok(Files::of(config)),
        (_, _, true) => Files::staged(config),
        (_, false, false) => Ok(Files::edited(config)),
    }
}

/// Which state of the files was checked, where that is not the one in use.
fn state(args: &Args, sources: &Sources) -> Option<String> {
    if args.staged {
        return Some("checked as staged for the next commit".into());
    }
    let followed = sources.in_work_tree().filter(|_| !args.committed)?;
    Some(format!("checked as edited; \"check --committed\" checks {}, which is in use", followed.name))
}

impl Checked {
    /// Nothing is known yet but the configuration's own text.
    fn of(folder: PathBuf, texts: Texts) -> Checked {
        Checked {
            folder,
            findings: Vec::new(),
            texts: vec![texts],
            files: None,
            asked: Vec::new(),
            alone: BTreeMap::new(),
            unnoticed: Vec::new(),
            sound: None,
            against: None,
            commit: None,
            followed: None,
            state: None,
        }
    }

    fn text(&self) -> String {
        let shown = &self.findings[..self.findings.len().min(MOST_SHOWN)];
        let more = match self.findings.len() - shown.len() {
            0 => String::new(),
            n => format!("{n} more are not shown here; \"--format json\" has all.\n\n"),
        };
        let change = self.against.as_ref().map(|against| format!("\n{}", against.text()));
        let sound = self.sound.as_deref().unwrap_or_default();
        self.findings_text(shown, paint_out())
            + &more
            + &format!("{sound}{}.\n", counted(&self.findings))
            + &change.unwrap_or_default()
    }

    /// Findings beside their source lines.
    fn findings_text(&self, findings: &[Finding], paint: Paint) -> String {
        let alone = self.alone.iter().filter_map(|(name, text)| Some((name.clone(), text.clone()?))).collect();
        let texts: Vec<&Texts> = self.texts.iter().chain([&alone]).collect();
        findings_text(findings, &texts, paint)
    }

    fn json(&self) -> Json {
        let errors = self.findings.iter().filter(|finding| finding.is_error()).count();
        let mut all = json!({
            "findings": self.findings.iter().map(finding_json).collect::<Vec<_>>(),
            "errors": errors,
            "warnings": self.findings.len() - errors,
        });
        if let Some(commit) = &self.commit {
            all["commit"] = commit.json();
        }
        if let Some(against) = &self.against {
            all["change"] = against.json();
        }
        all
    }

    fn sarif(&self) -> Json {
        let root = work_tree(&self.folder).unwrap_or(&self.folder);
        let path = |file: &str| self.path(file);
        let text = |file: &str| {
            let own = self.texts.iter().find_map(|texts| texts.get(file));
            own.or_else(|| self.alone.get(file)?.as_ref())?.text()
        };
        sarif::log(&self.findings, &sarif::Sources { root, path: &path, text: &text })
    }

    /// Where a file is that a finding names.
    fn path(&self, file: &str) -> PathBuf {
        if self.alone.contains_key(file) {
            return cleaned(&std::path::absolute(file).unwrap_or_else(|_| file.into()));
        }
        match &self.followed {
            Some((folder, top)) if self.is_followed(file, folder) => cleaned(&top.join(file)),
            Some(_) | None => cleaned(&self.folder.join(file)),
        }
    }

    /// Whether a file that a finding names is one of the inventory's repository. `folder` is the inventory's there.
    fn is_followed(&self, file: &str, folder: &Path) -> bool {
        let is_beside = || self.texts.iter().take(2).any(|texts| texts.contains_key(file));
        (folder == Path::new(".") || Path::new(file).starts_with(folder)) && !is_beside()
    }

    /// Keeps the findings that concern some paths, and looks at those that the configuration does not lead to.
    fn narrow(&mut self, paths: &[PathBuf]) -> Result<(), CliError> {
        let all = std::mem::take(&mut self.findings);
        for path in paths {
            let full = cleaned(&std::path::absolute(path)?);
            self.asked.push(full.clone());
            let is_in = |file: &Arc<str>| self.path(file).starts_with(&full);
            let findings = all.iter().map(|finding| &finding.place.file);
            match self.texts.iter().flat_map(Texts::keys).chain(findings).any(is_in) {
                true => {
                    let concerned = |f: &&Finding| {
                        let mut places = std::iter::once(&f.place).chain(f.related.iter().map(|(place, _)| place));
                        places.any(|place| is_in(&place.file))
                    };
                    let found: Vec<Finding> = all.iter().filter(concerned).cloned().collect();
                    self.findings.extend(found);
                }
                false => self.by_itself(path),
            }
        }
        settle(&mut self.findings);
        Ok(())
    }

    /// A file outside the configuration.
    fn by_itself(&mut self, path: &Path) {
        let file: Arc<str> = path.display().to_string().into();
        let (text, findings) = match read_file(&file, path) {
            Ok(text) => {
                let findings = by_its_first_key(&file, path, &text.bytes);
                // What is none of our files may be one that codes are kept in: no line of it is shown.
                (is_ours(&text.bytes).then(|| Arc::new(text)), findings)
            }
            Err(finding) => (None, vec![finding]),
        };
        self.findings.extend(findings);
        self.alone.insert(file, text);
    }
}

/// The top of the work tree that a folder lies in: what a forge shows paths from.
fn work_tree(folder: &Path) -> Option<&Path> {
    folder.ancestors().find(|folder| folder.join(".git").exists())
}

fn finding_json(finding: &Finding) -> Json {
    let place = |place: &Place| json!({ "file": &*place.file, "line": place.line, "column": place.column, "length": place.length });
    let related = finding.related.iter().map(|(at, what)| json!({ "place": place(at), "what": what }));
    json!({
        "place": place(&finding.place),
        "severity": finding.severity.to_string(),
        "code": finding.code.as_str(),
        "message": finding.message,
        "fix": finding.fix,
        "replacement": finding.replacement,
        "related": related.collect::<Vec<_>>(),
    })
}

/// The first keys of our files.
const KINDS: [&str; 4] = ["stationkeep", "keybook", "inventory", "report"];

/// Whether a text has the first key of one of our kinds of file, however broken it is otherwise.
fn is_ours(bytes: &[u8]) -> bool {
    let mut lines = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes).split(|byte| *byte == b'\n');
    lines.any(|line| {
        let is_kind = |kind: &&str| line.strip_prefix(kind.as_bytes()).is_some_and(|rest| rest.starts_with(b":"));
        KINDS.iter().any(is_kind)
    })
}

/// What is wrong with a file that says in its first key what it is.
fn by_its_first_key(file: &Arc<str>, path: &Path, bytes: &[u8]) -> Vec<Finding> {
    let root = match yaml::read(file, bytes) {
        Ok(root) => root,
        Err(findings) => return findings,
    };
    if root.get("stationkeep").is_some() {
        // A configuration has keys `inventory` and `keybooks` too, so it is asked for first.
        config::read(file, path.parent().unwrap_or(Path::new(".")), bytes).err().unwrap_or_default()
    } else if root.get("keybook").is_some() {
        keybook::read(file, bytes).1
    } else if root.get("inventory").is_some() {
        inventory::read(file, bytes).1
    } else if root.get("report").is_some() {
        ledger::read(file, bytes).err().unwrap_or_default()
    } else {
        let message = "The file does not say what it is.";
        let fix = "Begin it with \"inventory: 1\", \"keybook: 1\", \"report: 1\" or \"stationkeep: 1\".";
        vec![Finding::new(Code::Version, Place::start_of(file), message, fix)]
    }
}
