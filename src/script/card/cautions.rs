//! What to mind before, during and after keying.

use super::failing;
use super::stretch::{Stretch, bare_stretches};
use super::tests_to_make::failed;
use super::words::listed;
use crate::inventory::Station;
use crate::script::aim::Back;
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
    let mut all = failed(script);
    all.push(
        "Tell the answering point before you start and before each test call, and tell it when you are done."
            .to_owned(),
    );
    if let Some(back) = script.back {
        all.push(format!("This is the way back: {}", back_text(back)));
        all.splice(0..0, untried_text(&script.untried));
    }
    all.extend(unsure_text(script));
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
fn untried_text(lifelines: &[Name]) -> Option<String> {
    let who = listed(lifelines, "and");
    (!lifelines.is_empty()).then(|| {
        format!(
            "AFTER THIS SCRIPT THE BUTTON MAY SUMMON NOBODY: it leaves the lifeline {who} as on record, not as wanted, and on record no \
             test call reached help that way. Keep a stand-in at the station, and make the test call at once."
        )
    })
}

/// Which lifelines the stretches below may leave uncovered without anybody knowing.
fn unsure_text(script: &Script) -> Vec<String> {
    let steps: Vec<&Step> = script.calls.iter().flat_map(|call| &call.steps).collect();
    let on_the_way =
        script.unsure.iter().filter(|(lifeline, _)| steps.iter().any(|step| step.unsure.contains(lifeline)));
    let text = |(lifeline, unknown): &(Name, Vec<Name>)| {
        format!("Nobody knows the {} of the lifeline {lifeline}: take it that it is in use.", listed(unknown, "and"))
    };
    on_the_way.map(text).collect()
}
