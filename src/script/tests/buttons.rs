//! Buttons: which are called dead, which are tested afterwards, and what is keyed again on request.

use super::*;
use crate::ledger::{Mark, Opened, Opening, Refusal};
use crate::script::aim::Aim;
use crate::script::dead::{Undecided, left_dead};
use crate::script::task::Task;

/// The sample with a mode in which the red button calls nobody, a second button that needs the mode too, and numbers of
/// several places to try.
fn modes() -> String {
    let settings = "  unit.mode: {kind: choice, values: {service: \"0\", setup: \"1\"}, factory: service, weight: lifeline}\n  \
                    blue.number: {kind: dial, digits: [0, 20], factory: \"\", weight: lifeline}\n";
    let red = "  red: {settings: [line.kind, emergency.primary], title: the red button, test: Press the red button., \
               works: {unit.mode: service, emergency.primary: filled}}\n  \
               second: {backs: red, settings: [line.kind, emergency.backup]}\n  \
               blue: {settings: [blue.number], works: {unit.mode: service, blue.number: filled}}\n";
    let commands = "  - {command: unit-mode, keys: \"50{unit.mode}\"}\n  \
                    - {command: blue-number, keys: \"23{blue.number}#\"}\n";
    let (head, rest) = TERN.split_once("lifelines:\n").expect("lifelines");
    let (_, rest) = rest.split_once("commands:\n").expect("commands");
    format!("{head}{settings}lifelines:\n{red}commands:\n{commands}{rest}")
}

const BLUE: &str = ", unit.mode: service, blue.number: \"7\"";

fn wanted(more: &str) -> String {
    format!("{ALL_WANTED}{more}")
}

fn held(more: &str) -> String {
    format!("{ALL_HELD}{more}")
}

fn task_of(station: &Station, record: &Record) -> Task {
    Task::new(station, &Aim::of(station, record, Way::There), &codes())
}

fn tracked(station: &Station, record: &Record) -> Vec<(String, Vec<String>, bool)> {
    let task = task_of(station, record);
    let name = |slot: &usize| station.keybook.setting(task.slots[*slot]).name.to_string();
    let lifelines = task.lifelines.iter().zip(&task.problem.lifelines);
    let told = lifelines.map(|(at, lifeline)| {
        let slots = lifeline.slots.iter().map(name).collect();
        (station.keybook.lifelines[*at].name.to_string(), slots, lifeline.start_counts)
    });
    told.collect()
}

fn texts(names: &[&str]) -> Vec<String> {
    names.iter().map(|name| (*name).to_owned()).collect()
}

#[test]
fn required_buttons_are_tracked_with_all_that_they_need_and_a_fallback_never_counts() {
    let station = station(&modes(), &wanted(BLUE));
    let record = record(&station, &held(BLUE));
    let red = texts(&["line.kind", "emergency.primary", "unit.mode"]);
    let blue = texts(&["blue.number", "unit.mode"]);
    assert_eq!(tracked(&station, &record), [("red".into(), red.clone(), true), ("blue".into(), blue.clone(), true)]);
    // In setup neither calls anybody, so as it is nothing is covered.
    let record = self::record(&station, &held(&BLUE.replace("service", "setup")));
    assert_eq!(tracked(&station, &record), [("red".into(), red, false), ("blue".into(), blue, false)]);
    let script = there(&station, &record).unwrap().unwrap();
    assert_eq!(steps(&script), ["500"]);
    assert_eq!(script.calls[0].steps[0].uncovered, ["red".into(), "blue".into()]);
}

#[test]
fn what_only_works_names_is_left_out_where_nobody_wants_or_knows_it_and_the_card_says_so() {
    let station = station(&modes(), ALL_WANTED);
    let record = record(&station, &ALL_HELD.replace("\"121\"", "\"120\""));
    let red = texts(&["line.kind", "emergency.primary"]);
    assert_eq!(tracked(&station, &record), [("red".into(), red, true)], "of blue nothing is known");
    let script = there(&station, &record).unwrap().unwrap();
    let all = card::cautions(&script, &station, &codes()).join("\n");
    assert!(all.contains("WARNING: nobody knows the unit mode of the red button, so it may call nobody."), "{all}");
}

#[test]
fn a_script_that_would_leave_a_dead_button_is_refused_and_names_the_unmanaged_setting() {
    let station = station(&modes(), ALL_WANTED);
    let setup = ", unit.mode: setup";
    let why = |held: &str| there(&station, &record(&station, held)).unwrap_err().to_string();
    for held in [held(setup).replace("9,01632960101", "9,01632960177"), held(setup).replace("pbx", "direct")] {
        assert_eq!(
            why(&held),
            "no script: after it the red button would call nobody, because \"unit.mode\" is setup. Say in the inventory what \
             \"unit.mode\" should be"
        );
    }
    // What it says, done, gets on.
    let managed = self::station(&modes(), &wanted(", unit.mode: service"));
    let script = there(&managed, &record(&managed, &held(setup))).unwrap().unwrap();
    assert_eq!(steps(&script), ["500"]);
}

#[test]
fn a_button_that_is_dead_and_stays_as_it_is_is_let_be_and_the_card_says_first_that_it_calls_nobody() {
    let station = station(&modes(), ALL_WANTED);
    let setup = ", unit.mode: setup";
    let record = record(&station, &held(setup).replace("\"121\"", "\"120\""));
    assert!(tracked(&station, &record).is_empty());
    let script = there(&station, &record).unwrap().unwrap();
    assert_eq!(steps(&script), ["10121#"]);
    assert!(script.tests.iter().all(|test| &*test.lifeline != "red"), "it would reach nobody: {:?}", script.tests);
    let first = card::cautions(&script, &station, &codes()).remove(0);
    assert!(first.starts_with("WARNING: the red button calls nobody, because unit mode is setup."), "{first}");
    assert_eq!(calls_nobody(&station, &record).len(), 2, "the other button needs the mode too, whatever its number is");
}

#[test]
fn what_makes_a_button_call_nobody_is_to_be_decided_and_what_is_set_aside_is_not_called_a_gap_in_the_inventory() {
    let mut station = (*station(&modes(), ALL_WANTED)).clone();
    let record = record(&station, &held(", unit.mode: setup"));
    let first = |station: &Station| {
        let script = there(station, &self::record(station, &held(", unit.mode: setup").replace("\"121\"", "\"120\"")));
        card::cautions(&script.unwrap().unwrap(), station, &codes()).remove(0)
    };
    let open = Undecided::of(&station, &record).unwrap();
    assert_eq!(open.what(), "say in the inventory what unit mode should be, then key it");
    assert_eq!(open.command("EQ-01"), None);
    assert!(
        first(&station).ends_with("Ops must say in the inventory what unit mode should be."),
        "{}",
        first(&station)
    );
    let mode = station.keybook.id("unit.mode").unwrap();
    std::sync::Arc::make_mut(&mut station.for_now).aside = [mode].into();
    let aside = Undecided::of(&station, &record).unwrap();
    assert_eq!(aside.what(), "end what is set aside of unit mode, then key it");
    assert_eq!(aside.command("EQ-01").as_deref(), Some("stationkeep aside EQ-01 unit.mode --end --by NAME"));
    let said = first(&station);
    assert!(said.ends_with("Of this station unit mode is set aside: to get a card for it, end that."), "{said}");
    // Nothing is to be decided where a press calls someone.
    assert_eq!(Undecided::of(&station, &self::record(&station, &held(", unit.mode: service"))), None);
}

#[test]
fn a_dead_button_bars_no_change_of_a_setting_that_another_required_one_has_too() {
    // Blue is dead for want of a number that nobody manages; red's mode changes.
    let station = station(&modes(), &wanted(", unit.mode: service"));
    let known = |number: &str| record(&station, &held(&format!(", unit.mode: setup, blue.number: {number}")));
    let script = there(&station, &known("\"\"")).unwrap().unwrap();
    assert_eq!(steps(&script), ["500"]);
    assert_eq!(tracked(&station, &known("\"\"")).len(), 1);
    assert_eq!(tracked(&station, &known("\"7\"")).len(), 2, "with a number it works in the end");
    // A setting of blue's own would change: no.
    let aim = |start: &str, goal: &str| {
        let (from, to) = (known(start), known(goal));
        let mut aim = Aim::of(&station, &from, Way::There);
        let id = station.keybook.id("blue.number").unwrap();
        aim.goal[id.index()] = to.known(id).cloned();
        left_dead(&station, &aim).map(|lifeline| lifeline.name.to_string())
    };
    assert_eq!(aim("\"7\"", "\"\""), Some("blue".into()));
    assert_eq!(aim("\"\"", "\"\""), None);
}

/// A lifeline, who must answer, at which number, and how it is tested; "" for none.
fn tests_of(script: &Script) -> Vec<[&str; 4]> {
    let tests = script.tests.iter();
    tests.map(|t| [&*t.lifeline, or_none(&t.contact), or_none(&t.number), or_none(&t.test)]).collect()
}

fn or_none(part: &Option<Name>) -> &str {
    part.as_deref().unwrap_or_default()
}

#[test]
fn what_a_step_changes_is_tested_with_who_must_answer_and_a_fallback_after_its_button() {
    let backup = "emergency.backup: {to: help}";
    let station = station(&modes(), &wanted(BLUE).replace("emergency.backup: \"\"", backup));
    let tested = |name: &str| Report {
        id: Uuid::from_u128(7),
        at: "2026-11-20T11:00:00Z".parse().unwrap(),
        tests: ["red", "second", "blue"]
            .map(|lifeline| Test { lifeline: lifeline.into(), outcome: Outcome::Reached, contact: None, dialled: None })
            .into(),
        ..report(name)
    };
    let dialled = "emergency.backup: \"9,01632960101\"";
    let known = |held: &str| fold(&station.keybook, &[report(held), tested("")], |_| None);
    let held = held(BLUE).replace("emergency.backup: \"\"", dialled);
    // The line's kind is red's and second's; on the way it clears the second number.
    let script = there(&station, &known(&held.replace("pbx", "direct"))).unwrap().unwrap();
    let (who, number) = ("help", "+441632960101");
    assert_eq!(tests_of(&script), [["red", who, number, "Press the red button."], ["second", who, number, ""]]);
    let shown = json(&script, &station, &codes());
    assert_eq!(
        shown["tests"][0],
        serde_json::json!({"lifeline": "red", "contact": "help", "number": "+441632960101", "test": "Press the red button."})
    );
    // Where only the lamp changes, and all was tested, no test is asked for; a second number that is empty is not in use.
    let lamp = there(&station, &known(&held.replace("[emergency]", "[]"))).unwrap().unwrap();
    assert!(lamp.tests.is_empty(), "{lamp:?}");
    let none = self::station(&modes(), &wanted(BLUE));
    let record = fold(&none.keybook, &[report(&self::held(BLUE).replace("pbx", "direct"))], |_| None);
    let script = there(&none, &record).unwrap().unwrap();
    assert_eq!(script.tests.iter().map(|test| &*test.lifeline).collect::<Vec<_>>(), ["red", "blue"]);
}

#[test]
fn a_station_that_only_needs_a_test_gets_a_card_that_a_report_can_name() {
    let station = station(&modes(), &wanted(BLUE));
    let record = record(&station, &held(BLUE));
    let card = there(&station, &record).unwrap().expect("a card");
    assert!(card.calls.is_empty());
    let text = card::text(&card::Card::of(&card, &station, &codes(), None, Uuid::nil()));
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let parts = [
        "+44 1632 960121",
        "The red button: Press the red button. Help (+44 1632 960101) must answer.",
        "lifeline: red",
    ];
    for part in parts {
        assert!(text.contains(part), "{part} in {text}");
    }
    assert!(!text.contains("steps:") && !text.contains("THE CALL"), "{text}");
    let issued = issued(&card, Timestamp::UNIX_EPOCH);
    let line = parse_line(&crate::ledger::line_of(&LedgerLine::Script(Box::new(issued.clone())))).unwrap();
    assert_eq!(line, LedgerLine::Script(Box::new(issued)));
    // Its digest stands for station, number and tests: asked again it is the same, with fewer tests another.
    assert_eq!(there(&station, &record).unwrap().unwrap().digest, card.digest);
    let other = self::station(&modes(), &wanted(", unit.mode: service"));
    let record = self::record(&other, &held(", unit.mode: service"));
    assert_ne!(there(&other, &record).unwrap().unwrap().digest, card.digest);
}

#[test]
fn the_codes_to_try_are_a_known_one_alone_else_the_wanted_the_doubted_and_the_factorys() {
    let printed = TERN.replace("{kind: secret, digits: [4, 8]}", "{kind: secret, digits: [4, 8], factory: \"0000\"}");
    let station = station(&printed, &ALL_WANTED.replace("\"121\"", "\"120\""));
    let codes_of = |record: &Record| {
        let script = there(&station, record).unwrap().unwrap();
        json(&script, &station, &codes())["calls"][0]["codes"].clone()
    };
    let mut record = record(&station, &ALL_HELD.replace("file:new", "file:old"));
    assert_eq!(codes_of(&record), serde_json::json!(["file:old"]));
    let access = station.keybook.id("access").unwrap();
    let known = |name: &str| Value::Secret(codes().seal(&Reference::File(name.into())));
    record.settings[access.index()].state = HeldState::InDoubt([known("old"), known("new")].into());
    assert_eq!(codes_of(&record), serde_json::json!(["file:new", "file:old", "factory"]));
    let digest = there(&station, &record).unwrap().unwrap().digest;
    record.settings[access.index()].state = HeldState::InDoubt([known("new"), known("other")].into());
    assert_ne!(there(&station, &record).unwrap().unwrap().digest, digest, "a report names codes by their place");
    let in_doubt = ["zulu", "old", "new", "alpha"].map(known);
    record.settings[access.index()].state = HeldState::InDoubt(in_doubt.into());
    let in_their_order = serde_json::json!(["file:new", "file:zulu", "file:old", "file:alpha", "factory"]);
    assert_eq!(codes_of(&record), in_their_order);
    record.settings[access.index()].state = HeldState::Unknown;
    assert_eq!(codes_of(&record), serde_json::json!(["file:new", "factory"]));
}

#[test]
fn a_code_that_was_refused_is_said_first_and_tried_last() {
    let printed = TERN.replace("{kind: secret, digits: [4, 8]}", "{kind: secret, digits: [4, 8], factory: \"0000\"}");
    let told = |book: &str, refused: &[&str]| {
        let station = station(book, &ALL_WANTED.replace("\"121\"", "\"120\""));
        let mut record = record(&station, &ALL_HELD.replace("access: {secret: \"file:new\"}, ", ""));
        let access = station.keybook.id("access").unwrap();
        record.settings[access.index()].state = HeldState::Unknown;
        let at = "2026-11-20T12:10:00Z".parse().unwrap();
        let refusal = |name: &&str| Refusal {
            code: Value::Secret(codes().seal(&name.parse().unwrap())),
            mark: Mark { at, report: Uuid::nil() },
            by: "tech-09".into(),
        };
        record.settings[access.index()].refused = refused.iter().map(refusal).collect();
        let script = there(&station, &record).unwrap().unwrap();
        let lead = crate::script::card::cautions(&script, &station, &codes()).into_iter().next().unwrap_or_default();
        (json(&script, &station, &codes())["calls"][0]["codes"].clone(), lead, script.warnings[0].text(&codes()))
    };
    let (codes, lead, note) = told(&printed, &["file:new"]);
    assert_eq!(codes, serde_json::json!(["factory", "file:new"]));
    assert_eq!(
        lead,
        "WARNING: the station refused 4711 00 on 2026-11-20 12:10 UTC (tech-09). This card opens with another code."
    );
    assert!(
        note.contains("opened with the factory code") && note.contains("what it refused before: B 4711 00 #."),
        "{note}"
    );
    let (codes, lead, note) = told(TERN, &["file:new"]);
    assert_eq!(codes, serde_json::json!(["file:new"]));
    assert!(lead.ends_with("If none is known, try this one once more, slowly."), "{lead}");
    assert!(note.contains("it has refused every code on record") && lead.contains("4711 00"), "{note}");
    let (codes, lead, note) = told(&printed, &["file:old"]);
    assert_eq!(codes, serde_json::json!(["file:new", "factory", "file:old"]));
    assert!(note.contains("Last, key once more and slowly what it refused before: B 1234 #."), "{note}");
    assert!(lead.contains("1234") && lead.ends_with("This card opens with another code."), "{lead}");
}

/// A report of this minute that names a script: how its first call was opened with its code of this place.
fn opened(minute: u32, script: &Script, code: usize, heard: Opened) -> Report {
    Report {
        id: Uuid::from_u128(minute.into()),
        at: format!("2026-11-20T11:{minute:02}:00Z").parse().unwrap(),
        script: Some(script.digest.clone()),
        openings: vec![Opening { call: 1, code: u32::try_from(code).unwrap(), heard }],
        ..report("")
    }
}

#[test]
fn a_code_of_a_way_back_and_of_a_card_that_was_begun_is_not_said_to_be_another() {
    let station = station(TERN, ALL_WANTED);
    let held = report(&ALL_HELD.replace("\"121\"", "\"120\""));
    let first = there(&station, &fold(&station.keybook, [&held], |_| None)).unwrap().unwrap();
    let issued = issued(&first, Timestamp::UNIX_EPOCH);
    let reports = [held, opened(1, &first, 1, Opened::Refused)];
    let mut record = fold(&station.keybook, &reports, |digest| (*digest == issued.digest).then_some(&issued));
    let lead = |script: &Script| crate::script::card::cautions(script, &station, &codes()).join("\n");
    let card = there(&station, &record).unwrap().unwrap();
    assert!(lead(&card).contains("the station refused 4711 00") && lead(&card).contains("No other code is on record"));
    // Its way back starts where it ends, and opens with the wanted code, which is the refused one.
    record.handed_out.push(way::out(&station, &card, "2026-11-20T12:00:00Z"));
    let back = written(&station, &record, &codes(), Way::Back, &mut Memory::default()).unwrap().unwrap();
    let said = lead(&back);
    assert!(said.contains("the station refused 4711 00"), "{said}");
    assert!(!said.contains("another code") && !said.contains("No other code"), "{said}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, ..ProptestConfig::default() })]

    /// Whatever is heard: the code that last opened the station is on each later card, and once that was refused, each that
    /// ever did.
    #[test]
    fn a_code_that_opened_the_station_once_and_was_refused_later_is_on_each_later_card(
        tries in proptest::collection::vec((0..4usize, 0..3u8, any::<bool>()), 1..10),
    ) {
        let printed = TERN.replace("{kind: secret, digits: [4, 8]}", "{kind: secret, digits: [4, 8], factory: \"0000\"}");
        let stations = ["file:new", "file:other"].map(|code| {
            station(&printed, &ALL_WANTED.replace("\"121\"", "\"120\"").replace("file:new", code))
        });
        let mut reports = vec![report(&ALL_HELD.replace("file:new", "file:old"))];
        let mut scripts: Vec<crate::ledger::Issued> = Vec::new();
        let mut known: Vec<String> = vec!["file:old".into()];
        let mut is_refused = false;
        for (nth, (code, heard, is_other)) in tries.into_iter().enumerate() {
            let station = &stations[usize::from(is_other)];
            let record = fold(&station.keybook, &reports, |digest| scripts.iter().find(|one| one.digest == *digest));
            let script = there(station, &record).unwrap().unwrap();
            let shown = json(&script, station, &codes())["calls"][0]["codes"].clone();
            let shown: Vec<&str> = shown.as_array().unwrap().iter().filter_map(|code| code.as_str()).collect();
            let due = if is_refused { &known[..] } else { &known[known.len() - 1..] };
            for code in due {
                prop_assert!(shown.contains(&&**code), "{} of {:?} is not among {:?}", code, known, shown);
            }
            let code = code % shown.len();
            let is_last = shown[code] == known[known.len() - 1];
            let heard = [Opened::Accepted, Opened::Refused, Opened::Nothing][usize::from(heard)];
            match heard {
                Opened::Accepted => {
                    known.retain(|known| *known != shown[code]);
                    known.push(shown[code].to_owned());
                    is_refused = false;
                }
                Opened::Refused => is_refused |= is_last,
                Opened::Nothing => {}
            }
            scripts.push(issued(&script, Timestamp::UNIX_EPOCH));
            reports.push(opened(nth as u32 + 1, &script, code + 1, heard));
        }
    }
}

#[test]
fn a_call_says_its_room_and_a_card_of_one_without_room_warns() {
    let station = |limit: u32| station(&TERN.replace("limit_ms: 240000", &format!("limit_ms: {limit}")), ALL_WANTED);
    let held = ALL_HELD.replace("9,01632960101", "9,01632960177");
    // 6,000 of greeting, 6,300 of opening, 11,100 of the one step, 600 of closing.
    let call = |limit: u32| {
        let station = station(limit);
        let script = there(&station, &record(&station, &held)).unwrap().unwrap();
        let card = card::text(&card::Card::of(&script, &station, &codes(), None, Uuid::nil()));
        (json(&script, &station, &codes())["calls"][0]["room_ms"].clone(), card.contains("this call needs 24 of"))
    };
    assert_eq!(call(24_000 + 11_100), (11_100.into(), false));
    assert_eq!(call(24_000 + 11_099), (11_099.into(), true));
}

/// Everything known since a time, and its buttons tested at noon of 2026-11-20.
fn since(station: &Station, held: &str, at: &str) -> Record {
    let known = Report { at: at.parse().unwrap(), ..report(held) };
    let all = station.keybook.lifelines.iter();
    let test = |name: &Name| Test { lifeline: name.clone(), outcome: Outcome::Reached, contact: None, dialled: None };
    let tests = all.map(|lifeline| test(&lifeline.name)).collect();
    let tested = Report { id: Uuid::from_u128(9), at: "2026-11-20T12:00:00Z".parse().unwrap(), tests, ..report("") };
    fold(&station.keybook, &[known, tested], |_| None)
}

fn renewed(station: &Station, record: &Record, names: &[&str]) -> Result<Option<Script>, NoScript> {
    let ids: Vec<_> = names.iter().map(|name| station.keybook.id(name).unwrap()).collect();
    asking(station, record, &codes(), |request| renew(request, &ids, &mut Memory::default()))
}

#[test]
fn overdue_settings_of_no_button_are_keyed_again_and_the_call_is_opened_by_the_record() {
    let station = station(TERN, ALL_WANTED);
    let record = since(&station, ALL_HELD, "2025-01-01T00:00:00Z");
    let names = asking(&station, &record, &codes(), |request| {
        renewable(request).iter().map(|id| station.keybook.setting(*id).name.to_string()).collect::<Vec<_>>()
    });
    // A call by a second number that is empty by the record confirms nothing.
    assert_eq!(names, ["access", "identity", "emergency.backup", "lamp.follows", "gate.seconds"]);
    assert_eq!(there(&station, &record).unwrap(), None);
    let all = ["access", "identity", "lamp.follows", "gate.seconds"];
    let script = renewed(&station, &record, &all).unwrap().expect("a script");
    let mut keyed = steps(&script);
    keyed.sort();
    assert_eq!(keyed, ["10121#", "411", "4507", "90471100#471100#"]);
    assert!(!script.calls[0].is_guessed && script.warnings.is_empty(), "{:?}", script.warnings);
    assert_eq!(script.calls[0].codes.len(), 1);
    assert!(script.tests.is_empty(), "what is keyed again as it was changes no button: {:?}", script.tests);
    assert_eq!(steps(&renewed(&station, &record, &["identity"]).unwrap().unwrap()), ["10121#"]);
}

#[test]
fn what_cannot_be_keyed_again_without_taking_a_button_away_is_named_to_be_left_out() {
    // The only command for the gate's time writes the line too, which is the button's.
    let book = TERN.replace("keys: \"45{gate.seconds}\"", "keys: \"45{gate.seconds}\", also: {line.kind: direct}");
    let station = station(&book, ALL_WANTED);
    let record = since(&station, ALL_HELD, "2025-01-01T00:00:00Z");
    let why = renewed(&station, &record, &["identity", "gate.seconds"]).unwrap_err();
    assert_eq!(why, NoScript::Renewals { leave_out: vec!["gate.seconds".into()] });
    assert!(why.to_string().ends_with("Leave out \"gate.seconds\""), "{why}");
    assert!(renewed(&station, &record, &["identity"]).unwrap().is_some());
}

#[test]
fn a_button_that_is_not_there_is_not_tracked_not_dead_not_tested_and_bars_nothing() {
    let there_is = station(&modes(), &wanted(", unit.mode: service"));
    let mut lacks = (*there_is).clone();
    lacks.absent.insert("blue".into(), lacks.place.clone());
    let held = held(", unit.mode: service, blue.number: \"\"");
    let record = record(&lacks, &held.replace("\"121\"", "\"120\""));
    let blue = |script: &Script| {
        card::cautions(script, &there_is, &codes()).iter().any(|text| text.contains("the blue button calls nobody"))
    };
    assert!(blue(&there(&there_is, &record).unwrap().unwrap()));
    let script = there(&lacks, &record).unwrap().unwrap();
    assert!(!blue(&script) && script.tests.iter().all(|test| &*test.lifeline != "blue"));
    assert_eq!(tracked(&lacks, &record).len(), 1);
    let looked_at = |station: &Station| {
        let drift = look(
            station,
            &record,
            Rules { reconfirm_days: 365, require_tests: true },
            "2026-11-21T00:00:00Z".parse().unwrap(),
        );
        let blue = drift.scope.lifelines.iter().find(|part| &*part.name == "blue").expect("its keybook has it");
        let counts = drift.lifelines.iter().any(|lifeline| &*lifeline.name == "blue");
        (counts, blue.is_watched, blue.let_go_at.is_some())
    };
    assert_eq!((looked_at(&there_is), looked_at(&lacks)), ((true, true, false), (false, false, true)));
    // Its number may be keyed away: no call is lost.
    let id = lacks.keybook.id("blue.number").unwrap();
    let mut aim = Aim::of(&lacks, &self::record(&lacks, &held.replace("\"\"", "\"7\"")), Way::There);
    aim.goal[id.index()] = Some(Value::Dial("".into()));
    assert_eq!(left_dead(&lacks, &aim), None);
    assert!(left_dead(&there_is, &aim).is_some());
}

/// A station found with a button that calls nobody: the card says so first, and no time after which help comes back by
/// itself.
#[test]
fn a_card_of_a_button_that_is_dead_now_says_so_first_and_tells_no_false_time() {
    let station = station(&modes(), &wanted(BLUE));
    let record = record(&station, &held(", unit.mode: setup, blue.number: \"7\""));
    let script = there(&station, &record).unwrap().expect("it is to be set to service");
    let card = card::Card::of(&script, &station, &codes(), None, Uuid::nil());
    let first =
        "WARNING: the red button calls nobody now. Keep a stand-in at the station until a test call reaches help.";
    assert_eq!(card.lead[0], first);
    let caution =
        card.cautions.iter().find(|caution| caution.contains("calls nobody") || caution.contains("call nobody"));
    assert!(caution.is_some_and(|text| text.starts_with("Until step ") && !text.contains("for about")), "{caution:?}");
}
