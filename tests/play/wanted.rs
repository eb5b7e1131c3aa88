//! What a fleet of this play is wanted to hold, as data that edits change at random, and as the text of an inventory. It
//! knows no record and no station.

use std::collections::BTreeMap;
use std::sync::Arc;

use stationkeep::finding::Finding;
use stationkeep::inventory::{Inventory, read, resolve};
use stationkeep::keybook::Keybook;
use stationkeep::setting::{Codes, Kind, Name};

use crate::dice::Dice;

pub type Books = BTreeMap<Name, Arc<Keybook>>;

/// One entry of `settings`, as written.
type Wishes = BTreeMap<String, String>;

/// One station of the inventory.
#[derive(Clone)]
pub struct Unit {
    /// Its own number in this play, under whatever name.
    pub key: usize,
    pub name: String,
    pub formerly: Vec<String>,
    pub model: String,
    pub number: u32,
    /// The kind of its own line, where it is not its site's.
    pub line: Option<&'static str>,
    pub settings: Wishes,
    /// Buttons that are said not to be there.
    pub none: Vec<String>,
}

/// Everything that the files say.
#[derive(Clone)]
pub struct Wanted {
    /// The number, or the extension, of each contact.
    pub contacts: BTreeMap<&'static str, String>,
    /// The kind of line of each site.
    pub sites: Vec<(&'static str, &'static str, Wishes)>,
    pub fleet: Wishes,
    pub units: Vec<(usize, Unit)>,
    pub test_days: Option<u32>,
}

pub const KINDS: [&str; 3] = ["direct", "pbx", "ringdown"];
const CONTACTS: [&str; 4] = ["control", "duty", "night", "gate"];

/// A number reserved for fiction.
pub fn number(nth: u32) -> String {
    format!("+4416329601{nth:02}")
}

fn number_of_contact(dice: &mut Dice) -> String {
    if dice.percent(75) { number(dice.below(20) as u32) } else { format!("{}", 4400 + dice.below(9)) }
}

impl Wanted {
    /// One or two stations of each model, at two sites.
    pub fn new(dice: &mut Dice, books: &Books) -> Wanted {
        let contacts = CONTACTS.iter().zip([1, 2, 3, 4]).map(|(name, nth)| (*name, number(nth))).collect();
        let sites = [("quay", "pbx"), ("point", "direct")].map(|(name, kind)| (name, kind, Wishes::new()));
        let mut wanted = Wanted {
            contacts,
            sites: sites.to_vec(),
            fleet: [("line.kind".to_owned(), "{from: line}".to_owned())].into(),
            units: Vec::new(),
            test_days: None,
        };
        for (model, book) in books {
            for _ in 0..1 + dice.below(2) {
                let key = wanted.units.len();
                let settings = book.settings.iter().filter(|setting| &*setting.name != "line.kind");
                let settings: Wishes = settings
                    .map(|setting| (setting.name.to_string(), wish(dice, &setting.name, &setting.kind, true)))
                    .collect();
                let unit = Unit {
                    key,
                    name: format!("EQ-{key:02}"),
                    formerly: Vec::new(),
                    model: model.to_string(),
                    number: 40 + key as u32,
                    line: None,
                    settings,
                    none: Vec::new(),
                };
                wanted.units.push((dice.below(2) as usize, unit));
            }
        }
        wanted
    }

    /// The inventory that these files come to; nothing where anything is wrong with them.
    pub fn resolved(&self, books: &Books, codes: &Codes) -> Option<Inventory> {
        let (raw, findings) = read(&"fleet.yaml".into(), self.text().as_bytes());
        if findings.iter().any(Finding::is_error) {
            return None;
        }
        let (inventory, findings) = resolve(&[Arc::new(raw)], books, codes);
        (!findings.iter().any(Finding::is_error)).then_some(inventory)
    }

    pub fn text(&self) -> String {
        let map = |wishes: &Wishes| {
            wishes.iter().map(|(name, wish)| format!("{name}: {wish}")).collect::<Vec<_>>().join(", ")
        };
        let mut text = String::from("inventory: 1\nfleet: Play\ncontacts:\n");
        for (name, calls) in &self.contacts {
            let how = if calls.starts_with('+') { "calls" } else { "extension" };
            text += &format!("  {name}: {{{how}: \"{calls}\"}}\n");
        }
        if let Some(days) = self.test_days {
            text += &format!("test_days: {days}\n");
        }
        text += &format!("settings: {{{}}}\nsites:\n", map(&self.fleet));
        for (at, (site, kind, wishes)) in self.sites.iter().enumerate() {
            text += &format!("  {site}:\n    line: {{kind: {kind}, outside: \"9,\", country: GB}}\n");
            text += &format!("    settings: {{{}}}\n    stations:\n", map(wishes));
            for (_, unit) in self.units.iter().filter(|(of, _)| *of == at) {
                let mut parts = vec![
                    format!("number: \"{}\"", number(unit.number)),
                    format!("model: {}", unit.model),
                    "where: here".into(),
                ];
                parts.extend(unit.line.map(|kind| format!("line: {{kind: {kind}}}")));
                if !unit.formerly.is_empty() {
                    parts.push(format!("formerly: [{}]", unit.formerly.join(", ")));
                }
                if !unit.none.is_empty() {
                    let none = unit.none.iter().map(|name| format!("{name}: none")).collect::<Vec<_>>();
                    parts.push(format!("lifelines: {{{}}}", none.join(", ")));
                }
                parts.push(format!("settings: {{{}}}", map(&unit.settings)));
                text += &format!("      {}: {{{}}}\n", unit.name, parts.join(", "));
            }
        }
        text.replace("    stations:\n  point", "    stations: {}\n  point")
    }

    /// Another line kind, number, contact, layer, name or value, as one commit might bring; it need not be sound.
    pub fn edit(&mut self, dice: &mut Dice, books: &Books) {
        let at = dice.below(self.units.len() as u64) as usize;
        let unit = &mut self.units[at].1;
        let book = &books[&*unit.model];
        match dice.below(100) {
            0..44 => {
                let setting = dice.of(&book.settings);
                let chosen = wish(dice, &setting.name, &setting.kind, false);
                unit.settings.insert(setting.name.to_string(), chosen);
            }
            44..52 => {
                let setting = dice.of(&book.settings).name.to_string();
                if dice.percent(50) {
                    unit.settings.remove(&setting);
                } else {
                    unit.settings.insert(setting, "null".into());
                }
            }
            52..62 => unit.line = if dice.percent(30) { None } else { Some(*dice.of(&KINDS)) },
            62..66 => self.sites[dice.below(2) as usize].1 = *dice.of(&KINDS),
            66..76 => {
                let contact = *dice.of(&CONTACTS);
                self.contacts.insert(contact, number_of_contact(dice));
            }
            76..84 => {
                let setting = dice.of(&book.settings);
                let chosen = wish(dice, &setting.name, &setting.kind, false);
                let layer = if dice.percent(50) { &mut self.fleet } else { &mut self.sites[dice.below(2) as usize].2 };
                if dice.percent(40) {
                    layer.remove(&*setting.name);
                } else if &*setting.name != "identity" {
                    layer.insert(setting.name.to_string(), chosen);
                }
            }
            84..89 => {
                let former = std::mem::replace(&mut unit.name, format!("EQ-{:02}-{}", unit.key, dice.below(1_000)));
                unit.formerly.push(former);
            }
            89..93 => unit.number = 40 + dice.below(60) as u32,
            93..95 => self.test_days = *dice.of(&[None, Some(1), Some(30)]),
            _ => {
                let button = dice.of(&book.lifelines).name.to_string();
                let before = unit.none.len();
                unit.none.retain(|none| *none != button);
                if unit.none.len() == before {
                    unit.none.push(button);
                }
            }
        }
    }
}

/// A value of a setting as an inventory may say it. At the beginning all is as it should be.
fn wish(dice: &mut Dice, name: &str, kind: &Kind, sound: bool) -> String {
    if name == "line.kind" && dice.percent(85) {
        return "{from: line}".into();
    }
    match kind {
        Kind::Digits { min, max } => {
            let count = u64::from(*min) + dice.below(u64::from(max - min) + 1);
            format!("\"{}\"", (0..count).map(|_| char::from(b'0' + dice.below(10) as u8)).collect::<String>())
        }
        Kind::Dial { min, .. } => match dice.below(if sound { 70 } else { 100 }) {
            0..75 => format!("{{to: {}}}", dice.of(&CONTACTS)),
            75..90 if *min == 0 => "\"\"".into(),
            _ => format!("\"9,0163296010{}\"", dice.below(10)),
        },
        Kind::Choice(values) => {
            let works = ["service", "day", "live"];
            let working = values.iter().find(|(name, _)| sound && works.contains(&&**name));
            working.unwrap_or_else(|| dice.of(values)).0.to_string()
        }
        Kind::Flags { names, .. } => {
            let mut on: Vec<&str> = names.iter().filter(|_| dice.percent(50)).map(|(name, _)| &**name).collect();
            if sound && on.is_empty() {
                on.push(&names[0].0);
            }
            format!("[{}]", on.join(", "))
        }
        Kind::Number { min, max, step, .. } => {
            let steps = u64::from((max - min) / step);
            let nth = if sound { 1 + dice.below(steps) } else { dice.below(steps + 1) };
            format!("{}", min + step * nth as u32)
        }
        Kind::Secret { .. } => format!("{{secret: \"file:{}\"}}", dice.of(&["new", "old"])),
    }
}
