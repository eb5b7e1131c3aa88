//! Every kind of screen of every errand: judged by axe-core by day and at night, at 100 and 200 %; its targets are large, a
//! step needs no scrolling, and the keyboard alone is enough.

use std::collections::BTreeSet;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value as Json, json};
use stationkeep::script::{Script, Way};

use super::browser::Phone;
use super::fleet::{Fleet, Site};
use super::technician::Technician;
use super::visits::{card, pictures, sent};

/// Axe-core, run in the page: its findings, none where it is content.
async fn axe(phone: &Phone, what: &str) {
    let path = std::env::var("STATIONKEEP_TEST_AXE")
        .expect("STATIONKEEP_TEST_AXE is not set: run tests/run, which sets up what the tests need");
    if phone.run("return typeof axe").await == "undefined" {
        phone.run(&std::fs::read_to_string(path).expect("axe-core")).await;
    }
    let found = phone
        .run(
            "return axe.run(document, {resultTypes: ['violations']}).then(({ violations, passes }) =>
                ({ passes: passes.length, found: violations.map((one) => `${one.id}: ${one.nodes.map((node) => node.html).join(' | ')}`) }))",
        )
        .await;
    assert!(found["passes"].as_u64().is_some_and(|passes| passes > 5), "{what}: it judged nothing: {found}");
    assert_eq!(found["found"], json!([]), "{what}");
}

async fn light(phone: &Phone, scheme: &str) {
    let media = json!({"features": [{"name": "prefers-color-scheme", "value": scheme}]});
    phone.cdp("Emulation.setEmulatedMedia", media).await;
}

/// What is larger than the page, by how much: `[down, aside]` in CSS pixels.
async fn over(phone: &Phone) -> [i64; 2] {
    let sizes = phone
        .run("const { scrollHeight: h, scrollWidth: w } = document.documentElement; return [h - innerHeight, w - innerWidth]")
        .await;
    [sizes[0].as_i64().expect("a number"), sizes[1].as_i64().expect("a number")]
}

/// The height of the lowest answer, and of the lowest target of any kind.
const HEIGHTS: &str =
    "const low = (css) => Math.min(...[...document.querySelectorAll(css)].filter((one) => one.offsetHeight)
    .map((one) => one.getBoundingClientRect().height));
    return [low('#visit .answer, #visit .go'), low('#visit button, #visit summary, #visit .ring, #visit label')]";

/// What holds of every screen.
async fn judged(phone: &Phone, errand: &str, fits: &mut Vec<String>) {
    let screen = phone.screen().await;
    let what = format!("{errand}, {screen}");
    let heights = phone.run(HEIGHTS).await;
    // A screen without answers has an infinite least height, which JSON does not know.
    assert!(heights[0].as_f64().is_none_or(|height| height >= 64.0), "{what}: {heights}");
    assert!(heights[1].as_f64().is_none_or(|height| height >= 24.0), "{what}: {heights}");
    let kind: String = screen.trim_start_matches("again-").chars().take_while(char::is_ascii_alphabetic).collect();
    let [down, aside] = over(phone).await;
    assert_eq!(aside, 0, "{what}");
    if ["open", "step", "end", "test", "dropped"].contains(&&*kind) && down > 0 {
        fits.push(format!("{what}: {down} px too high"));
    }
    for scheme in ["light", "dark"] {
        light(phone, scheme).await;
        for (width, height, scale) in [(320, 568, 1.0), (160, 284, 2.0)] {
            phone.resize(width, height, scale).await;
            assert_eq!(over(phone).await[1], 0, "{what} at {scale}: wider than the page");
            axe(phone, &format!("{what} at {scale}, {scheme}")).await;
            if let Some(folder) = pictures() {
                let name = format!("{errand}-{screen}-{scheme}-{scale}.png");
                phone.picture(&folder.join(name)).await;
            }
        }
    }
    light(phone, "light").await;
    phone.resize(320, 568, 1.0).await;
}

/// A whole errand, each screen judged.
async fn walked(fleet: &Fleet, site: Site, errand: &str) -> (Technician, Vec<String>) {
    let url = card(fleet, &site.script);
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&url).await;
    let mut fits = Vec::new();
    let mut kinds = BTreeSet::new();
    for _ in 0..60 {
        let screen = technician.phone.screen().await;
        if screen == "sent" {
            break;
        }
        if screen == "ready" {
            sent(&technician).await;
            continue;
        }
        // A step is like another, but for its texts.
        if kinds.insert(screen.clone()) && (!screen.starts_with("step") || kinds.len() < 6) {
            judged(&technician.phone, errand, &mut fits).await;
        } else if over(&technician.phone).await[0] > 0 {
            fits.push(format!("{errand}, {screen}"));
        }
        technician.turn().await;
    }
    judged(&technician.phone, errand, &mut fits).await;
    (technician, fits)
}

#[tokio::test(flavor = "multi_thread")]
async fn every_screen_of_a_card_to_key_is_large_fits_and_is_accessible() {
    let mut fleet = Fleet::new("");
    let site = fleet.longest().await;
    fleet.start();
    let (_, fits) = walked(&fleet, site, "key").await;
    assert_eq!(fits, Vec::<String>::new());
}

/// For each screen the shortest way to it: the taps, the last of them apart.
const WAYS: &str = "const { screens } = JSON.parse(document.getElementById('data').textContent).visit;
    const ways = new Map([[0, []]]);
    for (const [at, way] of ways) for (const { word, to } of screens[at].answers)
        if (!ways.has(to)) ways.set(to, [...way, { screen: screens[at].id, word, at: '2026-11-25T12:00:00Z' }]);
    return [...ways].filter(([, way]) => way.length).map(([to, way]) => ({ way, ...screens[to], to: screens[to].id }))";

/// Goes to a screen as another page would, but for the last tap; what is larger than the page then, and the lowest answer.
fn reached(way: &Json, to: &str) -> String {
    let last = way.as_array().and_then(|way| way.last()).expect("a tap");
    format!(
        "return (async () => {{
            const titles = {{ accepted: ['Accepted'], refused: ['Refused'], nothing: ['Nothing'], dropped: ['Line dropped'],
                yes: ['Yes', 'This'], no: ['No', 'Another'], done: ['Done', 'Go on'], again: ['Try again'], leave: ['Stop here'],
                reached: ['Reached'], failed: ['Did not', 'None of'], other: ['Someone'], later: ['No test', 'I cannot'] }};
            const shown = async (name) => {{
                for (let nth = 0; nth < 200 && document.getElementById('visit').dataset.screen !== name; nth += 1)
                    await new Promise((done) => setTimeout(done, 5));
                return document.getElementById('visit').dataset.screen === name;
            }};
            const way = {way};
            await new Promise((done) => {{
                const request = indexedDB.open('stationkeep');
                request.onsuccess = () => {{
                    const rows = request.result.transaction('visits', 'readwrite').objectStore('visits');
                    rows.openCursor().onsuccess = ({{ target }}) => target.result?.update({{ ...target.result.value, taps: way.slice(0, -1) }});
                    rows.transaction.oncomplete = () => {{ request.result.close(); done(); }};
                }};
            }});
            document.dispatchEvent(new Event('visibilitychange'));
            if (!(await shown({from}))) return null;
            const is = (one) => titles[{word}]?.some((title) => one.querySelector('span')?.textContent.startsWith(title));
            [...document.querySelectorAll('#visit button')].find(is)?.click();
            if (!(await shown({to:?}))) return null;
            const {{ scrollHeight: h, scrollWidth: w }} = document.documentElement;
            const low = [...document.querySelectorAll('#visit .answer, #visit .go')].map((one) => one.getBoundingClientRect().height);
            return [h - innerHeight, w - innerWidth, Math.min(999, ...low)];
        }})()",
        from = last["screen"],
        word = last["word"],
    )
}

/// How many screens were measured, those that a small phone does not show whole, and what all of them say.
async fn measured(fleet: &Fleet, site: Site) -> (usize, Vec<String>, Json) {
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&card(fleet, &site.script)).await;
    technician.turn().await;
    let ways = technician.phone.run(WAYS).await;
    let (mut count, mut wrong) = (0, Vec::new());
    for (width, height, scale) in [(320, 568, 1.0), (160, 284, 2.0)] {
        technician.phone.resize(width, height, scale).await;
        for way in ways.as_array().expect("a list") {
            let (to, shows) = (way["to"].as_str().expect("a name"), way["shows"].as_str().expect("a word"));
            let sizes = technician.phone.run(&reached(&way["way"], to)).await;
            if sizes.is_null() {
                // A test call that is not asked for on the shortest way to it; what is asked for is measured where visits are walked.
                assert!(
                    ["test", "who", "finish"].contains(&shows),
                    "{to} is not reached: {}",
                    technician.phone.text().await
                );
                continue;
            }
            let size = |nth: usize| sizes[nth].as_f64().expect("a number");
            count += 1;
            if size(1) > 0.0 || size(2) < 64.0 || (scale == 1.0 && size(0) > 0.0 && shows != "finish") {
                wrong.push(format!("{to} at {scale}: {sizes}"));
            }
        }
    }
    (count, wrong, ways)
}

#[tokio::test(flavor = "multi_thread")]
async fn every_screen_that_an_answer_may_lead_to_fits_the_smallest_phone() {
    let mut fleet = Fleet::new("");
    let longest = fleet.longest().await;
    fleet.start();
    let (count, wrong, _) = measured(&fleet, longest).await;
    assert!(count > 200 && wrong.is_empty(), "{count}: {wrong:#?}");
}

/// The line that it is wired to is another, and its restart ends the first call.
#[tokio::test(flavor = "multi_thread")]
async fn so_does_every_screen_of_a_card_of_two_calls() {
    let mut fleet = Fleet::new("");
    let file = "config/inventory/sites/ferry-terminal.yaml";
    let text = fleet.read(file);
    let (head, rest) = text.split_once("FT-05: {").expect("the station");
    fleet.write(file, &format!("{head}FT-05: {{line: {{kind: direct}}, {rest}"));
    let site = fleet.script("FT-05", Way::There).await.expect("a script");
    assert_eq!(site.script.calls.len(), 2);
    fleet.start();
    let (count, wrong, ways) = measured(&fleet, site).await;
    assert!(count > 40 && wrong.is_empty(), "{count}: {wrong:#?}");
    // The call after a step that failed is no call like another.
    let says = "Step 1 failed. Hang up. Ring again at once and key step 2: it helps to leave the button working.";
    let opens = ways.as_array().expect("a list").iter().filter(|one| one["shows"] == "open" && one["call"] == 1);
    assert!(opens.into_iter().any(|one| one["says"] == json!([says]) && one["is_bare"] == true), "{ways}");
}

/// The station of the first script that is so.
async fn first(fleet: &Fleet, way: Way, is_it: impl Fn(&Script) -> bool) -> Site {
    let names = fleet.names().await;
    for name in names {
        if let Some(site) = fleet.script(&name, way).await.filter(|site| is_it(&site.script)) {
            return site;
        }
    }
    panic!("the sample has none")
}

#[tokio::test(flavor = "multi_thread")]
async fn a_card_with_test_calls_alone_is_a_visit_without_keys() {
    let mut fleet = Fleet::new("");
    let site = first(&fleet, Way::There, |script| script.calls.is_empty() && script.way_back.is_none()).await;
    let name = site.script.station.to_string();
    fleet.start();
    let (technician, fits) = walked(&fleet, site, "test").await;
    assert_eq!(fits, Vec::<String>::new());
    assert_eq!(technician.phone.kept("visits").await[0]["announced"], false, "no key was keyed");
    let history = fleet.run(&["history", &name]);
    assert!(history.contains("test call by") && history.contains("by tech-07"), "{history}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_card_of_a_failed_button_leads_to_the_way_back_and_both_are_visits() {
    let mut fleet = Fleet::new("");
    // The number of the button that failed had been changed.
    fleet.write("config/reports/changed-number.jsonl", include_str!("../changed_number.jsonl"));
    let site = first(&fleet, Way::There, |script| script.way_back.is_some()).await;
    let name = site.script.station.to_string();
    let back = fleet.script(&name, Way::Back).await.expect("a way back");
    fleet.start();
    let technician = Technician::new(Phone::new(320, 568).await, site.station.clone());
    technician.open(&card(&fleet, &site.script)).await;
    let text = technician.phone.text().await;
    assert!(text.contains("did not reach help") || text.contains("calls nobody"), "{text}");
    judged(&technician.phone, "failed", &mut Vec::new()).await;
    let link = technician.phone.run("return [...document.querySelectorAll('#visit a')].find((a) => a.textContent.startsWith('The way back')).href").await;
    technician.open(link.as_str().expect("a link")).await;
    assert!(technician.phone.text().await.contains("THE WAY BACK"), "{}", technician.phone.text().await);
    drop(technician);
    let (technician, fits) = walked(&fleet, back, "back").await;
    assert_eq!(fits, Vec::<String>::new());
    // What comes after it is one link away.
    technician.phone.run("document.querySelector('#visit a.ring').click()").await;
    technician
        .phone
        .until("another card", "return document.readyState === 'complete' && location.pathname.length > 10")
        .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_overdue_is_keyed_again_as_a_visit() {
    let mut fleet = Fleet::new("");
    let text = fleet.read("config/stationkeep.yaml");
    let edited = text.replace("reconfirm_days: 1825", "reconfirm_days: 30");
    assert_ne!(edited, text);
    fleet.write("config/stationkeep.yaml", &edited);
    let site = fleet.renewal().await;
    let name = site.script.station.to_string();
    fleet.run(&["script", &name, "--renew"]);
    fleet.start();
    let url = card(&fleet, &site.script);
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&url).await;
    technician.whole().await;
    sent(&technician).await;
    assert!(technician.seen.iter().any(|screen| screen.starts_with("step")), "{:?}", technician.seen);
}

/// The tones of a key by ITU-T Q.23, read from the samples that a browser makes of them (Goertzel).
#[tokio::test(flavor = "multi_thread")]
async fn keys_are_played_as_their_pairs_of_tones_and_read_digit_by_digit() {
    const KEYS: &str = "0123456789*#ABCD";
    const LOW: [f64; 4] = [697.0, 770.0, 852.0, 941.0];
    const HIGH: [f64; 4] = [1209.0, 1336.0, 1477.0, 1633.0];
    const PAD: [&str; 4] = ["123A", "456B", "789C", "*0#D"];
    let mut fleet = Fleet::new("");
    let site = fleet.longest().await;
    fleet.start();
    let technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&card(&fleet, &site.script)).await;
    let script = format!(
        "return (async () => {{
            const {{ schedule, words }} = await import(document.querySelector('script[type=module]').src.replace('visit.js', 'sound.js'));
            const audio = new OfflineAudioContext(1, 8000 * 4, 8000);
            schedule(audio, '{KEYS}', 100, 80, 0);
            const made = await audio.startRendering();
            return {{ samples: [...made.getChannelData(0)], words: words([{{ text: '01 6' }}, {{ text: 'D' }}, {{ text: '*#' }}]) }};
        }})()"
    );
    let heard = technician.phone.run(&script).await;
    assert_eq!(heard["words"], "0, 1, 6. letter D. star, hash");
    let samples: Vec<f64> =
        heard["samples"].as_array().expect("a list").iter().filter_map(|one| one.as_f64()).collect();
    let power = |part: &[f64], hz: f64| {
        let turn = 2.0 * (std::f64::consts::TAU * hz / 8000.0).cos();
        let (a, b) = part.iter().fold((0.0, 0.0), |(a, b), sample| (sample + turn * a - b, a));
        a * a + b * b - turn * a * b
    };
    let loudest = |part: &[f64], all: [f64; 4]| {
        (0..4).max_by(|a, b| power(part, all[*a]).total_cmp(&power(part, all[*b]))).expect("one of four")
    };
    let mut played = String::new();
    for nth in 0..KEYS.len() {
        let from = nth * 180 * 8;
        let part = &samples[from + 80..from + 720];
        assert!(part.iter().any(|sample| sample.abs() > 0.1), "key {nth} is silent");
        played.push(char::from(PAD[loudest(part, LOW)].as_bytes()[loudest(part, HIGH)]));
        assert!(samples[from + 808..from + 1_432].iter().all(|sample| sample.abs() < 0.01), "no gap after key {nth}");
    }
    assert_eq!(played, KEYS);
}

/// Its number has changed since its last report.
#[tokio::test(flavor = "multi_thread")]
async fn a_station_with_another_number_is_asked_which_it_is_before_a_key_is_shown() {
    let mut fleet = Fleet::new("");
    let site = first(&fleet, Way::There, |script| !script.calls.is_empty() && script.station.starts_with("EQ")).await;
    let name = site.script.station.to_string();
    let file = "config/inventory/sites/east-quay.yaml";
    fleet.write(file, &fleet.read(file).replace(&*site.script.number, "+441632960998"));
    let site = fleet.script(&name, Way::There).await.expect("a script");
    let says = site.script.renumbered.as_ref().expect("another number").values["identity"].clone();
    fleet.start();
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&card(&fleet, &site.script)).await;
    technician.turn().await;
    assert_eq!(technician.phone.screen().await, "which");
    assert_eq!(technician.phone.run("return document.querySelector('#visit .keys') === null").await, true);
    assert_eq!(technician.phone.kept("visits").await[0]["announced"], false, "no key was shown");
    judged(&technician.phone, "which", &mut Vec::new()).await;
    technician.tap("This station answers").await;
    technician.whole().await;
    sent(&technician).await;
    assert_eq!(technician.phone.kept("visits").await[0]["announced"], true);
    assert!(fleet.run(&["history", &name]).contains("began to key"));
    let report = technician.phone.kept("visits").await[0]["report"].clone();
    assert_eq!(report["found"]["identity"], json!(says), "what it was heard to say");
}

/// Another station answers: what it says is reported, and the next card asks again.
#[tokio::test(flavor = "multi_thread")]
async fn what_another_station_says_is_asked_reported_and_told_by_the_next_card() {
    let mut fleet = Fleet::new("");
    let site = first(&fleet, Way::There, |script| !script.calls.is_empty() && script.station.starts_with("EQ")).await;
    let name = site.script.station.to_string();
    let file = "config/inventory/sites/east-quay.yaml";
    fleet.write(file, &fleet.read(file).replace(&*site.script.number, "+441632960998"));
    let site = fleet.script(&name, Way::There).await.expect("a script");
    fleet.start();
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&card(&fleet, &site.script)).await;
    technician.turn().await;
    technician.tap("Another, or I cannot tell").await;
    assert_eq!(technician.phone.screen().await, "says");
    judged(&technician.phone, "says", &mut Vec::new()).await;
    technician.phone.tap("It says this").await;
    assert!(technician.phone.text().await.contains("Write what it says first."));
    let field = technician.phone.client().find(fantoccini::Locator::Id("says")).await.expect("a field");
    field.send_keys("777").await.expect("a text");
    technician.tap("It says this").await;
    assert_eq!(technician.phone.screen().await, "other");
    technician.tap("Go on").await;
    technician.tap("Send").await;
    sent(&technician).await;
    let report = technician.phone.kept("visits").await[0]["report"].clone();
    assert_eq!(report["found"], json!({"identity": "777"}));
    let text = technician.phone.text().await;
    assert!(text.contains("777") && !text.contains("It changes nothing"), "{text}");
    let next = fleet.run(&["script", &name]);
    assert!(next.contains("777") || next.contains("is it this station that answers?"), "{next}");
}

/// The button calls someone, and not whom it should call.
#[tokio::test(flavor = "multi_thread")]
async fn a_test_call_that_someone_else_answered_is_reported_as_that() {
    let mut fleet = Fleet::new("");
    let site = fleet.longest().await;
    fleet.start();
    let name = site.script.station.to_string();
    let mut technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&card(&fleet, &site.script)).await;
    while technician.phone.screen().await != "test1" {
        technician.turn().await;
    }
    technician.tap("Someone else").await;
    let mut fits = Vec::new();
    judged(&technician.phone, "else", &mut fits).await;
    assert_eq!(fits, Vec::<String>::new());
    technician.phone.tap("This is who answered").await;
    assert!(technician.phone.text().await.contains("Choose a name first."));
    let who = technician.phone.client().find(fantoccini::Locator::Id("who")).await.expect("a choice");
    who.select_by_value("gatehouse").await.expect("a contact of the sample");
    technician.tap("This is who answered").await;
    technician.whole().await;
    sent(&technician).await;
    let report = technician.phone.kept("visits").await[0]["report"].clone();
    assert_eq!(
        (&report["tests"][0]["outcome"], &report["tests"][0]["contact"]),
        (&json!("reached"), &json!("gatehouse"))
    );
    assert_ne!(fleet.standing(&name).await, "aligned");
    assert!(fleet.run(&["history", &name]).contains("gatehouse"));
}

#[tokio::test(flavor = "multi_thread")]
async fn the_start_page_is_accessible_by_day_and_at_night_and_large() {
    let mut fleet = Fleet::new("");
    fleet.start();
    let phone = Phone::new(320, 568).await;
    phone.goto(&format!("http://{}/", fleet.address)).await;
    assert!(phone.text().await.contains("What to do, the most urgent first."));
    judged(&phone, "start", &mut Vec::new()).await;
}

/// A visit without one touch.
#[tokio::test(flavor = "multi_thread")]
async fn the_keyboard_alone_is_enough() {
    let mut fleet = Fleet::new("");
    let site = fleet.longest().await;
    fleet.start();
    let mut phone = Phone::new(1000, 700).await;
    phone.by_keyboard = true;
    let mut technician = Technician::new(phone, site.station);
    technician.open(&card(&fleet, &site.script)).await;
    technician.whole().await;
    sent(&technician).await;
    assert_eq!(fleet.unlike(&technician.station, &site.script.station).await, Vec::<String>::new());
}

/// On paper there is the whole card, as it was without scripts.
#[tokio::test(flavor = "multi_thread")]
async fn on_paper_there_is_the_whole_card() {
    let mut fleet = Fleet::new("");
    let site = fleet.longest().await;
    fleet.start();
    let technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&card(&fleet, &site.script)).await;
    technician.phone.cdp("Emulation.setEmulatedMedia", json!({"media": "print"})).await;
    let text = technician.phone.text().await;
    for part in ["Before you ring", "Step 1", "Report back", "steps:"] {
        assert!(text.contains(part), "{part}: {text}");
    }
    assert!(!text.contains("Show the first keys"), "{text}");
    let pdf = technician.phone.cdp("Page.printToPDF", json!({"preferCSSPageSize": true})).await;
    let pdf = STANDARD.decode(pdf["data"].as_str().expect("a PDF")).expect("base64");
    assert!(pdf.starts_with(b"%PDF") && pdf.len() > 20_000, "{}", pdf.len());
    if let Some(folder) = pictures() {
        std::fs::write(folder.join("card.pdf"), pdf).expect("a file");
    }
}

/// Nothing is asked of anyone else, and no script runs that is not the page's own.
#[tokio::test(flavor = "multi_thread")]
async fn a_page_asks_nobody_else_and_its_policy_holds() {
    let mut fleet = Fleet::new("");
    let site = fleet.longest().await;
    fleet.start();
    let technician = Technician::new(Phone::new(320, 568).await, site.station);
    technician.open(&card(&fleet, &site.script)).await;
    technician.phone.offline_ready().await;
    let asked = technician
        .phone
        .run("return performance.getEntriesByType('resource').map((one) => new URL(one.name).origin)")
        .await;
    let origin = format!("http://{}", fleet.address);
    let asked = asked.as_array().expect("a list");
    assert!(asked.len() > 5 && asked.iter().all(|one| one.as_str() == Some(&origin)), "{asked:?}");
    let ran = "const made = document.createElement('script'); made.textContent = 'window.ran = true';
        document.body.append(made); return window.ran === undefined";
    assert_eq!(technician.phone.run(ran).await, true, "an inline script runs");
    let tel = technician
        .phone
        .run("return [...document.querySelectorAll('a[href^=tel]')].map((a) => a.getAttribute('href'))")
        .await;
    let number = format!("tel:{}", site.script.number);
    assert!(
        tel.as_array().is_some_and(|all| !all.is_empty() && all.iter().all(|one| one.as_str() == Some(&number))),
        "{tel}"
    );
}
