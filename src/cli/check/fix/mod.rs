//! `check --fix`: writes the exact fixes that cannot change what their author meant, after showing them.
//!
//! Which fixes those are is said in `finding`. Here they are tried on the texts in memory first: a fix after which something new is
//! wrong is not written. What is left is told as `check` tells it.

mod patch;

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use similar::TextDiff;

use self::patch::{Patch, patched};
use super::{Checked, by_its_first_key};
use crate::cli::context::Files;
use crate::cli::error::{CliError, counted, findings_text, paint_out, print};
use crate::cli::exit::Exit;
use crate::files::{FileText, replace};
use crate::finding::{Code, Finding, cover_literals, plural, settle};
use crate::fleet::{ReadingCache, Source, Texts};
use crate::{config, script};

/// How often all files may be read again to find out which fixes leave them valid.
const MOST_TRIES: usize = 400;

/// Fixes tried on the texts in memory.
struct Trial<'c> {
    checked: &'c Checked,
    cache: ReadingCache,
    tries: usize,
    /// As the files would be.
    texts: Texts,
    /// Those of them that would change.
    changed: Texts,
    /// What would be wrong with them.
    findings: Vec<Finding>,
    fixed: Vec<Finding>,
    /// What would leave something else wrong.
    rejected: BTreeSet<(crate::finding::Place, Box<str>)>,
}

/// Tells what is left to a person.
fn left(checked: &Checked, findings: &[Finding], texts: &Texts) -> Result<Exit, CliError> {
    let left: Vec<Finding> = findings.iter().filter(|finding| checked.is_asked(&finding.place.file)).cloned().collect();
    let text = findings_text(&left, &[texts], paint_out());
    let verb = if left.is_empty() { "is left." } else { "left for you to decide." };
    print(&format!("{text}{} {verb}\n", capital(&counted(&left).replace("nothing wrong", "nothing"))))?;
    Ok(if findings.iter().any(Finding::is_error) { Exit::Usage } else { Exit::Done })
}

fn capital(text: &str) -> String {
    let mut signs = text.chars();
    signs.next().map(|first| first.to_uppercase().chain(signs).collect()).unwrap_or_default()
}

/// Asks on a terminal; elsewhere nobody can answer.
fn asked(what: &str) -> Result<bool, CliError> {
    if !io::stdin().is_terminal() || !io::stderr().is_terminal() {
        return Ok(false);
    }
    eprint!("Write {what}? [y/N] ");
    io::stderr().flush()?;
    let mut answer = String::new();
    io::stdin().read_line(&mut answer)?;
    Ok(matches!(answer.trim(), "y" | "Y" | "yes"))
}

/// The fixes as a unified diff. Codes that someone wrote out are covered on both sides.
fn diff(checked: &Checked, changed: &Texts, before: &[Finding], after: &[Finding]) -> String {
    let text = |file: &Arc<str>, text: &FileText, findings: &[Finding]| {
        let text = String::from_utf8_lossy(&text.bytes);
        let mut text = text.strip_prefix('\u{feff}').unwrap_or(&text).replace('\r', "");
        cover_literals(&mut text, file, findings);
        text.chars().map(|sign| if sign.is_control() && !"\n\t".contains(sign) { '\u{fffd}' } else { sign }).collect()
    };
    let old = checked.all_texts();
    let one = |(file, new): (&Arc<str>, &Arc<FileText>)| {
        let (old, new): (String, String) =
            (old.get(file).map(|old| text(file, old, before)).unwrap_or_default(), text(file, new, after));
        TextDiff::from_lines(&old, &new)
            .unified_diff()
            .context_radius(1)
            .header(file, &format!("{file}, fixed"))
            .to_string()
    };
    changed.iter().map(one).collect()
}

/// Writes the changed files; those that could not be, and why.
fn written(checked: &Checked, changed: &Texts) -> BTreeMap<Arc<str>, String> {
    let old = checked.all_texts();
    let write = |(file, new): (&Arc<str>, &Arc<FileText>)| {
        let before = old.get(file)?;
        let done = replace(&checked.root(file), &checked.path(file), &before.bytes, &new.bytes);
        done.err().map(|why| (file.clone(), why.to_string()))
    };
    changed.iter().filter_map(write).collect()
}

impl Trial<'_> {
    fn new(checked: &Checked) -> Trial<'_> {
        let mut trial = Trial {
            checked,
            cache: ReadingCache::default(),
            tries: 0,
            texts: checked.all_texts(),
            changed: Texts::new(),
            findings: Vec::new(),
            fixed: Vec::new(),
            rejected: BTreeSet::new(),
        };
        trial.findings = trial.look(&Texts::new());
        trial
    }

    /// All that would be wrong with some files in another state than they are.
    fn look(&mut self, changed: &Texts) -> Vec<Finding> {
        let checked = self.checked;
        let mut findings = match &checked.files {
            Some(files) => self.look_at(files, changed),
            None => checked
                .config_text()
                .map(|(file, text)| {
                    let text = changed.get(file).unwrap_or(text);
                    config::read(file, &checked.folder, &text.bytes).err().unwrap_or_default()
                })
                .unwrap_or_default(),
        };
        for (file, text) in &checked.alone {
            let Some(text) = changed.get(file).or(text.as_ref()) else { continue };
            findings.extend(by_its_first_key(file, Path::new(&**file), &text.bytes));
        }
        settle(&mut findings);
        findings
    }

    fn look_at(&mut self, files: &Files, changed: &Texts) -> Vec<Finding> {
        let mut texts = files.texts.clone();
        for tree in [&mut texts.keybooks, &mut texts.inventory] {
            for (file, text) in &mut tree.files {
                *text = changed.get(file).unwrap_or(text).clone();
            }
        }
        let reading = files.sources.read_texts(&texts, &mut self.cache);
        let mut findings = files.config.doubts();
        if reading.is_sound() {
            findings.extend(script::unkeyable(&reading.inventory, &reading.codes));
        }
        findings.extend(reading.findings);
        findings
    }

    /// Applies all fixes that leave nothing new wrong; what only shows once something else is fixed comes next.
    fn fix_all(&mut self) {
        let mut most = usize::MAX;
        while self.tries < MOST_TRIES {
            let patches: Vec<Patch> = self.patches().into_iter().take(most).collect();
            if patches.is_empty() {
                return;
            }
            // All at once; where that is not right, fewer, down to the one that is not.
            let (new, used) = patched(&self.texts, &patches);
            match self.is_taken(new, &used) {
                true => most = usize::MAX,
                false if used.len() == 1 => {
                    self.rejected.insert(used[0].key());
                    most = usize::MAX;
                }
                false => most = used.len() / 2,
            }
        }
    }

    fn patches(&self) -> Vec<Patch> {
        let asked = self.findings.iter().filter(|finding| self.checked.is_asked(&finding.place.file));
        let patches = asked.filter_map(|finding| Patch::of(finding, self.texts.get(&finding.place.file)?));
        patches.filter(|patch| !self.rejected.contains(&patch.key())).collect()
    }

    /// Takes new texts, unless something would be wrong then that was not.
    fn is_taken(&mut self, new: Texts, used: &[Patch]) -> bool {
        self.tries += 1;
        let mut changed = self.changed.clone();
        changed.extend(new.clone());
        let after = self.look(&changed);
        if !self.is_better(&after, used) {
            return false;
        }
        self.texts.extend(new);
        self.changed = changed;
        self.findings = after;
        self.fixed.extend(used.iter().map(|patch| patch.finding.clone()));
        true
    }

    /// Whether what was fixed is gone and nothing new is wrong. A fix moves nothing to another line, so a finding is known by its
    /// line. What an error kept from being found is not new: a warning elsewhere than in what was written; an error in another line,
    /// where a file could not be read on.
    fn is_better(&self, after: &[Finding], used: &[Patch]) -> bool {
        let before = &self.findings;
        let had: BTreeSet<_> = before.iter().map(|finding| (line(finding), finding.code)).collect();
        let touched: BTreeSet<_> = used.iter().map(|patch| line(&patch.finding)).collect();
        let hides = before.iter().any(|finding| self.hides_others(finding));
        let has_errors = before.iter().any(Finding::is_error);
        // Behind a mistake that ended the reading of a file the next one shows only once that is fixed.
        let was_unread = |finding: &Finding| {
            let ends_before = |patch: &Patch| {
                let fixed = &patch.finding;
                hides_whole_file(fixed.code)
                    && fixed.place.file == finding.place.file
                    && fixed.place.line < finding.place.line
            };
            used.iter().any(ends_before)
        };
        let counts = |finding: &&Finding| match finding.is_error() {
            true => {
                !hides || touched.contains(&line(finding)) || (hides_whole_file(finding.code) && !was_unread(finding))
            }
            false => !has_errors || is_in_written(finding, used),
        };
        let is_gone = |Patch { finding: fixed, .. }: &Patch| {
            let is_it =
                |one: &Finding| (&one.place, one.code, &one.message) == (&fixed.place, fixed.code, &fixed.message);
            !after.iter().any(is_it)
        };
        let is_new = |finding: &&Finding| !had.contains(&(line(finding), finding.code));
        used.iter().all(is_gone) && !after.iter().filter(is_new).any(|finding| counts(&finding))
    }

    /// Where a file cannot be read on, nothing is known of the rest of it; beside a keybook with errors no station is looked at.
    fn hides_others(&self, finding: &Finding) -> bool {
        let keybooks = || self.checked.files.iter().flat_map(|files| files.texts.keybooks.files.keys());
        finding.is_error() && (hides_whole_file(finding.code) || keybooks().any(|file| *file == finding.place.file))
    }
}

fn line(finding: &Finding) -> (&Arc<str>, u32) {
    (&finding.place.file, finding.place.line)
}

/// Whether a finding stands in a text that was written, as its line is now.
fn is_in_written(finding: &Finding, used: &[Patch]) -> bool {
    let of_its_line = || used.iter().filter(|patch| line(&patch.finding) == line(finding));
    let starts = |patch: &Patch| {
        let own = patch.finding.place.column;
        let before = of_its_line().filter(|other| other.finding.place.column < own);
        i64::from(own) + before.map(Patch::growth).sum::<i64>()
    };
    let column = i64::from(finding.place.column);
    of_its_line().any(|patch| (starts(patch)..starts(patch) + patch.length()).contains(&column))
}

fn hides_whole_file(code: Code) -> bool {
    const WHOLE: [Code; 7] = [
        Code::NotText,
        Code::YamlSyntax,
        Code::YamlTooDeep,
        Code::YamlExtra,
        Code::YamlDocuments,
        Code::FindingsMany,
        Code::Version,
    ];
    WHOLE.contains(&code)
}

impl Checked {
    /// Fixes what can be, and says what is left. `write` is whether it was said beforehand that it may be written.
    pub fn fix(&self, write: bool) -> Result<Exit, CliError> {
        let mut trial = Trial::new(self);
        let before = trial.findings.clone();
        trial.fix_all();
        let Trial { changed, fixed, findings, texts, .. } = trial;
        if fixed.is_empty() {
            print("No fix can be written without your decision.\n\n")?;
            return left(self, &before, &texts);
        }
        let what = format!(
            "{} in {}",
            if fixed.len() == 1 { "1 fix".into() } else { format!("{} fixes", fixed.len()) },
            plural(changed.len() as u64, "file")
        );
        print(&format!("{}\n", diff(self, &changed, &before, &findings)))?;
        if !write && !asked(&what)? {
            print(&format!("{what}: not written. To write without being asked, add --write.\n"))?;
            let has_errors = before.iter().any(Finding::is_error);
            return Ok(if has_errors { Exit::Usage } else { Exit::Done });
        }
        let unwritten = written(self, &changed);
        print(&format!("{what}: {}.\n\n", if unwritten.is_empty() { "written" } else { "not all of it is written" }))?;
        for (file, why) in &unwritten {
            eprintln!("stationkeep: {file} is left as it is: {why}. Fix it by hand.");
        }
        let exit = left(self, &findings, &texts)?;
        Ok(if unwritten.is_empty() { exit } else { Exit::Failed })
    }

    /// Every text that a finding may point into.
    fn all_texts(&self) -> Texts {
        let alone = self.alone.iter().filter_map(|(file, text)| Some((file.clone(), text.clone()?)));
        self.texts.iter().flatten().map(|(file, text)| (file.clone(), text.clone())).chain(alone).collect()
    }

    /// The configuration's own text.
    fn config_text(&self) -> Option<(&Arc<str>, &Arc<FileText>)> {
        self.texts.first()?.first_key_value()
    }

    /// Whether a file is one of those that were asked for.
    fn is_asked(&self, file: &str) -> bool {
        self.asked.is_empty() || self.alone.contains_key(file) || {
            let path = self.path(file);
            self.asked.iter().any(|asked| path.starts_with(asked))
        }
    }

    /// The folder that a file was found below; its own path is its owner's word, whatever links it leads through.
    fn root(&self, file: &str) -> PathBuf {
        let path = self.path(file);
        let roots = self.files.iter().flat_map(|files| {
            let inventory = match &files.sources.inventory {
                Source::Folder(folder) => folder.path.clone(),
                Source::Git(followed) => followed.in_work_tree(),
            };
            [files.sources.keybooks.path.clone(), inventory]
        });
        let own = || path.parent().unwrap_or(Path::new("/")).to_path_buf();
        roots.into_iter().find(|root| path.starts_with(root)).unwrap_or_else(own)
    }
}
