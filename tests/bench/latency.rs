//! From the saved file to the receiver's first byte: the program as its users build it, as a child process, on a fleet on
//! the disk. Beside the times stands how long reading all files of the inventory once takes on this machine.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant, SystemTime};

use crate::receiver::Receiver;
use crate::writer;

/// As the configuration says it.
const SETTLE_MS: u64 = 500;

/// No wait is longer.
const PATIENCE: Duration = Duration::from_secs(900);

const WEBHOOK: &str = "settle_ms: 500\nfull_pass_minutes: 1440\nwebhooks:\n  - {name: on-call, url: {secret: \"env:BENCH_URL\"}, \
                       signing: {secret: \"env:BENCH_SIGNING\"}, remind_minutes: {}}\n";

/// Measures edits of one station and of a contact.
pub fn measure(place: &Path, stations: usize, edits: usize) {
    let folder = place.join(format!("bench-fleet-{stations}"));
    let receiver = Receiver::start();
    prepare(&folder, stations);
    let parse = parse_ms(&folder);
    println!("{stations} stations; reading all files of the inventory once takes {parse:.0} ms");
    let began = Instant::now();
    let daemon = Daemon::start(&folder, &receiver);
    // The first message tells of all that drifts already.
    until("the first message", || !receiver.got().is_empty());
    println!("start to first message: {:.1} s; {}", began.elapsed().as_secs_f64(), daemon.memory());
    quiet(&receiver);
    println!("start: {:.2} CPU s", daemon.cpu_s());
    let row = |what: &str, edit: fn(&Path, usize) -> (PathBuf, String)| {
        let before = daemon.cpu_s();
        let times = edits_of(&receiver, edits, |nth| edit(&folder, nth));
        print_row(what, times, parse);
        println!("    {:.2} CPU s each", (daemon.cpu_s() - before) / edits as f64);
    };
    row("an edit of one station", station_edit);
    row("an edit of a contact", contact_edit);
    println!("after {} edits: {}", 2 * edits, daemon.memory());
}

/// Edits ten times a second, then once more when all is quiet.
pub fn burst(place: &Path, stations: usize, seconds: usize) {
    let folder = place.join(format!("bench-fleet-{stations}"));
    let receiver = Receiver::start();
    prepare(&folder, stations);
    let _daemon = Daemon::start(&folder, &receiver);
    until("the first message", || !receiver.got().is_empty());
    quiet(&receiver);
    let (before, mut last) = (receiver.count(), SystemTime::now());
    for nth in 0..10 * seconds {
        save(station_edit(&folder, nth));
        std::thread::sleep(Duration::from_millis(100));
    }
    let end = SystemTime::now();
    let mut gaps = Vec::new();
    for at in receiver.got()[before..].iter().map(|got| got.at).chain([end]) {
        gaps.push(at.duration_since(last).unwrap_or_default().as_secs_f64());
        last = at;
    }
    let longest = gaps.iter().copied().fold(0.0, f64::max);
    println!(
        "{stations} stations, ten edits a second for {seconds} s: {} messages, {longest:.1} s without one at most",
        gaps.len() - 1
    );
    quiet(&receiver);
    let lone = edits_of(&receiver, 1, |_| station_edit(&folder, 4));
    println!("one edit after it: {:.0} ms, {:.0} ms behind the settle time", lone[0], lone[0] - SETTLE_MS as f64);
}

/// Writes the fleet and fills its ledger, once for each size.
pub fn prepare(folder: &Path, stations: usize) {
    if !folder.join("var/ready").exists() {
        let _ = fs::remove_dir_all(folder);
        writer::write(folder, stations);
        let config = fs::read_to_string(folder.join("stationkeep.yaml")).expect("the configuration");
        fs::write(folder.join("stationkeep.yaml"), config + WEBHOOK).expect("the configuration");
        let began = Instant::now();
        let done = program(folder).args(["ledger", "import", "ledger.jsonl"]).stdout(Stdio::null()).status();
        assert!(done.expect("the program").success());
        println!("{stations} stations: the ledger was imported in {:.1} s", began.elapsed().as_secs_f64());
        fs::write(folder.join("var/ready"), "").expect("a file");
        return;
    }
    // The daemon of the last run told of other edits.
    writer::write_inventory(folder, stations);
}

pub fn program(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_stationkeep"));
    command.current_dir(folder).arg("--config").arg(folder.join("stationkeep.yaml"));
    command.env("NO_COLOR", "1").stdin(Stdio::null());
    command
}

pub fn until(what: &str, mut holds: impl FnMut() -> bool) {
    let began = Instant::now();
    while !holds() {
        assert!(began.elapsed() < PATIENCE, "waited in vain for {what}");
        std::thread::sleep(Duration::from_millis(1));
    }
}

/// CPU seconds that this process's ended children took, or a process takes; the kernel counts in steps of a hundredth.
pub fn cpu_s(stat: &str, fields: [usize; 2]) -> f64 {
    let text = fs::read_to_string(stat).expect("the system's account");
    let after = text.rsplit_once(") ").expect("a name").1;
    let numbers: Vec<u64> = after.split(' ').map(|field| field.trim().parse().unwrap_or(0)).collect();
    // The third field of the file is the first here (proc_pid_stat(5)).
    fields.iter().map(|field| numbers[field - 3]).sum::<u64>() as f64 / 100.0
}

/// The program as it watches a folder.
pub struct Daemon(Child);

impl Daemon {
    /// Starts it, to alert a receiver.
    pub fn start(folder: &Path, receiver: &Receiver) -> Daemon {
        let log = fs::File::create(folder.join("var/log")).expect("a log");
        let mut command = program(folder);
        command.env("BENCH_URL", receiver.url()).env("BENCH_SIGNING", "whsec_c3RhdGlvbmtlZXAtdGVzdHMtZGFlbW9uLW9uZQ==");
        command.arg("serve").stdout(Stdio::null()).stderr(log);
        Daemon(command.spawn().expect("the program"))
    }

    /// CPU seconds that it has taken so far, in all its threads.
    pub fn cpu_s(&self) -> f64 {
        cpu_s(&format!("/proc/{}/stat", self.0.id()), [14, 15])
    }

    /// Its memory now and at most.
    fn memory(&self) -> String {
        let status = fs::read_to_string(format!("/proc/{}/status", self.0.id())).unwrap_or_default();
        let mb = |name: &str| {
            let line = status.lines().find(|line| line.starts_with(name)).unwrap_or_default();
            let kb: u64 = line.split_whitespace().nth(1).and_then(|kb| kb.parse().ok()).unwrap_or(0);
            kb / 1024
        };
        format!("{} MiB resident, {} at most", mb("VmRSS:"), mb("VmHWM:"))
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Waits until nothing more comes of the start: the first message may be one that the last run left behind.
pub fn quiet(receiver: &Receiver) {
    for _ in 0..20 {
        let before = receiver.count();
        std::thread::sleep(Duration::from_secs(12));
        if receiver.count() == before {
            return;
        }
    }
    panic!("it never comes to rest");
}

/// Milliseconds from each saved file to the first byte of what is told of it.
pub fn edits_of(receiver: &Receiver, edits: usize, edit: impl Fn(usize) -> (PathBuf, String)) -> Vec<f64> {
    let one = |nth| {
        // Nothing of the edit before is under way any more, and the moments are of chance.
        let pause = 300 + u64::from(uuid::Uuid::new_v4().as_fields().0 % 400);
        std::thread::sleep(Duration::from_millis(pause));
        let before = receiver.count();
        save(edit(nth));
        let saved = SystemTime::now();
        until("a message", || receiver.count() > before);
        let at = receiver.got()[before].at;
        at.duration_since(saved).unwrap_or_default().as_secs_f64() * 1e3
    };
    let mut times: Vec<f64> = (0..edits).map(one).collect();
    times.sort_by(f64::total_cmp);
    times
}

fn save((path, text): (PathBuf, String)) {
    let beside = path.with_extension("beside");
    fs::write(&beside, text).expect("a file");
    fs::rename(&beside, &path).expect("a renamed file");
}

fn print_row(what: &str, times: Vec<f64>, parse: f64) {
    let at = |share: f64| times[((times.len() as f64 * share).ceil() as usize).clamp(1, times.len()) - 1];
    let (median, most) = (at(0.5), at(0.99));
    let behind = most - SETTLE_MS as f64;
    println!(
        "{what}: median {median:.0} ms, 99th percentile {most:.0} ms of {}: {behind:.0} ms behind the settle time, {:.2} of reading all files",
        times.len(),
        behind / parse
    );
}

/// One station of one site gets another time limit of calls each time.
pub fn station_edit(folder: &Path, nth: usize) -> (PathBuf, String) {
    let path = folder.join("inventory/sites/site-0001.yaml");
    let text = fs::read_to_string(&path).expect("a site");
    let lines = text.lines().map(|line| match line.trim_start().starts_with("ST-000051") {
        true => format!(
            "{}, settings: {{identity: \"000051\", call.minutes: {}}}}}\n",
            before(line, ", settings:"),
            1 + nth % 9
        ),
        false => format!("{line}\n"),
    });
    (path.clone(), lines.collect())
}

/// The duty officer gets another number each time.
fn contact_edit(folder: &Path, nth: usize) -> (PathBuf, String) {
    let path = folder.join("inventory/fleet.yaml");
    let text = fs::read_to_string(&path).expect("the shared part");
    let lines = text.lines().map(|line| match line.trim_start().starts_with("duty-officer:") {
        true => format!("  duty-officer: {{calls: \"+44113496{:04}\"}}\n", 10 + nth % 900),
        false => format!("{line}\n"),
    });
    (path.clone(), lines.collect())
}

fn before<'t>(line: &'t str, mark: &str) -> &'t str {
    line.split(mark).next().unwrap_or(line)
}

/// Milliseconds to read and take apart every file of the inventory once.
fn parse_ms(folder: &Path) -> f64 {
    let mut paths: Vec<PathBuf> = vec![folder.join("inventory/fleet.yaml")];
    let sites = fs::read_dir(folder.join("inventory/sites")).expect("the sites");
    paths.extend(sites.map(|entry| entry.expect("an entry").path()));
    let began = Instant::now();
    for path in &paths {
        let name: Arc<str> = path.display().to_string().into();
        let (_, findings) = stationkeep::inventory::read(&name, &fs::read(path).expect("a file"));
        assert!(!findings.iter().any(stationkeep::finding::Finding::is_error));
    }
    began.elapsed().as_secs_f64() * 1e3
}
