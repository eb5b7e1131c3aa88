//! Why a pass has something to tell: the lines of the inventory, the reports, the clock.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;
use serde_json::Value as Json;

use super::clip::{NAME, PLACE, clip};
use super::pass::{NewCommit, Pass, ReportTaken};
use super::step::Reason;
use super::topic::seen::Seen;
use super::topic::station::{Item, StationSubject};
use crate::drift::{Drift, Service, SettingDrift};
use crate::finding::Place;
use crate::setting::{Name, Weight, spoken};

/// The cause of one message, as told.
#[derive(Debug, Default, Serialize)]
pub struct ToldCause {
    pub started: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub commit: Option<ToldCommit>,
    /// Lines that want what does not hold, of the most stations first.
    pub inventory: Vec<ToldLine>,
    pub inventory_left_out: usize,
    /// Lines that take out of management what was managed before.
    pub unwatched: Vec<ToldLine>,
    pub unwatched_left_out: usize,
    pub reports: Vec<ToldReport>,
    pub reports_left_out: usize,
    pub files: Vec<String>,
    pub files_left_out: usize,
    /// Stations at which something became overdue.
    pub overdue: usize,
    /// Stations that are gone from the inventory.
    pub withdrawn: usize,
    /// Stations whose case is older, but new to this webhook.
    pub heard_late: usize,
}

/// The commit that came into force.
#[derive(Debug, Serialize)]
pub struct ToldCommit {
    #[serde(flatten)]
    pub commit: Json,
    /// The id of the one in force before.
    pub before: Option<String>,
    /// Whether the one before is not in its history.
    pub rewritten: bool,
    /// In one line, for people.
    #[serde(skip)]
    pub line: String,
}

#[derive(Debug, Serialize)]
pub struct ToldLine {
    pub at: String,
    pub setting: String,
    /// What people call it.
    #[serde(skip)]
    pub title: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub contact: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub contact_at: Option<String>,
    pub stations: usize,
}

#[derive(Debug, Serialize)]
pub struct ToldReport {
    pub report: String,
    pub station: String,
    pub by: String,
}

/// How many of each are shown.
const SHOWN: usize = 6;

/// What made new drift at a station.
#[derive(Default)]
struct Source<'a> {
    lines: BTreeSet<(LineEdit<'a>, Weight)>,
    overdue: bool,
}

impl ToldCause {
    /// The cause of what one message tells.
    pub fn of(items: &[Item<'_, '_>], pass: &Pass<'_>) -> ToldCause {
        let commit = pass.cause.commit.as_ref().map(told_commit);
        let mut cause = ToldCause { started: pass.cause.started, commit, ..ToldCause::default() };
        let told: BTreeSet<&str> = items.iter().map(|item| &*item.subject.name).collect();
        let reports: Vec<&ReportTaken> =
            pass.cause.reports.iter().filter(|report| told.contains(&*report.station)).collect();
        let reported: BTreeSet<&str> = reports.iter().map(|report| &*report.station).collect();
        let (mut lines, mut let_go) = (Lines::new(), Lines::new());
        for Item { reason, subject, was: _, weight: _ } in items {
            match reason {
                Reason::Withdrawn => cause.withdrawn += 1,
                Reason::Opened | Reason::Grown if is_old(subject) => cause.heard_late += 1,
                Reason::Opened | Reason::Grown | Reason::Unwatched | Reason::Returned => {
                    let source = source(subject, reported.contains(&*subject.name));
                    cause.overdue += usize::from(source.overdue);
                    source.lines.into_iter().for_each(|(line, weight)| add(&mut lines, line, weight));
                }
                Reason::StillOpen | Reason::Eased | Reason::Watched | Reason::Closed => {}
            }
            let losses = subject.losses().filter(|_| *reason == Reason::Unwatched);
            for (part, lost) in losses.iter().flat_map(|losses| &losses.parts) {
                if let Some(at) = &lost.at {
                    add(&mut let_go, (at, part.name(), None, None), lost.weight);
                }
            }
        }
        (cause.inventory, cause.inventory_left_out) = show_lines(lines, pass);
        (cause.unwatched, cause.unwatched_left_out) = show_lines(let_go, pass);
        cause.reports_left_out = reports.len().saturating_sub(SHOWN);
        cause.reports = reports.into_iter().take(SHOWN).map(shown_report).collect();
        cause.files_left_out = pass.cause.files.len().saturating_sub(SHOWN);
        cause.files = pass.cause.files.iter().take(SHOWN).map(|file| clip(file, PLACE)).collect();
        cause
    }
}

/// How many stations a line is behind, and the heaviest of what it is behind.
type Lines<'a> = BTreeMap<LineEdit<'a>, (Weight, usize)>;

fn add<'a>(lines: &mut Lines<'a>, line: LineEdit<'a>, weight: Weight) {
    let entry = lines.entry(line).or_insert((weight, 0));
    *entry = (entry.0.max(weight), entry.1 + 1);
}

/// The first of them as told, and how many are left out.
fn show_lines(lines: Lines<'_>, pass: &Pass<'_>) -> (Vec<ToldLine>, usize) {
    let mut lines: Vec<_> = lines.into_iter().collect();
    // Stable, so that equals stay in the order of the files.
    lines.sort_by_key(|(_, (weight, stations))| std::cmp::Reverse((*weight, *stations)));
    let left_out = lines.len().saturating_sub(SHOWN);
    let shown = lines.into_iter().take(SHOWN).map(|((at, setting, title, contact), (_, stations))| ToldLine {
        at: clip(&at.to_string(), PLACE),
        setting: clip(setting, NAME),
        title: clip(&spoken(setting, title), NAME),
        contact: contact.map(|contact| clip(contact, NAME)),
        contact_at: contact
            .and_then(|contact| pass.contacts.get(contact))
            .map(|contact| clip(&contact.place.to_string(), PLACE)),
        stations,
    });
    (shown.collect(), left_out)
}

fn told_commit(new: &NewCommit) -> ToldCommit {
    let NewCommit { commit, before, is_rewritten } = new;
    let how = if *is_rewritten { ", which is not a successor of the one before" } else { "" };
    ToldCommit {
        commit: commit.json(),
        before: before.as_ref().map(|before| before.id().to_owned()),
        rewritten: *is_rewritten,
        line: format!("Commit {} is in use{how}.", commit.briefly()),
    }
}

fn shown_report(report: &ReportTaken) -> ToldReport {
    let ReportTaken { id, station, by } = report;
    ToldReport { report: id.to_string(), station: clip(station, NAME), by: clip(by, NAME) }
}

/// Whether the case is as it was before this pass.
fn is_old(subject: &StationSubject<'_>) -> bool {
    subject.open().zip(subject.now.as_ref()).is_some_and(|(told, now)| told.condition.mark == now.mark)
}

fn source<'a>(subject: &'a StationSubject<'_>, reported: bool) -> Source<'a> {
    let mut source = Source::default();
    let was = subject.open().map(|told| &told.condition.facts);
    let (Some(drift), Some(seen)) = (subject.drift(), subject.seen()) else { return source };
    for setting in &drift.settings {
        match origin(setting, seen, was, reported) {
            Some(Origin::Edit) => {
                let (title, contact) = (setting.title.as_ref(), setting.contact.as_ref());
                source.lines.insert(((&setting.wanted_at, &setting.name, title, contact), setting.weight));
            }
            Some(Origin::Clock) => source.overdue = true,
            None => {}
        }
    }
    let was_overdue =
        |name| was.and_then(|was| was.lifelines.get(name)).is_some_and(|was| was.service == Service::Overdue);
    source.overdue |= seen.lifelines.iter().any(|(name, is)| is.service == Service::Overdue && !was_overdue(name));
    source
}

/// A line of the inventory, the setting it wants with its title, and the contact behind it.
type LineEdit<'a> = (&'a Place, &'a Name, Option<&'a Name>, Option<&'a Name>);

enum Origin {
    Edit,
    Clock,
}

/// What is behind a setting's drift; `None` where it is not new, or a report is behind it.
fn origin(setting: &SettingDrift, seen: &Seen, was: Option<&Seen>, reported: bool) -> Option<Origin> {
    let is = seen.settings.get(&setting.name)?;
    let was = was.and_then(|was| was.settings.get(&setting.name));
    match (was, is.drift) {
        (Some(was), _) if was.wanted != is.wanted => Some(Origin::Edit),
        (Some(was), Drift::Overdue) => (was.drift != Drift::Overdue).then_some(Origin::Clock),
        (None, Drift::Overdue) => Some(Origin::Clock),
        (None, Drift::Differs | Drift::InDoubt | Drift::Unproven) => (!reported).then_some(Origin::Edit),
        (None, Drift::Strayed) | (Some(_), Drift::Differs | Drift::Strayed | Drift::InDoubt | Drift::Unproven) => None,
    }
}
