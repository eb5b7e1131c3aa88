//! What to mind before, during and after keying.

use super::failing;
use super::stretch::{Stretch, bare_stretches};
use super::tests_to_make::failed;
use super::words::{button, listed, settings_of};
use crate::inventory::Station;
use crate::script::aim::Back;
use crate::script::dead::Dead;
use crate::script::delta::{Script, Step};
use crate::setting::Name;

/// What it means that a card is the way back.
pub(super) fn back_text(back: Back) -> &'static str {
    match back {
        Back::AfterScript => {
            "it leaves the station as it was before the last card, not as it is wanted. Key it only if every step of that card \
             was accepted."
        }
        Back::AfterReport => "it leaves the station as it last worked, not as it is wanted.",
    }
}

/// What to mind before, during and after keying.
pub fn cautions(script: &Script, station: &Station) -> Vec<String> {
    cautions_with(script, station, failing::whole_rule(script))
}

pub(super) fn cautions_with(script: &Script, station: &Station, failing: String) -> Vec<String> {
    let mut all: Vec<String> = script.dead.iter().map(Dead::warning).collect();
    all.extend(failed(script, station));
    all.extend(undecided_text(script, station));
    all.push(
        "Tell the answering point before you start and before each test call, and tell it when you are done."
            .to_owned(),
    );
    if let Some(back) = script.back {
        all.push(format!("This is the way back: {}", back_text(back)));
        all.splice(0..0, untried_text(script, station));
    }
    all.extend(unsure_text(script, station));
    all.extend(bare_stretches(script, station).iter().map(Stretch::caution));
    if !script.calls.is_empty() {
        all.push(failing);
    }
    if script.tests.iter().any(|test| test.is_touched) {
        all.push("A change counts only once a test call has reached help. Keep a stand-in until it has.".to_owned());
    }
    all.push("Local codes and licensed practice come before this card.".to_owned());
    all
}

/// What a way back may end with.
fn untried_text(script: &Script, station: &Station) -> Option<String> {
    let buttons: Vec<String> = script.untried.iter().map(|lifeline| button(station, lifeline)).collect();
    (!buttons.is_empty()).then(|| {
        format!(
            "WARNING: AFTER THIS CARD {} MAY CALL NOBODY. No test call on record reached help with what it leaves. Keep a \
             stand-in at the station, and make the test call at once.",
            listed(&buttons, "and").to_uppercase()
        )
    })
}

/// Buttons that may call nobody, whatever is keyed.
fn undecided_text(script: &Script, station: &Station) -> Vec<String> {
    let text = |(lifeline, unknown): &(Name, Vec<Name>)| {
        let (button, unknown) = (button(station, lifeline), settings_of(station, unknown));
        format!("WARNING: nobody knows the {unknown} of {button}, so it may call nobody. Only the test call tells.")
    };
    script.undecided.iter().map(text).collect()
}

/// Which lifelines the stretches below may leave uncovered without anybody knowing.
fn unsure_text(script: &Script, station: &Station) -> Vec<String> {
    let steps: Vec<&Step> = script.calls.iter().flat_map(|call| &call.steps).collect();
    let on_the_way =
        script.unsure.iter().filter(|(lifeline, _)| steps.iter().any(|step| step.unsure.contains(lifeline)));
    let text = |(lifeline, unknown): &(Name, Vec<Name>)| {
        let (button, unknown) = (button(station, lifeline), settings_of(station, unknown));
        format!("Nobody knows the {unknown} of {button}: assume that it is in use.")
    };
    on_the_way.map(text).collect()
}
