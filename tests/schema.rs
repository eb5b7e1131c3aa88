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
