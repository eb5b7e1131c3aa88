//! Whether a report or a visit may enter the ledger: what only shows beside the inventory, the scripts, the reports that it
//! corrects or is corrected by, and the clock.

use std::collections::BTreeSet;

use jiff::{SignedDuration, Timestamp};
use uuid::Uuid;

use super::call::{IssuedCall, calls};
use super::issued::{Digest, Issued};
use super::report::{Places, Report, WHAT_WAS_KEYED};
use super::visit::Visit;
use crate::finding::{Code, Finding, Place, did_you_mean, plural, sentence, with_article};
use crate::inventory::{Inventory, Station};
use crate::setting::{Codes, Kind, Name, Written};

/// How far a sender's clock may be ahead, or behind.
pub const AHEAD: SignedDuration = SignedDuration::from_mins(5);

/// How much of a report is judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scrutiny {
    /// All of it.
    Whole,
    /// One that was taken before, by this or another ledger: its station, settings and contacts may be gone by now.
    Restored,
}

/// What else is on record about a report that corrects another; nothing where it corrects none.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Corrected {
    /// The report that it corrects, where that is on record: its station, and what that corrects where it is a correction itself.
    pub other: Option<(Name, Option<Uuid>)>,
    /// A report of the same station that corrects this one.
    pub by: Option<Uuid>,
}

/// What reports and visits are judged by.
#[derive(Debug, Clone, Copy)]
pub struct Terms<'a> {
    /// Names of stations, settings and contacts that a new report may use.
    pub inventory: &'a Inventory,
    /// What the report's references lead to here.
    pub codes: &'a Codes,
    /// By this machine's clock: a report may be at most [`AHEAD`] of it.
    pub now: Timestamp,
    /// How much of the above counts.
    pub scrutiny: Scrutiny,
}

/// Everything that speaks against a report; nothing where it may be taken.
///
/// `script` is the issued script that the report names, if there is one of that digest.
pub fn admit(
    report: &Report,
    places: &Places,
    script: Option<&Issued>,
    corrected: &Corrected,
    terms: Terms<'_>,
) -> Vec<Finding> {
    let mut desk = Desk { places, terms, findings: Vec::new() };
    desk.time("report", report.at, script);
    if let Some(digest) = &report.script {
        desk.script(digest, &report.station, script);
    }
    desk.openings(report, script);
    desk.steps(report, script);
    desk.correction(report, corrected);
    if let Some(station) = desk.station(&report.station) {
        desk.parts(report, station);
    }
    crate::finding::settle(&mut desk.findings);
    desk.findings
}

/// Everything that speaks against the beginning of a visit; nothing where it may be recorded.
///
/// `script` is the issued script that it names, if there is one of that digest.
pub fn admit_visit(visit: &Visit, place: &Place, script: Option<&Issued>, terms: Terms<'_>) -> Vec<Finding> {
    let places = Places::all_at(place.clone());
    let mut desk = Desk { places: &places, terms, findings: Vec::new() };
    desk.time("visit", visit.at, script);
    desk.script(&visit.script, &visit.station, script);
    desk.station(&visit.station);
    crate::finding::settle(&mut desk.findings);
    desk.findings
}

/// Of several corrections of one report the last counts.
fn correct_the_first(first: Uuid) -> String {
    format!(
        "Send what is true with a new id and the line: corrects: {first}. Of several corrections the one with the latest \"at\" counts."
    )
}

/// A day counts from its beginning in UTC, and has begun earlier in the east (UTC+14 at most).
fn fix_of_a_time_ahead(at: Timestamp, now: Timestamp) -> &'static str {
    let is_day = at.as_second() % (24 * 60 * 60) == 0 && at.subsec_nanosecond() == 0;
    match is_day && at <= now + SignedDuration::from_hours(14) {
        true => "A day counts from 00:00 UTC. Write the time with its offset, such as 2026-11-20T10:14:00+13:00.",
        false => "Check the date, and the offset after the time. Then send it again.",
    }
}

struct Desk<'a> {
    places: &'a Places,
    terms: Terms<'a>,
    findings: Vec<Finding>,
}

/// How it begins that a report names a contact that is not there.
pub const NO_CONTACT: &str = "No contact is called";

impl<'a> Desk<'a> {
    fn reject(&mut self, code: Code, path: &str, message: String, fix: impl Into<String>) {
        self.findings.push(Finding::new(code, self.places.of(path), message, fix));
    }

    /// The name of a part is of nothing there is.
    fn unknown(&mut self, path: &str, message: String, word: &str, known: Vec<&str>) {
        self.findings.push(Finding::unknown(Code::NameUnknown, self.places.of_name(path), message, word, known));
    }

    /// It was made by now, and not before its script was issued.
    fn time(&mut self, what: &str, at: Timestamp, script: Option<&Issued>) {
        let now = self.terms.now;
        if at > now + AHEAD {
            let message = format!("The {what} is dated {at}, and it is only {now:.0}.");
            self.reject(Code::ReportTime, "at", message, fix_of_a_time_ahead(at, now));
        }
        // Another ledger may have issued the same script before this one did.
        let issued = script.map(|script| script.at).filter(|_| self.terms.scrutiny == Scrutiny::Whole);
        if let Some(issued) = issued.filter(|issued| at.saturating_add(AHEAD).is_ok_and(|at| at < *issued)) {
            let message = format!("The {what} is dated {at}, before its script was first issued ({issued:.0}).");
            self.reject(
                Code::ReportTime,
                "at",
                message,
                "Check the date, and the offset after the time. Then send it again.",
            );
        }
    }

    fn script(&mut self, digest: &Digest, station: &Name, script: Option<&Issued>) {
        let Some(script) = script else {
            let fix = "Copy the digest from the head of the script that was keyed.";
            return self.reject(Code::ReportScript, "script", format!("No script {digest} was ever issued."), fix);
        };
        let is_same =
            |name: &Name| self.terms.inventory.called(name).is_some_and(|one| one.names().any(|name| name == station));
        if script.station != *station && !is_same(&script.station) {
            let message = format!("The script {digest} was issued for {}, not for {station}.", script.station);
            self.reject(
                Code::ReportScript,
                "script",
                message,
                "Name the script of this station, or report on the other.",
            );
        }
    }

    fn openings(&mut self, report: &Report, script: Option<&Issued>) {
        if report.script.is_none() && !report.openings.is_empty() {
            let fix = "Name the script whose calls were opened.";
            self.reject(Code::ReportScript, "openings", "There are openings, but no \"script\".".into(), fix);
        }
        let (Some(digest), Some(script)) = (&report.script, script) else { return };
        let calls = calls(script);
        for (nth, opening) in report.openings.iter().enumerate() {
            let path = format!("openings.{nth}");
            let Some(call) = IssuedCall::find(&calls, opening.call) else {
                let message = format!("The script {digest} has no call {}.", opening.call);
                self.reject(
                    Code::ReportScript,
                    &path,
                    message,
                    format!("It has {}.", plural(calls.len() as u64, "call")),
                );
                continue;
            };
            if call.code(opening.code).is_none() {
                let message = format!("Call {} of the script {digest} has no code {}.", opening.call, opening.code);
                self.reject(
                    Code::ReportScript,
                    &path,
                    message,
                    format!("It has {}.", plural(call.codes.len() as u64, "code")),
                );
            }
        }
    }

    fn steps(&mut self, report: &Report, script: Option<&Issued>) {
        if report.script.is_none() && !report.steps.is_empty() {
            let fix = "Name the script that was keyed, or put what was keyed without one under \"left\".";
            self.reject(Code::ReportScript, "steps", "There are steps, but no \"script\".".into(), fix);
        }
        let (Some(digest), Some(script)) = (&report.script, script) else { return };
        let mut seen = BTreeSet::new();
        for (nth, (number, _)) in report.steps.iter().enumerate() {
            let path = format!("steps.{nth}");
            if script.step(*number).is_none() {
                let message = format!("The script {digest} has no step {number}.");
                self.reject(
                    Code::ReportScript,
                    &path,
                    message,
                    format!("It has {}.", plural(script.steps.len() as u64, "step")),
                );
            }
            if !seen.insert(number) {
                let message = format!("Step {number} is reported twice.");
                self.reject(Code::ReportScript, &path, message, "Report what was heard last.");
            }
        }
    }

    fn correction(&mut self, report: &Report, corrected: &Corrected) {
        let Some(id) = report.corrects else { return };
        if id == report.id {
            let fix = "Give the correction an id of its own.";
            return self.reject(Code::ReportConflict, "corrects", "The report corrects itself.".into(), fix);
        }
        if let Some(by) = corrected.by {
            let message = format!("The report {by} corrects this one already, and this one is a correction itself.");
            self.reject(Code::ReportConflict, "corrects", message, correct_the_first(id));
        }
        let Some((station, first)) = &corrected.other else { return };
        let is_same =
            self.terms.inventory.called(station).is_some_and(|one| one.names().any(|name| *name == report.station));
        if *station != report.station && !is_same {
            let message = format!("The report {id} is about {station}, not about {}.", report.station);
            self.reject(Code::ReportConflict, "corrects", message, "Name the report of this station that was wrong.");
        }
        if let Some(first) = first {
            let message = format!("The report {id} is a correction itself, of the report {first}.");
            self.reject(Code::ReportConflict, "corrects", message, correct_the_first(*first));
        }
    }

    /// The station, by whatever name it goes or went; nothing where it does not matter any more.
    fn station(&mut self, name: &Name) -> Option<&'a Station> {
        let inventory = self.terms.inventory;
        if self.terms.scrutiny == Scrutiny::Restored {
            return None;
        }
        let station = inventory.called(name);
        if station.is_none() {
            let fix = did_you_mean(name, inventory.stations.keys().map(|name| &**name));
            self.reject(Code::NameUnknown, "station", format!("No station is called \"{name}\"."), fix);
        }
        station.map(|station| &**station)
    }

    fn parts(&mut self, report: &Report, station: &Station) {
        for (part, values) in [("found", &report.found), ("left", &report.left)] {
            for (name, written) in values {
                self.value(part, name, written, station);
            }
        }
        let (keybook, inventory) = (&station.keybook, self.terms.inventory);
        for (nth, test) in report.tests.iter().enumerate() {
            if !keybook.lifelines.iter().any(|lifeline| lifeline.name == test.lifeline) {
                let known = keybook.lifelines.iter().map(|lifeline| &*lifeline.name).collect();
                let model = sentence(&with_article(&keybook.model));
                let message = format!("{model} has no lifeline \"{}\".", test.lifeline);
                self.unknown(&format!("tests.{nth}.lifeline"), message, &test.lifeline, known);
            }
            let Some(contact) = &test.contact else { continue };
            if !inventory.contacts.contains_key(contact) {
                let known: Vec<&str> = inventory.contacts.keys().map(|name| &**name).collect();
                let message = format!("{NO_CONTACT} \"{contact}\".");
                let place = self.places.of_name(&format!("tests.{nth}.contact"));
                let unknown = Finding::unknown(Code::NameUnknown, place, message, contact, known);
                let fix = format!("{} If none of these answered, write outcome: failed.", unknown.fix);
                self.findings.push(Finding { fix, ..unknown });
            }
        }
    }

    fn value(&mut self, part: &str, name: &Name, written: &Written, station: &Station) {
        let (keybook, codes) = (&station.keybook, self.terms.codes);
        let path = format!("{part}.{name}");
        let Some(id) = keybook.id(name) else {
            let known = keybook.settings.iter().map(|setting| &*setting.name).collect();
            return self.unknown(
                &path,
                format!("{} has no setting \"{name}\".", sentence(&with_article(&keybook.model))),
                name,
                known,
            );
        };
        if let Err(unfit) = keybook.setting(id).kind.value(written, |reference| codes.seal(reference)) {
            // A report says what was keyed, whoever that calls.
            let is_international =
                matches!(written, Written::Quoted(text) | Written::Plain(text) if text.trim_start().starts_with('+'));
            let is_dial = matches!(keybook.setting(id).kind, Kind::Dial { .. });
            let fix = if is_dial && is_international { WHAT_WAS_KEYED.into() } else { unfit.fix };
            self.reject(
                unfit.code,
                &path,
                format!("\"{name}\" on {} {}", with_article(&keybook.model), unfit.why),
                fix,
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_that_has_begun_in_the_east_is_told_how_to_write_its_time() {
        let fix = |at: &str| fix_of_a_time_ahead(at.parse().unwrap(), "2026-11-25T21:00:00Z".parse().unwrap());
        assert!(fix("2026-11-26T00:00:00Z").starts_with("A day counts from 00:00 UTC. Write the time"));
        for other in ["2026-11-26T00:00:01Z", "2026-11-27T00:00:00Z", "2031-01-01T00:00:00Z"] {
            assert!(fix(other).starts_with("Check the date"), "{other}");
        }
    }
}
