//! Reports and visits filed over HTTP: by whom, in which form, and what the answer says. What is answered is what the ledger
//! holds.

use serde_json::{Value, json};
use stationkeep::store::EntryKind;

use super::house::{ADDRESS, Errand, House, basic};
use super::http::Answered;

/// Stations of the sample that need keying at noon.
const ADRIFT: &str = "EQ-02";
const OTHER: &str = "EQ-04";

const REPORTS: &str = "/api/v1/reports";
const VISITS: &str = "/api/v1/visits";

fn id(nth: u32) -> String {
    format!("019a6c1e-8f00-7000-8000-{nth:012}")
}

fn visit(nth: u32, digest: &str) -> Value {
    json!({"id": id(nth), "script": digest, "station": ADRIFT, "at": "2026-11-25T12:00:00Z", "by": "tech-07"})
}

fn report(nth: u32, digest: &str, heard: &[&str]) -> Value {
    let steps: Vec<Value> = (1..).zip(heard).map(|(step, heard)| json!({"step": step, "heard": heard})).collect();
    json!({"report": 1, "id": id(nth), "station": ADRIFT, "at": "2026-11-25T12:01:00Z", "by": "tech-07", "script": digest, "steps": steps})
}

fn json_of(answered: &Answered) -> Value {
    serde_json::from_str(&answered.body).unwrap_or_else(|error| panic!("{error}: {answered:?}"))
}

/// The problem document in an answer: RFC 9457, of this kind.
fn is_problem(answered: &Answered, status: u16, code: &str) -> Value {
    let problem = json_of(answered);
    assert_eq!(answered.headers["content-type"], "application/problem+json", "{answered:?}");
    assert_eq!((answered.status, &problem["status"]), (status, &status.into()), "{answered:?}");
    assert_eq!(problem["type"], format!("/problems/{code}"), "{answered:?}");
    assert!(problem["title"].is_string() && problem["detail"].is_string(), "{answered:?}");
    problem
}

fn as_json(more: &[String]) -> Vec<String> {
    [vec!["content-type: application/json; charset=utf-8".to_owned()], more.to_vec()].concat()
}

async fn post(house: &House, path: &str, more: &[String], body: &Value) -> Answered {
    house.send("POST", path, &as_json(more), &body.to_string()).await
}

async fn on_record(house: &House, kind: EntryKind, nth: u32) -> bool {
    house.store.entry(kind, &id(nth)).await.expect("the ledger").is_some()
}

fn texts(value: &Value) -> Vec<&str> {
    value.as_array().expect("a list").iter().map(|one| one.as_str().expect("a text")).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_visit_and_its_report_are_recorded_once_and_answered_with_what_came_of_them() {
    let house = House::open().await;
    let digest = house.issue(ADRIFT, Errand::There).await;
    let begun = post(&house, VISITS, &[], &visit(1, &digest)).await;
    assert_eq!(begun.status, 201, "{begun:?}");
    let said = json_of(&begun);
    assert_eq!((&said["id"], &said["outcome"]), (&id(1).into(), &"recorded".into()));
    assert!(texts(&said["consequences"])[0].contains("tech-07 began to key"), "{said}");
    assert_eq!(texts(&said["missing"]), ["The report of this visit."]);
    let again = post(&house, VISITS, &[], &visit(1, &digest)).await;
    assert_eq!((again.status, &json_of(&again)["outcome"]), (200, &"duplicate".into()), "{again:?}");
    // The report has the id of its visit: the two are no conflict.
    let sent = post(&house, REPORTS, &[], &report(1, &digest, &["accepted"])).await;
    assert_eq!(sent.status, 201, "{sent:?}");
    let said = json_of(&sent);
    assert_eq!((&said["id"], &said["outcome"]), (&id(1).into(), &"recorded".into()));
    let consequences = texts(&said["consequences"]);
    assert!(consequences.iter().any(|one| one.contains("is now known")), "{said}");
    assert!(consequences.iter().any(|one| one.contains("The visit that tech-07 began")), "{said}");
    assert!(texts(&said["missing"]).iter().any(|one| one.contains("test call")), "{said}");
    // The same in other words is the same report.
    let yaml = format!(
        "report: 1\nid: {}\nstation: {ADRIFT}\nat: 2026-11-25T12:01:00Z\nby: tech-07\nscript: {digest}\nsteps: [{{step: 1, heard: accepted}}]\n",
        id(1)
    );
    let again = house.send("POST", REPORTS, &["content-type: application/yaml".into()], &yaml).await;
    assert_eq!((again.status, &json_of(&again)["outcome"]), (200, &"duplicate".into()), "{again:?}");
    assert_eq!(json_of(&again)["consequences"], said["consequences"]);
    let late = post(&house, VISITS, &[], &visit(1, &digest)).await;
    assert!(texts(&json_of(&late)["consequences"])[0].contains("A report of this visit is on record"), "{late:?}");
    assert!(on_record(&house, EntryKind::Report, 1).await && on_record(&house, EntryKind::Begun, 1).await);
}

/// The keys of the card with one of them wrong may be another command of that station, which nothing of the report tells.
#[tokio::test(flavor = "multi_thread")]
async fn where_nothing_was_heard_the_buttons_that_a_wrong_key_may_have_changed_are_named_and_the_card_has_their_lines()
{
    let house = House::open().await;
    let card = house.get(&format!("/card/{}?station={ADRIFT}", house.present(ADRIFT).await.1), &[]).await;
    let draft = super::page::text_of(&card.body);
    assert!(draft.contains("# - lifeline: emergency"), "{draft}");
    let digest = house.issue(ADRIFT, Errand::There).await;
    let asked =
        |said: &Value| texts(&said["missing"]).into_iter().find(|one| one.contains("wrong key")).map(str::to_owned);
    let said = json_of(&post(&house, REPORTS, &[], &report(1, &digest, &["nothing"])).await);
    let all = "If a wrong key was accepted: a test call of \"the red button\" and of \"the blue button\".";
    assert_eq!(asked(&said).as_deref(), Some(all), "{said}");
    assert_eq!(said["no_effect"], Value::Null);
    let mut tested = report(2, &digest, &["nothing"]);
    tested["tests"] = json!([{"lifeline": "emergency", "outcome": "reached", "contact": "control-room"}]);
    tested["corrects"] = id(1).into();
    let said = json_of(&post(&house, REPORTS, &[], &tested).await);
    assert_eq!(
        asked(&said).as_deref(),
        Some("If a wrong key was accepted: a test call of \"the blue button\"."),
        "{said}"
    );
    let again = json_of(&post(&house, REPORTS, &[], &report(1, &digest, &["nothing"])).await);
    assert_eq!((&again["no_effect"], asked(&again)), (&true.into(), None), "{again}");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_wrong_is_kept_with_its_reasons_and_listed() {
    let house = House::open().await;
    let digest = house.issue(ADRIFT, Errand::There).await;
    let before = house.store.rejected_count().await.expect("the ledger");
    let mut wrong = report(1, &digest, &["accepted"]);
    wrong["steps"][0]["step"] = 99.into();
    wrong["station"] = "EQ-99".into();
    let rejected = is_problem(&post(&house, REPORTS, &[], &wrong).await, 422, "rejected");
    assert!(texts(&rejected["reasons"]).iter().any(|one| one.contains("EQ-99")), "{rejected}");
    let shapeless = is_problem(&post(&house, REPORTS, &[], &json!([1])).await, 422, "rejected");
    assert_eq!(texts(&shapeless["reasons"]).len(), 1, "{shapeless}");
    let unknown = is_problem(&post(&house, VISITS, &[], &visit(2, "0123456789abcdef")).await, 422, "rejected");
    assert!(texts(&unknown["reasons"])[0].contains("No script 0123456789abcdef"), "{unknown}");
    let bare = is_problem(&post(&house, VISITS, &[], &json!({"id": id(2)})).await, 422, "rejected");
    assert_eq!(texts(&bare["reasons"]).len(), 4, "{bare}");
    let kept = house.store.rejected_count().await.expect("the ledger");
    assert_eq!(kept, before + 4);
    // The same id with other content is a conflict; a refused one has not used up its id.
    assert_eq!(post(&house, REPORTS, &[], &report(1, &digest, &["accepted"])).await.status, 201);
    let other = is_problem(&post(&house, REPORTS, &[], &report(1, &digest, &["refused"])).await, 422, "rejected");
    assert!(texts(&other["reasons"])[0].contains("other content"), "{other}");
    let begun = json!({"begun": 1, "id": id(3), "script": digest, "station": ADRIFT});
    let visit_there = is_problem(&post(&house, REPORTS, &[], &begun).await, 400, "not-parsed");
    assert!(visit_there["detail"].as_str().is_some_and(|text| text.contains(VISITS)), "{visit_there}");
    // An escape that no ledger can keep, in a report that is rejected; a character that JSON spells as a pair.
    let odd = "{\"report\": 1, \"station\": \"EQ\\u000002\", \"id\": \"\\u0000\"}";
    is_problem(&house.send("POST", REPORTS, &as_json(&[]), odd).await, 422, "rejected");
    let pair = report(4, &digest, &["accepted"]).to_string().replace("tech-07", "tech \\ud83d\\udd27");
    let pair = house.send("POST", REPORTS, &as_json(&[]), &pair).await;
    assert_eq!(pair.status, 201, "{pair:?}");
    let kept = kept + 1;
    assert_eq!(house.store.rejected_count().await.expect("the ledger"), kept + 1);
    all_of_it_is_listed(&house).await;
}

/// What was recorded, and what was rejected with its reasons.
async fn all_of_it_is_listed(house: &House) {
    let mut listed = Vec::new();
    for outcome in ["recorded", "rejected"] {
        let mut after = 0;
        loop {
            let page = json_of(&house.get(&format!("{REPORTS}?outcome={outcome}&after={after}&limit=3"), &[]).await);
            listed.extend(page["reports"].as_array().expect("a list").clone());
            match page["next"].as_i64() {
                Some(next) => after = next,
                None => break,
            }
        }
    }
    let (recorded, rejected): (Vec<_>, Vec<_>) = listed.iter().partition(|one| one["outcome"] == "recorded");
    assert_eq!(rejected.len() as i64, house.store.rejected_count().await.expect("the ledger"));
    assert!(rejected.iter().any(|one| one["id"] == id(1) && one["station"] == "EQ-99"), "{rejected:?}");
    assert!(rejected.iter().all(|one| !texts(&one["reasons"]).is_empty()), "{rejected:?}");
    let is_there = |nth: u32| recorded.iter().filter(|one| one["report"]["id"] == id(nth)).count();
    assert_eq!((is_there(1), is_there(4)), (1, 1), "{recorded:?}");
    assert_eq!(
        json_of(&house.get(&format!("{REPORTS}?limit=1000"), &[]).await)["reports"],
        Value::from_iter(recorded.into_iter().cloned())
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn what_cannot_be_read_is_not_kept_and_other_types_lengths_and_methods_are_refused() {
    let house = House::open().await;
    let before = house.store.rejected_count().await.expect("the ledger");
    for (kind, body) in
        [("application/json", "{\"report\": 1"), ("application/json", ""), ("application/yaml", "report: [")]
    {
        let sent = house.send("POST", REPORTS, &[format!("content-type: {kind}")], body).await;
        is_problem(&sent, 400, "not-parsed");
    }
    for kind in ["text/plain", "application/x-www-form-urlencoded", "application/jsonx", ""] {
        let sent = house.send("POST", REPORTS, &[format!("content-type: {kind}")], "{}").await;
        is_problem(&sent, 415, "media-type");
        assert_eq!(sent.headers["accept"], "application/json, application/yaml");
    }
    is_problem(&house.send("POST", VISITS, &[], "{}").await, 415, "media-type");
    let long = house.send("POST", REPORTS, &as_json(&[]), &" ".repeat(300_000)).await;
    is_problem(&long, 413, "too-large");
    let other = house.get(VISITS, &[]).await;
    is_problem(&other, 405, "method");
    assert_eq!(other.headers["allow"], "POST");
    assert_eq!(house.store.rejected_count().await.expect("the ledger"), before);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_page_of_another_site_files_nothing() {
    let house = House::open().await;
    let digest = house.issue(ADRIFT, Errand::There).await;
    let at = house.address();
    for foreign in [
        "origin: http://evil.example".into(),
        "origin: null".into(),
        "host: evil.example".into(),
        "via: 1.1 proxy".to_owned(),
    ] {
        let sent = post(&house, VISITS, std::slice::from_ref(&foreign), &visit(1, &digest)).await;
        is_problem(&sent, 403, "foreign");
    }
    assert!(!on_record(&house, EntryKind::Begun, 1).await);
    let own = post(&house, VISITS, &[format!("origin: http://{at}")], &visit(1, &digest)).await;
    assert_eq!(own.status, 201, "{own:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn technicians_and_ops_file_anything_a_link_its_own_card_for_seven_days_longer_and_others_nothing() {
    let house = House::guarded().await;
    let digest = house.issue(ADRIFT, Errand::There).await;
    let other = house.issue(OTHER, Errand::There).await;
    is_problem(&post(&house, VISITS, &[], &visit(1, &digest)).await, 401, "token");
    let wrong = post(&house, VISITS, &[basic("tech", "wrong")], &visit(1, &digest)).await;
    is_problem(&wrong, 401, "token");
    assert!(wrong.headers["www-authenticate"].starts_with("Basic "), "{wrong:?}");
    is_problem(&post(&house, VISITS, &[basic("desk", "desk-token")], &visit(1, &digest)).await, 403, "role");
    assert_eq!(post(&house, VISITS, &[basic("tech", "tech-token")], &visit(1, &digest)).await.status, 201);
    assert_eq!(post(&house, VISITS, &[basic("ops", "ops-token")], &visit(2, &digest)).await.status, 201);
    // The link that ops hands on.
    let known = format!("/card/{digest}?station={ADRIFT}&beside={},{}", id(1), id(2));
    let card = house.get(&known, &[basic("ops", "ops-token")]).await;
    let (_, link) = card.body.split_once(&format!("href=\"{ADDRESS}")).expect("a signed link");
    let query =
        link.split_once('"').and_then(|(link, _)| link.split_once('?')).expect("a query").1.replace("&amp;", "&");
    let (visits, reports) = (format!("{VISITS}?{query}"), format!("{REPORTS}?{query}"));
    let as_shown = format!("{visits}&beside={}&ref=messenger", id(1));
    assert_eq!(
        post(&house, &as_shown, &[], &visit(3, &digest)).await.status,
        201,
        "with what a page or a messenger added"
    );
    let mut elsewhere = visit(4, &other);
    elsewhere["station"] = OTHER.into();
    is_problem(&post(&house, &visits, &[], &elsewhere).await, 403, "link");
    elsewhere["script"] = digest.clone().into();
    is_problem(&post(&house, &visits, &[], &elsewhere).await, 403, "link");
    let mut unnamed = report(3, &digest, &["accepted"]);
    unnamed.as_object_mut().expect("an object").remove("script");
    is_problem(&post(&house, &reports, &[], &unnamed).await, 403, "link");
    let longer = reports.replace("until=1", "until=2");
    assert_ne!(longer, reports);
    is_problem(&post(&house, &longer, &[], &report(3, &digest, &["accepted"])).await, 403, "link");
    is_problem(&post(&house, &format!("{reports}&sig=x"), &[], &report(3, &digest, &["accepted"])).await, 400, "query");
    house.pass_seconds(8 * 86_400 - 10);
    let late = post(&house, &reports, &[], &report(3, &digest, &["accepted"])).await;
    assert_eq!(late.status, 201, "{late:?}");
    house.pass_seconds(20);
    is_problem(&post(&house, &reports, &[], &report(3, &digest, &["accepted"])).await, 403, "link-expired");
}

#[tokio::test(flavor = "multi_thread")]
async fn every_problem_is_explained_at_its_type() {
    let house = House::open().await;
    let problem = json_of(&house.get("/nowhere", &[]).await);
    let told = house.get(problem["type"].as_str().expect("a type"), &[]).await;
    assert_eq!((told.status, told.headers["content-type"].as_str()), (200, "text/plain; charset=utf-8"), "{told:?}");
    assert!(told.body.starts_with("Nothing is here (404)"), "{told:?}");
    assert_eq!(house.get("/problems/nothing", &[]).await.status, 404);
}
