//! Lifelines in an inventory: dead by order, not there, not managed whole.

use super::*;
use crate::inventory::read;
use crate::keybook::sample::{TERN, keybook};
use crate::setting::Value;

/// Two buttons, of which one works in a mode alone, and a fallback of it.
const LIFELINES: &str = "  red:
    settings: [emergency.primary]
    works: [{unit.mode: service, emergency.primary: filled, gate.seconds: {min: 5}}, {unit.mode: night}]
  spare: {backs: red, settings: [line.kind, emergency.backup]}
  blue: {settings: [line.kind, assistance]}
";

fn books() -> Keybooks {
    let settings = "  assistance: {kind: dial, digits: [0, 20]}\n  \
                    unit.mode: {kind: choice, values: {service: \"0\", night: \"1\", setup: \"2\"}, factory: setup, weight: lifeline}\n";
    let commands =
        "  - {command: mode, keys: \"50{unit.mode}\"}\n  - {command: assistance, keys: \"51{assistance}#\"}\n";
    let (before, after) = TERN.split_once("lifelines:\n").unwrap();
    let (_, after) = after.split_once("commands:\n").unwrap();
    let text = format!("{before}{settings}lifelines:\n{LIFELINES}commands:\n{commands}{after}");
    let text = text
        .replace("emergency.primary: {kind: dial, digits: [1, 20]", "emergency.primary: {kind: dial, digits: [0, 20]");
    [(Name::from("tern-2"), keybook(&text)), (Name::from("wren-1"), keybook(&TERN.replace("tern-2", "wren-1")))].into()
}

/// What each layer says of lifelines and settings, as the inside of a mapping; two stations.
#[derive(Clone, Copy, Default)]
struct Said {
    fleet: &'static str,
    site: &'static str,
    profile: &'static str,
    station: &'static str,
    mode: &'static str,
    primary: &'static str,
}

fn sound() -> Said {
    Said { mode: "service", primary: "{to: help}", ..Said::default() }
}

fn resolved(said: Said) -> (Inventory, Vec<Finding>) {
    let Said { fleet, site, profile, station, mode, primary } = said;
    let text = format!(
        "inventory: 1\ncontacts: {{help: {{calls: \"+441632960101\"}}}}\nlifelines: {{{fleet}}}\nprofiles:\n  quay:\n    \
         model: tern-2\n    settings: {{unit.mode: {mode}, emergency.primary: {primary}, line.kind: {{from: line}}, \
         gate.seconds: 7, assistance: {{to: help}}}}\n    lifelines: {{{profile}}}\nsites:\n  pier:\n    \
         line: {{kind: direct, country: GB}}\n    lifelines: {{{site}}}\n    stations:\n      \
         EQ-01: {{number: \"+441632960121\", where: quay, profiles: [quay], lifelines: {{{station}}}}}\n      \
         EQ-02: {{number: \"+441632960122\", where: quay, profiles: [quay]}}\n"
    );
    let (raw, mut findings) = read(&"fleet.yaml".into(), text.as_bytes());
    let (inventory, found) = resolve(&[Arc::new(raw)], &books(), &Codes::default());
    findings.extend(found);
    settle(&mut findings);
    (inventory, findings)
}

/// The one finding: its code, line, message and fix.
fn told(said: Said) -> Option<(Code, u32, String, String)> {
    let (_, findings) = resolved(said);
    assert!(findings.len() < 2, "{findings:#?}");
    findings.first().map(|f| (f.code, f.place.line, f.message.clone(), f.fix.clone()))
}

/// The lifelines that there are at each of the two stations.
fn there(said: Said) -> [String; 2] {
    let (inventory, findings) = resolved(said);
    assert!(!findings.iter().any(Finding::is_error), "{findings:#?}");
    ["EQ-01", "EQ-02"].map(|name| {
        let station = &inventory.stations[name];
        let all: Vec<(usize, &str)> = station.lifelines().map(|(at, lifeline)| (at, &*lifeline.name)).collect();
        assert!(all.iter().all(|(at, name)| *station.keybook.lifelines[*at].name == **name));
        all.iter().map(|(_, name)| *name).collect::<Vec<_>>().join(" ")
    })
}

#[test]
fn a_button_that_is_dead_by_order_is_an_error_once_for_all_stations_of_the_line() {
    assert_eq!(told(sound()), None);
    let message = "The button \"red\" of EQ-01 and 1 more station would call nobody: \"unit.mode\" is setup.";
    let fix = "Write service, or write lifelines: {red: none} where there is no such button.";
    assert_eq!(told(Said { mode: "setup", ..sound() }), Some((Code::LifelineDead, 7, message.into(), fix.into())));
    let message = "The button \"red\" of EQ-01 and 1 more station would call nobody: \"emergency.primary\" is \"\".";
    let fix = "Write {to: CONTACT} or a number, or write lifelines: {red: none} where there is no such button.";
    assert_eq!(told(Said { primary: "\"\"", ..sound() }), Some((Code::LifelineDead, 7, message.into(), fix.into())));
    // The other way of working does not ask for a number.
    assert_eq!(told(Said { mode: "night", primary: "\"\"", ..sound() }), None);
    // Nobody says what the number is: it may be there.
    let (_, findings) = resolved(Said { primary: "null", ..sound() });
    assert_eq!(findings.iter().map(|f| f.code).collect::<Vec<_>>(), [Code::LifelineUnmanaged]);
}

#[test]
fn the_station_that_says_so_itself_is_told_at_its_own_line_with_what_the_number_takes() {
    let text = |own: &str| {
        format!(
            "inventory: 1\nsites:\n  pier:\n    line: {{kind: direct, country: GB}}\n    settings: {{unit.mode: service}}\n    \
             stations:\n      EQ-01: {{number: \"+441632960121\", where: quay, model: tern-2, settings: {{{own}, \
             line.kind: direct, assistance: \"1\"}}}}\n"
        )
    };
    let dead = |own: &str| {
        let (raw, _) = read(&"fleet.yaml".into(), text(own).as_bytes());
        let (_, findings) = resolve(&[Arc::new(raw)], &books(), &Codes::default());
        let dead = findings.into_iter().find(|finding| finding.code == Code::LifelineDead);
        dead.map(|f| (f.place.line, f.message, f.fix))
    };
    let (line, message, fix) = dead("emergency.primary: \"1\", gate.seconds: 4").unwrap();
    assert_eq!((line, &*message), (7, "The button \"red\" of EQ-01 would call nobody: \"gate.seconds\" is 4."));
    assert_eq!(fix, "Write 5 or more, or write lifelines: {red: none} where there is no such button.");
    let (_, message, fix) = dead("emergency.primary: \"\", gate.seconds: 4").unwrap();
    assert!(message.ends_with("\"unit.mode\" is service."), "the nearest way: {message}");
    assert!(fix.starts_with("Write night, or"), "{fix}");
    assert_eq!(dead("emergency.primary: \"1\", gate.seconds: 5"), None);
}

/// What is said of a station of the sample's model, with these lifelines and settings: code, line, message and fix.
fn of_one(lifelines: &str, own: &str) -> Vec<(Code, u32, String, String)> {
    let (before, after) = TERN.split_once("lifelines:\n").unwrap();
    let (_, after) = after.split_once("commands:\n").unwrap();
    let book = keybook(&format!("{before}lifelines:\n{lifelines}commands:\n{after}"));
    let text = format!(
        "inventory: 1\nsites:\n  pier:\n    line: {{kind: direct, country: GB}}\n    stations:\n      \
         EQ-01: {{number: \"+441632960121\", where: quay, model: tern-2, settings: {{{own}}}}}\n"
    );
    let (raw, _) = read(&"fleet.yaml".into(), text.as_bytes());
    let (_, findings) = resolve(&[Arc::new(raw)], &[(Name::from("tern-2"), book)].into(), &Codes::default());
    findings.into_iter().map(|f| (f.code, f.place.line, f.message, f.fix)).collect()
}

#[test]
fn a_fallback_with_a_number_that_its_works_keeps_off_is_told() {
    let lifelines = "  red: [emergency.primary]\n  spare:\n    {backs: red, settings: [line.kind, emergency.backup], \
                     works: {line.kind: ringdown, emergency.backup: filled}}\n";
    let told = of_one(lifelines, "emergency.primary: \"1\", emergency.backup: \"2\", line.kind: direct");
    let message = "The fallback \"spare\" of EQ-01 is never tried or tested: \"line.kind\" is direct.";
    let fix = "Write ringdown, or fix \"works\" in the keybook, or write lifelines: {spare: none} where there is no such fallback.";
    assert_eq!(told, [(Code::FallbackOff, 6, message.into(), fix.into())]);
    let told = of_one(lifelines, "emergency.primary: \"1\", emergency.backup: \"\", line.kind: direct");
    assert_eq!(told, [], "nobody wants it tried");
    let told = of_one(lifelines, "emergency.primary: \"1\", emergency.backup: \"2\", line.kind: ringdown");
    assert_eq!(told, [], "it is in use");
}

#[test]
fn the_fix_of_a_dead_button_kills_no_other() {
    let both = |blue: &str| {
        format!(
            "  red: {{settings: [emergency.primary], works: {{line.kind: [pbx, ringdown], emergency.primary: filled}}}}\n  \
             blue: {{settings: [emergency.backup], works: {{line.kind: {blue}, emergency.backup: filled}}}}\n"
        )
    };
    let own = "emergency.primary: \"1\", emergency.backup: \"2\", line.kind: direct";
    let fix = |blue: &str| {
        let told = of_one(&both(blue), own);
        let [(Code::LifelineDead, _, _, fix)] = &told[..] else { panic!("{told:?}") };
        fix.clone()
    };
    assert_eq!(fix("[direct, pbx]"), "Write pbx, or write lifelines: {red: none} where there is no such button.");
    assert_eq!(
        fix("direct"),
        "No value suits every button of this station. Compare \"works\" with the manual, or write lifelines: {red: none} where there \
         is no such button."
    );
}

#[test]
fn a_station_without_any_button_is_told_once_for_all_that_the_line_leaves_so() {
    let all = Said { fleet: "red: none, blue: none", ..sound() };
    let message = "No button of EQ-01 and 1 more station is watched.";
    let fix = "Remove \"none\" for the button that is there: one of \"red\", \"blue\".";
    assert_eq!(told(all), Some((Code::ButtonNone, 3, message.into(), fix.into())));
    assert_eq!(told(Said { fleet: "red: none", ..sound() }), None);
}

#[test]
fn a_fallback_that_is_not_in_use_is_no_mistake() {
    let (inventory, findings) = resolved(Said { station: "blue: none", ..sound() });
    assert!(findings.is_empty(), "{findings:#?}");
    // Its number is empty by order, in the sample's keybook too.
    let station = &inventory.stations["EQ-01"];
    let spare = station.keybook.lifelines.iter().find(|lifeline| &*lifeline.name == "spare").unwrap();
    let empty = Value::Dial("".into());
    let backup = station.keybook.id("emergency.backup").unwrap();
    assert!(!spare.is_in_use(|id| (id == backup).then_some(&empty)) && spare.is_in_use(|_| None));
}

#[test]
fn a_button_that_is_not_there_goes_with_its_fallbacks_and_the_last_layer_has_the_last_word() {
    let all = "red spare blue";
    assert_eq!(there(sound()), [all, all]);
    assert_eq!(there(Said { station: "red: none", ..sound() }), ["blue", all]);
    assert_eq!(there(Said { fleet: "red: none", ..sound() }), ["blue", "blue"]);
    assert_eq!(there(Said { site: "spare: none", ..sound() }), ["red blue", "red blue"]);
    assert_eq!(there(Said { profile: "blue: none", ..sound() }), ["red spare", "red spare"]);
    assert_eq!(there(Said { fleet: "red: none", station: "red: null", ..sound() }), [all, "blue"]);
    assert_eq!(there(Said { site: "red: none", profile: "red: null", ..sound() }), [all, all]);
    assert_eq!(there(Said { profile: "red: null", station: "red: none", ..sound() }), ["blue", all]);
    // A fallback that is there without its button is none.
    assert_eq!(there(Said { site: "red: none", station: "spare: null", ..sound() }), ["blue", "blue"]);
    let (inventory, _) = resolved(Said { site: "red: none", ..sound() });
    let lines: Vec<u32> = inventory.stations["EQ-01"].absent.values().map(|place| place.line).collect();
    assert_eq!(lines, [12, 12], "the line that says so, for the fallback too");
}

#[test]
fn what_is_not_there_is_not_dead_and_not_asked_about() {
    assert_eq!(told(Said { mode: "setup", fleet: "red: none", ..sound() }), None);
    let (_, findings) = resolved(Said { mode: "setup", station: "red: none", ..sound() });
    let messages: Vec<&str> = findings.iter().map(|f| &*f.message).collect();
    assert_eq!(messages, ["The button \"red\" of EQ-02 would call nobody: \"unit.mode\" is setup."]);
    assert_eq!(told(Said { primary: "null", profile: "red: none", ..sound() }), None);
}

#[test]
fn a_lifeline_that_nobody_has_is_treated_as_such_a_setting() {
    let codes = |said| told(said).map(|(code, line, ..)| (code, line));
    assert_eq!(codes(Said { fleet: "rde: none", ..sound() }), Some((Code::SettingNowhere, 3)));
    assert_eq!(codes(Said { site: "green: none", ..sound() }), Some((Code::SettingNowhere, 12)));
    // Of another model.
    assert_eq!(codes(Said { fleet: "emergency: none", ..sound() }), None);
    assert_eq!(codes(Said { profile: "emergency: none", ..sound() }), Some((Code::NameUnknown, 8)));
    let (code, line, message, fix) = told(Said { station: "bleu: none", ..sound() }).unwrap();
    assert_eq!((code, line, &*message), (Code::NameUnknown, 14, "The model \"tern-2\" has no lifeline \"bleu\"."));
    assert_eq!(fix, "If you mean \"blue\", write that.");
    assert_eq!(codes(Said { station: "blue: false", ..sound() }), Some((Code::WrongShape, 14)));
    assert_eq!(codes(Said { site: "blue:", ..sound() }), Some((Code::WrongShape, 12)));
}

#[test]
fn a_line_about_a_lifeline_that_is_overruled_everywhere_is_told() {
    let (code, line, message, _) = told(Said { fleet: "blue: none", profile: "blue: null", ..sound() }).unwrap();
    assert_eq!((code, line), (Code::LineOverruled, 3));
    assert_eq!(message, "\"blue\" of the fleet has no effect: later layers overrule it everywhere.");
    assert_eq!(told(Said { fleet: "blue: none", station: "blue: null", ..sound() }), None);
}

#[test]
fn the_fleet_says_of_its_lifelines_in_one_file() {
    let text = "inventory: 1\nlifelines: {red: none}\n";
    let files: Vec<_> = (0..2).map(|n| Arc::new(read(&format!("{n}.yaml").into(), text.as_bytes()).0)).collect();
    let (_, findings) = resolve(&files, &books(), &Codes::default());
    assert!(
        findings.iter().any(|f| f.code == Code::FleetTwice && f.message == "The fleet's \"lifelines\" is given twice.")
    );
}

#[test]
fn a_setting_that_only_works_names_is_asked_for_where_it_matters_and_a_fallback_where_it_is_begun() {
    let gaps = |settings: &str| {
        let text = format!(
            "inventory: 1\nsites:\n  pier:\n    line: {{kind: direct, country: GB}}\n    stations:\n      EQ-01: {{number: \
             \"+441632960121\", where: quay, model: tern-2, lifelines: {{blue: none}}, settings: {{{settings}}}}}\n"
        );
        let (raw, _) = read(&"fleet.yaml".into(), text.as_bytes());
        let (_, findings) = resolve(&[Arc::new(raw)], &books(), &Codes::default());
        assert!(findings.iter().all(|f| f.code == Code::LifelineUnmanaged), "{findings:#?}");
        let missing =
            |f: &Finding| f.message.split('"').nth(1).unwrap().to_owned() + ":" + f.message.rsplit(':').next().unwrap();
        findings.iter().map(missing).collect::<Vec<_>>()
    };
    let red = |names: &str| format!("red: nothing is wanted for {names}.");
    assert_eq!(gaps("gate.seconds: 7"), [red("emergency.primary, unit.mode")]);
    assert_eq!(gaps("emergency.primary: \"1\""), [red("unit.mode, gate.seconds")]);
    assert_eq!(gaps("emergency.primary: \"1\", unit.mode: night"), [""; 0], "it works whatever the rest is");
    assert_eq!(gaps("unit.mode: night"), [red("emergency.primary")], "what it lists is always asked for");
    let spare = "spare: nothing is wanted for line.kind.".to_owned();
    assert_eq!(gaps("emergency.primary: \"1\", unit.mode: night, emergency.backup: \"2\""), [spare]);
    assert_eq!(gaps("emergency.primary: \"1\", unit.mode: night, emergency.backup: \"\""), [""; 0], "not in use");
}

/// What is said of a station whose name is this, beside that nothing is wanted of it.
fn named(name: &str) -> Vec<Code> {
    let name = serde_json::to_string(name).unwrap();
    let text = format!(
        "inventory: 1\nsites: {{pier: {{}}}}\nstations:\n  {name}: {{number: \"+441632960121\", site: pier}}\n"
    );
    let (_, findings) = read(&"fleet.yaml".into(), text.as_bytes());
    findings.into_iter().map(|finding| finding.code).collect()
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(500))]
    /// The general categories are those of the `regex-syntax` crate (Unicode Character Database), which makes the texts up.
    #[test]
    fn a_name_of_64_characters_that_all_stand_in_the_text_is_a_name_and_one_that_moves_or_hides_it_is_none(
        name in "[^\\p{Cc}\\p{Cf}\\p{Zl}\\p{Zp}\\p{Cn}]{0,30}[0-9A-Za-z][^\\p{Cc}\\p{Cf}\\p{Zl}\\p{Zp}\\p{Cn}]{0,33}",
        odd in "[\\p{Cf}\\p{Zl}\\p{Zp}]",
    ) {
        proptest::prop_assert!(!named(&name).contains(&Code::NameUnfit), "{:?}", name);
        let odd = name.chars().take(63).collect::<String>() + &odd;
        proptest::prop_assert!(named(&odd).contains(&Code::NameUnfit), "{:?}", odd);
    }
}

#[test]
fn a_name_that_is_empty_blank_or_longer_than_64_characters_is_none() {
    for name in ["", " ", "\u{a0}"] {
        assert_eq!(named(name), [Code::NameUnfit], "{name:?}");
    }
    assert_eq!(named(&"é".repeat(64)), []);
    assert_eq!(named(&"é".repeat(65)), [Code::NameUnfit]);
    assert_eq!(named("a\u{7}b"), [Code::NameUnfit]);
}

#[test]
fn a_contact_is_called_by_its_title_and_else_by_its_name() {
    let text = "inventory: 1\ncontacts:\n  control-room: {calls: \"+441632960101\", title: the control room}\n  \
                gate.house: {extension: \"4410\"}\n";
    let (raw, findings) = read(&"fleet.yaml".into(), text.as_bytes());
    assert_eq!(findings, []);
    let titles: Vec<String> = raw.contacts.iter().map(|(name, contact)| contact.title(name)).collect();
    assert_eq!(titles, ["the control room", "gate house"]);
}
