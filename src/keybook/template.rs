//! The keys of a command with fields in them: `21{emergency.primary}#`.

use std::collections::BTreeMap;

use crate::setting::{Key, Keys};

/// Which of a keybook's settings, in the keybook's order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SettingId(pub u16);

impl SettingId {
    /// As an index into the keybook's settings and into tables laid out like them.
    pub fn index(self) -> usize {
        self.0 as usize
    }
}

/// What a field does with its setting.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Use {
    /// `{x}`: keys a new value and stores it.
    Store,
    /// `{=x}`: keys the value held now and stores nothing.
    Held,
}

/// A literal key, or a field.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum TemplatePart {
    /// This key.
    Key(Key),
    /// The value of a setting.
    Field(Use, SettingId),
}

/// What is pressed for a command, in order.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Template(pub Vec<TemplatePart>);

/// Why a template's text cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[allow(missing_docs, reason = "the messages say it")]
pub enum TemplateError {
    #[error("\"{}\" is not a key", .0.escape_debug())]
    NoKey(char),
    #[error("a field is opened with {{ and not closed")]
    Unclosed,
    #[error("\"{0}\" is not a setting of this keybook")]
    NoSetting(String),
    #[error("it presses nothing")]
    Empty,
}

/// One thing in a template's text that cannot be read; `at` and `length` count characters, from 0.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// Where it begins.
    pub at: usize,
    /// How long it is.
    pub length: usize,
    /// What is wrong with it.
    pub why: TemplateError,
}

impl Template {
    /// Reads `B{=access}#`; `id` finds a setting by name.
    ///
    /// # Errors
    /// Everything that cannot be read, in the order of the text; never empty.
    pub fn parse(text: &str, id: impl Fn(&str) -> Option<SettingId>) -> Result<Template, Vec<Fault>> {
        let (mut parts, mut faults) = (Vec::new(), Vec::new());
        let (mut rest, mut at) = (text, 0);
        while let Some(sign) = rest.chars().next() {
            let (read, taken) = Self::part(rest, sign, &id);
            let length = taken.chars().count();
            match read {
                Ok(part) => parts.push(part),
                Err(why) => faults.push(Fault { at, length, why }),
            }
            rest = &rest[taken.len()..];
            at += length;
        }
        if parts.is_empty() && faults.is_empty() {
            faults.push(Fault { at: 0, length: 0, why: TemplateError::Empty });
        }
        if faults.is_empty() { Ok(Template(parts)) } else { Err(faults) }
    }

    /// The part at the beginning of `rest`, and the text it takes up there.
    fn part(
        rest: &str,
        sign: char,
        id: impl Fn(&str) -> Option<SettingId>,
    ) -> (Result<TemplatePart, TemplateError>, &str) {
        if sign != '{' {
            return (Key::new(sign).map(TemplatePart::Key).ok_or(TemplateError::NoKey(sign)), &rest[..sign.len_utf8()]);
        }
        let Some(end) = rest.find('}') else { return (Err(TemplateError::Unclosed), rest) };
        let inner = &rest[1..end];
        let (how, name) = inner.strip_prefix('=').map_or((Use::Store, inner), |name| (Use::Held, name));
        let field =
            id(name).map(|id| TemplatePart::Field(how, id)).ok_or_else(|| TemplateError::NoSetting(name.into()));
        (field, &rest[..=end])
    }

    /// The settings it stores, each once, in the order of first mention.
    pub fn stored(&self) -> Vec<SettingId> {
        self.used(Use::Store)
    }

    /// The settings whose held value it keys, each once.
    pub fn held(&self) -> Vec<SettingId> {
        self.used(Use::Held)
    }

    fn used(&self, wanted: Use) -> Vec<SettingId> {
        let mut ids = Vec::new();
        for part in &self.0 {
            if let TemplatePart::Field(how, id) = part
                && *how == wanted
                && !ids.contains(id)
            {
                ids.push(*id);
            }
        }
        ids
    }

    /// Literal keys and, per use of a setting, how often it is keyed.
    pub fn counts(&self) -> (usize, BTreeMap<(Use, SettingId), usize>) {
        let mut fields = BTreeMap::new();
        let mut literal = 0;
        for part in &self.0 {
            match part {
                TemplatePart::Key(_) => literal += 1,
                TemplatePart::Field(how, id) => *fields.entry((*how, *id)).or_insert(0) += 1,
            }
        }
        (literal, fields)
    }

    /// What is pressed: literal keys as runs, fields filled in by `fill`.
    pub fn press<E>(&self, mut fill: impl FnMut(Use, SettingId) -> Result<Keys, E>) -> Result<Keys, E> {
        let mut keys = Keys::default();
        for part in &self.0 {
            match part {
                TemplatePart::Key(key) => keys.0.push(*key),
                TemplatePart::Field(how, id) => keys.0.extend(fill(*how, *id)?.0),
            }
        }
        Ok(keys)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Result<Template, Vec<Fault>> {
        Template::parse(text, |name| (name == "access").then_some(SettingId(0)))
    }

    #[test]
    fn keys_and_fields_are_read_in_their_order() {
        let template = parse("9{access}#{=access}").unwrap();
        let key = |sign| TemplatePart::Key(Key::new(sign).unwrap());
        let field = |how| TemplatePart::Field(how, SettingId(0));
        assert_eq!(template.0, [key('9'), field(Use::Store), key('#'), field(Use::Held)]);
        assert_eq!((template.stored(), template.held()), (vec![SettingId(0)], vec![SettingId(0)]));
    }

    #[test]
    fn everything_that_cannot_be_read_is_told_with_its_place() {
        let faults = parse("1é{acess}x{access}{=").unwrap_err();
        let told: Vec<_> = faults.iter().map(|f| (f.at, f.length, f.why.clone())).collect();
        let unknown = TemplateError::NoSetting("acess".into());
        let (first, second) = (TemplateError::NoKey('é'), TemplateError::NoKey('x'));
        assert_eq!(told, [(1, 1, first), (2, 7, unknown), (9, 1, second), (18, 2, TemplateError::Unclosed)]);
        assert_eq!(parse("").unwrap_err()[0].why, TemplateError::Empty);
    }
}
