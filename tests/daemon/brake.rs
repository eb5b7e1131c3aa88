//! The brake, on the sample fleet: who would change the lifelines of many stations at once says that it is meant.

use std::fs;
use std::path::PathBuf;

use serde_json::Value;

use super::fleet::{Fleet, SIGNING};
use super::probe::{address, metrics};
use super::process::{Done, until};
use super::receiver::Receiver;
use super::sample::sample;

const FLEET: &str = "config/inventory/fleet.yaml";

/// The control room gets another number: 0113 496 0000 to 0999 and 01632 960000 to 960999 are kept for fiction.
fn edit(fleet: &Fleet, from: &str, to: &str) {
    let text = fs::read_to_string(fleet.path(FLEET)).expect("a file");
    assert!(text.contains(from));
    fleet.rename_into(FLEET, &text.replace(from, to));
}

/// The line of the configuration that sets the share.
fn line_of_share(fleet: &Fleet) -> usize {
    let text = fs::read_to_string(fleet.path("config/stationkeep.yaml")).expect("a file");
    1 + text.lines().position(|line| line.starts_with("brake:")).expect("the share in the sample")
}

/// The digest in the command that releases what is held.
fn digest(said: &str) -> String {
    let (_, rest) = said.split_once("stationkeep release ").expect(said);
    rest.split_whitespace().next().expect("a digest").to_owned()
}

fn text<'j>(json: &'j Value, key: &str) -> &'j str {
    json[key].as_str().unwrap_or_default()
}

fn release(fleet: &Fleet, digest: &str) -> Done {
    fleet.run(&["release", digest, "--by", "ops-2", "--why", "the control room moved"])
}

/// Stations of the sample of which another lifeline value was last proven than is wanted: they are altered from the first start
/// on.
const ADRIFT: [&str; 3] = ["BI-04", "EQ-02", "EQ-05"];

/// The stations whose lifelines drift by what the edit wants; BI-04, which is adrift, is not among them.
fn moved(fleet: &Fleet) -> Vec<String> {
    let drift = fleet.drift();
    // Nobody ever reported on NM-05: what is wanted of it alters nothing.
    let stations = drift["stations"].as_array().expect("stations").iter();
    let stations = stations.filter(|s| s["station"] != "NM-05" && s["station"] != "BI-04");
    let wants = |station: &&serde_json::Value| {
        let settings = station["settings"].as_array().map_or(&[][..], |all| all);
        settings.iter().any(|s| s["wanted"].to_string().contains("1632960109"))
    };
    stations.filter(wants).map(|s| s["station"].as_str().unwrap_or_default().to_owned()).collect()
}

#[test]
fn without_a_daemon_a_change_of_many_lifelines_is_held_until_that_very_change_is_released() {
    let fleet = sample();
    fleet.run(&["script", "EQ-02"]).ended(0);
    assert!(release(&fleet, "0123456789abcdef").ended(1).err.contains("nothing to release"));
    edit(&fleet, "+441632960101", "+441632960109");
    let drifting = moved(&fleet);
    assert_eq!(drifting.len(), 23);
    let held = fleet.run(&["script", &drifting[0]]).ended(1);
    let set_at = format!("(brake.share, stationkeep.yaml:{})", line_of_share(&fleet));
    for part in ["would change at 24 of the 34 stations on record", "more than 30 %", "24 scripts are held.", &set_at] {
        assert!(held.err.contains(part) && held.out.is_empty(), "\"{part}\": {held:?}");
    }
    let list = fleet.run(&["script", "--all", "--format", "json"]).ended(1).json();
    let names = list["held"].as_array().expect("held").iter().map(|s| s["station"].as_str().unwrap_or_default());
    let mut names: Vec<&str> = names.collect();
    names.sort_unstable();
    let mut expected: Vec<&str> = drifting.iter().map(|name| &**name).chain(["BI-04"]).collect();
    expected.sort_unstable();
    assert_eq!(names, expected);
    assert_eq!(list["held_by"]["change"], digest(&held.err));
    assert!(list["scripts"].as_array().is_some_and(|scripts| !scripts.is_empty()), "others are keyed all the same");
    release(&fleet, "not a digest").ended(2);
    assert!(release(&fleet, "0123456789abcdef").ended(1).err.contains(&digest(&held.err)));
    let stale = digest(&held.err);
    edit(&fleet, "+441632960109", "+441632960108");
    let now = digest(&release(&fleet, &stale).ended(1).err);
    assert_ne!(now, stale);
    // Without a name it lists what would change, and releases nothing.
    let listing = fleet.run(&["release", &now]).ended(0).out;
    // What is the same at many is told once, with the line that wants it.
    let group = listing.split("\n\n").find(|group| group.contains(&drifting[0])).expect("its group");
    let (names, changes) = group.split_once("\n  emergency.primary: ").expect("what changes there");
    assert!(
        names.split_once(" stations: ").is_some_and(|(count, _)| count.parse().is_ok_and(|n: u32| n > 1)),
        "{group}"
    );
    assert!(
        changes.contains("1632960108\", wanted by inventory/fleet.yaml:") && changes.contains("(to control-room)"),
        "{group}"
    );
    assert_eq!(listing, fleet.run(&["release"]).ended(0).out, "without its name it is the same");
    fleet.run(&["release", &now, "--by", "ops-2"]).ended(2);
    fleet.run(&["script", &drifting[0]]).ended(1);
    release(&fleet, &now).ended(0);
    fleet.run(&["script", &drifting[0]]).ended(0);
    fleet.run(&["script", "--all"]).ended(0);
    assert!(fleet.run(&["history", &drifting[0]]).ended(0).out.contains(&format!("change {now} released")));
    assert!(release(&fleet, &now).ended(1).err.contains("nothing to release"));
    fleet.run(&["ledger", "verify"]).ended(0);
}

/// How many stations a listing of a change names, in all its groups.
fn listed(listing: &str) -> u64 {
    let groups = listing.split("\n\n").skip(1).filter(|group| !group.starts_with("To release"));
    let named = groups.map(|group| {
        let names = group.lines().take_while(|line| !line.contains(':') || line.contains(" stations: "));
        let names: String = names.collect();
        names.rsplit(" stations: ").next().unwrap_or_default().split(',').count() as u64
    });
    named.sum()
}

/// A script that is out to something else, a station that is keyed and not tested yet, and one whose report still lies in
/// the folder: each number is another one, and all of them are the same wherever they are named.
#[test]
fn alert_work_list_listing_preview_and_metrics_name_the_same_numbers() {
    let receiver = Receiver::start(SIGNING);
    let mut fleet = sample();
    let old = fleet.path("old");
    super::sample::copy(&fleet.path("config"), &old);
    let old = old.display().to_string();
    for (name, value) in [("STATIONKEEP_WEBHOOK", &*receiver.url()), ("STATIONKEEP_SIGNING", SIGNING)] {
        fleet.environment.push((name.into(), value.into()));
    }
    super::against::hand_out(&fleet, ("bellskerry-island", "BI-05"));
    edit(&fleet, "+441632960101", "+441632960109");
    let drift = fleet.drift();
    let keyed = moved(&fleet);
    let keyed: Vec<&String> = keyed.iter().filter(|name| !ADRIFT.contains(&name.as_str())).take(2).collect();
    for (nth, name) in keyed.into_iter().enumerate() {
        let mut stations = drift["stations"].as_array().expect("stations").iter();
        let station = stations.find(|station| station["station"] == **name).expect("it drifts");
        let settings = station["settings"].as_array().expect("settings").iter();
        let left = settings.map(|s| format!("{}: {}", text(s, "setting"), s["wanted"])).collect::<Vec<_>>().join(", ");
        let report = format!(
            "report: 1\nid: 019a6c1e-8f00-7000-8000-00000000f00{nth}\nstation: {name}\nat: 2026-11-25T11:00:00Z\nby: tech-07\nleft: {{{left}}}\n"
        );
        fleet.write(&format!("config/reports/keyed-{nth}.yaml"), &report);
    }
    // The preview records what was dropped, as the others do.
    let check = fleet.run(&["check", "--against", &old, "--format", "json"]).ended(0).json()["change"].clone();
    let numbers = |json: &Value| ["altered", "held", "handed_out", "on_record"].map(|key| json[key].as_u64());
    let expected = numbers(&check["held"]);
    let [altered, held, handed_out, on_record] = expected.map(|number| number.expect("a number"));
    assert_eq!((handed_out, on_record, check["on_record"].as_u64()), (1, 34, Some(34)), "{check}");
    assert_eq!(held + handed_out + 2, altered, "{check}");
    let list = fleet.run(&["script", "--all", "--format", "json"]).ended(1).json();
    assert_eq!(numbers(&list["held_by"]), expected, "{list}");
    assert_eq!(list["held"].as_array().map(Vec::len), Some(held as usize), "{list}");
    let sentence = format!("would change at {altered} of the {on_record} stations on record ({handed_out} of them by");
    let waiting = format!("{held} scripts are held.");
    let change = text(&list["held_by"], "change");
    let said = fleet.run(&["check", "--against", &old]).ended(0).out;
    let listing = fleet.run(&["release", change]).ended(0).out;
    assert_eq!(listed(&listing), altered, "{listing}");
    let daemon = fleet.start();
    let told = receiver.wait_for(1).remove(0);
    assert_eq!(numbers(&told.data()["held"]), expected, "{}", told.body);
    for text in [&said, &listing, text(told.data(), "summary")] {
        assert!(text.contains(&sentence) && text.contains(&waiting), "{sentence} {waiting} {text}");
    }
    let of_metrics = ["stations_altered", "scripts_held", "scripts_handed_out", "stations_on_record"];
    let shown = until("the first pass in the metrics", || {
        let shown = metrics(address(&daemon));
        shown.contains_key("stationkeep_stations_altered").then_some(shown)
    });
    assert_eq!(of_metrics.map(|name| Some(shown[&format!("stationkeep_{name}")] as u64)), expected);
    let released = release(&fleet, change).ended(0).out;
    assert!(
        released.contains(&format!("{held} scripts can be keyed, and {altered} stations would change")),
        "{released}"
    );
}

/// Someone is there with half of it keyed: it must be finished, whatever else changes.
#[test]
fn a_script_that_someone_has_begun_waits_for_no_release_wherever_it_is_asked_for() {
    let fleet = sample();
    let old = fleet.path("old");
    super::sample::copy(&fleet.path("config"), &old);
    let old = old.display().to_string();
    let config = fs::read_to_string(fleet.path("config/stationkeep.yaml")).expect("a file");
    let all_go = config.replace("brake: {share: 0.3, most: 200}", "brake: {share: 1, most: 200}");
    fleet.write("config/stationkeep.yaml", &all_go);
    edit(&fleet, "+441632960101", "+441632960109");
    let stations: Vec<String> = moved(&fleet).into_iter().filter(|name| !ADRIFT.contains(&&**name)).collect();
    let [begun, shown] = [&*stations[0], &*stations[1]];
    let script = |name: &str| fleet.run(&["script", name, "--format", "json"]).ended(0).json();
    let (keyed, _) = (script(begun), script(shown));
    fleet.write("config/stationkeep.yaml", &config);
    let numbers = || {
        let check = fleet.run(&["check", "--against", &old, "--format", "json"]).ended(0).json();
        ["altered", "held"].map(|key| check["change"]["held"][key].as_u64().expect("a number"))
    };
    let [altered, held] = numbers();
    fleet.run(&["script", begun]).ended(1);
    let id = super::fleet::uuid(fleet.number());
    let line = format!(
        "{{\"begun\": 1, \"id\": \"{id}\", \"script\": {}, \"station\": \"{begun}\", \"at\": \"2026-11-25T12:00:00Z\", \
         \"by\": \"tech-07\"}}\n",
        keyed["script"]
    );
    fleet.write("begun.jsonl", &line);
    fleet.run(&["report", "begun.jsonl"]).ended(0);
    assert_eq!(numbers(), [altered, held - 1]);
    let now = fleet.run(&["script", begun, "--beside", &id, "--format", "json"]).ended(0).json();
    assert_ne!(now["script"], keyed["script"], "it begins where nobody knows what was keyed");
    let refused = fleet.run(&["script", shown]).ended(1);
    assert!(refused.err.contains(&format!("{} scripts are held.", held - 1)), "{refused:?}");
    let list = fleet.run(&["script", "--all", "--format", "json"]).ended(1).json();
    let named =
        |key: &str| list[key].as_array().expect("a list").iter().map(|s| text(s, "station")).collect::<Vec<_>>();
    assert!(named("scripts").contains(&begun) && !named("held").contains(&begun), "{list}");
    assert!(named("held").contains(&shown) && named("held").len() as u64 == held - 1, "{list}");
    let listing = fleet.run(&["release", &digest(&refused.err)]).ended(0).out;
    assert!(listing.contains(&format!("{} scripts are held.", held - 1)), "{listing}");
    assert!(!fleet.run(&["explain", begun]).ended(0).out.contains("is held"), "nor does it seem so");
    // Something else is wanted by now, which nobody has begun.
    edit(&fleet, "+441632960109", "+441632960108");
    let refused = fleet.run(&["script", begun, "--beside", &id]).ended(1);
    assert!(refused.err.contains("is held"), "{refused:?}");
}

#[test]
fn edits_split_over_many_runs_and_stations_set_aside_are_no_way_around() {
    let fleet = sample();
    let text = fs::read_to_string(fleet.path(FLEET)).expect("a file");
    fleet.run(&["drift"]).ended(3);
    let aside = ["aside", "east-quay", "--until", "2026-12-01", "--by", "ops-2", "--why", "closed", "--out-of-service"];
    fleet.run(&aside).ended(0);
    edit(&fleet, "+441632960101", "+441632960109");
    fleet.run(&["drift"]).ended(3);
    fleet.run(&["aside", "east-quay", "--end", "--by", "ops-2"]).ended(0);
    let drifting = moved(&fleet);
    let held = fleet.run(&["script", &drifting[0]]).ended(1);
    assert!(held.err.contains(&format!("{} of the 34", drifting.len() + 1)), "{} and {drifting:?}", held.err);
    // Taken back, it is no change.
    fleet.rename_into(FLEET, &text);
    fleet.run(&["script", "EQ-02"]).ended(0);
}

#[test]
fn the_limit_is_set_in_the_configuration_and_named_with_its_line() {
    let fleet = sample();
    let path = fleet.path("config/stationkeep.yaml");
    let text = fs::read_to_string(&path).expect("a file");
    fleet.run(&["drift"]).ended(3);
    edit(&fleet, "+441632960101", "+441632960109");
    let drifting = moved(&fleet);
    let with = |share: &str| {
        fleet.write(
            "config/stationkeep.yaml",
            &text.replace("brake: {share: 0.3, most: 200}", &format!("# A word.\nbrake: {{share: {share}}}")),
        );
    };
    with("0.2");
    let held = fleet.run(&["script", &drifting[0]]).ended(1);
    let limit = format!("more than 20 % (brake.share, stationkeep.yaml:{})", line_of_share(&fleet));
    assert!(held.err.contains(&limit), "{}", held.err);
    with("1, most: 12");
    let held = fleet.run(&["script", &drifting[0]]).ended(1);
    let limit = format!("more than 12 (brake.most, stationkeep.yaml:{})", line_of_share(&fleet));
    assert!(held.err.contains(&limit), "{}", held.err);
    // The limit of now counts.
    with("1");
    fleet.run(&["script", &drifting[0]]).ended(0);
    with("2");
    let check = fleet.run(&["check"]).ended(2);
    assert!((check.out + &check.err).contains("brake.share"));
    fleet.write("config/stationkeep.yaml", &text.replace("brake: {", "surge: {"));
    let check = fleet.run(&["check"]).ended(2);
    assert!((check.out + &check.err).contains("Write \"brake\" in place of \"surge\"."));
}

#[test]
fn the_alert_says_what_is_held_and_a_release_beside_the_daemon_is_taken_up() {
    let receiver = Receiver::start(SIGNING);
    let mut fleet = sample();
    for (name, value) in [("STATIONKEEP_WEBHOOK", &*receiver.url()), ("STATIONKEEP_SIGNING", SIGNING)] {
        fleet.environment.push((name.into(), value.into()));
    }
    let daemon = fleet.start();
    let first = receiver.wait_for(1).remove(0);
    assert_eq!(first.data()["held"], serde_json::Value::Null);
    edit(&fleet, "+441632960101", "+441632960109");
    let told = receiver.wait_for(2).remove(1);
    let held = &told.data()["held"];
    let count = moved(&fleet).len();
    assert_eq!((&held["altered"], &held["on_record"]), (&(count + 1).into(), &34.into()));
    assert_eq!(told.data()["to_do"]["held"], count + 1);
    let summary = told.data()["summary"].as_str().unwrap_or_default();
    assert!(
        summary
            .contains("Scripts are held. Lifeline-critical settings would change at 24 of the 34 stations on record")
            && summary.contains(&format!(
                "To list what would change: stationkeep release {}. To release it: ",
                text(held, "change")
            )),
        "{summary}"
    );
    let entry = &told.data()["opened"][0]["next"]["command"];
    assert!(entry.as_str().is_some_and(|text| text.starts_with("stationkeep release ")), "{entry}");
    assert_eq!(told.data()["hold"]["news"], "held");
    // A restart does not tell it again; a release is told at once, though no station has news.
    assert_eq!(daemon.stop("TERM"), Some(0));
    let daemon = fleet.start();
    receiver.still(&daemon, 2);
    release(&fleet, held["change"].as_str().unwrap_or_default()).ended(0);
    let after = receiver.wait_for(3).remove(2);
    assert_eq!(after.data()["held"], serde_json::Value::Null, "{}", after.body);
    assert_eq!(
        (&after.data()["hold"]["news"], &after.data()["hold"]["released_by"]),
        (&"released".into(), &"ops-2".into())
    );
    assert_eq!(after.data()["hold"]["why"], "the control room moved");
    // Taken back, it is over: what is wanted then is what was released.
    edit(&fleet, "+441632960109", "+441632960108");
    let again = receiver.wait_for(4).remove(3);
    assert_eq!(again.data()["hold"]["news"], "held", "{}", again.body);
    edit(&fleet, "+441632960108", "+441632960109");
    let over = receiver.wait_for(5).remove(4);
    assert_eq!(over.data()["hold"]["news"], "over", "{}", over.body);
    assert_eq!(daemon.stop("TERM"), Some(0));
}

/// The files of the sites, with their texts.
fn sites(fleet: &Fleet) -> Vec<(PathBuf, String)> {
    let entries = fs::read_dir(fleet.path("config/inventory/sites")).expect("the sites");
    let paths = entries.map(|entry| entry.expect("an entry").path());
    paths.map(|path| (path.clone(), fs::read_to_string(path).expect("a file"))).collect()
}

/// A station that stands on one line, by its name: its line in the edited text.
fn rewrite(fleet: &Fleet, edit: impl Fn(&str, &str) -> String) {
    for (path, text) in sites(fleet) {
        let lines = text.lines().map(|line| match line.trim_start().split_once(": {number: \"+44") {
            Some((name, _)) => edit(name, line) + "\n",
            None => format!("{line}\n"),
        });
        fs::write(path, lines.collect::<String>()).expect("a file");
    }
}

/// The stations that stand on one line and may call someone else by themselves.
fn on_one_line(fleet: &Fleet) -> Vec<String> {
    let sites = sites(fleet);
    let lines = sites.iter().flat_map(|(_, text)| text.lines());
    let named = lines.filter_map(|line| {
        let (name, rest) = line.trim_start().split_once(": {number: \"+44")?;
        rest.contains("settings: {").then(|| name.to_owned())
    });
    named.filter(|name| name != "NM-05").collect()
}

#[test]
fn new_names_and_new_numbers_in_the_same_edit_are_no_way_around() {
    let fleet = sample();
    fleet.run(&["drift"]).ended(3);
    edit(&fleet, "+441632960101", "+441632960109");
    // Another number of the range kept for fiction: 020 7946 0000 to 0999.
    rewrite(&fleet, |name, line| {
        let (before, rest) = line.split_once("+44").expect("a number");
        let digits: String = rest.chars().filter(char::is_ascii_digit).take(10).collect();
        let number = format!("+4420794608{}", &digits[8..]);
        before.replace(name, &format!("Z{name}")) + &number + rest.split_at(10).1
    });
    fleet.run(&["check"]).ended(0);
    let drifting = moved(&fleet);
    let station = drifting.iter().find(|name| name.starts_with("ZEQ")).expect("a station of the east quay");
    let held = fleet.run(&["script", station]).ended(1);
    assert!(held.err.contains("is held"), "{}", held.err);
    release(&fleet, &digest(&held.err)).ended(0);
    fleet.run(&["script", station]).ended(0);
}

#[test]
fn a_release_that_is_dropped_among_reports_releases_nothing_and_the_reports_beside_it_count() {
    let (fleet, other) = (sample(), sample());
    for fleet in [&fleet, &other] {
        fleet.run(&["drift"]).ended(3);
        edit(fleet, "+441632960101", "+441632960109");
    }
    let station = moved(&fleet).remove(0);
    let held = fleet.run(&["script", &station]).ended(1);
    release(&other, &digest(&held.err)).ended(0);
    let exported = other.run(&["ledger", "export"]).ended(0).out;
    let notice = exported.lines().find(|line| line.contains(&digest(&held.err))).expect("the release");
    let report = r#"{"report": 1, "id": "9d7f3f0e-6d0a-4c61-8a30-0123456789ab", "station": "EQ-02", "at": "2026-11-24T10:00:00Z",
        "by": "tech-07", "tests": [{"lifeline": "emergency", "outcome": "reached", "contact": "control-room"}]}"#;
    let report = report.replace('\n', " ");
    fleet.write("config/reports/dropped.jsonl", &format!("{notice}\n{report}\n"));
    let still = fleet.run(&["script", &station]).ended(1);
    assert!(
        still.err.contains("dropped.jsonl is rejected") && still.err.contains("release of a change"),
        "{}",
        still.err
    );
    assert!(still.err.contains("ledger import") && still.err.contains("is held"), "{}", still.err);
    let known = fleet.run(&["ledger", "export"]).ended(0).out;
    assert!(known.contains("9d7f3f0e-6d0a-4c61-8a30-0123456789ab") && !known.contains("\"release\""), "{known}");
    // Whoever keeps the ledger may record it: as a line of its own, which says nothing of the chain that it comes from.
    let mut line: serde_json::Value = serde_json::from_str(notice).expect("JSON");
    line.as_object_mut().expect("an object").remove("entry").expect("its place in the chain");
    fleet.write("release.jsonl", &format!("{line}\n"));
    fleet.run(&["ledger", "import", "release.jsonl"]).ended(0);
    fleet.run(&["script", &station]).ended(0);
}

#[test]
fn scripts_taken_a_few_at_a_time_and_edits_taken_back_are_no_way_around() {
    let fleet = sample();
    fleet.run(&["drift"]).ended(3);
    let all = who_call_the_control_room(&fleet);
    assert!(all.len() >= 14, "{all:?}");
    let before = sites(&fleet);
    let call_another = |some: &[String]| {
        rewrite(&fleet, |name, line| match some.iter().any(|one| one == name) {
            true => line.replace("settings: {", "settings: {emergency.primary: {to: coast-desk}, "),
            false => line.to_owned(),
        });
    };
    // With those that are adrift they are no more than ten.
    call_another(&all[..7]);
    for station in &all[..7] {
        fleet.run(&["script", station]).ended(0);
    }
    before.iter().for_each(|(path, text)| fs::write(path, text).expect("a file"));
    fleet.run(&["drift"]).ended(3);
    call_another(&all[7..14]);
    let held = fleet.run(&["script", &all[7]]).ended(1);
    let adrift = |some: &[String]| ADRIFT.iter().filter(|name| some.iter().any(|one| one == *name)).count();
    let (count, out) = (14 + ADRIFT.len() - adrift(&all[..14]), 7 - adrift(&all[..7]));
    let said = [format!("{count} of the 34"), format!("{out} of them by scripts already issued")];
    assert!(said.iter().all(|said| held.err.contains(said)), "{} {said:?}", held.err);
    release(&fleet, &digest(&held.err)).ended(0);
    fleet.run(&["script", &all[7]]).ended(0);
}

#[test]
fn what_is_held_is_held_on_another_machine_too_and_the_cards_that_are_out_count_there() {
    let (fleet, other) = (sample(), sample());
    fleet.run(&["drift"]).ended(3);
    let before = sites(&fleet);
    let altered = moved_by(&fleet, 0..7);
    altered.iter().for_each(|station| drop(fleet.run(&["script", station]).ended(0)));
    before.iter().for_each(|(path, text)| fs::write(path, text).expect("a file"));
    let exported = fleet.run(&["ledger", "export"]).ended(0).out;
    assert_eq!(exported.lines().filter(|line| line.contains("\"shown\":1")).count(), 7, "each showing is on record");
    fleet.run(&["script", "EQ-02"]).ended(0);
    // The same station again within the hour is one showing.
    fleet.run(&["script", "EQ-02"]).ended(0);
    let again = fleet.run(&["ledger", "export"]).ended(0).out;
    let shown = |text: &str| text.lines().filter(|line| line.contains("\"shown\":1")).count();
    assert!(shown(&again) <= 8, "{again}");
    fs::remove_dir_all(other.path("config/reports")).expect("the reports");
    fs::create_dir(other.path("config/reports")).expect("a folder");
    // An export is kept with its key.
    fs::create_dir_all(other.path("var")).expect("a folder");
    fs::copy(fleet.path("var/stationkeep.key"), other.path("var/stationkeep.key")).expect("the key");
    other.write("ledger.jsonl", &exported);
    other.run(&["ledger", "import", "ledger.jsonl"]).ended(0);
    assert_eq!(other.run(&["ledger", "import", "ledger.jsonl"]).ended(0).out.split(' ').next(), Some("0"));
    // Taken into an empty ledger it exports the same, each report with the time when it was recorded.
    assert_eq!(other.run(&["ledger", "export"]).ended(0).out, exported);
    for fleet in [&fleet, &other] {
        let some = moved_by(fleet, 7..14);
        let held = fleet.run(&["script", &some[0]]).ended(1);
        assert!(held.err.contains("by scripts already issued and not reported on"), "{}", held.err);
    }
    // A showing that is dropped among reports is a fact like them, here one that is on record already.
    let one = exported.lines().find(|line| line.contains("\"shown\":1")).expect("one");
    fleet.write("config/reports/shown.jsonl", one);
    let dropped = fleet.run(&["drift"]).ended(3);
    assert!(!dropped.err.contains("rejected"), "{}", dropped.err);
}

/// The stations that may be told on their own line to call someone else than the control room.
fn who_call_the_control_room(fleet: &Fleet) -> Vec<String> {
    let text = fs::read_to_string(fleet.path(FLEET)).expect("a file");
    edit(fleet, "+441632960101", "+441632960109");
    let control_room = moved(fleet);
    fleet.rename_into(FLEET, &text);
    on_one_line(fleet).into_iter().filter(|name| control_room.contains(name)).collect()
}

/// Some of them that are not adrift, told so; their names.
fn moved_by(fleet: &Fleet, some: std::ops::Range<usize>) -> Vec<String> {
    let all = who_call_the_control_room(fleet);
    let all: Vec<String> = all.into_iter().filter(|name| !ADRIFT.contains(&&**name)).collect();
    let some = all[some].to_vec();
    rewrite(fleet, |name, line| match some.iter().any(|one| one == name) {
        true => line.replace("settings: {", "settings: {emergency.primary: {to: coast-desk}, "),
        false => line.to_owned(),
    });
    some
}

#[test]
fn a_card_to_a_number_that_is_wanted_no_longer_is_called_back_where_all_seems_well_again() {
    let receiver = Receiver::start(SIGNING);
    let mut fleet = sample();
    for (name, value) in [("STATIONKEEP_WEBHOOK", &*receiver.url()), ("STATIONKEEP_SIGNING", SIGNING)] {
        fleet.environment.push((name.into(), value.into()));
    }
    let before = sites(&fleet);
    let daemon = fleet.start();
    receiver.wait_for(1);
    rewrite(&fleet, |name, line| match name == "EQ-02" {
        true => line.replace("settings: {", "settings: {emergency.primary: {to: coast-desk}, "),
        false => line.to_owned(),
    });
    assert_eq!(receiver.wait_for(2).remove(1).data()["call_back"], serde_json::Value::Null);
    let script = fleet.run(&["script", "EQ-02", "--format", "json"]).ended(0).json()["script"].clone();
    before.iter().for_each(|(path, text)| fs::write(path, text).expect("a file"));
    let told = receiver.wait_for(3).remove(2);
    let call_back = &told.data()["call_back"];
    assert_eq!(
        (&call_back["scripts"], &call_back["first"][0]["script"], &call_back["first"][0]["station"]),
        (&1.into(), &script, &"EQ-02".into()),
        "{}",
        told.body
    );
    let summary = told.data()["summary"].as_str().unwrap_or_default();
    let words = format!("Call back script {} for EQ-02", script.as_str().unwrap_or_default());
    assert!(summary.contains(&words), "{summary}");
    assert_eq!(daemon.stop("TERM"), Some(0));
}
