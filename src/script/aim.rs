//! What a script starts from and what it leads to, whichever way: there, or back. It decides no step.
//!
//! The way back of a script of which no report came leads from where that script ends to what was known before it. Once a
//! report came, or a test call failed, or where a button called nobody before it, it leads from what is held now to what
//! last worked; never to what a test call failed with since.

use crate::inventory::Station;
use crate::keybook::{Keybook, Lifeline, SettingId};
use crate::ledger::{HandedOut, Outcome, Proof, Record, Worked, same};
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
                let is_fit = |aim: &Aim| {
                    !calls_nobody(station, &aim.goal) && !leads_astray(station, record, &aim.start, &aim.goal)
                };
                let undoing = undoing.filter(is_fit);
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
    /// lifelines that never did, or failed with that since, to what was held before the last script with which none failed.
    /// Where a button would call nobody then, to what was held before that script alone.
    fn to_what_worked(station: &Station, record: &Record) -> Aim {
        let all = (0..station.keybook.lifelines.len()).filter_map(|at| still_works(record, at));
        let aim = Aim::to_earlier(station, record, all.collect());
        if !calls_nobody(station, &aim.goal) {
            return aim;
        }
        let before_script = Aim::to_earlier(station, record, Vec::new());
        if calls_nobody(station, &before_script.goal) { aim } else { before_script }
    }

    /// From what is held to what worked, and of the rest to what was held before the last script of which that holds: no test
    /// call failed with it.
    fn to_earlier(station: &Station, record: &Record, mut worked: Vec<&Worked>) -> Aim {
        let start = known(&station.keybook, record);
        worked.sort_by_key(|worked| worked.mark);
        let held = || worked.iter().flat_map(|worked| &worked.held);
        let with = |before: &[Option<Value>]| {
            let mut goal: Vec<Option<&Value>> = before.iter().map(Option::as_ref).collect();
            held().for_each(|(id, _)| goal[id.index()] = None);
            for (id, value) in held() {
                goal[id.index()] = value.as_ref().or(goal[id.index()]);
            }
            let goal = goal.into_iter().zip(&start).map(|(goal, held)| goal.cloned().or_else(|| held.clone()));
            goal.collect::<Vec<_>>()
        };
        let before: Vec<_> = record.earlier.before_scripts().map(|held| with(held)).collect();
        let fit = before.into_iter().filter(|goal| !leads_astray(station, record, &start, goal));
        let mut best = None;
        // Best is what no button failed with; else what at least changes something for one.
        for goal in fit {
            let has_failed = station.lifelines().any(|(at, _)| failed_with(record, at, &goal));
            let is_changed = station.lifelines().any(|(_, lifeline)| changes(lifeline, &start, &goal));
            match has_failed {
                false => {
                    best = Some(goal);
                    break;
                }
                true if is_changed && best.is_none() => best = Some(goal),
                true => {}
            }
        }
        let goal = best.unwrap_or_else(|| with(&vec![None; start.len()]));
        Aim { failed: failed(record), start, goal, back: Some(Back::AfterReport), renewed: Vec::new() }
    }
}

/// What a lifeline held when a test call of it last reached help, where none failed with that since.
fn still_works(record: &Record, at: usize) -> Option<&Worked> {
    record.earlier.worked(at).filter(|worked| {
        let of = |id: SettingId| worked.held.iter().find(|(of, _)| *of == id)?.1.as_ref();
        !record.earlier.has_failed(at, of)
    })
}

/// Whether a test call of a lifeline failed with what it holds in a state, and none reached help with that since.
fn failed_with(record: &Record, lifeline: usize, state: &[Option<Value>]) -> bool {
    record.earlier.has_failed(lifeline, |id| state[id.index()].as_ref())
}

/// Whether a lifeline is otherwise in the one state than in the other.
fn changes(lifeline: &Lifeline, start: &[Option<Value>], goal: &[Option<Value>]) -> bool {
    let mut settings = lifeline.settings.iter();
    settings.any(|id| !same(start[id.index()].as_ref(), goal[id.index()].as_ref()))
}

/// Whether a lifeline is changed to what a test call of it failed with.
fn leads_astray(station: &Station, record: &Record, start: &[Option<Value>], goal: &[Option<Value>]) -> bool {
    let mut all = station.lifelines();
    all.any(|(at, lifeline)| changes(lifeline, start, goal) && failed_with(record, at, goal))
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
    /// A test call failed with all that it held before.
    AllFailed,
    /// No report says what it held before.
    NobodyKnows,
}

/// Why a way back keys nothing, where it does; of a button whose last test call failed, if any did.
pub fn no_way_back(station: &Station, record: &Record) -> NoWayBack {
    let has_failed = has_failed(station, record);
    let asked = station.lifelines().filter(|(at, _)| !has_failed || is_failed(&record.lifelines[*at]));
    let worked: Vec<&Worked> = asked.filter_map(|(at, _)| record.earlier.worked(at)).collect();
    let holds = |id: SettingId, value: Option<&Value>| value.is_none_or(|value| same(Some(value), record.known(id)));
    let holds_it = |worked: &&Worked| worked.held.iter().all(|(id, value)| holds(*id, value.as_ref()));
    // Nothing was known before a first script.
    let before = record.earlier.before_scripts().find(|held| held.iter().any(Option::is_some));
    match before {
        _ if worked.iter().any(holds_it) => NoWayBack::HoldsWhatWorked,
        Some(held) if station.keybook.ids().all(|id| holds(id, held[id.index()].as_ref())) => {
            NoWayBack::HoldsWhatItHeld
        }
        Some(_) => NoWayBack::AllFailed,
        None if !worked.is_empty() => NoWayBack::AllFailed,
        None => NoWayBack::NobodyKnows,
    }
}

/// Whether keying what is wanted changes something, and no button to what a test call failed with.
pub fn leads_on(station: &Station, record: &Record) -> bool {
    let Aim { start, goal, .. } = Aim::there(station, record);
    let is_other = start.iter().zip(&goal).any(|(start, goal)| !same(start.as_ref(), goal.as_ref()));
    is_other && !leads_astray(station, record, &start, &goal)
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
