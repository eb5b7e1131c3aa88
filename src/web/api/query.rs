//! The part of an address after its question mark: known names alone, each at most once, so that nothing asked for is passed
//! over in silence.

use std::collections::BTreeMap;

use super::super::problem::{Kind, Problem};
use crate::finding::did_you_mean;

/// The values of a query, by name.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Query(BTreeMap<String, String>);

impl Query {
    /// The query of an address that takes these names.
    pub fn of(text: &str, known: &[&str]) -> Result<Query, Problem> {
        let mut values = BTreeMap::new();
        for (name, value) in url::form_urlencoded::parse(text.as_bytes()) {
            if !known.contains(&&*name) {
                let name: String = name.chars().take(100).collect();
                let fix = did_you_mean(&name, known.iter().copied());
                return Err(wrong(format!("This address does not take \"{name}\". {fix}")));
            }
            if values.insert(name.to_string(), value.into_owned()).is_some() {
                return Err(wrong(format!("The address has \"{name}\" twice.")));
            }
        }
        Ok(Query(values))
    }

    /// The value of a name, where it is given.
    pub fn text(&self, name: &str) -> Option<&str> {
        self.0.get(name).map(String::as_str)
    }

    /// The same as one of some words.
    pub fn word<T: Copy>(&self, name: &str, words: &[(&str, T)]) -> Result<Option<T>, Problem> {
        let Some(text) = self.text(name) else { return Ok(None) };
        match words.iter().find(|(word, _)| *word == text) {
            Some((_, one)) => Ok(Some(*one)),
            None => {
                let words: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
                Err(wrong(format!("\"{name}\" is one of {}.", words.join(", "))))
            }
        }
    }

    /// The same as a whole number; JSON has 5.0 for 5.
    pub fn number(&self, name: &str, range: std::ops::RangeInclusive<usize>) -> Result<Option<usize>, Problem> {
        let Some(text) = self.text(name) else { return Ok(None) };
        let whole = text.split_once('.').filter(|(_, rest)| rest.bytes().all(|digit| digit == b'0'));
        let number = whole.map_or(text, |(whole, _)| whole).parse().ok().filter(|number| range.contains(number));
        number
            .map(Some)
            .ok_or_else(|| wrong(format!("\"{name}\" is a whole number from {} to {}.", range.start(), range.end())))
    }
}

pub(super) fn wrong(detail: String) -> Problem {
    Problem::new(Kind::Query, detail)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_query_is_read_as_browsers_write_it_and_what_is_unknown_or_twice_is_an_error() {
        let query = Query::of("site=East+quay%20%C3%A9%26&limit=5.0", &["site", "limit"]).unwrap();
        assert_eq!((query.text("site"), query.number("limit", 1..=9)), (Some("East quay é&"), Ok(Some(5))));
        assert!(query.number("limit", 1..=4).is_err() && query.word("site", &[("a", 1)]).is_err());
        assert_eq!(query.word::<u8>("standing", &[]), Ok(None));
        for wrong in ["sites=a", "site=a&site=b", "="] {
            assert!(Query::of(wrong, &["site"]).is_err(), "{wrong}");
        }
        for wrong in ["limit=", "limit=-1", "limit=5.5", "limit=five", "limit=99999999999999999999"] {
            assert!(Query::of(wrong, &["limit"]).unwrap().number("limit", 0..=usize::MAX).is_err(), "{wrong}");
        }
    }
}
