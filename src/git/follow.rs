//! A folder in a repository, followed from commit to commit: what its ref points to now, read whole.
//!
//! The ref is resolved once a reading, so that all texts are of one commit. A repository that gives no answer is an
//! error, never an empty folder.

use std::fmt;
use std::fs::{self, File};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::str::FromStr;
use std::sync::Arc;
use std::time::Duration;

use super::objects::{Id, is_id};
use super::run::At;
use super::snapshot::{Contents, texts};
use super::{Git, GitError, Snapshot};
use crate::files::Folder;
use crate::finding::did_you_mean;
use crate::inventory::Commit;

/// How often a reading is begun anew that objects were packed, pruned or pushed away under, and the first wait between.
const TRIES: u32 = 4;
const FIRST_PAUSE: Duration = Duration::from_millis(20);
/// How many names a fix chooses from.
const NAMES: usize = 1_000;

/// What names a commit: `main`, `release/east`, `refs/heads/main`, `HEAD`, or the whole id of a commit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RefName(Arc<str>);

/// Why a text can be no ref's name.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{0}\" can be no branch or tag")]
pub struct UnfitRef(String);

impl FromStr for RefName {
    type Err = UnfitRef;

    /// Takes what git-check-ref-format(1) allows, and nothing that git would take for an option or a formula.
    fn from_str(text: &str) -> Result<RefName, UnfitRef> {
        let sign = |sign: char| sign.is_control() || " ~^:?*[\\".contains(sign);
        let unfit = text.is_empty()
            || text.len() > 250
            || text.starts_with('-')
            || text == "@"
            || text.ends_with('.')
            || text.contains(sign)
            || text.contains("..")
            || text.contains("@{")
            || text.split('/').any(|step| step.is_empty() || step.starts_with('.') || step.ends_with(".lock"));
        if unfit { Err(UnfitRef(text.into())) } else { Ok(RefName(text.into())) }
    }
}

impl fmt::Display for RefName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl RefName {
    /// The refs that may be meant: a name in full is one, a short one a branch, a tag or a remote's branch.
    fn full(&self) -> Vec<String> {
        if self.0.starts_with("refs/") {
            return vec![self.0.to_string()];
        }
        ["heads", "tags", "remotes"].map(|kind| format!("refs/{kind}/{}", self.0)).to_vec()
    }
}

/// Where the inventory is, in a local repository.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Followed {
    /// Bare, or the folder of a work tree that holds `.git`.
    pub repository: Folder,
    /// The branch, tag or commit that is followed.
    pub name: RefName,
    /// From the top of the repository, without slashes at its ends; `.` is all of it. Places of findings begin with it.
    pub folder: Arc<str>,
}

/// What was read last, so that a reading costs what a commit touched.
#[derive(Debug, Default)]
pub struct Cache {
    whole: Option<(Key, Snapshot)>,
    contents: Contents,
}

/// Where a snapshot is from: repository, folder, and what the ref pointed to.
type Key = (PathBuf, Arc<str>, Id);

impl Followed {
    /// The folder's texts in the commit that the ref points to now.
    ///
    /// # Errors
    /// Where the repository cannot be read whole; nothing of it is to be used then.
    pub fn read(&self, git: &Git, cache: &mut Cache) -> Result<Snapshot, GitError> {
        let mut result = self.once(git, cache);
        for turn in 0..TRIES {
            match &result {
                Err(error) if error.may_pass() => {}
                Ok(_) | Err(_) => break,
            }
            std::thread::sleep(FIRST_PAUSE * (1 << turn));
            result = self.once(git, cache);
        }
        result.map_err(|error| self.as_written(error))
    }

    fn once(&self, git: &Git, cache: &mut Cache) -> Result<Snapshot, GitError> {
        let path = fs::canonicalize(&self.repository.path).map_err(|_| self.no_repository())?;
        let at = At::Top(&path);
        let target = self.target(git, at)?;
        let key = (path.clone(), self.folder.clone(), target.clone());
        if let Some((_, snapshot)) = cache.whole.as_ref().filter(|(known, _)| *known == key) {
            return Ok(snapshot.clone());
        }
        let snapshot = self.at_commit(git, at, &target, &mut cache.contents)?;
        cache.whole = Some((key, snapshot.clone()));
        Ok(snapshot)
    }

    fn at_commit(&self, git: &Git, at: At<'_>, id: &str, known: &mut Contents) -> Result<Snapshot, GitError> {
        let within = if &*self.folder == "." { "" } else { &*self.folder };
        let (commit, tree) = git.commit(at, id, within)?;
        let no_folder = || GitError::NoFolder { commit: commit.short().into(), folder: self.folder.to_string() };
        let (tree, findings) = texts(git, at, &tree.ok_or_else(no_folder)?, &self.folder, known)?;
        Ok(Snapshot { commit: Arc::new(commit), tree, findings })
    }

    /// The folder's texts as a revision (anything git takes for one) had them.
    ///
    /// # Errors
    /// Where there is no such revision, or git cannot tell.
    pub fn as_of(&self, git: &Git, revision: &str) -> Result<Snapshot, GitError> {
        let path = fs::canonicalize(&self.repository.path).map_err(|_| self.no_repository())?;
        let at = At::Top(&path);
        let id = git.revision(at, revision).map_err(|error| self.as_written(error))?;
        let none = || GitError::no_revision(&self.repository.shown, revision);
        self.at_commit(git, at, &id.ok_or_else(none)?, &mut Contents::new()).map_err(|error| match error {
            // A revision, but of a folder or a file.
            GitError::Missing { .. } => none(),
            error => error,
        })
    }

    /// What the ref points to.
    fn target(&self, git: &Git, at: At<'_>) -> Result<Id, GitError> {
        let name = &*self.name.0;
        if is_id(name) {
            return Ok(name.into());
        }
        if name == "HEAD" {
            return git.revision(at, "HEAD^{commit}")?.ok_or_else(|| self.no_ref(git, at));
        }
        let full = self.name.full();
        let patterns: Vec<&str> = full.iter().map(String::as_str).collect();
        let found = git.refs(at, &patterns)?;
        // A pattern also matches what lies below a folder of that name.
        let found: Vec<_> = found.into_iter().filter(|(name, _)| full.contains(name)).collect();
        match found.as_slice() {
            [] => Err(self.no_ref(git, at)),
            [(_, id)] => Ok(id.clone()),
            [(_, first), rest @ ..] if rest.iter().all(|(_, id)| id == first) => Ok(first.clone()),
            several => Err(GitError::Ambiguous {
                path: self.repository.shown.to_string(),
                name: name.into(),
                names: several.iter().map(|(name, _)| name.as_str()).collect::<Vec<_>>().join(", "),
            }),
        }
    }

    fn no_ref(&self, git: &Git, at: At<'_>) -> GitError {
        let names = git.refs(at, &["refs/heads", "refs/tags"]).unwrap_or_default();
        let short = |name: &str| name.trim_start_matches("refs/heads/").trim_start_matches("refs/tags/").to_owned();
        let names: Vec<String> = names.iter().take(NAMES).map(|(name, _)| short(name)).collect();
        GitError::NoRef {
            path: self.repository.shown.to_string(),
            name: self.name.to_string(),
            near: did_you_mean(&self.name.0, names.iter().map(String::as_str)),
        }
    }

    fn no_repository(&self) -> GitError {
        GitError::NoRepository { path: self.repository.shown.to_string() }
    }

    /// The same error, with the repository as its user wrote it.
    fn as_written(&self, error: GitError) -> GitError {
        match error {
            GitError::NoRepository { path: _ } => self.no_repository(),
            // The fix is a command, which wants the whole path: git names it as it found it.
            GitError::Foreign { path } => GitError::Foreign { path },
            GitError::NoProgram
            | GitError::NotRun(_)
            | GitError::TooSlow { .. }
            | GitError::TooMuch
            | GitError::Ended { .. }
            | GitError::Garbled
            | GitError::NoRef { .. }
            | GitError::Ambiguous { .. }
            | GitError::NoFolder { .. }
            | GitError::NoWorkFolder { .. }
            | GitError::Missing { .. }
            | GitError::Failed { .. } => error,
        }
    }

    /// Whether one commit, as known from an earlier reading, still belongs to the history of another. Without an answer
    /// (the old one is gone from the repository) it does not.
    pub fn is_before(&self, git: &Git, old: &Commit, new: &Commit) -> bool {
        let Ok(path) = fs::canonicalize(&self.repository.path) else { return false };
        let args = ["merge-base", "--is-ancestor", old.id(), new.id()].map(std::ffi::OsStr::new);
        let answer = git.call(At::Top(&path), &args, Vec::new(), 1, |_| Ok(()));
        is_id(old.id()) && answer.is_ok_and(|answer| answer.status.success())
    }

    /// The files that change when the ref moves, or when the repository comes and goes
    /// (gitrepository-layout(5); `reftable/tables.list` from Documentation/technical/reftable).
    pub fn watched(&self) -> Vec<PathBuf> {
        let mut names = vec!["HEAD".to_owned(), "packed-refs".into(), "reftable/tables.list".into()];
        names.extend(self.name.full());
        let mut all = vec![self.repository.path.clone()];
        for folder in self.homes() {
            let branch = (&*self.name.0 == "HEAD").then(|| branch_of(&folder)).flatten();
            all.extend(names.iter().cloned().chain(branch).map(|name| folder.join(name)));
        }
        all
    }

    /// Where the repository's own files may be: a bare one's, a work tree's, a linked work tree's and its main one's.
    fn homes(&self) -> Vec<PathBuf> {
        let top = &self.repository.path;
        let mut homes = vec![top.clone(), top.join(".git")];
        if let Some(linked) = first_line(&top.join(".git")).as_deref().and_then(|line| line.strip_prefix("gitdir:")) {
            let own = top.join(linked.trim());
            homes.extend(first_line(&own.join("commondir")).map(|main| own.join(main)));
            homes.push(own);
        }
        homes
    }
}

/// The branch that a repository's HEAD stands on.
fn branch_of(home: &Path) -> Option<String> {
    let line = first_line(&home.join("HEAD"))?;
    let name = line.strip_prefix("ref:")?.trim();
    name.parse::<RefName>().ok().map(|name| name.to_string())
}

fn first_line(path: &Path) -> Option<String> {
    if !fs::metadata(path).ok()?.is_file() {
        return None;
    }
    let mut text = String::new();
    File::open(path).ok()?.take(4096).read_to_string(&mut text).ok()?;
    text.lines().next().map(|line| line.trim().to_owned())
}
