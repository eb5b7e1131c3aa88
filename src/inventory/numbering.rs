//! What the public numbering metadata says: calling codes, national prefixes, possible lengths.
//!
//! Numbers that will be dialled are never parsed and printed again by a library: the digits stay as the
//! author wrote them, and only a calling code is taken off and a prefix put in front.

use std::collections::BTreeSet;
use std::fmt;
use std::str::FromStr;

use super::fiction::is_fiction;
use super::metadata::{Region, Written, country, regions};
use crate::finding::signs;
use crate::setting::Name;

/// A public number: `+`, a calling code and a national number, at most 15 digits (ITU-T E.164).
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct E164(Name);

/// Why a text is not a public number.
#[allow(missing_docs, reason = "their messages say it")]
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotE164 {
    #[error("it does not begin with +")]
    NoPlus,
    #[error("{} is not a digit", signs::named(*.0))]
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
        // The main country of a code stands first; it has every length that can be dialled from elsewhere.
        let is_length = |region: &Region, rest: &str| region.lengths().contains(&(rest.len() as u16));
        self.plan().is_some_and(|(_, rest, regions)| regions.first().is_some_and(|region| is_length(region, rest)))
    }

    /// Whether the metadata knows such a number, or it is one reserved for fiction.
    pub fn is_valid(&self) -> bool {
        self.plan().is_some_and(|(code, rest, regions)| {
            is_fiction(code, rest) || regions.iter().any(|region| region.is_valid(rest))
        })
    }

    /// The digits of the number as the metadata writes it inside its country; nothing where it has no form for it.
    pub fn national_form(&self) -> Option<String> {
        let (_, rest, regions) = self.plan()?;
        regions.first()?.national_form(rest)
    }

    /// As people read it: "+44 1632 960145", grouped as the metadata groups it; where that has no form for it, in fours.
    pub fn read_out(&self) -> String {
        let Some((code, rest, regions)) = self.plan() else { return self.to_string() };
        let main = regions.first().and_then(|region| region.spaced(rest, Written::Abroad));
        format!("+{code} {}", main.unwrap_or_else(|| in_fours(rest)))
    }

    /// The same as it is dialled inside its country: "01632 960145".
    pub fn read_out_inside(&self) -> Option<String> {
        let (_, rest, regions) = self.plan()?;
        regions.first()?.spaced(rest, Written::Inside)
    }

    /// The number that is meant, where this one keeps the prefix that is dialled inside its country only, and that prefix:
    /// by the metadata there is no such number with the prefix, and one, or one reserved for fiction, without it.
    pub fn without_trunk(&self) -> Option<(E164, &'static str)> {
        let (code, rest, regions) = self.plan()?;
        let is_number = |rest: &str| is_fiction(code, rest) || regions.iter().any(|region| region.is_valid(rest));
        let prefixes: BTreeSet<&str> = regions.iter().filter_map(|region| region.national_prefix).collect();
        let kept = prefixes.into_iter().filter_map(|prefix| Some((prefix, rest.strip_prefix(prefix)?)));
        let mut kept = kept.filter(|(prefix, _)| !prefix.is_empty()).peekable();
        // Few numbers begin like a prefix, and asking the metadata takes a while.
        if kept.peek().is_none() || is_number(rest) {
            return None;
        }
        let (prefix, meant) = kept.find(|(_, meant)| is_number(meant))?;
        Some((format!("+{code}{meant}").parse().ok()?, prefix))
    }

    /// Its calling code, the digits after it, and the regions of that code, the main one first.
    fn plan(&self) -> Option<(&str, &str, &'static [Region])> {
        (1..=3).filter_map(|n| self.digits().split_at_checked(n)).find_map(|(code, rest)| {
            let regions = regions(code.parse().ok()?);
            (!regions.is_empty()).then_some((code, rest, regions))
        })
    }
}

fn in_fours(digits: &str) -> String {
    let digits: Vec<char> = digits.chars().collect();
    digits.chunks(4).map(|four| four.iter().collect::<String>()).collect::<Vec<_>>().join(" ")
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
        let region = country(id)?;
        Some(Country {
            id: id.into(),
            calling_code: region.calling_code.to_string().into(),
            national_prefix: region.national_prefix.unwrap_or("").into(),
        })
    }

    /// Whether the metadata knows this international prefix in the country; true where it knows none at all.
    pub fn dials_abroad_by(&self, prefix: &str) -> bool {
        country(&self.id).is_none_or(|region| region.dials_abroad_by(prefix))
    }

    /// The international prefix that the metadata prefers, where it is digits and nothing else.
    pub fn way_abroad(&self) -> Option<String> {
        let preferred = country(&self.id)?.preferred_international_prefix?;
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

    /// The groups are those of the metadata (`tests/numbering` compares national forms with its reference implementation).
    #[test]
    fn a_number_is_read_out_in_the_groups_of_its_country() {
        for (number, abroad, inside) in [
            ("+441632960145", "+44 1632 960145", Some("01632 960145")),
            ("+442079460145", "+44 20 7946 0145", Some("020 7946 0145")),
            ("+12025550142", "+1 202 555 0142", Some("202 555 0142")),
            ("+999123456", "+999123456", None),
        ] {
            let number: E164 = number.parse().unwrap();
            assert_eq!(number.read_out(), abroad);
            assert_eq!(number.read_out_inside().as_deref(), inside);
        }
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
    fn a_number_that_keeps_the_prefix_of_its_country_is_seen() {
        let meant = |text: &str| text.parse::<E164>().unwrap().without_trunk().map(|(meant, _)| meant.to_string());
        for (code, prefix, rest) in [("44", "0", "1632960101"), ("49", "0", "3023125042"), ("1", "1", "2025550142")] {
            let number = format!("+{code}{rest}");
            assert_eq!(meant(&format!("+{code}{prefix}{rest}")), Some(number.clone()));
            assert_eq!(meant(&number), None);
        }
        // A digit is lost besides: nobody can tell what is meant.
        assert_eq!(meant(&format!("+44{}", "0163296010")), None);
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
