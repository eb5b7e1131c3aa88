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

/// The lines of an export but for the key's; the last is the head's.
fn lines(fleet: &Fleet) -> Vec<String> {
    let exported = fleet.run(&["ledger", "export"]).ended(0).out;
    exported.lines().skip(1).map(str::to_owned).collect()
}

/// What they say, without their places in the chain.
fn contents(lines: &[String]) -> BTreeSet<String> {
    let content = |line: &String| {
        let mut json: serde_json::Value = serde_json::from_str(line).expect("JSON");
        json.as_object_mut().expect("an object").remove("entry");
        json.to_string()
    };
    lines.iter().filter(|line| !line.contains("\"head\"")).map(content).collect()
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
        let all = format!("{} recorded, 0 on record already, 0 rejected.\n", there.len() - 1);
        assert_eq!(done.out, all, "{done:?}");
        assert_eq!(contents(&lines(&other)), contents(&there));
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

#[test]
fn a_line_that_was_changed_is_rejected_and_lines_that_are_missing_are_told() {
    let there = lines(&sample());
    let fleet = empty();
    let mut changed = there.clone();
    let at = changed.iter().position(|line| line.contains("\"note\":\"")).expect("a note");
    changed[at] = changed[at].replacen("\"note\":\"", "\"note\":\"not ", 1);
    fleet.write("export.jsonl", &(changed.join("\n") + "\n"));
    let done = fleet.run(&["ledger", "import", "export.jsonl"]).ended(2);
    assert!(done.out.ends_with(", 1 rejected.\n"), "{}", done.out);
    let wrong = format!("export.jsonl:{}:1: error: This line is not entry ", at + 1);
    assert!(done.err.contains(&wrong), "{wrong} in {}", done.err);
    // Cut off at its end, and with a hole.
    let fleet = empty();
    fleet.write("export.jsonl", &(there[..there.len() - 5].join("\n") + "\n"));
    let done = fleet.run(&["ledger", "import", "export.jsonl"]).ended(2);
    assert!(done.err.contains("the export may have been cut off"), "{}", done.err);
    let mut holed = there.clone();
    holed.remove(3);
    fleet.write("export.jsonl", &(holed.join("\n") + "\n"));
    let done = fleet.run(&["ledger", "import", "export.jsonl"]).ended(2);
    assert!(done.err.contains("Entry 4 of the export is missing."), "{}", done.err);
}

#[test]
fn entries_cut_off_at_the_end_are_found_by_a_head_kept_elsewhere() {
    let fleet = sample();
    // Records what lies in the reports folder, and keeps what it proves.
    drift(&fleet);
    let first = fleet.run(&["ledger", "verify", "--format", "json"]).ended(0);
    fleet.write("head.json", &first.out);
    let head = first.json();
    assert_eq!((&head["head"], &head["records"]["differing"]), (&1.into(), &serde_json::json!([])), "{head}");
    let export = fleet.run(&["ledger", "export"]).ended(0).out;
    fleet.write("export.jsonl", &export);
    let note = "report: 1\nid: 019a6c1e-8f00-7000-8000-00000000abcd\nstation: EQ-01\nat: 2026-11-24T10:00:00Z\nby: t\n";
    fleet.write("late.yaml", note);
    fleet.run(&["report", "late.yaml"]).ended(0);
    for kept in ["head.json", "export.jsonl"] {
        fleet.run(&["ledger", "verify", "--head", kept]).ended(0);
    }
    // A ledger that is shorter, and otherwise whole.
    let other = empty();
    other.write("head.json", &first.out);
    let done = other.run(&["ledger", "verify", "--head", "head.json"]).ended(1);
    assert!(done.err.contains("entry 1 is missing, though the head kept elsewhere is entry"), "{}", done.err);
    // One that is as long, and another chain.
    let lines: Vec<&str> = export.lines().rev().collect();
    other.write("reversed.jsonl", &(lines.join("\n") + "\n"));
    other.run(&["ledger", "import", "reversed.jsonl"]).ended(0);
    other.write("export.jsonl", &export);
    let done = other.run(&["ledger", "verify", "--head", "export.jsonl"]).ended(1);
    assert!(done.err.contains("is not as it was when its hash was noted down"), "{}", done.err);
    let done = other.run(&["ledger", "verify", "--head", "export.jsonl.none"]).ended(2);
    assert!(done.err.contains("cannot read"), "{}", done.err);
    other.write("report.yaml", note);
    let done = other.run(&["ledger", "verify", "--head", "report.yaml"]).ended(2);
    assert!(done.err.contains("is not a ledger's head"), "{}", done.err);
}

/// A script's line says what its steps set. Were that not held to its digest and its keys, a report could make anything known.
#[test]
fn an_issued_line_whose_digest_or_effects_do_not_fit_is_rejected_by_import_and_by_report() {
    let issuing = sample();
    issuing.run(&["script", "EQ-02"]).ended(0);
    let there = lines(&issuing);
    let is_it = |line: &&String| line.contains("\"issued\"") && line.contains("2026-11-25") && line.contains("EQ-02");
    let issued = there.iter().find(is_it).expect("a script");
    let mut line: serde_json::Value = serde_json::from_str(issued).expect("JSON");
    line.as_object_mut().expect("an object").remove("entry");
    let digest = line["script"].as_str().expect("a digest").to_owned();
    let changed = |change: &dyn Fn(&mut serde_json::Value)| {
        let mut line = line.clone();
        change(&mut line);
        format!("{line}\n")
    };
    let other_digest = changed(&|line| line["script"] = "3f9a1c0b7d24e615".into());
    let other_keys = changed(&|line| line["document"]["calls"][0]["steps"][0]["keys"] = "9999#".into());
    let other_station = changed(&|line| line["station"] = "EQ-03".into());
    let other_effects = changed(&|line| {
        let effects = line["steps"][0]["effects"].as_object_mut().expect("effects");
        let name = effects.keys().next().expect("one").clone();
        effects.insert(name, serde_json::Value::Null);
    });
    for (text, says) in [
        (other_digest, "is not what its digest stands for".to_owned()),
        (other_keys, format!("The script {digest} is not what its digest stands for")),
        (other_station, format!("The script {digest} is not what its digest stands for")),
        (other_effects, format!("The script {digest} says that its steps set other values than they key.")),
    ] {
        let fleet = empty();
        fleet.write("line.jsonl", &text);
        for command in [&["ledger", "import", "line.jsonl"][..], &["report", "line.jsonl"]] {
            let done = fleet.run(command).ended(2);
            assert!(done.err.contains(&says), "{text}{done:?}");
        }
        assert!(!lines(&fleet).iter().any(|line| line.contains(&digest)), "{says}");
    }
    let fleet = empty();
    fleet.write("line.jsonl", &changed(&|_| {}));
    fleet.run(&["report", "line.jsonl"]).ended(0);
}
