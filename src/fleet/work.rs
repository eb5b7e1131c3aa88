//! What the stations of a message need next. A message may tell of as many as the fleet has, so they are worked out side
//! by side, and each once.

use std::cell::RefCell;
use std::collections::BTreeMap;

use super::issue::is_always_let_go;
use super::rows::{KeyingWork, Row};
use super::side_by_side::side_by_side;
use super::view::View;
use crate::alert::Next;
use crate::brake::{Altered, Change, Held};
use crate::drift::{Drift, LifelineService, Service, StationDrift};
use crate::ledger::Digest;
use crate::script::{self, Memory, Way};
use crate::setting::Name;

/// So few are not worth another thread.
const FEW: usize = 1_000;

impl View {
    /// Says what stations that drift need next; worked out when asked, and once.
    pub fn foresee(&self) -> impl Fn(&[&Name]) -> Vec<Next> {
        let known: RefCell<BTreeMap<Name, Next>> = RefCell::default();
        move |names| {
            let mut known = known.borrow_mut();
            let new: Vec<&Name> = names.iter().copied().filter(|name| !known.contains_key(*name)).collect();
            let next = side_by_side(&new, FEW, |some| {
                let mut memory = Memory::for_a_fleet();
                some.iter().map(|name| self.next_of(name, &mut memory)).collect()
            });
            known.extend(new.into_iter().cloned().zip(next));
            names.iter().map(|name| known[*name].clone()).collect()
        }
    }

    /// The digest of the script that a station would be given now, unless finding out would take too long.
    pub fn script_digest(&self, name: &Name, memory: &mut Memory) -> Option<Digest> {
        let row = self.row(name)?;
        let record = row.record();
        let codes = self.codes_for(row, &record);
        // A search that may spend less could end in another script than the one that is given.
        memory.is_generous().then(|| script::digest(&self.request(row, &record, &codes), memory).ok()?)?
    }

    /// Whether there is a way back for a station; nobody is told of one where finding out would take too long.
    pub fn has_way_back(&self, name: &Name, memory: &mut Memory) -> bool {
        let Some(row) = self.row(name).filter(|_| memory.is_generous()) else { return false };
        let record = row.record();
        let codes = self.codes_for(row, &record);
        script::write(&self.request(row, &record, &codes), Way::Back, memory)
            .is_ok_and(|script| script.is_some_and(|script| !script.calls.is_empty()))
    }

    /// What can be done at a station with a button that calls nobody while its script is held: neither the way back nor a repair
    /// waits for a release.
    pub fn until_released(&self, row: &Row, memory: &mut Memory) -> Option<String> {
        let name = &row.station.name;
        let is_silent = |lifeline: &&LifelineService| lifeline.is_required && lifeline.service.calls_nobody();
        if row.drift.lifelines.iter().any(|lifeline| is_silent(&lifeline)) && self.has_way_back(name, memory) {
            return Some(format!("to go back to what last worked, run \"stationkeep script {name} --back\""));
        }
        let failed = row.drift.lifelines.iter().filter(is_silent).filter(|one| one.service == Service::Failed);
        let failed: Vec<&str> = failed.map(|lifeline| &*lifeline.title).collect();
        let tested = failed.join(" and of ");
        (!failed.is_empty())
            .then(|| format!("check the line and the unit, make a test call of {tested}, and report it"))
    }

    fn next_of(&self, name: &Name, memory: &mut Memory) -> Next {
        let Some(row) = self.row(name) else { return Next::Test };
        // Two must not key one station at a time.
        if let Some(begun) = row.drift.begun.iter().find(|begun| !begun.is_silent) {
            return Next::Await(begun.by.clone());
        }
        let to_repair = row.drift.lifelines.iter().any(|one| one.service == Service::Failed);
        match self.keying_work(row, memory) {
            KeyingWork::Work(_) if script::is_to_repair(&row.station, &row.drift) => Next::Repair,
            KeyingWork::Work(_) if let Some(change) = self.holding(row, memory) => {
                Next::Held { release: change.release(), to_repair: has_failed(&row.drift) }
            }
            KeyingWork::Work(work) => Next::Key(work),
            KeyingWork::Nothing if to_repair => Next::Repair,
            KeyingWork::Nothing => script::Undecided::of(&row.station, &row.record()).map_or(Next::Test, Next::Decide),
            KeyingWork::NoScript => Next::NoScript,
        }
    }

    /// What keying the script of a station would take. It is asked for several times a pass, and worked out once.
    fn keying_work(&self, row: &Row, memory: &mut Memory) -> KeyingWork {
        row.keying.get().copied().unwrap_or_else(|| {
            let (is_sure, record) = (memory.is_generous(), row.record());
            let keying = match script::reckon(&row.station, &record, &self.codes_for(row, &record), memory) {
                Ok(Some(work)) => KeyingWork::Work(work),
                Ok(None) => KeyingWork::Nothing,
                Err(_) => KeyingWork::NoScript,
            };
            if is_sure {
                // Whoever else was quicker found the same.
                let _ = row.keying.set(keying);
            }
            keying
        })
    }

    /// The change that is held, with the number of scripts that wait for it: the one count that all texts show.
    pub fn held(&self) -> Option<Held> {
        let change = self.change.clone()?;
        let scripts = *self.waiting.get_or_init(|| {
            let rows: Vec<&Row> = change.stations.iter().filter_map(|name| self.row(name)).collect();
            let waits = side_by_side(&rows, FEW, |some| {
                let mut memory = Memory::for_a_fleet();
                some.iter().map(|row| self.holding(row, &mut memory).is_some()).collect()
            });
            waits.into_iter().filter(|waits| *waits).count()
        });
        Some(Held { change, scripts })
    }

    /// The change that the script of a station waits for: the same answer that whoever asks for the script gets.
    fn holding(&self, row: &Row, memory: &mut Memory) -> Option<&Change> {
        let change = self.change.as_deref().filter(|change| change.stations.contains(&row.station.name))?;
        let known = row.leads_on.get().copied();
        let leads_on = known.unwrap_or_else(|| {
            let is_sure = memory.is_generous();
            let leads_on = self.leads_on(row, memory);
            if is_sure {
                // Whoever else was quicker found the same.
                let _ = row.leads_on.set(leads_on);
            }
            leads_on
        });
        leads_on.then_some(change)
    }

    /// Whether a station has a script that the brake may hold.
    fn leads_on(&self, row: &Row, memory: &mut Memory) -> bool {
        // A setting that is altered and not as wanted is keyed by whatever script there is; where a card was begun, perhaps
        // to where that leads.
        let drifts = |altered: &Altered| {
            row.drift.settings.iter().any(|one| one.name == altered.setting && one.drift != Drift::Overdue)
        };
        let is_sure = row.drift.begun.is_empty();
        if is_sure && row.alteration.iter().any(|alteration| alteration.wanted.iter().any(drifts)) {
            return matches!(self.keying_work(row, memory), KeyingWork::Work(_));
        }
        let record = row.record();
        let codes = self.codes_for(row, &record);
        let script = script::write(&self.request(row, &record, &codes), Way::There, memory).ok().flatten();
        script.is_some_and(|script| !is_always_let_go(&script, &row.written, &record))
    }
}

fn has_failed(drift: &StationDrift) -> bool {
    drift.lifelines.iter().any(|lifeline| lifeline.is_required && lifeline.service == Service::Failed)
}
