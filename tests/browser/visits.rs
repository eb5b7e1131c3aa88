//! Whole visits.

use stationkeep::script::Script;

use super::browser::Phone;
use super::fleet::Fleet;
use super::technician::Technician;

/// The address of a card.
pub fn card(fleet: &Fleet, script: &Script) -> String {
    format!("http://{}/card/{}?station={}", fleet.address, script.digest, script.station)
}

/// The longest card of the sample, keyed from the first tap to the closed case.
#[tokio::test(flavor = "multi_thread")]
async fn a_visit_from_the_first_key_to_the_closed_case_takes_two_actions_after_the_last_beep() {
    let mut fleet = Fleet::new("");
    let site = fleet.longest().await;
    fleet.start();
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&card(&fleet, &site.script)).await;
    while !["ready", "sent"].contains(&&*technician.phone.screen().await) {
        technician.turn().await;
    }
    technician.phone.until("it is sent", "return document.getElementById('visit').dataset.screen === 'sent'").await;
    // The end of the call and "Send"; each test call has its own answer.
    let tests = technician.seen.iter().filter(|screen| screen.starts_with("test")).count();
    assert_eq!(technician.since_beep, 2 + tests, "{:?}", technician.seen);
    let text = technician.phone.text().await;
    assert!(text.contains("SENT"), "{text}");
    assert_eq!(fleet.unlike(&technician.station, &site.script.station).await, Vec::<String>::new());
    assert_eq!(fleet.standing(&site.script.station).await, "aligned");
    let history = fleet.run(&["history", &site.script.station]);
    assert!(history.contains("tech-07") && history.contains("Answering point told at"), "{history}");
}
