//! The key of a case, by which receivers know it again from its first message to its last: the same for as long as the subject
//! has its name.

use super::mark::MarkHasher;

/// The longest key, in bytes: receivers take 255.
const LONGEST: usize = 200;

/// So much of a longer one is left before the digits that tell it apart.
const HEAD: usize = 160;

/// `FLEET/STATION`, or `FLEET/` and what else it is about.
pub fn key(fleet: &str, about: &str) -> String {
    let whole = format!("{}/{about}", if fleet.is_empty() { "stationkeep" } else { fleet });
    let key: String = whole.chars().map(|sign| if sign.is_control() { ' ' } else { sign }).collect();
    if key.len() <= LONGEST {
        return key;
    }
    let mut hasher = MarkHasher::new();
    hasher.text(&whole);
    let end = (0..=HEAD).rev().find(|at| key.is_char_boundary(*at)).unwrap_or(0);
    format!("{}-{}", key.get(..end).unwrap_or(""), hasher.mark())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn two_subjects_have_two_keys_and_every_key_fits(fleet in any::<String>(), one in ".{0,300}", other in ".{0,300}") {
            let (a, b) = (key(&fleet, &one), key(&fleet, &other));
            prop_assert!(a.len() <= LONGEST && !a.chars().any(char::is_control));
            let plain = |text: &str| text.chars().map(|sign| if sign.is_control() { ' ' } else { sign }).collect::<String>();
            prop_assert_eq!(a == b, plain(&one) == plain(&other));
        }
    }

    #[test]
    fn a_key_is_the_fleet_and_the_station() {
        assert_eq!(key("Skerry Coast Harbours", "EQ-01"), "Skerry Coast Harbours/EQ-01");
        assert_eq!(key("", "EQ-01"), "stationkeep/EQ-01");
    }
}
