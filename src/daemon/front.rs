//! The parts of the daemon that face outward and outlive sessions: the status and its HTTP server, and the service manager.
//! They are told how passes go, and never have a say in them.

use std::net::SocketAddr;
use std::sync::{Arc, OnceLock};
use std::time::{Duration, Instant};

use jiff::Timestamp;
use tokio_util::sync::{CancellationToken, DropGuard};

use crate::alert::{Pages, Unreachable};
use crate::fleet::View;
use crate::web::{Clocks, PassStatus, Server, Status};

use super::clock::system_ms;
use super::notifier::Notifier;
use super::systemd::Systemd;

/// Everything that faces outward.
pub struct Front {
    pub status: Arc<Status>,
    server: Option<Server>,
    /// Since when its address cannot be listened on, where it cannot.
    deaf_since: Option<(Instant, Timestamp)>,
    systemd: Arc<Systemd>,
    /// Whether the service manager knows that the program is ready.
    is_ready: bool,
    _watchdog: DropGuard,
}

/// Time since this was first asked; never goes back.
fn steady() -> Duration {
    static START: OnceLock<Instant> = OnceLock::new();
    START.get_or_init(Instant::now).elapsed()
}

impl Front {
    /// Opens the status, and gives signs of life where a watchdog wants them.
    pub fn open() -> Front {
        let status = Arc::new(Status::new(Clocks { steady, system_ms }));
        let systemd = Arc::new(Systemd::from_env());
        let stop = CancellationToken::new();
        tokio::spawn(systemd.clone().watch(status.clone(), stop.clone()));
        Front { status, server: None, deaf_since: None, systemd, is_ready: false, _watchdog: stop.drop_guard() }
    }

    /// Listens on this address, and no longer on the one before. While it cannot, it tries again, and the one before stays.
    pub async fn listen(&mut self, asked: SocketAddr, now: Timestamp) {
        if self.server.as_ref().is_none_or(|server| server.asked() != asked) {
            let before = self.server.take().filter(|server| server.address().is_some());
            let server = Server::start(asked, self.status.clone(), before).await;
            self.deaf_since = server.address().is_none().then(|| (Instant::now(), now));
            self.server = Some(server);
        }
    }

    /// Returns when the address can be listened on that could not be when [`Front::pages`] was last asked.
    pub async fn heard_again(&self) {
        match self.server.as_ref().filter(|_| self.deaf_since.is_some()) {
            // A server that is gone listens no more.
            Some(server) => drop(server.listening().wait_for(Result::is_ok).await),
            None => std::future::pending().await,
        }
    }

    /// The address of the pages, and whether it can be listened on; for how long it could not.
    pub fn pages(&mut self) -> Option<(Pages, Duration)> {
        let server = self.server.as_ref()?;
        let because = server.listening().borrow().clone().err();
        if because.is_none() {
            self.deaf_since = None;
        }
        let unreachable = because.zip(self.deaf_since).map(|(because, (_, since))| Unreachable { since, because });
        let host = rustix::system::uname().nodename().to_string_lossy().as_ref().into();
        let pages = Pages { host, address: server.asked().to_string().into(), unreachable };
        Some((pages, self.deaf_since.map_or(Duration::ZERO, |(since, _)| since.elapsed())))
    }

    /// The address that is listened on, with its real port.
    pub fn address(&self) -> Option<SocketAddr> {
        self.server.as_ref().and_then(Server::address)
    }

    /// A pass has finished: what it left is shown.
    pub fn passed(&mut self, view: &View, notifier: &Notifier) {
        let shown = shown(view, notifier);
        let stations = view.totals.counted();
        let mut line = format!("{stations}: {}; {} errors in the files", view.totals.sentence(), shown.errors);
        if let Some(server) = self.server.as_ref().filter(|server| server.address().is_none()) {
            line.push_str(&format!("; cannot listen on {}", server.asked()));
        }
        self.status.finish(shown);
        if !self.is_ready {
            self.is_ready = self.systemd.ready();
        }
        self.systemd.status(&line);
    }

    /// A changed configuration is taken up; the next pass makes the program ready again.
    pub fn reloading(&mut self) {
        self.is_ready = false;
        self.systemd.reloading();
    }

    /// The program ends.
    pub fn stopping(&self) {
        self.systemd.stopping();
    }
}

fn shown(view: &View, notifier: &Notifier) -> PassStatus {
    let errors = view.findings().iter().filter(|finding| finding.is_error()).count();
    PassStatus {
        totals: view.totals.clone(),
        held: view.held().map(|held| held.numbers()),
        on_record: view.tally.on_record,
        open_cases: notifier.open_cases(),
        in_use_since: view.in_use_since,
        errors: errors as u64,
        warnings: (view.findings().len() - errors) as u64,
        next_reminder: notifier.next_reminder(),
        silent: notifier.silent().cloned().collect(),
    }
}
