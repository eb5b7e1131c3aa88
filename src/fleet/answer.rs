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
use crate::drift::{
    Drift, LifelineService, Rules, Service, SettingDrift, StationDrift, ability, look, refused, surprise, value_text,
};
use crate::finding::{listed, minute, sentence, with_article};
use crate::inventory::{Contact, Station};
use crate::keybook::{Ability, Lifeline, SettingId};
use crate::ledger::{
    Corrections, Elsewhere, Heard, Holding, Issued, IssuedStep, Outcome, Record, Report, State, Test, effect_value,
};
use crate::script::card::may_change;
use crate::script::kept_calls;
use crate::setting::{Name, Reference, Secret, Value};

/// What came of a report, in sentences. Never a code.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Answer {
    /// What each part changed, and what it could not use.
    pub consequences: Vec<String>,
    /// What is still to be done or found out.
    pub missing: Vec<String>,
    /// Whether it counts for nothing, because another report corrects it or the same one.
    pub no_effect: bool,
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
    /// The report that counts instead of this one, and what that corrects.
    instead: Option<(Uuid, Option<Uuid>)>,
    /// The earlier corrections of the report that it corrects.
    earlier: Vec<Uuid>,
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
    let others: Vec<&Report> = entries.reports.iter().collect();
    let corrections = Corrections::among(&others);
    let is_mine = |other: &&Report| corrections.instead_of(other).is_some_and(|instead| instead.id == report.id);
    let earlier =
        others.iter().copied().filter(is_mine).map(|other| other.id).filter(|id| Some(*id) != report.corrects);
    let (before, after) = (entries.record_without(station, report.id), entries.record(station));
    Came {
        report,
        station,
        script: report.script.as_ref().and_then(|digest| entries.script(digest)),
        unread,
        contacts: None,
        corrects_known: corrections.has_corrected(report),
        instead: corrections.instead_of(report).map(|instead| (instead.id, instead.corrects)),
        earlier: earlier.collect(),
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
        let mut said: Vec<String> = worst.into_iter().map(|(_, text)| text).collect();
        said.extend(self.elsewhere());
        said.extend(self.corrections());
        said.extend(self.consequences(tested.into_iter().map(|(_, text)| text)));
        if said.is_empty() {
            said.push("It changes nothing that is known about the station.".into());
        }
        Answer {
            consequences: self.stand_ins().into_iter().chain(said).collect(),
            missing: self.missing(),
            no_effect: self.instead.is_some(),
        }
    }

    /// The buttons that call nobody, or may: whoever reports is at the station.
    fn stand_ins(&self) -> Vec<String> {
        let meets = |lifeline: &LifelineService| match lifeline.service {
            Service::Dead => Some("calls nobody now"),
            Service::Untested if lifeline.elsewhere.is_some() => Some("called someone else"),
            Service::Untested if lifeline.because.is_some() || self.is_undecided(lifeline) => {
                Some("may call nobody now")
            }
            Service::Failed | Service::Untested | Service::Overdue | Service::Tested => None,
        };
        let now = self.is.lifelines.iter().filter(|one| one.is_required).filter_map(|one| Some((one, meets(one)?)));
        let disproved = self.disproved();
        let is_disproved = |one: &LifelineService| {
            let lifeline = self.station.keybook.lifelines.iter().find(|lifeline| lifeline.name == one.name);
            lifeline.is_some_and(|lifeline| lifeline.settings.iter().any(|id| disproved.contains(id)))
        };
        let text = |(one, now): (&LifelineService, &str)| {
            let button = self.button(&one.name);
            if let Some(elsewhere) = &one.elsewhere {
                return format!("{}. {}", sentence(&elsewhere.called), elsewhere.stand_in());
            }
            match is_disproved(one) {
                true => format!("By the record {button} {now}. Keep a stand-in until you know what the station holds."),
                false => format!("{} {now}. Keep a stand-in until a test call reaches help.", sentence(&button)),
            }
        };
        now.map(text).collect()
    }

    /// Whether the record does not say if a press of a button calls someone.
    fn is_undecided(&self, lifeline: &LifelineService) -> bool {
        let mut all = self.station.keybook.lifelines.iter();
        let known = all.find(|known| known.name == lifeline.name);
        known.is_some_and(|known| ability(&self.after, known) == Ability::Undecided)
    }

    /// What was heard that is another station's, and was not what is on record of this one.
    fn heard_elsewhere(&self) -> impl Iterator<Item = &Elsewhere> {
        self.untested.elsewhere.iter().filter(|heard| heard.mark.report == self.report.id)
    }

    /// Found values that are another station's.
    fn elsewhere(&self) -> Option<String> {
        let each = self.heard_elsewhere().map(|Elsewhere { id, value, station, mark: _ }| {
            let title = self.station.keybook.setting(*id).title();
            format!("{} is the {title} of {station}: did {station} answer?", plain(value))
        });
        let each: Vec<String> = each.collect();
        let Report { openings, steps, left, tests, .. } = self.report;
        let keyed = if openings.is_empty() && steps.is_empty() && left.is_empty() { "" } else { " and keyed" };
        let called = if tests.is_empty() { "" } else { " Test calls count, because they are made at the station." };
        (!each.is_empty()).then(|| {
            format!(
                "{} What was found{keyed} counts as in doubt.{called} Ring {} again and listen which station answers.",
                each.join(" "),
                self.station.name
            )
        })
    }

    fn corrections(&self) -> Vec<String> {
        let id = self.report.id;
        let by = self.instead.map(|(instead, corrects)| match (self.report.corrects, corrects) {
            (Some(both), Some(other)) if other != id => format!(
                "Report {instead} corrects report {both} too and counts instead, so this one has no effect. Of several the last \
                 by \"at\" counts; of two with one \"at\", the one with the greater id. If this one is right, correct report \
                 {both} again with a new id that is greater."
            ),
            (Some(_) | None, _) => format!("This report no longer counts, because report {instead} corrects it."),
        });
        let is_last = self.instead.is_none();
        let corrects = self.report.corrects.filter(|_| is_last).map(|id| match self.corrects_known {
            true => format!("Report {id} no longer counts, because this report corrects it."),
            false => format!(
                "This corrects report {id}, which is not on record yet. Check the id. Until that report is on record, this has no \
                 effect on it."
            ),
        });
        let earlier =
            self.earlier.iter().map(|id| format!("Report {id} corrected it before, and no longer counts either."));
        by.into_iter().chain(corrects).chain(earlier).collect()
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
        said.extend(self.refused_steps());
        let named = self.named();
        for id in station.keybook.ids() {
            let name = &station.keybook.setting(id).name;
            let (was, is) = (self.before.holding(id), self.after.holding(id));
            if self.report.unit.is_none() || named.contains(&name) || is.strayed != was.strayed {
                said.extend(self.setting(id, was, is));
            }
        }
        said.extend(tested);
        said.extend(self.unused());
        let is_open = |id| self.after.begun.iter().any(|open| open.visit.id == id);
        let ended = self.before.begun.iter().map(|open| &open.visit).filter(|visit| !is_open(visit.id));
        said.extend(ended.map(|visit| format!("The visit that {} began at {} is over.", visit.by, minute(visit.at))));
        // What is set aside is never said to be aligned.
        let (was, is) = (self.was.told_text(), self.is.told_text());
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
            format!("The station refused {} as {}.", plain(&refusal.code), keybook.setting(id).title())
        })
        .collect()
    }

    /// Which steps this report says that the station refused, and what it holds still.
    fn refused_steps(&self) -> Vec<String> {
        let counts = self.instead.is_none() && self.heard_elsewhere().next().is_none();
        let refused = self.report.steps.iter().filter(|(_, heard)| *heard == Heard::Refused && counts);
        let steps = refused.filter_map(|(number, _)| self.script?.step(*number));
        let text = |step: &IssuedStep| {
            let titles: Vec<String> = step.effects.keys().map(|name| self.title(name)).collect();
            let is_named = step.effects.keys().any(|name| self.named().contains(&name));
            let holds = if is_named { String::new() } else { format!(": it still holds {}", self.held_before(step)) };
            format!("The station refused step {} ({}){holds}.", step.step, listed(&titles, "and"))
        };
        steps.map(text).collect()
    }

    /// What a refused step left as it was, by the record just before the report's test calls: a later report may say more.
    fn held_before(&self, step: &IssuedStep) -> String {
        let ids: Vec<SettingId> = step.effects.keys().filter_map(|name| self.station.keybook.id(name)).collect();
        match ids[..] {
            [id] => self.untested.known(id).map_or_else(|| "what it held".into(), plain),
            _ => "what it held".into(),
        }
    }

    /// The settings that the report speaks of.
    fn named(&self) -> Vec<&Name> {
        let heard = self.report.steps.iter().filter(|(_, heard)| matches!(heard, Heard::Accepted | Heard::Nothing));
        let steps = heard.filter_map(|(number, _)| self.script?.step(*number));
        let keyed = steps.flat_map(|step| step.effects.keys());
        self.report.found.keys().chain(self.report.left.keys()).chain(keyed).collect()
    }

    /// What people call a setting; one that the keybook has no longer goes by its name.
    fn title(&self, name: &Name) -> String {
        let keybook = &self.station.keybook;
        keybook.id(name).map_or_else(|| name.to_string(), |id| keybook.setting(id).title())
    }

    /// What people call the button of a lifeline.
    fn button(&self, name: &Name) -> String {
        let lifeline = self.station.keybook.lifelines.iter().find(|lifeline| lifeline.name == *name);
        lifeline.map_or_else(|| name.to_string(), |lifeline| lifeline.button.to_string())
    }

    /// The settings by which a button calls nobody, though a test call of this report reached help.
    fn disproved(&self) -> Vec<SettingId> {
        let reached = self.report.tests.iter().filter(|test| test.outcome == Outcome::Reached);
        let lifelines = reached.filter_map(|test| self.lifeline(test));
        let dead = lifelines.filter(|(_, one)| one.is_dead(|id| self.untested.known(id)));
        dead.flat_map(|(_, one)| one.contradicting(|id| self.untested.known(id))).collect()
    }

    fn lifeline(&self, test: &Test) -> Option<(usize, &Lifeline)> {
        self.station.keybook.lifelines.iter().enumerate().find(|(_, lifeline)| lifeline.name == test.lifeline)
    }

    /// What became of a setting; nothing where the report has no part in it.
    fn setting(&self, id: SettingId, was: &Holding, is: &Holding) -> Option<String> {
        let title = sentence(&self.station.keybook.setting(id).title());
        let is_mine = is.mark.is_some_and(|mark| mark.report == self.report.id);
        let strays = is.strayed.filter(|mark| mark.report == self.report.id && was.strayed != is.strayed);
        match (&was.state, &is.state) {
            (State::Known(before), State::Known(now)) if strays.is_some() => {
                Some(format!("{title} was not as recorded ({}). It is now known: {}.", plain(before), plain(now)))
            }
            (_, State::Unknown) if strays.is_some() && is_code(self.station, id) => Some(format!(
                "No one knows {title} now: the station refused the code on record.",
                title = self.station.keybook.setting(id).title()
            )),
            (_, State::Unknown) if strays.is_some() => {
                Some(format!("{title} is no longer known: it was shown not to be as recorded."))
            }
            (State::Known(before), State::Known(now)) if before.agrees(now) => {
                let is_confirmed = is_mine && was.mark != is.mark && !self.disproved().contains(&id);
                is_confirmed.then(|| format!("{title} is confirmed: {}.", plain(now)))
            }
            (State::Known(before), State::Known(now)) if plain(before) != plain(now) => {
                Some(format!("{title} is now {}. It was {}.", plain(now), plain(before)))
            }
            (_, State::Known(now)) => Some(format!("{title} is now known: {}.", plain(now))),
            (State::InDoubt(before), State::InDoubt(now)) if before == now => None,
            (_, State::InDoubt(candidates)) => {
                let all: Vec<String> = candidates.iter().map(plain).collect();
                Some(format!("{title} is in doubt: {}.", listed(&all, "or")))
            }
            (State::Unknown, State::Unknown) => None,
            (State::Known(_) | State::InDoubt(_), State::Unknown) => Some(format!("{title} is no longer known.")),
        }
    }

    fn tested(&self, test: &Test) -> Option<String> {
        let (at, lifeline) = self.lifeline(test)?;
        let title = &lifeline.button;
        let last = self.after.lifelines[at].last;
        if test.outcome == Outcome::Failed {
            let then = match last {
                _ if self.instead.is_some() => "",
                Some((Outcome::Reached, _)) => " A later one did.",
                Some((Outcome::Failed, _)) | None => " Keep a stand-in until a test call does.",
            };
            return Some(format!("The test call of \"{title}\" did not reach help.{then}"));
        }
        let is_last = matches!(last, Some((Outcome::Reached, mark)) if mark.report == self.report.id);
        let mut said = format!("The test call of \"{title}\" reached help.");
        if let Some(odd) = surprise(self.station, &self.untested, test) {
            said += &format!(" But {odd}.{}", self.what_to_find_out(lifeline));
        } else if let Some(odd) = self.odd_today(test) {
            said += &format!(
                " As contacts are now, {odd}. The contact was edited after the test, so nothing is taken for changed."
            );
        } else if !is_last && self.instead.is_none() {
            said += match last {
                Some((Outcome::Failed, _)) => " A later one failed.",
                Some((Outcome::Reached, _)) | None => " A later one counts.",
            };
        }
        Some(said)
    }

    /// What to do where a button calls nobody by the record and a test call reached help all the same.
    fn what_to_find_out(&self, lifeline: &Lifeline) -> String {
        if !lifeline.is_dead(|id| self.untested.known(id)) {
            return String::new();
        }
        let wrong = lifeline.contradicting(|id| self.untested.known(id)).into_iter();
        let titles: Vec<String> = wrong.map(|id| self.station.keybook.setting(id).title()).collect();
        format!(" Find out what {} is and report it as found, or key the card.", listed(&titles, "and"))
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
                None => said.push(format!(
                    "Step {step} keyed \"{name}\", which {} no longer has.",
                    with_article(&keybook.model)
                )),
                Some(id) if effect.is_some() && effect_value(&keybook.setting(id).kind, effect).is_none() => {
                    said.push(format!(
                        "Step {step} keyed a value that {} can no longer hold: it counts as unknown.",
                        keybook.setting(id).title()
                    ));
                }
                Some(_) => {}
            }
        }
        said
    }

    fn missing(&self) -> Vec<String> {
        let mut missing: Vec<String> = Vec::new();
        let mut lifelines: Vec<_> = self.is.lifelines.iter().collect();
        lifelines.sort_by_key(|lifeline| lifeline.service);
        for lifeline in lifelines {
            let title = self.button(&lifeline.name);
            match lifeline.service {
                Service::Tested => {}
                Service::Dead => missing.push(format!("Key the card: {title} calls nobody as the station is set now.")),
                Service::Failed => missing.push(format!("A test call of \"{title}\" that reaches help.")),
                Service::Untested => missing.push(format!("A test call of \"{title}\".")),
                Service::Overdue => missing.push(format!("A test call of \"{title}\": the last one is too long ago.")),
            }
        }
        missing.extend(self.after_slip());
        missing.extend(self.missing_settings());
        missing.extend(self.unreported());
        missing
            .extend(self.unread.iter().map(|(reference, _)| format!("The code behind {reference}, on this machine.")));
        missing
    }

    /// The test calls that a wrong key makes necessary, where nothing was heard of a step: it may have been accepted as another.
    fn after_slip(&self) -> Option<String> {
        let is_silent = self.report.steps.iter().any(|(_, heard)| *heard == Heard::Nothing);
        let script = self.script.filter(|_| is_silent && self.instead.is_none())?;
        let calls = kept_calls(&self.station.keybook, script)?;
        let is_asked = |lifeline: &&Lifeline| {
            let known = self.is.lifelines.iter().find(|one| one.name == lifeline.name);
            let is_tested = self.report.tests.iter().any(|test| test.lifeline == lifeline.name);
            is_tested || known.is_some_and(|known| known.service.asks_for_test())
        };
        let buttons = may_change(&calls, self.station).into_iter().filter(|lifeline| !is_asked(lifeline));
        let buttons: Vec<String> = buttons.map(|lifeline| format!("\"{}\"", lifeline.button)).collect();
        (!buttons.is_empty())
            .then(|| format!("If a wrong key was accepted: a test call of {}.", listed(&buttons, "and of")))
    }

    /// What is not as wanted: codes one by one, all else by what is the matter with it.
    fn missing_settings(&self) -> Vec<String> {
        let is_open_code = |one: &&SettingDrift| {
            let is_unknown = matches!(one.held, State::Unknown | State::InDoubt(_));
            is_code(self.station, one.id) && is_unknown && one.drift != Drift::Differs
        };
        let (codes, others): (Vec<_>, Vec<_>) = self.is.settings.iter().partition(is_open_code);
        let code = |one: &SettingDrift| {
            let refused = refused(self.station, &self.after);
            let then =
                refused.map_or(String::new(), |refused| format!(" {} {}", refused.sentence(), refused.what_to_do()));
            format!("No report says what {} is.{then}", self.title(&one.name))
        };
        let mut said: Vec<String> = codes.into_iter().map(code).collect();
        for word in SETTINGS {
            let all = others.iter().filter(|one| word_of(one.drift) == word);
            let titles: Vec<String> = all.map(|one| self.title(&one.name)).collect();
            if !titles.is_empty() {
                said.push(format!("{word}: {}.", titles.join(", ")));
            }
        }
        said
    }

    /// The steps of the script that the report does not name.
    fn unreported(&self) -> Option<String> {
        let reported = |number: u32| self.report.steps.iter().any(|(step, _)| *step == number);
        let steps = self.script.into_iter().flat_map(|script| &script.steps).map(|step| step.step);
        let all: Vec<u32> = steps.filter(|number| !reported(*number)).collect();
        let is_run = all.windows(2).all(|pair| pair[0] + 1 == pair[1]);
        match all[..] {
            [] => None,
            [one] => Some(format!("Step {one} is not in the report. It counts as not keyed.")),
            [first, .., last] if is_run && all.len() > 2 => {
                Some(format!("Steps {first} to {last} are not in the report. They count as not keyed."))
            }
            _ => Some(format!("Steps {} are not in the report. They count as not keyed.", listed(&all, "and"))),
        }
    }
}

/// What is the matter with settings, in the order in which it is said.
const SETTINGS: [&str; 4] = ["Unknown", "In doubt", "Confirmed too long ago", "Still to key"];

fn word_of(drift: Drift) -> &'static str {
    match drift {
        Drift::Unproven => SETTINGS[0],
        Drift::InDoubt => SETTINGS[1],
        Drift::Overdue => SETTINGS[2],
        Drift::Differs | Drift::Strayed => SETTINGS[3],
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
        Value::Digits(text) | Value::Dial(text) if text.is_empty() => "empty".into(),
        Value::Digits(_) | Value::Dial(_) | Value::Choice(_) | Value::Flags(_) | Value::Number(_) => value_text(value),
    }
}

#[cfg(test)]
#[path = "answer_tests.rs"]
pub(in crate::fleet) mod tests;
