//! The stretches of a script in which a button calls nobody: how long they are, and what to do meanwhile.

use std::collections::BTreeSet;

use super::words::button;
use crate::finding::listed;
use crate::inventory::Station;
use crate::keybook::Keybook;
use crate::script::delta::{Script, Step};
use crate::script::work::RING_MS;
use crate::setting::Name;

/// Steps one after the other that are keyed while a lifeline is or may be uncovered.
pub(super) struct Stretch {
    /// What people call the buttons that call nobody meanwhile, and those that may call nobody.
    dead: BTreeSet<String>,
    unsure: BTreeSet<String>,
    /// The step that begins it, and the one that ends it.
    first: u32,
    last: u32,
    /// The call of each of them, from 1.
    calls: (usize, usize),
    ms: u64,
    /// The step that changes the code under which a call is opened again.
    recoded: Option<u32>,
    /// Whether one of its buttons calls nobody already.
    is_begun: bool,
}

impl Stretch {
    pub(super) fn holds(&self, step: &Step) -> bool {
        (self.first..=self.last).contains(&step.number)
    }

    pub(super) fn caution(&self) -> String {
        let steps = match self.last - self.first {
            0 => format!("While you key step {}", self.last),
            _ => format!("From step {} to step {}", self.first, self.last),
        };
        let (who, stay, seconds) = (who_calls_nobody(&self.dead, &self.unsure), self.stay(), self.ms.div_ceil(1000));
        let again = match self.recoded {
            None => "If the line drops, ring again at once.".to_owned(),
            Some(step) => format!(
                "If the line drops, ring again at once. After step {step}, open with the code that it leaves. If that is \
                 refused, open as before."
            ),
        };
        match self.is_begun {
            true => format!(
                "Until step {} is accepted {who}: keep a stand-in at the station, and {stay}. {again}",
                self.last
            ),
            false => format!(
                "{steps} {who}, for about {seconds} s in all: keep a stand-in at the station, and {stay}. {again}"
            ),
        }
    }

    /// What its end asks for.
    pub(super) fn stay(&self) -> String {
        if self.calls.0 == self.calls.1 {
            format!("do not hang up before step {} is accepted", self.last)
        } else {
            let ended = match self.calls.1 - self.calls.0 {
                1 => format!("call {}", self.calls.0),
                _ => "each call".to_owned(),
            };
            format!("after {ended} ring again at once, until step {} is accepted", self.last)
        }
    }
}

/// "the red button calls nobody", "the red and the blue button may call nobody", or both.
pub(super) fn who_calls_nobody<'n>(
    dead: impl IntoIterator<Item = &'n String>,
    unsure: impl IntoIterator<Item = &'n String>,
) -> String {
    let name = |names: Vec<&String>| (!names.is_empty()).then(|| (listed(&names, "and"), names.len() == 1));
    let dead = name(dead.into_iter().collect());
    let dead = dead.map(|(who, one)| format!("{who} {} nobody", if one { "calls" } else { "call" }));
    let unsure = name(unsure.into_iter().collect()).map(|(who, _)| format!("{who} may call nobody"));
    dead.into_iter().chain(unsure).collect::<Vec<_>>().join(", and ")
}

/// The buttons that call nobody, or may, just before a step.
pub(super) fn bare(script: &Script, step: &Step, station: &Station) -> String {
    // Before the first step nobody knows of some whether they call someone.
    let is_unsure =
        |name: &Name| step.number == 1 && script.tests.iter().any(|test| test.lifeline == *name && test.is_unsure);
    let (open, dead): (Vec<&Name>, Vec<&Name>) = step.uncovered.iter().partition(|name| is_unsure(name));
    let buttons = |names: Vec<&Name>| names.into_iter().map(|name| button(station, name)).collect::<Vec<_>>();
    who_calls_nobody(&buttons(dead), &buttons(step.unsure.iter().chain(open).collect()))
}

/// The stretches of a script, with what hanging up and ringing again adds to them.
pub(super) fn bare_stretches(script: &Script, station: &Station) -> Vec<Stretch> {
    let rings = u64::from(station.keybook.call.rings) * RING_MS;
    let mut stretches: Vec<Stretch> = Vec::new();
    let mut open = false;
    for (nth, call) in script.calls.iter().enumerate() {
        let steps: u64 = call.steps.iter().map(|step| step.takes_ms).sum();
        for (at, step) in call.steps.iter().enumerate() {
            if step.uncovered.is_empty() && step.unsure.is_empty() {
                open = false;
                continue;
            }
            if !open {
                stretches.push(Stretch::begun_before(step.number, (nth + 1, at)));
            }
            open = true;
            let Some(stretch) = stretches.last_mut() else { continue };
            // It lasts while the station is rung again.
            if at == 0 && stretch.calls.0 <= nth {
                stretch.ms += call.length_ms.saturating_sub(steps) + rings;
            }
            stretch.dead.extend(step.uncovered.iter().map(|lifeline| button(station, lifeline)));
            stretch.unsure.extend(step.unsure.iter().map(|lifeline| button(station, lifeline)));
            stretch.last = step.number;
            stretch.calls.1 = nth + 1;
            stretch.ms += step.takes_ms;
        }
    }
    for stretch in &mut stretches {
        stretch.recoded = recoded(script, &station.keybook, stretch);
    }
    // What is so already ends with the first stretch.
    if let Some(stretch) = stretches.first_mut() {
        for test in script.tests.iter().filter(|test| test.is_dead || test.has_failed || test.is_unsure) {
            let button = button(station, &test.lifeline);
            if stretch.dead.contains(&button) {
                stretch.is_begun = true;
                if test.is_unsure {
                    stretch.dead.remove(&button);
                    stretch.unsure.insert(button);
                }
            }
        }
    }
    stretches
}

impl Stretch {
    /// The step before the first that is keyed in it begins it, where there is one; `call` is counted from 1, the place
    /// in it from 0.
    fn begun_before(number: u32, (call, at): (usize, usize)) -> Stretch {
        let (first, call) = match (number, at) {
            (1, _) => (1, call),
            (_, 0) => (number - 1, call - 1),
            (_, _) => (number - 1, call),
        };
        Stretch {
            dead: BTreeSet::new(),
            unsure: BTreeSet::new(),
            first,
            last: number,
            calls: (call, call),
            ms: 0,
            recoded: None,
            is_begun: false,
        }
    }
}

/// The first step in a stretch's calls, and before its end, that changes what opens a call.
fn recoded(script: &Script, keybook: &Keybook, stretch: &Stretch) -> Option<u32> {
    let opening: Vec<&Name> = keybook.call.open.held().into_iter().map(|id| &keybook.setting(id).name).collect();
    let changes = |step: &&Step| step.sets.keys().chain(step.also.keys()).any(|name| opening.contains(&name));
    let calls = script.calls.iter().skip(stretch.calls.0 - 1).take(stretch.calls.1 - stretch.calls.0 + 1);
    let mut steps = calls.flat_map(|call| &call.steps).take_while(|step| step.number <= stretch.last);
    steps.find(changes).map(|step| step.number)
}
