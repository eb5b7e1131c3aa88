//! What a page says: all that the text says, of every sample station and of random ones with odd names; and that it is
//! sound HTML.

use std::collections::BTreeMap;
use std::fs;
use std::process::Command;
use std::sync::Arc;

use proptest::prelude::*;
use stationkeep::drift::{Rules, look};
use stationkeep::fleet::Keying;
use stationkeep::inventory::{self, Station};
use stationkeep::keybook::{self, Keybook};
use stationkeep::ledger::{self, fold};
use stationkeep::script::card::{self, Card};
use stationkeep::script::{self, Memory, Request, Way};
use stationkeep::setting::{Code, Codes, Name, Reference};
use stationkeep::web::{Leads, card_page};
use uuid::Uuid;

use super::house::{NOON, loaded, sample, view};

/// The text of a page as it is read: elements inside a line add nothing, all others a space; white space is one space.
pub fn text_of(html: &str) -> String {
    let body = html.split_once("<body>").expect("a body").1;
    let mut text = String::new();
    for (nth, part) in body.split('<').enumerate() {
        let rest = if nth == 0 {
            part
        } else {
            let (tag, rest) = part.split_once('>').expect("a tag ends");
            let name = tag.trim_start_matches('/').split([' ', '/']).next().unwrap_or_default();
            if !["a", "strong", "code", "span"].contains(&name) {
                text.push(' ');
            }
            rest
        };
        text.push_str(rest);
    }
    let text = text.replace("&lt;", "<").replace("&gt;", ">").replace("&quot;", "\"").replace("&amp;", "&");
    collapsed(&text)
}

fn collapsed(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Every line of the card's text stands in the page's text. Lines are wrapped at white space and hyphens, so each is a
/// piece of what the page says in one go.
fn lacking(card: &Card, html: &str) -> Vec<String> {
    let said = text_of(html);
    let is_said = |line: &str| {
        let line = collapsed(line);
        let title = line.trim_end_matches('-').trim_end();
        let keys = line.split_once(' ').map(|(_, keys)| keys);
        if line.contains("[ ] accepted") {
            return ["accepted: ", "refused: ", "nothing: "].iter().all(|word| said.contains(word));
        }
        // A page has a link in the place of the command.
        if line.starts_with("The way back: stationkeep") {
            return said.contains("The way back: to what last worked");
        }
        let plain = line.trim_start_matches("* ").trim_start_matches("! ");
        said.contains(plain)
            || (line.ends_with("---") && said.to_uppercase().contains(title))
            || keys.is_some_and(|keys| said.contains(keys) && is_label(&line))
    };
    card::text(card).lines().filter(|line| !line.trim().is_empty() && !is_said(line)).map(str::to_owned).collect()
}

/// Whether a line begins with what is keyed: `open`, `close` or a number.
fn is_label(line: &str) -> bool {
    let label = line.split(' ').next().unwrap_or_default();
    matches!(label, "open" | "close") || label.parse::<u32>().is_ok()
}

/// How many things there are to key, and to hear.
fn counts(card: &Card, html: &str) {
    let lines: usize = card.calls.iter().map(|call| call.lines.len()).sum();
    let heard = card::text(card).matches("[ ] accepted").count();
    assert_eq!(html.matches("<p class=\"keys\">").count(), lines);
    assert_eq!(html.matches("<fieldset>").count(), heard);
    for call in &card.calls {
        let accepted = format!("accepted</strong>: {}", call.accepted);
        let refused = format!("refused</strong>: {}", call.refused);
        assert!(html.contains(&accepted) && html.contains(&refused), "what to listen for stands at each step");
    }
}

/// Cards of all sample stations, there and back.
async fn sample_cards() -> Vec<Card> {
    let home = sample();
    let config = loaded(home.path());
    let (view, _) = view(&config).await;
    let mut cards = Vec::new();
    for row in view.rows.iter() {
        for way in [Way::There, Way::Back] {
            if let Keying::Script { script, codes, .. } = view.keying(row, way, &mut Memory::default()) {
                cards.push(Card::of(&script, &row.station, &codes, None, Uuid::nil()));
            }
        }
    }
    cards
}

#[tokio::test(flavor = "multi_thread")]
async fn the_page_of_every_sample_station_says_all_that_its_text_says() {
    let cards = sample_cards().await;
    assert!(cards.len() > 10, "only {}", cards.len());
    for card in &cards {
        let html = card_page(card, None, None, Leads::On);
        assert_eq!(lacking(card, &html), Vec::<String>::new(), "{}", card.station);
        counts(card, &html);
    }
    // The comparison notices what is missing: a page of another card is not one of this.
    let other = card_page(&cards[0], None, None, Leads::On);
    assert!(cards[1..].iter().all(|card| card.digest == cards[0].digest || !lacking(card, &other).is_empty()));
}

/// What a card says above the report that is to be filled in, whose keys are a file's.
fn above_the_report(text: &str) -> &str {
    text.split("REPORT BACK").next().unwrap_or_default()
}

/// The names of settings with a dot, and of commands with a hyphen, that a text holds.
fn words_of_files(text: &str, keybook: &Keybook) -> Vec<String> {
    let names =
        keybook.settings.iter().map(|setting| &setting.name).chain(keybook.commands.iter().map(|one| &one.name));
    let of_files = names.filter(|name| name.contains(['.', '-']));
    of_files.filter(|name| text.contains(&***name)).map(|name| name.to_string()).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn no_card_of_the_sample_holds_the_name_of_a_setting_or_a_command() {
    let home = sample();
    let config = loaded(home.path());
    let (view, _) = view(&config).await;
    let mut looked_at = 0;
    for row in view.rows.iter() {
        // As it is on record, and where nobody knows anything.
        for way in [Way::There, Way::Back] {
            let Keying::Script { script, codes, .. } = view.keying(row, way, &mut Memory::default()) else { continue };
            let text = card::text(&Card::of(&script, &row.station, &codes, None, Uuid::nil()));
            let found = words_of_files(above_the_report(&text), &row.station.keybook);
            assert_eq!(found, Vec::<String>::new(), "{text}");
            looked_at += 1;
        }
    }
    assert!(looked_at > 10, "only {looked_at}");
}

#[tokio::test(flavor = "multi_thread")]
async fn in_a_rehearsal_a_card_says_so_before_everything_else() {
    for card in sample_cards().await {
        let real = card::text(&card);
        let card = card.rehearsed(true);
        let text = card::text(&card);
        assert!(text.starts_with("REHEARSAL: "), "{text}");
        assert!(text.ends_with(&real) && !real.contains("REHEARSAL"), "and else it is the same");
        let html = card_page(&card, None, None, Leads::On);
        assert!(html.contains("<title>REHEARSAL: "), "{html}");
        let (rehearsal, heading) = (html.find("REHEARSAL: the clock"), html.find("<h1>"));
        assert!(rehearsal.is_some() && rehearsal < heading, "{html}");
    }
}

/// By html5lib, whose strict parser takes no error; and by rules of reading aloud that a parser does not know.
#[tokio::test(flavor = "multi_thread")]
async fn an_outside_parser_finds_no_fault_with_any_page() {
    let python = std::env::var("STATIONKEEP_TEST_PYTHON")
        .expect("STATIONKEEP_TEST_PYTHON is not set: run tests/run, which sets up what the tests need");
    let folder = tempfile::tempdir().expect("a folder");
    let mut cards = sample_cards().await;
    let odd = &mut cards[0];
    odd.station = "<b>&\"'</title>".into();
    odd.location = "</main><script>alert(1)</script>".into();
    odd.report = "note: </pre><!-- \u{0} ".replace('\u{0}', "");
    for (nth, card) in cards.iter().enumerate() {
        let since = (nth == 1).then(|| NOON.parse().expect("a time"));
        fs::write(folder.path().join(format!("{nth:03}.html")), card_page(card, since, None, Leads::On))
            .expect("a page");
    }
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/card/check_pages.py");
    let run = Command::new(python).arg(script).arg(folder.path()).output().expect("Python runs");
    let said = String::from_utf8_lossy(&run.stdout);
    assert!(run.status.success(), "{said}{}", String::from_utf8_lossy(&run.stderr));
    assert!(said.contains(&format!("{} pages, 0 faults", cards.len())), "{said}");
}

fn codes() -> Codes {
    let mut codes = Codes::new(b"a key");
    codes.learn(Reference::File("new".into()), Code::new("471100"));
    codes.learn(Reference::File("old".into()), Code::new("1234"));
    codes
}

fn tern() -> Arc<Keybook> {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/config/keybooks/tern-2.yaml");
    let (book, findings) = keybook::read(&"tern-2.yaml".into(), &fs::read(path).expect("a keybook"));
    assert!(findings.is_empty(), "{findings:?}");
    Arc::new(book.expect("a keybook"))
}

/// A station of the sample's model with these settings wanted.
fn station(name: &str, location: &str, wanted: &str) -> Arc<Station> {
    let quoted = |text: &str| serde_json::to_string(text).expect("a text");
    let text = format!(
        "inventory: 1\nsites:\n  quay:\n    line: {{kind: pbx, outside: \"9,\", country: GB}}\n    stations:\n      \
         {}: {{number: \"+441632960121\", where: {}, model: tern-2, settings: {{{wanted}}}}}\n",
        quoted(name),
        quoted(location)
    );
    let (raw, findings) = inventory::read(&"i.yaml".into(), text.as_bytes());
    assert!(!findings.iter().any(|finding| finding.is_error()), "{findings:#?}\n{text}");
    let (inventory, _) = inventory::resolve(&[Arc::new(raw)], &[(Name::from("tern-2"), tern())].into(), &codes());
    inventory.stations[name].clone()
}

fn some_of(settings: &'static [(&'static str, &'static [&'static str])]) -> impl Strategy<Value = String> {
    let one = |(name, values): &(&'static str, &'static [&'static str])| {
        let (name, values) = (*name, *values);
        prop_oneof![3 => (0..values.len()).prop_map(move |at| Some(format!("{name}: {}", values[at]))), 1 => Just(None)]
    };
    settings
        .iter()
        .map(one)
        .collect::<Vec<_>>()
        .prop_map(|all| all.into_iter().flatten().collect::<Vec<_>>().join(", "))
}

const SETTINGS: &[(&str, &[&str])] = &[
    ("access", &["{secret: \"file:new\"}", "{secret: \"file:old\"}", "{secret: \"file:unread\"}"]),
    ("identity", &["\"0\"", "\"7\"", "\"12345\""]),
    ("line.kind", &["direct", "pbx"]),
    ("emergency.primary", &["\"5\"", "\"9,01632960101\""]),
    ("emergency.backup", &["\"\"", "\"6\"", "\"9,01632960177\""]),
];

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    #[test]
    fn the_page_of_any_script_says_all_that_its_text_says_and_no_name_becomes_markup(
        name in "[A-Za-z<>&\"'é/=; -]{0,12}[A-Za-z<>&\"'é]", location in "[A-Za-z<>&\"'é;# -]{0,40}",
        wanted in some_of(SETTINGS), held in some_of(SETTINGS), back in any::<bool>(),
    ) {
        let name = format!("N{}", name.trim());
        let station = station(&name, location.trim(), &wanted);
        let text = format!(
            "report: 1\nid: 019a6c1e-8f00-7000-8000-000000000001\nstation: {}\nat: 2026-11-20T10:14:00Z\nby: t\nleft: {{{held}}}\n",
            serde_json::to_string(&name).unwrap()
        );
        let mut report = ledger::read(&"r.yaml".into(), text.as_bytes()).expect("a report").0;
        report.seal(&codes());
        let record = fold(&station.keybook, &[report], |_| None);
        let way = if back { Way::Back } else { Way::There };
        let drift = look(&station, &record, Rules { reconfirm_days: 365, require_tests: true }, NOON.parse().unwrap());
        let (contacts, codes) = (BTreeMap::new(), codes());
        let request = Request { station: &station, record: &record, drift: &drift, contacts: &contacts, codes: &codes };
        let Ok(Some(script)) = script::write(&request, way, &mut Memory::default()) else { return Ok(()) };
        let card = Card::of(&script, &station, &codes, None, Uuid::nil());
        let text = card::text(&card);
        prop_assert_eq!(words_of_files(above_the_report(&text), &station.keybook), Vec::<String>::new(), "{}", text);
        let html = card_page(&card, None, None, Leads::On);
        prop_assert_eq!(lacking(&card, &html), Vec::<String>::new());
        counts(&card, &html);
        let known = ["html", "head", "meta", "title", "style", "body", "main", "h1", "h2", "h3", "p", "ul", "ol", "li", "a",
            "br", "span", "strong", "code", "fieldset", "legend", "label", "input", "pre", "div", "!DOCTYPE"];
        for tag in html.split('<').skip(1) {
            let name = tag.trim_start_matches('/').split([' ', '>']).next().unwrap();
            prop_assert!(known.contains(&name), "<{}", tag);
        }
    }
}
