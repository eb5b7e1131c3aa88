//! What reports of one station and time say against each other. Nobody knows which of them came first: the fold goes by their ids,
//! so that chance would decide which one counts.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::issued::Issued;
use super::report::{Heard, Places, Report};
use crate::finding::{Code, Finding, Place, plural};
use crate::inventory::{Inventory, Station};
use crate::keybook::Keybook;
use crate::setting::{Name, Secret, Written};

/// So many cells of a sheet are named that say otherwise than another one.
const MOST: usize = 40;

/// What a report leaves a station at.
#[derive(Debug, Clone, Default)]
pub struct Leaves {
    /// Whether everything else is at factory then.
    is_reset: bool,
    values: BTreeMap<Name, Written>,
}

impl Leaves {
    /// What a report leaves, whose script, if it names one, was issued so.
    pub fn of(report: &Report, script: Option<&Issued>) -> Leaves {
        let mut values = report.found.clone();
        let accepted = report.steps.iter().filter(|(_, heard)| *heard == Heard::Accepted);
        for step in accepted.filter_map(|(step, _)| script?.step(*step)) {
            for (name, effect) in &step.effects {
                match effect {
                    Some((written, _)) => drop(values.insert(name.clone(), written.clone())),
                    None => drop(values.remove(name)),
                }
            }
        }
        values.extend(report.left.iter().map(|(name, written)| (name.clone(), written.clone())));
        Leaves { is_reset: report.unit.is_some(), values }
    }

    /// What it says of settings that the station has; of another one nobody knows whether it is a code.
    fn known<'l>(&'l self, station: &'l Station) -> impl Iterator<Item = (&'l Name, &'l Written)> {
        self.values.iter().filter(|(name, _)| station.keybook.id(name).is_some())
    }

    /// Whether which of the two came first decides what is at factory.
    fn is_reset_apart(&self, other: &Leaves) -> bool {
        (self.is_reset || other.is_reset) && (self.is_reset, &self.values) != (other.is_reset, &other.values)
    }
}

/// What speaks against a row of a sheet beside a report on record of the same station and time; nothing where both may count.
pub fn beside_record(
    row: &Report,
    places: &Places,
    other: &Report,
    leaves: &Leaves,
    station: &Station,
) -> Vec<Finding> {
    let (mine, id) = (Leaves::of(row, None), other.id);
    let fix = format!(
        "If the row is newer, write its time with its offset. If the report on record is wrong, correct it: send a report file \
         with the line corrects: {id}"
    );
    let mut findings = Vec::new();
    for (name, written) in mine.known(station) {
        let Some(said) = leaves.values.get(name).filter(|said| !is_same(&station.keybook, name, written, said)) else {
            continue;
        };
        let message = format!("\"{name}\" is {written} here, and {said} in a report on record of the same time.");
        findings.push(Finding::new(Code::ReportConflict, places.of(&format!("left.{name}")), message, &*fix));
    }
    if findings.is_empty() && mine.is_reset_apart(leaves) {
        let message =
            format!("This row and the report {id} are of the same time, and one of them says that the unit was reset.");
        findings.push(Finding::new(Code::ReportConflict, places.of("unit"), message, fix));
    }
    findings
}

/// Whether two values of a setting are the same to its keybook. One that lies outside its kind is no value: that is said elsewhere.
fn is_same(keybook: &Keybook, name: &str, one: &Written, other: &Written) -> bool {
    // Codes are compared by their references: what a row names is not looked up here.
    let seal = |reference: &_| Secret { reference: Clone::clone(reference), fingerprint: None };
    let value = |written| keybook.setting(keybook.id(name)?).kind.value(written, seal).ok();
    value(one).zip(value(other)).is_none_or(|(one, other)| one == other)
}

/// What the rows of a sheet say that were read so far, by station and time.
#[derive(Debug, Default)]
pub(super) struct RowsApart {
    rows: BTreeMap<(Name, Timestamp), Rows>,
    findings: Vec<Finding>,
    more: u64,
}

/// The rows of one station and time: what the first of them leaves, and who says first what of each setting.
#[derive(Debug)]
struct Rows {
    line: u32,
    start: Place,
    first: Leaves,
    is_told: bool,
    values: BTreeMap<Name, Said>,
}

#[derive(Debug)]
struct Said {
    written: Written,
    line: u32,
    place: Place,
    is_told: bool,
}

impl RowsApart {
    /// Holds a row against those before it.
    pub fn add(&mut self, line: u32, row: &Report, places: &Places, inventory: &Inventory) {
        // A station that nobody knows is said elsewhere.
        let Some(station) = inventory.called(&row.station) else { return };
        let leaves = Leaves::of(row, None);
        let key = (station.name.clone(), row.at);
        let start = places.of("unit");
        let rows = self.rows.entry(key).or_insert_with(|| Rows {
            line,
            start: start.clone(),
            first: leaves.clone(),
            is_told: false,
            values: BTreeMap::new(),
        });
        let mut apart: Vec<(Place, String)> = Vec::new();
        for (name, written) in leaves.known(station) {
            let place = places.of(&format!("left.{name}"));
            let Some(said) = rows.values.get_mut(name) else {
                let written = written.clone();
                rows.values.insert(name.clone(), Said { written, line, place, is_told: false });
                continue;
            };
            if is_same(&station.keybook, name, written, &said.written) {
                continue;
            }
            let other = |other: u32, written: &Written| {
                format!("Line {other} says {written} for \"{name}\", of the same station and time.")
            };
            if !std::mem::replace(&mut said.is_told, true) {
                apart.push((said.place.clone(), other(line, written)));
            }
            apart.push((place, other(said.line, &said.written)));
        }
        if apart.is_empty() && rows.first.is_reset_apart(&leaves) {
            let other = |other: u32| {
                format!(
                    "This row and line {other} are of the same station and time, and one says that the unit was reset."
                )
            };
            if !std::mem::replace(&mut rows.is_told, true) {
                apart.push((rows.start.clone(), other(line)));
            }
            apart.push((start, other(rows.line)));
        }
        self.note(apart);
    }

    fn note(&mut self, apart: Vec<(Place, String)>) {
        for (place, message) in apart {
            if self.findings.len() == MOST {
                self.more += 1;
                continue;
            }
            let fix = "Delete the row that is wrong, or write the time of each with its offset.";
            self.findings.push(Finding::new(Code::ReportConflict, place, message, fix));
        }
    }

    /// What was said against each other.
    pub fn findings(mut self) -> Vec<Finding> {
        if let (true, Some(last)) = (self.more > 0, self.findings.last()) {
            let message =
                format!("{} of this sheet say otherwise than another row.", plural(self.more, "further cell"));
            let place = Place::start_of(&last.place.file);
            let fix = "Correct those that are named, then try again.";
            self.findings.push(Finding::new(Code::ReportConflict, place, message, fix));
        }
        crate::finding::settle(&mut self.findings);
        self.findings
    }
}
