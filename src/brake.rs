//! The brake: where the lifelines of many stations would change at once, their scripts wait until someone says that it is
//! meant.
//!
//! It is a function of what is wanted, of what is on record and of the clock, and keeps nothing. A station is *altered* where
//! something else is wanted of a lifeline setting than was last proved of it ([`Proven`]), or where a script in someone's
//! hand leads to something else. So edits add up however they are split, an edit taken back is none, and a card that is out
//! counts until a report names it. A station is known by its name, by what it was called before, or by its number: whoever
//! hands in the rows has seen to that. One that left the inventory may be there under a name and number that nobody has
//! reported on: each such pair counts as one altered station.
//!
//! A release names stations with values. It covers a station until a later one names it, or until a report after it says that
//! the station holds anything else.

mod gone;
mod limit;

#[cfg(test)]
pub(crate) mod sample;
#[cfg(test)]
mod tests;

pub use gone::{Gone, GoneScript};
pub use limit::{Limit, NoShare, Share};

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::fmt::Write as _;
use std::sync::Arc;

use jiff::Timestamp;
use sha2::{Digest as _, Sha256};

use crate::drift::is_in_use;
use crate::finding::plural;
use crate::inventory::{Station, Wanted};
use crate::keybook::{Keybook, Lifeline, SettingId};
use crate::ledger::{
    Decisions, Digest, Effect, HANDED_OUT_FOR, HandedOut, OpenVisit, Proven, Record, Release, Released, effect,
    effect_value, same,
};
use crate::setting::{Name, Value};

/// Where fewer stations are altered, nothing is held.
pub const FEWEST: usize = 10;

/// How a station is altered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Alteration {
    /// Settings of which something else is wanted than was last proved.
    pub wanted: Vec<Altered>,
    /// Scripts that are handed out that lead to something else than was last proved.
    pub handed_out: Vec<AlteringScript>,
}

/// A lifeline setting that is to hold something else.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Altered {
    /// Its name in the keybook.
    pub setting: Name,
    /// What was last proved; `None` where the keybook can no longer hold it.
    pub proven: Option<Value>,
    /// What it is to hold; `None` where nobody knows what, or the keybook has no such setting.
    pub to: Option<Value>,
}

/// A script that is handed out, and what it alters.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AlteringScript {
    /// Its digest.
    pub script: Digest,
    /// When it was last shown.
    pub at: Timestamp,
    /// What it leads to otherwise than proven.
    pub alters: Vec<Altered>,
}

/// How a station is altered, as its files have it; `None` where it is not. `release` is the last one that names it.
pub fn alteration(
    station: &Station,
    record: &Record,
    release: Option<&Release>,
    clock: Timestamp,
) -> Option<Alteration> {
    let cover = release.and_then(|release| Cover::of(station, release));
    let is_open = |proven: &Proven, to: Option<&Value>| !cover.as_ref().is_some_and(|cover| cover.covers(proven, to));
    let wanted = record.proven.iter().filter_map(|proven| {
        let id = station.keybook.id(&proven.setting);
        let to = id.and_then(|id| station.wanted(id)).map(|wanted| &wanted.value);
        let value = proven_value(station, record, proven);
        let is_other = match (value, to) {
            (Some(held), Some(wanted)) => !held.agrees(wanted),
            (Some(_), None) => false,
            (None, _) => true,
        };
        (is_other && is_open(proven, to)).then(|| Altered::new(&proven.setting, value, to))
    });
    let handed_out = handed_out(record, clock).filter_map(|script| {
        let alters = script.leads_to.iter().filter_map(|(id, to)| {
            let proven = record.proven(&station.keybook.setting(*id).name)?;
            let value = proven_value(station, record, proven);
            let is_other = !same(value, to.as_ref());
            (is_other && is_open(proven, to.as_ref())).then(|| Altered::new(&proven.setting, value, to.as_ref()))
        });
        let alters: Vec<Altered> = alters.collect();
        (!alters.is_empty()).then(|| AlteringScript { script: script.script.clone(), at: script.at, alters })
    });
    let alteration = Alteration { wanted: wanted.collect(), handed_out: handed_out.collect() };
    (!alteration.wanted.is_empty() || !alteration.handed_out.is_empty()).then_some(alteration)
}

/// What counts as proven of a setting at a station. No lifeline is tested that is not in use by what is wanted, nor one that
/// is not there; of a setting that belongs to such alone, what a report made known is proven, whatever was tested before.
fn proven_value<'p>(station: &Station, record: &Record, proven: &'p Proven) -> Option<&'p Value> {
    let id = station.keybook.id(&proven.setting);
    let has_it = |lifeline: &&Lifeline| id.is_some_and(|id| lifeline.settings.contains(&id));
    let mut lifelines = station.keybook.lifelines.iter().filter(has_it).peekable();
    let is_out_of_use = lifelines.peek().is_some() && lifelines.all(|one| !is_in_use(station, record, one));
    if is_out_of_use { proven.made_known.as_ref() } else { proven.value.as_ref() }
}

impl Altered {
    fn new(setting: &Name, proven: Option<&Value>, to: Option<&Value>) -> Altered {
        Altered { setting: setting.clone(), proven: proven.cloned(), to: to.cloned() }
    }
}

impl Alteration {
    /// When time alone makes less of it: a script that nobody reported on counts as handed out no longer.
    pub fn until(&self) -> Option<Timestamp> {
        self.handed_out.iter().map(|script| script.at.saturating_add(HANDED_OUT_FOR).unwrap_or(Timestamp::MAX)).min()
    }
}

fn handed_out(record: &Record, clock: Timestamp) -> impl Iterator<Item = &HandedOut> {
    record.handed_out.iter().filter(move |script| script.until() > clock)
}

/// The script handed out that leads to something else than is wanted now, the last shown of several: whoever has its
/// card is to be called back. A way back is meant to lead elsewhere.
pub fn call_back<'r>(station: &Station, record: &'r Record, clock: Timestamp) -> Option<&'r HandedOut> {
    let leads_elsewhere = |(id, to): &(SettingId, Option<Value>)| {
        let proven = record.proven(&station.keybook.setting(*id).name);
        let wanted = station.wanted(*id).map(|wanted| &wanted.value);
        let target = wanted.or(proven.and_then(|proven| proven_value(station, record, proven)));
        let is_vital = proven.is_some() || station.is_lifeline(*id);
        is_vital && target.is_some_and(|target| !same(Some(target), to.as_ref()))
    };
    let led_astray = |script: &&HandedOut| !script.is_back && script.leads_to.iter().any(leads_elsewhere);
    handed_out(record, clock).filter(led_astray).max_by_key(|script| script.at)
}

/// What a release says of one station.
struct Cover<'a> {
    keybook: &'a Keybook,
    released: &'a Released,
    at: Timestamp,
}

impl<'a> Cover<'a> {
    fn of(station: &'a Station, release: &'a Release) -> Option<Cover<'a>> {
        let mut names = std::iter::once(&station.name).chain(&station.formerly);
        let released = names.find_map(|name| release.stations.get(name))?;
        Some(Cover { keybook: &station.keybook, released, at: release.said.at })
    }

    fn names(&self, setting: &Name, value: Option<&Value>) -> bool {
        let is_it = |effect: &Effect| match (effect, value) {
            (None, None) => true,
            (Some(_), Some(value)) => {
                let kind = self.keybook.id(setting).map(|id| &self.keybook.setting(id).kind);
                kind.and_then(|kind| effect_value(kind, effect)).is_some_and(|released| released.agrees(value))
            }
            (Some(_), None) | (None, Some(_)) => false,
        };
        self.released.get(setting).is_some_and(|all| all.iter().any(is_it))
    }

    /// Whether a value is released, and no report after that says that the setting holds anything else.
    fn covers(&self, proven: &Proven, to: Option<&Value>) -> bool {
        let setting = &proven.setting;
        self.names(setting, to) && !proven.shows_other(|value| self.names(setting, value), self.at)
    }
}

/// A station of the inventory, as its files have it, with what its record comes to here and how it is altered.
#[derive(Debug, Clone, Copy)]
pub struct Candidate<'a> {
    /// As the files have it.
    pub station: &'a Station,
    /// Whether anything is proven of its lifeline settings.
    pub has_proven: bool,
    /// Whether nothing of it is on record but how it was first seen, by [`is_first_seen`].
    pub is_first_seen: bool,
    /// How it is altered, where it is.
    pub alteration: Option<&'a Alteration>,
    /// Whether it is on record, by [`Record::is_on_record`].
    pub is_on_record: bool,
}

/// Whether a script of a station is never held: it leads to proven values alone, or, where it does not, to where a card
/// leads that someone has begun. Half keyed, that card is finished by another script than itself. Of a lifeline setting of
/// which nothing is proven nobody knows where it is led.
pub fn is_never_held(station: &Station, record: &Record, leads_to: &[(SettingId, Option<Value>)]) -> bool {
    let is_proven = |(id, to): &&(SettingId, Option<Value>)| match record.proven(&station.keybook.setting(*id).name) {
        Some(proven) => to.is_some() && same(proven_value(station, record, proven), to.as_ref()),
        None => !station.is_lifeline(*id),
    };
    let other: Vec<_> = leads_to.iter().filter(|one| !is_proven(one)).collect();
    let is_begun = |(id, to): &(SettingId, Option<Value>), open: &OpenVisit| {
        open.leads_to.iter().any(|(begun, leads)| begun == id && same(leads.as_ref(), to.as_ref()))
    };
    other.is_empty() || record.begun.iter().any(|open| other.iter().all(|one| is_begun(one, open)))
}

/// Scripts that are held: at too many stations lifelines would change at once.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Change {
    /// Stands for all that is wanted of lifelines: an edit makes it another one, and no report does.
    pub digest: Digest,
    /// The stations whose scripts are held.
    pub stations: BTreeSet<Name>,
    /// Those that count for scripts that are handed out alone. Their own scripts are not held.
    pub handed_out: BTreeSet<Name>,
    /// Of these, those that left the inventory, with what their scripts lead to.
    pub departed: BTreeMap<Name, Arc<Released>>,
    /// How many stations that left the inventory count, since there are as many new ones among `stations`.
    pub replaced: usize,
    /// How many new ones there are, where any left: all of them wait, since nobody knows which of them those are.
    pub new: usize,
    /// At how many altered stations reports only say what was seen there: see [`is_first_seen`].
    pub first_seen: usize,
    /// How many stations are altered.
    pub tally: Tally,
    /// "30 % (brake.share, stationkeep.yaml:12)": what they are more than.
    pub limit: String,
}

/// How many stations of a fleet are altered, whether that is too many or not.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Tally {
    /// Stations that are altered.
    pub altered: usize,
    /// Those of them that count for scripts that are handed out alone.
    pub handed_out: usize,
    /// Stations on record, altered or not.
    pub on_record: usize,
}

/// A change, and how many scripts wait for its release: what every text and every program is told of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Held {
    /// The change.
    pub change: Arc<Change>,
    /// How many scripts wait. A station that is altered may need none: it was keyed, and not tested yet.
    pub scripts: usize,
}

/// The numbers of a change, by the words that are used for them everywhere.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Numbers {
    /// Stations that are altered.
    pub altered: usize,
    /// Scripts that wait.
    pub held: usize,
    /// Stations that are altered by scripts that are handed out alone.
    pub handed_out: usize,
    /// Stations on record.
    pub on_record: usize,
}

/// Counts the altered stations of a fleet, and says what is held; nothing where they are not too many, or there is nothing to
/// hold. `digest` is [`digest`] of all that is wanted, asked only where something is held.
pub fn judge<'a>(
    rows: impl Iterator<Item = Candidate<'a>> + Clone,
    gone: &BTreeMap<Name, Gone>,
    decisions: &Decisions,
    limit: &Limit,
    clock: Timestamp,
    digest: impl FnOnce() -> Digest,
) -> (Tally, Option<Change>) {
    let (mut stations, mut handed_out, mut on_record, mut first_seen) = (BTreeSet::new(), BTreeSet::new(), 0, 0);
    for Candidate { station, has_proven: _, is_first_seen, alteration, is_on_record } in rows.clone() {
        on_record += usize::from(is_on_record);
        let Some(alteration) = alteration else { continue };
        first_seen += usize::from(is_first_seen);
        let all = if alteration.wanted.is_empty() { &mut handed_out } else { &mut stations };
        all.insert(station.name.clone());
    }
    let is_out = |(name, gone): &(&Name, &Gone)| gone.is_altered(name, decisions.release_of([*name]), clock);
    let (out, left): (Vec<_>, Vec<_>) = gone.iter().partition(is_out);
    let departed: BTreeMap<Name, Arc<Released>> =
        out.into_iter().map(|(name, gone)| (name.clone(), gone.to_release(clock))).collect();
    handed_out.extend(departed.keys().cloned());
    let left = left.into_iter().filter(|(_, gone)| gone.is_on_record).count();
    // Each that left may be there anew, whether it counts for a script that is handed out or for itself.
    let new: Vec<&Name> = match gone.values().any(|gone| gone.is_on_record) {
        false => Vec::new(),
        true => rows.filter(|row| is_new(row, decisions)).map(|row| &row.station.name).collect(),
    };
    let replaced = left.min(new.len());
    let altered = stations.len() + handed_out.len() + replaced;
    on_record +=
        replaced + handed_out.iter().filter(|name| gone.get(*name).is_some_and(|gone| gone.is_on_record)).count();
    let count = new.len();
    stations.extend(new.into_iter().cloned());
    let tally = Tally { altered, handed_out: handed_out.len(), on_record };
    if stations.is_empty() {
        return (tally, None);
    }
    let change = tally.passes(limit).map(|limit| Change {
        digest: digest(),
        stations,
        handed_out,
        departed,
        replaced,
        new: count,
        first_seen,
        tally,
        limit,
    });
    (tally, change)
}

impl Tally {
    /// What there is to say of so many stations where none of them is on record.
    pub fn first_day(&self, stations: usize) -> Option<String> {
        (self.on_record == 0 && stations > 0).then(|| {
            let all = plural(stations as u64, "station");
            format!("Nothing is on record yet: no report names a setting or a test of the {all}.")
        })
    }

    /// What is passed, as [`Limit::passed_by`] says it.
    pub fn passes(&self, limit: &Limit) -> Option<String> {
        limit.passed_by(self.altered, self.on_record).filter(|_| self.altered >= FEWEST)
    }
}

/// Whether the record holds nothing but how a station was first seen: no script of it was shown, begun or reported on, no call was
/// tested, and no lifeline setting was ever said to hold two things.
pub fn is_first_seen(record: &Record) -> bool {
    let is_untouched = record.answered.is_none() && record.begun.is_empty() && record.handed_out.is_empty();
    is_untouched
        && record.lifelines.iter().all(|proof| proof.last.is_none())
        && record.proven.iter().all(|proven| proven.is_said_once() && !proven.is_tested)
}

/// Whether a station may be one that left the inventory: nothing is proven of it, and what is wanted was not released.
fn is_new(row: &Candidate<'_>, decisions: &Decisions) -> bool {
    let Candidate { station, has_proven: false, .. } = row else { return false };
    let release = decisions.release_of(std::iter::once(&station.name).chain(&station.formerly));
    let cover = release.and_then(|release| Cover::of(station, release));
    let is_open =
        |(setting, value): (&Name, &Value)| !cover.as_ref().is_some_and(|cover| cover.names(setting, Some(value)));
    vital(station).any(is_open)
}

/// The lifeline settings of a station with what is wanted of them.
fn vital(station: &Station) -> impl Iterator<Item = (&Name, &Value)> {
    let ids = station.keybook.ids().filter(|id| station.is_lifeline(*id));
    ids.filter_map(|id| Some((&station.keybook.setting(id).name, &station.wanted(id)?.value)))
}

impl Change {
    /// Whether the script of a station waits, where it leads to that.
    pub fn holds(&self, station: &Station, record: &Record, leads_to: &[(SettingId, Option<Value>)]) -> bool {
        self.stations.contains(&station.name) && !is_never_held(station, record, leads_to)
    }

    /// The command that lists what would change.
    pub fn list(&self) -> String {
        format!("stationkeep release {}", self.digest)
    }

    /// The command that releases it.
    pub fn release(&self) -> String {
        format!("stationkeep release {} --by NAME --why TEXT", self.digest)
    }

    /// What a release of it names: its stations, with all values that they are to hold or may be keyed to. `stations`: at
    /// least those that it names and that are in the inventory, as the files have them.
    pub fn released<'a>(
        &self,
        stations: impl Iterator<Item = (&'a Station, Record)>,
        clock: Timestamp,
    ) -> BTreeMap<Name, Arc<Released>> {
        let mut known: BTreeSet<Arc<Released>> = BTreeSet::new();
        let mut shared = |released: Released| {
            let released = known.get(&released).cloned().unwrap_or_else(|| Arc::new(released));
            known.insert(released.clone());
            released
        };
        let names = self.stations.union(&self.handed_out);
        let departed = |name: &Name| self.departed.get(name).cloned().unwrap_or_default();
        let mut all: BTreeMap<Name, Arc<Released>> = names.map(|name| (name.clone(), departed(name))).collect();
        for (station, record) in stations {
            if let Some(released) = all.get_mut(&station.name) {
                *released = shared(to_release(station, &record, clock));
            }
        }
        all
    }
}

impl Held {
    /// All that is counted of it.
    pub fn numbers(&self) -> Numbers {
        let Tally { altered, handed_out, on_record } = self.change.tally;
        Numbers { altered, held: self.scripts, handed_out, on_record }
    }

    /// Whether no station of it was ever keyed by a card or tested: what was wanted when it was first reported is not on record,
    /// so nobody can tell an edit from what was so all along.
    pub fn is_first_seen(&self) -> bool {
        self.change.first_seen > 0 && self.change.first_seen == self.change.tally.altered
    }

    /// What a list of its stations shows.
    pub fn what(&self) -> &'static str {
        if self.is_first_seen() { "what differs" } else { "what would change" }
    }

    /// "Lifeline-critical settings would change at 23 of the 34 stations on record, more than 30 % (brake.share,
    /// stationkeep.yaml:12). 21 scripts are held." Of stations that were only seen so far neither a change nor none is claimed.
    pub fn sentence(&self) -> String {
        let Numbers { altered, held, handed_out, on_record } = self.numbers();
        let Change { replaced, new, limit, first_seen, .. } = &*self.change;
        let all = plural(on_record as u64, "station");
        // A station that was keyed and not tested yet is altered, and needs no script.
        let waits = match held {
            0 => "No script is held so far.".to_owned(),
            1 => "1 script is held.".to_owned(),
            _ => format!("{held} scripts are held."),
        };
        if self.is_first_seen() {
            return format!(
                "Lifeline-critical settings are wanted otherwise than reported at {altered} of the {all} on record, more than {limit}. \
                 No card was keyed and no test call made there yet, so this may be an edit: compare with \"stationkeep check --against \
                 REVISION\". {waits}"
            );
        }
        let mut notes = Vec::new();
        if handed_out > 0 {
            notes.push(format!("{handed_out} of them by scripts already issued and not reported on"));
        }
        if *replaced > 0 {
            let new = plural(*new as u64, "new station");
            notes.push(format!("{replaced} of them left the inventory and may be among its {new}"));
        }
        if *first_seen > 0 {
            notes.push(format!("{first_seen} of them were never keyed by a card or tested"));
        }
        let notes = if notes.is_empty() { String::new() } else { format!(" ({})", notes.join("; ")) };
        format!(
            "Lifeline-critical settings would change at {altered} of the {all} on record{notes}, more than {limit}. {waits}"
        )
    }
}

/// All that is other than proven at a station, released before or not: the last release that names a station counts alone.
fn to_release(station: &Station, record: &Record, clock: Timestamp) -> Released {
    let mut released = Released::new();
    if record.proven.is_empty() {
        vital(station).for_each(|(setting, value)| {
            released.entry(setting.clone()).or_default().insert(effect(value));
        });
    }
    let alteration = alteration(station, record, None, clock);
    let altered =
        alteration.iter().flat_map(|one| one.wanted.iter().chain(one.handed_out.iter().flat_map(|s| &s.alters)));
    for Altered { setting, proven: _, to } in altered {
        released.entry(setting.clone()).or_default().insert(to.as_ref().and_then(effect));
    }
    released
}

/// Stands for what is wanted of the lifelines of all stations: the digest of a change.
pub fn digest<'a>(stations: impl Iterator<Item = &'a Station>) -> Digest {
    let (mut hasher, mut line) = (Sha256::new(), String::new());
    // Stations of one model have their lifeline settings in common, and those of one site, which mostly follow each other, what
    // is wanted of them.
    let mut models: HashMap<*const Keybook, Vec<LastWanted<'a>>> = HashMap::new();
    for station in stations {
        line.clear();
        netstring(&mut line, &station.name);
        let model = models.entry(Arc::as_ptr(&station.keybook));
        for last in model.or_insert_with(|| vital_by_name(station).into_iter().map(LastWanted::of).collect()) {
            let Some(wanted) = station.wanted(last.id) else { continue };
            if !last.wanted.is_some_and(|last| std::ptr::eq(last, wanted)) {
                last.wanted = Some(wanted);
                last.text.clear();
                netstring(&mut last.text, &station.keybook.setting(last.id).name);
                netstring(&mut last.text, &text(&wanted.value));
            }
            line.push_str(&last.text);
        }
        hasher.update(&line);
    }
    Digest::of_hash(&hasher.finalize())
}

/// What was last wanted of a lifeline setting, as text.
struct LastWanted<'a> {
    id: SettingId,
    wanted: Option<&'a Wanted>,
    text: String,
}

impl LastWanted<'_> {
    fn of(id: SettingId) -> Self {
        LastWanted { id, wanted: None, text: String::new() }
    }
}

/// The lifeline settings of a station's model, by name, so that a keybook put in another order changes nothing.
fn vital_by_name(station: &Station) -> Vec<SettingId> {
    let keybook = &station.keybook;
    let mut ids: Vec<SettingId> = keybook.ids().filter(|id| station.is_lifeline(*id)).collect();
    ids.sort_unstable_by_key(|id| &keybook.setting(*id).name);
    ids
}

/// A value as text that only the same value of a setting has. A code stands for itself by its fingerprint, which is keyed.
fn text(value: &Value) -> String {
    match value {
        Value::Secret(secret) => match &secret.fingerprint {
            Some(fingerprint) => fingerprint.to_string(),
            None => secret.reference.to_string(),
        },
        Value::Digits(_) | Value::Dial(_) | Value::Choice(_) | Value::Flags(_) | Value::Number(_) => value.to_string(),
    }
}

/// `length:bytes,`, so that no two lists of texts look alike.
fn netstring(line: &mut String, text: &str) {
    // Writing to a string cannot fail.
    let _ = write!(line, "{}:{text},", text.len());
}
