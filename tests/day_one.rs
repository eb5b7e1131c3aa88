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
        first_seen(&mut day);
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

/// What is wanted otherwise than was reported is said as that, before anyone keyed or tested anything: what was wanted before is
/// not on record. A comparison with the files of before knows that it is an edit.
fn first_seen(day: &mut Day) {
    let path = day.folder.join("weir/config/inventory/fleet.yaml");
    let inventory = fs::read_to_string(&path).expect("the inventory");
    fs::write(&path, inventory.replace("number.second: \"01134960102\"", "number.second: \"01134960103\""))
        .expect("the inventory");
    let summary = day.run("weir", &["drift", "--summary"]);
    let script = day.run("weir", &["script", "MW-200"]);
    for said in [text(&summary), text(&script)] {
        let first =
            "Lifeline-critical settings are wanted otherwise than reported at 300 of the 300 stations on record";
        let is_open = said.contains(first) && said.contains("so this may be an edit");
        assert!(is_open && !said.contains("would change"), "{said}");
    }
    fs::write(&path, inventory).expect("the inventory");
    day.commands -= 2;
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

fn stationkeep(at: &Path, args: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_stationkeep"));
    let command = command.args(args).current_dir(at).env("STATIONKEEP_CLOCK", CLOCK).env_remove("STATIONKEEP_CONFIG");
    command.stdin(Stdio::null()).output().expect("the program")
}

fn files(folder: &Path) -> BTreeSet<String> {
    let mut all = BTreeSet::new();
    for entry in fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        match path.is_dir() {
            true => all.extend(files(&path)),
            false => drop(all.insert(path.display().to_string())),
        }
    }
    all
}

#[test]
fn an_empty_folder_becomes_an_installation_that_is_right_and_nothing_is_written_over() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = folder.path();
    // A repository that was cloned empty.
    fs::create_dir_all(at.join("weir/.git")).expect("a folder");
    let made = stationkeep(at, &["new", "weir", "--fleet", "O'Hara: \"# Weir", "--country", "us", "--forge", "github"]);
    assert!(is_done(&made), "{}", text(&made));
    assert_eq!(
        String::from_utf8_lossy(&made.stdout).lines().count(),
        5,
        "what was made, and four lines: {}",
        text(&made)
    );
    let checked = stationkeep(&at.join("weir"), &["check"]);
    assert!(is_done(&checked) && text(&checked).contains("nothing wrong"), "{}", text(&checked));
    assert!(at.join("weir/.github/workflows/stationkeep.yaml").exists() && at.join("weir/.gitignore").exists());
    let code = fs::metadata(at.join("weir/config/secrets/access")).expect("the code");
    assert_eq!(std::os::unix::fs::PermissionsExt::mode(&code.permissions()) & 0o777, 0o600);
    let summary = stationkeep(&at.join("weir"), &["drift", "--summary", "--format", "json"]);
    assert!(String::from_utf8_lossy(&summary.stdout).contains("O'Hara: \\\"# Weir"), "{}", text(&summary));

    for (written, source) in [
        ("ci/check-change", "check-change"),
        ("ci/pre-commit", "pre-commit"),
        (".github/workflows/stationkeep.yaml", "github.yaml"),
    ] {
        let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy/commit").join(source);
        let read = |path: &Path| fs::read_to_string(path).expect("a file");
        assert_eq!(read(&at.join("weir").join(written)), read(&source), "one text, not two that say similar things");
    }

    fs::create_dir_all(at.join("other/ci")).expect("a folder");
    fs::write(at.join("other/ci/pre-commit"), "mine").expect("a file");
    let refused = stationkeep(at, &["new", "other"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(
        text(&refused).contains("other has ci/pre-commit already, and nothing is written over"),
        "{}",
        text(&refused)
    );
    assert_eq!(files(&at.join("other")).len(), 1, "nothing is written beside it");
    assert_eq!(fs::read_to_string(at.join("other/ci/pre-commit")).expect("the file"), "mine");
}

#[test]
fn guesses_are_written_only_once_they_are_approved_and_bad_rows_are_left_out_only_where_that_is_said() {
    let folder = tempfile::tempdir().expect("a folder");
    let rows =
        "station,site,number,volume,identity\nA-1,a,+441632960001,7,0001\nA-2,a,+441632960002,7,0002\nA-3,a,,7,0003\n";
    fs::write(folder.path().join("s.csv"), rows).expect("the sheet");
    let new = |more: &[&str]| {
        stationkeep(folder.path(), &[&["new", "f", "--from", "s.csv", "--country", "GB"], more].concat())
    };
    for (more, said) in [
        (&[][..], "s.csv:4:7: error: The row has no \"number\"."),
        (&["--as-guessed"], "s.csv: 1 error. Nothing was written."),
        (&["--leave-out"], "nothing was written. If these guesses are right, add --as-guessed."),
    ] {
        let made = new(more);
        assert_eq!(made.status.code(), Some(2), "{more:?}");
        assert!(text(&made).contains(said), "{more:?}: {}", text(&made));
        assert!(!folder.path().join("f").exists(), "{more:?}");
    }
    let made = new(&["--leave-out", "--as-guessed"]);
    assert!(is_done(&made) && text(&made).contains("1 row of the sheet left out"), "{}", text(&made));
    let inventory = fs::read_to_string(folder.path().join("f/config/inventory/fleet.yaml")).expect("the inventory");
    assert!(inventory.contains("A-2") && !inventory.contains("A-3"), "{inventory}");
}

#[test]
fn a_row_with_a_line_break_is_left_out_whatever_is_wrong_behind_it_and_the_draft_ends() {
    let folder = tempfile::tempdir().expect("a folder");
    let rows = "station,site,where,number,identity\nA-1,a,\"by the\nsteps\",+441632960001,123456789012345678\n\
                A-2,a,\"by the\npump\",+441632960002,0002\nA-3,a,\"by the\ndoor\",01632 garbage,0003\n";
    fs::write(folder.path().join("s.csv"), rows).expect("the sheet");
    let new = ["new", "f", "--from", "s.csv", "--country", "GB", "--as-guessed"];
    let made = stationkeep(folder.path(), &new);
    assert_eq!(made.status.code(), Some(2), "{}", text(&made));
    assert!(text(&made).contains("s.csv:3:") && text(&made).contains("s.csv:7:"), "{}", text(&made));
    let made = stationkeep(folder.path(), &[&new[..], &["--leave-out"]].concat());
    assert!(is_done(&made) && text(&made).contains("2 rows of the sheet left out"), "{}", text(&made));
    let inventory = fs::read_to_string(folder.path().join("f/config/inventory/fleet.yaml")).expect("the inventory");
    assert!(inventory.contains("A-2") && !inventory.contains("A-1") && !inventory.contains("A-3"), "{inventory}");
}

/// The workbook is written by a library that is not the one that reads.
#[test]
fn a_workbook_founds_a_fleet_and_is_its_first_report() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("stations.xlsx");
    let write = |identity: &dyn Fn(&mut rust_xlsxwriter::Worksheet)| {
        let mut book = rust_xlsxwriter::Workbook::new();
        let day = rust_xlsxwriter::Format::new().set_num_format("dd/mm/yyyy");
        book.add_worksheet().set_name("Notes").expect("a name").write(0, 0, "nothing here").expect("a cell");
        let sheet = book.add_worksheet().set_name("Stations").expect("a name");
        for (at, name) in ["station", "site", "number", "identity", "volume", "at", "by"].iter().enumerate() {
            sheet.write(0, at as u16, *name).expect("a cell");
        }
        for line in 1..=3_u32 {
            let date = rust_xlsxwriter::ExcelDateTime::from_ymd(2026, 11, 20).expect("a day");
            sheet.write(line, 0, format!("A-{line}")).expect("a cell").write(line, 1, "quay").expect("a cell");
            sheet.write(line, 2, format!("+44163296000{line}")).expect("a cell");
            sheet.write(line, 3, format!("000{line}")).expect("a cell").write(line, 4, 7).expect("a cell");
            sheet.write_with_format(line, 5, date, &day).expect("a cell").write(line, 6, "tech-07").expect("a cell");
        }
        identity(sheet);
        book.save(&path).expect("the workbook");
    };
    let new = ["new", "f", "--from", "stations.xlsx", "--sheet", "Stations", "--as-guessed"];
    write(&|sheet| drop(sheet.write(2, 3, 2).map(|_| ())));
    let made = stationkeep(folder.path(), &new);
    assert!(
        text(&made).contains("D3: \"identity\" is the number 2, and zeros in front of it may be lost."),
        "{}",
        text(&made)
    );
    write(&|_| ());
    let made = stationkeep(folder.path(), &new);
    assert!(is_done(&made), "{}", text(&made));
    let at = folder.path().join("f");
    let first = stationkeep(&at, &["report", "../stations.xlsx", "--try"]);
    assert!(
        text(&first).contains("The workbook has 2 sheets: \"Notes\", \"Stations\"."),
        "which of them is never guessed: {}",
        text(&first)
    );
    let report = ["report", "../stations.xlsx", "--sheet", "Stations"];
    let recorded = stationkeep(&at, &report);
    assert!(text(&recorded).contains("3 rows: 3 recorded"), "{}", text(&recorded));
    let again = stationkeep(&at, &report);
    assert!(is_done(&again) && text(&again).contains("3 rows: 3 on record already"), "{}", text(&again));
}

#[test]
fn a_summary_is_one_page_however_many_sites_there_are_and_whatever_they_are_called() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut sheet = "station,site,number,identity\n".to_owned();
    for nth in 0..400 {
        let name = "an unusually long name of a place by the sea ".repeat(2);
        sheet += &format!("S-{nth:03} {},{nth:02} {},+441632960{nth:03},{nth:04}\n", &name[..50], &name[..50]);
    }
    fs::write(folder.path().join("s.csv"), sheet).expect("the sheet");
    let made = stationkeep(folder.path(), &["new", "f", "--from", "s.csv", "--as-guessed"]);
    assert!(is_done(&made), "{}", text(&made));
    let summary = stationkeep(&folder.path().join("f"), &["drift", "--summary"]);
    assert_eq!(summary.status.code(), Some(3));
    let page = String::from_utf8(summary.stdout).expect("text");
    assert!(page.lines().count() <= 40 && page.lines().all(|line| line.chars().count() <= 80), "{page}");
    assert!(page.contains("and 387 more sites") && page.contains("and 390 more"), "{page}");
    for (nth, (site, named)) in [("east quay", "'east quay'"), (&*"by the sea ".repeat(4), "SITE")].iter().enumerate() {
        fs::write(folder.path().join("t.csv"), sheet_of_one_site(site)).expect("the sheet");
        let of_site = format!("g{nth}");
        let made = stationkeep(folder.path(), &["new", &of_site, "--from", "t.csv", "--as-guessed"]);
        assert!(is_done(&made), "{}", text(&made));
        let at = folder.path().join(of_site);
        let of_site = stationkeep(&at, &["drift", "--summary", "--site", site.trim()]);
        let said = format!("and 10 more: \"stationkeep script --all --site {named}\" lists them");
        assert!(text(&of_site).contains(&said), "{}", text(&of_site));
    }
    let one = stationkeep(&folder.path().join("f"), &["drift", "--site", "nowhere"]);
    assert_eq!(one.status.code(), Some(2), "{}", text(&one));
}

fn sheet_of_one_site(site: &str) -> String {
    let rows = (0..20).map(|nth| format!("S-{nth:02},{site},+4416329600{nth:02},{nth:04}\n"));
    "station,site,number,identity\n".to_owned() + &rows.collect::<String>()
}
