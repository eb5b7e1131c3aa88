//! What the brake's judgement costs a pass, beside a whole one of the same fleet: an edit of one station, again and again.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

use jiff::Timestamp;
use serde_json::{Value as Json, json};
use stationkeep::old_brake::{Brake, Facts, Limit, Share};
use stationkeep::inventory::{self, Inventory, Station};
use stationkeep::ledger::{Decisions, Record, fold};
use stationkeep::setting::Name;

use super::measure::{assert_sound, codes, keybooks, reports, yaml_files};

/// So many edits, each judged once.
const EDITS: usize = 1_000;

/// Reads a folder that `writer` wrote; milliseconds of the first judgement, of a whole one after it, and of an edit.
pub fn measure(folder: &Path) -> Json {
    let (mut inventory, records) = fleet(folder);
    let record = |station: &Station| records[&station.name].clone();
    let limit = Limit { share: Share::DEFAULT, set_at: "the default".into() };
    let notices = Decisions::default();
    let mut brake = Brake::default();
    let mut judge = |inventory: &Inventory, changed: Option<&BTreeSet<Name>>| {
        let facts = Facts {
            inventory,
            record: &record,
            decisions: &notices,
            seq: 1,
            limit: &limit,
            now: Timestamp::UNIX_EPOCH,
        };
        let began = Instant::now();
        let moves = brake.judge(&facts, changed);
        brake.keep(&moves);
        (began.elapsed().as_secs_f64() * 1e3, moves.len())
    };
    let (first, rows) = judge(&inventory, None);
    let (whole, _) = judge(&inventory, None);
    let names: Vec<Name> = inventory.stations.keys().cloned().collect();
    let mut times: Vec<f64> = (0..EDITS)
        .map(|nth| {
            let name = &names[nth * 7_919 % names.len()];
            let station = inventory.stations.get_mut(name).expect("a station");
            *station = Arc::new(Station { site: format!("site-{nth}").as_str().into(), ..(**station).clone() });
            let (took, moves) = judge(&inventory, Some(&BTreeSet::from([name.clone()])));
            assert_eq!(moves, 1, "its row knows the new site");
            took
        })
        .collect();
    times.sort_by(f64::total_cmp);
    json!({
        "stations": rows,
        "first_ms": first,
        "whole_ms": whole,
        "edit_median_ms": times[EDITS / 2],
        "edit_99_ms": times[EDITS * 99 / 100],
    })
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
