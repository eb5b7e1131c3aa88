//! Every code of a finding, provoked through `check`: place, sentence, fix, related places; and exact fixes fix.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use serde_json::{Value as Json, json};
use stationkeep::finding::Code;

use super::program::{Fleet, place};

fn cases() -> Vec<Json> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/check/cases.yaml");
    serde_yaml::from_str(&fs::read_to_string(path).expect("the cases")).expect("a list of cases")
}

fn text<'j>(case: &'j Json, key: &str) -> &'j str {
    case[key].as_str().unwrap_or_else(|| panic!("no \"{key}\" in {case}"))
}

/// A fleet with the mistake of a case.
fn mistaken(case: &Json) -> Fleet {
    let fleet = Fleet::new();
    for edit in case["first"].as_array().into_iter().flatten() {
        fleet.edit(text(edit, "file"), text(edit, "from"), text(edit, "to"));
    }
    match case["from"].as_str() {
        Some(from) => fleet.edit(text(case, "file"), from, text(case, "to")),
        None => fleet.write(text(case, "file"), text(case, "to")),
    }
    fleet
}

/// What is told, as far as the cases speak of it.
fn told(finding: &Json) -> Json {
    let beside = finding["related"].as_array().expect("related places").iter();
    let beside: Vec<String> =
        beside.map(|one| format!("{} {}", place(&one["place"]), one["what"].as_str().expect("words"))).collect();
    json!({
        "code": finding["code"], "at": place(&finding["place"]), "says": finding["message"], "fix": finding["fix"],
        "instead": finding["replacement"], "beside": beside,
    })
}

fn expected(case: &Json) -> Json {
    json!({
        "code": case["code"], "at": case["at"], "says": case["says"], "fix": case["fix"], "instead": case["instead"],
        "beside": case["beside"].as_array().cloned().unwrap_or_default(),
    })
}

/// The file that a finding stands in, with the exact fix in place of what it marks.
fn fixed(fleet: &Fleet, at: &Json, instead: &str) -> String {
    let number = |key: &str| at[key].as_u64().expect("a number") as usize;
    let source = fleet.read(text(at, "file"));
    let mut lines: Vec<String> = source.split('\n').map(str::to_owned).collect();
    let line: Vec<char> = lines[number("line") - 1].chars().collect();
    let (start, end) = (number("column") - 1, number("column") - 1 + number("length"));
    lines[number("line") - 1] =
        line[..start].iter().copied().chain(instead.chars()).chain(line[end..].iter().copied()).collect();
    lines.join("\n")
}

#[test]
fn every_mistake_is_told_at_the_place_that_made_it_and_its_exact_fix_leaves_nothing_wrong() {
    let (mut shown, mut exact) = (BTreeSet::new(), 0);
    for case in cases() {
        let fleet = mistaken(&case);
        let paths: Vec<&str> = case["check"].as_str().into_iter().collect();
        let findings = fleet.findings(&paths);
        let is_own = |finding: &&Json| finding["code"] == case["code"] && place(&finding["place"]) == text(&case, "at");
        let own = findings.iter().find(is_own).unwrap_or_else(|| panic!("not found: {case:#}\n{findings:#?}"));
        assert_eq!(told(own), expected(&case), "{case:#}");
        let mut others: Vec<&str> = findings.iter().filter(|f| *f != own).map(|f| text(f, "code")).collect();
        let mut also: Vec<&str> = case["also"].as_array().into_iter().flatten().filter_map(Json::as_str).collect();
        others.sort_unstable();
        also.sort_unstable();
        assert_eq!(others, also, "{case:#}\n{findings:#?}");
        // As text once a code: starting the program often takes its time.
        let code = text(&case, "code");
        if shown.insert(code.to_owned()) {
            let said = fleet.run(&[&["check"], paths.as_slice()].concat());
            let severity = code.parse::<Code>().expect("a code").severity();
            let head = format!("{}: {severity}: ", text(&case, "at"));
            let is_head = |line: &str| line.starts_with(&head) && line.ends_with(&format!(" ({code})"));
            assert!(said.out.lines().any(is_head), "{head} {code}\n{}", said.out);
            assert_eq!(said.err, "");
        }
        if let Some(instead) = case["instead"].as_str() {
            fleet.write(text(&own["place"], "file"), fixed(&fleet, &own["place"], instead));
            let left: Vec<Json> = fleet.findings(&paths).iter().map(told).collect();
            assert_eq!(left, Vec::<Json>::new(), "{case:#}");
            exact += 1;
        }
    }
    assert!(exact > 30, "only {exact} cases have an exact fix");
}

/// Codes that no file of a checked fleet provokes; the first two have tests of their own below, the third in `hostile.rs`, the fourth
/// in `commits.rs`, the fifth in `tests/day_one.rs`, the last in `tests/daemon`.
const ELSEWHERE: [Code; 6] = [
    Code::FileTooLarge,
    Code::ReportConflict,
    Code::FindingsMany,
    Code::CodeTracked,
    Code::KeybookExample,
    Code::ReportFile,
];

#[test]
fn every_code_has_a_case_and_an_explanation_that_check_prints() {
    let have: BTreeSet<String> = cases().iter().map(|case| text(case, "code").to_owned()).collect();
    let lacking: Vec<&Code> =
        Code::ALL.iter().filter(|code| !have.contains(code.as_str()) && !ELSEWHERE.contains(code)).collect();
    assert_eq!(lacking, Vec::<&Code>::new(), "codes without a case");
    let fleet = Fleet::new();
    for code in Code::ALL.iter().step_by(7) {
        let said = fleet.run(&["check", "--about", code.as_str()]);
        let words = said.out.split_whitespace().collect::<Vec<_>>().join(" ");
        assert_eq!(words, format!("{code}: {} {}", code.severity(), code.explanation()), "{said:?}");
    }
    let all = fleet.run(&["check", "--about"]).out;
    let listed: Vec<&str> = all.lines().filter_map(|line| line.split(' ').next()).collect();
    assert_eq!(listed, Code::ALL.iter().map(|code| code.as_str()).collect::<Vec<_>>());
}

#[test]
fn a_file_past_the_limit_is_told_and_not_read() {
    let fleet = Fleet::new();
    let file = fs::File::create(fleet.path("inventory/large.yaml")).expect("a file");
    file.set_len(100 << 20).expect("a sparse file");
    let findings = fleet.findings(&[]);
    assert_eq!(findings.len(), 1, "{findings:#?}");
    assert_eq!(findings[0]["code"], "file-too-large");
    assert_eq!(findings[0]["message"], "The file has 104857600 bytes; 33554432 is the most that is read.");
}

#[test]
fn a_report_with_the_id_of_another_is_refused_with_its_place() {
    let fleet = Fleet::new();
    assert_eq!(fleet.run(&["report", "report.yaml"]).code, Some(0));
    fleet.edit("report.yaml", "gate.seconds: 7", "gate.seconds: 8");
    let again = fleet.run(&["report", "report.yaml"]);
    let said = format!("{}{}", again.out, again.err);
    assert_eq!(again.code, Some(2), "{said}");
    assert!(said.contains("report-conflict") && said.contains("report.yaml:2:5"), "{said}");
}

#[test]
fn all_mistakes_are_told_at_once_sorted_and_none_twice() {
    let fleet = Fleet::new();
    fleet.edit("inventory/fleet.yaml", "{to: control-room}", "{to: contorl-room}");
    fleet.edit("inventory/fleet.yaml", "calls: \"+441632960101\"", "calls: +441632960101");
    fleet.edit("inventory/piers.yaml", "identity: \"11\"", "identity: 11");
    fleet.edit("inventory/piers.yaml", "where: \"Berth 2\"", "whree: \"Berth 2\"");
    fleet.edit("inventory/piers.yaml", "settings: {identity: \"21\"}", "settings: {idenity: \"21\"}");
    let findings = fleet.findings(&[]);
    let places: Vec<(&str, u64, u64)> = findings
        .iter()
        .map(|f| {
            (
                text(&f["place"], "file"),
                f["place"]["line"].as_u64().expect("a line"),
                f["place"]["column"].as_u64().expect("a column"),
            )
        })
        .collect();
    assert!(places.is_sorted(), "{places:?}");
    let codes: Vec<&str> = findings.iter().map(|finding| text(finding, "code")).collect();
    assert_eq!(codes, ["unquoted", "name-unknown", "unquoted", "key-unknown", "name-unknown"]);
    let different: BTreeSet<String> = findings.iter().map(Json::to_string).collect();
    assert_eq!(different.len(), findings.len());
}
