//! Lists in a keybook's text: of settings, of values.

use super::SettingId;
use super::settings::{self, Drafts};
use crate::finding::{Code, Finding};
use crate::setting::{Kind, Value};
use crate::yaml::{Data, Node, Sheet, Spot};

/// A list of settings, each named once.
pub(super) fn listed(sheet: &mut Sheet<'_>, drafts: &Drafts, node: &Node, what: &str) -> Option<Vec<SettingId>> {
    let mut named: Vec<(SettingId, Spot)> = Vec::new();
    for item in sheet.list(node, what)? {
        let text = sheet.text(item, "The name of a setting");
        let Some(id) = text.and_then(|text| drafts.mentioned(sheet, text, item.spot)) else { continue };
        if let Some((_, first)) = named.iter().find(|(other, _)| *other == id) {
            let message = format!("\"{}\" is named here for the second time.", drafts.name(id));
            twice(sheet, item.spot, *first, message);
            continue;
        }
        named.push((id, item.spot));
    }
    Some(named.into_iter().map(|(id, _)| id).collect())
}

/// Leaves the finding that something is written for the second time.
pub(super) fn twice(sheet: &mut Sheet<'_>, spot: Spot, first: Spot, message: String) {
    let finding = Finding::new(Code::NameRepeated, sheet.place(spot), message, "Keep one of the two.");
    let finding = finding.beside(sheet.place(first), "the first");
    sheet.findings.push(finding);
}

/// One value or a list of values; for flags, where a value is itself a list, a list of lists is several.
pub(super) fn one_or_several(sheet: &mut Sheet<'_>, kind: &Kind, node: &Node, what: &str) -> Vec<Value> {
    let is_list = |node: &Node| matches!(node.data, Data::List(_));
    let is_value_a_list = match kind {
        Kind::Flags { .. } => true,
        Kind::Digits { .. } | Kind::Dial { .. } | Kind::Secret { .. } | Kind::Choice { .. } | Kind::Number { .. } => {
            false
        }
    };
    let several = match &node.data {
        Data::List(items) if !is_value_a_list || items.iter().any(is_list) => items.as_slice(),
        Data::List(_) | Data::Scalar { .. } | Data::Map(_) => std::slice::from_ref(node),
    };
    if several.is_empty() {
        let message = format!("{what} is an empty list, which no value is in.");
        sheet.note(Code::WrongShape, node.spot, message, "List the values, or take the line out.");
    }
    let mut values: Vec<(Value, Spot)> = Vec::new();
    for item in several {
        let Some(value) = settings::value(sheet, kind, item, what) else { continue };
        match values.iter().find(|(other, _)| *other == value) {
            Some((_, first)) => twice(sheet, item.spot, *first, format!("{value} is listed here for the second time.")),
            None => values.push((value, item.spot)),
        }
    }
    values.into_iter().map(|(value, _)| value).collect()
}
