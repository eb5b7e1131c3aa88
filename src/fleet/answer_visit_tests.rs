//! What the beginning of a visit is answered.

use super::*;
use crate::fleet::answer::tests::{entries, report, station};
use crate::ledger::{Issued, IssuedStep, LedgerLine, effect};
use crate::setting::Value;

#[test]
fn a_visit_that_began_says_what_nobody_knows_until_its_report_comes() {
    let station = station("");
    let value = effect(&Value::Digits("121".into()));
    let script = Issued {
        digest: "3f9a1c0b7d24e615".parse().expect("a digest"),
        station: "EQ-01".into(),
        at: "2026-11-20T09:00:00Z".parse().expect("a time"),
        steps: vec![IssuedStep { step: 1, effects: [("identity".into(), value)].into() }],
        document: serde_json::json!({}),
    };
    let visit = Visit {
        id: report(7, "").id,
        script: script.digest.clone(),
        station: "EQ-01".into(),
        at: "2026-11-20T10:05:00Z".parse().expect("a time"),
        by: "tech-07".into(),
        number: None,
    };
    let of = |more: Vec<LedgerLine>| {
        let held = report(1, "left: {identity: \"120\"}");
        let mut lines = vec![LedgerLine::Report(Box::new(held)), LedgerLine::Script(Box::new(script.clone()))];
        lines.push(LedgerLine::Begun(Box::new(visit.clone())));
        lines.extend(more);
        let rules = Rules { reconfirm_days: 365, require_tests: true };
        answer(&visit, &station, &entries(lines), (rules, "2026-11-20T12:00:00Z".parse().expect("a time")))
    };
    let begun = of(Vec::new());
    assert!(
        begun.consequences[0]
            .starts_with("tech-07 began to key script 3f9a1c0b7d24e615 at EQ-01 at 2026-11-20 10:05 UTC.")
    );
    assert!(begun.consequences.contains(&"In doubt until then: identity.".to_owned()), "{begun:?}");
    assert_eq!(begun.missing, ["The report of this visit."]);
    let own = report(7, "script: 3f9a1c0b7d24e615\nsteps: [{step: 1, heard: accepted}]");
    let over = of(vec![LedgerLine::Report(Box::new(own))]);
    assert_eq!(over.consequences, ["A report of this visit is on record, so this changes nothing."]);
}
