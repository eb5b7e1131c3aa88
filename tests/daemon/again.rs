//! Deliveries in the hands of people: what waits is listed, what was delivered is sent again under its id, and a webhook
//! stopped by its receiver is told of to the others, and started again by command.

use std::time::Duration;

use super::fleet::{Fleet, NEW_OFFICER, OFFICER, SIGNING, fleet_yaml, webhook};
use super::process::until;
use super::receiver::{Answer, Receiver};
use super::told::GONE;

const FLEET: &str = "config/inventory/fleet.yaml";

#[test]
fn a_message_delivered_before_comes_again_under_its_id_with_its_body_while_the_daemon_runs() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    let first = receiver.wait_for(1).remove(0);
    let nothing = fleet.run(&["deliveries"]).ended(0);
    assert_eq!(nothing.out, "0 undelivered.\n");
    let all = until("the delivery on record", || {
        let all = fleet.run(&["deliveries", "--all", "--format", "json"]).ended(0).json();
        all["deliveries"][0]["delivered"].is_string().then_some(all)
    });
    let listed = &all["deliveries"][0];
    assert_eq!((&listed["id"], &listed["webhook"]), (&first.id.as_str().into(), &"on-call".into()));
    assert_eq!((&listed["kind"], &listed["next_try"]), (&first.kind().into(), &serde_json::Value::Null));
    let said = fleet.run(&["deliveries", "again", &first.id]).ended(0);
    assert!(said.out.contains("on-call"), "{said:?}");
    let again = until("the same again", || receiver.requests().into_iter().nth(1));
    assert_eq!((&again.id, &again.body), (&first.id, &first.body));
    daemon.comes_to_rest();
    assert_eq!(receiver.requests().len(), 2, "it comes once more, and no more often");
    let unknown = fleet.run(&["deliveries", "again", "told-0"]).ended(2);
    assert!(unknown.err.contains("deliveries --all"), "{unknown:?}");
}

#[test]
fn what_waits_is_listed_with_its_error_and_sent_at_once_when_asked() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    receiver.answer(Answer::Busy(500));
    let daemon = fleet.start();
    // After some tries the next one is far away.
    until("three tries", || Some(daemon.log().matches("not delivered").count()).filter(|tries| *tries >= 3));
    let listed = fleet.run(&["deliveries", "--format", "json"]).ended(0).json();
    let one = &listed["deliveries"][0];
    assert!(one["tries"].as_u64() >= Some(3), "{listed}");
    assert_eq!(
        (&one["last_error"], &one["delivered"]),
        (&"the receiver answered 500".into(), &serde_json::Value::Null)
    );
    for member in ["since", "last_try", "next_try"] {
        assert!(one[member].as_str().is_some_and(|at| at.parse::<jiff::Timestamp>().is_ok()), "{listed}");
    }
    let text = fleet.run(&["deliveries"]).ended(0).out;
    assert!(text.contains("the receiver answered 500") && text.ends_with("1 undelivered.\n"), "{text}");
    receiver.answer(Answer::Ok);
    let id = one["id"].as_str().expect("an id");
    fleet.run(&["deliveries", "again", id]).ended(0);
    assert_eq!(receiver.wait_for(1)[0].id, id);
}

#[test]
fn a_webhook_that_answers_410_stops_the_others_hear_of_it_and_it_starts_again_by_command() {
    let receiver = Receiver::start(SIGNING);
    let gone = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    fleet.write("config/secrets/second", &gone.url());
    fleet.configure(100, &(webhook("on-call") + &webhook("second")));
    let daemon = fleet.start();
    gone.wait_for(1);
    receiver.wait_for(1);
    gone.answer(Answer::Busy(410));
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    let heard = receiver.wait_for(3);
    let told = heard.iter().find(|got| got.kind() == GONE).expect("the others hear of it");
    assert_eq!((told.kind(), &told.data()["state"], &told.data()["webhook"]), (GONE, &"gone".into(), &"second".into()));
    let fix = told.data()["fix"].as_str().expect("what to do");
    assert!(fix.contains("stationkeep deliveries start second."), "{fix}");
    // It is left alone, and told nothing of itself.
    let tried = gone.requests().len();
    fleet.rename_into(FLEET, &fleet_yaml(OFFICER));
    receiver.wait_for(4);
    daemon.comes_to_rest();
    assert_eq!(gone.requests().len(), tried);
    let listed = fleet.run(&["deliveries", "--webhook", "second", "--format", "json"]).ended(0).json();
    assert_eq!((&listed["undelivered"], &listed["stopped"][0]["webhook"]), (&2.into(), &"second".into()));
    // A restart tries once more, hears the same, and tells nobody again.
    assert_eq!(daemon.stop("TERM"), Some(0));
    let daemon = fleet.start();
    until("one more try", || (gone.requests().len() > tried).then_some(()));
    receiver.still(&daemon, 4);
    // Nor does a try by command while it still wants no more.
    let tried = gone.requests().len();
    fleet.run(&["deliveries", "start", "second"]).ended(0);
    until("a try at once", || (gone.requests().len() > tried).then_some(()));
    receiver.still(&daemon, 4);
    // Once it is right again it is started without a restart, and gets everything in order.
    gone.answer(Answer::Ok);
    let wrong = fleet.run(&["deliveries", "start", "secnd"]).ended(2);
    assert!(wrong.err.contains("If you mean \"second\", write that."), "{wrong:?}");
    fleet.run(&["deliveries", "start", "second"]).ended(0);
    let heard = gone.still(&daemon, 3);
    assert_eq!(heard[1].data()["counts"]["opened"]["stations"], 5);
    assert_eq!(heard[2].data()["counts"]["closed"]["stations"], 5);
    let over = receiver.wait_for(5).remove(4);
    assert_eq!((over.kind(), &over.data()["state"]), (GONE, &"back".into()));
    receiver.still(&daemon, 5);
    fleet.run(&["deliveries", "start", "second"]).ended(2);
    drop(daemon);
}

#[test]
fn a_webhook_that_delivers_nothing_for_long_is_told_of_to_the_others_and_so_is_its_end() {
    const SILENT: &str = "stationkeep.webhook.silent.v1";
    let receiver = Receiver::start(SIGNING);
    let dumb = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    fleet.write("config/secrets/second", &dumb.url());
    fleet.configure(100, &(webhook("on-call") + &webhook("second")));
    dumb.answer(Answer::Busy(500));
    let _daemon = fleet.start();
    receiver.wait_for(1);
    // A quarter of an hour goes by.
    assert_eq!(fleet.in_ledger("UPDATE outbox SET created_ms = created_ms - 900000 WHERE webhook = 'second'"), 1);
    fleet.rename_into(FLEET, &fleet_yaml(NEW_OFFICER));
    let heard = receiver.wait_for(3);
    let told: Vec<_> = heard.iter().filter(|got| got.kind() == SILENT).collect();
    assert_eq!(told.len(), 1);
    let data = told[0].data();
    assert_eq!((&data["state"], &data["webhook"], &data["waiting"]), (&"silent".into(), &"second".into(), &1.into()));
    assert!(data["fix"].as_str().is_some_and(|fix| fix.ends_with("stationkeep deliveries --webhook second")), "{data}");
    dumb.answer(Answer::Ok);
    let listed = fleet.run(&["deliveries", "--webhook", "second", "--format", "json"]).ended(0).json();
    fleet.run(&["deliveries", "again", listed["deliveries"][0]["id"].as_str().expect("an id")]).ended(0);
    let heard = dumb.wait_for(2);
    assert!(heard.iter().all(|got| got.kind() != SILENT), "it is told nothing of itself");
    fleet.rename_into(FLEET, &fleet_yaml(OFFICER));
    let heard = receiver.wait_for(5);
    let told: Vec<_> = heard.iter().filter(|got| got.kind() == SILENT).collect();
    assert_eq!((told.len(), &told[1].data()["state"]), (2, &"over".into()));
}

#[test]
fn a_heartbeat_whose_receiver_wants_no_more_is_told_of_to_the_others() {
    let receiver = Receiver::start(SIGNING);
    let beats = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    beats.answer(Answer::Busy(410));
    fleet.write("config/secrets/pulse", &beats.url());
    let pulse = webhook("pulse").replace("name: pulse,", "name: pulse, kind: heartbeat, every_seconds: 5,");
    fleet.configure(100, &(webhook("on-call") + &pulse));
    let daemon = fleet.start();
    let told = receiver.wait_for(2).remove(1);
    assert_eq!((told.kind(), &told.data()["webhook"]), (GONE, &"pulse".into()));
    // Beats are 5 s apart.
    std::thread::sleep(Duration::from_secs(6));
    assert_eq!(beats.requests().len(), 1);
    beats.answer(Answer::Ok);
    fleet.run(&["deliveries", "start", "pulse"]).ended(0);
    beats.wait_for(1);
    assert_eq!(receiver.wait_for(3)[2].data()["state"], "back");
    // A heartbeat is told of no drift.
    assert!(beats.heard().iter().all(|got| got.kind() == "stationkeep.heartbeat.v1"), "{}", daemon.log());
}
