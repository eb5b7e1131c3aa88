//! What one station model can store and which keys store it.
//!
//! [`read()`] takes a keybook's text apart and checks it; [`Keybook`] is the result everything else works
//! with; [`SimulatedStation`] is a station of that model that understands keys and nothing else.
//! The software knows no maker: whatever a model does stands in its keybook.

mod ambiguity;
mod check;
mod commands;
mod field;
mod read;
mod repeats;
#[cfg(test)]
pub(crate) mod sample;
mod settings;
mod station;
mod template;

pub use read::read;
pub use station::{Answer, Held, Refusal, Sequence, SimulatedStation, Verdict};
pub use template::{Fault, Part, Template, TemplateError, Use};

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::finding::Place;
use crate::setting::{Code, Codes, Key, Kind, Name, Value, Weight};

/// The most lifelines of a keybook; like the limits below, what the search for the best script takes on.
pub const LIFELINES_MAX: usize = 64;
/// The most values of one setting that the keybook itself names; what is held and what is wanted come on top.
pub const VALUES_MAX: usize = 62;
/// The most presses, and the longest time in milliseconds, of one command.
pub const PRESSES_MAX: u64 = 8_191;
pub const COMMAND_MS_MAX: u64 = 16_777_215;

/// Which of a keybook's settings, in the keybook's order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SettingId(pub u16);

impl SettingId {
    /// As an index into the keybook's settings and into tables laid out like them.
    pub fn index(self) -> usize {
        self.0 as usize
    }
}

/// One station model: what it stores, how it is keyed, how it answers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Keybook {
    pub model: Name,
    pub title: Name,
    pub place: Place,
    pub call: Call,
    pub accepted: Tone,
    pub refused: Tone,
    pub timing: Timing,
    /// How signs inside a stored number are keyed.
    pub symbols: Arc<BTreeMap<char, Key>>,
    pub settings: Vec<Setting>,
    pub lifelines: Vec<Lifeline>,
    pub commands: Vec<Command>,
    /// SHA-256 of the keybook's text, in hexadecimal: part of what a script's digest stands for.
    pub digest: String,
}

/// How a programming call goes. Times in milliseconds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Call {
    /// Rings before it answers.
    pub rings: u32,
    /// How long it speaks before it listens.
    pub greeting_ms: u32,
    pub open: Template,
    pub close: Option<Template>,
    /// It hangs up after this silence.
    pub idle_ms: u32,
    /// The longest call, from answer to hang-up.
    pub limit_ms: u32,
}

/// A signal of `beeps` tones.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tone {
    pub beeps: u32,
    pub hz: u32,
    pub on_ms: u32,
    pub off_ms: u32,
}

/// How fast a station is keyed, in milliseconds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Timing {
    /// What pressing one key takes a person.
    pub press_ms: u32,
    /// From the last key of a command to the end of its answer.
    pub answer_ms: u32,
    /// A tone sent by a machine.
    pub tone_ms: u32,
    /// The gap after it.
    pub gap_ms: u32,
}

/// One thing a station remembers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Setting {
    pub name: Name,
    pub kind: Kind,
    /// What a new or cleared unit holds; unknown where there is none.
    pub factory: Option<Value>,
    /// The digits of a secret's factory value, which the keybook prints.
    pub factory_code: Option<Code>,
    pub weight: Weight,
    pub place: Place,
}

/// Settings that must be right together for a button to summon help.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lifeline {
    pub name: Name,
    pub settings: Vec<SettingId>,
    pub place: Place,
}

/// A sequence of keys that the station obeys.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Command {
    pub name: Name,
    pub keys: Template,
    /// Each must hold one of the values before the command, or it is refused.
    pub needs: Vec<(SettingId, Vec<Value>)>,
    /// Settings that go to factory first, in the keybook's order.
    pub clears: Vec<SettingId>,
    /// What else it sets, after the clears: a value, or factory (`None`: unknown).
    pub also: Vec<(SettingId, Option<Value>)>,
    pub takes_ms: u32,
    /// The station hangs up once it has accepted.
    pub ends_call: bool,
    pub note: Option<Name>,
    pub place: Place,
}

impl Keybook {
    /// The setting with this id.
    pub fn setting(&self, id: SettingId) -> &Setting {
        &self.settings[id.index()]
    }

    /// The id of a setting by name.
    pub fn id(&self, name: &str) -> Option<SettingId> {
        let at = self.settings.iter().position(|s| &*s.name == name)?;
        u16::try_from(at).ok().map(SettingId)
    }

    /// Whether a button may fail to summon help where this setting is wrong.
    pub fn is_lifeline(&self, id: SettingId) -> bool {
        let in_one = || self.lifelines.iter().any(|lifeline| lifeline.settings.contains(&id));
        self.setting(id).weight == Weight::Lifeline || in_one()
    }

    /// All ids, in the keybook's order.
    pub fn ids(&self) -> impl Iterator<Item = SettingId> + use<> {
        (0..u16::try_from(self.settings.len()).unwrap_or(u16::MAX)).map(SettingId)
    }

    /// Gives the factory codes their fingerprints, so that they can be told from other codes.
    pub fn seal(&mut self, codes: &Codes) {
        for setting in &mut self.settings {
            if let (Some(Value::Secret(secret)), Some(code)) = (&mut setting.factory, &setting.factory_code) {
                secret.fingerprint = Some(codes.fingerprint_of(code));
            }
        }
    }
}

impl Command {
    /// Every setting it changes, with the value it leaves there; `None` is unknown.
    ///
    /// Clears first, then `also`, then what is keyed, the order in which a station carries them out.
    pub fn effects(&self, keybook: &Keybook, keyed: &BTreeMap<SettingId, Value>) -> BTreeMap<SettingId, Option<Value>> {
        let mut effects = BTreeMap::new();
        effects.extend(self.clears.iter().map(|id| (*id, keybook.setting(*id).factory.clone())));
        effects.extend(self.also.iter().cloned());
        effects.extend(keyed.iter().map(|(id, value)| (*id, Some(value.clone()))));
        effects
    }
}
