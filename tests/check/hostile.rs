//! Files as hostile and broken as they come, through the program's own readers: a finding, in bounded time and memory,
//! and never a panic. `measured.py` takes the time and the peak memory of each run.

use std::fs;
use std::os::unix::fs::symlink;
use std::os::unix::net::UnixListener;
use std::process::Command;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use serde_json::Value as Json;

use super::program::Fleet;

/// What no run may pass, on a busy machine and in a build without optimisation.
const SECONDS: f64 = 120.0;

/// The fleet's own program needs some; a file may take so many times its size, and no more.
const BASE_KIB: u64 = 96 << 10;
const KIB_A_KIB: u64 = 12;

/// What no sheet may take: 8 MiB are read of it, and a million cells.
const SHEET_KIB: u64 = 400 << 10;

/// A run of `check`, which must end well: with findings or without, in bounds.
struct Run {
    json: Json,
}

impl Run {
    fn of(fleet: &Fleet, arguments: &[&str]) -> Run {
        let python = std::env::var("STATIONKEEP_TEST_PYTHON").expect("tests/run sets STATIONKEEP_TEST_PYTHON");
        let mut command = Command::new(python);
        command.arg(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/check/measured.py")).arg(fleet.path("."));
        command.arg(env!("CARGO_BIN_EXE_stationkeep")).args(["--config", "stationkeep.yaml"]).args(arguments);
        let done = command.env("NO_COLOR", "1").output().expect("Python runs");
        let json: Json = serde_json::from_slice(&done.stdout)
            .unwrap_or_else(|error| panic!("{error}: {}", String::from_utf8_lossy(&done.stderr)));
        let run = Run { json };
        assert!(matches!(run.code(), 0 | 2), "{arguments:?}: {}", run.json);
        assert!(!run.text("err").contains("panicked"), "{}", run.json);
        assert!(run.json["seconds"].as_f64().expect("seconds") < SECONDS, "{arguments:?} took {}", run.json["seconds"]);
        run
    }

    fn code(&self) -> i64 {
        self.json["code"].as_i64().expect("a code")
    }

    fn text(&self, key: &str) -> &str {
        self.json[key].as_str().expect("a text")
    }

    fn peak_kib(&self) -> u64 {
        self.json["peak_kib"].as_u64().expect("a number")
    }
}

/// Each kind of file: where it stands and how it begins.
const KINDS: [(&str, &str); 4] = [
    ("inventory/x.yaml", "inventory: 1\n"),
    ("keybooks/x.yaml", "keybook: 1\n"),
    ("stationkeep.yaml", "stationkeep: 1\n"),
    ("x.yaml", "report: 1\n"),
];

/// Texts that are refused, each with the code that says so.
fn refused() -> Vec<(&'static str, Vec<u8>, &'static str)> {
    let utf16 = |text: &str, swap: bool| -> Vec<u8> {
        let units = std::iter::once(0xfeff).chain(text.encode_utf16());
        units.flat_map(|unit| if swap { unit.to_be_bytes() } else { unit.to_le_bytes() }).collect()
    };
    let bomb = (1..10).fold("a0: &a0 [x, x]\n".to_owned(), |text, n| {
        let all = vec![format!("*a{}", n - 1); 10].join(", ");
        text + &format!("a{n}: &a{n} [{all}]\n")
    });
    let echo = format!("a: &a {}\nb: [{}]\n", "x".repeat(1 << 20), "*a, ".repeat(2_000));
    let indented: String = (0..400).map(|depth| format!("{}a:\n", " ".repeat(depth))).collect();
    vec![
        ("an alias bomb", bomb.into(), "yaml-extra"),
        ("a large scalar aliased", echo.into(), "yaml-extra"),
        ("brackets", "[".repeat(200_000).into(), "yaml-"),
        ("braces", "{a: ".repeat(100_000).into(), "yaml-"),
        ("dashes", format!("a:\n  {}", "- ".repeat(100_000)).into(), "yaml-too-deep"),
        ("question marks", "? ".repeat(100_000).into(), "wrong-shape"),
        ("indentation", indented.into(), "yaml-too-deep"),
        ("a NUL", "a: \0\n".into(), "not-text"),
        ("bytes that are no UTF-8", b"a: \xff\xfe\n".to_vec(), "not-text"),
        ("a cut character", b"a: \xe6\xbc".to_vec(), "not-text"),
        ("surrogates", b"a: \xed\xa0\x80\n".to_vec(), "not-text"),
        ("UTF-16, little end first", utf16("a: 1\n", false), "not-text"),
        ("UTF-16, big end first", utf16("a: 1\n", true), "not-text"),
        ("lone carriage returns", "a: 1\rb: 2\r".into(), "not-text"),
        ("tabs", "a:\n\tb: 1\n".into(), "yaml-syntax"),
        ("a key twice, deep", "a: {b: [{c: 1, d: {e: 1, e: 2}}]}\n".into(), "key-repeated"),
        ("a key twice, spelt otherwise", "\"a\": 1\na: 2\n".into(), "key-repeated"),
        ("two documents", "a: 1\n---\nb: 1\n".into(), "yaml-documents"),
        ("a merge key", "<<: {a: 1}\n".into(), "yaml-extra"),
        ("an open quote", "a: \"b\n".into(), "yaml-syntax"),
        ("a directive", "%FOO bar\n".into(), "yaml-syntax"),
    ]
}

#[test]
fn every_kind_of_file_refuses_hostile_texts_with_a_finding_and_takes_them_lightly() {
    for (what, text, code) in refused() {
        let fleet = Fleet::new();
        for (name, head) in &KINDS {
            fleet.write(name, [head.as_bytes(), &text].concat());
        }
        if text.starts_with(b"%") || text.starts_with(&[0xff, 0xfe]) || text.starts_with(&[0xfe, 0xff]) {
            KINDS.iter().for_each(|(name, _)| fleet.write(name, &text));
        }
        let paths: Vec<&str> = KINDS.iter().map(|(name, _)| *name).collect();
        let hostile = Run::of(&fleet, &["check"]);
        assert_eq!(hostile.code(), 2, "{what}: {}", hostile.json);
        assert!(hostile.text("out").contains("stationkeep.yaml:"), "{what}: {}", hostile.json);
        // What the configuration leads to is looked at with a sound one.
        fleet.write("stationkeep.yaml", Fleet::new().read("stationkeep.yaml"));
        let run = Run::of(&fleet, &[&["check", "--format", "json"], paths.as_slice()].concat());
        assert_eq!(run.code(), 2, "{what}: {}", run.json);
        let findings: Json = serde_json::from_str(run.text("out")).expect("JSON");
        let told: Vec<(&str, &str)> = findings["findings"]
            .as_array()
            .expect("a list")
            .iter()
            .filter_map(|finding| Some((finding["place"]["file"].as_str()?, finding["code"].as_str()?)))
            .collect();
        for (name, _) in KINDS.iter().filter(|(name, _)| *name != "stationkeep.yaml") {
            let is_right = |(file, found): &&(&str, &str)| file == name && found.starts_with(code);
            assert!(told.iter().any(|one| is_right(&one)), "{what}: no {code} in {name}: {told:?}");
        }
        let limit = BASE_KIB + KIB_A_KIB * (text.len() as u64 * 3 / 1024);
        assert!(run.peak_kib() < limit, "{what}: {} KiB, {limit} at most", run.peak_kib());
        let report = Run::of(&fleet, &["report", "x.yaml"]);
        assert_eq!(report.code(), 2, "{what}: {}", report.json);
    }
}

/// Sheets that are small, or never end, and hold too much: what is read of them, and how much memory that takes, is bounded.
#[test]
fn sheets_of_every_hostile_kind_are_rejected_lightly() {
    let fleet = Fleet::new();
    let commas = |count: usize| ",".repeat(count);
    let twice = "SP-01,2020-04-01,t,7\n".repeat(20_000) + &"SP-01,2020-04-01,t,8\n".repeat(20_000);
    let sheets = [
        ("a header of commas", format!("station,at,by{}\nSP-01,2020-04-01,t\n", commas(80_000)), "80003 columns"),
        ("cells beyond counting", format!("station,at,by\n{}\n", commas(7 << 20)), "cells, and at most"),
        ("quotes", format!("station,at,by\n{}", "\"\n".repeat((4 << 20) - 64)), "rows, and at most"),
        ("one open quote", format!("station,at,by\n\"{}", "x\n".repeat(1_000)), "never closes"),
        ("rows against each other", format!("station,at,by,gate.seconds\n{twice}"), "further cells of this sheet"),
        ("a header of names", format!("station,at,by{}\nx\n", ",name".repeat(1_000)), "is not a setting of any model"),
    ];
    for (what, text, said) in &sheets {
        fleet.write("x.csv", text);
        for arguments in [&["report", "x.csv", "--try"][..], &["report", "x.csv"], &["new", "f", "--from", "x.csv"]] {
            let run = Run::of(&fleet, arguments);
            assert_eq!(run.code(), 2, "{what}: {}", run.text("err"));
            let is_report = arguments[0] == "report";
            assert!(!is_report || run.text("err").contains(said), "{what}: {}", run.text("err"));
            assert!(run.text("err").len() < 1 << 20, "{what}: {} bytes", run.text("err").len());
            assert!(run.peak_kib() < SHEET_KIB, "{what} {arguments:?}: {} KiB", run.peak_kib());
        }
    }
    for (link, to) in
        [("zero.csv", "/dev/zero"), ("zero.xlsx", "/dev/zero"), ("zero.yaml", "/dev/zero"), ("zero.jsonl", "/dev/zero")]
    {
        symlink(to, fleet.path(link)).expect("a link");
        for arguments in [&["report", link][..], &["new", "f", "--from", link]] {
            let run = Run::of(&fleet, arguments);
            assert_eq!(run.code(), 2, "{link}: {}", run.text("err"));
            assert!(run.peak_kib() < SHEET_KIB, "{link} {arguments:?}: {} KiB", run.peak_kib());
        }
    }
}

#[test]
fn marks_and_line_ends_that_editors_leave_change_nothing() {
    let sound = "3 stations, 1 keybook, 3 files: nothing wrong.\n";
    let fleet = Fleet::new();
    for name in ["stationkeep.yaml", "inventory/fleet.yaml", "inventory/piers.yaml", "keybooks/wren.yaml"] {
        let text = fleet.read(name).replace('\n', "\r\n");
        fleet.write(name, format!("\u{feff}{text}"));
    }
    assert_eq!(fleet.run(&["check"]).out, sound);
    fleet.edit("inventory/fleet.yaml", "calls: \"+441632960101\"", "calls: +441632960101");
    let shown = fleet.run(&["check"]).out;
    assert!(shown.starts_with("inventory/fleet.yaml:4:25: error: "), "{shown}");
    assert!(shown.contains("\n      control-room: {calls: +441632960101}\n"), "{shown}");
}

#[test]
fn nothing_is_no_file_of_ours() {
    for text in
        ["", "\n\n", "# only words\n", "\u{feff}", "---\n", "---\n...\n", "null\n", "~", "[]\n", "{}\n", "text\n"]
    {
        let fleet = Fleet::new();
        for (name, _) in KINDS.iter().filter(|(name, _)| *name != "stationkeep.yaml") {
            fleet.write(name, text);
            assert_ne!(fleet.findings(&[name]), Vec::<Json>::new(), "{name}: {text:?}");
        }
    }
}

#[test]
fn lines_keys_and_values_as_long_as_a_file_may_be_are_told_in_few_words() {
    let long = "x".repeat(16 << 20);
    for text in [
        format!("inventory: 1\n{long}: 1\n"),
        format!("inventory: 1\nfleet: {{a: {long}}}\n"),
        format!("inventory: 1\ncontacts: {{a: {{calls: \"{long}\"}}}}\n"),
        format!("inventory: 1\n# {long}\nflete: x\n"),
        format!("inventory: 1\ncontacts: {{a: {{calls: 1}}, b: {{extension: \"4410\"}}, # {long}\n c: 1}}\n"),
    ] {
        let fleet = Fleet::new();
        fleet.write("inventory/x.yaml", &text);
        for format in if text.contains("calls: 1}") { &["text", "sarif"][..] } else { &["text"] } {
            let run = Run::of(&fleet, &["check", "--format", format]);
            assert_eq!(run.code(), 2);
            assert!(run.json["out_bytes"].as_u64().expect("a number") < 64 << 10, "{}", run.json["out_bytes"]);
            assert!(run.peak_kib() < BASE_KIB + KIB_A_KIB * (text.len() as u64 / 1024), "{} KiB", run.peak_kib());
        }
    }
}

#[test]
fn a_million_small_mistakes_are_told_in_bounds() {
    let contacts: String = (0..300_000).map(|nth| format!("  c{nth:06}: {{callz: 1}}\n")).collect();
    let twice: String = (0..1_000_000).map(|_| "a: 1\n").collect();
    let bare: String = (0..200_000).map(|nth| format!("  s{nth:06}: {{}}\n")).collect();
    for (what, text) in [
        ("contacts", format!("inventory: 1\ncontacts:\n{contacts}")),
        ("keys", format!("inventory: 1\n{twice}")),
        ("stations", format!("inventory: 1\nstations:\n{bare}")),
    ] {
        let fleet = Fleet::new();
        fleet.write("inventory/x.yaml", &text);
        let run = Run::of(&fleet, &["check"]);
        assert_eq!(run.code(), 2);
        let bytes = run.json["out_bytes"].as_u64().expect("a number");
        assert!(bytes < 2 << 20, "{what}: {bytes} bytes");
        let limit = BASE_KIB + 32 * (text.len() as u64 / 1024);
        assert!(run.peak_kib() < limit, "{what}: {} KiB of {limit}", run.peak_kib());
        let findings = fleet.findings(&[]);
        assert!(findings.iter().any(|finding| finding["code"] == "findings-many"), "{what}");
        assert!(findings.len() < 3_000, "{what}: {}", findings.len());
    }
}

#[test]
fn what_is_no_plain_file_is_a_finding_and_never_waited_for() {
    let fleet = Fleet::new();
    fs::create_dir(fleet.path("inventory/folder.yaml")).expect("a folder");
    assert_eq!(fleet.findings(&[]), Vec::<Json>::new(), "a folder is looked into, whatever its name");
    let listener = UnixListener::bind(fleet.path("inventory/socket.yaml")).expect("a socket");
    let made = Command::new("mkfifo").arg(fleet.path("inventory/pipe.yaml")).status().expect("mkfifo");
    assert!(made.success());
    symlink("nowhere.yaml", fleet.path("inventory/dangling.yaml")).expect("a link");
    symlink("loop.yaml", fleet.path("inventory/loop.yaml")).expect("a link");
    symlink("/dev/zero", fleet.path("inventory/zero.yaml")).expect("a link");
    symlink("/proc/self/mem", fleet.path("inventory/mem.yaml")).expect("a link");
    symlink("..", fleet.path("inventory/folder.yaml/up")).expect("a link");
    let run = Run::of(&fleet, &["check", "--format", "json"]);
    assert_eq!(run.code(), 2);
    let findings: Json = serde_json::from_str(run.text("out")).expect("JSON");
    let told: Vec<&str> =
        findings["findings"].as_array().expect("a list").iter().filter_map(|f| f["place"]["file"].as_str()).collect();
    for name in ["socket", "pipe", "dangling", "loop", "zero", "mem"] {
        assert!(told.contains(&format!("inventory/{name}.yaml").as_str()), "{name}: {told:?}");
    }
    assert!(told.contains(&"inventory/folder.yaml/up"), "{told:?}");
    drop(listener);
}

/// Lets the other thread end, whatever becomes of this one.
struct Stopping<'s>(&'s AtomicBool);

impl Drop for Stopping<'_> {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

#[test]
fn a_file_that_is_replaced_all_the_time_is_never_read_in_halves() {
    let fleet = Fleet::new();
    let one = fleet.read("inventory/piers.yaml");
    let other = one.replace("Berth 1", &"Berth one, the outer side, ".repeat(5_000));
    let stop = AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            for text in [&one, &other].into_iter().cycle() {
                if stop.load(Ordering::Relaxed) {
                    break;
                }
                fleet.write("inventory/.new", text);
                fs::rename(fleet.path("inventory/.new"), fleet.path("inventory/piers.yaml")).expect("renamed");
                std::thread::sleep(Duration::from_millis(7));
            }
        });
        let _stopping = Stopping(&stop);
        for _ in 0..6 {
            let findings = fleet.findings(&[]);
            let torn: Vec<_> = findings.iter().filter(|finding| finding["code"] != "file-unreadable").collect();
            assert!(torn.is_empty(), "{torn:#?}");
        }
    });
    assert_eq!(fleet.findings(&[]), Vec::<Json>::new());
}
