//! `rehearse`: keys into a simulated station, and how it answers; or a keybook read back in plain English.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde_json::{Value as Json, json};

use super::context::Files;
use super::error::{CliError, findings_text, paint, print, print_json};
use super::exit::Exit;
use super::format::Format;
use crate::drift::value_text;
use crate::files::{FileText, read_file};
use crate::finding::{Code, Finding, did_you_mean};
use crate::fleet::Texts;
use crate::keybook::{Answer, Held, Keybook, Sequence, SettingId, SimulatedStation, Verdict, read_back};
use crate::ledger::value_json;
use crate::setting::{self, Key, Kind, Reference, Written};
use crate::yaml::{self, Sheet};

/// Keys into a simulated station, or reads a keybook back.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The model, as its keybook calls it
    #[arg(long)]
    model: String,
    /// A YAML file of what the station holds, a line a setting; without it the station is new
    #[arg(long, value_name = "FILE")]
    holds: Option<PathBuf>,
    /// The keys to press; spaces are skipped, / hangs up and rings again
    #[arg(long, required_unless_present = "read_back")]
    keys: Option<String>,
    /// Print the keybook in plain English, to hold against the manual
    #[arg(long, conflicts_with_all = ["keys", "holds", "format"])]
    read_back: bool,
    /// How to print the answers
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
}

pub fn run(args: Args, config: &Path) -> Result<Exit, CliError> {
    let files = Files::read(config)?;
    let keybook = files.reading.keybooks.get(args.model.as_str()).cloned().ok_or_else(|| {
        let fix = did_you_mean(&args.model, files.reading.keybooks.keys().map(|name| &**name));
        CliError::usage(format!("no keybook describes the model \"{}\". {fix}", args.model))
    })?;
    if args.read_back {
        return print(&read_back(&keybook, true)).map(|()| Exit::Done);
    }
    let mut station = match &args.holds {
        None => SimulatedStation::from_factory(keybook.clone()),
        Some(path) => {
            SimulatedStation::new(keybook.clone(), holds(path, &keybook, &files)?, &setting::Codes::default())
        }
    }
    .keeping_time();
    let answers = key(&mut station, args.keys.as_deref().unwrap_or_default())?;
    match args.format {
        Format::Json => {
            let answers: Vec<Json> = answers.iter().map(|answer| answer_json(answer, &keybook)).collect();
            let held = keybook.ids().map(|id| (keybook.setting(id).name.to_string(), held_json(station.held(id))));
            let held: serde_json::Map<String, Json> = held.collect();
            let pending: String = station.pending().iter().map(|key| key.sign()).collect();
            print_json(&json!({ "answers": answers, "pending": pending, "holds": held }))?;
        }
        Format::Text => print(&text(&answers, &station, &keybook))?,
    }
    Ok(Exit::Done)
}

/// Presses everything. The station is rung first, and again after each `/`.
fn key(station: &mut SimulatedStation, keys: &str) -> Result<Vec<Answer>, CliError> {
    station.ring();
    let mut answers = Vec::new();
    let mut unheard = String::new();
    for sign in keys.chars().filter(|sign| !sign.is_whitespace()) {
        if sign == '/' {
            station.ring();
            continue;
        }
        let key = Key::new(sign.to_ascii_uppercase())
            .ok_or_else(|| CliError::usage(format!("\"{sign}\" is not a key: a keypad has 0-9, *, # and A-D")))?;
        if !station.in_call() {
            // A station that has hung up hears nothing and says nothing.
            unheard.push(key.sign());
            continue;
        }
        answers.extend(station.press(key));
    }
    if !unheard.is_empty() {
        eprintln!("stationkeep: not heard, since the station had hung up: {unheard} (/ rings it again)");
    }
    Ok(answers)
}

/// What a station holds, from a file of values; what it leaves out is unknown.
fn holds(path: &Path, keybook: &Keybook, reading: &Files) -> Result<Vec<Held>, CliError> {
    let file: Arc<str> = path.display().to_string().into();
    let text = read_file(&file, path).map_err(|finding| CliError::usage(finding.to_string()))?;
    let told = |findings: &[Finding]| {
        let texts: Texts = [(file.clone(), Arc::new(FileText::new(text.bytes.clone())))].into();
        eprint!("{}", findings_text(findings, &[&texts], paint()));
        CliError::usage("what the station holds cannot be read")
    };
    let root = yaml::read(&file, &text.bytes).map_err(|findings| told(&findings))?;
    let source = String::from_utf8_lossy(&text.bytes);
    let mut sheet = Sheet::new(&file, &source);
    let mut held = vec![Held::Unknown; keybook.settings.len()];
    for (key, node) in sheet.entries(&root, "What a station holds").unwrap_or(&[]) {
        let Some(id) = keybook.id(&key.text) else {
            let fix = did_you_mean(&key.text, keybook.settings.iter().map(|s| &*s.name));
            sheet.note(
                Code::NameUnknown,
                key.spot,
                format!("A {} has no setting \"{}\".", keybook.model, key.text),
                fix,
            );
            continue;
        };
        let what = format!("\"{}\"", key.text);
        let Some(written) = sheet.written(node, &what) else { continue };
        match value(&written, &keybook.setting(id).kind, reading) {
            Ok(value) => held[id.index()] = value,
            Err(unfit) => sheet.note(unfit.code, node.spot, format!("{what} {}", unfit.why), unfit.fix),
        }
    }
    if sheet.findings.is_empty() { Ok(held) } else { Err(told(&sheet.findings)) }
}

/// A rehearsal may be given a code as it is, in quotes: nothing of it is kept.
fn value(written: &Written, kind: &Kind, reading: &Files) -> Result<Held, setting::Unfit> {
    if let (Kind::Secret { .. }, Written::Quoted(digits)) = (kind, written) {
        let code = setting::Code::new(digits);
        return kind.fits_code(&code).map(|()| Held::Code(code));
    }
    if let (Kind::Secret { .. }, Written::Secret(reference)) = (kind, written) {
        let code = reading.sources.codes(std::slice::from_ref(reference)).code(reference).cloned();
        return Ok(code.map_or(Held::Unknown, Held::Code));
    }
    kind.value(written, |_: &Reference| unreachable!("secrets were taken above")).map(Held::Known)
}

fn sequence(sequence: Sequence, keybook: &Keybook) -> String {
    match sequence {
        Sequence::Open => "opening".into(),
        Sequence::Close => "closing".into(),
        Sequence::Command(at) => keybook.commands[at].name.to_string(),
    }
}

/// Where nobody here knows whether a real station would open.
fn on_trust_text(on_trust: &[SettingId], keybook: &Keybook) -> String {
    let names: Vec<String> = on_trust.iter().map(|id| format!("\"{}\"", keybook.setting(*id).name)).collect();
    match &names[..] {
        [] => String::new(),
        [..] => format!(" (taken to open: what it holds for {} is not known here)", names.join(" and ")),
    }
}

fn text(answers: &[Answer], station: &SimulatedStation, keybook: &Keybook) -> String {
    let mut out = String::new();
    for answer in answers {
        let says = match &answer.verdict {
            Verdict::Accepted { what, on_trust, written: _ } => {
                format!("accepted  {}{}", sequence(*what, keybook), on_trust_text(on_trust, keybook))
            }
            Verdict::Refused(why) => format!("refused   {}", why.message(keybook)),
        };
        let _ = writeln!(
            out,
            "{:<24} {says}{}",
            answer.keys.to_string(),
            if answer.hung_up { " (it has hung up)" } else { "" }
        );
    }
    if !station.pending().is_empty() {
        let pending: String = station.pending().iter().map(|key| key.sign()).collect();
        let _ = writeln!(out, "{pending:<24} waiting   these keys may still become a command");
    }
    let _ = writeln!(out, "\nIt holds now:");
    for id in keybook.ids() {
        let shown = match station.held(id) {
            Held::Known(value) => value_text(value),
            Held::Code(_) => "(a code)".into(),
            Held::Unknown => "(unknown)".into(),
        };
        let _ = writeln!(out, "  {}: {shown}", keybook.setting(id).name);
    }
    out
}

fn answer_json(answer: &Answer, keybook: &Keybook) -> Json {
    let (heard, what, why, on_trust) = match &answer.verdict {
        Verdict::Accepted { what, on_trust, written: _ } => {
            ("accepted", Some(sequence(*what, keybook)), None, &on_trust[..])
        }
        Verdict::Refused(why) => ("refused", None, Some(why.message(keybook)), &[][..]),
    };
    json!({
        "keys": answer.keys.to_string(),
        "heard": heard,
        "command": what,
        "why": why,
        "hung_up": answer.hung_up,
        "on_trust": on_trust.iter().map(|id| &*keybook.setting(*id).name).collect::<Vec<_>>(),
    })
}

fn held_json(held: &Held) -> Json {
    match held {
        Held::Known(value) => value_json(value),
        Held::Code(_) => json!({ "secret": true }),
        Held::Unknown => Json::Null,
    }
}
