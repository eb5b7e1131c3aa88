//! The beginning of a visit as its sender writes it.

use std::sync::Arc;

use super::report::{Places, REPORT_LIMIT_BYTES, Reader, too_long};
use super::visit::Visit;
use crate::finding::{Finding, Place};
use crate::setting::Name;
use crate::yaml::{self, Sheet};

/// Takes the beginning of a visit apart (YAML, or JSON, which is YAML).
///
/// # Errors
/// Everything that can be told from the text alone.
pub fn read_visit(file: &Arc<str>, bytes: &[u8]) -> Result<Visit, Vec<Finding>> {
    if bytes.len() as u64 > REPORT_LIMIT_BYTES {
        return Err(vec![too_long(file, bytes.len() as u64)]);
    }
    let root = yaml::read(file, bytes)?;
    let text = String::from_utf8_lossy(bytes);
    let mut reader = Reader { sheet: Sheet::new(file, &text), places: Places::all_at(Place::start_of(file)) };
    let known = ["begun", "id", "script", "station", "at", "by"];
    let what = "The beginning of a visit";
    let visit = reader.sheet.map(&root, what, known).and_then(|[begun, id, script, station, at, by]| {
        // What tells it from other lines of a ledger; here it may be left out.
        if begun.is_some() {
            reader.sheet.version(begun, &root, "begun");
        }
        let id = reader.sheet.required(id, &root, what, "id").and_then(|node| reader.id("id", "The id", node));
        let script = reader.sheet.required(script, &root, what, "script").and_then(|node| reader.digest(node));
        let station = reader.sheet.required(station, &root, what, "station");
        let station = station.and_then(|node| reader.sheet.text(node, "The station").map(Name::from));
        let at = reader.sheet.required(at, &root, what, "at").and_then(|node| reader.time(node));
        let by = reader.sheet.required(by, &root, what, "by").and_then(|node| reader.author(node));
        Some(Visit { id: id?, script: script?, station: station?, at: at?, by: by?, number: None })
    });
    match visit {
        Some(visit) if reader.sheet.findings.is_empty() => Ok(visit),
        Some(_) | None => Err(reader.sheet.findings),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::{LedgerLine, line_of, parse_line};

    const WHOLE: &str = r#"{"begun": 1, "id": "019a6c1e-8f00-7000-8000-000000000001", "script": "3f9a1c0b7d24e615",
        "station": "EQ-01", "at": "2026-11-20T10:14:00Z", "by": "tech-07"}"#;

    fn read_text(text: &str) -> Result<Visit, Vec<Finding>> {
        read_visit(&"v".into(), text.as_bytes())
    }

    #[test]
    fn it_is_read_as_the_ledger_reads_its_line_with_or_without_what_tells_lines_apart() {
        let visit = read_text(WHOLE).unwrap();
        assert_eq!(read_text(&WHOLE.replace("\"begun\": 1, ", "")).unwrap(), visit);
        let line = LedgerLine::Begun(Box::new(visit));
        assert_eq!(parse_line(&line_of(&line)).unwrap(), line);
        assert_eq!(parse_line(WHOLE).unwrap(), line);
    }

    #[test]
    fn everything_wrong_is_said_at_once() {
        let text = "{begun: 2, id: x, script: y, at: now, by: \" \", number: \"+441632960121\"}";
        assert_eq!(read_text(text).unwrap_err().len(), 7);
        assert_eq!(read_text("[]").unwrap_err().len(), 1);
    }
}
