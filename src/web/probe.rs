//! Whether the ledger can be written, found out by writing a row that is written over the next time.
//! However many ask at once, one looks; what it found holds for a moment.

use std::time::Duration;

use tokio::sync::Mutex;
use tokio::task::JoinHandle;
use tokio::time::timeout;

use super::status::Clocks;
use crate::store::{Store, StoreError};

/// What was found holds so long.
const FRESH: Duration = Duration::from_secs(2);

/// Whoever asks waits so long; the look itself goes on.
const PATIENCE: Duration = Duration::from_secs(3);

/// Why the ledger cannot be written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Trouble {
    /// One word: `full`, `read-only`, `busy`, `away` or `failing`.
    pub word: &'static str,
    pub sentence: String,
}

impl Trouble {
    fn of(error: &StoreError) -> Trouble {
        let word = error.word();
        Trouble { word, sentence: format!("{error}.") }
    }
}

type Found = Result<(), Trouble>;

#[derive(Debug, Default)]
struct Slot {
    /// When something was found, by the steady clock, and where.
    found: Option<(Duration, String, Found)>,
    /// A look under way, and where.
    look: Option<(String, JoinHandle<Found>)>,
}

/// Looks, at most one at a time.
#[derive(Debug)]
pub(super) struct Probe {
    clocks: Clocks,
    slot: Mutex<Slot>,
}

impl Probe {
    pub fn new(clocks: Clocks) -> Probe {
        Probe { clocks, slot: Mutex::default() }
    }

    /// Whether this ledger can be written.
    pub async fn writable(&self, store: &Store) -> Found {
        let mut slot = self.slot.lock().await;
        let now = (self.clocks.steady)();
        if let Some((at, place, found)) = &slot.found
            && place == store.place()
            && now.saturating_sub(*at) < FRESH
        {
            return found.clone();
        }
        let mut look = match slot.look.take().filter(|(place, _)| place == store.place()) {
            Some((_, look)) => look,
            None => {
                let (store, at_ms) = (store.clone(), (self.clocks.system_ms)());
                tokio::spawn(async move { store.check_writable(at_ms).await.map_err(|error| Trouble::of(&error)) })
            }
        };
        let found = match timeout(PATIENCE, &mut look).await {
            Ok(Ok(found)) => found,
            Ok(Err(_)) => Err(Trouble { word: "failing", sentence: "The look at the ledger was cut short.".into() }),
            Err(_) => {
                slot.look = Some((store.place().to_owned(), look));
                let sentence = format!("The ledger {} gives no answer to a write.", store.place());
                Err(Trouble { word: "away", sentence })
            }
        };
        slot.found = Some(((self.clocks.steady)(), store.place().to_owned(), found.clone()));
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicU64, Ordering};

    static NOW: AtomicU64 = AtomicU64::new(0);

    fn clocks() -> Clocks {
        Clocks { steady: || Duration::from_millis(NOW.load(Ordering::Relaxed)), system_ms: || 0, is_set_by_hand: false }
    }

    #[test]
    fn each_trouble_of_the_ledger_has_its_word_and_its_sentence() {
        let place = || "/var/x.db".to_owned();
        let source = || sqlx::Error::PoolClosed;
        let doing = "writing a memo";
        for (error, word) in [
            (StoreError::Full { place: place(), doing, source: source() }, "full"),
            (StoreError::ReadOnly { place: place(), doing, source: source() }, "read-only"),
            (StoreError::Busy { place: place(), doing, source: source() }, "busy"),
            (StoreError::NoAnswer { place: place(), doing }, "away"),
            (StoreError::Database { place: place(), doing, source: source() }, "failing"),
        ] {
            let trouble = Trouble::of(&error);
            assert_eq!(trouble.word, word);
            assert!(trouble.sentence.contains("/var/x.db"), "{}", trouble.sentence);
        }
    }

    #[tokio::test]
    async fn what_was_found_holds_for_a_moment_and_is_looked_at_anew_after_it() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(&format!("sqlite:{}/x.db", folder.path().display())).await.unwrap();
        let probe = Probe::new(clocks());
        assert_eq!(probe.writable(&store).await, Ok(()));
        store.close().await;
        assert_eq!(probe.writable(&store).await, Ok(()));
        NOW.store(3_000, Ordering::Relaxed);
        assert!(probe.writable(&store).await.is_err());
    }
}
