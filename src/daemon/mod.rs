//! The daemon: watches, passes, tells, until it is stopped.
//!
//! A pass is a function of files, ledger and clock; events only say when to look. A changed configuration
//! ends one session and begins another; nothing else is lost, since all that matters is in the store.

mod alarm;
mod banner;
mod clock;
mod deliveries;
mod error;
mod front;
mod heartbeat;
mod logging;
mod notifier;
mod session;
mod systemd;

pub use clock::Clock;
pub use deliveries::destination;
pub use error::{ServeError, with_causes};

use std::path::PathBuf;

use crate::config::{self, Config};

use front::Front;
use session::{Basis, SessionEnd};

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
    // Probes are answered from the start, and an address that is taken is said before anything else is done.
    front.listen(basis.config.listen, clock.now()).await;
    let mut before: Option<Config> = None;
    let mut first = true;
    loop {
        match session::run(&basis, &path, clock, first, &mut stops, &mut front).await {
            Ok(SessionEnd::Stopped) => return Ok(()),
            Ok(SessionEnd::Reconfigured(new)) => {
                tracing::info!(file = %path.display(), "the configuration changed: reloading");
                before = Some(std::mem::replace(&mut basis, *new).config);
                first = false;
            }
            Err(error) => {
                // The configuration that ran goes on running; the changed one waits for its next change.
                let Some(config) = before.take() else { return Err(error) };
                tracing::error!(
                    "the changed configuration does not start; the one before stays in use: {}",
                    with_causes(&error)
                );
                basis.config = config;
            }
        }
    }
}
