//! What dropped report files cost: to record many of them, beside the same as lines of one file; and to make an edit while many
//! that are recorded lie in their folder, beside an empty one. The program as its users build it, as child processes.

use std::fmt::Write;
use std::fs;
use std::path::Path;
use std::process::Stdio;

use crate::latency::{Daemon, cpu_s, edits_of, prepare, program, quiet, station_edit, until};
use crate::receiver::Receiver;

fn children_s() -> f64 {
    cpu_s("/proc/self/stat", [16, 17])
}

/// Measures both.
pub fn measure(place: &Path, stations: usize, files: usize, edits: usize) {
    let folder = place.join(format!("bench-fleet-{stations}"));
    prepare(&folder, stations);
    clear(&folder);
    recording(&folder, stations);
    let empty = edit(&folder, edits);
    println!("{files} files are written and recorded …");
    for number in 0..files {
        drop_report(&folder, stations, 1_000_000 + number, &format!("kept/{:02}", number % 10));
    }
    let kept = edit(&folder, edits);
    println!("edit of one station, {edits} times: CPU s of the daemon each; median ms from saved to first byte");
    println!("  empty folder: {:.3} CPU s, {:.0} ms", empty.0, empty.1);
    println!("  {files} kept files: {:.3} CPU s, {:.0} ms", kept.0, kept.1);
    clear(&folder);
}

fn clear(folder: &Path) {
    let _ = fs::remove_dir_all(folder.join("reports"));
    fs::create_dir(folder.join("reports")).expect("a folder");
}

/// What 10,000 files cost beyond what the command costs, and 10,000 lines of one file.
fn recording(folder: &Path, stations: usize) {
    const MANY: usize = 10_000;
    let command = || {
        let before = children_s();
        let began = std::time::Instant::now();
        let done = program(folder).arg("drift").stdout(Stdio::null()).status().expect("the program");
        assert!(matches!(done.code(), Some(0 | 3)), "{done:?}");
        (children_s() - before, began.elapsed().as_secs_f64())
    };
    // Numbers of their own each time: what is on record already costs less.
    let from = usize::try_from(std::process::id()).expect("a number") * 1_000_000;
    let nothing = command();
    (0..MANY).for_each(|number| drop_report(folder, stations, from + number, "new"));
    let as_files = command();
    clear(folder);
    let lines = (0..MANY).fold(String::new(), |mut text, number| {
        let (id, station, at) = of(stations, from + MANY + number);
        writeln!(
            text,
            r#"{{"report":1,"id":"{id}","station":"{station}","at":"{at}","by":"t","left":{{"call.minutes":10}}}}"#
        )
        .expect("a line");
        text
    });
    fs::write(folder.join("reports/lines.jsonl"), lines).expect("a file");
    let after = command();
    clear(folder);
    println!(
        "{MANY} reports recorded: CPU s, seconds in all (a command that records nothing: {:.2}, {:.2})",
        nothing.0, nothing.1
    );
    println!("  as files: {:.2}, {:.2}", as_files.0 - nothing.0, as_files.1 - nothing.1);
    println!("  as lines: {:.2}, {:.2}", after.0 - nothing.0, after.1 - nothing.1);
}

/// CPU seconds of the daemon an edit, and the median of the milliseconds to the first byte.
fn edit(folder: &Path, edits: usize) -> (f64, f64) {
    let receiver = Receiver::start();
    let daemon = Daemon::start(folder, &receiver);
    until("the first message", || receiver.count() > 0);
    quiet(&receiver);
    let before = daemon.cpu_s();
    let times = edits_of(&receiver, edits, |nth| station_edit(folder, nth));
    let cpu = (daemon.cpu_s() - before) / edits as f64;
    (cpu, times[times.len() / 2])
}

fn of(stations: usize, number: usize) -> (String, String, String) {
    let id = format!("019a0000-ffff-7000-8000-{number:012x}");
    let at = format!(
        "2026-0{}-{:02}T{:02}:{:02}:{:02}Z",
        1 + number / 86_400 % 9,
        1 + number / 9 % 28,
        number / 3_600 % 24,
        number / 60 % 60,
        number % 60
    );
    (id, format!("ST-{:06}", number % stations), at)
}

fn drop_report(folder: &Path, stations: usize, number: usize, below: &str) {
    let (id, station, at) = of(stations, number);
    let below = folder.join("reports").join(below);
    fs::create_dir_all(&below).expect("a folder");
    let text = format!("report: 1\nid: {id}\nstation: {station}\nat: {at}\nby: t\nleft: {{call.minutes: 10}}\n");
    fs::write(below.join(format!("{number}.yaml")), text).expect("a file");
}
