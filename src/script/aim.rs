//! What a script starts from and what it leads to, whichever way: there, or back. It decides no step.

use crate::inventory::Station;
use crate::keybook::SettingId;
use crate::ledger::{Outcome, Proof, Record};
use crate::setting::{Name, Value};

/// Which way a script leads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// From what the station holds to what is wanted.
    There,
    /// From what is wanted to what the station held, as far as that was known.
    Back,
}

/// What a station holds and what it should hold; one entry for each of the keybook's settings.
#[derive(Debug, Clone)]
pub struct Aim {
    /// `None` is unknown; in doubt counts as unknown.
    pub start: Vec<Option<Value>>,
    /// `None` where a setting is neither wanted nor known: it may not be touched.
    pub goal: Vec<Option<Value>>,
    /// Lifelines whose last test failed, by place in the keybook: as they are, they summon nobody.
    pub failed: Vec<bool>,
}

impl Aim {
    /// Start and goal of a station's script.
    pub(super) fn of(station: &Station, record: &Record, way: Way) -> Aim {
        let keybook = &station.keybook;
        let start: Vec<Option<Value>> = keybook.ids().map(|id| record.known(id).cloned()).collect();
        let wanted = |id: SettingId| station.wanted(id).map(|wanted| wanted.value.clone());
        let goal: Vec<Option<Value>> =
            keybook.ids().map(|id| wanted(id).or_else(|| start[id.index()].clone())).collect();
        match way {
            Way::There => {
                let failed = record.lifelines.iter().map(|proof| matches!(proof.last, Some((Outcome::Failed, _))));
                Aim { failed: failed.collect(), start, goal }
            }
            Way::Back => {
                let back =
                    start.iter().zip(&goal).map(|(start, goal)| start.clone().or_else(|| goal.clone())).collect();
                Aim { start: goal, goal: back, failed: vec![false; keybook.lifelines.len()] }
            }
        }
    }
}

/// Lifelines that a way back leaves otherwise than wanted, and that no test call on record reached help by in that very
/// state: the state on record, where all of it is known.
pub(super) fn untried(station: &Station, record: &Record, aim: &Aim) -> Vec<Name> {
    let differs = |id: &SettingId| {
        let goal = &aim.goal[id.index()];
        station.wanted(*id).is_some_and(|wanted| !goal.as_ref().is_some_and(|goal| goal.agrees(&wanted.value)))
    };
    let is_tested = |proof: &Proof| proof.reached.is_some() && matches!(proof.last, Some((Outcome::Reached, _)));
    let lifelines = station.keybook.lifelines.iter().zip(&record.lifelines);
    let untried = lifelines.filter(|(lifeline, proof)| {
        let is_on_record = lifeline.settings.iter().all(|id| record.known(*id).is_some());
        lifeline.is_required() && lifeline.settings.iter().any(differs) && !(is_on_record && is_tested(proof))
    });
    untried.map(|(lifeline, _)| lifeline.name.clone()).collect()
}
