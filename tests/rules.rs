//! What is shipped for those who watch the daemon with Prometheus: the alert rules by `promtool` of the Prometheus project (Debian:
//! `prometheus`), with unit tests of each rule; and that rules and dashboard name no metric that does not exist.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;

use stationkeep::web::METRICS;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn promtool(arguments: &[&str], folder: &Path) -> String {
    let run = Command::new("promtool").args(arguments).current_dir(folder).output();
    let run = run.expect("promtool is missing: install Debian's prometheus, as tests/run does");
    let said = format!("{}{}", String::from_utf8_lossy(&run.stdout), String::from_utf8_lossy(&run.stderr));
    assert!(run.status.success(), "{said}");
    said
}

fn rules() -> PathBuf {
    root().join("deploy/prometheus/stationkeep.rules.yaml")
}

#[test]
fn promtool_takes_the_rules_and_their_unit_tests_hold() {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::copy(rules(), folder.path().join("stationkeep.rules.yaml")).expect("the rules");
    std::fs::copy(root().join("tests/rules/stationkeep.test.yaml"), folder.path().join("test.yaml"))
        .expect("the tests");
    let said = promtool(&["check", "rules", "stationkeep.rules.yaml"], folder.path());
    assert!(said.contains("13 rules found"), "{said}");
    promtool(&["test", "rules", "test.yaml"], folder.path());
}

#[test]
fn every_rule_has_a_unit_test_in_which_it_is_raised() {
    let text = std::fs::read_to_string(rules()).expect("the rules");
    let tests = std::fs::read_to_string(root().join("tests/rules/stationkeep.test.yaml")).expect("the tests");
    let names: Vec<&str> = text.lines().filter_map(|line| line.trim().strip_prefix("- alert: ")).collect();
    assert_eq!(names.len(), 13);
    for name in names {
        let raised = format!("alertname: {name}\n        exp_alerts:");
        assert!(tests.contains(&raised), "{name}");
    }
}

/// The words of a text that look like metrics of ours.
fn metrics(text: &str) -> BTreeSet<&str> {
    let words = text.split(|sign: char| !sign.is_ascii_alphanumeric() && sign != '_');
    words.filter(|word| word.starts_with("stationkeep_")).collect()
}

#[test]
fn rules_and_dashboard_name_metrics_that_exist() {
    let known: BTreeSet<&str> = METRICS.iter().map(|metric| metric.name).collect();
    for file in ["deploy/prometheus/stationkeep.rules.yaml", "deploy/grafana/stationkeep.json"] {
        let text = std::fs::read_to_string(root().join(file)).expect(file);
        let named = metrics(&text);
        assert!(named.len() > 8, "{file}: {named:?}");
        let unknown: Vec<&&str> = named.difference(&known).collect();
        assert!(unknown.is_empty(), "{file}: {unknown:?}");
    }
}

#[test]
fn every_panel_of_the_dashboard_has_a_place_of_its_own_and_asks_for_something() {
    let text = std::fs::read_to_string(root().join("deploy/grafana/stationkeep.json")).expect("the dashboard");
    let dashboard: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let mut taken = BTreeSet::new();
    for panel in dashboard["panels"].as_array().expect("panels") {
        let at = |key: &str| panel["gridPos"][key].as_u64().expect("a number");
        for x in at("x")..at("x") + at("w") {
            for y in at("y")..at("y") + at("h") {
                assert!(x < 24 && taken.insert((x, y)), "{} overlaps another panel", panel["title"]);
            }
        }
        let targets = panel["targets"].as_array().expect("targets");
        assert!(targets.iter().all(|target| target["expr"].as_str().is_some_and(|expr| !metrics(expr).is_empty())));
    }
}
