//! How a call goes, in a keybook's text: opening and closing, tones, times.

use super::keyed::{Keyed, keyed};
use super::settings::Drafts;
use super::words::{needed_number, number_or};
use super::{Call, TemplatePart, Timing, Tone, Use};
use crate::finding::Code;
use crate::yaml::{Node, Sheet, Spot};

/// The call, as far as it could be read.
pub(super) struct CallDraft<'n> {
    pub(super) open: Option<Keyed<'n>>,
    pub(super) close: Option<Keyed<'n>>,
    close_sound: bool,
    rings: Option<u32>,
    pub(super) greeting_ms: Option<u32>,
    pub(super) idle_ms: Option<u32>,
    pub(super) limit_ms: Option<u32>,
    /// Where `idle_ms` stands.
    pub(super) idle_spot: Option<Spot>,
}

impl CallDraft<'_> {
    /// The call, if all of it is sound.
    pub(super) fn call(self) -> Option<Call> {
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

/// Reads `call`.
pub(super) fn call_of<'n>(sheet: &mut Sheet<'_>, drafts: &Drafts, node: &'n Node) -> Option<CallDraft<'n>> {
    let what = "\"call\"";
    let [rings, greeting, open, close, idle, limit] =
        sheet.map(node, what, ["rings", "greeting_ms", "open", "close", "idle_ms", "limit_ms"])?;
    let rings = needed_number(sheet, node, rings, (what, "rings"), 0..=99);
    let greeting_ms = needed_number(sheet, node, greeting, (what, "greeting_ms"), 0..=HOUR_MS);
    let idle_spot = idle.map(|node| node.spot);
    let idle_ms = needed_number(sheet, node, idle, (what, "idle_ms"), 1..=HOUR_MS);
    let limit_ms = needed_number(sheet, node, limit, (what, "limit_ms"), 1..=24 * HOUR_MS);
    let open = sheet.required(open, node, what, "open");
    let open = open.and_then(|node| keyed(sheet, drafts, node, "\"open\""));
    let read_close = close.and_then(|node| keyed(sheet, drafts, node, "\"close\""));
    let close_sound = read_close.is_some() == close.is_some();
    for (keyed, wanted) in open.iter().map(|k| (k, Some(Use::Held))).chain(read_close.iter().map(|k| (k, None))) {
        forbidden_fields(sheet, keyed, wanted);
    }
    Some(CallDraft { open, close: read_close, close_sound, rings, greeting_ms, idle_ms, limit_ms, idle_spot })
}

/// Opening a call stores nothing; closing it keys no value at all.
fn forbidden_fields(sheet: &mut Sheet<'_>, keyed: &Keyed<'_>, allowed: Option<Use>) {
    let fields = keyed.template.0.iter().enumerate();
    let wrong: Vec<usize> = fields
        .filter(|(_, part)| match part {
            TemplatePart::Key(_) => false,
            TemplatePart::Field(how, _) => Some(*how) != allowed,
        })
        .map(|(at, _)| at)
        .collect();
    for at in wrong {
        let (message, fix) = match allowed {
            Some(Use::Held | Use::Store) => {
                ("Opening a call stores nothing.", "Write {=x}, which keys the value held now.")
            }
            None => ("\"close\" keys no setting.", "Write the keys alone, such as \"D\"."),
        };
        sheet.note(Code::TemplateBroken, keyed.part_spot(at), message, fix);
    }
}

/// Reads `tones`: accepted, refused.
pub(super) fn tones_of(sheet: &mut Sheet<'_>, node: &Node) -> Option<(Tone, Tone)> {
    let [accepted, refused] = sheet.map(node, "\"tones\"", ["accepted", "refused"])?;
    let accepted = sheet.required(accepted, node, "\"tones\"", "accepted");
    let refused = sheet.required(refused, node, "\"tones\"", "refused");
    let accepted = accepted.and_then(|node| tone_of(sheet, node, "\"accepted\""));
    let refused = refused.and_then(|node| tone_of(sheet, node, "\"refused\""));
    let (accepted, refused) = accepted.zip(refused)?;
    let pattern = |tone: &Tone| (tone.beeps, tone.hz, tone.on_ms);
    if let Some(node) = node.get("refused").filter(|_| pattern(&accepted) == pattern(&refused)) {
        let message = "\"accepted\" and \"refused\" sound alike, so nobody could tell them apart.";
        sheet.note(Code::TonesAlike, Spot { length: 1, ..node.spot }, message, "Compare both with the manual.");
    }
    Some((accepted, refused))
}

fn tone_of(sheet: &mut Sheet<'_>, node: &Node, what: &str) -> Option<Tone> {
    let [beeps, hz, on_ms, off_ms] = sheet.map(node, what, ["beeps", "hz", "on_ms", "off_ms"])?;
    let beeps = needed_number(sheet, node, beeps, (what, "beeps"), 1..=20);
    // A telephone line carries about 300 to 3400 Hz.
    let hz = needed_number(sheet, node, hz, (what, "hz"), 100..=3900);
    let on_ms = needed_number(sheet, node, on_ms, (what, "on_ms"), 10..=10_000);
    let off_ms = match off_ms {
        Some(node) => sheet.number(node, "\"off_ms\"", 10..=10_000),
        None => on_ms,
    };
    Some(Tone { beeps: beeps?, hz: hz?, on_ms: on_ms?, off_ms: off_ms? })
}

/// Reads `timing`.
pub(super) fn timing_of(sheet: &mut Sheet<'_>, node: &Node) -> Option<Timing> {
    let what = "\"timing\"";
    let [press, answer, tone, gap] = sheet.map(node, what, ["press_ms", "answer_ms", "tone_ms", "gap_ms"])?;
    let press_ms = needed_number(sheet, node, press, (what, "press_ms"), 1..=60_000);
    let answer_ms = needed_number(sheet, node, answer, (what, "answer_ms"), 0..=HOUR_MS);
    let tone_ms = number_or(sheet, tone, "tone_ms", 10..=10_000, 100);
    let gap_ms = number_or(sheet, gap, "gap_ms", 10..=10_000, 100);
    Some(Timing { press_ms: press_ms?, answer_ms: answer_ms?, tone_ms: tone_ms?, gap_ms: gap_ms? })
}
