//! Which commit wrote a line, as `git blame` tells it.

use std::collections::BTreeMap;
use std::ffi::{OsStr, OsString};
use std::path::Path;
use std::sync::Arc;

use jiff::Timestamp;

use super::objects::{is_id, whole};
use super::run::At;
use super::{Followed, Git, GitError};
use crate::inventory::Commit;

/// The most that is read of an answer, in bytes.
const LIMIT_ANSWER: u64 = 64 << 20;
/// The most lines asked for in one call.
const LINES: usize = 1_000;

/// Who wrote a line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Author {
    /// Whoever made this commit.
    Commit(Arc<Commit>),
    /// The line, or the whole file, is in the work tree alone.
    NotCommitted,
}

/// The file whose lines are asked for.
#[derive(Debug, Clone, Copy)]
pub enum Blamed<'a> {
    /// A file of a work tree, as it lies there.
    Lying(&'a Path),
    /// A file of a commit, by its path in the repository.
    Committed {
        /// The repository.
        followed: &'a Followed,
        /// The commit.
        commit: &'a Commit,
        /// From the top of the repository.
        path: &'a str,
    },
}

/// The authors of lines (counted from 1), by line. One call of git, whatever the number of lines.
///
/// # Errors
/// Where the file lies in no repository, has fewer lines, or git cannot tell.
pub fn blame(
    git: &Git,
    file: Blamed<'_>,
    lines: impl IntoIterator<Item = u32>,
) -> Result<BTreeMap<u32, Author>, GitError> {
    let lines: Vec<u32> = lines.into_iter().take(LINES).collect();
    if lines.is_empty() {
        return Ok(BTreeMap::new());
    }
    let none = |path: &Path| GitError::NoRepository { path: path.display().to_string() };
    match file {
        Blamed::Lying(path) => {
            let real = std::fs::canonicalize(path).map_err(|_| none(path))?;
            let (Some(folder), Some(name)) = (real.parent(), real.file_name()) else { return Err(none(path)) };
            if !folder.ancestors().any(|up| up.join(".git").exists()) {
                // Without a repository nobody needs the git program either.
                return Err(none(path));
            }
            asked(git, At::Within(folder), &lines, &[OsStr::new("--"), name]).or_else(|error| match error {
                // Git knows the folder, and not (yet) the file or any commit at all.
                GitError::Failed { says } if says.contains("no such path") || says.contains("no such ref") => {
                    Ok(lines.iter().map(|line| (*line, Author::NotCommitted)).collect())
                }
                error => Err(error),
            })
        }
        Blamed::Committed { followed, commit, path } => {
            let top = &followed.repository;
            let real = std::fs::canonicalize(&top.path).map_err(|_| none(Path::new(&*top.shown)))?;
            if !is_id(commit.id()) {
                return Err(GitError::Missing { what: format!("commit {}", commit.id()) });
            }
            asked(git, At::Top(&real), &lines, &[OsStr::new(commit.id()), OsStr::new("--"), OsStr::new(path)])
        }
    }
}

fn asked(git: &Git, at: At<'_>, lines: &[u32], what: &[&OsStr]) -> Result<BTreeMap<u32, Author>, GitError> {
    let ranges: Vec<OsString> = lines.iter().map(|line| format!("-L{line},{line}").into()).collect();
    let fixed = ["blame", "--line-porcelain", "--no-textconv", "--encoding=UTF-8"];
    let args = fixed.iter().map(OsStr::new).chain(ranges.iter().map(OsString::as_os_str)).chain(what.iter().copied());
    let args: Vec<&OsStr> = args.collect();
    let answer = git.call(at, &args, Vec::new(), LIMIT_ANSWER, |output| {
        let mut text = Vec::new();
        output.read_to_end(&mut text)?;
        Ok(text)
    })?;
    authors(&String::from_utf8_lossy(&whole(at, answer)?)).ok_or(GitError::Garbled)
}

/// The format is git-blame(1) "THE PORCELAIN FORMAT".
fn authors(text: &str) -> Option<BTreeMap<u32, Author>> {
    let mut authors = BTreeMap::new();
    let mut lines = text.split('\n').filter(|line| !line.is_empty());
    while let Some(head) = lines.next() {
        let mut words = head.split(' ');
        let id = words.next().filter(|id| is_id(id))?;
        let line: u32 = words.nth(1)?.parse().ok()?;
        let mut fields = BTreeMap::new();
        loop {
            let field = lines.next()?;
            // The line itself ends the group.
            if field.starts_with('\t') {
                break;
            }
            let (key, value) = field.split_once(' ').unwrap_or((field, ""));
            fields.insert(key, value);
        }
        let field = |key: &str| fields.get(key).copied().unwrap_or_default();
        let author = if id.bytes().all(|digit| digit == b'0') {
            Author::NotCommitted
        } else {
            let at = field("author-time").parse().ok().and_then(|seconds| Timestamp::from_second(seconds).ok());
            Author::Commit(Arc::new(Commit::new(id, field("author"), at, field("summary"))))
        };
        authors.insert(line, author);
    }
    Some(authors)
}
