//! The test calls to make after a script: which, and who should answer.

use crate::drift::StationDrift;
use crate::inventory::{LineKind, Station};
use crate::script::aim::Way;
use crate::script::delta::{Script, Step};
use crate::setting::{Name, Value};

/// The lifelines with a setting that the script changes.
pub(super) fn touched(script: &Script, station: &Station) -> Vec<Name> {
    let steps: Vec<&Step> = script.calls.iter().flat_map(|call| &call.steps).collect();
    let changes = |name: &Name| steps.iter().any(|step| step.sets.contains_key(name) || step.also.contains_key(name));
    let keybook = &station.keybook;
    let lifelines = keybook.lifelines.iter().filter(|lifeline| lifeline.is_required());
    let touched = lifelines.filter(|lifeline| lifeline.settings.iter().any(|id| changes(&keybook.setting(*id).name)));
    touched.map(|lifeline| lifeline.name.clone()).collect()
}

/// The lifelines to test afterwards: those the script changes, and those not proved anyway.
pub(super) fn tests(script: &Script, station: &Station, drift: &StationDrift) -> Vec<Name> {
    let mut tests = touched(script, station);
    let open = drift.lifelines.iter().filter(|lifeline| lifeline.service.asks_for_test());
    let open: Vec<Name> = open.map(|l| l.name.clone()).filter(|name| !tests.contains(name)).collect();
    tests.extend(open);
    tests
}

/// One test call.
pub(super) fn test_text(script: &Script, lifeline: &Name, station: &Station) -> String {
    let who = match script.way {
        Way::There => answered_by(station, lifeline),
        Way::Back => String::new(),
    };
    let must = "The person who answers must hear you and know where you are.";
    let call = format!("Call by the lifeline {lifeline} from the station itself.");
    let parts: Vec<&str> = [call.as_str(), who.as_str(), must].into_iter().filter(|part| !part.is_empty()).collect();
    parts.join(" ")
}

/// Who should answer a lifeline's test call.
fn answered_by(station: &Station, lifeline: &str) -> String {
    if station.line.kind == Some(LineKind::RingDown) {
        return "The exchange connects it to its fixed place.".into();
    }
    let keybook = &station.keybook;
    let found = keybook.lifelines.iter().find(|known| &*known.name == lifeline);
    let settings = found.map_or(&[][..], |found| &found.settings);
    let contacts: Vec<String> = settings
        .iter()
        .filter_map(|id| station.wanted(*id))
        .filter_map(|wanted| match (&wanted.contact, &wanted.value) {
            (Some(contact), Value::Dial(dialled)) => Some(format!("{contact} ({dialled})")),
            (None, Value::Dial(dialled)) if !dialled.is_empty() => Some(dialled.to_string()),
            (
                _,
                Value::Dial(_)
                | Value::Digits(_)
                | Value::Choice(_)
                | Value::Flags(_)
                | Value::Number(_)
                | Value::Secret(_),
            ) => None,
        })
        .collect();
    if contacts.is_empty() { String::new() } else { format!("It should ring {}.", contacts.join(" or ")) }
}
