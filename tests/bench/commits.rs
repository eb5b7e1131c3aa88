//! What it takes to read an inventory of many files from a git repository: the first time, when nothing moved, after a
//! commit that touches one file; beside the same edit in a folder, and beside `git archive` writing the same commit out.

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Instant, SystemTime};

use stationkeep::files::{Folder, Look, ReportFolders};
use stationkeep::fleet::{LastRead, ReadingCache, Source, Sources};
use stationkeep::git::Followed;

/// The most files that there are numbers for.
pub const MOST: usize = 9_000;

/// How often each reading is made; the best counts.
const ROUNDS: usize = 5;

fn git(folder: &Path, words: &[&str]) {
    let mut git = Command::new("git");
    git.current_dir(folder).args(["-c", "user.name=ops", "-c", "user.email=ops@ops.example"]).args(words);
    let status = git.env("GIT_CONFIG_GLOBAL", "/dev/null").env("GIT_CONFIG_NOSYSTEM", "1").status();
    assert!(status.expect("git").success(), "{words:?}");
}

/// One site with one station; `identity` differs from commit to commit.
fn site(nth: usize, identity: usize) -> String {
    // Ofcom's ranges for drama, a thousand numbers each.
    let ranges = ["113496", "114496", "115496", "116496", "117496", "118496", "121496", "131496", "141496"];
    let number = format!("+44{}0{:03}", ranges[nth / 1_000], nth % 1_000);
    format!(
        "inventory: 1\nsites:\n  site-{nth}:\n    line: {{kind: pbx, outside: \"9,\", country: GB}}\n    stations:\n      \
         S-{nth}: {{number: \"{number}\", where: \"Berth {nth}\", profiles: [quayside], settings: {{identity: \
         \"{identity}\"}}}}\n"
    )
}

fn write(top: &Path, files: usize) {
    fs::create_dir_all(top.join("inventory/sites")).expect("a folder");
    let fleet = "inventory: 1\nfleet: Many Small Files\ncontacts:\n  control-room: {calls: \"+441632960101\"}\nprofiles:\n  \
                 quayside: {model: tern-2, settings: {emergency.primary: {to: control-room}, line.kind: {from: line}}}\n";
    fs::write(top.join("inventory/fleet.yaml"), fleet).expect("a file");
    (0..files).for_each(|nth| edit(top, nth, 10_000 + nth));
}

fn edit(top: &Path, nth: usize, identity: usize) {
    fs::write(top.join(format!("inventory/sites/{nth}.yaml")), site(nth, identity)).expect("a file");
}

fn sources(top: &Path, inventory: Source) -> Sources {
    let keybooks = Folder::new(Path::new(env!("CARGO_MANIFEST_DIR")), "config/keybooks");
    let reports = ReportFolders { dropped: Folder::new(top, "reports"), taken: None };
    Sources { folder: top.into(), inventory, keybooks, reports, key: [0; 32] }
}

/// A reading in milliseconds, and what it read.
fn read(sources: &Sources, earlier: &LastRead, cache: &mut ReadingCache) -> (f64, LastRead) {
    let began = Instant::now();
    let reading = sources.read(earlier, Look::Changed, SystemTime::now(), cache);
    let taken = began.elapsed().as_secs_f64() * 1_000.0;
    assert!(reading.reading.is_sound(), "{:?}", reading.reading.findings.first());
    (taken, reading)
}

/// The best of several rounds: first, again, after an edit of one file that `settle` brings into effect.
fn rounds(sources: &Sources, top: &Path, settle: impl Fn()) -> [f64; 3] {
    let mut best = [f64::INFINITY; 3];
    for round in 0..ROUNDS {
        let mut cache = ReadingCache::default();
        let (first, reading) = read(sources, &LastRead::default(), &mut cache);
        let (again, reading) = read(sources, &reading, &mut cache);
        edit(top, round, 90_000 + round);
        settle();
        let (edited, after) = read(sources, &reading, &mut cache);
        assert_eq!(after.texts.inventory.differing(&reading.texts.inventory).len(), 1);
        edit(top, round, 10_000 + round);
        settle();
        for (best, taken) in best.iter_mut().zip([first, again, edited]) {
            *best = best.min(taken);
        }
    }
    best
}

/// Prints the table.
pub fn measure(files: usize) {
    let home = tempfile::tempdir().expect("a folder");
    let top = home.path();
    write(top, files);
    git(top, &["init", "--quiet", "--initial-branch=main"]);
    let commit = || {
        git(top, &["add", "--all"]);
        git(top, &["commit", "--quiet", "-m", "one file"]);
    };
    commit();
    git(top, &["gc", "--quiet"]);
    let repository = Folder::new(top, ".");
    let name = "main".parse().expect("a name");
    let followed = Followed { repository, name, folder: "inventory".into() };
    let from_git = rounds(&sources(top, Source::Git(followed)), top, commit);
    let from_folder = rounds(&sources(top, Source::Folder(Folder::new(top, "inventory"))), top, || {});
    let archive = (0..ROUNDS).map(|_| {
        let began = Instant::now();
        let mut git = Command::new("git");
        git.current_dir(top).args(["archive", "--format=tar", "main", "inventory"]).stdout(Stdio::null());
        assert!(git.status().expect("git").success());
        began.elapsed().as_secs_f64() * 1_000.0
    });
    let archive = archive.fold(f64::INFINITY, f64::min);
    println!("{} files, one station each; milliseconds, best of {ROUNDS}, checked and resolved", files + 1);
    println!("{:26} {:>10} {:>10}", "", "git", "folder");
    for (what, git, folder) in [
        ("the first reading", from_git[0], from_folder[0]),
        ("nothing moved", from_git[1], from_folder[1]),
        ("one file in a new commit", from_git[2], from_folder[2]),
    ] {
        println!("{what:26} {git:>10.1} {folder:>10.1}");
    }
    println!("{:26} {archive:>10.1}", "git archive, for scale");
}
