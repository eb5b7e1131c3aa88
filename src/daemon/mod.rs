//! The daemon: watches, passes, tells, until it is stopped.
//!
//! A pass is a function of files, ledger and clock; events only say when to look.

mod clock;

pub use clock::Clock;

use crate::config::{Config, Source};
use crate::gather::Ground;

/// The folders of a configuration, with the key of its fingerprints.
pub fn ground(config: &Config, key: [u8; 32]) -> Ground {
    let Source::Folder(inventory) = &config.inventory;
    Ground {
        folder: config.folder.clone(),
        inventory: inventory.clone(),
        keybooks: config.keybooks.clone(),
        reports: config.reports.clone(),
        key,
    }
}

#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    #[error("x")]
    X,
}
impl ServeError {
    pub fn is_usage(&self) -> bool {
        false
    }
}
pub async fn serve(_c: std::path::PathBuf) -> Result<(), ServeError> {
    Ok(())
}
