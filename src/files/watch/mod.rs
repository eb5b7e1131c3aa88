//! Word that something of interest may have changed.
//!
//! A [`Watch`] only ever says "look now": it never says what changed, says it once for a burst of changes, and
//! may say it for nothing. A thread of its own holds the watches, waits until the files are quiet, sets the
//! watches anew and then speaks; whoever reads after that sees everything that happened before. Where the system
//! gives no events it looks at sizes, times and inodes itself; a slow look of that kind also runs beside events.

mod interest;
mod mounts;
mod events;
mod polling;

use std::collections::VecDeque;
use std::io;
use std::sync::mpsc::{Sender, channel};
use std::sync::{Arc, Mutex};

use tokio::sync::{Notify, oneshot};

use self::events::{Events, Notes, Order, Signal};
pub use self::interest::{Interest, Means, Pace};

/// Why nothing can be watched.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "the messages say it")]
pub enum WatchError {
    #[error("cannot start the thread that watches files")]
    Thread(#[source] io::Error),
}

/// Waits for changes. Dropping it ends its thread.
#[derive(Debug)]
pub struct Watch {
    orders: Sender<Order>,
    told: Arc<Signal>,
}

impl Watch {
    /// Sets the watches and returns once they stand, so that nothing is missed by who reads the files after that.
    /// Falls back to polling where `wanted` events are not to be had.
    ///
    /// # Errors
    /// The system gives no thread.
    pub async fn start(interest: Interest, pace: Pace, wanted: Means) -> Result<Watch, WatchError> {
        let (orders, received) = channel();
        let said = Notes { means: wanted, stirred: true, notes: VecDeque::new() };
        let told = Arc::new(Signal { changed: Notify::new(), inner: Mutex::new(said) });
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

    /// Whether any dropped report may have changed since this was asked last.
    pub fn are_reports_stirred(&self) -> bool {
        std::mem::take(&mut self.told.inner().stirred)
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
