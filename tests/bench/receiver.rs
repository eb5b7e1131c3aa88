//! A receiver on loopback that costs little: answers every request with 204 and keeps what it got. It checks nothing.

use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::time::SystemTime;

/// A delivery as it came in.
#[derive(Debug, Clone)]
pub struct Got {
    pub id: String,
    pub timestamp_s: i64,
    pub signature: String,
    pub body: String,
    /// When its first byte was there.
    pub at: SystemTime,
}

/// Listens from its start until the process ends.
pub struct Receiver {
    pub address: SocketAddr,
    got: Arc<Mutex<Vec<Got>>>,
}

impl Receiver {
    pub fn start() -> Receiver {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let address = listener.local_addr().expect("an address");
        let got: Arc<Mutex<Vec<Got>>> = Arc::default();
        let kept = got.clone();
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let kept = kept.clone();
                std::thread::spawn(move || serve(stream, &kept));
            }
        });
        Receiver { address, got }
    }

    pub fn url(&self) -> String {
        format!("http://{}/hook", self.address)
    }

    pub fn count(&self) -> usize {
        self.got.lock().expect("no panic").len()
    }

    pub fn got(&self) -> Vec<Got> {
        self.got.lock().expect("no panic").clone()
    }
}

/// Until the connection ends, however it does.
fn serve(mut stream: TcpStream, kept: &Mutex<Vec<Got>>) {
    let _ = stream.set_nodelay(true);
    let mut raw: Vec<u8> = Vec::new();
    let mut buffer = vec![0; 64 << 10];
    let mut first = None;
    loop {
        if let Some((got, length)) = request(&raw, first) {
            raw.drain(..length);
            first = None;
            kept.lock().expect("no panic").push(got);
            if stream.write_all(b"HTTP/1.1 204 No Content\r\n\r\n").is_err() {
                return;
            }
            continue;
        }
        match stream.read(&mut buffer) {
            Ok(0) | Err(_) => return,
            Ok(read) => {
                first = first.or_else(|| Some(SystemTime::now()));
                raw.extend_from_slice(&buffer[..read]);
            }
        }
    }
}

/// A whole request at the beginning of what came, and its length.
fn request(raw: &[u8], first: Option<SystemTime>) -> Option<(Got, usize)> {
    let end = raw.windows(4).position(|four| four == b"\r\n\r\n")? + 4;
    let head = String::from_utf8_lossy(&raw[..end]);
    let header = |name: &str| {
        let lines = head.lines().filter_map(|line| line.split_once(": "));
        lines.filter(|(key, _)| key.eq_ignore_ascii_case(name)).map(|(_, value)| value.to_owned()).next()
    };
    let length = end + header("content-length")?.parse::<usize>().ok()?;
    let body = String::from_utf8_lossy(raw.get(end..length)?).into_owned();
    let got = Got {
        id: header("webhook-id").unwrap_or_default(),
        timestamp_s: header("webhook-timestamp").and_then(|text| text.parse().ok()).unwrap_or(0),
        signature: header("webhook-signature").unwrap_or_default(),
        body,
        at: first?,
    };
    Some((got, length))
}
