//! What a change says of itself, on fleets made for it.

use super::*;
use crate::inventory;
use crate::keybook::sample::{TERN, keybook};
use crate::script::{Rule, Stuck};

/// A fleet of so many stations with one contact and some settings of the fleet.
fn fleet(stations: usize, number: &str, settings: &str) -> Inventory {
    let mut text = format!(
        "inventory: 1\ncontacts: {{help: {{calls: \"{number}\"}}}}\nsettings: {{emergency.primary: {{to: help}}, \
         line.kind: {{from: line}}{settings}}}\nsites:\n  quay:\n    line: {{kind: pbx, outside: \"9,\", country: GB}}\n    \
         stations:\n"
    );
    for nth in 0..stations {
        // 020 7946 0000 to 0999 are kept for fiction.
        text.push_str(&format!("      S-{nth:03}: {{number: \"+4420794600{nth:02}\", model: tern-2}}\n"));
    }
    let (raw, findings) = inventory::read(&"i.yaml".into(), text.as_bytes());
    assert!(findings.is_empty(), "{findings:#?}");
    let books = [(Name::from("tern-2"), keybook(TERN))].into();
    let (inventory, findings) = inventory::resolve(&[Arc::new(raw)], &books, &codes());
    assert!(!findings.iter().any(crate::finding::Finding::is_error), "{findings:#?}");
    inventory
}

fn codes() -> Codes {
    Codes::new(b"a key")
}

const HELP: &str = "+441632960101";
const OTHER: &str = "+441632960109";

#[test]
fn the_same_inventory_changes_nothing() {
    let change = Preview::between(&fleet(3, HELP, ""), &fleet(3, HELP, ""), &codes());
    assert!(change.is_empty() && change.work == Work::default());
    assert_eq!(text(&change, "main", "here"), "Against main: the same is wanted at every station.\n");
}

#[test]
fn a_contact_that_moves_fifty_stations_is_one_line_and_one_hunk() {
    let change = Preview::between(&fleet(50, HELP, ""), &fleet(50, OTHER, ""), &codes());
    assert_eq!(change.counts(), [(Weight::Lifeline, (50, 50))].into());
    // B, the code that nobody wants (8 at most), #; 21, 9C01632960109, #; D.
    assert_eq!((change.work.calls, change.work.presses), (50, 50 * (10 + 16 + 1)));
    let said = text(&change, "main", "here");
    assert!(said.contains("- lifeline: 50 settings at 50 stations\n"), "{said}");
    assert!(
        said.contains("emergency.primary: help (9,01632960101) becomes help (9,01632960109), at 50 stations: S-000,"),
        "{said}"
    );
    assert!(said.contains("S-011 and 38 more @@\n-emergency.primary: help (9,01632960101)\n+"), "{said}");
    assert_eq!(said.matches("\n@@").count(), 1);
    assert!(said.lines().count() < 20, "{said}");
}

#[test]
fn stations_come_and_go_and_a_new_name_on_an_old_number_is_pointed_out() {
    let (before, mut after) = (fleet(3, HELP, ""), fleet(4, HELP, ""));
    let renamed = Arc::make_mut(&mut after.stations).remove("S-001").expect("a station");
    let renamed = Station { name: "T-001".into(), ..(*renamed).clone() };
    Arc::make_mut(&mut after.stations).insert(renamed.name.clone(), Arc::new(renamed));
    let change = Preview::between(&before, &after, &codes());
    assert_eq!(change.gone, ["S-001".into()].into());
    assert_eq!(change.renamed, [("S-001".into(), "T-001".into())]);
    let new: Vec<&str> =
        change.stations.iter().filter(|station| station.was.is_none()).map(|new| &*new.station.name).collect();
    assert_eq!(new, ["S-003", "T-001"]);
    let said = text(&change, "main", "here");
    for part in ["2 stations would be new, 1 station would be gone", "T-001 has the number that S-001 had"] {
        assert!(said.contains(part), "`{part}` is not in:\n{said}");
    }
}

/// The fleet with some stations otherwise: `edit` changes one, whose name it may change, too.
fn edited(fleet: &Inventory, edit: impl Fn(&mut Station)) -> Inventory {
    let mut after = fleet.clone();
    let stations = fleet.stations.values().map(|station| {
        let mut station = (**station).clone();
        edit(&mut station);
        (station.name.clone(), Arc::new(station))
    });
    after.stations = Arc::new(stations.collect());
    after
}

#[test]
fn a_station_that_says_what_it_was_called_is_neither_new_nor_gone() {
    let before = fleet(3, HELP, "");
    let renamed = |former: &'static str| {
        edited(&before, move |station| {
            if &*station.name == "S-001" {
                station.name = "T-001".into();
                station.formerly = vec![former.into()];
            }
        })
    };
    let change = Preview::between(&before, &renamed("S-001"), &codes());
    assert!(change.gone.is_empty() && change.renamed.is_empty() && change.stations.len() == 1);
    assert_eq!(change.work, Work::default());
    let said = text(&change, "main", "here");
    assert!(said.starts_with("Against main: 1 station would change.\n"), "{said}");
    assert!(said.contains("\nT-001 was S-001 until now and keeps its record.\n"), "{said}");
    assert_eq!(json(&change)["stations"][0]["was"]["station"], "S-001");
    // Another former name does not say so, and the fix is told.
    let change = Preview::between(&before, &renamed("S-009"), &codes());
    let said = text(&change, "main", "here");
    assert!(said.contains("If it is the same station, write formerly: S-001 in T-001.\n"), "{said}");
}

#[test]
fn two_stations_that_swap_numbers_are_told_together() {
    let before = fleet(3, HELP, "");
    let number = |name: &str| before.stations[name].number.clone();
    let change = edited(&before, |station| {
        let other = match &*station.name {
            "S-000" => "S-002",
            "S-002" => "S-000",
            own => own,
        };
        station.number = number(&Name::from(other));
    });
    let change = Preview::between(&before, &change, &codes());
    assert_eq!(change.swapped, [("S-000".into(), "S-002".into())]);
    let said = text(&change, "main", "here");
    assert!(said.contains("S-000 and S-002 swap their numbers. Both become untested"), "{said}");
    assert_eq!(json(&change)["swapped"], object(&[["S-000", "S-002"]]));
}

#[test]
fn a_button_that_nobody_watches_any_more_is_a_change() {
    let before = fleet(3, HELP, ", emergency.backup: \"\"");
    let none = edited(&before, |station| {
        station.absent.insert("emergency".into(), station.place.clone());
    });
    let change = Preview::between(&before, &none, &codes());
    assert!(!change.is_empty());
    let said = text(&change, "main", "here");
    let line =
        "\nLifelines no longer watched or tested:\n- emergency (set to none), at 3 stations: S-000, S-001, S-002\n";
    assert!(said.contains(line), "{said}");
    let back = text(&Preview::between(&none, &before, &codes()), "main", "here");
    let line =
        "\nLifelines watched from now on, each with a test call due:\n- emergency (was set to none), at 3 stations";
    assert!(back.contains(line), "{back}");
    assert_eq!(
        json(&change)["stations"][0]["lifelines"],
        object(&serde_json::json!([{"lifeline": "emergency", "from": "watched", "to": "none"}]))
    );
}

#[test]
fn a_keybook_that_says_otherwise_when_a_button_works_is_a_change() {
    let before = fleet(2, HELP, "");
    let long = "  emergency: {settings: [line.kind, emergency.primary], works: {line.kind: pbx}}\n";
    let book = keybook(&TERN.replace("  emergency: [line.kind, emergency.primary]\n", long));
    let change = Preview::between(&before, &edited(&before, |station| station.keybook = book.clone()), &codes());
    let said = text(&change, "main", "here");
    assert!(said.contains("what counts as working changes:\n- emergency, at 2 stations: S-000, S-001\n"), "{said}");
    // Its words alone change nothing of it.
    let titled = keybook(&TERN.replace("  second: {", "  second: {title: the spare, "));
    let change = Preview::between(&before, &edited(&before, |station| station.keybook = titled.clone()), &codes());
    assert!(change.is_empty(), "{change:#?}");
}

fn object(value: &(impl serde::Serialize + ?Sized)) -> serde_json::Value {
    serde_json::to_value(value).expect("JSON")
}

#[test]
fn a_setting_left_alone_from_now_on_needs_no_keying_and_one_nobody_can_key_is_told() {
    let (with, without) = (fleet(2, HELP, ", gate.seconds: 7"), fleet(2, HELP, ""));
    let change = Preview::between(&with, &without, &codes());
    assert!(!change.is_empty() && change.work == Work::default() && change.counts().is_empty());
    assert!(text(&change, "main", "here").contains("-gate.seconds: 7\n```"));
    // To key the backup the line's kind has to be known: without it nothing may touch it.
    let no_writer = TERN.lines().filter(|line| !line.contains("gate-time")).collect::<Vec<_>>().join("\n");
    let mut after = with.clone();
    for station in Arc::make_mut(&mut after.stations).values_mut() {
        let book = keybook(&no_writer);
        *station = Arc::new(Station { keybook: book, ..(**station).clone() });
    }
    let change = Preview::between(&without, &after, &codes());
    assert_eq!(change.stuck.len(), 2);
    assert!(change.is_impossible());
    let (_, NoScript::Unreachable(stuck)) = &change.stuck[0] else { panic!("{:?}", change.stuck) };
    let rule = Rule::NothingStores { setting: "gate.seconds".into() };
    assert_eq!(*stuck, [Stuck { setting: "gate.seconds".into(), wanted: Value::Number(7), rules: vec![rule] }]);
}

#[test]
fn the_json_names_every_station_however_many_there_are() {
    let change = Preview::between(&fleet(90, HELP, ""), &fleet(90, OTHER, ""), &codes());
    let json = json(&change);
    assert_eq!(json["stations"].as_array().map(Vec::len), Some(90));
    assert_eq!(json["by_weight"]["lifeline"]["stations"], 90);
    assert_eq!(json["stations"][0]["settings"][0]["to"]["value"], "9,01632960109");
    assert_eq!(json["keying"]["stations"], 90);
}

#[test]
fn where_a_station_is_whom_a_number_is_of_and_what_a_keybook_says_are_shown_too() {
    let before = fleet(2, HELP, "");
    let moved = edited(&before, |station| station.location = "Berth 9".into());
    let said = text(&Preview::between(&before, &moved, &codes()), "main", "here");
    assert!(
        said.contains(
            "\nWhat else is said of stations:\n- where: nothing becomes Berth 9, at 2 stations: S-000, S-001\n"
        ),
        "{said}"
    );
    let book = keybook(&TERN.replace("takes_ms: 8000", "takes_ms: 9000").replace("\"45{", "\"46{"));
    let change = Preview::between(&before, &edited(&before, |station| station.keybook = book.clone()), &codes());
    assert!(change.is_empty());
    let said = text(&change, "main", "here");
    for part in [
        "Against main: the same is wanted at every station.\n",
        "\nThe keybook of tern-2 changes, at 2 stations. Hold it against the manual:\n",
        "\n-  gate-time: press 4 5, then the new gate.seconds.\n+  gate-time: press 4 6, then the new gate.seconds.\n",
        "\n-    Takes 8 s longer than others.\n+    Takes 9 s longer than others.\n",
    ] {
        assert!(said.contains(part), "{part}\n{said}");
    }
    assert_eq!(json(&change)["keybooks"][0]["stations"], 2);
}

#[test]
fn a_code_that_leaves_the_factory_is_told_as_changed_and_not_shown() {
    let with =
        |code: &str| keybook(&TERN.replace("digits: [4, 8]}", &format!("digits: [4, 8], factory: \"{code}\"}}")));
    let before = edited(&fleet(1, HELP, ""), |station| station.keybook = with("830417"));
    let after = edited(&before, |station| station.keybook = with("830418"));
    let change = Preview::between(&before, &after, &codes());
    let said = text(&change, "main", "here") + &tables(&change, "main", "") + &json(&change).to_string();
    assert!(said.contains("access: A new one has another code than before.") && !said.contains("83041"), "{said}");
}

/// What is said where the keybook of a fleet of two is edited so.
fn edited_keybook(settings: &str, from: &str, to: &str) -> (Preview, String) {
    assert_eq!(TERN.matches(from).count(), 1, "{from}");
    let (before, book) = (fleet(2, HELP, settings), keybook(&TERN.replace(from, to)));
    let after = edited(&before, |station| station.keybook = book.clone());
    let change = Preview::between(&before, &after, &codes());
    let said = text(&change, "main", "here");
    (change, said)
}

#[test]
fn keys_that_change_in_a_keybook_are_shown_as_they_would_be_pressed() {
    let (change, said) = edited_keybook("", "direct: \"1\", pbx: \"2\"", "direct: \"2\", pbx: \"1\"");
    let line = "\nKeys that change in keybook tern-2 (2 stations): line-kind: 302 → 301. Key one station and listen before you \
                commit.\n";
    assert!(said.starts_with("Against main: the same is wanted at every station.\n") && said.contains(line), "{said}");
    assert_eq!(json(&change)["keybooks"][0]["keys"][0]["to"], "301");
    for (from, to, line) in [
        ("\"10{identity}#\"", "\"11{identity}#\"", "identity: 10{identity}# → 11{identity}#."),
        ("close: \"D\"", "close: \"*#\"", "closing: D → *#."),
        ("\"B{=access}#\"", "\"A{=access}#\"", "opening: B{access}# → A{access}#."),
        ("\",\": \"C\"", "\",\": \"A\"", "emergency-primary: 219C01632960101# → 219A01632960101#."),
        ("width: 2, unit", "width: 3, unit", "gate-time: 4507 → 45007."),
    ] {
        let (_, said) = edited_keybook(", gate.seconds: 7", from, to);
        assert!(said.contains(line), "{line}\n{said}");
    }
}

#[test]
fn whatever_else_changes_in_a_keybook_is_shown_too() {
    for (from, to, line) in [
        (", needs: {line.kind: [direct, pbx]}", "", "-    Refused unless line.kind is direct or pbx.\n"),
        (", also: {emergency.backup: factory}", "", "-    Also empties emergency.backup.\n"),
        (", clears: all, keeps: [access]", "", "-    Puts back as new: everything but access.\n"),
        ("factory: direct", "factory: pbx", "+    New: pbx."),
        ("idle_ms: 15000", "idle_ms: 14000", "+  It hangs up after 14 s without a key"),
        (
            "{backs: emergency, s",
            "{backs: emergency, test: Wait for it, s",
            "+    The card says how to test it: Wait for it\n",
        ),
    ] {
        let (change, said) = edited_keybook("", from, to);
        assert!(change.keybooks.values().all(|book| book.keys.is_empty()), "{change:#?}");
        assert!(said.contains(line), "{line}\n{said}");
    }
}

#[test]
fn a_weight_that_changes_is_told() {
    let number = "emergency.primary: {kind: dial, digits: [1, 20]";
    let (change, said) = edited_keybook("", &format!("{number}, weight: lifeline}}"), &format!("{number}}}"));
    let line = "\nThe weight of emergency.primary in keybook tern-2 becomes routine, was lifeline (2 stations).\n";
    assert!(said.contains(line), "{said}");
    assert_eq!(json(&change)["keybooks"][0]["weights"][0]["from"], "lifeline");
    assert!(tables(&change, "main", "").contains("becomes routine, was lifeline"));
}

#[test]
fn a_lifeline_that_is_known_is_watched_though_not_all_of_it_is_wanted() {
    let before = fleet(2, HELP, "");
    let after = edited(&before, |station| {
        let id = station.keybook.id("line.kind").expect("a setting");
        station.wanted[id.index()] = None;
    });
    let mut change = Preview::between(&before, &after, &codes());
    assert!(text(&change, "main", "here").contains("emergency (not all of its settings are wanted), at 2 stations"));
    change.by_record(|_, _| true, |station, _| &**station == "S-000");
    let said = text(&change, "main", "here");
    assert!(said.contains("emergency (not all of its settings are wanted), at 1 station: S-001\n"), "{said}");
    assert_eq!(change.stations.len(), 2);
}
