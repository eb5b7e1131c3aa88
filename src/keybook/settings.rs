//! The settings of a keybook's text, as far as they can be read.
//!
//! A setting that is wrong keeps its name here, so that whoever mentions it is not told that there is none.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::field::{FLAGS_MAX, Language};
use super::words::{ENTRIES_MAX, fit_name, inside, name, number_or};
use super::{Setting, SettingId};
use crate::finding::{Code, Finding, did_you_mean, nearest, signs};
use crate::setting::{self, Key, Keys, Kind, Name, Reference, Secret, Value, Weight};
use crate::yaml::{Data, Node, Sheet, Spot};

/// The most keys a value may take.
const KEYS_MAX: u32 = 40;
/// The most names of one choice.
const NAMES_MAX: usize = 1000;
/// The largest number: nine digits.
pub(super) const NUMBER_MAX: u32 = 999_999_999;
/// The word that stands for a factory value.
pub(super) const FACTORY: &str = "factory";
/// The word that stands for any value that is not empty.
pub(super) const FILLED: &str = "filled";

/// One setting; `setting` is absent where something is wrong with it.
pub(super) struct Draft {
    name: Name,
    spot: Spot,
    /// What it holds, even where its factory value or weight is wrong.
    kind: Option<Kind>,
    setting: Option<Setting>,
}

/// All settings, in the keybook's order.
#[derive(Default)]
pub(super) struct Drafts(Vec<Draft>);

impl Drafts {
    /// The setting of that name, sound or not.
    pub(super) fn id(&self, name: &str) -> Option<SettingId> {
        let at = self.0.iter().position(|d| &*d.name == name)?;
        u16::try_from(at).ok().map(SettingId)
    }

    /// All ids, in order.
    pub(super) fn ids(&self) -> impl Iterator<Item = SettingId> + use<> {
        (0..u16::try_from(self.0.len()).unwrap_or(u16::MAX)).map(SettingId)
    }

    pub(super) fn name(&self, id: SettingId) -> &Name {
        &self.0[id.index()].name
    }

    pub(super) fn spot(&self, id: SettingId) -> Spot {
        self.0[id.index()].spot
    }

    pub(super) fn kind(&self, id: SettingId) -> Option<&Kind> {
        self.0[id.index()].kind.as_ref()
    }

    /// The factory value; `None` also where the setting is wrong.
    pub(super) fn factory(&self, id: SettingId) -> Option<Value> {
        self.0[id.index()].setting.as_ref()?.factory.clone()
    }

    /// The weight; `None` also where the setting is wrong.
    pub(super) fn weight(&self, id: SettingId) -> Option<Weight> {
        self.0[id.index()].setting.as_ref().map(|setting| setting.weight)
    }

    /// Finds the setting that a text mentions.
    pub(super) fn mentioned(&self, sheet: &mut Sheet<'_>, text: &str, spot: Spot) -> Option<SettingId> {
        let id = self.id(text);
        if id.is_none() {
            let known = self.0.iter().map(|d| &*d.name);
            let message = format!("This keybook has no setting \"{text}\".");
            sheet.note_unknown(Code::NameUnknown, spot, message, text, known);
        }
        id
    }

    /// The fix for a name that no setting has, and the name that was meant.
    pub(super) fn near(&self, text: &str) -> (String, Option<String>) {
        let known = self.0.iter().map(|d| &*d.name);
        (did_you_mean(text, known.clone()), nearest(text, known).map(str::to_owned))
    }

    /// What can be keyed for each setting whose kind could be read.
    pub(super) fn languages(&self) -> Vec<Option<Language>> {
        self.0.iter().map(|d| d.kind.as_ref().map(Language::of)).collect()
    }

    /// The settings, if all are sound.
    pub(super) fn finish(self) -> Option<Vec<Setting>> {
        self.0.into_iter().map(|d| d.setting).collect()
    }
}

/// Reads `settings`.
pub(super) fn read(sheet: &mut Sheet<'_>, node: &Node, symbols: &Arc<BTreeMap<char, Keys>>) -> Option<Drafts> {
    let entries = sheet.entries(node, "\"settings\"")?;
    if entries.is_empty() || entries.len() > ENTRIES_MAX {
        let message = format!("A keybook has 1 to {ENTRIES_MAX} settings; here are {}.", entries.len());
        sheet.note(Code::WrongShape, node.spot, message, "List what the model stores.");
    }
    let drafts = entries.iter().take(ENTRIES_MAX).map(|(key, value)| {
        let spot = key.spot;
        let named = setting_name(sheet, &key.text, spot);
        let (kind, setting) = setting(sheet, &key.text, spot, value, symbols);
        Draft { name: (&*key.text).into(), spot, kind, setting: setting.filter(|_| named) }
    });
    Some(Drafts(drafts.collect()))
}

fn setting_name(sheet: &mut Sheet<'_>, text: &str, spot: Spot) -> bool {
    if fit_name(sheet, text, spot, "The name of a setting").is_none() {
        return false;
    }
    let wrong = text.starts_with('=') || text.contains(['{', '}']);
    if wrong {
        let message = format!("The name \"{text}\" cannot stand in keys, where {{ }} and = have a meaning.");
        sheet.note(Code::WrongShape, spot, message, "Name the setting without { } and without = in front.");
    }
    !wrong
}

/// The words for kinds, each with the keys that its settings have besides `kind`, `title`, `factory` and `weight`.
const KINDS: [(&str, KindWord, [&str; 5]); 6] = [
    ("digits", KindWord::Digits, ["digits", "", "", "", ""]),
    ("dial", KindWord::Dial, ["digits", "", "", "", ""]),
    ("secret", KindWord::Secret, ["digits", "", "", "", ""]),
    ("choice", KindWord::Choice, ["values", "", "", "", ""]),
    ("flags", KindWord::Flags, ["values", "width", "", "", ""]),
    ("number", KindWord::Number, ["min", "max", "step", "width", "unit"]),
];

/// What `kind` may say.
#[derive(Debug, Clone, Copy)]
enum KindWord {
    Digits,
    Dial,
    Secret,
    Choice,
    Flags,
    Number,
}

/// The entries of one setting.
struct Entries<'n> {
    what: String,
    owner: &'n Node,
    digits: Option<&'n Node>,
    values: Option<&'n Node>,
    min: Option<&'n Node>,
    max: Option<&'n Node>,
    step: Option<&'n Node>,
    width: Option<&'n Node>,
    unit: Option<&'n Node>,
}

fn setting(
    sheet: &mut Sheet<'_>,
    text: &str,
    spot: Spot,
    node: &Node,
    symbols: &Arc<BTreeMap<char, Keys>>,
) -> (Option<Kind>, Option<Setting>) {
    let known = ["kind", "title", "digits", "values", "min", "max", "step", "width", "unit", "factory", "weight"];
    let what = format!("\"{text}\"");
    let Some([kind, title, digits, values, min, max, step, width, unit, factory, weight]) =
        sheet.map(node, &what, known)
    else {
        return (None, None);
    };
    let title = title.map_or(Some(None), |node| name(sheet, node, "\"title\"").map(Some));
    let weight = match weight {
        Some(node) => sheet.word(node, "\"weight\"", &Weight::ALL.map(|w| (w.as_str(), w))),
        None => Some(Weight::Routine),
    };
    let kind = sheet.required(kind, node, &what, "kind");
    let word =
        kind.and_then(|node| sheet.word(node, "\"kind\"", &KINDS.map(|(word, kind, keys)| (word, (word, kind, keys)))));
    let Some((word, kind, own)) = word else { return (None, None) };
    foreign_keys(sheet, node, word, &own);
    let entries = Entries { what, owner: node, digits, values, min, max, step, width, unit };
    let Some(kind) = entries.kind(sheet, kind, symbols) else { return (None, None) };
    let factory = match factory {
        Some(node) => factory_of(sheet, &kind, &entries.what, node),
        None => Some((None, None)),
    };
    let place = sheet.place(spot);
    let setting = factory.zip(weight).zip(title).map(|(((factory, factory_code), weight), title)| Setting {
        name: text.into(),
        title,
        kind: kind.clone(),
        factory,
        factory_code,
        weight,
        place,
    });
    (Some(kind), setting)
}

/// Refuses keys that settings of other kinds have.
fn foreign_keys(sheet: &mut Sheet<'_>, node: &Node, word: &str, own: &[&str]) {
    let Data::Map(entries) = &node.data else { return };
    let common = ["kind", "title", "factory", "weight"];
    for (key, _) in entries {
        let elsewhere = KINDS.iter().any(|(_, _, keys)| keys.contains(&&*key.text));
        if elsewhere && !own.contains(&&*key.text) {
            let takes: Vec<_> = common.iter().chain(own).copied().filter(|k| !k.is_empty()).collect();
            let fix = format!("It has {}.", takes.join(", "));
            let message = format!("A setting of kind {word} has no key \"{}\".", key.text);
            sheet.note(Code::KeyUnknown, key.spot, message, fix);
        }
    }
}

impl Entries<'_> {
    fn kind(&self, sheet: &mut Sheet<'_>, word: KindWord, symbols: &Arc<BTreeMap<char, Keys>>) -> Option<Kind> {
        match word {
            KindWord::Digits => self.bounds(sheet, 0).map(|(min, max)| Kind::Digits { min, max }),
            KindWord::Dial => self.bounds(sheet, 0).map(|(min, max)| Kind::Dial { min, max, symbols: symbols.clone() }),
            // Without a digit it would be no code.
            KindWord::Secret => self.bounds(sheet, 1).map(|(min, max)| Kind::Secret { min, max }),
            KindWord::Choice => self.choice(sheet),
            KindWord::Flags => self.flags(sheet),
            KindWord::Number => self.number(sheet),
        }
    }

    /// `digits: [min, max]`.
    fn bounds(&self, sheet: &mut Sheet<'_>, least: u32) -> Option<(u32, u32)> {
        let node = sheet.required(self.digits, self.owner, &self.what, "digits")?;
        let items = sheet.list(node, "\"digits\"")?;
        let [min, max] = items else {
            let fix = "Write digits: [min, max], the fewest and the most keys of a value.";
            sheet.note(Code::WrongShape, node.spot, format!("\"digits\" has {} items, not two.", items.len()), fix);
            return None;
        };
        let min = sheet.number(min, "The least of \"digits\"", least..=KEYS_MAX);
        let max = sheet.number(max, "The most of \"digits\"", 1..=KEYS_MAX);
        let (min, max) = min.zip(max)?;
        if min > max {
            let message = format!("The least of \"digits\", {min}, is more than the most, {max}.");
            sheet.note(Code::WrongShape, node.spot, message, format!("Write digits: [{max}, {min}]."));
            return None;
        }
        Some((min, max))
    }

    /// The entries of `values`, each with its name; the reserved words are refused.
    fn named<'s>(&'s self, sheet: &mut Sheet<'_>, most: usize) -> Option<Vec<(Name, &'s Node)>> {
        let node = sheet.required(self.values, self.owner, &self.what, "values")?;
        let entries = sheet.entries(node, "\"values\"")?;
        if entries.is_empty() || entries.len() > most {
            let message = format!("{} has 1 to {most} values; here are {}.", self.what, entries.len());
            sheet.note(Code::WrongShape, node.spot, message, "List what the manual lists.");
        }
        let mut named = Vec::new();
        for (key, value) in entries.iter().take(most) {
            let reserved = match &*key.text {
                FACTORY => Some("\"factory\" always means the factory value, so a value needs another name."),
                FILLED => Some("\"filled\" always means any value that is not empty, so a value needs another name."),
                _ => None,
            };
            if let Some(message) = reserved {
                sheet.note(Code::NameRepeated, key.spot, message, "Give the value another name.");
            }
            let name = fit_name(sheet, &key.text, key.spot, "The name of a value");
            named.extend(name.map(|name| (name, value)));
        }
        (!named.is_empty()).then_some(named)
    }

    fn choice(&self, sheet: &mut Sheet<'_>) -> Option<Kind> {
        let named = self.named(sheet, NAMES_MAX)?;
        let mut codes: Vec<(Name, Keys, Spot)> = Vec::new();
        let mut sound = true;
        for (name, node) in &named {
            let Some(keys) = code(sheet, node, name) else {
                sound = false;
                continue;
            };
            let other = codes.iter().find(|(_, k, _)| k.0.starts_with(&keys.0) || keys.0.starts_with(&k.0));
            if let Some((first, with, spot)) = other {
                let how = if with == &keys { "are both keyed" } else { "cannot be told apart: one begins the other," };
                let both = if with == &keys { keys.to_string() } else { format!("{with} and {keys}") };
                let message = format!("\"{first}\" and \"{name}\" {how} {both}.");
                let fix = "Compare with the manual; no code may equal or begin another.";
                let finding = Finding::new(Code::CodesConfused, sheet.place(node.spot), message, fix);
                let finding = finding.beside(sheet.place(*spot), "the other code");
                sheet.findings.push(finding);
                sound = false;
            }
            codes.push((name.clone(), keys, node.spot));
        }
        sound.then(|| Kind::Choice(codes.into_iter().map(|(name, keys, _)| (name, keys)).collect()))
    }

    fn flags(&self, sheet: &mut Sheet<'_>) -> Option<Kind> {
        let width = self.width(sheet);
        let named = self.named(sheet, FLAGS_MAX)?;
        let mut names: Vec<(Name, u32)> = Vec::new();
        // Each sum with the names it is of: bit n stands for the n-th.
        let mut sums: BTreeMap<u64, u32> = [(0, 0)].into();
        let mut sound = true;
        for (name, node) in named {
            let Some(number) = sheet.number(node, &format!("The number of \"{name}\""), 0..=NUMBER_MAX) else {
                sound = false;
                continue;
            };
            let bit = 1u32 << names.len();
            names.push((name, number));
            let with: Vec<(u64, u32)> = sums.iter().map(|(sum, set)| (sum + u64::from(number), set | bit)).collect();
            if let Some((sum, set)) = with.iter().find(|(sum, _)| sums.contains_key(sum)) {
                let (first, second) = (set_of(sums[sum], &names), set_of(*set, &names));
                let message = format!("{first} and {second} both add up to {sum}.");
                let fix = "Compare with the manual; numbers such as 1, 2, 4, 8 have sums that are all different.";
                sheet.note(Code::CodesConfused, node.spot, message, fix);
                names.pop();
                sound = false;
                continue;
            }
            sums.extend(with);
        }
        sound.then_some(Kind::Flags { names, width: width? })
    }

    fn number(&self, sheet: &mut Sheet<'_>) -> Option<Kind> {
        let min = sheet.required(self.min, self.owner, &self.what, "min");
        let min = min.and_then(|node| sheet.number(node, "\"min\"", 0..=NUMBER_MAX));
        let max_node = sheet.required(self.max, self.owner, &self.what, "max");
        let max = max_node.and_then(|node| sheet.number(node, "\"max\"", 0..=NUMBER_MAX));
        let step = number_or(sheet, self.step, "step", 1..=NUMBER_MAX, 1);
        let width = self.width(sheet);
        let unit = self.unit.map_or(Some("".into()), |node| name(sheet, node, "\"unit\""));
        let mut sound = true;
        if let Some((min, max)) = min.zip(max).filter(|(min, max)| min > max) {
            let spot = max_node.unwrap_or(self.owner).spot;
            sheet.note(Code::WrongShape, spot, format!("\"max\" is {max}, less than \"min\", {min}."), "Swap the two.");
            sound = false;
        }
        if let (Some(max), Some(Some(width)), Some(node)) = (max, width, self.width)
            && max.to_string().len() > width as usize
        {
            let message = format!("\"width\" is {width}, but \"max\", {max}, has {} digits.", max.to_string().len());
            let fix = format!("Write width: {}, or a smaller \"max\".", max.to_string().len());
            sheet.note(Code::WrongShape, node.spot, message, fix);
            sound = false;
        }
        let (min, max, step, width, unit) = (min?, max?, step?, width?, unit?);
        sound.then_some(Kind::Number { min, max, step, width, unit })
    }

    /// `width`; `None` only where it is wrong.
    fn width(&self, sheet: &mut Sheet<'_>) -> Option<Option<u32>> {
        let Some(node) = self.width else { return Some(None) };
        sheet.number(node, "\"width\"", 1..=12).map(Some)
    }
}

fn set_of(set: u32, names: &[(Name, u32)]) -> String {
    let of: Vec<&str> = names.iter().enumerate().filter(|(at, _)| set >> at & 1 == 1).map(|(_, (n, _))| &**n).collect();
    if of.is_empty() { "none at all".into() } else { format!("\"{}\"", of.join("\" + \"")) }
}

/// The keys of one choice.
fn code(sheet: &mut Sheet<'_>, node: &Node, name: &str) -> Option<Keys> {
    let text = sheet.quoted(node, &format!("The code of \"{name}\""))?;
    let count = text.chars().count();
    if count == 0 || count > KEYS_MAX as usize {
        let message = format!("The code of \"{name}\" has {count} keys.");
        sheet.note(Code::WrongShape, node.spot, message, format!("Write 1 to {KEYS_MAX} keys."));
        return None;
    }
    let wrong: Vec<(usize, char)> = text.chars().enumerate().filter(|(_, sign)| Key::new(*sign).is_none()).collect();
    for (at, sign) in &wrong {
        let spot = inside(sheet.span(node), text, *at, 1);
        no_key(sheet, spot, *sign);
    }
    text.parse().ok()
}

/// Tells that a sign is not a key.
pub(super) fn no_key(sheet: &mut Sheet<'_>, spot: Spot, sign: char) {
    let capital = Key::new(sign.to_ascii_uppercase());
    let meant = capital.or_else(|| Key::new(signs::digit_like(signs::plain(sign).unwrap_or(sign))));
    let (fix, replacement) = match (capital, meant) {
        (Some(key), _) => (format!("Write {key}, in capitals."), Some(key.to_string())),
        (None, Some(key)) => (format!("Write {key}."), Some(key.to_string())),
        (None, None) if signs::is_unseen(sign) => ("Remove it.".into(), Some(String::new())),
        (None, None) => ("Use 0-9, *, # and A-D.".into(), None),
    };
    // Only where the spot is the sign alone, not the whole text that it stands in.
    let replacement = replacement.filter(|_| spot.length == 1);
    sheet.note_exact(Code::NotAKey, spot, format!("{} is not a key.", signs::named(sign)), fix, replacement);
}

/// The factory value and, for a secret, its code; `None` where it is wrong.
fn factory_of(
    sheet: &mut Sheet<'_>,
    kind: &Kind,
    title: &str,
    node: &Node,
) -> Option<(Option<Value>, Option<setting::Code>)> {
    let what = format!("The factory value of {title}");
    if !matches!(kind, Kind::Secret { .. }) {
        return value(sheet, kind, node, &what).map(|value| (Some(value), None));
    }
    let text = sheet.quoted(node, &what)?;
    let code = setting::Code::new(text);
    if kind.fits_code(&code).is_err() || code.reveal() != text {
        let fix = "Write as many digits as \"digits\" allows, in double quotes.";
        sheet.note(Code::ValueOutside, node.spot, format!("{what} is no code that it can hold."), fix);
        return None;
    }
    let secret = Secret { reference: Reference::Factory, fingerprint: None };
    Some((Some(Value::Secret(secret)), Some(code)))
}

/// A value of a kind that is no secret.
pub(super) fn value(sheet: &mut Sheet<'_>, kind: &Kind, node: &Node, what: &str) -> Option<Value> {
    let written = sheet.written(node, what)?;
    let sealed = |reference: &Reference| Secret { reference: reference.clone(), fingerprint: None };
    match kind.value(&written, sealed) {
        Ok(value) => Some(value),
        Err(unfit) => {
            let replacement = unfit.replacement.filter(|_| matches!(node.data, Data::Scalar { .. }));
            sheet.note_exact(unfit.code, node.spot, format!("{what} {}", unfit.why), unfit.fix, replacement);
            None
        }
    }
}
