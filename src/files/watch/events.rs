//! The thread behind a watch: takes events and orders, waits for quiet, sets watches anew, speaks.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::fs;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock};
use std::time::{Duration, Instant};

use notify::event::{EventKind, ModifyKind};
use notify::{ErrorKind, RecommendedWatcher, RecursiveMode, Watcher};
use tokio::sync::Notify;

use super::interest::LONGEST;
use super::mounts::Mounts;
use super::polling::{Of, Polling, Posts, Seen, is_dropped, matters};
use super::{Interest, Means, Pace};
use crate::files::walk::Stamp;

/// How often watches are set anew while folders keep appearing.
const ROUNDS: u32 = 8;
/// Between two looks for git's lock.
const LOCK_LOOK: Duration = Duration::from_millis(50);
/// Polling takes no more of the time than one part in so many.
const SHARE: u32 = 10;

/// What the thread is told.
#[derive(Debug)]
pub(super) enum Order {
    /// Something changed, or someone asks.
    Look,
    /// Events were lost: something may have changed.
    Missed,
    Rearm(Interest),
    Stop,
}

/// What the thread has to say.
#[derive(Debug)]
pub(super) struct Signal {
    pub changed: Notify,
    pub inner: Mutex<Notes>,
}

#[derive(Debug)]
pub(super) struct Notes {
    pub means: Means,
    /// Whether a dropped report may have changed since someone asked.
    pub stirred: bool,
    pub notes: VecDeque<String>,
}

impl Signal {
    /// It, though someone panicked meanwhile.
    pub fn inner(&self) -> MutexGuard<'_, Notes> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The thread goes on, or ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Turn {
    On,
    Stop,
}

/// What the thread shares with the one that takes events.
struct Ear {
    posts: RwLock<Posts>,
    /// A `Look` is under way already; a `Missed` is.
    pending: AtomicBool,
    missed: AtomicBool,
    /// Something moved among the reports, or may have.
    stirred: AtomicBool,
    orders: Sender<Order>,
}

impl Ear {
    fn hear(&self, event: &notify::Result<notify::Event>) {
        let Ok(event) = event else { return self.lost(Order::Look, &self.pending) };
        if event.need_rescan() {
            return self.lost(Order::Missed, &self.missed);
        }
        let of = match event.kind {
            EventKind::Access(_) => return,
            EventKind::Modify(ModifyKind::Data(_)) => Of::Content,
            EventKind::Any | EventKind::Create(_) | EventKind::Modify(_) | EventKind::Remove(_) | EventKind::Other => {
                Of::Entry
            }
        };
        if event.paths.is_empty() {
            return self.lost(Order::Look, &self.pending);
        }
        let posts = self.posts.read().unwrap_or_else(PoisonError::into_inner);
        let mut counts = event.paths.iter().filter(|path| matters(&posts, path, of)).peekable();
        if counts.peek().is_some() {
            if counts.any(|path| is_dropped(&posts, path)) {
                self.stirred.store(true, Ordering::Release);
            }
            self.send(Order::Look, &self.pending);
        }
    }

    /// What moved is not known.
    fn lost(&self, order: Order, is_under_way: &AtomicBool) {
        self.stirred.store(true, Ordering::Release);
        self.send(order, is_under_way);
    }

    fn send(&self, order: Order, is_under_way: &AtomicBool) {
        if !is_under_way.swap(true, Ordering::AcqRel) {
            let _ = self.orders.send(order);
        }
    }
}

pub(super) struct Events {
    interest: Interest,
    pace: Pace,
    orders: Receiver<Order>,
    ear: Arc<Ear>,
    told: Arc<Signal>,
    watcher: Option<RecommendedWatcher>,
    polls: bool,
    /// As last seen.
    state: [u8; 32],
    seen: Seen,
    locks: BTreeSet<PathBuf>,
    /// Locks that were waited for in vain, in the state they were in.
    stale: BTreeMap<PathBuf, Stamp>,
    /// How long the last look took.
    effort: Duration,
    noted: BTreeSet<&'static str>,
}

impl Events {
    pub fn new(
        interest: Interest,
        pace: Pace,
        own: Sender<Order>,
        orders: Receiver<Order>,
        told: Arc<Signal>,
    ) -> Events {
        let ear = Ear {
            posts: RwLock::default(),
            pending: false.into(),
            missed: false.into(),
            stirred: true.into(),
            orders: own,
        };
        Events {
            interest,
            pace,
            orders,
            ear: Arc::new(ear),
            told,
            watcher: None,
            polls: false,
            state: [0; 32],
            seen: Seen::new(),
            locks: BTreeSet::new(),
            stale: BTreeMap::new(),
            effort: Duration::ZERO,
            noted: BTreeSet::new(),
        }
    }

    /// Sets the first watches.
    pub fn stand(&mut self, wanted: Means) {
        match wanted {
            Means::Polling => self.polls = true,
            Means::Events => {
                let ear = self.ear.clone();
                match notify::recommended_watcher(move |event| ear.hear(&event)) {
                    Ok(watcher) => self.watcher = Some(watcher),
                    Err(error) => self.give_up_events(&error),
                }
            }
        }
        self.arm();
    }

    /// Serves until it is told to stop.
    pub fn run(&mut self) {
        loop {
            let order = self.next(self.idle());
            if self.take(order) == Turn::Stop {
                return;
            }
        }
    }

    fn take(&mut self, order: Result<Order, RecvTimeoutError>) -> Turn {
        match order {
            Ok(Order::Look) => self.speak(),
            Ok(Order::Rearm(interest)) => self.rearm(interest),
            Ok(Order::Stop) | Err(RecvTimeoutError::Disconnected) => Turn::Stop,
            // A busy folder above may be all there was.
            Ok(Order::Missed) | Err(RecvTimeoutError::Timeout) if self.look().state == self.state => Turn::On,
            Ok(Order::Missed) | Err(RecvTimeoutError::Timeout) => self.speak(),
        }
    }

    /// The next order. What happens after a `Look` or `Missed` was taken asks for another one.
    fn next(&self, wait: Duration) -> Result<Order, RecvTimeoutError> {
        let order = self.orders.recv_timeout(wait);
        match &order {
            Ok(Order::Look) => self.ear.pending.store(false, Ordering::Release),
            Ok(Order::Missed) => self.ear.missed.store(false, Ordering::Release),
            Ok(Order::Rearm(_) | Order::Stop) | Err(_) => {}
        }
        order
    }

    /// How long until the next look of its own.
    fn idle(&self) -> Duration {
        let pause = if self.polls { self.pace.poll } else { self.pace.sweep };
        pause.max(self.effort * SHARE)
    }

    fn look(&mut self) -> Polling {
        let began = Instant::now();
        if self.polls {
            // Nobody tells of what changes within a file.
            self.seen.clear();
        }
        let polling = Polling::of(&self.interest, &mut self.seen, began);
        self.effort = began.elapsed();
        polling
    }

    fn rearm(&mut self, interest: Interest) -> Turn {
        self.interest = interest;
        // Someone may be writing what differs at this very moment.
        if self.arm() { self.speak() } else { Turn::On }
    }

    /// Waits for quiet, sets the watches anew, and says that something changed.
    fn speak(&mut self) -> Turn {
        let turn = match self.settle() {
            Turn::On => self.wait_for_git(),
            Turn::Stop => Turn::Stop,
        };
        if turn == Turn::On {
            self.arm();
            let stirred = self.ear.stirred.swap(false, Ordering::AcqRel) || self.polls;
            self.told.inner().stirred |= stirred;
            self.told.changed.notify_one();
        }
        turn
    }

    fn settle(&mut self) -> Turn {
        let last = Instant::now() + self.pace.settle * LONGEST;
        loop {
            let wait = self.pace.settle.min(last.saturating_duration_since(Instant::now()));
            match self.next(wait) {
                Ok(Order::Look | Order::Missed) if Instant::now() < last => {}
                Ok(Order::Rearm(interest)) => self.interest = interest,
                Ok(Order::Stop) | Err(RecvTimeoutError::Disconnected) => return Turn::Stop,
                Ok(Order::Look | Order::Missed) => return Turn::On,
                Err(RecvTimeoutError::Timeout) => {
                    if !self.polls || Instant::now() >= last || self.is_still() {
                        return Turn::On;
                    }
                }
            }
        }
    }

    /// Whether nothing changed since this was asked last; without events nobody else would tell.
    fn is_still(&mut self) -> bool {
        let state = self.look().state;
        std::mem::replace(&mut self.state, state) == state
    }

    /// Waits while git holds the lock of a work tree, so that a half-written one is not read.
    fn wait_for_git(&mut self) -> Turn {
        let last = Instant::now() + self.pace.git;
        while let Some((path, stamp)) = self.lock() {
            if Instant::now() >= last {
                // Left behind by a git that was killed; the same one is not waited for again.
                self.stale.insert(path, stamp);
                continue;
            }
            match self.next(LOCK_LOOK) {
                Ok(Order::Look | Order::Missed) => {}
                Ok(Order::Rearm(interest)) => self.interest = interest,
                Ok(Order::Stop) | Err(RecvTimeoutError::Disconnected) => return Turn::Stop,
                Err(RecvTimeoutError::Timeout) => {}
            }
        }
        Turn::On
    }

    /// A lock that is held and not known to be left behind.
    fn lock(&self) -> Option<(PathBuf, Stamp)> {
        self.locks.iter().find_map(|path| {
            let stamp = Stamp::of(&fs::symlink_metadata(path).ok()?);
            (self.stale.get(path) != Some(&stamp)).then(|| (path.clone(), stamp))
        })
    }

    /// Sets watches where they are needed until no new place shows up. True if anything differs from the last time.
    fn arm(&mut self) -> bool {
        let (before, mut moved) = (self.state, false);
        for _ in 0..ROUNDS {
            let polling = self.look();
            (self.state, self.locks) = (polling.state, polling.locks);
            let fresh = self.post(polling.posts);
            moved |= fresh;
            if !fresh {
                break;
            }
        }
        self.stale.retain(|path, _| self.locks.contains(path));
        moved || self.state != before
    }

    /// Watches these folders and no others. True if they are not the ones watched before: then what changed between
    /// looking and watching is unheard, and another look is due.
    fn post(&mut self, posts: Posts) -> bool {
        let mut heard = self.ear.posts.write().unwrap_or_else(PoisonError::into_inner);
        let old = std::mem::replace(&mut *heard, posts);
        let now = heard.clone();
        std::mem::drop(heard);
        if let Some(watcher) = &mut self.watcher {
            for folder in old.keys().filter(|folder| !now.contains_key(*folder)) {
                // Gone with its folder already, as a rule.
                let _ = watcher.unwatch(folder);
            }
        }
        self.watch(&now);
        self.note_silent(&Mounts::now(), &now);
        old != now
    }

    /// Every folder is watched again each time: a watch dies unseen with a folder that is replaced by another of the
    /// same name, and the kernel takes a watch that stands already for the same one.
    fn watch(&mut self, posts: &Posts) {
        let Some(watcher) = &mut self.watcher else { return };
        let full = posts.keys().find_map(|folder| {
            let error = watcher.watch(folder, RecursiveMode::NonRecursive).err()?;
            // Any other folder is gone, or may not be read: its parent is watched and tells when that changes.
            matches!(error.kind, ErrorKind::MaxFilesWatch).then_some(error)
        });
        if let Some(error) = full {
            self.give_up_events(&error);
        }
    }

    fn give_up_events(&mut self, error: &notify::Error) {
        self.watcher = None;
        let reason = match error.kind {
            ErrorKind::MaxFilesWatch => {
                "its limit of watched folders is reached; raise fs.inotify.max_user_watches".into()
            }
            ErrorKind::Generic(_)
            | ErrorKind::Io(_)
            | ErrorKind::PathNotFound
            | ErrorKind::WatchNotFound
            | ErrorKind::InvalidConfig(_) => error.to_string(),
        };
        self.note("events", format!("The system gives no word of changed files ({reason})."));
    }

    /// On some file systems changes made elsewhere cause no events.
    fn note_silent(&mut self, mounts: &Mounts, posts: &Posts) {
        let found = posts.iter().find_map(|(folder, _)| Some((folder, mounts.silent(folder)?)));
        if let Some((folder, kind)) = found {
            let message =
                format!("{} lies on {kind}, which gives no word of files changed elsewhere.", folder.display());
            self.note("silent", message);
        }
    }

    /// Turns to polling, and says why once.
    fn note(&mut self, subject: &'static str, message: String) {
        self.polls = true;
        let mut said = self.told.inner();
        said.means = Means::Polling;
        if self.noted.insert(subject) {
            let seconds = self.pace.poll.as_secs_f32();
            said.notes.push_back(format!("{message} The files are looked at every {seconds} s instead."));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc::channel;

    fn events(interest: Interest) -> Events {
        let (own, received) = channel();
        let said = Notes { means: Means::Events, stirred: false, notes: VecDeque::new() };
        let told = Signal { changed: Notify::new(), inner: Mutex::new(said) };
        let pace = Pace { git: Duration::from_millis(100), ..Pace::settling(Duration::from_millis(10)) };
        Events::new(interest, pace, own, received, Arc::new(told))
    }

    #[test]
    fn a_system_that_gives_no_events_is_polled_and_that_is_said_once() {
        let mut events = events(Interest::default());
        let full = notify::Error::new(ErrorKind::MaxFilesWatch);
        events.give_up_events(&full);
        events.give_up_events(&full);
        let inner = events.told.inner();
        assert_eq!((inner.means, inner.notes.len()), (Means::Polling, 1));
        assert!(inner.notes[0].contains("max_user_watches"), "{}", inner.notes[0]);
    }

    #[test]
    fn a_folder_on_a_network_file_system_is_polled_and_that_is_said_once() {
        let mut events = events(Interest::default());
        let posts = Posts::from([(PathBuf::from("/srv/fleet"), super::super::polling::Names::default())]);
        let mounts = |kind: &str| Mounts::parse(&format!("40 22 0:45 / /srv/fleet rw shared:9 - {kind} host:/x rw"));
        events.note_silent(&mounts("ext4"), &posts);
        assert!(!events.polls);
        events.note_silent(&mounts("nfs4"), &posts);
        events.note_silent(&mounts("nfs4"), &posts);
        let inner = events.told.inner();
        assert_eq!((events.polls, inner.means, inner.notes.len()), (true, Means::Polling, 1));
        assert!(inner.notes[0].contains("/srv/fleet lies on nfs4"), "{}", inner.notes[0]);
    }

    #[test]
    fn lost_events_are_told_only_where_something_changed() {
        let dir = tempfile::tempdir().unwrap();
        let interest = Interest { trees: vec![crate::files::Folder::new(dir.path(), ".")], ..Interest::default() };
        let mut events = events(interest);
        events.stand(Means::Polling);
        let lost = Ok(notify::Event::new(EventKind::Other).set_flag(notify::event::Flag::Rescan));
        events.ear.hear(&lost);
        let told = |events: &mut Events| {
            let order = events.next(Duration::ZERO);
            assert!(matches!(order, Ok(Order::Missed)), "{order:?}");
            assert_eq!(events.take(order), Turn::On);
            std::pin::pin!(events.told.changed.notified()).as_mut().enable()
        };
        assert!(!told(&mut events));
        fs::write(dir.path().join("a.yaml"), "0").unwrap();
        events.ear.hear(&lost);
        events.ear.hear(&lost);
        assert!(told(&mut events));
        assert!(events.next(Duration::ZERO).is_err(), "the same loss is told twice");
    }

    #[test]
    fn a_lock_that_was_waited_for_in_vain_is_not_waited_for_again_but_a_new_one_is() {
        let dir = tempfile::tempdir().unwrap();
        let lock = dir.path().join("index.lock");
        let mut events = events(Interest::default());
        events.locks.insert(lock.clone());
        assert_eq!(events.lock(), None);
        fs::write(&lock, "").unwrap();
        assert!(events.lock().is_some());
        assert_eq!(events.wait_for_git(), Turn::On);
        assert_eq!(events.lock(), None);
        fs::remove_file(&lock).unwrap();
        fs::write(&lock, "another").unwrap();
        assert!(events.lock().is_some());
    }

    #[test]
    fn arming_makes_a_difference_only_where_something_changed() {
        let dir = tempfile::tempdir().unwrap();
        fs::write(dir.path().join("a.yaml"), "0").unwrap();
        let interest = Interest { trees: vec![crate::files::Folder::new(dir.path(), ".")], ..Interest::default() };
        let mut events = events(interest);
        events.stand(Means::Events);
        assert!(!events.arm());
        fs::write(dir.path().join("a.yaml"), "00").unwrap();
        assert!(events.arm());
        fs::create_dir(dir.path().join("sites")).unwrap();
        assert!(events.arm() && !events.arm());
    }
}
