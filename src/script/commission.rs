//! Whether a new unit of its model could be brought to what is wanted of each station: asked before anything is keyed, so
//! that no wish is committed that no script can reach.
//!
//! A new unit holds its factory values, as far as the keybook knows them. What a station holds today is the ledger's
//! business, not this one's.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use super::aim::Aim;
use super::choose::best;
use super::memory::Memory;
use super::no_script::{NoScript, Rule, Stuck};
use super::task::{Task, constants};
use crate::drift::value_text;
use crate::finding::{Code, Finding, Place, plural};
use crate::inventory::{Inventory, Station, Wanted};
use crate::setting::{Codes, Name, Value};

/// One warning for each line that wants what no script can bring a new unit to.
pub fn unkeyable(inventory: &Inventory, codes: &Codes) -> Vec<Finding> {
    let (mut shapes, mut memory) = (Shapes::default(), Memory::for_a_fleet());
    let mut judged: HashMap<(Name, Vec<u8>), Vec<Stuck>> = HashMap::new();
    let mut hitches: BTreeMap<Hitch, Vec<&Name>> = BTreeMap::new();
    for station in inventory.stations.values() {
        let key = (station.keybook.model.clone(), shapes.of(station));
        for stuck in judged.entry(key).or_insert_with(|| judge(station, codes, &mut memory)) {
            if let Some(hitch) = Hitch::of(station, stuck) {
                hitches.entry(hitch).or_default().push(&station.name);
            }
        }
    }
    hitches.into_iter().map(|(hitch, stations)| hitch.finding(&stations)).collect()
}

/// The wishes for a station that no script brings a new unit to. What the search does not tell is not judged, and neither
/// is what is left once all searches together took too long.
fn judge(station: &Station, codes: &Codes, memory: &mut Memory) -> Vec<Stuck> {
    let task = Task::new(station, &as_new(station), codes);
    match best(station, &task, memory) {
        Err(NoScript::Unreachable(stuck)) => stuck,
        Ok(_) | Err(_) => Vec::new(),
    }
}

/// Stations of a model whose wishes have one shape are brought to them by the same commands: whether a value is the
/// factory's, or one that the keybook names, is all that a station asks of it.
#[derive(Default)]
struct Shapes(HashMap<Name, Vec<Vec<Value>>>);

impl Shapes {
    fn of(&mut self, station: &Station) -> Vec<u8> {
        let keybook = &station.keybook;
        let named = self.0.entry(keybook.model.clone()).or_insert_with(|| {
            let named = |id| keybook.setting(id).factory.iter().chain(constants(keybook, id)).cloned().collect();
            keybook.ids().map(named).collect()
        });
        let shape = |(wanted, named): (&Option<Arc<Wanted>>, &Vec<Value>)| match wanted {
            None => 0,
            Some(wanted) => {
                let at = named.iter().position(|named| named.agrees(&wanted.value));
                at.and_then(|at| u8::try_from(at + 2).ok()).unwrap_or(1)
            }
        };
        station.wanted.iter().zip(&*named).map(shape).collect()
    }
}

/// A new unit, and what is wanted of it; nothing else of it matters.
fn as_new(station: &Station) -> Aim {
    let keybook = &station.keybook;
    let start: Vec<Option<Value>> = keybook.settings.iter().map(|setting| setting.factory.clone()).collect();
    let wanted = |at: usize| station.wanted[at].as_ref().map(|wanted| wanted.value.clone());
    let goal = (0..start.len()).map(|at| wanted(at).or_else(|| start[at].clone())).collect();
    Aim { start, goal, failed: vec![false; keybook.lifelines.len()], back: None, renewed: Vec::new() }
}

/// A wish that no script reaches, told once for all stations that it stops in the same way.
#[derive(Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Hitch {
    place: Place,
    model: Name,
    setting: Name,
    value: String,
    rules: Vec<Rule>,
}

impl Hitch {
    /// Only what would be so whatever someone reports: what is stopped for want of knowledge is no fault of the files.
    fn of(station: &Station, stuck: &Stuck) -> Option<Hitch> {
        let wanted = station.wanted(station.keybook.id(&stuck.setting)?)?;
        let rules = stuck.rules.iter().filter(|rule| !rule.is_for_want_of_knowledge());
        let rules: Vec<Rule> = rules.cloned().collect();
        let (model, setting) = (station.keybook.model.clone(), stuck.setting.clone());
        let (place, value) = (wanted.place.clone(), value_text(&wanted.value));
        (!rules.is_empty()).then_some(Hitch { place, model, setting, value, rules })
    }

    fn finding(self, stations: &[&Name]) -> Finding {
        let Hitch { place, model, setting, value, rules } = self;
        let first = stations.first().map_or("", |name| name);
        let whom = match stations.len() {
            1 => first.to_owned(),
            count => format!("{} such as {first}", plural(count as u64, "station")),
        };
        let why: Vec<String> = rules.iter().map(Rule::to_string).collect();
        let message =
            format!("A new {model} cannot be brought to {setting} {value}, wanted at {whom}: {}.", why.join("; "));
        let fix = rules.first().map_or(String::new(), Rule::fix);
        Finding::new(Code::Unkeyable, place, message, fix)
    }
}
