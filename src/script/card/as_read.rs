//! Keys in the groups in which a person reads and keys them: code, outside line, number by its country, end key; and numbers
//! as people write them. The letters A to D, which an ordinary phone lacks, stand alone.

use serde::Serialize;

use crate::inventory::{E164, Line, Station, leads_to};
use crate::keybook::{SettingId, Template, TemplatePart};
use crate::script::pressed::{Piece, Pressed, in_fours, is_letter};
use crate::setting::{Codes, Keys, Kind, Reference, Value};

/// A run of keys that is read in one go.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct KeyGroup {
    /// The keys, with spaces where a reader pauses.
    pub text: String,
    /// What they are.
    pub is: Group,
}

/// What a group of keys is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Group {
    /// Part of a command.
    Keys,
    /// A value.
    Value,
    /// Dialled to get from a private exchange to a public line.
    Outside,
    /// A telephone number.
    Number,
    /// An access code.
    Code,
    /// One of the keys A to D.
    Letter,
    /// A code that cannot be read here: its setting's name in braces.
    Gap,
}

/// Everything pressed for one command, `template`'s where it is known. `prints`: a code that the keybook prints is spelt out
/// too.
pub(super) fn read(
    pressed: &Pressed,
    template: Option<&Template>,
    station: &Station,
    codes: &Codes,
    prints: bool,
) -> Vec<KeyGroup> {
    let mut fields = template.into_iter().flat_map(|template| &template.0).filter_map(|part| match part {
        TemplatePart::Key(_) => None,
        TemplatePart::Field(_, id) => Some(*id),
    });
    let mut groups = Vec::new();
    for piece in &pressed.0 {
        match piece {
            Piece::Literal(run) => add(&mut groups, run, Group::Keys),
            Piece::Value(run) => value(&mut groups, run, fields.next(), station),
            Piece::Code { setting, secret, .. } => {
                let printed = fields.next().and_then(|id| station.keybook.setting(id).factory_code.as_ref());
                let printed = printed.filter(|_| prints && secret.reference == Reference::Factory);
                match printed.or(codes.code_of(secret)) {
                    Some(code) => add(&mut groups, code.reveal(), Group::Code),
                    None => groups.push(KeyGroup { text: format!("{{{setting}}}"), is: Group::Gap }),
                }
            }
        }
    }
    groups
}

/// The keys alone; nothing where one of them is not known here.
pub(super) fn pressed(groups: &[KeyGroup]) -> Option<String> {
    let is_known = groups.iter().all(|group| group.is != Group::Gap);
    is_known.then(|| groups.iter().map(|group| group.text.replace(' ', "")).collect())
}

/// A run in fours, letters apart.
fn add(groups: &mut Vec<KeyGroup>, run: &str, is: Group) {
    for text in in_fours(run) {
        let is = if text.contains(is_letter) { Group::Letter } else { is };
        groups.push(KeyGroup { text, is });
    }
}

fn value(groups: &mut Vec<KeyGroup>, run: &str, id: Option<SettingId>, station: &Station) {
    let kind = id.map(|id| &station.keybook.setting(id).kind);
    match kind.and_then(|kind| dialled(kind, run, &station.line)) {
        Some((outside, number)) => {
            add(groups, &outside, Group::Outside);
            groups.push(KeyGroup { text: number, is: Group::Number });
        }
        None => add(groups, run, Group::Value),
    }
}

/// What is keyed for the outside line, and the number as it is read; nothing where the keys are no such number.
fn dialled(kind: &Kind, run: &str, line: &Line) -> Option<(String, String)> {
    let Value::Dial(text) = kind.from_keys(&run.parse::<Keys>().ok()?.0)? else { return None };
    let number = spaced(&text, line)?;
    let digits = number.replace(' ', "");
    let outside = run.strip_suffix(&digits)?;
    Some((outside.to_owned(), number))
}

/// The public number in a dial string, as it is read; nothing where there is none, or another country writes it otherwise.
fn spaced(dialled: &str, line: &Line) -> Option<String> {
    leads_to(dialled, line).iter().find_map(|number| {
        let inside = number.read_out_inside().filter(|inside| dialled.ends_with(&inside.replace(' ', "")));
        let abroad = || {
            let text = number.read_out();
            let after = text.trim_start_matches('+');
            let before = dialled.strip_suffix(&after.replace(' ', ""))?;
            let prefix: String = before.chars().rev().take_while(char::is_ascii_digit).collect();
            let prefix: String = prefix.chars().rev().collect();
            (prefix.len() >= 2).then(|| format!("{prefix} {after}"))
        };
        inside.or_else(abroad)
    })
}

/// A number as people read it; what is not a public number, as it is.
pub(super) fn number_read(number: &str) -> String {
    number.parse::<E164>().map_or_else(|_| number.to_owned(), |number| number.read_out())
}
