//! Visits of which no report came yet, as a message shows them: who began, when, and whether nothing was heard since.

use serde::Serialize;

use super::clip::{NAME, clip};
use crate::drift::{Begun, StationDrift};
use crate::finding::minute;

/// One of them.
#[derive(Debug, Clone, Serialize)]
pub struct ToldVisit {
    by: String,
    at: String,
    script: String,
    /// Nothing was heard for 24 hours.
    silent: bool,
}

/// More are counted.
const SHOWN: usize = 2;

/// Those of a station, the ones of which nothing was heard first, and how many are left out.
pub fn told(drift: &StationDrift) -> (Vec<ToldVisit>, usize) {
    let all = sorted(drift);
    let one = |Begun { visit: _, by, at, script, is_silent }: &Begun| ToldVisit {
        by: clip(by, NAME),
        at: at.to_string(),
        script: script.to_string(),
        silent: *is_silent,
    };
    (all.iter().take(SHOWN).map(|begun| one(begun)).collect(), all.len().saturating_sub(SHOWN))
}

fn sorted(drift: &StationDrift) -> Vec<&Begun> {
    let mut all: Vec<&Begun> = drift.begun.iter().collect();
    all.sort_by_key(|begun| (!begun.is_silent, begun.at));
    all
}

/// "tech-07 began to key it on 2026-11-20 10:00 UTC and has not reported yet"
pub fn sentence(drift: &StationDrift) -> Option<String> {
    let all = sorted(drift);
    let Begun { visit: _, by, at, script: _, is_silent } = all.first()?;
    let (by, at) = (clip(by, NAME), minute(*at));
    let others = match all.len() - 1 {
        0 => String::new(),
        1 => " (and 1 other visit is open)".into(),
        n => format!(" (and {n} other visits are open)"),
    };
    Some(match is_silent {
        true => {
            format!("{by} began to key it on {at}{others}, and no report came in 24 hours. Ask {by} for the report")
        }
        false => format!("{by} began to key it on {at}{others} and has not reported yet"),
    })
}
