//! Which file uses which, re-exports followed to the file that defines a thing, and the circles among them.
//!
//! What stands in tests is no arrow, nor is `mod x;`, nor a module that is only imported (what is reached through it
//! is), nor a re-export whose name the file itself does not use. A path that cannot be followed leads to the file where
//! it was lost, so that no arrow is missed.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet, VecDeque};

use crate::paths::{By, Named, paths, without_tests};
use crate::source::{File, Kind, Token, is, module_of, test_files, tokens};

/// A file uses another.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Arrow {
    pub from: String,
    pub to: String,
    pub line: usize,
    /// The path as it is meant, from the root of the crate.
    pub path: String,
}

/// A file as far as arrows go.
struct Facts {
    name: String,
    module: Vec<String>,
    named: Vec<Named>,
    /// Every word outside `use`, `mod x;` and the names of fields, methods and functions that it defines.
    used: BTreeSet<String>,
}

/// A file, and a path in it.
type Lead = (usize, Vec<String>);

/// The files of a house by the module that each is.
struct House {
    files: Vec<Facts>,
    by_module: BTreeMap<Vec<String>, usize>,
    /// Where names lead that a file has from elsewhere, with what follows them in a path; nothing yet while that is being
    /// found out, so that files which re-export each other come to an end.
    known: RefCell<BTreeMap<Lead, BTreeSet<usize>>>,
}

/// Every arrow between two files, one for each path, in the order of files and lines.
pub fn arrows(files: &[File]) -> Vec<Arrow> {
    let house = House::of(files);
    let mut found = Vec::new();
    for file in &house.files {
        for named in &file.named {
            if named.by == By::Door && !file.used.contains(&named.name) {
                continue;
            }
            let Some(parts) = house.whole(file, &named.parts) else { continue };
            let path = parts.join("::");
            let reached = house.reached(&parts).into_iter().map(|to| &house.files[to].name);
            found.extend(reached.filter(|to| **to != file.name).map(|to| Arrow {
                from: file.name.clone(),
                to: to.clone(),
                line: named.line,
                path: path.clone(),
            }));
        }
    }
    found
}

impl House {
    fn of(files: &[File]) -> House {
        let tests = test_files(files);
        let is_counted = |file: &&File| file.name != "main.rs" && !tests.contains_key(&file.name);
        let files: Vec<Facts> = files.iter().filter(is_counted).map(Facts::of).collect();
        let by_module = files.iter().enumerate().map(|(nth, file)| (file.module.clone(), nth)).collect();
        House { files, by_module, known: RefCell::default() }
    }

    /// A path from the root of the crate, without `crate`; nothing where it leads out of it.
    fn whole(&self, file: &Facts, parts: &[String]) -> Option<Vec<String>> {
        let (first, rest) = parts.split_first()?;
        if first == "crate" {
            return Some(rest.to_vec());
        }
        let child = [&file.module[..], std::slice::from_ref(first)].concat();
        if self.by_module.contains_key(&child) {
            return Some([&child, rest].concat());
        }
        // A path of an import stands for itself; one of code may begin with what was imported.
        let meant = file.named.iter().find(|named| named.by != By::Code && named.name == *first)?;
        let base = meant.parts.strip_prefix(&["crate".to_owned()][..])?;
        Some([base, rest].concat())
    }

    /// The files that a path leads to: the one that defines what it names, or several, where one name stands for
    /// several things.
    fn reached(&self, parts: &[String]) -> BTreeSet<usize> {
        let mut module: Vec<String> = Vec::new();
        for (nth, part) in parts.iter().enumerate() {
            let Some(&here) = self.by_module.get(&module) else { return BTreeSet::new() };
            let rest = &parts[nth + 1..];
            let child = [&module[..], std::slice::from_ref(part)].concat();
            let is_child = self.by_module.contains_key(&child);
            if is_child && !rest.is_empty() {
                module = child;
                continue;
            }
            let through = self.through(here, part, rest);
            return match (part.as_str(), through.is_empty(), is_child) {
                // Whatever comes through: the module and all that it re-exports.
                ("*", _, _) => through.into_iter().chain([here]).collect(),
                (_, false, _) => through,
                (_, true, true) => BTreeSet::new(),
                (_, true, false) => BTreeSet::from([here]),
            };
        }
        BTreeSet::new()
    }

    /// Where a name leads that a file has from elsewhere; nothing where it has it from nowhere.
    fn through(&self, here: usize, name: &str, rest: &[String]) -> BTreeSet<usize> {
        let key = (here, [&[name.to_owned()], rest].concat());
        if let Some(known) = self.known.borrow().get(&key) {
            return known.clone();
        }
        self.known.borrow_mut().insert(key.clone(), BTreeSet::new());
        let file = &self.files[here];
        let imports = file.named.iter().filter(|named| named.by != By::Code);
        let meant = imports.filter(|named| named.name == name || (name == "*" && named.by == By::Door));
        let paths = meant.filter_map(|named| self.whole(file, &named.parts));
        let found: BTreeSet<usize> = paths.flat_map(|path| self.reached(&[&path, rest].concat())).collect();
        self.known.borrow_mut().insert(key, found.clone());
        found
    }
}

impl Facts {
    fn of(file: &File) -> Facts {
        let module = module_of(&file.name);
        let code = without_tests(&tokens(&file.text));
        Facts { name: file.name.clone(), named: paths(&code, &module), used: used(&code), module }
    }
}

fn used(code: &[Token]) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    let mut at = 0;
    while at < code.len() {
        if is(code, at, &["use"]) || (is(code, at, &["mod"]) && is(code, at + 2, &[";"])) {
            at = (at..code.len()).find(|at| code[*at].text == ";").unwrap_or(code.len());
            continue;
        }
        let before = at.checked_sub(1).map_or("", |before| code[before].text.as_str());
        let is_field = is(code, at + 1, &[":"]) || before == "." || before == "fn";
        if code[at].kind == Kind::Word && !is_field {
            found.insert(code[at].text.clone());
        }
        at += 1;
    }
    found
}

/// The circles: sets of files of which each uses, by way of others, each other; the largest first.
pub fn circles(arrows: &[Arrow]) -> Vec<BTreeSet<String>> {
    let mut after: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    for arrow in arrows {
        after.entry(&arrow.from).or_default().insert(&arrow.to);
    }
    let reach: BTreeMap<&str, BTreeSet<&str>> = after.keys().map(|from| (*from, all_after(&after, from))).collect();
    let is_both = |a: &str, b: &str| reach[a].contains(b) && reach.get(b).is_some_and(|back| back.contains(a));
    let together = reach.keys().map(|from| reach[from].iter().filter(|to| is_both(from, to)));
    let sets: BTreeSet<BTreeSet<String>> = together.map(|set| set.map(|name| (*name).to_owned()).collect()).collect();
    let mut sets: Vec<BTreeSet<String>> = sets.into_iter().filter(|set| !set.is_empty()).collect();
    sets.sort_by_key(|set| std::cmp::Reverse(set.len()));
    sets
}

fn all_after<'a>(after: &BTreeMap<&'a str, BTreeSet<&'a str>>, from: &str) -> BTreeSet<&'a str> {
    let mut found = BTreeSet::new();
    let mut open: VecDeque<&str> = VecDeque::from([from]);
    while let Some(file) = open.pop_front() {
        for to in after.get(file).into_iter().flatten() {
            if found.insert(*to) {
                open.push_back(to);
            }
        }
    }
    found
}
