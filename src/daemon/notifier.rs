//! What a pass tells: decided by `alert`, written in one transaction, delivered by the pumps.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::{Duration, Instant};

use jiff::Timestamp;

use crate::alert::body::form::Form;
use crate::alert::body::{Rendered, render};
use crate::alert::{
    AlertTerms, Brake, Cases, Cause, FilesRead, LIST, Message, Over, Pages, Pass, Refused, Refusing, RejectedReport,
    RejectedReports, ReportTaken, ScriptToCallBack, Severity, Silent, Stopped, ToCallBack, Unrecorded, Verdict, Work,
    are_files_told, brief_id, decide, is_unreachable_told, last_refused_told, last_rejected_told, open_unrecorded,
    settles,
};
use crate::drift::StationDrift;
use crate::finding::Finding;
use crate::fleet::rejected::{failed_test, kept_reasons, named_by_works};
use crate::fleet::{FleetError, View};
use crate::ledger::{self, LedgerLine, parse_line};
use crate::script::Memory;
use crate::setting::{Name, Weight};
use crate::store::{
    self, EntryKind, NewMessage, PassWrites, Queue, RefusedMessage, RefusingWebhook, StoppedWebhook, Store,
};

use super::clock::system_ms;

/// Rejected reports told of in one message, and reports named as its cause; more follow in the next.
const AT_ONCE: i64 = 1_000;
const CAUSES: usize = 1_000;

/// What came of a pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PassOutcome {
    Nothing,
    /// There are messages to deliver.
    News,
    /// Another daemon told meanwhile, perhaps of what this one has not looked at yet: look again, then decide.
    Overtaken,
}

/// What a pass saw, for whoever tells of it.
#[derive(Clone, Copy)]
pub struct PassInputs<'a> {
    pub view: &'a View,
    /// What is wrong with the configuration as it is now.
    pub configuration: &'a [Finding],
    pub store: &'a Store,
    /// Where the daemon's pages are, and for how long they have been unreachable.
    pub pages: Option<&'a (Pages, Duration)>,
    /// Whether everything was looked at.
    pub is_full: bool,
}

/// What was told, as the store has it.
pub struct Notifier {
    terms: AlertTerms,
    cases: Cases,
    /// Webhooks for which messages waited when last looked.
    waiting: BTreeSet<Name>,
    /// Webhooks whose receivers want no more, and those that are silent, when last looked.
    stopped: BTreeMap<Name, Stopped>,
    silent: BTreeMap<Name, Silent>,
    /// Messages that their receivers would not take since the last telling.
    refused: Vec<Refused>,
    /// The webhooks whose receivers have taken no whole message since they refused one.
    refusing: BTreeMap<Name, Refusing>,
    /// Since when the inventory and the configuration have errors that were not alerted yet.
    broken: [Option<Instant>; 2],
    /// Which of them wait to be told.
    ripening: [bool; 2],
    /// In how long it is to be told that the daemon's pages are unreachable, if they stay so.
    deaf_in: Option<Duration>,
    /// How long they may have them before an alert.
    settle_broken: Duration,
    /// In how long the next one will have been silent for too long.
    silent_in: Option<Duration>,
    /// The last entry of the ledger whose report was a cause, or was none.
    ledger_seq: i64,
    cause: Cause,
    /// How many decisions were written when this was read.
    turn: i64,
}

impl Notifier {
    /// Takes up where the store says the last session left off.
    ///
    /// # Errors
    /// The store cannot be read.
    pub async fn resume(
        store: &Store,
        terms: AlertTerms,
        cause: Cause,
        settle_broken: Duration,
    ) -> Result<Notifier, FleetError> {
        // Read first: a decision written meanwhile makes the next one try again.
        let turn = store.turn().await?;
        let cases = Cases::read(store.cases().await?);
        let ledger_seq = cases.progress().ledger_seq;
        let (waiting, stopped, silent) = (BTreeSet::new(), BTreeMap::new(), BTreeMap::new());
        let (refused, refusing) = (Vec::new(), BTreeMap::new());
        Ok(Notifier {
            terms,
            cases,
            waiting,
            stopped,
            silent,
            refused,
            refusing,
            broken: [None; 2],
            ripening: [false; 2],
            deaf_in: None,
            settle_broken,
            silent_in: None,
            ledger_seq,
            cause,
            turn,
        })
    }

    /// Decides what to tell of a pass and writes it.
    ///
    /// # Errors
    /// Where the store cannot be read or written; then nothing was told, and the next pass decides anew.
    pub async fn tell(&mut self, seen: PassInputs<'_>) -> Result<PassOutcome, FleetError> {
        let store = seen.store;
        // First: what changed since the view before is in no other view, whatever fails from here on.
        self.cause.add(seen.view.changed.files.iter().cloned(), seen.view.changed.commit.clone());
        let queues = store.queues().await?;
        self.waiting = queues.iter().map(|queue| queue.webhook.as_str().into()).collect();
        let stopped = store.stopped_webhooks().await?;
        self.stopped = stopped.into_iter().map(|(webhook, noted)| (webhook.into(), gone(noted))).collect();
        self.look_for_silence(store, &queues).await?;
        let refused = store.refused_after(last_refused_told(&self.cases), AT_ONCE).await?;
        self.refused = refused.into_iter().map(refused_message).collect();
        self.refusing = store.refusing().await?.into_iter().map(refusing).collect();
        self.note_causes(seen).await?;
        let Verdict { writes, messages, many: _, noted } = self.decide(seen).await?;
        let outgoing = messages.iter().map(|message| outgoing(message, &self.terms)).collect();
        let replaced = messages.iter().filter(|message| message.id.starts_with(LIST));
        let replaced = replaced.map(|message| message.webhook.to_string()).collect();
        let decision = PassWrites { cases: writes, messages: outgoing, replaced };
        let mut count = 0;
        if !decision.is_empty() {
            let Some(new) = store.commit_pass(&decision, self.turn).await? else {
                // Another daemon on the same ledger has told meanwhile: go by what it told.
                let cause = std::mem::take(&mut self.cause);
                let broken = self.broken;
                *self = Notifier::resume(store, self.terms.clone(), cause, self.settle_broken).await?;
                self.broken = broken;
                return Ok(PassOutcome::Overtaken);
            };
            self.turn += 1;
            count = new;
        }
        for message in &messages {
            tracing::info!(webhook = %message.webhook, id = %message.id, "alert queued");
        }
        self.cases.apply(decision.cases, noted);
        self.cause = Cause::default();
        Ok(if count > 0 { PassOutcome::News } else { PassOutcome::Nothing })
    }

    /// Collects what happened since the pass before: never more than the pass itself has seen.
    async fn note_causes(&mut self, seen: PassInputs<'_>) -> Result<(), FleetError> {
        let PassInputs { view, store, .. } = seen;
        while self.ledger_seq < view.seq {
            let page = store.entries_after(self.ledger_seq, 1_000).await?;
            if page.is_empty() {
                break;
            }
            for entry in page.iter().filter(|entry| entry.seq <= view.seq) {
                self.ledger_seq = entry.seq;
                if entry.kind == EntryKind::Script || self.cause.reports.len() >= CAUSES {
                    continue;
                }
                if let Ok(LedgerLine::Report(report)) = parse_line(&entry.body) {
                    self.cause.reports.push(ReportTaken { id: report.id, station: report.station, by: report.by });
                }
            }
        }
        Ok(())
    }

    async fn decide(&mut self, seen: PassInputs<'_>) -> Result<Verdict, FleetError> {
        let PassInputs { view, store, configuration, pages, is_full } = seen;
        let pages = pages.map(|pages| self.ripe(pages));
        let is_ripe = self.ripen([view.findings(), configuration], is_full);
        let rejected = self.rejected_reports(store, view).await?;
        let stations: Vec<Arc<StationDrift>> = view.drifts().cloned().collect();
        let memory = RefCell::new(Memory::for_a_fleet());
        let digest = |station: &Name| view.script_digest(station, &mut memory.borrow_mut());
        let has_way_back = |station: &Name| view.has_way_back(station, &mut memory.borrow_mut());
        let next = view.foresee();
        let held = tokio::task::block_in_place(|| view.held());
        let wanted = || view.wanted_digest();
        let pass = Pass {
            stations: &stations,
            waiting: &self.waiting,
            contacts: &view.effective.contacts,
            cause: &self.cause,
            work: Work { next: &next, digest: &digest, has_way_back: &has_way_back },
            commit: view.reading.commit.as_deref(),
            decisions: Some(&view.decisions),
            brake: Brake { held: held.as_ref(), tally: view.tally, limit: &view.limit, wanted: &wanted },
            to_call_back: ToCallBack(&|name| view.to_call_back(name).map(out)),
            inventory: FilesRead {
                findings: if is_ripe[0] { view.findings() } else { &[] },
                good_since: view.in_use_since,
                commit: view.as_is.commit.as_deref(),
                in_use: view.reading.commit.as_deref(),
            },
            configuration: FilesRead { findings: if is_ripe[1] { configuration } else { &[] }, ..FilesRead::default() },
            rejected: &rejected,
            stopped: &self.stopped,
            refused: &self.refused,
            refusing: &self.refusing,
            silent: &self.silent,
            pages: pages.as_ref(),
            is_full,
            ledger_seq: self.ledger_seq,
            clock: view.at,
        };
        Ok(tokio::task::block_in_place(|| decide(&self.cases, &pass, &self.terms)))
    }

    /// Whether the errors of the inventory and of the configuration are to be told: they have stayed long enough, a full pass
    /// meets them, or they were told before.
    fn ripen(&mut self, findings: [&[Finding]; 2], is_full: bool) -> [bool; 2] {
        let told = are_files_told(&self.cases);
        let mut is_ripe = [false; 2];
        for (at, findings) in findings.iter().enumerate() {
            let is_broken = findings.iter().any(Finding::is_error);
            let since = is_broken.then(|| self.broken[at].unwrap_or_else(Instant::now));
            let is_old = since.is_some_and(|since| since.elapsed() >= self.settle_broken);
            is_ripe[at] = is_old || is_full || told[at];
            self.broken[at] = since;
        }
        self.ripening = is_ripe.map(|is_ripe| !is_ripe);
        is_ripe
    }

    /// The pages as they are to be told: a program that is exchanged for another may hold the address for a moment.
    fn ripe(&mut self, (pages, deaf_for): &(Pages, Duration)) -> Pages {
        let waits = pages.unreachable.is_some() && *deaf_for < self.settle_broken;
        let waits = waits && !is_unreachable_told(&self.cases, pages);
        self.deaf_in = waits.then(|| self.settle_broken.saturating_sub(*deaf_for));
        Pages { unreachable: pages.unreachable.clone().filter(|_| !waits), ..pages.clone() }
    }

    /// In how long errors that were not alerted yet, and unreachable pages, will have stayed long enough.
    pub fn broken_in(&self) -> Option<Duration> {
        let waiting = self.broken.iter().zip(self.ripening).filter(|(_, is_waiting)| *is_waiting);
        let broken = waiting.filter_map(|(since, _)| Some(self.settle_broken.saturating_sub((*since)?.elapsed())));
        broken.chain(self.deaf_in).min()
    }

    /// Looks which webhooks had something to deliver for longer than they may, and delivered nothing. What is stopped is
    /// told as such.
    async fn look_for_silence(&mut self, store: &Store, queues: &[Queue]) -> Result<(), FleetError> {
        self.silent.clear();
        self.silent_in = None;
        let now_ms = system_ms();
        for queue in queues {
            let webhook = self.terms.webhooks.iter().find(|webhook| *webhook.name == *queue.webhook);
            let Some(webhook) = webhook.filter(|webhook| !self.stopped.contains_key(&webhook.name)) else { continue };
            let limit = i64::from(webhook.silent_minutes) * 60_000;
            let mut since = queue.oldest_ms;
            if now_ms - since >= limit {
                // The oldest may wait for long behind others that are being delivered.
                since = since.max(store.last_delivered(&queue.webhook).await?.unwrap_or(since));
            }
            self.note_silence(webhook.name.clone(), since, limit, queue.waiting.unsigned_abs(), now_ms);
        }
        for unheard in store.unheard().await? {
            let webhook = self.terms.webhooks.iter().find(|webhook| *webhook.name == *unheard.webhook);
            let is_told = |name| self.stopped.contains_key(name) || self.silent.contains_key(name);
            let Some(webhook) = webhook.filter(|webhook| !is_told(&webhook.name)) else { continue };
            let limit = i64::from(webhook.silent_minutes) * 60_000;
            self.note_silence(webhook.name.clone(), unheard.oldest_ms, limit, 0, now_ms);
        }
        Ok(())
    }

    /// A webhook delivered nothing since then, which it may for so long.
    fn note_silence(&mut self, webhook: Name, since: i64, limit: i64, waiting: u64, now_ms: i64) {
        let left = since.saturating_add(limit).saturating_sub(now_ms);
        if left > 0 {
            let left = Duration::from_millis(left.unsigned_abs());
            self.silent_in = self.silent_in.into_iter().chain([left]).min();
        } else {
            let since = Timestamp::from_millisecond(since).unwrap_or_default();
            self.silent.insert(webhook, Silent { since, waiting });
        }
    }

    /// Reports rejected since the last telling, whoever recorded them, and those told as rejected that are on record now.
    async fn rejected_reports(&self, store: &Store, view: &View) -> Result<RejectedReports, FleetError> {
        let works = named_by_works(view.reading.keybooks.values().map(|keybook| &**keybook));
        let told = last_rejected_told(&self.cases);
        let newer = store.rejected_after(told, AT_ONCE).await?;
        let last = newer.last().map_or(told, |rejected| rejected.seq);
        let ids: Vec<String> = self.cause.reports.iter().map(|report| report.id.to_string()).collect();
        let recorded = if ids.is_empty() { Vec::new() } else { store.rejected_as(&ids, told).await? };
        let all = |rows: Vec<store::Rejected>| rows.into_iter().map(|row| rejected_report(row, &works)).collect();
        let rejected: Vec<RejectedReport> = all(newer);
        let over = self.over(store, view, &rejected).await?;
        Ok(RejectedReports { rejected, recorded: all(recorded), over, last })
    }

    /// Which of the rejected reports that say that a button does not work nobody needs to send again, and why.
    async fn over(
        &self,
        store: &Store,
        view: &View,
        new: &[RejectedReport],
    ) -> Result<BTreeMap<Name, Over>, FleetError> {
        let new = new.iter().filter_map(|report| Some((report.case(), Unrecorded::of(report)?)));
        let all: BTreeMap<Name, Unrecorded> = open_unrecorded(&self.cases).chain(new).collect();
        let ids: Vec<String> = all.values().filter_map(|one| one.id.clone()).collect();
        let entries = if ids.is_empty() { Vec::new() } else { store.entries_named(EntryKind::Report, &ids).await? };
        let known = entries.into_iter().filter(|entry| entry.seq <= view.seq);
        let known: BTreeMap<String, i64> = known.map(|entry| (entry.id, entry.recorded_ms)).collect();
        let why = |name: &Name, one: &Unrecorded| {
            let recorded = one.id.as_ref().and_then(|id| known.get(id));
            if recorded.is_some_and(|at| one.is_recorded(*at)) {
                return Some(Over::Recorded);
            }
            let ended = settles(name).and_then(|id| view.decisions.ending(id));
            if let Some(end) = ended {
                return Some(Over::Settled { by: end.said.by.clone() });
            }
            let station = view.reading.inventory.called(one.station.as_ref()?)?;
            let row = view.row(&station.name)?;
            one.is_answered(&row.station, &row.record()).then_some(Over::Answered)
        };
        Ok(all.iter().filter_map(|(name, one)| Some((name.clone(), why(name, one)?))).collect())
    }

    /// The last rejected report that was told of.
    pub fn last_rejected(&self) -> i64 {
        last_rejected_told(&self.cases)
    }

    /// Stations with open cases, by their weight, the heaviest first.
    pub fn open_cases(&self) -> Vec<(Weight, u64)> {
        self.cases.open_stations()
    }

    /// The webhooks that had something to deliver for longer than they may, and delivered nothing.
    pub fn silent(&self) -> impl Iterator<Item = &Name> {
        self.silent.keys()
    }

    /// In how long after the last pass another one will have been silent for too long, if nothing is delivered.
    pub fn silent_in(&self) -> Option<Duration> {
        self.silent_in
    }

    /// When the next reminder falls due; none does for who waits for messages.
    pub fn next_reminder(&self) -> Option<Timestamp> {
        self.cases.next_reminder(&self.waiting)
    }
}

fn gone(noted: StoppedWebhook) -> Stopped {
    let since = Timestamp::from_millisecond(noted.at_ms).unwrap_or_default();
    Stopped { since, address: noted.address, message: noted.message }
}

fn refused_message(row: RefusedMessage) -> Refused {
    let RefusedMessage { seq, webhook, id, said, at_ms, is_closed, ended, title, severity } = row;
    let severity = Severity::of_word(&severity).unwrap_or(Severity::Error);
    let at = Timestamp::from_millisecond(at_ms).unwrap_or_default();
    Refused { seq, webhook: webhook.into(), message: id, said, at, is_closed, ended, title, severity }
}

fn refusing(row: RefusingWebhook) -> (Name, Refusing) {
    let RefusingWebhook { webhook, since_ms, is_closed } = row;
    let since = Timestamp::from_millisecond(since_ms).unwrap_or_default();
    (webhook.into(), Refusing { since, is_closed })
}

fn rejected_report(row: store::Rejected, works: &BTreeSet<Name>) -> RejectedReport {
    let store::Rejected { seq: _, content_sha, source, reasons, report, station, body, at_ms } = row;
    let at = Timestamp::from_millisecond(at_ms).unwrap_or_default();
    let reasons = kept_reasons(&reasons);
    let failed = failed_test(&body, &reasons, works);
    RejectedReport { failed, source, content: content_sha, id: report, station, at, reasons }
}

fn out(script: ledger::HandedOut) -> ScriptToCallBack {
    ScriptToCallBack { script: script.script, at: script.at }
}

/// A message as it enters the outbox: as its receiver reads it.
fn outgoing(message: &Message, terms: &AlertTerms) -> NewMessage {
    let webhook = terms.webhooks.iter().find(|webhook| webhook.name == message.webhook);
    let form = webhook.map_or(&Form::CloudEvents, |webhook| &webhook.body.form);
    let Rendered { content_type, headers, form, body, brief, failure } = render(message, form, terms.full_pass);
    if let Some(failure) = failure {
        let (webhook, id) = (&message.webhook, &message.id);
        tracing::error!(%webhook, id, %failure, "the webhook's own body could not be made, the shortest goes instead");
    }
    NewMessage {
        id: message.id.clone(),
        webhook: message.webhook.to_string(),
        content_type: content_type.into(),
        body,
        // Deliveries run by the system's clock, whatever the program's clock was set to.
        created_ms: Timestamp::now().as_millisecond(),
        headers,
        form: form.into(),
        brief: Some(brief),
        brief_id: brief_id(&message.id),
        ended: message.ended.clone(),
        is_about_webhooks: message.is_about_webhooks(),
        title: message.gists.first().map(|gist| gist.title.clone()).unwrap_or_default(),
        severity: message.gists.iter().map(|gist| gist.severity).max().map_or("", Severity::as_str).into(),
    }
}
