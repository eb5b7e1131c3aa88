//! How long a probe waits for health beside idle connections, and beside none.

use std::fs;
use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::time::Instant;

use crate::latency::{Daemon, prepare, until};
use crate::receiver::Receiver;

/// So many stations, of which the time does not depend.
const STATIONS: usize = 1_000;
const PROBES: usize = 50;

/// Prints the times of probes without and with so many connections.
pub fn measure(place: &Path, connections: usize) {
    let folder = place.join(format!("bench-fleet-{STATIONS}"));
    let receiver = Receiver::start();
    prepare(&folder, STATIONS);
    let _daemon = Daemon::start(&folder, &receiver);
    let mut at: Option<SocketAddr> = None;
    until("an address", || {
        let log = fs::read_to_string(folder.join("var/log")).unwrap_or_default();
        let found =
            log.split_once("listening address=").and_then(|(_, rest)| rest.split_whitespace().next()?.parse().ok());
        at = found;
        at.is_some()
    });
    let at = at.expect("an address");
    until("health", || probe(at).is_some());
    print("no other connection", at);
    let idle: Vec<TcpStream> = (0..connections).filter_map(|_| TcpStream::connect(at).ok()).collect();
    print(&format!("{} idle connections", idle.len()), at);
}

fn print(what: &str, at: SocketAddr) {
    let mut times: Vec<f64> = (0..PROBES).filter_map(|_| probe(at)).collect();
    times.sort_by(f64::total_cmp);
    let most = times.last().copied().unwrap_or(f64::NAN);
    println!(
        "{what}: {} of {PROBES} probes answered, median {:.1} ms, {most:.1} ms at most",
        times.len(),
        times[times.len() / 2]
    );
}

/// Milliseconds until it is healthy; nothing where it does not say so.
fn probe(at: SocketAddr) -> Option<f64> {
    let began = Instant::now();
    let mut stream = TcpStream::connect(at).ok()?;
    stream.write_all(b"GET /healthz HTTP/1.1\r\nhost: 127.0.0.1\r\nconnection: close\r\n\r\n").ok()?;
    let mut text = String::new();
    stream.read_to_string(&mut text).ok()?;
    text.starts_with("HTTP/1.1 200").then(|| began.elapsed().as_secs_f64() * 1e3)
}
