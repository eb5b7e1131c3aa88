//! The start page: what is to be done, the most urgent first, each leading to its card; to whom, and what it says where nothing
//! is to be done or the files have errors.

use std::fs;
use std::process::Command;

use super::house::{House, basic, loaded, view};
use super::http::Answered;
use super::page::text_of;

/// The names of the stations, in the order of the page.
fn stations(start: &Answered) -> Vec<String> {
    let headings = start.body.split("<h3>").skip(1);
    headings.map(|rest| rest.split(": ").next().expect("a name").to_owned()).collect()
}

fn links(start: &Answered) -> Vec<String> {
    let links = start.body.split("href=\"card/").skip(1).filter_map(|rest| rest.split('"').next());
    links.map(|link| format!("/card/{}", link.replace("&amp;", "&"))).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn it_lists_what_the_work_list_lists_in_its_order_and_every_link_opens_its_card() {
    let house = House::open().await;
    // The number of the button that failed had been changed.
    house.drop("changed-number.jsonl", include_str!("../changed_number.jsonl"));
    house.pass().await;
    let start = house.get("/", &[]).await;
    assert_eq!(start.status, 200, "{start:?}");
    let config = loaded(house.home.path());
    let (view, store) = view(&config).await;
    let rows: Vec<_> = view.rows.iter().map(|row| &**row).collect();
    let (list, _) = view.work_list(&rows, &mut Default::default(), || {});
    store.close().await;
    let listed: Vec<String> = list.errands().iter().map(|errand| errand.station.name.to_string()).collect();
    assert!(listed.len() > 10, "{listed:?}");
    assert_eq!(stations(&start), listed);
    let said = text_of(&start.body);
    let parts = [
        "What to do, the most urgent first. As of 2026-11-25 12:00 UTC.",
        "The alarm button did not reach help (tested 2026-11-19 07:05 UTC).",
        "tech-05 began here on 2026-11-24 08:24 UTC, and no report came in 24 hours: check with tech-05 that no one is keying there.",
        "35 stations: 2 out-of-service",
    ];
    for part in parts {
        assert!(said.contains(part), "{part} in {said}");
    }
    for file in ["config/secrets/access-2026", "config/secrets/access-2025", "config/secrets/access-island"] {
        assert!(!start.body.contains(fs::read_to_string(house.path(file)).expect("a code").trim()), "{file}");
    }
    let cards = links(&start);
    // A failed test leads to the way back as well, by a link: a command is of no use on a phone.
    let has_way_back =
        |errand: &&stationkeep::script::Errand| errand.card().is_some_and(|laid| laid.script.way_back.is_some());
    let back = list.errands().iter().filter(has_way_back).count();
    assert_eq!(cards.len(), list.cards().count() + back);
    assert!(back > 0 && said.matches("The way back: to what last worked").count() == back, "{said}");
    assert!(!said.contains("--back"), "{said}");
    assert!(!house.is_issued(&cards[0][6..22]).await, "it issues nothing");
    for card in cards {
        let opened = house.get(&format!("{card}&beside=01a20c7d-9ec0-7e61-b5a8-3d71c04f2e44"), &[]).await;
        assert_eq!(opened.status, 200, "{card}: {opened:?}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn whoever_may_open_no_card_sees_no_link_and_whoever_has_no_token_sees_nothing() {
    let house = House::guarded().await;
    let asked = house.get("/", &[]).await;
    assert!(asked.status == 401 && asked.headers["www-authenticate"].starts_with("Basic "), "{asked:?}");
    let reader = house.get("/", &[basic("desk", "desk-token")]).await;
    assert_eq!((reader.status, links(&reader).len()), (200, 0), "{reader:?}");
    let technician = house.get("/", &[basic("tech", "tech-token")]).await;
    assert!(links(&technician).len() > 10 && stations(&technician) == stations(&reader));
    assert_eq!(House::open().await.get("/", &["host: evil.example".into()]).await.status, 421);
}

#[tokio::test(flavor = "multi_thread")]
async fn errors_in_the_files_are_said_before_anything_else() {
    let house = House::open().await;
    house.edit("config/inventory/fleet.yaml", "\"+441632960101\"", "+441632960101").await;
    let start = house.get("/", &[]).await;
    let said = text_of(&start.body);
    let place = |part: &str| said.find(part).unwrap_or_else(|| panic!("{part} in {said}"));
    assert!(place("The files have errors, so their latest changes are not used.") < place("to see to"), "{said}");
    assert!(place("inventory/fleet.yaml:") < place("to see to"), "{said}");
    assert_eq!(start.status, 200);
}

/// 60 new stations, for each of which a script is written: a page of a large fleet is not longer than that of a small one.
#[tokio::test(flavor = "multi_thread")]
async fn a_long_list_comes_in_pages_that_say_how_many_more_there_are_and_lead_to_them() {
    let house = House::open().await;
    let station = |nth: u32| {
        format!(
            "      LW-{nth:02}: {{number: \"+441632960{}\", where: Wall {nth}, model: eider-1, settings: {{unit.mode: service, emergency.primary: {{to: control-room}}}}}}\n",
            300 + nth
        )
    };
    let many: String = (0..60).map(station).collect();
    let text =
        format!("inventory: 1\nsites:\n  long-wall:\n    line: {{kind: direct, country: GB}}\n    stations:\n{many}");
    fs::write(house.path("config/inventory/sites/long-wall.yaml"), text).expect("a file");
    house.edit("config/inventory/fleet.yaml", "inventory: 1", "inventory: 1").await;
    let mut seen = Vec::new();
    for page in 1..=10 {
        let shown = house.get(&format!("/?page={page}"), &[]).await;
        let (names, said) = (stations(&shown), text_of(&shown.body));
        assert!(names.len() <= 25 && shown.body.len() < 60_000, "{page}: {}", shown.body.len());
        seen.extend(names);
        let all = said.split(" stations to see to").next().and_then(|before| before.split_whitespace().last());
        let all: usize = all.and_then(|all| all.parse().ok()).expect("a number");
        let more = all - seen.len();
        if more == 0 {
            assert!(!said.contains("less urgent"), "{said}");
            break;
        }
        assert!(said.contains(&format!("{more} more, less urgent: page {}", page + 1)), "{said}");
        assert!(shown.body.contains(&format!("href=\"?page={}\"", page + 1)), "{shown:?}");
    }
    let once: std::collections::BTreeSet<&String> = seen.iter().collect();
    assert!(seen.len() > 60 && once.len() == seen.len(), "{seen:?}");
    assert!((0..60).all(|nth| once.contains(&format!("LW-{nth:02}"))), "{seen:?}");
}

/// By html5lib, whose strict parser takes no error; and by rules of reading aloud that a parser does not know.
#[tokio::test(flavor = "multi_thread")]
async fn an_outside_parser_finds_no_fault_with_it() {
    let python = std::env::var("STATIONKEEP_TEST_PYTHON")
        .expect("STATIONKEEP_TEST_PYTHON is not set: run tests/run, which sets up what the tests need");
    let house = House::open().await;
    let folder = tempfile::tempdir().expect("a folder");
    fs::write(folder.path().join("1.html"), house.get("/", &[]).await.body).expect("a page");
    house.edit("config/inventory/fleet.yaml", "\"+441632960101\"", "+441632960101").await;
    fs::write(folder.path().join("2.html"), house.get("/", &[]).await.body).expect("a page");
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/card/check_pages.py");
    let run = Command::new(python).arg(script).arg(folder.path()).output().expect("Python runs");
    let said = String::from_utf8_lossy(&run.stdout);
    assert!(run.status.success() && said.contains("2 pages, 0 faults"), "{said}");
}
