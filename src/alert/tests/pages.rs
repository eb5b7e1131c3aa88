//! The address of the daemon's pages, while another program holds it.

use super::super::topic::pages::Listening;
use super::fixture::*;
use super::*;
use crate::setting::Weight;

const NOTHING: [&str; 0] = [];

fn watch() -> Watch {
    let mut watch = Watch::new();
    watch.terms.webhooks = vec![webhook("on-call", &Weight::ALL)];
    watch
}

/// The pages of a machine, where another program has their port.
fn taken(watch: &mut Watch, host: &str, port: u16) {
    listens(watch, host, port);
    let unreachable = Unreachable { since: watch.clock, because: "another program listens there".into() };
    watch.pages.as_mut().unwrap().unreachable = Some(unreachable);
}

fn listens(watch: &mut Watch, host: &str, port: u16) {
    let address = format!("127.0.0.1:{port}").into();
    watch.pages = Some(Pages { host: host.into(), address, unreachable: None });
}

#[test]
fn a_taken_port_is_told_once_is_reminded_of_and_told_as_over() {
    let mut watch = watch();
    listens(&mut watch, "quay", 8470);
    assert_eq!(watch.heard(), NOTHING);
    taken(&mut watch, "quay", 8470);
    let message = watch.pass().messages.remove(0);
    let event = event(&message.body);
    assert_eq!(event["type"], "stationkeep.pages.v1");
    let summary = "No card opens and no report arrives at quay 127.0.0.1:8470: another program listens there. Stations are \
        watched and alerts are sent all the same.";
    assert_eq!((&event["data"]["summary"], &event["data"]["severity"]), (&summary.into(), &"warning".into()));
    assert!(event["data"]["fix"].as_str().unwrap().contains("\"listen\" in the configuration"));
    let since = event["data"]["since"].clone();
    // The daemon is started again, and finds the port taken still.
    watch.minutes(1);
    taken(&mut watch, "quay", 8470);
    assert_eq!(watch.heard(), NOTHING);
    watch.minutes(1_440);
    let reminder = watch.pass().messages.remove(0);
    assert_eq!(data(&reminder.body)["since"], since);
    listens(&mut watch, "quay", 8470);
    let over = watch.pass().messages.remove(0);
    assert_eq!((&data(&over.body)["state"], &data(&over.body)["key"]), (&"reachable".into(), &event["data"]["key"]));
    assert_eq!(watch.cases.names::<Listening>().count(), 0);
}

#[test]
fn another_address_ends_it_and_another_machine_does_not() {
    let mut watch = watch();
    taken(&mut watch, "quay", 8470);
    assert_eq!(watch.heard(), ["on-call unreachable"]);
    for other in ["pier", "qua", "quay-2"] {
        listens(&mut watch, other, 8470);
        assert_eq!(watch.heard(), NOTHING, "{other} has a daemon on the same ledger");
    }
    listens(&mut watch, "quay", 8471);
    assert_eq!(watch.heard(), ["on-call reachable"]);
}
