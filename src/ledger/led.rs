//! Whether the numbers on record explain who answered a test call.

use super::record::Record;
use crate::keybook::{Keybook, Lifeline, SettingId};
use crate::setting::{Kind, Name, Value};

/// Where a lifeline leads, by the record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Led {
    /// A number on record leads there, or nobody can say which number would.
    There,
    /// All its numbers are known, and none leads there.
    Elsewhere,
    /// None that is known leads there, and one that is not may.
    Perhaps,
}

/// Whether a number that a lifeline, or a fallback of it, holds is the one that was dialled. `dialled`: nothing where it is not
/// known, or does not matter. A lifeline without numbers of its own calls wherever its line leads.
pub fn led(keybook: &Keybook, record: &Record, lifeline: usize, dialled: Option<&Name>) -> Led {
    let Some(dialled) = dialled else { return Led::There };
    let own = keybook.lifelines[lifeline].settings.iter().any(|id| is_dial(keybook, *id));
    let numbers = with_fallbacks(keybook, lifeline).filter(|id| is_dial(keybook, *id));
    let known: Vec<Option<&Value>> = numbers.map(|id| record.known(id)).collect();
    let is_dialled = |value: &Option<&Value>| matches!(value, Some(Value::Dial(number)) if number == dialled);
    if !own || known.iter().any(is_dialled) {
        Led::There
    } else if known.contains(&None) {
        Led::Perhaps
    } else {
        Led::Elsewhere
    }
}

/// Whether a setting holds a number to dial.
pub(super) fn is_dial(keybook: &Keybook, id: SettingId) -> bool {
    match keybook.setting(id).kind {
        Kind::Dial { .. } => true,
        Kind::Digits { .. } | Kind::Choice(_) | Kind::Flags { .. } | Kind::Number { .. } | Kind::Secret { .. } => false,
    }
}

/// The settings of a lifeline and of those that back it.
pub fn with_fallbacks(keybook: &Keybook, lifeline: usize) -> impl Iterator<Item = SettingId> {
    let all = keybook.lifelines.iter().enumerate();
    let counts = move |(at, one): &(usize, &Lifeline)| *at == lifeline || one.backs == Some(lifeline);
    all.filter(counts).flat_map(|(_, one)| one.settings.iter().copied())
}
