//! How documents and help speak: short sentences, and one word an idea. Each word here has a plainer one that the program's
//! own texts use.

use std::fs;
use std::path::Path;
use std::process::Command;

use super::tour::root;

/// Words that the project's texts do without, and what they say instead.
const WORDS: [(&str, &str); 21] = [
    ("mend", "fix"),
    ("mends", "fixes"),
    ("told of", "alerted"),
    ("is told", "is alerted"),
    ("in force", "in use"),
    ("take up", "record"),
    ("taken up", "recorded"),
    ("taken in", "recorded"),
    ("meanwhile", "(another verb)"),
    ("anew", "again"),
    ("somebody", "someone, or the role"),
    ("anybody", "anyone, or the role"),
    ("any more", "no longer"),
    ("reckon", "estimate"),
    ("reckoned", "estimated"),
    ("foretell", "preview"),
    ("heaviest", "most urgent"),
    ("hand out", "issue"),
    ("overtaken", "out of date"),
    ("mind:", "warning."),
    ("summons", "calls"),
];

/// The longest sentence in words, and the longest mean of one document.
const LONGEST: usize = 35;
const MEAN: usize = 18;

/// The documents that users read.
fn documents() -> Vec<(String, String)> {
    let mut paths: Vec<_> = ["README.md", "config/README.md", "deploy/README.md", "deploy/CHANGELOG.md"]
        .map(|name| root().join(name))
        .into();
    for file in fs::read_dir(root().join("src/guide")).expect("the guide") {
        let path = file.expect("a file").path();
        paths.extend(Some(path).filter(|path| path.extension().is_some_and(|ending| ending == "md")));
    }
    let read = |path: &Path| (path.display().to_string(), fs::read_to_string(path).expect("a document"));
    paths.iter().map(|path| read(path)).collect()
}

/// What every `--help` says.
fn helps() -> Vec<(String, String)> {
    let help = |verbs: &[&str]| {
        let run =
            Command::new(env!("CARGO_BIN_EXE_stationkeep")).args(verbs).arg("--help").output().expect("the program");
        assert!(run.status.success(), "{verbs:?}");
        String::from_utf8(run.stdout).expect("text")
    };
    let whole = help(&[]);
    let verbs = whole.lines().skip_while(|line| *line != "Commands:").skip(1).take_while(|line| !line.is_empty());
    let verbs = verbs.filter(|line| !line.starts_with("   ")).filter_map(|line| line.split_whitespace().next());
    let verbs: Vec<&str> = verbs.filter(|verb| *verb != "help").collect();
    assert!(verbs.len() >= 12, "{verbs:?}");
    let each = verbs.iter().map(|verb| ((*verb).to_owned(), help(&[verb])));
    [("--help".to_owned(), whole.clone())].into_iter().chain(each).collect()
}

/// The descriptions of the schemas.
fn schemas() -> Vec<(String, String)> {
    fn descriptions(of: &serde_json::Value, all: &mut Vec<String>) {
        match of {
            serde_json::Value::Object(members) => {
                all.extend(members.get("description").and_then(|text| text.as_str()).map(str::to_owned));
                members.values().for_each(|member| descriptions(member, all));
            }
            serde_json::Value::Array(items) => items.iter().for_each(|item| descriptions(item, all)),
            _ => {}
        }
    }
    let kinds = ["inventory", "keybook", "report", "config"];
    kinds
        .map(|kind| {
            let run =
                Command::new(env!("CARGO_BIN_EXE_stationkeep")).args(["schema", kind]).output().expect("the program");
            let mut all = Vec::new();
            descriptions(&serde_json::from_slice(&run.stdout).expect("JSON"), &mut all);
            assert!(all.len() > 10, "{kind}");
            (format!("schema {kind}"), all.join("\n\n"))
        })
        .into()
}

/// The words of each sentence. Code has none; a cell of a table is a paragraph, and so is an item of a list.
fn sentences(text: &str) -> Vec<Vec<String>> {
    let mut paragraphs: Vec<String> = vec![String::new()];
    let mut is_code = false;
    for line in text.lines() {
        is_code ^= line.starts_with("```");
        let line = line.trim_start_matches('>').trim();
        if is_code || line.starts_with("```") || line.is_empty() {
            paragraphs.push(String::new());
        } else if line.starts_with('|') {
            paragraphs.extend(line.split('|').map(str::to_owned));
            paragraphs.push(String::new());
        } else {
            if line.starts_with(['-', '#']) || line.starts_with(|sign: char| sign.is_ascii_digit()) {
                paragraphs.push(String::new());
            }
            let last = paragraphs.last_mut().expect("a paragraph");
            last.push(' ');
            last.push_str(line.trim_start_matches(['-', '#', ' ']));
        }
    }
    let mut all = Vec::new();
    for paragraph in paragraphs {
        let mut sentence = Vec::new();
        for word in paragraph.split_whitespace() {
            sentence.push(word.to_owned());
            if word.ends_with(['.', '!', '?', ':']) {
                all.push(std::mem::take(&mut sentence));
            }
        }
        all.push(sentence);
    }
    all.retain(|sentence| !sentence.is_empty());
    all
}

/// The words that a text should do without.
fn unwanted(text: &str) -> Vec<String> {
    let plain: String = text.to_lowercase().split_whitespace().collect::<Vec<_>>().join(" ");
    let is_apart = |sign: Option<char>| sign.is_none_or(|sign| !sign.is_alphanumeric() && sign != '-' && sign != '_');
    let has = |word: &str| {
        plain.match_indices(word).any(|(at, _)| {
            is_apart(plain[..at].chars().next_back()) && is_apart(plain[at + word.len()..].chars().next())
        })
    };
    WORDS.iter().filter(|(word, _)| has(word)).map(|(word, better)| format!("\"{word}\": write \"{better}\"")).collect()
}

#[test]
fn documents_and_help_speak_in_short_sentences() {
    for (name, text) in documents() {
        let all = sentences(&text);
        for sentence in &all {
            assert!(sentence.len() <= LONGEST, "{name}: {} words: {}", sentence.len(), sentence.join(" "));
        }
        let words: usize = all.iter().map(Vec::len).sum();
        assert!(words < MEAN * all.len(), "{name}: {words} words in {} sentences", all.len());
    }
    for (name, text) in schemas() {
        for sentence in sentences(&text) {
            assert!(sentence.len() <= LONGEST, "{name}: {} words: {}", sentence.len(), sentence.join(" "));
        }
    }
}

#[test]
fn documents_help_and_schemas_use_the_projects_own_words() {
    let mut breaches = Vec::new();
    for (name, text) in documents().into_iter().chain(helps()).chain(schemas()) {
        breaches.extend(unwanted(&text).into_iter().map(|breach| format!("{name}: {breach}")));
    }
    assert!(breaches.is_empty(), "{}", breaches.join("\n"));
}

#[test]
fn every_command_is_one_line_of_at_most_sixty_signs() {
    let helps = helps();
    let (_, whole) = &helps[0];
    let lines = whole.lines().skip_while(|line| *line != "Commands:").skip(1).take_while(|line| !line.is_empty());
    for line in lines {
        let (verb, about) = line.trim_start().split_once("  ").unwrap_or_else(|| panic!("not one line: {line}"));
        let about = about.trim();
        assert!(about.chars().count() <= 60 && !about.is_empty(), "{verb}: {about}");
    }
}

#[test]
fn a_long_sentence_and_an_unwanted_word_are_seen() {
    let long = "a ".repeat(36);
    assert!(sentences(&long).iter().any(|sentence| sentence.len() > LONGEST));
    assert_eq!(sentences("A b.\n\n```text\ncode code\n```\n| c | d e. |\n- f").len(), 4);
    assert_eq!(unwanted("The last one stays in\nforce.").len(), 1);
    assert!(unwanted("Recommended, reinforced, amended.").is_empty());
}
