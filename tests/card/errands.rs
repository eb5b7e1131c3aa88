//! A card for every errand: the way back and renewals open at their link, a begun card keeps its keys, and what matters most
//! is said first.

use super::house::{ADDRESS, Errand, House, basic};
use super::http::Answered;
use super::page::text_of;

/// A station of the sample that needs keying at noon.
const ADRIFT: &str = "EQ-02";

fn path(digest: &str, station: &str) -> String {
    format!("/card/{digest}?station={station}")
}

async fn open(house: &House, digest: &str) -> Answered {
    house.get(&path(digest, ADRIFT), &[]).await
}

/// The beginning of a visit as a line of the ledger; `nth` makes its id.
fn begun(nth: u32, digest: &str, at: &str) -> String {
    format!(
        "{{\"begun\":1,\"id\":\"019a6c1e-8f00-7000-8000-{nth:012}\",\"script\":\"{digest}\",\"station\":\"{ADRIFT}\",\"at\":\"{at}\",\
         \"by\":\"tech-07\"}}\n"
    )
}

/// A report of a visit: what was heard at each of so many steps, and what it says besides.
fn visit(nth: u32, digest: &str, at: &str, heard: &[&str], more: &str) -> String {
    let steps: Vec<String> =
        (1..).zip(heard).map(|(step, heard)| format!("{{step: {step}, heard: {heard}}}")).collect();
    format!(
        "report: 1\nid: 019a6c1e-8f00-7000-8000-{nth:012}\nstation: {ADRIFT}\nat: {at}\nby: tech-07\nscript: {digest}\nsteps: [{}]\n{more}",
        steps.join(", ")
    )
}

/// All that is keyed, as the page shows it.
fn keys(answered: &Answered) -> Vec<String> {
    let lines = answered.body.split("<p class=\"keys\">").skip(1);
    lines.map(|rest| text_of(&format!("<body>{}", rest.split_once("</p>").expect("its end").0))).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_way_back_and_a_renewal_issued_from_the_command_line_open_at_their_link() {
    let house = House::reconfirming(100).await;
    house.issue(ADRIFT, Errand::There).await;
    let way_back = house.issue(ADRIFT, Errand::Back).await;
    let shown = open(&house, &way_back).await;
    assert_eq!(shown.status, 200, "{shown:?}");
    assert!(text_of(&shown.body).contains("THE WAY BACK"), "{shown:?}");
    let overdue = house.overdue().await;
    assert!(!overdue.is_empty(), "the sample has something to key again");
    for station in overdue {
        let digest = house.issue(&station, Errand::Renewal).await;
        // Someone has begun a visit at one of the sample's.
        let known = if station == "BI-03" { "&beside=01a20c7d-9ec0-7e61-b5a8-3d71c04f2e44" } else { "" };
        let shown = house.get(&format!("{}{known}", path(&digest, &station)), &[]).await;
        assert!(shown.status == 200 && !keys(&shown).is_empty(), "{station}: {shown:?}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_begun_card_keeps_its_keys_until_its_own_report_is_on_record() {
    let house = House::guarded().await;
    let ops = [basic("ops", "ops-token")];
    let (_, digest) = house.present(ADRIFT).await;
    let before = house.get(&path(&digest, ADRIFT), &ops).await;
    let (_, rest) = before.body.split_once(&format!("href=\"{}", ADDRESS)).expect("a signed link");
    let link = rest.split_once('"').expect("its end").0.replace("&amp;", "&");
    house.drop("visit.jsonl", &begun(1, &digest, "2026-11-25T12:00:00Z"));
    let begun = house.get(&link, &[]).await;
    assert_eq!(begun.status, 200, "{begun:?}");
    assert_eq!(keys(&begun), keys(&before));
    let said = text_of(&begun.body);
    assert!(said.contains("tech-07 began this card at 2026-11-25 12:00 UTC"), "{said}");
    for part in ["What is wanted", "Something else is wanted"] {
        assert!(!said.contains(part), "nothing else is wanted: {said}");
    }
    // All that the card says of its steps and tests is as it was.
    for (nth, part) in text_of(&before.body).split("Before you ring").skip(1).enumerate() {
        let (part, _) = part.split_once("Report back").expect("a report");
        let (_, now) = said.split_once("Before you ring").expect("cautions");
        let (now, _) = now.split_once("Report back").expect("a report");
        assert_eq!(sentences(now), sentences(part), "{nth}");
    }
    // The link has expired by then, and the card is begun all the same.
    house.pass_seconds(48 * 3600);
    assert_eq!(house.get(&link, &[]).await.status, 200);
    // Its own report, whenever it was sent.
    house.drop("visit.yaml", &visit(1, &digest, "2026-11-25T12:05:00Z", &["accepted"], ""));
    let over = house.get(&path(&digest, ADRIFT), &ops).await;
    assert_eq!(over.status, 410, "{over:?}");
    assert_eq!(keys(&over), Vec::<String>::new());
    assert_eq!(house.get(&link, &[]).await.status, 403, "expired, and not begun any more");
}

/// The sentences of a text, but for the reasons why a step is in its place, which the ledger does not keep.
fn sentences(text: &str) -> Vec<String> {
    let all = text.split(". ").map(str::trim).filter(|one| !one.is_empty());
    all.map(str::to_owned).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_begun_card_ends_with_a_later_report_of_another_script_and_with_no_other() {
    let house = House::open().await;
    let (_, digest) = house.present(ADRIFT).await;
    house.issue(ADRIFT, Errand::There).await;
    house.pass_seconds(3600);
    house.drop("visit.jsonl", &begun(1, &digest, "2026-11-25T12:20:00Z"));
    assert_eq!(open(&house, &digest).await.status, 200);
    let (_, other) = house.present(ADRIFT).await;
    assert_ne!(other, digest);
    // Another card is shown only after it was said who is there.
    let beside = open(&house, &other).await;
    assert_eq!((beside.status, keys(&beside).len()), (409, 0), "{beside:?}");
    let said = text_of(&beside.body);
    assert!(said.contains("tech-07 began to key another card of EQ-02 at 2026-11-25 12:20 UTC"), "{said}");
    let there = "019a6c1e-8f00-7000-8000-000000000001";
    assert!(beside.body.contains(&format!("beside={there}")), "{beside:?}");
    let known = house.get(&format!("{}&beside={there}", path(&other, ADRIFT)), &[]).await;
    assert_eq!(known.status, 200, "{known:?}");
    assert!(text_of(&known.body).contains("tech-07 began to key another card of this station"), "{known:?}");
    // One that was made before it began ends nothing, and neither does one that names no script.
    house.drop("a.yaml", &visit(2, &digest, "2026-11-25T12:10:00Z", &["refused"], ""));
    house.drop(
        "b.yaml",
        "report: 1\nid: 019a6c1e-8f00-7000-8000-000000000009\nstation: EQ-02\nat: 2026-11-25T12:30:00Z\nby: t\n",
    );
    assert_eq!(open(&house, &digest).await.status, 200);
    house.drop("c.yaml", &visit(3, &other, "2026-11-25T13:01:00Z", &["accepted"], ""));
    let over = open(&house, &digest).await;
    assert_eq!(over.status, 410, "{over:?}");
    assert!(keys(&over).is_empty(), "{over:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_begun_card_says_that_something_else_is_wanted_by_now_and_how_to_leave_the_button() {
    let house = House::open().await;
    let (_, digest) = house.present(ADRIFT).await;
    let before = open(&house, &digest).await;
    house.drop("visit.jsonl", &begun(1, &digest, "2026-11-25T12:00:00Z"));
    house.edit("config/inventory/fleet.yaml", "+447700900183", "+447700900184").await;
    let begun = open(&house, &digest).await;
    assert_eq!((begun.status, keys(&begun)), (200, keys(&before)), "{begun:?}");
    let said = text_of(&begun.body);
    assert!(said.contains("Something else is wanted at this station now."), "{said}");
    assert!(said.contains("key this card to its end: that leaves the buttons working."), "{said}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_card_stays_good_while_what_it_relies_on_does_not_change() {
    let house = House::open().await;
    let (_, digest) = house.present(ADRIFT).await;
    assert_eq!(open(&house, &digest).await.status, 200);
    house.drop("note.yaml", "report: 1\nid: 019a6c1e-8f00-7000-8000-000000000009\nstation: EQ-02\nat: 2026-11-25T11:30:00Z\nby: t\nnote: lamp works\n");
    house.edit("config/inventory/fleet.yaml", "Skerry Coast Harbours", "Skerry Harbours").await;
    assert_eq!(open(&house, &digest).await.status, 200);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_card_of_a_failed_test_leads_with_the_way_back_and_its_link_opens_it() {
    let house = House::open().await;
    let digest = house.issue(ADRIFT, Errand::There).await;
    let failed = "tests: [{lifeline: emergency, outcome: failed}]\n";
    house.drop("visit.yaml", &visit(1, &digest, "2026-11-25T12:00:00Z", &["accepted"], failed));
    let (card, digest) = house.present(ADRIFT).await;
    let way_back = card.way_back.as_ref().expect("a way back").to_string();
    let shown = open(&house, &digest).await;
    let said = text_of(&shown.body);
    let place = |part: &str| said.find(part).unwrap_or_else(|| panic!("{part} in {said}"));
    let (warning, way) = (place("did not reach help. Keep a stand-in"), place("The way back: to what last worked"));
    assert!(warning < way && way < place(&format!("script {digest}")), "{said}");
    assert!(shown.body.contains(&format!("href=\"{way_back}?station={ADRIFT}\"")), "{shown:?}");
    assert!(!house.is_issued(&way_back).await, "it was named, not handed out");
    let opened = open(&house, &way_back).await;
    assert!(opened.status == 200 && text_of(&opened.body).contains("THE WAY BACK"), "{opened:?}");
    assert!(house.is_issued(&way_back).await);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_station_that_was_renumbered_is_asked_after_first() {
    let house = House::open().await;
    let (_, digest) = house.present(ADRIFT).await;
    let same = text_of(&open(&house, &digest).await.body);
    assert!(!same.contains("is it this station that answers"), "{same}");
    house.edit("config/inventory/sites/east-quay.yaml", "+441632960122", "+441632960921").await;
    let (_, digest) = house.present(ADRIFT).await;
    let said = text_of(&open(&house, &digest).await.body);
    let question = "is it this station that answers? It last answered at +441632960122, and its number is \
                    +441632960921 now. Ring it and listen first.";
    let place = said.find(question).unwrap_or_else(|| panic!("{said}"));
    assert!(place < said.find("script ").expect("a script"), "{said}");
    let rest = &said[place..];
    assert!(
        rest.contains(
            "It says 102. If another station answers, or you cannot tell, hang up, key nothing, and tell ops."
        ),
        "{rest}"
    );
}

/// How many steps a card asks for, and the lifelines of its test calls.
fn asked(report: &str) -> (usize, Vec<&str>) {
    let lifelines = report.lines().filter_map(|line| line.strip_prefix("- lifeline: ")).collect();
    (report.lines().filter(|line| line.starts_with("- step: ")).count(), lifelines)
}

/// The part of a report on test calls that all ended alike.
fn tests(lifelines: &[&str], outcome: &str) -> String {
    let all: Vec<String> = lifelines.iter().map(|one| format!("{{lifeline: {one}, outcome: {outcome}}}")).collect();
    format!("tests: [{}]\n", all.join(", "))
}

#[tokio::test(flavor = "multi_thread")]
async fn after_a_refused_opening_the_next_card_says_first_which_code_was_refused() {
    let house = House::open().await;
    let (_, digest) = house.present(ADRIFT).await;
    assert!(!text_of(&open(&house, &digest).await.body).contains("the station refused"));
    house.pass_seconds(3600);
    house.drop(
        "a.yaml",
        &visit(1, &digest, "2026-11-25T12:20:00Z", &["skipped"], "openings: [{call: 1, heard: refused}]\n"),
    );
    assert_eq!(open(&house, &digest).await.status, 410);
    let (card, next) = house.present(ADRIFT).await;
    assert_ne!(next, digest);
    let shown = open(&house, &next).await;
    let said = text_of(&shown.body);
    let told =
        said.find("WARNING: the station refused 7309 14 on 2026-11-25 12:20 UTC (tech-07).").expect("it is said");
    assert!(told < said.find("Before you ring").expect("cautions"), "{said}");
    assert!(!said[..told].contains("file:secrets/"), "a card names a code by its keys: {said}");
    // It held another code once: that is tried first, and what was refused comes last.
    let last = "opened with one that it held earlier. Last, key once more and slowly what it refused before";
    assert!(card.notes.iter().any(|note| note.contains(last)), "{:?}", card.notes);
    // One that opens it ends that.
    let opened = "openings: [{call: 1, heard: accepted}]\n";
    house.drop("b.yaml", &visit(2, &next, "2026-11-25T13:01:00Z", &["skipped"], opened));
    open(&house, &next).await;
    let (_, last) = house.present(ADRIFT).await;
    assert!(!text_of(&open(&house, &last).await.body).contains("the station refused"));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_way_back_that_nobody_began_shows_no_keys_once_a_test_call_reached_help() {
    let house = House::open().await;
    let (card, digest) = house.present(ADRIFT).await;
    let (steps, lifelines) = asked(&card.report);
    assert_eq!(open(&house, &digest).await.status, 200);
    house.pass_seconds(3600);
    let failed = tests(&lifelines, "failed");
    house.drop("a.yaml", &visit(1, &digest, "2026-11-25T12:20:00Z", &vec!["accepted"; steps], &failed));
    let back = house.issue(ADRIFT, Errand::Back).await;
    assert_eq!(open(&house, &back).await.status, 200);
    house.pass_seconds(3600);
    let reached = tests(&lifelines, "reached");
    house.drop("b.yaml", &format!("report: 1\nid: 019a6c1e-8f00-7000-8000-000000000002\nstation: {ADRIFT}\nat: 2026-11-25T13:20:00Z\nby: t\n{reached}"));
    let over = open(&house, &back).await;
    assert_eq!((over.status, keys(&over).len()), (410, 0), "{over:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_card_of_test_calls_that_is_out_of_date_says_nothing_of_keys() {
    let house = House::open().await;
    let (card, digest) = house.present(ADRIFT).await;
    let (steps, lifelines) = asked(&card.report);
    assert_eq!(open(&house, &digest).await.status, 200);
    house.pass_seconds(3600);
    house.drop("a.yaml", &visit(1, &digest, "2026-11-25T12:20:00Z", &vec!["accepted"; steps], ""));
    assert_eq!(open(&house, &digest).await.status, 410);
    let (card, test) = house.present(ADRIFT).await;
    assert_eq!(asked(&card.report).0, 0, "nothing needs keying: {}", card.report);
    assert!(card.report.contains("  contact: "), "who is to answer is filled in: {}", card.report);
    assert_eq!(open(&house, &test).await.status, 200);
    let reached = tests(&lifelines, "reached");
    house.drop("b.yaml", &visit(2, &test, "2026-11-25T13:01:00Z", &[], &reached));
    let over = open(&house, &test).await;
    assert_eq!(over.status, 410, "{over:?}");
    let said = text_of(&over.body);
    assert!(said.contains("Do not make the test calls of this card") && !said.contains("key this card"), "{said}");
}
