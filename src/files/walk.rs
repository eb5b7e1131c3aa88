//! Going through a folder tree: which files it holds and in what state, without reading them.
//!
//! Hidden files and what editors leave behind are passed over. Symbolic links are followed; a link that
//! leads back to a folder it stands in is a finding. It never opens a file.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, DirEntry, Metadata};
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use super::{Folder, joined};
use crate::finding::{Code, Finding, Place};

/// The most files of one folder tree.
pub const LIMIT_FILES: usize = 200_000;
/// The most bytes of one folder tree.
pub const LIMIT_TREE_BYTES: u64 = 512 << 20;
/// The most names looked at, files of other kinds included.
pub const LIMIT_NAMES: usize = 1_000_000;
/// The most folders, one in the other.
pub const LIMIT_DEPTH: usize = 32;
/// The coarsest clock of a file system in use (FAT has two seconds).
pub(super) const COARSE: Duration = Duration::from_secs(2);

/// What tells one state of a file from another without reading it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Stamp {
    /// Of the file system.
    pub device: u64,
    /// Within it.
    pub inode: u64,
    /// In bytes.
    pub size: u64,
    /// Nanoseconds since 1970.
    pub modified_ns: i128,
    /// When the system last noted any change, in nanoseconds since 1970; no program can set it back.
    pub changed_ns: i128,
}

impl Stamp {
    /// The state that metadata tells of.
    pub fn of(meta: &Metadata) -> Stamp {
        let ns = |seconds: i64, rest: i64| i128::from(seconds) * 1_000_000_000 + i128::from(rest);
        Stamp {
            device: meta.dev(),
            inode: meta.ino(),
            size: meta.size(),
            modified_ns: ns(meta.mtime(), meta.mtime_nsec()),
            changed_ns: ns(meta.ctime(), meta.ctime_nsec()),
        }
    }

    /// Whether every later change must show in the stamp: the last one is longer ago than a clock tick.
    pub fn is_settled(&self, now: SystemTime) -> bool {
        self.quiet_for(now).is_some_and(|quiet| quiet >= COARSE)
    }

    /// How long ago the last change was; nothing where it lies ahead of `now`.
    pub(super) fn quiet_for(&self, now: SystemTime) -> Option<Duration> {
        let now_ns = i128::try_from(now.duration_since(UNIX_EPOCH).ok()?.as_nanos()).ok()?;
        u64::try_from(now_ns - self.changed_ns).ok().map(Duration::from_nanos)
    }
}

/// A file that counts, and its state when it was come by.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Found {
    pub path: PathBuf,
    pub stamp: Stamp,
}

/// What a walk came by.
#[derive(Debug, Default)]
pub(super) struct Walk {
    /// By shown path.
    pub files: BTreeMap<Arc<str>, Found>,
    /// The folders gone through, free of symbolic links.
    pub folders: BTreeSet<PathBuf>,
    /// The symbolic links followed, each in a folder free of them.
    pub links: BTreeSet<PathBuf>,
    /// Files that are not read and may be meant to be: the first of them, by shown path.
    pub strays: Vec<Arc<str>>,
    /// What keeps the tree from being known whole.
    pub findings: Vec<Finding>,
    names: usize,
    full: bool,
}

/// Goes through a folder tree for files of YAML. A missing folder is a finding, never an empty tree.
pub(super) fn walk(folder: &Folder) -> Walk {
    let mut walk = Walk::default();
    match fs::canonicalize(&folder.path).and_then(|real| Ok((fs::metadata(&real)?, real))) {
        Ok((meta, real)) if meta.is_dir() => {
            walk.folder(Here { path: &folder.path, real: &real, shown: &folder.shown }, &mut vec![id(&meta)]);
        }
        Ok(_) => walk.trouble(&folder.shown, "is not a folder", "Give the path of a folder."),
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            walk.trouble(&folder.shown, "is not there", "Make the folder, or fix its path in the configuration.");
        }
        Err(error) => walk.unreadable(&folder.shown, &error),
    }
    walk
}

/// So many files that are not read are told of.
const STRAYS: usize = 100;

/// A warning for each file below a folder of YAML that is not read, however it came by its name.
pub fn strays(folder: &Folder) -> Vec<Finding> {
    let told = |shown: Arc<str>| {
        let message = format!("\"{shown}\" is not read, so nothing in it counts.");
        let fix = "Rename it to end in .yaml, or move it out of this folder.";
        Finding::new(Code::FilePassed, Place::start_of(&shown), message, fix)
    };
    walk(folder).strays.into_iter().map(told).collect()
}

/// What may lie beside YAML: Markdown, and what is called README whatever its ending.
fn is_documentation(name: &str) -> bool {
    has_suffix(name, &["md"]) || name.get(..6).is_some_and(|start| start.eq_ignore_ascii_case("readme"))
}

/// Files that no author means to be read: hidden ones, and what editors leave behind.
pub fn passed_over(name: &str) -> bool {
    name.starts_with('.')
        || name.ends_with('~')
        || (name.starts_with('#') && name.ends_with('#'))
        || name == "4913"
        || name.ends_with(".swp")
}

/// The names of files that are ever read because of where they lie: inventories, keybooks, reports.
pub fn is_read(name: &str) -> bool {
    has_suffix(name, &["yaml", "yml", "json", "jsonl", "csv"])
}

/// `*.yaml` and `*.yml`.
pub fn is_yaml(name: &str) -> bool {
    has_suffix(name, &["yaml", "yml"])
}

pub(super) fn has_suffix(name: &str, suffixes: &[&str]) -> bool {
    name.rsplit_once('.')
        .is_some_and(|(stem, end)| !stem.is_empty() && suffixes.iter().any(|s| end.eq_ignore_ascii_case(s)))
}

/// Why a file could not be read, in words.
pub(super) fn why(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::PermissionDenied => "this user may not read it".into(),
        io::ErrorKind::NotFound => "it is not there".into(),
        _ => error.to_string(),
    }
}

/// What a file or folder is told from others by, as long as it is there.
pub(super) fn id(meta: &Metadata) -> (u64, u64) {
    (meta.dev(), meta.ino())
}

/// A folder by its path, its path without links, and its shown path.
#[derive(Clone, Copy)]
struct Here<'p> {
    path: &'p Path,
    real: &'p Path,
    shown: &'p str,
}

impl Walk {
    /// `above` are the folders this one stands in, itself included.
    fn folder(&mut self, here: Here<'_>, above: &mut Vec<(u64, u64)>) {
        self.folders.insert(here.real.to_owned());
        let entries = match fs::read_dir(here.path) {
            Ok(entries) => entries,
            Err(error) => return self.unreadable(here.shown, &error),
        };
        for entry in entries {
            self.names += 1;
            if self.names > LIMIT_NAMES || self.files.len() > LIMIT_FILES {
                self.overfull(here.shown);
            }
            if self.full {
                return;
            }
            match entry {
                Ok(entry) => self.entry(here, &entry, above),
                Err(error) => self.unreadable(here.shown, &error),
            }
        }
    }

    fn entry(&mut self, here: Here<'_>, entry: &DirEntry, above: &mut Vec<(u64, u64)>) {
        let raw = entry.file_name();
        let name = raw.to_string_lossy();
        let Ok(kind) = entry.file_type() else { return };
        let candidate = is_yaml(&name);
        if passed_over(&name) {
            return;
        }
        let shown = joined(here.shown, &name);
        if !(candidate || kind.is_dir() || kind.is_symlink()) {
            if kind.is_file() && !is_documentation(&name) && self.strays.len() < STRAYS {
                self.strays.push(shown.into());
            }
            return;
        }
        let path = entry.path();
        let meta = match fs::metadata(&path) {
            Ok(meta) => meta,
            // Gone since it was listed; who listens for changes hears of it.
            Err(error) if error.kind() == io::ErrorKind::NotFound && !kind.is_symlink() => return,
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                self.link(here, &raw);
                return self.trouble(&shown, "is a link that leads nowhere", "Fix or remove the link.");
            }
            Err(error) => return self.unreadable(&shown, &error),
        };
        if raw.to_str().is_none() || name.chars().any(char::is_control) {
            return self.trouble(&shown.escape_debug().to_string(), "has a name that is not text", "Rename it.");
        }
        if kind.is_symlink() {
            self.link(here, &raw);
        }
        if meta.is_dir() {
            self.below(here, &path, &shown, kind.is_symlink(), &meta, above);
        } else if candidate && meta.is_file() {
            self.files.insert(shown.into(), Found { path, stamp: Stamp::of(&meta) });
        } else if candidate {
            self.trouble(&shown, "is not a regular file", "Put a regular file there, or remove it.");
        }
    }

    fn link(&mut self, here: Here<'_>, name: &std::ffi::OsStr) {
        self.links.insert(here.real.join(name));
    }

    fn below(
        &mut self,
        here: Here<'_>,
        path: &Path,
        shown: &str,
        linked: bool,
        meta: &Metadata,
        above: &mut Vec<(u64, u64)>,
    ) {
        if above.contains(&id(meta)) {
            return self.trouble(shown, "is a link back to a folder that contains it", "Remove the link.");
        }
        if above.len() >= LIMIT_DEPTH {
            return self.trouble(shown, "nests too deeply", "Keep the tree within 32 levels.");
        }
        let real =
            if linked { fs::canonicalize(path) } else { Ok(here.real.join(path.file_name().unwrap_or_default())) };
        match real {
            Ok(real) => {
                above.push(id(meta));
                self.folder(Here { path, real: &real, shown }, above);
                above.pop();
            }
            Err(error) => self.unreadable(shown, &error),
        }
    }

    fn overfull(&mut self, shown: &str) {
        if !self.full {
            self.full = true;
            let message = format!("\"{shown}\" and the folders beside it hold too many files.");
            let fix = format!("Keep a tree below {LIMIT_FILES} files.");
            self.findings.push(Finding::new(Code::FileTooLarge, Place::start_of(&shown.into()), message, fix));
        }
    }

    fn unreadable(&mut self, shown: &str, error: &io::Error) {
        let message = format!("cannot be read: {}", why(error));
        self.trouble(shown, &message, "Look at its owner and permissions.");
    }

    fn trouble(&mut self, shown: &str, what: &str, fix: &str) {
        self.findings.push(unreadable(shown, what, fix));
    }
}

/// The finding for what cannot be read at all.
pub fn unreadable(shown: &str, what: &str, fix: &str) -> Finding {
    Finding::new(Code::FileUnreadable, Place::start_of(&shown.into()), format!("\"{shown}\" {what}."), fix)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_editors_leave_behind_is_passed_over_and_what_people_name_is_not() {
        for name in [".git", ".#a.yaml", "..data", "a.yaml~", "#a.yaml#", "4913", ".a.yaml.swp", "a.yaml.swp"] {
            assert!(passed_over(name), "{name}");
        }
        for name in ["a.yaml", "49131", "#1.yaml", "~a.yaml", "swp"] {
            assert!(!passed_over(name), "{name}");
        }
        assert!(is_yaml("a.yaml") && is_yaml("a.YML") && is_yaml("a.b.yml"));
        assert!(!is_yaml(".yaml") && !is_yaml("yaml") && !is_yaml("a.yaml.txt"));
    }

    #[test]
    fn a_stamp_is_settled_once_no_later_change_can_share_its_time() {
        let at = |changed_ns| Stamp { device: 0, inode: 0, size: 0, modified_ns: 0, changed_ns };
        let now = UNIX_EPOCH + Duration::from_secs(100);
        assert!(at(98_000_000_000).is_settled(now));
        assert!(!at(98_000_000_001).is_settled(now));
        assert!(!at(101_000_000_000).is_settled(now), "a time ahead of the clock is never trusted");
    }
}
