//! What people say of a fleet beside their reports: something is set aside, a change is released, someone is on it, one of
//! these is over before its time. It stands in the ledger like a report and is never taken back, only ended.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use uuid::Uuid;

use super::issued::{Digest, Effect};
use crate::setting::Name;

/// The longest that anything may be set aside.
pub const LONGEST_ASIDE: SignedDuration = SignedDuration::from_hours(90 * 24);
/// The longest that a station may be taken.
pub const LONGEST_TAKE: SignedDuration = SignedDuration::from_hours(7 * 24);

/// The longest name of a person, in characters.
const LIMIT_BY: usize = 80;
/// The longest reason.
const LIMIT_WHY: usize = 500;
/// The longest name of a station, site or setting.
const LIMIT_NAME: usize = 200;

/// Something that was said.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Decision {
    /// Something is known to be wrong, and accepted until a time.
    Aside(Aside),
    /// The scripts of a held change may be handed out.
    Release(Release),
    /// Someone is working on a station, so reminders about it wait.
    Take(Take),
    /// One of the others no longer holds.
    End(End),
}

/// Who said it, when and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Said {
    /// Unique among decisions of one kind.
    pub id: Uuid,
    /// When it was decided; at most some minutes ahead of this machine's clock.
    pub at: Timestamp,
    /// A name as people are called here, such as "tech-07".
    pub by: Name,
    /// One sentence or a ticket number. An aside always has one.
    pub why: Option<Name>,
}

/// Known to be wrong, and accepted until a time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Aside {
    /// Who set it aside, when and why.
    pub said: Said,
    /// The station, or all of a site.
    pub target: Target,
    /// `None`: everything there.
    pub setting: Option<Name>,
    /// From then on it counts as drift again.
    pub until: Timestamp,
    /// Nobody relies on it meanwhile: there is a sign on it, and a stand-in. Needed for all of a station, for a site and for
    /// settings of lifelines.
    pub out_of_service: bool,
}

/// What is set aside.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Target {
    /// The station of this name.
    Station(Name),
    /// Every station there, one that joins the site later too.
    Site(Name),
}

/// A change under the brake is meant: its scripts may be handed out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Release {
    /// Who released it, when and why.
    pub said: Said,
    /// Stands for that very change.
    pub change: Digest,
    /// The stations that it alters, each with what it releases there.
    pub stations: BTreeMap<Name, Arc<Released>>,
}

/// The values that lifeline settings of a station may come to hold; `None`: nobody knows what, or the setting is to be no
/// more.
pub type Released = BTreeMap<Name, BTreeSet<Effect>>;

/// Someone is on it until a time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Take {
    /// Who took it, when and why.
    pub said: Said,
    /// The station of this name.
    pub station: Name,
    /// From then on reminders come again.
    pub until: Timestamp,
}

/// Something set aside, or taken, is no longer so.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct End {
    /// Who ended it, when and why.
    pub said: Said,
    /// The id of what ends.
    pub ends: Uuid,
}

/// Why something cannot be said so.
#[allow(missing_docs, reason = "their messages say it")]
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Unsayable {
    #[error("{what} is empty")]
    Empty { what: &'static str },
    #[error("{what} has {length} characters, and at most {limit} are kept")]
    Long { what: &'static str, length: usize, limit: usize },
    #[error("{what} holds a control character ({sign}); write it without")]
    Control { what: &'static str, sign: String },
    #[error("{until:.0} is not ahead of {at:.0}")]
    Past { until: Timestamp, at: Timestamp },
    #[error("{until:.0} is too far ahead: at most {days} days are allowed, here until {latest:.0}")]
    Far { until: Timestamp, days: i64, latest: Timestamp },
    #[error("nobody says why")]
    NoReason,
    #[error("all of a station or site can be set aside only as out of service")]
    InService,
}

impl Decision {
    /// Who said it, when and why.
    pub fn said(&self) -> &Said {
        match self {
            Decision::Aside(aside) => &aside.said,
            Decision::Release(release) => &release.said,
            Decision::Take(take) => &take.said,
            Decision::End(end) => &end.said,
        }
    }

    /// The station it is about, if it is about one alone.
    pub fn station(&self) -> Option<&Name> {
        match self {
            Decision::Aside(aside) => match &aside.target {
                Target::Station(station) => Some(station),
                Target::Site(_) => None,
            },
            Decision::Take(take) => Some(&take.station),
            Decision::Release(_) | Decision::End(_) => None,
        }
    }

    /// Holds it to the rules: texts are bounded and hold no control characters, times have their limits.
    ///
    /// # Errors
    /// The first rule that it breaks.
    pub fn check(&self) -> Result<(), Unsayable> {
        let Said { id: _, at, by, why } = self.said();
        text("the name behind --by", by, LIMIT_BY)?;
        why.as_ref().map_or(Ok(()), |why| text("the reason", why, LIMIT_WHY))?;
        match self {
            Decision::Aside(aside) => {
                text("the name", aside.target.name(), LIMIT_NAME)?;
                aside.setting.as_ref().map_or(Ok(()), |setting| text("the setting", setting, LIMIT_NAME))?;
                until(*at, aside.until, LONGEST_ASIDE)?;
                if aside.setting.is_none() && !aside.out_of_service {
                    return Err(Unsayable::InService);
                }
                reason(why)
            }
            Decision::Take(take) => {
                text("the station", &take.station, LIMIT_NAME)?;
                until(*at, take.until, LONGEST_TAKE)
            }
            Decision::Release(release) => {
                for (station, released) in &release.stations {
                    text("a station", station, LIMIT_NAME)?;
                    released.keys().try_for_each(|setting| text("a setting", setting, LIMIT_NAME))?;
                }
                reason(why)
            }
            Decision::End(_) => Ok(()),
        }
    }
}

impl Target {
    /// The name of the station or site.
    pub fn name(&self) -> &Name {
        match self {
            Target::Station(name) | Target::Site(name) => name,
        }
    }
}

fn reason(why: &Option<Name>) -> Result<(), Unsayable> {
    why.as_ref().map_or(Err(Unsayable::NoReason), |_| Ok(()))
}

fn text(what: &'static str, text: &str, limit: usize) -> Result<(), Unsayable> {
    let length = text.chars().count();
    if text.trim().is_empty() {
        return Err(Unsayable::Empty { what });
    }
    if length > limit {
        return Err(Unsayable::Long { what, length, limit });
    }
    match text.chars().find(|sign| does_things(*sign)) {
        Some(sign) => Err(Unsayable::Control { what, sign: sign.escape_unicode().to_string() }),
        None => Ok(()),
    }
}

/// Signs that do things to a terminal or page: controls, and those that turn the direction of text (Unicode 16, UAX 9).
fn does_things(sign: char) -> bool {
    let turns = matches!(sign, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{61c}');
    sign.is_control() || turns || matches!(sign, '\u{2028}' | '\u{2029}')
}

fn until(at: Timestamp, until: Timestamp, longest: SignedDuration) -> Result<(), Unsayable> {
    if until <= at {
        return Err(Unsayable::Past { until, at });
    }
    let latest = at.saturating_add(longest).unwrap_or(Timestamp::MAX);
    if until > latest {
        return Err(Unsayable::Far { until, days: longest.as_hours() / 24, latest });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn time(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn said(by: &str, why: Option<&str>) -> Said {
        Said { id: Uuid::from_u128(1), at: time("2026-11-25T12:00:00Z"), by: by.into(), why: why.map(Name::from) }
    }

    fn aside(until: Timestamp) -> Aside {
        Aside {
            said: said("ops-2", Some("awaits a lamp")),
            target: Target::Station("EQ-01".into()),
            setting: None,
            until,
            out_of_service: true,
        }
    }

    #[test]
    fn nothing_is_set_aside_for_longer_than_ninety_days_or_taken_for_longer_than_seven() {
        let at = time("2026-11-25T12:00:00Z");
        let take = |until| Decision::Take(Take { said: said("tech-07", None), station: "EQ-01".into(), until });
        for (days, longest) in [(90, true), (7, false)] {
            let last = at + SignedDuration::from_hours(days * 24);
            let decision = |until| if longest { Decision::Aside(aside(until)) } else { take(until) };
            assert_eq!(decision(last).check(), Ok(()));
            let beyond = last + SignedDuration::from_millis(1);
            assert_eq!(decision(beyond).check(), Err(Unsayable::Far { until: beyond, days, latest: last }));
            assert_eq!(decision(at).check(), Err(Unsayable::Past { until: at, at }));
        }
    }

    #[test]
    fn a_whole_station_is_set_aside_only_as_out_of_service_and_never_without_a_reason() {
        let until = time("2026-12-01T00:00:00Z");
        let in_service = Aside { out_of_service: false, ..aside(until) };
        assert_eq!(Decision::Aside(in_service.clone()).check(), Err(Unsayable::InService));
        let setting = Aside { setting: Some("gate.seconds".into()), ..in_service };
        assert_eq!(Decision::Aside(setting).check(), Ok(()));
        let silent = Aside { said: said("ops-2", None), ..aside(until) };
        assert_eq!(Decision::Aside(silent).check(), Err(Unsayable::NoReason));
        let release = Release {
            said: said("ops-2", None),
            change: "0123456789abcdef".parse().unwrap(),
            stations: [("EQ-01".into(), Arc::default())].into(),
        };
        assert_eq!(Decision::Release(release).check(), Err(Unsayable::NoReason));
    }

    #[test]
    fn signs_that_do_things_to_whoever_prints_them_are_rejected_in_every_text() {
        let end = |by: &str, why: Option<&str>| Decision::End(End { said: said(by, why), ends: Uuid::nil() }).check();
        assert_eq!(end("ops-2", Some("a part came, at last: Flåte")), Ok(()));
        for odd in ["a\nb", "a\u{1b}[2Jb", "a\u{202e}b", "a\u{2028}b", "\u{0}", "\u{7f}"] {
            assert!(matches!(end(odd, None), Err(Unsayable::Control { .. })), "{odd:?}");
            assert!(matches!(end("ops-2", Some(odd)), Err(Unsayable::Control { .. })), "{odd:?}");
        }
        assert!(matches!(end(" ", None), Err(Unsayable::Empty { .. })));
        assert!(matches!(end(&"x".repeat(81), None), Err(Unsayable::Long { length: 81, limit: 80, .. })));
        assert!(matches!(end("x", Some(&"x".repeat(501))), Err(Unsayable::Long { .. })));
    }

    proptest! {
        #[test]
        fn whatever_passes_prints_as_one_line(by in any::<String>()) {
            let passes = Decision::End(End { said: said(&by, None), ends: Uuid::nil() }).check().is_ok();
            let one_line = by.lines().count() == 1 && !by.chars().any(char::is_control);
            prop_assert!(!passes || one_line);
        }
    }
}
