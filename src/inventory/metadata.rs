//! What the public numbering metadata says of a region's numbers: whether it has such a number, and how it is written inside
//! the country.
//!
//! The table is made by `src/build.rs` from the metadata that the library ships. A pattern is compiled when it is first asked
//! for, once a thread: inventories name many numbers, of few regions.

use std::cell::RefCell;
use std::collections::{BTreeSet, HashMap};
use std::rc::Rc;

use regex::{Regex, RegexBuilder};

/// A country, or a service with a calling code of its own.
#[derive(Debug)]
pub(super) struct Region {
    /// ISO 3166 two-letter code; `001` for a service.
    id: &'static str,
    pub calling_code: u16,
    pub national_prefix: Option<&'static str>,
    international_prefix: Option<Pattern>,
    pub preferred_international_prefix: Option<&'static str>,
    general: Kind,
    kinds: &'static [Kind],
    forms: &'static [Form],
}

/// A kind of line: what its numbers look like, and their lengths (none: any).
#[derive(Debug)]
struct Kind {
    lengths: &'static [u16],
    whole: Pattern,
}

/// A way to write numbers inside the country.
#[derive(Debug)]
struct Form {
    leading: Option<Pattern>,
    whole: Pattern,
    /// The groups of `whole`.
    groups: &'static str,
    /// The same with the national prefix before the first, where one is written.
    written: &'static str,
}

/// How a number is written.
#[derive(Clone, Copy)]
pub(super) enum Written {
    /// Inside the country: with its national prefix, where one is written.
    Inside,
    /// After the calling code.
    Abroad,
}

/// A regular expression, anchors and all.
#[derive(Debug)]
struct Pattern(&'static str);

/// All regions by calling code; of one code, the main country first.
static REGIONS: &[Region] = include!(concat!(env!("OUT_DIR"), "/regions.rs"));

thread_local! {
    /// By the pattern's address, which stays: where two share one, they are equal.
    static COMPILED: RefCell<HashMap<usize, Option<Rc<Regex>>>> = RefCell::default();
}

/// The country with this two-letter code.
pub(super) fn country(id: &str) -> Option<&'static Region> {
    REGIONS.iter().find(|region| region.id == id && id != "001")
}

/// The regions of a calling code, the main country first.
pub(super) fn regions(calling_code: u16) -> &'static [Region] {
    let from = REGIONS.partition_point(|region| region.calling_code < calling_code);
    let rest = &REGIONS[from..];
    &rest[..rest.partition_point(|region| region.calling_code == calling_code)]
}

impl Region {
    /// Whether digits are a number of this region, as far as its metadata can tell: one of its kinds of lines has such a
    /// number.
    pub fn is_valid(&'static self, significant: &str) -> bool {
        self.general.has(significant) && self.kinds.iter().any(|kind| kind.has(significant))
    }

    /// Every length of national number that it has, whatever the kind of line.
    pub fn lengths(&self) -> BTreeSet<u16> {
        self.kinds.iter().flat_map(|kind| kind.lengths.iter().copied()).collect()
    }

    /// The digits of a number as it is written inside the country; nothing where the metadata has no form for it.
    pub fn national_form(&'static self, significant: &str) -> Option<String> {
        Some(self.spaced(significant, Written::Inside)?.replace(' ', ""))
    }

    /// A number in the groups in which it is read, with a space between two; nothing where the metadata has no form for it.
    pub fn spaced(&'static self, significant: &str, written: Written) -> Option<String> {
        let form = self.forms.iter().find(|form| form.fits(significant))?;
        let groups = match written {
            Written::Inside => form.written,
            Written::Abroad => form.groups,
        };
        let pattern = form.whole.compiled()?;
        let text = pattern.replace(significant, groups);
        let groups = text.split(|sign: char| !sign.is_ascii_digit()).filter(|group| !group.is_empty());
        Some(groups.collect::<Vec<_>>().join(" "))
    }

    /// Whether the metadata knows this international prefix here; true where it knows none at all.
    pub fn dials_abroad_by(&'static self, prefix: &str) -> bool {
        let known = self.international_prefix.as_ref().and_then(Pattern::compiled);
        known.is_none_or(|known| known.find(prefix).is_some_and(|found| found.as_str() == prefix))
    }
}

impl Kind {
    fn has(&'static self, significant: &str) -> bool {
        let is_length =
            self.lengths.is_empty() || self.lengths.iter().any(|length| usize::from(*length) == significant.len());
        is_length && self.whole.is_match(significant)
    }
}

impl Form {
    fn fits(&'static self, significant: &str) -> bool {
        self.leading.as_ref().is_none_or(|leading| leading.is_match(significant)) && self.whole.is_match(significant)
    }
}

impl Pattern {
    fn compiled(&'static self) -> Option<Rc<Regex>> {
        let address = std::ptr::from_ref(self) as usize;
        // Numbers are plain digits; knowing those of all scripts would take ten times as long.
        let compile = || RegexBuilder::new(self.0).ignore_whitespace(true).unicode(false).build().ok().map(Rc::new);
        COMPILED.with_borrow_mut(|known| known.entry(address).or_insert_with(compile).clone())
    }

    fn is_match(&'static self, text: &str) -> bool {
        self.compiled().is_some_and(|pattern| pattern.is_match(text))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_pattern_of_every_region_can_be_compiled() {
        for region in REGIONS {
            let kinds = region.kinds.iter().chain([&region.general]).map(|kind| &kind.whole);
            let forms = region.forms.iter().flat_map(|form| form.leading.iter().chain([&form.whole]));
            for pattern in kinds.chain(forms).chain(&region.international_prefix) {
                assert!(pattern.compiled().is_some(), "{}: {pattern:?}", region.id);
            }
        }
    }

    #[test]
    fn the_regions_of_a_code_stand_together_the_main_country_first() {
        let ids = |code| regions(code).iter().map(|region| region.id).collect::<Vec<_>>();
        assert_eq!((ids(44)[0], ids(1)[0], ids(7)[0]), ("GB", "US", "RU"));
        assert!(ids(44).contains(&"JE") && ids(999).is_empty() && ids(0).is_empty());
        assert!(country("001").is_none() && country("GB").is_some());
    }
}
