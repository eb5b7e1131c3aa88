//! All that a card says, put together from a script. It shows nothing.

use uuid::Uuid;

use super::as_read::{KeyGroup, number_read, read};
use super::cautions::{back_text, cautions_with, lead};
use super::draft::draft;
use super::facts::facts;
use super::failing;
use super::note::noted;
use super::stretch::{Stretch, bare, bare_stretches};
use super::tests_to_make::texts;
use super::words::{effect_text, sentence, tone};
use crate::finding::plural;
use crate::inventory::{Commit, Station};
use crate::keybook::Keybook;
use crate::ledger::Digest;
use crate::script::delta::{Call, Script, Step};
use crate::script::pressed::Pressed;
use crate::setting::{Codes, Name};

/// Everything that a card says. Its keys are spelt out, so it has no `Debug`.
pub struct Card {
    /// What is said before everything else where it is made for a rehearsal.
    pub rehearsal: Option<&'static str>,
    /// Its name in the inventory.
    pub station: Name,
    /// Where it hangs, in the inventory's words.
    pub location: Name,
    /// What a report names the script by.
    pub digest: Digest,
    /// The model's title in its keybook.
    pub model: Name,
    /// What it means that it is the way back, where it is.
    pub back: Option<&'static str>,
    /// What is said before all else.
    pub lead: Vec<String>,
    /// The way back that answers a failed test call, where there is one.
    pub way_back: Option<Digest>,
    /// What it takes, whether it is the best, what it spares, which commit it goes by: a sentence or two each.
    pub facts: Vec<String>,
    /// What to mind before, during and after keying.
    pub cautions: Vec<String>,
    /// What is particular about this script.
    pub notes: Vec<String>,
    /// The number to ring, international.
    pub number: Name,
    /// The same as people read it.
    pub number_read: String,
    /// In the order to make them.
    pub calls: Vec<CardCall>,
    /// A test call each.
    pub tests: Vec<String>,
    /// What to write into `report`, and where it goes.
    pub how_to_report: String,
    /// The report to fill in, as YAML.
    pub report: String,
}

/// One programming call.
pub struct CardCall {
    /// How it answers once it is rung.
    pub answers: String,
    /// What an accepted and a refused command sound like: "1 beep at a middle pitch (1000 Hz)".
    pub accepted: String,
    /// The same of a refused command.
    pub refused: String,
    /// When it hangs up.
    pub limits: String,
    /// What to do where there is no time to key a refused step once more.
    pub tight: Option<String>,
    /// In the order to key them.
    pub lines: Vec<CardLine>,
    /// How the call ends where no key ends it.
    pub end: Option<&'static str>,
}

/// One thing to key.
pub struct CardLine {
    /// Where it is in the call.
    pub label: Label,
    /// As they are keyed, in the groups in which they are read: numbers by their country, all else in groups of at most four,
    /// letters apart; a placeholder stays whole.
    pub keys: Vec<String>,
    /// How often it may have to be tried: once for each code that may open the call, else once; 0 where nothing answers it.
    pub tries: usize,
    /// What it does, in a few words.
    pub what: String,
    /// Who calls nobody while it is keyed.
    pub bare: Option<String>,
    /// What to do where it is not accepted, beside what [`Card::cautions`] say of every step.
    pub fails: Option<String>,
    /// What must not be done meanwhile; [`Card::cautions`] says it in full.
    pub stay: Option<String>,
    /// Why it is there, and why there.
    pub remarks: Option<String>,
    /// The keybook's note on the command, where it is to be minded before the step.
    pub warns: Option<String>,
    /// The same where it is not.
    pub note: Option<Name>,
}

/// Which part of a call is keyed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Label {
    /// What opens the call.
    Open,
    /// The step of this number, counted from 1 through all calls.
    Step(u32),
    /// Nothing answers it.
    Close,
}

/// How to fill in the report; `several`: a call may have to be opened with one code after the other; `contacts`: it says who
/// must answer a test call; `found`: it asks what the station says of itself.
fn how_to_report(several: bool, contacts: bool, found: bool) -> String {
    let found = if found { " Under \"found\", write in quotes what the station says." } else { "" };
    let codes = match several {
        true => {
            " Add a line to \"openings\" for each further code that you tried, with its number in the order of the NOTE."
        }
        false => "",
    };
    let contacts = match contacts {
        true => " If someone else answered a test call, change its contact. If a stranger did, write \"failed\".",
        false => "",
    };
    format!(
        "Replace each \"null\": when it was done (2026-11-25T09:30:00Z), who did it, what you heard (accepted, refused, nothing or \
         skipped), how each test ended (reached or failed). If you heard nothing once and a refusal once, write the word \"nothing\". \
         Take out the lines of a call that you did not open, and of a test that you did not make.{found}{contacts}{codes} Then save it as a file in the reports folder, or send it to ops."
    )
}

impl Card {
    /// The card of a script. `commit` is the one that says what is wanted, where it is known; `report` is an id for the
    /// report that will come back.
    pub fn of(script: &Script, station: &Station, codes: &Codes, commit: Option<&Commit>, report: Uuid) -> Card {
        let stretches = bare_stretches(script, station);
        Card {
            rehearsal: None,
            station: station.name.clone(),
            location: station.location.clone(),
            digest: script.digest.clone(),
            model: station.keybook.title.clone(),
            back: script.back.map(back_text),
            facts: facts(script, station, codes, commit),
            lead: lead(script, station, codes),
            way_back: script.way_back.clone(),
            cautions: cautions_with(script, station, failing::rule(script)),
            notes: script.warnings.iter().map(|warning| warning.text(codes)).collect(),
            number: script.number.clone(),
            number_read: number_read(&script.number),
            calls: script.calls.iter().map(|call| CardCall::of(script, call, station, &stretches, codes)).collect(),
            tests: texts(script, station),
            how_to_report: how_to_report(
                script.calls.iter().any(|call| call.codes.len() > 1),
                script.tests.iter().any(|test| test.contact.is_some()),
                script.renumbered.is_some(),
            ),
            report: draft(script, station, report),
        }
    }

    /// The same, and where it is made for a rehearsal it says so first.
    pub fn rehearsed(self, is_rehearsal: bool) -> Card {
        const REHEARSAL: &str = "REHEARSAL: the clock is set by hand. Key no station in service by this card.";
        Card { rehearsal: is_rehearsal.then_some(REHEARSAL), ..self }
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
            true => "Opens the call, unless it holds another code: see the NOTE above.",
            false => "Opens the call.",
        };
        let book = &station.keybook.call;
        let keys = |keys: &Pressed, template| read(keys, template, station, codes, false);
        let open = CardLine::plain(Label::Open, keys(&call.open, Some(&book.open)), opens.into());
        let tries = call.codes.len().max(1);
        let open = CardLine { tries, fails: Some(failing::opening(tries)), ..open };
        let steps = call.steps.iter().map(|step| CardLine::of(script, step, station, stretches, codes));
        let close = call
            .close
            .iter()
            .map(|close| CardLine::plain(Label::Close, keys(close, None), "Ends the call. Then hang up.".into()));
        CardCall {
            answers: format!("It answers after {rings} and {speaks}"),
            accepted: tone(accepted),
            refused: tone(refused),
            limits: format!("It hangs up after {idle} s of silence, and {limit} s after answering."),
            tight: tight(call, how.limit_ms.into()),
            lines: [open].into_iter().chain(steps).chain(close).collect(),
            end: match &call.close {
                Some(_) => None,
                None if call.ends_itself => Some("Then the station hangs up."),
                None => Some("Hang up."),
            },
        }
    }
}

/// Of a call without room.
fn tight(call: &Call, limit_ms: u64) -> Option<String> {
    let (needs, limit) = (call.length_ms.div_ceil(1000), limit_ms / 1000);
    (!call.has_room).then(|| {
        format!(
            "WARNING: this call needs {needs} of {limit} s, so a refused step may not be keyed once more in time. If the station \
             hangs up, ring again, open the call and go on."
        )
    })
}

impl CardLine {
    fn plain(label: Label, keys: Vec<KeyGroup>, what: String) -> CardLine {
        let keys = keys.into_iter().map(|group| group.text).collect();
        let tries = usize::from(label != Label::Close);
        CardLine {
            label,
            keys,
            tries,
            what,
            bare: None,
            fails: None,
            stay: None,
            remarks: None,
            warns: None,
            note: None,
        }
    }

    fn of(script: &Script, step: &Step, station: &Station, stretches: &[Stretch], codes: &Codes) -> CardLine {
        let is_bare = !step.uncovered.is_empty() || !step.unsure.is_empty();
        let who = bare(script, step, station);
        let bare = format!("{} while you key this ({} s).", sentence(&who), step.takes_ms.div_ceil(1000));
        let stretch = stretches.iter().find(|stretch| stretch.holds(step));
        let remarks = step.rationale.remarks(step.number, &station.keybook);
        let command = station.keybook.commands.iter().find(|command| command.name == step.command);
        let keys = read(&step.keys, command.map(|command| &command.keys), station, codes, false);
        let (warns, note) = noted(step, station);
        CardLine {
            bare: is_bare.then_some(bare),
            fails: failing::of(script, step),
            stay: stretch.filter(|_| is_bare).map(Stretch::stay),
            remarks: (!remarks.is_empty()).then(|| remarks.join(" ")),
            warns,
            note,
            ..CardLine::plain(Label::Step(step.number), keys, effect_text(step, station))
        }
    }
}
