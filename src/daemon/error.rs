//! Why the daemon cannot run, and how an error is told with its causes.

use crate::files::WatchError;
use crate::finding::Finding;
use crate::fleet::{FleetError, KeyedError};
use crate::store::StoreError;
use crate::webhook::SendError;

/// Why the daemon cannot run.
#[allow(missing_docs, reason = "their messages say it")]
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// The configuration cannot be used; the findings say where and why.
    #[error("the configuration has errors:\n{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))]
    Config(Vec<Finding>),
    #[error("{0}")]
    Clock(String),
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(transparent)]
    Fleet(#[from] FleetError),
    #[error(transparent)]
    Ledger(#[from] KeyedError),
    #[error(transparent)]
    Watch(#[from] WatchError),
    #[error(transparent)]
    Sender(#[from] SendError),
    #[error("cannot listen for signals")]
    Signals(#[from] std::io::Error),
}

impl ServeError {
    /// Whether its input is to blame, and not the machine.
    pub fn is_usage(&self) -> bool {
        match self {
            ServeError::Config(_) | ServeError::Clock(_) => true,
            ServeError::Store(_)
            | ServeError::Fleet(_)
            | ServeError::Ledger(_)
            | ServeError::Watch(_)
            | ServeError::Sender(_)
            | ServeError::Signals(_) => false,
        }
    }
}

/// An error with its causes, each said once.
pub fn with_causes(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut source = error.source();
    while let Some(cause) = source {
        let cause_text = cause.to_string();
        if !text.contains(&cause_text) {
            text.push_str(&format!(": {cause_text}"));
        }
        source = cause.source();
    }
    text
}
