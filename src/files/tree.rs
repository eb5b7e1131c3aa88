//! The texts of a folder tree at one moment.
//!
//! A tree is taken whole: names and states are compared before and after reading, and what changed
//! meanwhile is read again. It never looks at what the texts say.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::fs::{self, File};
use std::io::{self, Read};
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use sha2::{Digest, Sha256};

use super::Folder;
use super::walk::{LIMIT_TREE_BYTES, Stamp, Walk, unreadable, walk, why};
use crate::finding::{Code, Finding, Place};
use crate::yaml::LIMIT_BYTES;

/// How often a tree that changes under the reader is read anew, and the first wait between.
const TRIES: u32 = 5;
const FIRST_PAUSE: Duration = Duration::from_millis(20);

/// A file's content.
#[derive(Clone, PartialEq, Eq)]
pub struct FileText {
    /// As they lie in the file.
    pub bytes: Vec<u8>,
    /// Of the bytes.
    pub sha256: [u8; 32],
}

impl FileText {
    /// The content with its hash.
    pub fn new(bytes: Vec<u8>) -> FileText {
        let sha256 = Sha256::digest(&bytes).into();
        FileText { bytes, sha256 }
    }

    /// As text, where it is UTF-8.
    pub fn text(&self) -> Option<&str> {
        std::str::from_utf8(&self.bytes).ok()
    }
}

impl fmt::Debug for FileText {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "FileText({} bytes)", self.bytes.len())
    }
}

/// Which files are read again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Look {
    /// Those whose device, inode, size or times changed, or had changed so shortly before they were read last that a
    /// further change need not show.
    Changed,
    /// All of them.
    Whole,
}

/// The files of a folder tree, by path relative to the configuration's folder. Two are equal when their texts are.
#[derive(Debug, Clone, Default)]
pub struct Tree {
    /// Those that could be read.
    pub files: BTreeMap<Arc<str>, Arc<FileText>>,
    /// The state each file was read in, for the next look; left out where a change right after need not show in it.
    stamps: BTreeMap<Arc<str>, Stamp>,
}

impl PartialEq for Tree {
    fn eq(&self, other: &Tree) -> bool {
        self.files.len() == other.files.len() && self.differing(other).is_empty()
    }
}

impl Eq for Tree {}

impl FromIterator<(Arc<str>, Arc<FileText>)> for Tree {
    /// A tree that does not come from a folder.
    fn from_iter<I: IntoIterator<Item = (Arc<str>, Arc<FileText>)>>(files: I) -> Tree {
        Tree { files: files.into_iter().collect(), stamps: BTreeMap::new() }
    }
}

impl Tree {
    /// Reads every `*.yaml` and `*.yml` below a folder. `earlier` is the last look at the same folder (or an empty
    /// tree): unchanged texts are shared with it. `now` is a moment before the call.
    ///
    /// With a finding the tree is not whole, and only fit to be checked further.
    pub fn read(folder: &Folder, earlier: &Tree, look: Look, now: SystemTime) -> (Tree, Vec<Finding>) {
        Tree::read_between(folder, earlier, look, now, &mut |_| {})
    }

    /// `between` is called after each reading and before it is compared, with the number of the try.
    fn read_between(
        folder: &Folder,
        earlier: &Tree,
        look: Look,
        now: SystemTime,
        between: &mut dyn FnMut(u32),
    ) -> (Tree, Vec<Finding>) {
        let mut before = walk(folder);
        let (mut tree, mut findings) = Tree::contents(&before, earlier, look, now, LIMIT_TREE_BYTES);
        for turn in 0..TRIES {
            between(turn);
            let after = walk(folder);
            if after.files == before.files && after.findings == before.findings {
                return (tree, findings);
            }
            std::thread::sleep(FIRST_PAUSE * (1 << turn));
            before = walk(folder);
            (tree, findings) = Tree::contents(&before, earlier, look, now, LIMIT_TREE_BYTES);
        }
        let fix = "Look for a program that keeps writing there.";
        findings.push(unreadable(&folder.shown, "changes all the time while it is read", fix));
        (tree, findings)
    }

    /// `left` is the most bytes.
    fn contents(walk: &Walk, earlier: &Tree, look: Look, now: SystemTime, mut left: u64) -> (Tree, Vec<Finding>) {
        let mut tree = Tree::default();
        let mut findings = walk.findings.clone();
        for (name, found) in &walk.files {
            let known = earlier.files.get(name);
            let same = look == Look::Changed && earlier.stamps.get(name) == Some(&found.stamp);
            let text = match known.filter(|_| same) {
                Some(text) => text.clone(),
                None => match content(name, &found.path) {
                    Ok(Some(text)) => shared(known, text),
                    Ok(None) => continue,
                    Err(finding) => {
                        findings.push(finding);
                        continue;
                    }
                },
            };
            let Some(rest) = left.checked_sub(text.bytes.len() as u64) else {
                findings.push(too_much(name));
                break;
            };
            left = rest;
            tree.files.insert(name.clone(), text);
            if found.stamp.is_settled(now) {
                tree.stamps.insert(name.clone(), found.stamp);
            }
        }
        (tree, findings)
    }

    /// The names whose text is not the same in both, or that only one of them has.
    pub fn differing(&self, other: &Tree) -> BTreeSet<Arc<str>> {
        let mine = self.files.iter().filter(|(name, text)| match other.files.get(*name) {
            Some(theirs) => !Arc::ptr_eq(theirs, text) && theirs.sha256 != text.sha256,
            None => true,
        });
        let theirs = other.files.keys().filter(|name| !self.files.contains_key(*name));
        mine.map(|(name, _)| name).chain(theirs).cloned().collect()
    }

    /// The text of a file, for showing the line of a finding.
    pub fn text(&self, name: &str) -> Option<&str> {
        self.files.get(name)?.text()
    }
}

fn shared(known: Option<&Arc<FileText>>, text: FileText) -> Arc<FileText> {
    match known {
        Some(known) if known.sha256 == text.sha256 => known.clone(),
        Some(_) | None => Arc::new(text),
    }
}

/// The finding for the file with which a tree has more bytes than are read.
pub fn too_much(name: &str) -> Finding {
    let message = format!("With this file the tree has more than {} MiB.", LIMIT_TREE_BYTES >> 20);
    let fix = "Look for a file that does not belong there.";
    Finding::new(Code::FileTooLarge, Place::start_of(&name.into()), message, fix)
}

/// Reads one file, named `shown` in findings, of at most 32 MiB.
///
/// # Errors
/// A finding that says why it cannot be read.
pub fn read_file(shown: &str, path: &Path) -> Result<FileText, Finding> {
    content(shown, path)?.ok_or_else(|| unreadable(shown, "is not there", "Look for a slip in its path."))
}

/// Nothing where the file is gone.
fn content(shown: &str, path: &Path) -> Result<Option<FileText>, Finding> {
    match bounded(path, LIMIT_BYTES as u64) {
        Ok(Content::Bytes(bytes)) => Ok(Some(FileText::new(bytes))),
        Ok(Content::TooLarge(size)) => Err(too_large(shown, size)),
        Ok(Content::NoFile) => Err(unreadable(shown, "is not a regular file", "Give the path of a regular file.")),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => {
            let what = format!("cannot be read: {}", why(&error));
            Err(unreadable(shown, &what, "Look at its owner and permissions."))
        }
    }
}

/// The finding for a file of more bytes than are read.
pub fn too_large(shown: &str, size: u64) -> Finding {
    let message = format!("The file has {size} bytes; {LIMIT_BYTES} is the most that is read.");
    Finding::new(Code::FileTooLarge, Place::start_of(&shown.into()), message, "Split it into several files.")
}

/// What reading a file came to.
pub(super) enum Content {
    Bytes(Vec<u8>),
    /// Its size in bytes, at least.
    TooLarge(u64),
    /// A folder, a pipe or the like.
    NoFile,
}

/// Opens a plain file; nothing for anything else. A pipe is never opened, since that would wait for its writer.
pub(super) fn open_plain(path: &Path) -> io::Result<Option<File>> {
    if !fs::metadata(path)?.is_file() {
        return Ok(None);
    }
    let file = File::open(path)?;
    Ok(file.metadata()?.is_file().then_some(file))
}

/// Reads a plain file of at most `limit` bytes; a larger one is not read.
pub(super) fn bounded(path: &Path, limit: u64) -> io::Result<Content> {
    let Some(file) = open_plain(path)? else { return Ok(Content::NoFile) };
    let size = file.metadata()?.len();
    if size > limit {
        return Ok(Content::TooLarge(size));
    }
    let mut bytes = Vec::with_capacity(usize::try_from(size).unwrap_or(0));
    let read = file.take(limit + 1).read_to_end(&mut bytes)? as u64;
    Ok(if read > limit { Content::TooLarge(read) } else { Content::Bytes(bytes) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::os::unix::ffi::OsStrExt;
    use std::os::unix::fs::symlink;
    use std::path::PathBuf;

    struct Scene {
        dir: tempfile::TempDir,
    }

    impl Scene {
        fn new() -> Scene {
            let dir = tempfile::tempdir().unwrap();
            fs::create_dir(dir.path().join("in")).unwrap();
            Scene { dir }
        }

        fn folder(&self) -> Folder {
            Folder::new(self.dir.path(), "in")
        }

        fn path(&self, name: &str) -> PathBuf {
            self.dir.path().join("in").join(name)
        }

        fn write(&self, name: &str, text: &str) {
            fs::create_dir_all(self.path(name).parent().unwrap()).unwrap();
            fs::write(self.path(name), text).unwrap();
        }

        fn read(&self, earlier: &Tree, look: Look, now: SystemTime) -> Tree {
            let (tree, findings) = Tree::read(&self.folder(), earlier, look, now);
            assert_eq!(findings, []);
            tree
        }

        fn fresh(&self) -> Tree {
            self.read(&Tree::default(), Look::Whole, SystemTime::now())
        }

        fn findings(&self) -> Vec<(Code, String)> {
            let (_, mut findings) = Tree::read(&self.folder(), &Tree::default(), Look::Whole, SystemTime::now());
            findings.sort();
            findings.into_iter().map(|f| (f.code, f.message)).collect()
        }
    }

    /// A moment at which every file of the test has settled.
    fn later() -> SystemTime {
        SystemTime::now() + Duration::from_secs(60)
    }

    #[test]
    fn a_tree_holds_the_yaml_below_its_folder_and_nothing_hidden_or_left_behind() {
        let scene = Scene::new();
        for name in ["b.yaml", "sites/a.yml", "sites/deep/er/C.YAML", "README.md", "x.json"] {
            scene.write(name, "v: 1\n");
        }
        let passed =
            [".git/x.yaml", ".hidden.yaml", "a.yaml~", "#b.yaml#", ".#b.yaml", ".b.yaml.swp", "4913", "old~/x.yaml"];
        for name in passed {
            scene.write(name, "v: 1\n");
        }
        let tree = scene.fresh();
        let names: Vec<&str> = tree.files.keys().map(|name| &**name).collect();
        assert_eq!(names, ["in/b.yaml", "in/sites/a.yml", "in/sites/deep/er/C.YAML"]);
        assert_eq!(tree.text("in/b.yaml"), Some("v: 1\n"));
    }

    #[test]
    fn linked_files_and_folders_are_read_under_the_name_of_the_link() {
        let scene = Scene::new();
        scene.write("..one/a.yaml", "a");
        fs::create_dir(scene.dir.path().join("far")).unwrap();
        fs::write(scene.dir.path().join("far/b.yaml"), "b").unwrap();
        symlink("..one", scene.path("..data")).unwrap();
        symlink("..data/a.yaml", scene.path("a.yaml")).unwrap();
        symlink("../far", scene.path("sites")).unwrap();
        let tree = scene.fresh();
        assert_eq!((tree.text("in/a.yaml"), tree.text("in/sites/b.yaml")), (Some("a"), Some("b")));
        assert_eq!(tree.files.len(), 2);
    }

    #[test]
    fn an_unchanged_file_is_not_read_again_unless_everything_is() {
        let scene = Scene::new();
        scene.write("a.yaml", "right");
        let text_after = |now, look| {
            let mut earlier = scene.read(&Tree::default(), Look::Changed, now);
            // Only who reads the file can tell that this is not its text.
            earlier.files.insert("in/a.yaml".into(), Arc::new(FileText::new(b"wrong".to_vec())));
            scene.read(&earlier, look, later()).text("in/a.yaml").unwrap().to_owned()
        };
        assert_eq!(text_after(later(), Look::Changed), "wrong");
        assert_eq!(text_after(later(), Look::Whole), "right");
        let just_written = fs::metadata(scene.path("a.yaml")).unwrap().modified().unwrap();
        assert_eq!(text_after(just_written, Look::Changed), "right", "a change within the same tick need not show");
    }

    #[test]
    fn equal_texts_are_shared_with_the_earlier_look() {
        let scene = Scene::new();
        scene.write("a.yaml", "a");
        scene.write("b.yaml", "b");
        let earlier = scene.fresh();
        scene.write("b.yaml", "c");
        let tree = scene.read(&earlier, Look::Whole, SystemTime::now());
        assert!(Arc::ptr_eq(&tree.files["in/a.yaml"], &earlier.files["in/a.yaml"]));
        assert_eq!(tree.differing(&earlier), ["in/b.yaml".into()].into());
        assert_ne!(tree, earlier);
    }

    #[test]
    fn what_cannot_be_read_whole_is_a_finding_and_never_an_empty_tree() {
        let scene = Scene::new();
        fs::remove_dir(scene.path("")).unwrap();
        assert_eq!(scene.findings(), [(Code::FileUnreadable, "\"in\" is not there.".into())]);
        fs::write(scene.dir.path().join("in"), "").unwrap();
        assert_eq!(scene.findings(), [(Code::FileUnreadable, "\"in\" is not a folder.".into())]);
    }

    #[test]
    fn hostile_entries_end_in_findings_in_bounded_time() {
        let scene = Scene::new();
        symlink("nowhere", scene.path("gone.yaml")).unwrap();
        symlink("nowhere", scene.path("gone")).unwrap();
        symlink("self.yaml", scene.path("self.yaml")).unwrap();
        symlink(".", scene.path("loop")).unwrap();
        fs::create_dir(scene.path("sites")).unwrap();
        symlink("..", scene.path("sites/up")).unwrap();
        let made = std::process::Command::new("mkfifo").arg(scene.path("pipe.yaml")).status().unwrap();
        assert!(made.success());
        File::create(scene.path("huge.yaml")).unwrap().set_len(LIMIT_BYTES as u64 + 1).unwrap();
        fs::write(scene.path("line\nbreak.yaml"), "").unwrap();
        fs::write(scene.path("").join(std::ffi::OsStr::from_bytes(b"\xff.yaml")), "").unwrap();
        let found: Vec<String> = scene.findings().into_iter().map(|(code, text)| format!("{code}: {text}")).collect();
        let expected = [
            "file-unreadable: \"in/gone\" is a link that leads nowhere.",
            "file-unreadable: \"in/gone.yaml\" is a link that leads nowhere.",
            "file-too-large: The file has 33554433 bytes; 33554432 is the most that is read.",
            "file-unreadable: \"in/line\\nbreak.yaml\" has a name that is not text.",
            "file-unreadable: \"in/loop\" is a link back to a folder that contains it.",
            "file-unreadable: \"in/pipe.yaml\" is not a regular file.",
            "file-unreadable: \"in/self.yaml\" cannot be read: Too many levels of symbolic links (os error 40).",
            "file-unreadable: \"in/sites/up\" is a link back to a folder that contains it.",
            "file-unreadable: \"in/\u{fffd}.yaml\" has a name that is not text.",
        ];
        assert_eq!(found, expected);
    }

    #[test]
    fn a_tree_nests_only_so_deep_and_holds_only_so_much() {
        let scene = Scene::new();
        scene.write(&format!("{}a.yaml", "d/".repeat(31)), "");
        assert_eq!(scene.findings(), []);
        scene.write(&format!("{}a.yaml", "d/".repeat(32)), "");
        assert!(scene.findings()[0].1.ends_with("nests too deeply."));

        let scene = Scene::new();
        scene.write("a.yaml", "12345");
        scene.write("b.yaml", "12345");
        let found = walk(&scene.folder());
        let within = |limit| Tree::contents(&found, &Tree::default(), Look::Whole, later(), limit);
        assert_eq!(within(10).1, []);
        let (tree, findings) = within(9);
        assert_eq!((tree.files.len(), findings[0].code), (1, Code::FileTooLarge));
        assert_eq!(&*findings[0].place.file, "in/b.yaml");
    }

    #[test]
    fn a_file_that_changes_while_it_is_read_is_read_again() {
        let scene = Scene::new();
        scene.write("a.yaml", "half");
        let between = &mut |turn| {
            if turn == 0 {
                scene.write("a.yaml", "whole");
                scene.write("b.yaml", "new");
            }
        };
        let (tree, findings) =
            Tree::read_between(&scene.folder(), &Tree::default(), Look::Changed, SystemTime::now(), between);
        assert_eq!(findings, []);
        assert_eq!((tree.text("in/a.yaml"), tree.text("in/b.yaml")), (Some("whole"), Some("new")));
    }

    #[test]
    fn a_tree_that_never_keeps_still_is_a_finding() {
        let scene = Scene::new();
        let between = &mut |turn| scene.write(&format!("{turn}.yaml"), "");
        let (_, findings) =
            Tree::read_between(&scene.folder(), &Tree::default(), Look::Changed, SystemTime::now(), between);
        assert_eq!(findings[0].message, "\"in\" changes all the time while it is read.");
    }

    #[test]
    fn a_single_file_is_read_or_says_why_not() {
        let scene = Scene::new();
        scene.write("a.yaml", "a");
        assert_eq!(read_file("a.yaml", &scene.path("a.yaml")).unwrap().bytes, b"a");
        let message = |name: &str| read_file(name, &scene.path(name)).unwrap_err().message;
        assert_eq!(message("b.yaml"), "\"b.yaml\" is not there.");
        assert_eq!(message("."), "\".\" is not a regular file.");
    }

    #[derive(Debug, Clone)]
    enum Deed {
        Write(u8, u8),
        Remove(u8),
        Rename(u8, u8),
        Link(u8, u8),
    }

    fn deed() -> impl Strategy<Value = Deed> {
        prop_oneof![
            (0u8..4, 0u8..3).prop_map(|(file, text)| Deed::Write(file, text)),
            (0u8..4).prop_map(Deed::Remove),
            (0u8..4, 0u8..4).prop_map(|(from, to)| Deed::Rename(from, to)),
            (0u8..4, 0u8..4).prop_map(|(from, to)| Deed::Link(from, to)),
        ]
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(40))]

        #[test]
        fn looking_at_what_changed_comes_to_the_same_as_looking_at_everything(
            deeds in proptest::collection::vec(deed(), 1..12),
        ) {
            let scene = Scene::new();
            let path = |file: u8| scene.path(&format!("{file}.yaml"));
            let mut tree = scene.fresh();
            for deed in deeds {
                // Deeds on files that are not there fail, which is as good a deed as any.
                let _ = match deed {
                    Deed::Write(file, text) => fs::write(path(file), format!("text {text}")),
                    Deed::Remove(file) => fs::remove_file(path(file)),
                    Deed::Rename(from, to) => fs::rename(path(from), path(to)),
                    Deed::Link(from, to) => fs::hard_link(path(from), path(to)),
                };
                tree = scene.read(&tree, Look::Changed, SystemTime::now());
                prop_assert_eq!(&tree, &scene.fresh());
            }
        }
    }
}
