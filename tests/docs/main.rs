//! What the documents show is what the program prints: README, the sample's own page, and the guide, step by step.

mod picture;
mod tour;
mod voice;

use std::fs;
use std::process::Command;

use tour::{Daemon, Place, Step, matches, root, steps};

/// Follows a document; returns how many commands it had.
fn follow(name: &str, document: &str, place: &Place) -> usize {
    let mut daemon = None;
    let mut checked = 0;
    for step in steps(document) {
        let (line, command, output) = match step {
            Step::Write { path, text } => {
                place.write(&path, &text);
                continue;
            }
            Step::Run { line, command, output } => (line, command, output),
        };
        let got = match command.split_whitespace().collect::<Vec<_>>()[..] {
            // The two commands at the top are what CI runs; the tour's own start is looked at.
            ["cargo", "run", "--release", "#", ..] | ["tests/run", ..] | ["cargo", "build", ..] => continue,
            ["cargo", "run", "--release"] => {
                let (started, said) = Daemon::start(place);
                daemon = Some(started);
                said
            }
            [..] => place.run(&command),
        };
        assert!(
            matches(&output, &got),
            "{name}:{line}: $ {command}\n--- shown\n{}\n--- printed\n{}",
            output.join("\n"),
            got.join("\n")
        );
        checked += 1;
    }
    drop(daemon);
    checked
}

fn guide(topic: &str) -> String {
    let run = Command::new(env!("CARGO_BIN_EXE_stationkeep")).args(["guide", topic]).output().expect("the program");
    assert!(run.status.success(), "{topic}");
    String::from_utf8(run.stdout).expect("text")
}

fn topics() -> Vec<String> {
    let index = Command::new(env!("CARGO_BIN_EXE_stationkeep")).arg("guide").output().expect("the program");
    let text = String::from_utf8(index.stdout).expect("text");
    let words = text.lines().filter_map(|line| line.strip_prefix("  ")?.split_whitespace().next());
    words.map(str::to_owned).collect()
}

#[test]
fn every_command_of_the_readme_prints_what_the_readme_shows() {
    let text = fs::read_to_string(root().join("README.md")).expect("README.md");
    let checked = follow("README.md", &text, &Place::sample());
    assert!(checked >= 5, "README has {checked} commands");
}

#[test]
fn every_command_of_the_samples_tour_prints_what_it_shows() {
    let text = fs::read_to_string(root().join("config/README.md")).expect("config/README.md");
    let checked = follow("config/README.md", &text, &Place::sample());
    assert!(checked >= 15, "the tour has {checked} commands");
}

#[test]
fn every_command_of_the_guide_prints_what_the_guide_shows() {
    let mut checked = 0;
    for file in fs::read_dir(root().join("src/guide")).expect("the guide") {
        let path = file.expect("a file").path();
        if path.extension().is_some_and(|ending| ending == "md") {
            let text = fs::read_to_string(&path).expect("a topic");
            let name = path.display().to_string();
            let is_own = steps(&text).iter().any(|step| matches!(step, Step::Write { .. }));
            checked += follow(&name, &text, &if is_own { Place::bare() } else { Place::sample() });
        }
    }
    assert!(checked >= 5, "the guide has {checked} commands");
}

#[test]
fn every_topic_prints_on_eighty_columns_and_none_holds_a_mark_of_its_source() {
    let topics = topics();
    assert!(topics.len() >= 10, "{topics:?}");
    for topic in topics {
        let text = guide(&topic);
        assert!(text.lines().count() > 10, "{topic}");
        let is_code = |line: &str| line.starts_with("    ");
        for line in text.lines().filter(|line| !is_code(line)) {
            assert!(line.chars().count() <= 80 || !line.contains(' '), "{topic}: {line}");
            assert!(!line.contains("{{") && !line.contains("|---"), "{topic}: {line}");
        }
    }
}

#[test]
fn an_unknown_topic_names_those_there_are() {
    let run = Command::new(env!("CARGO_BIN_EXE_stationkeep")).args(["guide", "scirpts"]).output().expect("the program");
    assert_eq!(run.status.code(), Some(2));
    let said = String::from_utf8(run.stderr).expect("text");
    for topic in topics() {
        assert!(said.contains(&topic), "{topic}: {said}");
    }
}

#[test]
fn the_dots_stand_for_anything_and_nothing_else_does() {
    let lines = |text: &str| text.lines().map(str::to_owned).collect::<Vec<_>>();
    assert!(matches(&lines("a…c\n…\nz"), &lines("a b c\nx\ny\nz")));
    assert!(matches(&lines("…/config"), &lines("/tmp/config")));
    assert!(!matches(&lines("a…c"), &lines("a b")));
    assert!(!matches(&lines("a"), &lines("a\nb")));
    assert!(!matches(&lines("a\nb"), &lines("a")));
}
