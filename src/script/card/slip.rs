//! What to do after a wrong key, found out from the station's behaviour: each step of a script is keyed into a simulated
//! station with one key wrong.

use super::words::tone;
use crate::inventory::Station;
use crate::keybook::{Answer, Refusal, SimulatedStation, Verdict};
use crate::script::delta::{Call, Script, Step};
use crate::script::pressed::{Piece, Pressed};
use crate::setting::{Codes, Key, Keys};

/// What a station may do after a wrong key.
#[derive(Default)]
struct Slips {
    /// It refuses at once, and starts afresh.
    refuses: bool,
    /// It takes the keys for another command, or for another value.
    obeys: bool,
    /// Those that wait for more keys.
    waiting: Vec<SimulatedStation>,
}

/// What to do after a wrong key; nothing where nothing is keyed.
pub(super) fn slip(script: &Script, station: &Station) -> Option<String> {
    let slips = slips(script, station)?;
    let keybook = &station.keybook;
    let mut text = "If you press a wrong key, stop and listen.".to_owned();
    if slips.refuses || !slips.waiting.is_empty() {
        let refused = tone(&keybook.refused);
        text += &format!(" If you hear {refused}, the station has forgotten what you keyed: key the whole step again.");
    }
    if !slips.waiting.is_empty() {
        text += &match slips.breaker(script.letters) {
            Some(key) => format!(" If you hear nothing, press {} to get it.", key.sign()),
            None => " If you hear nothing, ring again, open the call, and key the whole step again.".to_owned(),
        };
    }
    if slips.obeys {
        text += " If you hear the accepted signal, the station has stored something else: key the whole step again, and report \
                 \"nothing\" for it. Write what you keyed into the note, and test every button before you leave.";
    }
    Some(text + " If in doubt, report \"nothing\" for the step, and go on as the card says.")
}

fn is_afresh(answer: &Answer) -> bool {
    matches!(answer.verdict, Verdict::Refused(Refusal::NoSequence)) && !answer.hung_up
}

fn slips(script: &Script, station: &Station) -> Option<Slips> {
    let call = script.calls.first()?;
    let mut opened = SimulatedStation::new(station.keybook.clone(), Vec::new(), &Codes::default());
    opened.ring();
    keys(&call.open)?.0.into_iter().for_each(|key| drop(opened.press(key)));
    let mut slips = Slips::default();
    for step in script.calls.iter().flat_map(|call: &Call| &call.steps) {
        slips.of(step, &opened)?;
    }
    if !slips.waiting.is_empty() {
        slips.waiting.push(opened);
    }
    Some(slips)
}

impl Slips {
    /// A key after which every station that waits starts afresh, and one that does not is not led astray; one of an ordinary
    /// phone first.
    fn breaker(&self, letters: bool) -> Option<Key> {
        let signs = if letters { "*#0123456789ABCD" } else { "*#0123456789" };
        let keys: Keys = signs.parse().ok()?;
        let breaks =
            |station: &SimulatedStation, key: Key| station.clone().press(key).is_some_and(|one| is_afresh(&one));
        keys.0.into_iter().find(|key| self.waiting.iter().all(|station| breaks(station, *key)))
    }

    /// Each key of a step wrong, in every way.
    fn of(&mut self, step: &Step, opened: &SimulatedStation) -> Option<()> {
        let all: Keys = "0123456789*#ABCD".parse().ok()?;
        let mut before = opened.clone();
        for right in keys(&step.keys)?.0 {
            for wrong in all.0.iter().filter(|key| **key != right) {
                let mut slipped = before.clone();
                match slipped.press(*wrong) {
                    None => self.waiting.push(slipped),
                    Some(answer) if is_afresh(&answer) => self.refuses = true,
                    // Whether it obeys hangs on what it holds.
                    Some(_) => self.obeys = true,
                }
            }
            before.press(right);
            // Whoever pressed no wrong key after all must not go on with what was meant.
            if !before.pending().is_empty() {
                self.waiting.push(before.clone());
            }
        }
        Some(())
    }
}

/// The keys, with a stand-in for each code.
fn keys(pressed: &Pressed) -> Option<Keys> {
    let keys = |piece: &Piece| match piece {
        Piece::Literal(run) | Piece::Value(run) => run.clone(),
        Piece::Code { longest, .. } => "1".repeat(*longest),
    };
    pressed.0.iter().map(keys).collect::<String>().parse().ok()
}
