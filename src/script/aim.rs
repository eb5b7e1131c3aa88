//! What a script starts from and what it leads to, whichever way: there, or back. It decides no step.
//!
//! The way back of a script of which no report came leads from where that script ends to what was known before it. Once a
//! report came, or a test call failed, or where a button called nobody before it, it leads from what is held now to what
//! last worked.

use crate::inventory::Station;
use crate::keybook::{Keybook, SettingId};
use crate::ledger::{HandedOut, Outcome, Proof, Record, Worked};
use crate::setting::{Name, Value};

/// Which way a script leads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// From what the station holds to what is wanted.
    There,
    /// To what it held before.
    Back,
}

/// Where a way back starts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Back {
    /// From the end of the script issued last: no report of it came.
    AfterScript,
    /// From what is on record, to what last worked.
    AfterReport,
}

/// What a station holds and what it should hold; one entry for each of the keybook's settings.
#[derive(Debug, Clone)]
pub struct Aim {
    /// `None` is unknown; in doubt counts as unknown.
    pub start: Vec<Option<Value>>,
    /// `None` where a setting is neither wanted nor known: it may not be touched.
    pub goal: Vec<Option<Value>>,
    /// Lifelines whose last test failed, by place in the keybook: as they are, they call nobody.
    pub failed: Vec<bool>,
    /// Where it leads back.
    pub back: Option<Back>,
    /// Settings that are known, and count as unknown, so that they are keyed again. For opening calls the record counts.
    pub renewed: Vec<SettingId>,
}

impl Aim {
    /// Start and goal of a station's script.
    pub(super) fn of(station: &Station, record: &Record, way: Way) -> Aim {
        match way {
            Way::There => Aim::there(station, record),
            Way::Back => {
                let script = handed_out(record).filter(|_| !has_failed(station, record));
                let undoing = script.map(|script| Aim::undoing(station, record, script));
                let undoing = undoing.filter(|aim| !calls_nobody(station, &aim.goal));
                undoing.unwrap_or_else(|| Aim::to_what_worked(station, record))
            }
        }
    }

    fn there(station: &Station, record: &Record) -> Aim {
        let start = known(&station.keybook, record);
        let wanted = |id: SettingId| station.wanted(id).map(|wanted| wanted.value.clone());
        let goal = station.keybook.ids().map(|id| wanted(id).or_else(|| start[id.index()].clone())).collect();
        Aim { failed: failed(record), start, goal, back: None, renewed: Vec::new() }
    }

    /// The same with known settings keyed again.
    pub(super) fn renewing(station: &Station, record: &Record, renewed: &[SettingId]) -> Aim {
        let mut aim = Aim::there(station, record);
        renewed.iter().for_each(|id| aim.start[id.index()] = None);
        Aim { renewed: renewed.to_vec(), ..aim }
    }

    /// From the end of a script to what was known before it.
    fn undoing(station: &Station, record: &Record, script: &HandedOut) -> Aim {
        let keybook = &station.keybook;
        let mut start = known(keybook, record);
        for (id, to) in &script.leads_to {
            start[id.index()] = to.clone();
        }
        let before = keybook.ids().map(|id| record.known(id).or(record.earlier.before_visit(id)));
        let goal = before.zip(&start).map(|(before, end)| before.or(end.as_ref()).cloned()).collect();
        Aim {
            failed: vec![false; keybook.lifelines.len()],
            start,
            goal,
            back: Some(Back::AfterScript),
            renewed: Vec::new(),
        }
    }

    /// From what is held to what each lifeline held when a test call of it last reached help; other settings, and those of
    /// lifelines that never did, to what was held before the last script. Where a button would call nobody then, to what was
    /// held before that script alone.
    fn to_what_worked(station: &Station, record: &Record) -> Aim {
        let all = (0..station.keybook.lifelines.len()).filter_map(|at| record.earlier.worked(at));
        let aim = Aim::to_earlier(station, record, all.collect());
        if !calls_nobody(station, &aim.goal) {
            return aim;
        }
        let before_script = Aim::to_earlier(station, record, Vec::new());
        if calls_nobody(station, &before_script.goal) { aim } else { before_script }
    }

    /// From what is held to what worked, and of the rest to what was held before the last script.
    fn to_earlier(station: &Station, record: &Record, mut worked: Vec<&Worked>) -> Aim {
        let keybook = &station.keybook;
        let start = known(keybook, record);
        worked.sort_by_key(|worked| worked.mark);
        let mut goal: Vec<Option<&Value>> = keybook.ids().map(|id| record.earlier.before_script(id)).collect();
        let held = || worked.iter().flat_map(|worked| &worked.held);
        held().for_each(|(id, _)| goal[id.index()] = None);
        for (id, value) in held() {
            goal[id.index()] = value.as_ref().or(goal[id.index()]);
        }
        let goal = goal.into_iter().zip(&start).map(|(goal, held)| goal.cloned().or_else(|| held.clone())).collect();
        Aim { failed: failed(record), start, goal, back: Some(Back::AfterReport), renewed: Vec::new() }
    }
}

fn known(keybook: &Keybook, record: &Record) -> Vec<Option<Value>> {
    keybook.ids().map(|id| record.known(id).cloned()).collect()
}

fn failed(record: &Record) -> Vec<bool> {
    record.lifelines.iter().map(is_failed).collect()
}

fn is_failed(proof: &Proof) -> bool {
    matches!(proof.last, Some((Outcome::Failed, _)))
}

/// Whether a required lifeline is dead in a state.
fn calls_nobody(station: &Station, state: &[Option<Value>]) -> bool {
    station.lifelines().any(|(_, lifeline)| lifeline.is_required() && lifeline.is_dead(|id| state[id.index()].as_ref()))
}

/// Whether the last test call of a lifeline failed.
pub fn has_failed(station: &Station, record: &Record) -> bool {
    station.lifelines().any(|(at, _)| is_failed(&record.lifelines[at]))
}

/// Why a way back keys nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoWayBack {
    /// It holds what last worked.
    HoldsWhatWorked,
    /// No test call reached help, and it holds what it held before the last script.
    HoldsWhatItHeld,
    /// No report says what it held before.
    NobodyKnows,
}

/// Why a way back keys nothing, where it does; of a button whose last test call failed, if any did.
pub fn no_way_back(station: &Station, record: &Record) -> NoWayBack {
    let has_failed = has_failed(station, record);
    let mut asked = station.lifelines().filter(|(at, _)| !has_failed || is_failed(&record.lifelines[*at]));
    match asked.any(|(at, _)| record.earlier.worked(at).is_some()) {
        true => NoWayBack::HoldsWhatWorked,
        false if record.earlier.knows_script() => NoWayBack::HoldsWhatItHeld,
        false => NoWayBack::NobodyKnows,
    }
}

/// The script issued last, where it keys something and no report came since; ways back aside.
fn handed_out(record: &Record) -> Option<&HandedOut> {
    let is_open = |script: &&HandedOut| record.answered.is_none_or(|answered| script.at > answered.at);
    let keyed = record.handed_out.iter().filter(|script| !script.is_back && !script.leads_to.is_empty());
    keyed.filter(is_open).max_by_key(|script| script.at)
}

/// Lifelines that a way back leaves otherwise than wanted, and that no test call on record reached help by in that very
/// state.
pub(super) fn untried(station: &Station, record: &Record, aim: &Aim) -> Vec<Name> {
    let ends = |id: SettingId, value: &Value| aim.goal[id.index()].as_ref().is_some_and(|goal| goal.agrees(value));
    let differs = |id: &SettingId| station.wanted(*id).is_some_and(|wanted| !ends(*id, &wanted.value));
    let is_tested = |worked: &Worked| {
        let mut held = worked.held.iter();
        held.all(|(id, value)| value.as_ref().is_some_and(|value| ends(*id, value)))
    };
    let untried = station.lifelines().filter(|(at, lifeline)| {
        let is_changed = lifeline.is_required() && lifeline.settings.iter().any(differs);
        is_changed && !record.earlier.worked(*at).is_some_and(is_tested)
    });
    untried.map(|(_, lifeline)| lifeline.name.clone()).collect()
}
