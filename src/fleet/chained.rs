//! The chain that an export carries: each of its lines is checked against its own hash and that of the line before, in whatever
//! order they stand. The ledger that they are recorded in makes a chain of its own.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::issue::shown_id;
use crate::finding::{Code, Finding, Place};
use crate::ledger::{Decision, LedgerLine, exported, head_of_line, line_of, parse_line};
use crate::store::{EntryKind, GENESIS, Head, NewEntry};

/// The hashes that the lines of an export carry.
#[derive(Debug, Default)]
pub struct ExportChain {
    hashes: BTreeMap<i64, String>,
    head: Option<Head>,
}

impl ExportChain {
    /// Reads what the lines say of their places.
    pub fn of<'l>(lines: impl IntoIterator<Item = &'l str>) -> ExportChain {
        let mut chain = ExportChain::default();
        for line in lines {
            if let Some(exported) = exported(line) {
                chain.hashes.insert(exported.seq, exported.hash);
            } else if let Some((seq, hash)) = head_of_line(line) {
                chain.head = Some(Head { seq, hash });
            }
        }
        chain
    }

    /// What keeps these lines from being a whole export, where they are from one.
    pub fn lacks(&self) -> Option<String> {
        if self.hashes.is_empty() {
            return None;
        }
        let Some(Head { seq, hash }) = &self.head else {
            return Some(
                "The last line, with the ledger's head, is missing: the export may have been cut off.".to_owned(),
            );
        };
        let missing = |at: &i64| !self.hashes.contains_key(at);
        let count = (1..=*seq).filter(missing).count();
        match (1..=*seq).find(missing) {
            Some(first) if count == 1 => Some(format!("Entry {first} of the export is missing.")),
            Some(first) => Some(format!("{count} entries of the export are missing, the first is entry {first}.")),
            None if self.hashes.get(seq) != Some(hash) => {
                Some(format!("Entry {seq} is not the one that the ledger's head names."))
            }
            None => None,
        }
    }

    /// Why a line is not what was exported, where it says which entry it was.
    pub(super) fn speaks_against(&self, source: &Arc<str>, number: u32, line: &str) -> Option<Finding> {
        let exported = exported(line)?;
        // Without the line before there is nothing to check it with; that one is named as missing.
        let prev = match exported.seq {
            1 => GENESIS,
            seq => self.hashes.get(&seq.checked_sub(1)?)?,
        };
        // A line that cannot be read is rejected for that.
        let line = parse_line(line).ok()?;
        let entry = as_entry(&line, exported.recorded.as_millisecond());
        if entry.hash_as(exported.seq, prev) == exported.hash {
            return None;
        }
        let place = Place { file: source.clone(), line: number, column: 1, length: 1 };
        let message = format!("This line is not entry {} as it was exported: its hash does not fit.", exported.seq);
        let fix = "Take the line from another copy of the export.";
        Some(Finding::new(Code::ReportConflict, place, message, fix))
    }
}

/// A line as an entry of a ledger.
fn as_entry(line: &LedgerLine, recorded_ms: i64) -> NewEntry {
    let (kind, id, station, at) = match line {
        LedgerLine::Report(report) => (EntryKind::Report, report.id.to_string(), Some(&report.station), report.at),
        LedgerLine::Script(issued) => (EntryKind::Script, issued.digest.to_string(), Some(&issued.station), issued.at),
        LedgerLine::Shown(shown) => (EntryKind::Shown, shown_id(shown), Some(&shown.station), shown.at),
        LedgerLine::Begun(visit) => (EntryKind::Begun, visit.id.to_string(), Some(&visit.station), visit.at),
        LedgerLine::Decision(decision) => {
            let said = decision.said();
            (kind_of(decision), said.id.to_string(), decision.station(), said.at)
        }
    };
    let station = station.map(ToString::to_string).unwrap_or_default();
    NewEntry { kind, id, station, at_ms: at.as_millisecond(), recorded_ms, body: line_of(line) }
}

/// The kind of a decision's entry.
pub(super) fn kind_of(decision: &Decision) -> EntryKind {
    match decision {
        Decision::Aside(_) => EntryKind::Aside,
        Decision::Release(_) => EntryKind::Release,
        Decision::Take(_) => EntryKind::Take,
        Decision::End(_) => EntryKind::End,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::{Exported, export_line, head_line};

    /// Three lines of an export and its head's.
    fn export() -> Vec<String> {
        let bodies = [
            r#"{"report":1,"id":"019a6c1e-8f00-7000-8000-000000000001","station":"EQ-01","at":"2026-11-20T10:14:00Z","by":"tech-07","note":"an \"entry\":1"}"#,
            r#"{"shown":1,"script":"3f9a1c0b7d24e615","station":"EQ-01","at":"2026-11-20T10:15:00Z"}"#,
            r#"{"end":1,"id":"019a6c1e-8f00-7000-8000-000000000003","at":"2026-11-20T10:16:00Z","by":"ops-2","ends":"019a6c1e-8f00-7000-8000-000000000002"}"#,
        ];
        let (mut lines, mut prev) = (Vec::new(), GENESIS.to_owned());
        for (body, seq) in bodies.iter().zip(1..) {
            let recorded: jiff::Timestamp = "2026-11-20T10:20:00.5Z".parse().unwrap();
            let entry = as_entry(&parse_line(body).unwrap(), recorded.as_millisecond());
            assert_eq!(entry.body, **body, "the line of a ledger is the one way to write it");
            prev = entry.hash_as(seq, &prev);
            lines.push(export_line(body, &Exported { seq, recorded, hash: prev.clone() }));
        }
        lines.push(head_line(3, &prev));
        lines
    }

    fn wrong(lines: &[String]) -> Vec<u32> {
        let chain = ExportChain::of(lines.iter().map(String::as_str));
        let numbered = lines.iter().zip(1u32..);
        numbered
            .filter(|(line, nth)| chain.speaks_against(&"e.jsonl".into(), *nth, line).is_some())
            .map(|(_, n)| n)
            .collect()
    }

    fn lacks(lines: &[String]) -> Option<String> {
        ExportChain::of(lines.iter().map(String::as_str)).lacks()
    }

    #[test]
    fn a_whole_export_holds_in_any_order_and_with_its_keys_in_any_order() {
        let mut lines = export();
        for _ in 0..4 {
            lines.rotate_left(1);
            assert_eq!((wrong(&lines), lacks(&lines)), (Vec::new(), None));
        }
        let json: serde_json::Value = serde_json::from_str(&lines[1]).unwrap();
        lines[1] = json.to_string();
        assert_eq!(wrong(&lines), Vec::<u32>::new());
    }

    #[test]
    fn a_changed_line_is_the_one_that_does_not_fit() {
        for (nth, was, is) in [
            (0, "tech-07", "tech-08"),
            (0, "10:20:00.5Z", "10:20:00.6Z"),
            (0, "\"seq\":1", "\"seq\":4"),
            (1, "EQ-01", "EQ-02"),
            (2, "ops-2", "ops-3"),
        ] {
            let mut lines = export();
            lines[nth] = lines[nth].replace(was, is);
            let found = wrong(&lines);
            let also_after = lacks(&lines).is_some();
            assert!(found.contains(&(nth as u32 + 1)) || also_after, "{was}: {found:?}");
        }
    }

    #[test]
    fn lines_that_are_missing_are_told_and_lines_of_no_export_are_none() {
        let lines = export();
        let but =
            |nth: usize| lines.iter().enumerate().filter(|(at, _)| *at != nth).map(|(_, line)| line.clone()).collect();
        let first: Vec<String> = but(0);
        assert_eq!(lacks(&first).as_deref(), Some("Entry 1 of the export is missing."));
        assert_eq!(wrong(&first), Vec::<u32>::new());
        assert!(lacks(&but(3)).unwrap().contains("cut off"));
        assert_eq!(lacks(&lines[2..]).as_deref(), Some("2 entries of the export are missing, the first is entry 1."));
        assert_eq!(lacks(&["{\"report\":1}".to_owned()]), None);
        assert_eq!(lacks(&[]), None);
    }
}
