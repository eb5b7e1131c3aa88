//! What the keybook notes on a command: a warning before the step that puts a button out of service, nothing where the step
//! puts it into service, and else what it is.

use crate::inventory::Station;
use crate::keybook::{Lifeline, SettingId};
use crate::script::delta::Step;
use crate::setting::{Kind, Name, Value};

/// What is said of a step before its keys, and what beside them.
pub(super) fn noted(step: &Step, station: &Station) -> (Option<String>, Option<Name>) {
    let Some(note) = &step.note else { return (None, None) };
    let keybook = &station.keybook;
    let required = || station.lifelines().map(|(_, lifeline)| lifeline).filter(|lifeline| lifeline.is_required());
    if required().any(|lifeline| lifeline.is_dead(|id| left(step, station, id))) {
        return (Some(format!("WARNING: {}.", note.trim_end_matches('.'))), None);
    }
    // A mode: whether a button works hangs on it, and the note is about the values with which it does not.
    let decides = |lifeline: &Lifeline, id| lifeline.works.iter().flatten().any(|one| one.setting == id);
    let is_mode = |id: SettingId| {
        matches!(keybook.setting(id).kind, Kind::Choice { .. }) && required().any(|lifeline| decides(lifeline, id))
    };
    let mut keyed = step.sets.keys().chain(step.also.keys()).filter_map(|name| keybook.id(name)).peekable();
    let ends = keyed.peek().is_some() && keyed.all(is_mode);
    (None, (!ends).then(|| note.clone()))
}

/// What a step leaves in a setting, where it says so.
fn left<'s>(step: &'s Step, station: &Station, id: SettingId) -> Option<&'s Value> {
    let name = &station.keybook.setting(id).name;
    step.sets.get(name).or_else(|| step.also.get(name)?.as_ref())
}

#[cfg(test)]
mod tests {
    use uuid::Uuid;

    use crate::ledger::fold;
    use crate::script::card::{Card, CardLine, Label};
    use crate::script::recovery::visits::EIDER;
    use crate::script::tests::{codes, report, station, there};

    /// The notes of each step: what stands before its keys, and what beside them.
    fn notes(wanted: &str, held: &str) -> Vec<(Option<String>, Option<String>)> {
        let station = station(EIDER, wanted);
        let record = fold(&station.keybook, [&report(held)], |_| None);
        let script = there(&station, &record).unwrap().unwrap();
        let card = Card::of(&script, &station, &codes(), None, Uuid::nil());
        let lines = card.calls.into_iter().flat_map(|call| call.lines);
        let steps = lines.filter(|line| matches!(line.label, Label::Step(_)));
        steps.map(|CardLine { warns, note, .. }| (warns, note.map(|note| note.to_string()))).collect()
    }

    #[test]
    fn a_note_on_a_mode_warns_before_the_step_that_sets_it_and_is_left_out_where_the_step_ends_it() {
        let held = "access: {secret: \"file:new\"}, unit.mode: service, line.kind: direct, emergency.primary: \"4\", \
                    emergency.backup: \"\"";
        let warning = "WARNING: in setup and in survey the button does not call.".to_owned();
        let entry = "writes the line and both numbers in one entry".to_owned();
        assert_eq!(
            notes(&held.replace("\"4\"", "\"5\""), held),
            [(Some(warning), None), (None, Some(entry)), (None, None)]
        );
        assert_eq!(notes(held, &held.replace("service", "survey")), [(None, None)]);
    }
}
