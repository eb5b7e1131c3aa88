//! Marks: short digests that tell whether two things are the same. They are made from what is told, never
//! from the clock, and nothing can be read back out of one.

use std::collections::BTreeSet;
use std::fmt;
use std::sync::Arc;

use super::kept::Text;
use crate::setting::{Netstrings, hex};

/// 32 lower-case hexadecimal digits; equal for equal content only.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Mark(Arc<str>);

impl Mark {
    /// The digits.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Mark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl Text for Mark {
    fn text(&self) -> String {
        self.0.to_string()
    }

    fn read(text: &str) -> Option<Mark> {
        Some(Mark(text.into()))
    }
}

/// Collects texts, each as a netstring (`length:bytes,`), so that no two lists look alike.
pub struct MarkHasher(Netstrings);

impl MarkHasher {
    /// Without any text.
    pub fn new() -> MarkHasher {
        MarkHasher(Netstrings::new())
    }

    /// One text more.
    pub fn text(&mut self, text: &str) -> &mut MarkHasher {
        self.0.add(text);
        self
    }

    /// Something that may be missing; none differs from every text.
    pub fn maybe(&mut self, text: Option<&str>) -> &mut MarkHasher {
        match text {
            Some(text) => self.text("+").text(text),
            None => self.text("-"),
        }
    }

    /// What they come to.
    pub fn mark(self) -> Mark {
        Mark(hex(&self.0.bytes()[..16]).into())
    }
}

/// What ties every decision to the ones before it.
///
/// The ids of messages are made from it, so that the same alarm raised a second time is a second message, while one
/// decision worked out twice is one. Kept as text beside what was told, and written in the same transaction.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chain(Arc<str>);

impl Default for Chain {
    /// Nothing was decided yet.
    fn default() -> Chain {
        Chain("".into())
    }
}

impl Chain {
    /// One that was kept as text; any text will do.
    pub fn stored(text: &str) -> Chain {
        Chain(text.into())
    }

    /// The id of a message to a webhook: letters, digits and a hyphen.
    pub fn id(&self, kind: &str, webhook: &str, cause: &Mark) -> String {
        let mut hasher = MarkHasher::new();
        hasher.text("message").text(&self.0).text(kind).text(webhook).text(cause.as_str());
        format!("told-{}", hasher.mark())
    }

    /// The chain after a decision; the same where nothing is said. Whoever is told first makes no difference.
    pub fn after<'i>(&self, ids: impl Iterator<Item = &'i str>) -> Chain {
        let ids: BTreeSet<&str> = ids.collect();
        if ids.is_empty() {
            return self.clone();
        }
        let mut hasher = MarkHasher::new();
        hasher.text("thread").text(&self.0);
        ids.iter().for_each(|id| {
            hasher.text(id);
        });
        Chain(hasher.mark().0)
    }
}

impl fmt::Display for Chain {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mark(texts: &[Option<&str>]) -> Mark {
        let mut hasher = MarkHasher::new();
        texts.iter().for_each(|text| {
            hasher.maybe(*text);
        });
        hasher.mark()
    }

    #[test]
    fn a_letter_moved_or_a_text_missing_changes_the_mark() {
        assert_ne!(mark(&[Some("ab"), Some("c")]), mark(&[Some("a"), Some("bc")]));
        assert_ne!(mark(&[Some("-")]), mark(&[None]));
        assert_ne!(mark(&[Some("")]), mark(&[None]));
    }

    #[test]
    fn marks_stay_the_same_from_version_to_version() {
        // Python: hashlib.sha256(b"1:+,8:identity,1:-,").hexdigest()[:32]
        assert_eq!(mark(&[Some("identity"), None]).as_str(), "dcb1ad0b570d367078c4b962de945518");
    }

    #[test]
    fn the_same_cause_later_in_the_chain_has_another_id() {
        let (cause, start) = (mark(&[]), Chain::default());
        let first = start.id("drift", "on-call", &cause);
        assert_eq!(first, Chain::stored("").id("drift", "on-call", &cause));
        assert_ne!(first, start.id("drift", "ops", &cause));
        let after = |chain: &Chain, ids: &[&str]| chain.after(ids.iter().copied());
        let once = after(&start, &[&first]);
        assert_ne!(first, once.id("drift", "on-call", &cause));
        assert_ne!(once, after(&once, &[&first]), "the same id later is another turn");
        assert_eq!(after(&start, &["a", "b"]), after(&start, &["b", "a"]));
        assert_eq!(after(&once, &[]), once);
        assert!(first.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'_'));
    }
}
