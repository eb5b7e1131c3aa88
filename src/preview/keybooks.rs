//! What an edit of keybooks changes: which keys, which weights, and everything else as it reads back in plain English.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use similar::TextDiff;

use crate::inventory::Station;
use crate::keybook::{Keybook, Template, TemplatePart, read_back};
use crate::setting::{Keys, Kind, Name, Weight};

/// So many ways of keying are kept of one keybook; the diff has all that changes.
const KEYED: usize = 24;

/// A keybook that would say something else.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeybookPreview {
    /// How many stations are of that model, before and after.
    pub stations: usize,
    /// What would be keyed otherwise to store the same values.
    pub keys: BTreeSet<KeysPreview>,
    /// Settings of another weight.
    pub weights: Vec<WeightPreview>,
    /// What would be read back otherwise, as a diff.
    pub diff: String,
}

/// A command, the opening or the closing, as it is keyed at some station.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct KeysPreview {
    /// The command's name; "opening" or "closing" else.
    pub command: Name,
    /// The keys as they were. A field whose keys stay is its name in braces; a code is never shown.
    pub from: String,
    /// As they would be; empty where nothing is keyed any longer.
    pub to: String,
}

/// A setting that would mean something else for a person pressing the button.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WeightPreview {
    /// Its name in the keybook.
    pub setting: Name,
    /// As it was.
    pub from: Weight,
    /// As it would be.
    pub to: Weight,
}

/// Keybooks that say something else, by model; found station by station. A side has one of a model, so they are compared once.
#[derive(Debug, Default)]
pub(super) struct Keybooks {
    seen: BTreeMap<Name, KeybookPreview>,
}

impl Keybooks {
    /// Takes a station as it was and as it would be.
    pub(super) fn see(&mut self, was: &Station, station: &Station) {
        let (old, new) = (&was.keybook, &station.keybook);
        if old.model != new.model || Arc::ptr_eq(old, new) || old.digest == new.digest {
            return;
        }
        let preview = self.seen.entry(new.model.clone()).or_insert_with(|| KeybookPreview {
            stations: 0,
            keys: BTreeSet::new(),
            weights: weights(old, new),
            diff: diff(old, new),
        });
        preview.stations += 1;
        if preview.keys.len() < KEYED {
            preview.keys.extend(keys(old, station));
        }
    }

    /// Those of which something else is read back.
    pub(super) fn finish(self) -> BTreeMap<Name, KeybookPreview> {
        self.seen.into_iter().filter(|(_, preview)| !preview.diff.is_empty()).collect()
    }
}

fn weights(was: &Keybook, now: &Keybook) -> Vec<WeightPreview> {
    let both = now.settings.iter().filter_map(|setting| Some((setting, was.setting(was.id(&setting.name)?))));
    let changed = both.filter(|(new, old)| new.weight != old.weight);
    changed.map(|(new, old)| WeightPreview { setting: new.name.clone(), from: old.weight, to: new.weight }).collect()
}

/// What a station's values would be stored by, where the keys are not those of the keybook that was.
fn keys(was: &Keybook, station: &Station) -> Vec<KeysPreview> {
    let now = &*station.keybook;
    let mut pairs: Vec<(Name, Option<&Template>, Option<&Template>)> = vec![
        ("opening".into(), Some(&was.call.open), Some(&now.call.open)),
        ("closing".into(), was.call.close.as_ref(), now.call.close.as_ref()),
    ];
    for command in &now.commands {
        let old = was.commands.iter().find(|old| old.name == command.name).map(|old| &old.keys);
        pairs.extend(old.map(|old| (command.name.clone(), Some(old), Some(&command.keys))));
    }
    let text = |book, other, template: Option<&Template>| {
        template.map(|template| keyed(book, other, template, station)).unwrap_or_default()
    };
    let told = pairs.into_iter().map(|(command, old, new)| KeysPreview {
        command,
        from: text(was, now, old),
        to: text(now, was, new),
    });
    told.filter(|told| told.from != told.to).collect()
}

/// What a template of `book` keys for what the station wants. A value that both keybooks key alike stays a field, unless it is
/// one of a few.
fn keyed(book: &Keybook, other: &Keybook, template: &Template, station: &Station) -> String {
    let part = |part: &TemplatePart| match part {
        TemplatePart::Key(key) => key.sign().to_string(),
        TemplatePart::Field(_, id) => {
            let name = &book.setting(*id).name;
            let by = |book: &Keybook| -> Option<Keys> {
                let wanted = station.wanted(station.keybook.id(name)?)?;
                book.setting(book.id(name)?).kind.keys(&wanted.value)
            };
            let is_few = match book.setting(*id).kind {
                Kind::Choice(_) | Kind::Flags { .. } | Kind::Number { .. } => true,
                Kind::Digits { .. } | Kind::Dial { .. } | Kind::Secret { .. } => false,
            };
            match by(book) {
                Some(keys) if is_few || by(other).as_ref() != Some(&keys) => {
                    keys.0.iter().map(|key| key.sign()).collect::<String>()
                }
                Some(_) | None => format!("{{{name}}}"),
            }
        }
    };
    template.0.iter().map(part).collect()
}

fn diff(was: &Keybook, now: &Keybook) -> String {
    let (before, after) = (read_back(was, false), read_back(now, false));
    let mut diff = TextDiff::from_lines(&before, &after).unified_diff().context_radius(1).to_string();
    // A code is in no review, not even one of a factory; that it changes is.
    for setting in &now.settings {
        let old = was.settings.iter().find(|old| old.name == setting.name).and_then(|old| old.factory_code.as_ref());
        let new = setting.factory_code.as_ref();
        if old.zip(new).is_some_and(|(old, new)| old.reveal() != new.reveal()) {
            diff += &format!("+  {}: A new one has another code than before.\n", setting.name);
        }
    }
    diff
}
