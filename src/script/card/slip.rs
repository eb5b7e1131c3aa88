//! What to do after a wrong key, found out from the station's behaviour: each step of a script is keyed into a simulated
//! station with one key wrong.

use std::collections::BTreeSet;

use super::words::{button, settings_of, tone};
use crate::finding::{listed, the};
use crate::inventory::Station;
use crate::keybook::{Answer, Lifeline, Refusal, SettingId, SimulatedStation, Verdict};
use crate::script::delta::{Call, Script, Step};
use crate::script::pressed::{Piece, Pressed};
use crate::setting::{Codes, Key, Keys, Name};

/// What a station may do after a wrong key.
#[derive(Default)]
struct Slips {
    /// It refuses at once, and starts afresh.
    refuses: bool,
    /// It takes the keys for another command, or for another value.
    obeys: bool,
    /// What it may have stored then, beside what the step changes.
    stored: BTreeSet<SettingId>,
    /// Those that wait for more keys.
    waiting: Vec<SimulatedStation>,
}

/// What to do after a wrong key; nothing where nothing is keyed.
pub(super) fn slip(script: &Script, station: &Station) -> Option<String> {
    let slips = slips(&script.calls, station)?;
    let keybook = &station.keybook;
    let mut text = "If you press a wrong key, stop and listen.".to_owned();
    if slips.refuses || !slips.waiting.is_empty() {
        let refused = tone(&keybook.refused);
        text += &format!(" If you hear {refused}, the station has forgotten what you keyed: key the whole step again.");
    }
    if !slips.waiting.is_empty() {
        text += &match slips.breaker(script.letters) {
            Some(key) => format!(" If you hear nothing, press {} to get it.", key.sign()),
            None => format!(
                " If you hear nothing, ring again, open the call, and key the whole step again{}.",
                but_not(script)
            ),
        };
    }
    if slips.obeys {
        text += " If you hear the accepted signal, the station has stored something else: key the whole step again, and report \
                 what you hear then. Write what you keyed into the note.";
        text += &stored_text(&slips.stored, station);
    }
    Some(text + " If in doubt, report \"nothing\" for the step, and go on as the card says.")
}

/// ", but not step 1": the steps that are not to be keyed again where nothing was heard.
fn but_not(script: &Script) -> String {
    let steps = script.calls.iter().flat_map(|call| &call.steps).filter(|step| !step.recovery.again);
    let all: Vec<u32> = steps.map(|step| step.number).collect();
    match &all[..] {
        [] => String::new(),
        [one] => format!(", but not step {one}"),
        all => format!(", but not steps {}", listed(all, "and")),
    }
}

/// What a wrong key may have stored, and how to find out.
fn stored_text(stored: &BTreeSet<SettingId>, station: &Station) -> String {
    /// More names would not be read.
    const MOST: usize = 4;
    let names: Vec<Name> = stored.iter().map(|id| station.keybook.setting(*id).name.clone()).collect();
    let what = match names.len() {
        0 => return String::new(),
        1..=MOST => the(&settings_of(station, &names)),
        _ => "any of its settings".to_owned(),
    };
    let buttons: Vec<String> = changed(stored, station).map(|lifeline| button(station, &lifeline.name)).collect();
    match buttons.is_empty() {
        true => format!(" It may have changed {what}."),
        false => format!(
            " It may have changed {what}: before you leave, make a test call with {}, and report it under \"tests\".",
            listed(&buttons, "and")
        ),
    }
}

/// The buttons that a wrong key in a step of these calls may have changed.
pub fn may_change<'s>(calls: &[Call], station: &'s Station) -> Vec<&'s Lifeline> {
    slips(calls, station).map_or_else(Vec::new, |slips| changed(&slips.stored, station).collect())
}

fn changed<'s>(stored: &BTreeSet<SettingId>, station: &'s Station) -> impl Iterator<Item = &'s Lifeline> {
    let required = station.keybook.lifelines.iter().filter(|lifeline| lifeline.is_required());
    required.filter(|lifeline| lifeline.settings.iter().any(|id| stored.contains(id)))
}

fn is_afresh(answer: &Answer) -> bool {
    matches!(answer.verdict, Verdict::Refused(Refusal::NoSequence)) && !answer.hung_up
}

fn slips(calls: &[Call], station: &Station) -> Option<Slips> {
    let call = calls.first()?;
    let mut opened = SimulatedStation::new(station.keybook.clone(), Vec::new(), &Codes::default());
    opened.ring();
    keys(&call.open)?.0.into_iter().for_each(|key| drop(opened.press(key)));
    let mut slips = Slips::default();
    for step in calls.iter().flat_map(|call| &call.steps) {
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
        let whole = keys(&step.keys)?.0;
        let mut keyed = opened.clone();
        whole.iter().for_each(|key| drop(keyed.press(*key)));
        for (at, right) in whole.iter().copied().enumerate() {
            for wrong in all.0.iter().filter(|key| **key != right) {
                let mut slipped = before.clone();
                self.unnoticed(slipped.clone(), *wrong, &whole[at + 1..], (opened, &keyed));
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

impl Slips {
    /// A wrong key, and then the rest of the step as if nothing had happened. `ends`: the station without the step, and with it.
    fn unnoticed(
        &mut self,
        mut slipped: SimulatedStation,
        wrong: Key,
        rest: &[Key],
        ends: (&SimulatedStation, &SimulatedStation),
    ) {
        let (without, with) = ends;
        [wrong].iter().chain(rest).for_each(|key| drop(slipped.press(*key)));
        let ids = without.keybook().ids();
        // What the step itself changes is in doubt by what is reported of it.
        let is_other = |id: &SettingId| slipped.held(*id) != without.held(*id) && with.held(*id) == without.held(*id);
        let other: Vec<SettingId> = ids.filter(is_other).collect();
        self.obeys |= !other.is_empty();
        self.stored.extend(other);
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
