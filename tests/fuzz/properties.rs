//! What must hold of every text, however wrong.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::{Arc, LazyLock};

use stationkeep::finding::{Finding, Paint, Place, render, settle};
use stationkeep::inventory::{self, Country, Keybooks, RawFile};
use stationkeep::outset::{Answers, Forge, draft};
use stationkeep::setting::Codes;
use stationkeep::table::Table;
use stationkeep::{config, keybook, ledger};

/// A kind of file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    Keybook,
    Inventory,
    Report,
    Sheet,
    Config,
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("config")
}

fn files(folder: &Path) -> Vec<Vec<u8>> {
    let mut paths: Vec<PathBuf> =
        fs::read_dir(folder).expect("a folder of the sample").map(|entry| entry.expect("an entry").path()).collect();
    paths.sort();
    let texts = paths.iter().filter(|path| path.extension().is_some_and(|end| end == "yaml"));
    texts.map(|path| fs::read(path).expect("a file")).collect()
}

impl Kind {
    /// The project's samples of it, and the good examples of its schema.
    pub fn samples(self) -> Vec<Vec<u8>> {
        let (own, name) = match self {
            Kind::Keybook => (files(&folder().join("keybooks")), "keybook"),
            Kind::Inventory => {
                let mut all = files(&folder().join("inventory"));
                all.extend(files(&folder().join("inventory/sites")));
                (all, "inventory")
            }
            Kind::Report => (files(&folder().join("reports")), "report"),
            Kind::Sheet => return SHEETS.map(|text| text.as_bytes().to_vec()).to_vec(),
            Kind::Config => (files(&folder()), "config"),
        };
        let good = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/schema/good").join(name);
        let all: Vec<Vec<u8>> = own.into_iter().chain(files(&good)).collect();
        assert!(!all.is_empty(), "{self:?} has no samples");
        all
    }
}

static KEYBOOKS: LazyLock<Keybooks> = LazyLock::new(|| {
    let read = |text: Vec<u8>| keybook::read(&"a keybook".into(), &text).0.expect("a sound keybook");
    let books = files(&folder().join("keybooks")).into_iter().map(read);
    books.map(|book| (book.model.clone(), Arc::new(book))).collect()
});

/// The stations of the sample.
static FLEET: LazyLock<inventory::Inventory> = LazyLock::new(|| {
    let mut texts = files(&folder().join("inventory"));
    texts.extend(files(&folder().join("inventory/sites")));
    let raw: Vec<_> = texts.iter().map(|text| Arc::new(inventory::read(&"an inventory".into(), text).0)).collect();
    inventory::resolve(&raw, &KEYBOOKS, &Codes::new(b"a key for a test")).0
});

const SHEETS: [&str; 2] = [
    "station,at,by,identity,lamp.follows,gate.seconds,access,unit\n\
     EQ-01,2026-11-20T10:14:00Z,tech-07,101,emergency assistance,7,file:secrets/access-2026,new\n\
     EQ-02,2026-11-20T11:02:00+01:00,\"tech-07, tech-03\",102,,\"9\",,\n",
    "by,gate.opens,station,emergency.backup,at\ntech-07,never,EQ-03,\"9,01632960101\",2026-11-20T10:14:00Z\n,,,,\n",
];

/// What a text comes to: a form to compare by, where it is sound, and all findings.
struct Read {
    sound: Option<String>,
    findings: Vec<Finding>,
    /// A broken property that only this kind has.
    fault: Option<String>,
}

fn read(kind: Kind, bytes: &[u8]) -> Read {
    let name: Arc<str> = "t.yaml".into();
    match kind {
        Kind::Keybook => {
            let (book, findings) = keybook::read(&name, bytes);
            // Its digest tells one text from another, line ends included.
            let shown = |book: keybook::Keybook| format!("{book:?}").replace(&*book.digest, "");
            Read { sound: book.map(shown), findings, fault: None }
        }
        Kind::Inventory => inventory_of(&name, bytes),
        Kind::Report => match ledger::read(&name, bytes) {
            Ok((report, _)) => {
                let line = ledger::line_of(&ledger::LedgerLine::Report(Box::new(report.clone())));
                let back = ledger::parse_line(&line);
                // JSON does not tell a word in quotes from one without, so that lines are compared.
                let same = back.as_ref().is_ok_and(|back| ledger::line_of(back) == line);
                let fault = (!same).then(|| format!("the ledger gives back {back:?} from {line}"));
                Read { sound: Some(format!("{report:?}")), findings: Vec::new(), fault }
            }
            Err(findings) => Read { sound: None, findings, fault: None },
        },
        Kind::Sheet => sheet_of(&name, bytes),
        Kind::Config => match config::read(&name, Path::new("/srv/fleet"), bytes) {
            Ok(config) => Read { sound: Some(format!("{config:?}")), findings: Vec::new(), fault: None },
            Err(findings) => Read { sound: None, findings, fault: None },
        },
    }
}

fn sheet_of(name: &Arc<str>, bytes: &[u8]) -> Read {
    let table = match Table::csv(name, bytes) {
        Ok(table) => table,
        Err(finding) => return Read { sound: None, findings: vec![finding], fault: None },
    };
    let sheet = match ledger::Sheet::read(&table, &KEYBOOKS, None) {
        Ok(sheet) => sheet,
        Err(findings) => return Read { sound: None, findings, fault: None },
    };
    let (mut sound, mut findings, mut fault) = (String::new(), Vec::new(), stations_of(&table));
    for row in sheet.rows(&FLEET) {
        match row.report {
            Ok((report, _)) => sound += &format!("{} {} {} {:?}\n", report.station, report.at, report.by, report.left),
            Err(more) if more.is_empty() => fault = Some(format!("line {} is bad without a reason", row.line)),
            Err(more) => findings.extend(more),
        }
    }
    Read { sound: findings.is_empty().then_some(sound), findings, fault }
}

/// Stations drafted from the same table: every row is in the draft, or something is said of it.
fn stations_of(table: &Table) -> Option<String> {
    let country = Country::find("GB").expect("a country");
    match draft(table, &KEYBOOKS, &Answers { fleet: "Fuzz".into(), country, forge: Forge::None, as_most: false }) {
        Ok(draft) if draft.stations + draft.left_out != table.rows().count() => {
            Some(format!("a row is in no draft: {draft:?}"))
        }
        Ok(draft) if draft.left_out > 0 && draft.findings.is_empty() => {
            Some(format!("a row is left out without a word: {draft:?}"))
        }
        Err(findings) if findings.is_empty() => Some("no draft, and no reason".into()),
        Ok(_) | Err(_) => None,
    }
}

fn inventory_of(name: &Arc<str>, bytes: &[u8]) -> Read {
    let (raw, mut findings) = inventory::read(name, bytes);
    let shown = format!("{raw:?}");
    let is_sound = !findings.iter().any(Finding::is_error);
    let RawFile { is_broken, .. } = raw;
    let fault = (is_broken == is_sound).then(|| format!("broken is {is_broken}, sound is {is_sound}"));
    let (fleet, more) = inventory::resolve(&[Arc::new(raw)], &KEYBOOKS, &Codes::new(b"a key for a test"));
    findings.extend(more);
    Read { sound: is_sound.then(|| format!("{shown}{fleet:?}")), findings, fault }
}

/// What is broken, or else whether the text was sound.
pub fn broken(kind: Kind, bytes: &[u8]) -> Result<bool, String> {
    let mut first = read(kind, bytes);
    if let Some(fault) = first.fault {
        return Err(fault);
    }
    settle(&mut first.findings);
    told_once(&first.findings)?;
    let text = String::from_utf8_lossy(bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes)).into_owned();
    first.findings.iter().try_for_each(|finding| stands(finding, &text))?;
    let shown = &first.findings[..first.findings.len().min(20)];
    if render(shown, |_| Some(&text), Paint::Plain).is_empty() != shown.is_empty() {
        return Err("findings and nothing shown, or the other way round".into());
    }
    first.findings.iter().take(5).try_for_each(|finding| fixes(kind, finding, &text))?;
    if let Some(sound) = &first.sound {
        same_again(kind, bytes, sound)?;
    }
    Ok(first.sound.is_some())
}

fn told_once(findings: &[Finding]) -> Result<(), String> {
    let mut seen = BTreeSet::new();
    for finding in findings {
        if !seen.insert((&finding.place, finding.code, &finding.message)) {
            return Err(format!("told twice: {finding}"));
        }
    }
    match findings.is_sorted_by(|a, b| a.place <= b.place) {
        true => Ok(()),
        false => Err("not sorted".into()),
    }
}

/// The places lie inside the text or just behind it, and there is something to read.
fn stands(finding: &Finding, text: &str) -> Result<(), String> {
    let lines: Vec<usize> = text.split('\n').map(|line| line.chars().count()).collect();
    let inside = |place: &Place| match &*place.file {
        "t.yaml" => {
            let line = lines.get(place.line as usize - 1);
            line.is_some_and(|length| place.column >= 1 && place.column as usize <= length + 2)
        }
        // The folder, where there is no line to name; the keybooks of the sample.
        _ => true,
    };
    if let Some(odd) = std::iter::once(&finding.place)
        .chain(finding.related.iter().map(|(place, _)| place))
        .find(|place| !inside(place))
    {
        return Err(format!("{odd:?} lies outside the text: {finding}"));
    }
    if finding.message.is_empty() || finding.fix.is_empty() {
        return Err(format!("nothing to read: {finding:?}"));
    }
    if finding.message.chars().count() > 2_000 || finding.fix.chars().count() > 2_000 {
        return Err(format!("too long to read: {finding}"));
    }
    Ok(())
}

/// An exact fix, written where it belongs, leaves nothing of its finding.
fn fixes(kind: Kind, finding: &Finding, text: &str) -> Result<(), String> {
    let (Some(replacement), "t.yaml") = (&finding.replacement, &*finding.place.file) else { return Ok(()) };
    let Place { line, column, length, .. } = finding.place;
    let start = text.split_inclusive('\n').take(line as usize - 1).map(|line| line.chars().count()).sum::<usize>();
    let at = start + column as usize - 1;
    let signs: Vec<char> = text.chars().collect();
    let end = at + length as usize;
    if end > signs.len() {
        return Err(format!("what is to be replaced goes past the end: {finding}"));
    }
    let fixed: String =
        signs[..at].iter().copied().chain(replacement.chars()).chain(signs[end..].iter().copied()).collect();
    let after = read(kind, fixed.as_bytes()).findings;
    let still = |other: &&Finding| {
        (other.code, &other.message, other.place.line, other.place.column)
            == (finding.code, &finding.message, line, column)
    };
    match after.iter().find(still) {
        None => Ok(()),
        Some(_) => Err(format!("`{replacement}` does not fix it: {finding}")),
    }
}

/// A byte order mark and Windows line ends change nothing.
fn same_again(kind: Kind, bytes: &[u8], sound: &str) -> Result<(), String> {
    let Ok(text) = std::str::from_utf8(bytes) else { return Err("sound, and no UTF-8".into()) };
    let text = text.strip_prefix('\u{feff}').unwrap_or(text).replace("\r\n", "\n");
    let windows = format!("\u{feff}{}", text.replace('\n', "\r\n"));
    for (how, other) in [("as it is", text), ("with Windows line ends", windows)] {
        let again = read(kind, other.as_bytes());
        match again.sound {
            None => return Err(format!("sound, but not {how}: {:?}", again.findings)),
            Some(again) if without_lengths(&again) != without_lengths(sound) => {
                return Err(format!("read otherwise {how}: {}", first_difference(&again, sound)));
            }
            Some(_) => {}
        }
    }
    Ok(())
}

/// Without the lengths of places: a line end inside a value counts.
fn without_lengths(shown: &str) -> String {
    let mut parts = shown.split("length: ");
    let mut out = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        out.push_str(part.trim_start_matches(|sign: char| sign.is_ascii_digit()));
    }
    out
}

fn first_difference(a: &str, b: &str) -> String {
    let at = a.bytes().zip(b.bytes()).take_while(|(a, b)| a == b).count();
    let around = |text: &str| text.chars().skip(at.saturating_sub(60)).take(120).collect::<String>();
    format!("…{}… for …{}…", around(a), around(b))
}
