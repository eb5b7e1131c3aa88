//! The JSON Schemas that `stationkeep schema` prints, held against an outside validator (PyPI `jsonschema`, draft
//! 2020-12): the schemas themselves, every sample, and bad examples with one mistake each. See `schema/check.py`.

use std::process::Command;

#[test]
fn an_outside_validator_takes_the_samples_and_refuses_every_bad_example() {
    let python = std::env::var("STATIONKEEP_TEST_PYTHON")
        .expect("STATIONKEEP_TEST_PYTHON is not set: run tests/run, which sets up what the tests need");
    let check = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/schema/check.py");
    let run = Command::new(python)
        .args([check, "--program", env!("CARGO_BIN_EXE_stationkeep")])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .expect("Python runs");
    let said = String::from_utf8_lossy(&run.stdout);
    assert!(run.status.success(), "{said}{}", String::from_utf8_lossy(&run.stderr));
    assert!(said.contains(" 0 failed"), "{said}");
}

/// The files of `config/schemas`, which the first line of each sample leads editors to.
#[test]
fn the_schemas_beside_the_samples_are_those_that_the_program_prints() {
    let schemas = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("config/schemas");
    let mut kinds: Vec<String> = std::fs::read_dir(&schemas)
        .expect("config/schemas")
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().replace(".json", ""))
        .collect();
    kinds.sort();
    assert_eq!(kinds, ["config", "inventory", "keybook", "report"]);
    for kind in kinds {
        let run =
            Command::new(env!("CARGO_BIN_EXE_stationkeep")).args(["schema", &kind]).output().expect("the program");
        let kept = std::fs::read(schemas.join(format!("{kind}.json"))).expect("a schema");
        assert!(run.stdout == kept, "renew it: stationkeep schema {kind} > config/schemas/{kind}.json");
    }
}

#[test]
fn the_first_line_of_every_sample_turns_its_schema_on() {
    let config = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    let (mut open, mut samples) = (vec![config.clone()], 0);
    while let Some(path) = open.pop() {
        if path.is_dir() {
            open.extend(std::fs::read_dir(&path).expect("a folder").map(|entry| entry.expect("an entry").path()));
        } else if path.extension().is_some_and(|end| end == "yaml") {
            let text = std::fs::read_to_string(&path).expect("a sample");
            let named = text.lines().next().and_then(|line| line.strip_prefix("# yaml-language-server: $schema="));
            let named = named.unwrap_or_else(|| panic!("{}: its first line names no schema", path.display()));
            let leads_to = path.parent().expect("a folder").join(named).canonicalize().expect("a schema that is there");
            let below = path.strip_prefix(&config).expect("below").components().next().expect("a name");
            let kind = match below.as_os_str().to_str() {
                Some("inventory") => "inventory",
                Some("keybooks") => "keybook",
                Some("reports") => "report",
                _ => "config",
            };
            assert_eq!(leads_to, config.join(format!("schemas/{kind}.json")).canonicalize().expect("the schema"));
            samples += 1;
        }
    }
    assert!(samples > 60, "only {samples} samples");
}

/// A schema of one's own offers the sample's names, and takes all that the plain one takes.
#[test]
fn a_schema_of_ones_own_offers_the_names_of_the_fleet_and_still_takes_the_samples() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let folder = tempfile::tempdir().expect("a folder");
    for kind in ["inventory", "report"] {
        let run = Command::new(env!("CARGO_BIN_EXE_stationkeep"))
            .args(["--config", "config/stationkeep.yaml", "schema", kind, "--own"])
            .current_dir(root)
            .output()
            .expect("the program");
        assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
        let text = String::from_utf8(run.stdout).expect("text");
        for name in ["harbour-master", "emergency.primary", "first number of the red button", "EQ-01"] {
            assert!(text.contains(name), "{kind}: {name}");
        }
        let file = folder.path().join(format!("{kind}.json"));
        std::fs::write(&file, text).expect("a file");
        let check = root.join("tests/schema/check.py");
        let python = std::env::var("STATIONKEEP_TEST_PYTHON").expect("the Python of tests/run");
        let held = Command::new(python).arg(check).arg(&file).output().expect("Python");
        assert!(held.status.success(), "{}", String::from_utf8_lossy(&held.stdout));
    }
    let run = Command::new(env!("CARGO_BIN_EXE_stationkeep"))
        .args(["schema", "keybook", "--own"])
        .current_dir(root)
        .output()
        .expect("the program");
    assert_eq!(run.status.code(), Some(2));
}
