//! One wrong stroke in good files, hundreds of times: a line lost, doubled or moved, a digit, a quote, an indentation, a key, two
//! values exchanged. Whatever it makes of a file, someone is told: `check` reports it, or `check --against` the good files shows it,
//! or it changes nothing that a station is wanted to hold. The files are the sample's.
//!
//! 200 strokes of the inventory and 100 of the keybooks, the same each time; `STATIONKEEP_MUTATIONS=5000` for more, beginning at
//! `STATIONKEEP_MUTATION_SEED`.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use stationkeep::files::FileText;
use stationkeep::fleet::{Reading, ReadingCache, Texts};
use stationkeep::inventory::{Inventory, Station};
use stationkeep::preview::Preview;
use stationkeep::setting::{Code, Codes, Reference};

/// Chance with a seed (SplitMix64).
struct Chance(u64);

impl Chance {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, n: usize) -> usize {
        if n == 0 { 0 } else { (self.next() % n as u64) as usize }
    }
}

fn config() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("config")
}

fn texts(folder: &str) -> Texts {
    let mut texts = Texts::new();
    let mut folders = vec![config().join(folder)];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).expect("a folder") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|end| end == "yaml") {
                let name = path.strip_prefix(config()).expect("below it").display().to_string();
                texts.insert(name.into(), Arc::new(FileText::new(fs::read(path).expect("a file"))));
            }
        }
    }
    texts
}

/// The codes of the sample, from the files that references lead to.
fn codes(references: &[Reference]) -> Codes {
    let mut codes = Codes::new(b"a key for this test");
    for reference in references {
        let named = reference.to_string();
        let text = named.strip_prefix("file:").and_then(|path| fs::read_to_string(config().join(path)).ok());
        if let Some(text) = text {
            codes.learn(reference.clone(), Code::new(text.trim_end()));
        }
    }
    codes
}

struct Good {
    keybooks: Texts,
    inventory: Texts,
    reading: Reading,
    cache: ReadingCache,
}

impl Good {
    fn new() -> Good {
        let (keybooks, inventory) = (texts("keybooks"), texts("inventory"));
        let mut cache = ReadingCache::default();
        let reading = Reading::read(&keybooks, &inventory, codes, &mut cache);
        assert!(reading.is_sound(), "{:?}", reading.findings);
        Good { keybooks, inventory, reading, cache }
    }

    /// What becomes of files with one of them in another state.
    fn with(&mut self, file: &Arc<str>, text: &str) -> Reading {
        let (mut keybooks, mut inventory) = (self.keybooks.clone(), self.inventory.clone());
        let texts = if keybooks.contains_key(file) { &mut keybooks } else { &mut inventory };
        texts.insert(file.clone(), Arc::new(FileText::new(text.as_bytes().to_vec())));
        Reading::read(&keybooks, &inventory, codes, &mut self.cache)
    }
}

/// One stroke and what it is; nothing where the text gives no occasion for it.
fn struck(text: &str, chance: &mut Chance) -> Option<(&'static str, String)> {
    let (name, result) = match chance.below(3) {
        0 => of_lines(text, chance),
        1 => of_signs(text, chance)?,
        _ => of_digits_and_values(text, chance)?,
    };
    (result != text).then_some((name, result))
}

fn of_lines(text: &str, chance: &mut Chance) -> (&'static str, String) {
    let mut lines: Vec<String> = text.split_inclusive('\n').map(str::to_owned).collect();
    let at = chance.below(lines.len());
    let name = match chance.below(6) {
        0 => {
            lines.remove(at);
            "a line is lost"
        }
        1 => {
            lines.insert(at, lines[at].clone());
            "a line is doubled"
        }
        2 => {
            let other = (at + 1) % lines.len();
            lines.swap(at, other);
            "two neighbours change places"
        }
        3 => {
            let other = chance.below(lines.len());
            lines.swap(at, other);
            "two lines change places"
        }
        4 => {
            lines[at] = format!("{}{}", " ".repeat(1 + chance.below(3)), lines[at]);
            "a line moves to the right"
        }
        _ => {
            let spaces = lines[at].len() - lines[at].trim_start_matches(' ').len();
            lines[at] = lines[at][(1 + chance.below(4)).min(spaces)..].to_owned();
            "a line moves to the left"
        }
    };
    (name, lines.concat())
}

/// A place of one of these characters.
fn one_of(text: &str, chance: &mut Chance, which: impl Fn(char) -> bool) -> Option<usize> {
    let all: Vec<usize> = text.char_indices().filter(|(_, sign)| which(*sign)).map(|(at, _)| at).collect();
    all.get(chance.below(all.len())).copied()
}

/// The text with another in place of so many bytes.
fn put(text: &str, at: usize, length: usize, new: &str) -> String {
    format!("{}{new}{}", &text[..at], &text[at + length..])
}

fn of_signs(text: &str, chance: &mut Chance) -> Option<(&'static str, String)> {
    Some(match chance.below(6) {
        0 => ("a quote is lost", put(text, one_of(text, chance, |sign| sign == '"')?, 1, "")),
        1 => {
            let colon = one_of(text, chance, |sign| sign == ':')?;
            let last = text[..colon].char_indices().next_back().filter(|(_, sign)| sign.is_ascii_alphanumeric())?;
            ("a key ends otherwise", put(text, last.0, 1, "x"))
        }
        2 => ("a mark is lost", put(text, one_of(text, chance, |sign| ",:{}[]".contains(sign))?, 1, "")),
        3 => ("a comment begins", put(text, one_of(text, chance, |sign| sign == ' ')?, 1, " #")),
        4 => {
            let at = one_of(text, chance, char::is_alphabetic)?;
            ("a letter is lost", put(text, at, text[at..].chars().next()?.len_utf8(), ""))
        }
        _ => {
            let at = one_of(text, chance, |sign| sign.is_ascii_lowercase())?;
            ("a letter is a capital", put(text, at, 1, &text[at..=at].to_ascii_uppercase()))
        }
    })
}

fn of_digits_and_values(text: &str, chance: &mut Chance) -> Option<(&'static str, String)> {
    let digit = |chance: &mut Chance| one_of(text, chance, |sign| sign.is_ascii_digit());
    Some(match chance.below(5) {
        0 => ("a digit is another", put(text, digit(chance)?, 1, &chance.below(10).to_string())),
        1 => ("a digit is lost", put(text, digit(chance)?, 1, "")),
        2 => {
            let at = digit(chance)?;
            ("a digit is doubled", put(text, at, 0, &text[at..=at]))
        }
        _ => {
            let (mut one, mut other) = (value(text, chance)?, value(text, chance)?);
            if one.start > other.start {
                std::mem::swap(&mut one, &mut other);
            }
            if one.end > other.start {
                return None;
            }
            let (first, second) = (&text[one.clone()], &text[other.clone()]);
            let parts = [&text[..one.start], second, &text[one.end..other.start], first, &text[other.end..]];
            ("two values change places", parts.concat())
        }
    })
}

/// The place of a value: what follows a colon up to the next mark.
fn value(text: &str, chance: &mut Chance) -> Option<std::ops::Range<usize>> {
    let starts: Vec<usize> = text.match_indices(": ").map(|(at, _)| at + 2).collect();
    let start = *starts.get(chance.below(starts.len()))?;
    let length = text[start..].find([',', '}', '\n'])?;
    (length > 0).then(|| start..start + length)
}

/// A debugging text without places and what is made from a file's bytes: these change with every line.
fn without_places(mut text: String) -> String {
    while let Some(from) = text.find("Place {") {
        let to = text[from..].find('}').map_or(text.len(), |end| from + end + 1);
        text.replace_range(from..to, "");
    }
    text
}

/// All that is wanted of a station, whoever says it in which line.
fn wanted(station: &Station, inventory: &Inventory) -> String {
    let settings = station.keybook.settings.iter().zip(&station.wanted);
    let settings: Vec<String> = settings
        .map(|(setting, wanted)| {
            let wanted = wanted.as_ref().map(|wanted| {
                let reach = wanted.contact.as_ref().map(|name| &inventory.contacts[name].reach);
                (&wanted.value, &wanted.contact, &wanted.contact_title, reach)
            });
            format!("{}={wanted:?}", setting.name)
        })
        .collect();
    let absent: BTreeSet<&str> = station.absent.keys().map(|name| &**name).collect();
    let Station { name, formerly, site, number, location, line, test_days, .. } = station;
    format!(
        "{name} {formerly:?} {site} {number} {location} {} {line:?} {test_days:?} {absent:?} {settings:?} {}",
        station.keybook.model, inventory.fleet
    )
}

fn all_wanted(inventory: &Inventory) -> BTreeSet<String> {
    inventory.stations.values().map(|station| wanted(station, inventory)).collect()
}

/// What is wrong, wherever it stands.
fn told(reading: &Reading) -> BTreeMap<String, usize> {
    let mut told = BTreeMap::new();
    for finding in &reading.findings {
        *told.entry(format!("{} {}", finding.code, finding.message)).or_default() += 1;
    }
    told
}

#[derive(Debug, Default)]
struct Tally {
    silent: usize,
    reported: usize,
    shown: usize,
}

fn number(variable: &str, default: u64) -> u64 {
    match std::env::var(variable) {
        Ok(text) => text.parse().unwrap_or_else(|_| panic!("{variable} is not a number: {text}")),
        Err(_) => default,
    }
}

/// Strikes files so often; `same` says whether nothing changed that anyone goes by.
fn strike(files: fn(&Good) -> &Texts, default: u64, same: fn(&Reading, &Reading) -> bool) -> Tally {
    let mut good = Good::new();
    let known = told(&good.reading);
    let names: Vec<Arc<str>> = files(&good).keys().cloned().collect();
    let (most, first) = (number("STATIONKEEP_MUTATIONS", default), number("STATIONKEEP_MUTATION_SEED", 1));
    let (mut tally, mut seed, mut done) = (Tally::default(), first, 0);
    let mut slipped = Vec::new();
    while done < most {
        let mut chance = Chance(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15));
        seed += 1;
        let name = &names[chance.below(names.len())];
        let text = files(&good)[name].text().expect("text").to_owned();
        let Some((what, struck)) = struck(&text, &mut chance) else { continue };
        done += 1;
        let reading = good.with(name, &struck);
        if told(&reading) != known {
            tally.reported += 1;
            continue;
        }
        let change = Preview::between(&good.reading.inventory, &reading.inventory, &reading.codes);
        if !change.is_empty() || !change.keybooks.is_empty() || change.fleet.is_some() {
            tally.shown += 1;
        } else if same(&good.reading, &reading) {
            tally.silent += 1;
        } else {
            let diff: Vec<String> = struck
                .lines()
                .zip(text.lines())
                .filter(|(new, old)| new != old)
                .take(2)
                .map(|(new, old)| format!("  was {old}\n  is  {new}"))
                .collect();
            slipped.push(format!("seed {}, {what} in {name}:\n{}", seed - 1, diff.join("\n")));
        }
    }
    assert!(slipped.is_empty(), "{} of {done} slipped through\n{}", slipped.len(), slipped.join("\n"));
    println!("{done} strokes: {tally:?}");
    tally
}

#[test]
fn no_stroke_in_an_inventory_slips_through() {
    let same = |good: &Reading, reading: &Reading| all_wanted(&good.inventory) == all_wanted(&reading.inventory);
    let tally = strike(|good| &good.inventory, 200, same);
    // Each way of being told is tried.
    assert!(tally.reported > 40 && tally.shown > 10 && tally.silent > 5, "{tally:?}");
}

#[test]
fn no_stroke_in_a_keybook_slips_through() {
    fn books(reading: &Reading) -> String {
        let all = reading.keybooks.values().map(|book| {
            let book = stationkeep::keybook::Keybook { digest: String::new(), ..(**book).clone() };
            without_places(format!("{book:?}"))
        });
        all.collect()
    }
    let tally = strike(|good| &good.keybooks, 100, |good, reading| books(good) == books(reading));
    assert!(tally.reported > 20 && tally.shown > 3, "{tally:?}");
}
