//! How many signed messages a second one webhook's pump delivers to a receiver on loopback, in order, each recorded
//! before the next is sent; and how many come twice when the process is killed. Order, signatures and completeness are
//! asserted, times are not.

use std::fs::File;
use std::io::{Read as _, Seek as _, Write as _};
use std::net::TcpStream;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::time::{Duration, Instant};

use jiff::Timestamp;
use stationkeep::store::{NewMessage, PassWrites, Store};
use stationkeep::webhook::{Limits, Pump, PumpState, Secret, Sender, Target, signature};
use tokio::sync::Notify;
use tokio_util::sync::CancellationToken;

use crate::receiver::{Got, Receiver};

const SECRET: &str = "whsec_c3RhdGlvbmtlZXAtdGVzdHMtZGFlbW9uLW9uZQ==";
const WEBHOOK: &str = "on-call";

/// About the length of a message about one station.
const BODY_BYTES: usize = 1_500;

/// A file as long as a write-ahead log grows, written over from the beginning when it is full.
const LOG_BYTES: u64 = 4 << 20;

/// Prints the rates, and bare requests beside them, in the same run and on the same disk.
pub async fn measure(folder: &Path, messages: usize, kills: usize) {
    let (bare, waiting) = (bare(messages, None), bare(messages / 4, Some(folder)));
    println!("{bare:>7.0} a second   bare requests of {BODY_BYTES} bytes over one connection");
    println!("{waiting:>7.0} a second   the same, each with 4 kB written to the disk and waited for before the next");
    let ours = delivered(folder, messages).await;
    println!("{ours:>7.0} a second   signed deliveries in order, each recorded before the next");
    println!(
        "{:>7.2}            of bare requests; {:.2} times those that wait for the disk",
        ours / bare,
        ours / waiting
    );
    killed(folder, messages, kills).await;
}

/// Bare requests a second; with a folder each is followed by a durable write there.
fn bare(count: usize, folder: Option<&Path>) -> f64 {
    let receiver = Receiver::start();
    let mut stream = TcpStream::connect(receiver.address).expect("a connection");
    stream.set_nodelay(true).expect("an option");
    let mut file = folder.map(|folder| {
        let mut file = File::create(folder.join("bare")).expect("a file");
        file.write_all(&vec![0; LOG_BYTES as usize]).expect("written");
        file.sync_all().expect("on the disk");
        file
    });
    let body = "x".repeat(BODY_BYTES);
    let request = format!(
        "POST /hook HTTP/1.1\r\nhost: x\r\nwebhook-id: x\r\nwebhook-timestamp: 0\r\nwebhook-signature: x\r\n\
         content-length: {BODY_BYTES}\r\n\r\n{body}"
    );
    let mut answer = [0; 512];
    let started = Instant::now();
    for _ in 0..count {
        stream.write_all(request.as_bytes()).expect("sent");
        assert!(stream.read(&mut answer).expect("answered") > 0);
        if let Some(file) = &mut file {
            if file.stream_position().expect("a place") >= LOG_BYTES {
                file.rewind().expect("the beginning");
            }
            file.write_all(&[7; 4096]).expect("written");
            file.sync_data().expect("on the disk");
        }
    }
    count as f64 / started.elapsed().as_secs_f64()
}

fn id(nth: usize) -> String {
    format!("told-{nth:06}")
}

async fn filled(database: &str, messages: usize) -> Store {
    let store = Store::open(database).await.expect("an open store");
    let message = |nth: usize| NewMessage {
        id: id(nth),
        webhook: WEBHOOK.to_owned(),
        content_type: "application/cloudevents+json; charset=UTF-8".to_owned(),
        body: format!("{{\"nth\":{nth:06},\"text\":\"{}\"}}", "x".repeat(BODY_BYTES - 25)),
        created_ms: now_ms(),
        ..NewMessage::default()
    };
    let decision = PassWrites { messages: (0..messages).map(message).collect(), ..PassWrites::default() };
    let turn = store.turn().await.expect("turn");
    store.commit_pass(&decision, turn).await.expect("written");
    store
}

fn now_ms() -> i64 {
    Timestamp::now().as_millisecond()
}

fn half() -> f64 {
    0.5
}

/// Delivers everything that waits, and stops.
pub async fn pump(database: &str, url: &str) {
    let store = Store::open(database).await.expect("an open store");
    drain(store.clone(), url).await;
    store.close().await;
}

async fn drain(store: Store, url: &str) {
    let sender = Arc::new(Sender::new(Limits::default()).expect("a sender"));
    let secrets = vec![Secret::parse(SECRET).expect("a secret")];
    let target = Target::plain(WEBHOOK, url, secrets);
    let pump = Pump::new(store, sender, target, now_ms, half);
    let mut status = pump.status();
    let cancel = CancellationToken::new();
    let task = tokio::spawn(pump.run(Arc::new(Notify::new()), cancel.clone()));
    let done = status.wait_for(|s| s.state == PumpState::Idle && s.last_delivered_ms.is_some());
    tokio::time::timeout(Duration::from_secs(600), done).await.expect("in time").expect("a pump");
    cancel.cancel();
    task.await.expect("no panic");
}

/// Deliveries a second.
async fn delivered(folder: &Path, messages: usize) -> f64 {
    let receiver = Receiver::start();
    let store = filled(&format!("sqlite:{}", folder.join("a.db").display()), messages).await;
    let started = Instant::now();
    drain(store.clone(), &receiver.url()).await;
    let took = started.elapsed();
    let got = receiver.got();
    check(&got);
    assert_eq!(got.len(), messages, "each once");
    assert!(got.iter().enumerate().all(|(nth, got)| got.id == id(nth)), "in order");
    assert!(store.deliveries_of(Some(WEBHOOK), false, 1).await.expect("a list").is_empty());
    store.close().await;
    messages as f64 / took.as_secs_f64()
}

/// Every signature holds, and every id has one body.
fn check(got: &[Got]) {
    let secrets = [Secret::parse(SECRET).expect("a secret")];
    for got in got {
        let right = signature(&secrets, &got.id, got.timestamp_s, &got.body).expect("an id");
        assert_eq!(got.signature, right);
        assert!(got.body.contains(&format!("\"nth\":{}", &got.id["told-".len()..])), "{} has another body", got.id);
    }
}

/// Kills a process that delivers, again and again, and says what came twice.
async fn killed(folder: &Path, messages: usize, kills: usize) {
    let receiver = Receiver::start();
    let database = format!("sqlite:{}", folder.join("b.db").display());
    filled(&database, messages).await.close().await;
    let (mut ended, mut most, mut early) = (0, 0, 0);
    while ended < kills {
        let before = receiver.got().len();
        let mut child = Command::new(std::env::current_exe().expect("this program"))
            .args(["pump", &database, &receiver.url()])
            .spawn()
            .expect("a child");
        let begun = Instant::now();
        while receiver.got().len() == before && begun.elapsed() < Duration::from_secs(10) {
            tokio::time::sleep(Duration::from_micros(200)).await;
        }
        // Up to 40 ms into the deliveries, by chance.
        let chance = u64::from(uuid::Uuid::new_v4().as_fields().0 % 40_000);
        tokio::time::sleep(Duration::from_micros(chance)).await;
        early += usize::from(child.try_wait().expect("a child").is_some());
        let _ = child.kill();
        child.wait().expect("its end");
        let got = receiver.got();
        let repeats = got[before..].iter().filter(|new| got[..before].iter().rev().any(|old| old.id == new.id)).count();
        most = most.max(repeats);
        ended += 1;
    }
    pump(&database, &receiver.url()).await;
    let got = receiver.got();
    check(&got);
    let mut firsts: Vec<&str> = Vec::new();
    for got in &got {
        match firsts.last() {
            Some(last) if *last >= got.id.as_str() => {}
            _ => firsts.push(&got.id),
        }
    }
    assert!(firsts.iter().enumerate().all(|(nth, first)| *first == id(nth)), "in order");
    assert_eq!(firsts.len(), messages, "none is missing");
    let repeats = got.len() - messages;
    println!(
        "{kills} times kill -9 ({early} found it done): {repeats} deliveries repeated, {most} after one kill at most; none lost, none overtaken"
    );
}
