//! A folder of a work tree as it is edited: the files a commit of everything would hold, or those staged for the next one.
//!
//! Which files these are is git's word; what they hold is read from the disk, or from the objects that are staged.

use std::collections::{BTreeMap, BTreeSet};
use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::objects::{Id, TreeEntry, What, is_id};
use super::past::asked;
use super::run::At;
use super::snapshot::{Contents, Listed, contents, listed};
use super::{Followed, Git, GitError};
use crate::files::{Folder, LIMIT_TREE_BYTES, Tree, joined, read_file, too_much};
use crate::finding::Finding;

impl Followed {
    /// Whether files of the repository lie there to be edited; a bare repository has none.
    pub fn has_work_tree(&self) -> bool {
        self.repository.path.join(".git").exists()
    }

    /// Where the folder lies in the work tree.
    pub fn in_work_tree(&self) -> PathBuf {
        if &*self.folder == "." { self.repository.path.clone() } else { self.repository.path.join(&*self.folder) }
    }

    /// The folder's texts as they are edited: all files that are tracked, or new and not ignored. Shown by the same paths as
    /// those of a commit.
    ///
    /// # Errors
    /// Where git cannot tell which files these are.
    pub fn edited(&self, git: &Git) -> Result<(Tree, Vec<Finding>), GitError> {
        let folder = self.in_work_tree();
        if !folder.is_dir() {
            return Err(GitError::NoWorkFolder { folder: self.folder.to_string() });
        }
        let args = ["ls-files", "-z", "-t", "--cached", "--others", "--exclude-standard"].map(OsStr::new);
        let mut names = git.records(At::Within(&folder), &args, tagged)?;
        // A file in the middle of a merge is listed once a side.
        names.sort_unstable();
        names.dedup();
        let (mut entries, mut absent) = (Vec::new(), BTreeSet::new());
        for (name, is_left_out) in names {
            match on_disk(&folder, name.clone()) {
                Some(entry) => entries.push(entry),
                None if is_left_out => drop(absent.insert(joined(&self.folder, &String::from_utf8_lossy(&name)))),
                None => {}
            }
        }
        let (mut tree, mut findings) = read_all(listed(entries, &self.folder));
        if !absent.is_empty() {
            // Left out of a sparse checkout, they stay in the next commit as they are staged.
            let (staged, found) = self.staged(git)?;
            let of_absent = staged.files.into_iter().filter(|(name, _)| absent.contains(&**name));
            tree = tree.files.into_iter().chain(of_absent).collect();
            findings.extend(found.into_iter().filter(|finding| absent.contains(&*finding.place.file)));
        }
        Ok((tree, findings))
    }

    /// The folder's texts as they are staged: what the next commit would hold.
    ///
    /// # Errors
    /// Where git cannot tell.
    pub fn staged(&self, git: &Git) -> Result<(Tree, Vec<Finding>), GitError> {
        staged_in(git, &Folder { shown: self.folder.clone(), path: self.in_work_tree() })
    }
}

/// `<tag> <path>`, git-ls-files(1): the path, and whether its file is left out of the work tree (skip-worktree).
fn tagged(record: &[u8]) -> Option<(Vec<u8>, bool)> {
    Some((record.get(2..)?.to_vec(), record.first()? == &b'S'))
}

/// What lies under a name that git knows; nothing where it was removed, or is not one that counts in a commit.
fn on_disk(folder: &Path, name: Vec<u8>) -> Option<TreeEntry<PathBuf>> {
    use std::os::unix::ffi::OsStrExt;
    let path = folder.join(OsStr::from_bytes(&name));
    let kind = fs::symlink_metadata(&path).ok()?.file_type();
    let what = match () {
        () if kind.is_symlink() => What::Link,
        () if kind.is_dir() => What::Submodule,
        () => What::File,
    };
    Some(TreeEntry { what, id: path, path: name })
}

fn read_all(listed: Listed<PathBuf>) -> (Tree, Vec<Finding>) {
    let Listed { files, mut findings } = listed;
    let (mut texts, mut left) = (BTreeMap::new(), LIMIT_TREE_BYTES);
    for (name, path) in files {
        match read_file(&name, &path) {
            Ok(text) => {
                let Some(rest) = left.checked_sub(text.bytes.len() as u64) else {
                    findings.push(too_much(&name));
                    break;
                };
                left = rest;
                texts.insert(name, Arc::new(text));
            }
            Err(finding) => findings.push(finding),
        }
    }
    (texts.into_iter().collect(), findings)
}

/// Reads the YAML files of a folder in a work tree as they are staged for the next commit. They are shown by the same paths
/// as the folder's own.
///
/// # Errors
/// Where the folder lies in no work tree, or git cannot tell.
pub fn staged_in(git: &Git, folder: &Folder) -> Result<(Tree, Vec<Finding>), GitError> {
    let within = At::Within(&folder.path);
    let index = index_of_a_commit_under_way(git, within)?;
    let at = index.as_deref().map_or(within, |index| At::Index(&folder.path, index));
    let entries = git.records(at, &["ls-files", "-z", "--stage"].map(OsStr::new), staged_entry)?;
    let mut entries: Vec<TreeEntry> = entries;
    if entries.iter().any(is_empty) {
        // What "git add --intent-to-add" names is listed without content, and no commit would hold it.
        let args = ["diff-files", "-z", "--name-only", "--diff-filter=A", "--relative"].map(OsStr::new);
        let later: BTreeSet<Vec<u8>> = git.records(at, &args, |name| Some(name.to_vec()))?.into_iter().collect();
        entries.retain(|entry| !(is_empty(entry) && later.contains(&entry.path)));
    }
    // A file in the middle of a merge is there once a side.
    entries.dedup_by(|one, other| one.path == other.path);
    contents(git, at, listed(entries, &folder.shown), &folder.shown, &mut Contents::new())
}

/// Whether an entry has the id of an empty file, by SHA-1 or SHA-256 (gitformat-index(5), `git hash-object /dev/null`).
fn is_empty(entry: &TreeEntry) -> bool {
    const EMPTY: [&str; 2] = [
        "e69de29bb2d1d6434b8b29ae775ad8c2e48c5391",
        "473a0f4c3be8a93681a267e3b1e9a7dcda1185436fe141f7749120a303721813",
    ];
    EMPTY.contains(&&*entry.id)
}

/// The files that git tracks in a folder and below: those that a commit under way would hold.
///
/// # Errors
/// Where the folder lies in no work tree, or git cannot tell.
pub fn tracked_in(git: &Git, folder: &Path) -> Result<BTreeSet<PathBuf>, GitError> {
    use std::os::unix::ffi::OsStrExt;
    let within = At::Within(folder);
    let index = index_of_a_commit_under_way(git, within)?;
    let at = index.as_deref().map_or(within, |index| At::Index(folder, index));
    let names = git.records(at, &["ls-files", "-z"].map(OsStr::new), |name| Some(name.to_vec()))?;
    Ok(names.iter().map(|name| folder.join(OsStr::from_bytes(name))).collect())
}

/// `<mode> <id> <stage>\t<path>`, git-ls-files(1).
fn staged_entry(record: &[u8]) -> Option<TreeEntry> {
    let tab = record.iter().position(|byte| *byte == b'\t')?;
    let (head, path) = (std::str::from_utf8(record.get(..tab)?).ok()?, record.get(tab + 1..)?);
    let mut words = head.split(' ');
    let (mode, id, stage) = (words.next()?, words.next()?, words.next()?);
    let what = if stage == "0" { What::of_mode(mode)? } else { What::Unmerged };
    Some(TreeEntry { what, id: Some(id).filter(|id| is_id(id)).map(Id::from)?, path: path.to_vec() })
}

/// The index that git hands its hooks, where it is one of this repository: `git commit FILE` makes a commit from an index of
/// its own (githooks(5)).
fn index_of_a_commit_under_way(git: &Git, at: At<'_>) -> Result<Option<PathBuf>, GitError> {
    let Some(named) = std::env::var_os("GIT_INDEX_FILE").map(PathBuf::from).filter(|path| path.is_absolute()) else {
        return Ok(None);
    };
    let own = PathBuf::from(asked(git, at, "--absolute-git-dir")?);
    let real = |path: &Path| fs::canonicalize(path).ok();
    let is_own = real(&named).zip(real(&own)).is_some_and(|(named, own)| named.starts_with(own));
    Ok(is_own.then_some(named))
}
