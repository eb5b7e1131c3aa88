//! A folder of a work tree as a revision had it.

use std::ffi::OsStr;
use std::io;
use std::sync::Arc;

use super::objects::whole;
use super::run::At;
use super::snapshot::{Contents, texts};
use super::{Git, GitError, Snapshot};
use crate::files::Folder;

/// The longest path that git names.
const LIMIT_PATH: u64 = 16 << 10;

/// Reads the YAML files that a revision (anything git takes for one: `HEAD~1`, `origin/main`, `v3`) had in a folder that
/// lies in a work tree. They are shown by the same paths as the folder's own, so that both compare.
///
/// # Errors
/// Where the folder lies in no work tree, the revision or the folder in it is unknown, or git cannot tell.
pub fn tree_as_of(git: &Git, folder: &Folder, revision: &str) -> Result<Snapshot, GitError> {
    let at = At::Within(&folder.path);
    let prefix = asked(git, at, "--show-prefix").map_err(|error| as_written(error, folder))?;
    let none = || GitError::no_revision(&folder.shown, revision);
    let id = git.revision(at, revision)?.ok_or_else(none)?;
    let (commit, tree) = git.commit(at, &id, prefix.trim_end_matches('/')).map_err(|error| match error {
        // A revision, but of a folder or a file.
        GitError::Missing { .. } => none(),
        error => error,
    })?;
    let no_folder = || GitError::NoFolder { commit: commit.short().into(), folder: folder.shown.to_string() };
    let (tree, findings) = texts(git, at, &tree.ok_or_else(no_folder)?, &folder.shown, &mut Contents::new())?;
    Ok(Snapshot { commit: Arc::new(commit), tree, findings })
}

/// Whether two folders lie in one work tree; not where one lies in none.
pub fn is_same_work_tree(git: &Git, one: &Folder, other: &Folder) -> bool {
    let top = |folder: &Folder| asked(git, At::Within(&folder.path), "--show-toplevel").ok();
    top(one).is_some_and(|path| Some(path) == top(other))
}

pub(super) fn asked(git: &Git, at: At<'_>, what: &str) -> Result<String, GitError> {
    let answer = git
        .call(at, &["rev-parse", what].map(OsStr::new), Vec::new(), LIMIT_PATH, |output| io::read_to_string(output))?;
    let text = whole(at, answer)?;
    let path = text.strip_suffix('\n').unwrap_or(&text);
    // Git takes one path a line.
    if path.contains('\n') { Err(GitError::Garbled) } else { Ok(path.to_owned()) }
}

fn as_written(error: GitError, folder: &Folder) -> GitError {
    if let GitError::NoRepository { .. } = error {
        return GitError::NoRepository { path: folder.shown.to_string() };
    }
    error
}
