//! Where a fleet's files are, and reading them: a folder as it stands, or a commit of a repository.

use std::collections::BTreeSet;
use std::fmt;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::SystemTime;

use jiff::Timestamp;

use crate::files::{FileText, Folder, Look, Origin, ReportFolders, SecretError, Secrets, Tree, process_env};
use crate::finding::{Code as FindingCode, Finding, settle};
use crate::git::{self, Followed, Git, GitError, Snapshot};
use crate::inventory::{Commit, Station};
use crate::ledger::{Record, State};
use crate::setting::{Code, Codes, Name, Reference, Value, hex};

use crate::store::{Good, GoodFile, Store, StoreError};

use super::reading::{Reading, ReadingCache};

/// Where keybooks and inventory are told apart among the files kept as last good.
const KEYBOOK_MARK: &str = "keybook:";
const INVENTORY_MARK: &str = "inventory:";
/// What goes before the last good commit among them.
const COMMIT_MARK: &str = "commit:";

/// Where the inventory is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Source {
    /// A folder tree, as it stands.
    Folder(Folder),
    /// A folder in a git repository, as the commit has it that a ref points to.
    Git(Followed),
}

impl fmt::Display for Source {
    /// Where it is, as the machine finds it.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Source::Folder(folder) => write!(f, "{}", folder.path.display()),
            Source::Git(Followed { repository, name, folder }) => match &**folder {
                "." => write!(f, "{name} of {}", repository.path.display()),
                folder => write!(f, "{folder} in {name} of {}", repository.path.display()),
            },
        }
    }
}

/// The folders that a configuration names, and the key of this installation's fingerprints.
#[derive(Clone)]
pub struct Sources {
    /// References to files are relative to it.
    pub folder: PathBuf,
    /// What is wanted.
    pub inventory: Source,
    /// What models can store.
    pub keybooks: Folder,
    /// Where report files are dropped.
    pub reports: ReportFolders,
    /// Keys the fingerprints of codes.
    pub key: [u8; 32],
}

/// The texts of keybooks and inventory at one moment.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct SourceTexts {
    /// The files of the keybooks.
    pub keybooks: Tree,
    /// The files of the inventory.
    pub inventory: Tree,
    /// The commit that the inventory is from, where it is read from a repository.
    pub commit: Option<Arc<Commit>>,
}

/// The files that the fleet goes by: the last without errors.
#[derive(Debug, Clone)]
pub struct InUse {
    /// What they say.
    pub reading: Arc<Reading>,
    /// The files themselves.
    pub texts: SourceTexts,
    /// Since when they are known to be so.
    pub since: Timestamp,
}

/// What the files said when they were last read, good or not.
#[derive(Debug, Clone, Default)]
pub struct LastRead {
    /// The files themselves.
    pub texts: SourceTexts,
    /// What they say.
    pub reading: Arc<Reading>,
    /// Whether every file could be read.
    is_whole: bool,
    /// The secrets that cannot be read now and count as they were last read.
    lost: BTreeSet<Reference>,
}

impl LastRead {
    /// What is not the same as in another: files, and secrets whose code is another one.
    pub fn differing(&self, other: &LastRead) -> BTreeSet<Name> {
        let mut differing = self.texts.inventory.differing(&other.texts.inventory);
        differing.extend(self.texts.keybooks.differing(&other.texts.keybooks));
        let (now, before) = (&self.reading.codes, &other.reading.codes);
        let both = self.reading.references.iter().filter(|reference| other.reading.references.contains(reference));
        let turned = both.filter(|reference| now.code(reference) != before.code(reference));
        differing.extend(turned.map(|reference| Name::from(reference.to_string())));
        differing
    }
}

fn note_lost(now: &BTreeSet<Reference>, before: &BTreeSet<Reference>) {
    for reference in now.difference(before) {
        tracing::warn!(%reference, "the code can no longer be read; it counts as it was last read");
    }
    for reference in before.difference(now) {
        tracing::info!(%reference, "the code can be read again");
    }
}

/// What texts say, with what could not be read of them.
fn said(
    texts: &SourceTexts,
    unread: Vec<Finding>,
    codes: impl FnOnce(&[Reference]) -> Codes,
    cache: &mut ReadingCache,
) -> Reading {
    let mut reading = Reading::read(&texts.keybooks.files, &texts.inventory.files, codes, cache);
    reading.commit = texts.commit.clone();
    if !unread.is_empty() {
        // A folder that cannot be read is not an empty one.
        reading.findings.retain(|finding| finding.code != FindingCode::InventoryEmpty);
    }
    reading.findings.extend(unread);
    settle(&mut reading.findings);
    reading
}

fn kept_commit(good: &Good) -> Option<Arc<Commit>> {
    let (_, text) = good.files.iter().find(|(path, _)| path == COMMIT_MARK)?;
    Commit::from_json(&serde_json::from_str(text).ok()?).map(Arc::new)
}

impl Sources {
    /// Reads keybooks and inventory. `earlier` is the last reading: what has not changed is shared with it.
    pub fn read(&self, earlier: &LastRead, look: Look, now: SystemTime, cache: &mut ReadingCache) -> LastRead {
        let (keybooks, keybook_findings) = Tree::read(&self.keybooks, &earlier.texts.keybooks, look, now);
        let (commit, inventory, inventory_findings) = self.inventory(&earlier.texts, look, now, cache);
        let texts = SourceTexts { keybooks, inventory, commit };
        let unread = keybook_findings.len() + inventory_findings.len();
        let codes = |references: &[Reference]| self.codes_still(references, &earlier.reading.codes);
        if unread == 0 && earlier.is_whole && texts == earlier.texts {
            let (codes, lost) = codes(&earlier.reading.references);
            if codes == earlier.reading.codes {
                note_lost(&lost, &earlier.lost);
                return LastRead { texts, lost, ..earlier.clone() };
            }
        }
        let mut lost = BTreeSet::new();
        let codes = |references: &[Reference]| {
            let (codes, now_lost) = codes(references);
            lost = now_lost;
            codes
        };
        let unread: Vec<Finding> = keybook_findings.into_iter().chain(inventory_findings).collect();
        let is_whole = unread.is_empty();
        let reading = said(&texts, unread, codes, cache);
        note_lost(&lost, &earlier.lost);
        LastRead { texts, reading: Arc::new(reading), is_whole, lost }
    }

    /// Reads keybooks and inventory as they are edited. That differs from [`Sources::read`] where the inventory is followed in a
    /// repository with a work tree: what lies there to be committed counts then, and nothing is said of a commit.
    pub fn read_edited(&self, now: SystemTime) -> LastRead {
        let mut cache = ReadingCache::default();
        let Some(followed) = self.in_work_tree() else {
            return self.read(&LastRead::default(), Look::Whole, now, &mut cache);
        };
        let (keybooks, mut unread) = Tree::read(&self.keybooks, &Tree::default(), Look::Whole, now);
        let (inventory, found) = followed
            .edited(&Git::default())
            .unwrap_or_else(|error| (Tree::default(), vec![error.finding(&followed.repository.shown)]));
        unread.extend(found);
        self.read_once(SourceTexts { keybooks, inventory, commit: None }, unread, &mut cache)
    }

    /// Reads keybooks and inventory as they are staged for the next commit. Keybooks in another work tree than the inventory, or
    /// in none, count as they lie there.
    ///
    /// # Errors
    /// Where the inventory lies in no work tree, or git cannot tell.
    pub fn read_staged(&self, now: SystemTime) -> Result<LastRead, GitError> {
        let git = Git::default();
        let folder = match &self.inventory {
            Source::Folder(folder) => folder.clone(),
            Source::Git(followed) => Folder { shown: followed.folder.clone(), path: followed.in_work_tree() },
        };
        let (inventory, mut unread) = git::staged_in(&git, &folder)?;
        let (keybooks, found) = match git::is_same_work_tree(&git, &self.keybooks, &folder) {
            true => git::staged_in(&git, &self.keybooks)?,
            false => Tree::read(&self.keybooks, &Tree::default(), Look::Whole, now),
        };
        unread.extend(found);
        let texts = SourceTexts { keybooks, inventory, commit: None };
        Ok(self.read_once(texts, unread, &mut ReadingCache::default()))
    }

    /// Where the inventory is followed in a repository that has a work tree.
    pub fn in_work_tree(&self) -> Option<&Followed> {
        match &self.inventory {
            Source::Git(followed) if followed.has_work_tree() => Some(followed),
            Source::Git(_) | Source::Folder(_) => None,
        }
    }

    fn read_once(&self, texts: SourceTexts, unread: Vec<Finding>, cache: &mut ReadingCache) -> LastRead {
        let is_whole = unread.is_empty();
        let reading = said(&texts, unread, |references| self.codes(references), cache);
        LastRead { texts, reading: Arc::new(reading), is_whole, lost: BTreeSet::new() }
    }

    /// The inventory's texts, and the commit they are from.
    fn inventory(
        &self,
        earlier: &SourceTexts,
        look: Look,
        now: SystemTime,
        cache: &mut ReadingCache,
    ) -> (Option<Arc<Commit>>, Tree, Vec<Finding>) {
        match &self.inventory {
            Source::Folder(folder) => {
                let (tree, findings) = Tree::read(folder, &earlier.inventory, look, now);
                (None, tree, findings)
            }
            Source::Git(followed) => match followed.read(&Git::default(), &mut cache.git) {
                Ok(Snapshot { commit, tree, findings }) => (Some(commit), tree, findings),
                Err(error) => (None, Tree::default(), vec![error.finding(&followed.repository.shown)]),
            },
        }
    }

    /// The codes behind references, and those of them that cannot be read now: they count as they were last read here, since
    /// the stations still hold them, and a file that is away for a moment is no drift.
    fn codes_still(&self, references: &[Reference], earlier: &Codes) -> (Codes, BTreeSet<Reference>) {
        let mut codes = self.codes(references);
        let mut lost = BTreeSet::new();
        for reference in references {
            if let Some(code) = earlier.code(reference).filter(|_| codes.code(reference).is_none()) {
                codes.learn(reference.clone(), code.clone());
                lost.insert(reference.clone());
            }
        }
        (codes.to_share(), lost)
    }

    /// Keeps files as the last good ones; nothing is written where they are so already.
    ///
    /// # Errors
    /// Where the store cannot be written.
    pub async fn keep_good(&self, store: &Store, texts: &SourceTexts, now: Timestamp) -> Result<(), StoreError> {
        fn good<'t>(mark: &str, path: &str, text: &'t FileText) -> GoodFile<'t> {
            let (path, sha) = (format!("{mark}{path}"), hex(&text.sha256));
            GoodFile { path, sha, text: text.text().unwrap_or_default() }
        }
        let commit = texts.commit.as_ref().map(|commit| FileText::new(commit.json().to_string().into_bytes()));
        let keybooks = texts.keybooks.files.iter().map(|(path, text)| good(KEYBOOK_MARK, path, text));
        let inventory = texts.inventory.files.iter().map(|(path, text)| good(INVENTORY_MARK, path, text));
        let commit = commit.iter().map(|text| good(COMMIT_MARK, "", text));
        let files: Vec<GoodFile<'_>> = keybooks.chain(inventory).chain(commit).collect();
        store.keep_good(&files, now.as_millisecond()).await?;
        Ok(())
    }

    /// The last good files and since when they are known to be good, if there are any.
    ///
    /// # Errors
    /// Where the store cannot be read.
    pub async fn recall_good(&self, store: &Store) -> Result<Option<InUse>, StoreError> {
        let Some(good) = store.good().await? else { return Ok(None) };
        let tree = |mark: &str| -> Tree {
            let files = good.files.iter().filter_map(|(path, text)| {
                let text = FileText::new(text.clone().into_bytes());
                Some((path.strip_prefix(mark)?.into(), Arc::new(text)))
            });
            files.collect()
        };
        let commit = kept_commit(&good);
        let texts = SourceTexts { keybooks: tree(KEYBOOK_MARK), inventory: tree(INVENTORY_MARK), commit };
        let reading = self.read_texts(&texts, &mut ReadingCache::default());
        let since = Timestamp::from_millisecond(good.at_ms).unwrap_or_default();
        Ok(reading.is_sound().then(|| InUse { reading: Arc::new(reading), texts, since }))
    }

    /// The commit that the last good inventory is from.
    ///
    /// # Errors
    /// Where the store cannot be read.
    pub async fn good_commit(&self, store: &Store) -> Result<Option<Arc<Commit>>, StoreError> {
        match &self.inventory {
            Source::Folder(_) => Ok(None),
            Source::Git(_) => Ok(store.good().await?.as_ref().and_then(kept_commit)),
        }
    }

    /// Whether one commit does not belong to the history of another that has taken its place.
    pub fn is_rewritten(&self, before: &Commit, after: &Commit) -> bool {
        match &self.inventory {
            Source::Folder(_) => false,
            Source::Git(followed) => !followed.is_before(&Git::default(), before, after),
        }
    }

    /// What texts say, wherever they come from.
    pub fn read_texts(&self, texts: &SourceTexts, cache: &mut ReadingCache) -> Reading {
        let codes = |references: &[Reference]| self.codes(references);
        let reading = Reading::read(&texts.keybooks.files, &texts.inventory.files, codes, cache);
        Reading { commit: texts.commit.clone(), ..reading }
    }

    /// The codes behind references of the inventory.
    pub fn codes(&self, references: &[Reference]) -> Codes {
        let secrets = Secrets::new(&self.folder, &process_env);
        secrets.codes(&self.key, references.iter().map(|reference| (reference, Origin::Owner))).0.to_share()
    }

    /// The files that secrets are kept in, to be watched.
    pub fn secret_files<'r>(&self, references: impl IntoIterator<Item = &'r Reference>) -> Vec<PathBuf> {
        Secrets::new(&self.folder, &process_env).paths(references)
    }

    /// The code behind a reference of a report, which may not lead out of the configuration's folder.
    ///
    /// # Errors
    /// Why there is none to be had.
    pub fn report_code(&self, reference: &Reference) -> Result<Code, SecretError> {
        Secrets::new(&self.folder, &process_env).look_up(reference, Origin::Report)
    }

    /// The codes a script for this station may need: those of the inventory, of its record, and the factory's.
    pub fn codes_for(&self, reading: &Reading, station: &Station, record: &Record) -> Codes {
        let mut codes = reading.codes.clone();
        for (setting, holding) in station.keybook.settings.iter().zip(&record.settings) {
            if let Some(code) = &setting.factory_code {
                codes.learn(Reference::Factory, code.clone());
            }
            let held: Vec<&Value> = match &holding.state {
                State::Known(value) => vec![value],
                State::InDoubt(candidates) => candidates.iter().collect(),
                State::Unknown => Vec::new(),
            };
            for value in held {
                let Value::Secret(secret) = value else { continue };
                if codes.code(&secret.reference).is_none()
                    && let Ok(code) = self.report_code(&secret.reference)
                {
                    codes.learn(secret.reference.clone(), code);
                }
            }
        }
        codes
    }
}
