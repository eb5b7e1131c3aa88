//! Bodies in the form that their receivers read: a chat, a push service and a pager that hold messages to what such services
//! document, and the Prometheus Alertmanager itself (Debian: `prometheus-alertmanager`).

use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};

use serde_json::Value;

use super::fleet::{Fleet, NEW_OFFICER, OFFICER, SIGNING, commissioning, fleet_yaml, webhook};
use super::probe::ask;
use super::process::{signal, until};
use super::receiver::Receiver;

/// A request as it came in.
#[derive(Debug, Clone)]
struct Asked {
    headers: BTreeMap<String, String>,
    body: String,
    status: u16,
}

impl Asked {
    fn json(&self) -> Value {
        serde_json::from_str(&self.body).unwrap_or_default()
    }
}

/// A service that answers with a status and a body, by how often it was asked and what it is asked.
struct Service {
    address: SocketAddr,
    asked: Arc<Mutex<Vec<Asked>>>,
}

type Judge = fn(usize, &BTreeMap<String, String>, &str) -> (u16, &'static str);

impl Service {
    fn start(judge: Judge) -> Service {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let address = listener.local_addr().expect("an address");
        let asked: Arc<Mutex<Vec<Asked>>> = Arc::default();
        let kept = asked.clone();
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let kept = kept.clone();
                std::thread::spawn(move || serve(stream, judge, &kept));
            }
        });
        Service { address, asked }
    }

    fn url(&self) -> String {
        format!("http://{}/hook", self.address)
    }

    fn all(&self) -> Vec<Asked> {
        self.asked.lock().expect("no panic").clone()
    }

    /// What was taken, once there is so much.
    fn taken(&self, count: usize) -> Vec<Asked> {
        let taken = || self.all().into_iter().filter(|asked| asked.status < 300).collect::<Vec<_>>();
        until("messages that are taken", || Some(taken()).filter(|taken| taken.len() >= count))
    }
}

fn serve(mut stream: TcpStream, judge: Judge, kept: &Mutex<Vec<Asked>>) -> Option<()> {
    let mut raw = Vec::new();
    let mut buffer = [0; 4096];
    loop {
        let end = loop {
            if let Some(at) = raw.windows(4).position(|four| four == b"\r\n\r\n") {
                break at;
            }
            let read = stream.read(&mut buffer).ok().filter(|read| *read > 0)?;
            raw.extend_from_slice(&buffer[..read]);
        };
        let head = String::from_utf8_lossy(&raw[..end]).into_owned();
        let lines = head.lines().filter_map(|line| line.split_once(": "));
        let headers: BTreeMap<String, String> =
            lines.map(|(name, value)| (name.to_lowercase(), value.to_owned())).collect();
        let length: usize = headers.get("content-length")?.parse().ok()?;
        while raw.len() < end + 4 + length {
            let read = stream.read(&mut buffer).ok().filter(|read| *read > 0)?;
            raw.extend_from_slice(&buffer[..read]);
        }
        let body = String::from_utf8_lossy(&raw[end + 4..end + 4 + length]).into_owned();
        raw.drain(..end + 4 + length);
        let (status, text) = {
            let mut kept = kept.lock().expect("no panic");
            let (status, text) = judge(kept.len(), &headers, &body);
            kept.push(Asked { headers, body, status });
            (status, text)
        };
        let more = if status == 429 { "retry-after: 1\r\n" } else { "" };
        let answer = format!("HTTP/1.1 {status} X\r\n{more}content-length: {}\r\n\r\n{text}", text.len());
        stream.write_all(answer.as_bytes()).ok()?;
    }
}

/// A chat's incoming webhook: JSON with a text of at most 2,000 characters and nothing else; refusals inside a 200.
fn chat(_nth: usize, _headers: &BTreeMap<String, String>, body: &str) -> (u16, &'static str) {
    let Ok(Value::Object(fields)) = serde_json::from_str(body) else { return (400, "invalid_payload") };
    let text = fields.get("text").and_then(Value::as_str).unwrap_or_default();
    match (fields.len(), text.chars().count()) {
        (1, 1..=2_000) => (200, "{\"ok\":true}"),
        (1, 0) => (200, "{\"ok\":false,\"error\":\"no_text\"}"),
        _ => (400, "invalid_payload"),
    }
}

/// A push service: text of at most 4,096 bytes, a title, a priority from 1 to 5; busy at first.
fn push(nth: usize, headers: &BTreeMap<String, String>, body: &str) -> (u16, &'static str) {
    let is_urgent = headers.get("priority").is_some_and(|priority| ["1", "2", "3", "4", "5"].contains(&&**priority));
    let is_titled = headers.get("title").is_some_and(|title| !title.is_empty());
    let is_known = headers.get("authorization").is_some_and(|value| value == "Bearer push-token-1234");
    match (nth, is_known, is_urgent && is_titled, body.len()) {
        (0, ..) => (429, "slow down"),
        (_, false, ..) => (401, "who are you?"),
        (_, _, false, _) => (400, "no title or priority"),
        (_, _, _, 0..=4_096) => (200, "{}"),
        _ => (413, "too long"),
    }
}

/// A pager's events API v2.
fn pager(_nth: usize, _headers: &BTreeMap<String, String>, body: &str) -> (u16, &'static str) {
    let event: Value = serde_json::from_str(body).unwrap_or_default();
    let text = |pointer: &str| event.pointer(pointer).and_then(Value::as_str).unwrap_or_default();
    let is_good = text("/routing_key") == "R0UTING-KEY-OF-THE-TEST"
        && ["trigger", "resolve"].contains(&text("/event_action"))
        && (1..=255).contains(&text("/dedup_key").len())
        && (1..=1_024).contains(&text("/payload/summary").chars().count())
        && !text("/payload/source").is_empty()
        && ["critical", "error", "warning", "info"].contains(&text("/payload/severity"));
    if is_good { (202, "{\"status\":\"success\"}") } else { (400, "{\"status\":\"invalid event\"}") }
}

#[test]
fn a_chat_a_push_service_and_a_pager_take_what_they_get_and_the_routing_key_is_kept_nowhere() {
    let (chat, push, pager) = (Service::start(chat), Service::start(push), Service::start(pager));
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    fleet.write("config/secrets/push", "Bearer push-token-1234\n");
    fleet.write("config/secrets/duty", "R0UTING-KEY-OF-THE-TEST\n");
    let hooks = format!(
        "  - {{name: chat, url: \"{}\", body: chat, expect: {{pointer: /ok, equals: true}}}}\n  - {{name: push, url: \"{}\", \
         body: text, for: station, headers: {{Authorization: {{secret: \"file:secrets/push\"}}}}}}\n  - {{name: duty, url: \
         \"{}\", body: {{pager: {{routing_key: {{secret: \"file:secrets/duty\"}}}}}}}}\n",
        chat.url(),
        push.url(),
        pager.url()
    );
    fleet.configure(100, &(webhook("on-call") + &hooks));
    let _daemon = fleet.start();
    receiver.wait_for(1);
    let texts = chat.taken(1);
    let text = texts[0].json()["text"].as_str().unwrap_or_default().to_owned();
    assert!(text.contains("SP-01") && text.contains("Key: Gull Rock Ferries/SP-01."), "{text}");
    let pushed = push.taken(1);
    assert!(pushed[0].headers["title"].contains("SP-01"), "{:?}", pushed[0]);
    assert_eq!(push.all()[0].status, 429);
    let event = pager.taken(1)[0].json();
    assert_eq!((&event["event_action"], &event["dedup_key"]), (&"trigger".into(), &"Gull Rock Ferries/SP-01".into()));
    let report = commissioning(fleet.number(), "SP-01", "2020-03-03T09:00:00Z", OFFICER);
    fleet.rename_into("config/reports/SP-01.yaml", &report);
    let event = pager.taken(2)[1].json();
    assert_eq!((&event["event_action"], &event["dedup_key"]), (&"resolve".into(), &"Gull Rock Ferries/SP-01".into()));
    // One edit, five stations: a message each.
    fleet.write("config/inventory/fleet.yaml", &fleet_yaml(NEW_OFFICER));
    let keys: Vec<String> = pager.taken(7)[2..]
        .iter()
        .map(|asked| asked.json()["dedup_key"].as_str().unwrap_or_default().replace("Gull Rock Ferries/", ""))
        .collect();
    assert_eq!(keys.len(), 5);
    assert!(["NP-01", "NP-04", "SP-02"].iter().all(|name| keys.contains(&(*name).to_owned())), "{keys:?}");
    assert!(chat.all().iter().all(|asked| asked.status == 200), "{:?}", chat.all());
    let refused = fleet.run(&["deliveries", "--all", "--format", "json"]).json().to_string();
    assert!(!refused.contains("\"refused\":\"2"), "{refused}");
    for name in ["var/ledger.db", "var/ledger.db-wal"] {
        let kept = std::fs::read(fleet.path(name)).unwrap_or_default();
        assert!(!kept.windows(11).any(|bytes| bytes == b"R0UTING-KEY"), "{name}");
    }
}

/// An Alertmanager that tells nobody.
struct Alertmanager {
    child: Child,
    address: SocketAddr,
    _home: tempfile::TempDir,
}

impl Alertmanager {
    fn start() -> Alertmanager {
        let home = tempfile::tempdir().expect("a folder");
        let port = TcpListener::bind("127.0.0.1:0").and_then(|listener| listener.local_addr()).expect("a port");
        let config = home.path().join("alertmanager.yml");
        std::fs::write(&config, "route: {receiver: nobody}\nreceivers: [{name: nobody}]\n").expect("a configuration");
        let child = Command::new("prometheus-alertmanager")
            .arg(format!("--config.file={}", config.display()))
            .arg(format!("--storage.path={}", home.path().join("data").display()))
            .arg(format!("--web.listen-address={port}"))
            .arg("--cluster.listen-address=")
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("prometheus-alertmanager is missing: install it, as tests/run does");
        let manager = Alertmanager { child, address: port, _home: home };
        until("an Alertmanager", || ask(port, "GET", "/-/ready").filter(|answered| answered.status == 200));
        manager
    }

    /// The alerts that are not over, as its API says.
    fn alerts(&self) -> Vec<Value> {
        let answered = ask(self.address, "GET", "/api/v2/alerts").expect("an answer");
        // Long answers come in chunks, which JSON's own limits tell apart.
        let body = answered.body;
        let (from, to) = (body.find('[').unwrap_or(0), body.rfind(']').map_or(body.len(), |at| at + 1));
        let text: String = body[from..to].lines().filter(|line| line.len() > 8 || line.contains(['[', ']'])).collect();
        serde_json::from_str::<Value>(&text)
            .unwrap_or_else(|error| panic!("{error}: {body}"))
            .as_array()
            .cloned()
            .unwrap_or_default()
    }

    fn of<'a>(alerts: &'a [Value], station: &str) -> Option<&'a Value> {
        alerts.iter().find(|alert| alert["labels"]["station"] == station)
    }
}

impl Drop for Alertmanager {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn an_alertmanager_has_the_alert_until_the_station_is_right_and_hears_of_it_again_at_every_full_pass() {
    let manager = Alertmanager::start();
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let hook = format!("  - {{name: watch, url: \"http://{}/api/v2/alerts\", body: alertmanager}}\n", manager.address);
    fleet.configure(100, &(webhook("on-call") + &hook));
    let daemon = fleet.start();
    let find = || Alertmanager::of(&manager.alerts(), "SP-01").cloned();
    let alert = until("the alert", find);
    assert_eq!(alert["labels"]["alertname"], "StationDrift");
    assert_eq!(alert["labels"]["fleet"], "Gull Rock Ferries");
    assert_eq!(alert["annotations"]["severity"], "error");
    assert!(alert["annotations"]["description"].as_str().is_some_and(|text| text.contains("SP-01")), "{alert}");
    // A full pass tells it again: it ends later.
    signal(daemon.pid(), "HUP");
    let ends = |alert: &Value| alert["endsAt"].as_str().unwrap_or_default().to_owned();
    until("a later end", || find().filter(|again| ends(again) > ends(&alert)));
    assert_eq!(find().map(|again| again["startsAt"].clone()), Some(alert["startsAt"].clone()));
    let report = commissioning(fleet.number(), "SP-01", "2020-03-03T09:00:00Z", OFFICER);
    fleet.rename_into("config/reports/SP-01.yaml", &report);
    until("the end of the alert", || find().is_none().then_some(()));
}
