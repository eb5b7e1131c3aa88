//! Events of every kind, made by the very decision that makes them in earnest: plain, empty, long, and with names that nobody
//! would give. A webhook's own body is tried with all of them before it is used, and the schemas' examples are among them.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, LazyLock};

use jiff::{SignedDuration, Timestamp};
use uuid::Uuid;

use crate::alert::case::Severity;
use crate::alert::cases::Cases;
use crate::alert::decide::decide;
use crate::alert::event::{Message, source_of};
use crate::alert::heartbeat::{heartbeat, trial};
use crate::alert::pass::{
    Brake, Cause, FailedTest, FilesRead, Next, Over, Pages, Pass, Refused, Refusing, RejectedReport, RejectedReports,
    ReportTaken, Says, Silent, Stopped, ToCallBack, Unreachable, Work,
};
use crate::alert::terms::{AlertTerms, Subscription};
use crate::brake::{Change, Held, Limit, Share, Tally};
use crate::drift::{Drift, LifelineService, Service, SettingDrift, Standing, StationDrift};
use crate::finding::{Code, Finding, Place};
use crate::inventory::Extent;
use crate::keybook::SettingId;
use crate::ledger::{Digest, Mark, State};
use crate::script;
use crate::setting::{Name, Value, Weight};

use super::form::BodyTerms;

/// A name with everything in it that breaks carelessly made bodies.
const HOSTILE: &str = "É\"}\\ {{ 7*7 }} {% x %} <!here> @all \u{2028}\u{202e}🛟 ';--";

/// All of them; at least one of each kind.
pub fn messages() -> &'static [Message] {
    static MESSAGES: LazyLock<Vec<Message>> = LazyLock::new(make);
    &MESSAGES
}

/// When they happen.
fn clock() -> Timestamp {
    Timestamp::from_second(1_797_030_600).unwrap_or_default()
}

fn make() -> Vec<Message> {
    let mut all = Vec::new();
    for (fleet, names) in [("Skerry Coast Harbours", ["EQ-01"]), (HOSTILE, [HOSTILE]), ("", ["1"])] {
        let mut watch = Samples::new(fleet);
        all.extend(watch.pass(names.iter().map(|name| failed(name)).collect(), &News::default()));
        all.extend(watch.pass(names.iter().map(|name| differs(name)).collect(), &News::default()));
        all.extend(watch.pass(names.iter().map(|name| aligned(name)).collect(), &News::default()));
        all.extend(watch.pass(vec![aligned("another")], &News::default()));
        let rest = |news: News| Samples::new(fleet).pass(vec![aligned("another")], &news);
        let name = names[0];
        all.extend(rest(News { findings: findings(2, name), ..News::default() }));
        all.extend(rest(News { configuration: findings(1, name), ..News::default() }));
        let mut unrecorded = Samples::new(fleet);
        for rejected in [rejected(name, true), settled(name)] {
            all.extend(unrecorded.pass(vec![aligned("another")], &News { rejected, ..News::default() }));
        }
        all.extend(rest(News { rejected: rejected(name, false), ..News::default() }));
        all.extend(rest(News { rejected: recorded(name), ..News::default() }));
        all.extend(rest(News { stopped: stopped(name), ..News::default() }));
        all.extend(rest(News { silent: silent(name), ..News::default() }));
        let mut refusing = Samples::new(fleet);
        let news = News { refused: refused(name), refusing: self::refusing(name), ..News::default() };
        for news in [news, News::default()] {
            all.extend(refusing.pass(vec![aligned("another")], &news));
        }
        all.extend(rest(News { pages: Some(pages(name)), ..News::default() }));
        all.extend(rest(News { held: true, ..News::default() }));
        let source = source_of(fleet);
        all.push(trial(&"on-call".into(), "try-1".into(), (&source, fleet), clock()));
    }
    let many = |make: fn(&str) -> Arc<StationDrift>| (0..500).map(|n| make(&format!("EQ-{n:03}"))).collect();
    let mut watch = Samples::new("Skerry Coast Harbours");
    all.extend(watch.pass(many(failed), &News::default()));
    all.extend(watch.pass(many(aligned), &News::default()));
    let long = "x".repeat(4_000);
    all.extend(
        Samples::new(&long).pass(vec![failed(&long)], &News { findings: findings(200, &long), ..News::default() }),
    );
    all
}

/// A heartbeat, which has a body of its own.
pub fn beat() -> Message {
    let source = source_of("Skerry Coast Harbours");
    heartbeat(&"pulse".into(), "beat-1".into(), (300, false), &source, clock())
}

/// What there is to tell beside stations.
#[derive(Default)]
struct News {
    findings: Vec<Finding>,
    configuration: Vec<Finding>,
    rejected: RejectedReports,
    stopped: BTreeMap<Name, Stopped>,
    silent: BTreeMap<Name, Silent>,
    refused: Vec<Refused>,
    refusing: BTreeMap<Name, Refusing>,
    pages: Option<Pages>,
    held: bool,
}

/// A fleet, and what was alerted of it.
struct Samples {
    terms: AlertTerms,
    cases: Cases,
    clock: Timestamp,
}

impl Samples {
    fn new(fleet: &str) -> Samples {
        let webhook = Subscription {
            name: "on-call".into(),
            weights: Weight::ALL.into(),
            remind_minutes: BTreeMap::new(),
            silent_minutes: 15,
            body: BodyTerms::default(),
        };
        let terms = AlertTerms {
            fleet: fleet.into(),
            full_pass: SignedDuration::from_mins(15),
            source: source_of(fleet),
            webhooks: vec![webhook],
            address: Some("https://stations.example".into()),
            many_share: 0.3,
            require_tests: true,
            rehearsal: false,
        };
        Samples { terms, cases: Cases::default(), clock: clock() }
    }

    /// The messages of a pass, which is written.
    fn pass(&mut self, stations: Vec<Arc<StationDrift>>, news: &News) -> Vec<Message> {
        self.clock = self.clock.saturating_add(SignedDuration::from_mins(5)).unwrap_or(self.clock);
        let work = script::Work { stations: 1, calls: 1, commands: 2, presses: 40, ms: 30_000 };
        let digest = |_: &Name| "3f9a1c0b7d24e615".parse::<Digest>().ok();
        let next = |stations: &[&Name]| stations.iter().map(|_| Next::Key(work)).collect();
        let wanted = || "0123456789abcdef".parse().unwrap_or_else(|_| unreachable!("16 digits"));
        let limit =
            Limit { share: Share::DEFAULT, most: Limit::MOST, share_set_at: String::new(), most_set_at: String::new() };
        let held = news.held.then(held);
        let tally = Tally { altered: 12, handed_out: 0, on_record: 34 };
        let cause = cause(&stations);
        let read = |findings| FilesRead { findings, good_since: Some(self.clock), ..FilesRead::default() };
        let pass = Pass {
            stations: &stations,
            waiting: &BTreeSet::new(),
            contacts: &BTreeMap::new(),
            cause: &cause,
            work: Work { next: &next, digest: &digest, has_way_back: &|_| true },
            commit: None,
            decisions: None,
            brake: Brake { held: held.as_ref(), tally, limit: &limit, wanted: &wanted },
            to_call_back: ToCallBack(&|_| None),
            inventory: read(&news.findings),
            configuration: read(&news.configuration),
            rejected: &news.rejected,
            stopped: &news.stopped,
            refused: &news.refused,
            refusing: &news.refusing,
            silent: &news.silent,
            pages: news.pages.as_ref(),
            is_full: false,
            ledger_seq: 0,
            clock: self.clock,
        };
        let verdict = decide(&self.cases, &pass, &self.terms);
        self.cases.apply(verdict.writes, verdict.noted);
        verdict.messages
    }
}

fn cause(stations: &[Arc<StationDrift>]) -> Cause {
    let report = |drift: &Arc<StationDrift>| ReportTaken {
        id: Uuid::nil(),
        station: drift.station.clone(),
        by: "tech-07".into(),
    };
    Cause { reports: stations.iter().take(1).map(report).collect(), ..Cause::default() }
}

fn station(name: &str, settings: Vec<SettingDrift>, service: Service) -> Arc<StationDrift> {
    let failed = service == Service::Failed;
    let lifeline = LifelineService {
        name: "emergency".into(),
        title: "the red button".into(),
        is_required: true,
        service,
        mark: failed.then(|| Mark { at: clock(), report: Uuid::nil() }),
        by: failed.then(|| "tech-07".into()),
        elsewhere: None,
        because: failed.then(|| format!("caller could not hear {name}").into()),
    };
    let standing = match (service, settings.is_empty()) {
        (Service::Failed, _) => Standing::OutOfService,
        (_, true) => Standing::Aligned,
        (_, false) => Standing::Adrift,
    };
    Arc::new(StationDrift {
        station: name.into(),
        site: format!("site {name}").into(),
        location: format!("head of ladder {name}").into(),
        standing,
        weight: (standing != Standing::Aligned).then_some(Weight::Lifeline),
        settings,
        lifelines: vec![lifeline],
        formerly: Vec::new(),
        number: format!("+44 {name}").into(),
        other_number: None,
        begun: Vec::new(),
        setbacks: Vec::new(),
        met: Vec::new(),
        set_aside: Extent::Nothing,
        taken: None,
        scope: Arc::default(),
        file: "inventory/fleet.yaml".into(),
    })
}

fn differing() -> SettingDrift {
    SettingDrift {
        id: SettingId(0),
        name: "emergency.primary".into(),
        title: None,
        drift: Drift::Differs,
        weight: Weight::Lifeline,
        wanted: Value::Digits("01632960101".into()),
        wanted_at: place(12),
        contact: Some("control-room".into()),
        held: State::Known(Value::Digits("01632960177".into())),
        mark: None,
    }
}

fn failed(name: &str) -> Arc<StationDrift> {
    station(name, vec![differing()], Service::Failed)
}

fn differs(name: &str) -> Arc<StationDrift> {
    station(name, vec![differing()], Service::Tested)
}

fn aligned(name: &str) -> Arc<StationDrift> {
    station(name, Vec::new(), Service::Tested)
}

fn place(line: u32) -> Place {
    Place { file: "inventory/fleet.yaml".into(), line, column: 5, length: 4 }
}

fn findings(count: u32, name: &str) -> Vec<Finding> {
    let one = |line| Finding::new(Code::Unquoted, place(line), format!("\"{name}\" is not quoted."), "Quote it.");
    (1..=count).map(one).collect()
}

fn report(name: &str) -> RejectedReport {
    RejectedReport {
        source: format!("reports/{name}.yaml"),
        at: clock(),
        content: "3f9a1c0b7d24e6153f9a1c0b7d24e615".into(),
        id: Some(Uuid::nil().to_string()),
        station: Some(name.into()),
        reasons: findings(1, name),
        failed: None,
    }
}

fn rejected(name: &str, has_failed: bool) -> RejectedReports {
    let failed = has_failed.then(|| FailedTest {
        by: Some("tech-07".into()),
        note: Some(name.into()),
        says: Says::Failed,
        ..FailedTest::default()
    });
    RejectedReports { rejected: vec![RejectedReport { failed, ..report(name) }], last: 1, ..RejectedReports::default() }
}

fn recorded(name: &str) -> RejectedReports {
    RejectedReports { recorded: vec![report(name)], last: 1, ..RejectedReports::default() }
}

fn settled(name: &str) -> RejectedReports {
    let over = [(report(name).case(), Over::Settled { by: "tech-01".into() })].into();
    RejectedReports { over, last: 1, ..RejectedReports::default() }
}

fn stopped(name: &str) -> BTreeMap<Name, Stopped> {
    let address = "https://hooks.example".into();
    [(name.into(), Stopped { since: clock(), address, message: "told-1".into() })].into()
}

fn silent(name: &str) -> BTreeMap<Name, Silent> {
    [(name.into(), Silent { since: clock(), waiting: 3 })].into()
}

fn refused(name: &str) -> Vec<Refused> {
    let (message, said) = ("told-1".into(), format!("the receiver answered 400: {name:?}"));
    let (title, severity) = (format!("{name}: pressing the red button did not reach help."), Severity::Critical);
    let (webhook, at, ended) = (name.into(), clock(), Vec::new());
    vec![Refused { seq: 1, webhook, message, said, at, is_closed: true, ended, title, severity }]
}

fn refusing(name: &str) -> BTreeMap<Name, Refusing> {
    [(name.into(), Refusing { since: clock(), is_closed: true })].into()
}

fn pages(host: &str) -> Pages {
    let unreachable = Unreachable { since: clock(), because: "another program listens there".into() };
    Pages { host: host.into(), address: "127.0.0.1:8470".into(), unreachable: Some(unreachable) }
}

fn held() -> Held {
    let change = Change {
        digest: "8d24e6153f9a1c0b".parse().unwrap_or_else(|_| unreachable!("16 digits")),
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
