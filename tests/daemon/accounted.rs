//! Every name in the reports folder is accounted for: recorded, or told of as rejected, once; and links lead nowhere.

use std::fs;
use std::os::unix::fs::symlink;
use std::process::Command;

use super::fleet::{CODE, Fleet, OFFICER, SIGNING, commissioning, uuid};
use super::process::until;
use super::receiver::Receiver;
use super::told::refused_sources;

/// The number of entries in the ledger.
fn entries(fleet: &Fleet) -> usize {
    fleet.run(&["ledger", "export"]).ended(0).out.lines().filter(|line| line.contains("\"report\":1")).count()
}

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

#[test]
fn however_many_files_lie_there_each_new_one_is_taken() {
    const MANY: u32 = 4_000;
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let report = |number: u32| {
        let (hour, minute, second) = (number / 3600, number / 60 % 60, number % 60);
        format!(
            "report: 1\nid: {}\nstation: NP-01\nat: 2020-05-01T{hour:02}:{minute:02}:{second:02}Z\nby: tech-03\nfound: {{gate.seconds: 7}}\n",
            uuid(50_000 + number)
        )
    };
    for number in 0..MANY {
        fleet.write(&format!("config/reports/may/{}/{number:05}.yaml", number % 7), &report(number));
    }
    let before = entries(&fleet);
    assert_eq!(before, MANY as usize + 5);
    let daemon = fleet.start();
    receiver.wait_for(1);
    for (number, name) in [(MANY, "may/3/00000a.yaml"), (MANY + 1, "zzz.yaml"), (MANY + 2, "00000.yaml")] {
        fleet.rename_into(&format!("config/reports/{name}"), &report(number));
    }
    until("the new ones on record", || (entries(&fleet) == before + 3).then_some(()));
    assert_eq!(daemon.stop("TERM"), Some(0));
}
