//! What is wanted of a station beside what it is known to hold: per setting, per lifeline, as a whole.
//!
//! [`look`] is the one place that decides; the text, the diff and the JSON all show its result.

mod lost;
mod meaning;
mod met;
mod refused;
mod setbacks;
mod show;
mod surprise;
mod values;

#[cfg(test)]
mod tests;

pub use lost::lost_unmanaged;
pub use refused::{RefusedCodes, openings_to_try, refused};
pub use setbacks::Setback;
pub use show::{Totals, diff, json, text};
pub use surprise::surprise;
pub use values::{held_text, value_text};

use std::collections::{HashSet, VecDeque};
use std::fmt;
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use uuid::Uuid;

use self::meaning::{dead_because, noted, unknown_because};
use self::met::met;
use self::setbacks::setbacks;
use crate::finding::Place;
use crate::inventory::{Extent, Station, Taken, Wanted};
use crate::keybook::{Ability, Lifeline, SettingId};
use crate::ledger::{Digest, Mark, Outcome, Proof, Record, State, Visit};
use crate::setting::{Name, Value, Weight, spoken};
pub use meaning::{Elsewhere, noted_anywhere};
pub use met::Met;

/// How a managed setting is not as wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Drift {
    /// Known, and not as wanted.
    Differs,
    /// The same, and found so against the record: someone changed it unrecorded. Or shown not to be as recorded, and
    /// nobody knows what it holds.
    Strayed,
    /// One of several values, and nobody can say which.
    InDoubt,
    /// Nobody knows what it holds.
    Unproven,
    /// As wanted, but last confirmed too long ago.
    Overdue,
}

impl Drift {
    /// The word used in output.
    pub fn as_str(self) -> &'static str {
        match self {
            Drift::Differs => "differs",
            Drift::Strayed => "strayed",
            Drift::InDoubt => "in-doubt",
            Drift::Unproven => "unproven",
            Drift::Overdue => "overdue",
        }
    }

    /// How a station stands where nothing is worse.
    pub fn standing(self) -> Standing {
        match self {
            Drift::Differs | Drift::Strayed => Standing::Adrift,
            Drift::InDoubt => Standing::InDoubt,
            Drift::Unproven => Standing::Unproven,
            Drift::Overdue => Standing::Overdue,
        }
    }
}

/// How far a lifeline's service is proved by test calls.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Service {
    /// By the record a press calls nobody.
    Dead,
    /// The last test failed.
    Failed,
    /// No test reached help with the settings as they are.
    Untested,
    /// The last test that reached help is too long ago.
    Overdue,
    /// A test reached help with the settings as they are, lately enough.
    Tested,
}

impl Service {
    /// The word used in output.
    pub fn as_str(self) -> &'static str {
        match self {
            Service::Dead => "dead",
            Service::Failed => "failed",
            Service::Untested => "untested",
            Service::Overdue => "overdue",
            Service::Tested => "tested",
        }
    }

    /// Whether a press calls nobody, by the record or by the last test call.
    pub fn calls_nobody(self) -> bool {
        match self {
            Service::Dead | Service::Failed => true,
            Service::Untested | Service::Overdue | Service::Tested => false,
        }
    }

    /// Whether a test call would settle it. A lifeline that is dead must be keyed first.
    pub fn asks_for_test(self) -> bool {
        match self {
            Service::Failed | Service::Untested | Service::Overdue => true,
            Service::Dead | Service::Tested => false,
        }
    }

    /// How a station stands by a required lifeline, where nothing is worse and tests are required.
    pub fn standing(self) -> Standing {
        match self {
            Service::Dead | Service::Failed => Standing::OutOfService,
            Service::Untested => Standing::Untested,
            Service::Overdue => Standing::Overdue,
            Service::Tested => Standing::Aligned,
        }
    }
}

/// How a station stands as a whole: the worst that holds, the worst first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Standing {
    /// A required lifeline calls nobody: by the record, or by its last test call.
    OutOfService,
    /// It holds something else than is wanted, or a fallback calls nobody.
    Adrift,
    /// A step was keyed and nothing was heard.
    InDoubt,
    /// Nobody knows what a setting holds.
    Unproven,
    /// Changed since the last test call.
    Untested,
    /// Confirmed or tested too long ago.
    Overdue,
    /// All as wanted, and tested.
    Aligned,
}

impl Standing {
    /// All of them, the worst first.
    pub const ALL: [Standing; 7] = [
        Standing::OutOfService,
        Standing::Adrift,
        Standing::InDoubt,
        Standing::Unproven,
        Standing::Untested,
        Standing::Overdue,
        Standing::Aligned,
    ];

    /// The word used in output.
    pub fn as_str(self) -> &'static str {
        match self {
            Standing::OutOfService => "out-of-service",
            Standing::Adrift => "adrift",
            Standing::InDoubt => "in-doubt",
            Standing::Unproven => "unproven",
            Standing::Untested => "untested",
            Standing::Overdue => "overdue",
            Standing::Aligned => "aligned",
        }
    }
}

impl fmt::Display for Standing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// One setting that drifts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SettingDrift {
    /// Which setting of the keybook.
    pub id: SettingId,
    /// Its name there.
    pub name: Name,
    /// Its title there, where it has one.
    pub title: Option<Name>,
    /// How it is not as wanted.
    pub drift: Drift,
    /// What it means for a person pressing the button.
    pub weight: Weight,
    /// What it should hold.
    pub wanted: Value,
    /// The line that says so.
    pub wanted_at: Place,
    /// The contact behind the wanted dial string.
    pub contact: Option<Name>,
    /// What it is known to hold.
    pub held: State,
    /// The report that last spoke of it.
    pub mark: Option<Mark>,
}

impl SettingDrift {
    /// What people call it.
    pub fn spoken(&self) -> String {
        spoken(&self.name, self.title.as_ref())
    }
}

/// One lifeline and what its tests say.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LifelineService {
    /// Its name in the keybook.
    pub name: Name,
    /// What people call it.
    pub title: Name,
    /// Whether it is no fallback of another.
    pub is_required: bool,
    /// What the record and its test calls say.
    pub service: Service,
    /// The test call that says so; for an untested one the last call there was, for a dead one the report that made it so.
    pub mark: Option<Mark>,
    /// Who made the test call that failed.
    pub by: Option<Name>,
    /// Of an untested one who answered the last test call all the same, where nothing changed since: not who would answer by
    /// the record.
    pub elsewhere: Option<Elsewhere>,
    /// Of a failed one what they noted, in one line; of a dead one what makes it so; of an untested one what was known of it
    /// and is not any longer, where it may call nobody for that. Never a code.
    pub because: Option<Name>,
}

/// Everything that is not as it should be at one station.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StationDrift {
    /// Its name.
    pub station: Name,
    /// The site it stands at.
    pub site: Name,
    /// Where it hangs, in words.
    pub location: Name,
    /// The worst that holds of it.
    pub standing: Standing,
    /// `None` where the station is aligned.
    pub weight: Option<Weight>,
    /// The settings that drift, in the order of the keybook.
    pub settings: Vec<SettingDrift>,
    /// The lifelines that count, in the order of the keybook.
    pub lifelines: Vec<LifelineService>,
    /// What is looked at there, and what is not.
    pub scope: Arc<Scope>,
    /// The file of the inventory that it stands in.
    pub file: Name,
    /// What the same unit was called before.
    pub formerly: Vec<Name>,
    /// The number that rings it, in E.164.
    pub number: Name,
    /// The number at which it last answered, where the inventory now gives the station another.
    pub other_number: Option<Name>,
    /// Visits of which no report came yet, the earliest first.
    pub begun: Vec<Begun>,
    /// What went wrong before with what is wanted.
    pub setbacks: Vec<Setback>,
    /// What whoever rang it last met there besides: codes that it refused, another station's words.
    pub met: Vec<Met>,
    /// How much of the station is set aside, and so is nowhere above.
    pub set_aside: Extent,
    /// Who is on it.
    pub taken: Option<Taken>,
}

impl StationDrift {
    /// How it stands, as far as it is not set aside: what is set aside is never said to be aligned.
    pub fn told(&self) -> Option<Standing> {
        let is_silent = self.set_aside != Extent::Nothing && self.standing == Standing::Aligned;
        Some(self.standing).filter(|_| !is_silent)
    }

    /// The same for people.
    pub fn told_text(&self) -> &'static str {
        self.told().map_or("set aside", Standing::as_str)
    }
}

/// Someone began to key a script, and no report came yet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Begun {
    /// Its id, which is that of the report to come.
    pub visit: Uuid,
    /// Who.
    pub by: Name,
    /// When.
    pub at: Timestamp,
    /// Which script.
    pub script: Digest,
    /// Whether nothing was heard for 24 hours.
    pub is_silent: bool,
}

/// Everything of a station that could drift. Stations of one model and profile mostly share it.
#[derive(Debug, Clone, Default, PartialEq, Eq, Hash)]
pub struct Scope {
    /// The settings that its keybook has.
    pub settings: Vec<InScope>,
    /// The lifelines that its keybook has.
    pub lifelines: Vec<InScope>,
}

/// One of them.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct InScope {
    /// Its name in the keybook.
    pub name: Name,
    /// Whether a button may fail to summon help where it is wrong.
    pub is_lifeline: bool,
    /// A setting: whether it is managed. A lifeline: whether its test calls count. What is set aside is watched all the
    /// same, for it will count again.
    pub is_watched: bool,
    /// The line that takes a setting out of management, where one does.
    pub let_go_at: Option<Place>,
}

/// What the configuration says about age and tests.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rules {
    /// How long a confirmed value stays good.
    pub reconfirm_days: u32,
    /// Whether an untested lifeline is a standing of its own.
    pub require_tests: bool,
}

/// Compares what is wanted of a station with its record, at a moment.
pub fn look(station: &Station, record: &Record, rules: Rules, now: Timestamp) -> StationDrift {
    look_sharing(station, record, rules, now, &mut Scopes::default())
}

/// The same for one of many stations, which share what is equal of their scopes.
pub fn look_sharing(
    station: &Station,
    record: &Record,
    rules: Rules,
    now: Timestamp,
    scopes: &mut Scopes,
) -> StationDrift {
    let settings: Vec<SettingDrift> =
        station.keybook.ids().filter_map(|id| setting(station, record, id, rules, now)).collect();
    let counts = station.for_now.set_aside != Extent::Whole;
    let other_number = record.other_number(station.number.name()).cloned();
    // Nobody can say which station answered those test calls, and which answers now.
    let counted = |proof: &Proof| Proof { reached: proof.reached.filter(|_| other_number.is_none()), ..proof.clone() };
    let lifelines = station.keybook.lifelines.iter().zip(&record.lifelines).filter(|_| counts);
    let lifelines: Vec<LifelineService> = lifelines
        .filter(|(lifeline, _)| is_in_use(station, record, lifeline))
        .map(|(lifeline, proof)| {
            let (service, mark) = match ability(record, lifeline) {
                Ability::Dead => (Service::Dead, proof.dead),
                Ability::Undecided | Ability::Works => service(&counted(proof), station.test_days, now),
            };
            let failure = proof.failure.as_ref().filter(|_| service == Service::Failed);
            let lifeline_service = LifelineService {
                name: lifeline.name.clone(),
                title: lifeline.button.clone(),
                is_required: lifeline.is_required(),
                service,
                mark,
                by: failure.map(|failure| failure.by.clone()),
                elsewhere: Elsewhere::of(station, record, lifeline, proof).filter(|_| service == Service::Untested),
                because: match service {
                    Service::Dead => dead_because(station, record, lifeline, proof),
                    Service::Failed => failure.and_then(|failure| noted(&station.keybook, failure.note.as_ref()?)),
                    Service::Untested => unknown_because(station, record, lifeline, proof),
                    Service::Overdue | Service::Tested => None,
                },
            };
            (is_tracked(station, record, lifeline), lifeline_service)
        })
        .filter(|(tracked, lifeline)| *tracked || lifeline.service.calls_nobody())
        .map(|(_, lifeline)| lifeline)
        .collect();
    let scope = scopes.of(station, record, &lifelines);
    let of_settings = settings.iter().map(|s| s.drift.standing());
    let of_lifelines = lifelines.iter().map(|lifeline| standing_of(lifeline, rules));
    let standing = of_settings.chain(of_lifelines).min().unwrap_or(Standing::Aligned);
    let setbacks = setbacks(station, record, settings.iter().any(|setting| setting.drift != Drift::Overdue));
    let unproved = lifelines.iter().any(|lifeline| lifeline.service != Service::Tested);
    let heaviest = if unproved { Some(Weight::Lifeline) } else { settings.iter().map(|s| s.weight).max() };
    StationDrift {
        station: station.name.clone(),
        site: station.site.clone(),
        location: station.location.clone(),
        standing,
        weight: heaviest.filter(|_| standing != Standing::Aligned),
        settings,
        lifelines,
        scope,
        file: station.place.file.clone(),
        formerly: station.formerly.clone(),
        number: station.number.name().clone(),
        other_number,
        begun: record.begun.iter().map(|open| begun(&open.visit, now)).collect(),
        setbacks,
        met: met(station, record),
        set_aside: station.for_now.set_aside,
        taken: station.for_now.taken.clone(),
    }
}

fn begun(visit: &Visit, now: Timestamp) -> Begun {
    let Visit { id, script, station: _, at, by, number: _ } = visit;
    Begun { visit: *id, by: by.clone(), at: *at, script: script.clone(), is_silent: visit.silent_from() <= now }
}

/// Scopes that were made already: most stations have the very scope of one before.
#[derive(Debug, Default)]
pub struct Scopes {
    all: HashSet<Arc<Scope>>,
    /// The last that were asked for.
    recent: VecDeque<Arc<Scope>>,
}

/// As many as models and profiles take turns in a file.
const RECENT_SCOPES: usize = 8;

impl Scopes {
    fn of(&mut self, station: &Station, record: &Record, counted: &[LifelineService]) -> Arc<Scope> {
        if let Some(recent) = self.recent.iter().find(|recent| recent.is_of(station, record, counted)) {
            return recent.clone();
        }
        let new = Scope {
            settings: settings_in_scope(station).map(InScope::of).collect(),
            lifelines: lifelines_in_scope(station, record, counted).map(InScope::of).collect(),
        };
        let scope = self.all.get(&new).cloned().unwrap_or_else(|| Arc::new(new));
        self.all.insert(scope.clone());
        self.recent.truncate(RECENT_SCOPES - 1);
        self.recent.push_front(scope.clone());
        scope
    }
}

impl Scope {
    fn is_of<'s>(&'s self, station: &'s Station, record: &Record, counted: &[LifelineService]) -> bool {
        settings_in_scope(station).eq(self.settings.iter().map(InScope::parts))
            && lifelines_in_scope(station, record, counted).eq(self.lifelines.iter().map(InScope::parts))
    }
}

/// One of a scope, as it lies: its name, whether it is a lifeline's, whether it is watched, and the line that lets it go.
type Parts<'s> = (&'s Name, bool, bool, Option<&'s Place>);

impl InScope {
    fn parts(&self) -> Parts<'_> {
        let InScope { name, is_lifeline, is_watched, let_go_at } = self;
        (name, *is_lifeline, *is_watched, let_go_at.as_ref())
    }

    fn of((name, is_lifeline, is_watched, let_go_at): Parts<'_>) -> InScope {
        InScope { name: name.clone(), is_lifeline, is_watched, let_go_at: let_go_at.cloned() }
    }
}

fn is_managed(station: &Station, id: SettingId) -> bool {
    station.wanted(id).is_some() || station.for_now.aside.contains(&id)
}

fn settings_in_scope(station: &Station) -> impl Iterator<Item = Parts<'_>> {
    station.keybook.ids().map(|id| {
        let let_go_at = station.let_go.iter().find(|(gone, _)| *gone == id).map(|(_, place)| place);
        (&station.keybook.setting(id).name, station.is_lifeline(id), is_managed(station, id), let_go_at)
    })
}

fn lifelines_in_scope<'s>(
    station: &'s Station,
    record: &Record,
    counted: &[LifelineService],
) -> impl Iterator<Item = Parts<'s>> {
    let counts = |id| is_managed(station, id) || record.known(id).is_some();
    station.keybook.lifelines.iter().map(move |lifeline| {
        let is_watched = station.for_now.set_aside == Extent::Whole && station.has_lifeline(lifeline)
            || counted.iter().any(|counted| counted.name == lifeline.name)
            || is_in_use(station, record, lifeline) && lifeline.is_tracked_where(counts);
        (&lifeline.name, true, is_watched, station.absent.get(&lifeline.name))
    })
}

/// Whether a press calls someone, by the record.
pub fn ability(record: &Record, lifeline: &Lifeline) -> Ability {
    lifeline.ability(|id| record.known(id))
}

/// Whether a lifeline counts at a station at all: the station has it, and a fallback does where what is wanted there, or known of what nobody manages,
/// does not contradict it.
pub fn is_in_use(station: &Station, record: &Record, lifeline: &Lifeline) -> bool {
    let held = |id| station.wanted(id).map(|wanted| &wanted.value).or_else(|| record.known(id));
    station.has_lifeline(lifeline) && lifeline.is_in_use(held)
}

/// Whether each setting of a lifeline in use has a target: it is wanted, or unmanaged and known. One that only `works` names,
/// and that is neither, is left out. A required lifeline that was relied on once is tracked all the same.
pub fn is_tracked(station: &Station, record: &Record, lifeline: &Lifeline) -> bool {
    let has_target = |id| station.wanted(id).is_some() || record.known(id).is_some();
    is_in_use(station, record, lifeline)
        && (lifeline.is_tracked_where(has_target) || was_relied_on(station, record, lifeline))
}

/// Whether a required lifeline was tested once, or something of it was known that nobody knows now. What is set aside is
/// left in peace.
fn was_relied_on(station: &Station, record: &Record, lifeline: &Lifeline) -> bool {
    let is_aside = lifeline.settings.iter().any(|id| station.for_now.aside.contains(id));
    let at = station.keybook.lifelines.iter().position(|known| known.name == lifeline.name);
    let is_tested = at.is_some_and(|at| record.lifelines[at].last.is_some());
    lifeline.is_required() && !is_aside && (is_tested || !lost_unmanaged(station, record, lifeline).is_empty())
}

/// When time alone next changes what is said of a station: something becomes overdue, or a visit silent.
pub fn next_change(station: &Station, record: &Record, rules: Rules, now: Timestamp) -> Option<Timestamp> {
    let due = |mark: Option<Mark>, days: u32| mark.and_then(|mark| mark.at.checked_add(span(days)).ok());
    let wanted = station.wanted.iter().zip(&record.settings).filter(|(wanted, _)| wanted.is_some());
    let settings = wanted.filter_map(|(_, holding)| due(holding.mark, rules.reconfirm_days));
    let counts = station.for_now.set_aside != Extent::Whole;
    let tests = record.lifelines.iter().filter(|_| counts);
    let tests = tests.filter_map(|proof| due(proof.reached, station.test_days?));
    // What is exactly as old as allowed is not overdue yet.
    let after = |due: Timestamp| due.saturating_add(SignedDuration::from_millis(1)).unwrap_or(due);
    let overdue = settings.chain(tests).filter(|due| *due >= now).map(after);
    let silent = record.begun.iter().map(|open| open.visit.silent_from()).filter(|from| *from > now);
    overdue.chain(silent).min()
}

fn span(days: u32) -> SignedDuration {
    SignedDuration::from_hours(i64::from(days) * 24)
}

fn older(mark: Option<Mark>, days: u32, now: Timestamp) -> bool {
    mark.is_some_and(|mark| now.duration_since(mark.at) > span(days))
}

fn setting(station: &Station, record: &Record, id: SettingId, rules: Rules, now: Timestamp) -> Option<SettingDrift> {
    let Wanted { value, place, contact, contact_title: _, layer: _ } = station.wanted(id)?;
    let holding = record.holding(id);
    let drift = match &holding.state {
        State::Unknown if holding.strayed.is_some() => Drift::Strayed,
        State::Unknown => Drift::Unproven,
        State::InDoubt(_) => Drift::InDoubt,
        State::Known(held) if !held.agrees(value) && holding.strayed.is_some() => Drift::Strayed,
        State::Known(held) if !held.agrees(value) => Drift::Differs,
        State::Known(_) if older(holding.mark, rules.reconfirm_days, now) => Drift::Overdue,
        State::Known(_) => return None,
    };
    let setting = station.keybook.setting(id);
    Some(SettingDrift {
        id,
        name: setting.name.clone(),
        title: setting.title.clone(),
        drift,
        weight: setting.weight,
        wanted: value.clone(),
        wanted_at: place.clone(),
        contact: contact.clone(),
        held: holding.state.clone(),
        // Who found that it is not as recorded, whatever was confirmed since.
        mark: holding.strayed.filter(|_| drift == Drift::Strayed).or(holding.mark),
    })
}

fn service(proof: &Proof, test_days: Option<u32>, now: Timestamp) -> (Service, Option<Mark>) {
    match (proof.last, proof.reached) {
        (Some((Outcome::Failed, mark)), _) => (Service::Failed, Some(mark)),
        (last, None) => (Service::Untested, last.map(|(_, mark)| mark)),
        (_, Some(mark)) if test_days.is_some_and(|days| older(Some(mark), days, now)) => (Service::Overdue, Some(mark)),
        (_, Some(mark)) => (Service::Tested, Some(mark)),
    }
}

fn standing_of(lifeline: &LifelineService, rules: Rules) -> Standing {
    match lifeline.service {
        Service::Dead | Service::Failed if !lifeline.is_required => Standing::Adrift,
        Service::Untested if !rules.require_tests => Standing::Aligned,
        service @ (Service::Dead | Service::Failed | Service::Untested | Service::Overdue | Service::Tested) => {
            service.standing()
        }
    }
}
