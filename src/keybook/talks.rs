//! The talks of a keybook: calls transcribed from the maker's manual or from a real one, replayed on the simulated station.
//!
//! A talk says what was keyed, what was heard, and what the station held afterwards. Where the keybook makes the simulated station
//! answer otherwise, one of the two is wrong, and the finding stands at the talk's line. Nothing of a talk is kept.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::station::{Answer, Held, Refusal, Sequence, SimulatedStation, Verdict};
use super::words::{inside, name};
use super::{Keybook, SettingId, settings};
use crate::finding::{Code, Finding, did_you_mean, plural};
use crate::setting::{self, Codes, Key, Kind, Value};
use crate::yaml::{Data, Node, Sheet, Spot};

/// The most talks of a keybook, lines of a talk, and keys of a line.
const TALKS_MAX: usize = 100;
const LINES_MAX: usize = 100;
const KEYS_MAX: usize = 100;

/// What is heard after the keys of a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Heard {
    Accepted,
    Refused,
    Nothing,
}

const HEARD: [(&str, Heard); 3] =
    [("accepted", Heard::Accepted), ("refused", Heard::Refused), ("nothing", Heard::Nothing)];

/// One line of a talk.
struct Line {
    spot: Spot,
    /// Whether the station is rung again before it.
    rings: bool,
    keys: Vec<Key>,
    heard: Heard,
}

/// What a talk says that is held for a setting.
struct Holds {
    id: SettingId,
    held: Held,
    spot: Spot,
}

/// Replays every talk.
pub(super) fn replay(sheet: &mut Sheet<'_>, keybook: &Keybook, node: &Node) {
    let Some(talks) = sheet.list(node, "\"talks\"") else { return };
    if talks.len() > TALKS_MAX {
        let message = format!("There are {} talks.", talks.len());
        sheet.note(Code::WrongShape, node.spot, message, format!("Keep at most {TALKS_MAX}."));
        return;
    }
    let keybook = Arc::new(keybook.clone());
    for talk in talks {
        one(sheet, &keybook, talk);
    }
}

fn one(sheet: &mut Sheet<'_>, keybook: &Arc<Keybook>, node: &Node) {
    let known = ["talk", "before", "call", "after"];
    let Some([title, before, call, after]) = sheet.map(node, "A talk", known) else { return };
    let title = sheet.required(title, node, "A talk", "talk").and_then(|node| name(sheet, node, "A talk's title"));
    let before = before.map_or(Some(Vec::new()), |node| holds(sheet, keybook, node, "before"));
    let call = sheet.required(call, node, "A talk", "call").and_then(|node| lines(sheet, node));
    let after = after.map_or(Some(Vec::new()), |node| holds(sheet, keybook, node, "after"));
    let (Some(_), Some(before), Some(call), Some(after)) = (title, before, call, after) else { return };
    let mut held = SimulatedStation::from_factory(keybook.clone()).all_held().to_vec();
    for Holds { id, held: given, spot: _ } in before {
        held[id.index()] = given;
    }
    let mut play =
        Play { station: SimulatedStation::new(keybook.clone(), held, &Codes::default()), writers: BTreeMap::new() };
    play.station.ring();
    // After a line that went otherwise the rest would tell of the same mistake again.
    if call.iter().all(|line| play.line(sheet, line)) {
        after.iter().for_each(|holds| play.holds(sheet, holds));
    }
}

/// The settings that a talk names, each with its value.
fn holds(sheet: &mut Sheet<'_>, keybook: &Keybook, node: &Node, key: &str) -> Option<Vec<Holds>> {
    let mut all = Vec::new();
    let mut sound = true;
    for (named, node) in sheet.entries(node, &format!("\"{key}\""))? {
        let Some(id) = keybook.id(&named.text) else {
            let message = format!("This keybook has no setting \"{}\".", named.text);
            let known = keybook.settings.iter().map(|setting| &*setting.name);
            sheet.note(Code::NameUnknown, named.spot, message, did_you_mean(&named.text, known));
            sound = false;
            continue;
        };
        let what = format!("What \"{key}\" says of \"{}\"", named.text);
        match value(sheet, &keybook.setting(id).kind, node, &what) {
            Some(held) => all.push(Holds { id, held, spot: node.spot }),
            None => sound = false,
        }
    }
    sound.then_some(all)
}

/// A value; of a code its digits, since a talk holds an invented one.
fn value(sheet: &mut Sheet<'_>, kind: &Kind, node: &Node, what: &str) -> Option<Held> {
    let Kind::Secret { .. } = kind else { return settings::value(sheet, kind, node, what).map(Held::Known) };
    let text = sheet.quoted(node, what)?;
    let code = setting::Code::new(text);
    if kind.fits_code(&code).is_err() || code.reveal() != text {
        let fix = "Write as many digits as \"digits\" allows, in double quotes; not those of a real station.";
        sheet.note(Code::ValueOutside, node.spot, format!("{what} is no code that it can hold."), fix);
        return None;
    }
    Some(Held::Code(code))
}

fn lines(sheet: &mut Sheet<'_>, node: &Node) -> Option<Vec<Line>> {
    let items = sheet.list(node, "\"call\"")?;
    if items.is_empty() || items.len() > LINES_MAX {
        let message = format!("A talk has 1 to {LINES_MAX} lines; here are {}.", items.len());
        sheet.note(Code::WrongShape, node.spot, message, "Write a line for each answer.");
        return None;
    }
    let lines: Vec<Option<Line>> = items.iter().map(|item| line(sheet, item)).collect();
    lines.into_iter().collect()
}

fn line(sheet: &mut Sheet<'_>, node: &Node) -> Option<Line> {
    let [keys, heard] = sheet.map(node, "A line of a talk", ["keys", "heard"])?;
    let keys = sheet.required(keys, node, "A line of a talk", "keys");
    let heard = sheet.required(heard, node, "A line of a talk", "heard");
    let heard = heard.and_then(|node| sheet.word(node, "\"heard\"", &HEARD));
    let keys_node = keys?;
    let text = sheet.quoted(keys_node, "\"keys\"")?;
    let (rings, rest) = text.strip_prefix('/').map_or((false, text), |rest| (true, rest));
    let mut keys = Vec::new();
    let mut sound = true;
    for (at, sign) in rest.chars().enumerate().filter(|(_, sign)| *sign != ' ') {
        match Key::new(sign) {
            Some(key) => keys.push(key),
            None => {
                let spot = inside(sheet.span(keys_node), text, at + usize::from(rings), 1);
                settings::no_key(sheet, spot, sign);
                sound = false;
            }
        }
    }
    if keys.is_empty() || keys.len() > KEYS_MAX {
        let message = format!("A line of a talk has 1 to {KEYS_MAX} keys; here are {}.", keys.len());
        sheet.note(Code::WrongShape, keys_node.spot, message, "Write what is keyed before the next answer.");
        return None;
    }
    let heard = heard?;
    sound.then(|| Line { spot: sheet.span(keys_node), rings, keys, heard })
}

/// A talk while it is replayed.
struct Play {
    station: SimulatedStation,
    /// Which command wrote a setting last.
    writers: BTreeMap<SettingId, usize>,
}

impl Play {
    /// Keys a line; false where it went otherwise than the talk says.
    fn line(&mut self, sheet: &mut Sheet<'_>, line: &Line) -> bool {
        if line.rings {
            self.station.ring();
        }
        let mut answer: Option<Answer> = None;
        for key in &line.keys {
            if !self.station.in_call() {
                let (message, fix) = (
                    "The station has hung up before these keys.",
                    "Begin them with \"/\" where it was rung again. If it was not, fix \"ends_call\" or \"close\".",
                );
                sheet.note(Code::TalkDiffers, line.spot, message, fix);
                return false;
            }
            if let Some(first) = &answer {
                let count = plural(first.keys.0.len() as u64, "key");
                let message = format!("The station answers after {count}, before the others.");
                let fix = "Write a line for each answer. If the talk is right, fix the keys of the command.";
                self.differs(sheet, line, Some(first), message, fix);
                return false;
            }
            answer = self.station.press(*key);
        }
        self.judge(sheet, line, answer)
    }

    fn judge(&mut self, sheet: &mut Sheet<'_>, line: &Line, answer: Option<Answer>) -> bool {
        let Some(answer) = answer else {
            if line.heard == Heard::Nothing {
                return true;
            }
            let message = "The station is still waiting for keys here, so nothing is heard.";
            let fix = "Write the rest of the keys. If the talk is right, fix the end of the command that they begin.";
            sheet.note(Code::TalkDiffers, line.spot, message, fix);
            return false;
        };
        match (&answer.verdict, line.heard) {
            (Verdict::Accepted { what, written, .. }, Heard::Accepted) => {
                if let Sequence::Command(at) = what {
                    self.writers.extend(written.iter().map(|id| (*id, *at)));
                }
                true
            }
            // Whether a station beeps when it hangs up is said nowhere.
            (Verdict::Accepted { what: Sequence::Close, .. }, Heard::Nothing)
            | (Verdict::Refused(_), Heard::Refused) => true,
            (Verdict::Accepted { what, .. }, Heard::Refused | Heard::Nothing) => {
                let takes = self.takes(*what);
                let (message, fix) = match line.heard {
                    Heard::Refused => (
                        format!("These keys are accepted, as {takes}."),
                        "If the talk is right, write what the command needs (\"needs\"), or fix its keys.",
                    ),
                    Heard::Nothing | Heard::Accepted => (
                        format!("These keys are answered, as {takes}."),
                        "If the talk is right, the command has more keys.",
                    ),
                };
                self.differs(sheet, line, Some(&answer), message, fix);
                false
            }
            (Verdict::Refused(why), Heard::Accepted | Heard::Nothing) => {
                let message = format!("These keys are refused. {}", why.message(self.station.keybook()));
                let fix = "If the talk is right, fix the command's keys or \"needs\", or add to \"before\" what the station held.";
                self.differs(sheet, line, Some(&answer), message, fix);
                false
            }
        }
    }

    fn takes(&self, what: Sequence) -> String {
        match what {
            Sequence::Open => "the opening of a call".into(),
            Sequence::Close => "the closing of a call".into(),
            Sequence::Command(at) => format!("\"{}\"", self.station.keybook().commands[at].name),
        }
    }

    /// A finding at a line, with the command that answers beside it.
    fn differs(&self, sheet: &mut Sheet<'_>, line: &Line, answer: Option<&Answer>, message: String, fix: &str) {
        let command = answer.and_then(|answer| match &answer.verdict {
            Verdict::Accepted { what: Sequence::Command(at), .. } => Some(*at),
            Verdict::Refused(Refusal::NotOpened(Sequence::Command(at))) => Some(*at),
            Verdict::Accepted { .. } | Verdict::Refused(_) => None,
        });
        let mut finding = Finding::new(Code::TalkDiffers, sheet.place(line.spot), message, fix);
        if let Some(command) = command.and_then(|at| self.station.keybook().commands.get(at)) {
            finding = finding.beside(command.place.clone(), "the command that answers");
        }
        sheet.add(finding);
    }

    /// Compares what a setting holds in the end.
    fn holds(&self, sheet: &mut Sheet<'_>, Holds { id, held: told, spot }: &Holds) {
        let now = self.station.held(*id);
        if now == told {
            return;
        }
        let setting = self.station.keybook().setting(*id);
        let message = match (now, told) {
            (Held::Unknown, _) => format!("After this talk it is not known what \"{}\" holds.", setting.name),
            (Held::Known(now), Held::Known(told)) => {
                format!("After this talk \"{}\" holds {}, not {}.", setting.name, shown(now), shown(told))
            }
            (Held::Known(_) | Held::Code(_), _) => format!("After this talk \"{}\" holds another code.", setting.name),
        };
        let writer = self.writers.get(id).and_then(|at| self.station.keybook().commands.get(*at));
        let (fix, place, what) = match writer {
            Some(command) => (
                format!("If the talk is right, fix what \"{}\" stores, clears or sets.", command.name),
                &command.place,
                "what wrote it last",
            ),
            None => (
                "If the talk is right, a command lacks \"also\" or \"clears\" for it, or its factory value is another."
                    .into(),
                &setting.place,
                "no command of this talk wrote it",
            ),
        };
        let finding = Finding::new(Code::TalkDiffers, sheet.place(*spot), message, fix);
        sheet.add(finding.beside(place.clone(), what));
    }
}

fn shown(value: &Value) -> String {
    match value {
        Value::Digits(text) | Value::Dial(text) => format!("\"{text}\""),
        Value::Choice(_) | Value::Flags(_) | Value::Number(_) | Value::Secret(_) => value.to_string(),
    }
}

/// A keybook's text without its talks, for what the rest of it stands for: a page more of the manual makes no card out of date.
/// Where they do not begin a line of their own nothing is left out.
pub(super) fn without(text: &str, root: &Node) -> String {
    let Data::Map(entries) = &root.data else { return text.to_owned() };
    let lines: Vec<u32> = entries.iter().map(|(key, _)| key.spot.line).collect();
    let Some((key, _)) = entries.iter().find(|(key, _)| &*key.text == "talks") else { return text.to_owned() };
    if key.spot.column != 1 {
        return text.to_owned();
    }
    let next = lines.into_iter().filter(|line| *line > key.spot.line).min().unwrap_or(u32::MAX);
    let is_kept = |nth: &usize| {
        let line = u32::try_from(*nth).unwrap_or(u32::MAX).saturating_add(1);
        line < key.spot.line || line >= next
    };
    text.split_inclusive('\n').enumerate().filter(|(nth, _)| is_kept(nth)).map(|(_, line)| line).collect()
}

#[cfg(test)]
mod tests {
    use crate::finding::Code;
    use crate::keybook::{read, sample::TERN};

    /// What is told of the sample with a talk of these lines: what, at which line of the talk from 1, and the fix.
    fn told(talk: &str) -> Vec<(Code, u32, String, String)> {
        let head = u32::try_from(TERN.lines().count()).unwrap() + 1;
        let text = format!("{TERN}talks:\n{talk}");
        let (keybook, findings) = read(&"k.yaml".into(), text.as_bytes());
        assert_eq!(keybook.is_none(), !findings.is_empty());
        findings.into_iter().map(|f| (f.code, f.place.line - head, f.message, f.fix)).collect()
    }

    fn talk(before: &str, lines: &[(&str, &str)], after: &str) -> Vec<(u32, String)> {
        let lines: String =
            lines.iter().map(|(keys, heard)| format!("    - {{keys: \"{keys}\", heard: {heard}}}\n")).collect();
        let text = format!("- talk: Page 1\n  before: {{{before}}}\n  call:\n{lines}  after: {{{after}}}\n");
        let told = told(&text).into_iter();
        told.map(|(code, line, message, _)| {
            assert_eq!(code, Code::TalkDiffers, "{message}");
            (line, message)
        })
        .collect()
    }

    const OPEN: (&str, &str) = ("B 1234 #", "accepted");
    const CODE: &str = "access: \"1234\"";

    #[test]
    fn a_talk_that_goes_as_the_keybook_says_is_passed_over() {
        let lines = [
            OPEN,
            ("21 9 C 01632960101 #", "accepted"),
            ("303", "accepted"),
            ("224410#", "refused"),
            ("45", "nothing"),
            ("07", "accepted"),
            ("90 5678 # 5678 #", "accepted"),
            ("D", "nothing"),
            ("/B5678#", "accepted"),
        ];
        let after = "emergency.primary: \"9,01632960101\", line.kind: ringdown, gate.seconds: 7, access: \"5678\", lamp.follows: []";
        assert_eq!(talk(CODE, &lines, after), []);
    }

    #[test]
    fn what_goes_otherwise_is_told_at_its_line_and_the_rest_is_not_told_again() {
        let one = |lines: &[(&str, &str)], after: &str| talk(CODE, lines, after);
        let line = |line: u32, message: &str| vec![(line, message.to_owned())];
        assert_eq!(
            one(&[OPEN, ("303", "accepted"), ("224410#", "accepted"), ("4599", "refused")], "gate.seconds: 1"),
            line(6, "These keys are refused. \"line.kind\" does not hold what this command needs.")
        );
        assert_eq!(one(&[OPEN, ("4507", "refused")], ""), line(5, "These keys are accepted, as \"gate-time\"."));
        assert_eq!(one(&[OPEN, ("4507", "nothing")], ""), line(5, "These keys are answered, as \"gate-time\"."));
        assert_eq!(
            one(&[OPEN, ("450", "accepted")], ""),
            line(5, "The station is still waiting for keys here, so nothing is heard.")
        );
        assert_eq!(
            one(&[OPEN, ("4507 41", "accepted")], ""),
            line(5, "The station answers after 4 keys, before the others.")
        );
        assert_eq!(
            one(&[OPEN, ("D", "nothing"), ("4507", "accepted")], ""),
            line(6, "The station has hung up before these keys.")
        );
        assert_eq!(one(&[("4507", "accepted")], ""), line(4, "These keys are refused. The call has not been opened."));
        assert_eq!(
            one(&[("B1235#", "accepted")], ""),
            line(4, "These keys are refused. \"access\" does not hold what was keyed.")
        );
        assert_eq!(
            one(&[OPEN, ("4507", "accepted")], "gate.seconds: 9, identity: \"7\""),
            [
                (6, "After this talk \"gate.seconds\" holds 7, not 9.".to_owned()),
                (6, "After this talk \"identity\" holds \"0\", not \"7\".".to_owned()),
            ]
        );
        assert_eq!(
            one(&[OPEN], "emergency.primary: \"1\""),
            line(5, "After this talk it is not known what \"emergency.primary\" holds.")
        );
        assert_eq!(one(&[OPEN], "access: \"9999\""), line(5, "After this talk \"access\" holds another code."));
    }

    #[test]
    fn a_talk_that_cannot_be_read_is_told_and_no_code_of_it_is_repeated() {
        let codes = |talk: &str| told(talk).into_iter().map(|(code, ..)| code).collect::<Vec<_>>();
        assert_eq!(codes("  x: 1\n"), [Code::WrongShape]);
        assert_eq!(codes("- {call: [{keys: \"1\", heard: nothing}]}\n"), [Code::KeyMissing]);
        assert_eq!(codes("- {talk: x, call: []}\n"), [Code::WrongShape]);
        assert_eq!(codes("- {talk: x, call: [{keys: 12, heard: nothing}]}\n"), [Code::Unquoted]);
        assert_eq!(codes("- {talk: x, call: [{keys: \"1x\", heard: nothing}]}\n"), [Code::NotAKey]);
        assert_eq!(codes("- {talk: x, call: [{keys: \"1\", heard: beep}]}\n"), [Code::WrongShape]);
        assert_eq!(
            codes("- {talk: x, before: {gate: 1}, call: [{keys: \"1\", heard: nothing}]}\n"),
            [Code::NameUnknown]
        );
        assert_eq!(
            codes("- {talk: x, after: {gate.seconds: 100}, call: [{keys: \"1\", heard: nothing}]}\n"),
            [Code::ValueOutside]
        );
        let secret = told("- {talk: x, before: {access: \"830417123\"}, call: [{keys: \"1\", heard: nothing}]}\n");
        assert_eq!(secret[0].0, Code::ValueOutside);
        assert!(!secret[0].2.contains("830417123"), "{secret:?}");
        let many: String = (0..101).map(|_| "- {talk: x, call: [{keys: \"1\", heard: nothing}]}\n").collect();
        assert_eq!(codes(&many), [Code::WrongShape]);
    }

    #[test]
    fn what_a_keybook_stands_for_is_the_same_with_and_without_talks() {
        let digest = |text: &str| read(&"k.yaml".into(), text.as_bytes()).0.unwrap().digest;
        let talks = "talks:\n  # A page.\n  - {talk: x, call: [{keys: \"1\", heard: nothing}]}\n";
        let plain = digest(TERN);
        assert_eq!(digest(&format!("{TERN}{talks}")), plain);
        let (head, commands) = TERN.split_at(TERN.find("commands:").unwrap());
        assert_eq!(digest(&format!("{head}{talks}{commands}")), plain);
        assert_ne!(digest(&format!("{TERN}{talks}# A word.\n").replace("rings: 1", "rings: 2")), plain);
    }
}
