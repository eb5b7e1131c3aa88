//! Every name in the reports folder is accounted for: recorded, or told of as rejected, once; and links lead nowhere.

use std::fs;
use std::os::unix::fs::symlink;
use std::process::Command;
use std::time::Duration;

use super::fleet::{CODE, Fleet, OFFICER, SIGNING, commissioning, uuid};
use super::process::{Daemon, until, until_within};
use super::receiver::Receiver;
use super::told::refused_sources;

#[test]
fn whatever_lies_in_the_reports_folder_is_recorded_or_told_of_once() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    fleet.rename_into(
        "config/reports/may/SP-01.yaml",
        &commissioning(fleet.number(), "SP-01", "2020-03-03T09:00:00Z", OFFICER),
    );
    fleet.rename_into("config/reports/card.txt", "BEFORE YOU RING");
    fleet.rename_into("config/reports/may/sheet.csv", "station,at,by\n");
    symlink("../secrets/access", fleet.path("config/reports/link.yaml")).expect("a link");
    symlink("../secrets", fleet.path("config/reports/linked")).expect("a link");
    let made = Command::new("mkfifo").arg(fleet.path("config/reports/pipe.yaml")).status().expect("mkfifo");
    assert!(made.success());
    for passed_over in ["config/reports/.hidden.yaml", "config/reports/a.yaml~", "config/reports/b.part"] {
        fleet.write(passed_over, "x");
    }
    fleet.write("config/reports/.git/c.yaml", "x");
    let expected = ["card.txt", "link.yaml", "linked", "may/sheet.csv", "pipe.yaml"];
    let expected: Vec<String> = expected.iter().map(|name| format!("reports/{name}")).collect();
    until("all five to be told of", || (refused_sources(&receiver.heard()) == expected).then_some(()));
    until("the report to count", || receiver.heard().iter().any(|got| got.body.contains("closed")).then_some(()));
    // Neither a look nor a restart nor a command tells of them again.
    daemon.comes_to_rest();
    let heard = receiver.heard().len();
    let said = fleet.run(&["drift"]);
    assert!(!said.err.contains("card.txt"), "{said:?}");
    assert_eq!(daemon.stop("TERM"), Some(0));
    let daemon = fleet.start();
    let heard = receiver.still(&daemon, heard);
    assert_eq!(refused_sources(&heard), expected);
    // Another file in the same place is another one.
    fleet.rename_into("config/reports/card.txt", "BEFORE YOU RING: another");
    until("the new one to be told of", || (refused_sources(&receiver.heard()).len() == 6).then_some(()));
}

#[test]
fn a_link_among_the_reports_shows_nothing_of_what_it_leads_to() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    fleet.write("elsewhere/a.yaml", "report: [the unlisted sentence\n");
    for (to, link) in [("../secrets/access", "a.yaml"), ("../secrets/access", "b.jsonl"), ("../../elsewhere", "below")]
    {
        symlink(to, fleet.path("config/reports").join(link)).expect("a link");
    }
    let said = fleet.run(&["drift"]);
    assert_eq!(said.err.matches("is a symbolic link").count(), 3, "{said:?}");
    let daemon = fleet.start();
    receiver.wait_for(1);
    assert_eq!(daemon.stop("TERM"), Some(0));
    for file in ["var/ledger.db", "var/ledger.db-wal"] {
        let bytes = fs::read(fleet.path(file)).unwrap_or_default();
        for text in [CODE, "the unlisted sentence"] {
            assert!(!bytes.windows(text.len()).any(|part| part == text.as_bytes()), "{text} in {file}");
        }
    }
}

/// 4,000 files, or as many as `STATIONKEEP_TEST_FILES` says.
#[test]
fn however_many_files_lie_there_each_new_one_is_taken() {
    const NEW: u32 = 100;
    let many: u32 = std::env::var("STATIONKEEP_TEST_FILES").ok().and_then(|text| text.parse().ok()).unwrap_or(4_000);
    let patience = Duration::from_secs(20 + u64::from(many) / 1_000);
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let report = |number: u32| {
        let (hour, minute, second) = (number / 3600 % 24, number / 60 % 60, number % 60);
        let station = ["NP-01", "NP-02", "NP-03"][number as usize % 3];
        format!(
            "report: 1\nid: {}\nstation: {station}\nat: 2020-05-{:02}T{hour:02}:{minute:02}:{second:02}Z\nby: tech-03\nfound: {{gate.seconds: 7}}\n",
            uuid(50_000 + number),
            1 + number / 86_400,
        )
    };
    for number in 0..many {
        fleet.write(&format!("config/reports/may/{}/{number:05}.yaml", number % 7), &report(number));
    }
    let daemon = Daemon::spawn(fleet.home(), &fleet.environment);
    until_within(patience, "the first look", || daemon.said().contains("/healthz").then_some(()));
    let on_record = |count: u32, what: &str| {
        let wanted = f64::from(5 + many + count);
        until_within(patience, what, || (daemon.sample("stationkeep_reports_taken") >= wanted).then_some(()));
        daemon.comes_to_rest();
        assert_eq!(daemon.sample("stationkeep_reports_taken"), wanted, "{what}");
    };
    on_record(0, "all of them on record");
    for number in many..many + NEW {
        let names =
            [format!("may/3/{number:05}-new.yaml"), format!("zzz-{number}.yaml"), format!("00000-{number}.yaml")];
        fleet.rename_into(&format!("config/reports/{}", names[number as usize % 3]), &report(number));
    }
    on_record(NEW, "the new ones on record");
    // One of the old ones is edited where it lies: nothing of that shows in its folder.
    fleet.write("config/reports/may/1/00001.yaml", &report(many + NEW));
    on_record(NEW + 1, "the edited one on record");
    assert_eq!(daemon.stop("TERM"), Some(0));
}
