//! The paths that a Rust file names, in `use` lines and in expressions, groups written out; and what of it is no test.

use crate::source::{Kind, Token, after_attribute, after_brackets, is};

/// Where a path is named.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    /// In code, or in the visibility of an item.
    Code,
    /// By `use`.
    Import,
    /// By `pub use`, with a bound or without.
    Door,
}

/// A path as `use` or an expression names it, groups written out, and its line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Named {
    pub parts: Vec<String>,
    /// What it is called afterwards: its last part, or the name after `as`.
    pub name: String,
    pub by: By,
    pub line: usize,
}

/// All paths of two parts or more, those that start with `super` or `self` counted from the module `of` a file.
pub fn paths(tokens: &[Token], of: &[String]) -> Vec<Named> {
    let mut found = Vec::new();
    let mut inner: Vec<(String, usize)> = Vec::new();
    let (mut depth, mut at, mut by) = (0, 0, By::Code);
    while at < tokens.len() {
        let token = &tokens[at];
        match token.text.as_str() {
            "use" if at > 0 && matches!(tokens[at - 1].text.as_str(), "pub" | ")") => by = By::Door,
            "use" => by = By::Import,
            ";" => by = By::Code,
            "{" => depth += 1,
            "}" => {
                depth -= 1;
                inner.retain(|(_, opened)| *opened <= depth);
            }
            "mod" if is(tokens, at + 2, &["{"]) => inner.push((tokens[at + 1].text.clone(), depth + 1)),
            _ => {}
        }
        let follows = at > 0 && tokens[at - 1].text == "::";
        if token.kind == Kind::Word && is(tokens, at + 1, &["::"]) && !follows {
            let within: Vec<String> = of.iter().cloned().chain(inner.iter().map(|(name, _)| name.clone())).collect();
            let mut whole = Vec::new();
            at = tree(tokens, at, &mut Vec::new(), &mut whole);
            found.extend(whole.into_iter().map(|named| Named { by, ..rooted(named, &within) }));
        } else {
            at += 1;
        }
    }
    found
}

/// Reads `a::b`, `a::{b, c::d}`, `a::*` or `a::<…>`; returns where it ends.
fn tree(tokens: &[Token], start: usize, before: &mut Vec<String>, found: &mut Vec<Named>) -> usize {
    let mut at = start;
    let depth = before.len();
    let line = tokens[start.min(tokens.len() - 1)].line;
    loop {
        match tokens.get(at) {
            Some(token) if token.kind == Kind::Word || token.text == "*" => {
                before.push(token.text.clone());
                at += 1;
            }
            Some(token) if token.text == "{" => {
                at = group(tokens, at, before, found);
                before.truncate(depth);
                return at;
            }
            _ => break,
        }
        if !is(tokens, at, &["::"]) {
            break;
        }
        at += 1;
    }
    let mut parts = before.clone();
    // `a::{self}` names `a`.
    if parts.len() > 1 && parts.last().is_some_and(|part| part == "self") {
        parts.pop();
    }
    let renamed = tokens.get(at + 1).filter(|_| is(tokens, at, &["as"])).map(|token| token.text.clone());
    let name = renamed.or_else(|| parts.last().cloned()).unwrap_or_default();
    found.push(Named { parts, name, by: By::Code, line });
    before.truncate(depth);
    at.max(start + 1)
}

fn group(tokens: &[Token], open: usize, before: &mut Vec<String>, found: &mut Vec<Named>) -> usize {
    let end = after_brackets(tokens, open);
    let mut at = open + 1;
    while at < end - 1 {
        if tokens[at].kind == Kind::Word || matches!(tokens[at].text.as_str(), "*" | "{") {
            at = tree(tokens, at, before, found);
            // `as name` is no path.
            at = (at..end).find(|at| matches!(tokens[*at].text.as_str(), "," | "}")).unwrap_or(end);
        } else {
            at += 1;
        }
    }
    end
}

/// The path from the root of the crate, as far as it says so.
fn rooted(named: Named, within: &[String]) -> Named {
    let Named { parts, name, by, line } = named;
    let supers = parts.iter().take_while(|part| *part == "super").count();
    let own = usize::from(parts.first().is_some_and(|part| part == "self"));
    if supers == 0 && own == 0 {
        return Named { parts, name, by, line };
    }
    let base = &within[..within.len().saturating_sub(supers)];
    let whole = std::iter::once("crate".to_owned()).chain(base.iter().cloned());
    Named { parts: whole.chain(parts.into_iter().skip(supers + own)).collect(), name, by, line }
}

/// The tokens outside `#[cfg(test)]` items and outside attributes.
pub fn without_tests(tokens: &[Token]) -> Vec<Token> {
    let mut kept = Vec::new();
    let mut at = 0;
    while at < tokens.len() {
        if !is(tokens, at, &["#", "["]) && !is(tokens, at, &["#", "!", "["]) {
            kept.push(tokens[at].clone());
            at += 1;
            continue;
        }
        let is_test = is(tokens, at, &["#", "[", "cfg", "(", "test", ")", "]"]);
        at = after_attribute(tokens, at);
        if is_test {
            while is(tokens, at, &["#", "["]) {
                at = after_attribute(tokens, at);
            }
            at = after_item(tokens, at);
        }
    }
    kept
}

fn after_item(tokens: &[Token], at: usize) -> usize {
    let mut at = at;
    while at < tokens.len() {
        match tokens[at].text.as_str() {
            ";" => return at + 1,
            "{" => return after_brackets(tokens, at),
            "(" | "[" => at = after_brackets(tokens, at),
            _ => at += 1,
        }
    }
    at
}
