//! From a keybook's text to a [`Keybook`], or to everything that is wrong with it.
//!
//! Reading goes on past whatever is wrong; a keybook with an error is never handed out.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;
use std::sync::Arc;

use super::check::{self, Sequence};
use super::commands::{self, Keyed};
use super::settings::{self, Drafts};
use super::{Call, Keybook, Part, Template, Timing, Tone, Use};
use sha2::{Digest, Sha256};

use crate::finding::{Code, Finding, settle};
use crate::setting::{Key, Name};
use crate::yaml::{self, Node, Sheet, Spot};

/// The most settings or commands of one keybook: all pairs of commands are compared.
pub(super) const ENTRIES_MAX: usize = 500;

/// Reads a keybook. `file` is its path as the user knows it.
///
/// The findings are sorted by place; with an error among them there is no keybook.
pub fn read(file: &Arc<str>, bytes: &[u8]) -> (Option<Keybook>, Vec<Finding>) {
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let root = match yaml::read(file, bytes) {
        Ok(root) => root,
        Err(mut findings) => {
            settle(&mut findings);
            return (None, findings);
        }
    };
    let mut sheet = Sheet::new(file, std::str::from_utf8(bytes).unwrap_or_default());
    let keybook = whole(&mut sheet, &root);
    let mut findings = sheet.findings;
    settle(&mut findings);
    let sound = !findings.iter().any(Finding::is_error);
    let digest = || Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect();
    (keybook.filter(|_| sound).map(|keybook| Keybook { digest: digest(), ..keybook }), findings)
}

fn whole(sheet: &mut Sheet<'_>, root: &Node) -> Option<Keybook> {
    let known =
        ["keybook", "model", "title", "call", "tones", "timing", "dial_keys", "settings", "lifelines", "commands"];
    let [version, model, title, call, tones, timing, dial_keys, settings, lifelines, commands] =
        sheet.map(root, "A keybook", known)?;
    sheet.version(version, root, "keybook");
    let mut required = |value, key| sheet.required(value, root, "The keybook", key);
    let model = required(model, "model");
    let (call, tones, timing) = (required(call, "call"), required(tones, "tones"), required(timing, "timing"));
    let (settings, commands) = (required(settings, "settings"), required(commands, "commands"));

    let place = sheet.place(model.unwrap_or(root).spot);
    let model = model.and_then(|node| name(sheet, node, "The model"));
    let title = title.map(|node| name(sheet, node, "The title"));
    let symbols = Arc::new(dial_keys.map(|node| dial_keys_of(sheet, node)).unwrap_or_default());
    let drafts = settings.and_then(|node| settings::read(sheet, node, &symbols)).unwrap_or_default();
    let lifelines = lifelines.map(|node| commands::lifelines(sheet, &drafts, node)).unwrap_or_default();
    let call = call.and_then(|node| call_of(sheet, &drafts, node));
    let tones = tones.and_then(|node| tones_of(sheet, node));
    let timing = timing.and_then(|node| timing_of(sheet, node));
    let commands = commands.map(|node| commands::read(sheet, &drafts, node)).unwrap_or_default();
    check_all(sheet, &drafts, call.as_ref(), timing.as_ref(), &commands);

    let (accepted, refused) = tones?;
    let model = model?;
    Some(Keybook {
        title: title.unwrap_or_else(|| Some(model.clone()))?,
        model,
        place,
        call: call?.call()?,
        accepted,
        refused,
        timing: timing?,
        symbols,
        settings: drafts.finish()?,
        lifelines,
        digest: String::new(),
        commands: commands.into_iter().map(commands::Draft::finish).collect::<Option<_>>()?,
    })
}

fn check_all(
    sheet: &mut Sheet<'_>,
    drafts: &Drafts,
    call: Option<&CallDraft<'_>>,
    timing: Option<&Timing>,
    commands: &[commands::Draft<'_>],
) {
    let mut sequences = Vec::new();
    if let Some(call) = call {
        sequences.extend(call.open.as_ref().map(|keyed| Sequence { title: "call.open".into(), keyed, command: None }));
        sequences.extend(call.close.as_ref().map(|keyed| Sequence {
            title: "call.close".into(),
            keyed,
            command: None,
        }));
    }
    sequences.extend(commands.iter().filter_map(commands::Draft::sequence));
    let languages = drafts.languages();
    check::fields_end(sheet, drafts, &languages, &sequences);
    check::none_confused(sheet, &languages, &sequences);
    if let (Some(call), Some(timing)) = (call, timing) {
        check::fits_a_call(sheet, &languages, call, timing, &sequences);
    }
    check::all_written(sheet, drafts, commands);
}

/// A name or free text: not empty, in one line.
pub(super) fn name(sheet: &mut Sheet<'_>, node: &Node, what: &str) -> Option<Name> {
    let text = sheet.text(node, what)?;
    fit_name(sheet, text, node.spot, what)
}

/// The same for the key of a mapping.
pub(super) fn fit_name(sheet: &mut Sheet<'_>, text: &str, spot: Spot, what: &str) -> Option<Name> {
    if text.trim().is_empty() || text.contains(char::is_control) {
        let mend = "Write words in one line.";
        sheet.note(Code::WrongShape, spot, format!("{what} is empty or holds a line break or a control sign."), mend);
        return None;
    }
    Some(text.into())
}

/// A mapping's value that must be there, as a number.
fn needed_number(
    sheet: &mut Sheet<'_>,
    owner: &Node,
    value: Option<&Node>,
    (what, key): (&str, &str),
    range: RangeInclusive<u32>,
) -> Option<u32> {
    let node = sheet.required(value, owner, what, key)?;
    sheet.number(node, &format!("`{key}`"), range)
}

/// A mapping's value that may be absent, as a number; `None` only where it is wrong.
pub(super) fn number_or(
    sheet: &mut Sheet<'_>,
    value: Option<&Node>,
    key: &str,
    range: RangeInclusive<u32>,
    absent: u32,
) -> Option<u32> {
    value.map_or(Some(absent), |node| sheet.number(node, &format!("`{key}`"), range))
}

/// The call, as far as it could be read.
pub(super) struct CallDraft<'n> {
    pub(super) open: Option<Keyed<'n>>,
    pub(super) close: Option<Keyed<'n>>,
    close_sound: bool,
    rings: Option<u32>,
    pub(super) greeting_ms: Option<u32>,
    idle_ms: Option<u32>,
    pub(super) limit_ms: Option<u32>,
}

impl CallDraft<'_> {
    fn call(self) -> Option<Call> {
        Some(Call {
            rings: self.rings?,
            greeting_ms: self.greeting_ms?,
            open: self.open?.template,
            close: if self.close_sound { self.close.map(|keyed| keyed.template) } else { None },
            idle_ms: self.idle_ms?,
            limit_ms: self.limit_ms?,
        })
    }
}

const HOUR_MS: u32 = 3_600_000;

fn call_of<'n>(sheet: &mut Sheet<'_>, drafts: &Drafts, node: &'n Node) -> Option<CallDraft<'n>> {
    let what = "`call`";
    let [rings, greeting, open, close, idle, limit] =
        sheet.map(node, what, ["rings", "greeting_ms", "open", "close", "idle_ms", "limit_ms"])?;
    let rings = needed_number(sheet, node, rings, (what, "rings"), 0..=99);
    let greeting_ms = needed_number(sheet, node, greeting, (what, "greeting_ms"), 0..=HOUR_MS);
    let idle_ms = needed_number(sheet, node, idle, (what, "idle_ms"), 1..=HOUR_MS);
    let limit_ms = needed_number(sheet, node, limit, (what, "limit_ms"), 1..=24 * HOUR_MS);
    let open = sheet.required(open, node, what, "open");
    let open = open.and_then(|node| commands::keyed(sheet, drafts, node, "`open`"));
    let read_close = close.and_then(|node| commands::keyed(sheet, drafts, node, "`close`"));
    let close_sound = read_close.is_some() == close.is_some();
    for (keyed, wanted) in open.iter().map(|k| (k, Some(Use::Held))).chain(read_close.iter().map(|k| (k, None))) {
        forbidden_fields(sheet, keyed, wanted);
    }
    Some(CallDraft { open, close: read_close, close_sound, rings, greeting_ms, idle_ms, limit_ms })
}

/// Opening a call stores nothing; closing it keys no value at all.
fn forbidden_fields(sheet: &mut Sheet<'_>, keyed: &Keyed<'_>, allowed: Option<Use>) {
    let fields = keyed.template.0.iter().enumerate();
    let wrong: Vec<usize> = fields
        .filter(|(_, part)| match part {
            Part::Key(_) => false,
            Part::Field(how, _) => Some(*how) != allowed,
        })
        .map(|(at, _)| at)
        .collect();
    for at in wrong {
        let (sentence, mend) = match allowed {
            Some(Use::Held | Use::Store) => {
                ("Opening a call stores nothing.", "Write {=x}, which keys the value held now.")
            }
            None => ("`close` keys no setting.", "Write the keys alone, such as \"D\"."),
        };
        sheet.note(Code::TemplateBroken, keyed.part_spot(at), sentence, mend);
    }
}

fn tones_of(sheet: &mut Sheet<'_>, node: &Node) -> Option<(Tone, Tone)> {
    let [accepted, refused] = sheet.map(node, "`tones`", ["accepted", "refused"])?;
    let accepted = sheet.required(accepted, node, "`tones`", "accepted");
    let refused = sheet.required(refused, node, "`tones`", "refused");
    let accepted = accepted.and_then(|node| tone_of(sheet, node, "`accepted`"));
    let refused = refused.and_then(|node| tone_of(sheet, node, "`refused`"));
    accepted.zip(refused)
}

fn tone_of(sheet: &mut Sheet<'_>, node: &Node, what: &str) -> Option<Tone> {
    let [beeps, hz, on_ms, off_ms] = sheet.map(node, what, ["beeps", "hz", "on_ms", "off_ms"])?;
    let beeps = needed_number(sheet, node, beeps, (what, "beeps"), 1..=20);
    // A telephone line carries about 300 to 3400 Hz.
    let hz = needed_number(sheet, node, hz, (what, "hz"), 100..=3900);
    let on_ms = needed_number(sheet, node, on_ms, (what, "on_ms"), 10..=10_000);
    let off_ms = match off_ms {
        Some(node) => sheet.number(node, "`off_ms`", 10..=10_000),
        None => on_ms,
    };
    Some(Tone { beeps: beeps?, hz: hz?, on_ms: on_ms?, off_ms: off_ms? })
}

fn timing_of(sheet: &mut Sheet<'_>, node: &Node) -> Option<Timing> {
    let what = "`timing`";
    let [press, answer, tone, gap] = sheet.map(node, what, ["press_ms", "answer_ms", "tone_ms", "gap_ms"])?;
    let press_ms = needed_number(sheet, node, press, (what, "press_ms"), 1..=60_000);
    let answer_ms = needed_number(sheet, node, answer, (what, "answer_ms"), 0..=HOUR_MS);
    let tone_ms = number_or(sheet, tone, "tone_ms", 10..=10_000, 100);
    let gap_ms = number_or(sheet, gap, "gap_ms", 10..=10_000, 100);
    Some(Timing { press_ms: press_ms?, answer_ms: answer_ms?, tone_ms: tone_ms?, gap_ms: gap_ms? })
}

fn dial_keys_of(sheet: &mut Sheet<'_>, node: &Node) -> BTreeMap<char, Key> {
    let mut symbols = BTreeMap::new();
    let mut places: Vec<(Key, Spot)> = Vec::new();
    for (sign, value) in sheet.entries(node, "`dial_keys`").unwrap_or_default() {
        let symbol = Some(&*sign.text).filter(|t| matches!(*t, "," | "*" | "#" | "A" | "B" | "C" | "D"));
        if symbol.is_none() {
            let sentence = format!("`{}` is no sign of a stored number that needs a key of its own.", sign.text);
            sheet.note(Code::KeyUnknown, sign.spot, sentence, "Use `,` for a pause, or * # A B C D.");
        }
        let Some(key) = dial_key(sheet, value, &sign.text) else { continue };
        if let Some((_, first)) = places.iter().find(|(k, _)| *k == key) {
            let finding = Finding::new(
                Code::CodesConfused,
                sheet.place(value.spot),
                format!("The key {key} stands for two signs of a stored number."),
                "Give each sign a key of its own.",
            );
            let finding = finding.beside(sheet.place(*first), "the first");
            sheet.findings.push(finding);
            continue;
        }
        places.push((key, value.spot));
        symbols.extend(symbol.and_then(|text| text.chars().next()).map(|sign| (sign, key)));
    }
    symbols
}

fn dial_key(sheet: &mut Sheet<'_>, node: &Node, sign: &str) -> Option<Key> {
    let text = sheet.quoted(node, &format!("The key of `{sign}`"))?;
    let mut signs = text.chars();
    let (Some(first), None) = (signs.next(), signs.next()) else {
        sheet.note(Code::WrongShape, node.spot, "A sign of a stored number is keyed with one key.", "Write one key.");
        return None;
    };
    let Some(key) = Key::new(first) else {
        sheet.note(
            Code::KeySign,
            node.spot,
            format!("`{}` is no key.", first.escape_debug()),
            "Use one of * # A B C D.",
        );
        return None;
    };
    if key.is_digit() {
        let sentence =
            format!("The key {key} is a digit, so a stored number could not be told from one with `{sign}`.");
        sheet.note(Code::CodesConfused, node.spot, sentence, "Use one of * # A B C D.");
        return None;
    }
    Some(key)
}

/// Where a part of a template stands, if its text stands in the file as it is read.
pub(super) fn inside(spot: Spot, text: &str, at: usize, length: usize) -> Spot {
    let narrow = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    if length == 0 || spot.length != narrow(text.chars().count()).saturating_add(2) {
        return spot;
    }
    Spot { line: spot.line, column: spot.column.saturating_add(1).saturating_add(narrow(at)), length: narrow(length) }
}

/// The keys of a template's longest form; fields without a language count as nothing.
pub(super) fn longest(template: &Template, languages: &super::ambiguity::Languages) -> u64 {
    let (literal, fields) = template.counts();
    let field = |((_, id), times): ((Use, super::SettingId), usize)| {
        let language = languages.get(id.index()).and_then(Option::as_ref);
        language.map_or(0, |l| u64::from(l.longest())) * times as u64
    };
    literal as u64 + fields.into_iter().map(field).sum::<u64>()
}
