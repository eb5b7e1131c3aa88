//! The arrows of the house: a module uses only modules named above it in `src/lib.rs`, and the pure core
//! touches neither the outside world nor the clock nor chance.

#[path = "source/paths.rs"]
mod paths;
mod source;

use paths::{Named, paths};
use source::{File, module_of, read_src, test_files, tokens, without_tests};

/// Modules without input or output, clock or chance.
const PURE: [&str; 13] = [
    "finding",
    "setting",
    "yaml",
    "keybook",
    "inventory",
    "ledger",
    "effective",
    "brake",
    "drift",
    "script",
    "tones",
    "preview",
    "alert",
];

/// The only ones that may ask what time it is, or for chance.
const PROGRAM: [&str; 4] = ["config", "daemon", "cli", "main"];

/// What the pure core may not name: paths that begin so.
const OUTSIDE: [&str; 24] = [
    "std::fs",
    "std::net",
    "std::env",
    "std::process",
    "std::thread",
    "std::os",
    "std::io::stdin",
    "std::io::stdout",
    "std::io::stderr",
    "std::time::SystemTime",
    "std::time::Instant",
    "tokio",
    "tokio_util",
    "sqlx",
    "reqwest",
    "rustls",
    "notify",
    "tracing",
    "tracing_subscriber",
    "indicatif",
    "axum",
    "rand",
    "fastrand",
    "getrandom",
];

/// The files below the program that hold a stopwatch: one waits for files to come to rest, the other for the time of the
/// next try, which nobody who sets the clock may put off. No value holds its time.
const STOPWATCHES: [&str; 2] = ["files/watch/events.rs", "webhook/pump.rs"];

/// Calls that ask the clock or for chance: paths that end so; `*` stands for any rest of a word.
const CHANCE: [&str; 9] = [
    "Timestamp::now",
    "Zoned::now",
    "SystemTime::now",
    "Instant::now",
    "Uuid::new_v*",
    "Uuid::now_v*",
    "Uuid::max_v*",
    "RandomState::new",
    "rand::random",
];

/// A broken rule, as `file:line: sentence`.
type Breach = String;

/// The modules of the crate, lowest first, from the text of `lib.rs`.
fn order(lib: &str) -> Vec<String> {
    let tokens = without_tests(&tokens(lib));
    let declared = tokens.windows(3).filter(|three| three[0].text == "mod" && three[2].text == ";");
    declared.map(|three| three[1].text.clone()).collect()
}

/// All breaches of the arrows, tests included: a test that needs the floor above belongs there.
fn arrows(files: &[File]) -> Vec<Breach> {
    let Some(lib) = files.iter().find(|file| file.name == "lib.rs") else { return vec!["lib.rs is missing".into()] };
    let order = order(&lib.text);
    let height = |module: &str| order.iter().position(|name| name == module);
    let tests = test_files(files);
    let mut breaches = Vec::new();
    for file in files.iter().filter(|file| !matches!(file.name.as_str(), "lib.rs" | "main.rs")) {
        let of = tests.get(&file.name).cloned().unwrap_or_else(|| module_of(&file.name));
        let Some(own) = height(&of[0]) else {
            // Once a module, by its first file.
            let missing = format!("`{}` has no `mod` line in lib.rs", of[0]);
            if !breaches.iter().any(|breach: &Breach| breach.ends_with(&missing)) {
                breaches.push(format!("{}:1: {missing}", file.name));
            }
            continue;
        };
        for Named { parts, line } in paths(&tokens(&file.text), &of) {
            let Some(used) = parts.get(1).filter(|_| parts[0] == "crate") else { continue };
            match height(used) {
                Some(used) if used <= own => {}
                Some(_) => breaches
                    .push(format!("{}:{line}: `{}` uses `{used}`, which stands below it in lib.rs", file.name, of[0])),
                None => breaches.push(format!("{}:{line}: `crate::{used}` is no module of lib.rs", file.name)),
            }
        }
    }
    breaches.dedup();
    breaches
}

/// All places outside tests where the pure core touches the world, or where the clock is asked below the program.
fn purity(files: &[File]) -> Vec<Breach> {
    let tests = test_files(files);
    let mut breaches = Vec::new();
    for file in files.iter().filter(|file| !tests.contains_key(&file.name)) {
        let of = module_of(&file.name);
        let top = of.first().map_or_else(|| file.name.trim_end_matches(".rs").to_owned(), Clone::clone);
        let code = without_tests(&tokens(&file.text));
        for Named { parts, line } in paths(&code, &of) {
            let path = parts.join("::");
            let begins = |outside: &&&str| path == ***outside || path.starts_with(&format!("{outside}::"));
            if PURE.contains(&&*top)
                && let Some(outside) = OUTSIDE.iter().find(begins)
            {
                breaches.push(format!("{}:{line}: `{top}` is pure and names `{outside}`", file.name));
            }
            let is_stopwatch = STOPWATCHES.contains(&&*file.name) && ends_so(&path, "Instant::now");
            if !PROGRAM.contains(&&*top) && !is_stopwatch && CHANCE.iter().any(|call| ends_so(&path, call)) {
                breaches.push(format!(
                    "{}:{line}: `{path}` belongs to the program layer; take it as an argument",
                    file.name
                ));
            }
        }
        let prints = code.windows(3).filter(|three| {
            let is_macro = three[1].text == "!" && matches!(three[2].text.as_str(), "(" | "[" | "{");
            is_macro && matches!(three[0].text.as_str(), "println" | "eprintln" | "print" | "eprint" | "dbg")
        });
        if PURE.contains(&&*top) {
            breaches.extend(prints.map(|three| format!("{}:{}: `{top}` is pure and prints", file.name, three[0].line)));
        }
    }
    breaches
}

fn ends_so(path: &str, call: &str) -> bool {
    let (whole, rest) = call.split_once('*').map_or((call, false), |(start, _)| (start, true));
    let from = if rest { path.rfind(whole) } else { path.ends_with(whole).then(|| path.len() - whole.len()) };
    from.is_some_and(|at| at == 0 || path[..at].ends_with("::"))
}

#[test]
fn a_module_uses_only_modules_named_above_it() {
    let breaches = arrows(&read_src());
    assert!(breaches.is_empty(), "\n{}\n", breaches.join("\n"));
}

#[test]
fn the_pure_core_touches_neither_the_world_nor_the_clock_nor_chance() {
    let breaches = purity(&read_src());
    assert!(breaches.is_empty(), "\n{}\n", breaches.join("\n"));
}

#[test]
fn the_pure_modules_stand_at_the_bottom_and_the_program_on_top() {
    let files = read_src();
    let order = order(&files.iter().find(|file| file.name == "lib.rs").expect("lib.rs").text);
    let is = |list: &[&str], name: &String| list.contains(&&**name);
    let first_impure = order.iter().position(|name| !is(&PURE, name)).unwrap_or(order.len());
    assert!(order[first_impure..].iter().all(|name| !is(&PURE, name)), "{order:?}");
    let first_program = order.iter().position(|name| is(&PROGRAM, name)).unwrap_or(order.len());
    assert!(order[first_program..].iter().all(|name| is(&PROGRAM, name)), "{order:?}");
}

fn house(files: &[(&str, &str)]) -> Vec<File> {
    let lib = (
        "lib.rs",
        "//! A house.\npub mod finding;\nmod setting;\npub mod store;\n#[cfg(test)]\nmod trial;\npub mod cli;",
    );
    let all = std::iter::once(&lib).chain(files);
    all.map(|(name, text)| File { name: (*name).into(), text: (*text).into() }).collect()
}

#[test]
fn every_way_of_using_a_module_further_down_the_list_is_seen() {
    for (name, text, line) in [
        ("finding.rs", "use crate::setting::Value;", 1),
        ("finding.rs", "\npub use crate::{finding::Code, store::{self, Entry}};", 2),
        ("finding.rs", "fn f() {\n    let x = crate::store::open();\n}", 2),
        ("finding/code.rs", "use super::super::store::Entry;", 1),
        ("finding/mod.rs", "use super::store::Entry;", 1),
        ("finding.rs", "mod tests {\n    use super::super::setting::Key;\n}", 2),
        ("setting/mod.rs", "type T = Vec<crate::store::Entry>;", 1),
        ("setting/mod.rs", "fn f() { println!(\"{}\", crate::cli::X) }", 1),
        ("setting.rs", "use crate::elsewhere::X;", 1),
        ("setting.rs", "use crate::*;", 1),
        ("setting.rs", "impl<'a> X<'a> for crate::store::Y<'a> {}", 1),
        ("setting.rs", "const C: char = '\"';\nuse crate::store::X; // \"", 2),
    ] {
        let breaches = arrows(&house(&[(name, text)]));
        assert_eq!(breaches.len(), 1, "{name}: {text}: {breaches:?}");
        assert!(breaches[0].starts_with(&format!("{name}:{line}: ")), "{breaches:?}");
    }
}

#[test]
fn what_is_allowed_and_what_only_looks_like_a_use_is_left_alone() {
    for (name, text) in [
        ("store/mod.rs", "use crate::{finding::Finding, setting::{Name, Value as V}, store::chain};"),
        ("store/chain.rs", "use super::{Head, open::*};\nuse self::inner::X;\nmod inner { use super::super::Head; }"),
        ("finding.rs", "//! See [`crate::store::Entry`].\n/// And [crate::cli].\n/* crate::store /* crate::cli */ */"),
        ("finding.rs", "const T: &str = \"crate::store\";\nconst R: &str = r#\"\"crate::cli\"\"#;"),
        ("main.rs", "use stationkeep::cli;"),
    ] {
        assert_eq!(arrows(&house(&[(name, text)])), Vec::<Breach>::new(), "{name}: {text}");
    }
}

#[test]
fn the_world_the_clock_and_chance_are_seen_in_the_pure_core_but_not_in_its_tests() {
    for (name, text) in [
        ("setting.rs", "use std::fs;"),
        ("setting.rs", "use std::{collections::BTreeMap, fs::File};"),
        ("setting.rs", "fn f() { std::env::var(\"X\"); }"),
        ("setting.rs", "use tokio::sync::Mutex;"),
        ("setting.rs", "fn f() { tracing::info!(\"x\"); }"),
        ("setting.rs", "fn f() -> T { jiff::Timestamp::now() }"),
        ("setting.rs", "use std::time::{Duration, Instant};"),
        ("setting.rs", "fn f() { println!(\"x\"); }"),
        ("store.rs", "fn f() -> T { Timestamp::now() }"),
        ("store.rs", "fn f() -> U { uuid::Uuid::new_v4() }"),
    ] {
        let breaches = purity(&house(&[(name, text)]));
        assert_eq!(breaches.len(), 1, "{name}: {text}: {breaches:?}");
    }
    for (name, text) in [
        ("setting.rs", "#[cfg(test)]\nmod tests {\n    use std::fs;\n}"),
        ("setting.rs", "#[cfg(test)]\n#[rustfmt::skip]\nfn f() -> [u8; 1] { tracing::info!(\"x\"); [1] }"),
        ("setting.rs", "use std::time::Duration;\nfn f(now: Timestamp) {}"),
        ("setting.rs", "fn f(print: u8) -> bool { print != 1 }"),
        ("store.rs", "use std::fs;\nuse tokio::time::Duration;"),
        ("cli/mod.rs", "fn f() -> T { Timestamp::now() }"),
    ] {
        assert_eq!(purity(&house(&[(name, text)])), Vec::<Breach>::new(), "{name}: {text}");
    }
    let beside = house(&[
        ("setting/mod.rs", "#[cfg(test)]\n#[path = \"trial_of_it.rs\"]\nmod trial;"),
        ("setting/trial_of_it.rs", "use std::fs;"),
        ("store/chain.rs", "#[cfg(test)]\npub(crate) mod tests;"),
        ("store/chain/tests.rs", "fn f() -> T { Timestamp::now() }"),
        ("store/error.rs", "#[cfg(test)]\n#[path = \"error_tests.rs\"]\nmod tests;"),
        ("store/error_tests.rs", "use super::super::{Head, Store};\nfn f() -> T { Timestamp::now() }"),
    ]);
    assert_eq!(purity(&beside), Vec::<Breach>::new());
    assert_eq!(arrows(&beside), Vec::<Breach>::new());
}
