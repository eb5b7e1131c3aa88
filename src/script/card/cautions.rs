//! What to mind before, during and after keying.

use super::failing;
use super::slip::slip;
use super::stretch::{Stretch, bare_stretches};
use super::tests_to_make::failed;
use super::words::{button, settings_of};
use crate::drift::{RefusedCodes, Setback};
use crate::finding::{listed, minute};
use crate::inventory::Station;
use crate::ledger::Refusal;
use crate::script::aim::Back;
use crate::script::dead::Dead;
use crate::script::delta::{Begun, OtherVisit, RefusedAgain, Renumbered, Script, Step};
use crate::script::pressed::in_fours;
use crate::setting::{Codes, Name, Reference, Value};

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

/// All that is said before the keys: what comes first, and what to mind before, during and after keying.
pub fn cautions(script: &Script, station: &Station, codes: &Codes) -> Vec<String> {
    let first = lead(script, station, codes).into_iter();
    first.chain(cautions_with(script, station, failing::whole_rule(script))).collect()
}

/// What is said before all else: what a person pressing the button would meet, whether this is the card and the station
/// that is meant, and what is needed to key it.
pub(super) fn lead(script: &Script, station: &Station, codes: &Codes) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    if script.back.is_some() {
        all.extend(untried_text(script, station));
    }
    all.extend(script.dead.iter().map(Dead::warning));
    all.extend(failed(script, station));
    all.extend(script.begun.as_ref().map(begun_text));
    all.extend(script.beside.iter().map(beside_text));
    all.extend(script.renumbered.as_ref().map(renumbered_text));
    let setbacks = script.setbacks.iter().filter(|_| script.back.is_none());
    all.extend(setbacks.filter_map(failed_with));
    all.extend(script.refused_again.iter().map(refused_again_text));
    let refused = script.refused.as_ref().filter(|_| !script.calls.is_empty());
    all.extend(refused.map(|refused| refused_text(script, station, refused, codes)));
    if script.letters {
        all.push("You need a phone with the keys A to D. An ordinary phone has none.".to_owned());
    }
    all
}

fn begun_text(begun: &Begun) -> String {
    let since = format!("{} began this card at {}, and no report of it has come yet.", begun.by, minute(begun.at));
    match begun.is_outdated {
        false => format!(
            "{since} Check with {0} that no one is keying there. If you are {0}, go on from the step you were at.",
            begun.by
        ),
        true => format!(
            "WARNING: {since} Something else is wanted at this station now. If no step was keyed, key none. If one was, key this card to its end: that leaves the buttons working. Then report, and ask for the new card."
        ),
    }
}

fn beside_text(beside: &OtherVisit) -> String {
    format!("WARNING: {} Check with {} that no one is keying there.", beside.sentence("this station"), beside.by)
}

/// A test call that failed with what the card leads to.
fn failed_with(setback: &Setback) -> Option<String> {
    match setback {
        Setback::Failed { button, at, by, .. } => Some(format!(
            "WARNING: with what this card stores, a test call of {button} failed on {} ({by}). Find out why before you key it.",
            minute(*at)
        )),
        // The card names the step.
        Setback::Refused { .. } => None,
    }
}

fn refused_again_text(RefusedAgain { step, titles, at, by }: &RefusedAgain) -> String {
    format!(
        "WARNING: the station refused step {step} ({}) of this card on {} ({by}). If it refuses it again, the record or the \
         keybook is wrong: tell ops.",
        listed(titles, "and"),
        minute(*at)
    )
}

fn renumbered_text(renumbered: &Renumbered) -> String {
    let Renumbered { before, now, heard, says, values: _ } = renumbered;
    let number = before.as_ref().map(|before| format!(" It last answered at {before}, and its number is {now} now."));
    let heard = match &heard[..] {
        [] => String::new(),
        heard => format!(" When it was last rung, {}.", listed(heard, "and")),
    };
    let other = number.unwrap_or_default() + &heard;
    let says = match &says[..] {
        [] => String::new(),
        [one] => format!(" It says {one}."),
        all => format!(" It says {}.", listed(all, "and")),
    };
    format!(
        "WARNING: is it this station that answers?{other} Ring it and listen first.{says} If another station answers, or you \
         cannot tell, hang up, key nothing, and tell ops."
    )
}

/// Of codes that the station refused: whether this card opens with another. One that was begun, or that starts where another
/// ends, opens with what it was written for.
fn refused_text(script: &Script, station: &Station, refused: &RefusedCodes, codes: &Codes) -> String {
    let RefusedCodes { each, leaves_others } = refused;
    let first = script.calls.iter().find_map(|call| call.codes.first());
    let is_other = first.is_some_and(|first| !each.iter().any(|refusal| refusal.code.agrees(first)));
    let is_written = script.begun.is_some() || script.back == Some(Back::AfterScript);
    let now = match (is_other, is_written || *leaves_others) {
        (true, _) => " This card opens with another code.",
        (false, true) => "",
        (false, false) => {
            " No other code is on record. Ask ops for another one. If none is known, try this one once more, slowly."
        }
    };
    let each: Vec<String> = each.iter().map(|refusal| refusal_text(refusal, station, codes)).collect();
    format!("WARNING: the station refused {}.{now}", listed(&each, "and"))
}

/// "7309 14 on 2026-11-25 12:10 UTC (tech-07)": a card shows codes. One that cannot be read here is named.
fn refusal_text(refusal: &Refusal, station: &Station, codes: &Codes) -> String {
    let Refusal { code, mark, by } = refusal;
    let keys = match code {
        Value::Secret(secret) if secret.reference == Reference::Factory => {
            let open = station.keybook.call.open.held();
            open.into_iter().find_map(|id| station.keybook.setting(id).factory_code.as_ref())
        }
        Value::Secret(secret) => codes.code_of(secret),
        Value::Digits(_) | Value::Dial(_) | Value::Choice(_) | Value::Flags(_) | Value::Number(_) => None,
    };
    let keys = keys.map(|code| in_fours(code.reveal()).join(" "));
    let keys = keys.unwrap_or_else(|| RefusedCodes::named(code));
    format!("{keys} on {} ({by})", minute(mark.at))
}

pub(super) fn cautions_with(script: &Script, station: &Station, failing: String) -> Vec<String> {
    let mut all: Vec<String> = undecided_text(script, station);
    all.push(
        "Tell the answering point before you start and before each test call, and tell it when you are done."
            .to_owned(),
    );
    if let Some(back) = script.back {
        all.push(format!("This is the way back: {}", back_text(back)));
    }
    all.extend(unsure_text(script, station));
    all.extend(bare_stretches(script, station).iter().map(Stretch::caution));
    if !script.calls.is_empty() {
        all.push(failing);
        all.extend(slip(script, station));
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
        format!("WARNING: nobody knows the {unknown} of {button}, so it may call nobody. Only the test call will show.")
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
        format!("Nobody knows the {unknown} of {button}. Assume that it is in use.")
    };
    on_the_way.map(text).collect()
}
