//! A script laid out for the technician who keys it. [`Card`] is all that it says, in the order it is read; [`text()`] and
//! the page of `web` show the same one.
//!
//! The card holds access codes: it is for the person at the station and nobody else.

mod draft;
mod failing;
mod link;
mod stretch;
mod text;

pub use link::{beside, link};
pub use text::text;

use uuid::Uuid;

use super::work::Work;
use super::{Call, Obvious, Script, Step, Warning, Way};
use crate::drift::{Service, StationDrift, value_text};
use crate::finding::plural;
use crate::inventory::{Commit, LineKind, Station};
use crate::keybook::{Keybook, Tone};
use crate::ledger::Digest;
use crate::setting::{Codes, Name, Value};

use stretch::{Stretch, bare_stretches, who_summons};

/// Everything that a card says. Its keys are spelt out, so it has no `Debug`.
pub struct Card {
    pub station: Name,
    pub location: Name,
    pub digest: Digest,
    /// The model's title in its keybook.
    pub model: Name,
    /// What it means that it is the way back, where it is.
    pub back: Option<&'static str>,
    /// What it takes, whether it is the best, what it spares, which commit it goes by: a sentence or two each.
    pub facts: Vec<String>,
    /// What to mind before, during and after keying.
    pub cautions: Vec<String>,
    /// What is particular about this script.
    pub notes: Vec<String>,
    /// The number to ring, international.
    pub number: Name,
    pub calls: Vec<CardCall>,
    /// A test call each.
    pub tests: Vec<String>,
    pub how_to_report: &'static str,
    /// The report to fill in, as YAML.
    pub report: String,
}

/// One programming call.
pub struct CardCall {
    /// How it answers once it is rung.
    pub answers: String,
    /// What an accepted and a refused command sound like: "1 beep at a middle pitch (1000 Hz)".
    pub accepted: String,
    pub refused: String,
    /// When it hangs up.
    pub limits: String,
    pub lines: Vec<CardLine>,
    /// How the call ends where no key ends it.
    pub end: Option<&'static str>,
}

/// One thing to key.
pub struct CardLine {
    pub label: Label,
    /// In groups of at most four, as they are keyed; a placeholder stays whole.
    pub keys: Vec<String>,
    pub what: String,
    /// Who summons nobody while it is keyed.
    pub bare: Option<String>,
    /// What to do where it is not accepted, beside what [`Card::cautions`] say of every step.
    pub fails: Option<String>,
    /// What must not be done meanwhile; [`Card::cautions`] says it in full.
    pub stay: Option<String>,
    /// Why it is there, and why there.
    pub remarks: Option<String>,
    pub note: Option<Name>,
}

/// Which part of a call is keyed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Label {
    Open,
    Step(u32),
    /// Nothing answers it.
    Close,
}

const BACK: &str = "it leaves the station as it was on record, not as it is wanted. Key it only after the script there, and \
                    only where every step of that was accepted.";

const HOW_TO_REPORT: &str = "Write over each `null`: when it was done (2026-11-25T09:30:00Z), who did it, what you heard \
                             (accepted, refused, nothing or skipped; nothing too where you also heard a refusal), how the test \
                             ended (reached or failed). Then drop it as a file into the reports folder, or hand it to \
                             `stationkeep report FILE`.";

impl Card {
    /// The card of a script. `commit` is the one that says what is wanted, where it is known; `report` is an id for the
    /// report that will come back.
    pub fn of(
        script: &Script,
        station: &Station,
        drift: &StationDrift,
        codes: &Codes,
        commit: Option<&Commit>,
        report: Uuid,
    ) -> Card {
        let stretches = bare_stretches(script, station);
        let lifelines = tests(script, station, drift);
        let test = |lifeline: &Name| test_text(script, lifeline, station);
        Card {
            station: station.name.clone(),
            location: station.location.clone(),
            digest: script.digest.clone(),
            model: station.keybook.title.clone(),
            back: (script.way == Way::Back).then_some(BACK),
            facts: facts(script, station, codes, commit),
            cautions: cautions_with(script, station, failing::rule(script)),
            notes: script.warnings.iter().map(|warning| warning.text(codes)).collect(),
            number: script.number.clone(),
            calls: script.calls.iter().map(|call| CardCall::of(script, call, station, &stretches, codes)).collect(),
            tests: lifelines.iter().map(test).collect(),
            how_to_report: HOW_TO_REPORT,
            report: draft::draft(script, station, &lifelines, report),
        }
    }

    /// "The call", or "Call 1 of 2"; calls are counted from 0.
    pub fn call_title(&self, nth: usize) -> String {
        match self.calls.len() {
            1 => "The call".into(),
            count => format!("Call {} of {count}", nth + 1),
        }
    }
}

impl CardCall {
    fn of(script: &Script, call: &Call, station: &Station, stretches: &[Stretch], codes: &Codes) -> CardCall {
        let Keybook { call: how, accepted, refused, .. } = &*station.keybook;
        let speaks = match how.greeting_ms.div_ceil(1000) {
            0 => "listens at once.".to_owned(),
            seconds => format!("speaks for {seconds} s: wait until it is silent."),
        };
        let rings = plural(how.rings.into(), "ring");
        let (idle, limit) = (how.idle_ms / 1000, how.limit_ms / 1000);
        let opens = match call.is_guessed {
            true => "opens the call, unless it holds another code: see the NOTE above",
            false => "opens the call",
        };
        let open = CardLine::plain(Label::Open, &call.open.groups(codes), opens.into());
        let steps = call.steps.iter().map(|step| CardLine::of(script, step, stretches, codes));
        let close = call
            .close
            .iter()
            .map(|close| CardLine::plain(Label::Close, &close.groups(codes), "ends the call; then hang up".into()));
        CardCall {
            answers: format!("It answers after {rings} and {speaks}"),
            accepted: tone(accepted),
            refused: tone(refused),
            limits: format!("It hangs up after {idle} s of silence, and {limit} s after answering."),
            lines: [open].into_iter().chain(steps).chain(close).collect(),
            end: match &call.close {
                Some(_) => None,
                None if call.ends_itself => Some("The station hangs up by itself."),
                None => Some("Then hang up."),
            },
        }
    }
}

impl CardLine {
    fn plain(label: Label, groups: &[String], what: String) -> CardLine {
        let keys = groups.iter().flat_map(|group| in_fours(group)).collect();
        CardLine { label, keys, what, bare: None, fails: None, stay: None, remarks: None, note: None }
    }

    fn of(script: &Script, step: &Step, stretches: &[Stretch], codes: &Codes) -> CardLine {
        let is_bare = !step.uncovered.is_empty() || !step.unsure.is_empty();
        let who = who_summons(&step.uncovered, &step.unsure);
        let bare = format!("{who} while you key this ({} s).", step.takes_ms.div_ceil(1000));
        let stretch = stretches.iter().find(|stretch| stretch.holds(step));
        let remarks = step.why.remarks(step.number);
        CardLine {
            bare: is_bare.then_some(bare),
            fails: failing::of(script, step),
            stay: stretch.filter(|_| is_bare).map(Stretch::stay),
            remarks: (!remarks.is_empty()).then(|| remarks.join(" ")),
            note: step.note.clone(),
            ..CardLine::plain(Label::Step(step.number), &step.keys.groups(codes), effect_text(step))
        }
    }
}

/// What to mind before, during and after keying.
pub fn cautions(script: &Script, station: &Station) -> Vec<String> {
    cautions_with(script, station, failing::whole_rule(script))
}

fn cautions_with(script: &Script, station: &Station, failing: String) -> Vec<String> {
    let mut all = vec![
        "Tell the answering point before you start and before each test call, and tell it when you are done."
            .to_owned(),
    ];
    if script.way == Way::Back {
        all.push(format!("This is the way back: {BACK}"));
        all.splice(0..0, untried_text(&script.untried));
    }
    all.extend(unsure_text(script));
    all.extend(bare_stretches(script, station).iter().map(Stretch::caution));
    all.push(failing);
    if !touched(script, station).is_empty() {
        all.push("A change counts only once a test call has reached help. Keep a stand-in until it has.".to_owned());
    }
    all.push("Local codes and licensed practice come before this card.".to_owned());
    all
}

/// What a way back may end with.
fn untried_text(lifelines: &[Name]) -> Option<String> {
    let who = listed(lifelines, "and");
    (!lifelines.is_empty()).then(|| {
        format!(
            "AFTER THIS SCRIPT THE BUTTON MAY SUMMON NOBODY: it leaves the lifeline {who} as on record, not as wanted, and on record no \
             test call reached help that way. Keep a stand-in at the station, and make the test call at once."
        )
    })
}

/// Which lifelines the stretches below may leave uncovered without anybody knowing.
fn unsure_text(script: &Script) -> Vec<String> {
    let steps: Vec<&Step> = script.calls.iter().flat_map(|call| &call.steps).collect();
    let on_the_way =
        script.unsure.iter().filter(|(lifeline, _)| steps.iter().any(|step| step.unsure.contains(lifeline)));
    let text = |(lifeline, unknown): &(Name, Vec<Name>)| {
        format!("Nobody knows the {} of the lifeline {lifeline}: take it that it is in use.", listed(unknown, "and"))
    };
    on_the_way.map(text).collect()
}

/// "1, 2 or 3".
fn listed(all: &[impl std::fmt::Display], word: &str) -> String {
    match all {
        [] => String::new(),
        [one] => one.to_string(),
        [first @ .., last] => {
            let first: Vec<String> = first.iter().map(ToString::to_string).collect();
            format!("{} {word} {last}", first.join(", "))
        }
    }
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

fn facts(script: &Script, station: &Station, codes: &Codes, commit: Option<&Commit>) -> Vec<String> {
    let calls = plural(script.calls.len() as u64, "call");
    let steps = plural(script.cost.commands, "step");
    let minutes = Work::of(script, station, codes).minutes();
    let keys = plural(script.cost.presses, "key");
    let is_passed_over = |warning: &Warning| matches!(warning, Warning::PassedOver { .. });
    let proven = match script.proven {
        true => {
            let of = if script.warnings.iter().any(is_passed_over) {
                "No script that keeps the way in"
            } else {
                "No script"
            };
            let extent = if script.unsure.is_empty() {
                "safer or shorter"
            } else {
                "safer for the lifelines on record, or shorter"
            };
            &format!("{of} is {extent}: that is proved.")
        }
        false => "A better script may exist: the search ran out of its budget.",
    };
    let takes = format!("{calls}, {steps}, {keys} beside opening and closing; about {minutes} min. {proven}");
    let obvious = obvious_text(script).filter(|_| script.way == Way::There);
    let wanted = commit.map(|commit| format!("Wanted as of commit {commit}."));
    [takes].into_iter().chain(obvious).chain(wanted).collect()
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
    let cost = (*cost)?;
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

/// Long runs of keys are read and keyed in groups of four; a placeholder stays whole.
pub(super) fn in_fours(group: &str) -> Vec<String> {
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

/// One test call.
fn test_text(script: &Script, lifeline: &Name, station: &Station) -> String {
    let who = match script.way {
        Way::There => answered_by(station, lifeline),
        Way::Back => String::new(),
    };
    let must = "The person who answers must hear you and know where you are.";
    let call = format!("Call by the lifeline {lifeline} from the station itself.");
    let parts: Vec<&str> = [call.as_str(), who.as_str(), must].into_iter().filter(|part| !part.is_empty()).collect();
    parts.join(" ")
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
