//! `check --against`: what the files as they are would do to a fleet kept by other files.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;

use jiff::Timestamp;
use serde_json::{Value as Json, json as object};

use super::context::{Files, load, settled_look};
use super::error::{CliError, counted, findings_text, paint};
use crate::brake::{Held, Numbers, Tally};
use crate::config::{self, Config, KeyChange};
use crate::daemon::{Clock, with_causes};
use crate::drift::{LifelineService, Rules, Service, Standing};
use crate::files::{FileText, Folder, Look, Tree, read_file};
use crate::finding::{Code, Finding, plural};
use crate::fleet::{
    Fleet, LookTerms, Reading, ReadingCache, Records, Source, SourceTexts, View, judged, open_existing_with_key,
};
use crate::git::{self, Cache, Git, GitError, Snapshot};
use crate::inventory::Commit;
use crate::preview::{Preview, json as change_json, text as show};
use crate::setting::Name;

/// So many stations are named where more change alike; the rest are counted.
pub const NAMED: usize = 12;

/// So many commits before a revision with errors are tried.
const FURTHEST: usize = 30;

/// A change, and what it is a change against.
pub struct Against {
    /// As it was asked for.
    pub what: String,
    /// What a revision stands for.
    pub commit: Option<Arc<Commit>>,
    /// What is wrong with the files of that revision, where it is compared with an earlier commit instead.
    broken: Option<String>,
    /// The warnings that it has already.
    pub warned: Warned,
    /// The keys of the configuration that say something else.
    pub configuration: Vec<KeyChange>,
    pub change: Preview,
    /// What the brake would say of it.
    foretold: Foretold,
    /// The stations whose standing would be another at once, by the ledger: as it is by what is compared with, and as it would
    /// be. Nothing where the ledger was not asked.
    pub standings: Vec<(Name, Standing, Standing)>,
    /// Stations that would leave while they are out of service, each with what is wrong there.
    pub abandoned: Vec<(Name, String)>,
}

/// What the brake makes of the files as they are.
struct Foretold {
    /// What would be held.
    held: Option<Held>,
    tally: Tally,
    /// How many stations there would be.
    stations: usize,
    /// Nothing where the ledger of this configuration was asked. Else what kept it from being asked: then all that was wanted
    /// of the stations of what is compared with counts as proven.
    without_ledger: Option<String>,
    /// How many stations are altered already, by the ledger and what is compared with.
    already: usize,
}

impl Against {
    /// For people.
    pub fn text(&self) -> String {
        let commit = self.commit.as_ref().map(|commit| match self.broken() {
            Some(broken) => format!("{broken} {commit}.\n"),
            None => format!("{} is {commit}.\n", self.what),
        });
        commit.unwrap_or_default()
            + &show(&self.change, &self.what, "here")
            + &self.configuration()
            + &self.abandoned(str::to_owned)
            + &self.standings()
            + &self.foretold(&self.what)
    }

    /// That this goes by an earlier commit, up to the commit's name.
    pub fn broken(&self) -> Option<String> {
        let broken = self.broken.as_ref()?;
        Some(format!("The files of that revision have errors ({broken}), so this goes by the last commit without any:"))
    }

    fn configuration(&self) -> String {
        let line = |KeyChange { key, from, to }: &KeyChange| format!("- {key}: {from} becomes {to}\n");
        let lines: String = self.configuration.iter().map(line).collect();
        if lines.is_empty() { lines } else { format!("\nThe configuration changes:\n{lines}") }
    }

    /// A line for each station that would leave while a press of its button reaches nobody. `literal` shows its name.
    pub fn abandoned(&self, literal: impl Fn(&str) -> String) -> String {
        let line = |(name, why): &(Name, String)| {
            let name = literal(name);
            format!("\n{name} is out-of-service: {why}. Nobody is alerted about it once it is gone.\n")
        };
        self.abandoned.iter().map(line).collect()
    }

    /// What stations become that change at once, what they are, and which they are; the worst first.
    pub fn standing_groups(&self) -> Vec<(Standing, Standing, Vec<&str>)> {
        let mut groups: BTreeMap<(Standing, Standing), Vec<&str>> = BTreeMap::new();
        for (name, before, after) in &self.standings {
            groups.entry((*after, *before)).or_default().push(name);
        }
        groups.into_iter().map(|((after, before), names)| (after, before, names)).collect()
    }

    fn standings(&self) -> String {
        let line = |(after, before, names): &(Standing, Standing, Vec<&str>)| {
            let rest = names.len().saturating_sub(NAMED);
            let more = if rest == 0 { String::new() } else { format!(" and {rest} more") };
            let (count, shown) = (plural(names.len() as u64, "station"), names[..names.len() - rest].join(", "));
            format!("- {before} becomes {after}, at {count}: {shown}{more}\n")
        };
        let lines: String = self.standing_groups().iter().map(line).collect();
        if lines.is_empty() { lines } else { format!("\nStandings that change at once, by the ledger:\n{lines}\n") }
    }

    /// What the brake would say; empty where nothing would be held. `what` is what is compared with.
    pub fn foretold(&self, what: &str) -> String {
        let Foretold { held, tally, stations, without_ledger, already } = &self.foretold;
        let by = match without_ledger {
            None => {
                format!("That is by the ledger. Without this edit it would be {}.", plural(*already as u64, "station"))
            }
            Some(why) => format!("{why}, so all stations of {what} count as if on record."),
        };
        match (held, tally.first_day(*stations)) {
            (Some(held), _) => {
                format!("Scripts would be held until \"stationkeep release\". {} {by}\n", held.sentence())
            }
            (None, Some(first_day)) => format!("{first_day} So no script would be held.\n"),
            (None, None) => String::new(),
        }
    }

    /// For programs.
    pub fn json(&self) -> Json {
        let mut json = change_json(&self.change);
        let Foretold { held, tally, stations: _, without_ledger, already: _ } = &self.foretold;
        json["held"] = held.as_ref().map_or(Json::Null, |told| {
            let Numbers { altered, held, handed_out, on_record } = told.numbers();
            object!({
                "altered": altered,
                "held": held,
                "handed_out": handed_out,
                "on_record": on_record,
                "limit": told.change.limit,
                "names": told.change.stations.iter().map(|name| &**name).collect::<Vec<_>>(),
                "by_ledger": without_ledger.is_none(),
            })
        });
        json["standings"] = self
            .standings
            .iter()
            .map(|(name, before, after)| object!({ "station": &**name, "from": before.as_str(), "to": after.as_str() }))
            .collect();
        json["gone_out_of_service"] =
            self.abandoned.iter().map(|(name, why)| object!({ "station": &**name, "why": why })).collect();
        let key = |KeyChange { key, from, to }: &KeyChange| object!({ "key": key, "from": from, "to": to });
        json["configuration"] = self.configuration.iter().map(key).collect();
        json["on_record"] = tally.on_record.into();
        json["against"] = object!({
            "what": self.what,
            "commit": self.commit.as_ref().map(|commit| commit.json()),
            "has_errors": self.broken.is_some(),
        });
        json
    }
}

/// What is compared with: its files, and its configuration, where it has one.
struct Other {
    trees: SourceTexts,
    config: Option<Arc<FileText>>,
}

impl Other {
    /// What its configuration says; nothing where it has none, or one with errors.
    fn config(&self, files: &Files) -> Option<Config> {
        let name: Arc<str> = files.config.file.file_name()?.to_string_lossy().into();
        config::read(&name, &files.config.folder, &self.config.as_ref()?.bytes).ok()
    }

    /// Which keys of its configuration say something else.
    fn changed_keys(&self, files: &Files) -> Vec<KeyChange> {
        let own = read_file("", &files.config.file).ok();
        let both = self.config.as_ref().zip(own);
        both.map(|(theirs, own)| config::changed_keys(&theirs.bytes, &own.bytes)).unwrap_or_default()
    }
}

/// What the files would change, against a folder or a revision.
pub async fn against(what: &str, files: &Files) -> Result<Against, CliError> {
    let Base { other, before, broken } = base(what, files)?;
    let (configuration, theirs) = (other.changed_keys(files), other.config(files));
    let warned = warned_of(&before, theirs.as_ref());
    let (trees, rules) = (other.trees, theirs.map(|config| config.looking().rules));
    let references: Vec<_> = before.references.iter().chain(&files.reading.references).cloned().collect();
    let codes = files.sources.codes(&references);
    let mut change = Preview::between(&before.inventory, &files.reading.inventory, &codes);
    let before = Arc::new(before);
    let commit = trees.commit.clone();
    let (foretold, standings, abandoned) = match by_ledger(files, (&trees, &before), rules).await {
        Ok(Both { old, new }) => {
            change.by_record(
                |name, lifeline| is_watched(&old, name, lifeline),
                |name, lifeline| is_watched(&new, name, lifeline),
            );
            let (held, stations) = (new.held(), new.rows.len());
            let already = old.tally.altered;
            let foretold = Foretold { held, tally: new.tally, stations, without_ledger: None, already };
            (foretold, standings(&old, &new), abandoned(&old, &change))
        }
        Err(why) => (by_files(files, &before, why), Vec::new(), Vec::new()),
    };
    Ok(Against { what: what.to_owned(), commit, broken, warned, configuration, change, foretold, standings, abandoned })
}

/// What is compared with, read.
struct Base {
    other: Other,
    before: Reading,
    /// What is wrong with the files of the revision that was asked for, where these are an earlier one's.
    broken: Option<String>,
}

/// The files of a folder or revision. Where those of a revision have errors they were never in use: then the last commit before it on
/// its own line whose files have none.
fn base(what: &str, files: &Files) -> Result<Base, CliError> {
    let read = |other: Other| {
        let before = files.sources.read_texts(&other.trees, &mut ReadingCache::default());
        Base { other, before, broken: None }
    };
    let folder = Path::new(what);
    let is_folder = folder.is_dir();
    let base = read(if is_folder { in_folder(folder, files)? } else { in_history(what, files)? });
    let errors: Vec<Finding> = base.before.findings.iter().filter(|finding| finding.is_error()).cloned().collect();
    if errors.is_empty() {
        return Ok(base);
    }
    let texts = [&base.other.trees.keybooks.files, &base.other.trees.inventory.files];
    eprint!("{}", findings_text(&errors, &texts, paint()));
    let earlier = (1..=FURTHEST).map_while(|nth| in_history(&format!("{what}~{nth}"), files).ok());
    let sound = earlier.map(read).find(|base| base.before.is_sound()).filter(|_| !is_folder);
    sound.map(|base| Base { broken: Some(counted(&errors)), ..base }).ok_or_else(|| {
        CliError::usage(format!("nothing can be compared with {what}: its files have errors ({})", counted(&errors)))
    })
}

/// Warnings by code and sentence, without how many stations more they are about.
pub type Warned = BTreeSet<(Code, String)>;

/// The warnings that the files of a revision have; none where it cannot be read.
pub fn warned(revision: &str, files: &Files) -> Warned {
    let other = in_history(revision, files);
    let read = |other: Other| files.sources.read_texts(&other.trees, &mut ReadingCache::default());
    let Ok(other) = other else { return Warned::new() };
    let config = other.config(files);
    warned_of(&read(other), config.as_ref())
}

fn warned_of(reading: &Reading, config: Option<&Config>) -> Warned {
    // Which files lie there now, of which no commit tells, is no matter of its configuration.
    let own = config.into_iter().flat_map(Config::doubts).filter(|finding| finding.code == Code::AlertsNowhere);
    let warnings = reading.findings.iter().filter(|finding| !finding.is_error());
    warnings.map(as_warned).chain(own.map(|finding| as_warned(&finding))).collect()
}

/// A warning as it is known again in other files: "A-1 and 4 more at quay" stays what it is where a station comes.
pub fn as_warned(finding: &Finding) -> (Code, String) {
    let words: Vec<&str> = finding.message.split(' ').collect();
    let is_number = |at: usize| words.get(at).is_some_and(|word| word.parse::<u32>().is_ok());
    let is_count = |at: usize| words[at] == "and" && is_number(at + 1) && words.get(at + 2) == Some(&"more");
    let counts: Vec<usize> = (0..words.len()).filter(|at| is_count(*at)).collect();
    let kept = (0..words.len()).filter(|at| !counts.iter().any(|count| (*count..count + 3).contains(at)));
    (finding.code, kept.map(|at| words[at]).collect::<Vec<_>>().join(" "))
}

/// A fleet by the ledger, as what is compared with wants it, and as the files do.
struct Both {
    old: Arc<View>,
    new: Arc<View>,
}

/// Views of both files by the ledger of the configuration, each by its own rules; or why there can be none. Dropped reports are
/// recorded first.
async fn by_ledger(
    files: &Files,
    (trees, before): (&SourceTexts, &Arc<Reading>),
    rules: Option<Rules>,
) -> Result<Both, String> {
    let failed = |error: &dyn std::error::Error| format!("The ledger could not be asked ({})", with_causes(error));
    let store = open_existing_with_key(files.config.ledger.reveal(), &files.config.key_place()).await;
    let store = store.map_err(|error| failed(&error))?;
    let (store, key) = store.ok_or("There is no ledger of this version here")?;
    let (now, terms) = (Clock::from_env()?.now(), files.config.looking());
    let settle = terms.settle;
    let theirs = LookTerms { rules: rules.unwrap_or(terms.rules), ..terms.clone() };
    let fleet = Fleet::new(files.config.sources(key), store, terms.clone());
    let mut fleet = fleet.assuming(trees.clone(), before.clone(), now, theirs);
    let old = settled_look(&mut fleet, None, now, settle).await.map_err(|error| failed(&error))?;
    let mut fleet = fleet.assuming(files.texts.clone(), files.reading.clone(), now, terms);
    let new = settled_look(&mut fleet, None, now, settle).await.map_err(|error| failed(&error))?;
    Ok(Both { old, new })
}

fn is_watched(view: &View, station: &Name, lifeline: &Name) -> bool {
    view.row(station).is_some_and(|row| row.drift.lifelines.iter().any(|service| service.name == *lifeline))
}

/// The stations that go while they are out of service.
fn abandoned(old: &View, change: &Preview) -> Vec<(Name, String)> {
    let rows = change.gone.iter().filter_map(|name| old.row(name));
    let out = rows.filter(|row| row.drift.standing == Standing::OutOfService);
    out.map(|row| {
        let required = row.drift.lifelines.iter().filter(|service| service.is_required);
        let why = required.filter_map(|LifelineService { title, service, .. }| match service {
            Service::Dead => Some(format!("{title} calls nobody")),
            Service::Failed => Some(format!("the last test of {title} failed")),
            Service::Untested | Service::Overdue | Service::Tested => None,
        });
        let why: Vec<String> = why.collect();
        (row.station.name.clone(), if why.is_empty() { "a button may call nobody".into() } else { why.join(", ") })
    })
    .collect()
}

/// The stations whose standing differs, by their new names.
fn standings(before: &View, after: &View) -> Vec<(Name, Standing, Standing)> {
    let old: BTreeMap<&Name, Standing> =
        before.rows.iter().map(|row| (&row.station.name, row.drift.standing)).collect();
    let changed = after.rows.iter().filter_map(|row| {
        let was = *row.station.names().find_map(|name| old.get(name))?;
        (was != row.drift.standing).then(|| (row.station.name.clone(), was, row.drift.standing))
    });
    changed.collect()
}

/// The same as if all that was wanted were proven: then every altered station needs a script.
fn by_files(files: &Files, before: &Reading, why: String) -> Foretold {
    let after = &files.reading.inventory;
    let records = Records::as_if_proven(&before.inventory, after);
    let (tally, change) = judged(after, &records, &files.config.brake.limit(), Timestamp::UNIX_EPOCH);
    let held = change.map(|change| Held { scripts: change.stations.len(), change: Arc::new(change) });
    Foretold { held, tally, stations: after.stations.len(), without_ledger: Some(why), already: 0 }
}

/// The keybooks and inventory of a configuration's folder, or a folder of inventory files alone beside today's keybooks.
fn in_folder(folder: &Path, files: &Files) -> Result<Other, CliError> {
    let file = folder.join("stationkeep.yaml");
    let text = file.is_file().then(|| read_file("", &file).ok()).flatten();
    let (keybooks, inventory) = if file.is_file() {
        let config = load(&file)?;
        let inventory = match &config.inventory {
            Source::Folder(folder) => tree(folder)?,
            Source::Git(followed) => whole(followed.read(&Git::default(), &mut Cache::default())?)?.1,
        };
        (tree(&config.keybooks)?, inventory)
    } else {
        (files.texts.keybooks.clone(), inventory_alone(folder)?)
    };
    Ok(Other { trees: SourceTexts { keybooks, inventory, commit: None }, config: text.map(Arc::new) })
}

/// The files of a folder of inventory files. Another folder may hold anything, of which nothing is worth telling.
fn inventory_alone(folder: &Path) -> Result<Tree, CliError> {
    let (inventory, findings) = read_tree(&Folder::new(Path::new(""), &folder.display().to_string()));
    let is_one = |text: &Arc<FileText>| text.bytes.split(|byte| *byte == b'\n').any(is_inventory);
    if !inventory.files.values().any(is_one) {
        let folder = folder.display();
        return Err(CliError::usage(format!(
            "{folder} holds no inventory: no .yaml file there says \"inventory: 1\". Name a folder that holds one, or a revision."
        )));
    }
    sound(inventory, &findings, folder)
}

/// The inventory as a revision of its repository had it, and the keybooks too, where they lie beside it.
fn in_history(revision: &str, files: &Files) -> Result<Other, CliError> {
    let git = Git::default();
    let failed = |error: GitError| {
        let why = format!("nothing can be compared with {revision}: {}", with_causes(&error));
        CliError::failed(format!("{}. {}", why.trim_end_matches('.'), error.fix()))
    };
    let (commit, inventory, keybooks) = match &files.sources.inventory {
        Source::Git(followed) => {
            let (commit, inventory) = whole(followed.as_of(&git, revision).map_err(failed)?)?;
            (commit, inventory, files.texts.keybooks.clone())
        }
        Source::Folder(folder) => {
            let (commit, inventory) = whole(git::tree_as_of(&git, folder, revision).map_err(failed)?)?;
            let keybooks = if git::is_same_work_tree(&git, &files.sources.keybooks, folder) {
                // By its id: a branch may move in between.
                whole(git::tree_as_of(&git, &files.sources.keybooks, commit.id()).map_err(failed)?)?.1
            } else {
                files.texts.keybooks.clone()
            };
            (commit, inventory, keybooks)
        }
    };
    let config = config_as_of(&git, commit.id(), files);
    Ok(Other { trees: SourceTexts { keybooks, inventory, commit: Some(commit) }, config })
}

/// The line that a file of the inventory begins with.
fn is_inventory(line: &[u8]) -> bool {
    line.strip_prefix(b"\xef\xbb\xbf").unwrap_or(line).starts_with(b"inventory:")
}

/// The configuration as a commit had it; nothing where it lies in another repository than the inventory.
fn config_as_of(git: &Git, commit: &str, files: &Files) -> Option<Arc<FileText>> {
    let own = Folder { shown: "".into(), path: files.config.folder.clone() };
    let inventory = match &files.sources.inventory {
        Source::Folder(folder) => folder.clone(),
        Source::Git(followed) => Folder { shown: "".into(), path: followed.in_work_tree() },
    };
    if !git::is_same_work_tree(git, &own, &inventory) {
        return None;
    }
    let tree = git::tree_as_of(git, &own, commit).ok()?.tree;
    let name = files.config.file.file_name()?.to_string_lossy();
    tree.files.iter().find(|(path, _)| path.trim_start_matches(['.', '/']) == name).map(|(_, text)| text.clone())
}

fn tree(folder: &Folder) -> Result<Tree, CliError> {
    let (tree, findings) = read_tree(folder);
    sound(tree, &findings, &folder.path)
}

fn read_tree(folder: &Folder) -> (Tree, Vec<Finding>) {
    Tree::read(folder, &Tree::default(), Look::Whole, std::time::SystemTime::now())
}

fn sound(tree: Tree, findings: &[Finding], folder: &Path) -> Result<Tree, CliError> {
    if findings.iter().all(|finding| !finding.is_error()) {
        return Ok(tree);
    }
    eprint!("{}", findings_text(findings, &[], paint()));
    Err(CliError::usage(format!("{} cannot be read whole", folder.display())))
}

fn whole(snapshot: Snapshot) -> Result<(Arc<Commit>, Tree), CliError> {
    let Snapshot { commit, tree, findings } = snapshot;
    if findings.is_empty() {
        return Ok((commit, tree));
    }
    eprint!("{}", findings_text(&findings, &[], paint()));
    Err(CliError::usage(format!("commit {commit} cannot be read whole")))
}
