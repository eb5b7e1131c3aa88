//! Receivers that are away, busy or hanging: everything arrives, in order, under the same ids, and nobody waits for another.

use super::fleet::{Fleet, NEW_OFFICER, OFFICER, SIGNING, commissioning, fleet_yaml, webhook};
use super::probe::{address, get, metrics};
use super::process::{signal, until};
use super::receiver::{Answer, Receiver};
use super::told::{GONE, REFUSED, all_names, in_order};

#[test]
fn what_a_receiver_missed_while_away_and_busy_comes_in_order_under_the_same_ids() {
    let mut receiver = Receiver::refusing(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    daemon.logs("not delivered");
    fleet.write("config/inventory/fleet.yaml", &fleet_yaml(NEW_OFFICER));
    until("the second message", || (daemon.log().matches("alert queued").count() >= 2).then_some(()));
    let report = commissioning(fleet.number(), "SP-01", "2020-03-03T09:00:00Z", OFFICER);
    fleet.rename_into("config/reports/SP-01.yaml", &report);
    until("the third message", || (daemon.log().matches("alert queued").count() >= 3).then_some(()));
    receiver.answer(Answer::Busy(500));
    receiver.listen();
    let busy = until("two tries", || Some(receiver.requests()).filter(|tries| tries.len() >= 2));
    assert!(busy.iter().all(|got| got.id == busy[0].id && got.body == busy[0].body), "only the first is tried");
    receiver.answer(Answer::Ok);
    let heard = receiver.still(&daemon, 3);
    assert_eq!(heard[0].id, busy[0].id);
    assert_eq!(all_names(&heard[0]), ["opened: SP-01"]);
    assert_eq!(heard[1].data()["counts"]["opened"]["stations"], 5);
    assert_eq!(all_names(&heard[2]), ["closed: SP-01"]);
    in_order(&receiver);
}

#[test]
fn what_was_not_delivered_before_a_stop_comes_after_the_next_start_under_its_id() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    receiver.answer(Answer::Busy(503));
    let daemon = fleet.start();
    let tried = until("a try", || receiver.requests().pop());
    daemon.kill();
    receiver.answer(Answer::Ok);
    let daemon = fleet.start();
    let heard = receiver.still(&daemon, 1);
    assert_eq!((&heard[0].id, &heard[0].body), (&tried.id, &tried.body));
}

#[test]
fn a_receiver_that_hangs_does_not_keep_another_waiting() {
    let receiver = Receiver::start(SIGNING);
    let hanging = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    fleet.write("config/secrets/second", &hanging.url());
    fleet.configure(100, &(webhook("second") + &webhook("on-call")));
    hanging.answer(Answer::Hang);
    let daemon = fleet.start();
    until("a try that hangs", || hanging.requests().pop());
    receiver.wait_for(1);
    fleet.write("config/inventory/fleet.yaml", &fleet_yaml(NEW_OFFICER));
    receiver.wait_for(2);
    assert_eq!((hanging.heard().len(), hanging.requests().len()), (0, 1), "it hangs all the while");
    // The hanging connection ends, and the next try is taken.
    hanging.answer(Answer::Close);
    daemon.logs("not delivered");
    hanging.answer(Answer::Ok);
    let heard = hanging.wait_for(2);
    assert_eq!(all_names(&heard[0]), all_names(&receiver.heard()[0]));
    assert_eq!(all_names(&heard[1]), all_names(&receiver.heard()[1]));
    assert_ne!(heard[0].id, receiver.heard()[0].id, "each webhook has ids of its own");
    in_order(&hanging);
}

#[test]
fn a_receiver_that_is_gone_is_left_alone_and_the_others_hear_of_it_once() {
    let receiver = Receiver::start(SIGNING);
    let gone = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    fleet.write("config/secrets/second", &gone.url());
    fleet.configure(100, &(webhook("second") + &webhook("on-call")));
    gone.answer(Answer::Busy(410));
    let daemon = fleet.start();
    let heard = receiver.wait_for(2);
    let told = heard.iter().find(|got| got.kind() == GONE).expect("the others hear of it");
    assert_eq!(told.data()["webhook"], "second");
    assert_eq!(told.data()["undelivered_from"], gone.requests()[0].id.as_str());
    assert!(!told.body.contains("hush-hush"), "{}", told.body);
    fleet.write("config/inventory/fleet.yaml", &fleet_yaml(NEW_OFFICER));
    receiver.still(&daemon, 3);
    assert_eq!(gone.requests().len(), 1, "nothing more is sent there");
    daemon.kill();
    // After a start it is asked again; when someone listens there again, everything comes, the kept ones first.
    gone.answer(Answer::Ok);
    let daemon = fleet.start();
    let kept = gone.wait_for(2);
    assert_eq!(kept[0].id, gone.requests()[0].id);
    assert_eq!(all_names(&kept[1]), all_names(&receiver.heard()[2]));
    assert_eq!(receiver.still(&daemon, 4)[3].data()["state"], "back");
    in_order(&gone);
}

#[test]
fn where_every_receiver_is_gone_each_full_pass_says_that_nobody_is_told() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    let at = address(&daemon);
    assert_eq!(get(at, "/readyz").json()["alerts_silent"], false);
    receiver.answer(Answer::Busy(410));
    fleet.write("config/inventory/fleet.yaml", &fleet_yaml(NEW_OFFICER));
    until("silence", || (get(at, "/readyz").json()["alerts_silent"] == true).then_some(()));
    assert_eq!(metrics(at)["stationkeep_alerts_silent"], 1.0);
    signal(daemon.pid(), "HUP");
    daemon.logs("no alert is delivered");
}

#[test]
fn a_message_that_its_receiver_will_not_take_blocks_nothing_and_the_others_hear_of_it() {
    let receiver = Receiver::start(SIGNING);
    let picky = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    fleet.write("config/secrets/second", &picky.url());
    fleet.configure(100, &(webhook("second") + &webhook("on-call")));
    picky.answer(Answer::No(400));
    let daemon = fleet.start();
    // Three tries of the message, three of its short form; then it is closed.
    let tries = until("six tries", || Some(picky.requests()).filter(|tries| tries.len() >= 6));
    let ids: Vec<&str> = tries.iter().map(|got| got.id.as_str()).collect();
    assert_eq!(ids[..3], [ids[0]; 3]);
    let short = ids[0].replace("told-", "short-");
    assert_eq!(ids[3..], [short.as_str(); 3]);
    let closed = until("the others hear of it", || {
        let told = receiver.heard().into_iter().filter(|got| got.kind() == REFUSED);
        told.flat_map(|got| got.data()["messages"].as_array().cloned().unwrap_or_default())
            .find(|one| one["short_form"] == false)
    });
    assert_eq!((&closed["webhook"], &closed["message"]), (&"second".into(), &ids[3].into()));
    assert!(closed["said"].as_str().is_some_and(|said| said.contains("400: \"text too long\"")), "{closed}");
    let listed = fleet.run(&["deliveries", "--all", "--webhook", "second"]).ended(0);
    assert!(listed.out.contains("refused by its receiver") && listed.out.contains("text too long"), "{}", listed.out);
    assert!(metrics(address(&daemon))["stationkeep_webhook_refused_total{webhook=\"second\"}"] >= 2.0);
    // What comes next is taken at once.
    picky.answer(Answer::Ok);
    fleet.write("config/inventory/fleet.yaml", &fleet_yaml(NEW_OFFICER));
    let heard = picky.wait_for(1);
    assert_eq!(heard[0].data()["counts"]["opened"]["stations"], 5);
    in_order(&receiver);
}

#[test]
fn a_webhook_can_be_tried_by_hand_and_the_answer_is_printed() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let tried = fleet.run(&["deliveries", "try", "on-call"]).ended(0);
    assert!(tried.out.contains("on-call at http://127.0.0.1:") && tried.out.contains("took it (200)"), "{}", tried.out);
    assert!(tried.out.contains("It said: ok") && !tried.out.contains("hush"), "{}", tried.out);
    let got = receiver.heard().remove(0);
    assert_eq!(got.kind(), "stationkeep.try.v1");
    assert!(got.data()["summary"].as_str().is_some_and(|text| text.starts_with("TEST")), "{}", got.body);
    receiver.answer(Answer::No(422));
    let tried = fleet.run(&["deliveries", "try", "on-call"]).ended(1);
    assert!(tried.err.contains("422: \"text too long\""), "{}", tried.err);
    fleet.run(&["deliveries", "try", "on-cal"]).ended(2);
}
