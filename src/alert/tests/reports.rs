//! What is told of refused reports, and of those taken later.

use serde_json::json;

use super::fixture::*;
use super::*;
use crate::finding::{Code, Finding};
use crate::setting::Weight;

fn reason(line: u32) -> Finding {
    Finding::new(Code::Unquoted, place("reports/a.yaml", line), "The number 0121 is not quoted.", "Write \"0121\".")
}

fn report(nth: usize, reasons: Vec<Finding>) -> RejectedReport {
    RejectedReport {
        source: format!("reports/{nth:03}.yaml"),
        content: format!("{nth:x}"),
        id: Some(format!("019a{nth:04}")),
        station: Some("EQ-01".into()),
        reasons,
        failed: None,
    }
}

fn told(news: RejectedReports) -> Vec<Message> {
    let mut watch = Watch::new();
    watch.terms.webhooks =
        vec![webhook("heavy", &[Weight::Lifeline, Weight::Locating]), webhook("on-call", &Weight::ALL)];
    watch.rejected = news;
    watch.pass().messages
}

fn rejected(reports: Vec<RejectedReport>) -> RejectedReports {
    RejectedReports { rejected: reports, recorded: Vec::new(), last: 9 }
}

#[test]
fn they_are_told_once_and_it_is_kept_which_was_the_last() {
    let mut watch = Watch::new();
    assert_eq!(last_rejected_told(&watch.cases), 0);
    watch.rejected = rejected(vec![report(1, vec![reason(4)])]);
    assert_eq!(watch.pass().messages.len(), 1);
    assert_eq!(last_rejected_told(&watch.cases), 9);
    watch.restart();
    assert_eq!(last_rejected_told(&watch.cases), 9);
    assert_eq!(watch.pass().messages.len(), 0);
}

#[test]
fn one_refused_report_is_told_to_every_webhook_with_its_source_and_all_its_reasons() {
    let messages = told(rejected(vec![report(1, (1..6).map(reason).collect())]));
    assert_eq!(messages.iter().map(|message| &*message.webhook).collect::<Vec<_>>(), ["heavy", "on-call"]);
    let event = event(&messages[1].body);
    assert_eq!((&event["type"], &event["subject"]), (&json!("stationkeep.report.refused.v1"), &json!("EQ-01")));
    let data = &event["data"];
    assert_eq!(
        data["summary"],
        "A field report about EQ-01 was rejected (reports/001.yaml): The number 0121 is not quoted."
    );
    assert_eq!((&data["count"], &data["by_reason"]), (&json!(1), &json!({"unquoted": 1})));
    let one = &data["reports"][0];
    assert_eq!((&one["source"], &one["report"]), (&json!("reports/001.yaml"), &json!("019a0001")));
    assert_eq!((one["reasons"].as_array().unwrap().len(), &one["reasons_left_out"]), (5, &json!(0)));
}

#[test]
fn hundreds_of_them_are_one_bounded_message_with_exact_counts() {
    for sign in ["x", "\u{1}", "🛟"] {
        let long = sign.repeat(1_000);
        let mut reports: Vec<RejectedReport> = (0..600).map(|nth| report(nth, (0..12).map(reason).collect())).collect();
        for report in &mut reports {
            report.source.push_str(&long);
            report.station = Some(long.clone());
            for reason in &mut report.reasons {
                reason.message.push_str(&long);
                reason.fix = long.clone();
            }
        }
        let taken = reports.clone();
        let messages = told(RejectedReports { rejected: reports, recorded: taken, last: 9 });
        assert_eq!(messages.len(), 2);
        assert!(messages[0].body.len() <= LONGEST_BODY);
        let data = data(&messages[0].body);
        assert!(data["summary"].as_str().unwrap().starts_with("600 field reports were rejected. First about "));
        assert_eq!((&data["count"], &data["by_reason"]), (&json!(600), &json!({"unquoted": 600})));
        let shown = data["reports"].as_array().unwrap();
        assert!(!shown.is_empty());
        assert_eq!(data["left_out"], 600 - shown.len());
        for one in shown {
            assert_eq!(one["reasons_left_out"], 12 - one["reasons"].as_array().unwrap().len());
        }
        assert_eq!((data["taken"].as_array().unwrap().len(), &data["taken_left_out"]), (20, &json!(580)));
    }
}

#[test]
fn one_that_is_on_record_after_all_is_told_as_such() {
    let messages = told(RejectedReports { rejected: Vec::new(), last: 9, recorded: vec![report(1, vec![reason(4)])] });
    let data = data(&messages[0].body);
    assert_eq!(
        data["summary"],
        "The field report about EQ-01 that was rejected before (reports/001.yaml) is on record now."
    );
    assert_eq!((&data["count"], &data["taken"][0]["report"]), (&json!(0), &json!("019a0001")));
}

#[test]
fn the_same_reports_are_the_same_message_and_nothing_is_none() {
    assert_eq!(told(RejectedReports::default()), []);
    let id = |news: &RejectedReports| told(news.clone()).remove(0).id;
    let one = rejected(vec![report(1, vec![reason(4)])]);
    assert_eq!(id(&one), id(&one.clone()));
    let others = [
        rejected(vec![report(2, vec![reason(4)])]),
        rejected(vec![report(1, vec![reason(5)])]),
        RejectedReports { rejected: Vec::new(), recorded: one.rejected.clone(), last: 9 },
        RejectedReports { recorded: one.rejected.clone(), ..one.clone() },
    ];
    for other in &others {
        assert_ne!(id(&one), id(other), "{other:?}");
    }
    assert_ne!(told(one.clone())[0].id, told(one.clone())[1].id);
}

/// What says that a button is dead reads as what it says, however it came to be rejected.
#[test]
fn a_rejected_report_of_a_failed_test_is_told_first_as_critical_with_who_made_it_and_their_note() {
    let failed =
        FailedTest { says: Says::Failed, by: Some("tech-01".into()), note: Some("lift A does not call".into()) };
    let worse = RejectedReport { station: Some("FT-02".into()), failed: Some(failed), ..report(2, vec![reason(1)]) };
    let messages = told(rejected(vec![report(1, vec![reason(4)]), worse]));
    let data = data(&messages[0].body);
    let first = "FT-02: a report that a test call failed was not recorded (by tech-01: lift A does not call). Keep a \
                 stand-in until a test call reaches help. 2 field reports were rejected. First about EQ-01";
    assert!(data["summary"].as_str().unwrap().starts_with(first), "{data}");
    assert_eq!(data["severity"], "critical");
    assert_eq!(data["reports"][0]["station"], "FT-02");
}

#[test]
fn of_several_that_say_that_a_button_does_not_work_all_are_named_and_the_surest_first() {
    let of = |nth: usize, station: &str, says: Says| RejectedReport {
        station: Some(station.into()),
        failed: Some(FailedTest { says, by: Some("tech-07".into()), note: None }),
        ..report(nth, vec![reason(4)])
    };
    let some = vec![of(1, "NM-07", Says::MayHaveFailed), of(2, "HC-03", Says::MayBeDead), of(3, "FT-01", Says::Failed)];
    let first = "FT-01: a report that a test call failed was not recorded (by tech-07). NM-07: a report that may say that a \
                 test call failed was not recorded (by tech-07). HC-03: a report that may say that a button is dead was not \
                 recorded (by tech-07). Keep a stand-in at each until a test call reaches help.";
    let data = data(&told(rejected(some))[0].body);
    assert!(data["summary"].as_str().unwrap().starts_with(first), "{data}");
    let many = (0..60).map(|nth| of(nth, &format!("S-{nth:02}"), Says::Failed)).collect();
    let data = super::fixture::data(&told(rejected(many))[0].body);
    assert!(data["summary"].as_str().unwrap().contains("The same of S-03, S-04, "), "{data}");
}

#[test]
fn a_webhook_for_lifelines_alone_hears_of_the_report_that_a_button_did_not_reach_help() {
    let mut watch = Watch::new();
    watch.terms.webhooks = vec![webhook("duty", &[Weight::Lifeline])];
    watch.rejected = rejected(vec![report(1, vec![reason(4)])]);
    assert!(watch.pass().messages.is_empty());
    let failed = FailedTest { says: Says::MayHaveFailed, by: Some("tech-07".into()), note: None };
    watch.rejected = rejected(vec![RejectedReport { failed: Some(failed), ..report(2, vec![reason(4)]) }]);
    let told = watch.pass().messages;
    let data = data(&told[0].body);
    assert_eq!(data["severity"], "critical");
    let first = "EQ-01: a report that may say that a test call failed was not recorded (by tech-07). Keep a stand-in";
    assert!(data["summary"].as_str().unwrap().starts_with(first), "{data}");
}
