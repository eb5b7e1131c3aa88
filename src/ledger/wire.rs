//! Reports, issued scripts, showings, visits and decisions as lines of JSON: how the ledger keeps, exports and imports them.
//!
//! The form is canonical: equal content gives equal text, so that a report sent twice is recognised.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use serde_json::Value as Json;
use uuid::Uuid;

use super::decision::Decision;
use super::issued::{Digest, Issued, IssuedStep};
use super::report::{Heard, Opened, Opening, Outcome, Report, Test, Unit};
use super::shown::Shown;
use super::visit::Visit;
use super::wire_chain::content_of;
use super::wire_decision;
use super::wire_value::{WireError, effect_json, effect_of, time, written, written_json};
use crate::setting::{Fingerprint, Name, Written};

/// One line of a ledger.
#[derive(Debug, Clone, PartialEq)]
pub enum LedgerLine {
    /// A field report.
    Report(Box<Report>),
    /// A script, recorded when it was issued.
    Script(Box<Issued>),
    /// A showing of a script.
    Shown(Box<Shown>),
    /// The beginning of a visit.
    Begun(Box<Visit>),
    /// What people decided.
    Decision(Box<Decision>),
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WireReport {
    report: u32,
    id: String,
    station: String,
    at: String,
    by: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    unit: Option<String>,
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    found: BTreeMap<String, Json>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    script: Option<String>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    openings: Vec<WireOpening>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    steps: Vec<WireHeard>,
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    left: BTreeMap<String, Json>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    tests: Vec<WireTest>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    corrects: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    note: Option<String>,
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    fingerprints: BTreeMap<String, String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    number: Option<String>,
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    elsewhere: BTreeMap<String, String>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WireOpening {
    call: u32,
    heard: String,
    #[serde(default = "first")]
    code: u32,
}

fn first() -> u32 {
    1
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WireHeard {
    step: u32,
    heard: String,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WireTest {
    lifeline: String,
    outcome: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    contact: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    dialled: Option<String>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WireShown {
    /// Format version, and what tells it from other lines.
    shown: u32,
    script: String,
    station: String,
    at: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    back: Option<bool>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WireBegun {
    /// Format version, and what tells it from other lines.
    begun: u32,
    id: String,
    script: String,
    station: String,
    at: String,
    by: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    number: Option<String>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WireIssued {
    /// Format version, and what tells an issued script from a report.
    issued: u32,
    script: String,
    station: String,
    at: String,
    steps: Vec<WireStep>,
    document: Json,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WireStep {
    step: u32,
    effects: BTreeMap<String, Json>,
}

/// The content of a report, without what was added when it was recorded.
pub fn report_json(report: &Report) -> Json {
    let tests = report.tests.iter().map(|test| Test { dialled: None, ..test.clone() }).collect();
    let elsewhere = BTreeMap::new();
    let bare = Report { fingerprints: BTreeMap::new(), number: None, elsewhere, tests, ..report.clone() };
    serde_json::to_value(WireReport::from(&bare)).unwrap_or(Json::Null)
}

/// A ledger line's text.
pub fn line_of(line: &LedgerLine) -> String {
    let json = match line {
        LedgerLine::Report(report) => serde_json::to_string(&WireReport::from(&**report)),
        LedgerLine::Script(issued) => serde_json::to_string(&WireIssued::from(&**issued)),
        LedgerLine::Shown(shown) => serde_json::to_string(&WireShown::from(&**shown)),
        LedgerLine::Begun(visit) => serde_json::to_string(&WireBegun::from(&**visit)),
        LedgerLine::Decision(decision) => wire_decision::text(decision),
    };
    // Plain maps, texts and numbers always have a JSON form.
    json.unwrap_or_default()
}

/// Reads a ledger line; what an export says of it is passed over.
///
/// # Errors
/// Says what keeps the line from being one of these.
pub fn parse_line(text: &str) -> Result<LedgerLine, WireError> {
    let text = &*content_of(text);
    let kind: wire_decision::Kind = serde_json::from_str(text)?;
    if let Some(decision) = wire_decision::parse(&kind, text) {
        return decision.map(|decision| LedgerLine::Decision(Box::new(decision)));
    }
    match (kind.issued, kind.shown, kind.begun) {
        (Some(_), _, _) => issued(serde_json::from_str(text)?).map(|issued| LedgerLine::Script(Box::new(issued))),
        (None, Some(_), _) => shown(serde_json::from_str(text)?).map(|shown| LedgerLine::Shown(Box::new(shown))),
        (None, None, Some(_)) => begun(serde_json::from_str(text)?).map(|visit| LedgerLine::Begun(Box::new(visit))),
        (None, None, None) => report(serde_json::from_str(text)?).map(|report| LedgerLine::Report(Box::new(report))),
    }
}

fn word<T: Copy>(text: &str, words: &[(&str, T)]) -> Result<T, WireError> {
    words.iter().find(|(w, _)| *w == text).map(|(_, value)| *value).ok_or_else(|| WireError::Word(text.into()))
}

fn values_json(values: &BTreeMap<Name, Written>) -> BTreeMap<String, Json> {
    values.iter().map(|(name, written)| (name.to_string(), written_json(written))).collect()
}

fn values(json: &BTreeMap<String, Json>) -> Result<BTreeMap<Name, Written>, WireError> {
    json.iter().map(|(name, json)| Ok((name.as_str().into(), written(json)?.0))).collect()
}

impl From<&Report> for WireReport {
    fn from(report: &Report) -> WireReport {
        let Report {
            id,
            station,
            at,
            by,
            unit,
            found,
            script,
            openings,
            steps,
            left,
            tests,
            corrects,
            note,
            fingerprints,
            number,
            elsewhere,
        } = report;
        WireReport {
            report: 1,
            id: id.to_string(),
            station: station.to_string(),
            at: at.to_string(),
            by: by.to_string(),
            unit: unit.map(|unit| unit.as_str().into()),
            found: values_json(found),
            script: script.as_ref().map(Digest::to_string),
            openings: openings.iter().map(WireOpening::from).collect(),
            steps: steps.iter().map(|(step, heard)| WireHeard { step: *step, heard: heard.as_str().into() }).collect(),
            left: values_json(left),
            tests: tests.iter().map(WireTest::from).collect(),
            corrects: corrects.map(|id| id.to_string()),
            note: note.as_ref().map(|note| note.to_string()),
            fingerprints: fingerprints.iter().map(|(r, print)| (r.to_string(), print.to_string())).collect(),
            number: number.as_ref().map(|number| number.to_string()),
            elsewhere: elsewhere.iter().map(|(name, station)| (name.to_string(), station.to_string())).collect(),
        }
    }
}

impl From<&Opening> for WireOpening {
    fn from(opening: &Opening) -> WireOpening {
        let Opening { call, heard, code } = opening;
        WireOpening { call: *call, heard: heard.as_str().into(), code: *code }
    }
}

impl From<&Test> for WireTest {
    fn from(test: &Test) -> WireTest {
        let Test { lifeline, outcome, contact, dialled } = test;
        WireTest {
            lifeline: lifeline.to_string(),
            outcome: outcome.as_str().into(),
            contact: contact.as_ref().map(|contact| contact.to_string()),
            dialled: dialled.as_ref().map(|dialled| dialled.to_string()),
        }
    }
}

fn report(wire: WireReport) -> Result<Report, WireError> {
    if wire.report != 1 {
        return Err(WireError::Version(wire.report));
    }
    let openings = wire.openings.iter().map(|o| {
        let heard = word(&o.heard, &Opened::WORDS)?;
        Ok(Opening { call: o.call, heard, code: o.code })
    });
    let steps = wire.steps.iter().map(|s| Ok((s.step, word(&s.heard, &Heard::WORDS)?)));
    let tests = wire.tests.iter().map(|t| {
        let outcome = word(&t.outcome, &Outcome::WORDS)?;
        let (contact, dialled) = (t.contact.as_deref().map(Name::from), t.dialled.as_deref().map(Name::from));
        Ok(Test { lifeline: t.lifeline.as_str().into(), outcome, contact, dialled })
    });
    let prints = wire.fingerprints.iter().map(|(reference, print)| {
        let reference = reference.parse().map_err(|_| WireError::Value(reference.clone()))?;
        Ok((reference, Fingerprint::stored(print)))
    });
    Ok(Report {
        id: uuid(&wire.id)?,
        at: time(&wire.at)?,
        unit: wire.unit.as_deref().map(|text| word(text, &Unit::WORDS)).transpose()?,
        found: values(&wire.found)?,
        script: wire.script.as_deref().map(str::parse).transpose()?,
        openings: openings.collect::<Result<_, WireError>>()?,
        steps: steps.collect::<Result<_, WireError>>()?,
        corrects: wire.corrects.as_deref().map(uuid).transpose()?,
        left: values(&wire.left)?,
        tests: tests.collect::<Result<_, WireError>>()?,
        fingerprints: prints.collect::<Result<_, WireError>>()?,
        station: wire.station.into(),
        by: wire.by.into(),
        note: wire.note.map(Name::from),
        number: wire.number.map(Name::from),
        elsewhere: wire.elsewhere.into_iter().map(|(name, station)| (name.into(), station.into())).collect(),
    })
}

fn uuid(text: &str) -> Result<Uuid, WireError> {
    Uuid::try_parse(text).ok().filter(|_| text.len() == 36).ok_or_else(|| WireError::Value(text.into()))
}

impl From<&Visit> for WireBegun {
    fn from(visit: &Visit) -> WireBegun {
        let Visit { id, script, station, at, by, number } = visit;
        WireBegun {
            begun: 1,
            id: id.to_string(),
            script: script.to_string(),
            station: station.to_string(),
            at: at.to_string(),
            by: by.to_string(),
            number: number.as_ref().map(|number| number.to_string()),
        }
    }
}

fn begun(wire: WireBegun) -> Result<Visit, WireError> {
    if wire.begun != 1 {
        return Err(WireError::Version(wire.begun));
    }
    if wire.by.trim().is_empty() {
        return Err(WireError::Value(wire.by));
    }
    Ok(Visit {
        id: uuid(&wire.id)?,
        script: wire.script.parse()?,
        at: time(&wire.at)?,
        station: wire.station.into(),
        by: wire.by.into(),
        number: wire.number.map(Name::from),
    })
}

impl From<&Shown> for WireShown {
    fn from(shown: &Shown) -> WireShown {
        let Shown { script, station, at, is_back } = shown;
        WireShown {
            shown: 1,
            script: script.to_string(),
            station: station.to_string(),
            at: at.to_string(),
            back: is_back.then_some(true),
        }
    }
}

fn shown(wire: WireShown) -> Result<Shown, WireError> {
    if wire.shown != 1 {
        return Err(WireError::Version(wire.shown));
    }
    let (script, at) = (wire.script.parse()?, time(&wire.at)?);
    Ok(Shown { script, station: wire.station.into(), at, is_back: wire.back.unwrap_or(false) })
}

impl From<&Issued> for WireIssued {
    fn from(issued: &Issued) -> WireIssued {
        let Issued { digest, station, at, steps, document } = issued;
        WireIssued {
            issued: 1,
            script: digest.to_string(),
            station: station.to_string(),
            at: at.to_string(),
            steps: steps.iter().map(WireStep::from).collect(),
            document: document.clone(),
        }
    }
}

impl From<&IssuedStep> for WireStep {
    fn from(step: &IssuedStep) -> WireStep {
        let effects = step.effects.iter().map(|(name, effect)| (name.to_string(), effect_json(effect))).collect();
        WireStep { step: step.step, effects }
    }
}

fn issued(wire: WireIssued) -> Result<Issued, WireError> {
    if wire.issued != 1 {
        return Err(WireError::Version(wire.issued));
    }
    let steps = wire.steps.iter().map(|step| {
        let effects = step.effects.iter().map(|(name, json)| Ok((Name::from(name.as_str()), effect_of(json)?)));
        Ok(IssuedStep { step: step.step, effects: effects.collect::<Result<_, WireError>>()? })
    });
    Ok(Issued {
        digest: wire.script.parse()?,
        at: time(&wire.at)?,
        steps: steps.collect::<Result<_, WireError>>()?,
        station: wire.station.into(),
        document: wire.document,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample() -> Report {
        let text = r#"{"report":1,"id":"019a6c1e-8f00-7000-8000-000000000001","station":"EQ-01",
            "at":"2026-11-20T11:14:00+01:00","by":"tech-07","unit":"new","found":{"identity":"0120"},
            "script":"3f9a1c0b7d24e615","openings":[{"call":1,"heard":"refused"},{"call":1,"heard":"accepted","code":2}],
            "corrects":"019a6c1e-8f00-7000-8000-000000000000","steps":[{"step":2,"heard":"nothing"},{"step":1,"heard":"accepted"}],
            "left":{"gate.seconds":7,"lamp.follows":["b","a"],"access":{"secret":"file:a"},"line.kind":"pbx"},
            "tests":[{"lifeline":"emergency","outcome":"failed"}],"note":"é \"x\""}"#;
        crate::ledger::read(&"r.json".into(), text.as_bytes()).unwrap().0
    }

    #[test]
    fn a_report_comes_back_from_its_line_unchanged() {
        let mut report = sample();
        report.fingerprints.insert("file:a".parse().unwrap(), Fingerprint::stored("k:1"));
        let line = LedgerLine::Report(Box::new(report));
        assert_eq!(parse_line(&line_of(&line)).unwrap(), line);
    }

    #[test]
    fn the_number_and_what_was_dialled_are_kept_and_are_no_part_of_the_content() {
        let mut report = sample();
        report.number = Some("+441632960121".into());
        report.elsewhere = [("identity".into(), "EQ-03".into())].into();
        report.tests[0].dialled = Some("9,01632960101".into());
        let line = LedgerLine::Report(Box::new(report.clone()));
        assert_eq!(parse_line(&line_of(&line)).unwrap(), line);
        assert_eq!(report_json(&report), report_json(&sample()));
        let claimed = r#"{"report":1,"id":"019a6c1e-8f00-7000-8000-000000000001","station":"EQ-01",
            "at":"2026-11-20T11:14:00Z","by":"tech-07","number":"+441632960121"}"#;
        assert!(crate::ledger::read(&"r.json".into(), claimed.as_bytes()).is_err(), "who reports does not say it");
    }

    #[test]
    fn a_showing_comes_back_from_its_line_unchanged() {
        let at = "2026-11-20T10:14:00Z".parse().unwrap();
        let line = LedgerLine::Shown(Box::new(Shown {
            script: "3f9a1c0b7d24e615".parse().unwrap(),
            station: "EQ-01".into(),
            at,
            is_back: false,
        }));
        let text = r#"{"shown":1,"script":"3f9a1c0b7d24e615","station":"EQ-01","at":"2026-11-20T10:14:00Z"}"#;
        assert_eq!(line_of(&line), text);
        assert_eq!(parse_line(text).unwrap(), line);
        let back = text.replace('}', ",\"back\":true}");
        let LedgerLine::Shown(shown) = parse_line(&back).unwrap() else { panic!("{back}") };
        assert!(shown.is_back);
        assert_eq!(line_of(&LedgerLine::Shown(shown)), back);
        assert!(parse_line(&text.replace("\"shown\":1", "\"shown\":2")).is_err());
    }

    #[test]
    fn the_beginning_of_a_visit_comes_back_from_its_line_unchanged() {
        let text = r#"{"begun":1,"id":"019a6c1e-8f00-7000-8000-000000000001","script":"3f9a1c0b7d24e615","station":"EQ-01","at":"2026-11-20T10:14:00Z","by":"tech-07"}"#;
        let line = parse_line(text).unwrap();
        assert_eq!(line_of(&line), text);
        let LedgerLine::Begun(mut visit) = line else { panic!("{line:?}") };
        visit.number = Some("+441632960121".into());
        let line = LedgerLine::Begun(visit);
        assert_eq!(parse_line(&line_of(&line)).unwrap(), line);
        for (was, is) in [("\"begun\":1", "\"begun\":2"), ("tech-07", " "), ("0001\"", "001\""), ("10:14", "25:14")] {
            assert!(parse_line(&text.replace(was, is)).is_err(), "{is}");
        }
    }

    #[test]
    fn equal_content_has_equal_text_whatever_the_spelling() {
        let yaml = r#"report: 1
id: 019A6C1E-8F00-7000-8000-000000000001
by: tech-07
station: EQ-01
at: 2026-11-20T10:14:00.000Z
unit: new
found: {identity: "0120"}
script: 3f9a1c0b7d24e615
corrects: 019A6C1E-8F00-7000-8000-000000000000
openings: [{call: 1, heard: refused, code: 1}, {heard: accepted, call: 1, code: 2}]
steps: [{step: 2, heard: nothing}, {heard: accepted, step: 1}]
left: {gate.seconds: 7, lamp.follows: [a, b], access: {secret: "file:a"}, line.kind: pbx}
tests: [{lifeline: emergency, outcome: failed}]
note: "é \"x\""
"#;
        let other = crate::ledger::read(&"r.yaml".into(), yaml.as_bytes()).unwrap().0;
        assert_eq!(report_json(&sample()), report_json(&other));
    }

    #[test]
    fn an_issued_script_comes_back_from_its_line_unchanged() {
        let effects = [
            ("identity".into(), Some((Written::Quoted("7".into()), None))),
            ("access".into(), Some((Written::Secret("file:a".parse().unwrap()), Some(Fingerprint::stored("k:1"))))),
            ("emergency.primary".into(), None),
        ];
        let line = LedgerLine::Script(Box::new(Issued {
            digest: "3f9a1c0b7d24e615".parse().unwrap(),
            station: "EQ-01".into(),
            at: "2026-11-20T10:14:00Z".parse().unwrap(),
            steps: vec![IssuedStep { step: 1, effects: effects.into() }],
            document: serde_json::json!({"calls": []}),
        }));
        assert_eq!(parse_line(&line_of(&line)).unwrap(), line);
    }

    #[test]
    fn a_line_that_is_neither_is_rejected() {
        for text in ["", "{}", "[]", "{\"report\":1}", "{\"issued\":1}", "null", "{\"issued\":1,\"script\":\"x\"}"] {
            assert!(parse_line(text).is_err(), "{text}");
        }
    }
}
