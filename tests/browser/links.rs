//! Cards by signed link, at an address that browsers do not take for secure; and cards that were opened and not begun.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use sha2::{Digest, Sha256};

use super::browser::Phone;
use super::fleet::Fleet;
use super::technician::Technician;
use super::visits::{card, sent};

/// The sample, to be reached by others: ops have a token.
fn guarded() -> Fleet {
    let hash: String = Sha256::digest(b"ops-token").iter().map(|byte| format!("{byte:02x}")).collect();
    Fleet::new(&format!("access: {{tokens: [{{name: ops, role: ops, sha256: \"{hash}\"}}]}}\n"))
}

/// The link that ops hand to a technician.
fn link(fleet: &Fleet, url: &str) -> String {
    let path = url.split_once(&fleet.address.to_string()).expect("an address").1;
    let basic = format!("authorization: Basic {}\r\n", STANDARD.encode("ops:ops-token"));
    let page = fleet.get_as(path, &basic).expect("an answer");
    let (_, rest) = page.split_once("<p class=\"link\"><a href=\"").expect("a link");
    rest.split_once('"').expect("its end").0.replace("&amp;", "&")
}

#[tokio::test(flavor = "multi_thread")]
async fn a_signed_link_files_the_report_of_its_card_and_a_dead_battery_does_not_part_them() {
    let mut fleet = guarded();
    let site = fleet.longest().await;
    fleet.start();
    let link = link(&fleet, &card(&fleet, &site.script));
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&link).await;
    technician.phone.offline_ready().await;
    while !technician.phone.screen().await.starts_with("step3") {
        technician.turn().await;
    }
    technician.phone.die().await;
    technician.open(&link).await;
    technician.whole().await;
    sent(&technician).await;
    let text = technician.phone.text().await;
    assert!(!text.contains("What this station needs now"), "a link opens its own card alone: {text}");
    assert_eq!(fleet.unlike(&technician.station, &site.script.station).await, Vec::<String>::new());
}

/// The case is closed and the card with it; that a wrong answer was tapped may come to mind at home.
#[tokio::test(flavor = "multi_thread")]
async fn a_finished_card_is_corrected_from_its_link_and_the_phone_keeps_no_code_for_that() {
    let mut fleet = guarded();
    let site = fleet.longest().await;
    fleet.start();
    let name = site.script.station.to_string();
    let link = link(&fleet, &card(&fleet, &site.script));
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&link).await;
    technician.phone.offline_ready().await;
    technician.whole().await;
    sent(&technician).await;
    assert_eq!(fleet.standing(&name).await, "aligned");
    let kept = technician.phone.kept("visits").await.to_string();
    for file in ["config/secrets/access-2026", "config/secrets/access-2025", "config/secrets/access-island"] {
        let code = fleet.read(file).trim().to_owned();
        let read: Vec<&str> = [&code[..4], &code[4..]].into();
        assert!(!kept.contains(&code) && !kept.contains(&read.join(" ")), "{file}: {kept}");
    }
    technician.phone.goto(&link).await;
    let offered = "return document.querySelector('#waiting button')?.textContent === 'See it, or correct it'";
    technician.phone.until("it is offered", offered).await;
    let text = technician.phone.text().await;
    assert!(text.contains("is out of date") && text.contains("This phone sent a report of this card at"), "{text}");
    technician.phone.run("document.querySelector('#waiting button').click()").await;
    sent(&technician).await;
    technician.tap("Something was wrong").await;
    while !technician.phone.screen().await.starts_with("test1") {
        technician.tap("Undo").await;
    }
    // Half of it survives, as every visit does; and nothing warns of keys that are not to be keyed.
    technician.open(&link).await;
    let screen = technician.phone.screen().await;
    assert!(screen.starts_with("test1"), "{screen}: {}", technician.phone.text().await);
    assert!(!technician.phone.text().await.contains("something else is wanted"));
    technician.tap("Undo").await;
    while !technician.phone.screen().await.starts_with("step") {
        technician.tap("Undo").await;
    }
    assert!(technician.phone.text().await.contains("Its keys are not kept any longer."));
    technician.tap("Accepted").await;
    while !technician.phone.screen().await.starts_with("test1") {
        technician.tap("Done").await;
    }
    technician.tap("Did not reach").await;
    technician.whole().await;
    sent(&technician).await;
    assert_eq!(fleet.standing(&name).await, "out-of-service");
    let history = fleet.run(&["history", &name]);
    assert!(history.contains("corrects") || history.contains("corrected"), "{history}");
    assert_eq!(technician.phone.kept("cards").await, serde_json::json!([]));
}

#[tokio::test(flavor = "multi_thread")]
async fn at_an_address_that_is_not_secure_the_page_says_what_does_not_work_and_the_visit_does() {
    let mut fleet = guarded();
    // The program itself refuses to be told such an address, so it hands out no link to it: a token opens the card.
    let text = fleet.read("config/stationkeep.yaml");
    let line = text.lines().find(|line| line.starts_with("address: ")).expect("an address").to_owned();
    fleet.write("config/stationkeep.yaml", &text.replace(&line, ""));
    let site = fleet.longest().await;
    fleet.start();
    let name = format!("ops:ops-token@stations.test:{}", fleet.address.port());
    let link = card(&fleet, &site.script).replace(&fleet.address.to_string(), &name);
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&link).await;
    assert_eq!(technician.phone.run("return window.isSecureContext").await, false);
    let text = technician.phone.text().await;
    assert!(
        text.contains("WARNING: this address is not secure (http). Without a network this page cannot be opened again"),
        "{text}"
    );
    // What was tapped survives all the same.
    while !technician.phone.screen().await.starts_with("step3") {
        technician.turn().await;
    }
    technician.phone.die().await;
    technician.open(&link).await;
    assert!(technician.phone.screen().await.starts_with("step3"), "{}", technician.phone.screen().await);
    technician.whole().await;
    sent(&technician).await;
    assert_eq!(fleet.unlike(&technician.station, &site.script.station).await, Vec::<String>::new());
}

/// It holds a code.
#[tokio::test(flavor = "multi_thread")]
async fn a_card_that_was_not_begun_goes_from_the_phone_once_it_is_out_of_date_or_has_expired() {
    let mut fleet = Fleet::new("");
    let site = fleet.longest().await;
    fleet.start();
    let url = card(&fleet, &site.script);
    let technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&url).await;
    technician.phone.offline_ready().await;
    assert_eq!(technician.phone.kept("cards").await.as_array().map(Vec::len), Some(1));
    // Without a network it opens until it expires.
    fleet.stop();
    technician.open(&url).await;
    assert_eq!(technician.phone.screen().await, "before");
    let expired = "return new Promise((done) => {
        const request = indexedDB.open('stationkeep');
        request.onsuccess = () => {
            const rows = request.result.transaction('cards', 'readwrite').objectStore('cards');
            rows.openCursor().onsuccess = ({ target }) => target.result?.update({ ...target.result.value, until: 1 });
            rows.transaction.oncomplete = () => { request.result.close(); done(true); };
        };
    })";
    technician.phone.run(expired).await;
    // A browser says so in its own words.
    let _ = technician.phone.client().goto(&url).await;
    assert_eq!(technician.phone.screen().await, "");
    fleet.start();
    technician.open(&url).await;
    assert_eq!(technician.phone.kept("cards").await.as_array().map(Vec::len), Some(1));
    // Something else is wanted: the open page notices, and shows no key.
    let file = "config/inventory/sites/north-mole.yaml";
    let text = fleet.read(file);
    fleet.write(file, &text.replace("identity: \"205\"", "identity: \"905\""));
    let over = "document.dispatchEvent(new Event('visibilitychange'));
        return document.getElementById('visit').dataset.screen === 'over'";
    technician.phone.until("it is out of date", over).await;
    assert_eq!(technician.phone.kept("cards").await, serde_json::json!([]));
    let text = technician.phone.text().await;
    assert!(text.contains("Do not key this card of NM-05") && !text.contains("Show the first keys"), "{text}");
}
