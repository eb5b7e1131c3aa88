//! Each way that files change, against the real file system, once with events and once by polling.

use super::*;
use crate::files::{Folder, Look, ReportFolders, Tree};
use std::fs;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant, SystemTime};
use tokio::time::{sleep, timeout, timeout_at};

/// How long word of a change may take on a slow machine.
const PATIENCE: Duration = Duration::from_secs(20);
/// How long nothing must be heard before the next step of a test.
const QUIET: Duration = Duration::from_millis(400);

fn pace() -> Pace {
    let ms = Duration::from_millis;
    // No sweep within a test: events have to do alone.
    Pace { settle: ms(30), poll: ms(60), sweep: Duration::from_secs(3600), git: Duration::from_secs(60) }
}

struct Scene {
    dir: tempfile::TempDir,
    watch: Watch,
    folder: Folder,
}

impl Scene {
    /// Sets the stage, then watches `tree` below it, and `far/secret` as a single file.
    async fn new(means: Means, tree: &str, set: impl FnOnce(&Path)) -> Scene {
        Scene::paced(means, pace(), tree, set).await
    }

    async fn paced(means: Means, pace: Pace, tree: &str, set: impl FnOnce(&Path)) -> Scene {
        let dir = tempfile::tempdir().unwrap();
        set(dir.path());
        let folder = Folder::new(dir.path(), tree);
        let interest =
            Interest { trees: vec![folder.clone()], files: vec![dir.path().join("far/secret")], inboxes: vec![] };
        let watch = Watch::start(interest, pace, means).await.unwrap();
        assert_eq!((watch.means(), watch.note()), (means, None));
        Scene { dir, watch, folder }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn tree(&self) -> Tree {
        Tree::read(&self.folder, &Tree::default(), Look::Whole, SystemTime::now()).0
    }

    /// Does something, and waits until word of it has come after which a file has this text.
    async fn shows(&self, name: &str, text: &str, deed: impl FnOnce()) {
        self.quiet().await;
        deed();
        self.heard(|| self.tree().text(name) == Some(text)).await;
    }

    /// Waits for word after which something is so.
    async fn heard(&self, is_so: impl Fn() -> bool) {
        let end = tokio::time::Instant::now() + PATIENCE;
        loop {
            timeout_at(end, self.watch.changed()).await.expect("no word of the change");
            if is_so() {
                return;
            }
        }
    }

    async fn quiet(&self) {
        let end = Instant::now() + PATIENCE;
        while timeout(QUIET, self.watch.changed()).await.is_ok() {
            assert!(Instant::now() < end, "word keeps coming though nothing changes");
        }
    }
}

fn write(path: &Path, text: &str) {
    fs::create_dir_all(path.parent().unwrap()).unwrap();
    fs::write(path, text).unwrap();
}

/// As editors and `sed -i` save: a new file, renamed over the old one.
fn replace(path: &Path, text: &str) {
    let draft = path.with_extension("new");
    write(&draft, text);
    fs::rename(draft, path).unwrap();
}

/// Runs each scenario with both means.
macro_rules! both {
    ($($name:ident)*) => {
        mod events { $(#[tokio::test] async fn $name() { super::$name(super::Means::Events).await; })* }
        mod polling { $(#[tokio::test] async fn $name() { super::$name(super::Means::Polling).await; })* }
    };
}

both! {
    a_file_saved_by_an_editor_is_seen_every_time
    two_writes_of_equal_length_within_a_second_are_both_seen
    an_older_file_moved_over_is_seen
    a_whole_tree_checked_out_anew_is_seen_whole_and_told_in_few_words
    files_behind_a_swapped_data_link_are_seen
    a_swapped_link_above_the_folder_is_seen
    a_folder_removed_and_made_again_is_watched_again
    a_folder_renamed_away_and_replaced_is_watched_again
    folders_made_at_once_with_their_file_are_seen_and_watched
    a_file_that_was_not_there_is_seen_when_it_comes
    a_removed_file_is_told
    another_folder_is_watched_after_rearming
    a_dropped_report_is_told
    word_comes_even_while_writing_never_ends
    word_comes_again_and_again_during_long_writing_and_soon_after_it
    nothing_is_told_while_git_holds_its_lock
    a_lock_left_behind_by_git_does_not_silence_the_watch
    reading_and_what_editors_leave_behind_are_not_told
    a_log_that_grows_in_a_watched_folder_is_not_told
}

async fn a_file_saved_by_an_editor_is_seen_every_time(means: Means) {
    let scene = Scene::new(means, "in", |dir| write(&dir.join("in/a.yaml"), "0")).await;
    for text in ["1", "2", "3"] {
        scene.shows("in/a.yaml", text, || replace(&scene.path("in/a.yaml"), text)).await;
    }
}

async fn two_writes_of_equal_length_within_a_second_are_both_seen(means: Means) {
    let scene = Scene::new(means, "in", |dir| write(&dir.join("in/a.yaml"), "0")).await;
    for text in ["1", "2"] {
        write(&scene.path("in/a.yaml"), text);
        scene.heard(|| scene.tree().text("in/a.yaml") == Some(text)).await;
    }
}

async fn an_older_file_moved_over_is_seen(means: Means) {
    let old = SystemTime::now() - Duration::from_secs(86_400);
    let scene = Scene::new(means, "in", |dir| {
        write(&dir.join("in/a.yaml"), "new");
        write(&dir.join("kept/a.yaml"), "old");
        fs::File::open(dir.join("kept/a.yaml")).unwrap().set_modified(old).unwrap();
    })
    .await;
    scene.shows("in/a.yaml", "old", || fs::rename(scene.path("kept/a.yaml"), scene.path("in/a.yaml")).unwrap()).await;
}

async fn a_whole_tree_checked_out_anew_is_seen_whole_and_told_in_few_words(means: Means) {
    let path = |dir: &Path, n: u32| dir.join(format!("in/{}/{n}.yaml", n % 20));
    let scene = Scene::new(means, "in", |dir| {
        fs::create_dir_all(dir.join(".git")).unwrap();
        (0..2000).for_each(|n| write(&path(dir, n), "old"));
    })
    .await;
    scene.quiet().await;
    let lock = scene.path(".git/index.lock");
    write(&lock, "");
    for n in 0..2000 {
        fs::remove_file(path(scene.dir.path(), n)).unwrap();
        write(&path(scene.dir.path(), n), "new");
    }
    fs::remove_file(&lock).unwrap();
    let mut words = 0;
    let end = tokio::time::Instant::now() + PATIENCE;
    loop {
        timeout_at(end, scene.watch.changed()).await.expect("no word of the checkout");
        words += 1;
        let tree = scene.tree();
        if tree.files.len() == 2000 && tree.files.values().all(|text| text.bytes == b"new") {
            break;
        }
    }
    assert!(words <= 20, "{words} words of one checkout");
}

async fn files_behind_a_swapped_data_link_are_seen(means: Means) {
    let scene = Scene::new(means, "in", |dir| {
        write(&dir.join("in/..1/a.yaml"), "1");
        symlink("..1", dir.join("in/..data")).unwrap();
        symlink("..data/a.yaml", dir.join("in/a.yaml")).unwrap();
    })
    .await;
    for n in 2..5 {
        let swap = || {
            write(&scene.path(&format!("in/..{n}/a.yaml")), &n.to_string());
            symlink(format!("..{n}"), scene.path("in/..data_new")).unwrap();
            fs::rename(scene.path("in/..data_new"), scene.path("in/..data")).unwrap();
            fs::remove_dir_all(scene.path(&format!("in/..{}", n - 1))).unwrap();
        };
        scene.shows("in/a.yaml", &n.to_string(), swap).await;
    }
}

async fn a_swapped_link_above_the_folder_is_seen(means: Means) {
    let scene = Scene::new(means, "current/in", |dir| {
        for n in 1..=3 {
            write(&dir.join(format!("releases/{n}/in/a.yaml")), &n.to_string());
        }
        symlink("releases/1", dir.join("current")).unwrap();
    })
    .await;
    for n in 2..=3 {
        let swap = || {
            symlink(format!("releases/{n}"), scene.path("next")).unwrap();
            fs::rename(scene.path("next"), scene.path("current")).unwrap();
        };
        scene.shows("current/in/a.yaml", &n.to_string(), swap).await;
    }
    scene.shows("current/in/a.yaml", "edited", || replace(&scene.path("releases/3/in/a.yaml"), "edited")).await;
}

async fn a_folder_removed_and_made_again_is_watched_again(means: Means) {
    let scene = Scene::new(means, "up/in", |dir| write(&dir.join("up/in/a.yaml"), "0")).await;
    for n in 1..=3 {
        scene.quiet().await;
        fs::remove_dir_all(scene.path("up")).unwrap();
        if n == 2 {
            scene.heard(|| !scene.path("up").exists()).await;
        }
        write(&scene.path("up/in/a.yaml"), "made");
        scene.heard(|| scene.tree().text("up/in/a.yaml") == Some("made")).await;
        scene.shows("up/in/a.yaml", "edited", || write(&scene.path("up/in/a.yaml"), "edited")).await;
    }
}

async fn a_folder_renamed_away_and_replaced_is_watched_again(means: Means) {
    let scene = Scene::new(means, "in", |dir| {
        write(&dir.join("in/sites/a.yaml"), "0");
        write(&dir.join("next/a.yaml"), "1");
    })
    .await;
    let swap = || {
        fs::rename(scene.path("in/sites"), scene.path("kept")).unwrap();
        fs::rename(scene.path("next"), scene.path("in/sites")).unwrap();
    };
    scene.shows("in/sites/a.yaml", "1", swap).await;
    scene.shows("in/sites/a.yaml", "2", || write(&scene.path("in/sites/a.yaml"), "2")).await;
}

async fn folders_made_at_once_with_their_file_are_seen_and_watched(means: Means) {
    let scene = Scene::new(means, "in", |dir| write(&dir.join("in/a.yaml"), "0")).await;
    for n in 0..5 {
        let (name, path) = (format!("in/{n}/b/c/d.yaml"), scene.path(&format!("in/{n}/b/c/d.yaml")));
        scene.shows(&name, "1", || write(&path, "1")).await;
        scene.shows(&name, "2", || write(&path, "2")).await;
    }
}

async fn a_file_that_was_not_there_is_seen_when_it_comes(means: Means) {
    let scene = Scene::new(means, "in", |dir| write(&dir.join("in/a.yaml"), "0")).await;
    let secret = scene.path("far/secret");
    for text in ["1", "2"] {
        scene.quiet().await;
        write(&secret, text);
        scene.heard(|| fs::read_to_string(&secret).is_ok_and(|now| now == text)).await;
    }
}

async fn a_removed_file_is_told(means: Means) {
    let scene = Scene::new(means, "in", |dir| write(&dir.join("in/a.yaml"), "0")).await;
    scene.quiet().await;
    fs::remove_file(scene.path("in/a.yaml")).unwrap();
    scene.heard(|| scene.tree().files.is_empty()).await;
}

async fn another_folder_is_watched_after_rearming(means: Means) {
    let mut scene = Scene::new(means, "in", |dir| {
        write(&dir.join("in/a.yaml"), "0");
        write(&dir.join("other/a.yaml"), "0");
    })
    .await;
    scene.quiet().await;
    scene.folder = Folder::new(scene.dir.path(), "other");
    scene.watch.rearm(Interest { trees: vec![scene.folder.clone()], ..Interest::default() });
    scene.heard(|| true).await;
    scene.shows("other/a.yaml", "1", || write(&scene.path("other/a.yaml"), "1")).await;
    scene.quiet().await;
    write(&scene.path("in/a.yaml"), "1");
    let word = timeout(Duration::from_secs(1), scene.watch.changed()).await;
    assert!(word.is_err(), "the folder left behind still counts");
    scene.watch.rearm(Interest { trees: vec![scene.folder.clone()], ..Interest::default() });
    let word = timeout(Duration::from_secs(1), scene.watch.changed()).await;
    assert!(word.is_err(), "rearming for the same makes no difference");
}

async fn a_dropped_report_is_told(means: Means) {
    let scene = Scene::new(means, "in", |dir| {
        write(&dir.join("in/a.yaml"), "0");
        fs::create_dir(dir.join("reports")).unwrap();
    })
    .await;
    let inbox = Folder::new(scene.dir.path(), "reports");
    let inbox = ReportFolders { dropped: inbox, taken: None };
    scene.watch.rearm(Interest { inboxes: vec![inbox], ..Interest::default() });
    scene.quiet().await;
    scene.watch.are_reports_stirred();
    replace(&scene.path("reports/r.jsonl"), "{}");
    scene.heard(|| true).await;
    assert!(scene.watch.are_reports_stirred() && !scene.watch.are_reports_stirred());
    // In place, where nothing of it shows in the folder.
    write(&scene.path("reports/r.jsonl"), "{ }");
    scene.heard(|| true).await;
    assert!(scene.watch.are_reports_stirred());
}

async fn word_comes_even_while_writing_never_ends(means: Means) {
    let pace = Pace { settle: Duration::from_millis(200), ..pace() };
    let scene = Scene::paced(means, pace, "in", |dir| write(&dir.join("in/a.yaml"), "0")).await;
    let (path, heard) = (scene.path("in/a.yaml"), Arc::new(AtomicBool::new(false)));
    let writing = std::thread::spawn({
        let heard = heard.clone();
        let end = Instant::now() + PATIENCE;
        move || {
            while !heard.load(Ordering::Relaxed) && Instant::now() < end {
                write(&path, &format!("{:?}", Instant::now()));
                std::thread::sleep(Duration::from_millis(2));
            }
            heard.load(Ordering::Relaxed)
        }
    });
    let word = timeout(PATIENCE / 2, scene.watch.changed()).await;
    heard.store(word.is_ok(), Ordering::Relaxed);
    assert!(writing.join().unwrap(), "no word while files kept changing");
}

async fn word_comes_again_and_again_during_long_writing_and_soon_after_it(means: Means) {
    let pace = Pace { settle: Duration::from_millis(50), ..pace() };
    let scene = Scene::paced(means, pace, "in", |dir| write(&dir.join("in/a.yaml"), "0")).await;
    let path = scene.path("in/a.yaml");
    let writing = tokio::task::spawn_blocking(move || {
        let began = Instant::now();
        while began.elapsed() < pace.settle * interest::LONGEST * 6 {
            write(&path, &format!("{:?}", began.elapsed()));
            std::thread::sleep(Duration::from_millis(5));
        }
    });
    let mut words = 0;
    while !writing.is_finished() {
        words += u32::from(timeout(pace.settle, scene.watch.changed()).await.is_ok());
    }
    writing.await.unwrap();
    assert!(words >= 3, "{words} words in six of the longest bursts");
    scene.shows("in/a.yaml", "last", || write(&scene.path("in/a.yaml"), "last")).await;
}

async fn nothing_is_told_while_git_holds_its_lock(means: Means) {
    let scene = Scene::new(means, "work/in", |dir| {
        write(&dir.join("work/in/a.yaml"), "0");
        write(&dir.join("work/.git/index"), "");
    })
    .await;
    scene.quiet().await;
    write(&scene.path("work/.git/index.lock"), "");
    write(&scene.path("work/in/a.yaml"), "1");
    assert!(timeout(Duration::from_secs(1), scene.watch.changed()).await.is_err(), "told while git was writing");
    write(&scene.path("work/in/b.yaml"), "1");
    fs::remove_file(scene.path("work/.git/index.lock")).unwrap();
    scene.heard(|| scene.tree().files.len() == 2).await;
}

async fn a_lock_left_behind_by_git_does_not_silence_the_watch(means: Means) {
    let pace = Pace { git: Duration::from_millis(300), ..pace() };
    let scene = Scene::paced(means, pace, "in", |dir| {
        write(&dir.join("in/a.yaml"), "0");
        write(&dir.join(".git/index.lock"), "");
    })
    .await;
    for text in ["1", "2"] {
        scene.shows("in/a.yaml", text, || write(&scene.path("in/a.yaml"), text)).await;
    }
}

async fn reading_and_what_editors_leave_behind_are_not_told(means: Means) {
    let scene = Scene::new(means, "in", |dir| write(&dir.join("in/a.yaml"), "0")).await;
    scene.quiet().await;
    assert_eq!(scene.tree().files.len(), 1);
    for name in ["in/.a.yaml.swp", "in/a.yaml~", "in/#a.yaml#", "in/4913", "beside.yaml", "far.yaml"] {
        write(&scene.path(name), "x");
    }
    assert!(timeout(Duration::from_secs(1), scene.watch.changed()).await.is_err());
}

async fn a_log_that_grows_in_a_watched_folder_is_not_told(means: Means) {
    let scene = Scene::new(means, "in", |dir| {
        write(&dir.join("in/a.yaml"), "0");
        write(&dir.join("in/daemon.log"), "begun");
        write(&dir.join("reports/daemon.log"), "begun");
    })
    .await;
    let inboxes = vec![ReportFolders { dropped: Folder::new(scene.dir.path(), "reports"), taken: None }];
    scene.watch.rearm(Interest { trees: vec![scene.folder.clone()], inboxes, ..Interest::default() });
    scene.quiet().await;
    for name in ["in/daemon.log", "reports/daemon.log"] {
        let mut log = fs::File::options().append(true).open(scene.path(name)).unwrap();
        for _ in 0..5 {
            std::io::Write::write_all(&mut log, b"a line\n").unwrap();
            let word = timeout(Duration::from_millis(150), scene.watch.changed()).await;
            assert!(word.is_err(), "{name} is told");
        }
    }
    // And it is as awake as before.
    scene.shows("in/a.yaml", "1", || write(&scene.path("in/a.yaml"), "1")).await;
}

#[tokio::test]
async fn what_changes_while_nobody_waits_is_told_to_the_next_who_does() {
    let scene = Scene::new(Means::Events, "in", |dir| write(&dir.join("in/a.yaml"), "0")).await;
    write(&scene.path("in/a.yaml"), "1");
    sleep(Duration::from_millis(500)).await;
    // A wait that is given up takes nothing with it.
    drop(scene.watch.changed());
    scene.heard(|| true).await;
}

#[tokio::test]
async fn a_slow_look_beside_events_finds_what_they_do_not_tell() {
    let pace = Pace { sweep: Duration::from_millis(50), ..pace() };
    let scene = Scene::paced(Means::Events, pace, "in", |dir| write(&dir.join("in/a.yaml"), "0")).await;
    scene.quiet().await;
    fs::hard_link(scene.path("in/a.yaml"), scene.path("other-name")).unwrap();
    scene.quiet().await;
    // Written under its other name, in a folder that is not watched for it: no event names the file of interest.
    write(&scene.path("other-name"), "12");
    scene.heard(|| scene.tree().text("in/a.yaml") == Some("12")).await;
}
