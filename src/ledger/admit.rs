//! Whether a report may enter the ledger: what only shows beside the inventory, the scripts and the clock.

use std::collections::BTreeSet;

use jiff::{SignedDuration, Timestamp};

use super::issued::Issued;
use super::report::{Places, Report};
use crate::finding::{Code, Finding, did_you_mean};
use crate::inventory::{Inventory, Station};
use crate::setting::{Codes, Name, Written};

/// How far a sender's clock may be ahead.
pub const AHEAD: SignedDuration = SignedDuration::from_mins(5);

/// How much of a report is judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scrutiny {
    /// All of it.
    Whole,
    /// One that was taken before, by this or another ledger: its station, settings and contacts may be gone by now.
    Restored,
}

/// Everything that speaks against a report; nothing where it may be taken.
///
/// `script` is the issued script that the report names, if there is one of that digest.
pub fn admit(
    report: &Report,
    places: &Places,
    inventory: &Inventory,
    script: Option<&Issued>,
    codes: &Codes,
    now: Timestamp,
    scrutiny: Scrutiny,
) -> Vec<Finding> {
    let mut desk = Desk { report, places, findings: Vec::new() };
    if report.at > now + AHEAD {
        let message = format!("The report is dated {}, and it is only {now:.0}.", report.at);
        desk.reject(Code::ReportTime, "at", message, "Set the clock of the sender right.");
    }
    desk.steps(script);
    match inventory.stations.get(&report.station) {
        _ if scrutiny == Scrutiny::Restored => {}
        Some(station) => desk.station(station, inventory, codes),
        None => {
            let fix = did_you_mean(&report.station, inventory.stations.keys().map(|name| &**name));
            desk.reject(Code::NameUnknown, "station", format!("No station is called `{}`.", report.station), fix);
        }
    }
    crate::finding::settle(&mut desk.findings);
    desk.findings
}

struct Desk<'a> {
    report: &'a Report,
    places: &'a Places,
    findings: Vec<Finding>,
}

impl Desk<'_> {
    fn reject(&mut self, code: Code, path: &str, message: String, fix: impl Into<String>) {
        self.findings.push(Finding::new(code, self.places.of(path), message, fix));
    }

    fn steps(&mut self, script: Option<&Issued>) {
        let report = self.report;
        let Some(digest) = &report.script else {
            if !report.steps.is_empty() {
                let fix = "Name the script that was keyed, or put what was keyed without one under `left`.";
                self.reject(Code::ReportScript, "steps", "There are steps, but no `script`.".into(), fix);
            }
            return;
        };
        let Some(script) = script else {
            let fix = "Copy the digest from the head of the script that was keyed.";
            return self.reject(Code::ReportScript, "script", format!("No script {digest} was ever issued."), fix);
        };
        if script.station != report.station {
            let message = format!("The script {digest} was issued for {}, not for {}.", script.station, report.station);
            self.reject(
                Code::ReportScript,
                "script",
                message,
                "Name the script of this station, or report on the other.",
            );
        }
        let mut seen = BTreeSet::new();
        for (nth, (number, _)) in report.steps.iter().enumerate() {
            let path = format!("steps.{nth}");
            if script.step(*number).is_none() {
                let message = format!("The script {digest} has no step {number}.");
                self.reject(Code::ReportScript, &path, message, format!("It has {} steps.", script.steps.len()));
            }
            if !seen.insert(number) {
                let message = format!("Step {number} is reported twice.");
                self.reject(Code::ReportScript, &path, message, "Report what was heard last.");
            }
        }
    }

    fn station(&mut self, station: &Station, inventory: &Inventory, codes: &Codes) {
        let report = self.report;
        for (part, values) in [("found", &report.found), ("left", &report.left)] {
            for (name, written) in values {
                self.value(part, name, written, station, codes);
            }
        }
        let keybook = &station.keybook;
        for (nth, test) in report.tests.iter().enumerate() {
            let path = format!("tests.{nth}");
            if !keybook.lifelines.iter().any(|lifeline| lifeline.name == test.lifeline) {
                let fix = did_you_mean(&test.lifeline, keybook.lifelines.iter().map(|l| &*l.name));
                let message = format!("A {} has no lifeline `{}`.", keybook.model, test.lifeline);
                self.reject(Code::NameUnknown, &path, message, fix);
            }
            let Some(contact) = &test.contact else { continue };
            if !inventory.contacts.contains_key(contact) {
                let fix = did_you_mean(contact, inventory.contacts.keys().map(|name| &**name));
                self.reject(Code::NameUnknown, &path, format!("No contact is called `{contact}`."), fix);
            }
        }
    }

    fn value(&mut self, part: &str, name: &Name, written: &Written, station: &Station, codes: &Codes) {
        let keybook = &station.keybook;
        let path = format!("{part}.{name}");
        let Some(id) = keybook.id(name) else {
            let fix = did_you_mean(name, keybook.settings.iter().map(|setting| &*setting.name));
            return self.reject(Code::NameUnknown, &path, format!("A {} has no setting `{name}`.", keybook.model), fix);
        };
        if let Err(unfit) = keybook.setting(id).kind.value(written, |reference| codes.seal(reference)) {
            self.reject(unfit.code, &path, format!("`{name}` on a {} {}", keybook.model, unfit.why), unfit.fix);
        }
    }
}
