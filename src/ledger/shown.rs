//! Scripts that are handed out: each showing of one is an entry of the ledger, until a report says what became of it.

use std::collections::BTreeMap;

use jiff::{RoundMode, SignedDuration, Timestamp, TimestampRound, Unit};

use super::issued::{Digest, Issued, effect_value};
use super::report::Report;
use crate::keybook::{Keybook, SettingId};
use crate::setting::{Name, Value};

/// For so long after it was last shown a script may still be keyed.
pub const HANDED_OUT_FOR: SignedDuration = SignedDuration::from_hours(7 * 24);

/// A script of which a report comes back is shown again as a new entry; else at most once in this time.
pub const SHOWN_AGAIN: SignedDuration = SignedDuration::from_hours(1);

/// A script was shown to someone who may key it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shown {
    /// The script's digest.
    pub script: Digest,
    /// The station that it was written for.
    pub station: Name,
    /// To the second; always after the last report that named a script.
    pub at: Timestamp,
    /// Whether as a way back: the same keys may be asked for either way.
    pub is_back: bool,
}

/// A script that was shown, and that no report has named since.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HandedOut {
    /// The script's digest.
    pub script: Digest,
    /// When it was last shown.
    pub at: Timestamp,
    /// What it leaves in each setting that it keys or clears; `None`: nobody knows what.
    pub leads_to: Vec<(SettingId, Option<Value>)>,
    /// Whether it was last shown as a way back: to what was held, not to what is wanted.
    pub is_back: bool,
}

impl HandedOut {
    /// Until when it may still be keyed.
    pub fn until(&self) -> Timestamp {
        self.at.saturating_add(HANDED_OUT_FOR).unwrap_or(Timestamp::MAX)
    }
}

/// When a script is shown: the second of this moment, or the one after the last report that names a script where that lies
/// ahead. A report may be some minutes ahead of the clock, and says nothing of what is shown after it was made.
pub fn shown_at(now: Timestamp, answered: Option<Timestamp>) -> Timestamp {
    let down = TimestampRound::new().smallest(Unit::Second).mode(RoundMode::Trunc);
    let second = |at: Timestamp| at.round(down).unwrap_or(at);
    let ahead = answered.and_then(|at| second(at).checked_add(SignedDuration::from_secs(1)).ok());
    second(now).max(ahead.unwrap_or(Timestamp::MIN))
}

/// What an issued script leaves in the settings that it changes, were all its steps accepted.
pub fn leads_to(keybook: &Keybook, script: &Issued) -> Vec<(SettingId, Option<Value>)> {
    let mut ends: BTreeMap<SettingId, Option<Value>> = BTreeMap::new();
    for (name, effect) in script.steps.iter().flat_map(|step| &step.effects) {
        if let Some(id) = keybook.id(name) {
            ends.insert(id, effect_value(&keybook.setting(id).kind, effect));
        }
    }
    ends.into_iter().collect()
}

/// The showings that no report has answered, each script once with the last of its showings. By the times alone: the order
/// in which entries arrived makes no difference.
pub fn unanswered<'s>(
    shown: impl IntoIterator<Item = &'s Shown>,
    reports: impl IntoIterator<Item = &'s Report>,
) -> BTreeMap<&'s Digest, Timestamp> {
    let mut last: BTreeMap<&Digest, Timestamp> = BTreeMap::new();
    for Shown { script, station: _, at, is_back: _ } in shown {
        let known = last.entry(script).or_insert(*at);
        *known = (*known).max(*at);
    }
    if !last.is_empty() {
        for report in reports {
            let is_answered = |shown: &Timestamp| report.at >= *shown;
            if let Some(script) = report.script.as_ref().filter(|script| last.get(*script).is_some_and(is_answered)) {
                last.remove(script);
            }
        }
    }
    last
}

/// The scripts of a station that are handed out. `scripts` finds an issued script by digest; one that is not on record leads
/// nobody knows where.
pub fn handed_out<'s>(
    keybook: &Keybook,
    shown: impl IntoIterator<Item = &'s Shown>,
    reports: impl IntoIterator<Item = &'s Report>,
    scripts: impl Fn(&Digest) -> Option<&'s Issued>,
) -> Vec<HandedOut> {
    let shown: Vec<&Shown> = shown.into_iter().collect();
    let open = unanswered(shown.iter().copied(), reports).into_iter();
    let one = |(script, at): (&Digest, Timestamp)| {
        let leads_to = scripts(script).map_or_else(Vec::new, |issued| leads_to(keybook, issued));
        let is_back = shown.iter().any(|one| one.script == *script && one.at == at && one.is_back);
        HandedOut { script: script.clone(), at, leads_to, is_back }
    };
    open.map(one).collect()
}
