//! What a start costs: files read, then records folded from the whole ledger, or recalled from beside it; and what a report takes
//! on the disk. All of it is read in this process, on a ledger that the program itself imported.

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

use serde_json::{Value as Json, json};
use stationkeep::config;
use stationkeep::files::Look;
use stationkeep::fleet::{FoldsFound, LastRead, ReadingCache, Records, open_with_key};

/// CPU seconds of this whole process so far: the database works in threads of its own.
fn cpu_s() -> f64 {
    let text = fs::read_to_string("/proc/self/stat").expect("Linux counts CPU time here");
    let fields: Vec<&str> = text.rsplit(')').next().expect("fields").split_whitespace().collect();
    // utime and stime, in hundredths of a second on every Linux that this runs on.
    let ticks = |at: usize| fields[at].parse::<f64>().expect("a number");
    (ticks(11) + ticks(12)) / 100.0
}

fn most_mib() -> u64 {
    let status = fs::read_to_string("/proc/self/status").expect("Linux says it here");
    let line = status.lines().find(|line| line.starts_with("VmHWM:")).expect("a line");
    line.split_whitespace().nth(1).and_then(|kb| kb.parse::<u64>().ok()).expect("a number") / 1024
}

/// Measures a folder that `writer` wrote; its ledger is made anew.
pub fn measure(folder: &Path) -> Json {
    let _ = fs::remove_dir_all(folder.join("var"));
    let mut program = Command::new(env!("CARGO_BIN_EXE_stationkeep"));
    program.current_dir(folder).arg("--config").arg(folder.join("stationkeep.yaml")).stdout(Stdio::null());
    assert!(program.args(["ledger", "import", "ledger.jsonl"]).status().expect("the program").success());
    let reports = fs::read_to_string(folder.join("ledger.jsonl")).expect("its lines").lines().count();
    let runtime =
        tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let config = config::load(&folder.join("stationkeep.yaml")).config.expect("a configuration");
        let opened = open_with_key(config.ledger.reveal(), &config.key_place(), &[7; 32]).await;
        let (store, key) = opened.expect("the ledger that was made");
        // The import has kept records by now: they are measured apart.
        store.forget_folds().await.expect("removed");
        let mut stages = Vec::new();
        let mut began = (cpu_s(), Instant::now());
        let mut end = |name: &str| {
            stages.push(json!([name, cpu_s() - began.0, began.1.elapsed().as_secs_f64()]));
            began = (cpu_s(), Instant::now());
        };
        let (sources, mut cache) = (config.sources(key), ReadingCache::default());
        let read = sources.read(&LastRead::default(), Look::Whole, std::time::SystemTime::now(), &mut cache);
        end("files read and resolved");
        let files = (&*read.reading.inventory, &read.reading.keybooks);
        let mut folded = Records::load(&store, files, None, |_| {}).await.expect("records");
        end("records folded");
        folded.keep_folds(&store).await.expect("kept");
        end("records kept");
        drop(folded);
        end("records let go of");
        let recalled = Records::recall(&store, files).await.expect("records").expect("they are kept");
        end("records recalled");
        let most = most_mib();
        drop(recalled);
        let found = Records::compare_folds(&store, files, |_| {}).await.expect("compared");
        end("records compared");
        assert!(matches!(found, FoldsFound::Agree(_)), "{found:?}");
        store.close().await;
        json!({
            "stations": files.0.stations.len(),
            "reports": reports,
            "stages (CPU s, s)": stages,
            "most MiB": most,
            "bytes of the database": fs::metadata(folder.join("var/ledger.db")).map_or(0, |file| file.len()),
        })
    })
}
