//! What technicians really send: the whole card filled in, a page, words misspelt. What can be read is recorded; what may say
//! that a button does not work is heard on call, whatever else is wrong with it.

use serde_json::Value;

use super::fleet::{CODE, Fleet, SIGNING, uuid};
use super::process::until;
use super::receiver::{Got, Receiver};
use super::told::REPORT;

/// A card as a technician sends it back.
fn filled(card: &str, outcome: &str) -> String {
    let now = format!("at: {:.0}", jiff::Timestamp::now());
    let card = card.replace("at: null", &now).replace("by: null", "by: tech-03");
    card.replace("heard: null", "heard: accepted").replace("outcome: null", &format!("outcome: {outcome}"))
}

#[test]
fn a_whole_card_that_is_filled_in_is_recorded_by_command_and_by_folder_and_no_code_of_it_is_kept() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let card = fleet.run(&["script", "SP-01"]).ended(0).out;
    assert!(card.contains(&CODE[..4]), "{card}");
    // Not filled in, two at once, a page: rejected, each with what it is and what to do.
    let page = fleet.run(&["script", "SP-01", "--format", "html"]).ended(0).out;
    let draft = filled(&card, "failed");
    for (text, said, fix) in [
        (card.clone(), "\"at\"", "SP-01.txt"),
        (draft.clone() + &draft, "This text holds 2 reports.", "Send the report of each card in a file of its own."),
        (page, "This is a page, not a report.", "Copy the report at its end"),
    ] {
        fleet.write("SP-01.txt", &text);
        let done = fleet.run(&["report", "SP-01.txt"]).ended(2);
        assert!(done.err.contains(said) && done.err.contains(fix), "{done:?}");
    }
    for file in ["var/ledger.db", "var/ledger.db-wal"] {
        let bytes = std::fs::read(fleet.path(file)).unwrap_or_default();
        for code in [CODE, "4815 1623"] {
            assert!(!bytes.windows(code.len()).any(|part| part == code.as_bytes()), "{code} in {file}");
        }
    }
    fleet.write("wrong.yaml", &draft.replace("outcome: failed", "outcome: faild"));
    let done = fleet.run(&["report", "wrong.yaml"]).ended(2);
    assert!(
        done.out.contains("A test call failed, or may have, and that is not recorded. Keep a stand-in."),
        "{done:?}"
    );
    fleet.write("SP-01.txt", &draft.replace('\n', "\r\n"));
    let done = fleet.run(&["report", "SP-01.txt"]).ended(0);
    assert!(done.out.contains("did not reach help. Keep a stand-in"), "{done:?}");
    // The same report cut out is the same, and another card comes by the folder.
    fleet.write("cut.yaml", &draft[draft.find("report: 1").expect("a report")..]);
    assert!(fleet.run(&["report", "cut.yaml"]).ended(0).out.contains("on record already"));
    let card = fleet.run(&["script", "SP-01"]).ended(0).out;
    fleet.rename_into("config/reports/SP-01.yaml", &filled(&card, "failed"));
    let id = card.split("\nid: ").nth(1).and_then(|rest| rest.get(..36)).expect("an id");
    let told = fleet.run(&["history", "SP-01"]).ended(0).out;
    assert!(told.contains(&format!("report {id} by tech-03")), "{told}");
}

#[test]
fn a_rejected_text_that_may_report_a_failed_test_is_critical_whatever_is_wrong_with_it() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let card = fleet.run(&["script", "SP-01"]).ended(0).out;
    let _daemon = fleet.start();
    receiver.wait_for(1);
    let report = |nth: u32, rest: &str| {
        format!("report: 1\nid: {}\nstation: NP-01\nat: 2020-03-03T09:00:00Z\nby: tech-03\n{rest}", uuid(nth))
    };
    let may = "a report that may say that a test call failed was not recorded (by tech-03";
    let does = "a report that a test call failed was not recorded (by tech-03";
    let unclear = filled(&card, "failed").replace("lifeline: emergency", "lifeline: emergncy");
    for (name, text, expected) in [
        ("1.yaml", report(901, "tests: [{lifeline: emergency, outcome: faild}]\n"), ("NP-01", may)),
        (
            "2.yaml",
            report(902, "note: it said: no\ntests: [{lifeline: emergency, outcome: failed}]\n"),
            ("NP-01", does),
        ),
        ("3.txt", filled(&card, "failed"), ("SP-01", does)),
        ("4.yaml", unclear, ("SP-01", does)),
    ] {
        fleet.rename_into(&format!("config/reports/{name}"), &text);
        let is_it =
            |got: &&Got| got.kind() == REPORT && got.data()["reports"][0]["source"] == format!("reports/{name}");
        let data: Value = until(name, || receiver.heard().iter().find(is_it).map(|got| got.data().clone()));
        let (station, says) = expected;
        let summary = data["summary"].as_str().expect("a summary");
        assert!(summary.starts_with(&format!("{station}: {says}")), "{data}");
        assert!(summary.contains("Keep a stand-in until a test call reaches help."), "{data}");
        assert_eq!(data["severity"], "critical", "{data}");
    }
}

/// Every table of the ledger, whole, as digits and letters alone: what stands between them hides nothing.
fn all_tables(fleet: &Fleet) -> String {
    let rows = |sql: &str| fleet.sql(sql);
    let mut all = String::new();
    for table in rows("select name from sqlite_master where type = 'table'") {
        for column in rows(&format!("select name from pragma_table_info('{table}')")) {
            for cell in rows(&format!("select hex(\"{column}\") from \"{table}\" where \"{column}\" is not null")) {
                let digits: Vec<u8> = cell.bytes().collect();
                let byte = |pair: &[u8]| u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok();
                all.extend(digits.chunks(2).filter_map(byte).map(char::from).filter(char::is_ascii_alphanumeric));
                all.push('\n');
            }
        }
    }
    all
}

#[test]
fn in_whatever_dress_a_card_comes_no_code_of_it_is_in_any_table() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let card = fleet.run(&["script", "SP-01"]).ended(0).out;
    let json = fleet.run(&["script", "SP-01", "--format", "json"]).ended(0).out;
    assert!(json.contains(CODE) && card.contains(&CODE[..4]), "{card}");
    let draft = filled(&card, "failed");
    let (before, report) = draft.split_at(draft.find("report: 1").expect("a report"));
    let heading = before.rfind("REPORT BACK").expect("a heading");
    let without_heading = format!("{}{report}", &before[..heading]);
    let each = |line: fn(&str) -> String| draft.lines().map(line).collect::<String>();
    let utf16: Vec<u8> = [0xff, 0xfe].into_iter().chain(draft.encode_utf16().flat_map(u16::to_le_bytes)).collect();
    let dresses: Vec<(&str, Vec<u8>)> = vec![
        ("mail.txt", draft.replace("REPORT BACK", "*REPORT BACK*").into()),
        ("nohead.txt", without_heading.clone().into()),
        ("nohead.yaml", without_heading.into()),
        ("top.txt", format!("{report}\n{card}").into()),
        ("top.yaml", format!("{report}\n{card}").into()),
        ("trunc.yaml", format!("{draft}\n{}", &before[..heading]).into()),
        ("quoted.yaml", each(|line| format!("> {line}\n")).into()),
        ("quoted.txt", each(|line| format!("> {line}\n")).into()),
        ("indent.yaml", each(|line| format!("    {line}\n")).into()),
        ("one-line.yaml", each(|line| format!("{line} ")).into()),
        ("utf16.yaml", utf16.clone()),
        ("utf16.txt", utf16),
        ("script.yaml", json.clone().into()),
        ("script.json", json.clone().into()),
        ("wrapped.json", format!("{{\"report\": 1, \"note\": {json}}}").into()),
        ("keys.txt", fleet.run(&["script", "SP-01", "--format", "keys"]).ended(0).out.into()),
        ("page.txt", fleet.run(&["script", "SP-01", "--format", "html"]).ended(0).out.into()),
        ("whole.txt", draft.clone().into()),
    ];
    for (name, bytes) in &dresses {
        std::fs::write(fleet.path(&format!("config/reports/{name}")), bytes).expect("a file");
    }
    fleet.run(&["drift"]);
    for (name, bytes) in &dresses {
        // By hand as well, and as another content.
        std::fs::write(fleet.path(name), [&bytes[..], b"\n\n"].concat()).expect("a file");
        fleet.run(&["report", name]);
    }
    let all = all_tables(&fleet);
    assert!(all.contains("SP01") && all.contains("mailtxt") && all.contains("wrappedjson"), "the tables were read");
    let found: Vec<_> = all.match_indices(CODE).map(|(at, _)| &all[at.saturating_sub(99)..at + CODE.len()]).collect();
    assert_eq!(found, [""; 0]);
    assert!(!fleet.run(&["ledger", "export"]).ended(0).out.contains(CODE));
}
