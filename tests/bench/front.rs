//! What checking a fleet's files takes, beside a bare parse of the same bytes into YAML events, by turns in one process.

use std::fs;
use std::path::Path;
use std::sync::Arc;

use saphyr_parser::Parser;
use serde_json::{Value as Json, json};
use stationkeep::files::FileText;
use stationkeep::fleet::{Reading, ReadingCache, Texts};

use super::measure::{codes, cpu_s, yaml_files};

/// Each is done so often, and the best counts.
const ROUNDS: usize = 5;

/// CPU seconds of both, over the texts of a folder that `writer` wrote.
pub fn measure(folder: &Path) -> Json {
    let texts = |below: &str| -> Texts {
        let files = yaml_files(&folder.join(below)).into_iter().map(|path| {
            let name: Arc<str> = path.strip_prefix(folder).expect("below").display().to_string().into();
            (name, Arc::new(FileText::new(fs::read(&path).expect("a file"))))
        });
        files.collect()
    };
    let (keybooks, inventory, codes) = (texts("keybooks"), texts("inventory"), codes(folder));
    let (mut bare, mut checked) = (f64::MAX, f64::MAX);
    let (mut events, mut stations) = (0, 0);
    for _ in 0..ROUNDS {
        let start = cpu_s();
        events = keybooks.values().chain(inventory.values()).map(|text| count(text)).sum();
        bare = bare.min(cpu_s() - start);
        let start = cpu_s();
        let fleet = Reading::read(&keybooks, &inventory, |_| codes.clone(), &mut ReadingCache::default());
        assert!(fleet.is_sound(), "{:?}", fleet.findings.first());
        stations = fleet.inventory.stations.len();
        checked = checked.min(cpu_s() - start);
    }
    let bytes: usize = keybooks.values().chain(inventory.values()).map(|text| text.bytes.len()).sum();
    json!({
        "files": keybooks.len() + inventory.len(), "bytes": bytes, "events": events, "stations": stations,
        "bare_s": bare, "check_s": checked,
    })
}

fn count(text: &FileText) -> usize {
    let mut parser = Parser::new_from_str(text.text().expect("a text"));
    let mut events = 0;
    while let Some(event) = parser.next_event() {
        event.expect("a sound text");
        events += 1;
    }
    events
}
