//! The key that fingerprints of access codes are made with: made once for an installation, then kept.
//!
//! It never replaces a key that is there, since fingerprints of another key can no longer be compared.

use std::fmt;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use super::tree::{Content, bounded};
use super::walk::why;
use crate::setting::hex;

/// Where the key of an installation is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum KeyPlace {
    /// A file, by its path.
    File(PathBuf),
    /// A variable of the environment, by its name.
    Env(String),
}

impl fmt::Display for KeyPlace {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            KeyPlace::File(path) => write!(f, "{}", path.display()),
            KeyPlace::Env(name) => write!(f, "the variable {name}"),
        }
    }
}

impl KeyPlace {
    /// The key, where there is one.
    ///
    /// # Errors
    /// It cannot be read, or is something else.
    pub fn load(&self) -> Result<Option<[u8; 32]>, KeyError> {
        match self {
            KeyPlace::File(path) => load_key(path),
            KeyPlace::Env(name) => match std::env::var_os(name) {
                Some(text) => {
                    let key = parse(text.as_encoded_bytes());
                    key.map(Some).ok_or_else(|| KeyError::NoKey { name: name.clone() })
                }
                None => Ok(None),
            },
        }
    }

    /// The key; where there is none yet, and it is kept in a file, `fresh` becomes it.
    ///
    /// # Errors
    /// It cannot be made or read, or is something else.
    pub fn load_or_make(&self, fresh: &[u8; 32]) -> Result<[u8; 32], KeyError> {
        match self {
            KeyPlace::File(path) => load_or_make_key(path, fresh),
            KeyPlace::Env(name) => self.load()?.ok_or_else(|| KeyError::Unset { name: name.clone() }),
        }
    }
}

/// Why there is not a key.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "the messages say it")]
pub enum KeyError {
    #[error("cannot make the key file {}: {}", path.display(), why(error))]
    Make { path: PathBuf, error: io::Error },
    #[error("cannot read the key file {}: {}", path.display(), why(error))]
    Read { path: PathBuf, error: io::Error },
    #[error("the key file {} is damaged: it should hold 64 hexadecimal digits; restore it from a backup", path.display())]
    Damaged { path: PathBuf },
    #[error("the key in the variable {name} is damaged: it should hold 64 hexadecimal digits")]
    NoKey { name: String },
    #[error("there is not a key: the variable {name} is not set. Make a key once and keep it: openssl rand -hex 32")]
    Unset { name: String },
}

/// The key in a file (64 hexadecimal digits). Where there is none yet, `fresh` becomes it, readable by this user only.
/// Of several processes that start at once all get the same.
///
/// # Errors
/// The file cannot be made or read, or holds something else.
pub fn load_or_make_key(path: &Path, fresh: &[u8; 32]) -> Result<[u8; 32], KeyError> {
    if let Some(key) = load_key(path)? {
        return Ok(key);
    }
    make(path, fresh).map_err(|error| KeyError::Make { path: path.into(), error })?;
    load_key(path)?.ok_or_else(|| KeyError::Damaged { path: path.into() })
}

/// The key in a file, where there is one.
///
/// # Errors
/// The file cannot be read, or holds something else.
pub fn load_key(path: &Path) -> Result<Option<[u8; 32]>, KeyError> {
    match bounded(path, 256) {
        Ok(Content::Bytes(bytes)) => parse(&bytes).map(Some).ok_or_else(|| KeyError::Damaged { path: path.into() }),
        Ok(Content::TooLarge(_) | Content::NoFile) => Err(KeyError::Damaged { path: path.into() }),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(KeyError::Read { path: path.into(), error }),
    }
}

fn parse(bytes: &[u8]) -> Option<[u8; 32]> {
    let text = std::str::from_utf8(bytes).ok()?.trim_end();
    if text.len() != 64 || !text.bytes().all(|b| b.is_ascii_hexdigit()) {
        return None;
    }
    let mut key = [0; 32];
    for (at, byte) in key.iter_mut().enumerate() {
        *byte = u8::from_str_radix(text.get(2 * at..2 * at + 2)?, 16).ok()?;
    }
    Some(key)
}

/// Writes the key beside its place and links it in: it is there whole or not at all, and never over another.
fn make(path: &Path, fresh: &[u8; 32]) -> io::Result<()> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    fs::create_dir_all(folder)?;
    let text = hex(fresh) + "\n";
    let draft = folder.join(format!(".key-{}-{}", std::process::id(), draft_name(fresh)));
    let written = write_new(&draft, &text).and_then(|()| fs::hard_link(&draft, path));
    let _ = fs::remove_file(&draft);
    match written {
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => Ok(()),
        // A file system without hard links: an interrupted start may leave a damaged key there, never a wrong one.
        Err(error) if matches!(error.kind(), io::ErrorKind::Unsupported | io::ErrorKind::PermissionDenied) => {
            write_new(path, &text)
        }
        Err(error) => Err(error),
        Ok(()) => File::open(folder)?.sync_all(),
    }
}

/// Tells drafts of one process apart without giving the key away.
fn draft_name(fresh: &[u8; 32]) -> String {
    use sha2::{Digest, Sha256};
    hex(&Sha256::digest(fresh)[..4])
}

fn write_new(path: &Path, text: &str) -> io::Result<()> {
    let mut file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(path)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    #[test]
    fn the_first_key_stays_and_only_its_owner_can_read_it() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("var/fingerprint.key");
        assert_eq!(load_or_make_key(&path, &[7; 32]).unwrap(), [7; 32]);
        assert_eq!(load_or_make_key(&path, &[8; 32]).unwrap(), [7; 32]);
        assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        let left: Vec<_> = fs::read_dir(dir.path().join("var")).unwrap().map(|e| e.unwrap().file_name()).collect();
        assert_eq!(left, ["fingerprint.key"], "no draft is left behind");
    }

    #[test]
    fn of_many_that_start_at_once_all_get_one_key() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("fingerprint.key");
        let keys: Vec<[u8; 32]> = std::thread::scope(|scope| {
            let starts: Vec<_> = (0..16u8)
                .map(|n| {
                    scope.spawn({
                        let path = &path;
                        move || load_or_make_key(path, &[n; 32])
                    })
                })
                .collect();
            starts.into_iter().map(|start| start.join().unwrap().unwrap()).collect()
        });
        assert!(keys.iter().all(|key| *key == keys[0]), "{keys:?}");
    }

    #[test]
    fn a_damaged_key_is_never_replaced() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("fingerprint.key");
        for text in ["", "ab", &"g".repeat(64), &"a".repeat(65), &"a".repeat(1000), &"é".repeat(32)] {
            fs::write(&path, text).unwrap();
            assert!(matches!(load_or_make_key(&path, &[1; 32]), Err(KeyError::Damaged { .. })), "{text}");
            assert_eq!(fs::read_to_string(&path).unwrap(), text);
        }
    }
}
