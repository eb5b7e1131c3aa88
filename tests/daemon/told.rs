//! What someone who believes every delivery holds to be so, and the rules that a webhook's deliveries keep.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use serde_json::{Value, json};

use super::fleet::Fleet;
use super::process::{PATIENCE, until_within};
use super::receiver::{Got, Receiver};

pub const DRIFT: &str = "stationkeep.drift.v1";
pub const INVENTORY: &str = "stationkeep.inventory.refused.v1";
pub const CONFIGURATION: &str = "stationkeep.configuration.refused.v1";
pub const REPORT: &str = "stationkeep.report.refused.v1";
pub const REFUSED: &str = "stationkeep.message.refused.v1";
pub const GONE: &str = "stationkeep.webhook.gone.v1";

pub const LISTS: [&str; 9] =
    ["opened", "grown", "unwatched", "withdrawn", "still_open", "eased", "returned", "watched", "closed"];

/// The names in one list of a delivery, in its order.
pub fn names(got: &Got, list: &str) -> Vec<String> {
    let entries = got.data()[list].as_array().cloned().unwrap_or_default();
    entries.iter().map(|entry| entry["station"].as_str().unwrap_or_default().to_owned()).collect()
}

/// The entry of a station in a list.
pub fn entry<'g>(got: &'g Got, list: &str, station: &str) -> &'g Value {
    let entries = got.data()[list].as_array().map_or(&[][..], |entries| entries);
    entries.iter().find(|entry| entry["station"] == station).unwrap_or(&Value::Null)
}

/// The stations a delivery speaks of, as `list: name`, without those of empty lists.
pub fn all_names(got: &Got) -> Vec<String> {
    LISTS.iter().flat_map(|list| names(got, list).into_iter().map(move |name| format!("{list}: {name}"))).collect()
}

/// Where the refused reports came from that were told of, each as often as it was, in order of their names.
pub fn refused_sources(heard: &[Got]) -> Vec<String> {
    let told = heard.iter().filter(|got| got.kind() == REPORT);
    let reports = told.flat_map(|got| got.data()["reports"].as_array().cloned().unwrap_or_default());
    let mut sources: Vec<String> = reports.filter_map(|one| one["source"].as_str().map(str::to_owned)).collect();
    sources.sort();
    sources
}

/// The open cases: each station with its standing, weight and drifting settings.
type Open = BTreeMap<String, Value>;

/// What a believer knows.
#[derive(Default)]
struct Belief {
    open: Open,
    /// The whole of what was said of each.
    said: Open,
    /// Stations that are gone from the inventory.
    gone: BTreeSet<String>,
    /// Stations with something that is not looked at.
    unwatched: BTreeSet<String>,
}

/// The open cases as told.
///
/// Holds every telling to the rules: a case is opened once, and closed once; a station goes once and comes back before
/// anything else is said of it; nothing is aligned of which something is not looked at; a change is a change; no list is
/// cut (these fleets are small); deliveries come in the order in which they were decided.
pub fn open_cases(heard: &[Got]) -> Open {
    let mut belief = Belief::default();
    let mut last = None;
    let mut told = BTreeSet::new();
    for got in heard {
        // Drift may go to and fro; what is said of each station is compared below.
        let is_new = got.kind() == DRIFT || told.insert(got.data().to_string());
        assert!(is_new, "told twice under two ids: {}", got.body);
        let time = got.event["time"].as_str().and_then(|time| time.parse::<jiff::Timestamp>().ok());
        assert!(time.is_some() && time >= last, "{time:?} after {last:?}");
        last = time;
        if got.kind() == DRIFT {
            belief.take_in(got);
        }
    }
    belief.open
}

impl Belief {
    fn take_in(&mut self, got: &Got) {
        let mut seen = BTreeSet::new();
        for list in LISTS {
            assert_eq!(got.data()["left_out"][list], 0, "{}", got.body);
            for station in names(got, list) {
                assert!(seen.insert(station.clone()), "{station} twice in {}", got.body);
                self.hear(got, list, station);
            }
        }
    }

    fn hear(&mut self, got: &Got, list: &str, station: String) {
        let now = entry(got, list, &station);
        let whole = json!([now["standing"], now["weight"], now["settings"], now["lifelines"]]);
        let known = self.said.get(&station);
        match list {
            "opened" => assert_eq!(known, None, "{station} opened twice: {}", got.body),
            // A code that changed behind its reference looks the same.
            "grown" | "eased" => {
                let changed = known.is_some_and(|known| *known != whole || whole.to_string().contains("access"));
                assert!(changed, "{station} has no change: {}", got.body);
            }
            "still_open" => assert_eq!(known, Some(&whole), "{}", got.body),
            "closed" => assert!(known.is_some(), "{station} closed and not open: {}", got.body),
            "withdrawn" => assert!(self.gone.insert(station.clone()), "{station} gone twice: {}", got.body),
            "returned" => assert!(self.gone.remove(&station), "{station} was not gone: {}", got.body),
            "unwatched" => assert!(now["unwatched"][0]["weight"].is_string(), "{station}: {}", got.body),
            "watched" => assert!(self.unwatched.contains(&station), "{station} was looked at: {}", got.body),
            _ => panic!("{list}"),
        }
        assert!(list == "withdrawn" || !self.gone.contains(&station), "{station} is gone: {}", got.body);
        let is_whole = now["unwatched"].is_null();
        assert!(list != "closed" || is_whole, "{station} is not looked at whole: {}", got.body);
        let _ = if is_whole { self.unwatched.remove(&station) } else { self.unwatched.insert(station.clone()) };
        // A standing that says nothing is in no list but these.
        let is_over = now["standing"].is_null() || now["standing"] == "aligned";
        if is_over || matches!(list, "closed" | "withdrawn") {
            self.open.remove(&station);
            self.said.remove(&station);
        } else {
            self.open.insert(station.clone(), essence(now));
            self.said.insert(station, whole);
        }
    }
}

/// What is compared of a station, in deliveries and in `drift --format json`.
fn essence(entry: &Value) -> Value {
    let settings = entry["settings"].as_array().cloned().unwrap_or_default();
    let mut settings: Vec<Value> =
        settings.iter().map(|s| json!([s["setting"], s["drift"], s["weight"], printed(&s["wanted"])])).collect();
    settings.sort_by_key(Value::to_string);
    json!({ "standing": entry["standing"], "weight": entry["weight"], "settings": settings })
}

/// A value as deliveries print it.
fn printed(value: &Value) -> String {
    match (value.as_str(), value["secret"].as_str()) {
        (Some(text), _) => text.to_owned(),
        (None, Some(reference)) => format!("(secret {reference})"),
        (None, None) => value.to_string(),
    }
}

/// The stations of `drift --format json` in the same form.
pub fn drifting(drift: &Value) -> Open {
    let stations = drift["stations"].as_array().cloned().unwrap_or_default();
    stations
        .iter()
        .map(|station| (station["station"].as_str().unwrap_or_default().to_owned(), essence(station)))
        .collect()
}

/// Waits until what is told of the fleet is what `drift` says of it now.
pub fn settled(receiver: &Receiver, fleet: &Fleet) {
    settled_within(PATIENCE, receiver, fleet);
}

/// The same with a patience of its own: a message that was refused a few times waits for longer than the usual one.
pub fn settled_within(patience: Duration, receiver: &Receiver, fleet: &Fleet) {
    let drift = drifting(&fleet.drift());
    until_within(patience, "drift told as it is", || (open_cases(&receiver.heard()) == drift).then_some(()));
}

/// Each id's tries stand together: none is sent before the one ahead of it is over.
pub fn in_order(receiver: &Receiver) {
    let mut done: BTreeSet<String> = BTreeSet::new();
    let mut current = String::new();
    for got in receiver.requests() {
        if got.id != current {
            assert!(!done.contains(&got.id), "{} comes again after another", got.id);
            done.insert(std::mem::replace(&mut current, got.id));
        }
    }
}
