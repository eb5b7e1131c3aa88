//! What is told of a change under the brake: each turn of it once, to every webhook, also where no station has news.

use super::super::topic::change::HeldChange;
use super::fixture::{DIGEST, Watch, aligned, data, differs, held, lifeline, station, webhook};
use super::{Cases, ScriptToCallBack};
use crate::brake::Held;
use crate::ledger::{Decision, Release, Said};
use crate::setting::Weight;

fn release(watch: &mut Watch, change: &str) {
    let id = uuid::Uuid::from_u128(watch.seq as u128);
    let said = Said { id, at: watch.clock, by: "ops-2".into(), why: Some("the room moved".into()) };
    watch.say(Decision::Release(Release { said, change: change.parse().unwrap(), stations: [].into() }));
}

/// What each webhook is told of the hold: `webhook news`.
fn news(watch: &mut Watch) -> Vec<String> {
    let verdict = watch.pass();
    let one =
        |(webhook, body): (&str, &str)| format!("{webhook} {}", data(body)["hold"]["news"].as_str().unwrap_or("-"));
    verdict.messages.iter().map(|message| one((&message.webhook, &message.body))).collect()
}

const ONE: &str = "0123456789abcdef";
const OTHER: &str = "fedcba9876543210";

#[test]
fn every_turn_of_a_hold_is_told_once_to_every_webhook_though_no_station_has_news() {
    let mut watch = Watch::new();
    watch.terms.webhooks = vec![webhook("a", &Weight::ALL), webhook("b", &[Weight::Routine])];
    assert_eq!(news(&mut watch), [""; 0]);
    watch.held = Some(held(ONE));
    assert_eq!(news(&mut watch), ["a held", "b held"]);
    assert_eq!(news(&mut watch), [""; 0]);
    watch.held = Some(held(OTHER));
    assert_eq!(news(&mut watch), ["a changed", "b changed"]);
    assert_eq!(watch.next_reminder(), Some(watch.clock + jiff::SignedDuration::from_hours(1)));
    watch.minutes(59);
    assert_eq!(news(&mut watch), [""; 0]);
    watch.minutes(1);
    assert_eq!(news(&mut watch), ["a still-held", "b still-held"]);
    // A release of another change, or of a time before, is not what ended it.
    release(&mut watch, ONE);
    watch.held = None;
    assert_eq!(news(&mut watch), ["a over", "b over"]);
    assert_eq!((news(&mut watch).len(), watch.next_reminder()), (0, None));
    assert_eq!(watch.cases.names::<HeldChange>().count(), 0);
}

#[test]
fn a_release_is_told_with_who_and_why_and_an_older_one_of_the_same_change_is_not() {
    let mut watch = Watch::new();
    watch.wanted = ONE.parse().unwrap();
    for released in [true, false] {
        watch.held = Some(held(ONE));
        watch.pass();
        watch.minutes(5);
        if released {
            release(&mut watch, ONE);
        }
        watch.held = None;
        let told = data(&watch.pass().messages[0].body);
        let expected = if released { "released" } else { "over" };
        assert_eq!((&told["hold"]["news"], &told["hold"]["change"]), (&expected.into(), &ONE.into()));
        if released {
            assert_eq!(
                (&told["hold"]["released_by"], &told["hold"]["why"]),
                (&"ops-2".into(), &"the room moved".into())
            );
            let summary = told["summary"].as_str().unwrap();
            assert!(summary.starts_with("What was held is released by ops-2 (the room moved)"), "{summary}");
        }
        watch.minutes(5);
    }
}

#[test]
fn a_hold_that_ends_without_a_release_says_how() {
    // What was last seen is 12 altered of 34.
    type End = (&'static str, &'static str, fn(&mut Watch));
    let ends: [End; 6] = [
        ("edited", "what is wanted was edited, and no station would change any longer.", |_| {}),
        ("edited", "what is wanted was edited, and 3 of the 34 stations on record would change.", |watch| {
            watch.tally.altered = 3;
        }),
        (
            "edited",
            "what is wanted was edited, 3 of the 34 stations on record would change, and ops-2 released it",
            |watch| {
                watch.tally.altered = 3;
                release(watch, DIGEST);
            },
        ),
        ("within-limit", "12 of the 34 stations on record would change, and the limit is 50 % (brake.share", |watch| {
            (watch.wanted, watch.tally.altered) = (ONE.parse().unwrap(), 12);
            watch.limit.share = "0.5".parse().unwrap();
        }),
        ("reported", "stations were reported on, and 9 of the 34 stations on record would change.", |watch| {
            (watch.wanted, watch.tally.altered) = (ONE.parse().unwrap(), 9);
            watch.report("EQ-01");
        }),
        ("fewer", "Nothing is held now: 9 of the 34 stations on record would change.", |watch| {
            (watch.wanted, watch.tally.altered) = (ONE.parse().unwrap(), 9);
        }),
    ];
    for (ended, said, end) in ends {
        let mut watch = Watch::new();
        watch.held = Some(held(ONE));
        watch.pass();
        watch.minutes(5);
        watch.held = None;
        end(&mut watch);
        let told = data(&watch.pass().messages[0].body);
        assert_eq!((&told["hold"]["news"], &told["hold"]["ended"]), (&"over".into(), &ended.into()));
        let summary = told["summary"].as_str().unwrap();
        assert!(summary.starts_with("Nothing is held now: ") && summary.contains(said), "{ended}: {summary}");
    }
}

#[test]
fn before_anything_is_on_record_a_message_says_so_first_and_claims_no_change() {
    let mut watch = Watch::new();
    watch.tally.on_record = 0;
    (0..9).for_each(|nth| watch.put(differs(&format!("EQ-0{nth}"), "emergency.primary", "1")));
    let told = data(&watch.pass().messages[0].body);
    let summary = told["summary"].as_str().unwrap();
    let said = "Nothing is on record yet: no report names a setting or a test of the 10 stations. 9 stations are not as wanted";
    assert!(summary.starts_with(said), "{summary}");
    assert_eq!(told["on_record"], 0);
}

#[test]
fn a_message_of_stations_tells_of_the_hold_too_and_no_second_one_does() {
    let mut watch = Watch::new();
    watch.held = Some(held(ONE));
    watch.put(differs("EQ-01", "emergency.primary", "1"));
    assert_eq!(news(&mut watch), ["on-call held"]);
    watch.minutes(30);
    watch.put(differs("EQ-02", "emergency.primary", "1"));
    assert_eq!(news(&mut watch), ["on-call -"]);
    watch.minutes(59);
    assert!(news(&mut watch).iter().all(|told| told == "on-call -"), "it was in the last message");
    // A webhook that is added hears of it; an unreadable memory tells it again.
    watch.terms.webhooks.push(webhook("b", &[Weight::Routine]));
    assert_eq!(news(&mut watch), ["b held"]);
    let rows =
        watch.cases.rows().clone().into_iter().chain([(Cases::key::<HeldChange>("held"), "{\"case\": 9}".into())]);
    watch.cases = Cases::read(rows.collect());
    assert_eq!(news(&mut watch), ["on-call held", "b held"]);
}

#[test]
fn scripts_to_what_is_wanted_no_longer_are_called_back_with_their_digests_and_counted() {
    let mut watch = Watch::new();
    let names: Vec<String> = (0..5).map(|nth| format!("EQ-0{nth}")).collect();
    names.iter().for_each(|name| watch.put(differs(name, "emergency.primary", "1")));
    assert!(data(&watch.pass().messages[0].body)["call_back"].is_null());
    let out = |script: &str| ScriptToCallBack { at: watch.clock, script: script.parse().unwrap() };
    watch.out = names.iter().map(|name| (name.as_str().into(), out(ONE))).collect();
    watch.put(aligned("EQ-00"));
    let told = data(&watch.pass().messages[0].body);
    assert_eq!((&told["call_back"]["scripts"], &told["call_back"]["first"][0]["script"]), (&1.into(), &ONE.into()));
    let said = format!("Call back script {ONE} for EQ-00, issued 2026-11-20 10:00 UTC: nobody reported of it");
    assert!(told["summary"].as_str().unwrap().contains(&said), "{told}");
    names.iter().for_each(|name| watch.put(aligned(name)));
    let told = data(&watch.pass().messages[0].body);
    assert_eq!((&told["call_back"]["scripts"], &told["call_back"]["left_out"]), (&4.into(), &1.into()));
    assert!(told["summary"].as_str().unwrap().contains("Call back 4 scripts of which nobody reported"), "{told}");
}

/// Released and edited at once: no script of what was released is there any longer.
#[test]
fn a_release_of_what_is_wanted_no_longer_promises_no_scripts() {
    let mut watch = Watch::new();
    watch.held = Some(held(ONE));
    watch.pass();
    watch.minutes(5);
    release(&mut watch, ONE);
    watch.held = None;
    watch.wanted = OTHER.parse().unwrap();
    let told = data(&watch.pass().messages[0].body);
    assert_eq!((&told["hold"]["news"], &told["hold"]["ended"]), (&"over".into(), &"edited".into()));
    assert!(!told["summary"].as_str().unwrap().contains("can be keyed"), "{told}");
}

#[test]
fn a_change_for_which_no_script_waits_is_not_told_as_scripts_that_are_held() {
    let mut watch = Watch::new();
    watch.held = Some(Held { scripts: 0, ..held(ONE) });
    let told = data(&watch.pass().messages[0].body);
    let summary = told["summary"].as_str().unwrap();
    assert!(summary.starts_with("Many lifelines would change at once."), "{summary}");
    assert!(summary.contains("No script is held so far.") && !summary.contains("Scripts are held"), "{summary}");
}

#[test]
fn a_hold_without_stations_is_titled_by_what_is_held_and_its_end_by_its_end_whatever_buttons_do_not_work() {
    let mut watch = Watch::new();
    watch.put(station("BI-04", vec![], vec![lifeline("emergency", crate::drift::Service::Failed)]));
    watch.pass();
    watch.held = Some(held(ONE));
    let gist = watch.pass().messages.remove(0).gists.remove(0);
    let first = "10 scripts are held, because lifeline-critical settings would change at 12 of the 34 stations on record, more than \
                 30 % (brake.share, stationkeep.yaml:12).";
    assert_eq!(gist.title, first);
    let then =
        format!("Still 1 button does not work, at BI-04. {first} If it is a mistake, take the edit back. To list");
    assert!(gist.text.starts_with(&then), "{}", gist.text);
    watch.held = None;
    let gist = watch.pass().messages.remove(0).gists.remove(0);
    assert!(gist.title.starts_with("Nothing is held now: "), "{}", gist.title);
}
