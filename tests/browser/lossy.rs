//! A network that loses answers: what is sent arrives, and the first answers to some requests never come back.

use std::collections::BTreeSet;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::{Arc, Mutex};

#[derive(Default)]
struct Told {
    seen: usize,
    lost: usize,
    ids: BTreeSet<String>,
}

pub struct Lossy {
    pub address: SocketAddr,
    told: Arc<Mutex<Told>>,
}

impl Lossy {
    /// Loses the answers to the first `most` requests that begin so.
    pub fn start(to: SocketAddr, begins: &'static str, most: usize) -> Lossy {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let address = listener.local_addr().expect("an address");
        let told = Arc::new(Mutex::new(Told::default()));
        let kept = told.clone();
        std::thread::spawn(move || {
            for stream in listener.incoming().map_while(Result::ok) {
                let told = kept.clone();
                std::thread::spawn(move || pass(stream, to, begins, most, &told));
            }
        });
        Lossy { address, told }
    }

    pub fn lost(&self) -> usize {
        self.told.lock().expect("a lock").lost
    }

    pub fn seen(&self) -> usize {
        self.told.lock().expect("a lock").seen
    }

    pub fn ids(&self) -> BTreeSet<String> {
        self.told.lock().expect("a lock").ids.clone()
    }
}

/// One request, whole, and its answer, on a connection of its own.
fn pass(mut from: TcpStream, to: SocketAddr, begins: &str, most: usize, told: &Mutex<Told>) -> Option<()> {
    let mut request = Vec::new();
    let mut part = [0; 4096];
    let end = loop {
        let read = from.read(&mut part).ok().filter(|read| *read > 0)?;
        request.extend_from_slice(&part[..read]);
        if let Some(end) = request.windows(4).position(|four| four == b"\r\n\r\n") {
            break end + 4;
        }
    };
    let head = String::from_utf8_lossy(&request[..end]).into_owned();
    let length = head.lines().find_map(|line| line.to_lowercase().strip_prefix("content-length: ")?.parse().ok());
    while request.len() < end + length.unwrap_or(0) {
        let read = from.read(&mut part).ok().filter(|read| *read > 0)?;
        request.extend_from_slice(&part[..read]);
    }
    let mut server = TcpStream::connect(to).ok()?;
    let (first, rest) = head.split_once("\r\n")?;
    let rest: String = rest
        .split("\r\n")
        .filter(|line| !line.to_lowercase().starts_with("connection:"))
        .fold(String::new(), |all, line| if line.is_empty() { all } else { all + line + "\r\n" });
    server.write_all(format!("{first}\r\n{rest}connection: close\r\n\r\n").as_bytes()).ok()?;
    server.write_all(&request[end..]).ok()?;
    let mut answer = Vec::new();
    server.read_to_end(&mut answer).ok()?;
    if head.starts_with(begins) {
        let mut told = told.lock().expect("a lock");
        told.seen += 1;
        let body = String::from_utf8_lossy(&request[end..]).into_owned();
        let id = body.split_once("\"id\":\"").and_then(|(_, rest)| rest.split_once('"')).map(|(id, _)| id.to_owned());
        told.ids.extend(id);
        if told.lost < most {
            told.lost += 1;
            return None;
        }
    }
    from.write_all(&answer).ok()
}
