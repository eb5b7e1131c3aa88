//! What to point out of a test call that the record or the inventory does not explain. The report is recorded all the same.

use super::{ability, value_text};
use crate::inventory::Station;
use crate::keybook::{Ability, SettingId};
use crate::ledger::{Led, Outcome, Record, Test, led, with_fallbacks};
use crate::setting::{Kind, Value};

/// What is odd about a test call, in a sentence; nothing where nothing is. `record`: as it was just before the test.
pub fn surprise(station: &Station, record: &Record, test: &Test) -> Option<String> {
    let keybook = &station.keybook;
    let at = keybook.lifelines.iter().position(|lifeline| lifeline.name == test.lifeline)?;
    if !station.has_lifeline(&keybook.lifelines[at]) {
        return Some("by the inventory the station has no such button: look whether it does".into());
    }
    match test.outcome {
        Outcome::Failed => return None,
        Outcome::Reached => {}
    }
    if ability(record, &keybook.lifelines[at]) == Ability::Dead {
        return Some("by the record a press calls nobody: the record must be wrong".into());
    }
    let (contact, dialled) = (test.contact.as_ref()?, test.dialled.as_ref());
    let own = keybook.lifelines[at].settings.iter();
    let number = |id| match record.known(id) {
        Some(number @ Value::Dial(_)) => Some(value_text(number)),
        Some(Value::Digits(_) | Value::Choice(_) | Value::Flags(_) | Value::Number(_) | Value::Secret(_)) | None => {
            None
        }
    };
    let held: Vec<String> = own.filter_map(|id| number(*id)).collect();
    let dialled_as = dialled.map(ToString::to_string).unwrap_or_default();
    match led(keybook, record, at, dialled) {
        Led::There => None,
        Led::Elsewhere => Some(format!(
            "{contact} is dialled as {dialled_as}, and the number on record is {}: someone answered, so what the button \
             dials is no longer known",
            held.join(" or ")
        )),
        Led::Perhaps => {
            let is_number = |id: &SettingId| matches!(keybook.setting(*id).kind, Kind::Dial { .. });
            let all = with_fallbacks(keybook, at).filter(is_number);
            let unknown: Vec<String> =
                all.filter(|id| record.known(*id).is_none()).map(|id| keybook.setting(id).title()).collect();
            Some(format!(
                "{contact} is dialled as {dialled_as}, and no report says whether the station dials that (unknown: {}): the call \
                 proves nothing",
                unknown.join(", ")
            ))
        }
    }
}
