//! How many stations of a fleet may be altered at once.

use std::fmt;
use std::str::FromStr;

/// A share of a fleet, from 0 to 1, exact to a millionth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Share(u32);

const ONE: u32 = 1_000_000;

/// Not a number from 0 to 1 with at most six places.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{0}\" is not a share: write a number from 0 to 1, such as 0.3")]
pub struct NoShare(String);

impl Share {
    /// What holds where nothing is written: 0.3.
    pub const DEFAULT: Share = Share(300_000);

    /// As a number from 0 to 1.
    pub fn value(self) -> f64 {
        f64::from(self.0) / f64::from(ONE)
    }

    /// Whether so many of so many are more.
    pub fn is_passed_by(self, some: usize, all: usize) -> bool {
        some as u128 * u128::from(ONE) > u128::from(self.0) * all as u128
    }

    /// "30 %"
    pub fn percent(self) -> String {
        let (whole, rest) = (self.0 / 10_000, self.0 % 10_000);
        let rest = format!("{rest:04}");
        let rest = rest.trim_end_matches('0');
        if rest.is_empty() { format!("{whole} %") } else { format!("{whole}.{rest} %") }
    }
}

impl FromStr for Share {
    type Err = NoShare;

    fn from_str(text: &str) -> Result<Share, NoShare> {
        let odd = || NoShare(text.into());
        let (whole, rest) = text.split_once('.').unwrap_or((text, "0"));
        let digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
        if !digits(whole) || !digits(rest) || whole.len() > 1 || rest.len() > 6 {
            return Err(odd());
        }
        let rest: u32 = format!("{rest:0<6}").parse().map_err(|_| odd())?;
        let whole: u32 = whole.parse().map_err(|_| odd())?;
        let share = whole.saturating_mul(ONE).saturating_add(rest);
        if share <= ONE { Ok(Share(share)) } else { Err(odd()) }
    }
}

impl fmt::Display for Share {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let rest = format!("{:06}", self.0 % ONE);
        let rest = rest.trim_end_matches('0');
        let dot = if rest.is_empty() { "" } else { "." };
        write!(f, "{}{dot}{rest}", self.0 / ONE)
    }
}

/// How many altered stations are too many: more than a share of those on record, or more than a number.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Limit {
    /// The share of the stations on record that may be altered.
    pub share: Share,
    /// How many may be altered in all.
    pub most: usize,
    /// "brake.share, stationkeep.yaml:12", or that it is the default.
    pub share_set_at: String,
    /// The same of `brake.most`.
    pub most_set_at: String,
}

impl Limit {
    /// What holds for `most` where nothing is written.
    pub const MOST: usize = 200;

    /// "30 % (brake.share, stationkeep.yaml:12) or 200 (brake.most, stationkeep.yaml:12)"
    pub fn text(&self) -> String {
        let Limit { share, most, share_set_at, most_set_at } = self;
        format!("{} ({share_set_at}) or {most} ({most_set_at})", share.percent())
    }

    /// What so many of so many pass: "30 % (brake.share, stationkeep.yaml:12)".
    pub fn passed_by(&self, altered: usize, on_record: usize) -> Option<String> {
        if self.share.is_passed_by(altered, on_record) {
            return Some(format!("{} ({})", self.share.percent(), self.share_set_at));
        }
        (altered > self.most).then(|| format!("{} ({})", self.most, self.most_set_at))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_share_is_a_number_from_0_to_1() {
        for (text, percent) in [("0", "0 %"), ("0.3", "30 %"), ("0.335", "33.5 %"), ("1", "100 %"), ("1.0", "100 %")] {
            assert_eq!(text.parse::<Share>().map(Share::percent), Ok(percent.into()));
        }
        for odd in ["", ".3", "0.", "1.1", "2", "-0.3", "30", "0,3", "1e-1", "0.1234567", "30%", "٣"] {
            assert!(odd.parse::<Share>().is_err(), "{odd}");
        }
        assert_eq!("0.3".parse(), Ok(Share::DEFAULT));
    }

    #[test]
    fn either_limit_holds_by_itself_and_the_share_is_named_where_both_are_passed() {
        let by = |share: &str, most, altered, on_record| {
            let share = share.parse().unwrap();
            let limit = Limit { share, most, share_set_at: "share".into(), most_set_at: "most".into() };
            limit.passed_by(altered, on_record)
        };
        for (share, most, passed) in [
            ("0.3", 40, None),
            ("0.3", 29, Some("29 (most)")),
            ("0.29", 40, Some("29 % (share)")),
            ("0.299999", 30, Some("29.9999 % (share)")),
            ("0.3", 30, None),
            ("0", 0, Some("0 % (share)")),
            ("0.2", 10, Some("20 % (share)")),
        ] {
            assert_eq!(by(share, most, 30, 100).as_deref(), passed, "{share} {most}");
        }
        let one = by("1", 0, 1, 1);
        assert_eq!(one.as_deref(), Some("0 (most)"));
    }

    #[test]
    fn exactly_the_share_is_not_more() {
        assert!(!Share::DEFAULT.is_passed_by(30, 100));
        assert!(Share::DEFAULT.is_passed_by(31, 100));
        assert!(Share::DEFAULT.is_passed_by(1, 0));
    }

    proptest! {
        #[test]
        fn what_is_printed_is_read_back(millionths in 0u32..=ONE) {
            prop_assert_eq!(Share(millionths).to_string().parse(), Ok(Share(millionths)));
        }
    }
}
