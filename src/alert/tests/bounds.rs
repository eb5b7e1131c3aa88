//! However many stations and however odd their names, a body is JSON of bounded size with exact counts.

use std::sync::Arc;
use std::time::{Duration, Instant};

use proptest::prelude::*;

use super::fixture::*;
use super::*;
use crate::drift::{Drift, Service, Standing, StationDrift};
use crate::setting::{Name, Weight};

fn key() -> Next {
    let work = crate::script::Work { stations: 1, calls: 1, commands: 1, presses: 20, ms: 50_000 };
    Next::Key(work)
}

fn whole(message: &Message) -> serde_json::Value {
    assert!(message.body.len() <= LONGEST_BODY, "{}", message.body.len());
    data(&message.body)
}

#[test]
fn a_fleet_of_a_hundred_thousand_is_one_short_message_in_a_short_time() {
    const STATIONS: u32 = 100_000;
    const OPENED: u32 = STATIONS / 20 * 3;
    let mut watch = Watch::new();
    watch.stations.clear();
    for nth in 0..STATIONS {
        let name = format!("S-{nth:06}");
        watch.put(match nth % 20 {
            0 => differs(&name, "emergency.primary", "01632960101"),
            1 => differs(&name, "identity", "121"),
            2 => station(&name, vec![setting("lamp.follows", Drift::Unproven, "1", "")], vec![]),
            _ => aligned(&name),
        });
    }
    let start = Instant::now();
    let verdict = watch.verdict();
    let took = start.elapsed();
    eprintln!("15,000 of 100,000 stations opened in {took:?}");
    let [message] = &verdict.messages[..] else { panic!("one message") };
    let data = whole(message);
    assert_eq!(data["counts"]["opened"]["stations"], OPENED);
    assert_eq!(data["counts"]["opened"]["lifeline"], STATIONS / 20);
    let shown = data["opened"].as_array().unwrap();
    assert!(shown.len() > 20, "{} shown", shown.len());
    assert!(shown.iter().all(|entry| entry["weight"] == "lifeline"));
    assert_eq!(data["left_out"]["opened"].as_u64().unwrap() + shown.len() as u64, u64::from(OPENED));
    let of_stations = verdict.writes.keys().filter(|key| key.starts_with("station/")).count();
    assert_eq!(of_stations, STATIONS as usize, "of each it is kept that it is there");
    // Without optimisation, on a busy machine; what is quadratic takes hours.
    assert!(took < Duration::from_secs(60), "{took:?}");
    watch.cases.apply(verdict.writes, verdict.noted);
    assert_eq!(watch.cases.open_stations().iter().map(|(_, count)| count).sum::<u64>(), u64::from(OPENED));
    let start = Instant::now();
    let quiet = watch.verdict();
    eprintln!("nothing to say of the very same in {:?}", start.elapsed());
    assert!(quiet.is_empty());
    let start = Instant::now();
    watch.cases.apply(quiet.writes, quiet.noted);
    eprintln!("taken over in {:?}", start.elapsed());
    watch.restart();
    let start = Instant::now();
    assert!(watch.verdict().is_empty());
    eprintln!("and after a restart in {:?}", start.elapsed());
}

/// A station as bad as it can be, with texts that take the most room.
fn worst(name: &str, text: &str, settings: usize) -> Arc<StationDrift> {
    let parts = (0..settings).map(|nth| {
        let mut part = setting(&format!("{text}{nth}"), Drift::Differs, text, text);
        part.wanted_at.file = text.into();
        part.contact = Some(text.into());
        part.weight = Weight::Lifeline;
        part
    });
    let lifelines = (0..settings).map(|nth| lifeline(&format!("{text}{nth}"), Service::Failed)).collect();
    let mut drift = (*station(name, parts.collect(), lifelines)).clone();
    drift.site = format!("{name}{text}").into();
    drift.location = text.into();
    drift.into()
}

#[test]
fn the_longest_texts_leave_room_for_a_whole_station() {
    for sign in ["x", "\u{1}", "\"", "å", "🛟"] {
        let mut watch = Watch::new();
        watch.terms.address = Some(format!("https://{}", "o".repeat(112)));
        let long = sign.repeat(1_000);
        for nth in 0..40 {
            let name = format!("{nth:02}{long}");
            watch.put(worst(&name, &long, 20));
            watch.next.insert(name.as_str().into(), key());
            if nth % 4 == 0 {
                watch.report(&name);
            }
            watch.cause.files.push(name.into());
        }
        watch.put(differs("a short one", "lamp.follows", "1"));
        let verdict = watch.pass();
        let data = whole(&verdict.messages[0]);
        let shown = data["opened"].as_array().unwrap();
        assert!(shown.iter().all(|entry| entry["station"] != "a short one"), "nothing lighter before what is heavier");
        let first = &data["opened"][0];
        assert_eq!((first["settings"].as_array().unwrap().len(), &first["settings_left_out"]), (8, &12.into()));
        assert_eq!(data["counts"]["opened"]["stations"], 41);
        assert_eq!(data["cause"]["reports_left_out"], 4);
        assert_eq!(data["cause"]["files_left_out"], 34);
        assert_eq!(data["sites_left_out"], 33);
        assert_eq!(data["cause"]["inventory_left_out"], 15, "20 settings share their lines over all stations");
        for drift in watch.stations.clone().values().filter(|drift| drift.standing != Standing::Aligned) {
            watch.put(fixed(drift));
        }
        let data = whole(&watch.pass().messages[0]);
        assert_eq!(data["closed"][0]["was"]["settings_left_out"], 12);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 32, ..ProptestConfig::default() })]

    #[test]
    fn any_texts_make_a_body_that_fits(
        texts in prop::collection::vec((any::<String>(), 0usize..60, 0usize..10), 1..20),
    ) {
        let mut watch = Watch::new();
        watch.terms.address = Some(format!("https://{}", "o".repeat(112)));
        for (nth, (text, times, settings)) in texts.iter().enumerate() {
            let name = format!("{nth}{}", "é".repeat(*times));
            watch.put(worst(&name, &text.repeat(*times), settings + 1));
            watch.next.insert(name.into(), key());
        }
        let verdict = watch.pass();
        let data = whole(&verdict.messages[0]);
        let shown = data["opened"].as_array().unwrap();
        prop_assert!(!shown.is_empty());
        let names: Vec<Name> = shown.iter().map(|entry| entry["station"].as_str().unwrap().into()).collect();
        prop_assert_eq!(data["left_out"]["opened"].as_u64().unwrap(), (texts.len() - names.len()) as u64);
    }
}
