//! The bench of alerts: how long from a saved file to the receiver's first byte, and how many deliveries a second.
//!
//! `cargo bench --bench alerts -- latency [STATIONS] [EDITS]`, `-- intake [STATIONS] [FILES] [EDITS]` (what dropped files cost)
//! and `-- deliveries [MESSAGES] [KILLS]`. They print a figure of this machine beside their own. `-- burst [STATIONS] [SECONDS]`
//! edits ten times a second, and `-- crowd [CONNECTIONS]` asks for health beside idle connections. None asserts a time.

mod crowd;
mod deliveries;
mod intake;
mod latency;
mod receiver;
mod writer;

use std::path::PathBuf;
use std::process::ExitCode;

fn main() -> ExitCode {
    // `cargo bench` adds a word of its own.
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    let numbers: Option<Vec<usize>> = words.iter().skip(1).map(|word| word.parse().ok()).collect();
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().expect("a runtime");
    match (words.as_slice(), numbers.as_deref()) {
        (["latency", ..], Some(numbers)) => {
            let (stations, edits) = (numbers.first().copied().unwrap_or(10_000), numbers.get(1).copied().unwrap_or(30));
            if !(1..=writer::MOST).contains(&stations) {
                return usage();
            }
            latency::measure(&place(), stations, edits);
        }
        (["burst", ..], Some(numbers)) => {
            let (stations, seconds) =
                (numbers.first().copied().unwrap_or(100_000), numbers.get(1).copied().unwrap_or(60));
            if !(1..=writer::MOST).contains(&stations) {
                return usage();
            }
            latency::burst(&place(), stations, seconds);
        }
        (["crowd", ..], Some(numbers)) => crowd::measure(&place(), numbers.first().copied().unwrap_or(5_000)),
        (["intake", ..], Some(numbers)) => {
            let at = |nth: usize, default| numbers.get(nth).copied().unwrap_or(default);
            let (stations, files, edits) = (at(0, 10_000), at(1, 110_000), at(2, 20));
            if !(100..=writer::MOST).contains(&stations) {
                return usage();
            }
            intake::measure(&place(), stations, files, edits);
        }
        (["deliveries", ..], Some(numbers)) => {
            let (messages, kills) =
                (numbers.first().copied().unwrap_or(20_000), numbers.get(1).copied().unwrap_or(100));
            let folder = tempfile::tempdir_in(place()).expect("a folder on the disk");
            runtime.block_on(deliveries::measure(folder.path(), messages, kills));
        }
        (["pump", database, url], _) => runtime.block_on(deliveries::pump(database, url)),
        ([], _) => println!("This one is run by: cargo bench --bench alerts -- latency (or burst, crowd, deliveries)"),
        _ => return usage(),
    }
    ExitCode::SUCCESS
}

/// Where the disk is that programs are built on: not one in memory.
fn place() -> PathBuf {
    let target = std::env::var("CARGO_TARGET_DIR").unwrap_or_else(|_| "target".to_owned());
    std::path::absolute(target).expect("a path")
}

fn usage() -> ExitCode {
    eprintln!(
        "usage: alerts latency [STATIONS (1 to {0})] [EDITS] | alerts burst [STATIONS (1 to {0})] [SECONDS] | \
         alerts crowd [CONNECTIONS] | alerts intake [STATIONS] [FILES] [EDITS] | alerts deliveries [MESSAGES] [KILLS]",
        writer::MOST
    );
    ExitCode::from(2)
}
