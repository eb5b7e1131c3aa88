//! The report that a card asks for, ready to be filled in. It claims nothing: sent off unread it is refused.

use std::collections::BTreeMap;

use serde::Serialize;
use uuid::Uuid;

use super::slip::may_change;
use crate::inventory::Station;
use crate::keybook::Lifeline;
use crate::script::delta::Script;
use crate::script::test_call::TestCall;
use crate::setting::Weight;

/// The report to fill in, in the order it is read.
#[derive(Serialize)]
struct Draft<'a> {
    report: u32,
    id: String,
    station: &'a str,
    at: Gap,
    by: Gap,
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    found: BTreeMap<&'a str, Gap>,
    script: String,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    openings: Vec<DraftOpening>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    steps: Vec<DraftStep>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    tests: Vec<DraftTest<'a>>,
    note: Gap,
}

/// A call is listed once for each try; `code` counts the codes that the card names.
#[derive(Serialize)]
struct DraftOpening {
    call: usize,
    heard: Gap,
    code: u32,
}

#[derive(Serialize)]
struct DraftStep {
    step: u32,
    heard: Gap,
}

#[derive(Serialize)]
struct DraftTest<'a> {
    lifeline: &'a str,
    outcome: Gap,
    #[serde(skip_serializing_if = "Option::is_none")]
    contact: Option<&'a str>,
}

impl DraftTest<'_> {
    /// With who is to answer, for the technician to change where someone else did.
    fn of(test: &TestCall) -> DraftTest<'_> {
        DraftTest { lifeline: &test.lifeline, outcome: None, contact: test.contact.as_deref() }
    }
}

/// What only the technician knows. A report sent off unread must claim nothing, and is refused.
type Gap = Option<()>;

/// The draft as YAML; `id` is the report's.
pub(super) fn draft(script: &Script, station: &Station, id: Uuid) -> String {
    let steps = script.calls.iter().flat_map(|call| &call.steps);
    let locating = station.keybook.settings.iter().filter(|setting| setting.weight == Weight::Locating);
    let found = locating.filter(|_| script.renumbered.is_some()).map(|setting| (&*setting.name, None)).collect();
    let draft = Draft {
        report: 1,
        id: id.to_string(),
        station: &station.name,
        at: None,
        by: None,
        found,
        script: script.digest.to_string(),
        openings: (1..=script.calls.len()).map(|call| DraftOpening { call, heard: None, code: 1 }).collect(),
        steps: steps.map(|step| DraftStep { step: step.number, heard: None }).collect(),
        tests: script.tests.iter().map(DraftTest::of).collect(),
        note: None,
    };
    // Texts and numbers always have a YAML form.
    let text = serde_yaml::to_string(&draft).unwrap_or_default();
    match text.rfind("note:") {
        Some(end) => format!("{}{}{}", &text[..end], after_slip(script, station), &text[end..]),
        None => text,
    }
}

/// The test calls that a wrong key makes necessary, as lines that count for nothing until someone takes their sign away.
fn after_slip(script: &Script, station: &Station) -> String {
    let is_asked = |lifeline: &Lifeline| script.tests.iter().any(|test| test.lifeline == lifeline.name);
    let others = may_change(&script.calls, station).into_iter().filter(|lifeline| !is_asked(lifeline));
    let test = |lifeline: &Lifeline| {
        let contact = lifeline.settings.iter().find_map(|id| station.wanted(*id)?.contact.as_ref());
        let test = DraftTest { lifeline: &lifeline.name, outcome: None, contact: contact.map(|contact| &**contact) };
        serde_yaml::to_string(&[test]).unwrap_or_default()
    };
    let lines: String = others.map(test).collect();
    if lines.is_empty() {
        return lines;
    }
    let list = if script.tests.is_empty() { "tests:\n" } else { "" };
    let signed = format!("{list}{lines}").lines().map(|line| format!("# {line}\n")).collect::<String>();
    format!("# After a wrong key that was accepted, take \"# \" away from these lines:\n{signed}")
}
