//! The receiver's side by the specification's own library, in Python (`receiver.py` beside this file).

use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use stationkeep::webhook::{Limits, Message, Secret, Sender, Target};

use crate::sending::{SECRET, bare, delivered, refused};

pub struct Reference {
    child: Child,
    pub url: String,
    out: tempfile::NamedTempFile,
}

impl Reference {
    /// Fails where no Python with the library is named.
    pub fn start(more: &[&str]) -> Self {
        let Ok(python) = std::env::var("STATIONKEEP_TEST_PYTHON") else {
            panic!("STATIONKEEP_TEST_PYTHON is not set: run tests/run, which sets up what the tests need");
        };
        let out = tempfile::NamedTempFile::new().expect("a file");
        let mut child = Command::new(python)
            .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/webhook/receiver.py"))
            .args(["--secret", SECRET, "--out"])
            .arg(out.path())
            .args(more)
            .stdout(Stdio::piped())
            .spawn()
            .expect("a receiver");
        let mut line = String::new();
        let stdout = child.stdout.take().expect("its output");
        BufReader::new(stdout).read_line(&mut line).expect("a line");
        let url = line.trim().strip_prefix("listening on ").expect("an address").to_owned();
        Self { child, url, out }
    }

    pub fn lines(&self) -> Vec<serde_json::Value> {
        let text = std::fs::read_to_string(self.out.path()).expect("its lines");
        text.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect()
    }
}

impl Drop for Reference {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

pub fn now_s() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or(Duration::ZERO);
    i64::try_from(since.as_secs()).unwrap_or(0)
}

fn secret(text: &str) -> Secret {
    Secret::parse(text).expect("a secret")
}

#[tokio::test]
async fn the_specifications_library_accepts_what_is_sent_and_refuses_what_is_not_right() {
    let reference = Reference::start(&["--fail-first", "1"]);
    let sender = Sender::new(Limits::default()).expect("a sender");
    let message = Message {
        id: "drift-0001",
        timestamp_s: now_s(),
        content_type: "application/cloudevents+json; charset=UTF-8",
        headers: None,
        body: "{\"where\":\"Flåte, \\u0001 east quay\"}",
    };
    let (ours, other) = (secret(SECRET), secret("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"));
    let old = Message { timestamp_s: message.timestamp_s - 310, ..message };
    let unauthorized = refused(401, None);
    let unavailable = refused(503, None);
    for (secrets, message, expected) in [
        (vec![ours.clone()], &message, unavailable),
        (vec![ours.clone()], &message, delivered(204)),
        (vec![other.clone(), ours.clone()], &message, delivered(204)),
        (vec![other], &message, unauthorized.clone()),
        (vec![], &message, unauthorized.clone()),
        (vec![ours], &old, unauthorized),
    ] {
        let to = Target::plain("on-call", &reference.url, secrets);
        assert_eq!(bare(sender.send(&to, message).await), expected);
    }
    let lines = reference.lines();
    let verified: Vec<bool> = lines.iter().map(|line| line["verified"] == true).collect();
    assert_eq!(verified, [true, true, true, false, false, false]);
    assert_eq!(lines[1]["id"], "drift-0001");
    assert_eq!(lines[1]["body"]["where"], "Flåte, \u{1} east quay");
    assert_eq!(lines[1]["content_type"], message.content_type);
}
