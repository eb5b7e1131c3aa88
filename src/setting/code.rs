//! Access codes: referred to by name, told apart by a keyed fingerprint, shown in scripts only.

use std::collections::BTreeMap;
use std::fmt;
use std::str::FromStr;
use std::sync::Arc;

use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;

use super::hash::hex;

/// Where a code is kept. `Factory` is the code printed in the keybook.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Reference {
    /// A variable of the environment, by its name.
    Env(Arc<str>),
    /// A file, by its path relative to the configuration's folder.
    File(Arc<str>),
    /// The factory value, which stands in the keybook.
    Factory,
}

/// Neither `env:NAME` nor `file:PATH`.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{0}\" is not a reference to a secret")]
pub struct NoReference(String);

impl FromStr for Reference {
    type Err = NoReference;

    fn from_str(text: &str) -> Result<Reference, NoReference> {
        match text.split_once(':') {
            // A space at an end is a slip: what it leads to would never be there.
            Some((_, to)) if to.trim() != to => Err(NoReference(text.into())),
            Some(("env", name)) if !name.is_empty() => Ok(Reference::Env(name.into())),
            Some(("file", path)) if !path.is_empty() => Ok(Reference::File(path.into())),
            Some(_) | None if text == "factory" => Ok(Reference::Factory),
            Some(_) | None => Err(NoReference(text.into())),
        }
    }
}

impl fmt::Display for Reference {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Reference::Env(name) => write!(f, "env:{name}"),
            Reference::File(path) => write!(f, "file:{path}"),
            Reference::Factory => f.write_str("factory"),
        }
    }
}

/// What a reference leads to. Never printed by `Debug`.
#[derive(Clone, PartialEq, Eq)]
pub struct Code(Arc<str>);

impl Code {
    /// A code from a file or variable; a trailing line end is no part of it.
    pub fn new(text: &str) -> Code {
        Code(text.strip_suffix('\n').map_or(text, |t| t.strip_suffix('\r').unwrap_or(t)).into())
    }

    /// The code itself, for keying.
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("(a code)")
    }
}

/// What the check value of a key is made of; another text would be another value for every key.
const KEY_CHECK: &[u8] = b"stationkeep: which key is this";

/// A value that tells one key of fingerprints from another and gives neither away: 16 hexadecimal digits.
pub fn key_check(key: &[u8]) -> String {
    keyed(key, KEY_CHECK, 8)
}

/// The beginning of an HMAC, so many bytes in hexadecimal.
fn keyed(key: &[u8], text: &[u8], bytes: usize) -> String {
    let Ok(mut mac) = <Hmac<Sha256> as KeyInit>::new_from_slice(key) else {
        unreachable!("HMAC takes keys of any length (RFC 2104)");
    };
    mac.update(text);
    hex(&mac.finalize().into_bytes()[..bytes])
}

/// Tells two codes apart without giving either away: `CHECK:HMAC`, both hexadecimal, where CHECK is the check value of the
/// key. Kept without an HMAC it says that the code could not be read where that key is used.
///
/// Fingerprints made with different keys cannot be compared.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Fingerprint(Arc<str>);

impl Fingerprint {
    /// One that was kept as text.
    pub fn stored(text: &str) -> Fingerprint {
        Fingerprint(text.into())
    }

    /// As it is kept.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// What is kept in place of a fingerprint where the code cannot be read; `check`: of the key that would have made it.
    pub fn unread(check: &str) -> Fingerprint {
        Fingerprint(format!("{check}:").into())
    }

    /// One that was made with a key nobody has here.
    pub fn foreign() -> Fingerprint {
        Fingerprint("?:".into())
    }

    /// What it counts as where `check` is that of the key in use.
    pub fn seen_by(&self, check: &str) -> Fingerprint {
        let is_own = self.0.split_once(':').is_some_and(|(made_with, _)| made_with == check);
        if is_own { self.clone() } else { Fingerprint::foreign() }
    }

    /// Whether it was made with a key nobody has here: what code it is of, nobody can tell.
    pub fn is_foreign(&self) -> bool {
        &*self.0 == "?:"
    }

    /// The fingerprint, unless it only says that the code could not be read.
    pub fn read(&self) -> Option<Fingerprint> {
        Some(self.clone()).filter(|print| !print.0.ends_with(':'))
    }
}

impl From<Arc<str>> for Fingerprint {
    /// One that was kept as text.
    fn from(text: Arc<str>) -> Fingerprint {
        Fingerprint(text)
    }
}

impl fmt::Display for Fingerprint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// A secret value as everything but a script sees it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Secret {
    /// Where the code is kept.
    pub reference: Reference,
    /// What tells the code from others; `None` where it could not be read.
    pub fingerprint: Option<Fingerprint>,
}

impl Secret {
    /// Whether both are the same code: by fingerprint where both have one, else by reference.
    pub fn agrees(&self, other: &Secret) -> bool {
        match (&self.fingerprint, &other.fingerprint) {
            (Some(a), Some(b)) => a == b,
            (None, _) | (_, None) => self.reference == other.reference,
        }
    }
}

/// The codes that could be read on this machine, and the key that fingerprints are made with.
#[derive(Clone, Default)]
pub struct Codes {
    key: Arc<[u8]>,
    check: Arc<str>,
    /// Those of the whole fleet: a copy for one station shares them.
    shared: Arc<Known>,
    /// What was learnt since; it goes before.
    own: Known,
}

type Known = BTreeMap<Reference, (Code, Fingerprint)>;

impl fmt::Debug for Codes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_set().entries(self.all().keys()).finish()
    }
}

impl PartialEq for Codes {
    fn eq(&self, other: &Codes) -> bool {
        self.key == other.key && self.all() == other.all()
    }
}

impl Codes {
    /// No code yet; `key` is the secret key of this installation's fingerprints.
    pub fn new(key: &[u8]) -> Codes {
        Codes { key: key.into(), check: key_check(key).into(), shared: Arc::default(), own: BTreeMap::new() }
    }

    /// The check value of the key.
    pub fn check(&self) -> &str {
        &self.check
    }

    /// Takes up the code behind a reference.
    pub fn learn(&mut self, reference: Reference, code: Code) {
        let fingerprint = self.fingerprint_of(&code);
        self.own.insert(reference, (code, fingerprint));
    }

    /// The same codes, so that a copy shares them all.
    pub fn to_share(self) -> Codes {
        let shared = if self.own.is_empty() { self.shared.clone() } else { Arc::new(self.all()) };
        Codes { shared, own: BTreeMap::new(), ..self }
    }

    fn all(&self) -> Known {
        let mut all = (*self.shared).clone();
        all.extend(self.own.clone());
        all
    }

    fn known(&self, reference: &Reference) -> Option<&(Code, Fingerprint)> {
        self.own.get(reference).or_else(|| self.shared.get(reference))
    }

    /// The fingerprint of any code.
    pub fn fingerprint_of(&self, code: &Code) -> Fingerprint {
        let hex = keyed(&self.key, code.reveal().as_bytes(), 16);
        Fingerprint(format!("{}:{hex}", self.check).into())
    }

    /// The code behind a reference, where it could be read.
    pub fn code(&self, reference: &Reference) -> Option<&Code> {
        self.known(reference).map(|(code, _)| code)
    }

    /// The code a secret stood for, unless the reference has come to lead elsewhere since.
    pub fn code_of(&self, secret: &Secret) -> Option<&Code> {
        let (code, now) = self.known(&secret.reference)?;
        match &secret.fingerprint {
            Some(then) if then != now => {
                let mut all = self.own.values().chain(self.shared.values());
                all.find(|(_, print)| print == then).map(|(code, _)| code)
            }
            Some(_) | None => Some(code),
        }
    }

    /// The reference with the fingerprint of what it leads to now.
    pub fn seal(&self, reference: &Reference) -> Secret {
        let fingerprint = self.known(reference).map(|(_, print)| print.clone());
        Secret { reference: reference.clone(), fingerprint }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn codes() -> Codes {
        let mut codes = Codes::new(b"one key");
        codes.learn(Reference::File("a".into()), Code::new("4711\n"));
        codes.learn(Reference::File("b".into()), Code::new("4711"));
        codes.learn(Reference::File("c".into()), Code::new("4712"));
        codes
    }

    #[test]
    fn references_read_back_as_written() {
        for text in ["env:CODE", "file:secrets/access", "file:C:x", "factory"] {
            assert_eq!(text.parse::<Reference>().unwrap().to_string(), text);
        }
        for text in ["1234", "env:", "file:", "vault:x", ""] {
            assert!(text.parse::<Reference>().is_err(), "{text}");
        }
    }

    #[test]
    fn secrets_agree_by_code_where_it_can_be_told_and_else_by_reference() {
        let codes = codes();
        let [a, b, c] = ["a", "b", "c"].map(|n| codes.seal(&Reference::File(n.into())));
        assert!(a.agrees(&b) && !a.agrees(&c));
        let unread = Codes::new(b"one key").seal(&Reference::File("a".into()));
        assert!(a.agrees(&unread) && !b.agrees(&unread));
    }

    #[test]
    fn a_fingerprint_of_another_key_agrees_with_none_and_leads_to_no_code() {
        let mut elsewhere = Codes::new(b"another key");
        elsewhere.learn(Reference::File("a".into()), Code::new("4711"));
        let (codes, foreign) = (codes(), elsewhere.seal(&Reference::File("a".into())));
        assert!(!codes.seal(&Reference::File("a".into())).agrees(&foreign));
        assert_eq!(codes.code_of(&foreign), None);
        let print = foreign.fingerprint.unwrap();
        assert!(print.seen_by(codes.check()).is_foreign() && !print.seen_by(elsewhere.check()).is_foreign());
        assert!(Fingerprint::unread(elsewhere.check()).seen_by(codes.check()).is_foreign());
        assert_eq!(Fingerprint::unread(codes.check()).seen_by(codes.check()).read(), None);
        assert_eq!(print.read(), Some(print));
    }

    #[test]
    fn a_check_value_tells_keys_apart_and_is_no_fingerprint() {
        // HMAC-SHA-256 (RFC 2104) by Python: hmac.new(bytes(32), b"stationkeep: which key is this", "sha256").
        assert_eq!(key_check(&[0; 32]), "064b5f7789e2143e");
        assert_ne!(key_check(&[0; 32]), key_check(&[1; 32]));
    }

    #[test]
    fn a_code_changed_behind_its_reference_is_not_taken_for_the_old_one() {
        let before = codes().seal(&Reference::File("c".into()));
        let mut after = codes();
        after.learn(Reference::File("c".into()), Code::new("9999"));
        assert_eq!(after.code_of(&before), None);
        assert!(!after.seal(&Reference::File("c".into())).agrees(&before));
    }

    #[test]
    fn a_copy_that_shares_knows_the_same_and_what_it_learns_goes_before() {
        let shared = codes().to_share();
        assert_eq!(shared, codes());
        let mut copy = shared.clone();
        copy.learn(Reference::File("a".into()), Code::new("9999"));
        let code = |codes: &Codes| codes.code(&Reference::File("a".into())).map(|code| code.reveal().to_owned());
        assert_eq!((code(&copy), code(&shared)), (Some("9999".into()), Some("4711".into())));
        assert_ne!(copy, shared);
        assert_eq!(copy.clone().to_share(), copy);
    }

    #[test]
    fn debug_output_holds_no_code() {
        assert!(!format!("{:?} {:?}", codes(), Code::new("4711")).contains("4711"));
    }
}
