//! The first day: from a bare folder and a sheet full of dirt to a fleet under watch, with the program alone.
//!
//! Whoever plays the ops team here fixes a cell only where a finding named it. How many commands and answers it took is printed
//! (`--nocapture`).

#[path = "day_one/dirt.rs"]
mod dirt;

use std::collections::BTreeSet;
use std::fs;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use dirt::{DIRT, Said, Sheet};

const CLOCK: &str = "2026-11-25T13:00:00Z";
/// More turns of fixing than any sheet needs.
const TURNS: usize = 12;

/// A finding as it was printed: what it says, and every place that it names.
struct Finding {
    code: String,
    fix: String,
    places: Vec<(usize, usize)>,
}

struct Day<'d> {
    folder: &'d Path,
    sheet: Sheet,
    seed: usize,
    commands: usize,
    /// Codes by the kind of dirt, of `new` and of `report`.
    said: BTreeSet<(usize, String)>,
}

impl Day<'_> {
    fn run(&mut self, at: &str, args: &[&str]) -> Output {
        self.commands += 1;
        let mut command = Command::new(env!("CARGO_BIN_EXE_stationkeep"));
        let command = command.args(args).current_dir(self.folder.join(at)).env("STATIONKEEP_CLOCK", CLOCK);
        command.stdin(Stdio::null()).output().expect("the program")
    }

    fn write(&self) {
        fs::write(self.folder.join("sheet.csv"), self.sheet.bytes()).expect("the sheet");
    }

    /// Fixes what was named. The options that a fix asks for come back.
    fn fix(&mut self, output: &Output) -> Vec<String> {
        let text = String::from_utf8_lossy(&output.stderr).into_owned();
        let (mut options, mut has_changed) = (Vec::new(), false);
        let mut findings = findings(&text);
        // Kinds are told by the lines as they are before anything is fixed.
        let lines: Vec<usize> = (0..DIRT.len()).map(|kind| self.sheet.line_of(self.seed, kind)).collect();
        for finding in &findings {
            let named = |line: &usize| finding.places.iter().any(|(place, _)| place == line);
            let kinds = lines.iter().enumerate().filter(|(_, line)| named(line));
            self.said.extend(kinds.map(|(kind, _)| (kind, finding.code.clone())));
        }
        // From the end: a row that goes moves those after it.
        findings.sort_by_key(|finding| std::cmp::Reverse(finding.places.clone()));
        let mut done = BTreeSet::new();
        for Finding { code, fix, places } in &findings {
            if let Some((_, form)) = fix.split_once(", or name the form: --dates ") {
                let form = form.trim_end_matches('.').to_owned();
                options = vec!["--dates".into(), form];
                has_changed = true;
                continue;
            }
            for (line, column) in places {
                if done.insert((*line, *column)) {
                    has_changed |= self.sheet.fix(code, fix, *line, *column);
                }
            }
        }
        assert!(has_changed, "nothing that was named could be fixed:\n{text}");
        self.sheet.answers += usize::from(!options.is_empty());
        self.write();
        options
    }
}

/// The findings of a text: a line with place, sentence and code, perhaps places beside, then the fix.
fn findings(text: &str) -> Vec<Finding> {
    let mut all: Vec<Finding> = Vec::new();
    for line in text.lines() {
        let place = line.split_once("sheet.csv:").map(|(_, rest)| rest.splitn(3, ':').collect::<Vec<_>>());
        let place = place.and_then(|parts| Some((parts.first()?.parse().ok()?, parts.get(1)?.parse().ok()?)));
        match (place, line.strip_prefix("Fix: "), all.last_mut()) {
            (Some(place), _, _) if line.contains(": error: ") => {
                let code =
                    line.rsplit_once('(').map(|(_, code)| code.trim_end_matches(')').to_owned()).expect("a code");
                all.push(Finding { code, fix: String::new(), places: vec![place] });
            }
            (Some(place), _, Some(last)) => last.places.push(place),
            (None, Some(fix), Some(last)) => last.fix = fix.to_owned(),
            (_, _, _) => {}
        }
    }
    all
}

fn is_done(output: &Output) -> bool {
    output.status.code() == Some(0)
}

fn text(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

#[test]
fn a_bare_folder_and_a_dirty_sheet_become_a_fleet_under_watch_without_a_line_of_code() {
    for seed in [1, 2] {
        let folder = tempfile::tempdir().expect("a folder");
        let mut day = Day { folder: folder.path(), sheet: Sheet::new(seed), seed, commands: 0, said: BTreeSet::new() };
        day.write();
        founded(&mut day);
        let checked = day.run("weir", &["check"]);
        assert!(is_done(&checked), "{}", text(&checked));
        reported(&mut day);
        let summary = day.run("weir", &["drift", "--summary"]);
        let page = String::from_utf8(summary.stdout).expect("text");
        assert!(page.contains("300 stations") && page.lines().count() <= 40, "{page}");
        assert!(page.lines().all(|line| line.chars().count() <= 80), "{page}");
        assert!(page.lines().any(|line| line.starts_with("all ") && line.contains(" 300 ")), "{page}");
        assert!(page.contains("600 test calls to make"), "all that is missing are test calls:\n{page}");
        watched(&mut day);
        for (kind, (name, _, said)) in DIRT.iter().enumerate() {
            let codes: Vec<&str> = day.said.iter().filter(|(of, _)| *of == kind).map(|(_, code)| &**code).collect();
            match said {
                Said::Nothing => assert!(codes.is_empty(), "{name}: {codes:?}"),
                Said::New(code) | Said::Report(code) => assert!(codes.contains(code), "{name}: {codes:?}"),
            }
        }
        println!("seed {seed}: {} commands, {} answers", day.commands, day.sheet.answers);
    }
}

/// `new`, until nothing is wrong with the sheet.
fn founded(day: &mut Day) {
    let args = ["new", "weir", "--from", "sheet.csv", "--fleet", "Mill Weir", "--country", "GB", "--as-guessed"];
    for _ in 0..TURNS {
        let made = day.run("", &args);
        if is_done(&made) {
            assert!(text(&made).contains("12 sites, 300 stations"), "{}", text(&made));
            let again = day.run("", &args);
            assert_eq!(again.status.code(), Some(2), "nothing is written over");
            day.commands -= 1;
            return;
        }
        assert_eq!(made.status.code(), Some(2), "{}", text(&made));
        assert!(!day.folder.join("weir").exists(), "nothing is written while a row is bad");
        day.fix(&made);
    }
    panic!("the sheet is not right after {TURNS} turns");
}

/// `report --try`, until nothing is wrong; then `report`.
fn reported(day: &mut Day) {
    let mut options: Vec<String> = Vec::new();
    for _ in 0..TURNS {
        let mut args = vec!["report", "../sheet.csv", "--try"];
        args.extend(options.iter().map(String::as_str));
        let tried = day.run("weir", &args);
        assert!(text(&tried).contains("nothing was recorded"), "{}", text(&tried));
        if is_done(&tried) {
            args.retain(|arg| *arg != "--try");
            let recorded = day.run("weir", &args);
            assert!(text(&recorded).contains("300 rows: 300 recorded"), "{}", text(&recorded));
            return;
        }
        let more = day.fix(&tried);
        options = if more.is_empty() { options } else { more };
    }
    panic!("the sheet is not right after {TURNS} turns");
}

/// `serve` is ready.
fn watched(day: &mut Day) {
    let at = TcpListener::bind("127.0.0.1:0").expect("a port").local_addr().expect("an address");
    let path = day.folder.join("weir/config/stationkeep.yaml");
    let config = fs::read_to_string(&path).expect("the configuration");
    fs::write(&path, config.replace("127.0.0.1:8470", &at.to_string())).expect("the configuration");
    day.commands += 1;
    let mut daemon = Command::new(env!("CARGO_BIN_EXE_stationkeep"))
        .arg("serve")
        .current_dir(day.folder.join("weir"))
        .env("STATIONKEEP_CLOCK", CLOCK)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the daemon");
    let until = Instant::now() + Duration::from_secs(20);
    let is_ready = || -> Option<bool> {
        let mut stream = TcpStream::connect(at).ok()?;
        stream.write_all(format!("GET /readyz HTTP/1.1\r\nHost: {at}\r\nConnection: close\r\n\r\n").as_bytes()).ok()?;
        let mut answer = String::new();
        stream.read_to_string(&mut answer).ok()?;
        Some(answer.starts_with("HTTP/1.1 200"))
    };
    let mut ready = false;
    while !ready && Instant::now() < until {
        ready = is_ready().unwrap_or(false);
        std::thread::sleep(Duration::from_millis(50));
    }
    daemon.kill().expect("the daemon");
    daemon.wait().expect("its end");
    assert!(ready, "the daemon is not ready");
}
