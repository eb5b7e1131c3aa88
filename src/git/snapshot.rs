//! The texts of one commit: which files count, the same as in a folder, and reading them, each content once.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::objects::{Id, TreeEntry, What};
use super::run::At;
use super::{Git, GitError};
use crate::files::{
    FileText, LIMIT_DEPTH, LIMIT_FILES, LIMIT_TREE_BYTES, Tree, is_yaml, joined, passed_over, too_large, too_much,
    unreadable,
};
use crate::finding::Finding;
use crate::inventory::Commit;
use crate::yaml::LIMIT_BYTES;

/// A folder's texts as one commit has them.
#[derive(Debug, Clone)]
pub struct Snapshot {
    /// The commit.
    pub commit: Arc<Commit>,
    /// Its texts, by their paths in the folder.
    pub tree: Tree,
    /// With one of these the tree is not whole, and only fit to be checked further.
    pub findings: Vec<Finding>,
}

/// Contents read before; an id never stands for another content.
pub(super) type Contents = BTreeMap<Id, Arc<FileText>>;

/// The files that count, by shown path, and what keeps the rest from being known.
pub(super) struct Listed<T> {
    /// Each with what leads to its content.
    pub files: BTreeMap<Arc<str>, T>,
    pub findings: Vec<Finding>,
}

/// Reads a tree of a commit. `shown` goes before every path; `known` is what was read before, and left with what this
/// tree holds.
pub(super) fn texts(
    git: &Git,
    at: At<'_>,
    tree: &str,
    shown: &str,
    known: &mut Contents,
) -> Result<(Tree, Vec<Finding>), GitError> {
    contents(git, at, listed(git.entries(at, tree)?, shown), shown, known)
}

/// The texts of files that objects hold.
pub(super) fn contents(
    git: &Git,
    at: At<'_>,
    listed: Listed<Id>,
    shown: &str,
    known: &mut Contents,
) -> Result<(Tree, Vec<Finding>), GitError> {
    let Listed { files, mut findings } = listed;
    let lacking: BTreeSet<&Id> = files.values().filter(|id| !known.contains_key(*id)).collect();
    let lacking: Vec<Id> = lacking.into_iter().cloned().collect();
    let sizes = if lacking.is_empty() { BTreeMap::new() } else { git.sizes(at, &lacking)? };
    let mut read = Contents::new();
    let small: Vec<Id> = lacking.iter().filter(|id| sizes.get(*id).is_some_and(is_small)).cloned().collect();
    if !small.is_empty() {
        let most: u64 = small.iter().filter_map(|id| sizes.get(id)).sum();
        if most > LIMIT_TREE_BYTES {
            let name = files.keys().next_back().map_or(shown, |name| name);
            findings.push(too_much(name));
            return Ok((Tree::default(), findings));
        }
        read = git.blobs(at, &small, LIMIT_BYTES as u64, most)?;
    }
    let mut texts: BTreeMap<Arc<str>, Arc<FileText>> = BTreeMap::new();
    let mut left = LIMIT_TREE_BYTES;
    for (name, id) in &files {
        match (known.get(id).or_else(|| read.get(id)), sizes.get(id)) {
            (Some(text), _) => {
                let Some(rest) = left.checked_sub(text.bytes.len() as u64) else {
                    findings.push(too_much(name));
                    break;
                };
                left = rest;
                texts.insert(name.clone(), text.clone());
            }
            (None, Some(size)) if !is_small(size) => findings.push(too_large(name, *size)),
            // Of one commit all files or none: pruned meanwhile, or the repository is broken.
            (None, _) => return Err(GitError::Missing { what: format!("{id}, the content of \"{name}\"") }),
        }
    }
    known.extend(read);
    let held: BTreeSet<&Id> = files.values().collect();
    known.retain(|id, _| held.contains(id));
    Ok((texts.into_iter().collect(), findings))
}

fn is_small(size: &u64) -> bool {
    *size <= LIMIT_BYTES as u64
}

/// The files among entries that count, as in a folder. `shown` goes before every path.
pub(super) fn listed<T>(entries: Vec<TreeEntry<T>>, shown: &str) -> Listed<T> {
    let mut listed = Listed { files: BTreeMap::new(), findings: Vec::new() };
    for TreeEntry { what, id, path } in entries {
        let text = String::from_utf8_lossy(&path);
        let mut steps = text.split('/');
        let name = steps.next_back().unwrap_or_default();
        let is_file = matches!(what, What::File | What::Unmerged);
        if text.split('/').any(passed_over) || (is_file && !is_yaml(name)) {
            continue;
        }
        let mut full = joined(shown, &text);
        let trouble = if std::str::from_utf8(&path).is_err() || text.chars().any(char::is_control) {
            full = full.escape_debug().to_string();
            Some(("has a name that is not text", "Rename it."))
        } else {
            match what {
                What::File if steps.count() > LIMIT_DEPTH => {
                    Some(("nests too deeply", "Keep the tree within 32 levels."))
                }
                What::File => None,
                What::Unmerged => {
                    Some(("is in the middle of a merge", "Settle both sides, then run \"git add\" on it."))
                }
                What::Link => {
                    Some(("is a link, and no link of a repository is followed", "Put the file itself there."))
                }
                What::Submodule => {
                    Some(("is a submodule, whose files are in another repository", "Put the files themselves there."))
                }
            }
        };
        match trouble {
            Some((what, fix)) => listed.findings.push(unreadable(&full, what, fix)),
            None if listed.files.len() >= LIMIT_FILES => {
                let what = format!("holds more than {LIMIT_FILES} files");
                listed.findings.push(unreadable(shown, &what, "Look for files that do not belong there."));
                return listed;
            }
            None => {
                listed.files.insert(full.into(), id);
            }
        }
    }
    listed
}
