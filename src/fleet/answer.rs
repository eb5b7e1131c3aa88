//! What came of a report: what it changed in the record, what it could not use and why, what is still missing. Commands and
//! pages say the same.

use super::error::FleetError;
use super::intake::Intake;
use super::rows::Row;
use super::view::View;
use crate::drift::{Drift, Service, surprise, value_text};
use crate::inventory::Station;
use crate::keybook::SettingId;
use crate::ledger::{Digest, Heard, Holding, Issued, LedgerLine, Outcome, Report, State, effect_value, parse_line};
use crate::setting::{Name, Value};
use crate::store::EntryKind;

/// What came of a report, in sentences. Never a code.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Answer {
    /// What each part changed, and what it could not use.
    pub consequences: Vec<String>,
    /// What is still to be done or found out.
    pub missing: Vec<String>,
}

/// What a report brings along that its row does not show.
struct Brought<'a> {
    report: &'a Report,
    /// The script that it names, where it is on record.
    script: Option<&'a Issued>,
    /// The references that cannot be read here, and why.
    unread: Vec<(String, String)>,
}

impl Intake<'_> {
    /// What came of a report that is on record. `before`: a view without it, `after`: one with it.
    ///
    /// # Errors
    /// Where the ledger cannot be read.
    pub async fn answer(&self, report: &Report, before: &View, after: &View) -> Result<Answer, FleetError> {
        let Some(station) = after.reading.inventory.called(&report.station) else { return Ok(Answer::default()) };
        let (Some(was), Some(is)) = (before.row(&station.name), after.row(&station.name)) else {
            return Ok(Answer::default());
        };
        let script = match &report.script {
            Some(digest) => self.script_of(digest).await?,
            None => None,
        };
        let brought = Brought { report, script: script.as_ref(), unread: self.unread(report) };
        let mut consequences = brought.corrected(self.is_on_record(report).await?);
        consequences.extend(brought.consequences(was, is));
        Ok(Answer { consequences, missing: brought.missing(is) })
    }

    /// The references of a report that cannot be read here, and why.
    fn unread(&self, report: &Report) -> Vec<(String, String)> {
        let references = report.references().into_iter().filter(|one| self.reading.codes.code(one).is_none());
        references
            .filter_map(|one| Some((one.to_string(), self.sources.report_code(&one).err()?.to_string())))
            .collect()
    }

    async fn script_of(&self, digest: &Digest) -> Result<Option<Issued>, FleetError> {
        let id = digest.to_string();
        let Some(entry) = self.store.entry(EntryKind::Script, &id).await? else { return Ok(None) };
        match parse_line(&entry.body).map_err(|source| FleetError::Recorded { id, source })? {
            LedgerLine::Script(issued) => Ok(Some(*issued)),
            LedgerLine::Report(_) | LedgerLine::Shown(_) | LedgerLine::Begun(_) | LedgerLine::Decision(_) => Ok(None),
        }
    }

    /// Whether the report that another corrects is on record.
    async fn is_on_record(&self, report: &Report) -> Result<bool, FleetError> {
        let Some(id) = report.corrects else { return Ok(false) };
        Ok(self.store.entry(EntryKind::Report, &id.to_string()).await?.is_some())
    }
}

impl Brought<'_> {
    fn corrected(&self, is_on_record: bool) -> Vec<String> {
        let Some(id) = self.report.corrects else { return Vec::new() };
        vec![if is_on_record {
            format!("Report {id} counts for nothing now: this one corrects it.")
        } else {
            format!("This corrects report {id}, which is not on record yet.")
        }]
    }

    fn consequences(&self, before: &Row, after: &Row) -> Vec<String> {
        let station = &after.station;
        let mut said: Vec<String> = Vec::new();
        if let Some(unit) = self.report.unit {
            said.push(format!("The unit is {}: what is not named below is at its factory value.", unit.as_str()));
        }
        let named = self.named();
        for id in station.keybook.ids() {
            let name = &station.keybook.setting(id).name;
            let (was, is) = (before.record.holding(id), after.record.holding(id));
            if self.report.unit.is_none() || named.contains(&name) || is.strayed != was.strayed {
                said.extend(self.setting(name, was, is));
            }
        }
        said.extend(self.report.tests.iter().filter_map(|test| self.tested(test, before, after)));
        said.extend(self.unused(station));
        let is_open = |id| after.record.begun.iter().any(|open| open.visit.id == id);
        let ended = before.record.begun.iter().map(|open| &open.visit);
        let ended = ended.filter(|visit| !is_open(visit.id));
        said.extend(ended.map(|visit| format!("The visit that {} began at {:.0} is over.", visit.by, visit.at)));
        let (was, is) = (before.drift.standing, after.drift.standing);
        if was != is {
            said.push(format!("{} was {was} and is now {is}.", station.name));
        }
        if said.is_empty() {
            said.push("It changes nothing in the record.".into());
        }
        said
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

    fn tested(&self, test: &crate::ledger::Test, before: &Row, after: &Row) -> Option<String> {
        let lifelines = &after.station.keybook.lifelines;
        let at = lifelines.iter().position(|lifeline| lifeline.name == test.lifeline)?;
        let title = lifelines[at].title();
        let is_last = after.record.lifelines[at].last.is_some_and(|(_, mark)| mark.report == self.report.id);
        let mut said = match test.outcome {
            Outcome::Reached => format!("The test call of \"{title}\" reached help."),
            Outcome::Failed => {
                format!("The test call of \"{title}\" did not reach help. Keep a stand-in until a test call does.")
            }
        };
        if let Some(odd) = surprise(&before.station, &before.record, test) {
            said += &format!(" But {odd}.");
        } else if !is_last {
            said += " It does not count: there is a later one, or one that failed in the same report.";
        }
        Some(said)
    }

    /// What could not be used, and why.
    fn unused(&self, station: &Station) -> Vec<String> {
        let keybook = &station.keybook;
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
                        "Step {step} keyed a value of {name} that cannot be used: it counts as unknown."
                    ));
                }
                Some(_) => {}
            }
        }
        said
    }

    fn missing(&self, after: &Row) -> Vec<String> {
        let station = &after.station;
        let reported = |number: u32| self.report.steps.iter().any(|(step, _)| *step == number);
        let unreported = self.script.into_iter().flat_map(|script| &script.steps).filter(|step| !reported(step.step));
        let mut missing: Vec<String> = unreported
            .map(|step| format!("Step {} of the script is not in the report: it counts as not keyed.", step.step))
            .collect();
        for lifeline in &after.drift.lifelines {
            let title = station.keybook.lifelines.iter().find(|one| one.name == lifeline.name).map(|one| one.title());
            let title = title.unwrap_or_else(|| lifeline.name.to_string());
            match lifeline.service {
                Service::Tested => {}
                Service::Dead => missing.push(format!("Keying: \"{title}\" calls nobody as the station is set now.")),
                Service::Failed => missing.push(format!("A test call of \"{title}\" that reaches help.")),
                Service::Untested => missing.push(format!("A test call of \"{title}\".")),
                Service::Overdue => missing.push(format!("A test call of \"{title}\": the last one is too long ago.")),
            }
        }
        let mut to_key: Vec<&str> = Vec::new();
        for setting in &after.drift.settings {
            let name = &setting.name;
            match (setting.drift, is_code(station, setting.id)) {
                (Drift::Unproven | Drift::InDoubt, true) => {
                    missing.push(format!("The code: nobody knows for sure which one {name} is."));
                }
                (Drift::Unproven, false) => missing.push(format!("The value of {name}: nobody knows it.")),
                (Drift::InDoubt, false) => missing.push(format!("The value of {name}: it is in doubt.")),
                (Drift::Differs | Drift::Strayed, _) => to_key.push(name),
                (Drift::Overdue, _) => missing.push(format!("A confirmation of {name}: the last one is too long ago.")),
            }
        }
        if !to_key.is_empty() {
            missing.push(format!("Keying: not as wanted yet are {}.", to_key.join(", ")));
        }
        missing
    }
}

fn is_code(station: &Station, id: SettingId) -> bool {
    matches!(station.keybook.setting(id).kind, crate::setting::Kind::Secret { .. })
}

/// A value as it may be said: of a code, that it is one.
fn plain(value: &Value) -> String {
    match value {
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
