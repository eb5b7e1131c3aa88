//! Word to the service manager that started the program (systemd's notify protocol, sd_notify(3)): ready, reloading, stopping,
//! one line of status, and signs of life for its watchdog. Without `NOTIFY_SOCKET` it says nothing. It never waits.

use std::ffi::OsStr;
use std::io;
use std::os::linux::net::SocketAddrExt as _;
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::net::{SocketAddr, UnixDatagram};
use std::sync::Arc;
use std::time::Duration;

use tokio::time::{MissedTickBehavior, interval};
use tokio_util::sync::CancellationToken;

use crate::web::Status;

/// Signs of life come this many times within the watchdog's time.
const OFTEN: u32 = 3;

/// Where the word goes.
#[derive(Debug)]
pub struct Systemd {
    line: Option<(UnixDatagram, SocketAddr)>,
    /// Within which time the watchdog wants a sign of life.
    watchdog: Option<Duration>,
}

impl Systemd {
    /// Goes by `NOTIFY_SOCKET`, `WATCHDOG_USEC` and `WATCHDOG_PID`. What cannot be used is logged, and nothing is said.
    pub fn from_env() -> Systemd {
        let line = std::env::var_os("NOTIFY_SOCKET").filter(|name| !name.is_empty()).and_then(|name| {
            let opened = open(&name);
            opened.inspect_err(|error| tracing::warn!(%error, "NOTIFY_SOCKET is not usable")).ok()
        });
        let number = |name: &str| std::env::var(name).ok().and_then(|text| text.parse::<u64>().ok());
        let is_ours = number("WATCHDOG_PID").is_none_or(|pid| pid == u64::from(std::process::id()));
        let watchdog = number("WATCHDOG_USEC").filter(|usec| is_ours && *usec > 0).map(Duration::from_micros);
        Systemd { watchdog: watchdog.filter(|_| line.is_some()), line }
    }

    /// Says that the program is ready. False where that could not be said, and should be said again.
    pub fn ready(&self) -> bool {
        self.say("READY=1")
    }

    /// Says that a changed configuration is being taken up; [`Systemd::ready`] follows.
    pub fn reloading(&self) {
        self.say("RELOADING=1\nSTATUS=Taking up the changed configuration");
    }

    /// Says that the program ends.
    pub fn stopping(&self) {
        self.say("STOPPING=1\nSTATUS=Stopping");
    }

    /// Says in one line how things stand.
    pub fn status(&self, line: &str) {
        let line: String = line.chars().map(|sign| if sign.is_control() { ' ' } else { sign }).collect();
        self.say(&format!("STATUS={line}"));
    }

    fn say(&self, text: &str) -> bool {
        let Some((socket, address)) = &self.line else { return true };
        let sent = socket.send_to_addr(text.as_bytes(), address);
        if let Err(error) = &sent {
            tracing::debug!(%error, "the service manager cannot be told");
        }
        sent.is_ok()
    }

    /// Gives signs of life as long as the status is in good health; then the watchdog ends the program, and it starts anew.
    pub async fn watch(self: Arc<Self>, status: Arc<Status>, stop: CancellationToken) {
        let Some(within) = self.watchdog else { return };
        let mut ticks = interval((within / OFTEN).max(Duration::from_millis(1)));
        ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut is_told = false;
        loop {
            tokio::select! {
                () = stop.cancelled() => return,
                _ = ticks.tick() => {}
            }
            let health = status.health();
            if health.is_good() {
                is_told = false;
                self.say("WATCHDOG=1");
            } else if health.finished > 0 && !std::mem::replace(&mut is_told, true) {
                tracing::error!("no sign of life is given to the service manager: passes do not finish");
            }
        }
    }
}

/// A path, or a name of the abstract namespace after `@` (unix(7)).
fn open(name: &OsStr) -> io::Result<(UnixDatagram, SocketAddr)> {
    let address = match name.as_bytes().strip_prefix(b"@") {
        Some(name) => SocketAddr::from_abstract_name(name)?,
        None => SocketAddr::from_pathname(name)?,
    };
    let socket = UnixDatagram::unbound()?;
    socket.set_nonblocking(true)?;
    Ok((socket, address))
}
