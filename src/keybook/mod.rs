//! What one station model can store and which keys store it.
//!
//! [`read()`] takes a keybook's text apart and checks it; [`Keybook`] is the result everything else works
//! with; [`SimulatedStation`] is a station of that model that understands keys and nothing else.
//! The software knows no maker: whatever a model does stands in its keybook.

mod ambiguity;
mod call;
mod check;
mod commands;
mod confusion;
mod dial_keys;
mod example;
mod field;
mod keyed;
mod lifeline;
mod lifelines;
mod listed;
mod read;
mod read_back;
mod repeats;
#[cfg(test)]
pub(crate) mod sample;
mod settings;
mod station;
mod talks;
mod template;
mod words;

pub use example::EXAMPLE;
pub use lifeline::{Ability, Condition, Is, Lifeline};
pub use read::read;
pub use read_back::read_back;
pub use station::{Answer, Held, Refusal, Sequence, SimulatedStation, Verdict};
pub use template::{Fault, SettingId, Template, TemplateError, TemplatePart, Use};

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::finding::Place;
use crate::setting::{Code, Codes, Keys, Kind, Name, Value, Weight, spoken};

/// The most lifelines of a keybook; like the limits below, what the search for the best script takes on.
pub const LIFELINES_MAX: usize = 64;
/// The most values of one setting that the keybook itself names; what is held and what is wanted come on top.
pub const VALUES_MAX: usize = 62;
/// The most presses of one command.
pub const PRESSES_MAX: u64 = 8_191;
/// The longest time of one command, in milliseconds.
pub const COMMAND_MS_MAX: u64 = 16_777_215;

/// One station model: what it stores, how it is keyed, how it answers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Keybook {
    /// What the inventory calls it.
    pub model: Name,
    /// What people call it.
    pub title: Name,
    /// Where its file names the model.
    pub place: Place,
    /// How it is rung and opened.
    pub call: Call,
    /// What it sounds when it has obeyed.
    pub accepted: Tone,
    /// What it sounds when it has not.
    pub refused: Tone,
    /// How fast it is keyed.
    pub timing: Timing,
    /// How symbols of a stored number other than digits are keyed, with one to three keys each.
    pub symbols: Arc<BTreeMap<char, Keys>>,
    /// All that it remembers, in the order of the file.
    pub settings: Vec<Setting>,
    /// In the order of the file.
    pub lifelines: Vec<Lifeline>,
    /// In the order of the file.
    pub commands: Vec<Command>,
    /// SHA-256 of the keybook's text without its talks, in hexadecimal: part of what a script's digest stands for.
    pub digest: String,
}

/// How a programming call goes. Times in milliseconds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Call {
    /// Rings before it answers.
    pub rings: u32,
    /// How long it speaks before it listens.
    pub greeting_ms: u32,
    /// Keyed once a call, first.
    pub open: Template,
    /// Keyed last, where there is something to key.
    pub close: Option<Template>,
    /// It hangs up after this silence.
    pub idle_ms: u32,
    /// The longest call, from answer to hang-up.
    pub limit_ms: u32,
}

/// A signal of `beeps` tones.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tone {
    /// How many.
    pub beeps: u32,
    /// Their pitch.
    pub hz: u32,
    /// How long each is, in milliseconds.
    pub on_ms: u32,
    /// The silence between two, in milliseconds.
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
    /// What files call it.
    pub name: Name,
    /// What people call it, where the keybook says so; see [`Setting::title`].
    pub title: Option<Name>,
    /// What it can hold, and how that is keyed.
    pub kind: Kind,
    /// What a new or cleared unit holds; unknown where there is none.
    pub factory: Option<Value>,
    /// The digits of a secret's factory value, which the keybook prints.
    pub factory_code: Option<Code>,
    /// What it means for a person pressing the button.
    pub weight: Weight,
    /// Where its keybook names it.
    pub place: Place,
}

/// A sequence of keys that the station obeys.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Command {
    /// What files and cards call it.
    pub name: Name,
    /// What is pressed.
    pub keys: Template,
    /// Each must hold one of the values before the command, or it is refused.
    pub needs: Vec<(SettingId, Vec<Value>)>,
    /// Settings that go to factory first, in the keybook's order.
    pub clears: Vec<SettingId>,
    /// What else it sets, after the clears: a value, or factory (`None`: unknown).
    pub also: Vec<(SettingId, Option<Value>)>,
    /// What it takes besides its keys and its answer, in milliseconds.
    pub takes_ms: u32,
    /// The station hangs up once it has accepted.
    pub ends_call: bool,
    /// Said on the card.
    pub note: Option<Name>,
    /// Where its keybook names it.
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

impl Setting {
    /// What people call it: its title, or its name with dots and hyphens as spaces.
    pub fn title(&self) -> String {
        spoken(&self.name, self.title.as_ref())
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
