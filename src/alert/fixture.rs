//! A small invented fleet for the tests of this module: stations made from what is wrong with them.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use serde_json::Value as Json;
use uuid::Uuid;

use super::{
    AsideNews, Cause, Foresight, Hold, HoldTold, Next, Outs, Pass, ReportTaken, Subscription, Terms, Thread, Told,
    Verdict, decide, hold_from_json, hold_to_json, next_reminder,
};
use crate::brake::Change;
use crate::drift::{Drift, InScope, LifelineService, Scope, Service, SettingDrift, Standing, StationDrift};
use crate::finding::Place;
use crate::inventory::{Contact, Extent, Reach};
use crate::keybook::SettingId;
use crate::ledger::{HandedOut, Release, State};
use crate::setting::{Name, Value, Weight};

/// The digest of every script.
pub const DIGEST: &str = "3f9a1c0b7d24e615";

pub fn place(file: &str, line: u32) -> Place {
    Place { file: file.into(), line, column: 5, length: 1 }
}

/// A drifting setting; its weight follows from its name.
pub fn setting(name: &str, drift: Drift, wanted: &str, held: &str) -> SettingDrift {
    let weight = match name {
        "emergency.primary" | "emergency.backup" | "line.kind" => Weight::Lifeline,
        "identity" => Weight::Locating,
        _ => Weight::Routine,
    };
    let held = match drift {
        Drift::Unproven => State::Unknown,
        Drift::InDoubt => State::InDoubt([held, wanted].map(|text| Value::Digits(text.into())).into()),
        Drift::Differs | Drift::Strayed | Drift::Overdue => State::Known(Value::Digits(held.into())),
    };
    SettingDrift {
        id: SettingId(0),
        name: name.into(),
        drift,
        weight,
        wanted: Value::Digits(wanted.into()),
        wanted_at: place("inventory/fleet.yaml", 12),
        contact: None,
        held,
        mark: None,
    }
}

pub fn lifeline(name: &str, service: Service) -> LifelineService {
    LifelineService { name: name.into(), service, mark: None }
}

/// A station with what is wrong there; its standing and weight follow.
pub fn station(name: &str, settings: Vec<SettingDrift>, lifelines: Vec<LifelineService>) -> Arc<StationDrift> {
    let of_settings = settings.iter().map(|setting| match setting.drift {
        Drift::Differs | Drift::Strayed => Standing::Adrift,
        Drift::InDoubt => Standing::InDoubt,
        Drift::Unproven => Standing::Unproven,
        Drift::Overdue => Standing::Overdue,
    });
    let of_lifelines = lifelines.iter().map(|lifeline| match lifeline.service {
        Service::Failed => Standing::OutOfService,
        Service::Untested => Standing::Untested,
        Service::Overdue => Standing::Overdue,
        Service::Tested => Standing::Aligned,
    });
    let standing = of_settings.chain(of_lifelines).min().unwrap_or(Standing::Aligned);
    let failing = lifelines.iter().any(|lifeline| lifeline.service != Service::Tested);
    let heaviest = settings.iter().map(|setting| setting.weight).max();
    Arc::new(StationDrift {
        station: name.into(),
        site: "east-quay".into(),
        location: format!("East quay, {name}").into(),
        standing,
        weight: if failing { Some(Weight::Lifeline) } else { heaviest },
        scope: scope(&settings, &lifelines),
        file: "inventory/sites/east-quay.yaml".into(),
        settings,
        lifelines,
        set_aside: Extent::Nothing,
        taken: None,
    })
}

/// What every keybook of the fixture has.
const SETTINGS: [&str; 6] =
    ["line.kind", "emergency.primary", "emergency.backup", "identity", "lamp.follows", "gate.seconds"];
const LIFELINES: [&str; 3] = ["emergency", "assistance", "side"];

/// What the keybook has, all of it managed: beside the above what is named.
fn scope(settings: &[SettingDrift], lifelines: &[LifelineService]) -> Scope {
    let part = |name: &Name| {
        let is_lifeline = setting(name, Drift::Differs, "", "").weight == Weight::Lifeline;
        InScope { name: name.clone(), is_lifeline, is_watched: true, let_go_at: None }
    };
    let of_settings = SETTINGS.map(Name::from).into_iter().chain(settings.iter().map(|s| s.name.clone()));
    let of_lifelines = LIFELINES.map(Name::from).into_iter().chain(lifelines.iter().map(|l| l.name.clone()));
    let (of_settings, of_lifelines): (BTreeSet<Name>, BTreeSet<Name>) = (of_settings.collect(), of_lifelines.collect());
    Scope { settings: of_settings.iter().map(part).collect(), lifelines: of_lifelines.iter().map(part).collect() }
}

/// The same station with nothing wrong.
pub fn mended(drift: &StationDrift) -> Arc<StationDrift> {
    Arc::new(StationDrift { scope: drift.scope.clone(), ..(*aligned(&drift.station)).clone() })
}

/// A station of which nothing is wanted any more of a setting, by this line where there is one.
pub fn let_go(drift: Arc<StationDrift>, name: &str, line: Option<u32>) -> Arc<StationDrift> {
    let settings = drift.settings.iter().filter(|setting| &*setting.name != name).cloned().collect();
    let mut rest = (*station(&drift.station, settings, drift.lifelines.clone())).clone();
    rest.scope = drift.scope.clone();
    for setting in rest.scope.settings.iter_mut().filter(|setting| &*setting.name == name) {
        setting.is_watched = false;
        setting.let_go_at = line.map(|line| place("inventory/fleet.yaml", line));
    }
    rest.into()
}

pub fn aligned(name: &str) -> Arc<StationDrift> {
    station(name, Vec::new(), vec![lifeline("emergency", Service::Tested)])
}

pub fn differs(name: &str, what: &str, wanted: &str) -> Arc<StationDrift> {
    station(name, vec![setting(what, Drift::Differs, wanted, "1")], Vec::new())
}

pub fn webhook(name: &str, weights: &[Weight]) -> Subscription {
    let remind_minutes = [(Weight::Lifeline, 60), (Weight::Locating, 240), (Weight::Routine, 1440)].into();
    Subscription { name: name.into(), weights: weights.iter().copied().collect(), remind_minutes }
}

pub fn terms(webhooks: Vec<Subscription>) -> Terms {
    let source = "/stationkeep/skerry-coast-harbours".into();
    Terms { source, webhooks, address: None, surge_share: 0.3, require_tests: true }
}

/// A fleet, its clock, and what was told of it.
pub struct Watch {
    pub stations: BTreeMap<Name, Arc<StationDrift>>,
    /// Webhooks for which messages wait.
    pub waiting: BTreeSet<Name>,
    pub contacts: BTreeMap<Name, Contact>,
    pub cause: Cause,
    /// What each station needs; a test where nothing is said.
    pub next: BTreeMap<Name, Next>,
    pub asides: AsideNews,
    pub held: Option<Change>,
    /// Scripts to be called back.
    pub out: BTreeMap<Name, HandedOut>,
    pub hold: HoldTold,
    pub release: Option<(i64, Release)>,
    /// The last entry of the ledger.
    pub seq: i64,
    pub clock: Timestamp,
    pub told: BTreeMap<Name, Told>,
    pub thread: Thread,
    pub terms: Terms,
    /// What the last pass saw, and what was told after it.
    last: Option<Last>,
}

#[derive(Clone)]
struct Last {
    stations: BTreeMap<Name, Arc<StationDrift>>,
    told: BTreeMap<Name, Told>,
    terms: Terms,
    clock: Timestamp,
}

impl Watch {
    /// Ten aligned stations, `EQ-00` to `EQ-09`, and one webhook that takes everything.
    pub fn new() -> Watch {
        let names = (0..10).map(|n| format!("EQ-{n:02}"));
        let contact = Contact { reach: Reach::Short("999".into()), place: place("inventory/contacts.yaml", 3) };
        Watch {
            stations: names.map(|name| (Name::from(&*name), aligned(&name))).collect(),
            waiting: BTreeSet::new(),
            contacts: [("control-room".into(), contact)].into(),
            cause: Cause::default(),
            next: BTreeMap::new(),
            asides: AsideNews::default(),
            held: None,
            out: BTreeMap::new(),
            hold: HoldTold::default(),
            release: None,
            seq: 0,
            clock: "2026-11-20T10:00:00Z".parse().unwrap(),
            told: BTreeMap::new(),
            thread: Thread::default(),
            terms: terms(vec![webhook("on-call", &Weight::ALL)]),
            last: None,
        }
    }

    pub fn put(&mut self, station: Arc<StationDrift>) {
        self.stations.insert(station.station.clone(), station);
    }

    pub fn take(&mut self, station: &str) {
        self.stations.remove(station);
    }

    /// Nothing is told or owed of any station.
    pub fn is_quiet(&self) -> bool {
        self.told.values().all(Told::is_bare)
    }

    pub fn minutes(&mut self, minutes: i64) {
        self.clock += SignedDuration::from_mins(minutes);
    }

    pub fn report(&mut self, station: &str) {
        let id = Uuid::from_u128(7);
        self.cause.reports.push(ReportTaken { id, station: station.into(), by: "tech-07".into() });
    }

    pub fn verdict(&self) -> Verdict {
        self.verdict_on(None)
    }

    fn verdict_on(&self, compared: Option<&BTreeSet<Name>>) -> Verdict {
        let Watch { stations, waiting, contacts, cause, next, asides, clock, told, thread, terms, .. } = self;
        let foresee = |stations: &[&Name]| -> Vec<Next> {
            stations.iter().map(|station| next.get(*station).cloned().unwrap_or(Next::Test)).collect()
        };
        let digest = |_: &Name| DIGEST.parse().ok();
        let next = Foresight { next: &foresee, digest: &digest };
        let commit = None;
        let release = self.release.as_ref().map(|(seq, release)| (*seq, release));
        let hold = Hold { now: self.held.as_ref(), told: &self.hold, release, seq: self.seq };
        let out = |station: &Name| self.out.get(station).cloned();
        let outs = Outs(&out);
        let pass =
            Pass { stations, compared, waiting, contacts, cause, next, commit, asides, hold, outs, clock: *clock };
        decide(told, thread, &pass, terms)
    }

    /// A decision on the stations alone that may stand otherwise than before tells the same as one on all.
    fn check_compared(&self, whole: &Verdict) {
        let Some(Last { stations: before, told, terms, clock }) = &self.last else { return };
        let next = next_reminder(&self.told, &self.stations, &self.terms.webhooks);
        let is_due = next.is_some_and(|due| due <= self.clock);
        if is_due || self.clock < *clock || *terms != self.terms || *told != self.told {
            return;
        }
        let names = before.keys().chain(self.stations.keys());
        let changed = names.filter(|name| before.get(*name) != self.stations.get(*name)).cloned();
        let compared: BTreeSet<Name> =
            changed.chain(self.cause.reports.iter().map(|report| report.station.clone())).collect();
        let verdict = self.verdict_on(Some(&compared));
        assert_eq!(
            (&verdict.messages, &verdict.thread, &verdict.hold, verdict.surge),
            (&whole.messages, &whole.thread, &whole.hold, whole.surge),
            "on {compared:?}"
        );
        for (name, told) in &verdict.told {
            assert_eq!(whole.told.get(name), Some(told), "{name}");
        }
        // What only the whole changes is what time alone takes from memory.
        assert!(whole.told.keys().all(|name| verdict.told.contains_key(name) || !compared.contains(name)));
    }

    /// One pass; what was told is kept as text, as the store keeps it. A second pass at once has nothing to say.
    pub fn pass(&mut self) -> Verdict {
        let verdict = self.verdict();
        self.check_compared(&verdict);
        verdict.apply(&mut self.told);
        for told in self.told.values_mut() {
            let read = Told::from_json(&told.to_json());
            assert_eq!(read, *told);
            *told = read;
        }
        self.asides = AsideNews::default();
        self.hold = hold_from_json(&hold_to_json(&verdict.hold));
        assert_eq!(self.hold, verdict.hold);
        self.thread = Thread::stored(&verdict.thread.to_string());
        let again = self.verdict();
        assert!(again.is_empty(), "{again:?}");
        assert_eq!((&again.thread, &again.hold), (&self.thread, &self.hold));
        self.cause = Cause::default();
        let (stations, told, terms) = (self.stations.clone(), self.told.clone(), self.terms.clone());
        self.last = Some(Last { stations, told, terms, clock: self.clock });
        verdict
    }

    /// One pass; what each webhook is told: `webhook reason station`, in the order of the message.
    pub fn heard(&mut self) -> Vec<String> {
        heard(&self.pass())
    }
}

/// A change that holds the script of one station.
pub fn held(digest: &str, station: &str, limit: &str) -> Change {
    Change {
        digest: digest.parse().unwrap(),
        stations: [station.into()].into(),
        in_hand: [].into(),
        replaced: 0,
        count: 1,
        on_record: 34,
        limit: limit.into(),
    }
}

/// What each webhook is told: `webhook reason station`.
pub fn heard(verdict: &Verdict) -> Vec<String> {
    let mut all = Vec::new();
    for message in &verdict.messages {
        let data = data(&message.body);
        for reason in super::Reason::ALL {
            for entry in data[reason.as_str()].as_array().unwrap() {
                all.push(format!("{} {} {}", message.webhook, reason.as_str(), entry["station"].as_str().unwrap()));
            }
        }
    }
    all
}

pub fn event(body: &str) -> Json {
    serde_json::from_str(body).unwrap()
}

pub fn data(body: &str) -> Json {
    event(body)["data"].clone()
}
