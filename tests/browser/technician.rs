//! Someone with a phone at a station: reads the screen, keys what it shows into the simulated station, and taps what is
//! heard.

use std::time::Instant;

use stationkeep::keybook::SimulatedStation;
use stationkeep::setting::Keys;

use super::browser::Phone;
use super::fleet::PATIENCE;

pub struct Technician {
    pub phone: Phone,
    pub station: SimulatedStation,
    /// The names of the screens that were seen, in their order.
    pub seen: Vec<String>,
    /// Taps and typed fields since the station's last beep.
    pub since_beep: usize,
}

/// The keys on the screen.
const KEYS: &str = "return [...document.querySelectorAll('#visit .keys span')].map((one) => one.textContent).join('')";

impl Technician {
    pub fn new(phone: Phone, station: SimulatedStation) -> Technician {
        Technician { phone, station, seen: Vec::new(), since_beep: 0 }
    }

    /// Taps, and waits for the screen that comes.
    pub async fn tap(&mut self, words: &str) {
        let screen = self.phone.screen().await;
        self.since_beep += 1;
        self.phone.tap(words).await;
        self.changed(&screen).await;
    }

    /// Keys what is on the screen; whether the station accepts it.
    async fn key(&mut self) -> bool {
        let shown = self.phone.run(KEYS).await;
        let keys: Keys = shown.as_str().expect("a text").replace(' ', "").parse().expect("keys");
        let answers = self.station.press_all(&keys);
        answers.len() == 1 && answers[0].is_accepted()
    }

    /// What one screen asks for, done; its name.
    pub async fn turn(&mut self) -> String {
        let screen = self.phone.screen().await;
        self.seen.push(screen.clone());
        let kind: String = screen.trim_start_matches("again-").chars().take_while(char::is_ascii_alphabetic).collect();
        match &*kind {
            "before" => {
                let (phone, name) = (&self.phone, "tech-07");
                if phone.by_keyboard {
                    phone.reach("document.activeElement.id === 'told'").await;
                    phone.press(" ").await;
                    phone.reach("document.activeElement.id === 'by'").await;
                    phone.press(name).await;
                    phone.reach("document.activeElement.className === 'go'").await;
                    phone.press("\u{E007}").await;
                } else {
                    let find = async |css| phone.client().find(fantoccini::Locator::Css(css)).await.expect("a field");
                    let field = find("#by").await;
                    field.clear().await.expect("it is emptied");
                    field.send_keys(name).await.expect("a name");
                    find("#told").await.click().await.expect("a tick");
                    find("#visit button.go").await.click().await.expect("a tap");
                }
            }
            "open" => {
                if !self.station.in_call() {
                    self.station.ring();
                }
                self.heard().await;
            }
            "step" => self.heard().await,
            "end" => {
                if self.phone.run("return document.querySelector('#visit .keys') !== null").await == true {
                    self.key().await;
                }
                self.station.hang_up();
                self.tap("Done").await;
            }
            "test" => self.tap("Reached help").await,
            "finish" => self.tap("Send").await,
            other => panic!("nobody said what to do at \"{other}\" ({screen}): {}", self.phone.text().await),
        }
        self.changed(&screen).await;
        screen
    }

    async fn heard(&mut self) {
        let word = if self.key().await { "Accepted" } else { "Refused" };
        self.tap(word).await;
        self.since_beep = 0;
    }

    /// Until the report is ready or sent.
    pub async fn whole(&mut self) {
        for _ in 0..100 {
            if ["ready", "sent", "rejected"].contains(&&*self.phone.screen().await) {
                return;
            }
            self.turn().await;
        }
        panic!("it does not end: {:?}", self.seen);
    }

    /// Keys what is shown, and taps something else than what the station answers.
    pub async fn unheard(&mut self, words: &str) {
        self.key().await;
        self.tap(words).await;
    }

    /// Waits for another screen.
    async fn changed(&self, screen: &str) {
        let start = Instant::now();
        while self.phone.screen().await == screen {
            assert!(start.elapsed() < PATIENCE, "it stays at {screen}: {}", self.phone.text().await);
            tokio::time::sleep(std::time::Duration::from_millis(10)).await;
        }
    }

    /// Opens a card and waits for its first screen.
    pub async fn open(&self, url: &str) {
        self.phone.goto(url).await;
        self.phone.until("a screen", "return !!document.getElementById('visit')?.dataset.screen").await;
    }
}
