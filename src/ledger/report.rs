//! A field report: what was keyed, heard, found, left and tested at a station.

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::Timestamp;
use uuid::Uuid;

use super::issued::Digest;
use super::on_card::{KEYS, Sent, sent};
use crate::finding::{Code, Finding, Place, nearest};
use crate::setting::{Codes, Fingerprint, Name, Reference, Written};
use crate::yaml::{self, Data, Key, Node, Sheet, Spot};

/// One visit or call, as its technician reports it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Report {
    /// Chosen by the sender; the same report sent again carries the same id.
    pub id: Uuid,
    /// The station that was called or visited.
    pub station: Name,
    /// When the work was done.
    pub at: Timestamp,
    /// The technician, by the name used in the ledger.
    pub by: Name,
    /// Given where every setting is back at factory: why it is.
    pub unit: Option<Unit>,
    /// As found, before any keying.
    pub found: BTreeMap<Name, Written>,
    /// The script that was keyed.
    pub script: Option<Digest>,
    /// How the calls of the script were opened, in the order tried.
    pub openings: Vec<Opening>,
    /// What was heard after each step, in the order keyed.
    pub steps: Vec<(u32, Heard)>,
    /// As left, keyed without a script and accepted.
    pub left: BTreeMap<Name, Written>,
    /// Test calls in the order made.
    pub tests: Vec<Test>,
    /// An earlier report of this station that was wrong: it counts for nothing but its id.
    pub corrects: Option<Uuid>,
    /// Free text; nothing is worked out from it.
    pub note: Option<Name>,
    /// What the references above led to when the report was taken; no part of its content.
    pub fingerprints: BTreeMap<Reference, Fingerprint>,
    /// The number that the inventory in use gave the station when the report was recorded, in E.164; no part of its content.
    pub number: Option<Name>,
    /// The found settings that tell stations apart and whose value was wanted at another station when the report was recorded,
    /// each with that station: it may have been the one that answered. No part of the content.
    pub elsewhere: BTreeMap<Name, Name>,
}

/// One try to open a call of a script.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Opening {
    /// Which call of the script, from 1.
    pub call: u32,
    /// What the station answered.
    pub heard: Opened,
    /// Which of the codes that the card names for this call, from 1.
    pub code: u32,
}

/// What a technician heard after keying what opens a call.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Opened {
    /// The tone of acceptance: the call is open.
    Accepted,
    /// The tone of refusal.
    Refused,
    /// No tone, or the line dropped.
    Nothing,
}

/// Why every setting is at factory.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Unit {
    /// The first unit at a station.
    New,
    /// Another unit took the place of the one before.
    Replaced,
    /// The same unit, set back to factory.
    Cleared,
}

/// What a technician heard after keying a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Heard {
    /// The tone of acceptance: the step did what it does.
    Accepted,
    /// The tone of refusal: the step changed nothing.
    Refused,
    /// No tone, or the line dropped.
    Nothing,
    /// Not keyed.
    Skipped,
}

/// How a test call ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Outcome {
    /// Pressing the button reached help.
    Reached,
    /// It did not, whatever happened instead.
    Failed,
}

/// A test call by one lifeline.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Test {
    /// Its name in the keybook.
    pub lifeline: Name,
    /// How it ended.
    pub outcome: Outcome,
    /// Who answered.
    pub contact: Option<Name>,
    /// What that contact was dialled as at the station when the report was recorded; no part of its content. Nothing where it
    /// cannot be dialled from there, and on a line that leads to one place whatever is dialled.
    pub dialled: Option<Name>,
}

impl Unit {
    /// The words of a report.
    pub const WORDS: [(&str, Unit); 3] = [("new", Unit::New), ("replaced", Unit::Replaced), ("cleared", Unit::Cleared)];

    /// The word of a report.
    pub fn as_str(self) -> &'static str {
        match self {
            Unit::New => "new",
            Unit::Replaced => "replaced",
            Unit::Cleared => "cleared",
        }
    }
}

impl Opened {
    /// The words of a report.
    pub const WORDS: [(&str, Opened); 3] =
        [("accepted", Opened::Accepted), ("refused", Opened::Refused), ("nothing", Opened::Nothing)];

    /// The word of a report.
    pub fn as_str(self) -> &'static str {
        match self {
            Opened::Accepted => "accepted",
            Opened::Refused => "refused",
            Opened::Nothing => "nothing",
        }
    }
}

impl Heard {
    /// The words of a report.
    pub const WORDS: [(&str, Heard); 4] = [
        ("accepted", Heard::Accepted),
        ("refused", Heard::Refused),
        ("nothing", Heard::Nothing),
        ("skipped", Heard::Skipped),
    ];

    /// The word of a report.
    pub fn as_str(self) -> &'static str {
        match self {
            Heard::Accepted => "accepted",
            Heard::Refused => "refused",
            Heard::Nothing => "nothing",
            Heard::Skipped => "skipped",
        }
    }
}

impl Outcome {
    /// The words of a report.
    pub const WORDS: [(&str, Outcome); 2] = [("reached", Outcome::Reached), ("failed", Outcome::Failed)];

    /// The word of a report.
    pub fn as_str(self) -> &'static str {
        match self {
            Outcome::Reached => "reached",
            Outcome::Failed => "failed",
        }
    }
}

impl Report {
    /// Notes what the references lead to now, so that a code changed behind one is seen later; and of those that cannot be
    /// read, with which key they could not. What was noted before stays.
    pub fn seal(&mut self, codes: &Codes) {
        for reference in self.references() {
            let print = || codes.seal(&reference).fingerprint.unwrap_or_else(|| Fingerprint::unread(codes.check()));
            let print = self.fingerprints.get(&reference).cloned().unwrap_or_else(print);
            self.fingerprints.insert(reference, print);
        }
    }

    /// The fingerprints as they count where `check` is that of the key in use: what was not noted with it tells nothing.
    pub fn seen_by(&mut self, check: &str) {
        for reference in self.references() {
            let print =
                self.fingerprints.get(&reference).map_or_else(Fingerprint::foreign, |print| print.seen_by(check));
            self.fingerprints.insert(reference, print);
        }
    }

    /// Every secret it refers to, each once.
    pub fn references(&self) -> BTreeSet<Reference> {
        let values = self.found.values().chain(self.left.values());
        let references = values.filter_map(|written| match written {
            Written::Secret(reference) => Some(reference.clone()),
            Written::Quoted(_) | Written::Plain(_) | Written::List(_) => None,
        });
        references.collect()
    }
}

/// How to fix a number that is not written as it was keyed.
pub const WHAT_WAS_KEYED: &str = "Write what was keyed, such as \"9,01632960201\".";

/// Where the parts of a report stand, by path (`found.identity`, `steps.2`).
#[derive(Debug, Clone)]
pub struct Places {
    root: Place,
    parts: BTreeMap<String, Place>,
}

impl Places {
    /// For a report without a text of its own, such as a line of an export.
    pub fn all_at(root: Place) -> Places {
        Places { root, parts: BTreeMap::new() }
    }

    /// For a report of which these parts have places.
    pub(super) fn with(root: Place, parts: BTreeMap<String, Place>) -> Places {
        Places { root, parts }
    }

    /// The place of a part's name, or of the whole report.
    pub fn of_name(&self, path: &str) -> Place {
        self.of(&Places::name_of(path))
    }

    pub(super) fn name_of(path: &str) -> String {
        format!("{path} (name)")
    }

    /// The place of a part, or of the whole report.
    pub fn of(&self, path: &str) -> Place {
        self.parts.get(path).unwrap_or(&self.root).clone()
    }
}

/// The longest report that is taken, in bytes; one of a visit has a few hundred.
pub const REPORT_LIMIT_BYTES: u64 = 64 << 10;

/// The finding for a report of more bytes than are read.
pub fn too_long(file: &Arc<str>, bytes: u64) -> Finding {
    let message = format!("The report has {bytes} bytes; {REPORT_LIMIT_BYTES} is the most that is read.");
    let fix = "Send one report a file, as the card drafts it; an export of many ends in \".jsonl\".";
    Finding::new(Code::FileTooLarge, Place::start_of(file), message, fix)
}

/// Takes a report's text apart (YAML, or JSON, which is YAML); of a whole card, the report at its end.
///
/// # Errors
/// Everything that can be told from the text alone.
pub fn read(file: &Arc<str>, bytes: &[u8]) -> Result<(Report, Places), Vec<Finding>> {
    if bytes.len() as u64 > REPORT_LIMIT_BYTES {
        return Err(vec![too_long(file, bytes.len() as u64)]);
    }
    let text = String::from_utf8_lossy(bytes);
    let (bytes, text) = match sent(&text) {
        Sent::Alone => (Cow::Borrowed(bytes), text),
        Sent::OnCard(report) => (Cow::Owned(report.clone().into_bytes()), Cow::Owned(report)),
        Sent::Otherwise { message, fix, .. } => {
            return Err(vec![Finding::new(Code::WrongShape, Place::start_of(file), message, fix)]);
        }
    };
    let root = yaml::read(file, &bytes)?;
    let mut reader = Reader { sheet: Sheet::new(file, &text), places: Places::all_at(Place::start_of(file)) };
    match reader.report(&root) {
        Some(report) if reader.sheet.findings.is_empty() => Ok((report, reader.places)),
        Some(_) | None => Err(reader.sheet.findings),
    }
}

pub(super) struct Reader<'t> {
    pub(super) sheet: Sheet<'t>,
    pub(super) places: Places,
}

impl Reader<'_> {
    fn report(&mut self, root: &Node) -> Option<Report> {
        let [version, id, station, at, by, unit, found, script, openings, steps, left, tests, corrects, note] =
            self.sheet.map(root, "A report", KEYS)?;
        self.strangers(root, &KEYS);
        self.sheet.version(version, root, "report");
        let id = self.sheet.required(id, root, "The report", "id").and_then(|n| self.id("id", "The id", n));
        let station = self.sheet.required(station, root, "The report", "station");
        let station = station.and_then(|n| {
            self.mark("station", n);
            self.sheet.text(n, "The station").map(Name::from)
        });
        let at = self.sheet.required(at, root, "The report", "at").and_then(|n| self.time(n));
        let by = self.sheet.required(by, root, "The report", "by");
        let by = by.and_then(|n| self.author(n));
        let unit = unit.and_then(|n| self.sheet.word(n, "\"unit\"", &Unit::WORDS));
        let found = self.values("found", found);
        let script = script.and_then(|n| self.digest(n));
        // A card's list of which every line was taken out.
        let openings = self.openings(openings.filter(|n| !n.is_null()));
        let steps = self.steps(steps.filter(|n| !n.is_null()));
        let left = self.values("left", left);
        let tests = self.tests(tests.filter(|n| !n.is_null()));
        let corrects = corrects.and_then(|n| self.id("corrects", "\"corrects\"", n));
        let note = note.filter(|n| !n.is_null()).and_then(|n| self.sheet.prose(n, "\"note\"").map(Name::from));
        let (id, station, at, by) = (id?, station?, at?, by?);
        let (fingerprints, number, elsewhere) = (BTreeMap::new(), None, BTreeMap::new());
        Some(Report {
            id,
            station,
            at,
            by,
            unit,
            found,
            script,
            openings,
            steps,
            left,
            tests,
            corrects,
            note,
            fingerprints,
            number,
            elsewhere,
        })
    }

    /// What is like no key of a report is most likely a setting.
    fn strangers(&mut self, root: &Node, known: &[&str]) {
        let is_stranger = |key: &str| !known.contains(&key) && nearest(key, known.iter().copied()).is_none();
        let entries = self.sheet.entries(root, "A report").unwrap_or(&[]);
        for (key, _) in entries.iter().filter(|(key, _)| is_stranger(&key.text)) {
            let place = self.sheet.place(key.spot);
            let mut findings = self.sheet.findings.iter_mut();
            if let Some(finding) = findings.find(|one| one.code == Code::KeyUnknown && one.place == place) {
                finding.fix = "If it is a setting, put it under left or found.".into();
            }
        }
    }

    /// Remembers where the name of a part stands.
    fn mark_name(&mut self, path: &str, spot: Spot) {
        self.places.parts.insert(Places::name_of(path), self.sheet.place(spot));
    }

    /// Remembers where a part stands.
    fn mark(&mut self, path: impl Into<String>, node: &Node) {
        self.places.parts.insert(path.into(), self.sheet.place(node.spot));
    }

    pub(super) fn id(&mut self, path: &str, what: &str, node: &Node) -> Option<Uuid> {
        self.mark(path, node);
        let text = self.sheet.text(node, what)?;
        let id = Uuid::try_parse(text).ok().filter(|_| text.len() == 36);
        if id.is_none() {
            let fix = "Write 32 hexadecimal digits in groups of 8-4-4-4-12 (RFC 9562), new for each report.";
            self.sheet.note(Code::ReportId, node.spot, format!("\"{text}\" is not a UUID."), fix);
        }
        id
    }

    pub(super) fn time(&mut self, node: &Node) -> Option<Timestamp> {
        self.mark("at", node);
        let text = self.sheet.text(node, "\"at\"")?;
        let time = self::time(text);
        if time.is_none() {
            let fix = "Write it with its offset (RFC 3339), such as 2026-11-20T10:14:00Z.";
            self.sheet.note(Code::ReportTime, node.spot, format!("\"{text}\" is not a time."), fix);
        }
        time
    }

    pub(super) fn author(&mut self, node: &Node) -> Option<Name> {
        let text = self.sheet.text(node, "\"by\"")?;
        if text.trim().is_empty() {
            self.sheet.note(
                Code::WrongShape,
                node.spot,
                "\"by\" names nobody.",
                "Write who did the work, on one line.",
            );
            return None;
        }
        Some(text.into())
    }

    pub(super) fn digest(&mut self, node: &Node) -> Option<Digest> {
        self.mark("script", node);
        let text = self.sheet.text(node, "\"script\"")?;
        let digest = text.parse().ok();
        if digest.is_none() {
            let fix = "Copy the 16 hexadecimal digits from the head of the script.";
            self.sheet.note(Code::ReportScript, node.spot, format!("\"{text}\" is not a script's digest."), fix);
        }
        digest
    }

    fn values(&mut self, path: &str, node: Option<&Node>) -> BTreeMap<Name, Written> {
        let Some(entries) = node.and_then(|n| self.sheet.entries(n, &format!("\"{path}\""))) else {
            return BTreeMap::new();
        };
        let mut values = BTreeMap::new();
        for pair in entries.windows(2) {
            self.cut(pair);
        }
        // A gap of a card that was left open says nothing.
        for (nth, (key, node)) in entries.iter().enumerate() {
            if path == "found" && node.is_null() || nth.checked_sub(1).is_some_and(|nth| is_cut(&entries[nth..])) {
                continue;
            }
            self.mark(format!("{path}.{}", key.text), node);
            self.mark_name(&format!("{path}.{}", key.text), key.spot);
            if node.get("to").is_some() {
                let message = format!("\"{}\" names a contact, and a report says what was keyed.", key.text);
                self.sheet.note(Code::WrongShape, node.spot, message, WHAT_WAS_KEYED);
                continue;
            }
            let written = self.sheet.written(node, &format!("\"{}\"", key.text));
            values.extend(written.map(|written| (Name::from(&*key.text), written)));
        }
        values
    }

    /// Points at a number that a comma cut in two, so that its rest looks like a setting without a value.
    fn cut(&mut self, pair: &[(Key, Node)]) {
        let [(key, Node { spot, data: Data::Scalar { text, .. } }), (rest, _)] = pair else { return };
        if is_cut(pair) {
            let message = format!("\"{}\" is cut off at the comma: {text}.", key.text);
            let fix = format!("A comma ends the value. Put it in double quotes: \"{text},{}\".", rest.text);
            self.sheet.note(Code::Unquoted, *spot, message, fix);
        }
    }

    fn openings(&mut self, node: Option<&Node>) -> Vec<Opening> {
        let Some(node) = node else { return Vec::new() };
        self.mark("openings", node);
        let items = self.sheet.list(node, "\"openings\"").unwrap_or(&[]);
        let mut openings = Vec::new();
        for (nth, item) in items.iter().enumerate() {
            self.mark(format!("openings.{nth}"), item);
            let Some([call, heard, code]) = self.sheet.map(item, "An opening", ["call", "heard", "code"]) else {
                continue;
            };
            let call = self.sheet.required(call, item, "The opening", "call");
            let heard = self.sheet.required(heard, item, "The opening", "heard");
            let call = call.and_then(|n| self.sheet.number(n, "The call's number", 1..=10_000));
            let heard = heard.and_then(|n| self.sheet.word(n, "\"heard\"", &Opened::WORDS));
            let code = match code {
                Some(node) => self.sheet.number(node, "The code's number", 1..=10_000),
                None => Some(1),
            };
            let all = call.zip(heard).zip(code);
            openings.extend(all.map(|((call, heard), code)| Opening { call, heard, code }));
        }
        openings
    }

    fn steps(&mut self, node: Option<&Node>) -> Vec<(u32, Heard)> {
        let Some(node) = node else { return Vec::new() };
        self.mark("steps", node);
        let items = self.sheet.list(node, "\"steps\"").unwrap_or(&[]);
        let mut steps = Vec::new();
        for (nth, item) in items.iter().enumerate() {
            self.mark(format!("steps.{nth}"), item);
            let Some([step, heard]) = self.sheet.map(item, "A step", ["step", "heard"]) else { continue };
            let step = self.sheet.required(step, item, "The step", "step");
            let heard = self.sheet.required(heard, item, "The step", "heard");
            let step = step.and_then(|n| self.sheet.number(n, "The step's number", 1..=10_000));
            let heard = heard.and_then(|n| self.sheet.word(n, "\"heard\"", &Heard::WORDS));
            steps.extend(step.zip(heard));
        }
        steps
    }

    fn tests(&mut self, node: Option<&Node>) -> Vec<Test> {
        let items = node.and_then(|n| self.sheet.list(n, "\"tests\"")).unwrap_or(&[]);
        let mut tests = Vec::new();
        for (nth, item) in items.iter().enumerate() {
            self.mark(format!("tests.{nth}"), item);
            let known = ["lifeline", "outcome", "contact"];
            let Some([lifeline, outcome, contact]) = self.sheet.map(item, "A test", known) else { continue };
            let lifeline = self.sheet.required(lifeline, item, "The test", "lifeline");
            lifeline.into_iter().for_each(|n| self.mark_name(&format!("tests.{nth}.lifeline"), n.spot));
            contact.into_iter().for_each(|n| self.mark_name(&format!("tests.{nth}.contact"), n.spot));
            let outcome = self.sheet.required(outcome, item, "The test", "outcome");
            let lifeline = lifeline.and_then(|n| self.sheet.text(n, "The lifeline").map(Name::from));
            let outcome = outcome.and_then(|n| self.sheet.word(n, "\"outcome\"", &Outcome::WORDS));
            let contact = contact.and_then(|n| self.sheet.text(n, "The contact").map(Name::from));
            tests.extend(lifeline.zip(outcome).map(|(lifeline, outcome)| Test {
                lifeline,
                outcome,
                contact,
                dialled: None,
            }));
        }
        tests
    }
}

/// A time by RFC 3339.
pub(super) fn time(text: &str) -> Option<Timestamp> {
    text.parse().ok().filter(|_| is_rfc_3339(text))
}

/// Whether a time has the shape of RFC 3339, section 5.6; the parser takes more than that.
pub(super) fn is_rfc_3339(text: &str) -> bool {
    let shape: String = text.chars().map(|sign| if sign.is_ascii_digit() { '9' } else { sign }).collect();
    let Some(rest) = shape.strip_prefix("9999-99-99") else { return false };
    let Some(rest) = rest.strip_prefix(['T', 't']).and_then(|rest| rest.strip_prefix("99:99:99")) else { return false };
    let fraction = rest.strip_prefix('.').map(|rest| rest.trim_start_matches('9'));
    let (offset, whole) = match fraction {
        Some(offset) => (offset, !rest.starts_with(".Z") && rest.len() > offset.len() + 1),
        None => (rest, true),
    };
    let hours = text.get(text.len().saturating_sub(5)..).and_then(|tail| tail.get(..2));
    match offset {
        "Z" | "z" => whole,
        "+99:99" | "-99:99" => whole && hours.is_some_and(|hours| hours < "24"),
        _ => false,
    }
}

/// Whether two entries that follow each other are one number, unquoted and with a comma in it.
fn is_cut(pair: &[(Key, Node)]) -> bool {
    let [(_, Node { data: Data::Scalar { text: first, plain: true }, .. }), (rest, empty), ..] = pair else {
        return false;
    };
    let is_dialled =
        |text: &str| !text.is_empty() && text.chars().all(|sign| sign.is_ascii_digit() || "*#".contains(sign));
    let is_empty = matches!(&empty.data, Data::Scalar { text, plain: true } if text.is_empty());
    is_empty && is_dialled(first) && is_dialled(&rest.text)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read_text(text: &str) -> Result<Report, Vec<Finding>> {
        read(&"r.yaml".into(), text.as_bytes()).map(|(report, _)| report)
    }

    const WHOLE: &str = r#"report: 1
id: 019a6c1e-8f00-7000-8000-000000000001
station: EQ-01
at: 2026-11-20T10:14:00Z
by: tech-07
unit: new
found: {identity: "120"}
script: 3f9a1c0b7d24e615
openings: [{call: 1, heard: refused}, {call: 1, heard: accepted, code: 2}]
steps: [{step: 1, heard: accepted}, {step: 2, heard: nothing}]
left: {gate.seconds: 7, access: {secret: "file:secrets/a"}, lamp.follows: [b, a]}
tests: [{lifeline: emergency, outcome: reached, contact: control-room}]
corrects: 019a6c1e-8f00-7000-8000-000000000000
note: lens cracked, lamp works
"#;

    #[test]
    fn a_whole_report_is_read() {
        let report = read_text(WHOLE).unwrap();
        let openings = [(1, Opened::Refused, 1), (1, Opened::Accepted, 2)];
        assert_eq!(report.openings, openings.map(|(call, heard, code)| Opening { call, heard, code }));
        assert_eq!(report.corrects, Some(Uuid::from_u128(report.id.as_u128() - 1)));
        assert_eq!(report.steps, [(1, Heard::Accepted), (2, Heard::Nothing)]);
        assert_eq!(report.found["identity"], Written::Quoted("120".into()));
        assert_eq!(report.left["lamp.follows"], Written::List(vec!["a".into(), "b".into()]));
        assert_eq!(report.references().len(), 1);
    }

    #[test]
    fn a_number_that_a_comma_cuts_in_two_is_told_once_with_its_quotes() {
        for path in ["found", "left"] {
            let text = format!(
                "report: 1\nid: 019a6c1e-8f00-7000-8000-000000000001\nstation: EQ-01\nat: 2026-11-20T10:14:00Z\nby: t\n{path}: \
                 {{emergency.primary: 9,01632960101, gate.seconds: 7}}\n"
            );
            let findings = read_text(&text).unwrap_err();
            let [one] = &findings[..] else { panic!("{findings:#?}") };
            assert_eq!(one.fix, "A comma ends the value. Put it in double quotes: \"9,01632960101\".");
        }
    }

    #[test]
    fn what_belongs_elsewhere_is_told_where() {
        let one = |text: &str, fix: &str| {
            let findings = read_text(&format!("{WHOLE}{text}\n")).unwrap_err();
            let told: Vec<_> = findings.iter().map(|one| (&*one.fix, one.place.line)).collect();
            assert_eq!(told, [(fix, 15)], "{text}");
        };
        one("gate.seconds: 7", "If it is a setting, put it under left or found.");
        one("volume: 6", "If it is a setting, put it under left or found.");
        one("notes: x", "If you mean \"note\", write that.");
        let findings = read_text(&WHOLE.replace("{identity: \"120\"}", "{red.first: {to: desk}}")).unwrap_err();
        assert_eq!(findings.len(), 1, "{findings:#?}");
        assert_eq!((&*findings[0].fix, findings[0].place.column), (WHAT_WAS_KEYED, 20));
    }

    #[test]
    fn the_report_of_a_whole_card_is_read_in_its_place_and_one_that_is_not_filled_in_is_not() {
        let card =
            |report: &str| format!("EQ-01  East quay\n\nREPORT BACK ------\nReplace each \"null\": when.\n\n{report}");
        assert_eq!(read_text(&card(WHOLE)), read_text(WHOLE));
        let findings = read_text(&card(&WHOLE.replace("outcome: reached", "outcome: null"))).unwrap_err();
        assert_eq!((findings.len(), findings[0].place.line), (1, 17), "{findings:#?}");
        let open = WHOLE.replace("found: {identity: \"120\"}", "found: {identity: null}");
        assert!(read_text(&open).unwrap().found.is_empty(), "a gap that was left open says nothing");
        let findings = read_text(&card("")).unwrap_err();
        assert_eq!(findings[0].message, "This is a card without its report.");
    }

    #[test]
    fn times_are_rfc_3339() {
        // RFC 3339 section 5.8, with the instants it states.
        for (text, seconds) in [
            ("1985-04-12T23:20:50.52Z", 482_196_050),
            ("1996-12-19T16:39:57-08:00", 851_042_397),
            ("1937-01-01T12:00:27.87+00:20", -1_041_337_172),
        ] {
            let report = read_text(&WHOLE.replace("2026-11-20T10:14:00Z", text)).unwrap();
            assert_eq!(report.at.as_second(), seconds, "{text}");
        }
        assert!(read_text(&WHOLE.replace("2026-11-20T10:14:00Z", "1990-12-31T23:59:60Z")).is_ok(), "a leap second");
        for text in [
            "2026-11-20",
            "2026-11-20T10:14:00",
            "2026-11-20T10:14Z",
            "2026-11-20T10:14:00,5Z",
            "2026-11-20T10:14:00.Z",
            "2026-11-20T10:14:00+0100",
            "2026-11-20T10:14:00+25:00",
            "2026-11-20 10:14:00Z",
            "yesterday",
            "2026-13-01T00:00:00Z",
        ] {
            let findings = read_text(&WHOLE.replace("2026-11-20T10:14:00Z", text)).unwrap_err();
            assert_eq!((findings[0].code, findings[0].place.line), (Code::ReportTime, 4), "{text}");
        }
    }

    #[test]
    fn ids_are_uuids() {
        // RFC 9562 appendix A.6.
        let vector = "017F22E2-79B0-7CC3-98C4-DC0C0C07398F";
        let report = read_text(&WHOLE.replace("019a6c1e-8f00-7000-8000-000000000001", vector)).unwrap();
        let time = report.id.get_timestamp().unwrap().to_unix();
        assert_eq!((report.id.get_version_num(), time.0), (7, 1_645_557_742));
        for text in ["019a6c1e8f0070008000000000000001", "1", "{017F22E2-79B0-7CC3-98C4-DC0C0C07398F}"] {
            assert!(read_text(&WHOLE.replace("019a6c1e-8f00-7000-8000-000000000001", text)).is_err(), "{text}");
        }
    }

    #[test]
    fn a_report_may_be_json() {
        let json = r#"{"report":1,"id":"019a6c1e-8f00-7000-8000-000000000001","station":"EQ-01","at":"2026-11-20T10:14:00Z","by":"tech-07","left":{"gate.seconds":7}}"#;
        assert_eq!(read_text(json).unwrap().left["gate.seconds"], Written::Plain("7".into()));
    }

    #[test]
    fn everything_wrong_is_said_at_once_and_in_place() {
        let text = "report: 1
id: 5
station: EQ-01
at: now
steps: [{step: 0, heard: ok}]
fuond: {}
openings: [{call: 1, heard: skipped}, {heard: refused}]
corrects: me
";
        let findings = read_text(text).unwrap_err();
        let mut lines: Vec<u32> = findings.iter().map(|f| f.place.line).collect();
        lines.sort();
        assert_eq!(lines, [1, 2, 4, 5, 5, 6, 7, 7, 8]);
    }
}
