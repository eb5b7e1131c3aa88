//! How a keybook's text says that symbols of a stored number other than digits are keyed.

use std::collections::BTreeMap;

use super::settings::no_key;
use super::words::inside;
use crate::finding::{Code, Finding};
use crate::setting::{Key, Keys};
use crate::yaml::{Node, Sheet, Spot};

/// The most keys of one symbol.
const KEYS_MAX: usize = 3;

/// Reads `dial_keys`: symbols, each with one to three keys. The first is not a digit, and none of them equals or begins
/// another, so that what is keyed can be read back in one way only.
pub(super) fn read(sheet: &mut Sheet<'_>, node: &Node) -> BTreeMap<char, Keys> {
    let mut symbols = BTreeMap::new();
    let mut places: Vec<(Keys, Spot)> = Vec::new();
    for (sign, value) in sheet.entries(node, "\"dial_keys\"").unwrap_or_default() {
        let symbol = Some(&*sign.text).filter(|t| matches!(*t, "," | "*" | "#" | "A" | "B" | "C" | "D"));
        if symbol.is_none() {
            let message = format!("\"{}\" is not a symbol of a stored number that needs keys of its own.", sign.text);
            sheet.note(Code::KeyUnknown, sign.spot, message, "Use \",\" for a pause, or * # A B C D.");
        }
        let Some(keys) = keys_of(sheet, value, &sign.text) else { continue };
        let begins = |other: &Keys| other.0.starts_with(&keys.0) || keys.0.starts_with(&other.0);
        if let Some((other, first)) = places.iter().find(|(other, _)| begins(other)) {
            let message = match *other == keys {
                true => format!("{keys} stands for two symbols of a stored number."),
                false => format!("{other} and {keys} cannot be told apart: one begins the other."),
            };
            let fix = "Compare with the manual; no symbol's keys may equal or begin another's.";
            let finding = Finding::new(Code::CodesConfused, sheet.place(value.spot), message, fix);
            sheet.add(finding.beside(sheet.place(*first), "the other keys"));
            continue;
        }
        symbols.extend(symbol.and_then(|text| text.chars().next()).map(|sign| (sign, keys.clone())));
        places.push((keys, value.spot));
    }
    symbols
}

fn keys_of(sheet: &mut Sheet<'_>, node: &Node, symbol: &str) -> Option<Keys> {
    let text = sheet.quoted(node, &format!("The keys of \"{symbol}\""))?;
    let count = text.chars().count();
    if count == 0 || count > KEYS_MAX {
        let message = format!("The symbol \"{symbol}\" has {count} keys.");
        sheet.note(Code::WrongShape, node.spot, message, format!("Write 1 to {KEYS_MAX} keys."));
        return None;
    }
    for (at, sign) in text.chars().enumerate().filter(|(_, sign)| Key::new(*sign).is_none()) {
        let spot = inside(sheet.span(node), text, at, 1);
        no_key(sheet, spot, sign);
    }
    let keys: Keys = text.parse().ok()?;
    if keys.0.first().is_some_and(|first| first.is_digit()) {
        let message =
            format!("{keys} begins with a digit, so a stored number cannot be told from one with \"{symbol}\".");
        sheet.note(
            Code::CodesConfused,
            node.spot,
            message,
            "Compare with the manual: the first key is one of * # A B C D.",
        );
        return None;
    }
    Some(keys)
}

#[cfg(test)]
mod tests {
    use crate::finding::Code;
    use crate::keybook::{Answer, Held, SimulatedStation, read};
    use crate::setting::{Codes, Keys, Value};
    use proptest::prelude::*;
    use std::collections::BTreeMap;
    use std::sync::Arc;

    /// A keybook with one number of up to six symbols, keyed once by one command and twice by another.
    fn text(table: &[(char, String)]) -> String {
        let table: Vec<String> = table.iter().map(|(symbol, keys)| format!("\"{symbol}\": \"{keys}\"")).collect();
        format!(
            "keybook: 1\nmodel: m\ncall: {{rings: 1, greeting_ms: 1, open: \"0000\", idle_ms: 1, limit_ms: 60000}}\n\
             tones: {{accepted: {{beeps: 1, hz: 1000, on_ms: 200}}, refused: {{beeps: 2, hz: 400, on_ms: 120, off_ms: 120}}}}\n\
             timing: {{press_ms: 1, answer_ms: 1}}\ndial_keys: {{{}}}\n\
             settings: {{first: {{kind: dial, digits: [1, 6]}}}}\n\
             commands: [{{command: once, keys: \"1{{first}}D\"}}, {{command: twice, keys: \"2{{first}}D{{first}}D\"}}]\n",
            table.join(", ")
        )
    }

    /// Up to three symbols with up to three keys each, most of them no digit first; D ends the field.
    fn tables() -> impl Strategy<Value = Vec<(char, String)>> {
        let keys = || "[*#A-C][12*#]{0,2}|[*#][1#]?";
        (keys(), keys(), keys(), 1usize..4)
            .prop_map(|(a, b, c, count)| [(',', a), ('*', b), ('#', c)].into_iter().take(count).collect::<Vec<_>>())
    }

    fn are_apart(table: &[(char, String)]) -> bool {
        let nth = |at: usize| &table[at].1;
        let pairs = (0..table.len()).flat_map(|a| (0..table.len()).map(move |b| (a, b))).filter(|(a, b)| a != b);
        pairs.into_iter().all(|(a, b)| !nth(a).starts_with(&**nth(b)))
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(60))]
        /// Whatever the symbols are keyed with: keybooks are refused exactly where one begins another; else the station
        /// reads back each number keyed, once or twice over, and no two numbers are keyed alike.
        #[test]
        fn a_station_reads_back_every_number_keyed_and_no_two_are_keyed_alike(
            table in tables(), numbers in proptest::collection::btree_set("[1-3,*#]{1,6}", 1..12),
        ) {
            let (book, findings) = read(&"k.yaml".into(), text(&table).as_bytes());
            if !are_apart(&table) {
                prop_assert!(findings.iter().any(|finding| finding.code == Code::CodesConfused), "{:?}", findings);
                return Ok(());
            }
            prop_assert!(findings.is_empty(), "{:?}", findings);
            let book = Arc::new(book.expect("a sound keybook"));
            let (id, kind) = (book.id("first").unwrap(), book.settings[0].kind.clone());
            let mut keyed: BTreeMap<Keys, Value> = BTreeMap::new();
            let can = |number: &&String| number.chars().all(|s| s.is_ascii_digit() || table.iter().any(|(t, _)| *t == s));
            for number in numbers.iter().filter(can) {
                let value = Value::Dial(number.as_str().into());
                let keys = kind.keys(&value).expect("it can be keyed");
                let counts = |sign: char| table.iter().find(|(symbol, _)| *symbol == sign).map_or(1, |(_, keys)| keys.len());
                prop_assert_eq!(keys.0.len(), number.chars().map(counts).sum::<usize>(), "the presses of {}", number);
                prop_assert_eq!(kind.from_keys(&keys.0), Some(value.clone()));
                for command in &book.commands {
                    let mut station = SimulatedStation::new(book.clone(), Vec::new(), &Codes::default());
                    station.ring();
                    station.press_all(&"0000".parse().unwrap());
                    let pressed = command.keys.press::<()>(|_, _| Ok(keys.clone())).unwrap();
                    let answers = station.press_all(&pressed);
                    prop_assert!(answers.len() == 1 && answers.iter().all(Answer::is_accepted), "{:?}", answers);
                    prop_assert_eq!(station.held(id), &Held::Known(value.clone()));
                }
                prop_assert_eq!(keyed.insert(keys, value), None);
            }
        }

        /// The keys of all numbers of one table, whatever they are: what a station takes reads back as one number alone.
        #[test]
        fn keys_that_stand_for_a_number_stand_for_one_alone(table in tables(), pressed in "[1-3*#A-C]{0,9}") {
            prop_assume!(are_apart(&table));
            let (book, _) = read(&"k.yaml".into(), text(&table).as_bytes());
            let kind = book.expect("a sound keybook").settings[0].kind.clone();
            let keys: Keys = pressed.parse().unwrap();
            if let Some(value) = kind.from_keys(&keys.0) {
                prop_assert_eq!(kind.keys(&value), Some(keys));
            }
        }
    }

    #[test]
    fn the_bounds_count_symbols_and_the_time_counts_keys() {
        let table = [(',', "*12".to_string())];
        let (book, _) = read(&"k.yaml".into(), text(&table).as_bytes());
        let kind = book.unwrap().settings[0].kind.clone();
        let keys = |text: &str| text.parse::<Keys>().unwrap();
        assert_eq!(kind.from_keys(&keys(&"*12".repeat(6)).0), Some(Value::Dial(",,,,,,".into())));
        assert_eq!(kind.from_keys(&keys(&"*12".repeat(7)).0), None);
        assert_eq!(kind.from_keys(&keys("*1").0), None);
        // The longest form of `twice`: its code, twice six symbols of three keys and their ends; 2 for opening and answer.
        let limit = 1 + (4 + 1) + (1 + 2 * (6 * 3 + 1) + 1);
        let told = |limit: usize| {
            let text = text(&table).replace("limit_ms: 60000", &format!("limit_ms: {limit}"));
            read(&"k.yaml".into(), text.as_bytes()).1.iter().map(|finding| finding.code).collect::<Vec<_>>()
        };
        assert_eq!((told(limit), told(limit - 1)), (vec![], vec![Code::CallTooShort]));
    }
}
