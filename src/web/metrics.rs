//! The metrics, in Prometheus' text format 0.0.4. Each answer is made anew from the status and the store; counters
//! count since the start of the program or, for webhooks, of the session. Labels hold standings, weights and webhooks, of
//! which there are few; never a station, a person or an address.

use std::collections::BTreeMap;
use std::time::Duration;

use prometheus::{Counter, CounterVec, Gauge, GaugeVec, Opts, Registry, TextEncoder};
use tokio::sync::Mutex;
use tokio::time::timeout;

use super::status::{Health, PassStatus, Session, Status};
use crate::brake::Numbers;
use crate::drift::Standing;
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
/// A name or label that the format does not allow: a mistake of this file.
pub(super) async fn text(status: &Status, tally: &Tally) -> Result<String, prometheus::Error> {
    let sheet = Sheet(Registry::new());
    sheet.by("build_info", "1; the program's version is the label.", "version", [(env!("CARGO_PKG_VERSION"), 1.0)])?;
    passes(&sheet, &status.health())?;
    let rejected = f64::from(u8::from(status.is_configuration_rejected()));
    sheet.gauge("configuration_refused", "1 where the configuration as it is now cannot be used.", rejected)?;
    if let Some(shown) = status.shown() {
        fleet(&sheet, &shown)?;
    }
    if let Some(session) = status.session() {
        let now_ms = (status.clocks().system_ms)();
        let silent = status.shown().map(|shown| shown.silent.clone()).unwrap_or_default();
        let help = "1 if every webhook for alerts was stopped by its receiver or is silent: nobody is alerted.";
        sheet.gauge("alerts_silent", help, f64::from(u8::from(status.is_silent())))?;
        let help =
            "1 if the webhook has had something to deliver for longer than silent_minutes and delivered nothing.";
        let each = session.alerts.iter().map(|status| status.borrow().webhook.clone());
        let is_silent = |name: String| {
            let is_silent = silent.contains(name.as_str());
            (name, f64::from(u8::from(is_silent)))
        };
        sheet.by("webhook_silent", help, "webhook", each.map(is_silent))?;
        webhooks(&sheet, &session)?;
        ledger(&sheet, &session, tally, now_ms).await?;
    }
    TextEncoder::new().encode_to_string(&sheet.0.gather())
}

fn passes(sheet: &Sheet, health: &Health) -> Done {
    let Health { age, limit, owed, owed_limit, is_failing: _, took, finished_at: _, finished, failed } = *health;
    let good = f64::from(u8::from(health.is_good()));
    sheet.gauge("healthy", "1 where passes finish as they should (what /healthz says).", good)?;
    if let Some(age) = age {
        sheet.gauge("last_pass_age_seconds", "Time since the last pass finished.", age.as_secs_f64())?;
        sheet.gauge("last_pass_duration_seconds", "How long the last finished pass took.", took.as_secs_f64())?;
    }
    sheet.gauge("last_pass_age_limit_seconds", "How old the last finished pass may be.", limit.as_secs_f64())?;
    let owed = owed.unwrap_or_default().as_secs_f64();
    sheet.gauge("pass_owed_seconds", "For how long a pass has been begun or failed without one finishing.", owed)?;
    sheet.gauge("pass_owed_limit_seconds", "How long a pass may be owed.", owed_limit.as_secs_f64())?;
    sheet.counter("passes_finished_total", "Passes that finished.", finished as f64)?;
    sheet.counter("passes_failed_total", "Passes that failed and were made again.", failed as f64)
}

fn fleet(sheet: &Sheet, shown: &PassStatus) -> Done {
    let PassStatus { totals, held, on_record, open_cases, in_use_since, errors, warnings, next_reminder, silent: _ } =
        shown;
    let stations = Standing::ALL.map(|standing| (standing.as_str(), totals.get(standing) as f64));
    sheet.by("stations", "Stations by how they stand.", "standing", stations)?;
    let aside = totals.set_aside() as f64;
    sheet.gauge("stations_set_aside", "Stations of which something is set aside for now.", aside)?;
    let help = "Of these, stations that are set aside in whole, out of service; they count under no standing.";
    sheet.gauge("stations_set_aside_whole", help, totals.set_aside_whole() as f64)?;
    sheet.gauge("stations_on_record", "Stations on record.", *on_record as f64)?;
    let number = |of: fn(&Numbers) -> usize| held.as_ref().map_or(0, of) as f64;
    let help = "Stations whose lifelines the held change alters; 0 if nothing is held.";
    sheet.gauge("stations_altered", help, number(|held| held.altered))?;
    let help = "Scripts that wait for the release of the held change.";
    sheet.gauge("scripts_held", help, number(|held| held.held))?;
    let help = "Stations that the held change alters only by scripts already handed out.";
    sheet.gauge("scripts_handed_out", help, number(|held| held.handed_out))?;
    let open = |weight| open_cases.iter().find(|(of, _)| *of == weight).map_or(0, |(_, count)| *count) as f64;
    let open = Weight::ALL.map(|weight| (weight.as_str(), open(weight)));
    sheet.by("alerts_open", "Open cases that were told, by their weight.", "weight", open)?;
    let findings = [("error", *errors as f64), ("warning", *warnings as f64)];
    sheet.by("findings", "What is wrong with the files as they are now.", "severity", findings)?;
    if let Some(since) = in_use_since {
        let help = "Since when the files in force are known to be good.";
        sheet.gauge("files_in_force_since_timestamp_seconds", help, since.as_second() as f64)?;
    }
    if let Some(due) = next_reminder {
        let help = "When the next reminder of an open case falls due.";
        sheet.gauge("next_reminder_timestamp_seconds", help, due.as_second() as f64)?;
    }
    Ok(())
}

fn webhooks(sheet: &Sheet, session: &Session) -> Done {
    let all: Vec<PumpStatus> = session.webhooks.iter().map(|status| status.borrow().clone()).collect();
    let count = |of: fn(&PumpStatus) -> u64| {
        let pairs = all.iter().map(|status| (status.webhook.clone(), of(status) as f64));
        pairs.collect::<Vec<_>>()
    };
    sheet.counts("webhook_tries_total", "Tries to deliver a message.", count(|status| status.tries))?;
    sheet.counts("webhook_delivered_total", "Messages delivered.", count(|status| status.delivered))?;
    let failures = count(|status| status.tries.saturating_sub(status.delivered));
    sheet.counts("webhook_failures_total", "Tries that failed.", failures)?;
    let opts = Opts::new("stationkeep_webhook_state", "1 for what a webhook is doing: see the label.");
    let states = GaugeVec::new(opts, &["webhook", "state"])?;
    for status in &all {
        for word in PumpState::WORDS {
            let is = f64::from(u8::from(status.state.as_str() == word));
            states.get_metric_with_label_values(&[&status.webhook, word])?.set(is);
        }
    }
    sheet.0.register(Box::new(states))
}

async fn ledger(sheet: &Sheet, session: &Session, tally: &Tally, now_ms: i64) -> Done {
    let asked = timeout(PATIENCE, Counted::ask(&session.store, tally)).await;
    let counted = asked.ok().and_then(Result::ok);
    let readable = f64::from(u8::from(counted.is_some()));
    sheet.gauge(
        "ledger_readable",
        "1 where the ledger answered; else the figures taken from it are left out.",
        readable,
    )?;
    let Some(Counted { entries, rejected, queues }) = counted else { return Ok(()) };
    let taken = entries.get(EntryKind::Report.as_str()).copied().unwrap_or(0);
    let entries = entries.iter().map(|(kind, count)| (kind.clone(), *count as f64));
    sheet.by("ledger_entries", "Entries of the ledger, by their kind.", "kind", entries)?;
    sheet.gauge("reports_taken", "Reports on record.", taken as f64)?;
    sheet.gauge("reports_refused", "Reports that were rejected and are kept.", rejected as f64)?;
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
    let counts = waiting.iter().map(|(webhook, (count, _))| (webhook.clone(), *count));
    sheet.by("outbox_waiting", "Messages not yet delivered.", "webhook", counts)?;
    let ages = waiting.iter().map(|(webhook, (_, age))| (webhook.clone(), *age));
    sheet.by("outbox_oldest_age_seconds", "How long the oldest of them has waited.", "webhook", ages)
}

/// What the store was asked.
struct Counted {
    entries: BTreeMap<String, i64>,
    rejected: i64,
    queues: Vec<Queue>,
}

impl Counted {
    async fn ask(store: &Store, tally: &Tally) -> Result<Counted, StoreError> {
        Ok(Counted {
            entries: tally.count(store).await?,
            rejected: store.rejected_count().await?,
            queues: store.queues().await?,
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

/// Collects metrics; every name begins with the program's.
struct Sheet(Registry);

impl Sheet {
    fn gauge(&self, name: &str, help: &str, value: f64) -> Done {
        let gauge = Gauge::new(format!("stationkeep_{name}"), help)?;
        gauge.set(value);
        self.0.register(Box::new(gauge))
    }

    fn counter(&self, name: &str, help: &str, value: f64) -> Done {
        let counter = Counter::new(format!("stationkeep_{name}"), help)?;
        counter.inc_by(value);
        self.0.register(Box::new(counter))
    }

    fn by<S: AsRef<str>>(
        &self,
        name: &str,
        help: &str,
        label: &str,
        values: impl IntoIterator<Item = (S, f64)>,
    ) -> Done {
        let gauges = GaugeVec::new(Opts::new(format!("stationkeep_{name}"), help), &[label])?;
        for (of, value) in values {
            gauges.get_metric_with_label_values(&[of.as_ref()])?.set(value);
        }
        self.0.register(Box::new(gauges))
    }

    fn counts(&self, name: &str, help: &str, values: Vec<(String, f64)>) -> Done {
        let counters = CounterVec::new(Opts::new(format!("stationkeep_{name}"), help), &["webhook"])?;
        for (webhook, value) in &values {
            counters.get_metric_with_label_values(&[webhook])?.inc_by(*value);
        }
        self.0.register(Box::new(counters))
    }
}
