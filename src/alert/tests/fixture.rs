//! A small invented fleet for the tests of this module: stations made from what is wrong with them.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use serde_json::Value as Json;
use uuid::Uuid;

use super::super::body::form::BodyTerms;
use super::super::case::{Before, Case, Told};
use super::super::topic::seen::Seen;
use super::super::topic::station::{Memory, Station};
use super::{
    AlertTerms, Brake, Cases, Cause, FilesRead, Next, Pages, Pass, Reason, Refused, Refusing, RejectedReports,
    ReportTaken, ScriptToCallBack, Silent, Stopped, Subscription, ToCallBack, Verdict, Work, decide,
};
use crate::brake::{Change, Held, Limit, Tally};
use crate::drift::{Drift, InScope, LifelineService, Scope, Service, SettingDrift, Standing, StationDrift};
use crate::finding::{Finding, Place};
use crate::inventory::{Contact, Extent, Reach};
use crate::keybook::SettingId;
use crate::ledger::{Decision, Decisions, Digest, State};
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
        title: None,
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
    let by = (service == Service::Failed).then(|| Name::from("tech-07"));
    let title = format!("the {name} button").into();
    LifelineService {
        name: name.into(),
        title,
        is_required: true,
        service,
        mark: None,
        by,
        elsewhere: None,
        because: None,
    }
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
        Service::Dead | Service::Failed => Standing::OutOfService,
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
        scope: Arc::new(scope(&settings, &lifelines)),
        file: "inventory/sites/east-quay.yaml".into(),
        settings,
        lifelines,
        formerly: Vec::new(),
        number: format!("+44 {name}").into(),
        other_number: None,
        begun: Vec::new(),
        setbacks: Vec::new(),
        met: Vec::new(),
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
pub fn fixed(drift: &StationDrift) -> Arc<StationDrift> {
    Arc::new(StationDrift { scope: drift.scope.clone(), ..(*aligned(&drift.station)).clone() })
}

/// A station of which nothing is wanted any more of a setting, by this line where there is one.
pub fn let_go(drift: Arc<StationDrift>, name: &str, line: Option<u32>) -> Arc<StationDrift> {
    let settings = drift.settings.iter().filter(|setting| &*setting.name != name).cloned().collect();
    let mut rest = (*station(&drift.station, settings, drift.lifelines.clone())).clone();
    rest.scope = drift.scope.clone();
    for setting in Arc::make_mut(&mut rest.scope).settings.iter_mut().filter(|setting| &*setting.name == name) {
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
    let weights = weights.iter().copied().collect();
    Subscription { name: name.into(), weights, remind_minutes, silent_minutes: 15, body: BodyTerms::default() }
}

pub fn terms(webhooks: Vec<Subscription>) -> AlertTerms {
    let source = "/stationkeep/skerry-coast-harbours".into();
    let fleet = "Skerry Coast Harbours".into();
    let full_pass = SignedDuration::from_mins(15);
    AlertTerms {
        fleet,
        full_pass,
        source,
        webhooks,
        address: None,
        many_share: 0.3,
        require_tests: true,
        rehearsal: false,
    }
}

/// A change that is held, of one station of 34.
pub fn held(change: &str) -> Held {
    let change = Change {
        digest: change.parse().unwrap(),
        stations: ["EQ-01".into()].into(),
        handed_out: [].into(),
        departed: [].into(),
        replaced: 0,
        new: 0,
        first_seen: 0,
        tally: Tally { altered: 12, handed_out: 0, on_record: 34 },
        limit: "30 % (brake.share, stationkeep.yaml:12)".into(),
    };
    Held { change: Arc::new(change), scripts: 10 }
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
    /// Stations that have a way back.
    pub ways_back: BTreeSet<Name>,
    pub decisions: Decisions,
    /// The last entry of the ledger.
    pub seq: i64,
    pub held: Option<Held>,
    /// How many stations are altered, how many may be, and the digest of what is wanted.
    pub tally: Tally,
    pub limit: Limit,
    pub wanted: Digest,
    /// Scripts to be called back.
    pub out: BTreeMap<Name, ScriptToCallBack>,
    /// What is wrong with the files of the inventory, and of the configuration.
    pub findings: Vec<Finding>,
    pub configuration: Vec<Finding>,
    /// Whether an inventory is in use.
    pub is_watching: bool,
    pub rejected: RejectedReports,
    pub stopped: BTreeMap<Name, Stopped>,
    pub silent: BTreeMap<Name, Silent>,
    pub refused: Vec<Refused>,
    pub refusing: BTreeMap<Name, Refusing>,
    pub pages: Option<Pages>,
    pub is_full: bool,
    pub clock: Timestamp,
    pub cases: Cases,
    pub terms: AlertTerms,
}

impl Watch {
    /// Ten aligned stations, `EQ-00` to `EQ-09`, and one webhook that takes everything.
    pub fn new() -> Watch {
        let names = (0..10).map(|n| format!("EQ-{n:02}"));
        let contact =
            Contact { reach: Reach::Short("999".into()), title: None, place: place("inventory/contacts.yaml", 3) };
        Watch {
            stations: names.map(|name| (Name::from(&*name), aligned(&name))).collect(),
            waiting: BTreeSet::new(),
            contacts: [("control-room".into(), contact)].into(),
            cause: Cause::default(),
            next: BTreeMap::new(),
            ways_back: BTreeSet::new(),
            decisions: Decisions::default(),
            seq: 0,
            held: None,
            tally: Tally { altered: 0, handed_out: 0, on_record: 34 },
            limit: Limit {
                share: "0.3".parse().unwrap(),
                most: 200,
                share_set_at: "brake.share, stationkeep.yaml:12".into(),
                most_set_at: "brake.most, stationkeep.yaml:12".into(),
            },
            wanted: DIGEST.parse().unwrap(),
            out: BTreeMap::new(),
            findings: Vec::new(),
            configuration: Vec::new(),
            is_watching: true,
            rejected: RejectedReports::default(),
            stopped: BTreeMap::new(),
            silent: BTreeMap::new(),
            refused: Vec::new(),
            refusing: BTreeMap::new(),
            pages: None,
            is_full: false,
            clock: "2026-11-20T10:00:00Z".parse().unwrap(),
            cases: Cases::default(),
            terms: terms(vec![webhook("on-call", &Weight::ALL)]),
        }
    }

    pub fn put(&mut self, station: Arc<StationDrift>) {
        self.stations.insert(station.station.clone(), station);
    }

    pub fn take(&mut self, station: &str) {
        self.stations.remove(station);
    }

    /// What is kept of a station.
    pub fn case(&self, station: &str) -> Case<Seen, Memory> {
        let Before::Case(case) = self.cases.before::<Station>(station) else { panic!("{station} has no case") };
        case
    }

    /// The open case of a station.
    pub fn open(&self, station: &str) -> Told<Seen> {
        self.case(station).open().unwrap_or_else(|| panic!("the case of {station} is over")).clone()
    }

    /// Nothing is told or owed of a station: it is only known what is managed there.
    pub fn is_bare(&self, station: &str) -> bool {
        let Case { told, heard, memory, .. } = self.case(station);
        let Memory { withdrawn_at, fixes, opened_as: _, known: _ } = memory;
        told.is_none() && heard.is_empty() && withdrawn_at.is_none() && fixes.is_empty()
    }

    /// Nothing is told or owed of any station.
    pub fn is_quiet(&self) -> bool {
        self.cases.names::<Station>().all(|station| self.is_bare(&station))
    }

    /// What was kept of a station is this text.
    pub fn kept(&mut self, station: &str, text: &str) {
        let key = Cases::key::<Station>(station);
        let rows = self.cases.rows().clone().into_iter().chain([(key, text.to_owned())]);
        self.cases = Cases::read(rows.collect());
    }

    /// The program starts anew.
    pub fn restart(&mut self) {
        self.cases = Cases::read(self.cases.rows().clone());
    }

    /// Someone decided something.
    pub fn say(&mut self, decision: Decision) {
        self.seq += 1;
        self.decisions.add(self.seq, decision);
    }

    pub fn minutes(&mut self, minutes: i64) {
        self.clock += SignedDuration::from_mins(minutes);
    }

    pub fn report(&mut self, station: &str) {
        let id = Uuid::from_u128(7);
        self.cause.reports.push(ReportTaken { id, station: station.into(), by: "tech-07".into() });
    }

    pub fn next_reminder(&self) -> Option<Timestamp> {
        self.cases.next_reminder(&self.waiting)
    }

    pub fn verdict(&self) -> Verdict {
        self.verdict_on(&self.cases)
    }

    fn verdict_on(&self, cases: &Cases) -> Verdict {
        let Watch { waiting, contacts, cause, terms, .. } = self;
        let stations: Vec<Arc<StationDrift>> = self.stations.values().cloned().collect();
        let needs = |station: &&Name| self.next.get(*station).cloned().unwrap_or(Next::Test);
        let next = |stations: &[&Name]| -> Vec<Next> { stations.iter().map(needs).collect() };
        let digest = |_: &Name| DIGEST.parse().ok();
        let wanted = || self.wanted.clone();
        let out = |station: &Name| self.out.get(station).cloned();
        let inventory = FilesRead {
            findings: &self.findings,
            good_since: Some(self.clock).filter(|_| self.is_watching),
            ..FilesRead::default()
        };
        let pass = Pass {
            stations: &stations,
            waiting,
            contacts,
            cause,
            work: Work { next: &next, digest: &digest, has_way_back: &|station| self.ways_back.contains(station) },
            commit: None,
            decisions: Some(&self.decisions),
            brake: Brake { held: self.held.as_ref(), tally: self.tally, limit: &self.limit, wanted: &wanted },
            to_call_back: ToCallBack(&out),
            inventory,
            configuration: FilesRead { findings: &self.configuration, ..FilesRead::default() },
            rejected: &self.rejected,
            stopped: &self.stopped,
            refused: &self.refused,
            refusing: &self.refusing,
            silent: &self.silent,
            pages: self.pages.as_ref(),
            is_full: self.is_full,
            ledger_seq: self.seq,
            clock: self.clock,
        };
        decide(cases, &pass, terms)
    }

    /// One pass, which is written. A second one at once has nothing to say; one that starts from the rows alone tells the
    /// same as one that remembers what it need not look at; no reminder is due that was not told.
    pub fn pass(&mut self) -> Verdict {
        let verdict = self.verdict();
        let anew = self.verdict_on(&Cases::read(self.cases.rows().clone()));
        assert_eq!((&verdict.writes, &verdict.messages), (&anew.writes, &anew.messages));
        assert_eq!(verdict.many, anew.many);
        self.cases.apply(verdict.writes.clone(), verdict.noted.clone());
        for (key, row) in self.cases.rows().iter().filter(|(key, _)| key.starts_with("station/")) {
            if let Before::Case(case) = Before::<Seen, Memory>::read(Some(row)) {
                assert_eq!(case.to_json(), *row, "{key}");
            }
        }
        self.refused = Vec::new();
        self.rejected = RejectedReports { last: self.rejected.last, ..RejectedReports::default() };
        let again = self.verdict();
        assert!(again.is_empty(), "{again:?}");
        self.cause = Cause::default();
        assert!(self.next_reminder().is_none_or(|due| due > self.clock), "a reminder that is due was not told");
        verdict
    }

    /// One pass; what each webhook is told: `webhook reason station`, in the order of the message.
    pub fn heard(&mut self) -> Vec<String> {
        heard(&self.pass())
    }
}

/// What each webhook is told: `webhook reason station`.
pub fn heard(verdict: &Verdict) -> Vec<String> {
    let mut all = Vec::new();
    for message in &verdict.messages {
        let event = event(&message.body);
        let data = &event["data"];
        if event["type"] != "stationkeep.drift.v1" {
            all.push(format!("{} {}", message.webhook, data["state"].as_str().unwrap_or("news")));
            continue;
        }
        for reason in Reason::ALL {
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
