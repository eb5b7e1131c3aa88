//! The file system: folders of YAML, dropped reports, secrets, and word that something changed.
//!
//! Everything here turns files into values or findings and never decides what they mean. Reading is
//! bounded in size, count and depth, and blocks: call it where blocking is allowed. The clock, the
//! environment and randomness are arguments.

mod below;
mod drop;
mod key;
mod replace;
mod secrets;
mod shelve;
mod tree;
mod walk;
mod watch;

pub use drop::{Dropped, EXPORT_LIMIT_BYTES, ExportLines, FileKind, Inbox};
pub use key::{KeyError, KeyPlace};
pub use replace::{ReplaceError, replace};
pub use secrets::{Origin, SECRET_LIMIT_BYTES, SecretError, Secrets, process_env};
pub use shelve::Shelf;
pub use tree::{FileText, Look, Tree, read_file, too_large, too_much};
pub use walk::{
    LIMIT_DEPTH, LIMIT_FILES, LIMIT_NAMES, LIMIT_TREE_BYTES, Stamp, is_yaml, passed_over, strays, unreadable,
};
pub use watch::{Interest, Means, Pace, Watch, WatchError};

use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A folder as its user knows it and as the system finds it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Folder {
    /// As written in the configuration, without a trailing slash; places of findings begin with it.
    pub shown: Arc<str>,
    /// Where it is.
    pub path: PathBuf,
}

/// The folder that reports are dropped into, and the one that recorded files are moved to, where there is one. Nothing in that
/// one is looked at.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReportFolders {
    /// Where reports are dropped.
    pub dropped: Folder,
    /// Where recorded files are moved to.
    pub taken: Option<Folder>,
}

impl Folder {
    /// A folder as written, relative to `base`.
    pub fn new(base: &Path, written: &str) -> Folder {
        let trimmed = written.trim_end_matches('/');
        let mut shown = if trimmed.is_empty() && written.starts_with('/') { "/" } else { trimmed };
        while let Some(rest) = shown.strip_prefix("./") {
            shown = rest.trim_start_matches('/');
        }
        let shown = if shown.is_empty() { "." } else { shown };
        Folder { shown: shown.into(), path: cleaned(&base.join(shown)) }
    }
}

/// A shown path one step longer; nothing goes before a name in the folder `.`.
pub fn joined(shown: &str, name: &str) -> String {
    match shown {
        "." => name.to_owned(),
        _ if shown.ends_with('/') => format!("{shown}{name}"),
        _ => format!("{shown}/{name}"),
    }
}

/// The same path without `.` and without `name/..`, as long as `name` is no symbolic link.
///
/// Behind a link `..` leads somewhere else than it looks, so there it is left to the system.
pub fn cleaned(path: &Path) -> PathBuf {
    use std::path::Component;
    let mut out = PathBuf::new();
    for part in path.components() {
        match part {
            Component::CurDir => {}
            Component::ParentDir if out.file_name().is_some() && !out.is_symlink() => {
                out.pop();
            }
            Component::ParentDir | Component::Normal(_) | Component::RootDir | Component::Prefix(_) => out.push(part),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_is_shown_as_written_and_found_beside_its_base() {
        for (written, shown, path) in [
            ("inventory", "inventory", "/no/such/inventory"),
            ("./inventory/", "inventory", "/no/such/inventory"),
            ("../fleet", "../fleet", "/no/fleet"),
            ("/srv/fleet", "/srv/fleet", "/srv/fleet"),
            (".", ".", "/no/such"),
            ("/", "/", "/"),
        ] {
            let folder = Folder::new(Path::new("/no/such"), written);
            assert_eq!((&*folder.shown, folder.path.as_path()), (shown, Path::new(path)), "{written}");
        }
        assert_eq!((joined(".", "a.yaml"), joined("in", "a.yaml")), ("a.yaml".into(), "in/a.yaml".into()));
    }

    #[test]
    fn two_dots_behind_a_link_are_left_to_the_system() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::create_dir_all(dir.path().join("far/away")).unwrap();
        std::os::unix::fs::symlink("far/away", dir.path().join("link")).unwrap();
        let path = dir.path().join("link/../x");
        assert_eq!(cleaned(&path), path);
        assert_eq!(cleaned(&dir.path().join("far/./../x")), dir.path().join("x"));
    }
}
