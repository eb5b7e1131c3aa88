//! Names, numbers and places in a keybook's text, as every part of its reading takes them.

use std::ops::RangeInclusive;

use crate::finding::Code;
use crate::setting::Name;
use crate::yaml::{Node, Sheet, Spot};

/// The most settings or commands of one keybook: all pairs of commands are compared.
pub(super) const ENTRIES_MAX: usize = 500;

/// A name or free text: not empty, in one line.
pub(super) fn name(sheet: &mut Sheet<'_>, node: &Node, what: &str) -> Option<Name> {
    let text = sheet.text(node, what)?;
    fit_name(sheet, text, node.spot, what)
}

/// The same for the key of a mapping.
pub(super) fn fit_name(sheet: &mut Sheet<'_>, text: &str, spot: Spot, what: &str) -> Option<Name> {
    if text.trim().is_empty() || text.contains(char::is_control) {
        let fix = "Write words in one line.";
        sheet.note(Code::WrongShape, spot, format!("{what} is empty or holds a line break or a control sign."), fix);
        return None;
    }
    Some(text.into())
}

/// A mapping's value that must be there, as a number.
pub(super) fn needed_number(
    sheet: &mut Sheet<'_>,
    owner: &Node,
    value: Option<&Node>,
    (what, key): (&str, &str),
    range: RangeInclusive<u32>,
) -> Option<u32> {
    let node = sheet.required(value, owner, what, key)?;
    sheet.number(node, &format!("\"{key}\""), range)
}

/// A mapping's value that may be absent, as a number; `None` only where it is wrong.
pub(super) fn number_or(
    sheet: &mut Sheet<'_>,
    value: Option<&Node>,
    key: &str,
    range: RangeInclusive<u32>,
    absent: u32,
) -> Option<u32> {
    value.map_or(Some(absent), |node| sheet.number(node, &format!("\"{key}\""), range))
}

/// Where a part of a template stands, if its text stands in the file as it is read.
pub(super) fn inside(spot: Spot, text: &str, at: usize, length: usize) -> Spot {
    let narrow = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    if length == 0 || spot.length != narrow(text.chars().count()).saturating_add(2) {
        return spot;
    }
    Spot { line: spot.line, column: spot.column.saturating_add(1).saturating_add(narrow(at)), length: narrow(length) }
}
