//! What a script takes, whether it is the best, and what it spares.

use super::as_read::number_read;
use crate::finding::plural;
use crate::inventory::{Commit, Station};
use crate::script::delta::Script;
use crate::script::obvious::Obvious;
use crate::script::warning::Warning;
use crate::script::work::Work;
use crate::setting::Codes;

pub(super) fn facts(script: &Script, station: &Station, codes: &Codes, commit: Option<&Commit>) -> Vec<String> {
    let takes = match script.calls.is_empty() {
        true => {
            format!(
                "Nothing needs keying. Only a test call is asked for. The station's number is {}.",
                number_read(&script.number)
            )
        }
        false => takes(script, station, codes),
    };
    let obvious = obvious_text(script).filter(|_| script.back.is_none());
    let wanted = commit.map(|commit| format!("Wanted as of commit {commit}."));
    [takes].into_iter().chain(obvious).chain(wanted).collect()
}

/// What keying takes, and whether no script is better.
fn takes(script: &Script, station: &Station, codes: &Codes) -> String {
    let calls = plural(script.calls.len() as u64, "call");
    let steps = plural(script.cost.commands, "step");
    let minutes = Work::of(script, station, codes).minutes();
    let keys = plural(script.cost.presses, "key");
    let is_passed_over = |warning: &Warning| matches!(warning, Warning::PassedOver { .. });
    let proven = match script.proven {
        true => match (script.warnings.iter().any(is_passed_over), script.unsure.is_empty()) {
            (false, true) => "No safer or shorter way exists.",
            (true, true) => "No safer or shorter way exists that keeps the way in.",
            (false, false) => "No way is safer for the buttons on record, or shorter.",
            (true, false) => "No way that keeps the way in is safer for the buttons on record, or shorter.",
        },
        false => "A better way may exist: the search ran out of its budget.",
    };
    format!("{calls}, {steps}, {keys} beside opening and closing; about {minutes} min. {proven}")
}

/// What keying every difference in the keybook's order would have meant, where that is another script.
fn obvious_text(script: &Script) -> Option<String> {
    let Obvious { cost, refused, wrong } = script.obvious.as_ref()?;
    let plain = "Keying the differences one by one, in the keybook's order,";
    if !refused.is_empty() || !wrong.is_empty() {
        return Some(format!("{plain} would not end as wanted."));
    }
    let cost = (*cost)?;
    let longer = cost.exposure_ms.saturating_sub(script.cost.exposure_ms).div_ceil(1000);
    let more = cost.presses.saturating_sub(script.cost.presses);
    let keys = plural(more, "more key");
    match (longer, more) {
        (0, 0) => None,
        (0, _) => Some(format!("{plain} would take {keys}.")),
        (_, 0) => Some(format!("{plain} would leave a button calling nobody for {longer} s longer.")),
        (_, _) => Some(format!("{plain} would take {keys} and leave a button calling nobody for {longer} s longer.")),
    }
}
