//! What is settled of one station from now on: what was, or what is wanted.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp, TimestampRound, Unit};

use super::print::{Wants, of_all, of_value, without_parts};
use super::row::Settled;
use crate::inventory::{Station, Wanted};
use crate::keybook::SettingId;
use crate::ledger::{Mark, Record};
use crate::setting::Name;

/// A station to be settled.
pub(super) struct Case<'a> {
    pub station: &'a Station,
    pub wants: &'a Wants,
    pub record: &'a Record,
    /// Its row, perhaps of another name.
    pub row: Option<&'a Settled>,
    /// What was settled at the line that rings it now, where its row is of another line.
    pub line: Option<&'a Settled>,
    pub now: Timestamp,
    pub seq: i64,
}

impl Case<'_> {
    /// What is settled from now on. Judged again with that kept, it is the same.
    pub fn settle(&self) -> Settled {
        let base = self.base();
        let number = self.station.number.name().clone();
        let is_other_line = self.line.is_some_and(|line| !is_wanted(line, self.wants, self.station));
        let base = Settled { site: self.station.site.clone(), model: self.station.keybook.model.clone(), ..base };
        let out_is_answered = base.out.as_ref().is_none_or(|out| self.is_answered(out.at));
        if is_wanted(&base, self.wants, self.station) && !is_other_line {
            let is_over = out_is_answered && self.shows(false);
            let since = base.since.filter(|_| !base.on_record);
            let out = base.out.clone().filter(|_| !is_over);
            return Settled { number, since, held: None, out, ..self.wanted(base) };
        }
        let gone: Vec<&Name> = self.gone(&base).collect();
        let is_asked = is_other_line || !gone.is_empty();
        let is_meant = !is_asked
            || base.since.is_some_and(|since| {
                gone.iter().all(|name| self.is_let_go(name, since)) && (!is_other_line || self.speaks_of_all(since))
            });
        let is_shown = is_meant && out_is_answered && self.shows(!gone.is_empty());
        if is_shown || !(base.on_record || is_other_line) {
            let since = base.since.filter(|_| !base.on_record);
            return Settled { number, seq: self.seq, since, held: None, out: None, ..self.wanted(base) };
        }
        let since = base.since.or_else(|| Some(after(self.now, last_word(self.record)))).filter(|_| is_asked);
        Settled { number: if is_other_line { base.number } else { number }, since, ..base }
    }

    fn wanted(&self, base: Settled) -> Settled {
        Settled { print: self.wants.print.clone(), parts: Some(self.wants.parts.clone()), ..base }
    }

    /// What to start from: its row, with parts; or what reports prove that nobody had seen when it became known.
    fn base(&self) -> Settled {
        let is_reported = !self.record.is_blank();
        let Some(row) = self.row else {
            let base = self.wanted(self.new_row(is_reported));
            return if is_reported { self.proved(base, Timestamp::MAX) } else { base };
        };
        let formerly = if row.station == self.station.name || row.is_line() {
            row.formerly.clone()
        } else {
            Some(row.station.clone())
        };
        let row = Settled { station: self.station.name.clone(), formerly, ..row.clone() };
        let row = if row.parts.is_some() { row } else { self.with_parts(row) };
        match (row.on_record, is_reported) {
            (false, true) => {
                let before = row.since.unwrap_or(Timestamp::MIN);
                self.proved(Settled { on_record: true, since: None, ..row }, before)
            }
            (true, _) => row,
            (false, false) => Settled { since: row.since.or(Some(after(self.now, None))), ..row },
        }
    }

    fn new_row(&self, on_record: bool) -> Settled {
        Settled {
            station: self.station.name.clone(),
            formerly: None,
            site: self.station.site.clone(),
            model: self.station.keybook.model.clone(),
            number: self.station.number.name().clone(),
            print: self.wants.print.clone(),
            parts: None,
            on_record,
            seq: self.seq,
            since: (!on_record).then(|| after(self.now, None)),
            held: None,
            out: None,
        }
    }

    /// Parts of a row that an older version kept. Where something else was wanted then, it is not known what each was.
    fn with_parts(&self, row: Settled) -> Settled {
        if row.print == without_parts(self.station) {
            return self.wanted(row);
        }
        let known =
            self.lifelines().filter(|id| self.station.wanted(*id).is_some() || self.record.known(*id).is_some());
        let parts = known.map(|id| (self.station.keybook.setting(id).name.clone(), "".into()));
        Settled { parts: Some(Arc::new(parts.collect())), ..row }
    }

    /// What reports of a time before show of lifelines, where they do.
    fn proved(&self, base: Settled, before: Timestamp) -> Settled {
        let is_before = |mark: Option<Mark>| mark.is_some_and(|mark| mark.at < before);
        let mut parts: BTreeMap<Name, Name> = base.parts.as_deref().cloned().unwrap_or_default();
        let mut is_other = false;
        for id in self.lifelines().filter(|id| is_before(self.record.holding(*id).mark)) {
            let (Some(held), name) = (self.record.known(id), &self.station.keybook.setting(id).name) else { continue };
            let print = match self.station.wanted(id).filter(|wanted| held.agrees(&wanted.value)) {
                Some(_) => self.wants.parts.get(name).cloned().unwrap_or_default(),
                None => of_value(held),
            };
            is_other |= parts.insert(name.clone(), print.clone()) != Some(print);
        }
        if !is_other {
            return base;
        }
        Settled { print: of_all(&parts), parts: Some(Arc::new(parts)), ..base }
    }

    fn lifelines(&self) -> impl Iterator<Item = SettingId> {
        self.station.keybook.ids().filter(|id| self.station.is_lifeline(*id))
    }

    /// The settings of its lifelines with something wanted.
    fn vital(&self) -> impl Iterator<Item = (SettingId, &Wanted)> {
        self.lifelines().filter_map(|id| Some((id, self.station.wanted(id)?)))
    }

    /// What was settled and is no lifeline setting with something wanted any more.
    fn gone<'b>(&'b self, base: &'b Settled) -> impl Iterator<Item = &'b Name> {
        base.parts.iter().flat_map(|parts| parts.keys()).filter(|name| !self.wants.parts.contains_key(*name))
    }

    /// Whether the confirmed record shows everything that is wanted of its lifelines. Nothing wanted proves nothing, unless
    /// something else speaks for it.
    fn shows(&self, is_spoken_for: bool) -> bool {
        let agrees = |(id, wanted): (_, &Wanted)| self.record.known(id).is_some_and(|held| held.agrees(&wanted.value));
        (is_spoken_for || self.vital().next().is_some()) && self.vital().all(agrees)
    }

    /// Whether a report of a time after shows what the station holds of a setting that is gone: as it is wanted still, if it
    /// is. Where its model has no such setting, the report speaks of all there is.
    fn is_let_go(&self, name: &Name, since: Timestamp) -> bool {
        let Some(id) = self.station.keybook.id(name) else { return self.speaks_of_all(since) };
        let is_after = self.record.holding(id).mark.is_some_and(|mark| mark.at >= since);
        let is_right = |held| self.station.wanted(id).is_none_or(|wanted| wanted.value.agrees(held));
        is_after && self.record.known(id).is_some_and(is_right)
    }

    /// Whether reports of a time after speak of all that is wanted of its lifelines.
    fn speaks_of_all(&self, since: Timestamp) -> bool {
        let is_after = |mark: Option<Mark>| mark.is_some_and(|mark| mark.at >= since);
        self.vital().next().is_some() && self.vital().all(|(id, _)| is_after(self.record.holding(id).mark))
    }

    /// Whether reports say what became of a script that was handed out then.
    fn is_answered(&self, out_at: Timestamp) -> bool {
        self.record.answered.is_some_and(|mark| mark.at >= out_at) || self.speaks_of_all(out_at)
    }
}

/// Whether a row is what is wanted of a station.
pub(super) fn is_wanted(row: &Settled, wants: &Wants, station: &Station) -> bool {
    let is_old = row.parts.as_ref().is_none_or(|parts| parts.values().any(|print| print.is_empty()));
    row.print == wants.print || (is_old && row.print == without_parts(station))
}

/// When a report last spoke of a station.
pub(super) fn last_word(record: &Record) -> Option<Timestamp> {
    let settings = record.settings.iter().filter_map(|holding| holding.mark);
    let tests = record.lifelines.iter().filter_map(|proof| proof.last.map(|(_, mark)| mark));
    settings.chain(tests).chain(record.answered).map(|mark| mark.at).max()
}

/// The second of a moment, or the one after the last word where that lies ahead: a report may be some minutes ahead of the
/// clock, and of the same second, which has no smaller parts, it comes after.
pub(super) fn after(now: Timestamp, last_word: Option<Timestamp>) -> Timestamp {
    let down = TimestampRound::new().smallest(Unit::Second).mode(jiff::RoundMode::Trunc);
    let second = |at: Timestamp| at.round(down).unwrap_or(at);
    let ahead = last_word.and_then(|last| second(last).checked_add(SignedDuration::from_secs(1)).ok());
    second(now).max(ahead.unwrap_or(Timestamp::MIN))
}
