//! What the service manager hears over its datagram socket (sd_notify(3), systemd.service(5)): ready after the first pass, one
//! line of status, signs of life, reloading, stopping. The socket is a real one, by path and in the abstract namespace.

use std::os::linux::net::SocketAddrExt as _;
use std::os::unix::net::{SocketAddr, UnixDatagram};
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use super::fleet::{Fleet, SIGNING, webhook};
use super::probe::{address, get};
use super::process::{Daemon, until};
use super::receiver::Receiver;

/// The service manager's end.
pub struct Manager {
    name: String,
    heard: Arc<Mutex<Vec<String>>>,
}

impl Manager {
    pub fn at_path(path: &Path) -> Manager {
        Manager::listening(UnixDatagram::bind(path).expect("a socket"), path.display().to_string())
    }

    fn abstract_one() -> Manager {
        let name = format!("stationkeep-test-{}", std::process::id());
        let address = SocketAddr::from_abstract_name(&name).expect("a name");
        Manager::listening(UnixDatagram::bind_addr(&address).expect("a socket"), format!("@{name}"))
    }

    fn listening(socket: UnixDatagram, name: String) -> Manager {
        let heard: Arc<Mutex<Vec<String>>> = Arc::default();
        let words = Arc::downgrade(&heard);
        socket.set_read_timeout(Some(Duration::from_millis(100))).expect("a socket that waits");
        std::thread::spawn(move || {
            let mut buffer = [0; 4096];
            while let Some(words) = words.upgrade() {
                if let Ok(length) = socket.recv(&mut buffer) {
                    let text = String::from_utf8_lossy(&buffer[..length]).into_owned();
                    words.lock().expect("no panic").push(text);
                }
            }
        });
        Manager { name, heard }
    }

    /// The variable that names it.
    pub fn environment(&self) -> [(String, String); 1] {
        [("NOTIFY_SOCKET".into(), self.name.clone())]
    }

    pub fn heard(&self) -> Vec<String> {
        self.heard.lock().expect("no panic").clone()
    }

    pub fn forget(&self) {
        self.heard.lock().expect("no panic").clear();
    }

    pub fn wait_for(&self, word: &str) {
        self.forget();
        until(word, || self.heard().iter().any(|heard| heard.lines().any(|line| line == word)).then_some(()));
    }

    /// Where a line first stands among the words heard.
    fn place(&self, line: &str) -> Option<usize> {
        self.heard().iter().position(|heard| heard.lines().any(|one| one == line))
    }
}

fn supervised(manager: &Manager, more: &[(&str, String)]) -> (Receiver, Fleet) {
    let receiver = Receiver::start(SIGNING);
    let mut fleet = Fleet::new(&receiver);
    fleet.environment.extend(manager.environment());
    fleet.environment.extend(more.iter().map(|(name, value)| ((*name).to_owned(), value.clone())));
    (receiver, fleet)
}

#[test]
fn it_is_ready_once_the_first_pass_has_finished_and_says_how_things_stand_and_that_it_stops() {
    let folder = tempfile::tempdir().expect("a folder");
    for manager in [Manager::at_path(&folder.path().join("notify")), Manager::abstract_one()] {
        let (receiver, fleet) = supervised(&manager, &[]);
        let daemon = Daemon::spawn(fleet.home(), &fleet.environment);
        until("READY=1", || manager.place("READY=1"));
        let daemon = daemon.announced();
        assert!(get(address(&daemon), "/healthz").json()["passes"]["finished"].as_u64() >= Some(1));
        receiver.wait_for(1);
        until("a status", || {
            let status = |heard: &String| heard.starts_with("STATUS=6 stations: ") && heard.contains("5 aligned");
            manager.heard().iter().any(status).then_some(())
        });
        // A changed configuration: reloading, then ready again.
        manager.forget();
        fleet.configure(120, &webhook("on-call"));
        until("RELOADING=1 and READY=1", || {
            let (reloading, ready) = (manager.place("RELOADING=1")?, manager.place("READY=1")?);
            (reloading < ready).then_some(())
        });
        assert_eq!(daemon.stop("TERM"), Some(0));
        until("STOPPING=1", || manager.place("STOPPING=1"));
        // No watchdog asked for a sign of life.
        assert_eq!(manager.place("WATCHDOG=1"), None);
    }
}

#[test]
fn a_watchdog_that_is_meant_for_another_process_gets_no_sign_of_life() {
    let folder = tempfile::tempdir().expect("a folder");
    let manager = Manager::at_path(&folder.path().join("notify"));
    let others = [("WATCHDOG_USEC", "300000".to_owned()), ("WATCHDOG_PID", std::process::id().to_string())];
    let (_receiver, fleet) = supervised(&manager, &others);
    let _daemon = fleet.start();
    until("READY=1", || manager.place("READY=1"));
    // Signs would be 150 ms apart.
    std::thread::sleep(Duration::from_secs(1));
    assert_eq!(manager.place("WATCHDOG=1"), None);
}

#[test]
fn a_socket_that_is_not_there_keeps_nothing_from_running() {
    let folder = tempfile::tempdir().expect("a folder");
    let manager = Manager { name: folder.path().join("none").display().to_string(), heard: Arc::default() };
    let (receiver, fleet) = supervised(&manager, &[("WATCHDOG_USEC", "300000".to_owned())]);
    let daemon = fleet.start();
    receiver.wait_for(1);
    assert_eq!(daemon.stop("TERM"), Some(0));
}
