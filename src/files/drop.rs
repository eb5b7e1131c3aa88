//! The reports folder: which files lie there, in the order of their names, and which are still being written.
//!
//! A file whose last change is younger than the settle time is left for the next look, since half a report can
//! read like a whole one. A program that writes with longer pauses should write under another ending (`x.part`)
//! and rename. Whether a file was recorded before is told by its content, elsewhere. What is no
//! report by its name, or cannot be read, is among them: nothing is passed over in silence.

use std::collections::HashMap;
use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use sha2::{Digest, Sha256};

use super::ReportFolders;
use super::below::{Below, Entry, Is, Listed, below, open_below};
use super::tree::{FileText, too_large};
use super::walk::{Stamp, has_suffix, is_yaml, unreadable, why};
use crate::finding::{Code, Finding, Place};
use crate::ledger::{REPORT_LIMIT_BYTES, report_in, too_long};
use crate::table::SHEET_LIMIT_BYTES;

/// The largest ledger export that is taken, in bytes; it is read line by line.
pub const EXPORT_LIMIT_BYTES: u64 = 8 << 30;
/// The longest line of one, in bytes.
const LINE_LIMIT_BYTES: u64 = 8 << 20;
/// No more of what reports hold is kept until they are recorded, in bytes; beyond it they are read twice.
const KEPT_TEXTS_BYTES: usize = 16 << 20;

/// What a dropped file holds, by its ending.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum FileKind {
    /// One report: `*.yaml`, `*.yml`, `*.json`.
    Report,
    /// A ledger export, one report or issued script a line: `*.jsonl`.
    Export,
    /// A report a row: `*.csv`.
    Sheet,
    /// No report by its name, or nothing that can be read: why.
    Stray(Finding),
}

/// A file in the reports folder that is no longer being written, or something else that lies there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dropped {
    /// Relative to the configuration's folder.
    pub name: Arc<str>,
    /// What it holds.
    pub kind: FileKind,
    /// By it the file is known. Of the content, of a report no further than to where it is seen to be too long; of what
    /// is not a report: of its name, what is wrong with it, and the beginning of what it holds.
    pub sha256: [u8; 32],
    pub(super) root: Arc<Path>,
    pub(super) way: Box<str>,
    /// Nothing where its state cannot be told.
    stamp: Option<Stamp>,
    /// What a report holds, where there was room to keep it; of what has no ending of a report, the report in it.
    text: Option<Vec<u8>>,
}

/// What lies in the reports folder, from one look to the next. All but the open files is a memo: what was lost of it is read
/// again.
#[derive(Debug, Default)]
pub struct Inbox {
    /// By the way down.
    known: HashMap<Box<str>, Known>,
    /// The folders, and a moment before they were listed.
    listed: Option<(Listed, SystemTime)>,
    open: Vec<Arc<Dropped>>,
    waiting: Option<Duration>,
}

/// A file as it was read last.
#[derive(Debug)]
struct Known {
    /// Nothing where its state cannot be told.
    stamp: Option<Stamp>,
    /// Whether a change after it was looked at must show in the stamp.
    settled: bool,
    sha256: [u8; 32],
    /// Nothing of one that is done with.
    open: Option<Arc<Dropped>>,
}

impl Inbox {
    /// The files that are not done with, in the order of file names.
    pub fn open(&self) -> &[Arc<Dropped>] {
        &self.open
    }

    /// How long until the youngest of those left for the next look will have settled; nothing where none was left.
    pub fn waiting(&self) -> Option<Duration> {
        self.waiting
    }

    /// Done with these: as long as they stay as they are, they are not among the open ones any more.
    pub fn close(&mut self, is_done: impl Fn(&Dropped) -> bool) {
        let known = &mut self.known;
        self.open.retain(|file| {
            let is_done = is_done(file);
            if is_done && let Some(known) = known.get_mut(&file.way) {
                known.open = None;
            }
            !is_done
        });
    }

    /// A file was moved away: what comes under its name is another one, though it holds the same.
    pub fn forget(&mut self, file: &Dropped) {
        self.known.remove(&file.way);
    }

    /// Looks what lies in a folder and below it. Contents of files that were seen in the same state are not read again; and
    /// nothing is looked at where no entry came or went, unless a file may be `stirred`: changed within. `now` is a moment before
    /// the call. A finding says why the folder itself cannot be read.
    pub fn look(
        &mut self,
        folders: &ReportFolders,
        stirred: bool,
        now: SystemTime,
        settle: Duration,
    ) -> Option<Finding> {
        let is_as_it_was = |(listed, then): &(Listed, SystemTime)| {
            self.waiting.is_none() && listed.is_settled(*then) && listed.is_as_it_was(folders)
        };
        if !stirred && self.listed.as_ref().is_some_and(is_as_it_was) {
            return None;
        }
        let Below { entries, finding, listed, .. } = below(folders);
        let root: Arc<Path> = folders.dropped.path.as_path().into();
        let mut next = Inbox { known: HashMap::with_capacity(entries.len()), ..Inbox::default() };
        let mut spare = KEPT_TEXTS_BYTES;
        for entry in entries {
            if let Some(rest) = entry.stamp.and_then(|stamp| settles_in(&stamp, now, settle)) {
                next.wait(rest);
                continue;
            }
            let way: Box<str> = entry.way.as_str().into();
            match self.seen(&root, entry, now, &mut spare) {
                Some(known) => {
                    next.open.extend(known.open.clone());
                    next.known.insert(way, known);
                }
                None => next.wait(settle),
            }
        }
        next.listed = Some((listed, now));
        *self = next;
        finding
    }

    fn wait(&mut self, rest: Duration) {
        self.waiting = self.waiting.max(Some(rest));
    }

    /// An entry, read again where it may be another one by now. Nothing where the file is gone or changed since it was listed.
    fn seen(&mut self, root: &Arc<Path>, entry: Entry, now: SystemTime, spare: &mut usize) -> Option<Known> {
        let before = self.known.remove(entry.way.as_str());
        let (before, stamp) = match before {
            Some(known) if known.settled && known.stamp == entry.stamp => return Some(known),
            other => (other, entry.stamp),
        };
        let file = dropped(root, entry, spare)?;
        let (settled, sha256) = (stamp.is_some_and(|stamp| stamp.is_settled(now)), file.sha256);
        let is_done = before.is_some_and(|known| known.open.is_none() && known.sha256 == sha256);
        Some(Known { stamp, settled, sha256, open: (!is_done).then(|| Arc::new(file)) })
    }
}

/// What the ending of a name says; nothing where that is no ending of a report.
fn kind(name: &str) -> Option<FileKind> {
    if is_yaml(name) || has_suffix(name, &["json"]) {
        Some(FileKind::Report)
    } else if has_suffix(name, &["csv"]) {
        Some(FileKind::Sheet)
    } else {
        has_suffix(name, &["jsonl"]).then_some(FileKind::Export)
    }
}

/// The finding for a name without an ending of a report. `looks_so`: what it holds looks like one all the same.
fn no_report(shown: &Arc<str>, looks_so: bool) -> Finding {
    let what = format!("\"{shown}\" does not have the ending of a report");
    let (message, fix) = match looks_so {
        true => (
            format!("{what}, but it looks like a card or a report."),
            "If its report is filled in, let its name end in .yaml. If it is not, put it elsewhere.",
        ),
        false if has_suffix(shown, &["xlsx"]) => (
            format!("{what}."),
            "Record a workbook with \"stationkeep report FILE\", or save its sheet as CSV in UTF-8.",
        ),
        false => (
            format!("{what}."),
            "Let its name end in .yaml, .yml, .json, .jsonl or .csv if it is a report. If it is not, put it elsewhere.",
        ),
    };
    Finding::new(Code::ReportFile, Place::start_of(shown), message, fix)
}

/// How long the file must still be left alone. A change that the clock puts further ahead than the settle time
/// says nothing, and the file is taken.
fn settles_in(stamp: &Stamp, now: SystemTime, settle: Duration) -> Option<Duration> {
    match stamp.quiet_for(now) {
        Some(quiet) => settle.checked_sub(quiet).filter(|rest| !rest.is_zero()),
        None => now.checked_add(settle).and_then(|then| stamp.quiet_for(then)).map(|ahead| settle + settle - ahead),
    }
}

/// Nothing where the file is gone or changed since it was listed.
fn dropped(root: &Arc<Path>, entry: Entry, spare: &mut usize) -> Option<Dropped> {
    let Entry { shown, way, stamp, is } = entry;
    let mut text = None;
    let (kind, sha256) = match is {
        Is::Trouble(what, fix) => {
            let finding = Finding::new(Code::ReportFile, Place::start_of(&shown), format!("\"{shown}\" {what}."), fix);
            stray(finding, &[])
        }
        Is::File => contents(root, &shown, &way, stamp.as_ref()?, &mut text)?,
    };
    let is_stray = matches!(kind, FileKind::Stray(_));
    let text = text.filter(|bytes| is_stray || bytes.len() <= *spare);
    *spare = spare.saturating_sub(text.as_ref().map_or(0, Vec::len));
    Some(Dropped { name: shown, kind, sha256, root: root.clone(), way: way.into(), stamp, text })
}

/// What a regular file is, and by what it is known; nothing where it is gone or changed since it was listed. `text` becomes what
/// a report holds.
fn contents(
    root: &Path,
    shown: &Arc<str>,
    way: &str,
    stamp: &Stamp,
    text: &mut Option<Vec<u8>>,
) -> Option<(FileKind, [u8; 32])> {
    let kind = kind(shown);
    let limit = match &kind {
        Some(FileKind::Export) if stamp.size > EXPORT_LIMIT_BYTES => {
            return Some(stray(too_large(shown, stamp.size), &[]));
        }
        Some(FileKind::Export) => EXPORT_LIMIT_BYTES,
        Some(FileKind::Sheet) => SHEET_LIMIT_BYTES + 1,
        // A longer one is rejected as reports are: kept, and told of.
        Some(FileKind::Report | FileKind::Stray(_)) => REPORT_LIMIT_BYTES + 1,
        None => REPORT_LIMIT_BYTES,
    };
    // What has no ending of a report may hold one all the same.
    let is_kept = matches!(kind, Some(FileKind::Report) | None) && stamp.size <= REPORT_LIMIT_BYTES;
    let read = |file: File| match is_kept {
        true => whole(file, limit).map(|(bytes, after)| {
            let sha256 = Sha256::digest(&bytes).into();
            *text = Some(bytes);
            (sha256, after)
        }),
        false => hash(file, limit),
    };
    let hashed = match open_below(root, way).and_then(|file| file.map(read).transpose()) {
        Ok(Some((sha256, after))) if after == *stamp => Ok(sha256),
        Ok(Some(_) | None) => return None,
        Err(error) => Err(error),
    };
    Some(match (kind, hashed) {
        (Some(kind), Ok(sha256)) => (kind, sha256),
        (Some(_), Err(error)) => stray(not_read(shown, &error), &[]),
        (None, hashed) => {
            *text = text.take().and_then(|bytes| report_of(&bytes));
            stray(no_report(shown, text.is_some()), hashed.as_ref().map_or(&[], |sha256| sha256))
        }
    })
}

/// What is told of as no report, and by what it is known.
fn stray(finding: Finding, content: &[u8]) -> (FileKind, [u8; 32]) {
    let mut hasher = Sha256::new();
    for part in [b"stray".as_slice(), finding.place.file.as_bytes(), finding.message.as_bytes(), content] {
        hasher.update((part.len() as u64).to_be_bytes());
        hasher.update(part);
    }
    (FileKind::Stray(finding), hasher.finalize().into())
}

fn not_read(name: &str, error: &io::Error) -> Finding {
    unreadable(name, &format!("cannot be read: {}", why(error)), "Look at its owner and permissions.")
}

/// The report in a text that may hold one.
fn report_of(bytes: &[u8]) -> Option<Vec<u8>> {
    report_in(std::str::from_utf8(bytes).ok()?).map(String::into_bytes)
}

/// The hash of a file's beginning, and the state it was in afterwards.
fn hash(file: File, limit: u64) -> io::Result<([u8; 32], Stamp)> {
    let mut hasher = Sha256::new();
    let mut reader = file.take(limit);
    let mut buffer = vec![0; 64 << 10];
    loop {
        match reader.read(&mut buffer)? {
            0 => break,
            n => hasher.update(&buffer[..n]),
        }
    }
    Ok((hasher.finalize().into(), Stamp::of(&reader.into_inner().metadata()?)))
}

/// A file's beginning, and the state it was in afterwards.
fn whole(file: File, limit: u64) -> io::Result<(Vec<u8>, Stamp)> {
    let (mut bytes, mut reader) = (Vec::new(), file.take(limit));
    reader.read_to_end(&mut bytes)?;
    Ok((bytes, Stamp::of(&reader.into_inner().metadata()?)))
}

impl Dropped {
    /// Whether it is still the very file that was read, to go by the state it is in now.
    pub(super) fn is_still(&self, state: Option<Stamp>, now: SystemTime) -> bool {
        let same = state.filter(|state| self.stamp == Some(*state));
        same.is_some_and(|state| state.is_settled(now) || self.holds_the_same())
    }

    /// Whether a moved file is this one: renaming changes the time of the last change of any kind.
    pub(super) fn is_of(&self, moved: &Stamp) -> bool {
        self.stamp.is_some_and(|stamp| Stamp { changed_ns: moved.changed_ns, ..stamp } == *moved)
    }

    /// Whether it holds what was read: a change shortly after need not show in its state.
    fn holds_the_same(&self) -> bool {
        let limit = match self.kind {
            FileKind::Report => REPORT_LIMIT_BYTES + 1,
            FileKind::Sheet => SHEET_LIMIT_BYTES + 1,
            FileKind::Export => EXPORT_LIMIT_BYTES,
            FileKind::Stray(_) => return false,
        };
        let Ok(Some(file)) = open_below(&self.root, &self.way) else { return false };
        hash(file, limit).is_ok_and(|(sha256, _)| sha256 == self.sha256)
    }

    fn open(&self) -> Result<Option<File>, Finding> {
        open_below(&self.root, &self.way).map_err(|error| not_read(&self.name, &error))
    }

    /// The report that lies in what has no ending of one.
    pub fn report_in_stray(&self) -> Option<&[u8]> {
        match self.kind {
            FileKind::Stray(_) => self.text.as_deref(),
            FileKind::Report | FileKind::Export | FileKind::Sheet => None,
        }
    }

    /// The content of a report or a sheet; of a sheet that is too long, no more than shows that. Nothing where it is another one by now: the next look sees that.
    ///
    /// # Errors
    /// A finding that says why the file cannot be read.
    pub fn content(&self) -> Result<Option<FileText>, Finding> {
        if let Some(bytes) = &self.text {
            return Ok(Some(FileText { bytes: bytes.clone(), sha256: self.sha256 }));
        }
        let Some(file) = self.open()? else { return Ok(None) };
        let size = file.metadata().map_err(|error| not_read(&self.name, &error))?.len();
        let is_sheet = self.kind == FileKind::Sheet;
        if size > REPORT_LIMIT_BYTES && !is_sheet {
            return Err(too_long(&self.name, size));
        }
        let mut bytes = Vec::new();
        let limit = if is_sheet { SHEET_LIMIT_BYTES } else { REPORT_LIMIT_BYTES };
        let read = file.take(limit + 1).read_to_end(&mut bytes);
        read.map_err(|error| not_read(&self.name, &error))?;
        Ok(Some(FileText::new(bytes)).filter(|text| text.sha256 == self.sha256))
    }

    /// The lines of an export, one at a time. Nothing where the file is another one by now.
    ///
    /// # Errors
    /// A finding that says why the file cannot be read.
    pub fn lines(&self) -> Result<Option<ExportLines>, Finding> {
        let Some(file) = self.open()? else { return Ok(None) };
        let meta = file.metadata().map_err(|error| not_read(&self.name, &error))?;
        let lines = ExportLines { name: self.name.clone(), reader: BufReader::new(file), line: 0, ended: false };
        Ok((Some(Stamp::of(&meta)) == self.stamp).then_some(lines))
    }
}

/// The lines of a ledger export with their numbers from 1, without line ends; empty ones are passed over.
/// After a finding there are no more.
#[derive(Debug)]
pub struct ExportLines {
    name: Arc<str>,
    reader: BufReader<File>,
    line: u32,
    ended: bool,
}

impl ExportLines {
    fn read(&mut self) -> Result<Option<Vec<u8>>, Finding> {
        let mut bytes = Vec::new();
        let read = self.reader.by_ref().take(LINE_LIMIT_BYTES + 1).read_until(b'\n', &mut bytes);
        let read = read.map_err(|error| not_read(&self.name, &error))? as u64;
        self.line = self.line.saturating_add(1);
        if read > LINE_LIMIT_BYTES {
            let message = format!("The line has more than {LINE_LIMIT_BYTES} bytes.");
            return Err(self.finding(Code::FileTooLarge, message, "A ledger export has a report or script a line."));
        }
        Ok((read > 0).then_some(bytes))
    }

    fn text(&self, bytes: Vec<u8>) -> Result<String, Finding> {
        let text = String::from_utf8(bytes).map_err(|_| {
            self.finding(Code::NotText, "This line is not UTF-8 text.".into(), "Make the export again.")
        })?;
        Ok(text.trim_end_matches(['\n', '\r']).to_owned())
    }

    fn finding(&self, code: Code, message: String, fix: &str) -> Finding {
        Finding::new(code, Place { file: self.name.clone(), line: self.line, column: 1, length: 0 }, message, fix)
    }
}

impl Iterator for ExportLines {
    type Item = Result<(u32, String), Finding>;

    fn next(&mut self) -> Option<Self::Item> {
        while !self.ended {
            let line = match self.read() {
                Ok(None) => break,
                Ok(Some(bytes)) => self.text(bytes),
                Err(finding) => Err(finding),
            };
            match line {
                Ok(text) if text.trim().is_empty() => {}
                Ok(text) => return Some(Ok((self.line, text))),
                Err(finding) => {
                    self.ended = true;
                    return Some(Err(finding));
                }
            }
        }
        self.ended = true;
        None
    }
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;
    use crate::files::Folder;

    const SETTLE: Duration = Duration::from_millis(500);

    struct Scene {
        dir: tempfile::TempDir,
    }

    impl Scene {
        fn with(files: &[(&str, &str)]) -> Scene {
            let scene = Scene { dir: tempfile::tempdir().unwrap() };
            fs::create_dir(scene.dir.path().join("reports")).unwrap();
            for (name, text) in files {
                scene.write(name, text);
            }
            scene
        }

        fn write(&self, name: &str, text: impl AsRef<[u8]>) {
            fs::write(self.dir.path().join("reports").join(name), text).unwrap();
        }

        fn folders(&self) -> ReportFolders {
            let folder = |name: &str| Folder::new(self.dir.path(), name);
            ReportFolders { dropped: folder("reports"), taken: Some(folder("reports/taken")) }
        }

        fn look(&self, inbox: &mut Inbox, now: SystemTime) {
            assert_eq!(inbox.look(&self.folders(), true, now, SETTLE), None);
        }

        /// As seen when everything written so far has settled.
        fn settled(&self) -> Inbox {
            let mut inbox = Inbox::default();
            self.look(&mut inbox, later());
            inbox
        }
    }

    fn later() -> SystemTime {
        SystemTime::now() + Duration::from_secs(60)
    }

    /// What is said of a stray; nothing of a report or export.
    fn said(file: &Dropped) -> Option<&str> {
        match &file.kind {
            FileKind::Stray(finding) => Some(&finding.message),
            FileKind::Report | FileKind::Export | FileKind::Sheet => None,
        }
    }

    #[test]
    fn all_that_lies_there_comes_in_the_order_of_names_and_what_is_no_report_says_why() {
        let scene = Scene::with(&[("b.yml", "1"), ("a.yaml", "2"), ("c.JSON", "3"), ("B.jsonl", "4")]);
        for name in [".a.yaml", "a.yaml~", "x.yaml.part", "README.md", "s.csv"] {
            scene.write(name, "x");
        }
        scene.write("EQ-01.txt", "EQ-01\nB 7309#\nREPORT BACK ---\nreport: 1\n");
        fs::create_dir(scene.dir.path().join("reports/may")).unwrap();
        scene.write("may/d.yaml", "5");
        scene.write("may/d.txt", "5");
        fs::create_dir_all(scene.dir.path().join("reports/taken/2026-11")).unwrap();
        scene.write("taken/2026-11/e.yaml", "6");
        std::os::unix::fs::symlink("a.yaml", scene.dir.path().join("reports/z.yaml")).unwrap();
        let inbox = scene.settled();
        let files: Vec<_> = inbox.open.iter().map(|file| (&*file.name, said(file))).collect();
        let expected = [
            ("reports/B.jsonl", None),
            (
                "reports/EQ-01.txt",
                Some(
                    "\"reports/EQ-01.txt\" does not have the ending of a report, but it looks like a card or a report.",
                ),
            ),
            ("reports/README.md", Some("\"reports/README.md\" does not have the ending of a report.")),
            ("reports/a.yaml", None),
            ("reports/b.yml", None),
            ("reports/c.JSON", None),
            ("reports/may/d.txt", Some("\"reports/may/d.txt\" does not have the ending of a report.")),
            ("reports/may/d.yaml", None),
            ("reports/s.csv", None),
            ("reports/z.yaml", Some("\"reports/z.yaml\" is a symbolic link, and links are not followed here.")),
        ];
        assert_eq!((files.as_slice(), inbox.waiting), (expected.as_slice(), None));
        assert_eq!(inbox.open[0].kind, FileKind::Export);
        assert_eq!(inbox.open[1].report_in_stray(), Some(b"\n\n\nreport: 1\n".as_slice()), "and no code");
        assert_eq!(inbox.open[2].report_in_stray(), None);
    }

    #[test]
    fn a_stray_is_known_by_its_name_and_content_so_that_another_one_in_its_place_is_another() {
        let scene = Scene::with(&[("a.txt", "1"), ("b.txt", "1")]);
        let known = |inbox: &Inbox| inbox.open.iter().map(|file| file.sha256).collect::<Vec<_>>();
        let first = known(&scene.settled());
        assert_ne!(first[0], first[1]);
        scene.write("a.txt", "1");
        assert_eq!(known(&scene.settled()), first);
        scene.write("a.txt", "2");
        assert_ne!(known(&scene.settled())[0], first[0]);
    }

    #[test]
    fn a_file_that_changed_a_moment_ago_waits_until_it_has_settled() {
        let scene = Scene::with(&[("a.yaml", "half")]);
        let meta = fs::metadata(scene.dir.path().join("reports/a.yaml")).unwrap();
        let changed_ns = u64::try_from(Stamp::of(&meta).changed_ns).unwrap();
        let changed = SystemTime::UNIX_EPOCH + Duration::from_nanos(changed_ns);
        let waiting = |now| {
            let mut inbox = Inbox::default();
            scene.look(&mut inbox, now);
            assert_eq!(inbox.open.is_empty(), inbox.waiting.is_some());
            inbox.waiting
        };
        let ms = Duration::from_millis;
        assert_eq!(waiting(changed + ms(100)), Some(ms(400)));
        assert_eq!(waiting(changed + SETTLE), None);
        assert_eq!(waiting(changed - ms(100)), Some(ms(600)), "a clock a little behind");
        assert_eq!(waiting(changed - ms(900)), None, "a clock far behind tells nothing, and nothing waits for ever");
    }

    #[test]
    fn what_was_seen_in_the_same_state_is_not_read_again() {
        let scene = Scene::with(&[("a.yaml", "1"), ("b.yaml", "2")]);
        let changed = fs::metadata(scene.dir.path().join("reports/b.yaml")).unwrap().modified().unwrap();
        let mut inbox = Inbox::default();
        scene.look(&mut inbox, changed + SETTLE);
        let early = inbox.open.clone();
        scene.look(&mut inbox, later());
        assert!(!Arc::ptr_eq(&early[1], &inbox.open[1]), "a change within the same tick need not show");
        let earlier = inbox.open.clone();
        scene.write("b.yaml", "3");
        scene.look(&mut inbox, later());
        assert!(Arc::ptr_eq(&inbox.open[0], &earlier[0]));
        assert_ne!(inbox.open[1].sha256, earlier[1].sha256);
    }

    #[test]
    fn what_is_done_with_comes_again_only_with_another_content() {
        let scene = Scene::with(&[("a.yaml", "1"), ("b.yaml", "2")]);
        let names = |inbox: &Inbox| inbox.open.iter().map(|file| file.name.to_string()).collect::<Vec<_>>();
        let changed = fs::metadata(scene.dir.path().join("reports/b.yaml")).unwrap().modified().unwrap();
        let mut inbox = Inbox::default();
        // Before they have settled: they are read again at the next look, and are the same.
        for now in [changed + SETTLE, later(), later()] {
            scene.look(&mut inbox, now);
            inbox.close(|file| &*file.name == "reports/b.yaml");
            assert_eq!(names(&inbox), ["reports/a.yaml"]);
        }
        scene.write("b.yaml", "22");
        scene.look(&mut inbox, later());
        assert_eq!(names(&inbox), ["reports/a.yaml", "reports/b.yaml"]);
    }

    #[test]
    fn nothing_is_gone_through_where_no_entry_came_or_went_and_all_of_it_where_one_did() {
        let scene = Scene::with(&[("a.yaml", "1")]);
        fs::create_dir(scene.dir.path().join("reports/may")).unwrap();
        // No two changes in one tick of the file system's clock.
        let tick = || std::thread::sleep(Duration::from_millis(20));
        tick();
        let mut inbox = scene.settled();
        let count = |inbox: &Inbox| inbox.open.len();
        scene.write("a.yaml", "22");
        let before = inbox.open[0].clone();
        assert_eq!(inbox.look(&scene.folders(), false, later(), SETTLE), None);
        assert!(Arc::ptr_eq(&before, &inbox.open[0]), "nothing came or went");
        scene.look(&mut inbox, later());
        assert_ne!(before.sha256, inbox.open[0].sha256, "someone said that a file may have changed");
        tick();
        scene.write("may/b.yaml", "3");
        assert_eq!(inbox.look(&scene.folders(), false, later(), SETTLE), None);
        assert_eq!(count(&inbox), 2, "in a folder below");
    }

    #[test]
    fn content_is_what_was_seen_or_nothing() {
        let scene = Scene::with(&[("a.yaml", "1"), ("b.jsonl", "{}"), ("c.yaml", "3")]);
        let inbox = scene.settled();
        assert_eq!(inbox.open[0].content().unwrap().unwrap().bytes, b"1");
        scene.write("a.yaml", "2");
        let forgotten = Dropped { text: None, ..(*inbox.open[0]).clone() };
        scene.write("b.jsonl", "{}\n{}");
        fs::remove_file(scene.dir.path().join("reports/c.yaml")).unwrap();
        assert_eq!(forgotten.content().unwrap(), None);
        assert!(inbox.open[1].lines().unwrap().is_none());
        assert_eq!(Dropped { text: None, ..(*inbox.open[2]).clone() }.content().unwrap(), None);
    }

    #[test]
    fn an_export_is_read_line_by_line_and_ends_at_what_is_no_line() {
        let scene = Scene::with(&[("a.jsonl", "{}\r\n\n  \n[1]\nlast")]);
        scene.write("b.jsonl", b"1\n\xff\n3\n");
        scene.write("c.jsonl", vec![b'x'; 8 * 1024 * 1024 + 1]);
        let inbox = scene.settled();
        let lines = |at: usize| -> Vec<Result<(u32, String), (Code, u32)>> {
            let lines = inbox.open[at].lines().unwrap().unwrap();
            lines.map(|line| line.map_err(|finding| (finding.code, finding.place.line))).collect()
        };
        assert_eq!(lines(0), [Ok((1, "{}".into())), Ok((4, "[1]".into())), Ok((5, "last".into()))]);
        assert_eq!(lines(1), [Ok((1, "1".into())), Err((Code::NotText, 2))]);
        assert_eq!(lines(2), [Err((Code::FileTooLarge, 1))]);
    }

    #[test]
    fn one_bad_file_keeps_no_other_back() {
        let scene = Scene::with(&[("a.yaml", "1"), ("z.yaml", "2")]);
        let huge = File::create(scene.dir.path().join("reports/huge.jsonl")).unwrap();
        huge.set_len(EXPORT_LIMIT_BYTES + 1).unwrap();
        scene.write("long.json", vec![b' '; REPORT_LIMIT_BYTES as usize + 1]);
        let mut inbox = scene.settled();
        let names: Vec<&str> = inbox.open.iter().map(|file| &*file.name).collect();
        assert_eq!(names, ["reports/a.yaml", "reports/huge.jsonl", "reports/long.json", "reports/z.yaml"]);
        assert!(said(&inbox.open[1]).is_some_and(|said| said.contains("8589934593 bytes")));
        assert_eq!(inbox.open[2].content().unwrap_err().code, Code::FileTooLarge, "to be rejected as a report is");
        fs::remove_dir_all(scene.dir.path().join("reports")).unwrap();
        let finding = inbox.look(&scene.folders(), false, later(), SETTLE);
        assert_eq!(finding.unwrap().message, "\"reports\" is not there.");
    }
}
