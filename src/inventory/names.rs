//! Names in an inventory: which are fit to be one, and how those that stations have in common are kept once.

use std::collections::HashSet;

use crate::finding::signs;
use crate::setting::Name;

/// The most characters of a name.
const NAME_MAX: usize = 64;

/// What is wrong with the name of a station, site, contact or profile, and the fix.
pub(super) fn unfit_name(name: &str) -> Option<(String, String)> {
    if name.trim().is_empty() {
        return Some(("is empty".into(), "Give it a name.".into()));
    }
    if let Some(odd) = name.chars().find(|sign| signs::moves_or_hides(*sign)) {
        let plain: String = name.chars().filter(|sign| !signs::moves_or_hides(*sign)).collect();
        let fix = format!("Type \"{}\", without it, here and wherever the name is used.", plain.trim());
        return Some((format!("holds {}", signs::named(odd)), fix));
    }
    let count = name.chars().count();
    (count > NAME_MAX).then(|| {
        (
            format!("has {count} characters"),
            format!("Give it a name of at most {NAME_MAX}; what it is fits into \"where\" or a title."),
        )
    })
}

/// Names that were read already, so that equal ones are one in memory.
#[derive(Default)]
pub(super) struct SharedNames(HashSet<Name>);

impl SharedNames {
    /// The name as it was read first.
    pub fn shared(&mut self, text: &str) -> Name {
        if let Some(known) = self.0.get(text) {
            return known.clone();
        }
        let name = Name::from(text);
        self.0.insert(name.clone());
        name
    }
}

/// A list that takes no more room than it needs.
pub(super) fn exact<T>(all: impl Iterator<Item = T>) -> Vec<T> {
    let mut all: Vec<T> = all.collect();
    all.shrink_to_fit();
    all
}
