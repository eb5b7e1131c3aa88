//! Wrong texts out of right ones: bytes, words and lines changed, and values grown from a grammar of YAML fragments.
//! The same seed gives the same text.

/// Chance with a seed (SplitMix64).
pub struct Chance(u64);

impl Chance {
    pub fn new(seed: u64) -> Chance {
        Chance(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15))
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Below `n`; 0 where there is no choice.
    fn below(&mut self, n: usize) -> usize {
        if n == 0 { 0 } else { (self.next() % n as u64) as usize }
    }

    fn pick<'a, T: ?Sized>(&mut self, all: &[&'a T]) -> &'a T {
        all[self.below(all.len())]
    }
}

/// No text is longer.
const LONGEST: usize = 64 << 10;

/// What files are made of, right and wrong.
const WORDS: &[&str] = &[
    "inventory",
    "fleet",
    "contacts",
    "settings",
    "profiles",
    "sites",
    "stations",
    "test_days",
    "line",
    "kind",
    "outside",
    "country",
    "form",
    "international",
    "trunk",
    "short_direct",
    "placeholder",
    "number",
    "where",
    "model",
    "calls",
    "extension",
    "short",
    "dial",
    "to",
    "from",
    "secret",
    "keybook",
    "title",
    "call",
    "rings",
    "open",
    "close",
    "tones",
    "timing",
    "dial_keys",
    "commands",
    "command",
    "keys",
    "needs",
    "also",
    "clears",
    "keeps",
    "takes_ms",
    "lifelines",
    "digits",
    "values",
    "factory",
    "weight",
    "min",
    "max",
    "step",
    "width",
    "report",
    "id",
    "station",
    "at",
    "by",
    "unit",
    "found",
    "left",
    "steps",
    "heard",
    "tests",
    "outcome",
    "script",
    "note",
    "stationkeep",
    "ledger",
    "listen",
    "webhooks",
    "url",
    "signing",
    "weights",
    "remind_minutes",
    "true",
    "false",
    "null",
    "~",
    "all",
    "0",
    "1",
    "-1",
    "07",
    "99999999999999999999",
    "4294967295",
    "4294967296",
    "1e9",
    "0x10",
    ".inf",
    "\"\"",
    "''",
    "\"+441632960101\"",
    "+441632960101",
    "\"01632 960101\"",
    "\"+44 (0)1632 960101\"",
    "\"tel:+441632960101\"",
    "\"+４４1632960101\"",
    "\"+44\u{a0}1632\u{a0}960101\"",
    "\"+44l632960lOl\"",
    "\"441O\"",
    "\"9,\"",
    "\"{x}\"",
    "\"{=access}#\"",
    "\"{\"",
    "\"}\"",
    "\"\\x00\"",
    "\"\\u200b\"",
    "\"\\n\"",
    "*a",
    "&a",
    "!!str",
    "!x",
    "<<",
    "|",
    ">-",
    "? ",
    "- ",
    "---",
    "...",
    "%YAML 1.2",
    "#",
    "# ",
    " #",
    ": ",
    ",",
    "[",
    "]",
    "{",
    "}",
    "[[[[",
    "{{",
    "\t",
    "\r",
    "\r\n",
    "\u{feff}",
    "\u{2028}",
    "\u{85}",
    "\u{202e}",
    "é",
    "漢",
    "А",
    "𝟙",
    "٤",
    "\u{0}",
    "env:X",
    "file:a",
    "\"file:../x\"",
    "2026-11-20T10:14:00Z",
    "2026-13-40T99:99:99Z",
    "019a6c1e-8f00-7000-8000-000000000001",
    "3f9a1c0b7d24e615",
    "pbx",
    "direct",
    "ringdown",
    "GB",
    "US",
    "XX",
    "tern-2",
    "EQ-01",
    "control-room",
    "emergency.primary",
    "identity",
    "access",
    "line.kind",
    "lamp.follows",
    "gate.seconds",
    "accepted",
    "refused",
    "nothing",
    "skipped",
    "reached",
    "failed",
];

/// A text made from one or two of the samples.
pub fn mutated(samples: &[Vec<u8>], chance: &mut Chance) -> Vec<u8> {
    let mut text = samples[chance.below(samples.len())].clone();
    // One in eight stays as it was, but for what the properties do to it.
    for _ in 0..chance.below(8) {
        change(&mut text, samples, chance);
        text.truncate(LONGEST);
    }
    text
}

fn change(text: &mut Vec<u8>, samples: &[Vec<u8>], chance: &mut Chance) {
    match chance.below(14) {
        0 => {
            if let Some(byte) = pick_byte(text, chance) {
                *byte ^= 1 << chance.below(8);
            }
        }
        1 => {
            let at = chance.below(text.len() + 1);
            text.insert(at, chance.next() as u8);
        }
        2 => {
            let range = span(text.len(), 40, chance);
            text.drain(range);
        }
        3 => {
            let range = span(text.len(), 200, chance);
            let piece = text[range].to_vec();
            insert(text, &piece, chance);
        }
        4 => {
            let other = &samples[chance.below(samples.len())];
            let piece = other[span(other.len(), 400, chance)].to_vec();
            insert(text, &piece, chance);
        }
        5 => text.truncate(chance.below(text.len() + 1)),
        6 => insert(text, chance.pick(WORDS).as_bytes(), chance),
        7..=9 => replace_word(text, chance),
        10 => lines(text, chance),
        11 => {
            let grown = value(4, chance);
            insert(text, grown.as_bytes(), chance);
        }
        12 => {
            let grown = value(4, chance);
            replace_value(text, &grown, chance);
        }
        _ => {
            // A sign doubled so often that a counter may overflow or a stack may.
            let sign = chance.pick(&["[", "{", "- ", "? ", "a: ", "\"", "'", " ", "\n", "0", "{a: ", "!", "&", "|"]);
            let piece = sign.repeat(1 << chance.below(13));
            insert(text, piece.as_bytes(), chance);
        }
    }
}

fn pick_byte<'t>(text: &'t mut [u8], chance: &mut Chance) -> Option<&'t mut u8> {
    let at = chance.below(text.len());
    text.get_mut(at)
}

fn span(length: usize, most: usize, chance: &mut Chance) -> std::ops::Range<usize> {
    let from = chance.below(length + 1);
    from..(from + chance.below(most)).min(length)
}

fn insert(text: &mut Vec<u8>, piece: &[u8], chance: &mut Chance) {
    let at = chance.below(text.len() + 1);
    text.splice(at..at, piece.iter().copied());
}

/// Runs of letters, digits, dots and hyphens.
fn words(text: &[u8]) -> Vec<std::ops::Range<usize>> {
    let is_word = |byte: &u8| byte.is_ascii_alphanumeric() || b".-_+".contains(byte);
    let mut found = Vec::new();
    let mut at = 0;
    while at < text.len() {
        let length = text[at..].iter().take_while(|byte| is_word(byte)).count();
        if length > 0 {
            found.push(at..at + length);
        }
        at += length.max(1);
    }
    found
}

fn replace_word(text: &mut Vec<u8>, chance: &mut Chance) {
    let all = words(text);
    let Some(range) = all.get(chance.below(all.len())).cloned() else { return };
    let word = match chance.below(4) {
        // A slip of the finger.
        0 => {
            let mut word = text[range.clone()].to_vec();
            let at = chance.below(word.len());
            word.swap(at, (at + 1).min(range.len() - 1));
            word
        }
        1 => text[all[chance.below(all.len())].clone()].to_vec(),
        _ => chance.pick(WORDS).as_bytes().to_vec(),
    };
    text.splice(range, word);
}

/// What stands behind a colon up to the end of its line.
fn replace_value(text: &mut Vec<u8>, grown: &str, chance: &mut Chance) {
    let colons: Vec<usize> = (1..text.len()).filter(|at| text[at - 1] == b':' && text[*at] == b' ').collect();
    let Some(at) = colons.get(chance.below(colons.len())) else { return };
    let end = text[*at..].iter().position(|byte| b"\n,}".contains(byte)).map_or(text.len(), |n| at + n);
    text.splice(at + 1..end, grown.bytes());
}

fn lines(text: &mut Vec<u8>, chance: &mut Chance) {
    let mut all: Vec<Vec<u8>> = text.split(|byte| *byte == b'\n').map(<[u8]>::to_vec).collect();
    let (at, to) = (chance.below(all.len()), chance.below(all.len()));
    match chance.below(5) {
        0 => all.swap(at, to),
        1 => all.insert(to, all[at].clone()),
        2 => {
            all.remove(at);
        }
        3 => {
            all[at].splice(0..0, *b"  ");
        }
        _ => {
            let indent = all[at].iter().take_while(|byte| **byte == b' ').count();
            all[at].drain(..indent.min(2));
        }
    }
    *text = all.join(&b'\n');
}

/// A value in flow style.
fn value(depth: usize, chance: &mut Chance) -> String {
    match chance.below(if depth == 0 { 1 } else { 4 }) {
        0 | 1 => chance.pick(WORDS).to_owned(),
        2 => {
            let items: Vec<String> = (0..chance.below(4)).map(|_| value(depth - 1, chance)).collect();
            format!("[{}]", items.join(", "))
        }
        _ => {
            let entry = |chance: &mut Chance| format!("{}: {}", chance.pick(WORDS), value(depth - 1, chance));
            let entries: Vec<String> = (0..chance.below(4)).map(|_| entry(chance)).collect();
            format!("{{{}}}", entries.join(", "))
        }
    }
}
