//! Kinds of settings: which values each takes, and which keys a value is keyed as.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::{Code, Key, Keys, Name, Value, Written, decimal};
use crate::finding;

/// What a setting can hold and how it is keyed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Kind {
    /// Decimal digits.
    Digits {
        /// The fewest of them.
        min: u32,
        /// The most of them.
        max: u32,
    },
    /// A stored telephone number.
    Dial {
        /// The fewest symbols.
        min: u32,
        /// The most symbols.
        max: u32,
        /// How symbols other than digits are keyed: the first key is not a digit, and none of these equals or begins another.
        symbols: Arc<BTreeMap<char, Keys>>,
    },
    /// One of several names, each with its code.
    Choice(Vec<(Name, Keys)>),
    /// A set of names, keyed as the decimal sum of their numbers.
    Flags {
        /// Each name with its number; no two sets have one sum.
        names: Vec<(Name, u32)>,
        /// How many digits the sum is keyed with, zeros in front.
        width: Option<u32>,
    },
    /// A decimal number.
    Number {
        /// The least.
        min: u32,
        /// The greatest.
        max: u32,
        /// From one value to the next, counted from `min`.
        step: u32,
        /// How many digits it is keyed with, zeros in front.
        width: Option<u32>,
        /// What it counts, for people; may be empty.
        unit: Name,
    },
    /// Digits that are never shown.
    Secret {
        /// The fewest of them.
        min: u32,
        /// The most of them.
        max: u32,
    },
}

/// Why a setting cannot hold a value: a message's end ("… has 9 digits"), and the fix.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{why} {fix}")]
pub struct Unfit {
    /// The finding that it makes.
    pub code: finding::Code,
    /// The end of a message, such as "has 9 digits".
    pub why: String,
    /// What to write instead, as an instruction.
    pub fix: String,
    /// What to write in place of the value, where that can be told and the value is a single one.
    pub replacement: Option<String>,
}

impl Unfit {
    fn replacing(self, text: impl Into<String>) -> Unfit {
        Unfit { replacement: Some(text.into()), ..self }
    }
}

fn unfit<T>(code: finding::Code, why: impl Into<String>, fix: impl Into<String>) -> Result<T, Unfit> {
    Err(Unfit { code, why: why.into(), fix: fix.into(), replacement: None })
}

fn outside<T>(why: impl Into<String>, fix: impl Into<String>) -> Result<T, Unfit> {
    unfit(finding::Code::ValueOutside, why, fix)
}

impl Kind {
    /// The word used in keybooks.
    pub fn as_str(&self) -> &'static str {
        match self {
            Kind::Digits { .. } => "digits",
            Kind::Dial { .. } => "dial",
            Kind::Choice(_) => "choice",
            Kind::Flags { .. } => "flags",
            Kind::Number { .. } => "number",
            Kind::Secret { .. } => "secret",
        }
    }

    /// Takes a value as written; `secret` says what a reference stands for.
    ///
    /// # Errors
    /// What is wrong with it and the fix.
    pub fn value(
        &self,
        written: &Written,
        secret: impl FnOnce(&super::Reference) -> super::Secret,
    ) -> Result<Value, Unfit> {
        match (self, written) {
            (Kind::Secret { .. }, Written::Secret(reference)) => Ok(Value::Secret(secret(reference))),
            (Kind::Secret { .. }, Written::Quoted(_) | Written::Plain(_) | Written::List(_)) => unfit(
                finding::Code::SecretLiteral,
                "is a code, which is never written out.",
                "Write a reference: {secret: \"file:PATH\"} or {secret: \"env:NAME\"}.",
            ),
            (Kind::Digits { min, max }, Written::Quoted(text)) => digits(text, *min, *max).map(Value::Digits),
            (Kind::Dial { min, max, symbols }, Written::Quoted(text)) => {
                dial(text, *min, *max, symbols).map(Value::Dial)
            }
            (Kind::Digits { min, max }, Written::Plain(text)) => unquoted(text, digits(text, *min, *max)),
            (Kind::Dial { min, max, symbols }, Written::Plain(text)) => unquoted(text, dial(text, *min, *max, symbols)),
            (Kind::Choice(codes), Written::Plain(name) | Written::Quoted(name)) => choice(name, codes),
            (Kind::Flags { names, .. }, Written::List(list)) => flags(list, names),
            (Kind::Number { min, max, step, .. }, Written::Plain(text)) => number(text, *min, *max, *step),
            (Kind::Number { min, max, step, .. }, Written::Quoted(text)) => {
                let straight = finding::signs::straight(text);
                match number(straight.trim(), *min, *max, *step) {
                    Ok(_) => outside(
                        format!("is a number in quotes: \"{text}\"."),
                        format!("Write {straight} without quotes."),
                    )
                    .map_err(|unfit: Unfit| unfit.replacing(straight.trim())),
                    Err(unfit) => Err(unfit),
                }
            }
            (
                Kind::Digits { .. } | Kind::Dial { .. } | Kind::Choice(_) | Kind::Flags { .. } | Kind::Number { .. },
                other,
            ) => outside(format!("cannot be {other}."), format!("Write {}.", self.shape())),
        }
    }

    /// What a value of this kind looks like, for a fix.
    fn shape(&self) -> String {
        match self {
            Kind::Digits { min, max } => format!("{} in double quotes", counted(*min, *max, "digit")),
            Kind::Dial { min, max, .. } => {
                format!("{} in double quotes, or {{to: CONTACT}}", counted(*min, *max, "symbol"))
            }
            Kind::Choice(codes) => format!("one of {}", codes.iter().map(|(n, _)| &**n).collect::<Vec<_>>().join(", ")),
            Kind::Flags { names, .. } => {
                format!("a list of {}", names.iter().map(|(n, _)| &**n).collect::<Vec<_>>().join(", "))
            }
            Kind::Number { min, max, .. } => format!("a number from {min} to {max}"),
            Kind::Secret { .. } => "a reference to a secret".into(),
        }
    }

    /// Checks a code that a reference leads to.
    ///
    /// # Errors
    /// Says what is wrong without showing the code.
    pub fn fits_code(&self, code: &Code) -> Result<(), Unfit> {
        let Kind::Secret { min, max } = self else { return Ok(()) };
        let text = code.reveal();
        let count = text.chars().count();
        let fix = format!("It should be {} and nothing else.", counted(*min, *max, "digit"));
        if !text.bytes().all(|b| b.is_ascii_digit()) {
            return unfit(finding::Code::SecretUnfit, "leads to something that is not digits only.", fix);
        }
        if count < *min as usize || count > *max as usize {
            return unfit(finding::Code::SecretUnfit, format!("leads to a code of {count} digits."), fix);
        }
        Ok(())
    }

    /// The keys that store a value of this kind; none for a secret, whose code is not at hand here.
    pub fn keys(&self, value: &Value) -> Option<Keys> {
        let text = match (self, value) {
            (Kind::Digits { .. }, Value::Digits(text)) => text.to_string(),
            (Kind::Dial { symbols, .. }, Value::Dial(text)) => {
                let keyed = text.chars().map(|sign| match symbols.get(&sign) {
                    Some(keys) => Some(keys.clone()),
                    None => Key::new(sign).filter(|key| key.is_digit()).map(|key| Keys(vec![key])),
                });
                let keyed: Option<Vec<Keys>> = keyed.collect();
                return keyed.map(|keyed| Keys(keyed.into_iter().flat_map(|keys| keys.0).collect()));
            }
            (Kind::Choice(codes), Value::Choice(name)) => {
                return codes.iter().find(|(n, _)| n == name).map(|(_, k)| k.clone());
            }
            (Kind::Flags { names, width }, Value::Flags(set)) => {
                let sum: u32 = names.iter().filter(|(n, _)| set.contains(n)).map(|(_, number)| number).sum();
                padded(sum, *width)
            }
            (Kind::Number { width, .. }, Value::Number(n)) => padded(*n, *width),
            (
                Kind::Digits { .. }
                | Kind::Dial { .. }
                | Kind::Choice(_)
                | Kind::Flags { .. }
                | Kind::Number { .. }
                | Kind::Secret { .. },
                _,
            ) => return None,
        };
        text.parse().ok()
    }

    /// The value that keys stand for; the inverse of [`Kind::keys`]. Secrets have no value of their own here.
    pub fn from_keys(&self, keys: &[Key]) -> Option<Value> {
        let text: String = keys.iter().map(|k| k.sign()).collect();
        match self {
            Kind::Digits { min, max } => digits(&text, *min, *max).ok().map(Value::Digits),
            Kind::Dial { min, max, symbols } => {
                let text = symbols_of(keys, symbols)?;
                dial(&text, *min, *max, symbols).ok().map(Value::Dial)
            }
            Kind::Choice(codes) => codes.iter().find(|(_, k)| k.0 == keys).map(|(n, _)| Value::Choice(n.clone())),
            Kind::Flags { names, width } => {
                let sum: u32 = text.parse().ok()?;
                let set = flags_of(sum, names)?;
                (padded(sum, *width) == text).then_some(Value::Flags(set))
            }
            Kind::Number { min, max, step, width, .. } => {
                let n: u32 = text.parse().ok()?;
                let fits = (*min..=*max).contains(&n) && (n - min).is_multiple_of(*step) && padded(n, *width) == text;
                fits.then_some(Value::Number(n))
            }
            Kind::Secret { .. } => None,
        }
    }
}

/// `n` zero-padded to `width`.
pub(crate) fn padded(n: u32, width: Option<u32>) -> String {
    format!("{n:0>width$}", width = width.unwrap_or(0) as usize)
}

/// The symbols that keys stand for: digits, and those that are keyed with keys of their own.
fn symbols_of(mut keys: &[Key], symbols: &BTreeMap<char, Keys>) -> Option<String> {
    let mut text = String::new();
    while let Some(first) = keys.first() {
        if first.is_digit() {
            (keys, _) = (&keys[1..], text.push(first.sign()));
            continue;
        }
        let (symbol, keyed) = symbols.iter().find(|(_, keyed)| keys.starts_with(&keyed.0) && !keyed.0.is_empty())?;
        text.push(*symbol);
        keys = &keys[keyed.0.len()..];
    }
    Some(text)
}

/// The names whose numbers add up to `sum`; sums are distinct (a keybook is refused otherwise).
fn flags_of(sum: u32, names: &[(Name, u32)]) -> Option<BTreeSet<Name>> {
    fn search(rest: u32, names: &[(Name, u32)], set: &mut BTreeSet<Name>) -> bool {
        let Some(((name, number), others)) = names.split_first() else { return rest == 0 };
        if *number <= rest {
            set.insert(name.clone());
            if search(rest - number, others, set) {
                return true;
            }
            set.remove(name);
        }
        search(rest, others, set)
    }
    let mut set = BTreeSet::new();
    search(sum, names, &mut set).then_some(set)
}

fn counted(min: u32, max: u32, what: &str) -> String {
    match (min, max) {
        (1, 1) => format!("1 {what}"),
        (a, b) if a == b => format!("{a} {what}s"),
        (a, b) => format!("{a} to {b} {what}s"),
    }
}

/// What is wrong with a text without quotes. Where quotes alone would not make it a value, that is what is told.
fn unquoted<T>(text: &str, in_quotes: Result<Name, Unfit>) -> Result<T, Unfit> {
    let (why, fix, exact) = match (finding::signs::in_curly_quotes(text), in_quotes) {
        (Some(inside), _) => {
            ("is in curly quotes", "Replace the curly quotes with straight ones", finding::in_quotes(inside))
        }
        (None, Err(_)) if finding::nearest(text, ["null"]).is_some() => {
            let why = format!("is not quoted: {text}.");
            let fix = "If you mean null, which leaves it alone, write that.";
            return unfit(finding::Code::Unquoted, why, fix);
        }
        (None, Err(unfit)) => return Err(unfit),
        (None, Ok(_)) => ("is not quoted", "Put it in double quotes", finding::in_quotes(text)),
    };
    unfit(finding::Code::Unquoted, format!("{why}: {text}."), format!("{fix}: {exact}."))
        .map_err(|unfit: Unfit| unfit.replacing(exact))
}

fn digits(text: &str, min: u32, max: u32) -> Result<Name, Unfit> {
    if let Some(odd) = text.chars().find(|c| !c.is_ascii_digit()) {
        let straight = typed(text).filter(|straight| straight != text && digits(straight, min, max).is_ok());
        let (fix, replacement) = exactly(straight, || "Write the digits 0 to 9 only.".into());
        let why = format!("is \"{text}\", and {} is not a digit.", finding::signs::named(odd));
        return Err(Unfit { code: finding::Code::ValueOutside, why, fix, replacement });
    }
    let count = text.len();
    if count < min as usize || count > max as usize {
        let (has, takes) = (counted(text.len() as u32, text.len() as u32, "digit"), counted(min, max, "digit"));
        let zeros = format!("{text:0>width$}", width = min as usize);
        let fix = match count < min as usize && !text.is_empty() {
            true => format!("If zeros were lost, write {}.", finding::in_quotes(&zeros)),
            false => "Shorten or lengthen it, or store it elsewhere.".into(),
        };
        return outside(format!("is \"{text}\", which has {has}; this model takes {takes}."), fix);
    }
    Ok(text.into())
}

/// Digits and signs as a keypad would have given them, without what people put between digits: for a fix only.
fn typed(text: &str) -> Option<String> {
    let signs = finding::signs::straight(text);
    let typed = signs.chars().filter(|sign| !" -./()".contains(*sign)).map(finding::signs::digit_like);
    let typed: String = typed.collect();
    (!typed.is_empty()).then_some(typed)
}

/// The fix for a text that is a value once it is typed right, and that value.
fn exactly(straight: Option<String>, fix: impl FnOnce() -> String) -> (String, Option<String>) {
    match straight.map(|straight| finding::in_quotes(&straight)) {
        Some(straight) => (format!("Write {straight}."), Some(straight)),
        None => (fix(), None),
    }
}

fn dial(text: &str, min: u32, max: u32, symbols: &BTreeMap<char, Keys>) -> Result<Name, Unfit> {
    for sign in text.chars() {
        if sign.is_ascii_digit() || symbols.contains_key(&sign) {
            continue;
        }
        let straight = typed(text).filter(|straight| straight != text && dial(straight, min, max, symbols).is_ok());
        let others: Vec<String> = symbols.keys().map(|s| format!("\"{s}\"")).collect();
        let can = if others.is_empty() { String::new() } else { format!(" and {}", others.join(", ")) };
        let (fix, replacement) = exactly(straight, || match sign {
            '+' => {
                "Make a contact with \"calls\" and write {to: CONTACT}: how it is dialled depends on the line.".into()
            }
            'p' | 'P' | 'w' | 'W' if symbols.contains_key(&',') => "A pause is written as a comma.".into(),
            _ if min == 0 && !text.contains(|sign: char| sign.is_ascii_digit()) => {
                "If there is no number, leave it empty: \"\".".into()
            }
            _ => format!("It stores digits{can}; see \"dial_keys\" in its keybook."),
        });
        let why = format!("is \"{text}\", and this model cannot store {}.", finding::signs::named(sign));
        return Err(Unfit { code: finding::Code::PauseUnstorable, why, fix, replacement });
    }
    let count = text.chars().count();
    if count < min as usize || count > max as usize {
        let takes = counted(min, max, "symbol");
        return outside(
            format!("is \"{text}\", which has {count} symbols; this model stores {takes}."),
            "Use a shorter number, prefix or form, or another contact.",
        );
    }
    Ok(text.into())
}

fn choice(name: &Name, codes: &[(Name, Keys)]) -> Result<Value, Unfit> {
    if let Some((name, _)) = codes.iter().find(|(n, _)| n == name) {
        return Ok(Value::Choice(name.clone()));
    }
    let known = codes.iter().map(|(n, _)| &**n);
    outside(format!("cannot be \"{name}\"."), finding::did_you_mean(name, known.clone()))
        .map_err(|unfit: Unfit| Unfit { replacement: finding::nearest(name, known).map(finding::as_name), ..unfit })
}

fn flags(list: &[Name], names: &[(Name, u32)]) -> Result<Value, Unfit> {
    let mut set = BTreeSet::new();
    for name in list {
        let Some((known, _)) = names.iter().find(|(n, _)| n == name) else {
            let fix = finding::did_you_mean(name, names.iter().map(|(n, _)| &**n));
            return outside(format!("cannot hold \"{name}\"."), fix);
        };
        if !set.insert(known.clone()) {
            return outside(format!("names \"{name}\" twice."), "Name it once.");
        }
    }
    Ok(Value::Flags(set))
}

fn number(text: &str, min: u32, max: u32, step: u32) -> Result<Value, Unfit> {
    let steps = if step == 1 { String::new() } else { format!(" in steps of {step}") };
    let fix = format!("Write a number from {min} to {max}{steps}, without quotes and leading zeros.");
    let Some(n) = decimal(text) else {
        let straight = finding::signs::straight(text);
        let bare =
            decimal(straight.trim().trim_start_matches('0')).filter(|n| number(&n.to_string(), min, max, step).is_ok());
        let replacement = bare.map(|n| n.to_string());
        let why = format!("is \"{text}\", which is not a plain number.");
        return Err(Unfit { code: finding::Code::ValueOutside, why, fix, replacement });
    };
    if !(min..=max).contains(&n) || !(n - min).is_multiple_of(step) {
        return outside(format!("cannot be {n}."), fix);
    }
    Ok(Value::Number(n))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setting::{Codes, Reference};
    use proptest::prelude::*;

    fn flags_kind() -> Kind {
        let names = [("lamp", 1), ("gate", 2), ("siren", 4)].map(|(n, number)| (Name::from(n), number)).to_vec();
        Kind::Flags { names, width: Some(2) }
    }

    fn dial_kind() -> Kind {
        let symbols = [(',', "C".parse().unwrap())].into();
        Kind::Dial { min: 0, max: 20, symbols: Arc::new(symbols) }
    }

    fn value(kind: &Kind, written: Written) -> Result<Value, Unfit> {
        kind.value(&written, |r| Codes::default().seal(r))
    }

    #[test]
    fn a_pause_is_keyed_as_the_keybook_says() {
        let kind = dial_kind();
        let value = value(&kind, Written::Quoted("9,01632960101".into())).unwrap();
        assert_eq!(kind.keys(&value).unwrap().to_string(), "9C01632960101");
    }

    #[test]
    fn flags_are_keyed_as_their_padded_sum() {
        let kind = flags_kind();
        let value = value(&kind, Written::List(vec!["siren".into(), "lamp".into()])).unwrap();
        assert_eq!(kind.keys(&value).unwrap().to_string(), "05");
    }

    #[test]
    fn a_value_outside_its_kind_is_refused_with_a_fix() {
        let number = Kind::Number { min: 10, max: 90, step: 5, width: None, unit: "s".into() };
        for (kind, written, code) in [
            (&number, Written::Plain("12".into()), finding::Code::ValueOutside),
            (&number, Written::Plain("010".into()), finding::Code::ValueOutside),
            (&number, Written::Quoted("15".into()), finding::Code::ValueOutside),
            (&dial_kind(), Written::Quoted("9W0".into()), finding::Code::PauseUnstorable),
            (&dial_kind(), Written::Plain("90".into()), finding::Code::Unquoted),
            (&flags_kind(), Written::List(vec!["lmap".into()]), finding::Code::ValueOutside),
            (&Kind::Secret { min: 4, max: 8 }, Written::Quoted("4711".into()), finding::Code::SecretLiteral),
            (&Kind::Digits { min: 1, max: 3 }, Written::Quoted("1234".into()), finding::Code::ValueOutside),
            (&Kind::Digits { min: 1, max: 3 }, Written::Quoted("1٣".into()), finding::Code::ValueOutside),
        ] {
            let error = value(kind, written).unwrap_err();
            assert_eq!(error.code, code);
            assert!(!error.fix.is_empty());
        }
    }

    #[test]
    fn quotes_are_the_fix_only_where_they_make_it_a_value() {
        for (written, code, fix) in [
            ("90", finding::Code::Unquoted, "Put it in double quotes: \"90\"."),
            ("nulll", finding::Code::Unquoted, "If you mean null, which leaves it alone, write that."),
            ("01632 960101", finding::Code::PauseUnstorable, "Write \"01632960101\"."),
            (
                "012345678901234567890",
                finding::Code::ValueOutside,
                "Use a shorter number, prefix or form, or another contact.",
            ),
        ] {
            let error = value(&dial_kind(), Written::Plain(written.into())).unwrap_err();
            assert_eq!((error.code, &*error.fix), (code, fix), "{written}");
        }
    }

    #[test]
    fn a_code_that_does_not_fit_is_refused_without_being_shown() {
        let kind = Kind::Secret { min: 4, max: 8 };
        let error = kind.fits_code(&Code::new("4711x")).unwrap_err();
        assert!(!error.to_string().contains("4711"));
        assert!(kind.fits_code(&Code::new("4711\n")).is_ok());
        assert!(value(&kind, Written::Secret(Reference::Env("X".into()))).is_ok());
    }

    proptest! {
        #[test]
        fn keys_and_values_are_each_others_inverse(n in 0u32..200, dialled in "[0-9,]{0,20}", sum in 0u32..8) {
            let number = Kind::Number { min: 3, max: 183, step: 4, width: Some(3), unit: "".into() };
            if let Ok(v) = value(&number, Written::Plain(n.to_string().into())) {
                prop_assert_eq!(number.from_keys(&number.keys(&v).unwrap().0), Some(v));
            }
            let v = value(&dial_kind(), Written::Quoted(dialled.into())).unwrap();
            prop_assert_eq!(dial_kind().from_keys(&dial_kind().keys(&v).unwrap().0), Some(v));
            let keys: Keys = padded(sum, Some(2)).parse().unwrap();
            let v = flags_kind().from_keys(&keys.0).unwrap();
            prop_assert_eq!(flags_kind().keys(&v), Some(keys));
        }
    }
}
