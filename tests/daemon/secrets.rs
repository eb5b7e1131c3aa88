//! Codes and other secrets: in scripts only, and compared all the same.

use std::fs;
use std::path::Path;

use base64::Engine as _;
use base64::engine::general_purpose::{STANDARD, URL_SAFE};

use super::fleet::{CODE, Fleet, NEW_OFFICER, OFFICER, SIGNING, commissioning, fleet_yaml, uuid};
use super::receiver::Receiver;
use super::told::{DRIFT, entry};

const NEW_CODE: &str = "90210773";

/// A text as it is, and as it may be hidden from someone who only looks for it so: in hexadecimal, in base64 at each of
/// the three places where its first byte may fall, and in UTF-16.
fn disguises(text: &str) -> Vec<Vec<u8>> {
    let hex: String = text.bytes().map(|byte| format!("{byte:02x}")).collect();
    let mut all = vec![text.as_bytes().to_vec(), hex.to_uppercase().into_bytes(), hex.into_bytes()];
    for engine in [STANDARD, URL_SAFE] {
        for before in 0..3 {
            let padded = [&vec![b' '; before], text.as_bytes()].concat();
            let whole = padded.len() / 3 * 3;
            // Only the signs that depend on the text alone.
            let signs = engine.encode(&padded[..whole]).into_bytes();
            all.push(signs[(before * 8).div_ceil(6)..].to_vec());
        }
    }
    all.push(text.encode_utf16().flat_map(u16::to_le_bytes).collect());
    all.push(text.encode_utf16().flat_map(u16::to_be_bytes).collect());
    all.retain(|one| one.len() >= 6);
    all
}

/// Which of these texts something holds, in whatever disguise.
fn held<'t>(bytes: &[u8], texts: &[&'t str]) -> Vec<&'t str> {
    let holds = |text: &&&str| {
        disguises(text).iter().any(|one| bytes.windows(one.len()).any(|window| window == one.as_slice()))
    };
    texts.iter().filter(holds).copied().collect()
}

#[test]
fn a_text_in_disguise_is_found() {
    for (hidden, held_text) in [
        ("code 48151623.", true),
        ("3438313531363233", true),
        ("NDgxNTE2MjM=", true),
        ("eDQ4MTUxNjIz", true),
        ("eHg0ODE1MTYyMw==", true),
        ("4\u{0}8\u{0}1\u{0}5\u{0}1\u{0}6\u{0}2\u{0}3\u{0}", true),
        ("48151624", false),
    ] {
        assert_eq!(!held(hidden.as_bytes(), &["48151623"]).is_empty(), held_text, "{hidden}");
    }
}

/// Every file below a folder that holds one of these texts.
fn holding(folder: &Path, texts: &[&str], found: &mut Vec<String>) {
    for item in fs::read_dir(folder).expect("a folder").map(|item| item.expect("an entry").path()) {
        if item.is_dir() {
            holding(&item, texts, found);
            continue;
        }
        let bytes = fs::read(&item).unwrap_or_default();
        found.extend(held(&bytes, texts).iter().map(|text| format!("{text} in {}", item.display())));
    }
}

#[test]
fn a_code_changed_behind_its_reference_is_drift_and_no_code_leaves_but_in_a_script() {
    let receiver = Receiver::start(SIGNING);
    let mut fleet = Fleet::new(&receiver);
    fleet.environment.push(("STATIONKEEP_LOG".into(), "debug".into()));
    let daemon = fleet.start();
    receiver.wait_for(1);
    fleet.write("config/secrets/access", &format!("{NEW_CODE}\n"));
    let alert = receiver.still(&daemon, 2).remove(1);
    assert_eq!(alert.kind(), DRIFT);
    let drift = &entry(&alert, "opened", "NP-01")["settings"][0];
    assert_eq!((&drift["setting"], &drift["drift"]), (&"access".into(), &"differs".into()));
    assert_eq!(alert.data()["counts"]["opened"]["stations"], 5);
    let mut silent = Vec::new();
    for arguments in [
        vec!["check"],
        vec!["check", "--format", "json"],
        vec!["check", "--format", "sarif"],
        vec!["check", "config/inventory/fleet.yaml", "config/stationkeep.yaml", "config/secrets/access"],
        vec!["schema", "inventory"],
        vec!["schema", "config"],
        vec!["explain", "NP-01", "access"],
        vec!["explain", "secret-literal"],
        vec!["drift", "--all"],
        vec!["drift", "--all", "--format", "diff"],
        vec!["drift", "--all", "--format", "json"],
        vec!["explain", "NP-01"],
        vec!["history", "NP-01"],
        vec!["ledger", "export"],
        vec!["ledger", "verify"],
    ] {
        let done = fleet.run(&arguments);
        silent.push(format!("{arguments:?}\n{}{}", done.out, done.err));
    }
    // Scripts show the new code where it is keyed; the old one opens the call and is not to be had any more.
    for format in ["card", "keys", "json"] {
        let script = fleet.run(&["script", "NP-01", "--format", format]).ended(0);
        let keyed: String = script.out.chars().filter(char::is_ascii_alphanumeric).collect();
        assert!(keyed.contains(NEW_CODE), "{format}: {}", script.out);
        assert!(!script.err.contains(NEW_CODE), "{}", script.err);
        // Out of the way of the search below.
        fs::remove_dir_all(fleet.path("said-by-script")).unwrap_or_default();
    }
    let refused = format!("report: 1\nid: {}\nstation: NP-09\nat: 2020-05-05T05:05:05Z\nby: t\n", uuid(900));
    fleet.rename_into("config/reports/refused.yaml", &refused);
    receiver.wait_for(3);
    fleet.write("config/inventory/fleet.yaml", &fleet_yaml(NEW_OFFICER));
    let report = commissioning(fleet.number(), "SP-01", "2020-03-03T09:00:00Z", OFFICER);
    fleet.rename_into("config/reports/SP-01.yaml", &report);
    receiver.wait_for(4);
    silent.push(daemon.log());
    silent.push(daemon.said());
    silent.extend(receiver.requests().into_iter().map(|got| got.body));
    assert_eq!(daemon.stop("TERM"), Some(0));
    let key = SIGNING.strip_prefix("whsec_").expect("a secret");
    let hidden = [CODE, NEW_CODE, "hush-hush", key];
    stands_nowhere(&fleet, &silent, &hidden);
}

/// No text that was said, and no file that the program keeps, holds any of these.
fn stands_nowhere(fleet: &Fleet, said: &[String], hidden: &[&str]) {
    for text in said {
        let told = held(text.as_bytes(), hidden);
        assert!(told.is_empty(), "{told:?} in {text}");
    }
    let mut found = Vec::new();
    holding(&fleet.path("var"), hidden, &mut found);
    assert!(found.is_empty(), "{found:#?}");
}

#[test]
fn a_code_written_out_is_refused_wherever_it_stands_and_kept_nowhere() {
    const WRITTEN: &str = "77120773";
    let receiver = Receiver::start(SIGNING);
    let mut fleet = Fleet::new(&receiver);
    fleet.environment.push(("STATIONKEEP_LOG".into(), "debug".into()));
    let daemon = fleet.start();
    receiver.wait_for(1);
    let mut said = Vec::new();
    // A report: as found, as left, and as a line of an export.
    for (nth, part) in ["found", "left"].into_iter().enumerate() {
        let report = format!(
            "report: 1\nid: {}\nstation: NP-01\nat: 2020-05-05T05:05:05Z\nby: t\n{part}: {{access: \"{WRITTEN}\"}}\n",
            uuid(910 + nth as u32)
        );
        fleet.rename_into(&format!("config/reports/{part}.yaml"), &report);
        fleet.write("config/by-hand.yaml", &report);
        let done = fleet.run(&["report", "config/by-hand.yaml"]).ended(2);
        assert!(format!("{}{}", done.out, done.err).contains("secret-literal"), "{done:?}");
        said.push(done.out + &done.err);
    }
    fs::remove_file(fleet.path("config/by-hand.yaml")).expect("a file");
    receiver.wait_for(3);
    // The inventory: in each layer.
    let sound = fleet_yaml(OFFICER);
    for (from, to) in [
        ("access: {secret: \"file:secrets/access\"}", format!("access: \"{WRITTEN}\"")),
        ("access: {secret: \"file:secrets/access\"}", format!("access: {WRITTEN}")),
        ("access: {secret: \"file:secrets/access\"}", format!("access: {{secret: \"{WRITTEN}\"}}")),
        ("access: {secret: \"file:secrets/access\"}", format!("access: [\"{WRITTEN}\"]")),
        ("pier: {model: wren-1}", format!("pier: {{model: wren-1, settings: {{access: \"{WRITTEN}\"}}}}")),
    ] {
        assert!(sound.contains(from));
        fleet.write("config/inventory/fleet.yaml", &sound.replace(from, &to));
        for format in ["text", "json", "sarif"] {
            let done = fleet.run(&["check", "--format", format]).ended(2);
            assert!(done.out.contains("secret-literal"), "{to}: {}", done.out);
            said.push(done.out + &done.err);
        }
        let done = fleet.run(&["drift"]);
        said.push(done.out + &done.err);
    }
    fleet.write("config/inventory/fleet.yaml", &sound);
    let north = fs::read_to_string(fleet.path("config/inventory/north.yaml")).expect("a file");
    for (from, to) in [
        ("settings: {identity", format!("settings: {{access: \"{WRITTEN}\", identity")),
        ("settings: {assistance", format!("settings: {{access: \"{WRITTEN}\", assistance")),
    ] {
        assert!(north.contains(from), "{north}");
        fleet.write("config/inventory/north.yaml", &north.replacen(from, &to, 1));
        let done = fleet.run(&["check"]).ended(2);
        assert!(done.out.contains("secret-literal"), "{to}: {}", done.out);
        said.push(done.out + &done.err);
    }
    fleet.write("config/inventory/north.yaml", &north);
    said.push(daemon.log());
    said.push(daemon.said());
    said.extend(receiver.requests().into_iter().map(|got| got.body));
    assert_eq!(daemon.stop("TERM"), Some(0));
    stands_nowhere(&fleet, &said, &[WRITTEN]);
}

#[test]
fn a_code_turned_over_and_reported_closes_and_its_return_is_drift_again() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let _daemon = fleet.start();
    receiver.wait_for(1);
    fleet.rename_into("config/secrets/access", NEW_CODE);
    receiver.wait_for(2);
    for station in ["NP-01", "NP-02", "NP-03", "NP-04", "SP-02"] {
        let report = format!(
            "report: 1\nid: {}\nstation: {station}\nat: 2020-05-05T05:05:05Z\nby: tech-03\nleft: {{access: {{secret: \
             \"file:secrets/access\"}}}}\n",
            uuid(fleet.number())
        );
        fleet.rename_into(&format!("config/reports/{station}-code.yaml"), &report);
    }
    let open = |heard: &[super::receiver::Got]| super::told::open_cases(heard).len();
    super::process::until("all but one closed", || (open(&receiver.heard()) == 1).then_some(()));
    fleet.rename_into("config/secrets/access", CODE);
    super::process::until("all open again", || (open(&receiver.heard()) == 6).then_some(()));
}

#[test]
fn a_code_that_cannot_be_read_for_a_while_is_no_drift_and_one_turned_over_is_named_as_the_cause() {
    let receiver = Receiver::start(SIGNING);
    let fleet = Fleet::new(&receiver);
    let daemon = fleet.start();
    receiver.wait_for(1);
    fleet.rename_into("config/secrets/access", NEW_CODE);
    let alert = receiver.still(&daemon, 2).remove(1);
    assert_eq!(alert.data()["cause"]["files"], serde_json::json!(["file:secrets/access"]), "{}", alert.body);
    fs::rename(fleet.path("config/secrets/access"), fleet.path("config/secrets/away")).expect("it goes");
    daemon.logs("the code can no longer be read");
    receiver.still(&daemon, 2);
    fs::rename(fleet.path("config/secrets/away"), fleet.path("config/secrets/access")).expect("it is back");
    daemon.logs("the code can be read again");
    receiver.still(&daemon, 2);
}
