//! Taking a tree apart: every step that fails leaves a finding with its place and goes on.

use std::cell::OnceCell;
use std::cmp::Ordering;
use std::fmt::Display;
use std::sync::Arc;

use super::broken::{lacking_colon, touching, uncoloned};
use super::spot::Spot;
use super::{Data, Key, Node};
use crate::finding::{Code, Finding, LIMIT_ERRORS, Place, in_quotes, nearest, signs};
use crate::setting::{Name, Reference, Written, decimal};

/// One file being taken apart; collects what is wrong with it.
#[derive(Debug)]
pub struct Sheet<'t> {
    file: Arc<str>,
    text: &'t str,
    /// The lines of the text, found when the first is asked for.
    lines: OnceCell<Vec<&'t str>>,
    /// Everything found so far, up to a limit.
    pub findings: Vec<Finding>,
    errors: usize,
    /// Keys whose value could not be told, by the place of their mapping: they are not missing.
    lost: Vec<(Spot, &'static str)>,
}

impl<'t> Sheet<'t> {
    /// `text` is the file's text, looked at only to word a finding.
    pub fn new(file: &Arc<str>, text: &'t str) -> Sheet<'t> {
        Sheet { file: file.clone(), text, lines: OnceCell::new(), findings: Vec::new(), errors: 0, lost: Vec::new() }
    }

    /// The full place of a spot in this file.
    pub fn place(&self, spot: Spot) -> Place {
        Place { file: self.file.clone(), line: spot.line, column: spot.column, length: spot.length }
    }

    /// Where a value stands, with the length 0 where it goes on in a further line.
    pub fn span(&self, node: &Node) -> Spot {
        let spot = node.spot;
        let lines = self.lines.get_or_init(|| self.text.lines().collect());
        let line = spot.line.checked_sub(1).and_then(|nth| lines.get(nth as usize));
        let end = spot.column.saturating_sub(1).saturating_add(spot.length) as usize;
        let fits = line.is_some_and(|line| line.len() >= end && line.chars().count() >= end);
        if fits { spot } else { Spot { length: 0, ..spot } }
    }

    /// Leaves a finding. Beyond the limit of errors only that there are more is told.
    pub fn add(&mut self, finding: Finding) {
        self.errors += usize::from(finding.is_error());
        let finding = match self.errors.cmp(&(LIMIT_ERRORS + 1)) {
            Ordering::Less => finding,
            Ordering::Equal if finding.is_error() => Finding::and_more(finding.place),
            Ordering::Equal | Ordering::Greater => return,
        };
        self.findings.push(finding);
    }

    /// Leaves a finding at a spot.
    pub fn note(&mut self, code: Code, spot: Spot, message: impl Display, fix: impl Display) {
        let place = self.place(spot);
        self.add(Finding::new(code, place, message.to_string(), fix.to_string()));
    }

    /// The same for a mistake with an exact fix; `replacement` is to stand in place of what stands at the spot.
    pub fn note_exact(
        &mut self,
        code: Code,
        spot: Spot,
        message: impl Display,
        fix: impl Display,
        replacement: Option<String>,
    ) {
        let finding = Finding::new(code, self.place(spot), message.to_string(), fix.to_string());
        self.add(finding.replacing(replacement));
    }

    /// The same for a name that nobody knows; the fix names the nearest of the known ones.
    pub fn note_unknown<'a>(
        &mut self,
        code: Code,
        spot: Spot,
        message: impl Display,
        word: &str,
        known: impl IntoIterator<Item = &'a str> + Clone,
    ) {
        self.add(Finding::unknown(code, self.place(spot), message.to_string(), word, known));
    }

    fn shape(&mut self, node: &Node, what: &str, wanted: &str) {
        let is = match &node.data {
            Data::Scalar { .. } => "a single value",
            Data::List(_) => "a list",
            Data::Map(_) => "a mapping",
        };
        if node.is_null() {
            let fix = self.eaten(node).unwrap_or_else(|| "Fill it in.".into());
            return self.note(Code::WrongShape, node.spot, format!("{what} has no value."), fix);
        }
        let fix = self.eaten(node).or_else(|| unspaced(node)).unwrap_or_else(|| format!("Write {wanted}."));
        self.note(Code::WrongShape, node.spot, format!("{what} should be {wanted}, but here is {is}."), fix);
    }

    /// The fix for a value that a `#` turned into a comment, in whole or in part.
    fn eaten(&self, node: &Node) -> Option<String> {
        let line = self.lines.get_or_init(|| self.text.lines().collect()).get(node.spot.line as usize - 1)?;
        let rest = line.chars().skip(node.spot.column as usize - 1).collect::<String>();
        let Data::Scalar { text, plain: true } = &node.data else { return None };
        let after = rest.strip_prefix(&**text).unwrap_or(&rest).trim_start();
        let quoted = format!("{text} {after}");
        // `# words` was meant as a comment, `#10*` hardly.
        let meant = after.strip_prefix('#').is_some_and(|rest| rest.starts_with(char::is_whitespace));
        (after.starts_with('#') && !meant).then(|| {
            format!("YAML takes \"{after}\" for a comment. If it belongs to the value, write \"{}\".", quoted.trim())
        })
    }

    /// Whether an absent value was meant: `null` or `~` spelt out, not a value lost to a `#` or forgotten.
    pub fn is_meant(&mut self, node: &Node, what: &str) -> bool {
        let spelt = matches!(&node.data, Data::Scalar { text, .. } if !text.is_empty());
        if !spelt {
            let fix = self.eaten(node).unwrap_or_else(|| "Write a value, or \"null\" to leave it alone.".into());
            self.note(Code::WrongShape, node.spot, format!("{what} has no value."), fix);
        }
        spelt
    }

    /// A mapping with these keys and no others; the values in the order of `known`.
    pub fn map<'n, const N: usize>(
        &mut self,
        node: &'n Node,
        what: &str,
        known: [&'static str; N],
    ) -> Option<[Option<&'n Node>; N]> {
        let mut values = [None; N];
        let entries = self.entries(node, what)?;
        let mut nth = 0;
        while let Some((key, value)) = entries.get(nth) {
            let at = known.iter().position(|k| **k == *key.text);
            let level = at.map_or(0, |_| level_with(entries, nth, &known));
            if let Some(at) = at.filter(|_| level > 0) {
                self.not_below(key, &entries[nth + 1..][..level]);
                self.lost.push((node.spot, known[at]));
            } else if let Some(at) = at {
                values[at] = Some(value);
            } else {
                self.no_key(node, what, entries.get(..nth).and_then(<[_]>::last), (key, value), &known);
            }
            nth += 1 + level;
        }
        Some(values)
    }

    /// A key that is none of those that a mapping has.
    fn no_key(
        &mut self,
        owner: &Node,
        what: &str,
        before: Option<&(Key, Node)>,
        (key, value): (&Key, &Node),
        known: &[&'static str],
    ) {
        let bare = uncoloned(&key.text).filter(|_| is_absent(value));
        let meant = bare.and_then(|(word, rest)| Some((known.iter().find(|known| **known == word)?, rest)));
        if let Some((word, rest)) = meant {
            let broken = lacking_colon(self.span_of_key(key), word, rest);
            self.note_exact(Code::YamlSyntax, broken.spot, broken.message, broken.fix, broken.replacement);
            return self.lost.push((owner.spot, word));
        }
        let message = format!("{what} has no key \"{}\".", key.text);
        match cut(before, key, value, known) {
            Some(fix) => self.note(Code::KeyUnknown, key.spot, message, fix),
            None => self.note_unknown(Code::KeyUnknown, key.spot, message, &key.text, known.iter().copied()),
        }
    }

    /// A key's span, with the length 0 where it is not what its text is.
    fn span_of_key(&self, key: &Key) -> Spot {
        let is_whole = key.spot.length as usize == key.text.chars().count();
        if is_whole { key.spot } else { Spot { length: 0, ..key.spot } }
    }

    /// A key without a value, and lines after it that are as far in as itself.
    fn not_below(&mut self, owner: &Key, lines: &[(Key, Node)]) {
        let Some((first, _)) = lines.first() else { return };
        let message = format!("\"{}\" is no further in than \"{}:\", so it is not part of it.", first.text, owner.text);
        let fix = match lines.len() {
            1 => "Indent it by two more spaces.".to_owned(),
            n => format!("Indent the {n} lines below \"{}:\" by two more spaces.", owner.text),
        };
        self.note(Code::KeyUnknown, first.spot, message, fix);
    }

    /// A mapping with keys of the author's choosing.
    pub fn entries<'n>(&mut self, node: &'n Node, what: &str) -> Option<&'n [(Key, Node)]> {
        match &node.data {
            Data::Map(entries) => Some(entries),
            Data::Scalar { .. } | Data::List(_) => {
                self.shape(node, what, "a mapping (key: value lines, or {key: value})");
                None
            }
        }
    }

    /// A list.
    pub fn list<'n>(&mut self, node: &'n Node, what: &str) -> Option<&'n [Node]> {
        match &node.data {
            Data::List(items) => Some(items),
            Data::Scalar { .. } | Data::Map(_) => {
                self.shape(node, what, "a list ([a, b], or lines that begin with -)");
                None
            }
        }
    }

    /// A value that must be there.
    pub fn required<'n>(&mut self, value: Option<&'n Node>, owner: &Node, what: &str, key: &str) -> Option<&'n Node> {
        if value.is_none() && !self.lost.iter().any(|(spot, lost)| *spot == owner.spot && *lost == key) {
            let fix = format!("Add {key}: ….");
            self.note(Code::KeyMissing, Spot { length: 1, ..owner.spot }, format!("{what} has no \"{key}\"."), fix);
        }
        value
    }

    /// Free text of several lines, exactly as written.
    pub fn prose<'n>(&mut self, node: &'n Node, what: &str) -> Option<&'n str> {
        self.printable(node, what, &['\n', '\t'])
    }

    /// A name or a line of text, exactly as written, quoted or not.
    pub fn text<'n>(&mut self, node: &'n Node, what: &str) -> Option<&'n str> {
        self.printable(node, what, &[])
    }

    /// Text without control characters, which would do things to whoever prints it.
    fn printable<'n>(&mut self, node: &'n Node, what: &str, allowed: &[char]) -> Option<&'n str> {
        let text = self.single(node, what)?;
        let Some(odd) = text.chars().find(|sign| sign.is_control() && !allowed.contains(sign)) else {
            return Some(text);
        };
        let message = format!("{what} holds a control character ({}).", odd.escape_default());
        self.note(Code::WrongShape, node.spot, message, "Remove it.");
        None
    }

    fn single<'n>(&mut self, node: &'n Node, what: &str) -> Option<&'n str> {
        match &node.data {
            Data::Scalar { text, .. } if !node.is_null() => Some(text),
            Data::Scalar { .. } | Data::List(_) | Data::Map(_) => {
                self.shape(node, what, "a single value");
                None
            }
        }
    }

    /// A number, code or key string: must be quoted, since YAML readers change unquoted ones.
    pub fn quoted<'n>(&mut self, node: &'n Node, what: &str) -> Option<&'n str> {
        match &node.data {
            Data::Scalar { text, plain: false } => Some(text),
            Data::Scalar { text, plain: true } if !node.is_null() => {
                if let Some(inside) = signs::in_curly_quotes(text) {
                    let exact = in_quotes(inside);
                    let message = format!("{what} is in curly quotes: {text}.");
                    let fix = format!("Replace the curly quotes with straight ones: {exact}.");
                    self.note_exact(Code::Unquoted, node.spot, message, fix, Some(exact));
                    return None;
                }
                if is_shortened(text) {
                    let message = format!("{what} was cut short by a spreadsheet: {text}.");
                    self.note(Code::Unquoted, node.spot, message, "Copy it again, in double quotes.");
                    return None;
                }
                let eaten = self.eaten(node);
                let replacement = eaten.is_none().then(|| in_quotes(text));
                let fix = eaten.unwrap_or_else(|| format!("Put it in double quotes: {}.", in_quotes(text)));
                self.note_exact(Code::Unquoted, node.spot, format!("{what} is not quoted: {text}."), fix, replacement);
                None
            }
            Data::Scalar { .. } | Data::List(_) | Data::Map(_) => {
                self.shape(node, what, "a text in double quotes");
                None
            }
        }
    }

    /// A plain decimal number within `range`.
    pub fn number(&mut self, node: &Node, what: &str, range: std::ops::RangeInclusive<u32>) -> Option<u32> {
        let text = self.text(node, what)?;
        let plain = matches!(node.data, Data::Scalar { plain: true, .. });
        let value = plain.then(|| decimal(text)).flatten();
        let fits = value.filter(|n| range.contains(n));
        if fits.is_none() {
            let (low, high) = (range.start(), range.end());
            let message = format!("{what} is \"{text}\", which is not a whole number from {low} to {high}.");
            let bare = value.is_none().then(|| text.trim_start_matches('0')).and_then(decimal);
            let bare = bare.filter(|n| range.contains(n)).map(|n| n.to_string());
            let fix = match &bare {
                Some(bare) => format!("Write {bare}, without quotes and leading zeros."),
                None => format!("Write digits only, between {low} and {high}."),
            };
            self.note_exact(Code::WrongShape, node.spot, message, fix, bare);
        }
        fits
    }

    /// `true` or `false`.
    pub fn truth(&mut self, node: &Node, what: &str) -> Option<bool> {
        self.word(node, what, &[("true", true), ("false", false)])
    }

    /// One of a closed set of words.
    pub fn word<T: Copy>(&mut self, node: &Node, what: &str, words: &[(&str, T)]) -> Option<T> {
        let text = self.text(node, what)?;
        let found = words.iter().find(|(w, _)| *w == text).map(|(_, value)| *value);
        if found.is_none() {
            let message = format!("{what} cannot be \"{text}\".");
            self.note_unknown(Code::WrongShape, node.spot, message, text, words.iter().map(|(w, _)| *w));
        }
        found
    }

    /// A value of a kind that is not known yet: text, a list of names, or `{secret: REFERENCE}`.
    pub fn written(&mut self, node: &Node, what: &str) -> Option<Written> {
        match &node.data {
            Data::Scalar { text, plain: false } => Some(Written::Quoted((&**text).into())),
            Data::Scalar { .. } => self.text(node, what).map(|text| Written::Plain(text.into())),
            Data::List(items) => {
                let names: Option<Vec<Name>> = items.iter().map(|n| self.text(n, what).map(Name::from)).collect();
                names.map(|mut names| {
                    names.sort();
                    Written::List(names)
                })
            }
            Data::Map(_) => {
                let [secret] = self.map(node, what, ["secret"])?;
                let secret = self.required(secret, node, what, "secret")?;
                self.reference(secret, what).map(Written::Secret)
            }
        }
    }

    /// A reference to a secret.
    pub fn reference(&mut self, node: &Node, what: &str) -> Option<Reference> {
        let text = self.text(node, what)?;
        match text.parse() {
            Ok(reference @ (Reference::Env(_) | Reference::File(_))) => Some(reference),
            Ok(Reference::Factory) | Err(_) => {
                // What stands here may be a code written out by mistake: it is not repeated.
                let fix = "Write {secret: \"file:PATH\"} or {secret: \"env:NAME\"}.";
                self.note(Code::SecretLiteral, node.spot, format!("{what} is not a reference to a secret."), fix);
                None
            }
        }
    }

    /// Checks the first key, which says the kind of file and its version (1).
    pub fn version(&mut self, value: Option<&Node>, root: &Node, key: &str) {
        let Some(node) = value else {
            let spot = Spot { length: 1, ..root.spot };
            let message = format!("The file does not say that it is {key}: 1.");
            return self.note(Code::Version, spot, message, format!("Begin the file with {key}: 1."));
        };
        if !matches!(&node.data, Data::Scalar { text, plain: true } if &**text == "1") {
            let message = format!("This version of \"{key}\" is not known here.");
            let is_there = matches!(&node.data, Data::Scalar { text, .. } if !text.is_empty());
            let replacement = is_there.then(|| "1".to_owned());
            self.note_exact(Code::Version, node.spot, message, format!("Write {key}: 1."), replacement);
        }
    }
}

/// How many entries after a key without a value are unknown, and only as far in as the key itself: they were meant to be its own.
fn level_with(entries: &[(Key, Node)], nth: usize, known: &[&str]) -> usize {
    let (key, value) = &entries[nth];
    if !is_absent(value) {
        return 0;
    }
    let is_stranger = |(other, _): &&(Key, Node)| {
        other.spot.line > key.spot.line
            && other.spot.column == key.spot.column
            && !known.contains(&&*other.text)
            && nearest(&other.text, known.iter().copied()).is_none()
    };
    entries[nth + 1..].iter().take_while(is_stranger).count()
}

/// Whether nothing stands where a value belongs.
fn is_absent(node: &Node) -> bool {
    matches!(&node.data, Data::Scalar { text, plain: true } if text.is_empty())
}

/// The fix for an unquoted value that a comma cut in two, so that its rest looks like a key without a value.
fn cut(before: Option<&(Key, Node)>, key: &Key, value: &Node, known: &[&str]) -> Option<String> {
    let (_, Node { data: Data::Scalar { text: first, plain: true }, .. }) = before? else { return None };
    let is_cut = is_absent(value) && nearest(&key.text, known.iter().copied()).is_none();
    is_cut.then(|| format!("A comma ends the value. Put it in double quotes: \"{first}, {}\".", key.text))
}

/// The fix for a single entry whose colon touches its value, so that it is no mapping.
fn unspaced(node: &Node) -> Option<String> {
    let Data::Scalar { text, plain: true } = &node.data else { return None };
    touching(text).map(|key| format!("Put a space after \"{key}:\"."))
}

/// A number as a spreadsheet shortens it, such as 4.41633E+11 or 1E-07: digits are lost.
pub fn is_shortened(text: &str) -> bool {
    let Some((number, power)) = text.split_once(['e', 'E']) else { return false };
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    let (whole, rest) = number.split_once(['.', ',']).unwrap_or((number, "0"));
    digits(whole) && digits(rest) && digits(power.strip_prefix(['+', '-']).unwrap_or(power))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::yaml::read;

    fn sheet_of(text: &str) -> (Sheet<'_>, Node) {
        let file: Arc<str> = "t.yaml".into();
        (Sheet::new(&file, text), read(&file, text.as_bytes()).unwrap())
    }

    #[test]
    fn an_unknown_key_is_rejected_and_the_near_one_named() {
        let (mut sheet, node) = sheet_of("nubmer: \"1\"\n");
        sheet.map(&node, "A station", ["number", "where"]);
        assert_eq!(sheet.findings[0].fix, "If you mean \"number\", write that.");
    }

    #[test]
    fn lines_that_are_not_further_in_than_their_key_are_told_once() {
        let (mut sheet, node) = sheet_of("settings:\nlamp.follows: [a]\ngate.opens: never\nwhere: x\n");
        let [settings, location] = sheet.map(&node, "A site", ["settings", "where"]).unwrap();
        assert_eq!((settings, location.is_some()), (None, true));
        sheet.required(settings, &node, "A site", "settings");
        let [one] = &sheet.findings[..] else { panic!("{:#?}", sheet.findings) };
        let said = "\"lamp.follows\" is no further in than \"settings:\", so it is not part of it.";
        assert_eq!((one.place.line, &*one.message), (2, said));
        assert_eq!(one.fix, "Indent the 2 lines below \"settings:\" by two more spaces.");
    }

    #[test]
    fn a_key_without_a_colon_between_braces_is_not_missing_too() {
        let (mut sheet, node) = sheet_of("{number \"+44\", where: x}\n");
        let [number, _] = sheet.map(&node, "A station", ["number", "where"]).unwrap();
        sheet.required(number, &node, "A station", "number");
        let [one] = &sheet.findings[..] else { panic!("{:#?}", sheet.findings) };
        assert_eq!(one.replacement.as_deref(), Some("number: \"+44\""), "{one}");
    }

    #[test]
    fn an_unquoted_number_is_rejected_with_the_exact_fix() {
        for (text, fix) in [
            ("v: 0121\n", "Put it in double quotes: \"0121\"."),
            ("v: +441632960101\n", "Put it in double quotes: \"+441632960101\"."),
            ("v: 1 #2\n", "YAML takes \"#2\" for a comment. If it belongs to the value, write \"1 #2\"."),
            ("v: #10*\n", "YAML takes \"#10*\" for a comment. If it belongs to the value, write \"#10*\"."),
        ] {
            let (mut sheet, node) = sheet_of(text);
            assert_eq!(sheet.quoted(node.get("v").unwrap(), "The number"), None);
            assert_eq!(sheet.findings[0].fix, fix, "{text}");
        }
    }

    #[test]
    fn only_plain_decimal_numbers_are_numbers() {
        for (text, value) in
            [("5", Some(5)), ("05", None), ("0x5", None), ("\"5\"", None), ("1e1", None), ("1_0", None), ("100", None)]
        {
            let source = format!("v: {text}\n");
            let (mut sheet, node) = sheet_of(&source);
            assert_eq!(sheet.number(node.get("v").unwrap(), "It", 0..=99), value, "{text}");
            assert_eq!(sheet.findings.is_empty(), value.is_some());
        }
    }
}
