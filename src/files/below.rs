//! A folder that other people put files in: gone through and opened without ever following a symbolic link below it.
//!
//! Every entry is accounted for, however many there are. Only regular files are opened; a pipe or device never is.

use std::collections::BTreeMap;
use std::ffi::{CStr, OsStr};
use std::fs::{self, File};
use std::io;
use std::os::fd::OwnedFd;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::SystemTime;

use rustix::fs::{AtFlags, Dir, FileType, Mode, OFlags, Stat};
use rustix::io::Errno;

use super::walk::{LIMIT_DEPTH, Stamp, id, unreadable, why};
use super::{ReportFolders, joined};
use crate::finding::Finding;

/// How folders and files are opened: at once, or not at all.
pub(super) const OPEN: OFlags =
    OFlags::RDONLY.union(OFlags::NOFOLLOW).union(OFlags::NONBLOCK).union(OFlags::NOCTTY).union(OFlags::CLOEXEC);

/// An entry below the folder.
#[derive(Debug)]
pub(super) struct Entry {
    /// As people see it: the folder as written, then the way down.
    pub shown: Arc<str>,
    /// The way down from the folder; of an entry that can be opened it is the exact one.
    pub way: String,
    /// The state it is in; nothing where that cannot be told.
    pub stamp: Option<Stamp>,
    /// What it is.
    pub is: Is,
}

/// What an entry is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Is {
    /// A regular file.
    File,
    /// Something that is never opened, or cannot be: what is wrong with it, and what to do.
    Trouble(String, &'static str),
}

/// What lies below a folder.
#[derive(Debug, Default)]
pub(super) struct Below {
    /// In the order of their shown names.
    pub entries: Vec<Entry>,
    /// The folders gone through.
    pub listed: Listed,
    /// Why the folder itself cannot be read.
    pub finding: Option<Finding>,
    /// Device and inode of a folder that is not looked at.
    passed_over: Option<(u64, u64)>,
}

/// The folders that were gone through, each by its path free of links, in the state it was in before. Whatever is added to a
/// folder, taken away or renamed shows in its state; what is changed within a file does not.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Listed {
    root: PathBuf,
    /// Each with its state.
    pub folders: BTreeMap<PathBuf, Stamp>,
}

impl Listed {
    /// Whether nothing was added, taken away or renamed since, as far as states tell.
    pub fn is_as_it_was(&self, folders: &ReportFolders) -> bool {
        let state = |path: &Path| fs::symlink_metadata(path).ok().map(|meta| Stamp::of(&meta));
        !self.folders.is_empty()
            && fs::canonicalize(&folders.dropped.path).is_ok_and(|root| root == self.root)
            && self.folders.iter().all(|(path, stamp)| state(path) == Some(*stamp))
    }

    /// Whether every later change must show in the states; `then` is a moment before it was listed.
    pub fn is_settled(&self, then: SystemTime) -> bool {
        self.folders.values().all(|stamp| stamp.is_settled(then))
    }
}

/// Names that are not looked at: hidden ones, backups of editors, and files that are still being written.
pub(super) fn is_passed_over(name: &[u8]) -> bool {
    name.starts_with(b".") || name.ends_with(b"~") || name.ends_with(b".part")
}

/// Goes through a folder and all below it. The path of the folder itself may lead through links: its owner wrote it.
/// The folder of taken files is not looked at.
pub(super) fn below(folders: &ReportFolders) -> Below {
    let (mut below, folder) = (Below::default(), &folders.dropped);
    below.passed_over = folders.taken.as_ref().and_then(|taken| fs::metadata(&taken.path).ok()).map(|meta| id(&meta));
    let open = open_folder(&folder.path).and_then(|dir| Ok((dir, fs::canonicalize(&folder.path)?)));
    let read = open.and_then(|(dir, real)| {
        below.listed.root = real.clone();
        below.folder(&dir, &Here { shown: &folder.shown, way: "", real, depth: 1 })
    });
    below.finding = read.err().map(|error| {
        let (what, fix) = match error.kind() {
            io::ErrorKind::NotFound => {
                ("is not there".to_owned(), "Make the folder, or fix its path in the configuration.")
            }
            io::ErrorKind::NotADirectory => ("is not a folder".to_owned(), "Give the path of a folder."),
            _ => (format!("cannot be read: {}", why(&error)), "Look at its owner and permissions."),
        };
        unreadable(&folder.shown, &what, fix)
    });
    below.entries.sort_by(|a, b| a.shown.cmp(&b.shown));
    below
}

/// Opens a regular file below a folder, by the way down to it. Nothing where it is gone, or something else by now: a link
/// on the way is not followed.
///
/// # Errors
/// Where it is there and cannot be opened.
pub(super) fn open_below(root: &Path, way: &str) -> io::Result<Option<File>> {
    let (folders, name) = way.rsplit_once('/').unwrap_or(("", way));
    let Some(dir) = folder_below(root, folders)? else { return Ok(None) };
    let open = || -> io::Result<Option<File>> {
        let stat = rustix::fs::statat(&dir, name, AtFlags::SYMLINK_NOFOLLOW)?;
        if FileType::from_raw_mode(stat.st_mode) != FileType::RegularFile {
            return Ok(None);
        }
        let file = File::from(rustix::fs::openat(&dir, name, OPEN, Mode::empty())?);
        Ok(file.metadata()?.is_file().then_some(file))
    };
    open().or_else(gone)
}

/// Opens a folder below another, by the way down to it. Nothing where it is gone, or something else by now: a link on the way is
/// not followed.
///
/// # Errors
/// Where it is there and cannot be opened.
pub(super) fn folder_below(root: &Path, way: &str) -> io::Result<Option<OwnedFd>> {
    let mut steps = way.split('/').filter(|step| !step.is_empty());
    let open = open_folder(root).and_then(|top| {
        steps.try_fold(top, |dir, step| Ok(rustix::fs::openat(&dir, step, OPEN | OFlags::DIRECTORY, Mode::empty())?))
    });
    open.map(Some).or_else(gone)
}

/// What is gone, or became a link, is nothing.
fn gone<T>(error: io::Error) -> io::Result<Option<T>> {
    match Errno::from_io_error(&error) {
        Some(Errno::NOENT | Errno::NOTDIR | Errno::LOOP) => Ok(None),
        Some(_) | None => Err(error),
    }
}

pub(super) fn open_folder(path: &Path) -> io::Result<OwnedFd> {
    let how = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
    Ok(rustix::fs::open(path, how, Mode::empty())?)
}

/// A folder on the way: as shown, the way down to it, its real path, and how deep it is.
struct Here<'h> {
    shown: &'h str,
    way: &'h str,
    real: PathBuf,
    depth: usize,
}

impl Below {
    fn folder(&mut self, dir: &OwnedFd, here: &Here<'_>) -> io::Result<()> {
        self.listed.folders.insert(here.real.clone(), stamp(&rustix::fs::fstat(dir)?));
        for entry in Dir::read_from(dir)? {
            let entry = entry?;
            let name = entry.file_name();
            if !is_passed_over(name.to_bytes()) {
                self.entry(dir, here, name);
            }
        }
        Ok(())
    }

    fn entry(&mut self, dir: &OwnedFd, here: &Here<'_>, name: &CStr) {
        let stat = match rustix::fs::statat(dir, name, AtFlags::SYMLINK_NOFOLLOW) {
            Ok(stat) => stat,
            // Gone since it was listed.
            Err(Errno::NOENT) => return,
            Err(error) => return self.trouble(here, name, None, cannot_be_read(error), PERMISSIONS),
        };
        let stamp = Some(stamp(&stat));
        let Some(text) = name.to_str().ok().filter(|name| !name.chars().any(char::is_control)) else {
            return self.trouble(here, name, stamp, "has a name that is not text".into(), "Rename it.");
        };
        match FileType::from_raw_mode(stat.st_mode) {
            FileType::RegularFile => {
                let shown = joined(here.shown, text).into();
                self.entries.push(Entry { shown, way: way(here.way, text), stamp, is: Is::File });
            }
            FileType::Directory if self.passed_over == Some((stat.st_dev, stat.st_ino)) => {}
            FileType::Directory => self.descend(dir, here, name, text),
            FileType::Symlink => {
                let what = "is a symbolic link, and links are not followed here".into();
                self.trouble(here, name, stamp, what, "Put the file itself there.");
            }
            FileType::Fifo
            | FileType::Socket
            | FileType::CharacterDevice
            | FileType::BlockDevice
            | FileType::Unknown => {
                self.trouble(
                    here,
                    name,
                    stamp,
                    "is not a regular file".into(),
                    "Put a regular file there, or remove it.",
                );
            }
        }
    }

    fn descend(&mut self, dir: &OwnedFd, here: &Here<'_>, name: &CStr, text: &str) {
        if here.depth >= LIMIT_DEPTH {
            return self.trouble(here, name, None, "nests too deeply".into(), "Keep the tree within 32 levels.");
        }
        let (shown, way) = (joined(here.shown, text), way(here.way, text));
        let below = Here { shown: &shown, way: &way, real: here.real.join(text), depth: here.depth + 1 };
        let read = rustix::fs::openat(dir, name, OPEN | OFlags::DIRECTORY, Mode::empty())
            .map_err(io::Error::from)
            .and_then(|dir| self.folder(&dir, &below));
        match read {
            Ok(()) => {}
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => self.trouble(here, name, None, cannot_be_read(error), PERMISSIONS),
        }
    }

    fn trouble(&mut self, here: &Here<'_>, name: &CStr, stamp: Option<Stamp>, what: String, fix: &'static str) {
        let name = OsStr::from_bytes(name.to_bytes()).to_string_lossy();
        let name = if name.chars().any(char::is_control) { name.escape_debug().to_string() } else { name.into_owned() };
        let shown = joined(here.shown, &name).into();
        self.entries.push(Entry { shown, way: way(here.way, &name), stamp, is: Is::Trouble(what, fix) });
    }
}

const PERMISSIONS: &str = "Look at its owner and permissions.";

fn cannot_be_read(error: impl Into<io::Error>) -> String {
    format!("cannot be read: {}", why(&error.into()))
}

fn way(here: &str, name: &str) -> String {
    if here.is_empty() { name.to_owned() } else { format!("{here}/{name}") }
}

/// The state that the system tells of.
pub(super) fn stamp(stat: &Stat) -> Stamp {
    let ns = |seconds: i128, rest: i128| seconds * 1_000_000_000 + rest;
    Stamp {
        device: stat.st_dev,
        inode: stat.st_ino,
        size: u64::try_from(stat.st_size).unwrap_or(0),
        modified_ns: ns(i128::from(stat.st_mtime), i128::from(stat.st_mtime_nsec)),
        changed_ns: ns(i128::from(stat.st_ctime), i128::from(stat.st_ctime_nsec)),
    }
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::symlink;

    use super::*;
    use crate::files::Folder;

    fn folders(shown: &str, path: &Path) -> ReportFolders {
        ReportFolders { dropped: Folder { shown: shown.into(), path: path.to_owned() }, taken: None }
    }

    #[test]
    fn every_entry_of_many_is_found_and_what_is_passed_over_is_not() {
        let dir = tempfile::tempdir().unwrap();
        for n in 0..3_000 {
            fs::write(dir.path().join(format!("{n:04}.yaml")), "x").unwrap();
        }
        fs::create_dir_all(dir.path().join("may/week-1")).unwrap();
        for name in ["may/week-1/a.yaml", ".hidden.yaml", "b.yaml~", "c.yaml.part", "may/.d.yaml"] {
            fs::write(dir.path().join(name), "x").unwrap();
        }
        fs::create_dir(dir.path().join(".git")).unwrap();
        fs::write(dir.path().join(".git/e.yaml"), "x").unwrap();
        let found = below(&folders("in", dir.path()));
        assert_eq!((found.entries.len(), found.listed.folders.len(), found.finding), (3_001, 3, None));
        assert!(found.entries.is_sorted_by(|a, b| a.shown < b.shown));
        assert_eq!(found.entries.last().map(|entry| &*entry.shown), Some("in/may/week-1/a.yaml"));
    }

    #[test]
    fn a_link_is_told_of_and_never_followed_wherever_on_the_way_it_stands() {
        let dir = tempfile::tempdir().unwrap();
        let (inside, outside) = (dir.path().join("in"), dir.path().join("out"));
        fs::create_dir_all(inside.join("sub")).unwrap();
        fs::create_dir(&outside).unwrap();
        fs::write(outside.join("a.yaml"), "secret").unwrap();
        fs::write(inside.join("sub/a.yaml"), "mine").unwrap();
        symlink(&outside, inside.join("folder")).unwrap();
        symlink(outside.join("a.yaml"), inside.join("file.yaml")).unwrap();
        let found = below(&folders("in", &inside));
        let names: Vec<(&str, bool)> =
            found.entries.iter().map(|entry| (&*entry.shown, entry.is == Is::File)).collect();
        assert_eq!(names, [("in/file.yaml", false), ("in/folder", false), ("in/sub/a.yaml", true)]);
        assert!(open_below(&inside, "sub/a.yaml").unwrap().is_some());
        for way in ["file.yaml", "folder/a.yaml", "gone/a.yaml", "sub"] {
            assert!(open_below(&inside, way).unwrap().is_none(), "{way}");
        }
        // A folder that was swapped for a link since it was gone through.
        fs::remove_dir_all(inside.join("sub")).unwrap();
        symlink(&outside, inside.join("sub")).unwrap();
        assert!(open_below(&inside, "sub/a.yaml").unwrap().is_none());
    }

    #[test]
    fn a_pipe_without_a_writer_holds_nothing_up() {
        let dir = tempfile::tempdir().unwrap();
        rustix::fs::mknodat(rustix::fs::CWD, dir.path().join("a.yaml"), FileType::Fifo, Mode::RUSR, 0).unwrap();
        let found = below(&folders("in", dir.path()));
        assert!(matches!(&found.entries[0].is, Is::Trouble(what, _) if what == "is not a regular file"));
        assert!(open_below(dir.path(), "a.yaml").unwrap().is_none());
    }

    #[test]
    fn the_folder_itself_may_be_reached_by_a_link_and_is_a_finding_where_it_is_missing() {
        let dir = tempfile::tempdir().unwrap();
        fs::create_dir(dir.path().join("in")).unwrap();
        fs::write(dir.path().join("in/a.yaml"), "x").unwrap();
        symlink("in", dir.path().join("link")).unwrap();
        assert_eq!(below(&folders("link", &dir.path().join("link"))).entries.len(), 1);
        let finding = |name: &str| below(&folders(name, &dir.path().join(name))).finding.unwrap();
        assert_eq!(finding("gone").message, "\"gone\" is not there.");
        assert_eq!(finding("in/a.yaml").message, "\"in/a.yaml\" is not a folder.");
    }
}
