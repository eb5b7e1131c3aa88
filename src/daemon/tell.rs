//! What a pass tells: decided by `alert`, written in one transaction, delivered by the pumps.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use uuid::Uuid;

use crate::alert::{
    self, AsideNews, CONTENT_TYPE, Cause, FilesRead, FilesRefused, Foresight, Gone, Hold, HoldTold, Message, Outs,
    Pass, RefusedNews, RefusedReport, ReportTaken, StoppedTold, Stops, Subscription, Terms, Thread, Told, Verdict,
    What,
};
use crate::fleet::FleetError;
use crate::fleet::intake::kept_reasons;
use crate::ledger::{Line, parse_line};
use crate::script::Memory;
use crate::setting::{Name, Weight};
use crate::store::{self, EntryKind, NewMessage, PassWrites, StoppedWebhook, Store};

use super::pass::{Seen, State};

const THREAD: &str = "alert.thread";
const REFUSED_INVENTORY: &str = "alert.inventory";
const REFUSED_CONFIGURATION: &str = "alert.configuration";
const STOPPED: &str = "alert.stopped";
const REFUSED_REPORTS: &str = "alert.reports";
const KNOWN: &str = "alert.known";
const ASIDES: &str = "alert.asides";
const HOLD: &str = "alert.hold";
const LEDGER: &str = "alert.ledger";

/// Refused reports told of in one message, and reports named as its cause; more follow in the next.
const AT_ONCE: i64 = 1_000;
const CAUSES: usize = 1_000;

/// What came of a pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Telling {
    Nothing,
    /// There are messages to deliver.
    News,
    /// Another daemon told meanwhile, perhaps of what this one has not looked at yet: look again, then decide.
    Overtaken,
}

/// What was told, as the store has it.
pub struct Teller {
    terms: Terms,
    told: BTreeMap<Name, Told>,
    thread: Thread,
    refused: Option<FilesRefused>,
    configuration: Option<FilesRefused>,
    stopped: StoppedTold,
    /// The last refused report that was told of.
    refused_seq: i64,
    /// Whether an earlier version left the names of the last inventory; by now they stand among what was told.
    has_old_names: bool,
    /// Webhooks for which messages waited when last looked.
    waiting: BTreeSet<Name>,
    /// The ids of everything that was told to be set aside.
    asides: BTreeSet<Uuid>,
    hold: HoldTold,
    ledger_seq: i64,
    cause: Cause,
    /// How many decisions were written when this was read.
    turn: i64,
    /// When the last pass was decided on, where that is written: a station that stands as it did then has nothing to be
    /// told.
    settled_at: Option<Timestamp>,
}

impl Teller {
    /// Takes up where the store says the last session left off.
    pub async fn resume(store: &Store, terms: Terms, cause: Cause) -> Result<Teller, FleetError> {
        // Read first: a decision written meanwhile makes the next one try again.
        let turn = store.turn().await?;
        let told = store.told().await?;
        let mut told: BTreeMap<Name, Told> =
            told.into_iter().map(|(station, row)| (station.into(), Told::from_json(&row.body))).collect();
        let number = |text: Option<String>| text.and_then(|text| text.parse().ok()).unwrap_or(0);
        let old_names: Vec<String> =
            store.memo(KNOWN).await?.and_then(|t| serde_json::from_str(&t).ok()).unwrap_or_default();
        for name in &old_names {
            let known = Told::in_old_inventory(told.remove(name.as_str()));
            told.insert(name.as_str().into(), known);
        }
        Ok(Teller {
            terms,
            told,
            thread: store.memo(THREAD).await?.map(|text| Thread::stored(&text)).unwrap_or_default(),
            refused: store.memo(REFUSED_INVENTORY).await?.map(|text| FilesRefused::from_json(&text)),
            configuration: store.memo(REFUSED_CONFIGURATION).await?.map(|text| FilesRefused::from_json(&text)),
            stopped: store.memo(STOPPED).await?.map(|text| alert::stopped_from_json(&text)).unwrap_or_default(),
            refused_seq: number(store.memo(REFUSED_REPORTS).await?),
            has_old_names: !old_names.is_empty(),
            waiting: BTreeSet::new(),
            asides: store.memo(ASIDES).await?.and_then(|t| serde_json::from_str(&t).ok()).map(ids).unwrap_or_default(),
            hold: store.memo(HOLD).await?.map(|text| alert::hold_from_json(&text)).unwrap_or_default(),
            ledger_seq: number(store.memo(LEDGER).await?),
            cause,
            turn,
            settled_at: None,
        })
    }

    /// Decides what to tell of a pass and writes it.
    ///
    /// # Errors
    /// Where the store cannot be read or written; then nothing was told, and the next pass decides anew.
    pub async fn tell(&mut self, state: &State, seen: &Seen) -> Result<Telling, FleetError> {
        // A clock set back may make reminders due that lie ahead.
        let is_settled = self.settled_at.take().is_some_and(|at| at <= seen.now);
        let queues = state.store().queues().await?;
        self.waiting = queues.into_iter().map(|queue| queue.webhook.into()).collect();
        let is_due = self.next_reminder(state).is_some_and(|due| due <= seen.now);
        let compared = seen.compared.as_ref().filter(|_| is_settled && !is_due);
        self.gather_cause(state, seen).await?;
        let (mut decision, after) = self.decide(state, seen, compared).await?;
        if decision.is_empty() {
            self.nothing_to_tell(state.store()).await?;
            self.settled_at = Some(seen.now);
            return Ok(Telling::Nothing);
        }
        decision.memo_sets.push((LEDGER.into(), Some(self.ledger_seq.to_string())));
        let Some(count) = state.store().commit_pass_at(&decision, self.turn).await? else {
            // Another daemon on the same ledger has told meanwhile: go by what it told.
            let cause = std::mem::take(&mut self.cause);
            *self = Teller::resume(state.store(), self.terms.clone(), cause).await?;
            return Ok(Telling::Overtaken);
        };
        for message in &decision.messages {
            tracing::info!(webhook = %message.webhook, id = %message.id, "to be told");
        }
        self.turn += 1;
        after.take_over(self);
        self.has_old_names &= state.drifts().is_empty();
        self.cause = Cause::default();
        self.settled_at = Some(seen.now);
        Ok(if count > 0 { Telling::News } else { Telling::Nothing })
    }

    /// What happened without being worth a message is no cause of the next one.
    async fn nothing_to_tell(&mut self, store: &Store) -> Result<(), FleetError> {
        if !self.cause.reports.is_empty() {
            store.set_memo(LEDGER, Some(&self.ledger_seq.to_string())).await?;
        }
        self.cause = Cause::default();
        Ok(())
    }

    /// Collects what happened since the pass before: never more than the pass itself has seen.
    async fn gather_cause(&mut self, state: &State, seen: &Seen) -> Result<(), FleetError> {
        self.cause.add(seen.cause.files.iter().cloned(), seen.cause.commit.clone());
        while self.ledger_seq < state.ledger_seq() {
            let page = state.store().entries_after(self.ledger_seq, 1_000).await?;
            if page.is_empty() {
                break;
            }
            for entry in page.iter().filter(|entry| entry.seq <= state.ledger_seq()) {
                self.ledger_seq = entry.seq;
                if entry.kind == EntryKind::Script || self.cause.reports.len() >= CAUSES {
                    continue;
                }
                if let Ok(Line::Report(report)) = parse_line(&entry.body) {
                    self.cause.reports.push(ReportTaken { id: report.id, station: report.station, by: report.by });
                }
            }
        }
        Ok(())
    }

    async fn decide(
        &self,
        state: &State,
        seen: &Seen,
        compared: Option<&BTreeSet<Name>>,
    ) -> Result<(PassWrites, After), FleetError> {
        let read = FilesRead {
            what: What::Inventory,
            findings: &seen.findings,
            in_force_since: state.in_force_since(),
            waiting: &self.waiting,
            commit: state.commit_read(),
            in_force: state.commit(),
            clock: seen.now,
        };
        let inventory = alert::files(self.refused.as_ref(), &self.thread, &read, &self.terms);
        let read = FilesRead {
            what: What::Configuration,
            findings: &seen.configuration,
            in_force_since: None,
            waiting: &self.waiting,
            commit: None,
            in_force: None,
            clock: seen.now,
        };
        let configuration = alert::files(self.configuration.as_ref(), &inventory.thread, &read, &self.terms);
        let now_stopped = state.store().stopped_webhooks().await?;
        let now_stopped = now_stopped.into_iter().map(|(webhook, noted)| (webhook.into(), gone(noted))).collect();
        let now_stopped = Stops { now: &now_stopped, waiting: &self.waiting, clock: seen.now };
        let stopped = alert::stopped(&self.stopped, &now_stopped, &configuration.thread, &self.terms);
        let asides = state.decisions().map(|decisions| AsideNews::between(&self.asides, decisions, seen.now));
        let asides = asides.unwrap_or_default();
        let memory = RefCell::new(Memory::for_a_fleet());
        let digest = |station: &Name| state.script_digest(station, &mut memory.borrow_mut());
        let foresee = state.foresee();
        let change = self.hold.change.as_ref().map(|last| &last.change);
        let release = change.and_then(|change| state.decisions()?.release(change));
        let pass = Pass {
            stations: state.drifts(),
            compared,
            waiting: &self.waiting,
            contacts: &state.inventory().contacts,
            cause: &self.cause,
            next: Foresight { next: &foresee, digest: &digest },
            commit: state.commit(),
            asides: &asides,
            hold: Hold { now: state.held(), told: &self.hold, release, seq: state.ledger_seq() },
            outs: Outs(&|name| state.to_call_back(name)),
            clock: seen.now,
        };
        let verdict = alert::decide(&self.told, &stopped.thread, &pass, &self.terms);
        let (refused_news, refused_seq) = self.refused_reports(state.store()).await?;
        let refusals = alert::reports_refused(&refused_news, seen.now, &self.terms);
        let mut decision = PassWrites::default();
        for (station, told) in &verdict.told {
            match told {
                Some(told) => decision.told_upserts.push(store::Told {
                    station: station.to_string(),
                    body: told.to_json(),
                    at_ms: seen.now.as_millisecond(),
                }),
                None => decision.told_removals.push(station.to_string()),
            }
        }
        let messages = inventory
            .messages
            .iter()
            .chain(&configuration.messages)
            .chain(&stopped.messages)
            .chain(&verdict.messages)
            .chain(&refusals);
        decision.messages = messages.map(outgoing).collect();
        let mut memo = |name: &str, changed: bool, value: Option<String>| {
            if changed {
                decision.memo_sets.push((name.into(), value));
            }
        };
        memo(THREAD, verdict.thread != self.thread, Some(verdict.thread.to_string()));
        memo(
            REFUSED_INVENTORY,
            inventory.refused != self.refused,
            inventory.refused.as_ref().map(FilesRefused::to_json),
        );
        memo(
            REFUSED_CONFIGURATION,
            configuration.refused != self.configuration,
            configuration.refused.as_ref().map(FilesRefused::to_json),
        );
        let kept = (!stopped.told.is_empty()).then(|| alert::stopped_to_json(&stopped.told));
        memo(STOPPED, stopped.told != self.stopped, kept);
        memo(REFUSED_REPORTS, refused_seq != self.refused_seq, Some(refused_seq.to_string()));
        memo(KNOWN, self.has_old_names && !state.drifts().is_empty(), None);
        // Without a station nothing was decided, and so nothing told.
        let asides = if state.drifts().is_empty() { self.asides.clone() } else { asides.now };
        let list = || serde_json::to_string(&asides.iter().map(Uuid::to_string).collect::<Vec<_>>()).ok();
        memo(ASIDES, asides != self.asides, list());
        let kept = (verdict.hold != HoldTold::default()).then(|| alert::hold_to_json(&verdict.hold));
        memo(HOLD, verdict.hold != self.hold, kept);
        let (refused, configuration, stopped) = (inventory.refused, configuration.refused, stopped.told);
        Ok((decision, After { verdict, refused, configuration, stopped, refused_seq, asides }))
    }

    /// Reports refused since the last telling, whoever took them up, and those told as refused that are on record now.
    async fn refused_reports(&self, store: &Store) -> Result<(RefusedNews, i64), FleetError> {
        let newer = store.refused_after(self.refused_seq, AT_ONCE).await?;
        let seq = newer.last().map_or(self.refused_seq, |refused| refused.seq);
        let ids: Vec<String> = self.cause.reports.iter().map(|report| report.id.to_string()).collect();
        let taken = if ids.is_empty() { Vec::new() } else { store.refused_as(&ids, self.refused_seq).await? };
        let all = |rows: Vec<store::Refused>| rows.into_iter().map(refused_report).collect();
        Ok((RefusedNews { refused: all(newer), taken: all(taken) }, seq))
    }

    /// The last refused report that was told of.
    pub fn refused_seq(&self) -> i64 {
        self.refused_seq
    }

    /// Open cases that were told, by their weight, the heaviest first.
    pub fn open_cases(&self) -> Vec<(Weight, u64)> {
        let weights = self.told.values().filter_map(|told| Some(told.open()?.seen.weight));
        let mut counts: BTreeMap<Weight, u64> = BTreeMap::new();
        weights.for_each(|weight| *counts.entry(weight).or_default() += 1);
        counts.into_iter().rev().collect()
    }

    /// When the next reminder falls due; none does where there are no stations, or for who waits for messages.
    pub fn next_reminder(&self, state: &State) -> Option<Timestamp> {
        if state.drifts().is_empty() {
            return None;
        }
        let here = |webhook: &&Subscription| !self.waiting.contains(&webhook.name);
        let webhooks: Vec<Subscription> = self.terms.webhooks.iter().filter(here).cloned().collect();
        let of_cases = alert::next_reminder(&self.told, state.drifts(), &webhooks);
        of_cases.into_iter().chain(self.hold.next_reminder(&webhooks)).min()
    }
}

/// The ids among texts.
fn ids(texts: Vec<String>) -> BTreeSet<Uuid> {
    texts.iter().filter_map(|text| text.parse().ok()).collect()
}

fn gone(noted: StoppedWebhook) -> Gone {
    let since = Timestamp::from_millisecond(noted.at_ms).unwrap_or_default();
    Gone { since, address: noted.address, message: noted.message }
}

fn refused_report(row: store::Refused) -> RefusedReport {
    let store::Refused { seq: _, content_sha, source, reasons, report, station } = row;
    RefusedReport { source, content: content_sha, id: report, station, reasons: kept_reasons(&reasons) }
}

/// What is so once a decision is written.
struct After {
    verdict: Verdict,
    refused: Option<FilesRefused>,
    configuration: Option<FilesRefused>,
    stopped: StoppedTold,
    refused_seq: i64,
    asides: BTreeSet<Uuid>,
}

impl After {
    fn take_over(self, teller: &mut Teller) {
        let After { verdict, refused, configuration, stopped, refused_seq, asides } = self;
        verdict.apply(&mut teller.told);
        teller.thread = verdict.thread;
        teller.hold = verdict.hold;
        teller.refused = refused;
        teller.configuration = configuration;
        teller.stopped = stopped;
        teller.refused_seq = refused_seq;
        teller.asides = asides;
    }
}

/// A message as it enters the outbox.
pub(super) fn outgoing(message: &Message) -> NewMessage {
    NewMessage {
        id: message.id.clone(),
        webhook: message.webhook.to_string(),
        content_type: CONTENT_TYPE.into(),
        body: message.body.clone(),
        // Deliveries run by the system's clock, whatever the program's clock was set to.
        created_ms: Timestamp::now().as_millisecond(),
    }
}
