//! Over HTTPS, as real receivers are reached: who is trusted is what the machine's certificates say. The receiver's TLS
//! is OpenSSL's, its certificate one of an authority made for the test (`receiver.py` beside this file).

use std::path::Path;
use std::process::Command;

use stationkeep::webhook::{Limits, Message, Secret, Sender, Target};

use crate::reference::{Reference, now_s};
use crate::sending::{SECRET, delivered};

/// Tells this test binary where to send to, as a process of its own: the certificates of a process are read once.
const ADDRESS: &str = "STATIONKEEP_TEST_HTTPS";

/// What a process that trusts this authority alone says of its try.
fn tried(url: &str, authority: &Path) -> String {
    let done = Command::new(std::env::current_exe().expect("this binary"))
        .args(["--exact", "secure::a_child_sends_over_https", "--nocapture"])
        .env(ADDRESS, url)
        .env("SSL_CERT_FILE", authority)
        .env_remove("SSL_CERT_DIR")
        .output()
        .expect("a child");
    let text = String::from_utf8_lossy(&done.stdout).into_owned();
    assert!(done.status.success(), "{text}");
    let line = text.lines().find_map(|line| line.split_once("tried: "));
    line.unwrap_or_else(|| panic!("{text}")).1.to_owned()
}

/// Not a test by itself: what the child does.
#[tokio::test]
async fn a_child_sends_over_https() {
    let Ok(url) = std::env::var(ADDRESS) else {
        return;
    };
    let sender = Sender::new(Limits::default()).expect("a sender");
    let message = Message {
        id: "drift-0001",
        timestamp_s: now_s(),
        content_type: "application/cloudevents+json; charset=UTF-8",
        headers: None,
        body: "{}",
    };
    let attempt =
        sender.send(&Target::plain("on-call", &url, vec![Secret::parse(SECRET).expect("a secret")]), &message).await;
    println!("tried: {attempt:?}");
}

#[test]
fn over_https_a_message_arrives_where_the_certificate_is_trusted_and_nowhere_else() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = |name: &str| folder.path().join(name);
    let start = |name: &str, more: &[&str]| {
        let authority = file(name);
        let authority = authority.to_str().expect("a path");
        Reference::start(&[&["--authority", authority], more].concat())
    };
    let good = start("good.pem", &[]);
    let stale = start("stale.pem", &["--stale"]);
    let other = start("other.pem", &["--name", "hooks.example.org"]);
    let taken = format!("{:?}", delivered(204));
    assert_eq!(tried(&good.url, &file("good.pem")), taken);
    for (url, authority, why) in [
        (&good.url, "other.pem", "UnknownIssuer"),
        (&stale.url, "stale.pem", "expired"),
        (&other.url, "other.pem", "not valid for name"),
    ] {
        let tried = tried(url, &file(authority));
        assert!(tried.starts_with("Unreachable") && tried.contains(why), "{tried}");
    }
    let came = |reference: &Reference| reference.lines().len();
    assert_eq!((came(&good), came(&stale), came(&other)), (1, 0, 0));
    assert_eq!(good.lines()[0]["verified"], true);
}
