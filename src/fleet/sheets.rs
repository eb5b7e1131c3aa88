//! Sheets on their way into the ledger: each row a report of its own. What they would do can be asked before they are recorded.

use std::sync::Arc;

use super::drops::REPORTS_AT_ONCE;
use super::error::FleetError;
use super::intake::{Arrival, Intake, Received};
use crate::ledger::{Report, Sheet};
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
        let mut came = Vec::new();
        let mut rows = sheet.rows(&self.reading.inventory);
        loop {
            let some: Vec<_> = rows.by_ref().take(REPORTS_AT_ONCE).inspect(|_| progress()).collect();
            if some.is_empty() {
                return Ok(came);
            }
            let lines: Vec<u32> = some.iter().map(|row| row.line).collect();
            let arrivals: Vec<_> = some.into_iter().map(|row| Arrival::row(source, row)).collect();
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
        let arrivals = match Sheet::read(table, &self.reading.keybooks, days) {
            Ok(sheet) => {
                sheet.rows(&self.reading.inventory).map(|row| (Some(row.line), Arrival::row(source, row))).collect()
            }
            Err(findings) => vec![(None, Arrival::rejected_table(source, table.text().as_bytes(), findings))],
        };
        self.foresee_all(arrivals).await
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
        let (lines, arrivals): (Vec<_>, Vec<_>) = arrivals.into_iter().unzip();
        let (received, reports) = self.foresee(&arrivals).await?;
        let all = lines.into_iter().zip(arrivals).zip(received);
        let parts = all.map(|((line, arrival), received)| RowReceived::new(line, arrival, received)).collect();
        Ok(Foreseen { parts, reports })
    }
}
