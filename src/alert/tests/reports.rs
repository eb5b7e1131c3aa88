//! What is told of refused reports, and of those taken later.

use std::collections::BTreeSet;

use serde_json::{Value as Json, json};

use super::super::body::form::{BodyTerms, For, Form};
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
        content: format!("{nth:032x}").chars().rev().collect(),
        at: "2026-11-20T09:30:00Z".parse().unwrap(),
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
    RejectedReports { rejected: reports, last: 9, ..RejectedReports::default() }
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
        let messages =
            told(RejectedReports { rejected: reports, recorded: taken, last: 9, ..RejectedReports::default() });
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
    let messages =
        told(RejectedReports { last: 9, recorded: vec![report(1, vec![reason(4)])], ..RejectedReports::default() });
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
        RejectedReports { recorded: one.rejected.clone(), last: 9, ..RejectedReports::default() },
        RejectedReports { recorded: one.rejected.clone(), ..one.clone() },
    ];
    for other in &others {
        assert_ne!(id(&one), id(other), "{other:?}");
    }
    assert_ne!(told(one.clone())[0].id, told(one.clone())[1].id);
}

fn of(nth: usize, station: &str, says: Says) -> RejectedReport {
    let lifelines = ["emergency".into()].into();
    let failed = FailedTest { says, by: Some("tech-07".into()), lifelines, ..FailedTest::default() };
    RejectedReport { station: Some(station.into()), failed: Some(failed), ..report(nth, vec![reason(4)]) }
}

/// What says that a button is dead reads as what it says, however it came to be rejected.
#[test]
fn a_rejected_report_of_a_failed_test_is_a_critical_case_of_its_own_with_who_made_it_and_their_note() {
    let mut worse = of(2, "FT-02", Says::Failed);
    worse.failed.as_mut().unwrap().note = Some("lift A does not call".into());
    let messages = told(rejected(vec![report(1, vec![reason(4)]), worse.clone()]));
    let data: Vec<Json> = messages.iter().map(|message| super::fixture::data(&message.body)).collect();
    let settle = format!("stationkeep report --settle {} --by NAME --why TEXT", worse.case());
    assert_eq!(
        data[0]["summary"],
        format!(
            "FT-02: a report that a test call failed was not recorded (by tech-07: lift A does not call). Keep a stand-in until a \
             test call reaches help. It was rejected (reports/002.yaml): The number 0121 is not quoted. Send it again, corrected. \
             If there is no need to, run \"{settle}\"."
        )
    );
    assert_eq!((&data[0]["severity"], &data[0]["count"]), (&json!("critical"), &json!(1)));
    let entry = &data[0]["reports"][0];
    assert_eq!(
        (&entry["station"], &entry["key"], &entry["settle"]),
        (&json!("FT-02"), &data[0]["key"], &json!(settle))
    );
    assert_eq!(entry["reasons"].as_array().map(Vec::len), Some(1));
    // The other is told as ever.
    let others: Vec<&Json> = data.iter().filter(|data| data["severity"] == "warning").collect();
    assert_eq!(others.len(), 2);
    assert!(others[0]["summary"].as_str().unwrap().starts_with("A field report about EQ-01 was rejected"));
}

#[test]
fn of_several_that_say_that_a_button_does_not_work_all_are_named_and_the_surest_first() {
    let some = vec![of(1, "NM-07", Says::MayHaveFailed), of(2, "HC-03", Says::MayBeDead), of(3, "FT-01", Says::Failed)];
    let first = "FT-01: a report that a test call failed was not recorded (by tech-07). NM-07: a report that may say that a \
                 test call failed was not recorded (by tech-07). HC-03: a report that may say that a button is dead was not \
                 recorded (by tech-07). Keep a stand-in at each until a test call reaches help.";
    let data = data(&told(rejected(some))[0].body);
    assert!(data["summary"].as_str().unwrap().starts_with(first), "{data}");
    let many = (0..600).map(|nth| of(nth, &format!("S-{nth:02}"), Says::Failed)).collect();
    let messages = told(rejected(many));
    assert!(messages[0].body.len() <= LONGEST_BODY);
    let data = super::fixture::data(&messages[0].body);
    assert!(data["summary"].as_str().unwrap().contains("The same of S-"), "{data}");
    assert_eq!(data["count"], 600);
}

#[test]
fn a_webhook_for_lifelines_alone_hears_of_the_report_that_a_button_did_not_reach_help() {
    let mut watch = Watch::new();
    watch.terms.webhooks = vec![webhook("duty", &[Weight::Lifeline])];
    watch.rejected = rejected(vec![report(1, vec![reason(4)])]);
    assert!(watch.pass().messages.is_empty());
    watch.rejected = rejected(vec![of(2, "EQ-01", Says::MayHaveFailed)]);
    let told = watch.pass().messages;
    let data = data(&told[0].body);
    assert_eq!(data["severity"], "critical");
    let first = "EQ-01: a report that may say that a test call failed was not recorded (by tech-07). Keep a stand-in";
    assert!(data["summary"].as_str().unwrap().starts_with(first), "{data}");
}

/// A fleet that two pagers and a list watch, of which one takes lifelines alone.
fn paged() -> Watch {
    let mut watch = Watch::new();
    let body = |form| BodyTerms { of: For::Station, form, ..BodyTerms::default() };
    let one = |name, weights: &[Weight], form| Subscription { body: body(form), ..webhook(name, weights) };
    watch.terms.webhooks =
        vec![one("pager", &[Weight::Lifeline], Form::Pager), one("am", &Weight::ALL, Form::Alertmanager)];
    watch
}

/// Key, and whether it is over, of all that a webhook is told.
fn gists(verdict: &Verdict, webhook: &str) -> Vec<(String, bool)> {
    let own = verdict.messages.iter().filter(|message| *message.webhook == *webhook);
    own.flat_map(|message| &message.gists).map(|gist| (gist.key.clone(), gist.is_over)).collect()
}

#[test]
fn each_of_two_that_are_on_record_in_one_pass_closes_the_case_it_opened_wherever_that_was_heard() {
    let mut watch = paged();
    let some = [of(1, "EQ-01", Says::Failed), of(2, "EQ-02", Says::Failed)];
    watch.rejected = rejected(some.to_vec());
    let key = |report: &RejectedReport| format!("Skerry Coast Harbours/report {}", report.case());
    let keys = |is_over: bool| some.iter().map(|one| (key(one), is_over)).collect::<BTreeSet<_>>();
    let told = watch.pass();
    for webhook in ["pager", "am"] {
        assert_eq!(gists(&told, webhook).into_iter().collect::<BTreeSet<_>>(), keys(false), "{webhook}");
    }
    watch.restart();
    watch.minutes(1);
    let over = some.iter().map(|one| (one.case(), Over::Recorded)).collect();
    watch.rejected = RejectedReports { recorded: some.to_vec(), over, last: 9, ..RejectedReports::default() };
    let told = watch.pass();
    for webhook in ["pager", "am"] {
        assert_eq!(gists(&told, webhook).into_iter().collect::<BTreeSet<_>>(), keys(true), "{webhook}");
    }
    let said = &told.messages[0].gists[0].text;
    assert!(said.ends_with("the report that was rejected before (reports/001.yaml) is on record now."), "{said}");
    watch.minutes(1000);
    assert!(watch.pass().messages.is_empty() && watch.next_reminder().is_none());
}

#[test]
fn one_that_nobody_sends_again_is_told_at_reminders_and_to_lists_at_every_full_pass() {
    let mut watch = paged();
    watch.rejected = rejected(vec![of(1, "EQ-01", Says::Failed)]);
    watch.pass();
    watch.minutes(15);
    watch.is_full = true;
    assert_eq!(gists(&watch.verdict(), "am").len(), 1);
    watch.is_full = false;
    watch.restart();
    watch.minutes(45);
    let told = watch.pass();
    let said = &told.messages.iter().find(|message| &*message.webhook == "pager").unwrap().gists[0];
    let first = "EQ-01: a report that a test call failed is still not recorded (by tech-07). Keep a stand-in until a test call \
                 reaches help. It was rejected on 2026-11-20 09:30 UTC (reports/001.yaml). Send it again, corrected.";
    assert!(said.text.starts_with(first) && !said.is_over, "{}", said.text);
    // Someone says that there is no need to.
    watch.rejected.over = [(of(1, "", Says::Failed).case(), Over::Settled { by: "tech-01".into() })].into();
    let told = watch.pass();
    let over = &told.messages[0].gists[0];
    assert!(
        over.is_over && over.text.starts_with("EQ-01: tech-01 says that the report that was rejected"),
        "{}",
        over.text
    );
}

#[test]
fn one_that_is_answered_before_it_was_ever_told_is_no_case() {
    let mut watch = paged();
    let one = of(1, "EQ-01", Says::Failed);
    let over = [(one.case(), Over::Answered)].into();
    watch.rejected = RejectedReports { rejected: vec![one], over, last: 9, ..RejectedReports::default() };
    // The list takes everything, and hears that a report was rejected.
    let told = watch.pass();
    assert_eq!(told.messages.iter().map(|message| &*message.webhook).collect::<Vec<_>>(), ["am"]);
    watch.minutes(1000);
    assert!(watch.pass().messages.is_empty());
}
