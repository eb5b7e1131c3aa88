//! From a keybook's text to a [`Keybook`], or to everything that is wrong with it.
//!
//! Reading goes on past whatever is wrong; a keybook with an error is never handed out.

use std::sync::Arc;

use super::call::{CallDraft, call_of, timing_of, tones_of};
use super::check;
use super::commands;
use super::dial_keys;
use super::keyed::Sequence;
use super::lifelines;
use super::settings::{self, Drafts};
use super::talks;
use super::words::name;
use super::{Keybook, Timing};
use crate::finding::{Code, Finding, settle};
use crate::setting::content_sha;
use crate::yaml::{self, Node, Sheet};

/// The keys of the file.
const KEYS: [&str; 11] =
    ["keybook", "model", "title", "call", "tones", "timing", "dial_keys", "settings", "lifelines", "commands", "talks"];

/// Reads a keybook. `file` is its path as the user knows it.
///
/// The findings are sorted by place; with an error among them there is not a keybook.
pub fn read(file: &Arc<str>, bytes: &[u8]) -> (Option<Keybook>, Vec<Finding>) {
    let (keybook, mut findings) = taken_apart(file, bytes);
    if let Some(keybook) = keybook.as_ref().filter(|keybook| keybook.is_example()) {
        let message = "This is the example: its keys open no station.";
        let fix = "Write the keys of your model from its manual; \"stationkeep guide keybook\" explains how.";
        findings.push(Finding::new(Code::KeybookExample, keybook.place.clone(), message, fix));
        settle(&mut findings);
    }
    (keybook, findings)
}

/// The same, whosever keys they are.
pub(super) fn taken_apart(file: &Arc<str>, bytes: &[u8]) -> (Option<Keybook>, Vec<Finding>) {
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
    let is_sound = |sheet: &Sheet<'_>| !sheet.findings.iter().any(Finding::is_error);
    if let (Some(keybook), Some(talks), true) = (&keybook, root.get("talks"), is_sound(&sheet)) {
        talks::replay(&mut sheet, keybook, talks);
    }
    let keybook = keybook.filter(|_| is_sound(&sheet));
    let digest = || content_sha(talks::without(std::str::from_utf8(bytes).unwrap_or_default(), &root).as_bytes());
    let mut findings = sheet.findings;
    settle(&mut findings);
    (keybook.map(|keybook| Keybook { digest: digest(), ..keybook }), findings)
}

fn whole(sheet: &mut Sheet<'_>, root: &Node) -> Option<Keybook> {
    // The talks are about all the rest, and come after it.
    let [version, model, title, call, tones, timing, dial_keys, settings, lifelines, commands, _talks] =
        sheet.map(root, "A keybook", KEYS)?;
    sheet.version(version, root, "keybook");
    let mut required = |value, key| sheet.required(value, root, "The keybook", key);
    let model = required(model, "model");
    let (call, tones, timing) = (required(call, "call"), required(tones, "tones"), required(timing, "timing"));
    let (settings, commands) = (required(settings, "settings"), required(commands, "commands"));

    let place = sheet.place(model.unwrap_or(root).spot);
    let model = model.and_then(|node| name(sheet, node, "The model"));
    let title = title.map(|node| name(sheet, node, "The title"));
    let symbols = Arc::new(dial_keys.map(|node| dial_keys::read(sheet, node)).unwrap_or_default());
    let drafts = settings.and_then(|node| settings::read(sheet, node, &symbols)).unwrap_or_default();
    let lifelines = lifelines::read(sheet, &drafts, lifelines);
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
        check::keys_in_time(sheet, call, timing);
        check::fits_a_call(sheet, &languages, call, timing, &sequences);
        check::fits_the_search(sheet, &languages, timing, &sequences);
    }
    check::values_fit_the_search(sheet, drafts, commands);
    check::all_written(sheet, drafts, commands);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::finding::Code;
    use crate::keybook::sample::{TERN, tern};
    use crate::setting::{Codes, Kind, Reference, Value};
    use proptest::prelude::*;

    /// The findings of a text, each as code, line and the text it points at.
    fn told(text: &str) -> Vec<(Code, u32, String)> {
        let (keybook, findings) = read(&"k.yaml".into(), text.as_bytes());
        assert_eq!(keybook.is_none(), findings.iter().any(Finding::is_error), "{findings:#?}");
        let mut sorted = findings.clone();
        settle(&mut sorted);
        assert_eq!(sorted, findings, "sorted, none twice");
        findings.iter().for_each(|f| assert!(!f.message.is_empty() && !f.fix.is_empty(), "{f}"));
        let at = |f: &Finding| {
            let line = text.lines().nth(f.place.line as usize - 1).unwrap_or("");
            line.chars().skip(f.place.column as usize - 1).take(f.place.length as usize).collect()
        };
        findings.iter().map(|f| (f.code, f.place.line, at(f))).collect()
    }

    /// The sample with one piece of text changed; the piece must stand there once.
    fn with(old: &str, new: &str) -> String {
        assert_eq!(TERN.matches(old).count(), 1, "{old}");
        TERN.replace(old, new)
    }

    fn line_of(text: &str, piece: &str) -> u32 {
        u32::try_from(text.lines().position(|line| line.contains(piece)).unwrap()).unwrap() + 1
    }

    /// Changing `old` into `new` yields this one finding, at the given text in the last changed line.
    fn one(old: &str, new: &str, code: Code, at: &str) {
        let text = with(old, new);
        let changed = &text[..TERN.find(old).unwrap() + new.trim_end().len()];
        let line = u32::try_from(changed.matches('\n').count()).unwrap() + 1;
        assert_eq!(told(&text), [(code, line, at.to_string())], "{new}");
    }

    /// The same, with the finding in the line that holds `piece`.
    fn one_in(old: &str, new: &str, code: Code, at: &str, piece: &str) {
        let text = with(old, new);
        assert_eq!(told(&text), [(code, line_of(&text, piece), at.to_string())], "{new}");
    }

    #[test]
    fn the_sample_is_read_without_a_word() {
        let (keybook, findings) = read(&"k.yaml".into(), TERN.as_bytes());
        assert!(findings.is_empty(), "{findings:#?}");
        let keybook = keybook.unwrap();
        assert_eq!((&*keybook.model, keybook.settings.len(), keybook.commands.len()), ("tern-2", 7, 8));
        assert_eq!((keybook.call.limit_ms, keybook.timing.press_ms, keybook.refused.off_ms), (240_000, 600, 120));
        assert_eq!((keybook.accepted.on_ms, keybook.accepted.off_ms), (200, 200));
        let backup = keybook.id("emergency.backup").unwrap();
        assert_eq!(keybook.setting(backup).factory, Some(Value::Dial("".into())));
        assert_eq!(keybook.commands[1].also, [(backup, Some(Value::Dial("".into())))]);
        let reset = &keybook.commands[7];
        let kept = keybook.id("access").unwrap();
        assert_eq!(reset.clears, keybook.ids().filter(|id| *id != kept).collect::<Vec<_>>());
        let needs = &keybook.commands[3].needs[0].1;
        assert_eq!(needs, &[Value::Choice("direct".into()), Value::Choice("pbx".into())]);
        assert_eq!((keybook.commands[0].place.line, keybook.commands[0].place.column), (28, 15));
    }

    #[test]
    fn a_station_whose_answers_sound_alike_or_that_hangs_up_between_two_keys_is_refused() {
        one(
            "refused:  {beeps: 3, hz: 400, on_ms: 120",
            "refused: {beeps: 1, hz: 1000, on_ms: 200",
            Code::TonesAlike,
            "{",
        );
        one("idle_ms: 15000", "idle_ms: 599", Code::IdleShort, "599");
        assert_eq!(told(&with("idle_ms: 15000", "idle_ms: 600")), []);
    }

    #[test]
    fn the_keybooks_of_the_demonstration_are_read_without_a_word() {
        let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/config/keybooks");
        let mut seen = 0;
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            let (keybook, findings) = read(&"k.yaml".into(), &std::fs::read(&path).unwrap());
            assert!(keybook.is_some() && findings.is_empty(), "{path:?} {findings:#?}");
            seen += 1;
        }
        assert!(seen >= 3);
    }

    #[test]
    fn unknown_keys_are_refused_everywhere() {
        one("title:", "tilte:", Code::KeyUnknown, "tilte");
        one("rings: 1", "rings: 1\n  ringing: 2", Code::KeyUnknown, "ringing");
        one("hz: 1000,", "hz: 1000, volume: 3,", Code::KeyUnknown, "volume");
        one("tone_ms: 100,", "tone_ms: 100, pace: 3,", Code::KeyUnknown, "pace");
        one("tones:", "tones:\n  odd: {}", Code::KeyUnknown, "odd");
        one("min: 1, max: 99", "min: 1, maxx: 3, max: 99", Code::KeyUnknown, "maxx");
        one("keys: \"45{gate.seconds}\"", "keys: \"45{gate.seconds}\", clear: all", Code::KeyUnknown, "clear");
        one("kind: secret,", "kind: secret, width: 4,", Code::KeyUnknown, "width");
    }

    #[test]
    fn repeated_names_are_refused() {
        one("rings: 1\n", "rings: 1\n  rings: 2\n", Code::KeyRepeated, "rings");
        one("{command: lamp, ", "{command: identity, ", Code::NameRepeated, "identity");
        one("[line.kind, emergency.primary]", "[line.kind, line.kind]", Code::NameRepeated, "line.kind");
        one("keeps: [access]", "keeps: [access, access]", Code::NameRepeated, "access");
        one("[direct, pbx]", "[direct, direct]", Code::NameRepeated, "direct");
        one("direct: \"1\", pbx: \"2\"", "direct: \"1\", direct: \"2\"", Code::KeyRepeated, "direct");
    }

    #[test]
    fn missing_parts_are_named() {
        let file: Arc<str> = "k.yaml".into();
        for (old, part) in [
            ("model: tern-2\n", "model"),
            ("  rings: 1\n", "rings"),
            ("  open: \"B{=access}#\"\n", "open"),
            ("  limit_ms: 240000\n", "limit_ms"),
            ("press_ms: 600, ", "press_ms"),
            ("hz: 1000, ", "hz"),
            ("digits: [1, 8], ", "digits"),
            ("kind: number, ", "kind"),
            ("max: 99, ", "max"),
            ("command: lamp,  ", "command"),
            ("keys: \"45{gate.seconds}\"", "keys"),
        ] {
            let (_, findings) = read(&file, with(old, "").as_bytes());
            let missing = findings.iter().filter(|f| f.code == Code::KeyMissing).collect::<Vec<_>>();
            assert_eq!(missing.len(), 1, "{part}: {findings:#?}");
            assert!(missing[0].message.contains(&format!("\"{part}\"")), "{}", missing[0]);
        }
        assert_eq!(told(&with("keybook: 1", "keybook: 2"))[0].0, Code::Version);
        assert_eq!(told("keybook: 1\n").iter().filter(|t| t.0 == Code::KeyMissing).count(), 6);
    }

    #[test]
    fn everything_keyed_must_be_quoted() {
        one("close: \"D\"", "close: D", Code::Unquoted, "D");
        one("{\",\": \"C\"}", "{\",\": C}", Code::Unquoted, "C");
        one("ringdown: \"3\"", "ringdown: 3", Code::Unquoted, "3");
        one("factory: \"0\"", "factory: 0", Code::Unquoted, "0");
        one("keys: \"41{lamp.follows}\"", "keys: 41", Code::Unquoted, "41");
        one("digits: [4, 8]}", "digits: [4, 8], factory: 1234}", Code::Unquoted, "1234");
    }

    #[test]
    fn numbers_out_of_range_are_refused() {
        one("greeting_ms: 6000", "greeting_ms: 06000", Code::WrongShape, "06000");
        one("limit_ms: 240000", "limit_ms: -1", Code::WrongShape, "-1");
        one("digits: [1, 8]", "digits: [9, 8]", Code::WrongShape, "[");
        one("digits: [1, 8]", "digits: [1, 41]", Code::WrongShape, "41");
        one("digits: [1, 8]", "digits: [8]", Code::WrongShape, "[");
        one("width: 2,", "width: 1,", Code::WrongShape, "1");
        one("min: 1, max: 99", "min: 5, max: 4", Code::WrongShape, "4");
        one("min: 1,", "min: 1, step: 0,", Code::WrongShape, "0");
        one("takes_ms: 8000", "takes_ms: 1.5", Code::WrongShape, "1.5");
        one("takes_ms: 8000", "takes_ms: 8000, ends_call: yes", Code::WrongShape, "yes");
    }

    #[test]
    fn empty_lists_of_values_are_refused_and_so_is_the_reserved_word() {
        one("{emergency: 1, assistance: 2}, factory: []", "{}", Code::WrongShape, "{");
        one("assistance: 2", "factory: 2", Code::NameRepeated, "factory");
        one("pbx: \"2\", ringdown", "pbx: \"2\", factory: \"4\", ringdown", Code::NameRepeated, "factory");
    }

    #[test]
    fn dial_keys_are_one_to_three_keys_that_no_digit_and_no_other_begins() {
        let keys = |new: &str, code, at: &str| one("{\",\": \"C\"}", new, code, at);
        keys("{\",\": \"C123\"}", Code::WrongShape, "\"C123\"");
        keys("{\",\": \"\"}", Code::WrongShape, "\"\"");
        keys("{\",\": \"Cx\"}", Code::NotAKey, "x");
        keys("{\",\": \"c\"}", Code::NotAKey, "c");
        keys("{\",\": \"7\"}", Code::CodesConfused, "\"7\"");
        keys("{\",\": \"7C\"}", Code::CodesConfused, "\"7C\"");
        keys("{\",\": \"C\", \"*\": \"C\"}", Code::CodesConfused, "\"C\"");
        keys("{\",\": \"C\", \"*\": \"C1\"}", Code::CodesConfused, "\"C1\"");
        keys("{\",\": \"*12\", \"*\": \"*1\"}", Code::CodesConfused, "\"*1\"");
        keys("{\",\": \"C\", W: \"A\"}", Code::KeyUnknown, "W");
        assert_eq!(told(&with("{\",\": \"C\"}", "{\",\": \"C1\", \"*\": \"C2\", A: \"B00\"}")), []);
    }

    #[test]
    fn choice_codes_that_equal_or_begin_one_another_are_refused() {
        one("ringdown: \"3\"", "ringdown: \"2\"", Code::CodesConfused, "\"2\"");
        let text = with("ringdown: \"3\"", "ringdown: \"21\"");
        assert_eq!(told(&text)[0].0, Code::CodesConfused);
        one("ringdown: \"3\"", "ringdown: \"\"", Code::WrongShape, "\"\"");
        one("ringdown: \"3\"", "ringdown: \"3x\"", Code::NotAKey, "x");
    }

    #[test]
    fn flags_whose_sums_collide_are_refused() {
        one("assistance: 2", "assistance: 2, lamp: 3", Code::CodesConfused, "3");
        one("assistance: 2", "assistance: 0", Code::CodesConfused, "0");
        let many: Vec<_> = (0..17).map(|n| format!("f{n}: {}", 1u32 << n)).collect();
        let text = with("values: {emergency: 1, assistance: 2}", &format!("width: 6, values: {{{}}}", many.join(", ")));
        assert_eq!(told(&text)[0].0, Code::WrongShape);
    }

    #[test]
    fn values_outside_their_kind_are_refused() {
        one("factory: \"0\"", "factory: \"123456789\"", Code::ValueOutside, "\"123456789\"");
        one("factory: direct", "factory: driect", Code::ValueOutside, "driect");
        one("factory: 5", "factory: 0", Code::ValueOutside, "0");
        one("factory: []", "factory: [lmap]", Code::ValueOutside, "[");
        one("[direct, pbx]", "[direct, bpx]", Code::ValueOutside, "bpx");
        one("backup: factory}", "backup: \"9x\"}", Code::PauseUnstorable, "\"9x\"");
        one("digits: [4, 8]}", "digits: [4, 8], factory: \"123\"}", Code::ValueOutside, "\"123\"");
        one("digits: [4, 8]}", "digits: [4, 8], factory: \"12e4\"}", Code::ValueOutside, "\"12e4\"");
        one("weight: locating", "weight: heavy", Code::WrongShape, "heavy");
    }

    #[test]
    fn a_factory_code_is_never_repeated_in_a_finding() {
        let (_, findings) =
            read(&"k.yaml".into(), with("digits: [4, 8]}", "digits: [4, 8], factory: \"471\"}").as_bytes());
        assert!(!findings[0].to_string().contains("471"), "{}", findings[0]);
    }

    #[test]
    fn secrets_take_no_part_in_needs_and_also() {
        one("{line.kind: [direct, pbx]}", "{access: \"1234\"}", Code::ValueOutside, "access");
        one("{emergency.backup: factory}", "{access: factory}", Code::ValueOutside, "access");
    }

    #[test]
    fn names_of_no_setting_are_refused_wherever_they_stand() {
        one("\"45{gate.seconds}\"", "\"45{gate.secnds}\"", Code::NameUnknown, "{gate.secnds}");
        one("open: \"B{=access}#\"", "open: \"B{=acess}#\"", Code::NameUnknown, "{=acess}");
        one("[line.kind, emergency.primary]", "[line.kind, emergency]", Code::NameUnknown, "emergency");
        one("keeps: [access]", "keeps: [code]", Code::NameUnknown, "code");
        one("clears: all, keeps: [access]", "clears: [gate]", Code::NameUnknown, "gate");
        one("{line.kind: [direct, pbx]}", "{line: direct}", Code::NameUnknown, "line");
        one("{emergency.backup: factory}", "{backup: factory}", Code::NameUnknown, "backup");
    }

    #[test]
    fn a_broken_setting_is_not_also_called_unknown() {
        one("kind: number, min: 1", "kind: nubmer, min: 1", Code::WrongShape, "nubmer");
    }

    #[test]
    fn keeps_goes_with_clearing_everything_only() {
        one("clears: all, keeps: [access], takes_ms", "keeps: [access], takes_ms", Code::WrongShape, "[");
        one("clears: all, keeps", "clears: [identity], keeps", Code::WrongShape, "[");
        one("clears: all, keeps: [access], takes", "clears: identity, takes", Code::WrongShape, "identity");
    }

    #[test]
    fn close_keys_no_setting_and_open_stores_none() {
        one("close: \"D\"", "close: \"D{=access}#\"", Code::TemplateBroken, "{=access}");
        one("open: \"B{=access}#\"", "open: \"B{access}#\"", Code::TemplateBroken, "{access}");
    }

    #[test]
    fn every_sign_of_a_template_that_is_wrong_is_pointed_at() {
        let text = with("\"45{gate.seconds}\"", "\"4e{gate}5{x\"");
        let line = line_of(&text, "4e{gate}");
        let told = told(&text);
        let wanted = [(Code::NotAKey, "e"), (Code::NameUnknown, "{gate}"), (Code::TemplateBroken, "{x")];
        assert_eq!(told, wanted.map(|(code, at)| (code, line, at.to_string())));
        one("\"45{gate.seconds}\"", "\"\"", Code::TemplateBroken, "\"\"");
    }

    #[test]
    fn a_field_of_variable_length_must_be_ended_by_a_key_it_cannot_contain() {
        one("\"10{identity}#\"", "\"10{identity}\"", Code::FieldOpen, "{identity}");
        one("\"10{identity}#\"", "\"10{identity}5\"", Code::FieldOpen, "{identity}");
        one("\"21{emergency.primary}#\"", "\"21{emergency.primary}C\"", Code::FieldOpen, "{emergency.primary}");
        one_in("width: 2, unit: s,", "unit: s,", Code::FieldOpen, "{gate.seconds}", "gate-time");
        one_in("assistance: 2}", "assistance: 16}", Code::FieldOpen, "{lamp.follows}", "command: lamp");
        one_in("ringdown: \"3\"", "ringdown: \"34\"", Code::FieldOpen, "{line.kind}", "command: line-kind");
        one("\"90{access}#{access}#\"", "\"90{access}{access}#\"", Code::FieldOpen, "{access}");
    }

    #[test]
    fn commands_that_can_be_confused_are_refused_with_both_places_and_an_example() {
        let text = with("{command: lamp,              keys: \"41{", "{command: lamp,              keys: \"1012#{");
        let (_, findings) = read(&"k.yaml".into(), text.as_bytes());
        assert_eq!(findings.len(), 1, "{findings:#?}");
        let finding = &findings[0];
        assert_eq!(finding.message, "The keys 1012# are a complete \"identity\" and also begin \"lamp\".");
        assert_eq!((finding.code, finding.place.line, finding.place.column), (Code::CommandsConfused, 32, 40));
        assert_eq!((finding.related[0].0.line, finding.related[0].0.column), (28, 40));
        one_in("close: \"D\"", "close: \"9999#\"", Code::CommandsConfused, "\"9999#\"", "factory-reset");
    }

    #[test]
    fn a_command_that_does_not_fit_into_one_call_is_refused() {
        // 6000 + 10 presses and 1500 to open, 23 and 1500 for the number, one to close: 6000 + 34 * 600 + 3000.
        let short = |limit: u32| with("limit_ms: 240000", &format!("limit_ms: {limit}"));
        assert_eq!(told(&short(29_400)), []);
        let wanted = [(30, "\"21{emergency.primary}#\""), (31, "\"22{emergency.backup}#\"")];
        assert_eq!(told(&short(29_399)), wanted.map(|(line, at)| (Code::CallTooShort, line, at.to_string())));
        // A reset that ends the call needs no closing: 6000 + 10 * 600 + 1500, 5 * 600 + 1500 + 20000.
        let reset = |rest: &str| {
            let text = short(38_000).replace("takes_ms: 8000", &format!("takes_ms: 20000{rest}"));
            told(&text).iter().map(|t| t.0).collect::<Vec<_>>()
        };
        assert_eq!(reset(", ends_call: true"), []);
        assert_eq!(reset(""), [Code::CallTooShort]);
    }

    #[test]
    fn more_than_the_search_for_a_script_takes_on_is_refused() {
        let codes = |text: &str| told(text).iter().map(|told| told.0).collect::<Vec<_>>();
        let lines = |count: usize| {
            let more: String = (2..count).map(|nth| format!("  line-{nth}: [line.kind]\n")).collect();
            codes(&with("lifelines:\n", &format!("lifelines:\n{more}")))
        };
        assert_eq!((lines(64), lines(65)), (vec![], vec![Code::KeybookTooLarge]));
        let named = |count: usize| {
            let names: Vec<String> = (0..count).map(|nth| format!("m{nth}")).collect();
            let values: Vec<String> = (0..count).map(|nth| format!("m{nth}: \"{nth:02}\"")).collect();
            let text =
                with("  access: ", &format!("  mode: {{kind: choice, values: {{{}}}}}\n  access: ", values.join(", ")));
            let commands = format!(
                "commands:\n  - {{command: mode, keys: \"77{{mode}}\"}}\n  \
                 - {{command: late, keys: \"78{{gate.seconds}}\", needs: {{mode: [{}]}}}}\n",
                names.join(", ")
            );
            codes(&text.replace("commands:\n", &commands))
        };
        assert_eq!((named(62), named(63)), (vec![], vec![Code::KeybookTooLarge]));
        let text = with("limit_ms: 240000", "limit_ms: 86400000").replace("press_ms: 600", "press_ms: 60000");
        let text = text.replace("idle_ms: 15000", "idle_ms: 60000");
        assert_eq!(codes(&text), [], "26 keys of a minute");
        let text = text.replace("answer_ms: 1500", "answer_ms: 3600000").replace("takes_ms: 8000", "takes_ms: 3600000");
        assert_eq!(codes(&text), [], "two hours and five minutes");
        let slow = "keys: \"9999#########################################################################################\
                    ############################################################################\"";
        assert_eq!(codes(&text.replace("keys: \"9999#\"", slow)), [Code::KeybookTooLarge]);
    }

    #[test]
    fn a_setting_that_no_command_writes_is_warned_of() {
        one_in(
            "  gate.seconds: ",
            "  spare: {kind: digits, digits: [1, 2]}\n  gate.seconds: ",
            Code::SettingUnwritten,
            "spare",
            "spare",
        );
        let text = with("also: {emergency.backup: factory}", "also: {gate.seconds: 7}");
        let text = text.replace("  - {command: gate-time,         keys: \"45{gate.seconds}\"}\n", "");
        assert_eq!(told(&text), [], "a fixed value is a write");
    }

    #[test]
    fn a_factory_code_is_sealed_with_the_fingerprint_of_its_digits() {
        let text = with("digits: [4, 8]}", "digits: [4, 8], factory: \"4711\"}");
        let (keybook, _) = read(&"k.yaml".into(), text.as_bytes());
        let mut keybook = keybook.unwrap();
        let code = keybook.settings[0].factory_code.clone().unwrap();
        assert_eq!(code.reveal(), "4711");
        let codes = Codes::new(b"a key");
        keybook.seal(&codes);
        let Some(Value::Secret(secret)) = &keybook.settings[0].factory else { panic!("{:?}", keybook.settings[0]) };
        assert_eq!((&secret.reference, &secret.fingerprint), (&Reference::Factory, &Some(codes.fingerprint_of(&code))));
        assert!(matches!(keybook.settings[0].kind, Kind::Secret { min: 4, max: 8 }));
    }

    #[test]
    fn needs_of_flags_are_one_set_or_a_list_of_sets() {
        let needs = |text: &str| {
            let text = with("needs: {line.kind: [direct, pbx]}", &format!("needs: {{lamp.follows: {text}}}"));
            let (keybook, findings) = read(&"k.yaml".into(), text.as_bytes());
            keybook.unwrap_or_else(|| panic!("{findings:#?}")).commands[3].needs[0]
                .1
                .iter()
                .map(Value::to_string)
                .collect::<Vec<_>>()
        };
        assert_eq!(needs("[emergency]"), ["[emergency]"]);
        assert_eq!(needs("[]"), ["[]"]);
        assert_eq!(needs("[[], [emergency, assistance]]"), ["[]", "[assistance, emergency]"]);
        one("[direct, pbx]", "[]", Code::WrongShape, "[");
    }

    #[test]
    fn hundreds_of_errors_are_all_shown() {
        let commands: String = (0..300).map(|n| format!("  - {{command: c{n}, keys: 1{n}, odd: x}}\n")).collect();
        let text = format!("{TERN}{commands}");
        let told = told(&text);
        assert_eq!(told.len(), 600);
    }

    proptest! {
        #[test]
        fn a_damaged_keybook_yields_sorted_findings_or_a_keybook(
            cuts in proptest::collection::vec((0usize..TERN.len(), 0usize..12, "[a-z0-9{}:,\"# \n=é\\[-]{0,3}"), 1..6),
        ) {
            let mut text = TERN.to_string();
            for (at, length, put) in cuts {
                let edge = |n: usize| (0..=n.min(text.len())).rev().find(|n| text.is_char_boundary(*n)).unwrap_or(0);
                let (from, to) = (edge(at), edge(at + length));
                text.replace_range(from..to.max(from), &put);
            }
            told(&text);
        }
    }

    #[test]
    fn a_text_that_is_no_keybook_does_no_harm() {
        for text in [
            "",
            "[]",
            "x",
            "keybook: 1\nsettings: []\ncommands: {}\ncall: 1\ntones: 1\ntiming: []\nmodel: []",
            "a: *b",
            "{",
        ] {
            assert!(!told(text).is_empty(), "{text}");
        }
        assert_eq!(tern().model.as_ref(), "tern-2");
    }
}
