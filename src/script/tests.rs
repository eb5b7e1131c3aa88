//! Scripts on whole keybooks: each lands, costs what it says, leads back, and is told to nobody unproved.

#[cfg(test)]
mod broken_off;
#[cfg(test)]
mod buttons;
#[cfg(test)]
mod setbacks;
#[cfg(test)]
mod slips;
#[cfg(test)]
mod way;

use std::sync::Arc;

use jiff::Timestamp;
use proptest::prelude::*;
use uuid::Uuid;

use super::*;
use crate::drift::{Rules, look};
use crate::inventory::{Inventory, Station};
use crate::keybook::sample::{TERN, keybook};
use crate::ledger::{Heard, LedgerLine, Outcome, Record, Report, State as HeldState, Test, fold, parse_line};
use crate::script::problem::Cost;
use crate::setting::{Code, Codes, Name, Reference, Value};

/// Wanted settings and held ones, as YAML flow entries; held ones go through a report.
pub(super) fn station(book: &str, wanted: &str) -> Arc<Station> {
    inventory(book, wanted).stations["EQ-01"].clone()
}

fn inventory(book: &str, wanted: &str) -> Inventory {
    let text = format!(
        "inventory: 1\ncontacts: {{help: {{calls: \"+441632960101\"}}}}\nsites:\n  quay:\n    line: {{kind: pbx, outside: \"9,\", country: GB}}\n    \
         stations:\n      EQ-01: {{number: \"+441632960121\", model: tern-2, settings: {{{wanted}}}}}\n"
    );
    let (raw, findings) = crate::inventory::read(&"i.yaml".into(), text.as_bytes());
    assert!(findings.is_empty(), "{findings:#?}");
    let books = [(Name::from("tern-2"), keybook(book))].into();
    let (inventory, findings) = crate::inventory::resolve(&[Arc::new(raw)], &books, &codes());
    assert!(!findings.iter().any(crate::finding::Finding::is_error), "{findings:#?}");
    inventory
}

pub(super) fn codes() -> Codes {
    let mut codes = Codes::new(b"a key");
    codes.learn(Reference::File("new".into()), Code::new("471100"));
    codes.learn(Reference::File("old".into()), Code::new("1234"));
    codes.learn(Reference::File("other".into()), Code::new("860531"));
    codes
}

pub(super) fn report(left: &str) -> Report {
    let text = format!(
        "report: 1\nid: 019a6c1e-8f00-7000-8000-000000000001\nstation: EQ-01\nat: 2026-11-20T10:14:00Z\nby: tech-07\nleft: {{{left}}}\n"
    );
    let mut report = crate::ledger::read(&"r.yaml".into(), text.as_bytes()).expect("a report").0;
    report.seal(&codes());
    report
}

fn record(station: &Station, left: &str) -> Record {
    fold(&station.keybook, &[report(left)], |_| None)
}

/// What is asked for at noon of the day after [`report`]s.
pub(super) fn asking<T>(station: &Station, record: &Record, codes: &Codes, ask: impl FnOnce(&Request) -> T) -> T {
    let rules = Rules { reconfirm_days: 365, require_tests: true };
    let drift = look(station, record, rules, "2026-11-21T12:00:00Z".parse().unwrap());
    let contacts = inventory(TERN, "").contacts;
    ask(&Request { station, record, drift: &drift, contacts: &contacts, codes })
}

pub(super) fn written(
    station: &Station,
    record: &Record,
    codes: &Codes,
    way: Way,
    memory: &mut Memory,
) -> Result<Option<Script>, NoScript> {
    asking(station, record, codes, |request| write(request, way, memory))
}

pub(super) fn there(station: &Station, record: &Record) -> Result<Option<Script>, NoScript> {
    written(station, record, &codes(), Way::There, &mut Memory::default())
}

/// The same where something is keyed.
fn keyed(station: &Station, record: &Record) -> Result<Option<Script>, NoScript> {
    there(station, record).map(|script| script.filter(|script| !script.calls.is_empty()))
}

fn steps(script: &Script) -> Vec<String> {
    let steps = script.calls.iter().flat_map(|call| &call.steps);
    steps.map(|step| step.keys.reveal(&codes())).collect()
}

const ALL_WANTED: &str = "access: {secret: \"file:new\"}, identity: \"121\", line.kind: {from: line}, \
    emergency.primary: {to: help}, emergency.backup: \"\", lamp.follows: [emergency], gate.seconds: 7";
const ALL_HELD: &str = "access: {secret: \"file:new\"}, identity: \"121\", line.kind: pbx, \
    emergency.primary: \"9,01632960101\", emergency.backup: \"\", lamp.follows: [emergency], gate.seconds: 7";

/// A keybook whose one command keys all numbers of a lifeline: a search that laid out all ways to key it would not end.
fn block_book(numbers: usize) -> String {
    let settings: String = (0..numbers)
        .map(|nth| format!("  n.{nth}: {{kind: dial, digits: [0, 12], factory: \"\", weight: lifeline}}\n"))
        .collect();
    let all: Vec<String> = (0..numbers).map(|nth| format!("n.{nth}")).collect();
    let fields: String = all.iter().map(|name| format!("{{{name}}}#")).collect();
    let (call, rest) = TERN.split_once("settings:").expect("settings");
    let (_, rest) = rest.split_once("  access:").expect("an access code");
    let access = rest.lines().next().expect("a line");
    format!(
        "{call}settings:\n  access:{access}\n{settings}lifelines:\n  help: [{}]\ncommands:\n  - {{command: numbers, keys: \
         \"21{fields}\"}}\n  - {{command: access-code, keys: \"90{{access}}#{{access}}#\"}}\n",
        all.join(", ")
    )
    .replace("limit_ms: 240000", "limit_ms: 900000")
}

#[test]
fn no_keybook_keeps_a_fleet_from_being_reckoned() {
    let book = block_book(20);
    let numbers =
        |first: usize| (0..20).map(move |nth| format!("n.{nth}: \"0163296{:04}\"", first + nth)).collect::<Vec<_>>();
    let wanted = format!("access: {{secret: \"file:new\"}}, {}", numbers(100).join(", "));
    let station = station(&book, &wanted);
    let mut memory = Memory::for_a_fleet();
    for nth in 0..40 {
        let held = format!("access: {{secret: \"file:new\"}}, {}", numbers(1_000 + 20 * nth)[nth % 19..].join(", "));
        let record = record(&station, &held);
        let work = reckon(&station, &record, &codes(), &mut memory).unwrap().expect("work");
        assert_eq!((work.commands, work.calls), (1, 1), "{nth}");
        assert!(memory.is_generous());
    }
    let script = there(&station, &record(&station, &wanted.replace("0163296", "0163297"))).unwrap().expect("a script");
    assert!(script.proven && script.cost.exposure_ms == 0);
}

#[test]
fn where_nothing_differs_nothing_is_keyed() {
    let station = station(TERN, ALL_WANTED);
    assert_eq!(keyed(&station, &record(&station, ALL_HELD)).unwrap(), None);
}

#[test]
fn one_difference_is_one_command_in_one_call() {
    let station = station(TERN, ALL_WANTED);
    let record = record(&station, &ALL_HELD.replace("9,01632960101", "9,01632960177"));
    let script = there(&station, &record).unwrap().unwrap();
    assert_eq!(steps(&script), ["219C01632960101#"]);
    assert_eq!(script.calls[0].open.reveal(&codes()), "B471100#");
    // 16 presses × 600 ms + 1500 ms, by the contract's rule; the lifeline is covered until the step and after it.
    assert_eq!(script.cost, Cost { exposure_ms: 0, time_ms: 16 * 600 + 1500, presses: 16, commands: 1 });
    assert_eq!(script.calls[0].length_ms, 6000 + 8 * 600 + 1500 + 11_100 + 600);
    assert!(script.proven && script.bound.is_none() && script.warnings.is_empty());
}

#[test]
fn a_lifeline_that_is_unknown_is_set_right_first() {
    let station = station(TERN, ALL_WANTED);
    let script = there(&station, &Record::blank(&station.keybook)).unwrap().unwrap();
    let commands: Vec<_> =
        script.calls.iter().flat_map(|c| &c.steps).map(|s| (&*s.command, s.uncovered.len())).collect();
    assert_eq!(commands[..2].iter().map(|(_, bare)| bare).collect::<Vec<_>>(), [&1, &1]);
    assert!(commands[2..].iter().all(|(_, bare)| *bare == 0), "{commands:?}");
    assert_eq!(Some(script.cost.presses), script.full_presses);
    assert!(script.warnings[0].text(&codes()).contains("which access code the station holds"));
}

#[test]
fn the_same_script_has_one_digest_and_another_start_another() {
    let station = station(TERN, ALL_WANTED);
    let digest = |held: &str| there(&station, &record(&station, held)).unwrap().unwrap().digest;
    let one = digest(&ALL_HELD.replace("\"121\"", "\"120\""));
    assert_eq!(one, digest(&ALL_HELD.replace("\"121\"", "\"120\"")));
    assert_ne!(one, digest(&ALL_HELD.replace("\"121\"", "\"119\"")));
}

#[test]
fn a_code_that_changes_on_the_way_opens_the_later_calls() {
    // A call that holds the opening and one long command at most.
    // The code's command stands first, so that it is keyed first where order does not matter.
    let code = "  - {command: access-code,       keys: \"90{access}#{access}#\"}\n";
    let short = TERN.replace("limit_ms: 240000", "limit_ms: 31000").replace(code, "");
    let short = short.replace("commands:\n", &format!("commands:\n{code}"));
    let station = station(&short, ALL_WANTED);
    let held = ALL_HELD
        .replace("file:new", "file:old")
        .replace("\"121\"", "\"120\"")
        .replace("gate.seconds: 7", "gate.seconds: 9");
    let script = there(&station, &record(&station, &held)).unwrap().unwrap();
    let opens: Vec<_> = script.calls.iter().map(|call| call.open.reveal(&codes())).collect();
    assert!(script.calls.len() > 1 && opens[0] == "B1234#" && opens.contains(&"B471100#".to_owned()), "{opens:?}");
    assert!(script.calls.iter().all(|call| call.length_ms <= 31_000));
}

#[test]
fn a_code_that_cannot_be_read_stays_a_placeholder_with_a_warning() {
    let station = station(TERN, &ALL_WANTED.replace("file:new", "env:NOWHERE"));
    let script = there(&station, &record(&station, ALL_HELD)).unwrap().unwrap();
    assert_eq!(steps(&script), ["90{access}#{access}#"]);
    assert_eq!(script.cost.presses, 2 + 8 + 1 + 8 + 1, "it counts as the longest it could be");
    assert!(script.warnings.iter().any(|warning| warning.text(&codes()).contains("{access}")));
}

#[test]
fn a_code_that_nobody_knows_stays_a_placeholder_in_the_opening() {
    let station = station(TERN, &ALL_WANTED.replace("access: {secret: \"file:new\"}, ", ""));
    let held = ALL_HELD.replace("access: {secret: \"file:new\"}, ", "").replace("\"121\"", "\"120\"");
    let script = there(&station, &record(&station, &held)).unwrap().unwrap();
    assert_eq!(script.calls[0].open.reveal(&codes()), "B{access}#");
    assert!(script.warnings.iter().any(|warning| warning.text(&codes()).contains("{access}")), "{:?}", script.warnings);
}

#[test]
fn what_cannot_be_reached_is_named_with_what_stands_in_the_way() {
    let compound = TERN
        .replace("keys: \"10{identity}#\"", "keys: \"10{identity}*{gate.seconds}\"")
        .replace("  - {command: gate-time,         keys: \"45{gate.seconds}\"}\n", "");
    let station = station(&compound, &ALL_WANTED.replace(", gate.seconds: 7", ""));
    let held = ALL_HELD.replace(", gate.seconds: 7", "").replace("\"121\"", "\"120\"");
    let NoScript::Unreachable(stuck) = there(&station, &record(&station, &held)).unwrap_err() else { panic!() };
    let rule = Rule::PartnerUnknown { command: "identity".into(), partner: "gate.seconds".into(), back: None };
    assert_eq!(stuck, [Stuck { setting: "identity".into(), wanted: Value::Digits("121".into()), rules: vec![rule] }]);
    assert_eq!(
        stuck[0].to_string(),
        "  identity to 121:\n    \"identity\" may not be keyed: it has to do with \"gate.seconds\", which is unmanaged and unknown. \
         Say in the inventory what \"gate.seconds\" should be, or report what it is."
    );
    // What the fix says, done, gets on.
    let station = self::station(&compound, ALL_WANTED);
    assert!(keyed(&station, &self::record(&station, &held)).unwrap().is_some());
}

#[test]
fn a_need_that_nothing_can_meet_is_named_and_so_is_what_bars_the_command_that_would_meet_it() {
    let without = |name: &str, book: &str| {
        let lines = book.lines().filter(|line| !line.contains(&format!("command: {name},")));
        lines.collect::<Vec<_>>().join("\n")
    };
    let held = ALL_HELD.replace("pbx", "ringdown").replace("emergency.backup: \"\"", "emergency.backup: \"5\"");
    let wanted = ALL_WANTED.replace("{from: line}", "ringdown");
    let rules = |book: &str, wanted: &str, held: &str| {
        let station = station(book, wanted);
        let NoScript::Unreachable(stuck) = there(&station, &record(&station, held)).unwrap_err() else { panic!() };
        stuck[0].rules.clone()
    };
    let no_reset = without("factory-reset", TERN);
    let need = |stored| Rule::NeedNever {
        command: "emergency-backup".into(),
        setting: "line.kind".into(),
        values: vec!["direct".into(), "pbx".into()],
        held: Some("ringdown".into()),
        stored,
    };
    assert_eq!(rules(&without("line-kind", &no_reset), &wanted, &held), [need(false)]);
    let barred = no_reset.replace("keys: \"30{line.kind}\"", "keys: \"30{line.kind}{gate.seconds}\"");
    let no_gate = |settings: &str| settings.replace(", gate.seconds: 7", "");
    let partner = Rule::PartnerUnknown { command: "line-kind".into(), partner: "gate.seconds".into(), back: None };
    assert_eq!(rules(&barred, &no_gate(&wanted), &no_gate(&held)), [need(true), partner]);
}

#[test]
fn wishes_that_cannot_stand_together_are_told_from_those_that_can() {
    // A ring-down line takes no backup number, and whatever makes room for one changes the line's kind.
    let wanted =
        ALL_WANTED.replace("{from: line}", "ringdown").replace("emergency.backup: \"\"", "emergency.backup: \"5\"");
    let station = station(TERN, &wanted);
    let held = ALL_HELD.replace("\"121\"", "\"120\"").replace("gate.seconds: 7", "gate.seconds: 9");
    let NoScript::Unreachable(stuck) = there(&station, &record(&station, &held)).unwrap_err() else { panic!() };
    let line = Beside { setting: "line.kind".into(), value: "ringdown".into(), held: false, managed: true };
    let either: Vec<Name> = vec!["line.kind".into(), "emergency.backup".into()];
    let rule = Rule::NotBeside { others: vec![line], otherwise: either.clone(), alone: either };
    assert_eq!(
        stuck,
        [Stuck { setting: "emergency.backup".into(), wanted: Value::Dial("5".into()), rules: vec![rule] }]
    );
    let books =
        Inventory { stations: Arc::new([(station.name.clone(), station.clone())].into()), ..Inventory::default() };
    let findings = unkeyable(&books, &codes());
    assert_eq!(findings.len(), 1, "{findings:?}");
    assert_eq!(
        findings[0].message,
        "A new tern-2 cannot be brought to emergency.backup 5, wanted at EQ-01: \
         no order of commands brings it there and ends with \"line.kind\" ringdown too."
    );
    assert_eq!(findings[0].place, station.wanted(station.keybook.id("emergency.backup").unwrap()).unwrap().place);
}

/// The sample keybook with two settings in conflict: `dial.plan` can be stored only while `dial.code` is 100, which
/// clears it.
fn with_a_plan() -> String {
    let settings = "  dial.plan: {kind: digits, digits: [1, 4], factory: \"0\"}\n  \
                    dial.code: {kind: number, min: 0, max: 500, width: 3, factory: 5}\n";
    let commands = "  - {command: dial-plan, keys: \"60{dial.plan}#\", needs: {dial.code: 100}}\n  \
                    - {command: dial-code, keys: \"61{dial.code}\", clears: [dial.plan]}\n";
    let book = TERN.replace("lifelines:\n", &format!("{settings}lifelines:\n"));
    book.replace("commands:\n", &format!("commands:\n{commands}"))
}

fn why_not(book: &str, wanted: &str, held: &str) -> Vec<String> {
    let station = station(book, &format!("{ALL_WANTED}{wanted}"));
    match there(&station, &record(&station, &format!("{ALL_HELD}{held}"))) {
        Err(NoScript::Unreachable(stuck)) => stuck.iter().map(Stuck::to_string).collect(),
        Ok(_) => Vec::new(),
        Err(error) => panic!("{error}"),
    }
}

#[test]
fn settings_that_undo_each_other_are_named_together_with_what_makes_room() {
    let book = with_a_plan();
    let known = ", dial.plan: \"0\", dial.code: 5";
    let conflict = "  dial.code to 300:\n    no order of commands brings it there and ends with \"dial.plan\" 7 too. \
                 Want something else of \"dial.plan\" or \"dial.code\"; or take \"dial.plan\" out of management with null; \
                 or compare the keybook's \"needs\", \"also\" and \"clears\" with the manual.";
    assert_eq!(why_not(&book, ", dial.plan: \"7\", dial.code: 300", known), [conflict]);
    // What it says, done, gets on. (A code left alone would have to end as 5, and bringing it back would clear the plan.)
    for wanted in [", dial.code: 300", ", dial.plan: \"7\", dial.code: 100", ", dial.plan: \"0\", dial.code: 300"] {
        assert!(why_not(&book, wanted, known).is_empty(), "{wanted}");
    }
    assert_eq!(why_not(&book, ", dial.plan: \"7\"", known).len(), 1);
}

#[test]
fn a_setting_that_is_right_and_would_be_lost_is_named_and_said_to_be_held_or_unmanaged() {
    let book = with_a_plan();
    let held = ", dial.plan: \"7\", dial.code: 100";
    let lost = |about: &str, ways: &str| {
        format!(
            "  dial.code to 300:\n    no order of commands brings it there and ends with \"dial.plan\" 7 ({about}) too. \
             Want something else of {ways}; or compare the keybook's \"needs\", \"also\" and \"clears\" with the manual."
        )
    };
    let ways = "\"dial.plan\" or \"dial.code\"; or take \"dial.code\" out of management with null";
    assert_eq!(why_not(&book, ", dial.plan: \"7\", dial.code: 300", held), [lost("held now", ways)]);
    let ways = "\"dial.code\"; or take \"dial.code\" out of management with null; or say in the inventory what else may become of \
                \"dial.plan\"";
    assert_eq!(why_not(&book, ", dial.code: 300", held), [lost("held now, unmanaged", ways)]);
}

#[test]
fn what_a_need_waits_for_is_followed_to_its_end() {
    let book = with_a_plan().replace("clears: [dial.plan]}", "needs: {dial.plan: \"9\"}}");
    let told = why_not(&book, ", dial.plan: \"7\"", ", dial.plan: \"0\", dial.code: 5");
    assert_eq!(
        told,
        ["  dial.plan to 7:\n    \
          \"dial-plan\" needs \"dial.code\" to be 100; it is 5, and nothing that can be keyed changes that. See what stops the \
          commands that store \"dial.code\", and compare the \"needs\" with the manual.\n    \
          \"dial-code\" needs \"dial.plan\" to be 9; it is 0, and nothing that can be keyed changes that. See what stops the \
          commands that store \"dial.plan\", and compare the \"needs\" with the manual."]
    );
}

#[test]
fn each_step_says_what_it_does_and_what_holds_it_in_its_place() {
    let station = station(TERN, &ALL_WANTED.replace("emergency.backup: \"\"", "emergency.backup: \"5\""));
    let held = ALL_HELD.replace("emergency.backup: \"\"", "emergency.backup: \"5\"").replace("pbx", "ringdown");
    let script = there(&station, &record(&station, &held)).unwrap().unwrap();
    assert_eq!(steps(&script), ["302", "225#"]);
    let whys: Vec<Vec<String>> =
        script.calls[0].steps.iter().map(|step| step.rationale.sentences(step.number, &station.keybook)).collect();
    assert_eq!(
        whys,
        [
            [
                "It brings the line kind to what it should be.",
                "It also changes the emergency backup; step 2 brings it back.",
                "Not after step 2, or step 2 would be refused.",
            ],
            [
                "It brings back the emergency backup, which step 1 changes.",
                "Not before step 1, or it would be refused.",
                "",
            ],
        ]
        .map(|sentences| sentences
            .into_iter()
            .filter(|one| !one.is_empty())
            .map(String::from)
            .collect::<Vec<_>>())
    );
    // Keying only what differs would have lost the backup number.
    let obvious = script.obvious.as_ref().unwrap();
    assert_eq!(obvious.wrong, ["emergency.backup".into()]);
    assert!(obvious.cost.is_none() && obvious.refused.is_empty());
    // Nothing to compare with: the figures are not told.
    let shown = &json(&script, &station, &codes())["obvious"];
    for figure in ["exposure_ms", "keying_ms", "presses", "commands"] {
        assert!(shown[figure].is_null(), "{shown}");
    }
}

#[test]
fn an_unmanaged_known_setting_ends_as_it_was() {
    let station = station(TERN, &ALL_WANTED.replace(", emergency.backup: \"\"", ""));
    let held = ALL_HELD
        .replace("emergency.backup: \"\"", "emergency.backup: \"5\"")
        .replace("line.kind: pbx", "line.kind: direct");
    let script = there(&station, &record(&station, &held)).unwrap().unwrap();
    // The line's kind clears the backup, which has to be keyed again.
    assert_eq!(steps(&script), ["302", "225#"]);
}

#[test]
fn what_is_in_doubt_is_keyed_and_proved_from_each_candidate() {
    let station = station(TERN, ALL_WANTED);
    let mut record = record(&station, ALL_HELD);
    let id = station.keybook.id("line.kind").unwrap();
    record.settings[id.index()].state = HeldState::InDoubt(["direct", "pbx"].map(|n| Value::Choice(n.into())).into());
    let script = there(&station, &record).unwrap().unwrap();
    assert_eq!(steps(&script), ["302"]);
    assert_eq!(script.cost.exposure_ms, script.cost.time_ms, "in doubt counts as unknown: exposed until it is keyed");
}

#[test]
fn a_script_on_record_does_to_the_record_what_it_did_to_the_station() {
    let station = station(TERN, ALL_WANTED);
    let script = there(&station, &Record::blank(&station.keybook)).unwrap().unwrap();
    let LedgerLine::Script(on_record) =
        parse_line(&crate::ledger::line_of(&LedgerLine::Script(Box::new(issued(&script, Timestamp::UNIX_EPOCH)))))
            .unwrap()
    else {
        panic!()
    };
    let keyed = Report {
        script: Some(script.digest.clone()),
        steps: on_record.steps.iter().map(|step| (step.step, Heard::Accepted)).collect(),
        tests: vec![Test { lifeline: "emergency".into(), outcome: Outcome::Reached, contact: None, dialled: None }],
        id: Uuid::nil(),
        ..report("")
    };
    let after = fold(&station.keybook, &[keyed], |digest| (*digest == on_record.digest).then_some(&*on_record));
    let rules = Rules { reconfirm_days: 365, require_tests: true };
    let drift = look(&station, &after, rules, "2026-11-21T00:00:00Z".parse().unwrap());
    assert_eq!(drift.settings, []);
    assert_eq!(drift.standing, crate::drift::Standing::Aligned);
}

#[test]
fn the_json_has_every_key_of_the_contract() {
    let station = station(TERN, ALL_WANTED);
    let script = there(&station, &record(&station, &ALL_HELD.replace("pbx", "direct"))).unwrap().unwrap();
    let json = json(&script, &station, &codes());
    let keys = |json: &serde_json::Value| json.as_object().unwrap().keys().cloned().collect::<Vec<_>>();
    assert_eq!(
        keys(&json),
        [
            "bound",
            "calls",
            "cautions",
            "commands",
            "exposure_ms",
            "full_presses",
            "keying_ms",
            "letters",
            "model",
            "number",
            "obvious",
            "presses",
            "proven",
            "script",
            "station",
            "tests",
            "warnings"
        ]
    );
    assert_eq!(keys(&json["calls"][0]), ["close", "codes", "open", "room_ms", "steps"]);
    let step = &json["calls"][0]["steps"][0];
    assert_eq!(keys(step), ["also", "command", "expect", "keys", "sets", "step", "takes_ms", "uncovered", "why"]);
    assert_eq!((&step["sets"]["line.kind"], &step["also"]["emergency.backup"]), (&"pbx".into(), &"".into()));
}

pub(super) fn any_settings() -> impl Strategy<Value = Vec<Option<String>>> {
    fn maybe(values: &'static [&'static str], setting: &'static str) -> impl Strategy<Value = Option<String>> {
        let value = (0..values.len()).prop_map(move |at| format!("{setting}: {}", values[at]));
        prop_oneof![3 => value.prop_map(Some), 1 => Just(None)]
    }
    let access = maybe(&["{secret: \"file:new\"}", "{secret: \"file:old\"}"], "access");
    let identity = maybe(&["\"0\"", "\"7\"", "\"12345\""], "identity");
    let line = maybe(&["direct", "pbx", "ringdown"], "line.kind");
    let primary = maybe(&["\"5\"", "\"9,01632960101\""], "emergency.primary");
    let backup = maybe(&["\"\"", "\"6\"", "\"9,01632960177\""], "emergency.backup");
    let lamp = maybe(&["[]", "[emergency]", "[emergency, assistance]"], "lamp.follows");
    let gate = maybe(&["5", "60"], "gate.seconds");
    (access, identity, line, primary, backup, lamp, gate).prop_map(|(a, b, c, d, e, f, g)| vec![a, b, c, d, e, f, g])
}

pub(super) fn flow(settings: &[Option<String>]) -> String {
    settings.iter().flatten().cloned().collect::<Vec<_>>().join(", ")
}

proptest! {
    /// Every script is keyed into the simulated station from every start (`write` holds it back otherwise), and
    /// so is the way back.
    #[test]
    fn a_script_lands_and_leads_back_or_says_why_not(wanted in any_settings(), held in any_settings()) {
        let station = station(TERN, &flow(&wanted));
        let record = record(&station, &flow(&held));
        match there(&station, &record) {
            Ok(script) => {
                let digest = asking(&station, &record, &codes(), |request| digest(request, &mut Memory::default())).unwrap();
                let at_all = script.as_ref().map(|script| &script.digest);
                prop_assert_eq!(digest.as_ref(), at_all);
                let script = script.filter(|script| !script.calls.is_empty());
                let reckoned = reckon(&station, &record, &codes(), &mut Memory::default()).unwrap();
                prop_assert_eq!(reckoned, script.as_ref().map(|script| Work::of(script, &station, &codes())));
                if let Some(script) = &script {
                    prop_assert!(script.proven);
                    let obvious = &script.obvious;
                    prop_assert!(obvious.as_ref().unwrap().cost.is_none_or(|cost| cost >= script.cost), "{obvious:?} beats the best");
                    for step in script.calls.iter().flat_map(|call| &call.steps) {
                        let has_use = |does: &Does| !matches!(does, Does::Disturbs { .. });
                        prop_assert!(step.rationale.does.iter().any(has_use), "step {} has no use", step.number);
                    }
                }
                let mut record = record;
                record.handed_out.extend(script.map(|script| way::out(&station, &script, "2026-11-20T11:00:00Z")));
                let back = written(&station, &record, &codes(), Way::Back, &mut Memory::default());
                prop_assert!(!matches!(back, Err(NoScript::Unproved(_) | NoScript::Unsound(_))), "{back:?}");
            }
            Err(NoScript::Unreachable(stuck)) => prop_assert!(stuck.iter().all(|stuck| !stuck.rules.is_empty())),
            Err(error) => prop_assert!(false, "{error}"),
        }
    }

    /// `check` warns of exactly the wishes that no script reaches from a new unit.
    #[test]
    fn what_check_warns_of_is_what_no_script_reaches(wanted in any_settings()) {
        let station = station(TERN, &flow(&wanted));
        let mut record = Record::blank(&station.keybook);
        for (holding, setting) in record.settings.iter_mut().zip(&station.keybook.settings) {
            if let Some(factory) = &setting.factory {
                holding.state = HeldState::Known(factory.clone());
            }
        }
        let fleet = Inventory { stations: Arc::new([(station.name.clone(), station.clone())].into()), ..Inventory::default() };
        let warned = !unkeyable(&fleet, &codes()).is_empty();
        let stuck = match there(&station, &record) {
            Ok(_) => false,
            Err(NoScript::Unreachable(stuck)) => {
                stuck.iter().any(|stuck| stuck.rules.iter().any(|rule| !rule.is_for_want_of_knowledge()))
            }
            Err(error) => return Err(TestCaseError::fail(error.to_string())),
        };
        prop_assert_eq!(warned, stuck);
    }

    /// What the search finds does not depend on what was asked before.
    #[test]
    fn memory_changes_nothing(wanted in any_settings(), held in any_settings()) {
        let station = station(TERN, &flow(&wanted));
        let record = record(&station, &flow(&held));
        let mut memory = Memory::default();
        let first = written(&station, &record, &codes(), Way::There, &mut memory);
        prop_assert_eq!(&first, &written(&station, &record, &codes(), Way::There, &mut memory));
        prop_assert_eq!(&first, &there(&station, &record));
    }
}
