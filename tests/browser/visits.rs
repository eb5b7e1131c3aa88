//! Whole visits: disturbed at every step, corrected, sent over a network that loses answers.

use std::path::Path;

use stationkeep::script::{Script, Way};

use super::browser::Phone;
use super::fleet::Fleet;
use super::lossy::Lossy;
use super::technician::Technician;

/// The address of a card.
pub fn card(fleet: &Fleet, script: &Script) -> String {
    format!("http://{}/card/{}?station={}", fleet.address, script.digest, script.station)
}

/// Waits until the phone says that it is sent.
pub async fn sent(technician: &Technician) {
    technician.phone.until("it is sent", "return document.getElementById('visit').dataset.screen === 'sent'").await;
    let text = technician.phone.text().await;
    assert!(text.contains("SENT") && !text.contains("NOT SENT"), "{text}");
}

/// The longest card of the sample, keyed from the first tap to the closed case.
#[tokio::test(flavor = "multi_thread")]
async fn a_visit_from_the_first_key_to_the_closed_case_takes_two_actions_after_the_last_beep() {
    let mut fleet = Fleet::new("");
    let site = fleet.longest().await;
    fleet.start();
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&card(&fleet, &site.script)).await;
    technician.whole().await;
    sent(&technician).await;
    // The end of the call and "Send"; each test call has its own answer.
    let tests = technician.seen.iter().filter(|screen| screen.starts_with("test")).count();
    assert_eq!(technician.since_beep, 2 + tests, "{:?}", technician.seen);
    assert_eq!(fleet.unlike(&technician.station, &site.script.station).await, Vec::<String>::new());
    assert_eq!(fleet.standing(&site.script.station).await, "aligned");
    let history = fleet.run(&["history", &site.script.station]);
    assert!(history.contains("tech-07") && history.contains("Answering point told at"), "{history}");
    // The card holds a code: it is gone from the phone.
    assert_eq!(technician.phone.kept("cards").await, serde_json::json!([]));
    technician.phone.goto(&card(&fleet, &site.script)).await;
    assert!(technician.phone.text().await.contains("is out of date"), "{}", technician.phone.text().await);
}

/// What goes wrong before each screen.
#[derive(Clone, Copy, PartialEq)]
enum Mishap {
    Reload,
    DeadBattery,
    NoDaemon,
    Edit,
}

/// The screens before which the battery dies: all with `STATIONKEEP_TEST_WHOLE`, else every third, from one or another.
struct Which {
    from: u64,
    is_whole: bool,
}

impl Which {
    fn new() -> Which {
        use std::hash::{BuildHasher, RandomState};
        let from = RandomState::new().hash_one(0) % 3;
        println!("every third screen from {from}");
        Which { from, is_whole: std::env::var_os("STATIONKEEP_TEST_WHOLE").is_some() }
    }

    fn has(&self, nth: u64) -> bool {
        self.is_whole || nth % 3 == self.from
    }
}

async fn disturbed(mishap: Mishap) {
    let mut fleet = Fleet::new("");
    let site = fleet.longest().await;
    fleet.start();
    let name = site.script.station.to_string();
    let url = card(&fleet, &site.script);
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&url).await;
    technician.phone.offline_ready().await;
    let which = Which::new();
    for nth in 0..60 {
        let before = technician.phone.screen().await;
        if ["ready", "sent"].contains(&&*before) {
            break;
        }
        match mishap {
            Mishap::DeadBattery if !which.has(nth) => {}
            Mishap::Reload => technician.open(&url).await,
            Mishap::DeadBattery => {
                technician.phone.die().await;
                technician.open(&url).await;
            }
            Mishap::NoDaemon => {
                fleet.stop();
                technician.open(&url).await;
            }
            Mishap::Edit if nth > 0 => {
                // Another value each time of what the station says it is.
                let file = "config/inventory/sites/north-mole.yaml";
                let text = fleet.read(file);
                let (head, rest) = text.split_once(&format!("{name}:")).expect("the station");
                let (middle, rest) = rest.split_once("identity: \"").expect("its identity");
                let (_, rest) = rest.split_once('"').expect("its end");
                fleet.write(file, &format!("{head}{name}:{middle}identity: \"{}\"{rest}", 900 + nth));
                technician.open(&url).await;
            }
            Mishap::Edit => {}
        }
        assert_eq!(technician.phone.screen().await, before, "nothing is lost");
        technician.turn().await;
        if mishap == Mishap::NoDaemon {
            fleet.start();
        }
    }
    sent(&technician).await;
    assert!(technician.seen.iter().filter(|screen| screen.starts_with("step")).count() >= 6, "{:?}", technician.seen);
    assert_eq!(fleet.unlike(&technician.station, &name).await, Vec::<String>::new());
    let standing = fleet.standing(&name).await;
    assert_eq!(standing, if mishap == Mishap::Edit { "adrift" } else { "aligned" });
    assert_eq!(fleet.run(&["history", &name]).matches(" by tech-07").count(), 1, "one report");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_reload_before_every_screen_loses_nothing() {
    disturbed(Mishap::Reload).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_dead_battery_before_every_screen_loses_nothing() {
    disturbed(Mishap::DeadBattery).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn without_the_daemon_at_every_screen_the_visit_goes_on_and_is_sent_once_it_is_back() {
    disturbed(Mishap::NoDaemon).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_edit_of_the_inventory_at_every_screen_takes_no_key_away() {
    disturbed(Mishap::Edit).await;
}

/// The daemon is away from the first key to the last test, and the battery dies besides.
#[tokio::test(flavor = "multi_thread")]
async fn a_visit_wholly_without_a_network_is_kept_and_sent_by_the_next_page_that_is_opened() {
    let mut fleet = Fleet::new("");
    let site = fleet.longest().await;
    fleet.start();
    let url = card(&fleet, &site.script);
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&url).await;
    technician.phone.offline_ready().await;
    fleet.stop();
    technician.whole().await;
    assert_eq!(technician.phone.screen().await, "ready");
    let text = technician.phone.text().await;
    assert!(text.contains("NOT SENT YET") && text.contains("It is kept on this phone"), "{text}");
    technician.phone.die().await;
    technician.open(&url).await;
    assert_eq!(technician.phone.screen().await, "ready");
    fleet.start();
    sent(&technician).await;
    assert_eq!(fleet.unlike(&technician.station, &site.script.station).await, Vec::<String>::new());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_report_whose_answer_is_lost_twice_counts_once_and_two_pages_send_it_once() {
    let mut fleet = Fleet::new("");
    let site = fleet.longest().await;
    fleet.start();
    let lossy = Lossy::start(fleet.address, "POST /api/v1/reports", 2);
    let url = card(&fleet, &site.script).replace(&fleet.address.to_string(), &lossy.address.to_string());
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&url).await;
    technician.whole().await;
    // A second page of the same phone, which sends too.
    technician.phone.run(&format!("window.open({url:?}); return true")).await;
    sent(&technician).await;
    assert_eq!(lossy.lost(), 2);
    assert!(lossy.ids().len() == 1 && lossy.seen() >= 3, "{:?}", lossy.ids());
    let history = fleet.run(&["history", &site.script.station]);
    assert_eq!(history.matches(" by tech-07").count(), 1, "{history}");
    assert_eq!(fleet.unlike(&technician.station, &site.script.station).await, Vec::<String>::new());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_tap_can_be_undone_and_a_report_that_was_sent_is_corrected_by_another() {
    let mut fleet = Fleet::new("");
    let site = fleet.longest().await;
    fleet.start();
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&card(&fleet, &site.script)).await;
    while !technician.phone.screen().await.starts_with("test1") {
        technician.turn().await;
    }
    for words in ["Did not reach", "Undo", "Did not reach"] {
        technician.tap(words).await;
    }
    while technician.phone.screen().await.starts_with("test") {
        technician.turn().await;
    }
    let text = technician.phone.text().await;
    assert!(text.contains("WARNING: a test call did not reach help."), "{text}");
    technician.turn().await;
    sent(&technician).await;
    assert_eq!(fleet.standing(&site.script.station).await, "out-of-service");
    technician.tap("Something was wrong").await;
    while !technician.phone.screen().await.starts_with("test1") {
        technician.tap("Undo").await;
    }
    technician.whole().await;
    sent(&technician).await;
    assert_eq!(fleet.standing(&site.script.station).await, "aligned");
    let history = fleet.run(&["history", &site.script.station]);
    assert!(history.contains("corrects") || history.contains("corrected"), "{history}");
    // And once more: the last word counts.
    technician.tap("Something was wrong").await;
    while !technician.phone.screen().await.starts_with("test1") {
        technician.tap("Undo").await;
    }
    technician.tap("Did not reach").await;
    technician.whole().await;
    sent(&technician).await;
    assert_eq!(fleet.standing(&site.script.station).await, "out-of-service");
    // A test call taken back was told before what is corrected: the correction counts all the same.
    technician.tap("Something was wrong").await;
    while !technician.phone.screen().await.starts_with("test1") {
        technician.tap("Undo").await;
    }
    technician.tap("No test now").await;
    technician.whole().await;
    sent(&technician).await;
    let text = technician.phone.text().await;
    assert!(!text.contains("no effect") && text.contains("no longer counts, because this report"), "{text}");
    assert_ne!(fleet.standing(&site.script.station).await, "out-of-service");
    // The answer to one that does not count is not shown as if it did.
    technician
        .phone
        .run(
            "return (async () => {
                const { finished } = await import(document.querySelector('script[type=module]').src.replace('visit.js', 'finished.js'));
                const says = ['Report A corrects report B too and is later, so this one has no effect.'];
                const sent = { at: new Date().toISOString(), consequences: says, missing: [], hasNoEffect: true };
                const now = { kept: { station: 'A', sent }, visit: {}, offset: 0, others: 0 };
                document.getElementById('visit').replaceChildren(...finished(now, {}).flat(9).filter(Boolean));
            })()",
        )
        .await;
    let text = technician.phone.text().await;
    assert!(text.contains("SENT, BUT IT HAS NO EFFECT"), "{text}");
}

/// Nothing answers: the visit ends, is reported, and the report is still at hand when the card is opened again.
#[tokio::test(flavor = "multi_thread")]
async fn where_no_one_answers_the_visit_ends_and_what_was_sent_can_be_corrected_later() {
    let mut fleet = Fleet::new("");
    let site = fleet.longest().await;
    fleet.start();
    let url = card(&fleet, &site.script);
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&url).await;
    technician.turn().await;
    technician.tap("Nothing, or no answer").await;
    technician.tap("Nothing, or no answer").await;
    let text = technician.phone.text().await;
    assert!(text.contains("No one answers at") && text.contains("Key no more."), "{text}");
    technician.tap("Try again").await;
    technician.tap("Nothing, or no answer").await;
    technician.tap("Nothing, or no answer").await;
    technician.tap("Go on").await;
    while technician.phone.screen().await.starts_with("test") {
        technician.tap("No test now").await;
    }
    technician.tap("Send").await;
    sent(&technician).await;
    technician.open(&url).await;
    assert_eq!(technician.phone.screen().await, "before");
    assert!(technician.phone.text().await.contains("This phone sent a report of this card at"));
    technician.tap("See it, or correct it").await;
    assert_eq!(technician.phone.screen().await, "sent");
    technician.tap("Something was wrong").await;
    let text = technician.phone.text().await;
    assert!(text.contains("Tap all that follows again."), "{text}");
    technician.tap("Send").await;
    sent(&technician).await;
    assert!(technician.phone.text().await.contains("no longer counts, because this report corrects it"));
}

/// Two phones and one card: the second is asked before it shows a key, and is not turned away.
#[tokio::test(flavor = "multi_thread")]
async fn a_card_that_someone_else_has_begun_shows_its_keys_one_tap_further() {
    let mut fleet = Fleet::new("");
    let site = fleet.longest().await;
    fleet.start();
    let url = card(&fleet, &site.script);
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&url).await;
    technician.turn().await;
    let name = site.script.station.to_string();
    super::fleet::until("the visit is on record", || {
        fleet.run(&["history", &name]).contains("began to key").then_some(())
    });
    let other = Phone::new(320, 568).await;
    other.goto(&url).await;
    other.until("a screen", "return !!document.getElementById('visit')?.dataset.screen").await;
    let text = other.text().await;
    assert!(text.contains("Check with tech-07 that no one is keying there."), "{text}");
    assert!(!text.contains("Show the first keys"), "{text}");
    other.tap("No one else is keying there").await;
    assert!(other.text().await.contains("Show the first keys"), "{}", other.text().await);
    // The phone that began it is asked nothing.
    technician.open(&url).await;
    assert!(technician.phone.screen().await.starts_with("open"));
}

/// A wrong key that was accepted may have changed a button that the card does not touch.
#[tokio::test(flavor = "multi_thread")]
async fn after_a_wrong_key_that_was_accepted_every_button_that_it_may_have_changed_is_tested() {
    let mut fleet = Fleet::new("");
    let site = fleet.script("EQ-02", Way::There).await.expect("a script");
    let asked = site.script.tests.len();
    fleet.start();
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&card(&fleet, &site.script)).await;
    while technician.phone.screen().await != "step1" {
        technician.turn().await;
    }
    technician.phone.run("document.querySelector('#visit details.more').open = true").await;
    technician.phone.tap("I keyed something else").await;
    technician
        .phone
        .until(
            "it is said",
            "return document.body.textContent.includes('Every button that a wrong key may have changed')",
        )
        .await;
    technician.whole().await;
    sent(&technician).await;
    let report = technician.phone.kept("visits").await[0]["report"].clone();
    let tests = report["tests"].as_array().expect("tests");
    assert!(tests.len() > asked, "{report}");
    assert!(tests.iter().any(|test| test["lifeline"] == "emergency" && test["contact"] != serde_json::Value::Null));
    assert!(report["note"].as_str().is_some_and(|note| note.contains("A wrong key was accepted.")), "{report}");
}

/// What was not stored is not tested: whoever answers then, the call would prove the wrong thing.
#[tokio::test(flavor = "multi_thread")]
async fn after_a_step_that_was_refused_no_test_call_of_what_it_stores_is_asked_for() {
    let mut fleet = Fleet::new("");
    let site = fleet.script("EQ-02", Way::There).await.expect("a script");
    assert_eq!(site.script.tests.len(), 1);
    fleet.start();
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&card(&fleet, &site.script)).await;
    while technician.phone.screen().await != "step1" {
        technician.turn().await;
    }
    for words in ["Refused", "Refused", "Done", "Go on"] {
        technician.tap(words).await;
    }
    assert_eq!(technician.phone.screen().await, "finish", "{}", technician.phone.text().await);
    technician.tap("Send").await;
    sent(&technician).await;
    let report = technician.phone.kept("visits").await[0]["report"].clone();
    assert_eq!(
        (&report["tests"], &report["steps"][0]["heard"]),
        (&serde_json::Value::Null, &"refused".into()),
        "{report}"
    );
}

/// Nothing is heard at one step, then the line drops before the next, and the report says so.
#[tokio::test(flavor = "multi_thread")]
async fn what_went_wrong_leads_on_and_is_reported_as_it_was() {
    let mut fleet = Fleet::new("");
    let site = fleet.longest().await;
    fleet.start();
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&card(&fleet, &site.script)).await;
    while technician.phone.screen().await != "step1" {
        technician.turn().await;
    }
    // The keys are obeyed, and nothing is heard.
    technician.unheard("Nothing").await;
    assert_eq!(technician.phone.screen().await, "step1n");
    technician.turn().await;
    assert_eq!(technician.phone.screen().await, "step2");
    technician.station.hang_up();
    technician.tap("Line dropped").await;
    technician.tap("No, not one key").await;
    technician.whole().await;
    sent(&technician).await;
    assert!(technician.seen.iter().any(|screen| screen == "again-open1-step2"), "{:?}", technician.seen);
    assert_eq!(fleet.unlike(&technician.station, &site.script.station).await, Vec::<String>::new());
    assert_eq!(fleet.standing(&site.script.station).await, "aligned");
}

/// By the crate `qrcode`, which others wrote after the same standard: the same modules under one of the eight masks.
#[tokio::test(flavor = "multi_thread")]
async fn the_square_of_a_report_is_the_one_that_another_encoder_draws() {
    use qrcode::bits::Bits;
    use qrcode::{Color, EcLevel, QrCode, Version};
    let mut fleet = Fleet::new("");
    let site = fleet.longest().await;
    fleet.start();
    let technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&card(&fleet, &site.script)).await;
    for length in [5_usize, 60, 200, 500, 900, 1_500, 2_300] {
        let text: String = "{\"note\": \"é\", \"at\": 1}".chars().cycle().take(length).collect();
        let script = format!(
            "const from = document.querySelector('script[type=module]').src.replace('visit.js', 'qr.js');
             const {{ code }} = await import(from);
             return [0, 1, 2, 3, 4, 5, 6, 7].map((mask) => code({text:?}, mask).map((row) => row.map(Number).join('')).join(''))"
        );
        let drawn = technician.phone.run(&format!("return (async () => {{ {script} }})()")).await;
        let drawn: Vec<&str> = drawn.as_array().expect("a list").iter().filter_map(|one| one.as_str()).collect();
        let size = (drawn[0].len() as f64).sqrt() as i16;
        let version = Version::Normal((size - 17) / 4);
        let mut bits = Bits::new(version);
        bits.push_byte_data(text.as_bytes()).expect("it fits");
        bits.push_terminator(EcLevel::L).expect("it fits");
        let other = QrCode::with_bits(bits, EcLevel::L).expect("a code");
        let other: String = other.to_colors().iter().map(|c| if *c == Color::Dark { '1' } else { '0' }).collect();
        assert!(drawn.contains(&&*other), "{length} characters, {version:?}");
    }
}

/// Where pictures of the screens go, if anyone wants to look at them.
pub fn pictures() -> Option<std::path::PathBuf> {
    let folder = std::env::var_os("STATIONKEEP_TEST_PICTURES")?;
    std::fs::create_dir_all(Path::new(&folder)).expect("a folder");
    Some(folder.into())
}
