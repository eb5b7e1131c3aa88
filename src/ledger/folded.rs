//! A confirmed record as bytes, to be kept beside the ledger that it was folded from, and read back.
//!
//! Equal records give equal bytes. Each text stands once, in the order of its first use, and so does each mark. Whoever reads
//! must have the keybook that the record was folded with; bytes that are no record of it give none. Whether they may still be
//! believed is not decided here.

use jiff::Timestamp;
use uuid::Uuid;

use super::earlier::{Earlier, FailedWith, Held, Keying, RefusedStep, Worked};
use super::issued::Digest;
use super::mark::Mark;
use super::proven::{Evidence, Proven};
use super::record::{Elsewhere, Failure, Holding, Proof, Record, Refusal, State};
use super::report::Outcome;
use super::shown::HandedOut;
use super::visit::{OpenVisit, Visit};
use crate::keybook::{Keybook, SettingId};
use crate::setting::{Fingerprint, Name, Reference, Secret, Value};

/// The form of the bytes, and what the fold makes of the same reports: another number where either is another.
pub const FOLDED_FORM: u32 = 5;

/// Nanoseconds.
const SECOND: i128 = 1_000_000_000;

/// A record as bytes.
pub fn folded_bytes(record: &Record) -> Vec<u8> {
    let mut pen = Pen::default();
    pen.record(record);
    let Pen { texts, marks, out } = pen;
    let mut head = Pen::default();
    head.list(&texts, |head, text| head.bytes(text.as_bytes()));
    head.list(&marks, |head, mark| {
        head.time(mark.at);
        head.out.extend_from_slice(mark.report.as_bytes());
    });
    [head.out, out].concat()
}

/// The record that bytes stand for; nothing where they are none of this keybook.
pub fn record_from_bytes(bytes: &[u8], keybook: &Keybook) -> Option<Record> {
    let mut eye = Eye { bytes, texts: Vec::new(), marks: Vec::new() };
    eye.texts = eye.list(|eye| Some(std::str::from_utf8(eye.bytes()?).ok()?.into()))?;
    eye.marks = eye.list(|eye| Some(Mark { at: eye.time()?, report: eye.uuid()? }))?;
    let record = eye.record()?;
    let fits = record.settings.len() == keybook.settings.len() && record.lifelines.len() == keybook.lifelines.len();
    (fits && eye.bytes.is_empty() && record.ids().all(|id| id.index() < keybook.settings.len())).then_some(record)
}

impl Record {
    /// The settings that it names by their place in the keybook.
    fn ids(&self) -> impl Iterator<Item = SettingId> {
        let Earlier { worked, failed, refused, codes, .. } = &self.earlier;
        let held = worked.iter().flatten().map(|worked| &worked.held).chain(failed.iter().map(|failed| &failed.held));
        let out = self.handed_out.iter().map(|script| &script.leads_to);
        let all = held.chain(self.begun.iter().map(|visit| &visit.leads_to)).chain(out).flatten();
        let refused = refused.iter().map(|refused| refused.id);
        let elsewhere = self.elsewhere.iter().map(|heard| heard.id);
        all.map(|(id, _)| *id).chain(codes.iter().map(|(id, _)| *id)).chain(refused).chain(elsewhere)
    }
}

/// Writes.
#[derive(Default)]
struct Pen<'r> {
    texts: Vec<&'r str>,
    marks: Vec<Mark>,
    out: Vec<u8>,
}

/// The place of a thing among those written before, where it is put if it is not among them.
fn place_of<T: PartialEq>(all: &mut Vec<T>, one: T) -> u64 {
    let at = all.iter().position(|other| *other == one).unwrap_or_else(|| {
        all.push(one);
        all.len() - 1
    });
    at as u64
}

impl<'r> Pen<'r> {
    /// Seven bits a byte, the lowest first.
    fn number(&mut self, mut number: u64) {
        while number > 0x7f {
            self.out.push((number & 0x7f) as u8 | 0x80);
            number >>= 7;
        }
        self.out.push(number as u8);
    }

    fn flag(&mut self, flag: bool) {
        self.number(u64::from(flag));
    }

    fn bytes(&mut self, bytes: &[u8]) {
        self.number(bytes.len() as u64);
        self.out.extend_from_slice(bytes);
    }

    fn time(&mut self, at: Timestamp) {
        let (second, rest) = (at.as_nanosecond().div_euclid(SECOND), at.as_nanosecond().rem_euclid(SECOND));
        // Small where it is near 1970 on either side. A timestamp's seconds are within 64 bits, and so is the rest.
        let second = second as i64;
        self.number(((second << 1) ^ (second >> 63)) as u64);
        self.number(rest as u64);
    }

    fn text(&mut self, text: &'r str) {
        let at = place_of(&mut self.texts, text);
        self.number(at);
    }

    fn mark(&mut self, mark: Mark) {
        let at = place_of(&mut self.marks, mark);
        self.number(at);
    }

    fn option<T>(&mut self, one: Option<T>, write: impl FnOnce(&mut Self, T)) {
        self.flag(one.is_some());
        if let Some(one) = one {
            write(self, one);
        }
    }

    fn list<T>(
        &mut self,
        all: impl IntoIterator<Item = T, IntoIter: ExactSizeIterator>,
        mut write: impl FnMut(&mut Self, T),
    ) {
        let all = all.into_iter();
        self.number(all.len() as u64);
        all.for_each(|one| write(self, one));
    }

    fn digest(&mut self, digest: &Digest) {
        self.out.extend_from_slice(&digest.number().to_be_bytes());
    }

    fn record(&mut self, record: &'r Record) {
        let Record { settings, lifelines, answered, proven, earlier, number, elsewhere, begun, handed_out } = record;
        self.list(settings, Pen::holding);
        self.list(lifelines, Pen::proof);
        self.option(*answered, Pen::mark);
        self.list(proven, Pen::proven);
        self.earlier(earlier);
        self.option(number.as_deref(), Pen::text);
        self.list(elsewhere, |pen, Elsewhere { id, value, station, mark }| {
            pen.number(u64::from(id.0));
            pen.value(value);
            pen.text(station);
            pen.mark(*mark);
        });
        self.list(begun, |pen, OpenVisit { visit, leads_to }| {
            pen.visit(visit);
            pen.leads_to(leads_to);
        });
        self.list(handed_out, |pen, HandedOut { script, at, leads_to, is_back }| {
            pen.digest(script);
            pen.time(*at);
            pen.leads_to(leads_to);
            pen.flag(*is_back);
        });
    }

    fn holding(&mut self, Holding { state, refused, strayed, mark }: &'r Holding) {
        match state {
            State::Unknown => self.number(0),
            State::Known(value) => {
                self.number(1);
                self.value(value);
            }
            State::InDoubt(values) => {
                self.number(2);
                self.list(values, Pen::value);
            }
        }
        self.list(refused, |pen, Refusal { code, mark, by }| {
            pen.value(code);
            pen.mark(*mark);
            pen.text(by);
        });
        self.option(*strayed, Pen::mark);
        self.option(*mark, Pen::mark);
    }

    fn value(&mut self, value: &'r Value) {
        match value {
            Value::Digits(text) => self.tagged(0, text),
            Value::Dial(text) => self.tagged(1, text),
            Value::Choice(text) => self.tagged(2, text),
            Value::Flags(names) => {
                self.number(3);
                self.list(names, |pen, name| pen.text(name));
            }
            Value::Number(number) => {
                self.number(4);
                self.number(u64::from(*number));
            }
            Value::Secret(Secret { reference, fingerprint }) => {
                match reference {
                    Reference::Env(name) => self.tagged(5, name),
                    Reference::File(path) => self.tagged(6, path),
                    Reference::Factory => self.number(7),
                }
                self.option(fingerprint.as_ref().map(Fingerprint::as_str), Pen::text);
            }
        }
    }

    fn tagged(&mut self, tag: u64, text: &'r str) {
        self.number(tag);
        self.text(text);
    }

    fn maybe(&mut self, value: &'r Option<Value>) {
        self.option(value.as_ref(), Pen::value);
    }

    fn proof(&mut self, Proof { last, failure, answered_by, reached, dead, is_renumbered }: &'r Proof) {
        self.option(last.as_ref(), |pen, (outcome, mark)| {
            pen.flag(*outcome == Outcome::Reached);
            pen.mark(*mark);
        });
        self.option(failure.as_ref(), |pen, Failure { by, note }| {
            pen.text(by);
            pen.option(note.as_deref(), Pen::text);
        });
        self.option(answered_by.as_deref(), Pen::text);
        self.option(*reached, Pen::mark);
        self.option(*dead, Pen::mark);
        self.flag(*is_renumbered);
    }

    fn proven(&mut self, Proven { setting, value, is_tested, made_known, last }: &'r Proven) {
        let Evidence { value: said, at, other_at } = last;
        self.text(setting);
        self.maybe(value);
        self.flag(*is_tested);
        self.maybe(made_known);
        self.maybe(said);
        self.time(*at);
        self.option(*other_at, Pen::time);
    }

    fn held(&mut self, held: &'r Held) {
        self.list(held, Pen::maybe);
    }

    fn earlier(&mut self, earlier: &'r Earlier) {
        let Earlier { worked, before_scripts, failed, refused, codes, tried, before_visit } = earlier;
        self.list(worked, |pen, worked| {
            pen.option(worked.as_ref(), |pen, Worked { mark, held }| {
                pen.mark(*mark);
                pen.leads_to(held);
            });
        });
        self.list(before_scripts, Pen::keying);
        self.list(failed, |pen, FailedWith { lifeline, held, mark, by }| {
            pen.number(*lifeline as u64);
            pen.leads_to(held);
            pen.mark(*mark);
            pen.text(by);
        });
        self.list(refused, |pen, RefusedStep { id, value, mark, by }| {
            pen.number(u64::from(id.0));
            pen.maybe(value);
            pen.mark(*mark);
            pen.text(by);
        });
        self.list(codes, |pen, (id, code)| {
            pen.number(u64::from(id.0));
            pen.value(code);
        });
        self.option(tried.as_ref(), Pen::keying);
        self.held(before_visit);
    }

    fn keying(&mut self, Keying { script, held, since }: &'r Keying) {
        self.digest(script);
        self.held(held);
        self.held(since);
    }

    fn leads_to(&mut self, all: &'r [(SettingId, Option<Value>)]) {
        self.list(all, |pen, (id, value)| {
            pen.number(u64::from(id.0));
            pen.maybe(value);
        });
    }

    fn visit(&mut self, visit: &'r Visit) {
        let Visit { id, script, station, at, by, number } = visit;
        self.out.extend_from_slice(id.as_bytes());
        self.digest(script);
        self.text(station);
        self.time(*at);
        self.text(by);
        self.option(number.as_deref(), Pen::text);
    }
}

/// Reads. Nothing comes of what was not written by a pen.
struct Eye<'b> {
    bytes: &'b [u8],
    texts: Vec<Name>,
    marks: Vec<Mark>,
}

impl<'b> Eye<'b> {
    fn number(&mut self) -> Option<u64> {
        let mut number = 0u64;
        for shift in (0..64).step_by(7) {
            let (byte, rest) = self.bytes.split_first()?;
            self.bytes = rest;
            number |= u64::from(byte & 0x7f).checked_shl(shift)?;
            if byte & 0x80 == 0 {
                return Some(number);
            }
        }
        None
    }

    fn flag(&mut self) -> Option<bool> {
        match self.number()? {
            0 => Some(false),
            1 => Some(true),
            _ => None,
        }
    }

    fn some(&mut self, count: usize) -> Option<&'b [u8]> {
        let (some, rest) = self.bytes.split_at_checked(count)?;
        self.bytes = rest;
        Some(some)
    }

    fn bytes(&mut self) -> Option<&'b [u8]> {
        let count = usize::try_from(self.number()?).ok()?;
        self.some(count)
    }

    fn time(&mut self) -> Option<Timestamp> {
        let zigzag = self.number()?;
        let second = (zigzag >> 1) as i64 ^ -((zigzag & 1) as i64);
        let rest = i128::from(self.number()?);
        Timestamp::from_nanosecond(i128::from(second).checked_mul(SECOND)?.checked_add(rest)?).ok()
    }

    fn uuid(&mut self) -> Option<Uuid> {
        Some(Uuid::from_bytes(self.some(16)?.try_into().ok()?))
    }

    fn text(&mut self) -> Option<Name> {
        let at = usize::try_from(self.number()?).ok()?;
        self.texts.get(at).cloned()
    }

    fn mark(&mut self) -> Option<Mark> {
        let at = usize::try_from(self.number()?).ok()?;
        self.marks.get(at).copied()
    }

    /// The outer `None`: no such thing was written.
    fn option<T>(&mut self, read: impl FnOnce(&mut Self) -> Option<T>) -> Option<Option<T>> {
        if self.flag()? { read(self).map(Some) } else { Some(None) }
    }

    fn list<T>(&mut self, mut read: impl FnMut(&mut Self) -> Option<T>) -> Option<Vec<T>> {
        // Each takes a byte or more: no count is believed that the bytes cannot hold.
        let count = usize::try_from(self.number()?).ok().filter(|count| *count <= self.bytes.len())?;
        let mut all = Vec::with_capacity(count);
        for _ in 0..count {
            all.push(read(self)?);
        }
        Some(all)
    }

    fn digest(&mut self) -> Option<Digest> {
        Some(Digest::of_hash(self.some(8)?))
    }

    fn record(&mut self) -> Option<Record> {
        Some(Record {
            settings: self.list(Eye::holding)?,
            lifelines: self.list(Eye::proof)?,
            answered: self.option(Eye::mark)?,
            proven: self.list(Eye::proven)?,
            earlier: self.earlier()?,
            number: self.option(Eye::text)?,
            elsewhere: self.list(Eye::elsewhere)?,
            begun: self.list(|eye| Some(OpenVisit { visit: eye.visit()?, leads_to: eye.leads_to()? }))?,
            handed_out: self.list(|eye| {
                let (script, at) = (eye.digest()?, eye.time()?);
                Some(HandedOut { script, at, leads_to: eye.leads_to()?, is_back: eye.flag()? })
            })?,
        })
    }

    fn holding(&mut self) -> Option<Holding> {
        let state = match self.number()? {
            0 => State::Unknown,
            1 => State::Known(self.value()?),
            2 => State::InDoubt(self.list(Eye::value)?),
            _ => return None,
        };
        let refused = self.list(|eye| Some(Refusal { code: eye.value()?, mark: eye.mark()?, by: eye.text()? }))?;
        Some(Holding { state, refused, strayed: self.option(Eye::mark)?, mark: self.option(Eye::mark)? })
    }

    fn value(&mut self) -> Option<Value> {
        Some(match self.number()? {
            0 => Value::Digits(self.text()?),
            1 => Value::Dial(self.text()?),
            2 => Value::Choice(self.text()?),
            3 => Value::Flags(self.list(Eye::text)?.into_iter().collect()),
            4 => Value::Number(u32::try_from(self.number()?).ok()?),
            5 => {
                let name = self.text()?;
                self.secret(Reference::Env(name))?
            }
            6 => {
                let path = self.text()?;
                self.secret(Reference::File(path))?
            }
            7 => self.secret(Reference::Factory)?,
            _ => return None,
        })
    }

    fn secret(&mut self, reference: Reference) -> Option<Value> {
        let fingerprint = self.option(Eye::text)?.map(Fingerprint::from);
        Some(Value::Secret(Secret { reference, fingerprint }))
    }

    fn maybe(&mut self) -> Option<Option<Value>> {
        self.option(Eye::value)
    }

    fn proof(&mut self) -> Option<Proof> {
        let last = self.option(|eye| {
            let outcome = if eye.flag()? { Outcome::Reached } else { Outcome::Failed };
            Some((outcome, eye.mark()?))
        })?;
        let failure = self.option(|eye| Some(Failure { by: eye.text()?, note: eye.option(Eye::text)? }))?;
        let answered_by = self.option(Eye::text)?;
        let (reached, dead, is_renumbered) = (self.option(Eye::mark)?, self.option(Eye::mark)?, self.flag()?);
        Some(Proof { last, failure, answered_by, reached, dead, is_renumbered })
    }

    fn proven(&mut self) -> Option<Proven> {
        let (setting, value, is_tested) = (self.text()?, self.maybe()?, self.flag()?);
        let made_known = self.maybe()?;
        let last = Evidence { value: self.maybe()?, at: self.time()?, other_at: self.option(Eye::time)? };
        Some(Proven { setting, value, is_tested, made_known, last })
    }

    fn held(&mut self) -> Option<Held> {
        self.list(Eye::maybe)
    }

    fn earlier(&mut self) -> Option<Earlier> {
        Some(Earlier {
            worked: self.list(|eye| eye.option(|eye| Some(Worked { mark: eye.mark()?, held: eye.leads_to()? })))?,
            before_scripts: self.list(Eye::keying)?,
            failed: self.list(Eye::failed_with)?,
            refused: self.list(Eye::refused_step)?,
            codes: self.list(|eye| Some((eye.id()?, eye.value()?)))?,
            tried: self.option(Eye::keying)?,
            before_visit: self.held()?,
        })
    }

    fn failed_with(&mut self) -> Option<FailedWith> {
        let (lifeline, held) = (usize::try_from(self.number()?).ok()?, self.leads_to()?);
        Some(FailedWith { lifeline, held, mark: self.mark()?, by: self.text()? })
    }

    fn refused_step(&mut self) -> Option<RefusedStep> {
        Some(RefusedStep { id: self.id()?, value: self.maybe()?, mark: self.mark()?, by: self.text()? })
    }

    fn elsewhere(&mut self) -> Option<Elsewhere> {
        Some(Elsewhere { id: self.id()?, value: self.value()?, station: self.text()?, mark: self.mark()? })
    }

    fn keying(&mut self) -> Option<Keying> {
        Some(Keying { script: self.digest()?, held: self.held()?, since: self.held()? })
    }

    fn id(&mut self) -> Option<SettingId> {
        Some(SettingId(u16::try_from(self.number()?).ok()?))
    }

    fn leads_to(&mut self) -> Option<Vec<(SettingId, Option<Value>)>> {
        self.list(|eye| Some((eye.id()?, eye.maybe()?)))
    }

    fn visit(&mut self) -> Option<Visit> {
        let (id, script, station) = (self.uuid()?, self.digest()?, self.text()?);
        let (at, by, number) = (self.time()?, self.text()?, self.option(Eye::text)?);
        Some(Visit { id, script, station, at, by, number })
    }
}

#[cfg(test)]
#[path = "folded_tests.rs"]
mod tests;
