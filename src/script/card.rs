//! A script laid out for the technician who keys it: text for 80 columns, or the bare keys.
//!
//! The card holds access codes: it is for the person at the station and nobody else.

use std::fmt::Write as _;

use serde::Serialize;
use textwrap::{Options, fill};
use uuid::Uuid;

use super::{Call, Script, Step};
use crate::drift::{Service, StationDrift, value_text};
use crate::inventory::{LineKind, Station};
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
    let bare: Vec<&Step> =
        script.calls.iter().flat_map(|call| &call.steps).filter(|s| !s.uncovered.is_empty()).collect();
    if let (Some(first), Some(last)) = (bare.first(), bare.last()) {
        let mut names: Vec<&str> = bare.iter().flat_map(|step| step.uncovered.iter().map(|name| &**name)).collect();
        names.sort_unstable();
        names.dedup();
        let seconds: u64 = bare.iter().map(|step| step.takes_ms).sum::<u64>().div_ceil(1000);
        all.push(format!(
            "While you key {} the lifeline {} summons nobody, for about {seconds} s in all: keep a stand-in at the \
             station, and do not hang up before step {} is accepted.",
            span(first.number, last.number),
            names.join(" and "),
            last.number,
        ));
    }
    if !touched(script, station).is_empty() {
        all.push("A change counts only once a test call has reached help. Keep a stand-in until it has.".to_owned());
    }
    all.push("Local codes and licensed practice come before this card.".to_owned());
    all
}

fn span(first: u32, last: u32) -> String {
    if first == last { format!("step {first}") } else { format!("steps {first} to {last}") }
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

/// The card as text. `report` is an id for the report that will come back.
pub fn text(script: &Script, station: &Station, drift: &StationDrift, codes: &Codes, report: Uuid) -> String {
    let mut out = head(script, station);
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
    test_text(&mut out, &tests, station);
    section(&mut out, "REPORT BACK");
    let how = "Write over each `null`: when it was done (2026-11-25T09:30:00Z), who did it, what you heard (accepted, \
               refused, nothing or skipped), how the test ended (reached or failed). Then drop it as a file into the \
               reports folder, or hand it to `stationkeep report FILE`.\n";
    paragraph(&mut out, how);
    out.push_str(&draft(script, station, &tests, report));
    out
}

fn head(script: &Script, station: &Station) -> String {
    let mut out = String::new();
    let (title, digest) = (format!("{}  {}", station.name, station.location), format!("script {}", script.digest));
    let _ = writeln!(out, "{title}\n{digest}, for a {}", station.keybook.title);
    let calls = counted(script.calls.len(), "call");
    let steps = counted(usize::try_from(script.cost.commands).unwrap_or(usize::MAX), "step");
    let minutes = script.calls.iter().map(|call| call.length_ms).sum::<u64>().div_ceil(60_000);
    let keys = counted(usize::try_from(script.cost.presses).unwrap_or(usize::MAX), "key");
    let proven = match script.proven {
        true => "No script is safer or shorter: that is proved.",
        false => "A better script may exist: the search ran out of its budget.",
    };
    paragraph(&mut out, &format!("{calls}, {steps}, {keys} beside opening and closing; about {minutes} min. {proven}"));
    out
}

fn counted(n: usize, what: &str) -> String {
    if n == 1 { format!("1 {what}") } else { format!("{n} {what}s") }
}

fn section(out: &mut String, title: &str) {
    let _ = writeln!(out, "\n{title} {}", &RULE[..WIDTH.saturating_sub(title.len() + 1)]);
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
    let rings = counted(how.rings as usize, "ring");
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
            let _ = writeln!(
                out,
                "        ! {} summons nobody while you key this ({} s).",
                names.join(" and "),
                step.takes_ms.div_ceil(1000)
            );
        }
        if let Some(note) = &step.note {
            let options = Options::new(WIDTH).initial_indent("        ").subsequent_indent("        ");
            let _ = writeln!(out, "{}", fill(note, options));
        }
    }
    match &call.close {
        Some(close) => line(out, "close", &close.groups(codes), "ends the call; then hang up"),
        None => {
            let _ = writeln!(out, "  Then hang up.");
        }
    }
}

/// One thing to key: what it is called, its keys in groups, what it does, what to listen for.
fn line(out: &mut String, label: &str, groups: &[String], what: &str) {
    let keys: Vec<String> = groups.iter().flat_map(|group| in_fours(group)).collect();
    let options = Options::new(WIDTH).initial_indent("").subsequent_indent("        ");
    let _ = writeln!(out, "{}", fill(&format!("{label:>5}   {}", keys.join(" ")), options));
    let options = Options::new(WIDTH).initial_indent("        ").subsequent_indent("        ");
    let _ = writeln!(out, "{}", fill(what, options));
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
    format!("{} at a {pitch} pitch ({} Hz)", counted(tone.beeps as usize, "beep"), tone.hz)
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

fn test_text(out: &mut String, lifelines: &[Name], station: &Station) {
    if lifelines.is_empty() {
        return;
    }
    section(out, "TEST");
    for lifeline in lifelines {
        let who = answered_by(station, lifeline);
        bullet(
            out,
            &format!(
                "Call by the lifeline {lifeline} from the station itself. {who} The person who answers must hear you and know where you are."
            ),
        );
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
