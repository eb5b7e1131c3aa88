//! Asks a server on loopback, one connection a request, with whatever headers a test gives.

use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::Duration;

/// An answer.
#[derive(Debug)]
pub struct Answered {
    pub status: u16,
    pub headers: BTreeMap<String, String>,
    pub body: String,
}

/// One request to a path with its query; `headers` are lines without their ends. No `Host` is added where one is given.
pub fn ask(address: SocketAddr, method: &str, path: &str, headers: &[String]) -> Answered {
    send(address, method, path, headers, "")
}

/// The same with a body, whose length is added where there is one.
pub fn send(address: SocketAddr, method: &str, path: &str, headers: &[String], body: &str) -> Answered {
    let mut stream = TcpStream::connect(address).expect("a connection");
    stream.set_read_timeout(Some(Duration::from_secs(60))).expect("a patience");
    let mut head = format!("{method} {path} HTTP/1.1\r\nconnection: close\r\n");
    if !headers.iter().any(|line| line.starts_with("host:")) {
        head += &format!("host: {address}\r\n");
    }
    if !body.is_empty() {
        head += &format!("content-length: {}\r\n", body.len());
    }
    headers.iter().for_each(|line| head += &format!("{line}\r\n"));
    stream.write_all(format!("{head}\r\n{body}").as_bytes()).expect("it is sent");
    let mut text = String::new();
    stream.read_to_string(&mut text).expect("an answer");
    let (head, body) = text.split_once("\r\n\r\n").expect("a head");
    let status = head.split(' ').nth(1).and_then(|status| status.parse().ok()).expect("a status");
    let lines = head.lines().skip(1).filter_map(|line| line.split_once(": "));
    let headers = lines.map(|(name, value)| (name.to_lowercase(), value.to_owned())).collect();
    Answered { status, headers, body: body.to_owned() }
}
