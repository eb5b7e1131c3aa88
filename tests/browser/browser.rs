//! Debian's Chromium, driven through WebDriver: a phone that can be reloaded, and killed like one whose battery is dead.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use fantoccini::wd::WebDriverCompatibleCommand;
use fantoccini::{Client, ClientBuilder, Locator};
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::{Value as Json, json};

use super::fleet::PATIENCE;

const MISSING: &str = "chromium and chromedriver are not installed: run tests/run, which sets up what the tests need";

/// A phone: its profile, and the browser that runs on it.
pub struct Phone {
    driver: Child,
    port: u16,
    profile: tempfile::TempDir,
    client: Option<Client>,
    width: u32,
    height: u32,
    /// Nothing is touched: what is tapped is reached by the tabulator key.
    pub by_keyboard: bool,
}

/// A command of Chromium's own debugging protocol.
#[derive(Debug)]
struct Cdp(Json);

impl WebDriverCompatibleCommand for Cdp {
    fn endpoint(&self, base: &url::Url, session: Option<&str>) -> Result<url::Url, url::ParseError> {
        base.join(&format!("session/{}/goog/cdp/execute", session.unwrap_or_default()))
    }

    fn method_and_body(&self, _: &url::Url) -> (axum::http::Method, Option<String>) {
        (axum::http::Method::POST, Some(self.0.to_string()))
    }

    fn is_new_session(&self) -> bool {
        false
    }

    fn is_legacy(&self) -> bool {
        false
    }
}

impl Phone {
    pub async fn new(width: u32, height: u32) -> Phone {
        let mut driver = Command::new("chromedriver")
            .arg("--port=0")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect(MISSING);
        let mut lines = BufReader::new(driver.stdout.take().expect("a pipe")).lines().map_while(Result::ok);
        let started = "started successfully on port ";
        let port = lines.find_map(|line| line.split_once(started)?.1.trim_end_matches('.').parse().ok());
        // Whatever else it says is read, so that it never waits for a reader.
        std::thread::spawn(move || lines.for_each(drop));
        let profile = tempfile::tempdir().expect("a folder");
        let mut phone =
            Phone { driver, port: port.expect("a port"), profile, client: None, width, height, by_keyboard: false };
        phone.switch_on().await;
        phone
    }

    /// Starts the browser on what the phone keeps.
    pub async fn switch_on(&mut self) {
        let profile = format!("--user-data-dir={}", self.profile.path().display());
        let arguments = [
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--disable-default-apps",
            "--window-size=1000,700",
            // A name that is not this machine's own, so that its address is no secure one.
            "--host-resolver-rules=MAP stations.test 127.0.0.1",
            &profile,
        ];
        let options = json!({"goog:chromeOptions": {"args": arguments, "binary": "/usr/bin/chromium"}});
        let capabilities = options.as_object().expect("a map").clone();
        let mut builder = ClientBuilder::new(HttpConnector::new());
        builder.capabilities(capabilities);
        let client = builder.connect(&format!("http://127.0.0.1:{}", self.port)).await.expect("a browser");
        self.client = Some(client);
        self.resize(self.width, self.height, 1.0).await;
    }

    /// Kills the browser like a dead battery, and starts it again.
    pub async fn die(&mut self) {
        let lock = std::fs::read_link(self.profile.path().join("SingletonLock")).expect("the browser's lock");
        let pid = lock.to_string_lossy().rsplit('-').next().and_then(|pid| pid.parse::<u32>().ok()).expect("its id");
        let killed = Command::new("kill").args(["-9", &pid.to_string()]).status().expect("kill");
        assert!(killed.success());
        let gone = Instant::now();
        while Path::new(&format!("/proc/{pid}/exe")).exists() && gone.elapsed() < PATIENCE {
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        // Its session is dead with it.
        self.client = None;
        self.switch_on().await;
    }

    pub fn client(&self) -> &Client {
        self.client.as_ref().expect("it is on")
    }

    pub async fn cdp(&self, command: &str, parameters: Json) -> Json {
        self.client().issue_cmd(Cdp(json!({"cmd": command, "params": parameters}))).await.expect("the browser obeys")
    }

    /// The page's size in CSS pixels, and how large one is shown: 200 % is half the size at a scale of 2.
    pub async fn resize(&self, width: u32, height: u32, scale: f64) {
        let size = json!({"width": width, "height": height, "deviceScaleFactor": scale, "mobile": true});
        self.cdp("Emulation.setDeviceMetricsOverride", size).await;
    }

    pub async fn goto(&self, url: &str) {
        self.client().goto(url).await.expect("an address");
    }

    pub async fn run(&self, script: &str) -> Json {
        self.client().execute(script, Vec::new()).await.unwrap_or_else(|error| panic!("{error} in {script}"))
    }

    /// Which screen is shown.
    pub async fn screen(&self) -> String {
        let script = "return document.getElementById('visit')?.dataset.screen ?? ''";
        self.client()
            .execute(script, Vec::new())
            .await
            .ok()
            .and_then(|it| it.as_str().map(str::to_owned))
            .unwrap_or_default()
    }

    /// Waits until something is so.
    pub async fn until(&self, what: &str, script: &str) {
        let start = Instant::now();
        while self.client().execute(script, Vec::new()).await.ok() != Some(Json::Bool(true)) {
            assert!(start.elapsed() < PATIENCE, "waited {PATIENCE:?} for this: {what}; shown: {}", self.text().await);
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    }

    /// Waits until the page can be opened without a network.
    pub async fn offline_ready(&self) {
        self.until("it is ready for no network", "return document.documentElement.dataset.offline === 'ready'").await;
    }

    pub async fn text(&self) -> String {
        let text = self.client().execute("return document.body.innerText", Vec::new()).await;
        text.ok().and_then(|text| text.as_str().map(str::to_owned)).unwrap_or_default()
    }

    /// Taps the button that begins with these words.
    pub async fn tap(&self, words: &str) {
        if self.by_keyboard {
            let is_it = format!("document.activeElement.innerText?.trim().startsWith({words:?})");
            self.reach(&is_it).await;
            return self.press("\u{E007}").await;
        }
        let xpath = format!("//main[@id='visit']//button[starts-with(normalize-space(.), '{words}')]");
        let start = Instant::now();
        loop {
            let tapped = async { self.client().find(Locator::XPath(&xpath)).await?.click().await };
            match tapped.await {
                Ok(()) => return,
                // A warning that comes in draws the screen again.
                Err(error) if error.is_stale_element_reference() && start.elapsed() < PATIENCE => {}
                Err(error) => panic!("\"{words}\": {error}; shown: {}", self.text().await),
            }
        }
    }

    /// Presses the tabulator key until the focus is where it should be.
    pub async fn reach(&self, is_there: &str) {
        for _ in 0..40 {
            if self.run(&format!("return {is_there}")).await == true {
                return;
            }
            self.press("\u{E004}").await;
        }
        panic!("the keyboard does not reach {is_there}: {}", self.text().await);
    }

    /// Keys of the keyboard, wherever the focus is.
    pub async fn press(&self, keys: &str) {
        let focused = self.client().active_element().await.expect("a focus");
        focused.send_keys(keys).await.expect("it takes keys");
    }

    /// All that the phone keeps in a store.
    pub async fn kept(&self, store: &str) -> Json {
        let script = format!(
            "return new Promise((done, failed) => {{
                const request = indexedDB.open('stationkeep');
                request.onerror = () => failed(request.error);
                request.onsuccess = () => {{
                    const rows = request.result.transaction('{store}').objectStore('{store}').getAll();
                    rows.onsuccess = () => {{ request.result.close(); done(rows.result); }};
                }};
            }})"
        );
        self.run(&script).await
    }

    /// Saves what is shown.
    pub async fn picture(&self, file: &Path) {
        std::fs::write(file, self.client().screenshot().await.expect("a picture")).expect("a file");
    }
}

impl Drop for Phone {
    fn drop(&mut self) {
        // It may have ended already. The browser ends with its driver's session, or was killed.
        let lock = std::fs::read_link(self.profile.path().join("SingletonLock"));
        if let Some(pid) = lock.ok().and_then(|lock| lock.to_string_lossy().rsplit('-').next().map(str::to_owned)) {
            let _ = Command::new("kill").args(["-9", &pid]).status();
        }
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}
