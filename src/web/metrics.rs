//! The metrics, in Prometheus' text format 0.0.4. Each answer is made anew from the status and the store; counters
//! count since the start of the program or, for webhooks, of the session. Labels hold standings, weights and webhooks, of
//! which there are few; never a station, a person or an address.

use std::collections::BTreeMap;
use std::time::Duration;

use prometheus::{Counter, CounterVec, Gauge, GaugeVec, Opts, Registry, TextEncoder};
use tokio::sync::Mutex;
use tokio::time::timeout;

use super::catalogue::*;
use super::status::{Health, PassStatus, Session, Status};
use crate::brake::Numbers;
use crate::drift::Standing;
use crate::guide::Metric;
use crate::setting::Weight;
use crate::store::{EntryKind, Queue, Store, StoreError};
use crate::webhook::{PumpState, PumpStatus};

/// The `Content-Type` of the text.
pub(super) const CONTENT_TYPE: &str = "text/plain; version=0.0.4; charset=utf-8";

/// The store is asked no longer than this.
const PATIENCE: Duration = Duration::from_secs(3);

type Done = Result<(), prometheus::Error>;

/// The whole text.
///
/// # Errors
/// A name or label that the format does not allow: a mistake in `catalogue.rs`.
pub(super) async fn text(status: &Status, tally: &Tally) -> Result<String, prometheus::Error> {
    let sheet = Sheet(Registry::new());
    sheet.by(BUILD_INFO, [(env!("CARGO_PKG_VERSION"), 1.0)])?;
    passes(&sheet, &status.health())?;
    sheet.gauge(CONFIGURATION_REFUSED, is(status.is_configuration_rejected()))?;
    sheet.gauge(FILES_POLLED, is(status.are_files_polled()))?;
    if let Some(shown) = status.shown() {
        fleet(&sheet, &shown)?;
    }
    if let Some(session) = status.session() {
        let now_ms = (status.clocks().system_ms)();
        let silent = status.shown().map(|shown| shown.silent.clone()).unwrap_or_default();
        sheet.gauge(ALERTS_SILENT, is(status.is_silent()))?;
        let each = session.alerts.iter().map(|status| status.borrow().webhook.clone());
        sheet.by(
            WEBHOOK_SILENT,
            each.map(|name| {
                let is_silent = silent.contains(name.as_str());
                (name, is(is_silent))
            }),
        )?;
        webhooks(&sheet, &session)?;
        ledger(&sheet, &session, tally, now_ms).await?;
    }
    TextEncoder::new().encode_to_string(&sheet.0.gather())
}

fn is(so: bool) -> f64 {
    f64::from(u8::from(so))
}

fn passes(sheet: &Sheet, health: &Health) -> Done {
    let Health { age, limit, owed, owed_limit, is_failing: _, took, finished_at: _, finished, failed } = *health;
    sheet.gauge(HEALTHY, is(health.is_good()))?;
    if let Some(age) = age {
        sheet.gauge(LAST_PASS_AGE, age.as_secs_f64())?;
        sheet.gauge(LAST_PASS_DURATION, took.as_secs_f64())?;
    }
    sheet.gauge(LAST_PASS_AGE_LIMIT, limit.as_secs_f64())?;
    sheet.gauge(PASS_OWED, owed.unwrap_or_default().as_secs_f64())?;
    sheet.gauge(PASS_OWED_LIMIT, owed_limit.as_secs_f64())?;
    sheet.counter(PASSES_FINISHED, finished as f64)?;
    sheet.counter(PASSES_FAILED, failed as f64)
}

fn fleet(sheet: &Sheet, shown: &PassStatus) -> Done {
    let PassStatus { totals, held, on_record, open_cases, in_use_since, errors, warnings, next_reminder, silent: _ } =
        shown;
    sheet.by(STATIONS, Standing::ALL.map(|standing| (standing.as_str(), totals.get(standing) as f64)))?;
    sheet.gauge(STATIONS_SET_ASIDE, totals.set_aside() as f64)?;
    sheet.gauge(STATIONS_SET_ASIDE_WHOLE, totals.set_aside_whole() as f64)?;
    sheet.gauge(STATIONS_ON_RECORD, *on_record as f64)?;
    let number = |of: fn(&Numbers) -> usize| held.as_ref().map_or(0, of) as f64;
    sheet.gauge(STATIONS_ALTERED, number(|held| held.altered))?;
    sheet.gauge(SCRIPTS_HELD, number(|held| held.held))?;
    sheet.gauge(SCRIPTS_HANDED_OUT, number(|held| held.handed_out))?;
    let open = |weight| open_cases.iter().find(|(of, _)| *of == weight).map_or(0, |(_, count)| *count) as f64;
    sheet.by(ALERTS_OPEN, Weight::ALL.map(|weight| (weight.as_str(), open(weight))))?;
    sheet.by(FINDINGS, [("error", *errors as f64), ("warning", *warnings as f64)])?;
    if let Some(since) = in_use_since {
        sheet.gauge(IN_USE_SINCE, since.as_second() as f64)?;
    }
    if let Some(due) = next_reminder {
        sheet.gauge(NEXT_REMINDER, due.as_second() as f64)?;
    }
    Ok(())
}

fn webhooks(sheet: &Sheet, session: &Session) -> Done {
    let all: Vec<PumpStatus> = session.webhooks.iter().map(|status| status.borrow().clone()).collect();
    let count = |of: fn(&PumpStatus) -> u64| {
        let pairs = all.iter().map(|status| (status.webhook.clone(), of(status) as f64));
        pairs.collect::<Vec<_>>()
    };
    sheet.counts(WEBHOOK_TRIES, count(|status| status.tries))?;
    sheet.counts(WEBHOOK_DELIVERED, count(|status| status.delivered))?;
    sheet.counts(WEBHOOK_FAILURES, count(|status| status.tries.saturating_sub(status.delivered)))?;
    sheet.counts(WEBHOOK_REFUSED, count(|status| status.refused))?;
    let states = GaugeVec::new(Opts::new(WEBHOOK_STATE.name, WEBHOOK_STATE.help), &["webhook", "state"])?;
    for status in &all {
        for word in PumpState::WORDS {
            states.get_metric_with_label_values(&[&status.webhook, word])?.set(is(status.state.as_str() == word));
        }
    }
    sheet.0.register(Box::new(states))
}

async fn ledger(sheet: &Sheet, session: &Session, tally: &Tally, now_ms: i64) -> Done {
    let asked = timeout(PATIENCE, Counted::ask(&session.store, tally)).await;
    let counted = asked.ok().and_then(Result::ok);
    sheet.gauge(LEDGER_READABLE, is(counted.is_some()))?;
    let Some(Counted { entries, rejected, queues, refused }) = counted else { return Ok(()) };
    let reports = entries.get(EntryKind::Report.as_str()).copied().unwrap_or(0);
    let entries = entries.iter().map(|(kind, count)| (kind.clone(), *count as f64));
    sheet.by(LEDGER_ENTRIES, entries)?;
    sheet.gauge(REPORTS_TAKEN, reports as f64)?;
    sheet.gauge(REPORTS_REFUSED, rejected as f64)?;
    let known = |webhook: &String| session.webhooks.iter().any(|status| status.borrow().webhook == *webhook);
    let refused = refused.into_iter().filter(|(webhook, _)| known(webhook));
    sheet.by(OUTBOX_REFUSED, refused.map(|(webhook, count)| (webhook, count as f64)))?;
    let mut waiting: BTreeMap<String, (f64, f64)> = BTreeMap::new();
    for status in &session.webhooks {
        waiting.insert(status.borrow().webhook.clone(), (0.0, 0.0));
    }
    for Queue { webhook, waiting: count, oldest_ms } in queues {
        let age = now_ms.saturating_sub(oldest_ms).max(0) as f64 / 1000.0;
        // What waits for a webhook that the configuration no longer has would wait for ever.
        if let Some(of) = waiting.get_mut(&webhook) {
            *of = (count as f64, age);
        }
    }
    sheet.by(OUTBOX_WAITING, waiting.iter().map(|(webhook, (count, _))| (webhook.clone(), *count)))?;
    sheet.by(OUTBOX_OLDEST_AGE, waiting.iter().map(|(webhook, (_, age))| (webhook.clone(), *age)))
}

/// What the store was asked.
struct Counted {
    entries: BTreeMap<String, i64>,
    rejected: i64,
    queues: Vec<Queue>,
    refused: Vec<(String, i64)>,
}

impl Counted {
    async fn ask(store: &Store, tally: &Tally) -> Result<Counted, StoreError> {
        Ok(Counted {
            entries: tally.count(store).await?,
            rejected: store.rejected_count().await?,
            queues: store.queues().await?,
            refused: store.refused_count().await?,
        })
    }
}

/// The ledger's entries by kind, counted on from where the last count ended: a long ledger is counted once.
#[derive(Debug, Default)]
pub(super) struct Tally(Mutex<Counts>);

#[derive(Debug, Default)]
struct Counts {
    place: String,
    seq: i64,
    by_kind: BTreeMap<String, i64>,
}

impl Tally {
    async fn count(&self, store: &Store) -> Result<BTreeMap<String, i64>, StoreError> {
        let mut counts = self.0.lock().await;
        if counts.place != store.place() {
            *counts = Counts { place: store.place().to_owned(), ..Counts::default() };
        }
        let head = store.head().await?.seq;
        let newer = store.entries_by_kind(counts.seq, head).await?;
        for (kind, count) in newer {
            *counts.by_kind.entry(kind).or_default() += count;
        }
        counts.seq = head;
        Ok(counts.by_kind.clone())
    }
}

/// Collects metrics.
struct Sheet(Registry);

impl Sheet {
    fn gauge(&self, metric: Metric, value: f64) -> Done {
        let gauge = Gauge::new(metric.name, metric.help)?;
        gauge.set(value);
        self.0.register(Box::new(gauge))
    }

    fn counter(&self, metric: Metric, value: f64) -> Done {
        let counter = Counter::new(metric.name, metric.help)?;
        counter.inc_by(value);
        self.0.register(Box::new(counter))
    }

    fn by<S: AsRef<str>>(&self, metric: Metric, values: impl IntoIterator<Item = (S, f64)>) -> Done {
        let gauges = GaugeVec::new(Opts::new(metric.name, metric.help), metric.label.as_slice())?;
        for (of, value) in values {
            gauges.get_metric_with_label_values(&[of.as_ref()])?.set(value);
        }
        self.0.register(Box::new(gauges))
    }

    fn counts(&self, metric: Metric, values: Vec<(String, f64)>) -> Done {
        let counters = CounterVec::new(Opts::new(metric.name, metric.help), metric.label.as_slice())?;
        for (webhook, value) in &values {
            counters.get_metric_with_label_values(&[webhook])?.inc_by(*value);
        }
        self.0.register(Box::new(counters))
    }
}
