//! The sample, mistakes in it, and what a whole fleet shows.

use super::*;
use crate::inventory::{Form, Layer, read, spoken};
use crate::keybook::sample::{TERN, keybook};
use crate::setting::{self, Reference};

const FLEET: &str = r#"inventory: 1
fleet: Skerry Coast Harbours
contacts:
  control-room:  {calls: "+441632960101"}
  duty-officer:  {calls: "+441632960177"}
profiles:
  quayside: {model: tern-2, settings: {emergency.primary: {to: control-room}, lamp.follows: [emergency], line.kind: {from: line}}}
sites:
  east-quay:
    line: {kind: pbx, outside: "9,", country: GB, form: national}
    settings: {emergency.backup: {to: duty-officer}}
    stations:
      EQ-01: {number: "+441632960121", where: "head of ladder 1", profiles: [quayside], settings: {identity: "121", access: {secret: "file:a"}}}
"#;

fn books() -> Keybooks {
    let factory = TERN.replace(
        "access:            {kind: secret, digits: [4, 8]}",
        "access: {kind: secret, digits: [4, 8], factory: \"0000\"}",
    );
    [(Name::from("tern-2"), keybook(TERN)), (Name::from("tern-2f"), keybook(&factory.replace("tern-2", "tern-2f")))]
        .into()
}

fn codes() -> Codes {
    let mut codes = Codes::new(b"a key");
    for (path, code) in [("a", "4711"), ("zero", "0000"), ("long", "123456789"), ("words", "open")] {
        codes.learn(Reference::File(path.into()), setting::Code::new(code));
    }
    codes
}

fn resolved(texts: &[&str]) -> (Inventory, Vec<Finding>) {
    let mut findings = Vec::new();
    let mut files = Vec::new();
    for (nth, text) in texts.iter().enumerate() {
        let (raw, found) = read(&format!("{nth}.yaml").into(), text.as_bytes());
        files.push(Arc::new(raw));
        findings.extend(found);
    }
    let (inventory, found) = resolve(&files, &books(), &codes());
    findings.extend(found);
    settle(&mut findings);
    (inventory, findings)
}

fn wanted(inventory: &Inventory, station: &str, setting: &str) -> Option<String> {
    let station = &inventory.stations[station];
    station.wanted(station.keybook.id(setting).unwrap()).map(|wanted| wanted.value.to_string())
}

/// The one finding that an edit of the sample makes: its code, place and fix.
fn finding(from: &str, to: &str) -> (Code, String, String) {
    assert!(FLEET.contains(from), "{from}");
    let (_, findings) = resolved(&[&FLEET.replace(from, to)]);
    assert_eq!(findings.len(), 1, "{from} -> {to}: {findings:#?}");
    (findings[0].code, findings[0].place.to_string(), findings[0].fix.clone())
}

#[test]
fn the_sample_means_what_its_author_meant() {
    let (inventory, findings) = resolved(&[FLEET]);
    assert_eq!(findings, []);
    for (setting, value) in [
        ("emergency.primary", Some("\"9,01632960101\"")),
        ("emergency.backup", Some("\"9,01632960177\"")),
        ("lamp.follows", Some("[emergency]")),
        ("line.kind", Some("pbx")),
        ("identity", Some("\"121\"")),
        ("access", Some("(secret file:a)")),
        ("gate.seconds", None),
    ] {
        assert_eq!(wanted(&inventory, "EQ-01", setting).as_deref(), value, "{setting}");
    }
    let station = &inventory.stations["EQ-01"];
    assert_eq!(station.line.form, Some(Form::National));
    let primary = station.wanted(station.keybook.id("emergency.primary").unwrap()).unwrap();
    assert_eq!(
        (primary.place.to_string().as_str(), &primary.layer),
        ("0.yaml:7:59", &Layer::Profile("quayside".into()))
    );
}

#[test]
fn later_layers_win_and_null_takes_a_setting_out() {
    let text = FLEET
        .replace("contacts:\n", "settings: {gate.seconds: 9, emergency.backup: \"1\", identity: \"5\"}\ncontacts:\n")
        .replace("identity: \"121\"", "identity: \"121\", lamp.follows: null, gate.seconds: 7");
    let (inventory, findings) = resolved(&[&text]);
    assert_eq!(findings, []);
    assert_eq!(wanted(&inventory, "EQ-01", "gate.seconds").as_deref(), Some("7"));
    assert_eq!(wanted(&inventory, "EQ-01", "emergency.backup").as_deref(), Some("\"9,01632960177\""));
    assert_eq!(wanted(&inventory, "EQ-01", "lamp.follows"), None);
}

#[test]
fn a_station_may_override_its_line_and_stand_at_top_level() {
    let more = r#"inventory: 1
stations:
  EQ-02: {site: east-quay, number: "+441632960122", profiles: [quayside], line: {kind: ringdown}, settings: {identity: "122"}}
"#;
    let (inventory, findings) = resolved(&[FLEET, more]);
    assert_eq!(findings, []);
    assert_eq!(wanted(&inventory, "EQ-02", "emergency.primary").as_deref(), Some("\"000\""));
    assert_eq!(wanted(&inventory, "EQ-02", "line.kind").as_deref(), Some("ringdown"));
}

#[test]
fn every_mistake_is_found_at_the_line_that_made_it() {
    // The last column is the text that the finding must point at.
    for (from, to, code, point) in [
        ("{to: control-room}", "{to: contorl-room}", Code::NameUnknown, "contorl-room"),
        ("profiles: [quayside]", "profiles: [quaysdie]", Code::NameUnknown, "quaysdie"),
        ("model: tern-2,", "model: tern-3,", Code::NameUnknown, "tern-3"),
        ("identity: \"121\"", "identity: \"123456789\"", Code::ValueOutside, "\"123456789\""),
        ("identity: \"121\"", "identity: \"121\", idenity: \"1\"", Code::NameUnknown, "idenity"),
        ("identity: \"121\"", "identity: 121", Code::Unquoted, "121,"),
        ("identity: \"121\"", "identity: {to: duty-officer}", Code::ValueOutside, "{to: duty-officer}, acc"),
        ("outside: \"9,\"", "outside: \"9*\"", Code::PauseUnstorable, "{to: control-room}"),
        ("outside: \"9,\"", "outside: \"9,99999999999\"", Code::ValueOutside, "{to: control-room}"),
        ("kind: pbx, ", "", Code::LineIncomplete, "{to: control-room}"),
        ("\"file:a\"", "\"file:long\"", Code::SecretUnfit, "{secret:"),
        ("\"file:a\"", "\"file:words\"", Code::SecretUnfit, "{secret:"),
        ("\"file:a\"", "\"file:gone\"", Code::SecretUnread, "{secret:"),
        ("{secret: \"file:a\"}", "\"4711\"", Code::SecretLiteral, "\"4711\""),
        ("number: \"+441632960121\", ", "", Code::KeyMissing, "{where:"),
        ("\"+441632960121\"", "\"01632960121\"", Code::NotE164, "\"01632960121\""),
        ("\"+441632960121\"", "\"+4416329601210\"", Code::NumberImpossible, "\"+4416329601210\""),
        ("\"+441632960121\"", "\"+441632960101\"", Code::CallsStation, "{to: control-room}"),
        ("country: GB", "country: XX", Code::NameUnknown, "XX"),
        ("inventory: 1", "inventory: 2", Code::Version, "2"),
        ("{emergency.backup", "{emergency.bakcup: \"1\", emergency.backup", Code::SettingNowhere, "emergency.bakcup"),
        ("{calls: \"+441632960177\"}", "{calls: \"+441632960177\", dial: \"5\"}", Code::WrongShape, "duty-officer:  {"),
    ] {
        assert!(FLEET.contains(from), "{from}");
        let text = FLEET.replace(from, to);
        let (_, findings) = resolved(&[&text]);
        let found = findings.iter().find(|f| f.code == code);
        let found = found.unwrap_or_else(|| panic!("{from} -> {to}: {findings:#?}"));
        let before = &text[..text.find(point).unwrap()];
        let line = before.matches('\n').count() + 1;
        let column = before.chars().rev().take_while(|c| *c != '\n').count() + 1;
        assert_eq!(found.place.to_string(), format!("0.yaml:{line}:{column}"), "{from} -> {to}: {found}");
        assert!(!found.fix.is_empty());
    }
}

#[test]
fn a_near_miss_is_named() {
    assert_eq!(finding("profiles: [quayside]", "profiles: [quayside, quaysdie]").2, "Did you mean `quayside`?");
    assert_eq!(finding("calls: \"+441632960177\"", "calls: \"+44 1632 960177\"").2, "Write \"+441632960177\".");
}

#[test]
fn what_is_defined_twice_is_told_with_both_places() {
    let again = "inventory: 1\nfleet: Other\ncontacts: {control-room: {extension: \"1\"}}\nsites: {east-quay: {}}\nstations: {EQ-01: {site: east-quay, number: \"+441632960129\", model: tern-2}}\nprofiles: {quayside: {}}\n";
    let (_, findings) = resolved(&[FLEET, again]);
    let twice: Vec<_> = findings.iter().filter(|f| matches!(f.code, Code::NameRepeated | Code::FleetTwice)).collect();
    assert_eq!(twice.len(), 5, "{findings:#?}");
    assert!(twice.iter().all(|f| &*f.place.file == "1.yaml" && &*f.related[0].0.file == "0.yaml"));
}

#[test]
fn stations_that_cannot_be_told_apart_are_refused() {
    let more = |number: &str, identity: &str| {
        format!(
            "inventory: 1\nstations: {{EQ-02: {{site: east-quay, number: \"{number}\", profiles: [quayside], settings: {{identity: \"{identity}\"}}}}}}\n"
        )
    };
    let codes = |text: String| resolved(&[FLEET, &text]).1.iter().map(|f| f.code).collect::<Vec<_>>();
    assert_eq!(codes(more("+441632960121", "5")), [Code::NumberShared]);
    assert_eq!(codes(more("+441632960122", "121")), [Code::LocatingShared]);
    assert_eq!(codes(more("+441632960122", "5")), []);
}

#[test]
fn a_station_that_would_call_a_station_is_refused_however_it_dials() {
    for dialled in ["9,01632960121", "9,00441632960121", "901632960121"] {
        let (_, findings) = resolved(&[&FLEET.replace("{to: duty-officer}", &format!("\"{dialled}\""))]);
        assert!(findings.iter().any(|f| f.code == Code::CallsStation), "{dialled}: {findings:#?}");
    }
}

#[test]
fn what_may_fail_somebody_is_warned_of() {
    let warned = |from: &str, to: &str| {
        let (_, findings) = resolved(&[&FLEET.replace(from, to)]);
        assert!(findings.iter().all(|f| !f.is_error()), "{findings:#?}");
        findings.into_iter().map(|f| f.code).collect::<Vec<_>>()
    };
    assert_eq!(warned("{calls: \"+441632960101\"}", "{short: \"999\"}"), [Code::ShortPrefixed]);
    assert_eq!(warned("{calls: \"+441632960177\"}", "{extension: \"4410\"}"), []);
    let direct = FLEET.replace("kind: pbx, outside: \"9,\"", "kind: direct");
    let direct = direct.replace("{calls: \"+441632960177\"}", "{extension: \"4410\"}");
    assert_eq!(resolved(&[&direct]).1.iter().map(|f| f.code).collect::<Vec<_>>(), [Code::ExtensionOutside]);
    assert_eq!(warned("line.kind: {from: line}", "gate.seconds: 5"), [Code::LifelineUnmanaged]);
    assert_eq!(warned("emergency.backup: {to: duty-officer}", "gate.seconds: 5"), [Code::ContactUnused]);
    let factory = FLEET.replace("model: tern-2", "model: tern-2f").replace("file:a", "file:zero");
    assert_eq!(resolved(&[&factory]).1.iter().map(|f| f.code).collect::<Vec<_>>(), [Code::CodeFactory]);
}

#[test]
fn names_in_layers_that_no_station_takes_are_checked_too() {
    let more = "inventory: 1\nprofiles:\n  spare: {model: tern-2, settings: {idenity: \"1\", emergency.backup: {to: nobody}}}\n  odd: {model: tern-9}\n";
    let (_, findings) = resolved(&[FLEET, more]);
    let found: Vec<_> = findings.iter().map(|f| (f.code, f.place.line)).collect();
    assert_eq!(found, [(Code::NameUnknown, 3), (Code::NameUnknown, 3), (Code::NameUnknown, 4)], "{findings:#?}");
}

#[test]
fn an_empty_inventory_is_an_error() {
    assert_eq!(resolved(&["inventory: 1\nfleet: Nobody\n"]).1[0].code, Code::InventoryEmpty);
    assert_eq!(resolved(&[]).1[0].code, Code::InventoryEmpty);
}

#[test]
fn the_same_files_give_the_same_bytes() {
    let once = format!("{:?}", resolved(&[FLEET]));
    for _ in 0..10 {
        assert_eq!(format!("{:?}", resolved(&[FLEET])), once);
    }
}

#[test]
fn explaining_names_every_layer_that_spoke_with_the_winner_last() {
    let text = FLEET.replace("identity: \"121\"", "identity: \"121\", emergency.backup: \"\"");
    let (raw, _) = read(&"0.yaml".into(), text.as_bytes());
    let voices = spoken(&[Arc::new(raw)], "EQ-01", "emergency.backup");
    let layers: Vec<_> = voices.iter().map(|voice| voice.layer.to_string()).collect();
    assert_eq!(layers, ["site east-quay", "station"]);
}
