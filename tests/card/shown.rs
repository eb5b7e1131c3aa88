//! Who is shown what: the present card is on record before it is shown, any other is not to be keyed, and a link or a token
//! opens what it is for.

use std::fs;

use sqlx::Connection as _;
use stationkeep::store::EntryKind;

use super::house::{ADDRESS, House, NOON, basic};
use super::http::Answered;
use super::page::text_of;

/// Stations of the sample that need keying at noon.
const ADRIFT: &str = "EQ-02";
const OTHER: &str = "EQ-04";

/// The codes of the sample: no page but a card says one.
const CODES: [&str; 3] = ["config/secrets/access-2026", "config/secrets/access-2025", "config/secrets/access-island"];

fn path(digest: &str, station: &str) -> String {
    format!("/card/{digest}?station={station}")
}

fn digest_of(answered: &Answered) -> String {
    let text = text_of(&answered.body);
    text.split_once("script ").and_then(|(_, rest)| rest.split_once(',')).expect("a digest").0.to_owned()
}

/// What goes for every page: no cache, no guessing, no referrer, no index, nothing fetched.
fn is_guarded(answered: &Answered) {
    let header = |name: &str| answered.headers.get(name).unwrap_or_else(|| panic!("no {name}: {answered:?}")).as_str();
    assert_eq!(header("content-type"), "text/html; charset=utf-8");
    assert_eq!(header("cache-control"), "no-store");
    assert_eq!(header("x-content-type-options"), "nosniff");
    assert_eq!(header("referrer-policy"), "no-referrer");
    assert_eq!(header("x-robots-tag"), "noindex, nofollow");
    let policy = header("content-security-policy");
    for part in
        ["default-src 'none'", "style-src 'sha256-", "form-action 'none'", "frame-ancestors 'none'", "base-uri 'none'"]
    {
        assert!(policy.contains(part), "{policy}");
    }
    // The visit's page runs its own scripts, all others run none.
    let scripts = policy.split("; ").find(|part| part.starts_with("script-src"));
    assert!(scripts.is_none_or(|scripts| scripts == "script-src 'self'"), "{policy}");
    assert!(scripts.is_some() || !answered.body.contains("<script"), "{policy}");
    assert!(!policy.contains("unsafe"), "{policy}");
}

/// A page that shows no key: no code, nothing to key, nothing that was keyed.
fn shows_no_keys(house: &House, answered: &Answered) {
    is_guarded(answered);
    assert!(!answered.body.contains("class=\"keys\"") && !answered.body.contains("<pre>report"), "{answered:?}");
    for file in CODES {
        let code = fs::read_to_string(house.path(file)).expect("a code");
        assert!(!answered.body.contains(code.trim()), "{file}: {answered:?}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn the_present_card_opens_on_this_machine_and_is_on_record_once_it_is_shown() {
    let house = House::open().await;
    let (card, digest) = house.present(ADRIFT).await;
    let head = house.ask("HEAD", &path(&digest, ADRIFT), &[]).await;
    assert_eq!((head.status, head.body.as_str()), (200, ""));
    is_guarded(&head);
    assert!(!house.is_issued(&digest).await, "HEAD hands nothing out");
    let shown = house.get(&path(&digest, ADRIFT), &[]).await;
    assert_eq!(shown.status, 200, "{shown:?}");
    is_guarded(&shown);
    assert!(house.is_issued(&digest).await);
    assert_eq!(digest_of(&shown), digest);
    let keys = card.calls[0].lines[0].keys.join(" ");
    assert!(text_of(&shown.body).contains(&keys), "{keys}");
    assert!(!shown.body.contains("sig="), "nobody needs a signed link here");
    // Again is the same script, on record once.
    assert_eq!(house.get(&path(&digest, ADRIFT), &[]).await.status, 200);
    let entries = house.store.entries_of(ADRIFT).await.expect("the ledger");
    assert_eq!(entries.iter().filter(|entry| entry.kind == EntryKind::Script && entry.id == digest).count(), 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_nowhere_or_damaged_is_said_as_a_page() {
    let house = House::open().await;
    let (_, digest) = house.present(OTHER).await;
    house.get(&path(&digest, OTHER), &[]).await;
    for (path, status) in [
        (path(&digest, "EQ-99"), 404),
        (path(&digest, ""), 404),
        (format!("/card/{digest}"), 404),
        (path("nonsense", ADRIFT), 404),
        (path(&digest.to_uppercase().replace('0', "G"), ADRIFT), 404),
        // Another station's card is none of this one.
        (path(&digest, ADRIFT), 404),
        (format!("{}&station=EQ-01", path(&digest, OTHER)), 400),
        (path(&digest, "%00%FF%3Cscript%3E"), 404),
    ] {
        let answered = house.get(&path, &[]).await;
        assert_eq!(answered.status, status, "{path}: {answered:?}");
        shows_no_keys(&house, &answered);
        assert!(!answered.body.contains("<script"), "{answered:?}");
    }
    assert_eq!(house.ask("POST", &path(&digest, OTHER), &[]).await.status, 405);
    // A name of elsewhere that leads here: a page there could read cards through a browser on this machine.
    for host in ["evil.example:80", "localhost.evil.example"] {
        let answered = house.get(&path(&digest, OTHER), &[format!("host: {host}")]).await;
        assert_eq!(answered.status, 421);
        shows_no_keys(&house, &answered);
    }
    let port = house.address().port();
    assert_eq!(house.get(&path(&digest, OTHER), &[format!("host: localhost:{port}")]).await.status, 200);
}

#[tokio::test(flavor = "multi_thread")]
async fn in_a_rehearsal_every_page_says_so_first() {
    let house = House::rehearsing().await;
    let (_, digest) = house.present(OTHER).await;
    for (path, status) in [
        ("/".to_owned(), 200),
        (path(&digest, OTHER), 200),
        (path("next", "EQ-01"), 200),
        (path("next", "EQ-99"), 404),
        (path("next", ""), 404),
        (path(&digest, "EQ-99"), 404),
        (path(&digest, ADRIFT), 404),
        (path("nonsense", ADRIFT), 404),
        (format!("{}&station=EQ-01", path(&digest, OTHER)), 400),
        (path("0123456789abcdef", ADRIFT), 410),
        (path("0123456789abcdef", "EQ-01"), 410),
    ] {
        let answered = house.get(&path, &[]).await;
        assert_eq!(answered.status, status, "{path}: {answered:?}");
        assert!(answered.body.contains("<title>REHEARSAL: "), "{path}: {answered:?}");
        assert!(text_of(&answered.body).starts_with("REHEARSAL"), "{path}: {}", text_of(&answered.body));
    }
    for path in ["/".to_owned(), path(&digest, OTHER)] {
        let answered = house.get(&path, &["host: evil.example:80".to_owned()]).await;
        assert!(answered.status == 421 && answered.body.contains("<title>REHEARSAL: "), "{answered:?}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_card_that_a_report_put_out_of_date_says_so_and_leads_to_the_present_one() {
    let house = House::open().await;
    let (_, digest) = house.present(ADRIFT).await;
    let shown = house.get(&path(&digest, ADRIFT), &[]).await;
    let (_, rest) = shown.body.split_once("<pre>").expect("a draft");
    let (draft, _) = rest.split_once("</pre>").expect("its end");
    // The first step was heard, and nothing else is known of it.
    let report = draft.replace("at: null", "at: 2026-11-25T12:00:00Z").replace("by: null", "by: tech-07");
    let report = report
        .replacen("heard: null", "heard: accepted", 1)
        .replacen("heard: null", "heard: nothing", 1)
        .replace("heard: null", "heard: skipped");
    let report = report.split("tests:").next().expect("a beginning");
    fs::write(house.path("config/reports/2026-11-25-visit.yaml"), report).expect("a report");
    let outdated = house.get(&path(&digest, ADRIFT), &[]).await;
    assert_eq!(outdated.status, 410, "{outdated:?}");
    shows_no_keys(&house, &outdated);
    let said = text_of(&outdated.body);
    for part in ["Do not key this card", "is out of date", "2026-11-25 12:00 UTC, by tech-07"] {
        assert!(said.contains(part), "\"{part}\": {said}");
    }
    let (_, now) = house.present(ADRIFT).await;
    assert_ne!(now, digest);
    assert!(outdated.body.contains(&format!("href=\"{now}?station={ADRIFT}\"")), "{outdated:?}");
    assert!(!house.is_issued(&now).await, "it was named, not handed out");
    assert_eq!(house.get(&path(&now, ADRIFT), &[]).await.status, 200);
    // A digest that an alert told of and nobody opened is out of date just so.
    let never = house.get(&path("0123456789abcdef", ADRIFT), &[]).await;
    assert_eq!(never.status, 410);
    assert!(text_of(&never.body).contains("It was never opened"), "{never:?}");
    // Where nothing needs keying any more it says that.
    let aligned = house.get(&path("0123456789abcdef", "EQ-01"), &[]).await;
    assert_eq!(aligned.status, 410);
    assert!(text_of(&aligned.body).contains("Nothing needs keying at EQ-01 now."), "{aligned:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_held_change_shows_no_card_and_says_how_it_is_released() {
    let house = House::open().await;
    let (_, before) = house.present(ADRIFT).await;
    house.edit("config/inventory/fleet.yaml", "+441632960101", "+441632960109").await;
    let held = house.get(&path(&before, ADRIFT), &[]).await;
    assert_eq!(held.status, 409, "{held:?}");
    shows_no_keys(&house, &held);
    assert!(text_of(&held.body).contains("stationkeep release "), "{held:?}");
    assert!(!house.is_issued(&before).await);
}

#[tokio::test(flavor = "multi_thread")]
async fn beside_broken_files_the_card_goes_by_the_last_good_ones_and_says_so() {
    let house = House::open().await;
    let (_, digest) = house.present(ADRIFT).await;
    let sound = house.get(&path(&digest, ADRIFT), &[]).await;
    assert!(!text_of(&sound.body).contains("the last one without errors"));
    house.edit("config/inventory/fleet.yaml", "\"+441632960101\"", "+441632960101").await;
    for _ in 0..2 {
        let shown = house.get(&path(&digest, ADRIFT), &[]).await;
        assert_eq!(shown.status, 200, "{shown:?}");
        let said = text_of(&shown.body);
        assert!(said.contains("the inventory has errors now. This goes by the last one without errors"), "{said}");
    }
    house.edit("config/inventory/fleet.yaml", "+441632960101", "\"+441632960101\"").await;
    let fixed = house.get(&path(&digest, ADRIFT), &[]).await;
    assert!(fixed.status == 200 && !text_of(&fixed.body).contains("the last one without errors"), "{fixed:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_file_in_the_middle_of_an_edit_changes_no_card_and_is_not_kept_as_good() {
    let house = House::open().await;
    let (_, digest) = house.present(ADRIFT).await;
    let good = house.store.good().await.expect("the ledger");
    let file = house.path("config/inventory/sites/east-quay.yaml");
    let text = fs::read_to_string(&file).expect("a file");
    let cut = text.find(&format!("{ADRIFT}:")).expect("the station");
    fs::write(&file, text[..cut].trim_end()).expect("a file");
    let shown = house.get(&path(&digest, ADRIFT), &[]).await;
    assert_eq!(shown.status, 200, "{shown:?}");
    assert_eq!(house.store.good().await.expect("the ledger"), good);
}

#[tokio::test(flavor = "multi_thread")]
async fn without_tokens_nobody_is_answered_through_a_proxy() {
    let house = House::open().await;
    let (_, digest) = house.present(ADRIFT).await;
    let through = house.get(&path(&digest, ADRIFT), &["x-forwarded-for: 203.0.113.9".into()]).await;
    assert_eq!(through.status, 421, "{through:?}");
    shows_no_keys(&house, &through);
}

#[tokio::test(flavor = "multi_thread")]
async fn without_a_ledger_nothing_is_shown() {
    let house = House::open().await;
    let (_, digest) = house.present(ADRIFT).await;
    assert_eq!(house.ask("HEAD", &path(&digest, ADRIFT), &[]).await.status, 200);
    // From here on no script can be put on record, and everything can be read.
    let ledger = house.path("var/stationkeep.db");
    let options =
        format!("sqlite:{}", ledger.display()).parse::<sqlx::sqlite::SqliteConnectOptions>().expect("options");
    let mut own = sqlx::SqliteConnection::connect_with(&options).await.expect("a connection");
    let trigger = "CREATE TRIGGER nothing_more BEFORE INSERT ON ledger BEGIN SELECT RAISE(ABORT, 'no'); END";
    sqlx::query(trigger).execute(&mut own).await.expect("a trigger");
    let unrecorded = house.get(&path(&digest, ADRIFT), &[]).await;
    assert_eq!(unrecorded.status, 503, "{unrecorded:?}");
    assert!(text_of(&unrecorded.body).contains("could not be recorded"), "{unrecorded:?}");
    shows_no_keys(&house, &unrecorded);
    assert!(!house.is_issued(&digest).await);
    house.store.close().await;
    let unreadable = house.get(&path(&digest, ADRIFT), &[]).await;
    assert_eq!(unreadable.status, 503, "{unreadable:?}");
    shows_no_keys(&house, &unreadable);
}

#[tokio::test(flavor = "multi_thread")]
async fn who_has_a_token_sees_what_the_role_allows_and_nobody_else_anything() {
    let house = House::guarded().await;
    let (_, digest) = house.present(ADRIFT).await;
    let path = path(&digest, ADRIFT);
    for (headers, status) in [
        (vec![], 401),
        (vec![basic("ops", "tech-token")], 401),
        (vec![basic("nobody", "ops-token")], 401),
        (vec!["authorization: Basic ?".to_owned()], 401),
        (vec!["authorization: Bearer ops-token".to_owned()], 401),
        (vec![basic("desk", "desk-token")], 403),
    ] {
        let answered = house.get(&path, &headers).await;
        assert_eq!(answered.status, status, "{headers:?}: {answered:?}");
        shows_no_keys(&house, &answered);
        let challenge = answered.headers.get("www-authenticate").map(String::as_str);
        assert_eq!(challenge, (status == 401).then_some("Basic realm=\"stationkeep\", charset=\"UTF-8\""));
    }
    assert!(!house.is_issued(&digest).await);
    // Nobody is told whether there is such a station before it is known who asks.
    assert_eq!(house.get("/card/0123456789abcdef?station=EQ-99", &[]).await.status, 401);
    let technician = house.get(&path, &[basic("tech", "tech-token")]).await;
    assert!(technician.status == 200 && !technician.body.contains("sig="), "{technician:?}");
    let ops = house.get(&path, &[basic("ops", "ops-token")]).await;
    assert!(ops.status == 200 && ops.body.contains("sig="), "{ops:?}");
    // Metrics are for everybody with a token, health for whoever probes it.
    assert_eq!(house.get("/metrics", &[]).await.status, 401);
    assert_eq!(house.get("/metrics", &[basic("desk", "desk-token")]).await.status, 200);
    assert_ne!(house.get("/healthz", &[]).await.status, 401);
}

/// The signed link on the page of someone of ops, as a browser reads it: path and query.
async fn link(house: &House, digest: &str) -> String {
    let page = house.get(&path(digest, ADRIFT), &[basic("ops", "ops-token")]).await;
    let (_, rest) = page.body.split_once(&format!("href=\"{ADDRESS}")).expect("a link");
    rest.split_once('"').expect("its end").0.replace("&amp;", "&")
}

#[tokio::test(flavor = "multi_thread")]
async fn a_signed_link_opens_its_card_for_a_day_and_nothing_else() {
    let house = House::guarded().await;
    let (_, digest) = house.present(ADRIFT).await;
    let (_, other) = house.present(OTHER).await;
    let link = link(&house, &digest).await;
    let shown = house.get(&link, &[]).await;
    assert_eq!(shown.status, 200, "{shown:?}");
    assert!(!shown.body.contains("sig="), "whoever has a link hands on none");
    // It is for whoever has it, a reader too.
    assert_eq!(house.get(&link, &[basic("desk", "desk-token")]).await.status, 200);
    let until: i64 = link.split("until=").nth(1).and_then(|rest| rest.split('&').next()?.parse().ok()).expect("a time");
    let noon: jiff::Timestamp = NOON.parse().expect("a time");
    assert_eq!(until, noon.as_second() + 24 * 3600);
    let later = link.replace(&format!("until={until}"), &format!("until={}", until + 1));
    let (unsigned, _) = link.split_once("&sig=").expect("a signature");
    for (path, status) in [
        (later, 403),
        (link.replace(ADRIFT, OTHER), 403),
        (link.replace(&digest, &other).replace(ADRIFT, OTHER), 403),
        (link.replace(&digest, &other), 403),
        (format!("{}A", &link[..link.len() - 2]), 403),
        (format!("{unsigned}&sig="), 403),
        (unsigned.to_owned(), 401),
        (format!("{link}&sig=x"), 400),
    ] {
        let answered = house.get(&path, &[]).await;
        assert_eq!(answered.status, status, "{path}: {answered:?}");
        shows_no_keys(&house, &answered);
    }
    house.pass_seconds(24 * 3600 - 1);
    assert_ne!(house.get(&link, &[]).await.status, 403);
    house.pass_seconds(1);
    let expired = house.get(&link, &[]).await;
    assert_eq!(expired.status, 403);
    assert!(text_of(&expired.body).contains("expired"), "{expired:?}");
    shows_no_keys(&house, &expired);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_signed_link_to_a_card_out_of_date_shows_no_keys_and_leads_nowhere() {
    let house = House::guarded().await;
    let (_, digest) = house.present(ADRIFT).await;
    let link = link(&house, &digest).await;
    house.edit("config/inventory/sites/east-quay.yaml", "identity: \"102\"", "identity: \"902\"").await;
    let outdated = house.get(&link, &[]).await;
    assert_eq!(outdated.status, 410, "{outdated:?}");
    shows_no_keys(&house, &outdated);
    assert!(!outdated.body.contains("href"), "{outdated:?}");
    let (_, now) = house.present(ADRIFT).await;
    assert!(!outdated.body.contains(&now), "not even its number");
    // Someone with a token is led on.
    let ops = house.get(&path(&digest, ADRIFT), &[basic("ops", "ops-token")]).await;
    assert!(ops.status == 410 && ops.body.contains(&format!("href=\"{now}?station={ADRIFT}\"")), "{ops:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn many_who_ask_at_once_are_all_answered_and_see_the_same_script() {
    let house = House::open().await;
    let (_, digest) = house.present(ADRIFT).await;
    let path = path(&digest, ADRIFT);
    let get = || house.get(&path, &[]);
    let (a, b, c, d, e, f) = tokio::join!(get(), get(), get(), get(), get(), get());
    let answers = [a, b, c, d, e, f];
    let digests: Vec<String> = answers.iter().map(digest_of).collect();
    assert!(digests.iter().all(|one| *one == digest), "{digests:?}");
}
