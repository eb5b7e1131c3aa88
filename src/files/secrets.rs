//! From references to what they lead to: a variable of the environment or a small file.
//!
//! What a secret is never stands in an error, in a log or in `Debug`.

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::io;
use std::path::{Component, Path, PathBuf};

use super::cleaned;
use super::tree::{Content, bounded};
use super::walk::why;
use crate::setting::{Code, Codes, Reference};

/// The largest secret, in bytes.
pub const SECRET_LIMIT_BYTES: u64 = 4096;

/// Who wrote a reference, and so what it may lead to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Origin {
    /// The inventory or the configuration.
    Owner,
    /// A field report: only files below the configuration's folder, by relative paths without `..`.
    Report,
}

/// Why a reference leads to no secret.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[allow(missing_docs, reason = "the messages say it")]
pub enum SecretError {
    #[error("the variable {0} is not set")]
    Unset(String),
    #[error("the file {path} cannot be read: {why}")]
    Unread { path: String, why: String },
    #[error("\"{0}\" is too large for a secret")]
    TooLarge(Reference),
    #[error("\"{0}\" holds no text")]
    NotText(Reference),
    #[error("\"{0}\" is empty")]
    Empty(Reference),
    #[error(
        "a report may not refer to \"{0}\": only to files below the configuration's folder, by a relative path without \"..\""
    )]
    Outside(Reference),
    #[error("the factory code is in the keybook, not here")]
    Factory,
}

/// Where references are looked up.
pub struct Secrets<'e> {
    /// The configuration's folder.
    folder: PathBuf,
    env: &'e dyn Fn(&str) -> Option<OsString>,
}

/// The environment of this process.
pub fn process_env(name: &str) -> Option<OsString> {
    std::env::var_os(name)
}

impl<'e> Secrets<'e> {
    /// References to files are relative to `folder`; `env` gives the value of a variable.
    pub fn new(folder: &Path, env: &'e dyn Fn(&str) -> Option<OsString>) -> Secrets<'e> {
        Secrets { folder: folder.into(), env }
    }

    /// What a reference leads to, without its trailing line end.
    ///
    /// # Errors
    /// Why there is nothing to be had, without what may stand there.
    pub fn look_up(&self, reference: &Reference, origin: Origin) -> Result<Code, SecretError> {
        let bytes = match reference {
            Reference::Env(name) => {
                if origin == Origin::Report {
                    return Err(SecretError::Outside(reference.clone()));
                }
                (self.env)(name).ok_or_else(|| SecretError::Unset(name.to_string()))?.into_encoded_bytes()
            }
            Reference::File(path) => {
                if origin == Origin::Report && !stays_below(path) {
                    return Err(SecretError::Outside(reference.clone()));
                }
                self.file(reference, path)?
            }
            Reference::Factory => return Err(SecretError::Factory),
        };
        if bytes.len() as u64 > SECRET_LIMIT_BYTES {
            return Err(SecretError::TooLarge(reference.clone()));
        }
        let text = String::from_utf8(bytes).map_err(|_| SecretError::NotText(reference.clone()))?;
        if text.contains('\0') {
            return Err(SecretError::NotText(reference.clone()));
        }
        let code = Code::new(&text);
        if code.reveal().is_empty() { Err(SecretError::Empty(reference.clone())) } else { Ok(code) }
    }

    fn file(&self, reference: &Reference, path: &str) -> Result<Vec<u8>, SecretError> {
        let unread = |why: String| SecretError::Unread { path: path.to_owned(), why };
        match bounded(&self.path(path), SECRET_LIMIT_BYTES) {
            Ok(Content::Bytes(bytes)) => Ok(bytes),
            Ok(Content::TooLarge(_)) => Err(SecretError::TooLarge(reference.clone())),
            Ok(Content::NoFile) => Err(unread("it is not a regular file".into())),
            Err(error) if error.kind() == io::ErrorKind::InvalidInput => Err(unread("that is not a path".into())),
            Err(error) => Err(unread(why(&error))),
        }
    }

    fn path(&self, written: &str) -> PathBuf {
        cleaned(&self.folder.join(written))
    }

    /// Everything that the references lead to, fingerprinted with `key`; beside it what leads nowhere, and why.
    /// A reference that the owner makes too is looked up as the owner's.
    pub fn codes<'r>(
        &self,
        key: &[u8],
        references: impl IntoIterator<Item = (&'r Reference, Origin)>,
    ) -> (Codes, BTreeMap<Reference, SecretError>) {
        let mut origins: BTreeMap<&Reference, Origin> = BTreeMap::new();
        for (reference, origin) in references {
            let known = origins.entry(reference).or_insert(origin);
            *known = (*known).min(origin);
        }
        let mut codes = Codes::new(key);
        let mut missing = BTreeMap::new();
        for (reference, origin) in origins.into_iter().filter(|(reference, _)| **reference != Reference::Factory) {
            match self.look_up(reference, origin) {
                Ok(code) => codes.learn(reference.clone(), code),
                Err(error) => {
                    missing.insert(reference.clone(), error);
                }
            }
        }
        (codes, missing)
    }

    /// The files that references name, for watching them.
    pub fn paths<'r>(&self, references: impl IntoIterator<Item = &'r Reference>) -> Vec<PathBuf> {
        let paths = references.into_iter().filter_map(|reference| match reference {
            Reference::File(path) => Some(self.path(path)),
            Reference::Env(_) | Reference::Factory => None,
        });
        paths.collect()
    }
}

fn stays_below(path: &str) -> bool {
    Path::new(path).components().all(|part| matches!(part, Component::Normal(_) | Component::CurDir))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    fn env(name: &str) -> Option<OsString> {
        match name {
            "CODE" => Some("4711\n".into()),
            "EMPTY" => Some("".into()),
            "LARGE" => Some("7".repeat(4097).into()),
            _ => None,
        }
    }

    fn scene() -> tempfile::TempDir {
        let dir = tempfile::tempdir().unwrap();
        let secrets = dir.path().join("config/secrets");
        fs::create_dir_all(&secrets).unwrap();
        fs::write(dir.path().join("outside"), "4712").unwrap();
        let (large, full) = ("7".repeat(4097), "7".repeat(4096));
        let files = [("good", "4711\r\n"), ("large", &large), ("empty", "\n"), ("nul", "4711\0"), ("full", &full)];
        for (name, text) in files {
            fs::write(secrets.join(name), text).unwrap();
        }
        fs::write(secrets.join("binary"), b"4711\xff").unwrap();
        dir
    }

    fn look_up(reference: &str, origin: Origin) -> Result<String, String> {
        let dir = scene();
        let secrets = Secrets::new(&dir.path().join("config"), &env);
        let code = secrets.look_up(&reference.parse().unwrap(), origin);
        code.map(|code| code.reveal().to_owned()).map_err(|error| error.to_string())
    }

    #[test]
    fn a_reference_leads_to_its_code_without_the_line_end() {
        for reference in ["env:CODE", "file:secrets/good", "file:./secrets/../secrets/good"] {
            assert_eq!(look_up(reference, Origin::Owner).as_deref(), Ok("4711"), "{reference}");
        }
        assert_eq!(look_up("file:../outside", Origin::Owner).as_deref(), Ok("4712"));
        assert_eq!(look_up("file:secrets/full", Origin::Owner).map(|code| code.len()), Ok(4096));
    }

    #[test]
    fn a_report_reaches_only_what_lies_below_the_configuration() {
        assert_eq!(look_up("file:secrets/good", Origin::Report).as_deref(), Ok("4711"));
        for reference in ["env:CODE", "file:../outside", "file:secrets/../../outside", "file:/etc/hostname"] {
            let why = look_up(reference, Origin::Report).unwrap_err();
            assert!(why.starts_with("a report may not refer to"), "{why}");
        }
    }

    #[test]
    fn what_leads_nowhere_says_why_without_what_may_stand_there() {
        for (reference, message) in [
            ("env:NONE", "the variable NONE is not set"),
            ("env:EMPTY", "\"env:EMPTY\" is empty"),
            ("env:LARGE", "\"env:LARGE\" is too large for a secret"),
            ("file:secrets/none", "the file secrets/none cannot be read: it is not there"),
            ("file:secrets", "the file secrets cannot be read: it is not a regular file"),
            ("file:secrets/large", "\"file:secrets/large\" is too large for a secret"),
            ("file:secrets/empty", "\"file:secrets/empty\" is empty"),
            ("file:secrets/nul", "\"file:secrets/nul\" holds no text"),
            ("file:secrets/binary", "\"file:secrets/binary\" holds no text"),
            ("file:a\0b", "the file a\0b cannot be read: that is not a path"),
            ("factory", "the factory code is in the keybook, not here"),
        ] {
            assert_eq!(look_up(reference, Origin::Owner), Err(message.into()), "{reference}");
        }
    }

    #[test]
    fn codes_are_learnt_once_as_their_owner_may_and_the_rest_is_told() {
        let dir = scene();
        let secrets = Secrets::new(&dir.path().join("config"), &env);
        let [shared, own, lost, factory]: [Reference; 4] =
            ["env:CODE", "file:secrets/good", "file:none", "factory"].map(|text| text.parse().unwrap());
        let all = [
            (&shared, Origin::Report),
            (&shared, Origin::Owner),
            (&own, Origin::Report),
            (&lost, Origin::Owner),
            (&factory, Origin::Owner),
        ];
        let (codes, missing) = secrets.codes(b"key", all);
        assert_eq!(codes.code(&shared), codes.code(&own));
        assert!(codes.code(&shared).is_some());
        assert_eq!(missing.keys().collect::<Vec<_>>(), [&lost]);
        let folder = dir.path().join("config");
        assert_eq!(secrets.paths([&shared, &own, &lost]), [folder.join("secrets/good"), folder.join("none")]);
    }
}
