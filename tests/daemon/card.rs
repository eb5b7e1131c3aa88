//! The link to a card in an alert: it opens the card of the running daemon, and what was opened can be reported on.

use super::fleet::{CODE, Fleet, NEW_OFFICER, SIGNING, configuration, fleet_yaml, webhook};
use super::probe::{Answered, address, get};
use super::receiver::Receiver;

/// The path of a link, for the port that was free when the daemon started.
fn path(link: &str) -> String {
    link.strip_prefix("http://127.0.0.1:1").expect("the address of the configuration").to_owned()
}

/// The report of a card, filled in: all accepted, help reached.
fn filled(card: &Answered) -> String {
    let (_, rest) = card.body.split_once("<pre>").expect("a draft");
    let (draft, _) = rest.split_once("</pre>").expect("its end");
    let now = format!("at: {:.0}", jiff::Timestamp::now());
    let report = draft.replace("at: null", &now).replace("by: null", "by: tech-03");
    report.replace("heard: null", "heard: accepted").replace("outcome: null", "outcome: reached")
}

#[test]
fn the_link_in_an_alert_opens_the_card_and_its_report_overtakes_it() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let config = configuration(100, &webhook("on-call"));
    fleet
        .rename_into("config/stationkeep.yaml", &config.replace("webhooks:", "address: http://127.0.0.1:1\nwebhooks:"));
    let daemon = fleet.start();
    receiver.wait_for(1);
    fleet.rename_into("config/inventory/fleet.yaml", &fleet_yaml(NEW_OFFICER));
    let heard = receiver.wait_for(2);
    let data = heard[1].data();
    let opened = data["opened"].as_array().expect("a list");
    assert!(opened.len() > 1, "{data}");
    for entry in opened {
        let station = entry["station"].as_str().expect("a name");
        let link = entry["card"].as_str().unwrap_or_else(|| panic!("no link: {entry}"));
        let card = get(address(&daemon), &path(link));
        assert_eq!(card.status, 200, "{card:?}");
        assert!(card.body.contains(&format!("<h1>{station}</h1>")) && card.body.contains(&CODE[..4]), "{card:?}");
    }
    // No secret, and nothing that opens more than it says: the link alone is told.
    assert!(!data.to_string().contains(CODE) && !data.to_string().contains("sig="), "{data}");
    assert!(
        data["summary"].as_str().is_some_and(|text| text.contains("Each station to key that is listed has the link")),
        "{data}"
    );
    // What was opened is on record: a report can name it.
    let link = opened[0]["card"].as_str().expect("a link");
    let report = filled(&get(address(&daemon), &path(link)));
    fleet.write("report.yaml", &report);
    fleet.run(&["report", "report.yaml"]).ended(0);
    let after = get(address(&daemon), &format!("{}&sig=nothing", path(link)));
    assert_eq!(after.status, 410, "{after:?}");
    assert!(after.body.contains("by tech-03"), "{after:?}");
    // A report dropped this very moment is waited for: the keys of its card would be keyed twice.
    let link = opened[1]["card"].as_str().expect("a link");
    let report = filled(&get(address(&daemon), &path(link)));
    fleet.rename_into("config/reports/dropped.yaml", &report);
    assert_eq!(get(address(&daemon), &path(link)).status, 410);
    assert!(!daemon.log().contains("sig=") && !daemon.log().contains(CODE), "no address is logged");
}
