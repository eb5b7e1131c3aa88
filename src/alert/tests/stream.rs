//! What holds for any history: random fleets, edits, reports, absences and clocks, pass after pass.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use proptest::prelude::*;
use proptest::sample::{Index, subsequence};

use super::super::topic::station::Station;
use super::fixture::*;
use super::*;
use crate::drift::{Drift, Service, SettingDrift, Standing, StationDrift};
use crate::setting::{Name, Weight};

const STATIONS: usize = 4;
const WEBHOOKS: [&str; 3] = ["everything", "heavy", "light"];

/// One step of a history.
#[derive(Debug, Clone)]
struct Step {
    /// `None` is not in the inventory. Ten stations more are always there, aligned.
    fleet: Vec<Option<(Vec<SettingDrift>, Option<Service>)>>,
    /// Of which stations nothing is wanted of the setting.
    let_go: Vec<Option<&'static str>>,
    reported: Vec<bool>,
    present: Vec<&'static str>,
    minutes: i64,
    shuffle: Vec<Index>,
}

fn some_setting() -> impl Strategy<Value = SettingDrift> {
    let drift =
        prop::sample::select(vec![Drift::Differs, Drift::Strayed, Drift::InDoubt, Drift::Unproven, Drift::Overdue]);
    let name = prop::sample::select(vec!["emergency.primary", "identity", "lamp.follows"]);
    let values = (prop::sample::select(vec!["1", "2"]), prop::sample::select(vec!["3", "4"]));
    (name, drift, values).prop_map(|(name, drift, (wanted, held))| setting(name, drift, wanted, held))
}

fn some_station() -> impl Strategy<Value = Option<(Vec<SettingDrift>, Option<Service>)>> {
    let service = prop::sample::select(vec![
        Service::Dead,
        Service::Failed,
        Service::Untested,
        Service::Overdue,
        Service::Tested,
    ]);
    let settings = prop::collection::vec(some_setting(), 0..3).prop_map(|mut settings| {
        settings.sort_by_key(|setting| setting.name.clone());
        settings.dedup_by_key(|setting| setting.name.clone());
        settings
    });
    prop_oneof![
        3 => Just(Some((vec![], None))),
        6 => (settings, prop::option::of(service)).prop_map(Some),
        1 => Just(None),
    ]
}

fn some_loss() -> impl Strategy<Value = Option<&'static str>> {
    let setting = prop::sample::select(vec!["emergency.primary", "line.kind", "identity"]);
    prop_oneof![3 => Just(None), 1 => setting.prop_map(Some)]
}

fn some_step() -> impl Strategy<Value = Step> {
    (
        prop::collection::vec(some_station(), STATIONS),
        prop::collection::vec(some_loss(), STATIONS),
        prop::collection::vec(any::<bool>(), STATIONS),
        prop_oneof![2 => Just(WEBHOOKS.to_vec()), 1 => subsequence(WEBHOOKS.to_vec(), 0..=3)],
        prop::sample::select(vec![0, 1, 59, 60, 240, 1440]),
        prop::collection::vec(any::<Index>(), STATIONS),
    )
        .prop_map(|(fleet, let_go, reported, present, minutes, shuffle)| Step {
            fleet,
            let_go,
            reported,
            present,
            minutes,
            shuffle,
        })
}

fn subscription(name: &str) -> Subscription {
    match name {
        "heavy" => webhook("heavy", &[Weight::Lifeline]),
        "light" => webhook("light", &[Weight::Routine, Weight::Locating]),
        _ => webhook(name, &Weight::ALL),
    }
}

fn name_of(nth: usize) -> String {
    format!("NQ-{nth:02}")
}

/// Carries out a step; the parts of a station come in some order.
fn take(watch: &mut Watch, step: &Step) -> Verdict {
    watch.minutes(step.minutes);
    watch.terms.webhooks = step.present.iter().map(|name| subscription(name)).collect();
    for (nth, state) in step.fleet.iter().enumerate() {
        let name = name_of(nth);
        match state {
            None if watch.stations.contains_key(&*name) => watch.take(&name),
            None => {}
            Some((settings, service)) => {
                let mut settings = settings.clone();
                let by = step.shuffle[nth].index(settings.len().max(1));
                let by = by.min(settings.len());
                settings.rotate_left(by);
                let lifelines = service.map(|s| lifeline("emergency", s)).into_iter().collect();
                let drift = station(&name, settings, lifelines);
                watch.put(match step.let_go[nth] {
                    Some(setting) => let_go(drift, setting, None),
                    None => drift,
                });
            }
        }
        if step.reported[nth] {
            watch.report(&name);
        }
    }
    watch.pass()
}

/// What each webhook believes, kept by the messages alone, as a receiver would.
#[derive(Default)]
struct Receivers {
    /// The open cases.
    open: BTreeSet<(String, String)>,
    /// Where something is not looked at.
    lost: BTreeMap<(String, String), BTreeSet<String>>,
    /// What was told to be gone from the inventory.
    gone: BTreeSet<(String, String)>,
    ids: BTreeSet<(String, String)>,
    always_here: bool,
}

impl Receivers {
    fn hear(&mut self, verdict: &Verdict) {
        for message in &verdict.messages {
            assert!(self.ids.insert((message.webhook.to_string(), message.id.clone())), "an id comes once");
        }
        for message in &verdict.messages {
            let data = data(&message.body);
            for reason in Reason::ALL {
                for entry in data[reason.as_str()].as_array().unwrap() {
                    self.hear_entry(&message.webhook, reason, entry);
                }
            }
        }
    }

    fn hear_entry(&mut self, webhook: &str, reason: Reason, entry: &serde_json::Value) {
        let case = (webhook.to_owned(), entry["station"].as_str().unwrap().to_owned());
        let line = format!("{reason:?} {case:?} {entry}");
        let lost = entry["unwatched"].as_array().into_iter().flatten();
        let lost: BTreeSet<String> = lost.map(|lost| format!("{} {}", lost["setting"], lost["lifeline"])).collect();
        let had_lost = self.lost.get(&case).is_some_and(|lost| !lost.is_empty());
        // What is gone is not looked at, and a telling of it says no more.
        if reason != Reason::Withdrawn {
            self.lost.insert(case.clone(), lost.clone());
        }
        self.gone.remove(&case);
        match reason {
            Reason::Opened => assert!(self.open.insert(case), "opened twice: {line}"),
            Reason::Grown | Reason::Eased | Reason::StillOpen => {
                assert!(self.open.contains(&case), "never opened: {line}");
            }
            Reason::Closed => {
                assert!(self.open.remove(&case), "never opened: {line}");
                assert!(lost.is_empty() && entry["standing"] == "aligned", "who says so? {line}");
            }
            Reason::Withdrawn => {
                self.open.remove(&case);
                self.gone.insert(case);
            }
            // The standing says whether a case is open.
            Reason::Unwatched | Reason::Watched | Reason::Returned => {
                assert!(reason != Reason::Unwatched || !lost.is_empty(), "{line}");
                assert!(reason != Reason::Watched || had_lost, "{line}");
                let is_over = entry["standing"].is_null() || entry["standing"] == "aligned";
                let _ = if is_over { self.open.remove(&case) } else { self.open.insert(case) };
            }
        }
    }

    /// Who takes lifelines and was there hears of every lifeline setting that is managed no longer.
    fn compare_losses(&self, before: &BTreeMap<Name, Arc<StationDrift>>, watch: &Watch, present: &[&str]) {
        let watched = |drift: &StationDrift, name: &Name| {
            drift
                .scope
                .settings
                .iter()
                .any(|setting| setting.name == *name && setting.is_lifeline && setting.is_watched)
        };
        for webhook in present.iter().filter(|webhook| subscription(webhook).weights.contains(&Weight::Lifeline)) {
            for (station, was) in before {
                let Some(is) = watch.stations.get(station) else { continue };
                let names = was.scope.settings.iter().map(|setting| &setting.name);
                for name in names.filter(|name| watched(was, name) && !watched(is, name)) {
                    let told = self.lost.get(&(webhook.to_string(), station.to_string()));
                    let part = format!("\"{name}\" null");
                    assert!(
                        told.is_some_and(|told| told.contains(&part)),
                        "{webhook} is not told of {name} at {station}"
                    );
                }
            }
        }
    }

    /// Every webhook that is here knows of what it takes, and of nothing that is over.
    fn compare(&self, stations: &BTreeMap<Name, Arc<StationDrift>>, present: &[&str]) {
        for webhook in present {
            let weights = subscription(webhook).weights;
            for drift in stations.values() {
                let open = self.open.contains(&(webhook.to_string(), drift.station.to_string()));
                let takes = drift.weight.is_some_and(|weight| weights.contains(&weight));
                assert!(open || !takes, "{webhook} is kept in the dark about {}", drift.station);
                assert!(
                    !open || drift.standing != Standing::Aligned,
                    "{webhook} waits for the end of {}",
                    drift.station
                );
            }
            let gone = self.open.iter().find(|(of, station)| of == webhook && !stations.contains_key(&**station));
            assert_eq!(gone, None);
            // Who was away when it came back is told of what is open only.
            let left = self.gone.iter().find(|(of, station)| of == webhook && stations.contains_key(&**station));
            assert!(left.is_none() || !self.always_here, "{left:?} is there again, and nobody says so");
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, ..ProptestConfig::default() })]

    /// `Watch::pass` also asserts on every step that a second pass has nothing to say, that what was told survives being kept
    /// as text, and that the memo of what need not be looked at changes nothing.
    #[test]
    fn every_webhook_hears_of_every_case_from_its_opening_to_its_end(steps in prop::collection::vec(some_step(), 1..10)) {
        let mut watch = Watch::new();
        let always_here = steps.iter().all(|step| step.present.len() == WEBHOOKS.len());
        let mut receivers = Receivers { always_here, ..Receivers::default() };
        for step in &steps {
            // Nothing is known of what was looked at before the first pass.
            let before = if watch.cases.names::<Station>().next().is_none() { BTreeMap::new() } else { watch.stations.clone() };
            let verdict = take(&mut watch, step);
            receivers.hear(&verdict);
            receivers.compare(&watch.stations, &step.present);
            receivers.compare_losses(&before, &watch, &step.present);
        }
        let end = Step {
            fleet: vec![Some((vec![], None)); STATIONS],
            let_go: vec![None; STATIONS],
            reported: vec![false; STATIONS],
            present: WEBHOOKS.to_vec(),
            minutes: 1,
            shuffle: steps[0].shuffle.clone(),
        };
        receivers.hear(&take(&mut watch, &end));
        prop_assert!(receivers.open.is_empty());
        prop_assert!(watch.cases.open_stations().is_empty());
    }

    #[test]
    fn the_order_of_parts_and_webhooks_makes_no_difference(
        steps in prop::collection::vec(some_step(), 1..5),
        other in prop::collection::vec(any::<Index>(), STATIONS),
    ) {
        let (mut one, mut two) = (Watch::new(), Watch::new());
        for step in &steps {
            let mut turned = Step { shuffle: other.clone(), ..step.clone() };
            turned.present.reverse();
            let (mut a, b) = (take(&mut one, step), take(&mut two, &turned));
            a.messages.reverse();
            prop_assert_eq!((a.messages, a.writes, a.many), (b.messages, b.writes, b.many));
        }
    }

    /// A message says how many stations it tells of, and shows or counts each.
    #[test]
    fn counts_are_exact(steps in prop::collection::vec(some_step(), 1..5)) {
        let mut watch = Watch::new();
        for step in &steps {
            for message in take(&mut watch, step).messages {
                let data = data(&message.body);
                for reason in Reason::ALL.map(Reason::as_str) {
                    let shown = data[reason].as_array().unwrap().len();
                    let count = data["counts"][reason]["stations"].as_u64().unwrap();
                    prop_assert_eq!(count, shown as u64 + data["left_out"][reason].as_u64().unwrap());
                }
                let standings: u64 = data["totals"].as_object().unwrap().values().filter_map(|n| n.as_u64()).sum();
                prop_assert_eq!(standings, watch.stations.len() as u64);
            }
        }
    }
}
