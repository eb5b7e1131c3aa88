//! An HTTP receiver on loopback: answers as it is told to, remembers what it got, and checks every signature by itself.

use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde_json::Value;
use sha2::{Digest as _, Sha256};

use super::process::{Daemon, until};
use super::witness::Witness;

const LEDGER: &str = "stationkeep.ledger.v1";

/// How a request is answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer {
    Ok,
    /// This status, and a wish to be asked again after a second.
    Busy(u16),
    /// Like `Ok`, but for about every tenth message, which is refused for good; its short form is taken.
    Picky,
    /// This status, with a reason: this message will never be taken.
    No(u16),
    /// Not at all, until another answer is set; then the connection ends.
    Hang,
    /// The end of the connection.
    Close,
}

/// A delivery as it came in.
#[derive(Debug, Clone)]
pub struct Got {
    pub id: String,
    pub event: Value,
    pub body: String,
    /// Whether it was answered with 200.
    pub taken: bool,
}

impl Got {
    pub fn kind(&self) -> &str {
        self.event["type"].as_str().unwrap_or_default()
    }

    pub fn data(&self) -> &Value {
        &self.event["data"]
    }
}

#[derive(Default)]
struct Inner {
    got: Vec<Got>,
    /// What was wrong with requests.
    wrong: Vec<String>,
}

struct Shared {
    inner: Mutex<Inner>,
    answer: Mutex<Answer>,
    stop: AtomicBool,
    key: Vec<u8>,
    witness: Mutex<Option<Witness>>,
}

/// A receiver with an address, which may not be listening yet.
pub struct Receiver {
    address: SocketAddr,
    shared: Arc<Shared>,
    reserved: Option<tokio::net::TcpSocket>,
}

impl Receiver {
    /// A receiver that listens.
    pub fn start(secret: &str) -> Receiver {
        let mut receiver = Receiver::refusing(secret);
        receiver.listen();
        receiver
    }

    /// A receiver whose port is taken and refuses connections until it listens.
    pub fn refusing(secret: &str) -> Receiver {
        let socket = tokio::net::TcpSocket::new_v4().expect("a socket");
        socket.bind("127.0.0.1:0".parse().expect("an address")).expect("a port");
        let address = socket.local_addr().expect("an address");
        let shared = Shared {
            inner: Mutex::default(),
            answer: Mutex::new(Answer::Ok),
            stop: AtomicBool::new(false),
            key: key(secret),
            witness: Mutex::default(),
        };
        Receiver { address, shared: Arc::new(shared), reserved: Some(socket) }
    }

    pub fn listen(&mut self) {
        let socket = self.reserved.take().expect("it does not listen yet");
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        let listener = runtime.block_on(async { socket.listen(64)?.into_std() }).expect("it listens");
        listener.set_nonblocking(false).expect("it blocks");
        let shared = self.shared.clone();
        std::thread::spawn(move || accept(&listener, &shared));
    }

    /// A receiver that listens, and has every delivery checked by the specification's own library, too.
    pub fn witnessed(secret: &str) -> Receiver {
        let receiver = Receiver::start(secret);
        *receiver.shared.witness.lock().expect("no panic") = Some(Witness::start(secret));
        receiver
    }

    /// How many requests the witness found to be right; fails where one was not.
    pub fn witness_saw(&self) -> usize {
        let witness = self.shared.witness.lock().expect("no panic").take();
        witness.expect("a witness").saw()
    }

    pub fn url(&self) -> String {
        format!("http://{}/hook?token=hush-hush", self.address)
    }

    pub fn answer(&self, answer: Answer) {
        *self.shared.answer.lock().expect("no panic") = answer;
    }

    /// Every request so far, in the order in which they came, but for those about the ledger itself.
    pub fn requests(&self) -> Vec<Got> {
        self.all().into_iter().filter(|got| got.kind() != LEDGER).collect()
    }

    /// Those that say that the ledger takes no writes, or takes them again: they come beside all others.
    pub fn about_the_ledger(&self) -> Vec<Got> {
        self.all().into_iter().filter(|got| got.kind() == LEDGER).collect()
    }

    fn all(&self) -> Vec<Got> {
        let inner = self.shared.inner.lock().expect("no panic");
        assert!(inner.wrong.is_empty(), "{:#?}", inner.wrong);
        inner.got.clone()
    }

    /// The deliveries that were taken, repeats under one id left out.
    pub fn heard(&self) -> Vec<Got> {
        let mut heard: Vec<Got> = Vec::new();
        for got in self.requests().into_iter().filter(|got| got.taken) {
            match heard.iter().find(|known| known.id == got.id) {
                Some(known) => assert_eq!(known.body, got.body, "one id, two bodies"),
                None => heard.push(got),
            }
        }
        heard
    }

    /// Waits until so many deliveries were heard.
    pub fn wait_for(&self, count: usize) -> Vec<Got> {
        until(&format!("{count} deliveries, not {}", self.heard().len()), || {
            Some(self.heard()).filter(|heard| heard.len() >= count)
        })
    }

    /// Waits for so many deliveries, then until the daemon has come to rest, and makes sure that no more were heard.
    pub fn still(&self, daemon: &Daemon, count: usize) -> Vec<Got> {
        let heard = self.wait_for(count);
        daemon.comes_to_rest();
        let now = self.heard();
        let surplus: Vec<&str> = now.iter().skip(count).map(|got| got.body.as_str()).collect();
        assert!(surplus.is_empty(), "after {} deliveries came {surplus:#?}", heard.len());
        now
    }
}

impl Drop for Receiver {
    fn drop(&mut self) {
        self.shared.stop.store(true, Ordering::Release);
        // Wakes the one that waits for a connection.
        let _ = TcpStream::connect(self.address);
    }
}

fn accept(listener: &TcpListener, shared: &Arc<Shared>) {
    for stream in listener.incoming() {
        if shared.stop.load(Ordering::Acquire) {
            return;
        }
        let Ok(stream) = stream else { continue };
        let shared = shared.clone();
        std::thread::spawn(move || serve(stream, &shared));
    }
}

/// Answers the requests of one connection until it ends, however it does.
fn serve(mut stream: TcpStream, shared: &Shared) {
    let _ = stream.set_read_timeout(Some(Duration::from_millis(50)));
    let mut raw = Vec::new();
    while let Some((headers, body)) = read(&mut stream, &mut raw, shared) {
        let mut answer = *shared.answer.lock().expect("no panic");
        let got = checked(&headers, &body, &shared.key);
        {
            let mut inner = shared.inner.lock().expect("no panic");
            if let Some(witness) = &mut *shared.witness.lock().expect("no panic") {
                witness.sees(&headers, &body);
            }
            let is_refused = answer == Answer::Picky && got.as_ref().is_ok_and(|got| is_tenth(&got.id));
            answer = if is_refused { Answer::No(400) } else { answer };
            match got {
                Ok(got) => inner.got.push(Got { taken: matches!(answer, Answer::Ok | Answer::Picky), ..got }),
                Err(wrong) => inner.wrong.push(wrong),
            }
        }
        let text = match answer {
            Answer::Ok | Answer::Picky => "HTTP/1.1 200 X\r\ncontent-length: 2\r\n\r\nok".to_owned(),
            Answer::Busy(status) => format!("HTTP/1.1 {status} X\r\nretry-after: 1\r\ncontent-length: 0\r\n\r\n"),
            Answer::No(status) => format!("HTTP/1.1 {status} X\r\ncontent-length: 13\r\n\r\ntext too long"),
            Answer::Hang => {
                while *shared.answer.lock().expect("no panic") == Answer::Hang && !shared.stop.load(Ordering::Acquire) {
                    std::thread::sleep(Duration::from_millis(20));
                }
                return;
            }
            Answer::Close => return,
        };
        if stream.write_all(text.as_bytes()).is_err() {
            return;
        }
    }
}

/// About every tenth message, by its id: always the same ones.
pub fn is_tenth(id: &str) -> bool {
    id.starts_with("told-") && id.bytes().map(u32::from).sum::<u32>() % 10 == 0
}

type Headers = BTreeMap<String, String>;

/// The next request; nothing at the end of the connection.
fn read(stream: &mut TcpStream, raw: &mut Vec<u8>, shared: &Shared) -> Option<(Headers, String)> {
    let mut buffer = [0; 16 << 10];
    loop {
        if let Some(end) = raw.windows(4).position(|four| four == b"\r\n\r\n") {
            let head = String::from_utf8_lossy(&raw[..end]).into_owned();
            let headers: Headers = head
                .lines()
                .filter_map(|line| line.split_once(": "))
                .map(|(name, value)| (name.to_lowercase(), value.to_owned()))
                .collect();
            let length: usize = headers.get("content-length")?.parse().ok()?;
            if raw.len() >= end + 4 + length {
                let body = String::from_utf8_lossy(&raw[end + 4..end + 4 + length]).into_owned();
                raw.drain(..end + 4 + length);
                return Some((headers, body));
            }
        }
        match stream.read(&mut buffer) {
            Ok(0) => return None,
            Ok(n) => raw.extend_from_slice(&buffer[..n]),
            Err(error) => {
                let waits = matches!(error.kind(), std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut);
                if !waits || shared.stop.load(Ordering::Acquire) {
                    return None;
                }
            }
        }
    }
}

/// Everything that holds of each delivery, whatever it tells.
///
/// Sources: Standard Webhooks, "Webhook headers" and "Signature scheme" (signed content `id.timestamp.body`, HMAC-SHA256
/// in base64 after `v1,`, several separated by spaces, timestamps within five minutes, less than 20 kB); CloudEvents 1.0,
/// "Required attributes", and its HTTP binding's `application/cloudevents+json` for the structured mode.
fn checked(headers: &Headers, body: &str, key: &[u8]) -> Result<Got, String> {
    let header = |name: &str| headers.get(name).ok_or(format!("no {name} in {headers:?}"));
    let (id, at, signatures) = (header("webhook-id")?, header("webhook-timestamp")?, header("webhook-signature")?);
    let content = format!("{id}.{at}.{body}");
    let right = format!("v1,{}", STANDARD.encode(hmac(key, content.as_bytes())));
    if !signatures.split(' ').any(|signature| signature == right) {
        return Err(format!("a wrong signature: {signatures} for {content}"));
    }
    let now = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs());
    let at: u64 = at.parse().map_err(|_| format!("no timestamp: {at}"))?;
    if at.abs_diff(now) > 300 {
        return Err(format!("sent at {at}, heard at {now}"));
    }
    if !header("content-type")?.starts_with("application/cloudevents+json") || body.len() > 20_000 {
        return Err(format!("{} bytes of {}", body.len(), header("content-type")?));
    }
    let event: Value = serde_json::from_str(body).map_err(|error| format!("{error} in {body}"))?;
    let has = |name: &str| event[name].as_str().is_some_and(|text| !text.is_empty());
    if event["specversion"] != "1.0" || event["id"] != id.as_str() || !has("source") || !has("type") || !has("time") {
        return Err(format!("no event of CloudEvents 1.0: {body}"));
    }
    Ok(Got { id: id.clone(), event, body: body.to_owned(), taken: false })
}

/// The key in a secret (`whsec_` and base64).
fn key(secret: &str) -> Vec<u8> {
    STANDARD.decode(secret.strip_prefix("whsec_").expect("a secret")).expect("base64")
}

/// RFC 2104 over SHA-256, for keys of at most 64 bytes.
fn hmac(key: &[u8], text: &[u8]) -> Vec<u8> {
    let pad = |with: u8| -> Vec<u8> { (0..64).map(|at| key.get(at).copied().unwrap_or(0) ^ with).collect() };
    let inner = Sha256::digest([pad(0x36), text.to_vec()].concat());
    Sha256::digest([pad(0x5c), inner.to_vec()].concat()).to_vec()
}

#[test]
fn the_receiver_takes_the_published_signature_and_no_other() {
    // The example of the Standard Webhooks specification's repository, as its libraries' tests have it (from memory).
    let key = key("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw");
    let mac = hmac(&key, b"msg_p5jXN8AQM9LWM0D4loKWxJek.1614265330.{\"test\": 2432232314}");
    assert_eq!(STANDARD.encode(mac), "g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=");
}
