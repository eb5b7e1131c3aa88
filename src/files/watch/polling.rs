//! What has to be watched so that no change goes unheard, and the state that all of it is in.
//!
//! Every folder on the way to a file or folder of interest is watched for the one name that matters in it, and
//! so is every folder that a symbolic link on the way stands in: whatever is replaced, moved or linked anew, one
//! of them hears of it. Folders of a tree are watched for all their names. It reads no file.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::ffi::{OsStr, OsString};
use std::fs;
use std::io::Read;
use std::path::{Component, Path, PathBuf};
use std::time::Instant;

use sha2::{Digest, Sha256};

use super::Interest;
use crate::files::below::{Listed, below};
use crate::files::walk::{COARSE, Stamp, Walk, is_read, passed_over, walk};
use crate::files::{Folder, ReportFolders};

/// More links than this on one way are a loop (the kernel's own limit).
const LIMIT_LINKS: u32 = 40;
/// How many folders upwards a git work tree is looked for.
const LIMIT_UP: usize = 40;

/// The names in a watched folder that matter.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Names {
    /// Every name, but those that are passed over.
    pub all: bool,
    pub named: BTreeSet<OsString>,
    /// Whether reports are dropped there.
    pub inbox: bool,
}

/// The folders to watch, each by its path without links.
pub(super) type Posts = BTreeMap<PathBuf, Names>;

/// What an event is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Of {
    /// Something comes, goes, or is otherwise than it was.
    Entry,
    /// What a file holds, which matters only where the file is read: a log may grow in the folder.
    Content,
}

/// Whether a change at `path` matters.
pub(super) fn matters(posts: &Posts, path: &Path, of: Of) -> bool {
    if posts.contains_key(path) {
        return true;
    }
    let (Some(folder), Some(name)) = (path.parent(), path.file_name()) else { return false };
    let counts = |name: &str| match of {
        Of::Entry => !passed_over(name),
        Of::Content => !passed_over(name) && is_read(name),
    };
    let by_place = |names: &Names| names.all && name.to_str().is_none_or(counts);
    posts.get(folder).is_some_and(|names| names.named.contains(name) || by_place(names))
}

/// Whether a change at `path` is one of the reports that are dropped.
pub(super) fn is_dropped(posts: &Posts, path: &Path) -> bool {
    [Some(path), path.parent()].into_iter().flatten().any(|folder| posts.get(folder).is_some_and(|names| names.inbox))
}

/// Folders of reports, by path, as they were last gone through: a memo, so that many files in them cost nothing while none is
/// added, taken away or renamed. What changes within a file does not show there.
pub(super) type Seen = BTreeMap<PathBuf, SeenInbox>;

/// One of them.
#[derive(Debug)]
pub(super) struct SeenInbox {
    listed: Listed,
    /// When its folders were first seen in these states.
    first: Instant,
    /// Whether that is longer ago than a clock tick, so that every later change must show in the states.
    settled: bool,
    /// Of all that lies there.
    state: [u8; 32],
}

impl SeenInbox {
    fn of(folders: &ReportFolders, known: Option<SeenInbox>, now: Instant) -> SeenInbox {
        if let Some(known) = known.as_ref().filter(|known| known.settled && known.listed.is_as_it_was(folders)) {
            return SeenInbox { listed: known.listed.clone(), ..*known };
        }
        let found = below(folders);
        let mut state = Sha256::new();
        for entry in &found.entries {
            let stamp = entry.stamp.filter(|_| is_read(&entry.shown));
            state.update(format!("{}\0{stamp:?}\0{:?}\0", entry.shown, entry.is));
        }
        if let Some(finding) = &found.finding {
            state.update(format!("{finding}\0"));
        }
        let first = known.filter(|known| known.listed == found.listed).map_or(now, |known| known.first);
        let settled = now.saturating_duration_since(first) >= COARSE;
        SeenInbox { listed: found.listed, first, settled, state: state.finalize().into() }
    }
}

/// One look at everything of interest.
#[derive(Debug, Default)]
pub(super) struct Polling {
    pub posts: Posts,
    /// Equal for two looks between which nothing changed, as far as sizes, times and inodes tell.
    pub state: [u8; 32],
    /// Files that exist while git writes the work tree.
    pub locks: BTreeSet<PathBuf>,
}

impl Polling {
    /// Looks at everything now. Folders of reports that are as they were `seen` are not gone through again.
    pub fn of(interest: &Interest, seen: &mut Seen, now: Instant) -> Polling {
        let mut posts = Posts::new();
        let mut state = Sha256::new();
        let mut locks = BTreeSet::new();
        for folder in &interest.trees {
            let found = walk(folder);
            post(&found, folder, &mut posts);
            note(&found, &mut state);
            locks.extend(lock_of(&folder.path));
        }
        seen.retain(|path, _| interest.inboxes.iter().any(|folders| folders.dropped.path == *path));
        for folders in &interest.inboxes {
            dropped(folders, now, seen, &mut posts, &mut state);
            locks.extend(lock_of(&folders.dropped.path));
        }
        for path in &interest.files {
            trace(path, &mut posts);
            let stamp = fs::metadata(path).ok().map(|meta| Stamp::of(&meta));
            state.update(format!("{}\0{stamp:?}\0", path.display()));
        }
        Polling { posts, state: state.finalize().into(), locks }
    }
}

fn dropped(folders: &ReportFolders, now: Instant, seen: &mut Seen, posts: &mut Posts, state: &mut Sha256) {
    let path = &folders.dropped.path;
    trace(path, posts);
    let now = SeenInbox::of(folders, seen.remove(path), now);
    for real in now.listed.folders.keys() {
        let names = posts.entry(real.clone()).or_default();
        (names.all, names.inbox) = (true, true);
    }
    state.update(now.state);
    seen.insert(path.clone(), now);
}

fn post(found: &Walk, folder: &Folder, posts: &mut Posts) {
    trace(&folder.path, posts);
    for real in &found.folders {
        posts.entry(real.clone()).or_default().all = true;
    }
    for link in &found.links {
        trace(link, posts);
    }
}

fn note(found: &Walk, state: &mut Sha256) {
    for (name, file) in &found.files {
        state.update(format!("{name}\0{:?}\0", file.stamp));
    }
    for finding in &found.findings {
        state.update(format!("{finding}\0"));
    }
}

/// Follows a path step by step as the system does, and posts a watch for each step.
///
/// Where a step is missing the watch waits for it; the rest is posted once it is there.
fn trace(path: &Path, posts: &mut Posts) {
    let mut rest: VecDeque<OsString> = steps(path).collect();
    let mut real = PathBuf::from("/");
    let mut links = 0;
    while let Some(step) = rest.pop_front() {
        if step == ".." {
            real.pop();
            continue;
        }
        posts.entry(real.clone()).or_default().named.insert(step.clone());
        let next = real.join(&step);
        let Ok(meta) = fs::symlink_metadata(&next) else { return };
        if !meta.is_symlink() {
            real = next;
            continue;
        }
        links += 1;
        let Ok(target) = fs::read_link(&next) else { return };
        if links > LIMIT_LINKS {
            return;
        }
        if target.is_absolute() {
            real = PathBuf::from("/");
        }
        for step in steps(&target).collect::<Vec<_>>().into_iter().rev() {
            rest.push_front(step);
        }
    }
}

fn steps(path: &Path) -> impl Iterator<Item = OsString> + '_ {
    path.components().filter_map(|part| match part {
        Component::Normal(name) => Some(name.to_owned()),
        Component::ParentDir => Some(OsStr::new("..").to_owned()),
        Component::RootDir | Component::CurDir | Component::Prefix(_) => None,
    })
}

/// The lock of the git work tree that a folder lies in (gitrepository-layout(5)).
fn lock_of(folder: &Path) -> Option<PathBuf> {
    let real = fs::canonicalize(folder).ok()?;
    let git = real.ancestors().take(LIMIT_UP).map(|up| up.join(".git")).find(|git| git.exists())?;
    if git.is_dir() {
        return Some(git.join("index.lock"));
    }
    // A linked work tree: `.git` is a file that says where its data are.
    let mut text = String::new();
    fs::File::open(&git).ok()?.take(4096).read_to_string(&mut text).ok()?;
    let data = text.strip_prefix("gitdir:")?.trim();
    Some(git.parent()?.join(data).join("index.lock"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;

    #[test]
    fn a_watch_stands_at_every_step_of_a_linked_path() {
        let dir = tempfile::tempdir().unwrap();
        let top = fs::canonicalize(dir.path()).unwrap();
        fs::create_dir_all(top.join("releases/5/inventory")).unwrap();
        symlink("releases/5", top.join("current")).unwrap();
        let mut posts = Posts::new();
        trace(&top.join("current/inventory"), &mut posts);
        for path in ["current", "releases", "releases/5", "releases/5/inventory"] {
            assert!(matters(&posts, &top.join(path), Of::Entry), "{path}");
        }
        for path in ["other", "releases/6", "releases/5/other"] {
            assert!(!matters(&posts, &top.join(path), Of::Entry), "{path}");
        }
    }

    #[test]
    fn a_loop_of_links_and_a_missing_step_end_the_way() {
        let dir = tempfile::tempdir().unwrap();
        let top = fs::canonicalize(dir.path()).unwrap();
        symlink("b", top.join("a")).unwrap();
        symlink("a", top.join("b")).unwrap();
        let mut posts = Posts::new();
        trace(&top.join("a/x"), &mut posts);
        trace(&top.join("not/there"), &mut posts);
        assert!(matters(&posts, &top.join("b"), Of::Entry) && matters(&posts, &top.join("not"), Of::Entry));
        assert!(!posts.contains_key(&top.join("not")));
    }

    #[test]
    fn what_editors_leave_behind_does_not_matter_unless_a_link_leads_there() {
        let dir = tempfile::tempdir().unwrap();
        let top = fs::canonicalize(dir.path()).unwrap();
        fs::create_dir(top.join("..one")).unwrap();
        fs::write(top.join("..one/a.yaml"), "a").unwrap();
        symlink("..one", top.join("..data")).unwrap();
        symlink("..data/a.yaml", top.join("a.yaml")).unwrap();
        let interest = Interest { trees: vec![Folder::new(&top, ".")], ..Interest::default() };
        let posts = Polling::of(&interest, &mut Seen::new(), Instant::now()).posts;
        for (name, counts) in [("a.yaml", true), ("..data", true), ("..one", true), ("..two", false), (".a.swp", false)]
        {
            assert_eq!(matters(&posts, &top.join(name), Of::Entry), counts, "{name}");
        }
        let one = |name: &str| matters(&posts, &top.join("..one").join(name), Of::Content);
        assert!(one("a.yaml") && !one("b.yaml"));
        for (name, counts) in [("b.yaml", true), ("b.jsonl", true), ("b.log", false), ("..data", true)] {
            assert_eq!(matters(&posts, &top.join(name), Of::Content), counts, "{name}");
        }
    }

    #[test]
    fn the_lock_of_a_work_tree_is_found_from_below_and_through_a_git_file() {
        let dir = tempfile::tempdir().unwrap();
        let top = fs::canonicalize(dir.path()).unwrap();
        fs::create_dir_all(top.join("one/.git")).unwrap();
        fs::create_dir_all(top.join("one/config/inventory")).unwrap();
        fs::create_dir_all(top.join("two/inventory")).unwrap();
        fs::write(top.join("two/.git"), "gitdir: ../one/.git/worktrees/two\n").unwrap();
        assert_eq!(lock_of(&top.join("one/config/inventory")), Some(top.join("one/.git/index.lock")));
        let linked = top.join("two/../one/.git/worktrees/two/index.lock");
        assert_eq!(lock_of(&top.join("two/inventory")), Some(linked));
    }
}
