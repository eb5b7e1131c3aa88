//! Putting a new text in a file's place: whole or not at all, with the same owner and permissions, and never through a link.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt, PermissionsExt};
use std::path::Path;

use super::walk::why;

/// Why a file is left as it is.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "the messages say it")]
pub enum ReplaceError {
    #[error("it is reached through a symbolic link")]
    Link,
    #[error("it is one file under several names")]
    Names,
    #[error("someone has changed it since it was read")]
    Changed,
    #[error("it is read-only")]
    ReadOnly,
    #[error("it is not a regular file")]
    NoFile,
    #[error("it cannot be written: {}", why(.0))]
    Write(io::Error),
}

impl From<io::Error> for ReplaceError {
    fn from(error: io::Error) -> ReplaceError {
        ReplaceError::Write(error)
    }
}

/// Puts `after` in place of `before`, which must be what the file holds. Below `root`, whose own path may lead through links, none
/// is followed.
///
/// # Errors
/// Why it was left as it is.
pub fn replace(root: &Path, path: &Path, before: &[u8], after: &[u8]) -> Result<(), ReplaceError> {
    let inside = path.strip_prefix(root).map_err(|_| ReplaceError::Link)?;
    let mut way = root.to_path_buf();
    for step in inside.components() {
        way.push(step);
        if fs::symlink_metadata(&way)?.is_symlink() {
            return Err(ReplaceError::Link);
        }
    }
    let meta = fs::symlink_metadata(path)?;
    if !meta.is_file() {
        return Err(ReplaceError::NoFile);
    }
    if meta.mode() & 0o222 == 0 {
        return Err(ReplaceError::ReadOnly);
    }
    if meta.nlink() > 1 {
        return Err(ReplaceError::Names);
    }
    let draft = path.with_file_name(format!(".stationkeep-draft-{}", std::process::id()));
    let written = written(&draft, path, &meta, before, after);
    if written.is_err() {
        let _ = fs::remove_file(&draft);
    }
    written
}

fn written(draft: &Path, path: &Path, meta: &fs::Metadata, before: &[u8], after: &[u8]) -> Result<(), ReplaceError> {
    let mut file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(draft)?;
    file.write_all(after)?;
    let own = file.metadata()?;
    if (own.uid(), own.gid()) != (meta.uid(), meta.gid()) {
        std::os::unix::fs::fchown(&file, Some(meta.uid()), Some(meta.gid()))?;
    }
    file.set_permissions(fs::Permissions::from_mode(meta.mode() & 0o7777))?;
    file.sync_all()?;
    // As late as can be: an editor may have saved meanwhile.
    if fs::read(path)? != before {
        return Err(ReplaceError::Changed);
    }
    fs::rename(draft, path)?;
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    Ok(File::open(folder)?.sync_all()?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;

    #[test]
    fn a_file_is_replaced_with_its_permissions_and_nothing_is_left_beside_it() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.yaml");
        fs::write(&path, "old").unwrap();
        for mode in [0o644, 0o600, 0o664] {
            fs::set_permissions(&path, fs::Permissions::from_mode(mode)).unwrap();
            let before = fs::read(&path).unwrap();
            let after = format!("new {mode}");
            replace(dir.path(), &path, &before, after.as_bytes()).unwrap();
            assert_eq!(fs::read_to_string(&path).unwrap(), after);
            assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o7777, mode);
        }
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_file_that_nobody_may_write_is_left_as_it_is() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.yaml");
        fs::write(&path, "old").unwrap();
        fs::set_permissions(&path, fs::Permissions::from_mode(0o444)).unwrap();
        assert_eq!(replace(dir.path(), &path, b"old", b"new").unwrap_err().to_string(), "it is read-only");
        assert_eq!(fs::read_to_string(&path).unwrap(), "old");
    }

    #[test]
    fn links_other_names_and_files_that_changed_are_left_as_they_are() {
        let dir = tempfile::tempdir().unwrap();
        let (real, linked) = (dir.path().join("real"), dir.path().join("linked"));
        fs::create_dir(&real).unwrap();
        fs::write(real.join("a.yaml"), "old").unwrap();
        symlink(&real, &linked).unwrap();
        symlink("a.yaml", real.join("b.yaml")).unwrap();
        let left = |root: &Path, path: &Path, before: &str| {
            replace(root, path, before.as_bytes(), b"new").unwrap_err().to_string()
        };
        assert_eq!(left(dir.path(), &linked.join("a.yaml"), "old"), "it is reached through a symbolic link");
        assert_eq!(left(&real, &real.join("b.yaml"), "old"), "it is reached through a symbolic link");
        assert_eq!(left(&real, &real.join("a.yaml"), "other"), "someone has changed it since it was read");
        assert_eq!(left(dir.path(), &real, ""), "it is not a regular file");
        fs::hard_link(real.join("a.yaml"), real.join("c.yaml")).unwrap();
        assert_eq!(left(&real, &real.join("a.yaml"), "old"), "it is one file under several names");
        assert_eq!(fs::read_to_string(real.join("a.yaml")).unwrap(), "old");
        assert_eq!(fs::read_dir(&real).unwrap().count(), 3, "no draft stays behind");
        fs::remove_file(real.join("c.yaml")).unwrap();
        // The folder that the owner named may be a link itself.
        replace(&linked, &linked.join("a.yaml"), b"old", b"new").unwrap();
        assert_eq!(fs::read_to_string(real.join("a.yaml")).unwrap(), "new");
    }
}
