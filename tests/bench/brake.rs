//! What the brake costs a look at a fleet: how each station is altered, and the count over all of them.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

use jiff::Timestamp;
use serde_json::{Value as Json, json};
use stationkeep::brake::{Alteration, Candidate, Limit, Share, alteration, digest, is_first_seen, judge};
use stationkeep::inventory::{self, Inventory, Station};
use stationkeep::ledger::{Decisions, Record, fold};
use stationkeep::setting::{Name, Value};

use super::measure::{assert_sound, codes, keybooks, reports, yaml_files};

/// So often each is measured.
const ROUNDS: usize = 21;

/// Reads a folder that `writer` wrote; milliseconds (median and greatest) of all alterations and of the count, while nothing
/// is altered, and where every station with a contact of its own is to call another number.
pub fn measure(folder: &Path) -> Json {
    let (inventory, records) = fleet(folder);
    let still = round(&inventory, &records);
    let edited = round(&edited(&inventory), &records);
    json!({ "stations": records.len(), "unaltered": still, "altered": edited })
}

fn round(inventory: &Inventory, records: &BTreeMap<Name, Arc<Record>>) -> Json {
    let limit =
        Limit { share: Share::DEFAULT, most: Limit::MOST, share_set_at: "share".into(), most_set_at: "most".into() };
    let (decisions, clock) = (Decisions::default(), Timestamp::UNIX_EPOCH);
    let (mut each, mut count, mut altered, mut held) = (Vec::new(), Vec::new(), 0, 0);
    for _ in 0..ROUNDS {
        let began = Instant::now();
        let rows: Vec<(&Station, &Record, Option<Arc<Alteration>>)> = inventory
            .stations
            .values()
            .map(|station| {
                let (record, release) = (&*records[&station.name], decisions.release_of([&station.name]));
                (&**station, record, alteration(station, record, release, clock).map(Arc::new))
            })
            .collect();
        each.push(began.elapsed().as_secs_f64() * 1e3);
        let began = Instant::now();
        let wanted = || digest(inventory.stations.values().map(|station| &**station));
        let rows = rows.iter().map(|(station, record, one)| {
            let (alteration, is_on_record) = (one.as_deref(), record.is_on_record());
            let has_proven = !record.proven.is_empty();
            Candidate { station, has_proven, is_first_seen: is_first_seen(record), alteration, is_on_record }
        });
        altered = rows.clone().filter(|row| row.alteration.is_some()).count();
        let change = judge(rows, &BTreeMap::new(), &decisions, &limit, clock, wanted).1;
        count.push(began.elapsed().as_secs_f64() * 1e3);
        held = change.map_or(0, |change| change.stations.len());
    }
    json!({ "altered": altered, "held": held, "alterations_ms": spread(each), "judge_ms": spread(count) })
}

fn spread(mut times: Vec<f64>) -> Json {
    times.sort_by(f64::total_cmp);
    json!({ "median": times[times.len() / 2], "greatest": times.last() })
}

/// The same fleet, where every dial string ends in another digit.
fn edited(inventory: &Inventory) -> Inventory {
    let mut edited = inventory.clone();
    for station in Arc::make_mut(&mut edited.stations).values_mut() {
        for wanted in Arc::make_mut(station).wanted.iter_mut().flatten() {
            if let Value::Dial(number) = &wanted.value {
                let number = format!("{}7", &number[..number.len().saturating_sub(1)]);
                Arc::make_mut(wanted).value = Value::Dial(number.into());
            }
        }
    }
    edited
}

fn fleet(folder: &Path) -> (Inventory, BTreeMap<Name, Arc<Record>>) {
    let codes = codes(folder);
    let keybooks = keybooks(folder, &codes);
    let raw = yaml_files(&folder.join("inventory")).into_iter().map(|path| {
        let name: Arc<str> = path.display().to_string().into();
        let (raw, findings) = inventory::read(&name, &std::fs::read(&path).expect("a file"));
        assert_sound(&findings);
        Arc::new(raw)
    });
    let (inventory, findings) = inventory::resolve(&raw.collect::<Vec<_>>(), &keybooks, &codes);
    assert_sound(&findings);
    let reports = reports(folder);
    let record = |(name, station): (&Name, &Arc<Station>)| {
        let own = reports.get(name).map_or(&[][..], |own| own);
        (name.clone(), Arc::new(fold(&station.keybook, own, |_| None)))
    };
    let records = inventory.stations.iter().map(record).collect();
    (inventory, records)
}
