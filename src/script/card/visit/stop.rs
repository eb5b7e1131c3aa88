//! Why keying stops before its end, and what is said then.

use super::super::words::{button, sentence};
use crate::finding::listed;
use crate::inventory::Station;
use crate::script::delta::Script;

/// Why keying stops. `safe`: every button is as it was or as it will be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Why {
    /// A step failed, and no later one is keyed.
    Failed { step: u32, safe: bool },
    /// A step failed, and those to key all the same were accepted.
    KeyedOn { safe: bool },
    /// A step failed that was to be keyed because another had.
    Second { step: u32 },
    /// No code opens the call.
    LockedOut { safe: bool },
    /// Whoever keys does not go on.
    Left { safe: bool },
    /// Another station answers.
    Other,
}

impl Why {
    pub(super) fn is_safe(self) -> bool {
        match self {
            Why::Failed { safe, .. } | Why::KeyedOn { safe } | Why::LockedOut { safe } | Why::Left { safe } => safe,
            Why::Second { .. } => false,
            // Nothing was keyed, and no test call is to be made at another station.
            Why::Other => false,
        }
    }

    pub(super) fn name(self) -> String {
        let safe = if self.is_safe() { "" } else { "-bare" };
        match self {
            Why::Failed { step, .. } => format!("failed{step}{safe}"),
            Why::KeyedOn { .. } => format!("keyed-on{safe}"),
            Why::Second { step } => format!("second{step}"),
            Why::LockedOut { .. } => format!("locked-out{safe}"),
            Why::Left { .. } => format!("left{safe}"),
            Why::Other => "other".into(),
        }
    }
}

/// What is said, a sentence or two each.
pub(super) fn stop_text(why: Why, script: &Script, station: &Station) -> Vec<String> {
    let first = match why {
        Why::Failed { step, .. } => format!("Step {step} failed. Key no more steps of this card."),
        Why::KeyedOn { .. } => "Key no more steps of this card.".to_owned(),
        Why::Second { step } => format!("Step {step} failed too. Key no more steps of this card."),
        Why::LockedOut { .. } => {
            "The station refused every code on record. Ask ops whether anyone knows another code. Do not clear the unit."
                .to_owned()
        }
        Why::Left { .. } => "You stop here. If you keyed a step and do not know what the station did, go back and tap \
                             \"Nothing\" for it."
            .to_owned(),
        Why::Other => "Another station answers, or you cannot tell. Hang up, key nothing, and tell ops.".to_owned(),
    };
    let bare = (!why.is_safe() && why != Why::Other).then(|| stand_in(script, station));
    let next = (why != Why::Other).then(|| "Send the report. Then ask for the new card.".to_owned());
    [first].into_iter().chain(bare).chain(next).collect()
}

/// Of the buttons that some step leaves uncovered.
fn stand_in(script: &Script, station: &Station) -> String {
    let steps = script.calls.iter().flat_map(|call| &call.steps);
    let mut buttons: Vec<String> = Vec::new();
    for name in steps.flat_map(|step| step.uncovered.iter().chain(&step.unsure)) {
        let title = button(station, name);
        if !buttons.contains(&title) {
            buttons.push(title);
        }
    }
    let who = if buttons.is_empty() { "a button".to_owned() } else { listed(&buttons, "and") };
    format!("WARNING: {} may call nobody now. Keep a stand-in here until a new card is keyed.", sentence(&who))
}
