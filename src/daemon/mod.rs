//! The daemon: watches, passes, tells, until it is stopped.
//!
//! A pass is a function of files, ledger and clock; events only say when to look. A changed configuration
//! ends one session and begins another; nothing else is lost, since all that matters is in the store.

mod banner;
mod clock;
mod deliveries;
mod front;
mod heartbeat;
mod logging;
mod session;
mod systemd;
mod tell;

pub use clock::Clock;

use std::path::PathBuf;

use crate::config::{self, Config};
use crate::files::{KeyError, WatchError};
use crate::finding::Finding;
use crate::fleet::{FleetError, Sources};
use crate::store::StoreError;
use crate::web::ListenError;
use crate::webhook::SendError;

use front::Front;
use session::{Basis, End};

/// The folders of a configuration, with the key of its fingerprints.
pub fn sources(config: &Config, key: [u8; 32]) -> Sources {
    Sources {
        folder: config.folder.clone(),
        inventory: config.inventory.clone(),
        keybooks: config.keybooks.clone(),
        reports: config.reports.clone(),
        key,
    }
}

/// Why the daemon cannot run.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// The configuration cannot be used; the findings say where and why.
    #[error("the configuration cannot be used:\n{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))]
    Config(Vec<Finding>),
    #[error("{0}")]
    Clock(String),
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(transparent)]
    Gather(#[from] FleetError),
    #[error(transparent)]
    Key(#[from] KeyError),
    #[error(transparent)]
    Watch(#[from] WatchError),
    #[error(transparent)]
    Sender(#[from] SendError),
    #[error(transparent)]
    Listen(#[from] ListenError),
    #[error("cannot listen for signals")]
    Signals(#[from] std::io::Error),
}

impl ServeError {
    /// Whether its input is to blame, and not the machine.
    pub fn is_usage(&self) -> bool {
        match self {
            ServeError::Config(_) | ServeError::Clock(_) => true,
            ServeError::Store(_)
            | ServeError::Gather(_)
            | ServeError::Key(_)
            | ServeError::Watch(_)
            | ServeError::Sender(_)
            | ServeError::Listen(_)
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

/// Watches the fleet of a configuration until SIGTERM or SIGINT.
///
/// # Errors
/// What keeps it from running at all; whatever happens later is logged, and tried again at the next pass.
pub async fn serve(path: PathBuf) -> Result<(), ServeError> {
    logging::start();
    let clock = Clock::from_env().map_err(ServeError::Clock)?;
    if clock.is_set_by_hand() {
        tracing::warn!(now = %clock.now(), "the clock is set by STATIONKEEP_CLOCK: this is a rehearsal");
    }
    let mut stops = session::Stops::listen()?;
    let loaded = config::load(&path);
    let mut basis = Basis { config: loaded.config.map_err(ServeError::Config)?, text: loaded.texts };
    let mut front = Front::open();
    // Probes are answered from the start, and a port that is taken is said before anything else is done.
    front.listen(basis.config.listen).await?;
    let mut before: Option<Config> = None;
    let mut first = true;
    loop {
        match session::run(&basis, &path, clock, first, &mut stops, &mut front).await {
            Ok(End::Stopped) => return Ok(()),
            Ok(End::Reconfigured(new)) => {
                tracing::info!(file = %path.display(), "the configuration changed and is taken up");
                before = Some(std::mem::replace(&mut basis, *new).config);
                first = false;
            }
            Err(error) => {
                // The configuration that ran goes on running; the changed one waits for its next change.
                let Some(config) = before.take() else { return Err(error) };
                tracing::error!(
                    "the changed configuration cannot be taken up, the one before stays: {}",
                    with_causes(&error)
                );
                basis.config = config;
            }
        }
    }
}
