//! What came of a report: what it changed in the record, what it could not use and why, what is still missing. Commands and
//! pages say the same.

use std::collections::BTreeMap;

use jiff::Timestamp;
use uuid::Uuid;

use super::entries::StationEntries;
use super::error::FleetError;
use super::intake::{Intake, dialled};
use super::records::entries_under;
use super::view::View;
use crate::drift::{Drift, LifelineService, Rules, Service, StationDrift, look, refused, surprise, value_text};
use crate::finding::minute;
use crate::inventory::{Contact, Station};
use crate::keybook::SettingId;
use crate::ledger::{Heard, Holding, Issued, Outcome, Record, Report, State, Test, effect_value};
use crate::setting::{Name, Reference, Secret, Value};

/// What came of a report, in sentences. Never a code.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Answer {
    /// What each part changed, and what it could not use.
    pub consequences: Vec<String>,
    /// What is still to be done or found out.
    pub missing: Vec<String>,
}

/// A report, and what the record is with it and without it.
struct Came<'a> {
    report: &'a Report,
    station: &'a Station,
    /// The script that it names, where it is on record.
    script: Option<&'a Issued>,
    /// As they are now, where that is known.
    contacts: Option<&'a BTreeMap<Name, Contact>>,
    /// The references that cannot be read here, and why.
    unread: Vec<(String, String)>,
    /// Whether the report that it corrects is on record.
    corrects_known: bool,
    /// The report that corrects this one.
    corrected_by: Option<Uuid>,
    /// Without it.
    before: Record,
    /// Just before its test calls.
    untested: Record,
    /// With it.
    after: Record,
    was: StationDrift,
    is: StationDrift,
}

impl Intake<'_> {
    /// What came of a report that is on record: what the record is with it, beside what it would be without it. So the answer is
    /// the same whenever it is asked for, and of many reports each is answered for itself. `view` says what is wanted.
    ///
    /// # Errors
    /// Where the ledger cannot be read.
    pub async fn answer(&self, report: &Report, view: &View) -> Result<Answer, FleetError> {
        self.answer_beside(report, &[], view).await
    }

    /// The same as if these reports were on record, too.
    ///
    /// # Errors
    /// Where the ledger cannot be read.
    pub async fn answer_beside(&self, report: &Report, others: &[Report], view: &View) -> Result<Answer, FleetError> {
        let called = view.reading.inventory.called(&report.station);
        let Some(row) = called.and_then(|station| view.row(&station.name)) else { return Ok(Answer::default()) };
        let mut entries = entries_under(self.store, row.station.names()).await?;
        let is_of_it = |other: &&Report| row.station.names().any(|name| *name == other.station);
        entries.reports.extend(others.iter().filter(is_of_it).cloned());
        // What was noted beside it when it was recorded counts, too.
        let Some(report) = entries.reports.iter().find(|known| known.id == report.id) else {
            return Ok(Answer::default());
        };
        let came = came(report, &row.station, &entries, (view.rules, view.at), self.unread(report));
        Ok(Came { contacts: Some(&view.reading.inventory.contacts), ..came }.answer())
    }

    /// The references of a report that cannot be read here, and why.
    fn unread(&self, report: &Report) -> Vec<(String, String)> {
        let references = report.references().into_iter().filter(|one| self.reading.codes.code(one).is_none());
        references
            .filter_map(|one| Some((one.to_string(), self.sources.report_code(&one).err()?.to_string())))
            .collect()
    }
}

/// What came of a report among all that is on record about its station.
fn came<'a>(
    report: &'a Report,
    station: &'a Station,
    entries: &'a StationEntries,
    (rules, now): (Rules, Timestamp),
    unread: Vec<(String, String)>,
) -> Came<'a> {
    let others = || entries.reports.iter();
    let (before, after) = (entries.record_without(station, report.id), entries.record(station));
    Came {
        report,
        station,
        script: report.script.as_ref().and_then(|digest| entries.script(digest)),
        unread,
        contacts: None,
        corrects_known: report.corrects.is_some_and(|id| others().any(|other| other.id == id)),
        corrected_by: others().find(|other| other.corrects == Some(report.id)).map(|other| other.id),
        untested: entries.record_before_tests(station, report),
        was: look(station, &before, rules, now),
        is: look(station, &after, rules, now),
        before,
        after,
    }
}

impl Came<'_> {
    fn answer(&self) -> Answer {
        let (worst, tested): (Vec<_>, Vec<_>) = self.tested_all().into_iter().partition(|(is_worst, _)| *is_worst);
        let mut consequences: Vec<String> = worst.into_iter().map(|(_, text)| text).collect();
        consequences.extend(self.stand_ins());
        consequences.extend(self.corrections());
        consequences.extend(self.consequences(tested.into_iter().map(|(_, text)| text)));
        if consequences.is_empty() {
            consequences.push("It changes nothing in the record.".into());
        }
        Answer { consequences, missing: self.missing() }
    }

    /// The buttons that call nobody with this report, or may, and did not without it.
    fn stand_ins(&self) -> Vec<String> {
        let meets = |drift: &StationDrift, name: &Name| {
            let lifeline = drift.lifelines.iter().find(|one| one.name == *name && one.is_required)?;
            match lifeline.service {
                Service::Dead => Some("calls nobody now"),
                Service::Untested if lifeline.because.is_some() => Some("may call nobody now"),
                Service::Failed | Service::Untested | Service::Overdue | Service::Tested => None,
            }
        };
        let now = self.is.lifelines.iter().filter_map(|one| Some((one, meets(&self.is, &one.name)?)));
        let new = now.filter(|(one, now)| meets(&self.was, &one.name) != Some(*now));
        let text = |(one, now): (&LifelineService, &str)| {
            format!("Pressing {} {now}. Keep a stand-in until a test call reaches help.", one.title)
        };
        new.map(text).collect()
    }

    fn corrections(&self) -> Vec<String> {
        let by = self.corrected_by.map(|id| format!("It counts for nothing: report {id} corrects it."));
        let corrects = self.report.corrects.map(|id| match self.corrects_known {
            true => format!("Report {id} counts for nothing now: this one corrects it."),
            false => format!(
                "This corrects report {id}, which is not on record yet. Check the id: until that report is, this changes nothing of it."
            ),
        });
        by.into_iter().chain(corrects).collect()
    }

    /// What came of each test call, and whether that is to be said before all else: it failed, or the record must be wrong.
    fn tested_all(&self) -> Vec<(bool, String)> {
        let tested = self.report.tests.iter().filter_map(|test| {
            let is_odd = || surprise(self.station, &self.untested, test).is_some();
            Some((test.outcome == Outcome::Failed || is_odd(), self.tested(test)?))
        });
        tested.collect()
    }

    fn consequences(&self, tested: impl Iterator<Item = String>) -> Vec<String> {
        let station = self.station;
        let mut said: Vec<String> = Vec::new();
        if let Some(unit) = self.report.unit {
            said.push(format!("The unit is {}: what is not named below is at its factory value.", unit.as_str()));
        }
        said.extend(self.refused());
        let named = self.named();
        for id in station.keybook.ids() {
            let name = &station.keybook.setting(id).name;
            let (was, is) = (self.before.holding(id), self.after.holding(id));
            if self.report.unit.is_none() || named.contains(&name) || is.strayed != was.strayed {
                said.extend(self.setting(name, was, is));
            }
        }
        said.extend(tested);
        said.extend(self.unused());
        let is_open = |id| self.after.begun.iter().any(|open| open.visit.id == id);
        let ended = self.before.begun.iter().map(|open| &open.visit).filter(|visit| !is_open(visit.id));
        said.extend(ended.map(|visit| format!("The visit that {} began at {} is over.", visit.by, minute(visit.at))));
        let (was, is) = (self.was.standing, self.is.standing);
        if was != is {
            said.push(format!("{} was {was} and is now {is}.", station.name));
        }
        said
    }

    /// Which codes this report says that the station refused.
    fn refused(&self) -> Vec<String> {
        let keybook = &self.station.keybook;
        let open = keybook.call.open.held().into_iter();
        let refusals = open.flat_map(|id| self.after.holding(id).refused.iter().map(move |refusal| (id, refusal)));
        let mine = refusals.filter(|(_, refusal)| refusal.mark.report == self.report.id);
        mine.map(|(id, refusal)| {
            format!("The station refused {} as {}.", plain(&refusal.code), keybook.setting(id).name)
        })
        .collect()
    }

    /// The settings that the report speaks of.
    fn named(&self) -> Vec<&Name> {
        let heard = self.report.steps.iter().filter(|(_, heard)| matches!(heard, Heard::Accepted | Heard::Nothing));
        let steps = heard.filter_map(|(number, _)| self.script?.step(*number));
        let keyed = steps.flat_map(|step| step.effects.keys());
        self.report.found.keys().chain(self.report.left.keys()).chain(keyed).collect()
    }

    /// What became of a setting; nothing where the report has no part in it.
    fn setting(&self, name: &Name, was: &Holding, is: &Holding) -> Option<String> {
        let is_mine = is.mark.is_some_and(|mark| mark.report == self.report.id);
        let strays = is.strayed.filter(|mark| mark.report == self.report.id && was.strayed != is.strayed);
        match (&was.state, &is.state) {
            (State::Known(before), State::Known(_)) if strays.is_some() => Some(format!(
                "{name} was not as recorded ({}). It is now known: {}.",
                plain(before),
                plain_of(&is.state)
            )),
            (_, State::Unknown) if strays.is_some() => {
                Some(format!("{name} is no longer known: it was shown not to be as recorded."))
            }
            (State::Known(before), State::Known(now)) if before.agrees(now) => {
                (is_mine && was.mark != is.mark).then(|| format!("{name} is confirmed: {}.", plain(now)))
            }
            (State::Known(before), State::Known(now)) if plain(before) != plain(now) => {
                Some(format!("{name} is now known: {}. Before, it was {}.", plain(now), plain(before)))
            }
            (_, State::Known(now)) => Some(format!("{name} is now known: {}.", plain(now))),
            (State::InDoubt(before), State::InDoubt(now)) if before == now => None,
            (_, State::InDoubt(candidates)) => {
                let all: Vec<String> = candidates.iter().map(plain).collect();
                Some(format!("{name} is in doubt: {}.", all.join(" or ")))
            }
            (State::Unknown, State::Unknown) => None,
            (State::Known(_) | State::InDoubt(_), State::Unknown) => Some(format!("{name} is no longer known.")),
        }
    }

    fn tested(&self, test: &Test) -> Option<String> {
        let lifelines = &self.station.keybook.lifelines;
        let at = lifelines.iter().position(|lifeline| lifeline.name == test.lifeline)?;
        let title = lifelines[at].button.clone();
        let is_last = self.after.lifelines[at].last.is_some_and(|(_, mark)| mark.report == self.report.id);
        let mut said = match test.outcome {
            Outcome::Reached => format!("The test call of \"{title}\" reached help."),
            Outcome::Failed => {
                format!("The test call of \"{title}\" did not reach help. Keep a stand-in until a test call does.")
            }
        };
        if let Some(odd) = surprise(self.station, &self.untested, test) {
            said += &format!(" But {odd}.");
        } else if let Some(odd) = self.odd_today(test) {
            said += &format!(
                " As contacts are now, {odd}. The contact was edited after the test, so nothing is taken for changed."
            );
        } else if !is_last && self.corrected_by.is_none() {
            said += " It does not count: there is a later one, or one that failed in the same report.";
        }
        Some(said)
    }

    /// What would be odd about a test call by what its contact is dialled as now, where the contact was edited since.
    fn odd_today(&self, test: &Test) -> Option<String> {
        let contact = test.contact.as_ref().filter(|_| test.dialled.is_none())?;
        let dialled = dialled(self.contacts?, contact, &self.station.line)?;
        surprise(self.station, &self.untested, &Test { dialled: Some(dialled), ..test.clone() })
    }

    /// What could not be used, and why.
    fn unused(&self) -> Vec<String> {
        let keybook = &self.station.keybook;
        let mut said: Vec<String> = Vec::new();
        for (reference, why) in &self.unread {
            said.push(format!(
                "The code behind {reference} cannot be read here: {why}. It is kept by its reference alone, so it cannot be \
                 compared with others."
            ));
        }
        if let (Some(digest), None) = (&self.report.script, self.script) {
            said.push(format!("The script {digest} is not on record, so its steps count for nothing."));
        }
        let steps = self.report.steps.iter().filter_map(|(number, _)| self.script?.step(*number));
        for (step, (name, effect)) in steps.flat_map(|step| step.effects.iter().map(move |one| (step.step, one))) {
            match keybook.id(name) {
                None => said.push(format!("Step {step} keyed {name}, which a {} no longer has.", keybook.model)),
                Some(id) if effect.is_some() && effect_value(&keybook.setting(id).kind, effect).is_none() => {
                    said.push(format!(
                        "Step {step} keyed a value that {name} can no longer hold: it counts as unknown."
                    ));
                }
                Some(_) => {}
            }
        }
        said
    }

    fn missing(&self) -> Vec<String> {
        let station = self.station;
        let reported = |number: u32| self.report.steps.iter().any(|(step, _)| *step == number);
        let unreported = self.script.into_iter().flat_map(|script| &script.steps).filter(|step| !reported(step.step));
        let mut missing: Vec<String> = Vec::new();
        let mut lifelines: Vec<_> = self.is.lifelines.iter().collect();
        lifelines.sort_by_key(|lifeline| lifeline.service);
        for lifeline in lifelines {
            let title = station.keybook.lifelines.iter().find(|one| one.name == lifeline.name).map(|one| &one.button);
            let title = title.unwrap_or(&lifeline.name);
            match lifeline.service {
                Service::Tested => {}
                Service::Dead => missing.push(format!("Keying: \"{title}\" calls nobody as the station is set now.")),
                Service::Failed => missing.push(format!("A test call of \"{title}\" that reaches help.")),
                Service::Untested => missing.push(format!("A test call of \"{title}\".")),
                Service::Overdue => missing.push(format!("A test call of \"{title}\": the last one is too long ago.")),
            }
        }
        let mut to_key: Vec<&str> = Vec::new();
        for setting in &self.is.settings {
            let name = &setting.name;
            let is_unknown = matches!(setting.held, State::Unknown | State::InDoubt(_));
            match (setting.drift, is_code(station, setting.id) && is_unknown) {
                (Drift::Unproven | Drift::InDoubt | Drift::Strayed, true) => {
                    let refused = refused(station, &self.after);
                    let then = refused
                        .map_or(String::new(), |refused| format!(" {} {}", refused.sentence(), refused.what_to_do()));
                    missing.push(format!("The code: no report says which one {name} is.{then}"));
                }
                (Drift::Unproven, false) => missing.push(format!("The value of {name}: nobody knows it.")),
                (Drift::InDoubt, false) => missing.push(format!("The value of {name}: it is in doubt.")),
                (Drift::Differs, _) | (Drift::Strayed, false) => to_key.push(name),
                (Drift::Overdue, _) => missing.push(format!("A confirmation of {name}: the last one is too long ago.")),
            }
        }
        if !to_key.is_empty() {
            missing.push(format!("Keying: not as wanted yet are {}.", to_key.join(", ")));
        }
        missing.extend(
            unreported
                .map(|step| format!("Step {} of the script is not in the report: it counts as not keyed.", step.step)),
        );
        missing
            .extend(self.unread.iter().map(|(reference, _)| format!("The code behind {reference}, on this machine.")));
        missing
    }
}

fn is_code(station: &Station, id: SettingId) -> bool {
    matches!(station.keybook.setting(id).kind, crate::setting::Kind::Secret { .. })
}

/// A value as it may be said: of a code, that it is one.
fn plain(value: &Value) -> String {
    match value {
        Value::Secret(Secret { reference: Reference::Factory, .. }) => "the factory code".into(),
        Value::Secret(secret) => format!("the code behind {}", secret.reference),
        Value::Digits(_) | Value::Dial(_) | Value::Choice(_) | Value::Flags(_) | Value::Number(_) => value_text(value),
    }
}

fn plain_of(state: &State) -> String {
    match state {
        State::Known(value) => plain(value),
        State::InDoubt(_) | State::Unknown => "nothing".into(),
    }
}

#[cfg(test)]
#[path = "answer_tests.rs"]
pub(in crate::fleet) mod tests;
