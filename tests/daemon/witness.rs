//! Someone who checks every delivery as it comes in by the specification's own library (`witness.py` beside this file),
//! in the Python that `STATIONKEEP_TEST_PYTHON` names.

use std::collections::BTreeMap;
use std::io::{Read as _, Write as _};
use std::process::{Child, Command, Stdio};

use serde_json::json;

pub struct Witness(Child);

impl Witness {
    pub fn start(secret: &str) -> Witness {
        let Ok(python) = std::env::var("STATIONKEEP_TEST_PYTHON") else {
            panic!("STATIONKEEP_TEST_PYTHON is not set: run tests/run, which sets up what the tests need");
        };
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/daemon/witness.py");
        let mut command = Command::new(python);
        command.arg(script).arg(secret).stdin(Stdio::piped()).stdout(Stdio::piped());
        Witness(command.spawn().expect("Python starts"))
    }

    pub fn sees(&mut self, headers: &BTreeMap<String, String>, body: &str) {
        let stdin = self.0.stdin.as_mut().expect("an input");
        writeln!(stdin, "{}", json!({ "headers": headers, "body": body })).expect("the witness reads on");
    }

    /// How many deliveries were right; fails where one was not.
    pub fn saw(mut self) -> usize {
        drop(self.0.stdin.take());
        let mut text = String::new();
        self.0.stdout.take().expect("an output").read_to_string(&mut text).expect("text");
        assert!(self.0.wait().expect("its end").success(), "a delivery is not as the specification says");
        text.trim().parse().expect("a count")
    }
}
