//! The arrows of the house: a module uses only modules named above it in `src/lib.rs`, and the pure core
//! touches neither the outside world nor the clock nor chance.

#[path = "source/arrows.rs"]
mod arrows;
#[path = "source/paths.rs"]
mod paths;
mod source;

use std::collections::BTreeSet;

use arrows::{Arrow, circles};
use paths::{Named, paths, without_tests};
use source::{File, module_of, read_src, test_files, tokens};

/// Modules without input or output, clock or chance.
const PURE: [&str; 16] = [
    "finding",
    "setting",
    "yaml",
    "table",
    "keybook",
    "inventory",
    "ledger",
    "effective",
    "brake",
    "drift",
    "script",
    "preview",
    "alert",
    "schema",
    "guide",
    "outset",
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
const CHANCE: [&str; 12] = [
    "Timestamp::now",
    "Zoned::now",
    "SystemTime::now",
    "Instant::now",
    // Versions 3 and 5 are hashes of what they are given.
    "Uuid::new_v1",
    "Uuid::new_v4",
    "Uuid::new_v6",
    "Uuid::new_v7",
    "Uuid::now_v*",
    "Uuid::max_v*",
    "RandomState::new",
    "rand::random",
];

/// Circles of files that may be, each within one folder, with the reason.
const CIRCLES: [(&str, &str); 0] = [];

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
    for file in files.iter().filter(|file| !matches!(file.name.as_str(), "lib.rs" | "main.rs" | "build.rs")) {
        let of = tests.get(&file.name).cloned().unwrap_or_else(|| module_of(&file.name));
        let Some(own) = height(&of[0]) else {
            // Once a module, by its first file.
            let missing = format!("`{}` has no `mod` line in lib.rs", of[0]);
            if !breaches.iter().any(|breach: &Breach| breach.ends_with(&missing)) {
                breaches.push(format!("{}:1: {missing}", file.name));
            }
            continue;
        };
        for Named { parts, line, .. } in paths(&tokens(&file.text), &of) {
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
        for Named { parts, line, .. } in paths(&code, &of) {
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

/// Every circle of files that is not among those that may be, and every reason that no
/// circle needs.
fn rings(files: &[File], may: &[(&str, &str)]) -> Vec<Breach> {
    let arrows = arrows::arrows(files);
    let mut breaches = Vec::new();
    let mut unneeded: BTreeSet<&str> = may.iter().map(|(folder, _)| *folder).collect();
    for circle in circles(&arrows) {
        let is_in = |folder: &str| circle.iter().all(|file| file.starts_with(&format!("{folder}/")));
        match may.iter().find(|(folder, reason)| is_in(folder) && !reason.is_empty()) {
            Some((folder, _)) => drop(unneeded.remove(folder)),
            None => breaches.push(told(&circle, &arrows)),
        }
    }
    breaches.extend(unneeded.into_iter().map(|folder| format!("{folder}: no circle of files needs its reason")));
    breaches
}

/// A circle as its arrows, one for each pair of files.
fn told(circle: &BTreeSet<String>, arrows: &[Arrow]) -> Breach {
    let mut pairs = BTreeSet::new();
    let inside = arrows.iter().filter(|arrow| circle.contains(&arrow.from) && circle.contains(&arrow.to));
    let first = inside.filter(|arrow| pairs.insert((&arrow.from, &arrow.to)));
    let lines = first.map(|Arrow { from, to, line, path }| format!("  {from}:{line}: `{path}` is in {to}"));
    format!("{} files in a circle:\n{}", circle.len(), lines.collect::<Vec<_>>().join("\n"))
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
fn no_file_uses_itself_by_way_of_others() {
    let breaches = rings(&read_src(), &CIRCLES);
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

/// A house whose rooms have several files, so that it can go in circles.
fn rooms(files: &[(&str, &str)]) -> Vec<File> {
    house(
        &[
            &[("setting/mod.rs", "mod kind;\nmod value;\npub use kind::Kind;\npub use value::{Value as V, sum};")],
            files,
        ]
        .concat(),
    )
}

#[test]
fn every_way_of_going_in_a_circle_is_seen() {
    let value = ("setting/value.rs", "use super::Kind;\npub struct Value(Kind);\npub fn sum() {}");
    for (kind, line) in [
        ("pub struct Kind;\nuse super::value::Value;", 2),
        // Through the parent's door, under another name, in a group, from outside.
        ("pub struct Kind;\nuse super::V;", 2),
        ("pub struct Kind;\nuse crate::setting::{self, V};", 2),
        ("pub struct Kind;\nuse crate::{finding::Code, setting::V as Other};", 2),
        // Named in the code alone, from the root or after an import of the module.
        ("pub struct Kind;\n\nfn f(v: super::V) {}", 3),
        ("pub struct Kind;\nfn f() { super::value::sum() }", 2),
        ("use super::value;\npub struct Kind;\nfn f() { value::sum() }", 3),
        ("use crate::setting;\npub struct Kind;\nfn f() { setting::sum() }", 3),
        // Everything that a door lets through.
        ("pub struct Kind;\nuse super::*;", 2),
        ("pub struct Kind;\npub use super::V;\nfn f(v: V) {}", 2),
    ] {
        let breaches = rings(&rooms(&[value, ("setting/kind.rs", kind)]), &[]);
        assert_eq!(breaches.len(), 1, "{kind}: {breaches:?}");
        assert!(breaches[0].contains(&format!("setting/kind.rs:{line}: ")), "{kind}: {breaches:?}");
        assert!(breaches[0].contains("is in setting/value.rs"), "{kind}: {breaches:?}");
    }
    // The parent defines a thing, and uses what it re-exports; by way of a third; through two doors.
    for files in [
        &[
            ("store/mod.rs", "mod open;\npub use open::Open;\npub struct Store(Open);"),
            ("store/open.rs", "use super::Store;\npub struct Open;"),
        ][..],
        &[
            ("store/mod.rs", "mod a; mod b; mod c;"),
            ("store/a.rs", "use super::b::B;\npub struct A;"),
            ("store/b.rs", "use super::c::C;\npub struct B;"),
            ("store/c.rs", "use super::a::A;\npub struct C;"),
        ],
        &[
            ("store/mod.rs", "mod a; mod deep; pub use deep::D;"),
            ("store/deep/mod.rs", "mod inner; pub use inner::D;"),
            ("store/deep/inner.rs", "use crate::store::a::A;\npub struct D;"),
            ("store/a.rs", "use crate::store::D;\npub struct A;"),
        ],
    ] {
        let breaches = rings(&house(files), &[]);
        assert_eq!(breaches.len(), 1, "{files:?}: {breaches:?}");
    }
}

#[test]
fn what_is_no_circle_is_left_alone_and_one_that_may_be_needs_its_reason() {
    let value = ("setting/value.rs", "use super::Kind;\npub struct Value(Kind);\npub fn sum() {}");
    for kind in [
        "pub struct Kind;\n/// See [`super::V`].\nconst T: &str = \"super::V\";",
        "pub struct Kind;\n#[cfg(test)]\nmod tests {\n    use super::super::V;\n}",
        "pub struct Kind;\nuse crate::finding::Code;\nuse std::fmt;",
        // Handed on, not used.
        "pub struct Kind;\npub(super) use super::V;",
    ] {
        assert_eq!(rings(&rooms(&[value, ("setting/kind.rs", kind)]), &[]), Vec::<Breach>::new(), "{kind}");
    }
    // A door uses nothing, though what it lets through uses what the parent defines.
    let door = [
        ("store/mod.rs", "mod open;\npub use open::Open;\npub struct Store;"),
        ("store/open.rs", "use super::Store;\npub struct Open;"),
    ];
    assert_eq!(rings(&house(&door), &[]), Vec::<Breach>::new());
    let tests = [
        ("store/mod.rs", "#[cfg(test)]\nmod tests;\npub struct Store;\nfn f() { tests::X; }"),
        ("store/tests.rs", "use super::Store;\nmod more;"),
        ("store/tests/more.rs", "use crate::store::{Store, tests};"),
    ];
    assert_eq!(rings(&house(&tests), &[]), Vec::<Breach>::new());

    let circle = rooms(&[value, ("setting/kind.rs", "pub struct Kind;\nuse super::V;")]);
    assert_eq!(rings(&circle, &[("setting", "they are one idea")]), Vec::<Breach>::new());
    assert_eq!(rings(&circle, &[("setting", "")]).len(), 2, "without a reason");
    assert_eq!(rings(&circle, &[("store", "they are one idea")]).len(), 2, "in another folder");
}
