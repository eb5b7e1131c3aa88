//! Codes and other secrets: in scripts only, and compared all the same.

use std::fs;
use std::path::Path;

use super::fleet::{CODE, Fleet, NEW_OFFICER, OFFICER, SIGNING, commissioning, fleet_yaml, uuid};
use super::receiver::Receiver;
use super::told::{DRIFT, entry};

const NEW_CODE: &str = "90210773";

/// Every file below a folder that holds one of these texts.
fn holding(folder: &Path, texts: &[&str], found: &mut Vec<String>) {
    for item in fs::read_dir(folder).expect("a folder").map(|item| item.expect("an entry").path()) {
        if item.is_dir() {
            holding(&item, texts, found);
            continue;
        }
        let bytes = fs::read(&item).unwrap_or_default();
        let holds = |text: &str| bytes.windows(text.len()).any(|window| window == text.as_bytes());
        found.extend(texts.iter().filter(|text| holds(text)).map(|text| format!("{text} in {}", item.display())));
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
    let alert = receiver.still(2).remove(1);
    assert_eq!(alert.kind(), DRIFT);
    let drift = &entry(&alert, "opened", "NP-01")["settings"][0];
    assert_eq!((&drift["setting"], &drift["drift"]), (&"access".into(), &"differs".into()));
    assert_eq!(alert.data()["counts"]["opened"]["stations"], 5);
    let mut silent = Vec::new();
    for arguments in [
        vec!["check"],
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
    for text in &silent {
        let told: Vec<_> = hidden.iter().filter(|hidden| text.contains(**hidden)).collect();
        assert!(told.is_empty(), "{told:?} in {text}");
    }
    let mut found = Vec::new();
    holding(&fleet.path("var"), &hidden, &mut found);
    assert!(found.is_empty(), "{found:#?}");
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
