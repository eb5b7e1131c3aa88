//! Keys as a script holds them: codes by reference until someone who may see them asks.

use serde_json::{Value as Json, json};

use crate::keybook::{Keybook, Setting, SettingId, Template, TemplatePart, Use};
use crate::setting::{Code, Codes, Fingerprint, Kind, Name, Reference, Secret, Value};

use super::task::code_presses;

/// A run of keys, or a code.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Piece {
    /// Keys that the keybook gives literally.
    Literal(String),
    /// The keys of a value.
    Value(String),
    /// A code.
    Code {
        /// The setting that holds it.
        setting: Name,
        /// Which code.
        secret: Secret,
        /// How many digits one may have: it counts as so many where it cannot be read here.
        longest: usize,
    },
}

/// Everything pressed for one command.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pressed(pub Vec<Piece>);

impl Pressed {
    /// Fills in a template. `value` gives the value of each field; `None` where there is none.
    pub fn new(
        keybook: &Keybook,
        template: &Template,
        value: impl Fn(Use, SettingId) -> Option<Value>,
    ) -> Option<Pressed> {
        let mut pieces: Vec<Piece> = Vec::new();
        for part in &template.0 {
            match part {
                TemplatePart::Key(key) => match pieces.last_mut() {
                    Some(Piece::Literal(run)) => run.push(key.sign()),
                    Some(Piece::Value(_) | Piece::Code { .. }) | None => {
                        pieces.push(Piece::Literal(key.sign().to_string()));
                    }
                },
                TemplatePart::Field(how, id) => pieces.push(field(keybook, *id, value(*how, *id)?)?),
            }
        }
        Some(Pressed(pieces))
    }

    /// The keys, with every code that can be read here; `{setting}` stands for one that cannot.
    pub fn reveal(&self, codes: &Codes) -> String {
        self.groups(codes).concat()
    }

    /// The same, piece by piece.
    pub fn groups(&self, codes: &Codes) -> Vec<String> {
        let group = |piece: &Piece| match piece {
            Piece::Literal(run) | Piece::Value(run) => run.clone(),
            Piece::Code { setting, secret, longest: _ } => match codes.code_of(secret) {
                Some(code) => code.reveal().to_owned(),
                None => format!("{{{setting}}}"),
            },
        };
        self.0.iter().map(group).collect()
    }

    /// The same keys with other values in some fields of the template that they were made from; nothing where they are not
    /// that template's.
    pub(super) fn instead(
        &self,
        keybook: &Keybook,
        template: &Template,
        value: impl Fn(SettingId) -> Option<Value>,
    ) -> Option<Pressed> {
        let mut fields = template.0.iter().filter_map(|part| match part {
            TemplatePart::Key(_) => None,
            TemplatePart::Field(_, id) => Some(*id),
        });
        let piece = |piece: &Piece| match piece {
            Piece::Literal(_) => Some(piece.clone()),
            Piece::Value(_) | Piece::Code { .. } => {
                let id = fields.next()?;
                value(id).map_or_else(|| Some(piece.clone()), |value| field(keybook, id, value))
            }
        };
        self.0.iter().map(piece).collect::<Option<_>>().map(Pressed)
    }

    /// How many keys; a code that cannot be read here counts as the longest it could be.
    pub fn presses(&self, codes: &Codes) -> usize {
        let presses = |piece: &Piece| match piece {
            Piece::Literal(run) | Piece::Value(run) => run.len(),
            Piece::Code { secret, longest, .. } => codes.code_of(secret).map_or(*longest, |code| code.reveal().len()),
        };
        self.0.iter().map(presses).sum()
    }

    /// Whether it has keys A to D; a code is digits.
    pub fn has_letters(&self) -> bool {
        self.0.iter().any(|piece| match piece {
            Piece::Literal(run) | Piece::Value(run) => run.contains(is_letter),
            Piece::Code { .. } => false,
        })
    }

    /// The codes in it that cannot be read here.
    pub fn unread(&self, codes: &Codes) -> Vec<(Name, Secret)> {
        let unread = |piece: &Piece| match piece {
            Piece::Code { setting, secret, .. } if codes.code_of(secret).is_none() => {
                Some((setting.clone(), secret.clone()))
            }
            Piece::Literal(_) | Piece::Value(_) | Piece::Code { .. } => None,
        };
        self.0.iter().filter_map(unread).collect()
    }

    /// The keys with a stand-in for each code that cannot be read, for the proof.
    pub fn with_stand_ins(&self, code: impl Fn(&Secret) -> Code) -> String {
        let keys = |piece: &Piece| match piece {
            Piece::Literal(run) | Piece::Value(run) => run.clone(),
            Piece::Code { secret, .. } => code(secret).reveal().to_owned(),
        };
        self.0.iter().map(keys).collect()
    }

    /// The form that is kept: codes by reference.
    pub fn json(&self) -> Json {
        let piece = |piece: &Piece| match piece {
            Piece::Literal(run) => json!({ "keys": run }),
            Piece::Value(run) => json!({ "value": run }),
            Piece::Code { setting, secret, longest: _ } => json!({
                "code": &**setting,
                "secret": secret.reference.to_string(),
                "fingerprint": secret.fingerprint.as_ref().map(|print| print.to_string()),
            }),
        };
        self.0.iter().map(piece).collect()
    }

    /// Keys that were kept; nothing where they cannot be read.
    pub(super) fn of_json(json: &Json, keybook: &Keybook) -> Option<Pressed> {
        json.as_array()?.iter().map(|piece| piece_of(piece, keybook)).collect::<Option<_>>().map(Pressed)
    }

    /// Whether these are the keys of a template that store these values; whatever they key of what is held.
    pub(super) fn stores(
        &self,
        keybook: &Keybook,
        template: &Template,
        value: impl Fn(SettingId) -> Option<Value>,
    ) -> bool {
        let mut due: Vec<Due> = Vec::new();
        for part in &template.0 {
            match (part, due.last_mut()) {
                (TemplatePart::Key(key), Some(Due::Keys(run))) => run.push(key.sign()),
                (TemplatePart::Key(key), _) => due.push(Due::Keys(key.sign().to_string())),
                (TemplatePart::Field(Use::Store, id), _) => due.push(Due::Stored(*id)),
                (TemplatePart::Field(Use::Held, _), _) => due.push(Due::Held),
            }
        }
        let is_it = |(due, piece): (&Due, &Piece)| match (due, piece) {
            (Due::Keys(run), Piece::Literal(keyed)) => run == keyed,
            (Due::Held, Piece::Value(_) | Piece::Code { .. }) => true,
            (Due::Stored(id), Piece::Code { setting, secret, longest: _ }) => {
                let keyed = Value::Secret(secret.clone());
                *setting == keybook.setting(*id).name && value(*id).is_some_and(|value| value.agrees(&keyed))
            }
            (Due::Stored(id), Piece::Value(_)) => {
                value(*id).and_then(|value| field(keybook, *id, value)).as_ref() == Some(piece)
            }
            (Due::Keys(_), Piece::Value(_) | Piece::Code { .. }) | (Due::Stored(_) | Due::Held, Piece::Literal(_)) => {
                false
            }
        };
        due.len() == self.0.len() && due.iter().zip(&self.0).all(is_it)
    }
}

/// A part of a template, literal keys as runs.
enum Due {
    Keys(String),
    Stored(SettingId),
    Held,
}

fn piece_of(json: &Json, keybook: &Keybook) -> Option<Piece> {
    let text = |key: &str| json.get(key).and_then(Json::as_str);
    if let Some(run) = text("keys") {
        return Some(Piece::Literal(run.to_owned()));
    }
    if let Some(run) = text("value") {
        return Some(Piece::Value(run.to_owned()));
    }
    let id = keybook.id(text("code")?)?;
    let secret =
        Secret { reference: text("secret")?.parse().ok()?, fingerprint: text("fingerprint").map(Fingerprint::stored) };
    field(keybook, id, Value::Secret(secret))
}

fn field(keybook: &Keybook, id: SettingId, value: Value) -> Option<Piece> {
    let setting = keybook.setting(id);
    match value {
        Value::Secret(secret) => {
            let longest = code_presses(&secret, &setting.kind, &Codes::default());
            Some(Piece::Code { setting: setting.name.clone(), secret, longest })
        }
        Value::Digits(_) | Value::Dial(_) | Value::Choice(_) | Value::Flags(_) | Value::Number(_) => {
            setting.kind.keys(&value).map(|keys| Piece::Value(keys.to_string()))
        }
    }
}

/// What a code is when only a stand-in is at hand: as long as the kind allows, its own for each secret.
pub(super) fn stand_in(kind: &Kind, nth: usize) -> Code {
    let longest = match kind {
        Kind::Secret { max, .. } => *max as usize,
        Kind::Digits { .. } | Kind::Dial { .. } | Kind::Choice(_) | Kind::Flags { .. } | Kind::Number { .. } => 0,
    };
    let digits: String = format!("{nth:0>longest$}").chars().rev().take(longest).collect();
    Code::new(&digits.chars().rev().collect::<String>())
}

/// The code of a setting that nobody knows or wants: the factory's if the keybook prints it, else a gap to fill in.
pub(super) fn unheard_of(setting: &Setting) -> Option<Value> {
    let blank = Value::Secret(Secret { reference: Reference::Factory, fingerprint: None });
    setting.factory.clone().or_else(|| matches!(setting.kind, Kind::Secret { .. }).then_some(blank))
}

/// The keys that an ordinary phone lacks.
pub(super) fn is_letter(sign: char) -> bool {
    matches!(sign, 'A'..='D')
}

/// Long runs of keys are read and keyed in groups of four, letters apart; a placeholder stays whole.
pub(super) fn in_fours(group: &str) -> Vec<String> {
    if group.starts_with('{') {
        return vec![group.to_owned()];
    }
    let mut groups: Vec<String> = Vec::new();
    for sign in group.chars() {
        let goes_on = |last: &&mut String| last.len() < 4 && !is_letter(sign) && !last.ends_with(is_letter);
        match groups.last_mut().filter(goes_on) {
            Some(last) => last.push(sign),
            None => groups.push(sign.to_string()),
        }
    }
    groups
}
