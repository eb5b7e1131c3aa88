//! What the interface for programs answers, to whom: lists in pages, a station with all that is told of it, scripts in every
//! form, each on record before it goes out; and why there is none.

use std::fs;

use serde_json::Value;

use super::house::{House, basic};
use super::http::Answered;

/// A station of the sample that needs keying at noon.
const ADRIFT: &str = "EQ-02";
/// One at which a visit is open.
const VISITED: &str = "BI-03";
const VISIT: &str = "01a20c7d-9ec0-7e61-b5a8-3d71c04f2e44";

const CODES: [&str; 3] = ["config/secrets/access-2026", "config/secrets/access-2025", "config/secrets/access-island"];

fn json_of(answered: &Answered) -> Value {
    serde_json::from_str(&answered.body).unwrap_or_else(|error| panic!("{error}: {answered:?}"))
}

/// The problem document in an answer: RFC 9457, of this kind.
fn is_problem(answered: &Answered, status: u16, code: &str) -> Value {
    let problem = json_of(answered);
    assert_eq!(answered.headers["content-type"], "application/problem+json", "{answered:?}");
    assert_eq!((answered.status, &problem["status"]), (status, &status.into()), "{answered:?}");
    assert_eq!(problem["type"], format!("/problems/{code}"), "{answered:?}");
    problem
}

fn path(rest: &str) -> String {
    format!("/api/v1/stations{rest}")
}

async fn got(house: &House, path: &str) -> Value {
    let answered = house.get(path, &[]).await;
    assert_eq!((answered.status, answered.headers["content-type"].as_str()), (200, "application/json"), "{answered:?}");
    json_of(&answered)
}

fn names(list: &Value) -> Vec<&str> {
    list["stations"].as_array().expect("a list").iter().map(|one| one["station"].as_str().expect("a name")).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn the_list_comes_in_pages_that_together_are_the_whole_and_filters_take_what_they_say() {
    let house = House::open().await;
    let all = got(&house, &path("")).await;
    assert_eq!((names(&all).len(), &all["next"]), (35, &Value::Null));
    assert!(names(&all).is_sorted());
    for limit in [1, 4, 7, 35] {
        let (mut pages, mut after) = (Vec::new(), String::new());
        loop {
            let page = got(&house, &path(&format!("?limit={limit}{after}"))).await;
            pages.extend(page["stations"].as_array().expect("a list").clone());
            match page["next"].as_str() {
                Some(next) => after = format!("&after={next}"),
                None => break,
            }
        }
        assert_eq!(&pages, all["stations"].as_array().expect("a list"), "{limit}");
    }
    for (filter, key) in [("standing", "standing"), ("weight", "weight"), ("site", "site")] {
        for word in all["stations"].as_array().expect("a list").iter().filter_map(|one| one[key].as_str()) {
            let some = got(&house, &path(&format!("?{filter}={word}"))).await;
            let is_so = |one: &&Value| one[key] == *word;
            let wanted: Vec<Value> =
                all["stations"].as_array().expect("a list").iter().filter(is_so).cloned().collect();
            assert_eq!(some["stations"], Value::from(wanted), "{filter}={word}");
        }
    }
    for wrong in
        ["?standing=fine", "?weight=heavy", "?site=east-key", "?limit=0", "?limit=1001", "?sites=a", "?limit=1&limit=2"]
    {
        is_problem(&house.get(&path(wrong), &[]).await, 400, "query");
    }
    let meant = is_problem(&house.get(&path("?site=east-key"), &[]).await, 400, "query");
    assert!(meant["detail"].as_str().is_some_and(|text| text.contains("east-quay")), "{meant}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_station_is_told_of_with_its_drift_its_script_and_its_history_and_nothing_is_issued() {
    let house = House::open().await;
    let (_, digest) = house.present(ADRIFT).await;
    let whole = got(&house, &path("/EQ-02")).await;
    assert_eq!(whole["drift"], got(&house, &path("/EQ-02/drift")).await);
    assert_eq!((&whole["station"], &whole["number"]), (&"EQ-02".into(), &"+441632960122".into()));
    assert_eq!((&whole["script"]["state"], &whole["script"]["script"]), (&"keying".into(), &digest.as_str().into()));
    assert!(whole["diff"].as_str().is_some_and(|diff| diff.starts_with("--- EQ-02 confirmed\n")), "{whole}");
    let history = got(&house, &path("/EQ-02/history")).await;
    assert_eq!(whole["history"]["entries"], history["entries"].as_array().map_or(0, Vec::len));
    assert_eq!(whole["history"]["latest"], history["entries"]);
    assert!(!house.is_issued(&digest).await);
    let told = format!("{whole}{history}");
    for file in CODES {
        let code = fs::read_to_string(house.path(file)).expect("a code");
        assert!(!told.contains(code.trim()), "{file}");
    }
    for rest in ["", "/drift", "/history", "/script"] {
        let unknown = is_problem(&house.get(&path(&format!("/EQ-20{rest}")), &[]).await, 404, "no-station");
        assert!(unknown["detail"].as_str().is_some_and(|text| text.contains("EQ-20")), "{unknown}");
        is_problem(&house.get(&path(&format!("/EQ-02{rest}?colour=red")), &[]).await, 400, "query");
        is_problem(&house.get(&path(&format!("/%FF{rest}")), &[]).await, 404, "no-station");
        is_problem(&house.get(&path(&format!("/%00{rest}")), &[]).await, 404, "no-station");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_script_is_given_in_every_form_and_is_on_record_before_it_goes_out() {
    let house = House::open().await;
    let (card, digest) = house.present(ADRIFT).await;
    let at = path("/EQ-02/script");
    let head = house.ask("HEAD", &at, &[]).await;
    assert_eq!((head.status, head.body.as_str()), (200, ""));
    assert!(!house.is_issued(&digest).await, "HEAD issues nothing");
    is_problem(&house.get(&format!("/api/v1/scripts/{digest}"), &[]).await, 404, "no-such-script");
    let json = got(&house, &at).await;
    assert_eq!(json["script"], digest.as_str());
    assert!(house.is_issued(&digest).await);
    let kept = got(&house, &format!("/api/v1/scripts/{digest}")).await;
    assert_eq!((&kept["script"], &kept["station"]), (&digest.as_str().into(), &"EQ-02".into()));
    let line = card.calls[0].lines[0].keys.join("");
    let keys = house.get(&format!("{at}?format=keys"), &[]).await;
    assert!(keys.body.replace(' ', "").contains(&line.replace(' ', "")), "{line} in {keys:?}");
    for (query, accept) in [("?format=card", "*/*"), ("", "text/plain"), ("?format=card", "text/html")] {
        let shown = house.get(&format!("{at}{query}"), &[format!("accept: {accept}")]).await;
        assert_eq!(shown.headers["content-type"], "text/plain; charset=utf-8", "{shown:?}");
        assert!(shown.body.starts_with("EQ-02  East quay"), "{shown:?}");
    }
    let page = house.get(&format!("{at}?format=html"), &[]).await;
    assert_eq!(page.status, 303, "{page:?}");
    let base = url::Url::parse(&format!("http://x/behind{at}")).expect("an address");
    let leads = base.join(&page.headers["location"]).expect("an address");
    assert_eq!(leads.as_str(), format!("http://x/behind/card/{digest}?station=EQ-02"));
    is_problem(&house.get(&at, &["accept: image/png".into()]).await, 406, "not-acceptable");
    is_problem(&house.get(&format!("{at}?format=pdf"), &[]).await, 400, "query");
    // Nothing was reported, so the way back leads to where the station was.
    let back = got(&house, &format!("{at}?way=back")).await;
    assert!(back["script"].is_string() && back["script"] != json["script"], "{back}");
    for wrong in ["0123456789abcdef", "x", "%FF"] {
        is_problem(&house.get(&format!("/api/v1/scripts/{wrong}"), &[]).await, 404, "no-such-script");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn no_script_goes_out_beside_an_open_visit_unless_it_is_known_and_where_nothing_is_to_do_it_says_so() {
    let house = House::open().await;
    let at = path(&format!("/{VISITED}/script"));
    let there = is_problem(&house.get(&at, &[]).await, 409, "visit-open");
    assert_eq!((&there["by"], &there["visit"]), (&"tech-05".into(), &VISIT.into()), "{there}");
    assert!(there["at"].is_string());
    let known = got(&house, &format!("{at}?beside={VISIT}")).await;
    assert!(known["script"].is_string());
    is_problem(&house.get(&format!("{at}?beside=me"), &[]).await, 400, "query");
    // One that is aligned.
    let nothing = got(&house, &path("/BI-01/script")).await;
    assert_eq!((&nothing["script"], &nothing["calls"]), (&Value::Null, &Value::Array(Vec::new())));
    let text = house.get(&path("/BI-01/script?format=card"), &[]).await;
    assert_eq!(text.body, "Nothing needs keying at BI-01.\n");
}

#[tokio::test(flavor = "multi_thread")]
async fn readers_see_how_stations_are_and_no_script_and_whoever_has_no_token_sees_nothing() {
    let house = House::guarded().await;
    let at = [path(""), path("/EQ-02"), path("/EQ-02/drift"), path("/EQ-02/history")];
    let script = path("/EQ-02/script");
    for one in at.iter().chain([&script]) {
        let asked = is_problem(&house.get(one, &[]).await, 401, "token");
        assert!(asked["detail"].is_string());
    }
    for one in &at {
        for name in ["desk", "tech", "ops"] {
            assert_eq!(house.get(one, &[basic(name, &format!("{name}-token"))]).await.status, 200, "{name} {one}");
        }
    }
    is_problem(&house.get(&script, &[basic("desk", "desk-token")]).await, 403, "role");
    is_problem(&house.get("/api/v1/scripts/0123456789abcdef", &[]).await, 401, "token");
    assert_eq!(house.get(&script, &[basic("tech", "tech-token")]).await.status, 200);
    let foreign = ["origin: http://evil.example".to_owned(), basic("ops", "ops-token")];
    is_problem(&house.get(&script, &foreign).await, 403, "foreign");
    let open = House::open().await;
    is_problem(&open.get(&at[0], &["host: evil.example".into()]).await, 403, "foreign");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_renewal_of_the_work_list_opens_at_its_link_before_it_was_issued() {
    let house = House::reconfirming(100).await;
    for station in house.overdue().await {
        let issued = house.get(&path(&format!("/{station}/script?way=renew&beside={VISIT}")), &[]).await;
        assert_eq!(issued.status, 200, "{issued:?}");
    }
    let start = house.get("/", &[]).await;
    let links: Vec<&str> = start.body.split("href=\"card/").skip(1).filter_map(|rest| rest.split('"').next()).collect();
    assert!(!links.is_empty(), "{start:?}");
    for link in links {
        let opened = house.get(&format!("/card/{}&beside={VISIT}", link.replace("&amp;", "&")), &[]).await;
        assert_eq!(opened.status, 200, "{link}: {opened:?}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_held_script_names_its_change() {
    let house = House::open().await;
    house.edit("config/inventory/fleet.yaml", "+441632960101", "+441632960109").await;
    let held = is_problem(&house.get(&path(&format!("/{ADRIFT}/script")), &[]).await, 409, "held");
    let change = held["change"].as_str().expect("a change");
    assert!(held["release"].as_str().is_some_and(|release| release.contains(change)), "{held}");
    let state = &got(&house, &path(&format!("/{ADRIFT}"))).await["script"];
    assert_eq!((&state["state"], &state["change"]), (&"held".into(), &change.into()), "{state}");
    let start = house.get("/", &[]).await;
    assert!(start.body.contains(&format!("stationkeep release {change}")), "{start:?}");
}
