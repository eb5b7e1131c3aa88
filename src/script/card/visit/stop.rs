//! Why keying stops before its end, and what is said then.

use super::super::as_read::number_read;
use super::super::stretch::bare;
use super::super::words::{button, sentence};
use crate::finding::listed;
use crate::inventory::Station;
use crate::script::delta::Script;

/// How the station is where keying stops before a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Reached {
    /// Every button is as it was or as it will be.
    Safe,
    /// As it is just before this step, and a button is neither.
    Before(u32),
    /// Nobody knows quite how it is.
    Unsure,
}

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
    LockedOut(Reached),
    /// Nothing is heard, twice.
    NoAnswer(Reached),
    /// Whoever keys does not go on.
    Left(Reached),
    /// Another station answers.
    Other,
}

impl Why {
    pub(super) fn is_safe(self) -> bool {
        match self {
            Why::Failed { safe, .. } | Why::KeyedOn { safe } => safe,
            Why::LockedOut(reached) | Why::NoAnswer(reached) | Why::Left(reached) => reached == Reached::Safe,
            Why::Second { .. } => false,
            // Nothing was keyed, and no test call is to be made at another station.
            Why::Other => false,
        }
    }

    pub(super) fn name(self) -> String {
        let safe = if self.is_safe() { "" } else { "-bare" };
        let at = |reached| match reached {
            Reached::Safe => String::new(),
            Reached::Before(step) => format!("{step}-bare"),
            Reached::Unsure => "-bare".into(),
        };
        match self {
            Why::Failed { step, .. } => format!("failed{step}{safe}"),
            Why::KeyedOn { .. } => format!("keyed-on{safe}"),
            Why::Second { step } => format!("second{step}"),
            Why::LockedOut(reached) => format!("locked-out{}", at(reached)),
            Why::NoAnswer(reached) => format!("no-answer{}", at(reached)),
            Why::Left(reached) => format!("left{}", at(reached)),
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
        Why::LockedOut(_) => {
            "The station refused every code on record. Ask ops whether anyone knows another code. Do not clear the unit."
                .to_owned()
        }
        Why::NoAnswer(_) => format!(
            "No one answers at {}. Key no more. Tell ops: the line or the unit may be out of order.",
            number_read(&script.number)
        ),
        Why::Left(_) => "You stop here. If you keyed a step and do not know what the station did, go back and tap \
                             \"Nothing\" for it."
            .to_owned(),
        Why::Other => "Another station answers, or you cannot tell. Hang up, key nothing, and tell ops.".to_owned(),
    };
    let bare = (!why.is_safe() && why != Why::Other).then(|| stand_in(why, script, station));
    let next = match why {
        Why::Other => "Send the report.",
        Why::NoAnswer(_) => "Try again, or send the report.",
        Why::Failed { .. } | Why::KeyedOn { .. } | Why::Second { .. } | Why::LockedOut(_) | Why::Left(_) => {
            "Send the report. Then ask for the new card."
        }
    };
    [first].into_iter().chain(bare).chain([next.to_owned()]).collect()
}

/// Of the buttons that call nobody where it is known which, else of those that some step leaves uncovered.
fn stand_in(why: Why, script: &Script, station: &Station) -> String {
    const KEEP: &str = "Keep a stand-in here until a new card is keyed.";
    if let Why::LockedOut(Reached::Before(number))
    | Why::NoAnswer(Reached::Before(number))
    | Why::Left(Reached::Before(number)) = why
        && let Some(step) = script.calls.iter().flat_map(|call| &call.steps).find(|step| step.number == number)
    {
        return format!("WARNING: {} now. {KEEP}", bare(script, step, station));
    }
    let steps = script.calls.iter().flat_map(|call| &call.steps);
    let mut buttons: Vec<String> = Vec::new();
    for name in steps.flat_map(|step| step.uncovered.iter().chain(&step.unsure)) {
        let title = button(station, name);
        if !buttons.contains(&title) {
            buttons.push(title);
        }
    }
    let who = if buttons.is_empty() { "a button".to_owned() } else { listed(&buttons, "and") };
    format!("WARNING: {} may call nobody now. {KEEP}", sentence(&who))
}
