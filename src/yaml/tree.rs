//! From bytes to a tree of nodes, or to findings.

use std::collections::HashSet;
use std::sync::Arc;

use saphyr_parser::{Event, Parser, ScalarStyle, Span};

use super::broken::{self, Broken};
use super::spot::Spot;
use crate::finding::{Code, Finding, LIMIT_ERRORS, Place};

/// The largest file that is read, in bytes.
pub const LIMIT_BYTES: usize = 32 << 20;
const LIMIT_NODES: usize = 4_000_000;
const LIMIT_DEPTH: usize = 32;

/// A value and where it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Node {
    /// Where it stands.
    pub spot: Spot,
    /// What it is.
    pub data: Data,
}

/// What a value is made of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Data {
    /// A single value.
    Scalar {
        /// As YAML reads it, whatever it would make of it.
        text: Box<str>,
        /// Whether it is not quoted.
        plain: bool,
    },
    /// A list, in its order.
    List(Vec<Node>),
    /// A mapping, in the order of the file.
    Map(Vec<(Key, Node)>),
}

/// The key of a mapping's entry; its text as written, whatever YAML would make of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Key {
    /// As written.
    pub text: Box<str>,
    /// Where it stands.
    pub spot: Spot,
}

impl Node {
    /// An absent value: nothing, `~` or `null`, unquoted.
    pub fn is_null(&self) -> bool {
        match &self.data {
            Data::Scalar { text, plain } => *plain && matches!(&**text, "" | "~" | "null" | "Null" | "NULL"),
            Data::List(_) | Data::Map(_) => false,
        }
    }

    /// The entry of a mapping with this key.
    pub fn get(&self, key: &str) -> Option<&Node> {
        match &self.data {
            Data::Map(entries) => entries.iter().find(|(k, _)| &*k.text == key).map(|(_, v)| v),
            Data::Scalar { .. } | Data::List(_) => None,
        }
    }
}

/// Reads one file. A file with findings yields no tree: what is half read is not used.
///
/// # Errors
/// Every problem that can be told before the file stops making sense, with its place.
pub fn read(file: &Arc<str>, bytes: &[u8]) -> Result<Node, Vec<Finding>> {
    let text = text_of(file, bytes).map_err(|finding| vec![finding])?;
    let mut builder = Builder::new(file, text);
    let mut parser = Parser::new_from_str(text);
    while let Some(next) = parser.next_event() {
        match next {
            Ok((event, span)) => {
                if builder.take(event, &span).is_err() || builder.is_full() {
                    break;
                }
            }
            Err(error) => {
                builder.syntax(&error);
                break;
            }
        }
    }
    builder.finish()
}

fn text_of<'b>(file: &Arc<str>, bytes: &'b [u8]) -> Result<&'b str, Finding> {
    if bytes.len() > LIMIT_BYTES {
        return Err(Finding::new(
            Code::FileTooLarge,
            Place::start_of(file),
            format!("The file has {} bytes; {LIMIT_BYTES} is the most that is read.", bytes.len()),
            "Split it into several files.",
        ));
    }
    if let [0xff, 0xfe, ..] | [0xfe, 0xff, ..] = bytes {
        return Err(Finding::new(Code::NotText, Place::start_of(file), "This is UTF-16.", "Save it as UTF-8."));
    }
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let text = std::str::from_utf8(bytes).map_err(|error| {
        let before = String::from_utf8_lossy(&bytes[..error.valid_up_to()]);
        Finding::new(
            Code::NotText,
            end_of(file, &before),
            "This is not UTF-8 text.",
            "Save the file as UTF-8, without other encodings mixed in.",
        )
    })?;
    let rejected =
        |at: usize, message: &str, fix: &str| Err(Finding::new(Code::NotText, end_of(file, &text[..at]), message, fix));
    if let Some(at) = text.find('\0') {
        return rejected(at, "The file contains a NUL character.", "Remove it; it usually comes from a damaged copy.");
    }
    // YAML would take it for a line end, and nobody else does: the lines of findings would be others than an editor's.
    if let Some((at, _)) = text.match_indices('\r').find(|(at, _)| !text[at + 1..].starts_with('\n')) {
        let message = "This carriage return has no line feed after it.";
        return rejected(at, message, "Save the file with the line ends of Unix or Windows.");
    }
    Ok(text)
}

/// The place just after `before`.
fn end_of(file: &Arc<str>, before: &str) -> Place {
    let narrow = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    let column = before.rsplit('\n').next().map_or(0, |line| line.chars().count());
    Place { file: file.clone(), line: narrow(before.matches('\n').count() + 1), column: narrow(column + 1), length: 1 }
}

/// A finding that makes the rest of the file pointless to read.
struct Stop;

enum Open {
    List(Spot, Vec<Node>),
    Map { spot: Spot, entries: Vec<(Key, Node)>, seen: HashSet<Box<str>>, key: Option<Key> },
}

/// From so many entries on a mapping's keys are looked up in a set of their own.
const MANY_KEYS: usize = 16;

/// Whether a mapping has no such key yet.
fn is_fresh(text: &str, entries: &[(Key, Node)], seen: &mut HashSet<Box<str>>) -> bool {
    if entries.len() < MANY_KEYS {
        return entries.iter().all(|(key, _)| *key.text != *text);
    }
    if seen.is_empty() {
        seen.extend(entries.iter().map(|(key, _)| key.text.clone()));
    }
    seen.insert(text.into())
}

struct Builder<'f> {
    file: &'f Arc<str>,
    text: &'f str,
    open: Vec<Open>,
    root: Option<Node>,
    nodes: usize,
    documents: usize,
    findings: Vec<Finding>,
    /// Just behind the last character.
    end: Place,
    /// Where the last key ended.
    behind_key: Spot,
}

impl<'f> Builder<'f> {
    fn new(file: &'f Arc<str>, text: &'f str) -> Builder<'f> {
        let end = end_of(file, text);
        let behind_key = Spot { line: 1, column: 1, length: 1 };
        Builder {
            file,
            text,
            open: Vec::new(),
            root: None,
            nodes: 0,
            documents: 0,
            findings: Vec::new(),
            end,
            behind_key,
        }
    }

    /// The parser may place what is missing behind the last line; its author looks for it at the end of that.
    fn within(&self, spot: Spot) -> Spot {
        if spot.line > self.end.line { Spot { line: self.end.line, column: self.end.column, ..spot } } else { spot }
    }

    fn place(&self, spot: Spot) -> Place {
        Place { file: self.file.clone(), line: spot.line, column: spot.column, length: spot.length }
    }

    fn note(&mut self, code: Code, spot: Spot, message: &str, fix: &str) {
        self.findings.push(Finding::new(code, self.place(spot), message, fix));
    }

    /// Whether enough is wrong.
    fn is_full(&mut self) -> bool {
        let is_full = self.findings.len() > LIMIT_ERRORS;
        if is_full && let Some(last) = self.findings.pop() {
            self.findings.push(Finding::and_more(last.place));
        }
        is_full
    }

    fn take(&mut self, event: Event<'_>, span: &Span) -> Result<(), Stop> {
        let spot = self.within(Spot::of(span));
        match event {
            Event::Nothing | Event::StreamStart | Event::StreamEnd | Event::DocumentEnd => Ok(()),
            Event::DocumentStart(_) => self.document(spot),
            Event::Alias(_) => {
                self.extra(spot, "An alias (\"*name\") stands here.");
                self.value(Node { spot, data: Data::Scalar { text: "".into(), plain: false } })
            }
            Event::Scalar(text, style, anchor, tag) => {
                self.decorated(spot, anchor, tag.is_some());
                let plain = style == ScalarStyle::Plain;
                let is_block = matches!(style, ScalarStyle::Literal | ScalarStyle::Folded);
                // A block begins before its first line and is no span that could be replaced.
                let spot = if is_block { Spot { length: 0, ..spot } } else { spot };
                let behind = self.within(Spot::of(&Span::empty(span.end)));
                self.scalar(spot, behind, text.into_owned().into_boxed_str(), plain)
            }
            Event::SequenceStart(anchor, tag) => {
                self.decorated(spot, anchor, tag.is_some());
                self.push(spot, Open::List(spot, Vec::new()))
            }
            Event::MappingStart(anchor, tag) => {
                self.decorated(spot, anchor, tag.is_some());
                let map = Open::Map { spot, entries: Vec::new(), seen: HashSet::new(), key: None };
                self.push(spot, map)
            }
            Event::SequenceEnd | Event::MappingEnd => self.close(),
        }
    }

    fn document(&mut self, spot: Spot) -> Result<(), Stop> {
        self.documents += 1;
        if self.documents == 1 {
            return Ok(());
        }
        self.note(Code::YamlDocuments, spot, "A second document begins here.", "Put it into a file of its own.");
        Err(Stop)
    }

    fn decorated(&mut self, spot: Spot, anchor: usize, tagged: bool) {
        if anchor != 0 {
            let (spot, message) = self.anchor(spot);
            self.extra(spot, &message);
        }
        if tagged {
            self.extra(spot, "This value carries a tag (\"!name\").");
        }
    }

    /// The anchor of a value, in its line or in one of the few before it.
    fn anchor(&self, spot: Spot) -> (Spot, String) {
        let before: Vec<&str> = self.text.lines().take(spot.line as usize).collect();
        for (nth, line) in before.iter().enumerate().rev().take(4) {
            let mut words = line.match_indices('&').filter(|(at, _)| line[..*at].ends_with([' ', '[', '{', ',']));
            let column = |at: usize| line[..at].chars().count() + 1;
            let is_near = |at: usize| nth + 1 < spot.line as usize || column(at) <= spot.column as usize;
            let Some((at, _)) = words.rfind(|(at, _)| is_near(*at)) else { continue };
            let rest = &line[at..];
            let word = &rest[..rest.find([' ', ',', ']', '}']).unwrap_or(rest.len())];
            let number = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
            let spot = Spot { line: number(nth + 1), column: number(column(at)), length: number(word.chars().count()) };
            return (spot, format!("There is an anchor: {word}."));
        }
        (spot, "There is an anchor here (\"&\" and a name).".into())
    }

    fn extra(&mut self, spot: Spot, message: &str) {
        let fix = "Write the value out where it applies, in quotes if it begins with * & or !.";
        self.note(Code::YamlExtra, spot, message, fix);
    }

    fn push(&mut self, spot: Spot, open: Open) -> Result<(), Stop> {
        if self.open.len() >= LIMIT_DEPTH {
            self.note(Code::YamlTooDeep, spot, "The file nests too deeply here.", "No file needs more than 32 levels.");
            return Err(Stop);
        }
        if self.key_wanted() {
            self.note(Code::WrongShape, spot, "A list or mapping stands where a key belongs.", "Keys are plain words.");
            return Err(Stop);
        }
        self.open.push(open);
        Ok(())
    }

    fn key_wanted(&self) -> bool {
        matches!(self.open.last(), Some(Open::Map { key: None, .. }))
    }

    fn close(&mut self) -> Result<(), Stop> {
        match self.open.pop() {
            // Most are small and there are many: what they did not grow into is given back.
            Some(Open::List(spot, mut items)) => {
                items.shrink_to_fit();
                self.value(Node { spot, data: Data::List(items) })
            }
            Some(Open::Map { spot, mut entries, .. }) => {
                entries.shrink_to_fit();
                self.value(Node { spot, data: Data::Map(entries) })
            }
            None => Ok(()),
        }
    }

    fn scalar(&mut self, spot: Spot, behind: Spot, text: Box<str>, plain: bool) -> Result<(), Stop> {
        let Some(Open::Map { entries, seen, key: slot @ None, .. }) = self.open.last_mut() else {
            return self.value(Node { spot, data: Data::Scalar { text, plain } });
        };
        self.behind_key = behind;
        let fresh = is_fresh(&text, entries, seen);
        let merge = plain && &*text == "<<";
        let again = (!fresh).then(|| format!("The key \"{text}\" is written for the second time."));
        *slot = Some(Key { text, spot });
        if let Some(again) = again {
            self.note(Code::KeyRepeated, spot, &again, "Keep one of the two.");
        }
        if merge {
            self.extra(spot, "This is a merge key (\"<<\").");
        }
        Ok(())
    }

    fn value(&mut self, node: Node) -> Result<(), Stop> {
        self.nodes += 1;
        if self.nodes > LIMIT_NODES {
            self.note(Code::FileTooLarge, node.spot, "The file has too many entries.", "Split it into several files.");
            return Err(Stop);
        }
        match self.open.last_mut() {
            None => self.root = Some(node),
            Some(Open::List(_, items)) => items.push(node),
            Some(Open::Map { entries, key, .. }) => match key.take() {
                Some(key) => {
                    let node = beside_its_key(self.behind_key, node);
                    let suspect = is_absent(&node) && key.text.contains(':');
                    let told = suspect.then(|| key.clone());
                    entries.push((key, node));
                    if let Some(key) = told {
                        self.touched(&key);
                    }
                }
                None => {
                    let fix = "Keys are plain words.";
                    self.note(Code::WrongShape, node.spot, "This cannot be a key.", fix);
                    return Err(Stop);
                }
            },
        }
        Ok(())
    }

    fn syntax(&mut self, error: &saphyr_parser::ScanError) {
        let spot = self.within(Spot::of(&Span::empty(*error.marker())));
        let broken = broken::explained(self.text, Spot { length: 1, ..spot });
        self.broken(Code::YamlSyntax, broken);
    }

    fn broken(&mut self, code: Code, broken: Broken) {
        let Broken { spot, message, fix, replacement } = broken;
        self.findings.push(Finding::new(code, self.place(spot), message, fix).replacing(replacement));
    }

    /// `{rings:2}` is a key without a value for YAML, and never what was meant.
    fn touched(&mut self, key: &Key) {
        let is_plain = key.spot.length as usize == key.text.chars().count();
        let Some(name) = broken::touching(&key.text).filter(|_| is_plain) else { return };
        // Between braces no colon follows such a key.
        let line = self.text.lines().nth(key.spot.line as usize - 1).unwrap_or("");
        let end = key.spot.column as usize - 1 + key.text.chars().count();
        if line.chars().skip(end).find(|sign| *sign != ' ').is_none_or(|sign| sign != ':') {
            self.broken(Code::YamlSyntax, broken::touched(key.spot, &key.text, name));
        }
    }

    fn finish(mut self) -> Result<Node, Vec<Finding>> {
        if !self.findings.is_empty() {
            return Err(self.findings);
        }
        self.root.take().ok_or_else(|| {
            let place = Place::start_of(self.file);
            vec![Finding::new(Code::WrongShape, place, "The file is empty.", "Remove it, or write its first key.")]
        })
    }
}

/// Whether nothing stands where a value belongs.
fn is_absent(node: &Node) -> bool {
    matches!(&node.data, Data::Scalar { text, plain: true } if text.is_empty())
}

/// The parser places an absent value at whatever comes next; its author looks for it behind its key.
fn beside_its_key(behind_key: Spot, mut node: Node) -> Node {
    if is_absent(&node) {
        node.spot = Spot { column: behind_key.column.saturating_add(1), length: 1, ..behind_key };
    }
    node
}

#[cfg(test)]
mod tests {
    use super::*;

    fn codes(text: &[u8]) -> Vec<(Code, u32, u32)> {
        match read(&"t.yaml".into(), text) {
            Ok(_) => Vec::new(),
            Err(all) => all.into_iter().map(|f| (f.code, f.place.line, f.place.column)).collect(),
        }
    }

    #[test]
    fn a_value_keeps_its_text_place_and_quoting() {
        let node = read(&"t.yaml".into(), b"a:\n  n: 0123\n  q: \"+44\"\n").unwrap();
        let inner = node.get("a").unwrap();
        assert_eq!(inner.get("n").unwrap().data, Data::Scalar { text: "0123".into(), plain: true });
        let q = inner.get("q").unwrap();
        assert_eq!(q.data, Data::Scalar { text: "+44".into(), plain: false });
        assert_eq!((q.spot.line, q.spot.column, q.spot.length), (3, 6, 5));
    }

    #[test]
    fn whatever_could_change_a_meaning_unseen_is_rejected_with_its_place() {
        assert_eq!(codes(b"a: 1\nb: 2\na: 3\n"), [(Code::KeyRepeated, 3, 1)]);
        assert_eq!(codes(b"a: &x 1\n")[0].0, Code::YamlExtra);
        assert_eq!(codes(b"a: !!str 1\n")[0].0, Code::YamlExtra);
        assert_eq!(codes(b"<<: {a: 1}\n")[0].0, Code::YamlExtra);
        assert_eq!(codes(b"a: 1\n---\nb: 2\n")[0].0, Code::YamlDocuments);
        assert_eq!(codes(b"a: *10#\n")[0].0, Code::YamlSyntax);
        assert_eq!(codes(b"a: \xff\n"), [(Code::NotText, 1, 4)]);
        assert_eq!(codes(b"a: 1\nb: \0\n"), [(Code::NotText, 2, 4)]);
        assert_eq!(codes(b"")[0].0, Code::WrongShape);
    }

    #[test]
    fn deep_and_wide_texts_end_in_a_finding() {
        // The parser has a limit of its own for brackets, and words it as a syntax error.
        assert_eq!(codes("[".repeat(200_000).as_bytes())[0].0, Code::YamlSyntax);
        assert_eq!(codes("- ".repeat(100_000).as_bytes())[0].0, Code::YamlTooDeep);
        assert_eq!(codes(&vec![b'a'; LIMIT_BYTES + 1])[0].0, Code::FileTooLarge);
    }

    #[test]
    fn a_byte_order_mark_and_windows_line_ends_are_no_part_of_the_values() {
        let node = read(&"t.yaml".into(), b"\xef\xbb\xbfa: x\r\nb: y\r\n").unwrap();
        assert_eq!(node.get("a").unwrap().data, Data::Scalar { text: "x".into(), plain: true });
        assert_eq!(node.get("b").unwrap().spot.line, 2);
    }
}
