//! The texts of a folder tree at one moment.
//!
//! A tree is taken whole: names and states are compared before and after reading, and what changed
//! meanwhile is read again. It never looks at what the texts say.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::fs::{self, File};
use std::io::{self, Read};
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use sha2::{Digest, Sha256};

use super::Folder;
use super::walk::{LIMIT_TREE_BYTES, Scope, Stamp, Walk, is_yaml, unreadable, walk, why};
use crate::finding::{Code, Finding, Place};
use crate::yaml::LIMIT_BYTES;

/// How often a tree that changes under the reader is read anew, and the first wait between.
const TRIES: u32 = 5;
const FIRST_PAUSE: Duration = Duration::from_millis(20);

/// A file's content.
#[derive(Clone, PartialEq, Eq)]
pub struct FileText {
    pub bytes: Vec<u8>,
    pub sha256: [u8; 32],
}

impl FileText {
    /// The content with its hash.
    pub fn new(bytes: Vec<u8>) -> FileText {
        let sha256 = Sha256::digest(&bytes).into();
        FileText { bytes, sha256 }
    }

    /// As text, where it is UTF-8.
    pub fn text(&self) -> Option<&str> {
        std::str::from_utf8(&self.bytes).ok()
    }
}

impl fmt::Debug for FileText {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "FileText({} bytes)", self.bytes.len())
    }
}

/// Which files are read again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Look {
    /// Those whose device, inode, size or times changed, or changed so lately that a further change could not show.
    Changed,
    /// All of them.
    Whole,
}

/// The files of a folder tree, by path relative to the configuration's folder. Two are equal when their texts are.
#[derive(Debug, Clone, Default)]
pub struct Tree {
    pub files: BTreeMap<Arc<str>, Arc<FileText>>,
    /// The state each file was read in, for the next look.
    stamps: BTreeMap<Arc<str>, Stamp>,
}

impl PartialEq for Tree {
    fn eq(&self, other: &Tree) -> bool {
        self.files.len() == other.files.len() && self.differing(other).is_empty()
    }
}

impl Eq for Tree {}

impl FromIterator<(Arc<str>, Arc<FileText>)> for Tree {
    /// A tree that does not come from a folder.
    fn from_iter<I: IntoIterator<Item = (Arc<str>, Arc<FileText>)>>(files: I) -> Tree {
        Tree { files: files.into_iter().collect(), stamps: BTreeMap::new() }
    }
}

impl Tree {
    /// Reads every `*.yaml` and `*.yml` below a folder. `earlier` is the last look at the same folder (or an empty
    /// tree): unchanged texts are shared with it. `now` is a moment before the call.
    ///
    /// With a finding the tree is not whole, and only fit to be checked further.
    pub fn read(folder: &Folder, earlier: &Tree, look: Look, now: SystemTime) -> (Tree, Vec<Finding>) {
        Tree::read_between(folder, earlier, look, now, &mut |_| {})
    }

    /// `between` is called after each reading and before it is compared, with the number of the try.
    fn read_between(
        folder: &Folder,
        earlier: &Tree,
        look: Look,
        now: SystemTime,
        between: &mut dyn FnMut(u32),
    ) -> (Tree, Vec<Finding>) {
        let scope = Scope { deep: true, wanted: is_yaml };
        let mut before = walk(folder, scope);
        let (mut tree, mut findings) = Tree::contents(&before, earlier, look, now);
        for turn in 0..TRIES {
            between(turn);
            let after = walk(folder, scope);
            if after.files == before.files && after.findings == before.findings {
                return (tree, findings);
            }
            std::thread::sleep(FIRST_PAUSE * (1 << turn));
            before = walk(folder, scope);
            (tree, findings) = Tree::contents(&before, earlier, look, now);
        }
        let mend = "Look for a program that keeps writing there.";
        findings.push(unreadable(&folder.shown, "changes all the time while it is read", mend));
        (tree, findings)
    }

    fn contents(walk: &Walk, earlier: &Tree, look: Look, now: SystemTime) -> (Tree, Vec<Finding>) {
        let mut tree = Tree::default();
        let mut findings = walk.findings.clone();
        let mut left = LIMIT_TREE_BYTES;
        for (name, found) in &walk.files {
            let known = earlier.files.get(name);
            let same =
                look == Look::Changed && found.stamp.is_settled(now) && earlier.stamps.get(name) == Some(&found.stamp);
            let text = match known.filter(|_| same) {
                Some(text) => text.clone(),
                None => match content(name, &found.path) {
                    Ok(Some(text)) => shared(known, text),
                    Ok(None) => continue,
                    Err(finding) => {
                        findings.push(finding);
                        continue;
                    }
                },
            };
            let Some(rest) = left.checked_sub(text.bytes.len() as u64) else {
                findings.push(too_much(name));
                break;
            };
            left = rest;
            tree.files.insert(name.clone(), text);
            tree.stamps.insert(name.clone(), found.stamp);
        }
        (tree, findings)
    }

    /// The names whose text is not the same in both, or that only one of them has.
    pub fn differing(&self, other: &Tree) -> BTreeSet<Arc<str>> {
        let mine = self.files.iter().filter(|(name, text)| match other.files.get(*name) {
            Some(theirs) => !Arc::ptr_eq(theirs, text) && theirs.sha256 != text.sha256,
            None => true,
        });
        let theirs = other.files.keys().filter(|name| !self.files.contains_key(*name));
        mine.map(|(name, _)| name).chain(theirs).cloned().collect()
    }

    /// The text of a file, for showing the line of a finding.
    pub fn text(&self, name: &str) -> Option<&str> {
        self.files.get(name)?.text()
    }
}

fn shared(known: Option<&Arc<FileText>>, text: FileText) -> Arc<FileText> {
    match known {
        Some(known) if known.sha256 == text.sha256 => known.clone(),
        Some(_) | None => Arc::new(text),
    }
}

fn too_much(name: &str) -> Finding {
    let sentence = format!("With this file the tree has more than {} MiB.", LIMIT_TREE_BYTES >> 20);
    let mend = "Look for a file that does not belong there.";
    Finding::new(Code::FileTooLarge, Place::start_of(&name.into()), sentence, mend)
}

/// Reads one file, named `shown` in findings, of at most 32 MiB.
///
/// # Errors
/// A finding that says why it cannot be read.
pub fn read_file(shown: &str, path: &Path) -> Result<FileText, Finding> {
    content(shown, path)?.ok_or_else(|| unreadable(shown, "is not there", "Look for a slip in its path."))
}

/// Nothing where the file is gone.
fn content(shown: &str, path: &Path) -> Result<Option<FileText>, Finding> {
    match bounded(path, LIMIT_BYTES as u64) {
        Ok(Content::Bytes(bytes)) => Ok(Some(FileText::new(bytes))),
        Ok(Content::TooLarge(size)) => Err(too_large(shown, size)),
        Ok(Content::NoFile) => Err(unreadable(shown, "is no plain file", "Give the path of a plain file.")),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => {
            let what = format!("cannot be read: {}", why(&error));
            Err(unreadable(shown, &what, "Look at its owner and permissions."))
        }
    }
}

pub(super) fn too_large(shown: &str, size: u64) -> Finding {
    let sentence = format!("The file has {size} bytes; {LIMIT_BYTES} is the most that is read.");
    Finding::new(Code::FileTooLarge, Place::start_of(&shown.into()), sentence, "Split it into several files.")
}

/// What reading a file came to.
pub(super) enum Content {
    Bytes(Vec<u8>),
    /// Its size in bytes, at least.
    TooLarge(u64),
    /// A folder, a pipe or the like.
    NoFile,
}

/// Opens a plain file; nothing for anything else. A pipe is never opened, since that would wait for its writer.
pub(super) fn open_plain(path: &Path) -> io::Result<Option<File>> {
    if !fs::metadata(path)?.is_file() {
        return Ok(None);
    }
    let file = File::open(path)?;
    Ok(file.metadata()?.is_file().then_some(file))
}

/// Reads a plain file of at most `limit` bytes; a larger one is not read.
pub(super) fn bounded(path: &Path, limit: u64) -> io::Result<Content> {
    let Some(file) = open_plain(path)? else { return Ok(Content::NoFile) };
    let size = file.metadata()?.len();
    if size > limit {
        return Ok(Content::TooLarge(size));
    }
    let mut bytes = Vec::with_capacity(usize::try_from(size).unwrap_or(0));
    let read = file.take(limit + 1).read_to_end(&mut bytes)? as u64;
    Ok(if read > limit { Content::TooLarge(read) } else { Content::Bytes(bytes) })
}
