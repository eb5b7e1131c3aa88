//! Files that hold access codes: nobody but their owner may read them, not even where there was another file before.

use std::fs::{self, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

use uuid::Uuid;

/// Writes a file that only its owner may read, whole or not at all. What is there already is replaced, a device or a pipe
/// written to.
///
/// # Errors
/// Where the file, or one beside it, cannot be written.
pub fn write_private(path: &Path, text: &str) -> io::Result<()> {
    // Behind a link, the file that it leads to.
    let path = &fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
    if fs::metadata(path).is_ok_and(|there| !there.is_file() && !there.is_dir()) {
        return OpenOptions::new().write(true).open(path)?.write_all(text.as_bytes());
    }
    // Whoever has the old file open never sees the new one.
    let draft = path.with_file_name(format!(".stationkeep-{}", Uuid::now_v7()));
    let written = write_new(&draft, text).and_then(|()| fs::rename(&draft, path));
    if written.is_err() {
        let _ = fs::remove_file(&draft);
    }
    written
}

fn write_new(path: &Path, text: &str) -> io::Result<()> {
    let mut file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(path)?;
    file.write_all(text.as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::{PermissionsExt, symlink};

    fn mode(path: &Path) -> u32 {
        fs::metadata(path).unwrap().permissions().mode() & 0o777
    }

    #[test]
    fn whatever_was_there_before_only_the_owner_reads_the_card() {
        let folder = tempfile::tempdir().unwrap();
        let (new, old, link) = ["new", "old", "link"].map(|name| folder.path().join(name)).into();
        fs::write(&old, "an older and longer card").unwrap();
        fs::set_permissions(&old, fs::Permissions::from_mode(0o644)).unwrap();
        symlink(&old, &link).unwrap();
        let mut open_before = fs::File::open(&old).unwrap();
        for path in [&new, &link] {
            write_private(path, "code").unwrap();
            assert_eq!((fs::read_to_string(path).unwrap().as_str(), mode(path)), ("code", 0o600), "{path:?}");
        }
        assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
        assert_eq!((fs::read_to_string(&old).unwrap().as_str(), mode(&old)), ("code", 0o600));
        assert_eq!(io::read_to_string(&mut open_before).unwrap(), "an older and longer card");
        assert_eq!(fs::read_dir(&folder).unwrap().count(), 3, "no draft stays behind");
    }

    #[test]
    fn a_device_is_written_to_and_stays_and_a_folder_is_an_error() {
        write_private(Path::new("/dev/null"), "code").unwrap();
        assert!(!fs::metadata("/dev/null").unwrap().is_file());
        let folder = tempfile::tempdir().unwrap();
        assert!(write_private(folder.path(), "code").is_err());
        assert!(write_private(&folder.path().join("none/card.txt"), "code").is_err());
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
    }
}
