//! A ledger together with the key that its fingerprints are made with: neither is used without the other.

use crate::files::{KeyError, KeyPlace};
use crate::setting::key_check;
use crate::store::{Store, StoreError};

/// Why a ledger cannot be used with the key that the configuration names.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "the messages say it")]
pub enum KeyedError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(transparent)]
    Key(#[from] KeyError),
    #[error("the key of the ledger {place} is gone: {key} is not there. Put it back from a backup. {WITHOUT}")]
    Gone { place: String, key: KeyPlace },
    #[error(
        "the ledger {place} was begun with another key than {key}, so codes on record cannot be compared. Put back the key that belongs to it. {WITHOUT}"
    )]
    Other { place: String, key: KeyPlace },
    #[error(
        "there is not a key for the ledger {place}: {key} is not there. Make it once for all machines that use this ledger, with 64 hexadecimal digits in it: openssl rand -hex 32"
    )]
    Missing { place: String, key: KeyPlace },
}

/// What to do where a key is lost.
const WITHOUT: &str = "If it is lost, run \"stationkeep ledger export --out FILE\", begin a new ledger with a new key, and run \"stationkeep ledger import FILE\" there: codes then count as unknown";

/// Opens a ledger with its key. A new SQLite ledger gets a key beside it; `fresh` becomes that.
///
/// # Errors
/// Where the ledger cannot be opened, there is not a key, or it is another one than the ledger was begun with.
pub async fn open_with_key(url: &str, key: &KeyPlace, fresh: &[u8; 32]) -> Result<(Store, [u8; 32]), KeyedError> {
    with_key(Store::open(url).await?, key, Some(fresh).filter(|_| url.starts_with("sqlite:"))).await
}

/// The same for who reads alone: also a ledger that takes no writes, on a full or read-only disk.
///
/// # Errors
/// As for [`open_with_key`].
pub async fn open_to_read_with_key(
    url: &str,
    key: &KeyPlace,
    fresh: &[u8; 32],
) -> Result<(Store, [u8; 32]), KeyedError> {
    with_key(Store::open_to_read(url).await?, key, Some(fresh).filter(|_| url.starts_with("sqlite:"))).await
}

/// Opens a ledger that is there, for a look that leaves nothing behind; nothing where there is none.
///
/// # Errors
/// As for [`open_with_key`].
pub async fn open_existing_with_key(url: &str, key: &KeyPlace) -> Result<Option<(Store, [u8; 32])>, KeyedError> {
    let Some(store) = Store::open_existing(url).await? else { return Ok(None) };
    with_key(store, key, None).await.map(Some)
}

async fn with_key(store: Store, place: &KeyPlace, fresh: Option<&[u8; 32]>) -> Result<(Store, [u8; 32]), KeyedError> {
    let ledger = store.place().to_owned();
    let key = match (place.load()?, fresh) {
        (Some(key), _) => key,
        // Never a new key for codes that an old one stands for.
        (None, _) if store.kept_key().await?.is_some() => {
            return Err(KeyedError::Gone { place: ledger, key: place.clone() });
        }
        (None, Some(fresh)) => place.load_or_make(fresh)?,
        (None, None) => return Err(KeyedError::Missing { place: ledger, key: place.clone() }),
    };
    match store.bound(&key_check(&key)).await {
        Ok(store) => Ok((store, key)),
        Err(StoreError::OtherKey { place: ledger }) => Err(KeyedError::Other { place: ledger, key: place.clone() }),
        Err(error) => Err(error.into()),
    }
}
