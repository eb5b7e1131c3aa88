//! The keys of a keybook's text with the place where they stand.

use super::confusion::Languages;
use super::settings::{self, Drafts};
use super::words::inside;
use super::{Command, Template, TemplateError, TemplatePart};
use crate::finding::Code;
use crate::yaml::{Node, Sheet, Spot};

/// The most parts (keys and fields) of one template.
const PARTS_MAX: usize = 200;

/// A template with the place it stands at.
pub(super) struct Keyed<'n> {
    pub(super) template: Template,
    pub(super) spot: Spot,
    text: &'n str,
}

impl Keyed<'_> {
    /// Where the part with this index stands.
    pub(super) fn part_spot(&self, part: usize) -> Spot {
        let (mut at, mut rest) = (0, self.text);
        for (index, which) in self.template.0.iter().enumerate() {
            let bytes = match which {
                TemplatePart::Key(_) => 1,
                TemplatePart::Field(..) => rest.find('}').map_or(rest.len(), |end| end + 1),
            };
            let (taken, after) = rest.split_at_checked(bytes).unwrap_or((rest, ""));
            let length = taken.chars().count();
            if index == part {
                return inside(self.spot, self.text, at, length);
            }
            at += length;
            rest = after;
        }
        self.spot
    }
}

/// Reads a template.
pub(super) fn keyed<'n>(sheet: &mut Sheet<'_>, drafts: &Drafts, node: &'n Node, what: &str) -> Option<Keyed<'n>> {
    let text = sheet.quoted(node, what)?;
    let template = match Template::parse(text, |name| drafts.id(name)) {
        Ok(template) => template,
        Err(faults) => {
            for fault in faults {
                let spot = inside(sheet.span(node), text, fault.at, fault.length);
                broken(sheet, drafts, spot, &fault.why, what);
            }
            return None;
        }
    };
    if template.0.len() > PARTS_MAX {
        let message = format!("{what} has {} keys and fields.", template.0.len());
        sheet.note(Code::TemplateBroken, node.spot, message, format!("Write at most {PARTS_MAX}."));
        return None;
    }
    Some(Keyed { template, spot: sheet.span(node), text })
}

fn broken(sheet: &mut Sheet<'_>, drafts: &Drafts, spot: Spot, why: &TemplateError, what: &str) {
    match why {
        TemplateError::NoKey(sign @ ('{' | '}')) => {
            let message = format!("\"{sign}\" is alone in {what}.");
            sheet.note(Code::TemplateBroken, spot, message, "Write {x} or {=x} for a setting x.");
        }
        TemplateError::NoKey(sign) => settings::no_key(sheet, spot, *sign),
        TemplateError::Unclosed => {
            let message = format!("In {what}, a field is opened with {{ and not closed.");
            sheet.note(Code::TemplateBroken, spot, message, "Write } after the name of the setting.");
        }
        TemplateError::NoSetting(name) => {
            let (fix, near) = drafts.near(name);
            // Only where the spot is the field alone, {x} or {=x}, not the whole text that it stands in.
            let near = near.and_then(|near| match (spot.length as usize).checked_sub(name.chars().count()) {
                Some(2) => Some(format!("{{{near}}}")),
                Some(3) => Some(format!("{{={near}}}")),
                Some(_) | None => None,
            });
            let message = format!("This keybook has no setting \"{name}\".");
            sheet.note_exact(Code::NameUnknown, spot, message, fix, near);
        }
        TemplateError::Empty => {
            sheet.note(
                Code::TemplateBroken,
                spot,
                format!("{what} presses nothing."),
                "Write the keys, such as \"10{x}#\".",
            );
        }
    }
}

/// Something keyed in a call: the opening, the closing or a command.
pub(super) struct Sequence<'k, 'n> {
    pub(super) title: String,
    pub(super) keyed: &'k Keyed<'n>,
    /// The command, if it is a sound one.
    pub(super) command: Option<&'k Command>,
}

impl Sequence<'_, '_> {
    /// Whether it is known what can be keyed for each of its fields.
    pub(super) fn has_languages(&self, languages: &Languages) -> bool {
        self.keyed.template.0.iter().all(|part| match part {
            TemplatePart::Key(_) => true,
            TemplatePart::Field(_, id) => languages.get(id.index()).is_some_and(Option::is_some),
        })
    }
}
