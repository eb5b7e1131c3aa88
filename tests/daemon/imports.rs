//! An export is imported in whatever order its lines stand: what can be recorded at all is.

use std::collections::BTreeSet;

use super::fleet::{Fleet, uuid};
use super::sample::sample;

/// The sample without its reports.
fn empty() -> Fleet {
    let fleet = sample();
    for entry in std::fs::read_dir(fleet.path("config/reports")).expect("a folder") {
        std::fs::remove_file(entry.expect("an entry").path()).expect("it is removed");
    }
    fleet
}

/// The lines of an export but for the key's, without when they were recorded.
fn lines(fleet: &Fleet) -> Vec<String> {
    let exported = fleet.run(&["ledger", "export"]).ended(0).out;
    exported.lines().skip(1).map(str::to_owned).collect()
}

fn drift(fleet: &Fleet) -> serde_json::Value {
    fleet.run(&["drift", "--all", "--format", "json"]).ended(3).json()
}

#[test]
fn an_export_comes_back_whole_in_any_order() {
    let fleet = sample();
    let there = lines(&fleet);
    assert!(there.len() > 60, "{}", there.len());
    let mut reversed = there.clone();
    reversed.reverse();
    // Every other line first.
    let shuffled: Vec<String> = there.iter().skip(1).step_by(2).chain(there.iter().step_by(2)).cloned().collect();
    for lines_of in [reversed, shuffled] {
        let other = empty();
        other.write("export.jsonl", &(lines_of.join("\n") + "\n"));
        let done = other.run(&["ledger", "import", "export.jsonl"]).ended(0);
        let all = format!("{} recorded, 0 on record already, 0 rejected.\n", there.len());
        assert_eq!(done.out, all, "{done:?}");
        let back: BTreeSet<String> = lines(&other).into_iter().collect();
        assert_eq!(back, there.iter().cloned().collect());
        // The codes are fingerprinted with another key there, so what they are counts as unknown.
        let (here, there) = (drift(&fleet), drift(&other));
        let names = |drift: &serde_json::Value| drift["stations"].as_array().map(Vec::len);
        assert_eq!(names(&here), names(&there));
    }
}

#[test]
fn what_cannot_be_recorded_in_any_order_is_rejected_once_with_its_reason() {
    let fleet = empty();
    let (report, visit) = (uuid(1), uuid(2));
    let digest = "3f9a1c0b7d24e615";
    let no_script = format!(
        "{{\"report\":1,\"id\":\"{report}\",\"station\":\"EQ-01\",\"at\":\"2026-11-20T10:00:00Z\",\"by\":\"t\",\"script\":\"{digest}\"}}"
    );
    let begun = format!(
        "{{\"begun\":1,\"id\":\"{visit}\",\"script\":\"{digest}\",\"station\":\"EQ-01\",\"at\":\"2026-11-20T10:00:00Z\",\"by\":\"t\"}}"
    );
    fleet.write("lines.jsonl", &format!("{no_script}\n{begun}\nnonsense\n"));
    let done = fleet.run(&["ledger", "import", "lines.jsonl"]).ended(2);
    assert_eq!(done.out, "0 recorded, 0 on record already, 3 rejected.\n");
    assert_eq!(done.err.matches(&format!("No script {digest} was ever issued.")).count(), 2, "{}", done.err);
    assert_eq!(
        done.err.matches("lines.jsonl:").count(),
        3,
        "each is told of once, however often it was tried: {}",
        done.err
    );
}

#[test]
fn lines_before_their_script_are_recorded_from_a_report_command_and_from_the_folder() {
    let source = sample();
    let all = lines(&source);
    let about = |line: &&String| line.contains("BI-03") && (line.contains("\"issued\"") || line.contains("\"begun\""));
    let mut pair: Vec<String> = all.iter().filter(about).cloned().collect();
    pair.reverse();
    assert!(pair.len() == 2 && pair[0].contains("\"begun\""), "{pair:?}");
    for is_dropped in [false, true] {
        let fleet = empty();
        let file = if is_dropped { "config/reports/visit.jsonl" } else { "visit.jsonl" };
        fleet.write(file, &(pair.join("\n") + "\n"));
        if !is_dropped {
            fleet.run(&["report", "visit.jsonl"]).ended(0);
        }
        let said = fleet.run(&["history", "BI-03"]).ended(0).out;
        assert!(said.contains("tech-05 began to key script"), "{said}");
    }
}
