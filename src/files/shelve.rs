//! Recorded files on their way out of the reports folder: moved by month, each at once or not at all.
//!
//! A file is never moved over another, never through a symbolic link, and only while it is the very one that was recorded. A
//! process that is killed leaves it in one place or the other.

use std::fs;
use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::path::Path;
use std::time::SystemTime;

use rustix::fs::{AtFlags, Mode, OFlags, RenameFlags};
use rustix::io::Errno;

use super::below::{OPEN, folder_below, open_folder, stamp};
use super::drop::Dropped;
use super::walk::{Stamp, why};
use super::{Folder, joined};
use crate::finding::{Code, Finding, Place};

/// So many names are tried for a file whose own name is in use.
const NAMES: u32 = 1_000;

/// Where recorded files go at one time.
#[derive(Debug, Clone, Copy)]
pub struct Shelf<'s> {
    /// The folder of recorded files; made where it is missing.
    pub taken: &'s Folder,
    /// The folder within it, such as `2026-11`.
    pub month: &'s str,
}

impl Shelf<'_> {
    /// Moves a file that was recorded; the way down to it stays. False where it is not the same any more: gone, changed or
    /// replaced, it stays where it is. `now` is a moment before the call.
    ///
    /// # Errors
    /// A finding that says why it cannot be moved; then it stays.
    pub fn shelve(&self, file: &Dropped, now: SystemTime) -> Result<bool, Finding> {
        let (folders, name) = file.way.rsplit_once('/').unwrap_or(("", &file.way));
        let from = match folder_below(&file.root, folders) {
            Ok(Some(from)) => from,
            Ok(None) => return Ok(false),
            Err(error) => return Err(self.finding(file, &error)),
        };
        if !file.is_still(state(&from, name), now) {
            return Ok(false);
        }
        let to = self.folder(folders).map_err(|error| self.finding(file, &error))?;
        let moved = rename_apart((&from, name), (&to, name)).map_err(|error| self.finding(file, &error))?;
        if state(&to, &moved).is_some_and(|there| file.is_of(&there)) {
            return Ok(true);
        }
        // Another file took its name a moment before.
        rename_apart((&to, &moved), (&from, name)).map_err(|error| self.finding(file, &error))?;
        Ok(false)
    }

    /// The folder for files of this way down, made where it is missing.
    fn folder(&self, way: &str) -> io::Result<OwnedFd> {
        let top = match open_folder(&self.taken.path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                fs::create_dir_all(&self.taken.path)?;
                open_folder(&self.taken.path)
            }
            other => other,
        }?;
        let mut steps = [self.month].into_iter().chain(way.split('/').filter(|step| !step.is_empty()));
        steps.try_fold(top, |dir, step| {
            match rustix::fs::mkdirat(&dir, step, Mode::RWXU | Mode::RWXG | Mode::RWXO) {
                Ok(()) | Err(Errno::EXIST) => {}
                Err(error) => return Err(error.into()),
            }
            Ok(rustix::fs::openat(&dir, step, OPEN | OFlags::DIRECTORY, Mode::empty())?)
        })
    }

    fn finding(&self, file: &Dropped, error: &io::Error) -> Finding {
        let why = match Errno::from_io_error(error) {
            Some(Errno::XDEV) => "it is on another file system".into(),
            Some(Errno::LOOP | Errno::NOTDIR) => "a symbolic link or a file is in the way".into(),
            Some(Errno::EXIST) => "too many files there have its name".into(),
            Some(Errno::INVAL | Errno::NOSYS | Errno::OPNOTSUPP) => {
                "its file system cannot move a file without the risk of replacing another".into()
            }
            Some(_) | None => why(error),
        };
        let to = joined(&self.taken.shown, self.month);
        let message = format!("\"{}\" is recorded, and cannot be moved to \"{to}\": {why}.", file.name);
        let fix =
            "Let \"reports_taken\" be a folder on the same file system that this user may write to. The file stays.";
        Finding::new(Code::ReportFile, Place::start_of(&file.name), message, fix)
    }
}

/// Renames a file, to its own name or the first of `name-2`, `name-3` … that is free: never over another one.
fn rename_apart(from: (&OwnedFd, &str), to: (&OwnedFd, &str)) -> io::Result<String> {
    for nth in 1..=NAMES {
        let name = numbered(to.1, nth);
        match rustix::fs::renameat_with(from.0.as_fd(), from.1, to.0.as_fd(), &name, RenameFlags::NOREPLACE) {
            Ok(()) => return Ok(name),
            Err(Errno::EXIST) => {}
            Err(error) => return Err(error.into()),
        }
    }
    Err(Errno::EXIST.into())
}

/// `report.yaml`, `report-2.yaml` …: the ending stays.
fn numbered(name: &str, nth: u32) -> String {
    match (nth, name.rsplit_once('.')) {
        (1, _) => name.to_owned(),
        (_, Some((stem, ending))) if !stem.is_empty() => format!("{stem}-{nth}.{ending}"),
        (_, _) => format!("{name}-{nth}"),
    }
}

/// The state of what has a name in a folder; a link is not followed.
fn state(dir: &OwnedFd, name: &str) -> Option<Stamp> {
    rustix::fs::statat(dir, Path::new(name), AtFlags::SYMLINK_NOFOLLOW).ok().map(|stat| stamp(&stat))
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;
    use std::os::unix::fs::symlink;
    use std::sync::Arc;
    use std::time::Duration;

    use super::*;
    use crate::files::{Inbox, ReportFolders};

    struct Scene {
        dir: tempfile::TempDir,
    }

    impl Scene {
        fn new(files: &[(&str, &str)]) -> Scene {
            let scene = Scene { dir: tempfile::tempdir().unwrap() };
            fs::create_dir(scene.dir.path().join("reports")).unwrap();
            files.iter().for_each(|(name, text)| scene.write(name, text));
            scene
        }

        fn write(&self, name: &str, text: &str) {
            let path = self.dir.path().join(name);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, text).unwrap();
        }

        fn folders(&self) -> ReportFolders {
            let folder = |name: &str| Folder::new(self.dir.path(), name);
            ReportFolders { dropped: folder("reports"), taken: Some(folder("reports/taken")) }
        }

        fn seen(&self) -> Vec<Arc<Dropped>> {
            let mut inbox = Inbox::default();
            let later = SystemTime::now() + Duration::from_secs(60);
            assert_eq!(inbox.look(&self.folders(), true, later, Duration::ZERO), None);
            inbox.open().to_vec()
        }

        fn shelve(&self, file: &Dropped) -> Result<bool, String> {
            let folders = self.folders();
            let shelf = Shelf { taken: folders.taken.as_ref().unwrap(), month: "2026-11" };
            shelf.shelve(file, SystemTime::now()).map_err(|finding| finding.message)
        }

        /// Every regular file, with what it holds.
        fn all(&self) -> BTreeSet<String> {
            fn go(dir: &Path, top: &Path, all: &mut BTreeSet<String>) {
                for entry in fs::read_dir(dir).unwrap().map(Result::unwrap) {
                    let path = entry.path();
                    match entry.file_type().unwrap() {
                        kind if kind.is_dir() => go(&path, top, all),
                        kind if kind.is_file() => {
                            let name = path.strip_prefix(top).unwrap().display().to_string();
                            all.insert(format!("{name}: {}", fs::read_to_string(&path).unwrap()));
                        }
                        _ => {}
                    }
                }
            }
            let mut all = BTreeSet::new();
            go(self.dir.path(), self.dir.path(), &mut all);
            all
        }
    }

    #[test]
    fn a_recorded_file_goes_to_its_month_and_never_over_another() {
        let scene = Scene::new(&[("reports/a.yaml", "1"), ("reports/may/b.json", "2")]);
        scene.write("reports/taken/2026-11/a.yaml", "old");
        scene.write("reports/taken/2026-11/a-2.yaml", "older");
        for file in scene.seen() {
            assert_eq!(scene.shelve(&file), Ok(true));
        }
        let taken = ["a-2.yaml: older", "a-3.yaml: 1", "a.yaml: old", "may/b.json: 2"];
        assert_eq!(scene.all(), taken.iter().map(|one| format!("reports/taken/2026-11/{one}")).collect());
        assert_eq!(scene.seen(), [], "and is not looked at there");
        assert_eq!(
            (numbered("a", 2), numbered(".a", 2), numbered("a.b.c", 3)),
            ("a-2".into(), ".a-2".into(), "a.b-3.c".into())
        );
    }

    #[test]
    fn what_is_another_file_by_now_stays() {
        let scene = Scene::new(&[("reports/a.yaml", "1"), ("reports/b.yaml", "2"), ("reports/c.yaml", "3")]);
        let files = scene.seen();
        scene.write("reports/a.yaml", "1, edited");
        fs::remove_file(scene.dir.path().join("reports/b.yaml")).unwrap();
        fs::remove_file(scene.dir.path().join("reports/c.yaml")).unwrap();
        symlink("a.yaml", scene.dir.path().join("reports/c.yaml")).unwrap();
        for file in files {
            assert_eq!(scene.shelve(&file), Ok(false), "{}", file.name);
        }
        assert_eq!(scene.all(), ["reports/a.yaml: 1, edited".to_owned()].into());
    }

    #[test]
    fn nothing_is_moved_through_a_link() {
        let scene = Scene::new(&[("reports/a.yaml", "1"), ("reports/may/b.yaml", "2"), ("elsewhere/x", "x")]);
        let files = scene.seen();
        let before = scene.all();
        scene.write("reports/taken/z", "z");
        symlink(scene.dir.path().join("elsewhere"), scene.dir.path().join("reports/taken/2026-11")).unwrap();
        for file in &files {
            let said = scene.shelve(file).unwrap_err();
            assert!(said.ends_with("a symbolic link or a file is in the way."), "{said}");
        }
        fs::remove_file(scene.dir.path().join("reports/taken/2026-11")).unwrap();
        fs::create_dir(scene.dir.path().join("reports/taken/2026-11")).unwrap();
        symlink(scene.dir.path().join("elsewhere"), scene.dir.path().join("reports/taken/2026-11/may")).unwrap();
        assert!(scene.shelve(&files[1]).is_err());
        fs::remove_dir_all(scene.dir.path().join("reports/taken")).unwrap();
        assert_eq!(scene.all(), before);
    }

    #[test]
    fn where_it_cannot_be_moved_it_stays_and_that_is_said() {
        let scene = Scene::new(&[("reports/a.yaml", "1")]);
        let files = scene.seen();
        scene.write("reports/taken", "a file");
        assert_eq!(
            scene.shelve(&files[0]),
            Err("\"reports/a.yaml\" is recorded, and cannot be moved to \"reports/taken/2026-11\": a symbolic link or a file \
                 is in the way."
                .into())
        );
        assert!(scene.all().contains("reports/a.yaml: 1"));
    }
}
