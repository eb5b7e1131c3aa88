//! What reading a fleet again costs after an edit: nothing at all, a station's line, a site's setting, a contact.

use std::fs;
use std::path::Path;
use std::sync::Arc;

use serde_json::{Value as Json, json};
use stationkeep::files::FileText;
use stationkeep::fleet::{Reading, ReadingCache, Texts};
use stationkeep::setting::Codes;

use super::measure::{codes, cpu_s, yaml_files};

/// So many edits of each kind: an even number, so that each ends as it began. The kernel counts CPU time in steps.
const EDITS: usize = 20;

/// One file changed from one text to another, turn by turn.
struct Edit {
    file: Arc<str>,
    from: &'static str,
    to: &'static str,
}

struct Fleet {
    keybooks: Texts,
    inventory: Texts,
    codes: Codes,
    cache: ReadingCache,
}

/// CPU seconds of a first reading, and of one after each kind of edit on average, of a folder that `writer` wrote.
pub fn measure(folder: &Path) -> Json {
    let texts = |below: &str| -> Texts {
        let files = yaml_files(&folder.join(below)).into_iter().map(|path| {
            let name: Arc<str> = path.strip_prefix(folder).expect("below").display().to_string().into();
            (name, Arc::new(FileText::new(fs::read(&path).expect("a file"))))
        });
        files.collect()
    };
    let mut fleet = Fleet {
        keybooks: texts("keybooks"),
        inventory: texts("inventory"),
        codes: codes(folder),
        cache: ReadingCache::default(),
    };
    let (first, stations) = fleet.read();
    let site: Arc<str> = fleet.inventory.keys().last().expect("a site's file").clone();
    let shared: Arc<str> = "inventory/fleet.yaml".into();
    let nothing = Edit { file: shared.clone(), from: "", to: "" };
    let station = Edit { file: site.clone(), from: "Berth ", to: "Berth no. " };
    let line = Edit { file: site, from: "form: national", to: "form: international" };
    let contact = Edit { file: shared, from: "+441134960002", to: "+441134960003" };
    json!({
        "stations": stations,
        "first_s": first,
        "nothing_s": fleet.after(&nothing),
        "station_s": fleet.after(&station),
        "site_s": fleet.after(&line),
        "contact_s": fleet.after(&contact),
    })
}

impl Fleet {
    fn read(&mut self) -> (f64, usize) {
        let start = cpu_s();
        let codes = &self.codes;
        let reading = Reading::read(&self.keybooks, &self.inventory, |_| codes.clone(), &mut self.cache);
        let taken = cpu_s() - start;
        assert!(reading.is_sound(), "{:?}", reading.findings.first());
        (taken, reading.inventory.stations.len())
    }

    /// CPU seconds of a reading after an edit, on average.
    fn after(&mut self, edit: &Edit) -> f64 {
        let before = self.inventory[&edit.file].clone();
        let text = before.text().expect("UTF-8").to_owned();
        let edited = Arc::new(FileText::new(text.replacen(edit.from, edit.to, 1).into_bytes()));
        assert_eq!(*edited.bytes != *before.bytes, edit.from != edit.to);
        let texts = [edited, before];
        let times = (0..EDITS).map(|nth| {
            self.inventory.insert(edit.file.clone(), texts[nth % 2].clone());
            self.read().0
        });
        times.sum::<f64>() / EDITS as f64
    }
}
