//! The test calls in a technician's words: how to make each, who must answer, and what to do where nobody does.

use super::as_read::number_read;
use super::words::{button, contact_title, sentence};
use crate::drift::Setback;
use crate::inventory::{LineKind, Station};
use crate::script::delta::Script;
use crate::script::test_call::TestCall;

/// A line each.
pub(super) fn texts(script: &Script, station: &Station) -> Vec<String> {
    script.tests.iter().map(|test| text(script, test, station)).collect()
}

fn text(script: &Script, test: &TestCall, station: &Station) -> String {
    let button = sentence(&button(station, &test.lifeline));
    let how = test.test.as_ref().map_or_else(
        || format!("{button}: make a call with it from the station itself."),
        |how| format!("{button}: {how}"),
    );
    let who = match (&test.contact, &test.number) {
        (_, _) if station.line.kind == Some(LineKind::RingDown) => match &test.contact {
            Some(contact) => {
                format!(
                    " The exchange connects it to its fixed place: {} must answer.",
                    contact_title(station, contact)
                )
            }
            None => " The exchange connects it to its fixed place.".to_owned(),
        },
        (Some(contact), Some(number)) => {
            format!(" {} ({}) must answer.", sentence(&contact_title(station, contact)), number_read(number))
        }
        (Some(contact), None) => format!(" {} must answer.", sentence(&contact_title(station, contact))),
        (None, _) => String::new(),
    };
    let back = match script.back {
        None if test.failed_so => {
            " If it does not reach help, report that it failed, keep the stand-in, and check the line and the unit."
        }
        None if leads_nowhere(script) => " If it does not reach help, report that it failed.",
        None => " If it does not reach help, report that it failed, then ask for the way back.",
        Some(_) => " If it does not reach help, report that it failed, and keep the stand-in.",
    };
    let stored = match test.is_touched && !script.calls.is_empty() {
        true => " If its step was not accepted, do not make this test.",
        false => "",
    };
    format!("{how}{who} The person who answers must hear you and know where you are.{stored}{back}")
}

/// What is said first where a button calls nobody now, or its last test call did not reach help.
pub(super) fn failed(script: &Script, station: &Station) -> Vec<String> {
    let failed = script.tests.iter().filter(|test| test.has_failed);
    let text = |test: &TestCall| {
        format!(
            "WARNING: at its last test call {} did not reach help. Keep a stand-in at the station until a test call reaches help.",
            button(station, &test.lifeline)
        )
    };
    let dead = script.tests.iter().filter(|test| test.is_dead).map(|test| {
        format!(
            "WARNING: {} calls nobody now. Keep a stand-in at the station until a test call reaches help.",
            button(station, &test.lifeline)
        )
    });
    let is_said = |test: &TestCall| script.undecided.iter().any(|(lifeline, _)| *lifeline == test.lifeline);
    let unsure = script.tests.iter().filter(|test| test.is_unsure && !is_said(test)).map(|test| {
        format!(
            "WARNING: {} may call nobody now. Keep a stand-in at the station until a test call reaches help.",
            button(station, &test.lifeline)
        )
    });
    let elsewhere = script.tests.iter().filter_map(|test| test.elsewhere.as_ref());
    let elsewhere = elsewhere.map(|one| format!("WARNING: {}. {}", one.called, one.stand_in()));
    let is_dated = |test: &&TestCall| {
        let mut dated = script.setbacks.iter().filter(|_| script.back.is_none());
        dated.any(|setback| matches!(setback, Setback::Failed { lifeline, .. } if *lifeline == test.lifeline))
    };
    let failed_so = script.tests.iter().filter(|test| test.failed_so && !is_dated(test)).map(|test| {
        format!(
            "WARNING: a test call of {} failed with what this card leaves. Find out why before you key it.",
            button(station, &test.lifeline)
        )
    });
    let mut texts: Vec<String> = dead.chain(unsure).chain(elsewhere).chain(failed.map(text)).chain(failed_so).collect();
    match script.way_back.is_some() {
        true if script.tests.iter().all(|test| !test.has_failed) => texts.push(
            "To be sure what the station holds, go back to what last worked, by the card of the way back.".to_owned(),
        ),
        true => texts.push(
            "If the fault was not found and fixed, go back to what last worked, by the card of the way back. If it was, go on with \
             this card."
                .to_owned(),
        ),
        false if leads_nowhere(script) => texts.push(WITHOUT_WAY_BACK.to_owned()),
        false => {}
    }
    texts
}

/// What is left to do where a test call failed, all is as wanted, and there is nothing to go back to.
pub const WITHOUT_WAY_BACK: &str = "Check the line and the unit. If both are sound, reset the unit, report \"unit: cleared\" and key \
                                    everything again, or replace the unit. Keep a stand-in until a test call reaches help.";

/// Whether a test call failed, nothing needs keying, and there is nothing to go back to.
fn leads_nowhere(script: &Script) -> bool {
    let is_whole = script.back.is_none() && script.begun.is_none() && script.calls.is_empty();
    is_whole && script.way_back.is_none() && script.tests.iter().any(|test| test.has_failed)
}
