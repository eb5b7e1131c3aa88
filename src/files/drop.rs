//! The reports folder: which files lie there, in the order of their names, and which are still being written.
//!
//! A file whose last change is younger than the settle time is left for the next look, since half a report can
//! read like a whole one. A program that writes with longer pauses should write under another ending (`x.tmp`)
//! and rename. Files stay where they lie; whether one was taken before is told by its content, elsewhere.

use std::fs::{self, File};
use std::io::{self, BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use sha2::{Digest, Sha256};

use super::Folder;
use super::tree::{Content, FileText, bounded, open_plain, too_large};
use super::walk::{Found, Scope, Stamp, has_suffix, is_yaml, unreadable, walk, why};
use crate::finding::{Code, Finding, Place};
use crate::ledger::{REPORT_LIMIT_BYTES, too_long};

/// The largest ledger export that is taken, in bytes; it is read line by line.
pub const EXPORT_LIMIT_BYTES: u64 = 8 << 30;
/// The longest line of one, in bytes.
const LINE_LIMIT_BYTES: u64 = 8 << 20;

/// What a dropped file holds, by its ending.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FileKind {
    /// One report: `*.yaml`, `*.yml`, `*.json`.
    Report,
    /// A ledger export, one report or issued script a line: `*.jsonl`.
    Export,
}

/// A file in the reports folder that is no longer being written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dropped {
    /// Relative to the configuration's folder.
    pub name: Arc<str>,
    /// What it holds.
    pub kind: FileKind,
    /// Of the content, of a report no further than to where it is seen to be too long; by it the file is known.
    pub sha256: [u8; 32],
    path: PathBuf,
    stamp: Stamp,
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
    /// Looks what lies in a folder (not below it). Contents of files that `earlier` saw in the same state are not read
    /// again. `now` is a moment before the call. Findings concern single files; the others are taken all the same.
    pub fn look(folder: &Folder, earlier: &Inbox, now: SystemTime, settle: Duration) -> (Inbox, Vec<Finding>) {
        let found = walk(folder, scope());
        let mut inbox = Inbox::default();
        let mut findings = found.findings;
        for (name, found) in found.files {
            match settles_in(&found.stamp, now, settle) {
                Some(rest) => inbox.wait(rest),
                None => match dropped(&name, found, earlier, now) {
                    Ok(Some(file)) => inbox.files.push(file),
                    Ok(None) => inbox.wait(settle),
                    Err(finding) => findings.push(finding),
                },
            }
        }
        (inbox, findings)
    }

    fn wait(&mut self, rest: Duration) {
        self.waiting = self.waiting.max(Some(rest));
    }
}

/// Which files of the folder count.
pub(super) fn scope() -> Scope {
    Scope { deep: false, wanted: |name| kind_of(name).is_some() }
}

fn kind_of(name: &str) -> Option<FileKind> {
    if is_yaml(name) || has_suffix(name, &["json"]) {
        Some(FileKind::Report)
    } else {
        has_suffix(name, &["jsonl"]).then_some(FileKind::Export)
    }
}

/// How long the file must still be left alone. A change that the clock puts further ahead than the settle time
/// says nothing, and the file is taken.
fn settles_in(stamp: &Stamp, now: SystemTime, settle: Duration) -> Option<Duration> {
    match stamp.quiet_for(now) {
        Some(quiet) => settle.checked_sub(quiet).filter(|rest| !rest.is_zero()),
        None => now.checked_add(settle).and_then(|then| stamp.quiet_for(then)).map(|ahead| settle + settle - ahead),
    }
}

/// Nothing where the file is gone or changed meanwhile.
fn dropped(name: &Arc<str>, found: Found, earlier: &Inbox, now: SystemTime) -> Result<Option<Arc<Dropped>>, Finding> {
    let known = earlier.files.binary_search_by(|file| file.name.cmp(name)).ok().map(|at| &earlier.files[at]);
    if let Some(known) = known.filter(|known| known.stamp == found.stamp && known.settled) {
        return Ok(Some(known.clone()));
    }
    let Some(kind) = kind_of(name) else { return Ok(None) };
    let limit = match kind {
        // Longer ones are rejected as reports are: kept, and told of.
        FileKind::Report => REPORT_LIMIT_BYTES + 1,
        FileKind::Export if found.stamp.size > EXPORT_LIMIT_BYTES => return Err(too_large(name, found.stamp.size)),
        FileKind::Export => EXPORT_LIMIT_BYTES,
    };
    match hash(&found.path, limit) {
        Ok(Some((sha256, stamp))) if stamp == found.stamp => {
            let settled = stamp.is_settled(now);
            Ok(Some(Arc::new(Dropped { name: name.clone(), kind, sha256, path: found.path, stamp, settled })))
        }
        Ok(Some(_) | None) => Ok(None),
        Err(error) => Err(not_read(name, &error)),
    }
}

fn not_read(name: &str, error: &io::Error) -> Finding {
    unreadable(name, &format!("cannot be read: {}", why(error)), "Look at its owner and permissions.")
}

/// The hash of a file, and the state it was in afterwards.
fn hash(path: &Path, limit: u64) -> io::Result<Option<([u8; 32], Stamp)>> {
    let gone = |error: io::Error| if error.kind() == io::ErrorKind::NotFound { Ok(None) } else { Err(error) };
    let file = match open_plain(path) {
        Ok(Some(file)) => file,
        Ok(None) => return Ok(None),
        Err(error) => return gone(error),
    };
    let mut hasher = Sha256::new();
    let mut reader = file.take(limit);
    let mut buffer = vec![0; 64 << 10];
    loop {
        match reader.read(&mut buffer)? {
            0 => break,
            n => hasher.update(&buffer[..n]),
        }
    }
    match fs::metadata(path) {
        Ok(meta) => Ok(Some((hasher.finalize().into(), Stamp::of(&meta)))),
        Err(error) => gone(error),
    }
}

impl Dropped {
    /// The content of a report. Nothing where it is another one by now: the next look sees that.
    ///
    /// # Errors
    /// A finding that says why the file cannot be read.
    pub fn content(&self) -> Result<Option<FileText>, Finding> {
        match bounded(&self.path, REPORT_LIMIT_BYTES) {
            Ok(Content::Bytes(bytes)) => Ok(Some(FileText::new(bytes)).filter(|text| text.sha256 == self.sha256)),
            Ok(Content::TooLarge(size)) => Err(too_long(&self.name, size)),
            Ok(Content::NoFile) => Ok(None),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(not_read(&self.name, &error)),
        }
    }

    /// The lines of an export, one at a time. Nothing where the file is another one by now.
    ///
    /// # Errors
    /// A finding that says why the file cannot be read.
    pub fn lines(&self) -> Result<Option<ExportLines>, Finding> {
        let file = match open_plain(&self.path) {
            Ok(Some(file)) => file,
            Ok(None) => return Ok(None),
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(not_read(&self.name, &error)),
        };
        let meta = file.metadata().map_err(|error| not_read(&self.name, &error))?;
        let lines = ExportLines { name: self.name.clone(), reader: BufReader::new(file), line: 0, ended: false };
        Ok((Stamp::of(&meta) == self.stamp).then_some(lines))
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
            let (inbox, findings) = Inbox::look(&folder, earlier, now, SETTLE);
            assert_eq!(findings, []);
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

    #[test]
    fn reports_and_exports_come_in_the_order_of_their_names_and_nothing_else_does() {
        let scene = Scene::with(&[("b.yml", "1"), ("a.yaml", "2"), ("c.JSON", "3"), ("B.jsonl", "4")]);
        for name in [".a.yaml", "a.yaml~", "x.tmp", "x.yaml.part", "README.md"] {
            scene.write(name, "x");
        }
        fs::create_dir(scene.dir.path().join("reports/kept")).unwrap();
        fs::write(scene.dir.path().join("reports/kept/d.yaml"), "5").unwrap();
        let inbox = scene.settled();
        let files: Vec<_> = inbox.files.iter().map(|file| (&*file.name, file.kind)).collect();
        let expected = [
            ("reports/B.jsonl", FileKind::Export),
            ("reports/a.yaml", FileKind::Report),
            ("reports/b.yml", FileKind::Report),
            ("reports/c.JSON", FileKind::Report),
        ];
        assert_eq!((files.as_slice(), inbox.waiting), (expected.as_slice(), None));
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
    fn one_bad_file_is_a_finding_and_the_others_are_taken() {
        let scene = Scene::with(&[("a.yaml", "1"), ("z.yaml", "2")]);
        let huge = File::create(scene.dir.path().join("reports/huge.jsonl")).unwrap();
        huge.set_len(EXPORT_LIMIT_BYTES + 1).unwrap();
        scene.write("long.json", vec![b' '; REPORT_LIMIT_BYTES as usize + 1]);
        std::os::unix::fs::symlink("nowhere", scene.dir.path().join("reports/gone.yaml")).unwrap();
        let folder = Folder::new(scene.dir.path(), "reports");
        let (inbox, findings) = Inbox::look(&folder, &Inbox::default(), later(), SETTLE);
        let names: Vec<&str> = inbox.files.iter().map(|file| &*file.name).collect();
        assert_eq!(names, ["reports/a.yaml", "reports/long.json", "reports/z.yaml"]);
        assert_eq!(inbox.files[1].content().unwrap_err().code, Code::FileTooLarge, "to be rejected as a report is");
        let codes: Vec<_> = findings.iter().map(|f| (f.code, &*f.place.file)).collect();
        assert_eq!(codes, [(Code::FileUnreadable, "reports/gone.yaml"), (Code::FileTooLarge, "reports/huge.jsonl")]);
        fs::remove_dir_all(&folder.path).unwrap();
        assert_eq!(Inbox::look(&folder, &inbox, later(), SETTLE).1[0].message, "`reports` is not there.");
    }
}
