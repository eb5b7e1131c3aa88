//! Whether what a recorded script says of its steps follows from its keys. Its digest stands for the keys alone, and reports go
//! by what it says.

use std::collections::BTreeMap;

use serde_json::Value as Json;

use super::pressed::Pressed;
use crate::keybook::{Keybook, SettingId};
use crate::ledger::{Issued, effect_value, same};
use crate::setting::Value;

/// Whether each step sets what its keys set; nothing where the keybook is not the one that it was written with.
pub fn follows(issued: &Issued, keybook: &Keybook) -> Option<bool> {
    if issued.steps.is_empty() {
        return Some(true);
    }
    let of = issued.document.pointer("/basis/keybook").and_then(Json::as_str)?;
    if *of != *keybook.digest {
        return None;
    }
    let calls = issued.document.get("calls").and_then(Json::as_array)?;
    let keyed: Vec<&Json> = calls.iter().filter_map(|call| call.get("steps")?.as_array()).flatten().collect();
    let is_sound = |step: &&Json| sets_what_it_keys(issued, keybook, step).unwrap_or(false);
    Some(keyed.len() == issued.steps.len() && keyed.iter().all(is_sound))
}

fn sets_what_it_keys(issued: &Issued, keybook: &Keybook, step: &Json) -> Option<bool> {
    let effects = &issued.step(u32::try_from(step.get("step")?.as_u64()?).ok()?)?.effects;
    let name = step.get("command")?.as_str()?;
    let command = keybook.commands.iter().find(|command| *command.name == *name)?;
    let keys = Pressed::of_json(step.get("keys")?, keybook)?;
    let said = |id: SettingId| effect_value(&keybook.setting(id).kind, effects.get(&keybook.setting(id).name)?);
    let stored: BTreeMap<SettingId, Value> =
        command.keys.stored().into_iter().map(|id| Some((id, said(id)?))).collect::<Option<_>>()?;
    let due = command.effects(keybook, &stored);
    let is_said = |(id, value): (&SettingId, &Option<Value>)| {
        effects.contains_key(&keybook.setting(*id).name) && same(said(*id).as_ref(), value.as_ref())
    };
    let is_whole = due.len() == effects.len() && due.iter().all(is_said);
    Some(is_whole && keys.stores(keybook, &command.keys, |id| stored.get(&id).cloned()))
}
