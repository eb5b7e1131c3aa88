//! The commands of a keybook's text, as far as they can be read.

use super::keyed::{Keyed, Sequence, keyed};
use super::listed::{listed, one_or_several, twice};
use super::settings::{self, Drafts, FACTORY};
use super::words::{ENTRIES_MAX, name, number_or};
use super::{Command, SettingId};
use crate::finding::Code;
use crate::setting::{Kind, Name, Value};
use crate::yaml::{Data, Node, Sheet, Spot};

/// One command, as far as it could be read.
pub(super) struct Draft<'n> {
    name: Option<Name>,
    spot: Spot,
    keyed: Option<Keyed<'n>>,
    /// What it clears and sets besides the keys; read as far as possible.
    also: Vec<(SettingId, Option<Value>)>,
    command: Option<Command>,
}

impl<'n> Draft<'n> {
    /// What is no command at all.
    fn nothing(node: &Node) -> Draft<'n> {
        Draft { name: None, spot: node.spot, keyed: None, also: Vec::new(), command: None }
    }

    /// Its keys, for comparing with others.
    pub(super) fn sequence(&self) -> Option<Sequence<'_, 'n>> {
        let title = self.name.as_ref().map_or_else(|| "a command without a name".to_string(), |name| name.to_string());
        self.keyed.as_ref().map(|keyed| Sequence { title, keyed, command: self.command.as_ref() })
    }

    /// The values of a setting that it asks for or leaves there whatever is wanted.
    pub(super) fn named(&self, id: SettingId) -> impl Iterator<Item = &Value> {
        let needs = self.command.iter().flat_map(|command| &command.needs).filter(move |need| need.0 == id);
        let also = self.command.iter().flat_map(|command| &command.also).filter(move |also| also.0 == id);
        needs.flat_map(|need| &need.1).chain(also.filter_map(|also| also.1.as_ref()))
    }

    /// Whether it leaves a value of its own in the setting.
    pub(super) fn writes(&self, id: SettingId) -> bool {
        let keyed = self.keyed.as_ref().is_some_and(|keyed| keyed.template.stored().contains(&id));
        keyed || self.also.iter().any(|(other, _)| *other == id)
    }

    /// Whether its keys could be read, so that it is known what it writes.
    pub(super) fn is_readable(&self) -> bool {
        self.keyed.is_some()
    }

    /// The command, if all of it is sound.
    pub(super) fn finish(self) -> Option<Command> {
        self.command
    }
}

/// Reads `commands`.
pub(super) fn read<'n>(sheet: &mut Sheet<'_>, drafts: &Drafts, node: &'n Node) -> Vec<Draft<'n>> {
    let items = sheet.list(node, "\"commands\"").unwrap_or_default();
    if matches!(&node.data, Data::List(items) if items.is_empty() || items.len() > ENTRIES_MAX) {
        let message = format!("A keybook has 1 to {ENTRIES_MAX} commands; here are {}.", items.len());
        sheet.note(Code::WrongShape, node.spot, message, "List the commands that store settings.");
    }
    let commands: Vec<Draft<'n>> = items
        .iter()
        .take(ENTRIES_MAX)
        .map(|item| command(sheet, drafts, item).unwrap_or_else(|| Draft::nothing(item)))
        .collect();
    for (at, command) in commands.iter().enumerate() {
        let Some(name) = &command.name else { continue };
        if let Some(first) = commands[..at].iter().find(|other| other.name.as_ref() == Some(name)) {
            twice(sheet, command.spot, first.spot, format!("Two commands are called \"{name}\"."));
        }
    }
    commands
}

fn command<'n>(sheet: &mut Sheet<'_>, drafts: &Drafts, node: &'n Node) -> Option<Draft<'n>> {
    let known = ["command", "keys", "needs", "clears", "keeps", "also", "takes_ms", "ends_call", "note"];
    let [named, keys, needs, clears, keeps, also, takes_ms, ends_call, note] = sheet.map(node, "A command", known)?;
    let named = sheet.required(named, node, "A command", "command");
    let spot = named.unwrap_or(node).spot;
    let called = named.and_then(|node| name(sheet, node, "The name of a command"));
    let what = called.as_ref().map_or_else(|| "The command".to_string(), |name| format!("The command \"{name}\""));
    let keys = sheet.required(keys, node, &what, "keys");
    let keyed = keys.and_then(|node| keyed(sheet, drafts, node, "\"keys\""));
    let needs = needs.map_or(Some(Vec::new()), |node| needs_of(sheet, drafts, node));
    let clears = clears_of(sheet, drafts, clears, keeps);
    let also = also.map_or(Some(Vec::new()), |node| also_of(sheet, drafts, node));
    let takes_ms = number_or(sheet, takes_ms, "takes_ms", 0..=3_600_000, 0);
    let ends_call = ends_call.map_or(Some(false), |node| sheet.truth(node, "\"ends_call\""));
    let note = note.map_or(Some(None), |node| name(sheet, node, "\"note\"").map(Some));
    let place = sheet.place(spot);
    let whole = || {
        Some(Command {
            name: called.clone()?,
            keys: keyed.as_ref()?.template.clone(),
            needs: needs?,
            clears: clears?,
            also: also.clone()?,
            takes_ms: takes_ms?,
            ends_call: ends_call?,
            note: note?,
            place,
        })
    };
    let command = whole();
    Some(Draft { name: called, spot, keyed, also: also.unwrap_or_default(), command })
}

/// The setting that an entry of `needs` or `also` is about; a secret takes no part in them.
fn entry(sheet: &mut Sheet<'_>, drafts: &Drafts, text: &str, spot: Spot, key: &str) -> Option<SettingId> {
    let id = drafts.mentioned(sheet, text, spot)?;
    if let Some(Kind::Secret { .. }) = drafts.kind(id) {
        let message = format!("\"{text}\" is a secret, which takes no part in \"{key}\".");
        sheet.note(Code::ValueOutside, spot, message, "Take it out here.");
        return None;
    }
    Some(id)
}

fn needs_of(sheet: &mut Sheet<'_>, drafts: &Drafts, node: &Node) -> Option<Vec<(SettingId, Vec<Value>)>> {
    let mut needs = Vec::new();
    for (key, wanted) in sheet.entries(node, "\"needs\"")? {
        let Some(id) = entry(sheet, drafts, &key.text, key.spot, "needs") else { continue };
        let Some(kind) = drafts.kind(id) else { continue };
        let what = format!("What \"needs\" wants of \"{}\"", key.text);
        needs.push((id, one_or_several(sheet, kind, wanted, &what)));
    }
    Some(needs)
}

fn also_of(sheet: &mut Sheet<'_>, drafts: &Drafts, node: &Node) -> Option<Vec<(SettingId, Option<Value>)>> {
    let mut also = Vec::new();
    for (key, value) in sheet.entries(node, "\"also\"")? {
        let Some(id) = entry(sheet, drafts, &key.text, key.spot, "also") else { continue };
        if matches!(&value.data, Data::Scalar { text, .. } if &**text == FACTORY) {
            also.push((id, drafts.factory(id)));
            continue;
        }
        let Some(kind) = drafts.kind(id) else { continue };
        let what = format!("What \"also\" sets \"{}\" to", key.text);
        also.extend(settings::value(sheet, kind, value, &what).map(|value| (id, Some(value))));
    }
    Some(also)
}

/// The settings that go to factory, in the keybook's order.
fn clears_of(
    sheet: &mut Sheet<'_>,
    drafts: &Drafts,
    clears: Option<&Node>,
    keeps: Option<&Node>,
) -> Option<Vec<SettingId>> {
    let all = clears.is_some_and(|node| matches!(&node.data, Data::Scalar { text, .. } if &**text == "all"));
    let kept = match keeps {
        Some(node) if all => listed(sheet, drafts, node, "\"keeps\""),
        Some(node) => {
            let fix = "Write clears: all, or take \"keeps\" out.";
            sheet.note(Code::WrongShape, node.spot, "\"keeps\" stands here without clears: all.", fix);
            listed(sheet, drafts, node, "\"keeps\"")
        }
        None => Some(Vec::new()),
    };
    let Some(node) = clears else { return Some(Vec::new()) };
    if all {
        let kept = kept?;
        return Some(drafts.ids().filter(|id| !kept.contains(id)).collect());
    }
    if let Data::Scalar { .. } = &node.data {
        let message = "\"clears\" is neither \"all\" nor a list of settings.";
        sheet.note(Code::WrongShape, node.spot, message, "Write clears: all or clears: [x, y].");
        return None;
    }
    let mut ids = listed(sheet, drafts, node, "\"clears\"")?;
    ids.sort();
    Some(ids)
}
