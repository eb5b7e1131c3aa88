//! The reports folder as people and programs fill it: files whole and half, refused, doubled, and exports.

use serde_json::Value;

use super::fleet::{Fleet, OFFICER, SIGNING, commissioning, north_yaml, uuid, webhook};
use super::process::{Daemon, until};
use super::receiver::Receiver;
use super::told::{REPORT, all_names, drifting, refused_sources};

fn standing(fleet: &Fleet, station: &str) -> Value {
    let drift = fleet.run(&["drift", station, "--all", "--format", "json"]).json();
    drift["stations"][0]["standing"].clone()
}

/// How many reports of a station are in the ledger.
fn reports_of(fleet: &Fleet, station: &str) -> usize {
    let export = fleet.run(&["ledger", "export"]).ended(0).out;
    let of = |line: &&str| serde_json::from_str::<Value>(line).is_ok_and(|line| line["station"] == station);
    export.lines().filter(of).count()
}

#[test]
fn a_report_that_is_still_being_written_is_taken_once_it_is_whole() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    // Long enough that a slow machine still completes the file within it.
    fleet.configure(2_000, &webhook("on-call"));
    daemon.logs("the configuration changed");
    receiver.wait_for(1);
    let whole = commissioning(fleet.number(), "SP-01", "2020-03-03T09:00:00Z", OFFICER);
    // A beginning that could be read as a report, and then one that could not.
    let readable = whole.find("tests:").expect("tests");
    let unreadable = whole.find("gate.").expect("a setting") + 3;
    for end in [readable, unreadable, whole.len()] {
        fleet.write("config/reports/SP-01.yaml", &whole[..end]);
        std::thread::sleep(std::time::Duration::from_millis(300));
    }
    let closed = receiver.still(&daemon, 2).remove(1);
    assert_eq!(all_names(&closed), ["closed: SP-01"], "{}", daemon.log());
    assert_eq!(reports_of(&fleet, "SP-01"), 1);
}

#[test]
fn a_start_just_after_a_report_was_dropped_raises_no_alarm_that_the_report_answers() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    fleet.configure(2_000, &webhook("on-call"));
    let report = commissioning(fleet.number(), "SP-01", "2020-03-03T09:00:00Z", OFFICER);
    fleet.rename_into("config/reports/SP-01.yaml", &report);
    let daemon = fleet.start();
    // All six stations are aligned as soon as their reports have settled.
    receiver.still(&daemon, 0);
}

#[test]
fn a_refused_report_is_told_once_kept_and_taken_when_its_station_appears() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    let report = commissioning(fleet.number(), "NP-05", "2020-03-03T09:00:00Z", OFFICER);
    fleet.rename_into("config/reports/NP-05.yaml", &report);
    let refused = receiver.wait_for(2).remove(1);
    assert_eq!(refused.kind(), REPORT);
    assert_eq!(refused.data()["reports"][0]["source"], "reports/NP-05.yaml");
    let reason = &refused.data()["reports"][0]["reasons"][0];
    assert!(reason["at"].as_str().is_some_and(|at| at.starts_with("reports/NP-05.yaml:3:")), "{reason}");
    assert!(reason["message"].as_str().is_some_and(|text| text.contains("NP-05")), "{reason}");
    assert_eq!(daemon.stop("TERM"), Some(0));
    let daemon = fleet.start();
    receiver.wait_for(2);
    assert!(fleet.path("config/reports/NP-05.yaml").exists(), "files are left in place");
    fleet.write("config/inventory/north.yaml", &north_yaml(&["NP-01", "NP-02", "NP-03", "NP-04", "NP-05"]));
    daemon.logs("station=NP-05");
    let taken = receiver.still(&daemon, 3).remove(2);
    assert_eq!((taken.kind(), &taken.data()["count"]), (REPORT, &0.into()), "{}", taken.body);
    let over = &taken.data()["over"][0];
    assert_eq!((&over["source"], &over["why"]), (&"reports/NP-05.yaml".into(), &"recorded".into()), "on-call hears so");
    assert_eq!((&over["key"], &taken.data()["key"]), (&refused.data()["key"], &refused.data()["key"]));
    assert_eq!(standing(&fleet, "NP-05"), "aligned");
    assert_eq!(daemon.stop("TERM"), Some(0));
    let daemon = fleet.start();
    receiver.still(&daemon, 3);
}

#[test]
fn a_doubled_report_has_no_effect_and_one_id_with_two_contents_is_refused() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    let id = fleet.number();
    let report = commissioning(id, "SP-01", "2020-03-03T09:00:00Z", OFFICER);
    fleet.rename_into("config/reports/a.yaml", &report);
    assert_eq!(all_names(&receiver.wait_for(2)[1]), ["closed: SP-01"]);
    fleet.rename_into("config/reports/b.yaml", &report);
    let spaced = report.replace("by: tech-03", "by:    tech-03   # the same in other words");
    fleet.rename_into("config/reports/c.yaml", &spaced);
    fleet.rename_into("config/d.yaml", &report);
    let again = fleet.run(&["report", "config/d.yaml"]).ended(0);
    assert!(again.out.contains("on record already"), "{again:?}");
    receiver.wait_for(2);
    fleet.rename_into("config/reports/e.yaml", &report.replace("tech-03", "tech-04"));
    let refused = receiver.still(&daemon, 3).remove(2);
    assert_eq!(refused.kind(), REPORT);
    assert!(refused.body.contains(&uuid(id)), "{}", refused.body);
    assert_eq!(reports_of(&fleet, "SP-01"), 1);
    assert_eq!(standing(&fleet, "SP-01"), "aligned");
}

#[test]
fn a_bad_file_among_good_ones_keeps_none_of_them_back() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let _daemon = fleet.start();
    receiver.wait_for(1);
    fleet.rename_into("config/reports/a-nonsense.yaml", "report: [1\n");
    fleet.rename_into("config/reports/b-binary.yaml", "\u{0}\u{1}report");
    fleet.rename_into("config/reports/c-empty.yaml", "");
    fleet.rename_into("config/reports/d-list.json", "[1, 2]");
    let report = commissioning(fleet.number(), "SP-01", "2020-03-03T09:00:00Z", OFFICER);
    fleet.rename_into("config/reports/z.yaml", &report);
    // However many passes they came into: each pass tells of all that it refused at once.
    let refused = until("all four to be told of", || {
        Some(refused_sources(&receiver.heard())).filter(|refused| refused.len() >= 4)
    });
    until("the good one to count", || {
        receiver.heard().iter().any(|got| all_names(got) == ["closed: SP-01"]).then_some(())
    });
    let sources = ["a-nonsense.yaml", "b-binary.yaml", "c-empty.yaml", "d-list.json"];
    assert_eq!(refused, sources.map(|name| format!("reports/{name}")));
}

#[test]
fn an_export_dropped_into_another_ledger_brings_the_whole_record() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    fleet.run(&["script", "SP-01", "--format", "json"]).ended(0);
    let at = "2020-03-03T09:00:00Z";
    let found = format!(
        "report: 1\nid: {}\nstation: NP-02\nat: {at}\nby: tech-03\nfound: {{gate.seconds: 9}}\n",
        uuid(fleet.number())
    );
    fleet.rename_into("config/reports/NP-02-found.yaml", &found);
    let here = fleet.drift();
    let export = fleet.run(&["ledger", "export"]).ended(0).out;
    assert_eq!(export.lines().count(), 10, "the key, six reports, a script, that it was shown, the head: {export}");
    let receiver = Receiver::start(SIGNING);
    let other = Fleet::new(&receiver);
    std::fs::remove_dir_all(other.path("config/reports")).expect("no reports");
    std::fs::create_dir(other.path("config/reports")).expect("an empty folder");
    // An export is kept with its key.
    other.write("var/ledger.key", &std::fs::read_to_string(fleet.path("var/ledger.key")).expect("the key"));
    let daemon = other.start();
    assert_eq!(receiver.wait_for(1)[0].data()["counts"]["opened"]["stations"], 6);
    other.rename_into("config/reports/all.jsonl", &format!("{export}\n{{\"report\":1}}\n"));
    let heard = receiver.still(&daemon, 3);
    assert_eq!(drifting(&other.drift()), drifting(&here));
    assert_eq!(other.drift()["totals"], here["totals"]);
    let refused: Vec<_> = heard.iter().filter(|got| got.kind() == REPORT).collect();
    assert_eq!(refused.len(), 1, "the last line is told of");
    assert_eq!(refused[0].data()["reports"][0]["reasons"][0]["at"], "reports/all.jsonl:12:1");
    other.run(&["ledger", "verify"]).ended(0);
}

/// A key of a line does not bypass what every report is judged by: only who keeps the ledger brings a record of another time.
#[test]
fn a_dropped_line_is_judged_like_any_report_whatever_it_says_of_when_it_was_recorded() {
    let fleet = Fleet::new(&Receiver::start(SIGNING));
    fleet.drift();
    let line = |station: &str, more: &str| {
        let (id, at) = (uuid(fleet.number()), "2020-03-03T09:00:00Z");
        // Of the entry before it nothing is known here, so nothing speaks against its hash.
        let recorded = format!("\"entry\":{{\"seq\":7,\"recorded\":\"{at}\",\"hash\":\"ff\"}}");
        format!(
            "{{\"report\":1,\"id\":\"{id}\",\"station\":\"{station}\",\"at\":\"{at}\",\"by\":\"t\",{recorded}{more}}}\n"
        )
    };
    let test = |more: &str| format!(",\"tests\":[{{\"lifeline\":\"emergency\",\"outcome\":\"reached\"{more}}}]");
    let other_number = format!(",\"number\":\"+441632960199\"{}", test(""));
    let lines = [
        line("XX-99", &test("")),
        line("NP-01", &test(",\"contact\":\"nobody-known\"")),
        line("NP-01", &other_number),
        // What it says was dialled counts for nothing: the control room is not what SP-02 calls.
        line("SP-02", &test(",\"contact\":\"control-room\",\"dialled\":\"07700900177\"")),
    ];
    fleet.write("config/reports/lines.jsonl", &lines.concat());
    let said = fleet.run(&["drift", "SP-02", "--format", "json"]).ended(3);
    for expected in
        ["No station is called \"XX-99\".", "No contact is called \"nobody-known\".", "had the number +441632960199"]
    {
        assert_eq!(said.err.matches(expected).count(), 1, "{expected}: {}", said.err);
    }
    assert_eq!(said.json()["stations"][0]["settings"][0]["drift"], "strayed", "{}", said.out);
    // Who keeps the ledger brings all of it.
    fleet.write("lines.jsonl", &lines[..3].concat());
    // They are some lines of an export, and that is told.
    assert!(fleet.run(&["ledger", "import", "lines.jsonl"]).ended(2).out.starts_with("3 recorded"));
}

#[test]
fn a_correction_is_judged_by_what_stands_before_it_in_the_same_file() {
    let fleet = Fleet::new(&Receiver::start(SIGNING));
    let line = |id: u32, seconds: u32, more: &str| {
        format!(
            "{{\"report\":1,\"id\":\"{}\",\"station\":\"NP-01\",\"at\":\"2020-03-03T09:{:02}:00Z\",\"by\":\"t\",\"left\":{{\"gate.seconds\":{seconds}}}{more}}}\n",
            uuid(id),
            id % 60
        )
    };
    let corrects = |id: u32| format!(",\"corrects\":\"{}\"", uuid(id));
    let lines = [line(901, 8, ""), line(902, 9, &corrects(901)), line(903, 10, &corrects(902))];
    fleet.write("lines.jsonl", &lines.concat());
    let done = fleet.run(&["ledger", "import", "lines.jsonl"]).ended(2);
    assert!(done.out.starts_with("2 recorded"), "{done:?}");
    assert!(
        done.err.contains(&format!("The report {} is a correction itself, of the report", uuid(902))),
        "{}",
        done.err
    );
    // The other way round: what is corrected comes last, and would be a correction.
    let lines = [line(911, 9, &corrects(912)), line(912, 10, &corrects(913))];
    fleet.write("lines.jsonl", &lines.concat());
    let done = fleet.run(&["ledger", "import", "lines.jsonl"]).ended(2);
    assert!(done.out.starts_with("1 recorded"), "{done:?}");
}

#[test]
fn a_reports_folder_that_appears_later_is_watched_from_then_on() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    std::fs::rename(fleet.path("config/reports"), fleet.path("config/later")).expect("it goes");
    let mut daemon = fleet.start();
    assert_eq!(receiver.wait_for(1)[0].data()["counts"]["opened"]["stations"], 6);
    assert!(daemon.runs());
    std::fs::rename(fleet.path("config/later"), fleet.path("config/reports")).expect("it comes");
    let closed = receiver.still(&daemon, 2).remove(1);
    assert_eq!(closed.data()["counts"]["closed"]["stations"], 5);
}

/// A line of an export; of every hundred one names a setting that nothing has.
fn line(number: u32) -> String {
    let setting = if number % 100 == 50 { "no.such" } else { "gate.seconds" };
    let station = ["NP-01", "NP-02", "SP-01"][number as usize % 3];
    format!(
        "{{\"report\":1,\"id\":\"{}\",\"station\":\"{station}\",\"at\":\"2020-05-01T{:02}:{:02}:{:02}Z\",\"by\":\"tech-03\",\
         \"left\":{{\"{setting}\":{}}}}}\n",
        uuid(50_000 + number),
        number / 3600,
        number / 60 % 60,
        number % 60,
        7 + number % 2
    )
}

#[test]
fn a_long_export_is_taken_up_once_line_by_line_whenever_the_daemon_is_killed() {
    const LINES: u32 = 2_600;
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let mut export: String = (0..LINES).map(line).collect();
    // In the same batch: one that is there already, and one that is there with another content.
    export += &line(LINES - 1);
    export += &line(LINES - 2).replace("tech-03", "tech-04");
    fleet.write("config/reports/all.jsonl", &export);
    let entries = || {
        let said = fleet.run(&["ledger", "verify"]).ended(0).out;
        let count = said.split("unchanged: ").nth(1).and_then(|rest| rest.split(' ').next()?.parse::<u32>().ok());
        count.unwrap_or_else(|| panic!("a count in {said}"))
    };
    let mut before = 0;
    for _ in 0..3 {
        let daemon = Daemon::spawn(fleet.home(), &fleet.environment);
        until("more of the export on record", || (entries() > before || before >= LINES - 26).then_some(()));
        daemon.kill();
        before = entries();
    }
    let _daemon = fleet.start();
    // Beside the lines the ledger has the five reports of the fleet.
    assert_eq!(entries(), LINES - 26 + 5);
    let done = fleet.run(&["ledger", "import", "config/reports/all.jsonl"]);
    assert_eq!(done.out, format!("0 recorded, {} on record already, 27 rejected.\n", LINES - 26 + 1), "{done:?}");
    let refused: Vec<String> = (0..LINES).filter(|n| n % 100 == 50).map(|n| format!("all.jsonl:{}:1", n + 1)).collect();
    assert!(refused.iter().all(|place| done.err.matches(place.as_str()).count() == 1), "{}", done.err);
    let conflict = format!("all.jsonl:{}:1: error: ", LINES + 2);
    let is_told = |line: &str| line.contains(&conflict) && line.ends_with("(report-conflict)");
    assert!(done.err.lines().any(is_told), "{}", done.err);
}

#[test]
fn a_report_that_a_failed_pass_took_up_is_told_by_the_next_pass() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    fleet.in_ledger("ALTER TABLE cases RENAME TO cases_away");
    let id = uuid(fleet.number());
    let failed = format!(
        "report: 1\nid: {id}\nstation: NP-01\nat: 2020-03-03T09:00:00Z\nby: t\n\
         tests: [{{lifeline: emergency, outcome: failed}}]\n"
    );
    fleet.rename_into("config/reports/NP-01.yaml", &failed);
    daemon.logs("the pass failed");
    fleet.in_ledger("ALTER TABLE cases_away RENAME TO cases");
    // Long before the full pass, which would find it in any case.
    let told = receiver.wait_for(2).remove(1);
    assert_eq!(all_names(&told), ["opened: NP-01"], "{}", daemon.log());
}
