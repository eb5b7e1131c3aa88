//! The reports folder: which files lie there, in the order of their names, and which are still being written.
//!
//! A file whose last change is younger than the settle time is left for the next look, since half a report can
//! read like a whole one. A program that writes with longer pauses should write under another ending (`x.part`)
//! and rename. Files stay where they lie; whether one was taken before is told by its content, elsewhere. What is no
//! report by its name, or cannot be read, is among them: nothing is passed over in silence.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use sha2::{Digest, Sha256};

use super::Folder;
use super::below::{Below, Entry, Is, below, open_below};
use super::tree::{FileText, too_large};
use super::walk::{Stamp, has_suffix, is_yaml, unreadable, why};
use crate::finding::{Code, Finding, Place};
use crate::ledger::{REPORT_LIMIT_BYTES, too_long};

/// The largest ledger export that is taken, in bytes; it is read line by line.
pub const EXPORT_LIMIT_BYTES: u64 = 8 << 30;
/// The longest line of one, in bytes.
const LINE_LIMIT_BYTES: u64 = 8 << 20;

/// What a dropped file holds, by its ending.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum FileKind {
    /// One report: `*.yaml`, `*.yml`, `*.json`.
    Report,
    /// A ledger export, one report or issued script a line: `*.jsonl`.
    Export,
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
    root: Arc<Path>,
    way: Box<str>,
    /// Nothing where its state cannot be told.
    stamp: Option<Stamp>,
    /// Whether a change after it was looked at must show in the stamp.
    settled: bool,
}

/// What lies in the reports folder.
#[derive(Debug, Clone, Default)]
pub struct Inbox {
    /// In the order of file names.
    pub files: Vec<Arc<Dropped>>,
    /// How long until the youngest of those left for the next look will have settled; nothing where none was left.
    pub waiting: Option<Duration>,
}

impl Inbox {
    /// Looks what lies in a folder and below it. Contents of files that `earlier` saw in the same state are not read
    /// again. `now` is a moment before the call. A finding says why the folder itself cannot be read.
    pub fn look(folder: &Folder, earlier: &Inbox, now: SystemTime, settle: Duration) -> (Inbox, Option<Finding>) {
        let Below { entries, finding, .. } = below(folder);
        let mut inbox = Inbox::default();
        let root: Arc<Path> = folder.path.as_path().into();
        for entry in entries {
            let rest = entry.stamp.and_then(|stamp| settles_in(&stamp, now, settle));
            match rest {
                Some(rest) => inbox.wait(rest),
                None => match dropped(&root, entry, earlier, now) {
                    Some(file) => inbox.files.push(file),
                    None => inbox.wait(settle),
                },
            }
        }
        (inbox, finding)
    }

    fn wait(&mut self, rest: Duration) {
        self.waiting = self.waiting.max(Some(rest));
    }
}

/// What the ending of a name says; nothing where that is no ending of a report.
fn kind(name: &str) -> Option<FileKind> {
    if is_yaml(name) || has_suffix(name, &["json"]) {
        Some(FileKind::Report)
    } else {
        has_suffix(name, &["jsonl"]).then_some(FileKind::Export)
    }
}

/// The finding for a name without an ending of a report.
fn no_report(shown: &Arc<str>) -> Finding {
    let (what, fix) = if has_suffix(shown, &["csv"]) {
        (
            "is a sheet, and sheets are not read yet",
            "Write a report file for each row, as the card of the station drafts it.",
        )
    } else {
        (
            "does not have the ending of a report",
            "Let its name end in .yaml, .yml, .json or .jsonl if it is a report. If it is not, put it elsewhere.",
        )
    };
    Finding::new(Code::ReportFile, Place::start_of(shown), format!("\"{shown}\" {what}."), fix)
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
fn dropped(root: &Arc<Path>, entry: Entry, earlier: &Inbox, now: SystemTime) -> Option<Arc<Dropped>> {
    let Entry { shown, way, stamp, is } = entry;
    let known = earlier.files.binary_search_by(|file| file.name.cmp(&shown)).ok().map(|at| &earlier.files[at]);
    if let Some(known) = known.filter(|known| known.stamp == stamp && known.settled) {
        return Some(known.clone());
    }
    let (kind, sha256) = match is {
        Is::Trouble(what, fix) => {
            let finding = Finding::new(Code::ReportFile, Place::start_of(&shown), format!("\"{shown}\" {what}."), fix);
            stray(finding, &[])
        }
        Is::File => contents(root, &shown, &way, stamp.as_ref()?)?,
    };
    let settled = stamp.is_some_and(|stamp| stamp.is_settled(now));
    Some(Arc::new(Dropped { name: shown, kind, sha256, root: root.clone(), way: way.into(), stamp, settled }))
}

/// What a regular file is, and by what it is known; nothing where it is gone or changed since it was listed.
fn contents(root: &Path, shown: &Arc<str>, way: &str, stamp: &Stamp) -> Option<(FileKind, [u8; 32])> {
    let kind = kind(shown);
    let limit = match &kind {
        Some(FileKind::Export) if stamp.size > EXPORT_LIMIT_BYTES => {
            return Some(stray(too_large(shown, stamp.size), &[]));
        }
        Some(FileKind::Export) => EXPORT_LIMIT_BYTES,
        // A longer one is rejected as reports are: kept, and told of.
        Some(FileKind::Report | FileKind::Stray(_)) => REPORT_LIMIT_BYTES + 1,
        None => REPORT_LIMIT_BYTES,
    };
    let hashed = match open_below(root, way).and_then(|file| file.map(|file| hash(file, limit)).transpose()) {
        Ok(Some((sha256, after))) if after == *stamp => Ok(sha256),
        Ok(Some(_) | None) => return None,
        Err(error) => Err(error),
    };
    Some(match (kind, hashed) {
        (Some(kind), Ok(sha256)) => (kind, sha256),
        (Some(_), Err(error)) => stray(not_read(shown, &error), &[]),
        (None, hashed) => stray(no_report(shown), hashed.as_ref().map_or(&[], |sha256| sha256)),
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

impl Dropped {
    fn open(&self) -> Result<Option<File>, Finding> {
        open_below(&self.root, &self.way).map_err(|error| not_read(&self.name, &error))
    }

    /// The content of a report. Nothing where it is another one by now: the next look sees that.
    ///
    /// # Errors
    /// A finding that says why the file cannot be read.
    pub fn content(&self) -> Result<Option<FileText>, Finding> {
        let Some(file) = self.open()? else { return Ok(None) };
        let size = file.metadata().map_err(|error| not_read(&self.name, &error))?.len();
        if size > REPORT_LIMIT_BYTES {
            return Err(too_long(&self.name, size));
        }
        let mut bytes = Vec::new();
        let read = file.take(REPORT_LIMIT_BYTES + 1).read_to_end(&mut bytes);
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

        fn look(&self, earlier: &Inbox, now: SystemTime) -> Inbox {
            let folder = Folder::new(self.dir.path(), "reports");
            let (inbox, finding) = Inbox::look(&folder, earlier, now, SETTLE);
            assert_eq!(finding, None);
            inbox
        }

        /// As seen when everything written so far has settled.
        fn settled(&self) -> Inbox {
            self.look(&Inbox::default(), later())
        }
    }

    fn later() -> SystemTime {
        SystemTime::now() + Duration::from_secs(60)
    }

    /// What is said of a stray; nothing of a report or export.
    fn said(file: &Dropped) -> Option<&str> {
        match &file.kind {
            FileKind::Stray(finding) => Some(&finding.message),
            FileKind::Report | FileKind::Export => None,
        }
    }

    #[test]
    fn all_that_lies_there_comes_in_the_order_of_names_and_what_is_no_report_says_why() {
        let scene = Scene::with(&[("b.yml", "1"), ("a.yaml", "2"), ("c.JSON", "3"), ("B.jsonl", "4")]);
        for name in [".a.yaml", "a.yaml~", "x.yaml.part", "README.md", "s.csv"] {
            scene.write(name, "x");
        }
        fs::create_dir(scene.dir.path().join("reports/may")).unwrap();
        scene.write("may/d.yaml", "5");
        scene.write("may/d.txt", "5");
        std::os::unix::fs::symlink("a.yaml", scene.dir.path().join("reports/z.yaml")).unwrap();
        let inbox = scene.settled();
        let files: Vec<_> = inbox.files.iter().map(|file| (&*file.name, said(file))).collect();
        let expected = [
            ("reports/B.jsonl", None),
            ("reports/README.md", Some("\"reports/README.md\" does not have the ending of a report.")),
            ("reports/a.yaml", None),
            ("reports/b.yml", None),
            ("reports/c.JSON", None),
            ("reports/may/d.txt", Some("\"reports/may/d.txt\" does not have the ending of a report.")),
            ("reports/may/d.yaml", None),
            ("reports/s.csv", Some("\"reports/s.csv\" is a sheet, and sheets are not read yet.")),
            ("reports/z.yaml", Some("\"reports/z.yaml\" is a symbolic link, and links are not followed here.")),
        ];
        assert_eq!((files.as_slice(), inbox.waiting), (expected.as_slice(), None));
        assert_eq!(inbox.files[0].kind, FileKind::Export);
    }

    #[test]
    fn a_stray_is_known_by_its_name_and_content_so_that_another_one_in_its_place_is_another() {
        let scene = Scene::with(&[("a.txt", "1"), ("b.txt", "1")]);
        let known = |inbox: &Inbox| inbox.files.iter().map(|file| file.sha256).collect::<Vec<_>>();
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
            let inbox = scene.look(&Inbox::default(), now);
            assert_eq!(inbox.files.is_empty(), inbox.waiting.is_some());
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
        let early = scene.look(&Inbox::default(), changed + SETTLE);
        let earlier = scene.look(&early, later());
        assert!(!Arc::ptr_eq(&early.files[1], &earlier.files[1]), "a change within the same tick need not show");
        scene.write("b.yaml", "3");
        let inbox = scene.look(&earlier, later());
        assert!(Arc::ptr_eq(&inbox.files[0], &earlier.files[0]));
        assert_ne!(inbox.files[1].sha256, earlier.files[1].sha256);
    }

    #[test]
    fn content_is_what_was_seen_or_nothing() {
        let scene = Scene::with(&[("a.yaml", "1"), ("b.jsonl", "{}"), ("c.yaml", "3")]);
        let inbox = scene.settled();
        assert_eq!(inbox.files[0].content().unwrap().unwrap().bytes, b"1");
        scene.write("a.yaml", "2");
        scene.write("b.jsonl", "{}\n{}");
        fs::remove_file(scene.dir.path().join("reports/c.yaml")).unwrap();
        assert_eq!(inbox.files[0].content().unwrap(), None);
        assert!(inbox.files[1].lines().unwrap().is_none());
        assert_eq!(inbox.files[2].content().unwrap(), None);
    }

    #[test]
    fn an_export_is_read_line_by_line_and_ends_at_what_is_no_line() {
        let scene = Scene::with(&[("a.jsonl", "{}\r\n\n  \n[1]\nlast")]);
        scene.write("b.jsonl", b"1\n\xff\n3\n");
        scene.write("c.jsonl", vec![b'x'; 8 * 1024 * 1024 + 1]);
        let inbox = scene.settled();
        let lines = |at: usize| -> Vec<Result<(u32, String), (Code, u32)>> {
            let lines = inbox.files[at].lines().unwrap().unwrap();
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
        let folder = Folder::new(scene.dir.path(), "reports");
        let (inbox, finding) = Inbox::look(&folder, &Inbox::default(), later(), SETTLE);
        assert_eq!(finding, None);
        let names: Vec<&str> = inbox.files.iter().map(|file| &*file.name).collect();
        assert_eq!(names, ["reports/a.yaml", "reports/huge.jsonl", "reports/long.json", "reports/z.yaml"]);
        assert!(said(&inbox.files[1]).is_some_and(|said| said.contains("8589934593 bytes")));
        assert_eq!(inbox.files[2].content().unwrap_err().code, Code::FileTooLarge, "to be rejected as a report is");
        fs::remove_dir_all(&folder.path).unwrap();
        assert_eq!(Inbox::look(&folder, &inbox, later(), SETTLE).1.unwrap().message, "\"reports\" is not there.");
    }
}
