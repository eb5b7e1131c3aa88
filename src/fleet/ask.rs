//! What a view answers: which script a station needs, what the whole fleet needs, where a value comes from.
//!
//! Commands, pages and alerts show these answers and work out nothing beside them. The codes behind references enter here,
//! and only here.

use std::collections::BTreeMap;

use super::issue::{Cleared, clear};
use super::rows::Row;
use super::view::View;
use crate::brake::Change;
use crate::drift::{Standing, StationDrift, Totals};
use crate::inventory::{Extent, Layer, Spoken, SpokenLine, layers, spoken, spoken_line};
use crate::keybook::SettingId;
use crate::ledger::{Digest, Issued, Mark, Record};
use crate::script::{self, Due, Errand, Laid, Memory, NoScript, Request, Script, Way, WorkList};
use crate::setting::Codes;

/// What keying a station needs.
#[derive(Debug)]
pub enum Keying<'v> {
    /// It is not on record yet: it must be, before anybody has it.
    Script {
        /// What to key.
        script: Box<Script>,
        /// That the brake lets it go; with this it is recorded.
        cleared: Cleared,
        /// The codes that its keys need.
        codes: Codes,
    },
    /// The script waits for the release of this change.
    Held(&'v Change),
    /// Everything that can be keyed is as wanted, and no test call is asked for.
    Nothing,
    /// No order of commands leads there, and why.
    NoScript(NoScript),
}

/// Some stations, and how they are.
#[derive(Debug)]
pub struct Drifts<'v> {
    /// Those to show, the most urgent first.
    pub shown: Vec<&'v Row>,
    /// Over all that were asked for.
    pub totals: Totals,
}

/// Where the values of a station come from, and what keying them would be.
#[derive(Debug)]
pub struct Explanation<'v> {
    /// The station.
    pub row: &'v Row,
    /// What the reports prove of it.
    pub record: Record,
    /// The layers that speak of each setting asked for, the winner last.
    pub voices: BTreeMap<SettingId, Vec<Spoken>>,
    /// The lines that speak of its line.
    pub line: Vec<SpokenLine>,
    /// All its layers, the later wins.
    pub layers: Vec<Layer>,
    /// The script that it would get now, where it needs one. It is not issued, so nothing is recorded.
    pub script: Option<Result<Script, NoScript>>,
    /// The change that its script waits for.
    pub held: Option<&'v Change>,
}

impl View {
    /// How some stations are; those that are aligned are shown only where `all` is asked for.
    pub fn drift<'v>(&'v self, rows: impl IntoIterator<Item = &'v Row>, all: bool) -> Drifts<'v> {
        let rows: Vec<&Row> = rows.into_iter().collect();
        let totals = Totals::of(rows.iter().map(|row| &*row.drift));
        let mut shown: Vec<&Row> =
            rows.into_iter().filter(|row| all || row.drift.standing != Standing::Aligned).collect();
        shown.sort_by_key(|row| urgency(&row.drift));
        Drifts { shown, totals }
    }

    /// The codes that a script for a station may need.
    pub fn codes_for(&self, row: &Row, record: &Record) -> Codes {
        self.sources.codes_for(&self.reading, &row.station, record)
    }

    /// What a script of a station is written from.
    pub fn request<'v>(&'v self, row: &'v Row, record: &'v Record, codes: &'v Codes) -> Request<'v> {
        let (station, drift) = (&row.station, &row.drift);
        Request { station, record, drift, contacts: &self.effective.contacts, codes }
    }

    /// Asks the brake.
    pub(super) fn clear(&self, script: &Script, row: &Row, record: &Record) -> Result<Cleared, &Change> {
        clear(script, &row.written, record, self.change.as_deref(), self.at)
    }

    /// What keying a station needs.
    pub fn keying(&self, row: &Row, way: Way, memory: &mut Memory) -> Keying<'_> {
        self.asked(row, |request| script::write(request, way, memory))
    }

    /// What keying a station needs where overdue settings are keyed again that no test call confirms: of `names`, or, where
    /// that is empty, all of them.
    ///
    /// # Errors
    /// A name of a setting that is not overdue, or that a test call confirms.
    pub fn renewing<'n>(&self, row: &Row, names: &'n [String], memory: &mut Memory) -> Result<Keying<'_>, &'n str> {
        let mut ids = script::renewable(&self.request(row, &row.record(), &Codes::default()));
        let is_named = |id: &SettingId, name: &String| *row.station.keybook.setting(*id).name == **name;
        if let Some(other) = names.iter().find(|name| !ids.iter().any(|id| is_named(id, name))) {
            return Err(other);
        }
        ids.retain(|id| names.is_empty() || names.iter().any(|name| is_named(id, name)));
        Ok(self.asked(row, |request| script::renew(request, &ids, memory)))
    }

    /// The errand of a station that has this digest; where none has, what keying it needs now. `issued`: the script of that
    /// digest on record.
    pub fn errand(&self, row: &Row, digest: &Digest, issued: Option<&Issued>, memory: &mut Memory) -> Keying<'_> {
        if let Some(keying) = issued.and_then(|issued| self.begun(row, issued)) {
            return keying;
        }
        let is_it = |keying: &Keying| matches!(keying, Keying::Script { script, .. } if script.digest == *digest);
        let there = self.keying(row, Way::There, memory);
        if is_it(&there) {
            return there;
        }
        let renewed = issued.map(script::renewed).unwrap_or_default();
        let other = match issued {
            Some(_) if !renewed.is_empty() => self.renewing(row, &renewed, memory).ok(),
            // A card of a failed test names the way back before anybody has asked for it, and the work list a renewal.
            None => {
                Some(self.keying(row, Way::Back, memory)).filter(is_it).or_else(|| self.renewing(row, &[], memory).ok())
            }
            Some(issued) if !is_back(row, issued) || is_settled(row, issued) => None,
            Some(_) => Some(self.keying(row, Way::Back, memory)),
        };
        other.filter(is_it).unwrap_or(there)
    }

    /// A card that was begun keeps its keys until its own report is on record, or a later one that names another script.
    fn begun(&self, row: &Row, issued: &Issued) -> Option<Keying<'_>> {
        let record = row.record();
        let visit = record.begun.iter().map(|open| &open.visit).rev().find(|visit| visit.script == issued.digest)?;
        let is_over = |answered: Mark| answered.at.as_second() > visit.at.as_second();
        if record.answered.is_some_and(is_over) {
            return None;
        }
        let codes = self.codes_for(row, &record);
        let script = Box::new(script::begun(&self.request(row, &record, &codes), issued, visit)?);
        Some(Keying::Script { script, cleared: Cleared::begun(issued, &record, self.at), codes })
    }

    fn asked(&self, row: &Row, ask: impl FnOnce(&Request) -> Result<Option<Script>, NoScript>) -> Keying<'_> {
        if row.station.keybook.is_example() {
            return Keying::NoScript(NoScript::Example { model: row.station.keybook.model.clone() });
        }
        let record = row.record();
        let codes = self.codes_for(row, &record);
        match ask(&self.request(row, &record, &codes)) {
            Ok(Some(script)) => match self.clear(&script, row, &record) {
                Err(change) => Keying::Held(change),
                Ok(cleared) => Keying::Script { script: Box::new(script), cleared, codes },
            },
            Ok(None) => Keying::Nothing,
            Err(why) => Keying::NoScript(why),
        }
    }

    /// What some stations need, the most urgent first, and what its scripts are recorded with. `progress` hears of each station.
    pub fn work_list<'v>(
        &'v self,
        rows: &[&'v Row],
        memory: &mut Memory,
        mut progress: impl FnMut(),
    ) -> (WorkList, Vec<Cleared>) {
        let (mut errands, mut to_record) = (Vec::new(), Vec::new());
        for row in rows {
            progress();
            let (due, cleared) = self.due(row, memory);
            to_record.extend(cleared);
            let Some(due) = due else { continue };
            errands.push(Errand { station: row.station.clone(), drift: (*row.drift).clone(), due });
        }
        let set_aside = rows.iter().filter(|row| row.station.for_now.set_aside != Extent::Nothing).count();
        (WorkList::new(errands, set_aside, self.held()), to_record)
    }

    /// What a station needs, and what its card is recorded with.
    fn due(&self, row: &Row, memory: &mut Memory) -> (Option<Due>, Option<Cleared>) {
        match self.keying(row, Way::There, memory) {
            Keying::Script { script, cleared, codes } => {
                let is_test = script.calls.is_empty();
                let laid = Laid { script, codes };
                (Some(if is_test { Due::Test(Some(laid)) } else { Due::Keying(laid) }), Some(cleared))
            }
            Keying::Held(_) => (Some(Due::Held(self.until_released(row, memory))), None),
            Keying::NoScript(why) => (Some(Due::Stuck(why)), None),
            Keying::Nothing if row.drift.standing == Standing::Aligned => (None, None),
            Keying::Nothing if let Some(undecided) = script::Undecided::of(&row.station, &row.record()) => {
                (Some(Due::Decide(undecided)), None)
            }
            // What is overdue, and no test call confirms, is keyed again.
            Keying::Nothing => match self.renewing(row, &[], memory) {
                Ok(Keying::Script { script, cleared, codes }) => {
                    (Some(Due::Test(Some(Laid { script, codes }))), Some(cleared))
                }
                Ok(Keying::Held(_) | Keying::Nothing | Keying::NoScript(_)) | Err(_) => (Some(Due::Test(None)), None),
            },
        }
    }

    /// Where the values of some settings of a station come from.
    pub fn explain<'v>(&'v self, row: &'v Row, ids: &[SettingId]) -> Explanation<'v> {
        let (files, station) = (&self.reading.files, &row.station);
        let name = |id: &SettingId| &*station.keybook.setting(*id).name;
        let record = row.record();
        let script = (row.drift.standing != Standing::Aligned).then(|| {
            let codes = self.codes_for(row, &record);
            script::write(&self.request(row, &record, &codes), Way::There, &mut Memory::default()).transpose()
        });
        let script = script.flatten();
        Explanation {
            row,
            voices: ids.iter().map(|id| (*id, spoken(files, &station.name, name(id)))).collect(),
            line: spoken_line(files, &station.name),
            layers: layers(files, &station.name),
            held: script.as_ref().and_then(|script| self.clear(script.as_ref().ok()?, row, &record).err()),
            script,
            record,
        }
    }
}

/// Whether a script was last shown as a way back; the same keys may have been asked for either way.
fn is_back(row: &Row, issued: &Issued) -> bool {
    let record = row.record();
    let out = record.handed_out.iter().find(|out| out.script == issued.digest);
    out.map_or(issued.is_back(), |out| out.is_back)
}

/// Whether a test call reached help after a way back was last shown, and none failed since: nothing is left to go back from.
fn is_settled(row: &Row, back: &Issued) -> bool {
    let record = row.record();
    let out = record.handed_out.iter().filter(|out| out.script == back.digest).map(|out| out.at).max();
    let shown = out.unwrap_or(back.at).max(back.at);
    let reached = record.lifelines.iter().filter_map(|proof| proof.reached);
    !script::has_failed(&row.station, &record) && reached.max().is_some_and(|mark| mark.at > shown)
}

/// The heaviest weight first, then the worst standing, then by site and name.
fn urgency(drift: &StationDrift) -> impl Ord + use<> {
    (std::cmp::Reverse(drift.weight), drift.standing, drift.site.clone(), drift.station.clone())
}
