//! Asks the daemon over HTTP as a probe does, on a connection of its own each time.

use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::process::{Command, Stdio};

use serde_json::Value;

use super::process::{Daemon, PATIENCE, until};

/// An answer.
#[derive(Debug)]
pub struct Answered {
    pub status: u16,
    pub headers: BTreeMap<String, String>,
    pub body: String,
}

impl Answered {
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.body).unwrap_or_else(|error| panic!("{error} in {self:?}"))
    }

    /// The problem document in it; RFC 9457: its media type, and a `status` that is the answer's.
    pub fn problem(&self) -> Value {
        let problem = self.json();
        assert_eq!(self.headers["content-type"], "application/problem+json", "{self:?}");
        assert_eq!(problem["status"], self.status, "{self:?}");
        for member in ["type", "title", "detail"] {
            assert!(problem[member].as_str().is_some_and(|text| !text.is_empty()), "{self:?}");
        }
        problem
    }
}

/// Where a daemon says that it listens.
pub fn address(daemon: &Daemon) -> SocketAddr {
    let said = daemon.said();
    let found =
        said.split("http://").filter_map(|rest| rest.split_once("/healthz")).find_map(|(at, _)| at.parse().ok());
    found.unwrap_or_else(|| panic!("no address in {said}"))
}

/// One request; nothing where there is no connection.
pub fn ask(address: SocketAddr, method: &str, path: &str) -> Option<Answered> {
    let mut stream = TcpStream::connect(address).ok()?;
    stream.set_read_timeout(Some(PATIENCE)).ok()?;
    let request = format!("{method} {path} HTTP/1.1\r\nhost: {address}\r\nconnection: close\r\n\r\n");
    stream.write_all(request.as_bytes()).ok()?;
    answer(&mut stream)
}

/// Sends JSON.
pub fn post(address: SocketAddr, path: &str, body: &Value) -> Answered {
    let mut stream = TcpStream::connect(address).expect("a connection");
    stream.set_read_timeout(Some(PATIENCE)).expect("a patience");
    let body = body.to_string();
    let head = format!(
        "POST {path} HTTP/1.1\r\nhost: {address}\r\nconnection: close\r\ncontent-type: application/json\r\ncontent-length: {}",
        body.len()
    );
    stream.write_all(format!("{head}\r\n\r\n{body}").as_bytes()).expect("it is sent");
    answer(&mut stream).expect("an answer")
}

/// What comes on a connection until it ends.
pub fn answer(stream: &mut TcpStream) -> Option<Answered> {
    let mut text = String::new();
    stream.read_to_string(&mut text).ok()?;
    let (head, body) = text.split_once("\r\n\r\n")?;
    let status = head.split(' ').nth(1)?.parse().ok()?;
    let lines = head.lines().skip(1).filter_map(|line| line.split_once(": "));
    let headers = lines.map(|(name, value)| (name.to_lowercase(), value.to_owned())).collect();
    Some(Answered { status, headers, body: body.to_owned() })
}

/// `GET`, until there is an answer.
pub fn get(address: SocketAddr, path: &str) -> Answered {
    until(&format!("an answer to {path}"), || ask(address, "GET", path))
}

/// The samples of `/metrics`, as the Prometheus project's own Python client reads them (PyPI `prometheus-client`).
pub fn metrics(address: SocketAddr) -> BTreeMap<String, f64> {
    let answered = get(address, "/metrics");
    assert_eq!(answered.status, 200, "{answered:?}");
    assert!(answered.headers["content-type"].starts_with("text/plain; version=0.0.4"), "{answered:?}");
    let python = std::env::var("STATIONKEEP_TEST_PYTHON")
        .expect("STATIONKEEP_TEST_PYTHON is not set: run tests/run, which sets up what the tests need");
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/daemon/read_metrics.py");
    let mut command = Command::new(python);
    command.arg(script).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().expect("Python starts");
    child.stdin.take().expect("an input").write_all(answered.body.as_bytes()).expect("it reads");
    let output = child.wait_with_output().expect("it ends");
    assert!(output.status.success(), "{}\n{}", String::from_utf8_lossy(&output.stderr), answered.body);
    serde_json::from_slice(&output.stdout).expect("JSON")
}
