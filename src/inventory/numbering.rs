//! What the public numbering metadata says: calling codes, national prefixes, possible lengths.
//!
//! Numbers that will be dialled are never parsed and printed again by a library: the digits stay as the
//! author wrote them, and only a calling code is taken off and a prefix put in front.

use std::collections::BTreeSet;
use std::fmt;
use std::str::FromStr;

use phonenumber::metadata::{DATABASE, Metadata};

use crate::finding::signs;
use crate::setting::Name;

/// A public number: `+`, a calling code and a national number, at most 15 digits (ITU-T E.164).
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct E164(Name);

/// Why a text is no public number.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotE164 {
    #[error("it does not begin with +")]
    NoPlus,
    #[error("{} is no digit", signs::named(*.0))]
    NoDigit(char),
    #[error("it has {0} digits; a public number has at most 15")]
    TooLong(usize),
    #[error("it is too short for a calling code and a number")]
    TooShort,
    #[error("no calling code begins with 0")]
    Zero,
}

impl FromStr for E164 {
    type Err = NotE164;

    fn from_str(text: &str) -> Result<E164, NotE164> {
        let digits = text.strip_prefix('+').ok_or(NotE164::NoPlus)?;
        match digits.chars().find(|c| !c.is_ascii_digit()) {
            Some(odd) => Err(NotE164::NoDigit(odd)),
            None if digits.len() > 15 => Err(NotE164::TooLong(digits.len())),
            None if digits.len() < 3 => Err(NotE164::TooShort),
            None if digits.starts_with('0') => Err(NotE164::Zero),
            None => Ok(E164(text.into())),
        }
    }
}

impl fmt::Display for E164 {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl E164 {
    /// The whole of it, with the plus sign.
    pub fn name(&self) -> &Name {
        &self.0
    }

    /// The digits without the plus sign.
    pub fn digits(&self) -> &str {
        &self.0[1..]
    }

    /// The number within a country, if it is one of that country's.
    pub fn significant(&self, country: &Country) -> Option<&str> {
        self.digits().strip_prefix(&*country.calling_code)
    }

    /// Whether the metadata knows numbers of this length under its calling code.
    pub fn is_possible(&self) -> bool {
        (1..=3).filter_map(|n| self.digits().split_at_checked(n)).any(|(code, rest)| {
            let regions = code.parse::<u16>().ok().and_then(|code| DATABASE.by_code(&code)).unwrap_or_default();
            // The main country of a code stands first; it has every length that can be dialled from elsewhere.
            regions.first().is_some_and(|region| lengths(region).contains(&(rest.len() as u16)))
        })
    }
}

/// Every length of national number that a region has, whatever the kind of line.
fn lengths(region: &Metadata) -> BTreeSet<u16> {
    let kinds = region.descriptors();
    [
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
    ]
    .into_iter()
    .flatten()
    .flat_map(|kind| kind.possible_length().iter().copied())
    .collect()
}

/// What dialling from within a country takes.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Country {
    /// ISO 3166 two-letter code, as the metadata names it.
    pub id: Name,
    /// Its country calling code, 1 to 3 digits.
    pub calling_code: Name,
    /// What is dialled before a significant number inside the country; empty where nothing is.
    pub national_prefix: Name,
}

impl Country {
    /// The country with this two-letter code.
    pub fn find(id: &str) -> Option<Country> {
        let region = DATABASE.by_id(id)?;
        Some(Country {
            id: id.into(),
            calling_code: region.country_code().to_string().into(),
            national_prefix: region.national_prefix().unwrap_or("").into(),
        })
    }

    /// Whether the metadata knows this international prefix in the country; true where it knows none at all.
    pub fn dials_abroad_by(&self, prefix: &str) -> bool {
        let known = DATABASE.by_id(&*self.id).and_then(|region| region.international_prefix());
        known.is_none_or(|known| known.find(prefix).is_some_and(|found| found.as_str() == prefix))
    }

    /// The international prefix that the metadata prefers, where it is digits and nothing else.
    pub fn way_abroad(&self) -> Option<String> {
        let preferred = DATABASE.by_id(&*self.id)?.preferred_international_prefix()?;
        preferred.bytes().all(|byte| byte.is_ascii_digit()).then(|| preferred.to_owned())
    }

    /// True for every country of the North American numbering plan.
    pub fn is_north_american(&self) -> bool {
        &*self.calling_code == "1"
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_public_number_has_a_plus_and_at_most_15_digits() {
        // ITU-T E.164 §6: at most 15 digits, calling code included.
        assert!("+441632960101".parse::<E164>().is_ok());
        assert!("+123456789012345".parse::<E164>().is_ok());
        assert_eq!("+1234567890123456".parse::<E164>(), Err(NotE164::TooLong(16)));
        assert_eq!("441632960101".parse::<E164>(), Err(NotE164::NoPlus));
        assert_eq!("+0441632".parse::<E164>(), Err(NotE164::Zero));
        assert_eq!("+44 1632".parse::<E164>(), Err(NotE164::NoDigit(' ')));
        assert_eq!("+４４1632".parse::<E164>(), Err(NotE164::NoDigit('４')));
    }

    #[test]
    fn a_lost_digit_makes_a_number_impossible() {
        assert!("+441632960101".parse::<E164>().unwrap().is_possible());
        assert!(!"+4416329601011".parse::<E164>().unwrap().is_possible());
        assert!("+12025550142".parse::<E164>().unwrap().is_possible());
        assert!(!"+1202555014".parse::<E164>().unwrap().is_possible());
        assert!(!"+999123456".parse::<E164>().unwrap().is_possible());
    }

    #[test]
    fn countries_know_their_codes_and_prefixes() {
        let gb = Country::find("GB").unwrap();
        assert_eq!((&*gb.calling_code, &*gb.national_prefix), ("44", "0"));
        assert!(Country::find("JM").unwrap().is_north_american());
        assert_eq!(&*Country::find("IT").unwrap().national_prefix, "");
        assert_eq!(Country::find("XX"), None);
    }
}
