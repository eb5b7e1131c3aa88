//! A script laid out for the technician who keys it: text for 80 columns, or the bare keys.
//!
//! The card holds access codes: it is for the person at the station and nobody else.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use serde::Serialize;
use textwrap::{Options, fill};
use uuid::Uuid;

use super::work::{RING_MS, Work};
use super::{Call, Obvious, Script, Step, Way};
use crate::drift::{Service, StationDrift, value_text};
use crate::finding::plural;
use crate::inventory::{Commit, LineKind, Station};
use crate::keybook::{Keybook, Tone};
use crate::setting::{Codes, Name, Value};

const WIDTH: usize = 80;

const RULE: &str = "--------------------------------------------------------------------------------";

/// What to mind before, during and after keying.
pub fn cautions(script: &Script, station: &Station) -> Vec<String> {
    let mut all = vec![
        "Tell the answering point before you start and before each test call, and tell it when you are done."
            .to_owned(),
    ];
    if script.way == Way::Back {
        all.push("This is the way back: it leaves the station as it was on record, not as it is wanted.".to_owned());
    }
    all.extend(bare_stretches(script, station).iter().map(Stretch::caution));
    all.push(
        "If a step is not accepted, key it once more. If it still is not, stop there, report what you heard, and ask \
         for a new script."
            .to_owned(),
    );
    if !touched(script, station).is_empty() {
        all.push("A change counts only once a test call has reached help. Keep a stand-in until it has.".to_owned());
    }
    all.push("Local codes and licensed practice come before this card.".to_owned());
    all
}

/// Steps one after the other that are keyed while a lifeline is uncovered.
struct Stretch {
    lifelines: BTreeSet<Name>,
    first: u32,
    last: u32,
    /// The call of the first and of the last step, from 1.
    calls: (usize, usize),
    ms: u64,
}

impl Stretch {
    fn caution(&self) -> String {
        let names: Vec<&str> = self.lifelines.iter().map(|name| &**name).collect();
        let (who, verb) = lifelines_text(&names);
        let steps = if self.first == self.last {
            format!("step {}", self.first)
        } else {
            format!("steps {} to {}", self.first, self.last)
        };
        let stay = if self.calls.0 == self.calls.1 {
            format!("do not hang up before step {} is accepted", self.last)
        } else {
            format!("where the card ends a call, ring again at once, until step {} of call {}", self.last, self.calls.1)
        };
        let seconds = self.ms.div_ceil(1000);
        format!(
            "While you key {steps} {who} {verb} nobody, for about {seconds} s in all: keep a stand-in at the station, and {stay}."
        )
    }
}

/// "the lifeline main summons", "the lifelines main and side summon".
fn lifelines_text(names: &[&str]) -> (String, &'static str) {
    match names {
        [one] => (format!("the lifeline {one}"), "summons"),
        [..] => (format!("the lifelines {}", names.join(" and ")), "summon"),
    }
}

/// The stretches of a script, with what hanging up and ringing again adds to them.
fn bare_stretches(script: &Script, station: &Station) -> Vec<Stretch> {
    let rings = u64::from(station.keybook.call.rings) * RING_MS;
    let mut stretches: Vec<Stretch> = Vec::new();
    let mut open = false;
    for (nth, call) in script.calls.iter().enumerate() {
        let steps: u64 = call.steps.iter().map(|step| step.takes_ms).sum();
        for (at, step) in call.steps.iter().enumerate() {
            if step.uncovered.is_empty() {
                open = false;
                continue;
            }
            if !open {
                let (first, last, calls) = (step.number, step.number, (nth + 1, nth + 1));
                stretches.push(Stretch { lifelines: BTreeSet::new(), first, last, calls, ms: 0 });
            } else if at == 0
                && let Some(stretch) = stretches.last_mut()
            {
                stretch.ms += call.length_ms.saturating_sub(steps) + rings;
            }
            open = true;
            if let Some(stretch) = stretches.last_mut() {
                stretch.lifelines.extend(step.uncovered.iter().cloned());
                stretch.last = step.number;
                stretch.calls.1 = nth + 1;
                stretch.ms += step.takes_ms;
            }
        }
    }
    stretches
}

/// The lifelines with a setting that the script changes.
fn touched(script: &Script, station: &Station) -> Vec<Name> {
    let steps: Vec<&Step> = script.calls.iter().flat_map(|call| &call.steps).collect();
    let changes = |name: &Name| steps.iter().any(|step| step.sets.contains_key(name) || step.also.contains_key(name));
    let keybook = &station.keybook;
    let lifelines = keybook.lifelines.iter();
    let touched = lifelines.filter(|lifeline| lifeline.settings.iter().any(|id| changes(&keybook.setting(*id).name)));
    touched.map(|lifeline| lifeline.name.clone()).collect()
}

/// The keys alone: a line for each opening, command and closing, an empty line between calls.
pub fn keys(script: &Script, codes: &Codes) -> String {
    let call = |call: &Call| {
        let steps = call.steps.iter().map(|step| &step.keys);
        let pressed = [&call.open].into_iter().chain(steps).chain(&call.close);
        pressed.map(|keys| keys.reveal(codes) + "\n").collect::<String>()
    };
    script.calls.iter().map(call).collect::<Vec<_>>().join("\n")
}

/// The card as text. `commit` is the one that says what is wanted, where it is known; `report` is an id for the report
/// that will come back.
pub fn text(
    script: &Script,
    station: &Station,
    drift: &StationDrift,
    codes: &Codes,
    commit: Option<&Commit>,
    report: Uuid,
) -> String {
    let mut out = head(script, station, codes);
    if let Some(commit) = commit {
        paragraph(&mut out, &format!("Wanted as of commit {commit}."));
    }
    let tests = tests(script, station, drift);
    section(&mut out, "BEFORE YOU RING");
    for caution in cautions(script, station) {
        bullet(&mut out, &caution);
    }
    for warning in &script.warnings {
        bullet(&mut out, &format!("NOTE: {warning}"));
    }
    let count = script.calls.len();
    for (nth, call) in script.calls.iter().enumerate() {
        let title = if count == 1 { "THE CALL".into() } else { format!("CALL {} OF {count}", nth + 1) };
        section(&mut out, &title);
        call_text(&mut out, call, station, codes);
    }
    test_text(&mut out, script, &tests, station);
    section(&mut out, "REPORT BACK");
    let how = "Write over each `null`: when it was done (2026-11-25T09:30:00Z), who did it, what you heard (accepted, \
               refused, nothing or skipped), how the test ended (reached or failed). Then drop it as a file into the \
               reports folder, or hand it to `stationkeep report FILE`.\n";
    paragraph(&mut out, how);
    out.push_str(&draft(script, station, &tests, report));
    out
}

fn head(script: &Script, station: &Station, codes: &Codes) -> String {
    let mut out = String::new();
    paragraph(&mut out, format!("{}  {}", station.name, station.location).trim_end());
    if script.way == Way::Back {
        paragraph(&mut out, "THE WAY BACK: it leaves the station as it was on record, not as it is wanted.");
    }
    paragraph(&mut out, &format!("script {}, model: {}", script.digest, station.keybook.title));
    let calls = plural(script.calls.len() as u64, "call");
    let steps = plural(script.cost.commands, "step");
    let minutes = Work::of(script, station, codes).minutes();
    let keys = plural(script.cost.presses, "key");
    let proven = match script.proven {
        true => "No script is safer or shorter: that is proved.",
        false => "A better script may exist: the search ran out of its budget.",
    };
    paragraph(&mut out, &format!("{calls}, {steps}, {keys} beside opening and closing; about {minutes} min. {proven}"));
    if let Some(obvious) = obvious_text(script).filter(|_| script.way == Way::There) {
        paragraph(&mut out, &obvious);
    }
    out
}

/// What keying every difference in the keybook's order would have meant, where that is another script.
fn obvious_text(script: &Script) -> Option<String> {
    let Obvious { cost, refused, wrong } = &script.obvious;
    let plain = "Keying each difference by itself, in the keybook's order,";
    if let Some(command) = refused.first() {
        return Some(format!("{plain} would fail: the station would refuse `{command}`."));
    }
    if let Some(setting) = wrong.first() {
        return Some(format!("{plain} would leave {setting} wrong."));
    }
    let longer = cost.exposure_ms.saturating_sub(script.cost.exposure_ms).div_ceil(1000);
    let more = cost.presses.saturating_sub(script.cost.presses);
    let keys = plural(more, "more key");
    match (longer, more) {
        (0, 0) => None,
        (0, _) => Some(format!("{plain} would take {keys}.")),
        (_, 0) => Some(format!("{plain} would leave a button summoning nobody for {longer} s longer.")),
        (_, _) => Some(format!("{plain} would take {keys} and leave a button summoning nobody for {longer} s longer.")),
    }
}

fn section(out: &mut String, title: &str) {
    let _ = writeln!(out, "\n{title} {}", &RULE[..WIDTH.saturating_sub(title.len() + 1)]);
}

/// Below the keys of a step.
fn inset() -> Options<'static> {
    Options::new(WIDTH).initial_indent("        ").subsequent_indent("        ")
}

fn paragraph(out: &mut String, text: &str) {
    let _ = writeln!(out, "{}", fill(text, WIDTH));
}

fn bullet(out: &mut String, text: &str) {
    let options = Options::new(WIDTH).initial_indent("  * ").subsequent_indent("    ");
    let _ = writeln!(out, "{}", fill(text, options));
}

fn call_text(out: &mut String, call: &Call, station: &Station, codes: &Codes) {
    let keybook = &*station.keybook;
    let Keybook { call: how, accepted, refused, .. } = keybook;
    let speaks = match how.greeting_ms.div_ceil(1000) {
        0 => "listens at once.".to_owned(),
        seconds => format!("speaks for {seconds} s: wait until it is silent."),
    };
    let rings = plural(how.rings.into(), "ring");
    paragraph(out, &format!("Ring {}. It answers after {rings} and {speaks}", station.number));
    paragraph(out, &format!("Accepted is {}.", tone(accepted)));
    paragraph(out, &format!("Refused is {}.", tone(refused)));
    let (idle, limit) = (how.idle_ms / 1000, how.limit_ms / 1000);
    paragraph(out, &format!("It hangs up after {idle} s of silence, and {limit} s after answering.\n"));
    line(out, "open", &call.open.groups(codes), "opens the call");
    for step in &call.steps {
        line(out, &step.number.to_string(), &step.keys.groups(codes), &effect_text(step));
        if !step.uncovered.is_empty() {
            let names: Vec<&str> = step.uncovered.iter().map(|name| &**name).collect();
            let (who, verb) = lifelines_text(&names);
            let text = format!("! {who} {verb} nobody while you key this ({} s).", step.takes_ms.div_ceil(1000));
            let _ = writeln!(out, "{}", fill(&text, inset()));
        }
        let remarks = step.why.remarks(step.number);
        if !remarks.is_empty() {
            let _ = writeln!(out, "{}", fill(&remarks.join(" "), inset()));
        }
        if let Some(note) = &step.note {
            let _ = writeln!(out, "{}", fill(note, inset()));
        }
    }
    match &call.close {
        Some(close) => line(out, "close", &close.groups(codes), "ends the call; then hang up"),
        None if call.ends_itself => out.push_str("  The station hangs up by itself.\n"),
        None => out.push_str("  Then hang up.\n"),
    }
}

/// One thing to key: what it is called, its keys in groups, what it does, what to listen for.
fn line(out: &mut String, label: &str, groups: &[String], what: &str) {
    let keys: Vec<String> = groups.iter().flat_map(|group| in_fours(group)).collect();
    let options = Options::new(WIDTH).initial_indent("").subsequent_indent("        ");
    let _ = writeln!(out, "{}", fill(&format!("{label:>5}   {}", keys.join(" ")), options));
    let _ = writeln!(out, "{}", fill(what, inset()));
    if label != "close" {
        let _ = writeln!(out, "        [ ] accepted   [ ] refused   [ ] nothing");
    }
}

/// Long runs of keys are read and keyed in groups of four; a placeholder stays whole.
fn in_fours(group: &str) -> Vec<String> {
    if group.starts_with('{') {
        return vec![group.to_owned()];
    }
    let signs: Vec<char> = group.chars().collect();
    signs.chunks(4).map(|chunk| chunk.iter().collect()).collect()
}

fn tone(tone: &Tone) -> String {
    let pitch = match tone.hz {
        0..600 => "low",
        600..1200 => "middle",
        1200.. => "high",
    };
    format!("{} at a {pitch} pitch ({} Hz)", plural(tone.beeps.into(), "beep"), tone.hz)
}

fn effect_text(step: &Step) -> String {
    let mut parts: Vec<String> =
        step.sets.iter().map(|(name, value)| format!("{name} becomes {}", spoken(value))).collect();
    let also = step.also.iter().map(|(name, value)| match value {
        Some(value) => format!("{name} goes to {}", spoken(value)),
        None => format!("{name} is no longer known"),
    });
    parts.extend(also);
    format!("{}: {}", step.command, parts.join(", "))
}

/// A value in words; a code is not spelt out where its name does.
fn spoken(value: &Value) -> String {
    match value {
        Value::Dial(text) | Value::Digits(text) if text.is_empty() => "nothing".into(),
        Value::Secret(secret) => format!("the code of {}", secret.reference),
        Value::Flags(names) if names.is_empty() => "none".into(),
        Value::Digits(_) | Value::Dial(_) | Value::Choice(_) | Value::Flags(_) | Value::Number(_) => value_text(value),
    }
}

/// The lifelines to test afterwards: those the script changes, and those not proved anyway.
fn tests(script: &Script, station: &Station, drift: &StationDrift) -> Vec<Name> {
    let mut tests = touched(script, station);
    let open = drift.lifelines.iter().filter(|lifeline| lifeline.service != Service::Tested);
    let open: Vec<Name> = open.map(|l| l.name.clone()).filter(|name| !tests.contains(name)).collect();
    tests.extend(open);
    tests
}

fn test_text(out: &mut String, script: &Script, lifelines: &[Name], station: &Station) {
    if lifelines.is_empty() {
        return;
    }
    section(out, "TEST");
    for lifeline in lifelines {
        let who = match script.way {
            Way::There => answered_by(station, lifeline),
            Way::Back => String::new(),
        };
        let must = "The person who answers must hear you and know where you are.";
        let call = format!("Call by the lifeline {lifeline} from the station itself.");
        let parts: Vec<&str> =
            [call.as_str(), who.as_str(), must].into_iter().filter(|part| !part.is_empty()).collect();
        bullet(out, &parts.join(" "));
    }
}

/// Who should answer a lifeline's test call.
fn answered_by(station: &Station, lifeline: &str) -> String {
    if station.line.kind == Some(LineKind::RingDown) {
        return "The exchange connects it to its fixed place.".into();
    }
    let keybook = &station.keybook;
    let found = keybook.lifelines.iter().find(|known| &*known.name == lifeline);
    let settings = found.map_or(&[][..], |found| &found.settings);
    let contacts: Vec<String> = settings
        .iter()
        .filter_map(|id| station.wanted(*id))
        .filter_map(|wanted| match (&wanted.contact, &wanted.value) {
            (Some(contact), Value::Dial(dialled)) => Some(format!("{contact} ({dialled})")),
            (None, Value::Dial(dialled)) if !dialled.is_empty() => Some(dialled.to_string()),
            (
                _,
                Value::Dial(_)
                | Value::Digits(_)
                | Value::Choice(_)
                | Value::Flags(_)
                | Value::Number(_)
                | Value::Secret(_),
            ) => None,
        })
        .collect();
    if contacts.is_empty() { String::new() } else { format!("It should ring {}.", contacts.join(" or ")) }
}

/// The report to fill in, in the order it is read.
#[derive(Serialize)]
struct Draft<'a> {
    report: u32,
    id: String,
    station: &'a str,
    at: Gap,
    by: Gap,
    script: String,
    steps: Vec<DraftStep>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    tests: Vec<DraftTest<'a>>,
}

#[derive(Serialize)]
struct DraftStep {
    step: u32,
    heard: Gap,
}

#[derive(Serialize)]
struct DraftTest<'a> {
    lifeline: &'a str,
    outcome: Gap,
}

/// What only the technician knows. A report sent off unread must claim nothing, and is refused.
type Gap = Option<()>;

fn draft(script: &Script, station: &Station, tests: &[Name], id: Uuid) -> String {
    let steps = script.calls.iter().flat_map(|call| &call.steps);
    let draft = Draft {
        report: 1,
        id: id.to_string(),
        station: &station.name,
        at: None,
        by: None,
        script: script.digest.to_string(),
        steps: steps.map(|step| DraftStep { step: step.number, heard: None }).collect(),
        tests: tests.iter().map(|lifeline| DraftTest { lifeline, outcome: None }).collect(),
    };
    // Texts and numbers always have a YAML form.
    serde_yaml::to_string(&draft).unwrap_or_default()
}
