//! The rules of the house that a reader would otherwise have to hold in mind and that no lint holds (Cargo.toml,
//! .clippy.toml and the head of src/lib.rs name those): how files begin, how long they are, what stands at the top of the
//! repository, which telephone numbers may stand in it.

mod source;

use std::fs;
use std::path::{Path, PathBuf};

use source::{File, entries, read_src, test_files};

const LONGEST: usize = 600;

/// The top of the repository, beside files whose names begin with a dot and what `.gitignore` names.
const TOP: [&str; 9] =
    ["Cargo.lock", "Cargo.toml", "DEVELOPERS.md", "LICENSE", "README.md", "config", "deploy", "src", "tests"];

/// A broken rule, as `file:line: sentence`.
type Breach = String;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// What is wrong with a file by its lines alone.
fn code(file: &File, is_test: bool) -> Vec<Breach> {
    let mut breaches = Vec::new();
    if !file.text.starts_with("//! ") {
        breaches.push(format!("{}:1: it does not open with `//!`, what it is and what it never does", file.name));
    }
    let before_tests = lines_before_tests(&file.text);
    if !is_test && before_tests > LONGEST {
        breaches.push(format!("{}:{LONGEST}: it has {before_tests} lines before its tests", file.name));
    }
    let is_unfinished = |line: &str| {
        let skips = line.trim_start().starts_with("#[ignore") || line.trim_start().starts_with("#[cfg_attr(");
        line.contains("FIXME") || line.contains("XXX") || (skips && line.contains("ignore"))
    };
    let unfinished = file.text.lines().enumerate().filter(|(_, line)| is_unfinished(line));
    breaches.extend(unfinished.map(|(nth, _)| format!("{}:{}: it is not finished", file.name, nth + 1)));
    let ends = file.text.lines().enumerate().take(before_tests).filter(|(_, line)| !is_test && ends_by_path(line));
    breaches.extend(ends.map(|(nth, line)| format!("{}:{}: it ends the program: {line}", file.name, nth + 1)));
    breaches
}

/// `map(Option::unwrap)` and the like, which clippy's lints do not see; nor do they see `unreachable!()` without a reason.
fn ends_by_path(line: &str) -> bool {
    let paths = ["Option::", "Result::"].iter().flat_map(|of| line.split(of).skip(1));
    let names = ["unwrap", "expect", "unwrap_err", "expect_err"];
    let mut ends = paths.map(|rest| rest.split(|sign: char| sign != '_' && !sign.is_alphanumeric()).next());
    ends.any(|name| name.is_some_and(|name| names.contains(&name))) || line.contains("unreachable!()")
}

fn lines_before_tests(text: &str) -> usize {
    let lines: Vec<&str> = text.lines().collect();
    let opens = |pair: &[&str]| pair[0] == "#[cfg(test)]" && pair[1].starts_with("mod ") && pair[1].ends_with('{');
    lines.windows(2).position(opens).unwrap_or(lines.len())
}

#[test]
fn every_source_file_says_what_it_is_and_is_finished() {
    let files = read_src();
    let tests = test_files(&files);
    let breaches: Vec<Breach> = files.iter().flat_map(|file| code(file, tests.contains_key(&file.name))).collect();
    assert!(breaches.is_empty(), "\n{}\n", breaches.join("\n"));
}

#[test]
fn every_test_file_says_what_it_is_and_skips_nothing() {
    let rust = walk(&root().join("tests")).into_iter().filter(|(name, _)| name.ends_with(".rs"));
    let files = rust.map(|(name, text)| File { name, text });
    let breaches: Vec<Breach> =
        files.filter(|file| file.name != "tests/tidy.rs").flat_map(|file| code(&file, true)).collect();
    assert!(breaches.is_empty(), "\n{}\n", breaches.join("\n"));
}

#[test]
fn each_rule_of_code_finds_its_breach() {
    let long = format!("//! L.\n{}", "\n".repeat(LONGEST));
    for (text, line) in [
        ("use a;", 1),
        ("//! A.\n#[test]\n#[ignore = \"slow\"]\nfn f() {}", 3),
        ("//! A.\n#[test]\n    #[ignore]\nfn f() {}", 3),
        ("//! A.\n#[test]\n#[cfg_attr(unix, ignore)]\nfn f() {}", 3),
        ("//! A.\n// FIXME\n", 2),
        ("//! A.\nfn f() { x.map(Option::unwrap) }", 2),
        ("//! A.\nfn f() { x.map(Result::expect_err) }", 2),
        ("//! A.\nfn f() { unreachable!() }", 2),
        (&long, LONGEST),
    ] {
        let breaches = code(&File { name: "a.rs".into(), text: text.into() }, false);
        assert_eq!(breaches.len(), 1, "{text}: {breaches:?}");
        assert!(breaches[0].starts_with(&format!("a.rs:{line}: ")), "{breaches:?}");
    }
    for text in [
        "//! A.\nfn f(ignored: u8) {}\nconst T: &str = \"#[ignore]\";",
        "//! A.\nfn f() { x.map(Option::unwrap_or_default); unreachable!(\"a keybook's lifelines are its own\") }",
        "//! A.\n#[cfg(test)]\nmod tests {\nfn f() { x.map(Option::unwrap) }\n}",
        &format!("//! A.\n#[cfg(test)]\nmod tests {{\n{}}}", "\n".repeat(LONGEST)),
    ] {
        assert_eq!(code(&File { name: "a.rs".into(), text: text.into() }, false), Vec::<Breach>::new(), "{text}");
    }
}

/// The lints that hold of the library what this file once held by hand.
#[test]
fn the_lints_that_keep_the_program_from_ending_itself_are_on() {
    for (file, parts) in [
        ("Cargo.toml", &["missing_docs", "[lints.clippy]", "too_many_lines", "todo", "unimplemented"][..]),
        (".clippy.toml", &["too-many-lines-threshold = 60"]),
        ("src/lib.rs", &["clippy::expect_used", "clippy::panic", "clippy::unwrap_used"]),
        ("src/main.rs", &["clippy::expect_used", "clippy::panic", "clippy::unwrap_used"]),
        (".ci/run", &["cargo clippy --locked --all-targets -- -D warnings"]),
    ] {
        let text = fs::read_to_string(root().join(file)).expect("a file");
        assert!(parts.iter().all(|part| text.contains(part)), "{file} lacks one of {parts:?}");
    }
}

/// Every text file under a folder or the file itself, by its path from the top.
fn walk(start: &Path) -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut open: Vec<PathBuf> = vec![start.to_owned()];
    while let Some(path) = open.pop() {
        if path.is_dir() {
            open.extend(entries(&path).into_iter().filter(|path| !path.ends_with("__pycache__")));
        } else if let Ok(text) = fs::read_to_string(&path) {
            let name = path.strip_prefix(root()).expect("under the top").display().to_string();
            found.push((name, text));
        }
    }
    found.sort();
    found
}

/// What belongs to the repository.
fn kept() -> Vec<PathBuf> {
    let ignored = fs::read_to_string(root().join(".gitignore")).expect(".gitignore");
    let is_ignored = |name: &str| name == ".git" || ignored.lines().any(|line| line.trim_matches('/') == name);
    entries(root()).into_iter().filter(|path| !is_ignored(&name_of(path))).collect()
}

fn name_of(path: &Path) -> String {
    path.file_name().expect("a name").display().to_string()
}

#[test]
fn the_top_of_the_repository_holds_what_everybody_expects_and_nothing_else() {
    let names: Vec<String> = kept().iter().map(|path| name_of(path)).filter(|name| !name.starts_with('.')).collect();
    assert_eq!(names, TOP);
}

/// Places on one machine, and addresses of package registries; each in two halves, so that this file is clean.
const FOREIGN: [(&str, &str); 14] = [
    ("/wor", "k/"),
    ("/hom", "e/"),
    ("/root", "/."),
    ("/Use", "rs/"),
    ("C:", "\\"),
    ("crates", ".io"),
    ("docs", ".rs"),
    ("pypi", ".org"),
    ("pythonhosted", ".org"),
    ("npmjs", ".org"),
    ("npmjs", ".com"),
    ("deb.debian", ".org"),
    ("debian", ".org/debian"),
    ("proxy.golang", ".org"),
];

fn foreign(name: &str, text: &str) -> Vec<Breach> {
    let names = FOREIGN.map(|(a, b)| format!("{a}{b}"));
    let mut breaches = Vec::new();
    for (nth, line) in text.lines().enumerate() {
        let found = names.iter().filter(|foreign| line.contains(foreign.as_str()));
        breaches.extend(found.map(|foreign| format!("{name}:{}: it names `{foreign}`", nth + 1)));
    }
    breaches
}

#[test]
fn no_file_names_a_place_on_one_machine_or_a_package_registry() {
    // Cargo.lock is written by cargo, which names its index there.
    let files = kept().into_iter().filter(|path| !path.ends_with("Cargo.lock")).flat_map(|path| walk(&path));
    let breaches: Vec<Breach> = files.flat_map(|(name, text)| foreign(&name, &text)).collect();
    assert!(breaches.is_empty(), "\n{}\n", breaches.join("\n"));
    assert_eq!(foreign("x", &format!("a\nsee /hom{} and pypi{}", "e/me", ".org")).len(), 2);
}

/// Numbers that telephone authorities keep for fiction, as whole international numbers; `x` is any digit.
///
/// GB: Ofcom, numbers for drama use. North America: NANPA, 555-0100 to 555-0199 of every area code
/// (area codes and exchanges begin with 2 to 9, written `n`).
const FICTION: [&str; 20] = [
    "441134960xxx",
    "441144960xxx",
    "441154960xxx",
    "441164960xxx",
    "441174960xxx",
    "441184960xxx",
    "441214960xxx",
    "441314960xxx",
    "441414960xxx",
    "441514960xxx",
    "441614960xxx",
    "441914980xxx",
    "442079460xxx",
    "442896496xxx",
    "442920180xxx",
    "441632960xxx",
    "447700900xxx",
    "448081570xxx",
    "443069990xxx",
    "1nxx55501xx",
];

/// Whether digits are a number reserved for fiction, in full.
fn is_fiction(digits: &str) -> bool {
    FICTION.iter().any(|range| {
        let fits = |(range, digit): (char, char)| match range {
            'x' => digit.is_ascii_digit(),
            'n' => ('2'..='9').contains(&digit),
            exact => exact == digit,
        };
        range.len() == digits.len() && range.chars().zip(digits.chars()).all(fits)
    })
}

/// Whether a dial string leads to a number reserved for fiction, with whatever an exchange wants in front.
fn dials_fiction(dialled: &str) -> bool {
    let digits: String = dialled.chars().filter(char::is_ascii_digit).collect();
    ["", "9"].iter().filter_map(|outside| digits.strip_prefix(outside)).any(|public| {
        let abroad = ["", "00", "011"].iter().filter_map(|prefix| public.strip_prefix(prefix)).any(is_fiction);
        let british = public.strip_prefix('0').is_some_and(|rest| is_fiction(&format!("44{rest}")));
        abroad || british || is_fiction(&format!("1{public}"))
    })
}

/// The shortest run of digits that could be someone's number, with its area.
const SHORTEST: usize = 9;

/// Every telephone number of a text that is not reserved for fiction.
fn numbers(name: &str, text: &str) -> Vec<Breach> {
    let mut breaches = Vec::new();
    for (nth, line) in text.lines().enumerate() {
        let international = line.match_indices('+').map(|(at, _)| after_plus(&line[at + 1..]));
        for digits in international.filter(|digits| digits.len() >= 7 && !is_fiction(digits)) {
            breaches.push(format!("{name}:{}: +{digits} is not reserved for fiction", nth + 1));
        }
        for word in line.split(|sign: char| !(sign.is_ascii_alphanumeric() || "+,*#-_/:.".contains(sign))) {
            // Ids, times, paths and digests have other signs in them.
            let keys = word.trim_end_matches(['.', ',', ':']);
            if word.starts_with('+') || !keys.chars().all(|sign| sign.is_ascii_digit() || ",*#".contains(sign)) {
                continue;
            }
            for field in keys.split(['*', '#']) {
                let count = field.chars().filter(char::is_ascii_digit).count();
                let inside_a_command = (0..=4).filter_map(|skip| field.get(skip..));
                let is_right = |part: &str| dials_fiction(part);
                let known = if field.len() == keys.len() {
                    dials_fiction(field)
                } else {
                    inside_a_command.clone().any(is_right)
                };
                if count >= SHORTEST && !known {
                    breaches.push(format!("{name}:{}: {field} is not reserved for fiction", nth + 1));
                }
            }
        }
    }
    breaches
}

/// The digits after a plus sign, through spaces, hyphens and brackets.
fn after_plus(rest: &str) -> String {
    let mut digits = String::new();
    let mut gap = 0;
    for sign in rest.chars() {
        match sign {
            '0'..='9' => (gap, digits) = (0, format!("{digits}{sign}")),
            ' ' | '-' | '(' | ')' | '.' | '\u{a0}' if gap < 2 => gap += 1,
            _ => break,
        }
    }
    digits
}

#[test]
fn every_telephone_number_in_sight_is_reserved_for_fiction() {
    let places = ["config", "deploy", "README.md", "DEVELOPERS.md"];
    let there = places.iter().map(|place| root().join(place)).filter(|path| path.exists());
    // The schemas have bounds that look like numbers; tests/schema/check.py looks for numbers in them.
    let files = there.flat_map(|path| walk(&path)).filter(|(name, _)| !name.starts_with("config/schemas/"));
    let files: Vec<_> = files.collect();
    assert!(files.iter().any(|(_, text)| text.contains("+441632960101")), "the sample fleet was read");
    let breaches: Vec<Breach> = files.iter().flat_map(|(name, text)| numbers(name, text)).collect();
    assert!(breaches.is_empty(), "\n{}\n", breaches.join("\n"));
}

#[test]
fn a_number_of_someone_real_is_seen_however_it_is_written() {
    // Made so that they lie just outside the ranges above.
    for text in [
        "calls: \"+441632961101\"",
        "calls: \"+12075551142\"",
        "ring +44 1632 961 101 now",
        "ring +44 (0) 1632 961101 now",
        "emergency.primary: \"9,01632961101\"",
        "emergency.primary: \"00441632961101\"",
        "emergency.primary: \"12075551142\"",
        "keys 2101632961101#",
        "(07700 9) 07700901177.",
    ] {
        assert_eq!(numbers("x", text).len(), 1, "{text}: {:?}", numbers("x", text));
    }
    for text in [
        "calls: \"+441632960101\"",
        "ring +44 1632 960101, or +1 207-555-0142",
        "emergency.primary: \"9,01632960101\"",
        "assistance.backup: \"011441632960101\"",
        "emergency.primary: \"12075550142\"",
        "keys 2101632960101#",
        "keys *20*11*01632960101*01134960115#",
        "id: 019ade5c-9200-7ea3-87f2-2ddae4392554",
        "id: 01900000-9200-7000-8700-200000000000",
        "at: 2025-12-02T09:20:00Z, script: 3f9a1c0b7d24e615",
        "sqlite:../var/ledger.db, 127.0.0.1:8470, 25.6 + 100000",
    ] {
        assert_eq!(numbers("x", text), Vec::<Breach>::new(), "{text}");
    }
}
