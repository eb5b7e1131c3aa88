//! Sheets on their way into the ledger: each row a report of its own. What they would do can be asked before they are recorded.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::drops::REPORTS_AT_ONCE;
use super::error::FleetError;
use super::intake::{Arrival, Intake, Received};
use crate::finding::Finding;
use crate::inventory::Station;
use crate::ledger::{Issued, Leaves, LedgerLine, Places, Report, Sheet, beside_record, parse_line, standing};
use crate::store::EntryKind;
use crate::table::{DayForm, Table};

/// What became, or would become, of a report file, a row of a sheet, or a sheet as a whole.
#[derive(Debug)]
pub struct RowReceived {
    /// The line in which a row begins, from 1; nothing of a file as a whole.
    pub line: Option<u32>,
    /// What became of it.
    pub received: Received,
    /// The report that it is, where it could be read.
    pub report: Option<Report>,
}

impl RowReceived {
    fn new(line: Option<u32>, arrival: Arrival, received: Received) -> RowReceived {
        RowReceived { line, received, report: arrival.read.ok().map(|(report, _)| report) }
    }
}

/// What files would do.
#[derive(Debug)]
pub struct Foreseen {
    /// What would become of each part, in their order.
    pub parts: Vec<RowReceived>,
    /// The reports that would be new, as they would be recorded.
    pub reports: Vec<Report>,
}

impl Intake<'_> {
    /// Records a CSV sheet, many rows in one commit. What became of each row, or of the sheet where its header is wrong.
    /// `progress` hears of each row.
    ///
    /// # Errors
    /// Where the store cannot be read or written. Rows that were recorded before stay, and recording them again is harmless.
    pub async fn sheet(
        &self,
        source: &Arc<str>,
        bytes: &[u8],
        progress: &mut (dyn FnMut() + Send),
    ) -> Result<Vec<RowReceived>, FleetError> {
        match Table::csv(source, bytes) {
            Ok(table) => self.table(&table, None, progress).await,
            Err(finding) => self.record_rejected(Arrival::rejected_table(source, bytes, vec![finding])).await,
        }
    }

    /// Records the rows of a table likewise. `days`: how days are written in it, beside ISO 8601.
    ///
    /// # Errors
    /// The same.
    pub async fn table(
        &self,
        table: &Table,
        days: Option<&DayForm>,
        progress: &mut (dyn FnMut() + Send),
    ) -> Result<Vec<RowReceived>, FleetError> {
        let source = table.file();
        let sheet = match Sheet::read(table, &self.reading.keybooks, days) {
            Ok(sheet) => sheet,
            Err(findings) => {
                return self.record_rejected(Arrival::rejected_table(source, table.text().as_bytes(), findings)).await;
            }
        };
        let apart = sheet.rows_apart(&self.reading.inventory);
        if !apart.is_empty() {
            return self.record_rejected(Arrival::rejected_table(source, table.text().as_bytes(), apart)).await;
        }
        let mut came = Vec::new();
        let mut rows = sheet.rows(&self.reading.inventory);
        loop {
            let some: Vec<_> = rows.by_ref().take(REPORTS_AT_ONCE).inspect(|_| progress()).collect();
            if some.is_empty() {
                return Ok(came);
            }
            let lines: Vec<u32> = some.iter().map(|row| row.line).collect();
            let mut arrivals: Vec<_> = some.into_iter().map(|row| Arrival::row(source, row)).collect();
            self.hold_against_record(&mut arrivals).await?;
            let received = self.record(&arrivals, |_| Vec::new()).await?;
            let all = lines.into_iter().zip(arrivals).zip(received);
            came.extend(all.map(|((line, arrival), received)| RowReceived::new(Some(line), arrival, received)));
        }
    }

    async fn record_rejected(&self, one: Arrival) -> Result<Vec<RowReceived>, FleetError> {
        let received = self.record(std::slice::from_ref(&one), |_| Vec::new()).await?;
        Ok(received.into_iter().map(|received| RowReceived { line: None, received, report: None }).collect())
    }

    /// What a table would do, row by row, as if all of it were recorded at once. Nothing is.
    ///
    /// # Errors
    /// Where the store cannot be read.
    pub async fn foresee_table(&self, table: &Table, days: Option<&DayForm>) -> Result<Foreseen, FleetError> {
        let source = table.file();
        let rejected = |findings| vec![(None, Arrival::rejected_table(source, table.text().as_bytes(), findings))];
        let sheet = match Sheet::read(table, &self.reading.keybooks, days) {
            Ok(sheet) => sheet,
            Err(findings) => return self.foresee_all(rejected(findings)).await,
        };
        let apart = sheet.rows_apart(&self.reading.inventory);
        if !apart.is_empty() {
            return self.foresee_all(rejected(apart)).await;
        }
        let rows = sheet.rows(&self.reading.inventory).map(|row| (Some(row.line), Arrival::row(source, row)));
        // Nothing is kept, so no text of theirs is held.
        let rows = rows.map(|(line, arrival)| (line, Arrival { text: Vec::new(), ..arrival }));
        self.foresee_all(rows.collect()).await
    }

    /// What would become of a CSV file that cannot be read as a table.
    ///
    /// # Errors
    /// Where the store cannot be read.
    pub async fn foresee_bad_sheet(&self, source: &Arc<str>, bytes: &[u8]) -> Result<Foreseen, FleetError> {
        let findings = Table::csv(source, bytes).err().into_iter().collect();
        self.foresee_all(vec![(None, Arrival::rejected_table(source, bytes, findings))]).await
    }

    /// What a report would do. Nothing is recorded.
    ///
    /// # Errors
    /// Where the store cannot be read.
    pub async fn foresee_report(&self, source: &Arc<str>, bytes: &[u8]) -> Result<Foreseen, FleetError> {
        self.foresee_all(vec![(None, Arrival::report(source, bytes.to_vec()))]).await
    }

    async fn foresee_all(&self, arrivals: Vec<(Option<u32>, Arrival)>) -> Result<Foreseen, FleetError> {
        let (lines, mut arrivals): (Vec<_>, Vec<_>) = arrivals.into_iter().unzip();
        if lines.iter().any(Option::is_some) {
            self.hold_against_record(&mut arrivals).await?;
        }
        let (received, reports) = self.foresee(&arrivals).await?;
        let all = lines.into_iter().zip(arrivals).zip(received);
        let parts = all.map(|((line, arrival), received)| RowReceived::new(line, arrival, received)).collect();
        Ok(Foreseen { parts, reports })
    }

    /// Rejects the rows that a report on record of the same station and time speaks against: chance would decide which of them
    /// counts.
    async fn hold_against_record(&self, arrivals: &mut [Arrival]) -> Result<(), FleetError> {
        let inventory = &self.reading.inventory;
        let moment = |report: &Report| Some((inventory.called(&report.station)?.clone(), report.at.as_millisecond()));
        let rows = arrivals.iter().filter_map(|arrival| arrival.read.as_ref().ok());
        let moments = rows
            .filter_map(|(row, _)| moment(row))
            .flat_map(|(station, at_ms)| station.names().map(|name| (name.to_string(), at_ms)).collect::<Vec<_>>());
        let moments: Vec<(String, i64)> = moments.collect::<BTreeSet<_>>().into_iter().collect();
        let mut on_record: BTreeMap<(String, i64), Vec<Report>> = BTreeMap::new();
        for entry in self.store.reports_at(&moments).await? {
            if let Ok(LedgerLine::Report(report)) = parse_line(&entry.body) {
                on_record.entry((entry.station, entry.at_ms)).or_default().push(*report);
            }
        }
        for arrival in arrivals {
            let Ok((row, places)) = &arrival.read else { continue };
            let Some((station, at_ms)) = moment(row) else { continue };
            let others = station.names().filter_map(|name| on_record.get(&(name.to_string(), at_ms))).flatten();
            let others: Vec<&Report> = others.filter(|other| other.at == row.at).collect();
            let findings = self.against(row, places, &others, &station).await?;
            if !findings.is_empty() {
                arrival.read = Err(findings);
            }
        }
        Ok(())
    }

    /// What reports on record of the same station and time have against a row; nothing where it is one of them.
    async fn against(
        &self,
        row: &Report,
        places: &Places,
        others: &[&Report],
        station: &Station,
    ) -> Result<Vec<Finding>, FleetError> {
        let mut findings = Vec::new();
        if others.iter().any(|other| other.id == row.id) {
            return Ok(findings);
        }
        for other in others {
            let script = self.script_of(other).await?;
            let against = beside_record(row, places, other, &Leaves::of(other, script.as_ref()), station);
            if !against.is_empty() && self.counts(other, station).await? {
                findings.extend(against);
            }
        }
        Ok(findings)
    }

    async fn script_of(&self, report: &Report) -> Result<Option<Issued>, FleetError> {
        let Some(digest) = &report.script else { return Ok(None) };
        let entry = self.store.entry(EntryKind::Script, &digest.to_string()).await?;
        Ok(match entry.and_then(|entry| parse_line(&entry.body).ok()) {
            Some(LedgerLine::Script(issued)) => Some(*issued),
            Some(LedgerLine::Report(_) | LedgerLine::Shown(_) | LedgerLine::Begun(_) | LedgerLine::Decision(_))
            | None => None,
        })
    }

    /// Whether a report on record counts: no other one corrects it.
    async fn counts(&self, report: &Report, station: &Station) -> Result<bool, FleetError> {
        let mut all = Vec::new();
        for name in station.names() {
            for entry in self.store.entries_of(name).await? {
                if let Ok(LedgerLine::Report(other)) = parse_line(&entry.body) {
                    all.push(*other);
                }
            }
        }
        Ok(standing(&all.iter().collect::<Vec<_>>()).iter().any(|one| one.id == report.id))
    }
}
