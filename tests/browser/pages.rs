//! More than one page of a phone: two of one visit, and the start page, which sends what waits there.

use super::browser::Phone;
use super::fleet::Fleet;
use super::technician::Technician;
use super::visits::{card, sent};

#[tokio::test(flavor = "multi_thread")]
async fn two_pages_of_one_phone_are_one_visit_in_which_nothing_is_tapped_twice() {
    let mut fleet = Fleet::new("");
    let site = fleet.longest().await;
    fleet.start();
    let url = card(&fleet, &site.script);
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&url).await;
    let one = technician.phone.client().window().await.expect("a window");
    let other = technician.phone.client().new_window(true).await.expect("a window").handle;
    let client = technician.phone.client().clone();
    client.switch_to_window(other.clone()).await.expect("it is shown");
    technician.open(&url).await;
    assert_eq!(technician.phone.screen().await, "before");
    client.switch_to_window(one.clone()).await.expect("it is shown");
    while technician.phone.screen().await != "step2" {
        technician.turn().await;
    }
    // Wherever the other page stands, it does not begin a second visit.
    client.switch_to_window(other).await.expect("it is shown");
    if technician.phone.screen().await == "before" {
        technician.turn().await;
    }
    technician.phone.until("it follows", "return document.getElementById('visit').dataset.screen === 'step2'").await;
    let text = technician.phone.text().await;
    assert!(text.contains("Another page of this phone went on with this visit."), "{text}");
    assert_eq!(technician.phone.kept("visits").await.as_array().map(Vec::len), Some(1));
    technician.turn().await;
    assert_eq!(technician.phone.screen().await, "step3");
    let taps = technician.phone.kept("visits").await[0]["taps"].clone();
    // The first page still shows step 2, or has followed: a tap there on what it shows is none.
    client.switch_to_window(one).await.expect("it is shown");
    let tapped = "const shown = document.getElementById('visit').dataset.screen;
        if (shown === 'step2') document.querySelector('#visit .answer.yes').click();
        return shown";
    technician.phone.run(tapped).await;
    technician.phone.until("it follows", "return document.getElementById('visit').dataset.screen === 'step3'").await;
    assert_eq!(technician.phone.kept("visits").await[0]["taps"], taps);
    technician.whole().await;
    sent(&technician).await;
    assert_eq!(fleet.unlike(&technician.station, &site.script.station).await, Vec::<String>::new());
    assert_eq!(fleet.run(&["history", &site.script.station]).matches(" by tech-07").count(), 1, "one report");
}

#[tokio::test(flavor = "multi_thread")]
async fn the_start_page_leads_back_to_what_is_not_finished_and_sends_what_waits() {
    let mut fleet = Fleet::new("");
    let site = fleet.longest().await;
    fleet.start();
    let url = card(&fleet, &site.script);
    let start = format!("http://{}/", fleet.address);
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&url).await;
    technician.phone.offline_ready().await;
    while technician.phone.screen().await != "step3" {
        technician.turn().await;
    }
    technician.phone.goto(&start).await;
    technician.phone.until("it says so", "return document.getElementById('waiting').innerText.length > 0").await;
    let text = technician.phone.text().await;
    assert!(text.contains(&format!("Not finished: the visit of {}.", site.script.station)), "{text}");
    technician.phone.run("document.querySelector('#waiting a').click()").await;
    technician.phone.until("the card", "return !!document.getElementById('visit')?.dataset.screen").await;
    assert_eq!(technician.phone.screen().await, "step3");
    fleet.stop();
    technician.whole().await;
    assert_eq!(technician.phone.screen().await, "ready");
    technician.phone.die().await;
    fleet.start();
    technician.phone.goto(&start).await;
    let says = "return document.getElementById('waiting').innerText.includes('Sent: the report of')";
    technician.phone.until("it is sent", says).await;
    let kept = technician.phone.kept("visits").await;
    assert!(kept[0]["sent"]["at"].is_string(), "{kept}");
    assert_eq!(fleet.unlike(&technician.station, &site.script.station).await, Vec::<String>::new());
    assert_eq!(fleet.standing(&site.script.station).await, "aligned");
}
