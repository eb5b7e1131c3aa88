//! The stretches of a script in which a lifeline summons nobody: how long they are, and what to do meanwhile.

use std::collections::BTreeSet;

use super::super::Script;
use super::super::work::RING_MS;
use crate::inventory::Station;
use crate::setting::Name;

/// Steps one after the other that are keyed while a lifeline is uncovered.
pub(super) struct Stretch {
    lifelines: BTreeSet<Name>,
    pub(super) first: u32,
    pub(super) last: u32,
    /// The call of the first and of the last step, from 1.
    calls: (usize, usize),
    ms: u64,
}

impl Stretch {
    pub(super) fn caution(&self) -> String {
        let names: Vec<&str> = self.lifelines.iter().map(|name| &**name).collect();
        let (who, verb) = lifelines_text(&names);
        let steps = if self.first == self.last {
            format!("step {}", self.first)
        } else {
            format!("steps {} to {}", self.first, self.last)
        };
        let (stay, seconds) = (self.stay(), self.ms.div_ceil(1000));
        format!(
            "While you key {steps} {who} {verb} nobody, for about {seconds} s in all: keep a stand-in at the station, and {stay}."
        )
    }

    /// What its end asks for.
    pub(super) fn stay(&self) -> String {
        if self.calls.0 == self.calls.1 {
            format!("do not hang up before step {} is accepted", self.last)
        } else {
            format!("where the card ends a call, ring again at once, until step {} of call {}", self.last, self.calls.1)
        }
    }
}

/// "the lifeline main summons", "the lifelines main and side summon".
pub(super) fn lifelines_text(names: &[&str]) -> (String, &'static str) {
    match names {
        [one] => (format!("the lifeline {one}"), "summons"),
        [..] => (format!("the lifelines {}", names.join(" and ")), "summon"),
    }
}

/// The stretches of a script, with what hanging up and ringing again adds to them.
pub(super) fn bare_stretches(script: &Script, station: &Station) -> Vec<Stretch> {
    let rings = u64::from(station.keybook.call.rings) * RING_MS;
    let mut stretches: Vec<Stretch> = Vec::new();
    let mut open = false;
    for (nth, call) in script.calls.iter().enumerate() {
        let steps: u64 = call.steps.iter().map(|step| step.takes_ms).sum();
        for (at, step) in call.steps.iter().enumerate() {
            if step.uncovered.is_empty() {
                open = false;
                continue;
            }
            if !open {
                let (first, last, calls) = (step.number, step.number, (nth + 1, nth + 1));
                stretches.push(Stretch { lifelines: BTreeSet::new(), first, last, calls, ms: 0 });
            } else if at == 0
                && let Some(stretch) = stretches.last_mut()
            {
                stretch.ms += call.length_ms.saturating_sub(steps) + rings;
            }
            open = true;
            if let Some(stretch) = stretches.last_mut() {
                stretch.lifelines.extend(step.uncovered.iter().cloned());
                stretch.last = step.number;
                stretch.calls.1 = nth + 1;
                stretch.ms += step.takes_ms;
            }
        }
    }
    stretches
}
