//! What the public numbering metadata says of a region's numbers: whether it has such a number, and how it is written inside
//! the country.
//!
//! Patterns are compiled once a thread: inventories name many numbers, of few regions.

use std::cell::RefCell;
use std::collections::{BTreeSet, HashMap};
use std::rc::Rc;

use phonenumber::metadata::{Descriptor, Metadata};
use regex::{Regex, RegexBuilder};

/// Whether digits are a number of a region, as far as its metadata can tell: one of its kinds of lines has such a number.
pub(super) fn is_valid(region: &'static Metadata, significant: &str) -> bool {
    let patterns = Patterns::of(region);
    patterns.general.has(significant) && patterns.kinds.iter().any(|kind| kind.has(significant))
}

/// Every length of national number that a region has, whatever the kind of line.
pub(super) fn lengths(region: &Metadata) -> BTreeSet<u16> {
    kinds(region).flat_map(|kind| kind.possible_length().iter().copied()).collect()
}

/// The digits of a number as it is written inside the country; nothing where the metadata has no form for it.
pub(super) fn national_form(region: &'static Metadata, significant: &str) -> Option<String> {
    Some(spaced(region, significant, Written::Inside)?.replace(' ', ""))
}

/// How a number is written.
#[derive(Clone, Copy)]
pub(super) enum Written {
    /// Inside the country: with its national prefix, where one is written.
    Inside,
    /// After the calling code.
    Abroad,
}

/// A number in the groups in which it is read, with a space between two; nothing where the metadata has no form for it.
pub(super) fn spaced(region: &'static Metadata, significant: &str, written: Written) -> Option<String> {
    let patterns = Patterns::of(region);
    let form = patterns.forms.iter().find(|form| form.fits(significant))?;
    let groups = match written {
        Written::Inside => &form.written,
        Written::Abroad => &form.groups,
    };
    let text = form.whole.replace(significant, groups.as_str());
    let groups = text.split(|sign: char| !sign.is_ascii_digit()).filter(|group| !group.is_empty());
    Some(groups.collect::<Vec<_>>().join(" "))
}

/// What a region says of its kinds of lines.
fn kinds(region: &Metadata) -> impl Iterator<Item = &Descriptor> {
    let kinds = region.descriptors();
    let all = [
        kinds.fixed_line(),
        kinds.mobile(),
        kinds.toll_free(),
        kinds.premium_rate(),
        kinds.shared_cost(),
        kinds.personal_number(),
        kinds.voip(),
        kinds.pager(),
        kinds.uan(),
        kinds.voicemail(),
    ];
    all.into_iter().flatten()
}

/// The patterns of one region.
struct Patterns {
    general: Kind,
    kinds: Vec<Kind>,
    forms: Vec<Form>,
}

/// A kind of line: what its numbers look like, and their lengths (none: any).
struct Kind {
    lengths: Vec<u16>,
    whole: Option<Regex>,
}

/// A way to write numbers inside the country.
struct Form {
    leading: Option<Regex>,
    whole: Regex,
    /// The groups of `whole`.
    groups: String,
    /// The same with the national prefix before the first, where one is written.
    written: String,
}

thread_local! {
    /// By the region's address, which stays.
    static PATTERNS: RefCell<HashMap<usize, Rc<Patterns>>> = RefCell::default();
}

impl Patterns {
    fn of(region: &'static Metadata) -> Rc<Patterns> {
        let address = std::ptr::from_ref(region) as usize;
        let patterns = || {
            let kinds = kinds(region).map(Kind::of).collect();
            let general = Kind::of(region.descriptors().general());
            Rc::new(Patterns { general, kinds, forms: forms(region) })
        };
        PATTERNS.with_borrow_mut(|known| known.entry(address).or_insert_with(patterns).clone())
    }
}

impl Kind {
    fn of(kind: &Descriptor) -> Kind {
        Kind {
            lengths: kind.possible_length().to_vec(),
            whole: compiled("^(?:", kind.national_number().as_str(), ")$"),
        }
    }

    fn has(&self, significant: &str) -> bool {
        let is_length =
            self.lengths.is_empty() || self.lengths.iter().any(|length| usize::from(*length) == significant.len());
        is_length && self.whole.as_ref().is_some_and(|whole| whole.is_match(significant))
    }
}

impl Form {
    fn fits(&self, significant: &str) -> bool {
        self.leading.as_ref().is_none_or(|leading| leading.is_match(significant)) && self.whole.is_match(significant)
    }
}

fn forms(region: &Metadata) -> Vec<Form> {
    let prefix = region.national_prefix().unwrap_or("");
    let form = |format: &phonenumber::metadata::Format| {
        let leading = match format.leading_digits().last() {
            Some(leading) => Some(compiled("^(?:", leading.as_str(), ")")?),
            None => None,
        };
        let groups = braced(format.format());
        let written = match format.national_prefix() {
            // `$NP` is the prefix, `$FG` the first group, whichever that is.
            Some(rule) => {
                let (before, rest) = groups.split_once("${")?;
                let (first, after) = rest.split_once('}')?;
                let rule = rule.replace("$NP", prefix).replace("$FG", &format!("${{{first}}}"));
                format!("{before}{}{after}", braced(&rule))
            }
            None => groups.clone(),
        };
        Some(Form { leading, whole: compiled("^(?:", format.pattern().as_str(), ")$")?, groups, written })
    };
    region.formats().iter().filter_map(form).collect()
}

/// `$1` as `${1}`, so that no digit after it belongs to it.
fn braced(groups: &str) -> String {
    let mut braced = String::new();
    let mut signs = groups.chars().peekable();
    while let Some(sign) = signs.next() {
        braced.push(sign);
        if let Some(digit) = signs.next_if(|next| sign == '$' && next.is_ascii_digit()) {
            braced.push_str(&format!("{{{digit}}}"));
        }
    }
    braced
}

fn compiled(before: &str, pattern: &str, after: &str) -> Option<Regex> {
    RegexBuilder::new(&format!("{before}{pattern}{after}")).ignore_whitespace(true).build().ok()
}
