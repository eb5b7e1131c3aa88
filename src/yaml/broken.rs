//! Where a text stopped being YAML, and what its author likely left out. The parser notices late, and in words of its own.

use super::spot::Spot;
use crate::finding::{in_quotes, plural};

/// What to tell of a text that is no YAML.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Broken {
    pub(super) spot: Spot,
    pub(super) message: String,
    pub(super) fix: String,
    /// What is to stand at the spot instead, where it is known.
    pub(super) replacement: Option<String>,
}

impl Broken {
    fn new(spot: Spot, message: impl Into<String>, fix: impl Into<String>) -> Broken {
        Broken { spot, message: message.into(), fix: fix.into(), replacement: None }
    }
}

/// So many lines back a colon without a space may be noticed only later.
const LOOK_BACK: usize = 5;

/// What broke a text that a parser gave up at this spot.
pub(super) fn explained(text: &str, at: Spot) -> Broken {
    let nth = at.line as usize - 1;
    let lines: Vec<&str> = text.lines().take(nth + 1).collect();
    let line = lines.get(nth).copied().unwrap_or("");
    if line.trim_start_matches(' ').starts_with('\t') {
        return Broken::new(at, "There is a tab in the indentation.", "Indent with spaces, not with tabs.");
    }
    let known = reserved(line, at)
        .or_else(|| (nth.saturating_sub(1)..=nth).find_map(|nth| two_colons(lines.get(nth)?, count(nth) + 1)))
        .or_else(|| no_space(&lines))
        .or_else(|| unbalanced(text, at, &lines))
        .or_else(|| indented(&lines))
        .or_else(|| no_colon(&lines));
    known.unwrap_or_else(|| {
        let fix = "Compare with the lines around it. Look for a missing comma, quote, bracket or colon.";
        Broken::new(at, "From here on this is not valid YAML.", fix)
    })
}

/// A word that begins with a character that YAML keeps for itself.
fn reserved(line: &str, at: Spot) -> Option<Broken> {
    let mut before: Option<char> = None;
    let mut is_apart = true;
    for (nth, (index, sign)) in line.char_indices().enumerate() {
        let begins = is_apart && before.is_none_or(|sign| "{[,:-".contains(sign));
        if begins && "*&%@`".contains(sign) {
            let rest = &line[index..];
            let end = rest.find([' ', ',', '}', ']', '\t']).unwrap_or(rest.len());
            let word = rest[..end].trim_end_matches(':');
            let spot = Spot { column: count(nth) + 1, length: count(word.chars().count()), ..at };
            let quoted = in_quotes(word);
            let message = format!("\"{word}\" begins with a character that YAML reserves.");
            let fix = format!("Put it in double quotes: {quoted}.");
            return Some(Broken { replacement: Some(quoted), ..Broken::new(spot, message, fix) });
        }
        is_apart = sign.is_whitespace() || "{[,".contains(sign);
        before = if sign.is_whitespace() { before } else { Some(sign) };
    }
    None
}

/// An unquoted value with a colon and a space in it, which YAML takes for the end of a key.
fn two_colons(line: &str, nth: u32) -> Option<Broken> {
    let mut scan = Scan { line: 1, is_apart: true, ..Scan::default() };
    // Where the value that is being read began, in characters, and whether it has a second colon.
    let (mut begun, mut is_key, mut found): (Option<usize>, bool, bool) = (None, true, false);
    let signs: Vec<char> = line.chars().chain([' ']).collect();
    let mut end = signs.len();
    for (index, sign) in signs.iter().copied().enumerate() {
        if scan.take(sign, Spot { line: 2, column: 1, length: 0 }).is_some() {
            return None;
        }
        if scan.is_comment {
            end = index;
            break;
        }
        if scan.quote.is_some() {
            (begun, is_key) = (None, false);
        } else if "{[".contains(sign) && begun.is_none() {
            is_key = true;
        } else if !scan.open.is_empty() && ",}]".contains(sign) {
            if found {
                end = index;
                break;
            }
            (begun, is_key) = (None, true);
        } else if sign == ':' && signs.get(index + 1) == Some(&' ') {
            found |= begun.is_some();
            is_key = false;
        } else if begun.is_none() && !is_key && scan.before == Some(sign) && sign != ':' && !"\"'}],".contains(sign) {
            begun = signs[..index].iter().rev().find(|sign| **sign != ' ').filter(|sign| **sign == ':').map(|_| index);
        }
    }
    let start = begun.filter(|_| found)?;
    let value: String = signs[start..end].iter().collect();
    let value = value.trim_end();
    let spot = Spot { line: nth, column: count(start) + 1, length: count(value.chars().count()) };
    let quoted = in_quotes(value);
    let fix = format!("Put the value in double quotes: {quoted}.");
    Some(Broken { replacement: Some(quoted), ..Broken::new(spot, format!("A colon ends the key: {value}."), fix) })
}

/// A line whose indentation is none of those above it, or deeper than what takes nothing below it. Only where every bracket and
/// quote is closed, and no text runs over lines.
fn indented(lines: &[&str]) -> Option<Broken> {
    let mut scan = Scan { line: 1, is_apart: true, ..Scan::default() };
    let beyond = Spot { line: u32::MAX, column: 1, length: 0 };
    let mut levels = Levels { lines, ..Levels::default() };
    for (nth, line) in lines.iter().enumerate() {
        let was_open = !scan.open.is_empty();
        let text = line.chars().chain(['\n']);
        if text.into_iter().any(|sign| scan.take(sign, beyond).is_some()) || scan.quote.is_some() {
            return None;
        }
        let body = line.trim_start_matches(' ');
        if was_open || body.trim().is_empty() || body.starts_with('#') {
            continue;
        }
        let bare = body.split(" #").next().unwrap_or_default().trim_end();
        if bare.ends_with(['|', '>']) {
            return None;
        }
        if let Some(broken) = levels.take(nth, line.len() - body.len(), bare) {
            return Some(broken);
        }
    }
    None
}

/// An open level of indentation.
#[derive(Clone, Copy)]
struct Level {
    deep: usize,
    /// Its last line.
    last: usize,
    lines: usize,
    /// The line before the last one, where that is a key with nothing below it.
    empty: Option<usize>,
}

/// A level that ended.
#[derive(Clone, Copy)]
struct Ended {
    deep: usize,
    /// The line that ended it, and how deep that is.
    by: usize,
    to: usize,
}

/// How deep the lines of a text are indented, up to one that does not fit.
#[derive(Default)]
struct Levels<'t> {
    lines: &'t [&'t str],
    open: Vec<Level>,
    ended: Vec<Ended>,
    /// Whether something may stand below the last line, and whether it is a key without a value.
    takes_more: bool,
    is_key: bool,
}

impl Levels<'_> {
    /// The next line with something in it, without its comment.
    fn take(&mut self, nth: usize, indent: usize, bare: &str) -> Option<Broken> {
        match self.open.last().copied() {
            Some(level) if indent > level.deep && !self.takes_more => return Some(self.deeper(level, nth, indent)),
            Some(level) if indent < level.deep => {
                let ended = self.open.iter().filter(|level| level.deep > indent);
                self.ended.extend(ended.map(|level| Ended { deep: level.deep, by: nth, to: indent }));
                self.open.retain(|level| level.deep <= indent);
                if self.open.last().is_none_or(|level| level.deep != indent) {
                    return Some(self.shallower(level, nth, indent));
                }
            }
            Some(_) | None => {}
        }
        let is_beside = self.is_key && self.open.last().is_some_and(|level| level.deep == indent);
        match self.open.last_mut().filter(|level| level.deep == indent) {
            Some(level) => {
                level.empty = is_beside.then_some(level.last);
                (level.last, level.lines) = (nth, level.lines + 1);
            }
            None => self.open.push(Level { deep: indent, last: nth, lines: 1, empty: None }),
        }
        let open = &self.open;
        self.ended.retain(|ended| open.iter().any(|level| level.last == ended.by));
        // An entry of a list may go on below its dash.
        self.takes_more = bare.ends_with(':') || bare.starts_with("- ") || bare == "-";
        self.is_key = bare.ends_with(':');
        None
    }

    /// A line below one that has its value already.
    fn deeper(&self, level: Level, nth: usize, indent: usize) -> Broken {
        let is_odd = |ended: &Ended| ended.by == level.last && ended.deep == indent && level.deep > 0;
        if self.ended.iter().any(is_odd) {
            return odd_one(level.last, level.deep, indent);
        }
        if let Some(key) = level.empty.and_then(|nth| self.lines.get(nth)?.trim().split(':').next()) {
            let fix = format!("Put it under \"{key}:\", {} in.", spaces(indent));
            return indent_of(level.last, level.deep, &format!("the next one by {indent}"), &fix);
        }
        match level.lines {
            1 => indent_of(nth, indent, &format!("the one before it by {}", level.deep), "Indent both alike."),
            _ => indent_of(nth, indent, &format!("those before it by {}", level.deep), "Indent it like the others."),
        }
    }

    /// A line less deep than the one before it, and on no level above.
    fn shallower(&self, level: Level, nth: usize, indent: usize) -> Broken {
        // What ended a level, and has its own lines as far in as that level's were: it should not have ended it.
        let first = self.ended.iter().filter(|ended| ended.by == nth).map(|ended| ended.deep).min();
        let is_odd = |ended: &&Ended| {
            let step = indent.checked_sub(ended.to).filter(|_| ended.to > 0 && ended.deep == indent);
            ended.by != nth && step.is_some_and(|step| first == Some(indent + step))
        };
        let odd = self.ended.iter().find(is_odd).filter(|_| level.lines > 1);
        if let Some(odd) = odd {
            return odd_one(odd.by, odd.to, indent);
        }
        let fix = "Indent both alike, or the second one under the first.";
        match level.lines {
            1 => indent_of(level.last, level.deep, &format!("the next one by {indent}"), fix),
            _ => indent_of(nth, indent, &format!("those before it by {}", level.deep), "Indent it like the others."),
        }
    }
}

/// What is told of a line between others that are deeper.
fn odd_one(nth: usize, deep: usize, others: usize) -> Broken {
    indent_of(nth, deep, &format!("those around it by {others}"), "Indent it like the others.")
}

fn indent_of(nth: usize, deep: usize, others: &str, fix: &str) -> Broken {
    let spot = Spot { line: count(nth) + 1, column: count(deep) + 1, length: 0 };
    Broken::new(spot, format!("This line is indented by {}, and {others}.", spaces(deep)), fix)
}

fn spaces(deep: usize) -> String {
    plural(deep as u64, "space")
}

/// A key and its value without a colon between them, in the last line or a few before it.
fn no_colon(lines: &[&str]) -> Option<Broken> {
    let last = lines.iter().enumerate().rev().filter(|(_, line)| !line.trim().is_empty()).take(LOOK_BACK);
    for (nth, line) in last {
        let entry = line.trim_start().trim_start_matches("- ");
        let bare = entry.split(" #").next().unwrap_or_default().trim_end();
        let Some((key, value)) = uncoloned(bare) else { continue };
        let column = count(line.chars().count() - entry.chars().count()) + 1;
        let spot = Spot { line: count(nth) + 1, column, length: count(bare.chars().count()) };
        return Some(lacking_colon(spot, key, value));
    }
    None
}

/// The key and the value of an entry with nothing but spaces between them, as in `number "+44…"`.
pub(super) fn uncoloned(entry: &str) -> Option<(&str, &str)> {
    let (key, value) = entry.split_once(' ')?;
    let value = value.trim_start();
    let is_key = key.chars().all(|sign| sign.is_alphanumeric() || "._-".contains(sign));
    let is_value =
        value.starts_with(|sign: char| "\"'{[+".contains(sign) || sign.is_ascii_digit()) || !value.contains(' ');
    let is_lost = is_key && key.starts_with(char::is_alphabetic) && is_value && !value.is_empty();
    // A colon outside of quotes and brackets is one that is there.
    (is_lost && !value.starts_with('#') && !value.trim_end().ends_with(':')).then_some((key, value))
}

/// What is told of such an entry.
pub(super) fn lacking_colon(spot: Spot, key: &str, value: &str) -> Broken {
    let message = format!("There is no colon after \"{key}\".");
    let replacement = Some(format!("{key}: {value}"));
    Broken { replacement, ..Broken::new(spot, message, format!("Put a colon after \"{key}\".")) }
}

/// A key whose colon touches its value, in the last line or a few before it.
fn no_space(lines: &[&str]) -> Option<Broken> {
    let last = lines.iter().enumerate().rev().filter(|(_, line)| !line.trim().is_empty()).take(LOOK_BACK);
    for (nth, line) in last {
        let entry = line.trim_start().trim_start_matches("- ");
        let Some(key) = touching(entry) else { continue };
        let before = line.len() - entry.len();
        let entry = entry.trim_end();
        let column = count(line[..before].chars().count()) + 1;
        let spot = Spot { line: count(nth) + 1, column, length: count(entry.chars().count()) };
        return Some(touched(spot, entry, key));
    }
    None
}

/// The key of an entry whose colon touches its value, as in `rings:2`.
pub(super) fn touching(entry: &str) -> Option<&str> {
    let (key, value) = entry.split_once(':')?;
    let is_key = key.chars().all(|sign| sign.is_alphanumeric() || "._-".contains(sign));
    let is_word = key.starts_with(char::is_alphabetic) && is_key;
    (is_word && !value.is_empty() && !value.starts_with([' ', '\t', '/', ':'])).then_some(key)
}

/// What is told of such an entry.
pub(super) fn touched(spot: Spot, entry: &str, key: &str) -> Broken {
    let message = format!("There is no space after the colon: {entry}.");
    let replacement = Some(format!("{key}: {}", &entry[key.len() + 1..]));
    Broken { replacement, ..Broken::new(spot, message, format!("Put a space after \"{key}:\".")) }
}

/// A bracket or quote as it was opened.
#[derive(Clone, Copy)]
struct Opened {
    sign: char,
    line: u32,
    column: u32,
}

impl Opened {
    fn spot(self) -> Spot {
        Spot { line: self.line, column: self.column, length: 1 }
    }

    fn closing(self) -> char {
        match self.sign {
            '{' => '}',
            '[' => ']',
            quote => quote,
        }
    }
}

/// A bracket or quote that is not closed in its line, or closes what is not open.
fn unbalanced(text: &str, at: Spot, lines: &[&str]) -> Option<Broken> {
    let mut scan = Scan { line: 1, is_apart: true, ..Scan::default() };
    for sign in text.chars() {
        if let Some(broken) = scan.take(sign, at) {
            return Some(broken);
        }
        if scan.line > at.line {
            break;
        }
    }
    let long = scan.long.filter(|opened| opened.line + 1 >= at.line || scan.quote.is_some());
    if let Some(opened) = scan.quote.or(long) {
        let fix = format!("Close it with {}.", opened.sign);
        return Some(Broken::new(opened.spot(), "The quotes that open here are not closed in their line.", fix));
    }
    let line_of = |opened: &Opened| lines.get(opened.line as usize - 1).map_or("", |line| line.trim_end());
    let unclosed = scan.open.into_iter().rev().find(|opened| {
        // A list or mapping over several lines goes on after its line's end.
        opened.line < at.line && !line_of(opened).ends_with(['{', '[', ','])
    })?;
    let fix = if line_of(&unclosed).contains(" #") {
        "YAML takes what follows a # for a comment: put a value with # in double quotes.".into()
    } else {
        format!("Close it with \"{}\".", unclosed.closing())
    };
    let message = format!("The \"{}\" that opens here is not closed in its line.", unclosed.sign);
    Some(Broken::new(unclosed.spot(), message, fix))
}

/// The brackets and quotes of a text, up to where the parser gave up.
#[derive(Default)]
struct Scan {
    open: Vec<Opened>,
    quote: Option<Opened>,
    /// The last quote that went on into a further line.
    long: Option<Opened>,
    line: u32,
    column: u32,
    /// The last character of this line that is no space.
    before: Option<char>,
    /// Whether a value may begin here.
    is_apart: bool,
    is_comment: bool,
    is_escaped: bool,
}

impl Scan {
    fn take(&mut self, sign: char, at: Spot) -> Option<Broken> {
        if sign == '\n' {
            (self.line, self.column) = (self.line + 1, 0);
            (self.before, self.is_apart, self.is_comment) = (None, true, false);
            return None;
        }
        self.column += 1;
        if let Some(opened) = self.quote {
            self.quoted(sign, opened);
            return None;
        }
        if self.is_comment || self.line == at.line && self.column > at.column {
            return None;
        }
        let broken = self.plain(sign, at);
        self.is_apart = sign.is_whitespace() || "{[,".contains(sign);
        self.before = if sign.is_whitespace() { self.before } else { Some(sign) };
        broken
    }

    fn quoted(&mut self, sign: char, opened: Opened) {
        if self.is_escaped {
            self.is_escaped = false;
        } else if sign == '\\' && opened.sign == '"' {
            self.is_escaped = true;
        } else if sign == opened.sign {
            self.long = Some(opened).filter(|opened| opened.line < self.line).or(self.long);
            self.quote = None;
            (self.before, self.is_apart) = (Some(sign), false);
        }
    }

    fn plain(&mut self, sign: char, at: Spot) -> Option<Broken> {
        let begins = self.is_apart && self.before.is_none_or(|sign| "{[,:-".contains(sign));
        let here = Opened { sign, line: self.line, column: self.column };
        match sign {
            '#' if self.is_apart => self.is_comment = true,
            '"' | '\'' if begins => self.quote = Some(here),
            '{' | '[' if begins => self.open.push(here),
            '}' | ']' => match self.open.pop() {
                Some(opened) if opened.closing() == sign => {}
                Some(opened) => return Some(mismatch(here, opened)),
                None if self.line == at.line && self.column == at.column => return Some(nothing_open(here)),
                None => {}
            },
            _ => {}
        }
        None
    }
}

fn mismatch(here: Opened, opened: Opened) -> Broken {
    let (wrong, right) = (here.sign, opened.closing());
    let message = format!("This \"{wrong}\" closes a \"{}\".", opened.sign);
    Broken::new(here.spot(), message, format!("Write \"{right}\", or add it before the \"{wrong}\"."))
}

fn nothing_open(here: Opened) -> Broken {
    let message = format!("This \"{}\" closes nothing.", here.sign);
    Broken::new(here.spot(), message, "Remove it, or add what it should close.")
}

fn count(number: usize) -> u32 {
    u32::try_from(number).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests {
    use crate::finding::Finding;
    use crate::yaml::read;

    /// Where a text breaks, what is said, the fix and the exact text.
    fn told(text: &str) -> (u32, u32, String, String, Option<String>) {
        let findings: Vec<Finding> = read(&"t.yaml".into(), text.as_bytes()).expect_err("a broken text");
        let [one] = &findings[..] else { panic!("{findings:#?}") };
        let Finding { place, message, fix, replacement, .. } = one.clone();
        (place.line, place.column, message, fix, replacement.map(String::from))
    }

    #[test]
    fn what_is_not_closed_is_told_where_it_opens() {
        let braces = "The \"{\" that opens here is not closed in its line.";
        for (text, line, column, message, fix) in [
            ("a:\n  b: {c: 1, d: {e: 2}\n  f: {c: 1}\ng: 1\n", 2, 6, braces, "Close it with \"}\"."),
            ("a: {b: 1\n", 1, 4, braces, "Close it with \"}\"."),
            ("a: [b, c}\n", 1, 9, "This \"}\" closes a \"[\".", "Write \"]\", or add it before the \"}\"."),
            (
                "a: {b: \"x, c: y}\nd: {b: \"z\"}\n",
                1,
                8,
                "The quotes that open here are not closed in their line.",
                "Close it with \".",
            ),
        ] {
            let (at, from, said, how, _) = told(text);
            assert_eq!((at, from, &*said, &*how), (line, column, message, fix), "{text}");
        }
    }

    #[test]
    fn a_value_with_a_colon_in_it_gets_its_quotes() {
        for (text, column, exact) in [
            ("a: 1\nwhere: Fuel berth: beside the pump\n", 8, "\"Fuel berth: beside the pump\""),
            ("id: 1\nnote: it said: no   # twice\n", 7, "\"it said: no\""),
            ("a: {b: \"x: y\", note: it said: no, c: 1}\n", 22, "\"it said: no\""),
        ] {
            let (_, from, message, fix, replacement) = told(text);
            assert_eq!((from, replacement.as_deref()), (column, Some(exact)), "{text}{message} {fix}");
        }
    }

    #[test]
    fn the_line_whose_indentation_is_off_is_named() {
        let site = "sites:\n  quay:\n    stations:\n";
        for (text, line, message) in [
            // One space more, one less.
            ("contacts:\n  a: {b: 1}\n   c: {b: 1}\n  d: {b: 1}\n", 3, "by 3 spaces, and the one before it by 2"),
            ("contacts:\n  a: {b: 1}\n c: {b: 1}\n  d: {b: 1}\n", 2, "by 2 spaces, and the next one by 1"),
            ("contacts:\n  a: {b: 1}\n  b: {b: 1}\n c: {b: 1}\n", 4, "by 1 space, and those before it by 2"),
            // A station that is the first, one that is not, and one between others.
            (&format!("{site}        S-1: {{a: 1}}\n      S-2: {{a: 1}}\n"), 4, "by 8 spaces, and the next one by 6"),
            (
                &format!("{site}      S-1: {{a: 1}}\n        S-2: {{a: 1}}\n"),
                5,
                "by 8 spaces, and the one before it by 6",
            ),
            (
                &format!("{site}      S-1: {{a: 1}}\n    S-2: {{a: 1}}\n      S-3: {{a: 1}}\n"),
                5,
                "by 4 spaces, and those around it by 6",
            ),
            (
                &format!("{site}      S-1: {{a: 1}}\n    S-2:\n        b: 1\n        c: 1\n      S-3: {{a: 1}}\n"),
                5,
                "by 4 spaces, and those around it by 6",
            ),
            // A line that is one level too high, before what it should stand beside, and between that.
            ("sites:\n  quay:\n  line: {kind: pbx}\n    stations:\n", 3, "by 2 spaces, and the next one by 4"),
            (
                "sites:\n  quay:\n    line: {kind: pbx}\n  settings:\n      a: 1\n      b: 1\n    stations:\n",
                4,
                "by 2 spaces, and those around it by 4",
            ),
            // The first line of what a key holds.
            ("settings:\na: {b: 1}\n  c: {b: 1}\n", 2, "by 0 spaces, and the next one by 2"),
            (&format!("{site}    S-1: {{a: 1}}\n      S-2: {{a: 1}}\n"), 4, "by 4 spaces, and the next one by 6"),
        ] {
            let (at, _, said, _, _) = told(text);
            assert!(at == line && said.contains(message), "{text}{at}: {said}");
        }
    }

    #[test]
    fn a_key_whose_first_line_is_not_further_in_is_named_with_where_it_belongs() {
        let (_, _, _, fix, _) = told("sites:\n  quay:\n  line: {kind: pbx}\n    stations:\n");
        assert_eq!(fix, "Put it under \"quay:\", 4 spaces in.");
    }

    #[test]
    fn a_key_without_a_colon_is_told_in_its_own_line() {
        for (text, line, key, exact) in [
            ("a:\n  number \"+44\"\n  where: x\n", 2, "number", "number: \"+44\""),
            ("id: 1\nnote \"x\"   # said\n", 2, "note", "note: \"x\""),
            ("a:\n  model tern-2\n  where: x\n", 2, "model", "model: tern-2"),
            ("a:\n  profiles [quay]\n  where: x\n", 2, "profiles", "profiles: [quay]"),
        ] {
            let (at, _, message, fix, replacement) = told(text);
            let said = format!("There is no colon after \"{key}\".");
            assert_eq!((at, message, replacement.as_deref()), (line, said, Some(exact)), "{text}{fix}");
        }
    }

    #[test]
    fn a_colon_that_touches_its_value_is_told_where_it_was_typed() {
        let exact = |text: &str, line, column, exact: &str| {
            let (at, from, message, _, replacement) = told(text);
            assert_eq!((at, from, replacement.as_deref()), (line, column, Some(exact)), "{text}: {message}");
        };
        exact("call:\n  idle_ms:12000\n  limit_ms: 180000\n", 2, 3, "idle_ms: 12000");
        exact("call:\n  limit_ms: 180000\n  idle_ms:12000\ntones: 1\n", 3, 3, "idle_ms: 12000");
        exact("model:knot-4\ntitle: x\n", 1, 1, "model: knot-4");
        exact("a: {to:night-office}\n", 1, 5, "to: night-office");
        exact("a: {volume:6, b: 1}\n", 1, 5, "volume: 6");
    }

    #[test]
    fn a_word_that_begins_with_what_yaml_reserves_gets_its_quotes() {
        for (text, column, exact) in
            [("@desk: {calls: 1}\n", 1, "\"@desk\""), ("a: {to: @desk}\n", 9, "\"@desk\""), ("a: %x\n", 4, "\"%x\"")]
        {
            let (_, from, _, _, replacement) = told(text);
            assert_eq!((from, replacement.as_deref()), (column, Some(exact)), "{text}");
        }
    }

    proptest::proptest! {
        /// Whatever breaks, the place is in the text and the words are our own.
        #[test]
        fn a_broken_text_is_told_in_its_lines(text in "[a-c{}\\[\\]:,\"'#@ \n-]{0,60}") {
            for finding in read(&"t.yaml".into(), text.as_bytes()).err().unwrap_or_default() {
                proptest::prop_assert!(finding.place.line as usize <= text.matches('\n').count() + 1);
                proptest::prop_assert!(!finding.message.contains("while parsing") && !finding.fix.is_empty());
            }
        }
    }
}
