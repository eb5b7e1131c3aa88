//! Word that something of interest may have changed.
//!
//! A [`Watch`] only ever says "look now": it never says what changed, says it once for a burst of changes, and
//! may say it for nothing. A thread of its own holds the watches, waits until the files are quiet, sets the
//! watches anew and then speaks; whoever reads after that sees everything that happened before. Where the system
//! gives no events it looks at sizes, times and inodes itself; a slow look of that kind also runs beside events.

mod mounts;
mod events;
mod polling;

use std::collections::VecDeque;
use std::io;
use std::path::PathBuf;
use std::sync::mpsc::{Sender, channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::sync::{Notify, oneshot};

use self::events::{Events, Order};
use super::Folder;

/// Everything whose changes matter.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Interest {
    /// Folders of YAML, with all folders below.
    pub trees: Vec<Folder>,
    /// Folders that reports are dropped in, without those below.
    pub trays: Vec<Folder>,
    /// Single files by absolute path, there or not: the configuration, secrets.
    pub files: Vec<PathBuf>,
}

/// How changes are noticed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Means {
    /// The system tells of them.
    Events,
    /// Sizes, times and inodes are looked at every few seconds.
    Polling,
}

/// The times a watch keeps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pace {
    /// How long nothing may change before it speaks; ten times as long at most.
    pub settle: Duration,
    /// Between two looks while polling.
    pub poll: Duration,
    /// Between two looks beside events, for what they do not tell (a file system mounted over a folder).
    pub sweep: Duration,
    /// How long it waits for git to finish with a work tree.
    pub git: Duration,
}

impl Pace {
    /// Two seconds between looks while polling, a minute beside events, half a minute for git.
    pub fn settling(settle: Duration) -> Pace {
        let seconds = Duration::from_secs;
        Pace { settle, poll: seconds(2), sweep: seconds(60), git: seconds(30) }
    }

    /// The longest that it waits for files which never come to rest.
    pub fn longest(self) -> Duration {
        self.settle * events::LONGEST + self.git
    }
}

/// Why nothing can be watched.
#[derive(Debug, thiserror::Error)]
pub enum WatchError {
    #[error("cannot start the thread that watches files")]
    Thread(#[source] io::Error),
}

/// Waits for changes. Dropping it ends its thread.
#[derive(Debug)]
pub struct Watch {
    orders: Sender<Order>,
    told: Arc<Told>,
}

/// What the thread has to say.
#[derive(Debug)]
struct Told {
    changed: Notify,
    inner: Mutex<Said>,
}

#[derive(Debug)]
struct Said {
    means: Means,
    notes: VecDeque<String>,
}

impl Told {
    fn inner(&self) -> MutexGuard<'_, Said> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Watch {
    /// Sets the watches and returns once they stand, so that nothing is missed by who reads the files after that.
    /// Falls back to polling where `wanted` events are not to be had.
    ///
    /// # Errors
    /// The system gives no thread.
    pub async fn start(interest: Interest, pace: Pace, wanted: Means) -> Result<Watch, WatchError> {
        let (orders, received) = channel();
        let said = Said { means: wanted, notes: VecDeque::new() };
        let told = Arc::new(Told { changed: Notify::new(), inner: Mutex::new(said) });
        let (ready, standing) = oneshot::channel();
        let (own, words) = (orders.clone(), told.clone());
        let thread = std::thread::Builder::new().name("watch".into());
        let run = move || {
            let mut events = Events::new(interest, pace, own, received, words);
            events.stand(wanted);
            let _ = ready.send(());
            events.run();
        };
        thread.spawn(run).map_err(WatchError::Thread)?;
        let _ = standing.await;
        Ok(Watch { orders, told })
    }

    /// Returns after a change, once the files are quiet. What happens while nobody waits is told to the next who does.
    pub async fn changed(&self) {
        self.told.changed.notified().await;
    }

    /// Has the watch speak through [`Watch::changed`] once the files are quiet, whether or not anything changed.
    pub fn ask(&self) {
        let _ = self.orders.send(Order::Look);
    }

    /// Watches something else from now on. Says so once through [`Watch::changed`] if that makes a difference, since
    /// what changed before the watches stood would be missed otherwise.
    pub fn rearm(&self, interest: Interest) {
        let _ = self.orders.send(Order::Rearm(interest));
    }

    /// How changes are noticed at present.
    pub fn means(&self) -> Means {
        self.told.inner().means
    }

    /// Something the operator should know, each thing once; worth asking for after the start and after each change.
    pub fn note(&self) -> Option<String> {
        self.told.inner().notes.pop_front()
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        let _ = self.orders.send(Order::Stop);
    }
}

#[cfg(test)]
mod tests;
