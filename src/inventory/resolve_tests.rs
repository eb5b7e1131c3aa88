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
    let overruled: Vec<_> = findings.iter().map(|f| (f.code, f.place.line, f.place.column)).collect();
    assert_eq!(
        overruled,
        [(3, 12), (3, 29), (3, 52), (8, 79)].map(|(line, column)| (Code::LineOverruled, line, column))
    );
    assert_eq!(wanted(&inventory, "EQ-01", "gate.seconds").as_deref(), Some("7"));
    assert_eq!(wanted(&inventory, "EQ-01", "emergency.backup").as_deref(), Some("\"9,01632960177\""));
    assert_eq!(wanted(&inventory, "EQ-01", "lamp.follows"), None);
}

#[test]
fn a_station_may_override_its_line_and_stand_at_top_level() {
    let more = r#"inventory: 1
stations:
  EQ-02: {site: east-quay, number: "+441632960122", where: quay, profiles: [quayside], line: {kind: ringdown}, settings: {identity: "122"}}
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
    assert_eq!(
        finding("profiles: [quayside]", "profiles: [quayside, quaysdie]").2,
        "If you mean \"quayside\", write that."
    );
    assert_eq!(finding("calls: \"+441632960177\"", "calls: \"+44 1632 960177\"").2, "Write \"+441632960177\".");
}

#[test]
fn what_is_defined_twice_is_told_with_both_places() {
    let again = "inventory: 1\nfleet: Other\ncontacts: {control-room: {extension: \"1\"}}\nsites: {east-quay: {}}\nstations: {EQ-01: {site: east-quay, number: \"+441632960129\", where: quay, model: tern-2}}\nprofiles: {quayside: {}}\n";
    let (_, findings) = resolved(&[FLEET, again]);
    let twice: Vec<_> = findings.iter().filter(|f| matches!(f.code, Code::NameRepeated | Code::FleetTwice)).collect();
    assert_eq!(twice.len(), 5, "{findings:#?}");
    assert!(twice.iter().all(|f| &*f.place.file == "1.yaml" && &*f.related[0].0.file == "0.yaml"));
}

#[test]
fn stations_that_cannot_be_told_apart_are_rejected() {
    let more = |number: &str, identity: &str| {
        format!(
            "inventory: 1\nstations: {{EQ-02: {{site: east-quay, number: \"{number}\", where: quay, profiles: [quayside], settings: {{identity: \"{identity}\"}}}}}}\n"
        )
    };
    let codes = |text: String| resolved(&[FLEET, &text]).1.iter().map(|f| f.code).collect::<Vec<_>>();
    assert_eq!(codes(more("+441632960121", "5")), [Code::NumberShared]);
    assert_eq!(codes(more("+441632960122", "121")), [Code::LocatingShared]);
    assert_eq!(codes(more("+441632960122", "5")), []);
}

#[test]
fn a_station_that_would_call_a_station_is_rejected_however_it_dials() {
    for dialled in ["9,01632960121", "9,00441632960121", "901632960121"] {
        let (_, findings) = resolved(&[&FLEET.replace("{to: duty-officer}", &format!("\"{dialled}\""))]);
        assert!(findings.iter().any(|f| f.code == Code::CallsStation), "{dialled}: {findings:#?}");
    }
}

#[test]
fn what_may_fail_someone_is_warned_of() {
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

#[test]
fn a_line_that_is_overruled_wherever_it_could_count_is_warned_of_with_what_counts_instead() {
    let second = r#"inventory: 1
stations:
  EQ-02: {site: east-quay, number: "+441632960122", where: quay, profiles: [quayside], settings: {identity: "122"}}
"#;
    let told = |text: &str, more: &[&str]| {
        let (_, findings) = resolved(&[&[text], more].concat());
        let told = |f: Finding| format!("{} {} {}", f.code, f.place, f.related[0].0);
        findings.into_iter().map(told).collect::<Vec<_>>()
    };
    // One station says otherwise itself; as soon as another takes the line, it counts.
    let own = FLEET.replace("identity: \"121\"", "identity: \"121\", emergency.backup: \"1\"");
    let contact = own.replace(
        "settings: {emergency.backup: {to: duty-officer}}",
        "settings: {emergency.backup: {to: duty-officer}, gate.seconds: 5}",
    );
    assert_eq!(told(&contact, &[]), ["line-overruled 0.yaml:11:16 0.yaml:13:135"]);
    assert_eq!(told(&contact, &[second]), [""; 0]);
    // A profile overrules the site, at every station; the fleet's line counts nowhere either.
    let profile = FLEET.replace("lamp.follows: [emergency]", "emergency.backup: \"1\"");
    let fleet = profile.replace("contacts:\n", "settings: {emergency.backup: \"2\", gate.seconds: 5}\ncontacts:\n");
    for more in [&[][..], &[second]] {
        let all = ["line-overruled 0.yaml:3:12 0.yaml:8:97", "line-overruled 0.yaml:12:16 0.yaml:8:97"];
        assert_eq!(told(&fleet, more), all, "{more:?}");
    }
    // Taking a setting out of management is a word like any other; where no model has the setting, nobody is overruled.
    let null = FLEET.replace("identity: \"121\"", "identity: \"121\", emergency.backup: null");
    let (_, findings) = resolved(&[&null]);
    assert!(findings.iter().any(|f| f.code == Code::LineOverruled), "{findings:#?}");
}

#[test]
fn a_former_name_is_one_stations_alone() {
    let more = |own: &str, other: &str| {
        format!(
            "inventory: 1\nstations:\n  EQ-02: {{site: east-quay, number: \"+441632960122\", where: quay, profiles: [quayside], settings: \
             {{identity: \"122\"}}, formerly: {own}}}\n  EQ-03: {{site: east-quay, number: \"+441632960123\", where: quay, profiles: \
             [quayside], settings: {{identity: \"123\"}}, formerly: {other}}}\n"
        )
    };
    for (own, other, told) in [
        ("EQ-90", "[EQ-91, 92]", &[][..]),
        ("[]", "EQ-90", &[]),
        ("EQ-01", "EQ-90", &["EQ-02 was formerly EQ-01, but a station is called EQ-01 now."]),
        ("EQ-02", "EQ-90", &["EQ-02 was formerly EQ-02, but a station is called EQ-02 now."]),
        // Nothing is followed further: the name that a station has now is no former one.
        ("EQ-90", "EQ-02", &["EQ-03 was formerly EQ-02, but a station is called EQ-02 now."]),
        ("[EQ-91, EQ-90]", "EQ-90", &["EQ-03 and EQ-02 both say that they were formerly EQ-90."]),
        ("[EQ-90, EQ-90]", "EQ-91", &["\"formerly\" names EQ-90 twice."]),
        ("[\"\", EQ-90]", "EQ-91", &["A former name is empty."]),
    ] {
        let (inventory, findings) = resolved(&[FLEET, &more(own, other)]);
        assert_eq!(findings.iter().map(|f| &*f.message).collect::<Vec<_>>(), told);
        assert!(findings.iter().all(|f| f.code == Code::FormerName && &*f.place.file == "1.yaml"));
        if told.is_empty() && own == "EQ-90" {
            assert_eq!(*inventory.stations["EQ-02"].formerly, ["EQ-90".into()]);
            assert_eq!(*inventory.stations["EQ-03"].formerly, ["EQ-91".into(), "92".into()]);
        }
    }
}

#[test]
fn an_exchange_says_what_it_takes_before_a_public_number() {
    let bare = FLEET.replace("outside: \"9,\", ", "");
    let codes = |text: &str| resolved(&[text]).1.iter().map(|f| (f.code, f.place.to_string())).collect::<Vec<_>>();
    let missing = |place: &str| (Code::LineIncomplete, format!("0.yaml:{place}"));
    assert_eq!(codes(&bare), [missing("7:59"), missing("11:34")]);
    // Extensions and dial strings need none, nor does a short code that the exchange takes directly.
    let inside = bare.replace("{calls: \"+441632960177\"}", "{extension: \"4410\"}");
    assert_eq!(codes(&inside), [missing("7:59")]);
    let short = inside.replace("{calls: \"+441632960101\"}", "{short: \"999\"}");
    assert_eq!(codes(&short), [missing("7:59")]);
    assert_eq!(codes(&short.replace("kind: pbx", "kind: pbx, short_direct: true")), []);
    // A station may say it, and that nothing is needed is said, too.
    assert_eq!(codes(&bare.replace("profiles: [quayside],", "profiles: [quayside], line: {outside: \"9,\"},")), []);
    let (inventory, findings) = resolved(&[&bare.replace("kind: pbx", "kind: pbx, outside: \"\"")]);
    assert_eq!(findings, []);
    assert_eq!(wanted(&inventory, "EQ-01", "emergency.primary").as_deref(), Some("\"01632960101\""));
}

#[test]
fn a_number_that_keeps_its_trunk_prefix_is_rejected_with_the_number_that_is_meant() {
    for digits in ["1632960177", "1632960121"] {
        let meant = format!("\"+44{digits}\"");
        let (_, findings) = resolved(&[&FLEET.replace(&meant, &format!("\"+440{digits}\""))]);
        assert_eq!(findings.iter().map(|f| f.code).collect::<Vec<_>>(), [Code::TrunkKept]);
        assert_eq!(findings[0].replacement.as_deref(), Some(&*meant));
    }
}
