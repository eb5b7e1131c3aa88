//! What one line of a layer wants of a station: a value of the model's kind, or what is wrong with it. A contact becomes a
//! dial string by the station's line. It looks at one line at a time and knows no layers.

use super::line::{self, Lacks, Line, LineKind, Reach};
use super::numbering::E164;
use super::raw::{RawSetting, Wish};
use super::shared::Shared;
use super::station::{Layer, Wanted};
use crate::finding::{Code, Finding, Place, as_name, did_you_mean, with_article};
use crate::keybook::{Keybook, SettingId};
use crate::setting::{Kind, Name, Reference, Value, Written};

/// A station's model and line, while one of its lines is judged.
pub(super) struct At<'a> {
    pub keybook: &'a Keybook,
    pub line: &'a Line,
    pub site: &'a Place,
}

/// Judges lines, and collects what is wrong with them.
pub(super) struct Values<'r> {
    pub shared: &'r Shared,
    pub findings: Vec<Finding>,
}

impl<'r> Values<'r> {
    /// With nothing found yet.
    pub fn new(shared: &'r Shared) -> Values<'r> {
        Values { shared, findings: Vec::new() }
    }

    fn note(&mut self, code: Code, place: &Place, message: String, fix: impl Into<String>) {
        self.findings.push(Finding::new(code, place.clone(), message, fix));
    }

    /// What an entry wants of a station; `None` where it is unmanaged or wrong.
    pub fn entry(&mut self, layer: &Layer, entry: &RawSetting, id: SettingId, at: &At<'_>) -> Option<Wanted> {
        let kind = &at.keybook.setting(id).kind;
        let (value, contact) = match &entry.wish {
            Wish::Unmanaged => return None,
            Wish::Value(written) => (self.value(written, entry, id, at)?, None),
            Wish::FromLine => (self.line_kind(entry, kind, at)?, None),
            Wish::To(name) => (self.to(name, entry, kind, at)?, Some(name.clone())),
        };
        let contact_title = contact.as_ref().and_then(|name| self.shared.contacts.get(name)?.title.clone());
        Some(Wanted { value, layer: layer.clone(), place: entry.place.clone(), contact, contact_title })
    }

    fn value(&mut self, written: &Written, entry: &RawSetting, id: SettingId, at: &At<'_>) -> Option<Value> {
        let kind = &at.keybook.setting(id).kind;
        if let (Written::Secret(reference), Kind::Secret { .. }) = (written, kind) {
            self.code(reference, entry, kind);
        }
        match kind.value(written, |reference| self.shared.codes.seal(reference)) {
            Ok(value) => Some(value),
            Err(unfit) => {
                if let Some(contact) = self.contact_by_mistake(written, kind) {
                    let message = format!("\"{}\" is the name of a contact: {contact}.", entry.name);
                    let exact = format!("{{to: {}}}", as_name(&contact));
                    let fix = format!("Write {exact}.");
                    let finding = Finding::new(Code::ValueOutside, entry.place.clone(), message, fix);
                    self.findings.push(finding.replacing(Some(exact)));
                    return None;
                }
                let message = format!("\"{}\" on {} {}", entry.name, with_article(&at.keybook.model), unfit.why);
                let fix = no_number(written, id, at.keybook).unwrap_or(unfit.fix);
                let finding = Finding::new(unfit.code, entry.place.clone(), message, fix);
                let replacement =
                    unfit.replacement.filter(|_| matches!(written, Written::Quoted(_) | Written::Plain(_)));
                self.findings.push(finding.replacing(replacement));
                None
            }
        }
    }

    /// The contact whose name stands where a number is stored.
    fn contact_by_mistake(&self, written: &Written, kind: &Kind) -> Option<Name> {
        let (Written::Plain(text) | Written::Quoted(text), Kind::Dial { .. }) = (written, kind) else { return None };
        let (name, _) = self.shared.contacts.get_key_value(&Name::from(&**text))?;
        Some(name.clone())
    }

    fn code(&mut self, reference: &Reference, entry: &RawSetting, kind: &Kind) {
        let problem = match self.shared.codes.code(reference) {
            Some(code) => kind
                .fits_code(code)
                .err()
                .map(|unfit| (unfit.code, format!("\"{reference}\" {}", unfit.why), unfit.fix)),
            None => match reference {
                Reference::File(path) => Some((
                    Code::SecretUnread,
                    format!("The code behind \"{reference}\" cannot be read here."),
                    format!("Put the code into {path}, beside the configuration, or let this user read it."),
                )),
                // Variables are set where scripts are made, seldom where files are checked.
                Reference::Env(_) | Reference::Factory => None,
            },
        };
        if let Some((code, message, fix)) = problem {
            self.note(code, &entry.place, message, fix);
        }
    }

    fn line_kind(&mut self, entry: &RawSetting, kind: &Kind, at: &At<'_>) -> Option<Value> {
        let Kind::Choice(choices) = kind else {
            let message = format!("\"{}\" is not a choice, so it cannot follow the line's kind.", entry.name);
            self.note(Code::ValueOutside, &entry.place, message, "Write a value.");
            return None;
        };
        let Some(word) = at.line.kind.map(LineKind::as_str) else {
            self.lacking(entry, &Lacks::Kind, at);
            return None;
        };
        let found = choices.iter().find(|(name, _)| &**name == word);
        if found.is_none() {
            let message = format!("A {} has no choice \"{word}\" for \"{}\".", at.keybook.model, entry.name);
            let fix = did_you_mean(word, choices.iter().map(|(name, _)| &**name));
            self.note(Code::ValueOutside, &entry.place, message, fix);
        }
        found.map(|(name, _)| Value::Choice(name.clone()))
    }

    fn lacking(&mut self, entry: &RawSetting, lacks: &Lacks, at: &At<'_>) {
        if at.line.is_partial {
            return;
        }
        let message = format!("What \"{}\" should be depends on the line, and {lacks}.", entry.name);
        let fix = match lacks {
            Lacks::Kind | Lacks::Country => "Complete the \"line\" of the site or station.",
            Lacks::Outside => {
                "Give the line what its exchange takes before a public number, such as outside: \"9,\". If it takes \
                 nothing, write outside: \"\"."
            }
        };
        let finding = Finding::new(Code::LineIncomplete, entry.place.clone(), message, fix);
        self.findings.push(finding.beside(at.site.clone(), "the site"));
    }

    fn to(&mut self, name: &Name, entry: &RawSetting, kind: &Kind, at: &At<'_>) -> Option<Value> {
        let Kind::Dial { .. } = kind else {
            let message = format!("\"{}\" stores no telephone number, so it cannot call a contact.", entry.name);
            self.note(Code::ValueOutside, &entry.place, message, "Write a value.");
            return None;
        };
        if self.shared.broken_contacts.contains(name) {
            return None;
        }
        // One that does not exist is told of by `checks`, whether or not a station takes the layer.
        let contact = self.shared.contacts.get(name)?;
        let dialled = match line::dial(&contact.reach, at.line) {
            Ok(dialled) => dialled,
            Err(lacks) => {
                self.lacking(entry, &lacks, at);
                return None;
            }
        };
        self.dialling_warnings(name, &contact.reach, &dialled, entry, at.line);
        match kind.value(&Written::Quoted(dialled), |reference| self.shared.codes.seal(reference)) {
            Ok(value) => Some(value),
            Err(unfit) => {
                let message = format!("\"{}\" on {} {}", entry.name, with_article(&at.keybook.model), unfit.why);
                let finding = Finding::new(unfit.code, entry.place.clone(), message, unfit.fix);
                self.findings.push(finding.beside(contact.place.clone(), format!("from the contact \"{name}\"")));
                None
            }
        }
    }

    fn abroad(&mut self, number: &E164, entry: &RawSetting, line: &Line) {
        let Some((used, country, other)) = line.abroad_otherwise(number) else { return };
        let message = format!(
            "{number} is dialled after {used} on this line, and {country} has another prefix for numbers abroad."
        );
        let fix = match other {
            Some(other) => format!("Give the line international: \"{other}\", or whatever its operator says."),
            None => "Give the line the \"international\" prefix that its operator says.".into(),
        };
        self.note(Code::AbroadOtherwise, &entry.place, message, fix);
    }

    fn at_home(&mut self, name: &Name, number: &E164, place: &Place, line: &Line) {
        let Some((dialled, written)) = line.national_otherwise(number) else { return };
        let message = format!("{number} is dialled {dialled} on this line, and written {written} inside its country.");
        let outside = line.outside();
        let fix = format!(
            "Ask the line's operator what to dial. A contact with dial: \"{outside}{written}\", beside \"{name}\", is dialled as written."
        );
        self.note(Code::NationalOtherwise, place, message, fix);
    }

    fn dialling_warnings(&mut self, name: &Name, reach: &Reach, dialled: &Name, entry: &RawSetting, line: &Line) {
        match (reach, line.kind) {
            (Reach::Short(short), Some(LineKind::Pbx)) if line.short_direct != Some(true) => {
                let message = format!(
                    "The emergency code {short} is dialled as {dialled} on this line. Direct-dialling rules such as 47 CFR 9.16 may forbid a prefix."
                );
                let fix = "Where the exchange takes the code directly, give the line short_direct: true; ask whoever is responsible for it.";
                self.note(Code::ShortPrefixed, &entry.place, message, fix);
            }
            (Reach::Extension(_), Some(LineKind::Direct)) => {
                let message = format!("The extension of \"{name}\" cannot be reached from a direct line.");
                self.note(Code::ExtensionOutside, &entry.place, message, "Give a contact with \"calls\".");
            }
            (Reach::Calls(number), _) => {
                self.abroad(number, entry, line);
                self.at_home(name, number, &entry.place, line);
            }
            (Reach::Dial(_) | Reach::Short(_) | Reach::Extension(_), _) => {}
        }
    }
}

/// The fix for an empty number, where a model stores at least one symbol: a number, or that there is no such button.
fn no_number(written: &Written, id: SettingId, keybook: &Keybook) -> Option<String> {
    let (Written::Quoted(text), Kind::Dial { .. }) = (written, &keybook.setting(id).kind) else { return None };
    let button = keybook.lifelines.iter().find(|lifeline| lifeline.is_required() && lifeline.settings.contains(&id))?;
    let none = format!("If there is no such button, remove this line and write lifelines: {{{}: none}}.", button.name);
    text.is_empty().then(|| format!("Write {{to: CONTACT}}. {none}"))
}
