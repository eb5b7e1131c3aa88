//! Rust files as the house rules see them: tokens without comments, tests told apart.
//!
//! It knows just enough of the language for that; it never judges.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// One file under `src`, by its path from there.
pub struct File {
    pub name: String,
    pub text: String,
}

/// Every Rust file under `src`, in the order of names.
pub fn read_src() -> Vec<File> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    let mut folders = vec![root.clone()];
    while let Some(folder) = folders.pop() {
        for path in entries(&folder) {
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|end| end == "rs") {
                let name = path.strip_prefix(&root).expect("under src").to_str().expect("a plain name").to_owned();
                files.push(File { name, text: fs::read_to_string(&path).expect("a readable file") });
            }
        }
    }
    files.sort_by(|a, b| a.name.cmp(&b.name));
    assert!(!files.is_empty(), "no source was found");
    files
}

/// What stands in a folder, in the order of names.
pub fn entries(folder: &Path) -> Vec<PathBuf> {
    let read = fs::read_dir(folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    let mut paths: Vec<PathBuf> = read.map(|entry| entry.expect("an entry").path()).collect();
    paths.sort();
    paths
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    Word,
    /// With its quotes.
    Text,
    Sign,
}

/// One token; a line is counted from 1.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Token {
    pub kind: Kind,
    pub text: String,
    pub line: usize,
}

/// Takes a file apart; comments (also those that document) are left out.
pub fn tokens(text: &str) -> Vec<Token> {
    let signs: Vec<char> = text.chars().collect();
    let (mut at, mut line, mut tokens) = (0, 1, Vec::new());
    while at < signs.len() {
        let rest = &signs[at..];
        let (length, kind) = next(rest);
        if let Some(kind) = kind {
            tokens.push(Token { kind, text: rest[..length].iter().collect(), line });
        }
        line += rest[..length].iter().filter(|sign| **sign == '\n').count();
        at += length;
    }
    tokens
}

/// Length and kind of what stands first; no kind for what counts for nothing.
fn next(rest: &[char]) -> (usize, Option<Kind>) {
    let is_word = |sign: &char| sign.is_alphanumeric() || *sign == '_';
    let word = rest.iter().take_while(|sign| is_word(sign)).count();
    match (rest[0], rest.get(1)) {
        ('/', Some('/')) => (rest.iter().take_while(|sign| **sign != '\n').count(), None),
        ('/', Some('*')) => (block_comment(rest), None),
        ('"', _) => (quoted(rest), Some(Kind::Text)),
        ('b' | 'c', Some('"')) => (1 + quoted(&rest[1..]), Some(Kind::Text)),
        ('r', Some('"' | '#')) if raw(&rest[1..]).is_some() => (1 + raw(&rest[1..]).unwrap_or(0), Some(Kind::Text)),
        ('b', Some('r')) if raw(&rest[2..]).is_some() => (2 + raw(&rest[2..]).unwrap_or(0), Some(Kind::Text)),
        ('\'', _) => character(rest),
        (sign, _) if sign.is_whitespace() => (1, None),
        _ if word > 0 => (word, Some(Kind::Word)),
        (':', Some(':')) => (2, Some(Kind::Sign)),
        _ => (1, Some(Kind::Sign)),
    }
}

fn block_comment(rest: &[char]) -> usize {
    let (mut at, mut depth) = (0, 0);
    while at < rest.len() {
        match (rest[at], rest.get(at + 1)) {
            ('/', Some('*')) => (at, depth) = (at + 2, depth + 1),
            ('*', Some('/')) => (at, depth) = (at + 2, depth - 1),
            _ => at += 1,
        }
        if depth == 0 {
            break;
        }
    }
    at
}

fn quoted(rest: &[char]) -> usize {
    let mut at = 1;
    while at < rest.len() && rest[at] != '"' {
        at += if rest[at] == '\\' { 2 } else { 1 };
    }
    (at + 1).min(rest.len())
}

/// The length of `"…"` or `#"…"#`, if a raw text stands here.
fn raw(rest: &[char]) -> Option<usize> {
    let hashes = rest.iter().take_while(|sign| **sign == '#').count();
    (rest.get(hashes) == Some(&'"')).then_some(())?;
    let end: Vec<char> = std::iter::once('"').chain(std::iter::repeat_n('#', hashes)).collect();
    let body = &rest[hashes + 1..];
    let inner = body.windows(end.len()).position(|window| window == end)?;
    Some(hashes + 1 + inner + end.len())
}

/// A character in quotes, or a lifetime.
fn character(rest: &[char]) -> (usize, Option<Kind>) {
    match (rest.get(1), rest.get(2)) {
        (Some('\\'), _) => {
            let end = rest.iter().skip(3).position(|sign| *sign == '\'');
            (end.map_or(rest.len(), |end| end + 4), Some(Kind::Text))
        }
        (Some(_), Some('\'')) => (3, Some(Kind::Text)),
        _ => (1, None),
    }
}

/// The files that hold nothing but tests (`#[cfg(test)] mod name;`, with `#[path = "…"]` or without, and all below it),
/// each with the module that it is.
pub fn test_files(files: &[File]) -> BTreeMap<String, Vec<String>> {
    let mut found: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for file in files {
        let tokens = tokens(&file.text);
        for at in (0..tokens.len()).filter(|at| is(&tokens, *at, &["#", "[", "cfg", "(", "test", ")", "]"])) {
            let mut item = at;
            let mut path = None;
            while is(&tokens, item, &["#", "["]) {
                if is(&tokens, item, &["#", "[", "path", "="]) {
                    path = Some(tokens[item + 4].text.trim_matches('"').to_owned());
                }
                item = after_attribute(&tokens, item);
            }
            item += usize::from(is(&tokens, item, &["pub"]));
            if is(&tokens, item, &["("]) {
                item = after_brackets(&tokens, item);
            }
            if is(&tokens, item, &["mod"]) && is(&tokens, item + 2, &[";"]) {
                let name = &tokens[item + 1].text;
                let module = module_of(&file.name).into_iter().chain([name.clone()]).collect();
                found.insert(file_of(&file.name, name, path.as_deref()), module);
            }
        }
    }
    let tops: Vec<Vec<String>> = found.values().cloned().collect();
    for file in files {
        let module = module_of(&file.name);
        if tops.iter().any(|top| module.starts_with(top)) {
            found.entry(file.name.clone()).or_insert(module);
        }
    }
    found
}

/// The module that a file is by its name: `store/chain.rs` is `[store, chain]`.
pub fn module_of(name: &str) -> Vec<String> {
    let parts = name.trim_end_matches(".rs").split('/').map(str::to_owned);
    parts.filter(|part| !matches!(part.as_str(), "mod" | "lib" | "main")).collect()
}

/// The file of a module declared in `parent`.
fn file_of(parent: &str, module: &str, path: Option<&str>) -> String {
    let (folder, name) = parent.rsplit_once('/').unwrap_or(("", parent));
    let stem = name.trim_end_matches(".rs");
    let own = if matches!(stem, "mod" | "lib" | "main") { folder.to_owned() } else { join(folder, stem) };
    path.map_or_else(|| join(&own, &format!("{module}.rs")), |path| join(folder, path))
}

fn join(folder: &str, name: &str) -> String {
    if folder.is_empty() { name.to_owned() } else { format!("{folder}/{name}") }
}

/// Whether the tokens from `at` on are these.
pub fn is(tokens: &[Token], at: usize, texts: &[&str]) -> bool {
    texts.iter().enumerate().all(|(nth, text)| tokens.get(at + nth).is_some_and(|token| token.text == *text))
}

pub fn after_attribute(tokens: &[Token], at: usize) -> usize {
    let open = (at..tokens.len()).find(|at| tokens[*at].text == "[").unwrap_or(tokens.len());
    after_brackets(tokens, open)
}

pub fn after_brackets(tokens: &[Token], open: usize) -> usize {
    let mut depth = 0;
    for (at, token) in tokens.iter().enumerate().skip(open) {
        match token.text.as_str() {
            "(" | "[" | "{" => depth += 1,
            ")" | "]" | "}" => depth -= 1,
            _ => {}
        }
        if depth == 0 {
            return at + 1;
        }
    }
    tokens.len()
}
